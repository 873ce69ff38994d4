//! Where panels lie against one another, and how bright they are.

use stillair_api::{Context, Fault, Image, Outcome};
use stillair_maths::fft::{Complex32, Fft2, frequency, good_size};
use stillair_maths::registration::{BandSet, NewtonScratch, newton_shift, whitening};
use stillair_maths::resample::{Kernel, Prepared, shift_window};
use stillair_maths::window::{apply, hann};

/// Peaks of the correlation that are looked at.
const PEAKS: usize = 12;
/// Rounds of refining a pair's place.
const REFINEMENTS: usize = 4;
/// Least overlap, of the smaller panel's area.
const LEAST_OVERLAP: f64 = 0.02;
/// Frequencies of the correlation, cycles per px: shading is left out, and noise.
const BAND: (f64, f64) = (0.01, 0.25);

/// Two panels that overlap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Number of the first panel.
    pub first: usize,
    /// Number of the second.
    pub second: usize,
    /// Place of the second's first pixel on the first, px.
    pub offset_px: [f64; 2],
    /// Correlation of the overlap.
    pub agreement: f64,
    /// Overlap, px.
    pub overlap: f64,
    /// Brightness of the first over the second where they overlap.
    pub ratio: f64,
}

fn green(image: &Image) -> &[f32] {
    image.channel(if image.channels == 3 { 1 } else { 0 })
}

/// Columns and rows of the first panel that the second covers when it lies at a whole-pixel offset.
fn overlap(a: &Image, b: &Image, [dx, dy]: [i64; 2]) -> Option<[usize; 4]> {
    let range = |offset: i64, first: usize, second: usize| {
        let from = offset.max(0);
        let to = (offset + second as i64).min(first as i64);
        (to > from).then_some((from as usize, to as usize))
    };
    let (x0, x1) = range(dx, a.width, b.width)?;
    let (y0, y1) = range(dy, a.height, b.height)?;
    let enough = ((x1 - x0) * (y1 - y0)) as f64 >= LEAST_OVERLAP * a.area().min(b.area()) as f64;
    (enough && x1 - x0 >= 16 && y1 - y0 >= 16).then_some([x0, x1, y0, y1])
}

/// Correlation of two panels' brightness where they overlap, and the ratio of their means.
fn agreement(a: &Image, b: &Image, offset: [i64; 2]) -> Option<(f64, f64, f64)> {
    let [x0, x1, y0, y1] = overlap(a, b, offset)?;
    let mut sums = [0.0_f64; 6];
    for y in y0..y1 {
        let from = &green(a)[y * a.width + x0..y * a.width + x1];
        let row = (y as i64 - offset[1]) as usize * b.width;
        let column = (x0 as i64 - offset[0]) as usize;
        let other = &green(b)[row + column..row + column + from.len()];
        for (p, q) in from.iter().zip(other) {
            let (p, q) = (f64::from(*p), f64::from(*q));
            for (sum, term) in sums.iter_mut().zip([1.0, p, q, p * p, q * q, p * q]) {
                *sum += term;
            }
        }
    }
    let [n, p, q, pp, qq, pq] = sums;
    let spread = ((pp / n - p * p / n / n) * (qq / n - q * q / n / n)).sqrt();
    let correlation = if spread > 0.0 { (pq / n - p * q / n / n) / spread } else { 0.0 };
    let ratio = if q > 0.0 && p > 0.0 { p / q } else { 1.0 };
    Some((correlation, n, ratio))
}

/// A panel's spectrum on a grid for both panels, its edges faded.
fn spectrum(image: &Image, plan: &Fft2) -> Vec<Complex32> {
    let fade = |n: usize| stillair_maths::window::taper(n, 0.2);
    let mut windowed = vec![0.0; image.area()];
    apply(green(image), &fade(image.width), &fade(image.height), &mut windowed);
    let mut padded = vec![0.0; plan.width() * plan.height()];
    for (to, from) in padded.chunks_exact_mut(plan.width()).zip(windowed.chunks_exact(image.width)) {
        to[..image.width].copy_from_slice(from);
    }
    let mut out = plan.spectrum();
    plan.forward(&padded, &mut out, &mut plan.scratch());
    out
}

