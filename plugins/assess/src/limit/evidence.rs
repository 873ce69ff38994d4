//! Everything the verdicts are drawn from, gathered once.

use std::sync::Arc;

use stillair_api::{Bound, Entry, Facts, Image, Record, Table, columns};
use stillair_maths::robust::{MAD_TO_SIGMA, mad, median};
use stillair_maths::{rings, robust};

use super::lopsided::{Lopsided, lopsided};
use crate::optics;

/// Band about half the cut-off in which signal to noise is averaged.
const MIDDLE: (f64, f64) = (0.45, 0.55);
/// Half the span of time over which slow motion is taken off, s.
const SLOW_S: f64 = 1.5;
/// At least so many frames on each side.
const SLOW_FRAMES: f64 = 6.0;

/// What is known of a run.
#[derive(Debug, Default)]
pub struct Evidence {
    /// Session facts.
    pub facts: Facts,
    /// Measures of each frame.
    pub table: Option<Arc<Table>>,
    /// Pixels of the capture per lambda/D in the middle channel.
    pub q: Option<f64>,
    /// Arcsec per px of the capture.
    pub arcsec_per_px: Option<f64>,
    /// Wavelength of the middle channel, nm.
    pub wavelength_nm: f64,
    /// Aperture, m.
    pub aperture_m: Option<f64>,
    /// Signal to noise (power) of the stack at half the cut-off, dB, and how fast it falls there, dB per cut-off.
    pub snr: Option<Snr>,
    /// Wavefront variance that the sky tells, rad^2.
    pub wavefront_rad2: Option<f64>,
    /// Light beyond the limb of a disc that lies to one side.
    pub lopsided: Option<Lopsided>,
    /// Image motion of the frames along an axis, slow motion taken off, px^2.
    pub motion_px2: Option<f64>,
    /// How far the field turned during the clip, degrees, where the frames were placed with their turn.
    pub turn_deg: Option<f64>,
    /// Shifts of red and blue against each other, px.
    pub colour_px: Option<f64>,
    /// Whether the picture has three colours.
    pub colour: bool,
    /// Whether the globe's rotation was undone.
    pub derotated: bool,
    /// Middle of the exposures, ns since 1970 UTC.
    pub middle_unix_ns: Option<i64>,
    /// Frames added to the stack.
    pub frames_used: usize,
    /// What other steps recorded.
    pub records: Vec<Arc<Record>>,
}

/// Signal to noise over frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Snr {
    /// At half the cut-off, dB; at least -12, where the half-stacks do not agree at all.
    pub middle_db: f64,
    /// Where it falls to -4.8 dB (half-stack correlation 1/7), in units of the cut-off.
    pub end: f64,
    /// Loss per unit of the cut-off before the end, dB; 0 if unknown.
    pub slope_db: f64,
}

impl Evidence {
    /// Gathers what a step is given.
    pub fn of(bound: &Bound, facts: &Facts) -> Self {
        let image = bound.maybe_image("image").cloned();
        let mut evidence = Self {
            facts: facts.clone(),
            table: bound.maybe_table("table").cloned(),
            aperture_m: facts.number("telescope.aperture_mm").filter(|a| *a > 0.0).map(|a| a * 1e-3),
            records: bound.records("records").into_iter().cloned().collect(),
            ..Self::default()
        };
        for motion in bound.motions("motion") {
            if let Some([red, _, blue]) = motion.channel_px {
                evidence.colour_px = Some(libm::hypot(red[0] - blue[0], red[1] - blue[1]));
            }
            evidence.derotated |= motion.spin.is_some();
            if let (Some(rows), Some(table)) = (&motion.global, &evidence.table) {
                let x: Vec<f64> = rows.iter().map(|r| r.x_px).collect();
                let y: Vec<f64> = rows.iter().map(|r| r.y_px).collect();
                evidence.motion_px2 = motion_px2(table.values(columns::TIME_S).unwrap_or_default(), &x, &y);
                let turns: Vec<f64> = rows.iter().map(|r| r.rotation_rad).filter(|r| r.is_finite()).collect();
                let ends = (robust::percentile(&turns, 5.0), robust::percentile(&turns, 95.0));
                evidence.turn_deg = Some((ends.1 - ends.0).to_degrees() / 0.9).filter(|t| t.is_finite());
            }
        }
        match image {
            Some(image) => evidence.look_at(&image),
            // The capture's own scale then; an empty picture stands for one of one colour.
            None => evidence.look_at(&Image::new(0, 0, 1)),
        }
        if evidence.motion_px2.is_none()
            && let Some(table) = &evidence.table
            && let (Some(t), Some(x), Some(y)) =
                (table.values(columns::TIME_S), table.values(columns::X_PX), table.values(columns::Y_PX))
        {
            evidence.motion_px2 = motion_px2(t, x, y);
        }
        evidence.wavefront_rad2 = evidence.number("wavefront-variance");
        evidence
    }

