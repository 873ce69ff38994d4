//! Puts one frame onto the canvas of the picture: one resampling, whatever the motion holds.
//!
//! A mosaic needs no colours filled in: each sample is spread by the B-spline over the picture of its own colour, and
//! the sum is divided by what the kernel put there (normalised convolution: Knutsson & Westin 1993, Proc. CVPR, 515).
//!
//! A frame that is only shifted shares its kernel taps among all pixels, so rows and columns separate; a frame that is
//! turned, scaled or bent has taps for every pixel. The cubic B-spline has two parts, an inverse filter on the pixel
//! grid and four taps that depend on the place; for shifts both are convolutions on the same grid and may change
//! places, so the inverse filter is left out here (`deferred`) and applied once to the finished sum
//! ([`crate::accumulate`]). For turned frames this differs only in the grid that the inverse filter follows: below 1 %
//! of the transfer at 4 degrees.

use stillair_api::{Fault, Frame, Layout, Outcome, Pattern, Placement};
use stillair_maths::resample::{Kernel, Prepared, SplineRow};

/// The picture to be made, in px of the capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Canvas {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Planes.
    pub planes: usize,
    /// Position of the target's reference point.
    pub centre: [f64; 2],
}

impl Canvas {
    /// A canvas with the reference point in its middle.
    pub fn new(width: usize, height: usize, planes: usize) -> Self {
        Self { width, height, planes, centre: [(width as f64 - 1.0) * 0.5, (height as f64 - 1.0) * 0.5] }
    }

    /// Planes of the picture that frames of a layout make.
    pub fn planes_of(layout: Layout) -> usize {
        if layout == Layout::Mono { 1 } else { 3 }
    }

    /// Pixels of a plane.
    pub fn area(&self) -> usize {
        self.width * self.height
    }
}

/// Where a resampled frame counts.
#[derive(Debug, Clone, PartialEq)]
pub enum Cover {
    /// In a rectangle of each plane: columns from, to, rows from, to.
    Rectangles([[usize; 4]; 3]),
    /// With a factor for every pixel of every plane, in [`Resampled::factors`].
    Factors,
}

/// One frame on the canvas.
#[derive(Debug, Clone)]
pub struct Resampled {
    /// Samples, plane after plane.
    pub data: Vec<f32>,
    /// Where they count.
    pub cover: Cover,
    /// In rectangles, the share of the frame's weight that each pixel got, by plane and by parity of row and column.
    pub shares: [[f32; 4]; 3],
    /// Factors of the frame's weight, as many as `data` where [`Cover::Factors`] holds.
    pub factors: Vec<f32>,
}

impl Default for Resampled {
    fn default() -> Self {
        Self { data: Vec::new(), cover: Cover::Rectangles([[0; 4]; 3]), shares: [[1.0; 4]; 3], factors: Vec::new() }
    }
}

/// Buffers of one thread.
#[derive(Debug)]
pub struct Workspace {
    pub(crate) prepared: Prepared,
    line: Vec<f32>,
    middle: Vec<f32>,
    pub(crate) displacement: [Vec<f32>; 2],
    pub(crate) positions: Vec<f64>,
    pub(crate) spline_row: SplineRow,
    pub(crate) share: Vec<f32>,
    pub(crate) gain: Vec<f32>,
}

impl Workspace {
    /// Buffers for a kernel.
    pub fn new(kernel: Kernel) -> Self {
        Self {
            prepared: Prepared::new(kernel),
            line: Vec::new(),
            middle: Vec::new(),
            displacement: [Vec::new(), Vec::new()],
            positions: Vec::new(),
            spline_row: SplineRow::default(),
            share: Vec::new(),
            gain: Vec::new(),
        }
    }
}

/// Resamples `frame` onto `canvas`. With `deferred`, B-spline samples come before their inverse filter.
///
/// # Errors
/// Where the place is unknown, the planes differ or a layer is not supported.
pub fn place(
    frame: &Frame,
    placement: &Placement,
    canvas: &Canvas,
    deferred: bool,
    work: &mut Workspace,
    out: &mut Resampled,
) -> Outcome<()> {
    if Canvas::planes_of(frame.layout) != canvas.planes {
        return Err(Fault::data(format!("frame {} has another number of colours than the first", frame.index)));
    }
    if frame.region.area() == 0 {
        return Err(Fault::data(format!("frame {} has no pixels", frame.index)));
    }
    let global = placement.global;
    if !global.is_known() || !global.rotation_rad.is_finite() || global.scale.is_nan() || global.scale <= 0.0 {
        return Err(Fault::data(format!("the place of frame {} is unknown", frame.index))
            .remedy("give frames without a place the weight 0 (select.usable does)"));
    }
    out.data.resize(canvas.planes * canvas.area(), 0.0);
    out.shares = [[1.0; 4]; 3];
    match frame.layout {
        Layout::Mosaic(pattern) if placement.is_shift() => {
            shifted_mosaic(frame, pattern, placement, canvas, work, out);
        }
        _ if placement.is_shift() => shifted(frame, placement, canvas, deferred, work, out),
        _ => crate::bend::bent(frame, placement, canvas, deferred, work, out)?,
    }
    Ok(())
}

