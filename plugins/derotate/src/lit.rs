//! A model of a phase, fitted to the picture: limb, terminator and lands together.
//!
//! The globe's radiance is Minnaert's `A mu0^k mu^(k-1)` up to the terminator, mu0 and mu being the cosines of incidence and
//! emission. The albedo A over the disc is a sum of products of Chebyshev polynomials, up to [`DEGREE`] together, each held
//! to nought the more the higher its degree; the blur is a Gaussian core and a halo of free width. Centre, radius, blur, k
//! (about what is published) and, where nothing tells it, the direction of the Sun follow by Gauss and Newton's method with
//! the damping of Levenberg and Marquardt, the albedo's and the sky's terms with them.
//!
//! A phase shows a sharp limb on one side alone, and lands or clouds near it pull at the place and at the size: the circle
//! through a half limb turns an error of the edge of a quarter pixel into a whole one of the radius. So the albedo is free
//! where it is smooth, and what is finer counts as noise in proportion to the light: bright pixels weigh little, the fall at
//! the limb much. Far from the limb only the wings of the blur are left, which two Gaussians do not follow, so they do not
//! count. Sources: Minnaert 1941, ApJ 93, 403; Marquardt 1963, SIAM J. Appl. Math. 11, 431; weights of what stands out:
//! Beaton & Tukey 1974, Technometrics 16, 147.

use stillair_maths::border::Border;
use stillair_maths::dot;
use stillair_maths::filters::gaussian;
use stillair_maths::fit::solve;
use stillair_maths::globe::Globe;

use crate::model::{Fitted, Known, reduced};
use crate::outline::{Ellipse, Plane};

/// The picture is reduced until the radius is at most this, px.
const LARGEST_RADIUS_PX: f64 = 24.0;

/// Highest degree of the albedo's terms.
const DEGREE: usize = 8;

/// Number of the albedo's terms.
const TERMS: usize = (DEGREE + 1) * (DEGREE + 2) / 2;

/// These and the sky.
const LINEAR: usize = TERMS + 1;

/// Parameters of the shape: x, y, radius, turn of the Sun, core of the blur, share of the halo, k, halo over core.
const SHAPE: usize = 8;

/// All unknowns.
const ALL: usize = LINEAR + SHAPE;

/// Steps of the shape's parameters for differences.
const STEP: [f64; SHAPE] = [0.02, 0.02, 0.02, 0.01, 0.02, 0.02, 0.02, 0.05];

/// Noise of the sky, as a share of the object's brightness.
const SKY_NOISE: f64 = 0.02;

/// What is expected of a surface; found on simulated and on painted globes.
struct Surface {
    /// What the albedo's terms leave of the markings, as a share of the pixel's own brightness.
    noise: f64,
    /// How strongly a term is held to nought, times the root of its degree.
    held: f64,
    /// Minnaert's k may differ from what is given by so much, one standard deviation.
    minnaert_sigma: f64,
}

/// Lands with shores: much that the terms do not follow, so that k and the radius cannot be told apart.
const LANDS: Surface = Surface { noise: 0.3, held: 0.06, minnaert_sigma: 0.05 };

/// Faint, smooth clouds.
const CLOUDS: Surface = Surface { noise: 0.1, held: 0.5, minnaert_sigma: 0.15 };

/// Pixels count up to this many widths of the blur's core beyond the limb, but not nearer or further than these shares of
/// the radius.
const OUTSIDE: (f64, f64, f64) = (2.5, 0.1, 0.15);

/// Most steps of a round, and the share of the squares that a step must take away for another to be worth it.
const STEPS: usize = 6;
const WORTH: f64 = 1e-3;

/// Edge pixels are the mean of so many points a side.
const PARTS: i32 = 3;

struct Lit<'a> {
    data: Vec<f32>,
    width: usize,
    height: usize,
    known: &'a Known,
    surface: Surface,
    pole_rad: f64,
    weights: Vec<f32>,
    held: [f64; TERMS],
}

/// The best albedo and sky for a shape, and what is left.
struct State {
    shape: [f64; SHAPE],
    /// Weighted pictures of the terms and of the sky.
    columns: Vec<Vec<f32>>,
    normal: [[f64; LINEAR]; LINEAR],
    linear: [f64; LINEAR],
    /// Weighted model less picture.
    left: Vec<f32>,
    cost: f64,
}