    fn look_at(&mut self, image: &Image) {
        let middle = image.channels / 2;
        let scale = if image.info.px_per_capture_px > 0.0 { image.info.px_per_capture_px } else { 1.0 };
        self.wavelength_nm = optics::wavelengths(image, &self.facts)[middle];
        self.arcsec_per_px = optics::rad_per_px(image, &self.facts).map(|r| r.to_degrees() * 3600.0 * scale);
        self.colour = image.channels == 3;
        self.middle_unix_ns = image.info.middle_unix_ns;
        self.frames_used = image.info.frames_used;
        if let Some(cutoffs) = optics::cutoffs(image, &self.facts) {
            self.q = Some(1.0 / (cutoffs[middle] * scale));
            self.snr = snr(image, middle, cutoffs[middle]);
            if image.width > 1 && image.height > 1 {
                self.lopsided = lopsided(image.channel(middle), image.width, image.height, 1.0 / cutoffs[middle]);
            }
        }
    }

    /// A number that another step recorded.
    pub fn number(&self, wanted: &str) -> Option<f64> {
        self.records.iter().flat_map(|r| &r.entries).find_map(|e| match e {
            Entry::Number { name, value, .. } if name == wanted => Some(*value),
            _ => None,
        })
    }

    /// A text that another step recorded.
    pub fn text(&self, wanted: &str) -> Option<&str> {
        self.records.iter().flat_map(|r| &r.entries).find_map(|e| match e {
            Entry::Text { name, value } if name == wanted => Some(value.as_str()),
            _ => None,
        })
    }

    /// Finite values of a column.
    pub fn column(&self, name: &str) -> Option<Vec<f64>> {
        let values: Vec<f64> = self.table.as_ref()?.values(name)?.iter().copied().filter(|v| v.is_finite()).collect();
        (!values.is_empty()).then_some(values)
    }

    /// Times of the frames, s.
    pub fn times(&self) -> Option<Vec<f64>> {
        self.column(columns::TIME_S).filter(|t| t.len() > 2 && t[t.len() - 1] > t[0])
    }

    /// Typical time between frames, s.
    pub fn interval_s(&self) -> Option<f64> {
        let times = self.times()?;
        let steps: Vec<f64> = times.windows(2).map(|t| t[1] - t[0]).collect();
        Some(median(&steps)).filter(|s| *s > 0.0)
    }

    /// Exposure of a frame, s.
    pub fn exposure_s(&self) -> Option<f64> {
        let column = self.column(columns::EXPOSURE_S).map(|v| median(&v));
        column.or_else(|| self.facts.number("camera.exposure_s")).filter(|e| *e > 0.0)
    }

    /// Radius of the target, px of the capture.
    pub fn radius_px(&self) -> Option<f64> {
        self.column(columns::RADIUS_PX).map(|v| median(&v)).filter(|r| *r > 0.0)
    }

    /// Time that the frames of the stack span, s.
    pub fn span_s(&self) -> Option<f64> {
        let table = self.table.as_ref()?;
        let times = table.values(columns::TIME_S)?;
        let kept: Vec<f64> = (0..table.rows()).filter(|i| table.weight(*i) > 0.0).map(|i| times[i]).collect();
        let kept: Vec<f64> = kept.into_iter().filter(|t| t.is_finite()).collect();
        Some(
            kept.iter().copied().fold(f64::NEG_INFINITY, f64::max) - kept.iter().copied().fold(f64::INFINITY, f64::min),
        )
        .filter(|s| s.is_finite())
    }

    /// Names of the reasons of rejection, one for each frame; empty where it was kept.
    pub fn reasons(&self) -> Option<Vec<&str>> {
        let column = self.table.as_ref()?.column(columns::REASON)?;
        let word = |v: &f64| column.spec.categories.get(*v as usize).map_or("", String::as_str);
        Some(column.data.iter().map(word).collect())
    }