/// Position in the frame's window of the canvas's reference point, for a colour.
pub(crate) fn origin(frame: &Frame, placement: &Placement, plane: usize) -> [f64; 2] {
    let colour = if frame.layout == Layout::Mono { 1 } else { plane };
    let [cx, cy] = placement.channel_px[colour];
    [placement.global.x_px - frame.region.x as f64 + cx, placement.global.y_px - frame.region.y as f64 + cy]
}

fn shifted(
    frame: &Frame,
    placement: &Placement,
    canvas: &Canvas,
    deferred: bool,
    work: &mut Workspace,
    out: &mut Resampled,
) {
    let mut rectangles = [[0; 4]; 3];
    let (w, h) = (frame.width(), frame.height());
    for (plane, target) in out.data.chunks_exact_mut(canvas.area()).enumerate() {
        let [px, py] = origin(frame, placement, plane);
        let (x0, y0) = (px - canvas.centre[0], py - canvas.centre[1]);
        let (xa, xb, ya, yb) = stillair_maths::resample::covered(w, h, x0, y0, canvas.width, canvas.height);
        rectangles[plane] = [xa, xb, ya, yb];
        let source = frame.plane(plane);
        match work.prepared.kernel() {
            Kernel::CubicBSpline if deferred => {
                taps::<4>(source, [w, h], [x0, y0], Kernel::CubicBSpline, [canvas.width, canvas.height], work, target);
            }
            Kernel::Lanczos4 => {
                taps::<8>(source, [w, h], [x0, y0], Kernel::Lanczos4, [canvas.width, canvas.height], work, target);
            }
            _ => stillair_maths::resample::shift_window(
                source,
                w,
                h,
                x0,
                y0,
                canvas.width,
                canvas.height,
                &mut work.prepared,
                target,
            ),
        }
    }
    out.cover = Cover::Rectangles(rectangles);
}

/// A mosaic's samples, each spread by the B-spline over the picture of its own colour, before division by what the
/// kernel put there and before the inverse filter.
fn shifted_mosaic(
    frame: &Frame,
    pattern: Pattern,
    placement: &Placement,
    canvas: &Canvas,
    work: &mut Workspace,
    out: &mut Resampled,
) {
    let (w, h) = (frame.width(), frame.height());
    let mut rectangles = [[0; 4]; 3];
    for (colour, target) in out.data.chunks_exact_mut(canvas.area()).enumerate() {
        let [px, py] = origin(frame, placement, colour);
        let (x0, y0) = (px - canvas.centre[0], py - canvas.centre[1]);
        let (fx, fy) = (x0.floor(), y0.floor());
        let weights: [[f32; 4]; 2] = [taps_of(x0 - fx), taps_of(y0 - fy)];
        let (first_x, first_y) = (bounded(fx, w, canvas.width) - 1, bounded(fy, h, canvas.height) - 1);
        let inside = |first: isize, n: usize, out: usize| {
            let from = (-first).clamp(0, out as isize) as usize;
            (from, (n as isize - 3 - first).clamp(from as isize, out as isize) as usize)
        };
        let ((xa, xb), (ya, yb)) = (inside(first_x, w, canvas.width), inside(first_y, h, canvas.height));
        rectangles[colour] = [xa, xb, ya, yb];
        out.shares[colour] = shares(pattern, colour, first_x, first_y, &weights);
        if xa >= xb || ya >= yb {
            continue;
        }
        let columns = xb - xa;
        work.middle.resize((yb - ya + 3) * columns, 0.0);
        work.line.resize(columns + 3, 0.0);
        let left = (first_x + xa as isize) as usize;
        let top = (first_y + ya as isize) as usize;
        for (i, middle) in work.middle.chunks_exact_mut(columns).enumerate() {
            let sy = top + i;
            let Some(skip) = (0..2).find(|&skip| pattern.colour_at(left + skip, sy) == colour) else { continue };
            work.line.fill(0.0);
            let source = &frame.data[sy * w + left..sy * w + left + columns + 3];
            for (to, from) in work.line.iter_mut().zip(source).skip(skip).step_by(2) {
                *to = *from;
            }
            combine(std::array::from_fn(|k| &work.line[k..k + columns]), &weights[0], middle);
        }
        for y in ya..yb {
            let row = &mut target[y * canvas.width + xa..y * canvas.width + xb];
            let lines: [&[f32]; 4] =
                std::array::from_fn(|k| &work.middle[(y - ya + k) * columns..(y - ya + k + 1) * columns]);
            let has = |k: usize| (0..2).any(|x| pattern.colour_at(x, top + y - ya + k) == colour);
            match (has(0), has(1)) {
                (true, true) => combine(lines, &weights[1], row),
                (true, false) => combine([lines[0], lines[2]], &[weights[1][0], weights[1][2]], row),
                _ => combine([lines[1], lines[3]], &[weights[1][1], weights[1][3]], row),
            }
        }
    }
    out.cover = Cover::Rectangles(rectangles);
}

