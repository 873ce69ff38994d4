//! Follows a surface that fills the frame: how far the whole field has moved, its light, noise and structure.
//!
//! The frame is binned to some 200 px, its mean taken off under a Hann window, and its spectrum correlated with that of
//! an earlier frame; half of the earlier spectrum's modulus is divided out, and frequencies below a twentieth of a cycle
//! per binned pixel are left out, so that vignetting and dust, which stay with the sensor, weigh little. The peak,
//! refined by a parabola, is good to a tenth of a binned pixel: a start for align.correlate. A frame that lies further
//! than an eighth of the field from the one it was held against becomes the one that later frames are held against, so a
//! field may drift by more than its size. Structure is the ratio of the spectrum's modulus to that of the frame's own
//! noise, over the band. Sources: Kuglin & Hines 1975, Proc. IEEE Int. Conf. Cybernetics and Society, 163 (correlation
//! by phase); Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33, 156 (peak by transform).

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, ColumnSpec, Context, Description, Entry, Facts, Fault, Finish, Frame, FrameInput, Item, Layout,
    Memory, Method, Node, Outcome, Parameter, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape, StreamShape,
    Table, Value, columns, scratch_of,
};
use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch, frequency, good_size};
use stillair_maths::registration::{CoarseScratch, coarse_shift};
use stillair_maths::robust::{median, percentile_f32};
use stillair_maths::window::{apply, hann};

use crate::noise::{Lattice, sigma};

/// Longest side of a binned frame, px.
const BINNED_PX: usize = 200;
/// Frequencies that are correlated, cycles per binned px.
const BAND: (f64, f64) = (0.05, 0.30);
/// Share of the field's shorter side within which a shift is looked for.
const REACH: f64 = 0.4;
/// Share of the field's shorter side beyond which a frame becomes the one to be held against.
const RENEW: f64 = 0.12;
/// Least height of a correlation's peak over the surface's rms that is no chance.
const CHANCE: f64 = 5.0;
/// Numbers kept of a frame.
const MEASURES: usize = 9;
/// Most samples of a noise estimate.
const SAMPLES: usize = 6000;

/// `find.terrain`.
pub struct Terrain;

fn specs() -> [ColumnSpec; 10] {
    [
        ColumnSpec::number(columns::X_PX, "px", "column in the full frame of the point that is in the middle of most"),
        ColumnSpec::number(columns::Y_PX, "px", "row in the full frame of that point"),
        ColumnSpec::number(columns::FLUX, "white level px", "light of the whole frame"),
        ColumnSpec::number(columns::BACKGROUND, "white level", "dark end: 2nd percentile"),
        ColumnSpec::number(
            columns::NOISE,
            "white level",
            "noise of a pixel, of green where there is a mosaic; strong fine detail adds to it",
        ),
        ColumnSpec::number(columns::PEAK, "white level", "98th percentile above the dark end"),
        ColumnSpec::number(columns::CLIPPED, "", "share of the pixels at the white level"),
        ColumnSpec::number(columns::FOUND, "", "1 where there is structure and its place is known, else 0"),
        ColumnSpec::number("structure", "", "modulus of the detail over that of the noise"),
        ColumnSpec::number("match", "", "height of the correlation's peak over its rms; below 5 it is chance"),
    ]
}

