//! Whether a clip lies behind a colour mosaic, and whether its stated phase can be true.
//!
//! Each 2x2 cell of a colour mosaic has its two greens on one diagonal, red and blue on the other. Of a coloured
//! target the greens agree where red and blue do not. Each sample is held against the mean of its four diagonal
//! neighbours (the other site of its diagonal; a linear gradient cancels), with the sign of its site; sums over blocks
//! of 16x16 px beat down the noise. Likewise each sample against its four direct neighbours tells the two diagonals
//! apart. Own method, no source. Red and blue can only be guessed, since both orders fit: most targets and sensors
//! give more red than blue.

use stillair_api::{FrameReader, Layout, Outcome, Pattern, Region};

use crate::options::Options;
use crate::stored::few;

/// Side of a block, px.
const BLOCK_PX: usize = 16;

/// Rows beyond this are not looked at, to bound the time it takes to open a clip.
const MOST_PX: usize = 1 << 20;

/// One diagonal must agree better than the other by this factor before a stated pattern is doubted.
const DOUBT_RATIO: f64 = 2.0;

/// Differences below this share of the light are rounding or unevenness, and say nothing.
const LEAST_SHARE: f64 = 0.01;

/// Fewer samples than this say nothing.
const LEAST_SAMPLES: usize = 1024;

/// A grey clip is said to hide a mosaic from this ratio of the largest to the smallest site difference on.
const HIDDEN_RATIO: f64 = 4.0;

/// Differences between the four sites of a 2x2 cell, added over blocks and frames; white levels times samples.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct SiteDifferences {
    /// Between top left and bottom right.
    main: f64,
    /// Between top right and bottom left.
    anti: f64,
    /// Between the two diagonals.
    cross: f64,
    /// Top left minus bottom right, with its sign.
    main_signed: f64,
    /// Top right minus bottom left, with its sign.
    anti_signed: f64,
    /// All samples, added up: what differences are held against.
    light: f64,
    /// Number of samples.
    samples: usize,
}

impl SiteDifferences {
    /// Adds one plane of `width` columns.
    fn add(&mut self, plane: &[f32], width: usize) {
        let height = plane.len() / width.max(1);
        if width < 4 || height < 4 {
            return;
        }
        let plane = &without_hot_pixels(plane, width)[..];
        self.samples += plane.len();
        self.light += plane.iter().map(|v| f64::from(v.abs())).sum::<f64>();
        let blocks = width.div_ceil(BLOCK_PX);
        let mut sums = vec![[0.0f64; 3]; blocks];
        for y in 1..height - 1 {
            let row = |dy: usize| &plane[(y + dy - 1) * width..(y + dy) * width];
            let (above, here, below) = (row(0), row(1), row(2));
            for x in 1..width - 1 {
                let diagonal = (above[x - 1] + above[x + 1] + below[x - 1] + below[x + 1]) * 0.25;
                let direct = (above[x] + below[x] + here[x - 1] + here[x + 1]) * 0.25;
                let sum = &mut sums[x / BLOCK_PX];
                let (own, across) = (f64::from(here[x] - diagonal), f64::from(here[x] - direct));
                match (x & 1, y & 1) {
                    (0, 0) => (sum[0] += own, sum[2] += across),
                    (1, 1) => (sum[0] -= own, sum[2] += across),
                    (1, 0) => (sum[1] += own, sum[2] -= across),
                    _ => (sum[1] -= own, sum[2] -= across),
                };
            }
            if y % BLOCK_PX == BLOCK_PX - 1 || y == height - 2 {
                for sum in &mut sums {
                    self.main += sum[0].abs();
                    self.anti += sum[1].abs();
                    self.cross += sum[2].abs();
                    self.main_signed += sum[0];
                    self.anti_signed += sum[1];
                    *sum = [0.0; 3];
                }
            }
        }
    }

    /// The largest of the differences, if it is large enough to mean anything.
    fn highest(&self) -> Option<f64> {
        let high = self.main.max(self.anti).max(self.cross);
        (self.samples >= LEAST_SAMPLES && high > LEAST_SHARE * self.light).then_some(high)
    }

