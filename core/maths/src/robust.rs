//! Statistics that a few wrong values do not spoil. NaN values are left out everywhere; an
//! empty list gives NaN.

/// Factor from the median absolute deviation to the standard deviation of a Gaussian,
/// `1 / Phi^-1(3/4)`.
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

fn finite(values: &[f64]) -> Vec<f64> {
    values.iter().copied().filter(|v| !v.is_nan()).collect()
}

/// Percentile `p` (0..100) with numpy's linear rule: between order statistics at
/// `(n - 1) p / 100`.
pub fn percentile(values: &[f64], p: f64) -> f64 {
    percentile_of(&mut finite(values), p)
}

/// Median.
pub fn median(values: &[f64]) -> f64 {
    percentile(values, 50.0)
}

fn percentile_of(values: &mut [f64], p: f64) -> f64 {
    if values.is_empty() || p.is_nan() {
        return f64::NAN;
    }
    let at = p.clamp(0.0, 100.0) / 100.0 * (values.len() - 1) as f64;
    let below = libm::floor(at) as usize;
    let (_, low, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    let low = *low;
    match above.iter().copied().min_by(f64::total_cmp) {
        Some(high) if at > below as f64 => low + (high - low) * (at - below as f64),
        _ => low,
    }
}

/// Percentile of pixels, as [`percentile`]; `scratch` takes a copy.
pub fn percentile_f32(values: &[f32], p: f64, scratch: &mut Vec<f32>) -> f32 {
    scratch.clear();
    scratch.extend(values.iter().copied().filter(|v| !v.is_nan()));
    if scratch.is_empty() || p.is_nan() {
        return f32::NAN;
    }
    let at = p.clamp(0.0, 100.0) / 100.0 * (scratch.len() - 1) as f64;
    let below = libm::floor(at) as usize;
    let (_, low, above) = scratch.select_nth_unstable_by(below, f32::total_cmp);
    let low = *low;
    match above.iter().copied().min_by(f32::total_cmp) {
        Some(high) if at > below as f64 => low + (high - low) * (at - below as f64) as f32,
        _ => low,
    }
}

/// Median of pixels, as [`percentile_f32`].
pub fn median_f32(values: &[f32], scratch: &mut Vec<f32>) -> f32 {
    percentile_f32(values, 50.0, scratch)
}

/// Median absolute deviation from the median (times [`MAD_TO_SIGMA`] for a sigma).
pub fn mad(values: &[f64]) -> f64 {
    let mut kept = finite(values);
    let centre = percentile_of(&mut kept, 50.0);
    for v in &mut kept {
        *v = (*v - centre).abs();
    }
    percentile_of(&mut kept, 50.0)
}

/// Median absolute deviation of pixels.
pub fn mad_f32(values: &[f32], scratch: &mut Vec<f32>) -> f32 {
    let centre = median_f32(values, scratch);
    for v in scratch.iter_mut() {
        *v = (*v - centre).abs();
    }
    if scratch.is_empty() {
        return f32::NAN;
    }
    let at = 0.5 * (scratch.len() - 1) as f64;
    let below = libm::floor(at) as usize;
    let (_, low, above) = scratch.select_nth_unstable_by(below, f32::total_cmp);
    let low = *low;
    match above.iter().copied().min_by(f32::total_cmp) {
        Some(high) if at > below as f64 => 0.5 * (low + high),
        _ => low,
    }
}

/// What [`sigma_clip`] measures distances from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Centre {
    /// The median of what is kept.
    Median,
    /// The mean of what is kept.
    Mean,
}

/// The outcome of [`sigma_clip`].
#[derive(Clone, Debug, PartialEq)]
pub struct Clipped {
    /// Whether each value was kept (NaN never).
    pub kept: Vec<bool>,
    /// Mean of the kept.
    pub mean: f64,
    /// Median of the kept.
    pub median: f64,
    /// Population standard deviation of the kept.
    pub std: f64,
}

/// Rejects values further than `sigma` population standard deviations from the centre of the
/// kept, again and again, until nothing changes or `rounds` are over; the rule of
/// astropy.stats.sigma_clip.
pub fn sigma_clip(values: &[f64], sigma: f64, rounds: Option<usize>, centre: Centre) -> Clipped {
    let mut kept: Vec<bool> = values.iter().map(|v| !v.is_nan()).collect();
    let chosen =
        |kept: &[bool]| -> Vec<f64> { values.iter().zip(kept).filter(|(_, k)| **k).map(|(v, _)| *v).collect() };
    let mut round = 0;
    while rounds.is_none_or(|limit| round < limit) {
        let list = chosen(&kept);
        let (mean, std) = mean_and_std(&list);
        let middle = match centre {
            Centre::Mean => mean,
            Centre::Median => median(&list),
        };
        let mut changed = false;
        for (v, k) in values.iter().zip(&mut kept) {
            if *k && (*v - middle).abs() > sigma * std {
                *k = false;
                changed = true;
            }
        }
        if !changed {
            break;
        }
        round += 1;
    }
    let list = chosen(&kept);
    let (mean, std) = mean_and_std(&list);
    Clipped { kept, mean, median: median(&list), std }
}

