//! The trailer of frame times: read, and believed only as far as it is plausible; and where their pace changes.

use std::sync::Arc;

use stillair_api::{Outcome, TimesOrigin};

use super::header::{HEADER_BYTES, Header};
use crate::file::ClipFile;

/// Ticks of 100 ns from the year 1 to 1970 (the .NET tick count of the Unix epoch).
const UNIX_EPOCH_TICKS: i64 = 621_355_968_000_000_000;

/// Ticks of a second.
const TICKS_PER_S: f64 = 1e7;

/// Ticks of 230 years: stamps from 1970 up to the year 2200 are plausible.
const PLAUSIBLE_TICKS: i64 = 72_582_912_000_000_000;

/// A clip is at most this long, s: stamps further apart are not times of its frames.
const LONGEST_S: f64 = 7.0 * 86_400.0;

/// Times of a clip's frames.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Times {
    /// Seconds from the first frame, NaN where unknown.
    pub(crate) time_s: Arc<[f64]>,
    /// UTC of the first frame, ns since 1970.
    pub(crate) start_unix_ns: Option<i64>,
    /// Where they come from.
    pub(crate) origin: TimesOrigin,
}

/// Frames that a pace is judged by, on either side of a change.
const PACE_FRAMES: usize = 24;

/// A pace that changes by less than this share is the clock's wander (own choice, no source).
const PACE_CHANGE: f64 = 0.1;