/// Sum of the kernel over the samples of a colour, for each parity of the canvas's row and column.
fn shares(pattern: Pattern, colour: usize, first_x: isize, first_y: isize, weights: &[[f32; 4]; 2]) -> [f32; 4] {
    std::array::from_fn(|parity| {
        let (px, py) = ((parity % 2) as isize, (parity / 2) as isize);
        let mut share = 0.0;
        for (b, wy) in weights[1].iter().enumerate() {
            for (a, wx) in weights[0].iter().enumerate() {
                let sx = (first_x + px + a as isize).rem_euclid(2) as usize;
                let sy = (first_y + py + b as isize).rem_euclid(2) as usize;
                if pattern.colour_at(sx, sy) == colour {
                    share += wx * wy;
                }
            }
        }
        share
    })
}

/// The B-spline's four taps for a fraction.
fn taps_of(fraction: f64) -> [f32; 4] {
    let weights = Kernel::CubicBSpline.weights(fraction);
    std::array::from_fn(|k| weights[k])
}

/// A whole shift within the range where anything but the edge is seen.
fn bounded(shift: f64, n: usize, out: usize) -> isize {
    shift.clamp(-((out + 64) as f64), (n + 64) as f64) as isize
}

/// `target = sum weights[k] lines[k]`.
fn combine<const T: usize>(lines: [&[f32]; T], weights: &[f32; T], target: &mut [f32]) {
    let n = target.len();
    let lines: [&[f32]; T] = std::array::from_fn(|k| &lines[k][..n]);
    for x in 0..n {
        let mut total = weights[0] * lines[0][x];
        for k in 1..T {
            total += weights[k] * lines[k][x];
        }
        target[x] = total;
    }
}

/// Separable taps of a kernel for a source that is shifted as a whole; its edges are replicated.
fn taps<const T: usize>(
    source: &[f32],
    [w, h]: [usize; 2],
    [x0, y0]: [f64; 2],
    kernel: Kernel,
    [out_w, out_h]: [usize; 2],
    work: &mut Workspace,
    target: &mut [f32],
) {
    let (fx, fy) = (x0.floor(), y0.floor());
    let wx: [f32; T] = std::array::from_fn(|k| kernel.weights(x0 - fx)[k]);
    let wy: [f32; T] = std::array::from_fn(|k| kernel.weights(y0 - fy)[k]);
    let first_x = bounded(fx, w, out_w) - (T / 2 - 1) as isize;
    let first_y = bounded(fy, h, out_h) - (T / 2 - 1) as isize;
    let rows = out_h + T - 1;
    work.middle.resize(rows * out_w, 0.0);
    work.line.resize(out_w + T - 1, 0.0);
    let padded = &mut work.line[..];
    let skip = (-first_x).clamp(0, padded.len() as isize) as usize;
    let end = (w as isize - first_x).clamp(skip as isize, padded.len() as isize) as usize;
    for (i, middle) in work.middle.chunks_exact_mut(out_w).enumerate() {
        let sy = (first_y + i as isize).clamp(0, h as isize - 1) as usize;
        let line = &source[sy * w..(sy + 1) * w];
        let from = (first_x + skip as isize).clamp(0, w as isize) as usize;
        padded[..skip].fill(line[0]);
        padded[skip..end].copy_from_slice(&line[from..from + (end - skip)]);
        padded[end..].fill(line[w - 1]);
        combine::<T>(std::array::from_fn(|k| &padded[k..k + out_w]), &wx, middle);
    }
    for (y, row) in target.chunks_exact_mut(out_w).enumerate() {
        let lines = std::array::from_fn(|k| &work.middle[(y + k) * out_w..(y + k + 1) * out_w]);
        combine::<T>(lines, &wy, row);
    }
}
