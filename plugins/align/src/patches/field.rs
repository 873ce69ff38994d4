//! From sparse, noisy shifts to a smooth field, by their own statistics.

use std::sync::Mutex;

use nalgebra::DMatrix;
use stillair_api::{Context, Fault, Outcome};

use super::grid::Grid;
use super::look::Seen;

/// Patches about a node from which its shift is estimated: those at most so many steps away.
const REACH: isize = 3;
/// Largest lag at which covariances are measured, steps.
const LAGS: usize = 8;

/// Shifts and grades of all frames: frame after frame, patch after patch.
pub struct Shifts<'a> {
    grid: &'a Grid,
    frames: usize,
    shift: Vec<[f32; 2]>,
    grade: Vec<f32>,
    /// Mean shift of each frame over its patches.
    frame_mean: Vec<[f32; 2]>,
}

/// The statistics of the field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Structure {
    /// Variance of the field on one axis, px^2.
    pub strength: f64,
    /// Length over which it falls off, px.
    pub length_px: f64,
    /// Variance of what is not field in a patch's shift, px^2.
    pub nugget: f64,
}

impl Structure {
    /// Covariance at a distance.
    pub fn covariance(&self, distance_px: f64) -> f64 {
        self.strength * falloff(distance_px / self.length_px)
    }
}

fn falloff(r: f64) -> f64 {
    libm::exp(-libm::pow(r, 5.0 / 3.0))
}

impl<'a> Shifts<'a> {
    /// Collects; shifts beyond `limit` px count as not measured.
    pub fn new(grid: &'a Grid, seen: &[(usize, Vec<Seen>)], limit: f64) -> Self {
        let all = seen.iter().flat_map(|(_, patches)| patches);
        let mut shift: Vec<[f32; 2]> = all.clone().map(|s| s.shift).collect();
        let grade = all.map(|s| s.grade).collect();
        for s in &mut shift {
            if s[0].hypot(s[1]) > limit as f32 {
                *s = [f32::NAN; 2];
            }
        }
        Self { grid, frames: seen.len(), shift, grade, frame_mean: vec![[0.0; 2]; seen.len()] }
    }

    fn of_frame(&self, frame: usize) -> std::ops::Range<usize> {
        frame * self.grid.count()..(frame + 1) * self.grid.count()
    }

    fn at(&self, patch: usize) -> [isize; 2] {
        [(patch % self.grid.patches[0]) as isize, (patch / self.grid.patches[0]) as isize]
    }

    /// Drops shifts that stand off the median of their neighbours by more than `limit` px and by more than four times
    /// the usual; gives their number.
    pub fn drop_outliers(&mut self, limit: f64) -> usize {
        let mut dropped = 0;
        let mut values = Vec::new();
        for frame in 0..self.frames {
            let range = self.of_frame(frame);
            let shifts = self.shift[range.clone()].to_vec();
            let off: Vec<f32> = (0..shifts.len())
                .map(|patch| {
                    if shifts[patch][0].is_nan() {
                        return f32::NAN;
                    }
                    let mut middle = [0.0; 2];
                    for (k, m) in middle.iter_mut().enumerate() {
                        values.clear();
                        let about = self.grid.about(self.at(patch), 1).filter(|p| *p != patch);
                        values.extend(about.map(|p| shifts[p][k]).filter(|v| v.is_finite()));
                        values.sort_by(f32::total_cmp);
                        *m = values.get(values.len() / 2).copied().unwrap_or(shifts[patch][k]);
                    }
                    (shifts[patch][0] - middle[0]).hypot(shifts[patch][1] - middle[1])
                })
                .collect();
            let mut sorted: Vec<f32> = off.iter().copied().filter(|v| v.is_finite()).collect();
            sorted.sort_by(f32::total_cmp);
            let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
            // The median length of a vector of two normal numbers is 1.18 sigma.
            let most = (4.0 / 1.18 * usual).max(limit as f32);
            for (shift, off) in self.shift[range].iter_mut().zip(&off) {
                if *off > most {
                    *shift = [f32::NAN; 2];
                    dropped += 1;
                }
            }
        }
        dropped
    }