/// Room for blurring.
struct Room {
    sharp: Vec<f32>,
    small: Vec<f32>,
    wide: Vec<f32>,
    scratch: Vec<f32>,
}

impl Room {
    fn new(count: usize) -> Self {
        Self { sharp: vec![0.0; count], small: Vec::new(), wide: Vec::new(), scratch: Vec::new() }
    }
}

/// Chebyshev polynomials up to [`DEGREE`].
fn chebyshev(t: f32) -> [f32; DEGREE + 1] {
    let mut all = [1.0; DEGREE + 1];
    all[1] = t;
    for i in 2..=DEGREE {
        all[i] = 2.0 * t * all[i - 1] - all[i - 2];
    }
    all
}

/// The albedo's terms at a place in the pole's frame.
fn terms(x: f64, y: f64) -> [f32; TERMS] {
    let (a, b) = (chebyshev(x.clamp(-1.0, 1.0) as f32), chebyshev(y.clamp(-1.0, 1.0) as f32));
    let mut out = [0.0; TERMS];
    let mut at = 0;
    for (i, a) in a.iter().enumerate() {
        for b in &b[..=DEGREE - i] {
            out[at] = a * b;
            at += 1;
        }
    }
    out
}

/// Degrees of the terms, in the same order.
fn degrees() -> [usize; TERMS] {
    let mut out = [0; TERMS];
    let mut at = 0;
    for i in 0..=DEGREE {
        for j in 0..=DEGREE - i {
            out[at] = i + j;
            at += 1;
        }
    }
    out
}

