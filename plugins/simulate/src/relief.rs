//! A cratered surface that fills the frame: heights, their light and shade, and no edge.
//!
//! Heights are a Gaussian field of power-law spectrum with craters on top, their numbers falling with the square of
//! their size, as on old surfaces (power law of size: Neukum, Ivanov & Hartmann 2001, Space Sci. Rev. 96, 55; the
//! shape of a crater - a bowl up to a sixth as deep as it is wide, a raised rim, ejecta that fall off with the cube of the
//! distance - after Melosh 1989, Impact Cratering). The sun stands low on the left: radiance = albedo times the cosine
//! between the ground and the sun (Lambert), nothing but a faint glow in cast shadows. The map is periodic, two points
//! a camera pixel, and is drawn point by point without interpolation.

use crate::clip::PlanetClip;
use crate::random::{Random, Stream};
use crate::surface::{fields, smooth_step};

/// Points of the map per camera pixel.
pub(crate) const POINTS_PER_PX: usize = 2;
/// Smallest and largest radius of a crater, points.
const RADII: [f64; 2] = [2.2, 170.0];
/// Share of the map that the craters of a doubling of size cover.
const COVER: f64 = 0.16;
/// Radiance of shadows, of the bright end.
const GLOW: f32 = 0.012;
/// Tint of the ground in red, green, blue.
const TINT: [f32; 3] = [1.05, 1.0, 0.90];

/// The surface, ready to be drawn.
pub(crate) struct Relief {
    side: usize,
    radiance: Vec<f32>,
    /// Half the field that is drawn, camera px: the frame and what drift may bring into it.
    half_px: [f64; 2],
    /// The field's middle on the map, points.
    origin: [i64; 2],
}

struct Crater {
    x: f64,
    y: f64,
    radius: f64,
    depth: f64,
}

impl Relief {
    /// `slack_px`: how far the picture may move, px.
    pub(crate) fn new(clip: &PlanetClip, slack_px: f64) -> Self {
        let longest = clip.camera.width.max(clip.camera.height);
        let side = (3 * longest).next_power_of_two().clamp(512, 4096);
        let scale = clip.arcsec_per_px();
        let origin = clip.field_arcsec.map(|v| (v / scale * POINTS_PER_PX as f64).round() as i64);
        let heights = heights(clip.seed, side, clip.detail);
        let radiance = light(&heights.0, &heights.1, side, clip.sun_altitude_deg);
        let half = |size: usize| size as f64 / 2.0 + slack_px;
        Self { side, radiance, half_px: [half(clip.camera.width), half(clip.camera.height)], origin }
    }

    /// Half the side of a square that holds the drawn field, camera px.
    pub(crate) fn reach_px(&self) -> f64 {
        self.half_px[0].max(self.half_px[1])
    }

    /// Sides of the drawn field, whole camera px.
    pub(crate) fn field_px(&self) -> [usize; 2] {
        self.half_px.map(|h| 2 * h.floor() as usize)
    }

    /// Draws the field as red, green, blue planes of `(side_px factor)^2` points; dark beyond the field.
    pub(crate) fn draw(&self, side_px: usize, factor: usize) -> [Vec<f32>; 3] {
        let n = side_px * factor;
        let wrap = |v: i64| v.rem_euclid(self.side as i64) as usize;
        // Averages a whole number of points, or repeats one.
        let per = (POINTS_PER_PX / factor).max(1);
        let middle = (side_px * POINTS_PER_PX / 2) as i64;
        let mut plane = vec![0f32; n * n];
        let share = 1.0 / (per * per) as f32;
        for (j, row) in plane.chunks_exact_mut(n).enumerate() {
            if ((j as f64 + 0.5) / factor as f64 - side_px as f64 / 2.0).abs() > self.half_px[1] {
                continue;
            }
            let y = (j * POINTS_PER_PX / factor) as i64 - middle + self.origin[1];
            for (i, value) in row.iter_mut().enumerate() {
                if ((i as f64 + 0.5) / factor as f64 - side_px as f64 / 2.0).abs() > self.half_px[0] {
                    continue;
                }
                let x = (i * POINTS_PER_PX / factor) as i64 - middle + self.origin[0];
                let mut sum = 0.0;
                for b in 0..per as i64 {
                    for a in 0..per as i64 {
                        sum += self.radiance[wrap(y + b) * self.side + wrap(x + a)];
                    }
                }
                *value = sum * share;
            }
        }
        TINT.map(|t| plane.iter().map(|v| v * t).collect())
    }
}