/// The highest peaks of the correlation by phase: whole offsets of the second panel on the first.
fn peaks(a: &Image, b: &Image) -> Vec<[i64; 2]> {
    let plan = Fft2::new(good_size(a.width + b.width), good_size(a.height + b.height));
    let (first, second) = (spectrum(a, &plan), spectrum(b, &plan));
    let half = plan.half_width();
    let mut product = plan.spectrum();
    for (ky, row) in product.chunks_exact_mut(half).enumerate() {
        for (kx, value) in row.iter_mut().enumerate() {
            let radius = libm::hypot(frequency(kx, plan.width()), frequency(ky, plan.height()));
            if (BAND.0..=BAND.1).contains(&radius) {
                let i = ky * half + kx;
                let cross = first[i] * second[i].conj();
                let size = cross.norm();
                if size > 0.0 {
                    // Between correlation and phase: small overlaps drown in the first, noise in the second.
                    *value = cross / libm::powf(size, 0.75);
                }
            }
        }
    }
    let (w, h) = (plan.width(), plan.height());
    let mut surface = vec![0.0; w * h];
    plan.inverse(&mut product, &mut surface, &mut plan.scratch());
    let signed = |i: usize, n: usize, most: usize| if i < most { i as i64 } else { i as i64 - n as i64 };
    let mut found: Vec<(f32, [i64; 2])> = Vec::new();
    let at = |x: usize, y: usize| surface[(y % h) * w + x % w];
    for y in 0..h {
        for x in 0..w {
            let value = at(x, y);
            if found.len() == PEAKS && value <= found[PEAKS - 1].0 {
                continue;
            }
            let top = [(1, 0), (w - 1, 0), (0, 1), (0, h - 1)].iter().all(|(u, v)| value >= at(x + u, y + v));
            if top {
                let place = found.partition_point(|(v, _)| *v >= value);
                found.insert(place, (value, [signed(x, w, a.width), signed(y, h, a.height)]));
                found.truncate(PEAKS);
            }
        }
    }
    found.into_iter().map(|(_, offset)| offset).collect()
}

/// The offset to a fraction of a pixel, from the overlap alone.
fn refine(a: &Image, b: &Image, offset: [i64; 2]) -> Option<[f64; 2]> {
    let [x0, x1, y0, y1] = overlap(a, b, offset)?;
    let even = |n: usize| n - n % 2;
    let (w, h) = (even(x1 - x0), even(y1 - y0));
    let plan = Fft2::new(w, h);
    let bands = BandSet::new(w, h, 0.02, BAND.1);
    let mut prepared = Prepared::new(Kernel::CubicBSpline);
    let mut packed = |image: &Image, left: f64, top: f64| {
        let mut part = vec![0.0; w * h];
        shift_window(green(image), image.width, image.height, left, top, w, h, &mut prepared, &mut part);
        let mut windowed = vec![0.0; part.len()];
        apply(&part, &hann(w), &hann(h), &mut windowed);
        let mut out = plan.spectrum();
        plan.forward(&windowed, &mut out, &mut plan.scratch());
        bands.gather(&out)
    };
    let reference = packed(a, x0 as f64, y0 as f64);
    let weights = whitening(&bands, &reference, 0.5);
    let mut found = offset.map(|o| o as f64);
    // The window draws a shift towards none: taken out and measured again until none is left.
    for _ in 0..REFINEMENTS {
        let other = packed(b, x0 as f64 - found[0], y0 as f64 - found[1]);
        let fit = newton_shift(&bands, &other, &reference, &weights, (0.0, 0.0), 12, &mut NewtonScratch::default());
        // Content of the second displaced by d against the first: its first pixel lies d less far.
        found = [found[0] - fit.dx, found[1] - fit.dy];
        let far = libm::hypot(found[0] - offset[0] as f64, found[1] - offset[1] as f64);
        if fit.correlation <= 0.0 || far.is_nan() || far > 3.0 {
            return None;
        }
    }
    Some(found)
}