/// Mean and population standard deviation.
pub fn mean_and_std(values: &[f64]) -> (f64, f64) {
    let kept = values.iter().filter(|v| !v.is_nan());
    let n = kept.clone().count() as f64;
    let mean = kept.clone().sum::<f64>() / n;
    let variance = kept.map(|v| (v - mean) * (v - mean)).sum::<f64>() / n;
    (mean, variance.sqrt())
}

/// Mean with weights; pairs with a NaN or a weight that is not positive are left out.
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> f64 {
    let (mut total, mut weight) = (0.0, 0.0);
    for (v, w) in values.iter().zip(weights) {
        if !v.is_nan() && *w > 0.0 {
            total += w * v;
            weight += w;
        }
    }
    total / weight
}

/// Percentile over a window of `window` values centred on each (fewer at the ends).
pub fn running_percentile(values: &[f64], window: usize, p: f64) -> Vec<f64> {
    let before = window.max(1) / 2;
    let after = window.max(1) - before;
    let mut sorted: Vec<f64> = Vec::new();
    let (mut start, mut end) = (0, 0);
    (0..values.len())
        .map(|i| {
            while end < (i + after).min(values.len()) {
                if !values[end].is_nan() {
                    let at = sorted.partition_point(|v| v.total_cmp(&values[end]).is_lt());
                    sorted.insert(at, values[end]);
                }
                end += 1;
            }
            while start < i.saturating_sub(before) {
                if !values[start].is_nan() {
                    let at = sorted.partition_point(|v| v.total_cmp(&values[start]).is_lt());
                    sorted.remove(at);
                }
                start += 1;
            }
            let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
            let at = p.clamp(0.0, 100.0) / 100.0 * last as f64;
            let below = libm::floor(at) as usize;
            let high = sorted[(below + 1).min(last)];
            sorted[below] + (high - sorted[below]) * (at - below as f64)
        })
        .collect()
}

/// A straight line `intercept + slope x`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Change per unit of x.
    pub slope: f64,
}

fn pairs(x: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    x.iter().copied().zip(y.iter().copied()).filter(|(a, b)| !a.is_nan() && !b.is_nan()).collect()
}

/// Least-squares line; `None` with fewer than two different x.
pub fn linear_fit(x: &[f64], y: &[f64]) -> Option<Line> {
    let points = pairs(x, y);
    let n = points.len() as f64;
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mx) * (p.0 - mx)).sum();
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if sxx.is_nan() || sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    Some(Line { intercept: my - slope * mx, slope })
}

/// Theil-Sen line: the median of the slopes of all pairs, and the intercept
/// `median(y) - slope median(x)` (Sen 1968, J. Am. Stat. Assoc. 63, 1379; scipy's rule).
/// Lists longer than 1000 are thinned evenly to bound the number of pairs.
pub fn theil_sen(x: &[f64], y: &[f64]) -> Option<Line> {
    let all = pairs(x, y);
    let thin = all.len().div_ceil(1000).max(1);
    let points: Vec<(f64, f64)> = all.into_iter().step_by(thin).collect();
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (i, a) in points.iter().enumerate() {
        for b in &points[i + 1..] {
            if a.0 != b.0 {
                slopes.push((b.1 - a.1) / (b.0 - a.0));
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    let slope = percentile_of(&mut slopes, 50.0);
    let mut xs: Vec<f64> = points.iter().map(|p| p.0).collect();
    let mut ys: Vec<f64> = points.iter().map(|p| p.1).collect();
    let intercept = percentile_of(&mut ys, 50.0) - slope * percentile_of(&mut xs, 50.0);
    Some(Line { intercept, slope })
}

/// Ranks from 1, ties sharing their mean rank.
pub fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut out = vec![0.0; values.len()];
    let mut start = 0;
    while start < order.len() {
        let mut end = start + 1;
        while end < order.len() && values[order[end]] == values[order[start]] {
            end += 1;
        }
        let rank = (start + end + 1) as f64 / 2.0;
        for &i in &order[start..end] {
            out[i] = rank;
        }
        start = end;
    }
    out
}

/// Spearman's rank correlation; NaN where either list is constant or shorter than two.
pub fn spearman(x: &[f64], y: &[f64]) -> f64 {
    let (a, b): (Vec<f64>, Vec<f64>) = pairs(x, y).into_iter().unzip();
    pearson(&ranks(&a), &ranks(&b))
}

/// Pearson's correlation; NaN where either list is constant or shorter than two.
pub fn pearson(x: &[f64], y: &[f64]) -> f64 {
    let points = pairs(x, y);
    let n = points.len() as f64;
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (a, b) in points {
        xx += (a - mx) * (a - mx);
        yy += (b - my) * (b - my);
        xy += (a - mx) * (b - my);
    }
    if xx > 0.0 && yy > 0.0 { xy / (xx * yy).sqrt() } else { f64::NAN }
}

#[cfg(test)]
mod tests;