    /// Local grades, those missing filled with the frame's mean.
    pub fn grades(&self) -> Vec<f32> {
        let mut out = Vec::with_capacity(self.grade.len());
        for frame in 0..self.frames {
            let own = &self.grade[self.of_frame(frame)];
            let (mut sum, mut count) = (0.0, 0.0);
            for g in own.iter().filter(|g| g.is_finite()) {
                sum += g;
                count += 1.0;
            }
            let mean = if count > 0.0 { sum / count } else { 1.0 };
            let filled: Vec<f32> = own.iter().map(|g| if g.is_finite() { *g } else { mean }).collect();
            // A patch's grade is uncertain: [1 2 1] / 4 both ways.
            let [w, h] = self.grid.patches;
            let kernel = [1.0, 2.0, 1.0];
            for y in 0..h as isize {
                for x in 0..w as isize {
                    let (mut sum, mut weight) = (0.0, 0.0);
                    for (j, b) in kernel.iter().enumerate() {
                        for (i, a) in kernel.iter().enumerate() {
                            let (u, v) = (x + i as isize - 1, y + j as isize - 1);
                            if u >= 0 && v >= 0 && u < w as isize && v < h as isize {
                                sum += a * b * filled[v as usize * w + u as usize];
                                weight += a * b;
                            }
                        }
                    }
                    out.push(sum / weight);
                }
            }
        }
        out
    }

    /// Local weights: the grades' power, 1 on average.
    pub fn weights(&self, power: f64) -> Vec<f32> {
        let mut weights: Vec<f32> =
            self.grades().iter().map(|g| libm::pow(f64::from(g.max(0.0)), power) as f32).collect();
        let mean = weights.iter().map(|w| f64::from(*w)).sum::<f64>() / weights.len().max(1) as f64;
        if mean > 0.0 {
            weights.iter_mut().for_each(|w| *w = (f64::from(*w) / mean) as f32);
        }
        weights
    }

    /// Takes off each frame's mean (kept aside), then each patch's mean over time.
    pub fn centre(&mut self) {
        for frame in 0..self.frames {
            let range = self.of_frame(frame);
            let mean = mean_of(self.shift[range.clone()].iter());
            self.frame_mean[frame] = mean;
            take(self.shift[range].iter_mut(), mean);
        }
        let n = self.grid.count();
        for patch in 0..n {
            let mean = mean_of(self.shift.iter().skip(patch).step_by(n));
            take(self.shift.iter_mut().skip(patch).step_by(n), mean);
        }
    }