/// Heights in points, and albedo.
fn heights(seed: u64, side: usize, detail: f64) -> (Vec<f32>, Vec<f32>) {
    let mut random = Random::new(seed, Stream::Surface, 0);
    let n = side as f64;
    let [hills, lands] = fields(side, 2.6, 6.0, n / 3.0, 1.0, &mut random);
    let [rough, patches] = fields(side, 1.9, 60.0, n / 2.2, 1.0, &mut random);
    let mut height: Vec<f32> =
        hills.values.iter().zip(&rough.values).map(|(h, r)| 5.0 * h + 4.0 * detail as f32 * r).collect();
    let mut albedo: Vec<f32> = lands
        .values
        .iter()
        .zip(&patches.values)
        .map(|(l, p)| {
            let plain = smooth_step(0.5 + 1.5 * (f64::from(*l) - 0.4)) as f32;
            (1.0 - 0.35 * plain) * (1.0 + 0.05 * p)
        })
        .collect();
    let mut craters = Vec::new();
    let mut radius = RADII[1];
    while radius > RADII[0] {
        let area = core::f64::consts::PI * radius * radius;
        let count = random.poisson(COVER * n * n / area) as usize;
        for _ in 0..count {
            let radius = radius * random.between(0.71, 1.41);
            let fresh = random.uniform();
            craters.push(Crater {
                x: random.uniform() * n,
                y: random.uniform() * n,
                radius,
                depth: radius * 0.32 * (0.2 + 0.8 * fresh * fresh),
            });
        }
        radius *= 0.5;
    }
    for crater in &craters {
        add(crater, side, &mut height, &mut albedo);
    }
    (height, albedo)
}

fn add(crater: &Crater, side: usize, height: &mut [f32], albedo: &mut [f32]) {
    let reach = (2.4 * crater.radius).ceil() as i64;
    let (cx, cy) = (crater.x.floor() as i64, crater.y.floor() as i64);
    let wrap = |v: i64| v.rem_euclid(side as i64) as usize;
    // What was there inside is mostly gone; taken from the middle and rim before the digging.
    let base = height[wrap(cy) * side + wrap(cx)];
    let rim = 0.18 * crater.depth;
    let bright = if crater.depth > 0.26 * crater.radius { 0.10 } else { 0.0 };
    for y in cy - reach..=cy + reach {
        for x in cx - reach..=cx + reach {
            let r = (x as f64 + 0.5 - crater.x).hypot(y as f64 + 0.5 - crater.y) / crater.radius;
            if r > 2.4 {
                continue;
            }
            let at = wrap(y) * side + wrap(x);
            let edge = smooth_step((2.4 - r) / 0.8);
            if r < 1.0 {
                let bowl = (rim + crater.depth) * r * r - crater.depth;
                let kept = 0.35 + 0.65 * r * r * r * r;
                height[at] = (kept * f64::from(height[at]) + (1.0 - kept) * f64::from(base) + bowl) as f32;
            } else {
                height[at] += (rim / (r * r * r) * edge) as f32;
            }
            albedo[at] *= 1.0 + (bright * edge) as f32;
        }
    }
}

/// Radiance of a map lit from the left; its 99.5th percentile is 1.
fn light(height: &[f32], albedo: &[f32], side: usize, sun_altitude_deg: f64) -> Vec<f32> {
    let (sin, cos) = libm::sincos(sun_altitude_deg.to_radians());
    let fall = (sin / cos) as f32;
    let mut out = vec![0f32; side * side];
    for y in 0..side {
        let row = &height[y * side..(y + 1) * side];
        let (above, below) = ((y + side - 1) % side * side, (y + 1) % side * side);
        // The shadow's height comes in from the left; a first turn about the map sets it going.
        let mut shadow = f32::NEG_INFINITY;
        for h in row {
            shadow = h.max(shadow - fall);
        }
        for x in 0..side {
            let (left, right) = (row[(x + side - 1) % side], row[(x + 1) % side]);
            let gx = f64::from(right - left) * 0.5;
            let gy = f64::from(height[below + x] - height[above + x]) * 0.5;
            let lit = (sin + gx * cos) / (1.0 + gx * gx + gy * gy).sqrt();
            shadow -= fall;
            // Over a point of height the shadow's edge is soft, as the sun is no point.
            let open = ((row[x] - shadow) * 2.0 + 1.0).clamp(0.0, 1.0);
            shadow = shadow.max(row[x]);
            out[y * side + x] = albedo[y * side + x] * lit.max(0.0) as f32 * open;
        }
    }
    let mut sorted: Vec<f32> = out.iter().step_by(7).copied().collect();
    sorted.sort_by(f32::total_cmp);
    let top = sorted[sorted.len() * 995 / 1000].max(1e-6);
    out.iter_mut().for_each(|v| *v = (*v / top).min(1.6) + GLOW);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lambert's cosine law: flat ground under a sun at altitude h has the radiance sin h; ground that rises by an
    /// angle a away from the sun, and so faces it, sin(h + a); ground that falls steeper than h lies in shade.
    #[test]
    fn slopes_are_lit_by_the_cosine() {
        let side = 64;
        let tan = 20f32.to_radians().tan();
        let height: Vec<f32> = (0..side * side)
            .map(|k| match k % side {
                x @ 0..20 => 0.0 * x as f32,
                x @ 20..30 => (x - 20) as f32 * tan,
                x @ 30..34 => 10.0 * tan - (x - 30) as f32 * 2.5 * tan,
                _ => 0.0,
            })
            .collect();
        let out = light(&height, &vec![1.0; side * side], side, 20.0);
        let at = |x: usize| f64::from(out[10 * side + x] - GLOW);
        let expected = 40f64.to_radians().sin() / 20f64.to_radians().sin();
        assert!((at(25) / at(10) - expected).abs() < 1e-3, "{} {}", at(25), at(10));
        assert!(at(32).abs() < 1e-6, "{}", at(32));
        // A hill of 10 tan h throws a shadow of 10 points from its top.
        assert!(at(37).abs() < 1e-6 && at(44) > 0.9 * at(10), "{} {}", at(37), at(44));
    }
}
