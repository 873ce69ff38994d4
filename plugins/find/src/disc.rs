//! Finds a bright target on a dark sky: centre, box, light, sky, noise, clipping, and whether the frame's edge cuts it.
//!
//! The raw frame is binned 2 x 2 (which also takes away a colour mosaic's checkerboard), cleaned of hot pixels by a
//! 3 x 3 median and smoothed by `[1 2 1] x [1 2 1] / 16`; the sky is a plane fitted to the rim. With `L` the brightest
//! smoothed pixel above the sky, the target is the connected area above `0.15 L` that holds most light (so not a moon
//! beside it). Its centre is the centroid of the soft mask `clamp((v / L - 0.15) / 0.2, 0, 1)`: a threshold at a
//! quarter of the brightness whose edge is ten per cent wide on either side, so that neither belts nor the pixel grid
//! pull at it. Centroid of a thresholded, blurred disc: common practice, no source; on simulated discs of 15 electrons
//! per pixel it stays within 0.06 px.

use stillair_api::{
    Bound, ClipInfo, ColumnSpec, Context, Description, Facts, Frame, FrameInput, Layout, Measure, MeasureRow,
    MeasureRun, Memory, Method, Node, Outcome, Parameter, Parameters, PortType, Scratch, Shape, StreamShape, columns,
    scratch_of,
};
use stillair_maths::border::Border;
use stillair_maths::filters::{median3, symmetric};

use crate::components::{Components, Run};
use crate::mask::{Mask, mask_of, reach_of};
use crate::noise::{Lattice, sigma};
use crate::sky::{self, Sky};

/// Share of the brightness where the target's mask begins.
const EDGE: f32 = 0.15;
/// Share of the brightness from there to the full mask.
const EDGE_WIDTH: f32 = 0.2;
/// Share of the brightness that counts as light of rings and moons.
const FAINT: f64 = 0.04;
/// Fewest binned pixels of a target.
const SMALLEST: usize = 3;
/// Most samples of a noise estimate or a percentile.
const SAMPLES: usize = 1500;

/// `find.disc`.
pub struct Disc;

impl Method for Disc {
    fn describe(&self) -> Description {
        Description::new("find.disc", Shape::Measure, "Finds a planet or another bright target on a dark sky")
            .help(
                "Bins the raw frame 2 x 2, removes hot pixels by a median, fits the sky as a tilted plane to the rim \
                 of the frame and takes the brightest connected area. Rings belong to the target where they are \
                 brighter than 15 % of it; moons do not move its centre but count for its reach, so that a following \
                 window keeps them. Works on colour mosaics, mono and RGB frames, in thin cloud and on a tilted sky. \
                 A frame without a target gets found = 0 and no position. A target that the frame's edge cuts off is \
                 found and its cut share given; its centre is then that of the visible part. Fails on targets less \
                 than about 6 px across (taken for hot pixels) and on surfaces that fill the frame.",
            )
            .source(
                "connected components: Rosenfeld & Pfaltz 1966; noise: after Immerkaer 1996; centroid of a \
                 thresholded blurred disc: common practice, no source",
            )
            .contract("find")
            .input("frames", PortType::Frames, "whole frames, raw")
            .output("table", PortType::Table, "position, box, light, sky and noise of each frame")
            .column(ColumnSpec::number(columns::X_PX, "px", "column of the target's centre in the full frame"))
            .column(ColumnSpec::number(columns::Y_PX, "px", "row of the target's centre in the full frame"))
            .column(ColumnSpec::number(
                columns::WIDTH_PX,
                "px",
                "width of the target's box at a quarter of its brightness",
            ))
            .column(ColumnSpec::number(
                columns::HEIGHT_PX,
                "px",
                "height of the target's box at a quarter of its brightness",
            ))
            .column(ColumnSpec::number(columns::RADIUS_PX, "px", "radius of a circle of the bright area"))
            .column(ColumnSpec::number(columns::FLUX, "white level px", "light of the target above the sky"))
            .column(ColumnSpec::number(columns::BACKGROUND, "white level", "sky at the target"))
            .column(ColumnSpec::number(
                columns::NOISE,
                "white level",
                "noise of a sky pixel, of green where there is a mosaic",
            ))
            .column(ColumnSpec::number(columns::PEAK, "white level", "98th percentile of the target above the sky"))
            .column(ColumnSpec::number(columns::CLIPPED, "", "share of the target's pixels at the white level"))
            .column(ColumnSpec::number(columns::CUT, "", "share of the target's outline on the frame's edge"))
            .column(ColumnSpec::number(columns::FOUND, "", "1 where a target was found, else 0"))
            .column(ColumnSpec::number(
                "target_noise",
                "white level",
                "noise of a pixel on the target, of green where there is a mosaic",
            ))
            .column(ColumnSpec::number(
                "reach_x_px",
                "px",
                "half width of the box about the centre that holds target, rings and moons",
            ))
            .column(ColumnSpec::number("reach_y_px", "px", "half height of that box"))
            .column(ColumnSpec::number(
                "fills",
                "",
                "1 where the target reaches two opposite edges of the frame, else 0",
            ))
            .parameter(Parameter::number(
                "significance",
                "",
                3.0,
                100.0,
                8.0,
                "how many times the scatter of the smoothed sky a target must stand out",
            ))
            .parameter(Parameter::number(
                "reach",
                "radii",
                1.0,
                20.0,
                3.0,
                "how far from the centre light still belongs to the target's rings and moons",
            ))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Measure(Box::new(DiscNode {
            significance: parameters.number("significance")?,
            reach_radii: parameters.number("reach")?,
        })))
    }
}