    /// Strength, length and noise: the mean product of shifts at each distance, fitted by the falloff of turbulence
    /// plus a constant (what taking off the mean leaves). `noise`: covariance of each patch's shift.
    pub fn structure(&self, noise: &[[f64; 3]]) -> Structure {
        // Sums of products and their number by lag, along x, along y and along both diagonals.
        let mut sums = [[0.0_f64; 2]; 2 * LAGS + 2];
        for frame in 0..self.frames {
            let shifts = &self.shift[self.of_frame(frame)];
            for (patch, s) in shifts.iter().enumerate().filter(|(_, s)| s[0].is_finite()) {
                let [x, y] = self.at(patch);
                for lag in 0..=LAGS as isize {
                    for (slot, dx, dy) in [(lag, lag, 0), (lag, 0, lag), (LAGS as isize + 1 + lag, lag, lag)] {
                        let (u, v) = (x + dx, y + dy);
                        if u >= self.grid.patches[0] as isize || v >= self.grid.patches[1] as isize {
                            continue;
                        }
                        let other = shifts[v as usize * self.grid.patches[0] + u as usize];
                        if other[0].is_finite() {
                            let sum = &mut sums[slot as usize];
                            sum[0] += f64::from(s[0] * other[0] + s[1] * other[1]);
                            sum[1] += 2.0;
                        }
                    }
                }
            }
        }
        let known: Vec<f64> = noise.iter().filter(|n| n[0].is_finite()).map(|n| 0.5 * (n[0] + n[2])).collect();
        let floor = known.iter().sum::<f64>() / known.len().max(1) as f64;
        let whole = if sums[0][1] > 0.0 { sums[0][0] / sums[0][1] } else { 0.0 };
        let points: Vec<(f64, f64, f64)> = (0..sums.len())
            .filter(|slot| slot % (LAGS + 1) > 0 && sums[*slot][1] > 0.0)
            .map(|slot| {
                let (lag, diagonal) = (slot % (LAGS + 1), slot > LAGS);
                let distance = self.grid.step * lag as f64 * if diagonal { std::f64::consts::SQRT_2 } else { 1.0 };
                (distance, sums[slot][0] / sums[slot][1], sums[slot][1])
            })
            .collect();
        let mut best: Option<(f64, Structure)> = None;
        for k in 0..40 {
            let length_px = 0.5 * self.grid.step * libm::pow(1.12, f64::from(k));
            // Weighted straight line of the covariance over the falloff.
            let mut s = [0.0; 5];
            for (distance, value, weight) in &points {
                let f = falloff(distance / length_px);
                for (sum, term) in s.iter_mut().zip([1.0, f, f * f, *value, f * value]) {
                    *sum += weight * term;
                }
            }
            let determinant = s[0] * s[2] - s[1] * s[1];
            if determinant <= 1e-9 * s[0] * s[2] {
                continue;
            }
            let strength = (s[0] * s[4] - s[1] * s[3]) / determinant;
            let level = (s[3] - strength * s[1]) / s[0];
            let misfit: f64 =
                points.iter().map(|(d, v, w)| w * (v - level - strength * falloff(d / length_px)).powi(2)).sum();
            if strength > 0.0 && best.is_none_or(|(least, _)| misfit < least) {
                // Never more field than there are shifts.
                let strength = strength.min(whole);
                best = Some((misfit, Structure { strength, length_px, nugget: (whole - strength).max(floor) }));
            }
        }
        let none = Structure { strength: 1e-9, length_px: self.grid.step, nugget: whole.max(floor).max(1e-9) };
        best.map_or(none, |(_, found)| Structure { nugget: found.nugget.max(1e-9), ..found })
    }
}

fn mean_of<'s>(shifts: impl Iterator<Item = &'s [f32; 2]>) -> [f32; 2] {
    let (mut sum, mut count) = ([0.0_f64; 2], 0.0);
    for s in shifts.filter(|s| s[0].is_finite()) {
        sum = [sum[0] + f64::from(s[0]), sum[1] + f64::from(s[1])];
        count += 1.0;
    }
    if count > 0.0 { sum.map(|v| (v / count) as f32) } else { [0.0; 2] }
}

fn take<'s>(shifts: impl Iterator<Item = &'s mut [f32; 2]>, mean: [f32; 2]) {
    for s in shifts {
        *s = [s[0] - mean[0], s[1] - mean[1]];
    }
}

/// Shifts of every node: frame after frame, node after node.
pub struct Fields {
    /// Shift x, y, px.
    pub shift_px: Vec<[f32; 2]>,
    /// Covariance xx, xy, yy of the error at every node, the same in every frame, px^2.
    pub covariance_px2: Vec<[f32; 3]>,
}

/// What a node's shift is made of: patches, their factors (xx, xy, yx, yy), and the error's covariance.
pub struct Estimate {
    /// Patch and factors.
    pub parts: Vec<(usize, [f32; 4])>,
    /// Covariance of the error.
    pub error: [f32; 3],
}

