//! The mean brightness of a disc against the distance from its centre: what the limb takes from a feature.

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
    // Few pixels lie near the centre: there the profile is level.
    let mut out: Vec<f64> = vec![f64::NAN; STEPS + 1];
    for (value, (sum, weight)) in out.iter_mut().zip(&sums) {
        if *weight > 1.0 {
            *value = sum / weight;
        }
    }
    let inner: (f64, f64) = sums[..STEPS / 4].iter().fold((0.0, 0.0), |a, s| (a.0 + s.0, a.1 + s.1));
    let level = inner.0 / inner.1;
    if !(level.is_finite() && level > 0.0) {
        return Vec::new();
    }
    for value in &mut out[..STEPS / 4] {
        *value = level;
    }
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