/// What is measured of one frame, in the order of the columns.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Found {
    x_px: f64,
    y_px: f64,
    width_px: f64,
    height_px: f64,
    radius_px: f64,
    flux: f64,
    background: f64,
    noise: f64,
    peak: f64,
    clipped: f64,
    cut: f64,
    found: f64,
    target_noise: f64,
    reach_x_px: f64,
    reach_y_px: f64,
    fills: f64,
}

impl Found {
    const COLUMNS: usize = 16;

    fn nothing() -> Self {
        let nan = f64::NAN;
        Self {
            x_px: nan,
            y_px: nan,
            width_px: nan,
            height_px: nan,
            radius_px: nan,
            flux: nan,
            background: nan,
            noise: nan,
            peak: nan,
            clipped: nan,
            cut: nan,
            found: 0.0,
            target_noise: nan,
            reach_x_px: nan,
            reach_y_px: nan,
            fills: 0.0,
        }
    }

    fn values(self) -> [f64; Self::COLUMNS] {
        [
            self.x_px,
            self.y_px,
            self.width_px,
            self.height_px,
            self.radius_px,
            self.flux,
            self.background,
            self.noise,
            self.peak,
            self.clipped,
            self.cut,
            self.found,
            self.target_noise,
            self.reach_x_px,
            self.reach_y_px,
            self.fills,
        ]
    }
}

/// Buffers of one thread.
#[derive(Debug, Default)]
struct Buffers {
    binned: Vec<f32>,
    cleaned: Vec<f32>,
    smooth: Vec<f32>,
    filter: Vec<f32>,
    ramp: Vec<f32>,
    rim: Vec<[f32; 3]>,
    values: Vec<f32>,
    components: Components,
}

/// Mean of 2 x 2 pixels of one plane, added to `out` with a weight.
fn bin_plane(plane: &[f32], width: usize, weight: f32, add: bool, out: &mut [f32]) {
    let columns = width / 2;
    let scale = 0.25 * weight;
    for (rows, target) in plane.chunks_exact(2 * width).zip(out.chunks_exact_mut(columns)) {
        let (upper, lower) = rows.split_at(width);
        let pairs = upper.as_chunks::<2>().0.iter().zip(lower.as_chunks::<2>().0);
        if add {
            for (t, (u, l)) in target.iter_mut().zip(pairs) {
                *t += scale * ((u[0] + u[1]) + (l[0] + l[1]));
            }
        } else {
            for (t, (u, l)) in target.iter_mut().zip(pairs) {
                *t = scale * ((u[0] + u[1]) + (l[0] + l[1]));
            }
        }
    }
}

/// Bins a frame 2 x 2; three planes are mixed 1 : 2 : 1 as a mosaic would.
fn bin(frame: &Frame, out: &mut [f32]) {
    let width = frame.width();
    if frame.layout == Layout::Rgb {
        bin_plane(frame.plane(0), width, 0.25, false, out);
        bin_plane(frame.plane(1), width, 0.5, true, out);
        bin_plane(frame.plane(2), width, 0.25, true, out);
    } else {
        bin_plane(frame.plane(0), width, 1.0, false, out);
    }
}