/// The linear estimate of least error at a place: `k (K + N)^-1` with K the field's covariance among the patches, N
/// that of their noise, k the field's between patches and place.
///
/// # Errors
/// If the covariances are not positive definite.
pub fn estimate(
    places: &[[f64; 2]],
    patches: &[usize],
    noise: &[[f64; 3]],
    at: [f64; 2],
    structure: &Structure,
) -> Outcome<Estimate> {
    let m = patches.len();
    let n = 2 * m;
    let between = |a: [f64; 2], b: [f64; 2]| structure.covariance(libm::hypot(a[0] - b[0], a[1] - b[1]));
    let mut matrix = vec![0.0; n * n];
    let mut right = vec![[0.0; 2]; n];
    for i in 0..m {
        for j in 0..m {
            let c = between(places[patches[i]], places[patches[j]]);
            matrix[2 * i * n + 2 * j] = c;
            matrix[(2 * i + 1) * n + 2 * j + 1] = c;
        }
        let [xx, xy, yy] = noise[patches[i]];
        matrix[2 * i * n + 2 * i] += xx;
        matrix[2 * i * n + 2 * i + 1] += xy;
        matrix[(2 * i + 1) * n + 2 * i] += xy;
        matrix[(2 * i + 1) * n + 2 * i + 1] += yy;
        let c = between(places[patches[i]], at);
        right[2 * i] = [c, 0.0];
        right[2 * i + 1] = [0.0, c];
    }
    let solved = solve(&matrix, &right, n)?;
    let mut error = [structure.strength, 0.0, structure.strength];
    for (r, s) in right.iter().zip(&solved) {
        error = [error[0] - r[0] * s[0], error[1] - r[0] * s[1], error[2] - r[1] * s[1]];
    }
    let parts = (0..m)
        .map(|i| {
            let (x, y) = (solved[2 * i], solved[2 * i + 1]);
            (patches[i], [x[0] as f32, y[0] as f32, x[1] as f32, y[1] as f32])
        })
        .collect();
    Ok(Estimate { parts, error: error.map(|e| e as f32) })
}

/// Solves with a symmetric positive definite matrix for two right sides (Cholesky).
fn solve(matrix: &[f64], right: &[[f64; 2]], n: usize) -> Outcome<Vec<[f64; 2]>> {
    let x = DMatrix::from_row_slice(n, n, matrix)
        .cholesky()
        .map(|factors| factors.solve(&DMatrix::from_fn(n, 2, |row, column| right[row][column])))
        .filter(|x| x.iter().all(|v| v.is_finite()))
        .ok_or_else(|| Fault::internal("the shifts' covariance is not positive definite"))?;
    Ok(x.row_iter().map(|row| [row[0], row[1]]).collect())
}

impl Fields {
    /// The estimate of least error at every node from the patches about it.
    ///
    /// # Errors
    /// If it was cancelled.
    pub fn kriged(
        context: &dyn Context,
        shifts: &Shifts<'_>,
        structure: &Structure,
        noise: &[[f64; 3]],
    ) -> Outcome<Self> {
        let grid = shifts.grid;
        let places: Vec<[f64; 2]> = (0..grid.count()).map(|p| grid.centre(p)).collect();
        let known: Vec<f64> = noise.iter().filter(|n| n[0].is_finite()).map(|n| 0.5 * (n[0] + n[2])).collect();
        let floor = known.iter().sum::<f64>() / known.len().max(1) as f64;
        // What scatters a patch's shift beyond photon noise: the blur's own asymmetry.
        let more = (structure.nugget - floor).max(0.0) + 1e-9;
        let noise: Vec<[f64; 3]> = noise.iter().map(|n| [n[0] + more, n[1], n[2] + more]).collect();
        let nodes = grid.node_count();
        let results: Vec<Mutex<Option<Outcome<Estimate>>>> = (0..nodes).map(|_| Mutex::new(None)).collect();
        context.parallel(nodes, &|node| {
            let patches: Vec<usize> =
                grid.about(grid.node_at(node), REACH).filter(|p| noise[*p][0].is_finite()).collect();
            let result = estimate(&places, &patches, &noise, grid.node_px(node), structure);
            if let Ok(mut slot) = results[node].lock() {
                *slot = Some(result);
            }
        });
        let mut estimates = Vec::with_capacity(nodes);
        for result in results {
            let found = result.into_inner().ok().flatten();
            estimates.push(found.ok_or_else(|| Fault::internal("a thread failed while smoothing"))??);
        }
        let mut shift_px = Vec::with_capacity(shifts.frames * nodes);
        for frame in 0..shifts.frames {
            if context.cancelled() {
                return Err(Fault::cancelled());
            }
            let mut own = shifts.shift[shifts.of_frame(frame)].to_vec();
            fill(grid, &mut own, shifts);
            let mean = shifts.frame_mean[frame];
            for estimate in &estimates {
                let mut at = mean;
                for (patch, [xx, xy, yx, yy]) in &estimate.parts {
                    let [x, y] = own[*patch];
                    at = [at[0] + xx * x + xy * y, at[1] + yx * x + yy * y];
                }
                shift_px.push(at);
            }
        }
        Ok(Self { shift_px, covariance_px2: estimates.iter().map(|e| e.error).collect() })
    }

