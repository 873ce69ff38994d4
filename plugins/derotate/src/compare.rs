//! Pictures carried to one instant, compared: how sharp and how noisy each is, where each belongs to a fraction of a pixel,
//! and what stands in one alone.

use stillair_maths::border::Border;
use stillair_maths::filters::{gaussian, gradient};
use stillair_maths::fit::least_squares;
use stillair_maths::robust::{median, percentile};

/// A plane of the common canvas with the weight of each pixel.
#[derive(Clone)]
pub struct Seen {
    /// Samples.
    pub data: Vec<f32>,
    /// Weights.
    pub weight: Vec<f32>,
}

/// A picture blurred by a Gaussian.
pub fn blurred(data: &[f32], width: usize, height: usize, sigma_px: f64) -> Vec<f32> {
    let mut out = vec![0.0; data.len()];
    gaussian(data, width, height, sigma_px, Border::Nearest, &mut out, &mut Vec::new());
    out
}

/// Shift (x, y) in px and factor of brightness by which `reference` becomes `moving`, by least squares on the gradients.
/// `None` where there is nothing to hold on to.
pub fn offset(reference: &[f32], moving: &[f32], weight: &[f32], width: usize, height: usize) -> Option<[f64; 3]> {
    let (reference, moving) = (blurred(reference, width, height, 1.2), blurred(moving, width, height, 1.2));
    let (mut gx, mut gy) = (vec![0.0; reference.len()], vec![0.0; reference.len()]);
    gradient(&reference, width, height, &mut gx, &mut gy);
    let inside = |at: usize| {
        let (x, y) = (at % width, at / width);
        (4..width.saturating_sub(4)).contains(&x) && (4..height.saturating_sub(4)).contains(&y) && weight[at] > 0.5
    };
    let rows = (0..reference.len()).filter(|&at| inside(at)).map(|at| {
        // moving(p) = gain * reference(p - shift)
        let row = [-f64::from(gx[at]), -f64::from(gy[at]), f64::from(reference[at]), 1.0];
        (row, f64::from(moving[at]), 1.0)
    });
    let [x, y, gain, _] = least_squares(rows)?;
    (gain > 0.1).then(|| [x / gain, y / gain, gain])
}

/// What a picture shows between about 2 and 8 px.
fn band(data: &[f32], width: usize, height: usize) -> Vec<f32> {
    let (fine, coarse) = (blurred(data, width, height, 1.0), blurred(data, width, height, 3.0));
    fine.iter().zip(&coarse).map(|(a, b)| a - b).collect()
}

/// Contrast of `one` against `others`, in the band of detail, where `on` is set.
pub fn contrast(one: &[f32], others: &[f32], on: &[bool], width: usize, height: usize) -> f64 {
    let (a, b) = (band(one, width, height), band(others, width, height));
    let (mut cross, mut power) = (0.0, 0.0);
    for ((a, b), on) in a.iter().zip(&b).zip(on) {
        if *on {
            cross += f64::from(a * b);
            power += f64::from(b * b);
        }
    }
    if power > 0.0 { cross / power } else { 1.0 }
}

/// Variance of the noise of a picture from its two halves, where `on` is set.
pub fn noise_variance(halves: [&[f32]; 2], on: &[bool]) -> f64 {
    let (mut sum, mut squares, mut n) = (0.0, 0.0, 0.0);
    for ((a, b), on) in halves[0].iter().zip(halves[1]).zip(on) {
        if *on {
            let d = f64::from(a - b);
            sum += d;
            squares += d * d;
            n += 1.0;
        }
    }
    // Half the difference has the noise of the mean.
    if n > 1.0 { 0.25 * (squares / n - (sum / n) * (sum / n)).max(0.0) } else { f64::NAN }
}

/// How many times the expected scatter a place must stand out.
const STANDS_OUT: f64 = 6.0;

/// Misplacement that is always reckoned with, px.
const MISPLACED_PX: f64 = 0.35;

/// What sharper seeing may add to the difference of the picture from its own blur.
const SHARPER: f64 = 0.35;

/// What seeing may add to the light beside the disc, or take from it, as a share of it: so that six times as much is told
/// apart on simulated clips of strong seeing.
const HALO: f64 = 0.25;

/// Fewest pixels of a place that stands out.
const LEAST_PX: usize = 5;

/// Share of the pixels, percent, that no moons or shadows fill, and how many times further than these a place must stand
/// out: six standard deviations of noise, of which 98 % lie within 2.33.
const USUAL: (f64, f64) = (98.0, STANDS_OUT / 2.33);

/// A difference that is wider than this is no moon's: width of a Gaussian as a share of the radius of what is bright. The
/// largest shadow on Jupiter has a radius of 0.04 (Ganymede's, by the radii of both bodies).
const WIDE: f64 = 0.09;

/// A place that stands in one picture alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stranger {
    /// Which picture.
    pub which: usize,
    /// Its middle, px of the canvas.
    pub at_px: [f64; 2],
    /// Pixels of it.
    pub area_px: usize,
    /// How many times its usual scatter it stands out at most.
    pub times: f64,
}