/// Light above the sky in the mask's box and a margin for what seeing spreads; hot pixels give no more than the
/// median about them and `tolerance`.
fn light(binned: &[f32], cleaned: &[f32], size: [usize; 2], bounds: [usize; 4], sky: &Sky, tolerance: f32) -> f64 {
    let [width, height] = size;
    let margin = 4 + (bounds[1] - bounds[0] + bounds[3] - bounds[2]) / 16;
    let (x0, x1) = (bounds[0].saturating_sub(margin), (bounds[1] + margin + 1).min(width));
    let (y0, y1) = (bounds[2].saturating_sub(margin), (bounds[3] + margin + 1).min(height));
    let middle = 0.5 * (x0 + x1 - 1) as f64;
    let mut total = 0.0;
    for y in y0..y1 {
        let raw = &binned[y * width + x0..y * width + x1];
        let clean = &cleaned[y * width + x0..y * width + x1];
        let mut lanes = [0.0_f32; 8];
        for (r, c) in raw.chunks(8).zip(clean.chunks(8)) {
            for ((lane, r), c) in lanes.iter_mut().zip(r).zip(c) {
                *lane += r.min(c + tolerance);
            }
        }
        let sum: f64 = lanes.iter().map(|&v| f64::from(v)).sum();
        total += sum - (x1 - x0) as f64 * sky.at(middle, y as f64);
    }
    4.0 * total
}

/// Share of the target's raw pixels at the white level.
fn clipped_share(frame: &Frame, runs: &[Run], white: f32) -> f64 {
    let width = frame.width();
    let (mut clipped, mut all) = (0_usize, 0_usize);
    for plane in 0..frame.layout.planes() {
        let data = frame.plane(plane);
        for run in runs {
            for y in [2 * run.y, 2 * run.y + 1] {
                let row = &data[y * width + 2 * run.x0..y * width + 2 * run.x1];
                clipped += row.iter().map(|&v| u32::from(v >= white)).sum::<u32>() as usize;
                all += row.len();
            }
        }
    }
    clipped as f64 / all.max(1) as f64
}

/// Noise of the sky outside the box `bounds` (binned pixels), or of the whole frame without one.
fn sky_noise(frame: &Frame, bounds: Option<[usize; 4]>, out: &mut Vec<f32>) -> f64 {
    out.clear();
    let lattice = Lattice::of(frame);
    let (width, height) = (frame.width(), frame.height());
    let row_step = (height / 24).max(1);
    let stride = (width * height / (row_step * SAMPLES * 2)).max(1);
    for y in (0..height).step_by(row_step) {
        match bounds {
            Some([x0, x1, y0, y1]) if y + 6 >= 2 * y0 && y <= 2 * y1 + 6 => {
                lattice.row(y, 0, (2 * x0).saturating_sub(6), stride, out);
                lattice.row(y, 2 * x1 + 6, width, stride, out);
            }
            _ => lattice.row(y, 0, width, stride, out),
        }
    }
    sigma(out)
}

/// Noise of a pixel on the target, from the inner half of each run.
fn target_noise(frame: &Frame, runs: &[Run], solid_pixels: usize, out: &mut Vec<f32>) -> f64 {
    out.clear();
    let lattice = Lattice::of(frame);
    let stride = (solid_pixels / SAMPLES).max(1);
    for (i, run) in runs.iter().enumerate() {
        let quarter = (run.x1 - run.x0) / 2;
        // Alternating rows meet both parities of the mosaic.
        lattice.row(2 * run.y + i % 2, 2 * run.x0 + quarter, 2 * run.x1 - quarter, stride, out);
    }
    sigma(out)
}

/// 98th percentile of `values` over the runs' pixels that exceed `floor` in `smooth`.
fn bright_end(
    values: &[f32],
    smooth: &[f32],
    width: usize,
    floor: f32,
    mask: &Mask,
    runs: &[Run],
    out: &mut Vec<f32>,
) -> f64 {
    out.clear();
    let stride = (mask.solid_pixels / SAMPLES).max(1);
    for run in runs {
        for x in (run.x0 + run.y % stride..run.x1).step_by(stride) {
            if smooth[run.y * width + x] >= floor {
                out.push(values[run.y * width + x]);
            }
        }
    }
    if out.is_empty() {
        return f64::NAN;
    }
    let rank = (out.len() - 1) * 98 / 100;
    f64::from(*out.select_nth_unstable_by(rank, f32::total_cmp).1)
}

