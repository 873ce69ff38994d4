//! The sky's brightness as a plane, from the rim of the picture.

/// `level + slope_x * x + slope_y * y`, and the scatter of the samples about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Sky {
    pub level: f64,
    pub slope_x: f64,
    pub slope_y: f64,
    /// Standard deviation of the samples.
    pub scatter: f64,
}

impl Sky {
    pub fn at(&self, x: f64, y: f64) -> f64 {
        self.level + self.slope_x * x + self.slope_y * y
    }
}

/// Width of the rim in pixels.
const RIM: usize = 2;

/// Pixels of the rim as (x, y, value).
fn rim(plane: &[f32], width: usize, height: usize, out: &mut Vec<[f32; 3]>) {
    out.clear();
    for (y, row) in plane.chunks_exact(width).enumerate() {
        let mut push = |x: usize| out.push([x as f32, y as f32, row[x]]);
        if y < RIM || y + RIM >= height || width <= 2 * RIM {
            (0..width).for_each(&mut push);
        } else {
            (0..RIM).for_each(&mut push);
            (width - RIM..width).for_each(&mut push);
        }
    }
}

/// Fits a plane by least squares to the sky's part of the rim. The target may cross the rim: what is brighter than
/// its darkest tenth by a tenth of the way to `brightest` (and by more than noise) is left
/// out, then what lies off the first fit by 3 sigma. Too little sky gives a level without slope.
pub(crate) fn fit(
    plane: &[f32],
    width: usize,
    height: usize,
    brightest: f32,
    samples: &mut Vec<[f32; 3]>,
    values: &mut Vec<f32>,
) -> Sky {
    rim(plane, width, height, samples);
    values.clear();
    values.extend(samples.iter().map(|s| s[2]));
    let n = values.len();
    let dark = *values.select_nth_unstable_by(n / 10, f32::total_cmp).1;
    let darkest = *values[..n / 10 + 1].select_nth_unstable_by(n / 50, f32::total_cmp).1;
    // Of normal noise these two lie 1.3 and 2.1 sigma below the mean, so the limit lies 3.3 sigma above it.
    let limit = dark + (0.1 * (brightest - dark)).max(6.0 * (dark - darkest));
    samples.retain(|s| s[2] <= limit);
    // A slope from a third of the rim or less would be extrapolated over the frame.
    if samples.len() * 3 < n {
        return level_only(samples);
    }
    let first = least_squares(samples);
    let reach = (3.0 * first.scatter) as f32;
    if reach > 0.0 {
        samples.retain(|s| (s[2] - first.at(s[0].into(), s[1].into()) as f32).abs() <= reach);
    }
    least_squares(samples)
}

fn level_only(samples: &[[f32; 3]]) -> Sky {
    let n = samples.len().max(1) as f64;
    let level = samples.iter().map(|s| f64::from(s[2])).sum::<f64>() / n;
    let square = samples.iter().map(|s| (f64::from(s[2]) - level).powi(2)).sum::<f64>() / n;
    Sky { level, slope_x: 0.0, slope_y: 0.0, scatter: square.sqrt() }
}

fn least_squares(samples: &[[f32; 3]]) -> Sky {
    let n = samples.len().max(1) as f64;
    let mut mean = [0.0; 3];
    for s in samples {
        for (m, &v) in mean.iter_mut().zip(s) {
            *m += f64::from(v) / n;
        }
    }
    let (mut xx, mut xy, mut yy, mut xv, mut yv, mut vv) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for s in samples {
        let [x, y, v] = [0, 1, 2].map(|i| f64::from(s[i]) - mean[i]);
        xx += x * x;
        xy += x * y;
        yy += y * y;
        xv += x * v;
        yv += y * v;
        vv += v * v;
    }
    let determinant = xx * yy - xy * xy;
    let (slope_x, slope_y) = if determinant > 1e-9 * xx * yy && determinant > 0.0 {
        ((xv * yy - yv * xy) / determinant, (yv * xx - xv * xy) / determinant)
    } else {
        (0.0, 0.0)
    };
    let residual = (vv - slope_x * xv - slope_y * yv).max(0.0) / n;
    Sky { level: mean[2] - slope_x * mean[0] - slope_y * mean[1], slope_x, slope_y, scatter: residual.sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The plane that was put in.
    #[test]
    fn a_tilted_sky_is_found_beside_a_target_that_crosses_the_rim() {
        let (w, h) = (60, 50);
        let mut plane: Vec<f32> = (0..w * h).map(|i| 0.1 + 0.001 * (i % w) as f32 - 0.0005 * (i / w) as f32).collect();
        for y in 0..h {
            for x in 0..w {
                if (x as f32 - 5.0).hypot(y as f32 - 25.0) < 18.0 {
                    plane[y * w + x] += 0.6;
                }
            }
        }
        let sky = fit(&plane, w, h, 0.75, &mut Vec::new(), &mut Vec::new());
        assert!((sky.slope_x - 0.001).abs() < 1e-5, "{sky:?}");
        assert!((sky.slope_y + 0.0005).abs() < 1e-5, "{sky:?}");
        assert!((sky.at(30.0, 25.0) - (0.1 + 0.03 - 0.0125)).abs() < 1e-4, "{sky:?}");
    }
}
