//! Whether light is spread to one side: coma of a telescope out of collimation, a tilted corrector.
//!
//! The limb of a disc is an edge in every direction. How much light lies beyond it, from 0.35 to 2.2 lambda/D outside
//! the place where brightness falls to 0.4, is measured in 48 directions in units of the brightness inside the edge
//! times lambda/D. Whatever is the same in all directions (seeing, focus, limb darkening) is the mean over them, what
//! is the same in opposite ones (oblateness, drift, the air's dispersion) the second harmonic; what is left to one side
//! is the first, and only a lopsided point spread makes it large.
//!
//! By own calculation (limb-darkened discs of 12 to 45 lambda/D through an aperture with coma, Zernike term 8 of Noll,
//! and air) the first harmonic is 0.6 times the coma in waves rms up to 0.07 waves, where it is 0.042 (Marechal's
//! limit, a Strehl ratio of 0.8), and 0.046 to 0.055 from 0.1 waves on, whatever the disc's size. A phase of up to 12
//! degrees makes at most 0.015 of it, the pattern of simulated discs 0.016.

use stillair_maths::fit;

/// Directions.
const DIRECTIONS: usize = 48;
/// Directions in which the picture must reach beyond the limb.
const LEAST_DIRECTIONS: usize = 40;
/// Rays averaged in each.
const RAYS: usize = 5;
/// Place of the edge, of the brightness inside it.
const EDGE: f64 = 0.4;
/// Where light beyond the edge is counted, lambda/D.
const BEYOND: (f64, f64) = (0.35, 2.2);
/// Where the brightness inside the edge is taken, lambda/D from the steepest place.
const INSIDE: (f64, f64) = (2.2, 3.6);
/// Steps along a ray, px.
const STEP_PX: f64 = 0.2;
/// Least radius of a disc, lambda/D.
const LEAST_RADIUS: f64 = 8.0;

/// The first harmonic of the light beyond the limb.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lopsided {
    /// Its amplitude, brightness inside the edge times lambda/D.
    pub amplitude: f64,
    /// Standard deviation of that, from what the harmonics leave.
    pub sigma: f64,
    /// Direction in which the light goes, radians from right over down.
    pub direction_rad: f64,
}

/// Brightness between pixels, nothing outside the picture.
fn at(picture: &[f32], width: usize, height: usize, x: f64, y: f64) -> Option<f64> {
    if !(x >= 0.0 && y >= 0.0 && x < (width - 1) as f64 && y < (height - 1) as f64) {
        return None;
    }
    let (i, j) = (x as usize, y as usize);
    let (u, v) = (x - i as f64, y - j as f64);
    let value = |dx: usize, dy: usize| f64::from(picture[(j + dy) * width + i + dx]);
    let row = |dy: usize| (1.0 - u) * value(0, dy) + u * value(1, dy);
    Some((1.0 - v) * row(0) + v * row(1))
}

/// Light beyond the edge of a profile that starts inside the disc.
fn beyond(profile: &[f64], step: f64) -> Option<f64> {
    let guard = (1.0 / step) as usize;
    let steep = (guard..profile.len().saturating_sub(guard))
        .min_by(|a, b| (profile[a + 1] - profile[a - 1]).total_cmp(&(profile[b + 1] - profile[b - 1])))?;
    let from = steep.checked_sub((INSIDE.1 / step) as usize)?;
    let to = steep.checked_sub((INSIDE.0 / step) as usize)?;
    let level = profile[from..to].iter().sum::<f64>() / (to - from) as f64;
    if level <= 0.0 {
        return None;
    }
    let falls = |i: &usize| profile[*i] >= EDGE * level && profile[*i + 1] < EDGE * level;
    let edge = (0..profile.len() - 1).filter(falls).min_by_key(|i| i.abs_diff(steep))?;
    let place = edge as f64 + (profile[edge] - EDGE * level) / (profile[edge] - profile[edge + 1]);
    let (first, last) = (place + BEYOND.0 / step, place + BEYOND.1 / step);
    if last as usize >= profile.len() {
        return None;
    }
    let inside = (first.ceil() as usize..=last as usize).map(|i| profile[i]);
    Some(inside.sum::<f64>() * step / level)
}

