//! The general path of [`crate::resample`]: frames that are turned, scaled, bent by local shifts or carried by the
//! globe's rotation.

use stillair_api::{Fault, Frame, Layout, LocalLayer, Outcome, Pattern, Placement};
use stillair_maths::resample::{SplineRow, lanes, lines};
use wide::f32x4;

use crate::resample::{Canvas, Cover, Resampled, Workspace, origin};

/// Resamples a frame onto the canvas, every pixel from a place of its own.
///
/// # Errors
/// Where a local layer holds nothing for the frame.
pub fn bent(
    frame: &Frame,
    placement: &Placement,
    canvas: &Canvas,
    deferred: bool,
    work: &mut Workspace,
    out: &mut Resampled,
) -> Outcome<()> {
    let area = canvas.area();
    let local = fields(placement, canvas, work)?;
    let Workspace { prepared, displacement, share, gain, positions, spline_row, .. } = work;
    let global = placement.global;
    let (sin, cos) = libm::sincos(global.rotation_rad);
    let (sin, cos) = (global.scale * sin, global.scale * cos);
    let (w, h) = (frame.width(), frame.height());
    let (right, bottom) = (w as f64 - 1.0, h as f64 - 1.0);
    out.factors.resize(canvas.planes * area, 0.0);
    let targets = out.data.chunks_exact_mut(area).zip(out.factors.chunks_exact_mut(area));
    for (plane, (target, factors)) in targets.enumerate() {
        let [px, py] = origin(frame, placement, plane);
        // Places of a row of the canvas, and which part of the weight each pixel has there.
        let places = |row: usize, xs: &mut [f64], ys: &mut [f64]| {
            let v = row as f64 - canvas.centre[1];
            let (bx, by) = (px - sin * v, py + cos * v);
            for (i, (x, y)) in xs.iter_mut().zip(ys.iter_mut()).enumerate() {
                let u = i as f64 - canvas.centre[0];
                (*x, *y) = (bx + cos * u, by + sin * u);
            }
            if local {
                let at = row * canvas.width..(row + 1) * canvas.width;
                for (x, d) in xs.iter_mut().zip(&displacement[0][at.clone()]) {
                    *x += f64::from(*d);
                }
                for (y, d) in ys.iter_mut().zip(&displacement[1][at]) {
                    *y += f64::from(*d);
                }
            }
        };
        if !deferred {
            prepared.load(frame.plane(plane), w, h);
            prepared.warp(canvas.width, canvas.height, target, |row, xs, ys| {
                places(row, xs, ys);
                let factors = &mut factors[row * canvas.width..(row + 1) * canvas.width];
                for ((factor, x), y) in factors.iter_mut().zip(xs.iter()).zip(ys.iter()) {
                    let inside = (0.0..=right).contains(x) && (0.0..=bottom).contains(y);
                    *factor = f32::from(inside);
                }
            });
        } else {
            positions.resize(2 * canvas.width, 0.0);
            let (xs, ys) = positions.split_at_mut(canvas.width);
            let rows = target.chunks_exact_mut(canvas.width).zip(factors.chunks_exact_mut(canvas.width));
            for (row, (target, factors)) in rows.enumerate() {
                places(row, xs, ys);
                match frame.layout {
                    Layout::Mosaic(pattern) => {
                        let of_colour = of_colour(pattern, plane);
                        gather_colour(&frame.data, [w, h], &of_colour, (&*xs, &*ys), spline_row, target, factors);
                    }
                    _ => gather(frame.plane(plane), [w, h], (&*xs, &*ys), spline_row, target, factors),
                }
            }
        }
        for (value, gain) in target.iter_mut().zip(gain.iter()) {
            *value *= gain;
        }
        if local {
            for (factor, part) in factors.iter_mut().zip(share.iter()) {
                *factor *= part;
            }
        }
    }
    out.cover = Cover::Factors;
    Ok(())
}

/// Fills the workspace's displacement (in the frame's directions), share and gain for every pixel of the canvas from
/// the local and spin layers; says whether there are any, else only the gain is emptied.
///
/// # Errors
/// Where a layer holds nothing for the frame.
pub fn fields(placement: &Placement, canvas: &Canvas, work: &mut Workspace) -> Outcome<bool> {
    let area = canvas.area();
    let Workspace { displacement, share, gain, .. } = work;
    gain.clear();
    if placement.local.is_empty() && placement.spin.is_none() {
        return Ok(false);
    }
    for values in displacement.iter_mut() {
        values.clear();
        values.resize(area, 0.0);
    }
    share.clear();
    share.resize(area, 1.0);
    for layer in &placement.local {
        spread(layer, placement.index, canvas, displacement, share)?;
    }
    if let Some(layer) = &placement.spin {
        crate::spin::spread(layer, placement, canvas, displacement, share, gain)?;
    }
    Ok(true)
}