impl Method for Terrain {
    fn describe(&self) -> Description {
        let mut description = Description::new(
            "find.terrain",
            Shape::Reduce,
            "Follows a surface that fills the frame and tells its light, noise and structure",
        )
        .help(
            "For the Moon seen so large that no edge is in the field. Finds how far the whole field has \
             moved, to about half a pixel and a fiftieth of the drift, by correlation with an earlier frame; drift by more than the field's size is \
             followed. The reference point is that which lies in the middle of the median frame. Frames without \
             enough structure above their noise, or that match no earlier frame, get found = 0 and no position. \
             Works on colour mosaics, mono and RGB frames; best on frames with dark and flat applied, since dust \
             stays with the sensor. Not for a planet on a dark sky: find.disc is quicker and tells more.",
        )
        .source(
            "phase correlation: Kuglin & Hines 1975, Proc. IEEE Int. Conf. Cybernetics and Society, 163; noise: after \
             Immerkaer 1996",
        )
        .contract("find")
        .input("frames", PortType::Frames, "whole frames")
        .output("table", PortType::Table, "position, light, noise and structure of each frame")
        .parameter(Parameter::number(
            "significance",
            "",
            0.5,
            100.0,
            1.5,
            "how many times its noise the detail of a frame must be",
        ));
        for spec in specs() {
            description = description.column(spec);
        }
        description
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(TerrainNode { significance: parameters.number("significance")? })))
    }
}

struct TerrainNode {
    significance: f64,
}

/// Pixels of a side that are binned into one; even, so that a mosaic's colours mix.
fn bin_of(width: usize, height: usize) -> usize {
    width.max(height).div_ceil(BINNED_PX).next_multiple_of(2).max(2)
}