/// Measures a channel; `resolution_px` is lambda/D. `None` where there is no disc, large enough, with sky all round.
pub fn lopsided(picture: &[f32], width: usize, height: usize, resolution_px: f64) -> Option<Lopsided> {
    let mut scratch = Vec::new();
    let sky = f64::from(stillair_maths::robust::percentile_f32(picture, 5.0, &mut scratch));
    let top = f64::from(stillair_maths::robust::percentile_f32(picture, 99.0, &mut scratch));
    let (mut n, mut sx, mut sy) = (0.0, 0.0, 0.0);
    for (i, v) in picture.iter().enumerate() {
        if f64::from(*v) > sky + 0.3 * (top - sky) {
            (n, sx, sy) = (n + 1.0, sx + (i % width) as f64, sy + (i / width) as f64);
        }
    }
    let radius_px = f64::sqrt(n / std::f64::consts::PI);
    if n < 1.0 || radius_px < LEAST_RADIUS * resolution_px {
        return None;
    }
    let (cx, cy) = (sx / n, sy / n);
    let step = STEP_PX / resolution_px;
    let count = (11.0 / step) as usize;
    // From the disc outwards, as far as the picture reaches.
    let profile = |direction: f64| -> Vec<f64> {
        let ray = |ray: usize| {
            let turn = (ray as f64 / (RAYS - 1) as f64 - 0.5) * std::f64::consts::TAU / DIRECTIONS as f64;
            libm::sincos(direction + turn)
        };
        let rays: [(f64, f64); RAYS] = std::array::from_fn(ray);
        let mean = |k: usize| {
            let r = radius_px + (k as f64 * step - 6.0) * resolution_px;
            let values = rays.iter().map(|(sine, cosine)| at(picture, width, height, cx + r * cosine, cy + r * sine));
            values.sum::<Option<f64>>().map(|sum| sum / RAYS as f64 - sky)
        };
        (0..count).map_while(mean).collect()
    };
    let mut points = Vec::new();
    for k in 0..DIRECTIONS {
        let direction = k as f64 * std::f64::consts::TAU / DIRECTIONS as f64;
        let Some(light) = beyond(&profile(direction), step) else { continue };
        let (s1, c1) = libm::sincos(direction);
        let (s2, c2) = libm::sincos(2.0 * direction);
        points.push(([1.0, c1, s1, c2, s2], light));
    }
    if points.len() < LEAST_DIRECTIONS {
        return None;
    }
    let found = fit::least_squares(points.iter().map(|(basis, light)| (*basis, *light, 1.0)))?;
    let rest = |(basis, light): &([f64; 5], f64)| {
        let model: f64 = basis.iter().zip(&found).map(|(b, c)| b * c).sum();
        (light - model) * (light - model)
    };
    let variance = points.iter().map(rest).sum::<f64>() / (points.len() - 5) as f64;
    Some(Lopsided {
        amplitude: libm::hypot(found[1], found[2]),
        sigma: (2.0 * variance / points.len() as f64).sqrt(),
        direction_rad: libm::atan2(found[2], found[1]),
    })
}

/// A direction in words, by eighths of a turn.
pub fn words(direction_rad: f64) -> &'static str {
    const NAMES: [&str; 8] =
        ["right", "lower right", "bottom", "lower left", "left", "upper left", "top", "upper right"];
    let eighth = libm::round(direction_rad / std::f64::consts::FRAC_PI_4) as i64;
    NAMES[eighth.rem_euclid(8) as usize]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disc of even brightness with a soft edge, and a share of it again, moved by some px.
    fn disc(side: usize, radius: f64, soft: f64, ghost: f64, moved: (f64, f64)) -> Vec<f32> {
        let middle = (side - 1) as f64 / 2.0;
        let one = |x: f64, y: f64| 0.5 * libm::erfc((libm::hypot(x, y) - radius) / (soft * 2f64.sqrt()));
        (0..side * side)
            .map(|i| {
                let (x, y) = ((i % side) as f64 - middle, (i / side) as f64 - middle);
                ((1.0 - ghost) * one(x, y) + ghost * one(x - moved.0, y - moved.1)) as f32
            })
            .collect()
    }

    #[test]
    fn what_is_round_is_not_lopsided() {
        for soft in [1.0, 2.0, 3.0] {
            let told = lopsided(&disc(161, 55.0, soft, 0.0, (0.0, 0.0)), 161, 161, 2.5).unwrap();
            assert!(told.amplitude < 0.002, "{told:?}");
        }
        assert_eq!(lopsided(&disc(61, 15.0, 1.0, 0.0, (0.0, 0.0)), 61, 61, 2.5), None, "too small");
        assert_eq!(lopsided(&disc(111, 55.0, 1.0, 0.0, (0.0, 0.0)), 111, 111, 2.5), None, "no sky about it");
        assert_eq!(lopsided(&vec![0.5; 10_000], 100, 100, 2.5), None, "no disc");
    }

    // A tenth of the light lies d = 1.5 lambda/D to one side: beyond the edge, from a = 0.35 lambda/D on, there is
    // 0.1 (d cos t - a) where that is positive, |t| < t0 = acos(a / d) = 1.3353. Its first harmonic is 0.1 / pi times
    // the integral of (d cos t - a) cos t: d (t0 + sin t0 cos t0) - 2 a sin t0 = 1.6626, so 0.0529. The limb's
    // bend and the edge's softness take a few percent.
    #[test]
    fn a_tenth_of_the_light_to_one_side_is_measured() {
        for (turn, name) in [(0.0, "right"), (1.5 * std::f64::consts::PI, "top"), (2.356, "lower left")] {
            let (sine, cosine) = libm::sincos(turn);
            let picture = disc(301, 120.0, 0.4, 0.1, (9.0 * cosine, 9.0 * sine));
            let told = lopsided(&picture, 301, 301, 6.0).unwrap();
            assert!((told.amplitude / 0.0529 - 1.0).abs() < 0.1, "{told:?}");
            assert_eq!(words(told.direction_rad), name);
        }
    }
}