impl Lit<'_> {
    fn globe(&self, shape: &[f64; SHAPE]) -> Globe {
        let (known, [x, y, radius, ..]) = (self.known, shape);
        Globe::new([*x, *y], *radius, known.axis_ratio, known.latitude_rad, self.pole_rad)
    }

    fn place(&self, globe: &Globe, at: usize) -> (f64, f64) {
        globe.to_pole_frame((at % self.width) as f64, (at / self.width) as f64)
    }

    /// A globe of albedo 1, not blurred.
    fn even(&self, shape: &[f64; SHAPE], out: &mut [f32]) {
        let globe = self.globe(shape);
        let near = 1.5 / shape[2];
        let [sx, sy, sz] = self.known.sun;
        let (sin, cos) = libm::sincos(shape[3]);
        let sun = [sx * cos + sy * sin, sy * cos - sx * sin, sz];
        for (at, value) in out.iter_mut().enumerate() {
            let (u, v) = self.place(&globe, at);
            let distance = globe.limb_distance(u, v);
            *value = 0.0;
            if distance > 1.0 + near {
                continue;
            }
            let parts = if (distance - 1.0).abs() < near { PARTS } else { 1 };
            let soft = 1.0 / (f64::from(parts) * shape[2]);
            let sub = |k: i32| (f64::from(k) - 0.5 * f64::from(parts - 1)) * soft;
            let mut sum = 0.0;
            for (i, j) in (0..parts).flat_map(|j| (0..parts).map(move |i| (i, j))) {
                let (u, v) = (u + sub(i), v + sub(j));
                let distance = globe.limb_distance(u, v);
                // The edge is a ramp, so that the picture follows the parameters without jumps.
                let inside = (0.5 + (1.0 - distance) / soft).clamp(0.0, 1.0);
                // Just off the limb, what stands at it.
                let inwards = (0.9998 / distance.max(1e-9)).min(1.0);
                if let Some(point) = globe.surface(u * inwards, v * inwards).filter(|_| inside > 0.0) {
                    let (nx, ny, nz) = globe.normal(&point);
                    let mu0 = nx * sun[0] + ny * sun[1] + nz * sun[2];
                    let mu = point.cos_emission.max(0.02);
                    if mu0 > 0.0 {
                        sum += inside * libm::exp(shape[6] * libm::log(mu0 * mu)) / mu;
                    }
                }
            }
            *value = (sum / f64::from(parts * parts)) as f32;
        }
    }

    /// Blurs what stands in the room; the halo on a grid of half as many points a side.
    fn blur(&self, shape: &[f64; SHAPE], room: &mut Room, out: &mut [f32]) {
        let Room { sharp, small, wide, scratch } = room;
        gaussian(sharp, self.width, self.height, shape[4], Border::Nearest, out, scratch);
        let (w, h) = (self.width.div_ceil(2), self.height.div_ceil(2));
        small.clear();
        small.resize(w * h, 0.0);
        wide.resize(w * h, 0.0);
        for (y, row) in sharp.chunks_exact(self.width).enumerate() {
            for (x, value) in row.iter().enumerate() {
                small[y / 2 * w + x / 2] += 0.25 * value;
            }
        }
        // The coarse grid blurs by itself: its cells by 1/4 px^2, the lines between them by 3/4 px^2.
        let sigma = 0.5 * (shape[7] * shape[4] * shape[7] * shape[4] - 1.0).max(0.3).sqrt();
        gaussian(small, w, h, sigma, Border::Nearest, wide, scratch);
        let share = shape[5] as f32;
        let between = |i: usize, n: usize| {
            let place = (0.5 * (i as f32 - 0.5)).max(0.0);
            let low = (place as usize).min(n - 1);
            (low, (low + 1).min(n - 1), place - low as f32)
        };
        for (y, row) in out.chunks_exact_mut(self.width).enumerate() {
            let (y0, y1, t) = between(y, h);
            for (x, value) in row.iter_mut().enumerate() {
                let (x0, x1, s) = between(x, w);
                let line = |y: usize| wide[y * w + x0] + s * (wide[y * w + x1] - wide[y * w + x0]);
                let halo = line(y0) + t * (line(y1) - line(y0));
                *value += share * (halo - *value);
            }
        }
    }

    /// The weighted picture of a shape with given albedo.
    fn draw(&self, shape: &[f64; SHAPE], linear: &[f64; LINEAR], room: &mut Room) -> Vec<f32> {
        let mut out = vec![0.0; self.data.len()];
        let globe = self.globe(shape);
        self.even(shape, &mut room.sharp);
        for (at, value) in room.sharp.iter_mut().enumerate().filter(|(_, value)| **value > 0.0) {
            let (u, v) = self.place(&globe, at);
            *value *= terms(u, v).iter().zip(linear).map(|(t, c)| t * *c as f32).sum::<f32>();
        }
        self.blur(shape, room, &mut out);
        out.iter_mut().zip(&self.weights).for_each(|(o, w)| *o *= w);
        out
    }

    /// Solves for albedo and sky. `None` where they cannot be told.
    fn state(&self, shape: [f64; SHAPE], room: &mut Room) -> Option<State> {
        let count = self.data.len();
        let globe = self.globe(&shape);
        let mut even = vec![0.0; count];
        self.even(&shape, &mut even);
        let all: Vec<[f32; TERMS]> = (0..count)
            .map(|at| {
                let (u, v) = self.place(&globe, at);
                if even[at] > 0.0 { terms(u, v).map(|t| t * even[at]) } else { [0.0; TERMS] }
            })
            .collect();
        let mut columns: Vec<Vec<f32>> = (0..TERMS)
            .map(|term| {
                room.sharp.iter_mut().zip(&all).for_each(|(s, t)| *s = t[term]);
                let mut out = vec![0.0; count];
                self.blur(&shape, room, &mut out);
                out.iter_mut().zip(&self.weights).for_each(|(o, w)| *o *= w);
                out
            })
            .collect();
        columns.push(self.weights.clone());
        let mut left: Vec<f32> = self.data.iter().zip(&self.weights).map(|(d, w)| -d * w).collect();
        let mut normal = [[0.0; LINEAR]; LINEAR];
        let mut right = [0.0; LINEAR];
        for i in 0..LINEAR {
            for j in 0..=i {
                normal[i][j] = dot(&columns[i], &columns[j]);
                normal[j][i] = normal[i][j];
            }
            right[i] = -dot(&columns[i], &left);
        }
        for (i, held) in self.held.iter().enumerate() {
            normal[i][i] += held;
        }
        let linear = solve(&normal, &right)?;
        for (column, c) in columns.iter().zip(linear) {
            left.iter_mut().zip(column).for_each(|(l, v)| *l += c as f32 * v);
        }
        let held: f64 = self.held.iter().zip(&linear).map(|(h, c)| h * c * c).sum();
        let off = (shape[6] - self.known.minnaert) * self.tight();
        let cost = dot(&left, &left) + held + off * off;
        cost.is_finite().then_some(State { shape, columns, normal, linear, left, cost })
    }

    /// By how much the squares grow with k's distance from what is given, as a root.
    fn tight(&self) -> f64 {
        SKY_NOISE / self.surface.minnaert_sigma
    }

    /// Equations for a step from a state; parameters without room stay.
    fn equations(
        &self,
        from: &State,
        limits: &[(f64, f64); SHAPE],
        room: &mut Room,
    ) -> ([[f64; ALL]; ALL], [f64; ALL]) {
        let here = self.draw(&from.shape, &from.linear, room);
        let mut full = [[0.0; ALL]; ALL];
        let mut right = [0.0; ALL];
        for i in 0..LINEAR {
            full[i][..LINEAR].copy_from_slice(&from.normal[i]);
            let held = self.held.get(i).map_or(0.0, |held| held * from.linear[i]);
            right[i] = -dot(&from.columns[i], &from.left) - held;
        }
        let slopes: [Vec<f32>; SHAPE] = std::array::from_fn(|k| {
            if limits[k].1 <= limits[k].0 {
                return Vec::new();
            }
            let mut shape = from.shape;
            let step = if shape[k] + STEP[k] > limits[k].1 { -STEP[k] } else { STEP[k] };
            shape[k] += step;
            let mut there = self.draw(&shape, &from.linear, room);
            there.iter_mut().zip(&here).for_each(|(t, h)| *t = (*t - h) / step as f32);
            there
        });
        for (k, slope) in slopes.iter().enumerate() {
            let row = LINEAR + k;
            if slope.is_empty() {
                full[row][row] = 1.0;
                continue;
            }
            for (i, column) in from.columns.iter().enumerate() {
                full[row][i] = dot(slope, column);
                full[i][row] = full[row][i];
            }
            for (l, other) in slopes.iter().enumerate().filter(|(_, other)| !other.is_empty()) {
                full[row][LINEAR + l] = dot(slope, other);
            }
            right[row] = -dot(slope, &from.left);
        }
        let k = LINEAR + 6;
        let tight = self.tight() * self.tight();
        full[k][k] += tight;
        right[k] -= tight * (from.shape[6] - self.known.minnaert);
        (full, right)
    }

    /// Improves a shape in at most so many steps.
    fn improve(
        &self,
        shape: [f64; SHAPE],
        limits: &[(f64, f64); SHAPE],
        steps: usize,
        room: &mut Room,
    ) -> Option<State> {
        let mut now = self.state(shape, room)?;
        let mut damping = 0.01;
        let mut tried = 0;
        while tried < steps {
            let (full, right) = self.equations(&now, limits, room);
            let mut gain = 0.0;
            while tried < steps && gain == 0.0 {
                tried += 1;
                let mut damped = full;
                for (k, row) in damped.iter_mut().enumerate().skip(LINEAR) {
                    row[k] *= 1.0 + damping;
                }
                let next = solve(&damped, &right).and_then(|step| {
                    let shape =
                        std::array::from_fn(|k| (now.shape[k] + step[LINEAR + k]).max(limits[k].0).min(limits[k].1));
                    self.state(shape, room)
                });
                match next.filter(|next| next.cost < now.cost) {
                    Some(next) => {
                        gain = 1.0 - next.cost / now.cost;
                        now = next;
                        damping = (0.2 * damping).max(1e-6);
                    }
                    None => damping *= 8.0,
                }
            }
            if gain < WORTH {
                break;
            }
        }
        Some(now)
    }

    /// Weights for a shape by what is seen, or by a state's model, which tells too what stands off it.
    fn weigh(&mut self, shape: &[f64; SHAPE], by: Option<&State>) {
        let globe = self.globe(shape);
        let (widths, least, most) = OUTSIDE;
        let outer = 1.0 + (widths * shape[4] / shape[2]).clamp(least, most);
        let model: Vec<f32> = match by {
            None => self.data.clone(),
            Some(state) => {
                let of = |((seen, left), weight): ((&f32, &f32), &f32)| {
                    if *weight > 0.0 { seen + left / weight } else { *seen }
                };
                self.data.iter().zip(&state.left).zip(&self.weights).map(of).collect()
            }
        };
        for (at, model) in model.iter().enumerate() {
            let (u, v) = self.place(&globe, at);
            let counts = globe.limb_distance(u, v) <= outer;
            let noise = libm::hypot(SKY_NOISE, self.surface.noise * f64::from(model.max(0.0)));
            self.weights[at] = if counts { (SKY_NOISE / noise) as f32 } else { 0.0 };
        }
        if by.is_none() {
            return;
        }
        let off = |at: usize, weight: f32| f64::from((self.data[at] - model[at]).abs() * weight);
        let offs: Vec<f64> = self.weights.iter().enumerate().map(|(at, weight)| off(at, *weight)).collect();
        let counted: Vec<f64> = offs.iter().zip(&self.weights).filter(|(_, w)| **w > 0.0).map(|(o, _)| *o).collect();
        let sigma = stillair_maths::robust::percentile(&counted, 90.0).max(1e-4) / 1.645;
        for (weight, off) in self.weights.iter_mut().zip(&offs) {
            let t = off / (6.0 * sigma);
            *weight *= (1.0 - t * t).max(0.0) as f32;
        }
    }
}