    /// Shift, stretch and shear of each frame from few patches, by least squares; only a shift from fewer than four.
    pub fn affine(shifts: &Shifts<'_>) -> Self {
        let grid = shifts.grid;
        let nodes = grid.node_count();
        let mut shift_px = Vec::with_capacity(shifts.frames * nodes);
        let middle = [0, 1].map(|k| (grid.size[k] as f64 - 1.0) * 0.5);
        let reach = middle[0].max(middle[1]).max(1.0);
        let place = |at: [f64; 2]| [1.0, (at[0] - middle[0]) / reach, (at[1] - middle[1]) / reach];
        for frame in 0..shifts.frames {
            let own = &shifts.shift[shifts.of_frame(frame)];
            let known: Vec<usize> = (0..own.len()).filter(|p| own[*p][0].is_finite()).collect();
            let mean = shifts.frame_mean[frame];
            let fit = |k: usize| {
                let rows = known.iter().map(|p| (place(grid.centre(*p)), f64::from(own[*p][k]), 1.0));
                if known.len() < 4 { None } else { stillair_maths::fit::least_squares::<3>(rows) }
            };
            let fits = [0, 1].map(|k| fit(k).unwrap_or([0.0; 3]));
            shift_px.extend((0..nodes).map(|node| {
                let at = place(grid.node_px(node));
                [0, 1].map(|k| mean[k] + (0..3).map(|i| fits[k][i] * at[i]).sum::<f64>() as f32)
            }));
        }
        Self { shift_px, covariance_px2: vec![[0.0; 3]; nodes] }
    }
}

/// Gives patches without a shift the mean of those about them, near ones first; none where nothing is near.
fn fill(grid: &Grid, shifts: &mut [[f32; 2]], all: &Shifts<'_>) {
    let known = shifts.to_vec();
    for patch in (0..known.len()).filter(|p| known[*p][0].is_nan()) {
        let near = (1..=REACH).find_map(|reach| {
            let about: Vec<[f32; 2]> =
                grid.about(all.at(patch), reach).map(|p| known[p]).filter(|s| s[0].is_finite()).collect();
            (about.len() >= 2).then(|| mean_of(about.iter()))
        });
        shifts[patch] = near.unwrap_or([0.0; 2]);
    }
}

/// Values of patches carried to the nodes: the ring about them repeats the nearest.
pub fn at_nodes(grid: &Grid, values: &[f32]) -> Vec<f32> {
    let (n, nodes) = (grid.count(), grid.node_count());
    let nearest: Vec<usize> = (0..nodes)
        .map(|node| {
            let at = grid.node_at(node);
            let held = |k: usize| at[k].clamp(0, grid.patches[k] as isize - 1) as usize;
            held(1) * grid.patches[0] + held(0)
        })
        .collect();
    values.chunks_exact(n).flat_map(|own| nearest.iter().map(|p| own[*p])).collect()
}

/// Takes the weighted mean over time off every node's shifts.
pub fn take_mean(shifts: &mut [[f32; 2]], weights: &[f32], nodes: usize) {
    for node in 0..nodes {
        let (mut sum, mut weight) = ([0.0_f64; 2], 0.0);
        for (s, w) in shifts.iter().zip(weights).skip(node).step_by(nodes) {
            sum = [sum[0] + f64::from(w * s[0]), sum[1] + f64::from(w * s[1])];
            weight += f64::from(*w);
        }
        if weight > 0.0 {
            take(shifts.iter_mut().skip(node).step_by(nodes), sum.map(|v| (v / weight) as f32));
        }
    }
}