    /// Whether the greens lie on the main diagonal, and how many times better they agree there.
    fn greens(&self) -> (bool, f64) {
        if self.main < self.anti {
            (true, self.anti / self.main.max(f64::MIN_POSITIVE))
        } else {
            (false, self.main / self.anti.max(f64::MIN_POSITIVE))
        }
    }

    /// The pattern that fits best: greens for certain, red taken as the brighter of the rest.
    fn best(&self) -> Pattern {
        match self.greens() {
            (true, _) if self.anti_signed >= 0.0 => Pattern::Grbg,
            (true, _) => Pattern::Gbrg,
            (false, _) if self.main_signed >= 0.0 => Pattern::Rggb,
            (false, _) => Pattern::Bggr,
        }
    }

    /// What is odd about the stated layout, in words.
    pub(crate) fn doubt(&self, stated: Layout) -> Option<String> {
        self.highest()?;
        let (on_main, ratio) = self.greens();
        match stated {
            Layout::Rgb => None,
            Layout::Mosaic(pattern) => {
                let stated_on_main = pattern.colour_at(0, 0) == 1;
                (ratio >= DOUBT_RATIO && stated_on_main != on_main).then(|| {
                    format!(
                        "the colour mosaic {} looks wrong: samples on the other diagonal agree {} times \
                         better, as greens should; {} fits (red and blue cannot be told apart for certain); set pattern \
                         if so",
                        pattern.letters(),
                        times(ratio),
                        self.best().letters()
                    )
                })
            }
            Layout::Mono => self.hidden().map(|(_, words)| format!("{words}; set pattern if so")),
        }
    }

    /// The mosaic that a grey clip hides, if any, and the evidence in words.
    pub(crate) fn hidden(&self) -> Option<(Hidden, String)> {
        let high = self.highest()?;
        let low = self.main.min(self.anti).min(self.cross);
        if high < HIDDEN_RATIO * low {
            return None;
        }
        let (_, ratio) = self.greens();
        let pattern = self.best();
        let hidden = if ratio >= DOUBT_RATIO { Hidden::Likely(pattern) } else { Hidden::Unclear };
        let words = match hidden {
            Hidden::Likely(_) => format!(
                "the grey clip looks like a colour mosaic: its 2x2 sites differ {} times more than noise would make them; {} \
                 fits (greens agree {} times better than red and blue, which cannot be told apart for certain)",
                times(high / low),
                pattern.letters(),
                times(ratio)
            ),
            Hidden::Unclear => format!(
                "the grey clip looks like a colour mosaic: its 2x2 sites differ {} times more than noise would make them, \
                 but its pattern cannot be told from the data",
                times(high / low)
            ),
        };
        Some((hidden, words))
    }
}

