//! The trailer of frame times: read, and believed only as far as it is plausible.

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

    #[test]
    fn coarse_clocks_are_said() {
        let stamps: Vec<i64> = (0..200).map(|i| START + (i / 2) * 160_000).collect();
        let (times, notes) = judged(&stamps);
        assert_eq!(times.origin, TimesOrigin::Stamps);
        assert!(notes[0].contains("repeat"), "{notes:?}");
    }
}
