//! Puts one frame onto the canvas of the picture: one resampling, whatever the motion holds.
//!
//! A frame that is only shifted shares its kernel taps among all pixels, so rows and columns separate. The cubic
//! B-spline has two parts, an inverse filter on the pixel grid and four taps that depend on the shift; both are
//! convolutions on the same grid, so for shifts the inverse filter is left out here and applied once to the finished
//! sum ([`crate::accumulate`]). A frame that is turned, scaled or bent takes the general path: inverse filter, then
//! four by four taps at every position; where the sum will be filtered later, its samples are weighted by
//! `[1 4 1] / 6` in both directions, which that filter undoes exactly.

use stillair_api::{Fault, Frame, LocalLayer, Outcome, Placement};
use stillair_maths::resample::{Kernel, Prepared};

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
    /// Factors of the frame's weight, as many as `data` where [`Cover::Factors`] holds.
    pub factors: Vec<f32>,
}

impl Default for Resampled {
    fn default() -> Self {
        Self { data: Vec::new(), cover: Cover::Rectangles([[0; 4]; 3]), factors: Vec::new() }
    }
}

/// Buffers of one thread.
#[derive(Debug)]
pub struct Workspace {
    prepared: Prepared,
    line: Vec<f32>,
    middle: Vec<f32>,
    displacement: [Vec<f32>; 2],
    grade: Vec<f32>,
}