    /// Share of the resolution that a gain of so many dB brings, by the fall of signal to noise before its end.
    pub fn gain(&self, db: f64) -> Option<f64> {
        let snr = self.snr?;
        if snr.slope_db < 5.0 || snr.end <= 0.0 {
            return None;
        }
        Some(((snr.end + db / snr.slope_db).min(1.0) / snr.end - 1.0).max(0.0))
    }
}

/// Signal to noise from the half-stacks.
fn snr(image: &Image, channel: usize, cutoff: f64) -> Option<Snr> {
    let mut scratch = Vec::new();
    let mut half = |number: usize| -> Option<Vec<f32>> {
        let half = image.half(number, channel)?;
        let sky = robust::percentile_f32(half, 5.0, &mut scratch);
        Some(half.iter().map(|v| v - sky).collect())
    };
    let (a, b) = (half(0)?, half(1)?);
    let curve = rings::fourier_ring_correlation(&a, &b, image.width, image.height, 0.15);
    let smooth = rings::smooth(&curve.value, 1);
    let of_cutoff: Vec<f64> = curve.frequency.iter().map(|f| f / cutoff).collect();
    let db = |f: f64| 10.0 * libm::log10(rings::signal_to_noise(f).max(0.063));
    let within = |low: f64, high: f64| -> Vec<(f64, f64)> {
        of_cutoff.iter().zip(&smooth).filter(|(nu, _)| (low..high).contains(*nu)).map(|(nu, v)| (*nu, db(*v))).collect()
    };
    let middle = within(MIDDLE.0, MIDDLE.1);
    if middle.is_empty() {
        return None;
    }
    let middle_db = middle.iter().map(|p| p.1).sum::<f64>() / middle.len() as f64;
    let end = rings::crossing(&of_cutoff, &smooth, 1.0 / 7.0, 0.08).unwrap_or(0.5 / cutoff).min(1.0);
    let before = within((end - 0.35).max(0.1), end);
    let n = before.len() as f64;
    let mean = before.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
    let (cross, square) = before
        .iter()
        .fold((0.0, 0.0), |s, p| (s.0 + (p.0 - mean.0) * (p.1 - mean.1), s.1 + (p.0 - mean.0) * (p.0 - mean.0)));
    let slope_db = if before.len() > 3 && square > 0.0 { -cross / square } else { 0.0 };
    Some(Snr { middle_db, end, slope_db })
}

/// Variance of fast image motion along an axis, px^2: positions less a straight line fitted to the frames within
/// [`SLOW_S`] seconds, so that drift and periodic error drop out; robust, so that knocks do.
pub fn motion_px2(times: &[f64], x: &[f64], y: &[f64]) -> Option<f64> {
    let known: Vec<usize> = (0..times.len().min(x.len()))
        .filter(|&i| times[i].is_finite() && x[i].is_finite() && y[i].is_finite())
        .collect();
    if known.len() < 30 {
        return None;
    }
    let t: Vec<f64> = known.iter().map(|&i| times[i]).collect();
    let steps: Vec<f64> = t.windows(2).map(|w| w[1] - w[0]).collect();
    let reach = SLOW_S.max(SLOW_FRAMES * median(&steps));
    let mut squares = 0.0;
    for values in [x, y] {
        let v: Vec<f64> = known.iter().map(|&i| values[i]).collect();
        let (mut low, mut high) = (0, 0);
        let rest: Vec<f64> = (0..v.len())
            .map(|i| {
                while t[low] < t[i] - reach {
                    low += 1;
                }
                while high < v.len() && t[high] <= t[i] + reach {
                    high += 1;
                }
                v[i] - line_at(&t[low..high], &v[low..high], t[i])
            })
            .collect();
        let sigma = MAD_TO_SIGMA * mad(&rest);
        squares += 0.5 * sigma * sigma;
    }
    Some(squares)
}

/// Value at `at` of the straight line that fits best.
fn line_at(t: &[f64], v: &[f64], at: f64) -> f64 {
    let n = t.len() as f64;
    let (mt, mv) = (t.iter().sum::<f64>() / n, v.iter().sum::<f64>() / n);
    let (mut cross, mut square) = (0.0, 0.0);
    for (a, b) in t.iter().zip(v) {
        cross += (a - mt) * (b - mv);
        square += (a - mt) * (a - mt);
    }
    mv + if square > 0.0 { cross / square * (at - mt) } else { 0.0 }
}