/// The median of some numbers.
fn median(numbers: &[f64]) -> f64 {
    let mut sorted = numbers.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// Half of the steps deviate from `middle` by less than this share of it.
fn wander(steps: &[f64], middle: f64) -> f64 {
    median(&steps.iter().map(|step| (step - middle).abs()).collect::<Vec<_>>()) / middle
}

/// Where the time from frame to frame changes for good, as after a change of the exposure: the first frame of the new
/// pace, the median steps before and behind it, s, and how many more such places there are. Blocks of steps are compared
/// by their medians, so that lost frames and single late ones do not count; steps that wander by as much as they change
/// say nothing.
fn change_of_pace(time_s: &[f64]) -> Option<(usize, [f64; 2], usize)> {
    let steps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let blocks: Vec<&[f64]> = steps.chunks_exact(PACE_FRAMES).collect();
    let steady = |block: &[f64]| {
        let middle = median(block);
        (middle > 0.0 && block.iter().all(|step| step.is_finite()) && wander(block, middle) < PACE_CHANGE / 3.0)
            .then_some(middle)
    };
    let paces: Vec<Option<f64>> = blocks.iter().map(|block| steady(block)).collect();
    let (mut found, mut more, mut at) = (None, 0, 0);
    while at + 1 < paces.len() {
        // The change may lie within a block, which is then skipped.
        let change = [1, 2].into_iter().find_map(|ahead| {
            let (before, behind) = (paces[at]?, (*paces.get(at + ahead)?)?);
            ((behind / before - 1.0).abs() > PACE_CHANGE).then_some((ahead, before, behind))
        });
        let Some((ahead, before, behind)) = change else {
            at += 1;
            continue;
        };
        let middle = (before + behind) / 2.0;
        let range = at * PACE_FRAMES..((at + ahead + 1) * PACE_FRAMES).min(steps.len());
        // The split with the fewest steps on the wrong side.
        let wrong = |step: f64| i64::from((step > middle) == (behind > before));
        let (mut cost, mut best) = (0, (0, range.start));
        for i in range {
            cost += 2 * wrong(steps[i]) - 1;
            if cost < best.0 {
                best = (cost, i + 1);
            }
        }
        match found {
            None => found = Some((best.1, [before, behind])),
            Some(_) => more += 1,
        }
        at += ahead;
    }
    found.map(|(step, paces)| (step, paces, more))
}

/// A change of pace in words.
pub(crate) fn pace_warning(time_s: &[f64]) -> Option<String> {
    let (frame, [before, behind], more) = change_of_pace(time_s)?;
    let more = if more > 0 { format!(" (and {more} more such changes)") } else { String::new() };
    Some(format!(
        "from frame {frame} on frames come every {:.4} ms instead of every {:.4} ms{more}: the exposure or the frame rate \
         was changed in mid-clip, or the computer could not keep up; capture with fixed settings",
        1e3 * behind,
        1e3 * before
    ))
}

/// Whether ticks lie between 1970 and 2200.
pub(crate) fn plausible(ticks: i64) -> bool {
    (1..PLAUSIBLE_TICKS).contains(&ticks.saturating_sub(UNIX_EPOCH_TICKS))
}

/// UTC in ns since 1970 of plausible ticks.
fn unix_ns(ticks: i64) -> Option<i64> {
    plausible(ticks).then(|| (ticks - UNIX_EPOCH_TICKS) * 100)
}

/// Reads the trailer of a clip.
pub(crate) fn read(file: &ClipFile, header: &Header, notes: &mut Vec<String>) -> Outcome<Times> {
    let end = HEADER_BYTES + header.frame_bytes * header.frames as u64;
    let left = file.len() - end;
    let stamps: Vec<i64> = if header.recovered || left < 8 {
        Vec::new()
    } else {
        let bytes = file.read_upto(end, header.frames * 8)?;
        let (whole, _) = bytes.as_chunks::<8>();
        whole.iter().map(|b| i64::from_le_bytes(*b)).collect()
    };
    Ok(judge(&stamps, header.frames, unix_ns(header.utc_ticks), notes))
}

/// Turns the stamps that were found into times, with notes on what is odd.
fn judge(stamps: &[i64], frames: usize, header_start: Option<i64>, notes: &mut Vec<String>) -> Times {
    let absent =
        || Times { time_s: vec![f64::NAN; frames].into(), start_unix_ns: header_start, origin: TimesOrigin::Absent };
    let Some(&first) = stamps.first() else {
        notes.push("the clip has no frame times".into());
        return absent();
    };
    let seconds = |ticks: i64| ticks.wrapping_sub(first) as f64 / TICKS_PER_S;
    if !stamps.iter().all(|t| plausible(*t) && seconds(*t).abs() <= LONGEST_S) {
        notes.push(
            "what follows the frames is not a list of frame times (its numbers are no plausible dates): frame times are \
             unknown; the header may state too few frames"
                .into(),
        );
        return absent();
    }
    if stamps.len() > 1 && stamps.iter().all(|t| *t == first) {
        notes.push("all frame times are the same: frame times are unknown".into());
        return Times { start_unix_ns: unix_ns(first), ..absent() };
    }
    let backwards = stamps.windows(2).filter(|pair| pair[1] < pair[0]).count();
    let repeated = stamps.windows(2).filter(|pair| pair[1] == pair[0]).count();
    if backwards * 100 > stamps.len() {
        notes.push(format!(
            "frame times run backwards {backwards} times: the clock was not steady, and frame times are unknown"
        ));
        let earliest = stamps.iter().min().copied().unwrap_or(first);
        return Times { start_unix_ns: unix_ns(earliest), ..absent() };
    }
    let mut time_s = vec![f64::NAN; frames];
    let (mut latest, mut behind) = (0.0, 0usize);
    for (time, stamp) in time_s.iter_mut().zip(stamps) {
        let now = seconds(*stamp);
        if now < latest {
            behind += 1;
        } else {
            *time = now;
            latest = now;
        }
    }
    if backwards > 0 {
        notes.push(format!(
            "frame times run backwards {backwards} times; the times of {behind} frames that lie behind an earlier one \
             are unknown"
        ));
    }
    if repeated * 20 > stamps.len() {
        notes.push(format!(
            "{repeated} frame times repeat the one before: the clock is coarse, or frames were written twice"
        ));
    }
    if stamps.len() < frames {
        notes.push(format!(
            "the list of frame times is cut short: the times of the last {} of {frames} frames are unknown",
            frames - stamps.len()
        ));
    }
    Times { time_s: time_s.into(), start_unix_ns: unix_ns(first), origin: TimesOrigin::Stamps }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: i64 = 637_650_162_000_000_000;

    fn judged(stamps: &[i64]) -> (Times, Vec<String>) {
        let mut notes = Vec::new();
        (judge(stamps, 200, None, &mut notes), notes)
    }

    #[test]
    fn ticks_become_utc() {
        // 2021-08-20T00:30:00Z is 1629419400 s after 1970 (Python datetime).
        assert_eq!(unix_ns(START), Some(1_629_419_400_000_000_000));
        assert_eq!(unix_ns(UNIX_EPOCH_TICKS), None);
        assert_eq!(unix_ns(i64::MIN), None);
    }

    #[test]
    fn steady_times_are_kept_without_a_word() {
        let stamps: Vec<i64> = (0..200).map(|i| START + i * 100_000).collect();
        let (times, notes) = judged(&stamps);
        assert_eq!(times.time_s[199], 1.99);
        assert!(notes.is_empty(), "{notes:?}");
    }

    #[test]
    fn one_step_back_costs_only_the_frames_behind() {
        let stamps: Vec<i64> = (0..200).map(|i| START + i * 100_000 - if i == 50 { 150_000 } else { 0 }).collect();
        let (times, notes) = judged(&stamps);
        assert_eq!(times.origin, TimesOrigin::Stamps);
        assert_eq!(times.time_s.iter().filter(|t| t.is_nan()).count(), 1);
        assert!(notes[0].contains("backwards 1 times"), "{notes:?}");
    }

    #[test]
    fn constant_backward_and_absurd_times_are_not_believed() {
        let backward: Vec<i64> = (0..200).map(|i| START - i * 100_000).collect();
        for (stamps, word) in [
            (vec![START; 200], "the same"),
            (backward, "backwards"),
            ((0..200).map(|i| i * 7).collect(), "plausible"),
            ((0..200).map(|i| START + i * 864_000_000_000).collect(), "plausible"),
        ] {
            let (times, notes) = judged(&stamps);
            assert_eq!(times.origin, TimesOrigin::Absent);
            assert!(times.time_s.iter().all(|t| t.is_nan()));
            assert!(notes[0].contains(word), "{notes:?}");
        }
    }

    /// Times by steps of some ms, with the jitter of a computer's clock and a lost frame now and then.
    fn paced(steps_ms: impl Iterator<Item = f64>) -> Vec<f64> {
        let mut time = 0.0;
        let jitter = |i: usize| ((i * 7919) % 101) as f64 / 101.0 * 0.2 - 0.1;
        steps_ms
            .enumerate()
            .map(|(i, step)| {
                let now: f64 = time + jitter(i) * 1e-3;
                time += step * if i % 37 == 36 { 2e-3 } else { 1e-3 };
                now
            })
            .collect()
    }

    #[test]
    fn a_change_of_pace_is_told_with_its_frame() {
        for change in [30usize, 100, 118, 170] {
            let times = paced((0..200).map(|i| if i < change { 10.0 } else { 14.0 }));
            let (frame, [before, behind], more) = change_of_pace(&times).expect("a change");
            // The step from frame n to n + 1 is the first long one: the frame behind it is the first of the new pace.
            assert!(frame.abs_diff(change) <= 1, "{frame} {change}");
            assert!((before - 0.01).abs() < 3e-4 && (behind - 0.014).abs() < 3e-4 && more == 0, "{before} {behind}");
        }
        let words = pace_warning(&paced((0..300).map(|i| if (100..200).contains(&i) { 5.0 } else { 10.0 })));
        let words = words.expect("a change");
        assert!(words.contains("instead of every 10.0") && words.contains("(and 1 more such changes)"), "{words}");
    }

    #[test]
    fn a_steady_slow_or_erratic_pace_is_not_a_change() {
        assert_eq!(change_of_pace(&paced((0..500).map(|_| 10.0))), None);
        // Drifts by 8 % over the clip.
        assert_eq!(change_of_pace(&paced((0..500).map(|i| 10.0 + 0.0016 * f64::from(i)))), None);
        // Every step another.
        assert_eq!(change_of_pace(&paced((0..500).map(|i| 5.0 + f64::from((i * 7919) % 100) / 10.0))), None);
        assert_eq!(change_of_pace(&[f64::NAN; 300]), None);
        assert_eq!(change_of_pace(&[0.0, 1.0]), None);
    }

    #[test]
    fn coarse_clocks_are_said() {
        let stamps: Vec<i64> = (0..200).map(|i| START + (i / 2) * 160_000).collect();
        let (times, notes) = judged(&stamps);
        assert_eq!(times.origin, TimesOrigin::Stamps);
        assert!(notes[0].contains("repeat"), "{notes:?}");
    }
}