impl Workspace {
    /// Buffers for a kernel.
    pub fn new(kernel: Kernel) -> Self {
        Self {
            prepared: Prepared::new(kernel),
            line: Vec::new(),
            middle: Vec::new(),
            displacement: [Vec::new(), Vec::new()],
            grade: Vec::new(),
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
    if frame.layout.planes() != canvas.planes {
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
    if placement.spin.is_some() {
        return Err(Fault::request("a motion that undoes the globe's rotation is not yet supported by this method")
            .remedy("leave the derotation out of `motion` and turn the finished stacks with derotate.merge"));
    }
    out.data.resize(canvas.planes * canvas.area(), 0.0);
    if placement.is_shift() {
        shifted(frame, placement, canvas, deferred, work, out);
    } else {
        bent(frame, placement, canvas, deferred, work, out)?;
    }
    Ok(())
}

/// Position in the frame's window of the canvas's reference point, for a colour.
fn origin(frame: &Frame, placement: &Placement, plane: usize) -> [f64; 2] {
    let colour = if frame.layout.planes() == 3 { plane } else { 1 };
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
    // Further out there is nothing but the replicated edge.
    let bound = |v: f64, n: usize, out: usize| v.clamp(-((out + 64) as f64), (n + 64) as f64) as isize;
    let first_x = bound(fx, w, out_w) - (T / 2 - 1) as isize;
    let first_y = bound(fy, h, out_h) - (T / 2 - 1) as isize;
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
        let shifted: [&[f32]; T] = std::array::from_fn(|k| &padded[k..k + out_w]);
        for x in 0..out_w {
            let mut total = wx[0] * shifted[0][x];
            for k in 1..T {
                total += wx[k] * shifted[k][x];
            }
            middle[x] = total;
        }
    }
    for (y, row) in target.chunks_exact_mut(out_w).enumerate() {
        let lines: [&[f32]; T] = std::array::from_fn(|k| &work.middle[(y + k) * out_w..(y + k + 1) * out_w]);
        for x in 0..out_w {
            let mut total = wy[0] * lines[0][x];
            for k in 1..T {
                total += wy[k] * lines[k][x];
            }
            row[x] = total;
        }
    }
}

fn bent(
    frame: &Frame,
    placement: &Placement,
    canvas: &Canvas,
    deferred: bool,
    work: &mut Workspace,
    out: &mut Resampled,
) -> Outcome<()> {
    let area = canvas.area();
    let Workspace { prepared, displacement, grade, middle, .. } = work;
    let local = !placement.local.is_empty();
    if local {
        for values in displacement.iter_mut() {
            values.clear();
            values.resize(area, 0.0);
        }
        grade.clear();
        grade.resize(area, 1.0);
        for layer in &placement.local {
            spread(layer, placement.index, canvas, displacement, grade)?;
        }
    }
    let global = placement.global;
    let (sin, cos) = libm::sincos(global.rotation_rad);
    let (sin, cos) = (global.scale * sin, global.scale * cos);
    let (w, h) = (frame.width(), frame.height());
    let (right, bottom) = (w as f64 - 1.0, h as f64 - 1.0);
    out.factors.resize(canvas.planes * area, 0.0);
    let targets = out.data.chunks_exact_mut(area).zip(out.factors.chunks_exact_mut(area));
    for (plane, (target, factors)) in targets.enumerate() {
        let [px, py] = origin(frame, placement, plane);
        prepared.load(frame.plane(plane), w, h);
        prepared.warp(canvas.width, canvas.height, target, |row, xs, ys| {
            let v = row as f64 - canvas.centre[1];
            let at = row * canvas.width;
            for (i, (x, y)) in xs.iter_mut().zip(ys.iter_mut()).enumerate() {
                let u = i as f64 - canvas.centre[0];
                *x = px + cos * u - sin * v;
                *y = py + sin * u + cos * v;
                if local {
                    *x += f64::from(displacement[0][at + i]);
                    *y += f64::from(displacement[1][at + i]);
                }
                let inside = (0.0..=right).contains(x) && (0.0..=bottom).contains(y);
                factors[at + i] = if !inside {
                    0.0
                } else if local {
                    grade[at + i]
                } else {
                    1.0
                };
            }
        });
        if deferred && prepared.kernel() == Kernel::CubicBSpline {
            sample_bspline(target, canvas.width, canvas.height, middle);
        }
    }
    out.cover = Cover::Factors;
    Ok(())
}

/// Weights samples by `[1 4 1] / 6` along both axes with mirrored borders: what the B-spline's inverse filter undoes.
pub fn sample_bspline(picture: &mut [f32], width: usize, height: usize, scratch: &mut Vec<f32>) {
    if width > 1 {
        scratch.resize(width, 0.0);
        for row in picture.chunks_exact_mut(width) {
            scratch.copy_from_slice(row);
            for x in 0..width {
                let left = scratch[if x == 0 { 1 } else { x - 1 }];
                let right = scratch[if x + 1 == width { width - 2 } else { x + 1 }];
                row[x] = (left + 4.0 * scratch[x] + right) * (1.0 / 6.0);
            }
        }
    }
    if height > 1 {
        scratch.resize(picture.len(), 0.0);
        scratch.copy_from_slice(picture);
        for (y, row) in picture.chunks_exact_mut(width).enumerate() {
            let above = if y == 0 { 1 } else { y - 1 } * width;
            let below = if y + 1 == height { height - 2 } else { y + 1 } * width;
            for x in 0..width {
                row[x] = (scratch[above + x] + 4.0 * scratch[y * width + x] + scratch[below + x]) * (1.0 / 6.0);
            }
        }
    }
}

/// Adds a layer's shifts to `displacement` and multiplies `weight` by its local weights, both interpolated
/// bilinearly between nodes and held constant outside them.
fn spread(
    layer: &LocalLayer,
    index: usize,
    canvas: &Canvas,
    displacement: &mut [Vec<f32>; 2],
    weight: &mut [f32],
) -> Outcome<()> {
    let nodes = layer.nodes_per_frame();
    let [columns, rows] = layer.nodes;
    let (from, to) = (index * nodes, (index + 1) * nodes);
    let steps_stand = layer.step_px.iter().all(|s| *s > 0.0);
    if nodes == 0 || layer.shift_px.len() < to || !steps_stand {
        return Err(Fault::internal(format!("the local layer holds nothing for frame {index}")));
    }
    let shifts = &layer.shift_px[from..to];
    let weights = layer.weight.get(from..to);
    let place = |position: f64, axis: usize, count: usize| {
        let at = ((position - layer.first_px[axis]) / layer.step_px[axis]).clamp(0.0, count as f64 - 1.0);
        let low = (at as usize).min(count.saturating_sub(2));
        (low, (low + 1).min(count - 1), (at - low as f64) as f32)
    };
    let column_of: Vec<_> = (0..canvas.width).map(|x| place(x as f64 - canvas.centre[0], 0, columns)).collect();
    for y in 0..canvas.height {
        let (top, bottom, v) = place(y as f64 - canvas.centre[1], 1, rows);
        for (x, &(left, right, u)) in column_of.iter().enumerate() {
            let corners =
                [top * columns + left, top * columns + right, bottom * columns + left, bottom * columns + right];
            let parts = [(1.0 - u) * (1.0 - v), u * (1.0 - v), (1.0 - u) * v, u * v];
            let at = y * canvas.width + x;
            for (corner, part) in corners.into_iter().zip(parts) {
                displacement[0][at] += part * shifts[corner][0];
                displacement[1][at] += part * shifts[corner][1];
            }
            if let Some(weights) = weights {
                let sum: f32 = corners.into_iter().zip(parts).map(|(c, p)| p * weights[c]).sum();
                weight[at] *= sum.max(0.0);
            }
        }
    }
    Ok(())
}