/// Fits a phase from an outline; the Sun may be up to `turn_rad` elsewhere about the line of sight. With `quick` only as
/// far as to see which of several beginnings is the right one. `None` where nothing comes near the picture.
pub fn fit(
    plane: Plane<'_>,
    levels: [f64; 2],
    about: &Ellipse,
    known: &Known,
    turn_rad: f64,
    quick: bool,
) -> Option<Fitted> {
    let (data, width, height, corner, factor) = reduced(plane, about, 1.4, LARGEST_RADIUS_PX);
    if width < 12 || height < 12 {
        return None;
    }
    let [sky, level] = levels;
    let f = factor as f64;
    let middle = |axis: usize| (about.centre[axis] - corner[axis] as f64 - 0.5 * (f - 1.0)) / f;
    let (x, y, radius) = (middle(0), middle(1), about.radius / f);
    let data: Vec<f32> = data.iter().map(|v| ((f64::from(*v) - sky) / level) as f32).collect();
    if data.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let room = &mut Room::new(data.len());
    let weights = vec![0.0; data.len()];
    let surface = if known.lands { LANDS } else { CLOUDS };
    let held = degrees().map(|degree| surface.held * (degree as f64).sqrt());
    let mut lit = Lit { data, width, height, known, surface, pole_rad: about.pole_rad, weights, held };
    let (far, widest) = (0.4 * radius, (0.25 * radius).max(1.0));
    let limits = [
        (x - far, x + far),
        (y - far, y + far),
        (0.7 * radius, 1.4 * radius),
        (-turn_rad, turn_rad),
        (0.35, widest),
        (0.0, 0.7),
        (0.4, 1.2),
        (2.0, 6.0),
    ];
    let shape = [x, y, radius, 0.0, (0.05 * radius).clamp(0.7, 3.0), 0.25, known.minnaert, 3.5];
    lit.weigh(&shape, None);
    let mut found = lit.improve(shape, &limits, if quick { STEPS / 2 } else { STEPS }, room)?;
    if !quick {
        lit.weigh(&found.shape, Some(&found));
        found = lit.improve(found.shape, &limits, STEPS, room)?;
    }
    let total = dot(&lit.weights, &lit.weights);
    let residual = (dot(&found.left, &found.left) / total.max(1e-9)).sqrt();
    let [x, y, radius, turn_rad, ..] = found.shape;
    let back = |place: f64, axis: usize| place * f + 0.5 * (f - 1.0) + corner[axis] as f64;
    let ellipse = Ellipse { centre: [back(x, 0), back(y, 1)], radius: radius * f, ..*about };
    residual.is_finite().then_some(Fitted { ellipse, residual, turn_rad })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Chebyshev polynomials: T2 = 2 t^2 - 1, T8(0) = 1 (Abramowitz & Stegun 22.3.15, T_n(cos a) = cos n a).
    #[test]
    fn terms_are_products_of_chebyshev_polynomials() {
        let t: f64 = 0.3;
        for (n, value) in chebyshev(t as f32).iter().enumerate() {
            assert!((f64::from(*value) - libm::cos(n as f64 * libm::acos(t))).abs() < 1e-5, "{n}");
        }
        let (x, y) = (0.4_f64, -0.7_f64);
        let all = terms(x, y);
        let at = degrees().iter().position(|degree| *degree == 3).unwrap();
        // The first of degree 3 is the third in y alone: 4 y^3 - 3 y.
        assert!((f64::from(all[at]) - (4.0 * y * y * y - 3.0 * y)).abs() < 1e-5);
    }
}