/// Brings samples back into the range of the nearest ones of the same site: a hot pixel is always at one site, and a few
/// of them look like a mosaic on a small frame.
fn without_hot_pixels(plane: &[f32], width: usize) -> Vec<f32> {
    let held = |(i, &value): (usize, &f32)| {
        let x = i % width;
        let left = (x >= 2).then(|| plane[i - 2]);
        let right = (x + 2 < width).then(|| plane[i + 2]);
        let above = i.checked_sub(2 * width).map(|i| plane[i]);
        let near = [left, right, above, plane.get(i + 2 * width).copied()];
        let near = near.into_iter().flatten();
        let (low, high) = near.fold((f32::INFINITY, f32::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        value.min(high).max(low)
    };
    plane.iter().enumerate().map(held).collect()
}

/// A mosaic in a grey clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Hidden {
    /// The greens are known, red is the brighter of the rest.
    Likely(Pattern),
    /// Not even the greens are known.
    Unclear,
}

/// A ratio in words.
fn times(ratio: f64) -> String {
    if ratio > 99.0 { "more than 99".to_owned() } else { format!("{ratio:.1}") }
}

/// Measures a few frames of a clip of one plane.
pub(crate) fn measure(reader: &dyn FrameReader, frames: &[usize]) -> Outcome<SiteDifferences> {
    let info = reader.info();
    let rows = (MOST_PX / info.width.max(1)).clamp(1, info.height);
    let top = ((info.height - rows) / 2) & !1;
    let region = Region { x: 0, y: top, width: info.width, height: rows };
    let mut differences = SiteDifferences::default();
    let (mut bytes, mut frame) = (Vec::new(), stillair_api::Frame::empty());
    if info.layout == Layout::Rgb || info.width > MOST_PX {
        return Ok(differences);
    }
    for &index in frames {
        reader.read(index, region, &mut bytes, &mut frame)?;
        differences.add(&frame.data, info.width);
    }
    Ok(differences)
}

/// The layout to take a clip as, and what there is to say about it. A grey clip that plainly hides a mosaic is taken as
/// one, unless `file_says` that it is grey (where the format can tell the two apart), or recipe or session say so.
pub(crate) fn decide(
    reader: &dyn FrameReader,
    file_says: bool,
    options: &Options,
) -> Outcome<(Layout, Option<String>)> {
    let layout = reader.info().layout;
    let differences = measure(reader, &few(reader.info().frames))?;
    if layout != Layout::Mono || file_says || options.layout.is_some() {
        return Ok((layout, differences.doubt(layout)));
    }
    Ok(match differences.hidden() {
        Some((Hidden::Likely(pattern), evidence)) => {
            let note = format!("{evidence}: read as {}; set pattern if that is wrong", pattern.letters());
            (Layout::Mosaic(pattern), Some(note))
        }
        Some((Hidden::Unclear, evidence)) => (layout, Some(format!("{evidence}: set pattern"))),
        None => (layout, None),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A noisy disc of the given colour behind a mosaic; its centre lies off the pixel grid.
    fn disc(pattern: Option<Pattern>, colour: [f32; 3]) -> Vec<f32> {
        let mut state = 3u32;
        (0..96 * 80)
            .map(|i| {
                let (x, y) = (i % 96, i / 96);
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = (state >> 16) as f32 / 65_536.0 - 0.5;
                let inside = (x as f32 - 47.3).hypot(y as f32 - 38.8) < 25.0;
                let level = pattern.map_or(0.4, |p| colour[p.colour_at(x, y)]);
                (if inside { level } else { 0.02 }) + 0.05 * noise
            })
            .collect()
    }

    fn differences(plane: &[f32]) -> SiteDifferences {
        let mut sum = SiteDifferences::default();
        sum.add(plane, 96);
        sum
    }

    #[test]
    fn only_a_wrong_phase_is_doubted() {
        for truth in Pattern::ALL {
            let found = differences(&disc(Some(truth), [0.5, 0.4, 0.2]));
            assert_eq!(found.best(), truth, "red is the brighter one here");
            for stated in Pattern::ALL {
                let wrong = (stated.colour_at(0, 0) == 1) != (truth.colour_at(0, 0) == 1);
                let doubt = found.doubt(Layout::Mosaic(stated));
                assert_eq!(doubt.is_some(), wrong, "{truth:?} stated as {stated:?}: {doubt:?}");
            }
        }
    }

    #[test]
    fn a_grey_clip_is_a_mosaic_only_if_its_sites_differ() {
        assert_eq!(differences(&disc(None, [0.0; 3])).doubt(Layout::Mono), None);
        for truth in Pattern::ALL {
            let doubt = differences(&disc(Some(truth), [0.5, 0.4, 0.2])).doubt(Layout::Mono);
            assert!(doubt.is_some_and(|d| d.contains(truth.letters())));
        }
    }

    #[test]
    fn hot_pixels_are_no_mosaic() {
        let mut plane = disc(None, [0.0; 3]);
        for at in [96 * 20 + 30, 96 * 36 + 8, 96 * 61 + 70, 96 * 40 + 48] {
            plane[at] = 1.0;
        }
        assert_eq!(differences(&plane).doubt(Layout::Mono), None);
        assert!(without_hot_pixels(&plane, 96).iter().all(|v| *v < 0.6));
    }

    #[test]
    fn a_grey_target_gives_no_verdict_on_the_phase() {
        let found = differences(&disc(Some(Pattern::Rggb), [0.4; 3]));
        assert!(Pattern::ALL.into_iter().all(|p| found.doubt(Layout::Mosaic(p)).is_none()));
    }
}
