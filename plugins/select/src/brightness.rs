//! Finds where the target's brightness changes from one frame to the next and stays so: another exposure or gain in
//! mid-clip.
//!
//! The logarithms of the flux of the frames before and behind a place are compared by their medians. A change counts if
//! it exceeds 10 % and 8 sigma of both sides (1.48 median absolute deviations), and if most of it happens between two
//! neighbouring frames: clouds come over several. Own method; limits from own simulation.

use stillair_maths::robust::{MAD_TO_SIGMA, mad, median};

/// Frames on either side.
const SIDE: usize = 8;
/// Least change of the logarithm.
const LEAST: f64 = 0.095;
/// Least change in sigmas of either side.
const SIGMAS: f64 = 8.0;
/// Share of the change that must fall between two neighbouring frames.
const SHARP: f64 = 0.7;

/// The first frame of each new brightness, and the new over the old brightness.
fn steps(flux: &[f64]) -> Vec<(usize, f64)> {
    let known: Vec<(usize, f64)> =
        flux.iter().enumerate().filter(|(_, f)| **f > 0.0).map(|(i, f)| (i, libm::log(*f))).collect();
    let values: Vec<f64> = known.iter().map(|(_, value)| *value).collect();
    let mut found: Vec<(usize, f64)> = Vec::new();
    let mut at = SIDE;
    while at + SIDE <= values.len() {
        let step = values[at] - values[at - 1];
        if step.abs() > SHARP * LEAST {
            let (before, behind) = (&values[at - SIDE..at], &values[at..at + SIDE]);
            let change = median(behind) - median(before);
            let sigma = MAD_TO_SIGMA * mad(before).max(mad(behind));
            if change.abs() > LEAST.max(SIGMAS * sigma) && step / change > SHARP {
                found.push((known[at].0, libm::exp(change)));
                at += SIDE;
                continue;
            }
        }
        at += 1;
    }
    found
}

/// What is to be said of the flux of a clip's frames (NaN = unknown).
pub(crate) fn step_warning(flux: &[f64]) -> Option<String> {
    let steps = steps(flux);
    let (frame, ratio) = steps.first()?;
    let more = if steps.len() > 1 { format!(" (and {} more such steps)", steps.len() - 1) } else { String::new() };
    Some(format!(
        "from frame {frame} on the target is {ratio:.2} times as bright as before{more}: the exposure or the gain was \
         changed in mid-clip, or something came in between; capture with fixed settings"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A flux that wanders by 2 % and jumps to `ratio` at `change`.
    fn clip(n: usize, change: usize, ratio: f64) -> Vec<f64> {
        let noise = |i: usize| 1.0 + 0.02 * (((i * 7919) % 1009) as f64 / 504.5 - 1.0);
        (0..n).map(|i| 1500.0 * noise(i) * if i >= change { ratio } else { 1.0 }).collect()
    }

    #[test]
    fn another_exposure_is_told_with_its_frame() {
        for (change, ratio) in [(30, 1.4), (8, 0.5), (52, 1.2), (30, 0.8)] {
            let found = steps(&clip(60, change, ratio));
            assert_eq!(found.len(), 1, "{found:?}");
            assert_eq!(found[0].0, change);
            assert!((found[0].1 / ratio - 1.0).abs() < 0.03, "{found:?}");
        }
        let mut lost = clip(60, 30, 1.4);
        lost[29..31].fill(f64::NAN);
        let words = step_warning(&lost).expect("a step");
        assert!(words.starts_with("from frame 31 on the target is 1."), "{words}");
    }

    #[test]
    fn clouds_gusts_and_noise_are_not_another_exposure() {
        assert_eq!(step_warning(&clip(200, 0, 1.0)), None);
        // A cloud that comes within ten frames and goes again.
        let cloud = |i: usize| 1.0 - 0.5 * (1.0 - ((i as f64 - 100.0) / 20.0).abs()).clamp(0.0, 0.5) * 2.0;
        let clouded: Vec<f64> = clip(200, 0, 1.0).iter().enumerate().map(|(i, f)| f * cloud(i)).collect();
        assert_eq!(step_warning(&clouded), None);
        // Single odd frames.
        let mut odd = clip(200, 0, 1.0);
        (0..200).step_by(13).for_each(|i| odd[i] *= 0.6);
        assert_eq!(step_warning(&odd), None);
        assert_eq!(step_warning(&[]), None);
        assert_eq!(step_warning(&[f64::NAN; 50]), None);
    }
}