/// All pairs that overlap and agree.
///
/// # Errors
/// If the run was cancelled.
pub fn match_panels(context: &dyn Context, images: &[&Image], least: f64) -> Outcome<Vec<Pair>> {
    let mut pairs = Vec::new();
    for first in 0..images.len() {
        for second in first + 1..images.len() {
            if context.cancelled() {
                return Err(Fault::cancelled());
            }
            let (a, b) = (images[first], images[second]);
            let judged = peaks(a, b).into_iter().filter_map(|o| agreement(a, b, o).map(|found| (o, found)));
            // A large overlap that agrees as well says more than a small one.
            let value = |(c, n, _): &(f64, f64, f64)| c * libm::sqrt((n / (n + 2000.0)).min(1.0));
            let best = judged.max_by(|p, q| value(&p.1).total_cmp(&value(&q.1)));
            let Some((offset, (correlation, overlap, ratio))) = best.filter(|(_, f)| f.0 >= least) else { continue };
            let offset_px = refine(a, b, offset).unwrap_or([offset[0] as f64, offset[1] as f64]);
            pairs.push(Pair { first, second, offset_px, agreement: correlation, overlap, ratio });
        }
    }
    Ok(pairs)
}

/// Values of `count` panels from weighted differences `value[second] - value[first]`, the first panel's being 0, by
/// least squares; `None` for panels that no chain of pairs joins to the first.
fn settle(count: usize, differences: &[(usize, usize, f64, f64)]) -> Vec<Option<f64>> {
    let mut values: Vec<Option<f64>> = vec![None; count];
    if let Some(first) = values.first_mut() {
        *first = Some(0.0);
    }
    // A first guess along chains, then Gauss-Seidel.
    for _ in 0..count {
        for (first, second, difference, _) in differences {
            match (values[*first], values[*second]) {
                (Some(v), None) => values[*second] = Some(v + difference),
                (None, Some(v)) => values[*first] = Some(v - difference),
                _ => {}
            }
        }
    }
    for _ in 0..500 {
        for panel in 1..count {
            let (mut sum, mut weight) = (0.0, 0.0);
            for (first, second, difference, w) in differences {
                let told = match () {
                    () if *first == panel => values[*second].map(|v| v - difference),
                    () if *second == panel => values[*first].map(|v| v + difference),
                    () => None,
                };
                if let Some(told) = told {
                    sum += w * told;
                    weight += w;
                }
            }
            if weight > 0.0 {
                values[panel] = Some(sum / weight);
            }
        }
    }
    values
}

/// Places of the panels' first pixels, from that of the first panel.
///
/// # Errors
/// If a panel overlaps none that is joined to the first.
pub fn places(count: usize, pairs: &[Pair]) -> Outcome<Vec<[f64; 2]>> {
    let along = |k: usize| {
        let differences: Vec<_> = pairs.iter().map(|p| (p.first, p.second, p.offset_px[k], p.overlap)).collect();
        settle(count, &differences)
    };
    let (x, y) = (along(0), along(1));
    let lost: Vec<String> = (0..count).filter(|i| x[*i].is_none()).map(|i| (i + 1).to_string()).collect();
    if !lost.is_empty() {
        return Err(Fault::data(format!("panel {} matches no other that is joined to panel 1", lost.join(", ")))
            .remedy("take panels that overlap by a tenth and more, or leave that clip out"));
    }
    Ok(x.into_iter().zip(y).map(|(x, y)| [x.unwrap_or(0.0), y.unwrap_or(0.0)]).collect())
}

/// Factors that make the panels equally bright where they overlap; their logarithms' mean is 0.
pub fn levels(count: usize, pairs: &[Pair]) -> Vec<f64> {
    let differences: Vec<_> = pairs.iter().map(|p| (p.first, p.second, libm::log(p.ratio), p.overlap)).collect();
    let logs: Vec<f64> = settle(count, &differences).into_iter().map(|v| v.unwrap_or(0.0)).collect();
    let mean = logs.iter().sum::<f64>() / count.max(1) as f64;
    logs.iter().map(|l| libm::exp(l - mean)).collect()
}
