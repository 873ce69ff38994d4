//! The mean brightness of a disc against the distance from its centre: what the limb takes from a feature.

use stillair_maths::fit::least_squares;
use stillair_maths::globe::Globe;
use stillair_maths::robust::median;

use crate::outline::Plane;

/// Steps from the centre to the limb.
pub const STEPS: usize = 64;

/// Median of the picture's border.
pub fn sky(plane: Plane<'_>) -> f64 {
    let (w, h) = (plane.width, plane.height);
    let mut border: Vec<f64> = Vec::with_capacity(2 * (w + h));
    for x in 0..w {
        border.extend([x, (h - 1) * w + x].map(|i| f64::from(plane.data[i])));
    }
    for y in 0..h {
        border.extend([y * w, y * w + w - 1].map(|i| f64::from(plane.data[i])));
    }
    border.retain(|v| v.is_finite());
    median(&border)
}

/// Mean brightness above the sky at distances 0, 1/64, ... 1 of the outline, where `keep` lets a place of the pole's frame
/// count; empty where there is nothing bright.
pub fn profile(plane: Plane<'_>, globe: &Globe, sky: f64, keep: impl Fn(f64, f64) -> bool) -> Vec<f32> {
    let mut sums = vec![(0.0, 0.0); STEPS + 1];
    for y in 0..plane.height {
        for x in 0..plane.width {
            let (u, v) = globe.to_pole_frame(x as f64, y as f64);
            let place = globe.limb_distance(u, v) * STEPS as f64;
            let value = f64::from(plane.data[y * plane.width + x]) - sky;
            if place >= STEPS as f64 + 1.0 || !value.is_finite() || !keep(u, v) {
                continue;
            }
            let low = place as usize;
            let part = place - low as f64;
            sums[low].0 += (1.0 - part) * value;
            sums[low].1 += 1.0 - part;
            if low < STEPS {
                sums[low + 1].0 += part * value;
                sums[low + 1].1 += part;
            }
        }
    }
    let mut out: Vec<f64> =
        sums.iter().map(|(sum, weight)| if *weight > 1.0 { sum / weight } else { f64::NAN }).collect();
    let inner: (f64, f64) = sums[..STEPS / 4].iter().fold((0.0, 0.0), |a, s| (a.0 + s.0, a.1 + s.1));
    let level = inner.0 / inner.1;
    if !(level.is_finite() && level > 0.0) {
        return Vec::new();
    }
    smooth_inside(&mut out, &sums);
    let mut last = level;
    for value in &mut out {
        if !value.is_finite() {
            *value = last;
        }
        last = *value;
    }
    // Belts and spots shake single rings: three neighbours together.
    (0..=STEPS)
        .map(|i| {
            let near = &out[i.saturating_sub(1)..(i + 2).min(STEPS + 1)];
            (near.iter().sum::<f64>() / near.len() as f64).max(0.02 * level) as f32
        })
        .collect()
}

/// Belts and spots shake the rings, most of all the small ones of the centre, and a step of the profile would be drawn on
/// the disc as a ring: up to near the limb the darkening is an even polynomial of the distance, fitted to the rings by
/// their weights, that goes over into the rings themselves.
fn smooth_inside(out: &mut [f64], sums: &[(f64, f64)]) {
    const FITTED: f64 = 0.9;
    const BLENDED: (f64, f64) = (0.75, 0.9);
    let distance = |i: usize| i as f64 / STEPS as f64;
    let powers = |r: f64| {
        let r2 = r * r;
        [1.0, r2, r2 * r2, r2 * r2 * r2]
    };
    let rows = (0..=STEPS)
        .filter(|i| distance(*i) <= FITTED && out[*i].is_finite())
        .map(|i| (powers(distance(i)), out[i], sums[i].1));
    let Some(found) = least_squares(rows) else { return };
    for (i, value) in out.iter_mut().enumerate() {
        let r = distance(i);
        let share = ((r - BLENDED.0) / (BLENDED.1 - BLENDED.0)).clamp(0.0, 1.0);
        let fitted: f64 = found.iter().zip(powers(r)).map(|(c, p)| c * p).sum();
        if share < 1.0 {
            *value = if value.is_finite() { fitted + share * (*value - fitted) } else { fitted };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Lambert's law, brightness in proportion to the cosine (textbook), under belts: the profile has no steps that a
    // picture would show as rings.
    #[test]
    fn belts_leave_no_steps_in_the_profile() {
        let side = 121;
        let globe = Globe::new([60.0, 60.0], 50.0, 0.935, 0.03, 0.2);
        let data: Vec<f32> = (0..side * side)
            .map(|i| {
                let (u, v) = globe.to_pole_frame((i % side) as f64, (i / side) as f64);
                globe.surface(u, v).map_or(0.1, |p| 0.1 + (p.cos_emission * (1.0 + 0.3 * libm::cos(9.0 * v))) as f32)
            })
            .collect();
        let found = profile(Plane { data: &data, width: side, height: side }, &globe, 0.1, |_, _| true);
        assert_eq!(found.len(), STEPS + 1);
        for (i, pair) in found.windows(2).enumerate().take(STEPS * 3 / 4) {
            assert!((pair[1] - pair[0]).abs() < 0.025 * found[0], "{i}: {pair:?}");
        }
        // The fall from the middle to four fifths: cos asin 0.8 = 0.6, within what the belts' mean leaves.
        let ratio = f64::from(found[STEPS * 4 / 5] / found[STEPS / 10]);
        assert!((ratio - 0.6).abs() < 0.12, "{ratio}");
    }
}