/// Measures one frame. `white_step` is one step of the digitiser in white levels.
fn measure(frame: &Frame, node: &DiscNode, white_step: f64, buffers: &mut Buffers) -> Found {
    let mut found = Found::nothing();
    let (width, height) = (frame.width() / 2, frame.height() / 2);
    if width < 4 || height < 4 {
        return found;
    }
    let area = width * height;
    let Buffers { binned, cleaned, smooth, filter, ramp, rim, values, components } = buffers;
    for buffer in [&mut *binned, &mut *cleaned, &mut *smooth] {
        buffer.resize(area, 0.0);
    }
    bin(frame, binned);
    median3(binned, width, height, Border::Nearest, cleaned, filter);
    symmetric(cleaned, width, height, &[0.5, 0.25], Border::Nearest, smooth, filter);
    let brightest = highest(smooth);
    let sky = sky::fit(smooth, width, height, brightest, rim, values);
    ramp.clear();
    ramp.extend((0..width).map(|x| (sky.slope_x * x as f64) as f32));
    for (y, row) in smooth.chunks_exact_mut(width).enumerate() {
        let level = sky.at(0.0, y as f64) as f32;
        row.iter_mut().zip(&*ramp).for_each(|(v, r)| *v -= level + r);
    }
    let level = f64::from(highest(smooth));
    found.background = sky.at(0.5 * width as f64, 0.5 * height as f64);
    // Uneven illumination of a bright sky is no target; nor is a fraction of a step of the digitiser.
    let least = (node.significance * sky.scatter).max(0.05 * found.background).max(0.3 * white_step);
    if level.is_nan() || level <= least {
        found.noise = sky_noise(frame, None, values);
        return found;
    }
    let low = (EDGE * level as f32).max((0.6 * node.significance * sky.scatter) as f32);
    let full = low + EDGE_WIDTH * level as f32;
    components.label(smooth, width, low);
    let count = components.brightest_first();
    let runs = &components.runs[..count];
    let mask = mask_of(smooth, width, height, low, full, runs);
    if mask.solid_pixels < SMALLEST {
        found.noise = sky_noise(frame, None, values);
        return found;
    }
    let raw = |binned: f64| 2.0 * binned + 0.5;
    let [sx0, sx1, sy0, sy1] = mask.solid;
    found.found = 1.0;
    found.x_px = raw(mask.x) + frame.region.x as f64;
    found.y_px = raw(mask.y) + frame.region.y as f64;
    found.width_px = 2.0 * (sx1 - sx0 + 1) as f64;
    found.height_px = 2.0 * (sy1 - sy0 + 1) as f64;
    found.radius_px = 2.0 * (mask.weight / std::f64::consts::PI).sqrt();
    found.background = sky.at(mask.x, mask.y);
    let tolerance = (8.0 * sky.scatter + 0.25 * level) as f32;
    found.flux = light(binned, cleaned, [width, height], mask.soft, &sky, tolerance);
    let floor = 0.5 * (low + full);
    found.peak = bright_end(cleaned, smooth, width, floor, &mask, runs, values) - found.background;
    found.clipped = clipped_share(frame, runs, (1.0 - 0.5 * white_step) as f32);
    // Perimeter of the ellipse in the box.
    let outline = 0.5 * std::f64::consts::PI * (sx1 - sx0 + sy1 - sy0 + 2) as f64;
    found.cut = (mask.edge_pixels as f64 / outline).min(1.0);
    found.fills = f64::from((sx0 == 0 && sx1 + 1 == width) || (sy0 == 0 && sy1 + 1 == height));
    let faint = (FAINT * level).max(node.significance * sky.scatter) as f32;
    let limit = node.reach_radii * 0.5 * found.radius_px;
    let reach = reach_of(smooth, width, height, [mask.x, mask.y], faint, limit);
    found.reach_x_px = 2.0 * reach[0];
    found.reach_y_px = 2.0 * reach[1];
    found.noise = sky_noise(frame, Some(mask.soft), values);
    found.target_noise = target_noise(frame, runs, mask.solid_pixels, values);
    found
}

/// Largest value, in eight lanes.
fn highest(values: &[f32]) -> f32 {
    let (heads, tail) = values.as_chunks::<8>();
    let mut lanes = [f32::NEG_INFINITY; 8];
    for head in heads {
        for (lane, &v) in lanes.iter_mut().zip(head) {
            *lane = if v > *lane { v } else { *lane };
        }
    }
    lanes.iter().chain(tail).fold(f32::NEG_INFINITY, |a, &v| a.max(v))
}

/// The node: its parameters.
#[derive(Debug, Clone, Copy)]
struct DiscNode {
    significance: f64,
    reach_radii: f64,
}

impl Measure for DiscNode {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MeasureRun>> {
        let white_step = if info.white_level > 1.0 { 1.0 / info.white_level } else { 0.0 };
        Ok(Box::new(DiscRun { node: *self, white_step }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let quarter = (stream.width * stream.height) as u64;
        // Four planes of a quarter of the pixels, the filter's, and the runs of a frame full of specks.
        Memory { worker: 6 * quarter + 24 * quarter, ..Memory::default() }
    }
}

struct DiscRun {
    node: DiscNode,
    white_step: f64,
}

impl MeasureRun for DiscRun {
    fn worker(&self) -> Scratch {
        Box::new(Buffers::default())
    }

    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<MeasureRow> {
        let buffers = scratch_of::<Buffers>(scratch)?;
        let found = measure(input.frame, &self.node, self.white_step, buffers);
        Ok(MeasureRow { values: found.values().to_vec(), motion: None })
    }
}

#[cfg(test)]
#[path = "disc_tests.rs"]
mod tests;