impl Reduce for TerrainNode {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let bin = bin_of(info.width, info.height);
        let size = [info.width / bin, info.height / bin];
        if size[0] < 8 || size[1] < 8 {
            return Err(Fault::data(format!("frames of {} x {} px are too small to follow", info.width, info.height))
                .remedy("use find.disc for a small target, or a larger window of the camera"));
        }
        Ok(Box::new(TerrainRun {
            significance: self.significance,
            white: (1.0 - 0.5 / info.white_level.max(2.0)) as f32,
            bin,
            size,
            plan: Fft2::new(good_size(size[0]), good_size(size[1])),
            taper: [hann(size[0]), hann(size[1])],
            info: info.clone(),
            rows: vec![[f64::NAN; MEASURES]; info.frames],
            anchor: None,
            scratch: CoarseScratch::default(),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let bin = bin_of(stream.width, stream.height);
        let small = (8 * (stream.width / bin + 16) * (stream.height / bin + 16)) as u64;
        Memory { worker: 4 * small, item: small + 256, state: 8 * small + 64 * stream.frames as u64 }
    }
}

/// Mean of `bin` x `bin` pixels over all planes.
fn binned(frame: &Frame, bin: usize, [columns, rows]: [usize; 2], out: &mut Vec<f32>) {
    out.clear();
    out.resize(columns * rows, 0.0);
    let planes = frame.layout.planes();
    let share = 1.0 / (bin * bin * planes) as f32;
    for plane in 0..planes {
        for (y, line) in frame.plane(plane).chunks_exact(frame.width()).take(rows * bin).enumerate() {
            let target = &mut out[y / bin * columns..(y / bin + 1) * columns];
            for (t, part) in target.iter_mut().zip(line.chunks_exact(bin)) {
                *t += share * part.iter().sum::<f32>();
            }
        }
    }
}

/// Buffers of one thread.
#[derive(Default)]
struct Buffers {
    small: Vec<f32>,
    padded: Vec<f32>,
    windowed: Vec<f32>,
    values: Vec<f32>,
    fft: Fft2Scratch,
}

/// What goes from a frame to the sums.
struct Seen {
    spectrum: Vec<Complex32>,
    flux: f64,
    dark: f64,
    noise: f64,
    peak: f64,
    clipped: f64,
    structure: f64,
}

/// The frame that others are held against, and where it lies.
struct Anchor {
    spectrum: Vec<Complex32>,
    place: [f64; 2],
}

struct TerrainRun {
    significance: f64,
    white: f32,
    bin: usize,
    size: [usize; 2],
    plan: Fft2,
    taper: [Vec<f32>; 2],
    info: ClipInfo,
    /// Displacement x and y in px, match, flux, dark end, noise, peak, clipped, structure.
    rows: Vec<[f64; MEASURES]>,
    anchor: Option<Anchor>,
    scratch: CoarseScratch,
}

impl TerrainRun {
    /// Modulus of the detail over that of noise of `sigma` per pixel of the binned frame.
    fn structure(&self, spectrum: &[Complex32], sigma: f64) -> f64 {
        let energy = |taper: &[f32]| stillair_maths::dot(taper, taper);
        let noise = sigma * sigma * energy(&self.taper[0]) * energy(&self.taper[1]);
        let (half, height) = (self.plan.half_width(), self.plan.height());
        let (mut power, mut count) = (0.0, 0.0);
        for (ky, row) in spectrum.chunks_exact(half).enumerate() {
            let fy = frequency(ky, height);
            for (kx, value) in row.iter().enumerate() {
                let radius = libm::hypot(frequency(kx, self.plan.width()), fy);
                if radius >= BAND.0 && radius <= BAND.1 {
                    power += f64::from(value.norm_sqr());
                    count += 1.0;
                }
            }
        }
        if power <= 0.0 {
            return 0.0;
        }
        (power / f64::max(count, 1.0) / noise.max(1e-30) - 1.0).max(0.0).sqrt()
    }
}

impl ReduceRun for TerrainRun {
    fn worker(&self) -> Scratch {
        Box::new(Buffers::default())
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let buffers = scratch_of::<Buffers>(scratch)?;
        let frame = input.frame;
        let (width, height) = (frame.width(), frame.height());
        if [width / self.bin, height / self.bin] != self.size || frame.index >= self.rows.len() {
            return Err(Fault::data(format!("frame {} has another size than the first", frame.index)));
        }
        let Buffers { small, padded, windowed, values, fft } = buffers;
        binned(frame, self.bin, self.size, small);
        windowed.resize(small.len(), 0.0);
        apply(small, &self.taper[0], &self.taper[1], windowed);
        let (across, down) = (self.plan.width(), self.plan.height());
        padded.clear();
        padded.resize(across * down, 0.0);
        for (to, from) in padded.chunks_exact_mut(across).zip(windowed.chunks_exact(self.size[0])) {
            to[..self.size[0]].copy_from_slice(from);
        }
        let mut spectrum = self.plan.spectrum();
        self.plan.forward(padded, &mut spectrum, fft);
        let mean = stillair_maths::sum(small) / small.len() as f64;
        let dark = f64::from(percentile_f32(small, 2.0, values));
        let peak = f64::from(percentile_f32(small, 98.0, values)) - dark;
        values.clear();
        let lattice = Lattice::of(frame);
        let row_step = (height / 40).max(1);
        let stride = (width * height / (row_step * SAMPLES)).max(1);
        // Rows of both parities, so that both greens of a mosaic are met.
        (0..height).step_by(row_step).for_each(|y| lattice.row(y, 0, width, stride, values));
        let noise = sigma(values);
        let clipped = frame.data.iter().filter(|v| **v >= self.white).count();
        // Noise of a binned pixel: of a mosaic or of three planes about the green's.
        let planes = if frame.layout == Layout::Rgb { 3.0_f64 } else { 1.0 };
        let structure = self.structure(&spectrum, noise / self.bin as f64 / planes.sqrt());
        Ok(Box::new(Seen {
            spectrum,
            flux: mean * (width * height) as f64,
            dark,
            noise,
            peak,
            clipped: clipped as f64 / frame.data.len().max(1) as f64,
            structure,
        }))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (index, item) in items {
            let seen = *item.downcast::<Seen>().map_err(|_| Fault::internal("the item is of another type"))?;
            let mut place = None;
            if seen.structure >= self.significance {
                place = match &self.anchor {
                    None => Some(([0.0; 2], f64::INFINITY)),
                    Some(anchor) => {
                        let limit = REACH * self.size[0].min(self.size[1]) as f64;
                        let spectra = (&seen.spectrum[..], &anchor.spectrum[..]);
                        coarse_shift(&self.plan, spectra.0, spectra.1, 0.5, BAND, limit, &mut self.scratch)
                            .filter(|peak| peak.significance >= CHANCE)
                            .map(|peak| ([anchor.place[0] + peak.dx, anchor.place[1] + peak.dy], peak.significance))
                    }
                };
            }
            if let Some((at, _)) = place {
                let far = RENEW * self.size[0].min(self.size[1]) as f64;
                let renew = self.anchor.as_ref().is_none_or(|a| (0..2).any(|k| (at[k] - a.place[k]).abs() > far));
                if renew {
                    self.anchor = Some(Anchor { spectrum: seen.spectrum, place: at });
                }
            }
            let (at, matched) = place.unwrap_or(([f64::NAN; 2], f64::NAN));
            let bin = self.bin as f64;
            self.rows[index] = [
                at[0] * bin,
                at[1] * bin,
                matched,
                seen.flux,
                seen.dark,
                seen.noise,
                seen.peak,
                seen.clipped,
                seen.structure,
            ];
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let column = |k: usize| -> Vec<f64> { self.rows.iter().map(|r| r[k]).collect() };
        let (x, y) = (column(0), column(1));
        let found: Vec<f64> = x.iter().map(|v| f64::from(v.is_finite())).collect();
        let count = found.iter().sum::<f64>();
        let middle = [median(&x), median(&y)];
        let centre = [self.info.width, self.info.height].map(|n| (n as f64 - 1.0) * 0.5);
        let placed = |values: &[f64], k: usize| values.iter().map(|v| v - middle[k] + centre[k]).collect::<Vec<f64>>();
        let span = |values: &[f64]| {
            let known = values.iter().copied().filter(|v| v.is_finite());
            known.clone().fold(f64::NEG_INFINITY, f64::max) - known.fold(f64::INFINITY, f64::min)
        };
        if count > 0.0 {
            context.record(Entry::number("drift-x", span(&x), "px", "how far the field moved along the rows"));
            context.record(Entry::number("drift-y", span(&y), "px", "how far the field moved along the columns"));
            context.record(Entry::number("structure", median(&column(8)), "", "median of detail over noise"));
        }
        let lost = self.rows.iter().filter(|r| r[3].is_finite()).count() as f64 - count;
        if lost > 0.05 * self.rows.len() as f64 {
            context.warn(&format!("{lost} frames show too little structure, or another field than the others"));
        }
        let mut table = Table::for_frames(&self.info.time_s, self.info.exposure_s);
        let mut matched = column(2);
        // The first frame was held against nothing.
        matched.iter_mut().filter(|m| m.is_infinite()).for_each(|m| *m = f64::NAN);
        let data = [
            placed(&x, 0),
            placed(&y, 1),
            column(3),
            column(4),
            column(5),
            column(6),
            column(7),
            found,
            column(8),
            matched,
        ];
        for (spec, data) in specs().into_iter().zip(data) {
            table.push(spec, data);
        }
        Ok(Finish::Done(vec![Value::Table(Arc::new(table))]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::{TestContext, clip_info, run_reduce};
    use stillair_api::{Pattern, Region};

    const SIZE: [usize; 2] = [192, 128];

    /// A field of waves that repeat nowhere near, seen from a place; noise of 0.01.
    fn frame(index: usize, layout: Layout, place: [f64; 2], contrast: f64) -> Frame {
        let mut frame = Frame::empty();
        frame.reshape(index, Region::whole(SIZE[0], SIZE[1]), layout);
        let mut state = 77 + index as u64;
        for y in 0..SIZE[1] {
            for x in 0..SIZE[0] {
                let (u, v) = (x as f64 - place[0], y as f64 - place[1]);
                let mut value = 0.4;
                for k in 1..40 {
                    let turn = f64::from(k * k % 89);
                    let pitch = 0.03 + 0.011 * f64::from(k * 7 % 41);
                    value += contrast * 0.03 * (pitch * (u * turn.cos() + v * turn.sin()) + 3.0 * turn).sin();
                }
                // Vignetting that stays with the sensor.
                let r2 = (x as f64 / 192.0 - 0.5).powi(2) + (y as f64 / 128.0 - 0.5).powi(2);
                let noise = 0.01 * f64::from(crate::noise::tests::normal(&mut state));
                frame.data[y * SIZE[0] + x] = (value * (1.0 - 0.5 * r2) + noise) as f32;
            }
        }
        frame
    }

    fn table(layout: Layout, frames: &[Frame]) -> Arc<Table> {
        let Ok(Node::Reduce(node)) = Terrain.create(&Terrain.describe().defaults(), &Facts::default()) else {
            panic!("no reduce")
        };
        let info = clip_info(frames.len(), SIZE[0], SIZE[1], layout);
        let values = run_reduce(node.as_ref(), &TestContext::default(), &Bound::default(), &info, frames).unwrap();
        let Value::Table(table) = &values[0] else { panic!("no table") };
        table.clone()
    }

    #[test]
    fn the_description_keeps_to_its_contract() {
        assert_eq!(stillair_api::contract::breaches(&Terrain.describe()), Vec::<String>::new());
    }

    // Shifts are those the frames were drawn with.
    #[test]
    fn a_field_is_followed_beyond_its_size() {
        for layout in [Layout::Mono, Layout::Mosaic(Pattern::Rggb)] {
            let place = |k: usize| [1.0 + 13.3 * k as f64, 0.4 - 6.1 * k as f64];
            let frames: Vec<Frame> = (0..17).map(|k| frame(k, layout, place(k), 1.0)).collect();
            let table = table(layout, &frames);
            let (x, y) = (table.values(columns::X_PX).unwrap(), table.values(columns::Y_PX).unwrap());
            for k in 0..17 {
                // The median frame is number 8; its middle is the reference.
                let expected = [95.5 + place(k)[0] - place(8)[0], 63.5 + place(k)[1] - place(8)[1]];
                let off = (x[k] - expected[0]).hypot(y[k] - expected[1]);
                let far = place(k)[0] - place(8)[0];
                assert!(off < 0.5 + 0.02 * far.abs(), "{layout:?} frame {k}: off by {off}");
            }
            assert!(table.values(columns::FOUND).unwrap().iter().all(|f| *f == 1.0));
        }
    }

    // The noise is what the frames were drawn with. Detail as strong as in the field above, down to 13 px a wave, looks
    // like noise to differences over 2 px, as a mosaic has them: there it is an upper bound.
    #[test]
    fn noise_is_told_from_detail_that_is_faint_and_bounded_where_it_is_strong() {
        for layout in [Layout::Mono, Layout::Mosaic(Pattern::Rggb)] {
            let noise = |contrast: f64| {
                let frames: Vec<Frame> = (0..5).map(|k| frame(k, layout, [0.0, 0.0], contrast)).collect();
                table(layout, &frames).values(columns::NOISE).unwrap()[3]
            };
            let (faint, strong) = (noise(0.25), noise(1.0));
            assert!((faint - 0.01).abs() < 0.0006, "{layout:?}: {faint}");
            assert!(strong > faint, "{layout:?}: {strong}");
            if layout == Layout::Mono {
                assert!((strong - 0.01).abs() < 0.002, "{strong}");
            }
        }
    }

    #[test]
    fn a_frame_without_structure_has_no_place() {
        let mut frames: Vec<Frame> = (0..5).map(|k| frame(k, Layout::Mono, [0.0, 0.0], 1.0)).collect();
        frames[2] = frame(2, Layout::Mono, [0.0, 0.0], 0.0);
        let table = table(Layout::Mono, &frames);
        assert_eq!(table.values(columns::FOUND).unwrap(), [1.0, 1.0, 0.0, 1.0, 1.0]);
        assert!(table.values(columns::X_PX).unwrap()[2].is_nan());
    }
}