/// What stands in one picture alone: for each picture the pixels to leave out, and the places. `keeper` is the picture
/// whose own moons and shadows stay; where it stands out, all others are left out.
pub fn strangers(
    seen: &[Seen],
    keeper: usize,
    width: usize,
    height: usize,
    grow_px: f64,
) -> (Vec<Vec<bool>>, Vec<Stranger>) {
    let area = width * height;
    let smooth: Vec<Vec<f32>> = seen.iter().map(|s| blurred(&s.data, width, height, 1.0)).collect();
    let mut values = Vec::with_capacity(seen.len());
    // The difference of each picture from the median of the others.
    let mut off = vec![vec![0.0_f32; area]; seen.len()];
    let mut middle = vec![0.0_f32; area];
    for at in 0..area {
        for (own, off) in off.iter_mut().enumerate() {
            if seen[own].weight[at] < 0.3 {
                continue;
            }
            values.clear();
            values.extend(
                (0..seen.len()).filter(|&i| i != own && seen[i].weight[at] > 0.3).map(|i| f64::from(smooth[i][at])),
            );
            if !values.is_empty() {
                off[at] = smooth[own][at] - median(&values) as f32;
            }
        }
        values.clear();
        values.extend(smooth.iter().map(|s| f64::from(s[at])));
        middle[at] = median(&values) as f32;
    }
    let (mut gx, mut gy) = (vec![0.0; area], vec![0.0; area]);
    gradient(&middle, width, height, &mut gx, &mut gy);
    let soft = blurred(&middle, width, height, 2.5);
    let slope: Vec<f32> = gx.iter().zip(&gy).map(|(x, y)| (x * x + y * y).sqrt()).collect();
    let high = percentile(&middle.iter().map(|v| f64::from(*v)).collect::<Vec<_>>(), 99.0);
    let lit = middle.iter().filter(|v| f64::from(**v) > 0.2 * high).count() as f64;
    let wide_px = WIDE * (lit / std::f64::consts::PI).sqrt().max(4.0 / WIDE);
    // Stacks differ in the halo of their seeing, most of all beside the limb, and nothing of that is small. What is left is
    // no larger than the difference itself: about a bright moon there is no dark ring.
    for off in &mut off {
        let wide = blurred(off, width, height, wide_px);
        for (own, wide) in off.iter_mut().zip(wide).filter(|(own, _)| **own != 0.0) {
            let narrow = *own - wide;
            *own = if *own * narrow > 0.0 { own.abs().min(narrow.abs()).copysign(narrow) } else { 1e-3 * narrow };
        }
    }
    let mut masks = vec![vec![false; area]; seen.len()];
    let mut found = Vec::new();
    let marks: Vec<Vec<f64>> = off
        .iter()
        .map(|off| {
            // Scatter where the picture is level, apart for sky and disc, and what it adds at edges.
            let part = |bright: bool| {
                let level: Vec<f64> = (0..area)
                    .filter(|&i| (f64::from(middle[i]) > 0.2 * high) == bright && off[i] != 0.0)
                    .map(|i| f64::from(off[i].abs()))
                    .collect();
                if level.is_empty() { f64::INFINITY } else { 1.4826 * median(&level) }
            };
            let scatter = [part(false), part(true)];
            let bright = |i: usize| usize::from(f64::from(middle[i]) > 0.2 * high);
            let stands_out: Vec<f64> = (0..area)
                .map(|i| {
                    let level = scatter[bright(i)];
                    let edge = MISPLACED_PX * f64::from(slope[i]);
                    let fine = SHARPER * f64::from(middle[i] - soft[i]);
                    let halo = HALO * f64::from(middle[i]) * (1 - bright(i)) as f64;
                    let sigma = (level * level + edge * edge + fine * fine + halo * halo).sqrt().max(1e-3 * high);
                    f64::from(off[i].abs()) / sigma
                })
                .collect();
            // Poor seeing moves and blurs parts of a stack by more than noise tells: what is usual there is no stranger.
            let limits = [0, 1].map(|part| {
                let own = (0..area).filter(|&i| bright(i) == part && off[i] != 0.0);
                let usual = percentile(&own.map(|i| stands_out[i]).collect::<Vec<_>>(), USUAL.0);
                if usual.is_finite() { STANDS_OUT.max(USUAL.1 * usual) } else { STANDS_OUT }
            });
            (0..area).map(|i| if stands_out[i] > limits[bright(i)] { stands_out[i] } else { 0.0 }).collect()
        })
        .collect();
    for own in 0..seen.len() {
        let marked: Vec<bool> = marks[own].iter().map(|times| *times > 0.0).collect();
        for place in areas(&marked, width, height).into_iter().filter(|p| p.len() >= LEAST_PX) {
            let total = |which: usize| place.iter().map(|&i| f64::from(off[which][i].abs())).sum::<f64>();
            // With others that stand out at the same place, the one that does so most is the stranger; of two pictures, the
            // one that differs more from its own surroundings.
            let rival = (0..seen.len()).filter(|&i| i != own).map(|i| (i, total(i))).max_by(|a, b| a.1.total_cmp(&b.1));
            if let Some((other, strength)) = rival {
                let own_strength = total(own);
                let even = (own_strength - strength).abs() < 0.2 * own_strength;
                let stranger = if even {
                    surroundings(&smooth[own], &place, width, height)
                        > surroundings(&smooth[other], &place, width, height)
                } else {
                    own_strength > strength
                };
                if !stranger {
                    continue;
                }
            }
            let mean =
                |of: &dyn Fn(usize) -> usize| place.iter().map(|&i| of(i) as f64).sum::<f64>() / place.len() as f64;
            found.push(Stranger {
                which: own,
                at_px: [mean(&|i| i % width), mean(&|i| i / width)],
                area_px: place.len(),
                times: place.iter().map(|&i| marks[own][i]).fold(0.0, f64::max),
            });
            let grown = grow(&place, width, height, grow_px);
            for (which, mask) in masks.iter_mut().enumerate() {
                if (own == keeper) != (which == own) {
                    for &at in &grown {
                        mask[at] = true;
                    }
                }
            }
        }
    }
    (masks, found)
}