/// B-spline sums, before the inverse filter, at the places of a row; factor 1 inside the plane and 0 outside. The edge
/// is replicated.
fn gather(
    source: &[f32],
    [w, h]: [usize; 2],
    (xs, ys): (&[f64], &[f64]),
    row: &mut SplineRow,
    target: &mut [f32],
    factors: &mut [f32],
) {
    let (right, bottom) = (w as f64 - 1.0, h as f64 - 1.0);
    row.fill(xs, ys, [0.0; 2], [right, bottom]);
    for (i, (value, factor)) in target.iter_mut().zip(factors).enumerate() {
        if !(0.0..=right).contains(&xs[i]) || !(0.0..=bottom).contains(&ys[i]) {
            (*value, *factor) = (0.0, 0.0);
            continue;
        }
        let (ix, iy) = (row.columns[i] as usize, row.rows[i] as usize);
        let (wx, wy) = (row.along[i], row.down[i]);
        let mut total = 0.0;
        for (b, wy) in wy.iter().enumerate() {
            let row = (iy + b).saturating_sub(1).min(h - 1) * w;
            let line = if ix >= 1 && ix + 2 < w {
                let at = row + ix - 1;
                [source[at], source[at + 1], source[at + 2], source[at + 3]]
            } else {
                std::array::from_fn(|a| source[row + (ix + a).saturating_sub(1).min(w - 1)])
            };
            total += wy * (wx[0] * line[0] + wx[1] * line[1] + wx[2] * line[2] + wx[3] * line[3]);
        }
        (*value, *factor) = (total, 1.0);
    }
}

/// Which of four columns from a place on hold a colour, 1 or 0, in the place's row and in the next.
type Columns = [f32x4; 2];

/// [`Columns`] for the parity of the place's row and of its column.
fn of_colour(pattern: Pattern, colour: usize) -> [[Columns; 2]; 2] {
    let one = |x, y| f32::from(u8::from(pattern.colour_at(x, y) == colour));
    std::array::from_fn(|y| {
        std::array::from_fn(|x| std::array::from_fn(|b| f32x4::new(std::array::from_fn(|a| one(x + a, y + b)))))
    })
}

/// As [`gather`] over the samples of one colour of a mosaic: the mean under the kernel, and the kernel's sum as the
/// factor; nothing where the kernel reaches over the edge.
fn gather_colour(
    mosaic: &[f32],
    [w, h]: [usize; 2],
    of_colour: &[[Columns; 2]; 2],
    (xs, ys): (&[f64], &[f64]),
    row: &mut SplineRow,
    target: &mut [f32],
    factors: &mut [f32],
) {
    let (right, bottom) = (w as f64 - 2.0, h as f64 - 2.0);
    if right < 2.0 || bottom < 2.0 {
        target.fill(0.0);
        factors.fill(0.0);
        return;
    }
    row.fill(xs, ys, [1.0; 2], [right - 1e-6, bottom - 1e-6]);
    for (i, (value, factor)) in target.iter_mut().zip(factors.iter_mut()).enumerate() {
        let inside = xs[i] >= 1.0 && ys[i] >= 1.0 && xs[i] < right && ys[i] < bottom;
        if !inside {
            (*value, *factor) = (0.0, 0.0);
            continue;
        }
        let (x, y) = (row.columns[i] as usize - 1, row.rows[i] as usize - 1);
        let (wx, wy) = (row.along[i], row.down[i]);
        let block = &mosaic[y * w + x..][..3 * w + 4];
        let [l0, l1, l2, l3] = lines(block, w);
        // Rows of a colour lie two apart.
        let [even, odd] = of_colour[y % 2][x % 2];
        let along = f32x4::new(wx);
        let total = even * (l0 * wy[0] + l2 * wy[2]) + odd * (l1 * wy[1] + l3 * wy[3]);
        let kernel = even * (wy[0] + wy[2]) + odd * (wy[1] + wy[3]);
        (*value, *factor) = (lanes(along * total), lanes(along * kernel));
    }
    for (value, factor) in target.iter_mut().zip(factors.iter()) {
        *value = if *factor > 0.0 { *value / factor } else { 0.0 };
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