/// How far the mean of a place lies from that of the ring about it.
fn surroundings(data: &[f32], place: &[usize], width: usize, height: usize) -> f64 {
    let mean = |of: &[usize]| of.iter().map(|&i| f64::from(data[i])).sum::<f64>() / of.len().max(1) as f64;
    let inner: std::collections::BTreeSet<usize> = grow(place, width, height, 2.0).into_iter().collect();
    let ring: Vec<usize> = grow(place, width, height, 5.0).into_iter().filter(|i| !inner.contains(i)).collect();
    (mean(place) - mean(&ring)).abs()
}

/// Connected areas of marked pixels, diagonals included.
fn areas(marks: &[bool], width: usize, height: usize) -> Vec<Vec<usize>> {
    let mut seen = vec![false; marks.len()];
    let mut all = Vec::new();
    for start in 0..marks.len() {
        if !marks[start] || seen[start] {
            continue;
        }
        let (mut area, mut open) = (Vec::new(), vec![start]);
        seen[start] = true;
        while let Some(at) = open.pop() {
            area.push(at);
            let (x, y) = (at % width, at / width);
            for v in y.saturating_sub(1)..(y + 2).min(height) {
                for u in x.saturating_sub(1)..(x + 2).min(width) {
                    let next = v * width + u;
                    if marks[next] && !seen[next] {
                        seen[next] = true;
                        open.push(next);
                    }
                }
            }
        }
        area.sort_unstable();
        all.push(area);
    }
    all
}

/// All pixels within a distance of an area.
fn grow(place: &[usize], width: usize, height: usize, reach_px: f64) -> Vec<usize> {
    let reach = reach_px.ceil() as isize;
    let mut all = std::collections::BTreeSet::new();
    for &at in place {
        let (x, y) = ((at % width) as isize, (at / width) as isize);
        for v in -reach..=reach {
            for u in -reach..=reach {
                let near = (u * u + v * v) as f64 <= reach_px * reach_px;
                let (px, py) = (x + u, y + v);
                if near && (0..width as isize).contains(&px) && (0..height as isize).contains(&py) {
                    all.insert(py as usize * width + px as usize);
                }
            }
        }
    }
    all.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A smooth hill with a wave (made up).
    fn scene(x: f64, y: f64) -> f32 {
        let hill = libm::exp(-((x - 30.0).powi(2) + (y - 28.0).powi(2)) / 200.0);
        (hill * (1.0 + 0.2 * libm::sin(0.7 * x) * libm::cos(0.5 * y))) as f32
    }

    #[test]
    fn a_shift_and_a_factor_are_found() {
        let draw = |dx: f64, dy: f64, gain: f32| -> Vec<f32> {
            (0..64 * 60).map(|i| gain * scene((i % 64) as f64 - dx, (i / 64) as f64 - dy)).collect()
        };
        let [x, y, gain] = offset(&draw(0.0, 0.0, 1.0), &draw(0.3, -0.2, 1.3), &[1.0; 64 * 60], 64, 60).unwrap();
        assert!((x - 0.3).abs() < 0.02 && (y + 0.2).abs() < 0.02 && (gain - 1.3).abs() < 0.02, "{x} {y} {gain}");
    }

    #[test]
    fn halves_that_differ_by_noise_tell_its_variance() {
        // The difference of two halves of variance 2 s^2 each has 4 s^2: a quarter is the variance of the mean (textbook).
        let a: Vec<f32> = (0..1000).map(|i| if i % 2 == 0 { 0.2 } else { -0.2 }).collect();
        let b = vec![0.0; 1000];
        assert!((noise_variance([&a, &b], &[true; 1000]) - 0.01).abs() < 1e-6);
    }
}
