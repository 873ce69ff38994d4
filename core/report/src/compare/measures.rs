//! The measures of one run, from its record.

use std::path::Path;

use serde::Serialize;
use serde_json::Value;

use super::nodes::Nodes;
use super::{Measure, Uncertain};
use crate::ReportError;

/// Half-stack correlation at which the whole stack's with the noiseless picture is a half (Rosenthal & Henderson 2003,
/// J. Mol. Biol. 333, 721).
const LEVEL: f64 = 1.0 / 7.0;
/// Rings over which the correlation was smoothed before its crossing was looked for.
const SMOOTHED: f64 = 3.0;
/// Share of independent pixels that a median of absolute deviations makes of its sample: its efficiency against the
/// standard deviation for normal noise (Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88, 1273).
const MAD_EFFICIENCY: f64 = 0.37;

/// What a run was worth.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub(crate) struct Measured {
    /// Where the half-stacks stop agreeing, cycles per px.
    pub resolution_cycles_per_px: Option<Uncertain>,
    /// Period there, arcsec.
    pub resolution_period_arcsec: Option<f64>,
    /// That frequency as a share of the telescope's cut-off.
    pub resolution_share: Option<f64>,
    /// Noise of detail of 1 px in the picture, white levels.
    pub noise: Option<Uncertain>,
    /// Largest mean excess on a ring about the limb, % of its brightness.
    pub limb_overshoot_percent: Option<f64>,
    /// Noise of the picture over that of the stack, as the sharpening tells.
    pub noise_gain: Option<f64>,
    /// Mean square of stack less re-blurred picture over the noise's, as the sharpening tells.
    pub reblur: Option<f64>,
    /// Frames in the stack.
    pub frames_used: Option<u64>,
    /// Frames of the clip.
    pub frames_total: Option<u64>,
    /// Frames decoded for this run.
    pub frames_decoded: Option<u64>,
    /// Seconds that the run took; what it shared with an earlier one took nothing.
    pub seconds: f64,
    /// Scale of the picture.
    pub arcsec_per_px: Option<f64>,
    /// Equatorial radius of the fitted limb.
    pub disc_radius_px: Option<f64>,
    /// What limited the picture, if the recipe asked.
    pub limiting_factor: Option<String>,
    /// Key of the step that measured what each measure ranks by: runs with one key have one value.
    #[serde(skip)]
    pub keys: Keys,
    /// Correlation of the half-stacks: frequency in cycles per px, and value.
    #[serde(skip)]
    pub curve: Vec<(f64, f64)>,
    /// The run's own results, relative to its folder.
    #[serde(skip)]
    pub results: Vec<String>,
}

/// Keys of the steps that measured.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Keys {
    pub resolution: Option<String>,
    pub noise: Option<String>,
    pub overshoot: Option<String>,
}

impl Keys {
    /// The key behind a measure.
    pub fn of(&self, rank: Measure) -> Option<&str> {
        match rank {
            Measure::Resolution => self.resolution.as_deref(),
            Measure::Noise => self.noise.as_deref(),
            Measure::Overshoot => self.overshoot.as_deref(),
        }
    }
}

/// The unit in which runs are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unit {
    /// Every run knows its scale.
    Arcsec,
    /// Every run has a fitted disc.
    Disc,
    /// Runs of one clip.
    Px,
    /// Runs of several clips whose scales are not known.
    UnknownScales,
    /// The measure has a unit of its own.
    White,
    /// The same.
    Percent,
}

impl Unit {
    /// The best unit that all runs have.
    pub fn common<'m>(runs: impl Iterator<Item = &'m Measured>, rank: Measure, one_clip: bool) -> Self {
        match rank {
            Measure::Noise => return Self::White,
            Measure::Overshoot => return Self::Percent,
            Measure::Resolution => {}
        }
        let runs: Vec<&Measured> = runs.collect();
        if runs.iter().all(|m| m.arcsec_per_px.is_some()) {
            Self::Arcsec
        } else if runs.iter().all(|m| m.disc_radius_px.is_some()) && !one_clip {
            Self::Disc
        } else if one_clip {
            Self::Px
        } else {
            Self::UnknownScales
        }
    }

    pub fn name(self) -> &'static str {
        match self {
            Self::Arcsec => "cycles/arcsec",
            Self::Disc => "cycles/diameter of the disc",
            Self::Px | Self::UnknownScales => "cycles/px",
            Self::White => "white levels",
            Self::Percent => "%",
        }
    }

    /// The unit of a resolution told as the period of the finest pattern that is seen.
    pub fn of_period(self) -> &'static str {
        match self {
            Self::Arcsec => "arcsec",
            Self::Disc => "% of the disc",
            _ => "px",
        }
    }

    /// What stands in the way of the ranking.
    pub fn caution(self) -> &'static str {
        match self {
            Self::UnknownScales => {
                "; the scales of the clips are not known, so this is per pixel and says little: give telescope.focal_mm \
                 and camera.pixel_um in a session file"
            }
            Self::Disc => "; scales are from the fitted discs, taken to be of one size on the sky",
            _ => "",
        }
    }
}

impl Measured {
    /// Reads a run folder's record.
    pub fn read(folder: &Path) -> Result<Self, ReportError> {
        let path = folder.join("run.json");
        let text = std::fs::read_to_string(&path).map_err(|source| ReportError::File { path: path.clone(), source })?;
        let record: Value =
            serde_json::from_str(&text).map_err(|e| ReportError::Content { path, what: e.to_string() })?;
        Ok(Self::of(&record))
    }

    /// The measures in a record.
    pub fn of(record: &Value) -> Self {
        let count = |pointer: &str| record.pointer(pointer).and_then(Value::as_u64);
        let nodes = Nodes::of(record);
        let (assessed, noisy, sharpened) =
            (nodes.assessed("resolution-"), nodes.noise_of_picture(), nodes.sharpening("limb-excess-"));
        let of = |node: Option<&Value>, prefix: &str| node.and_then(|node| Nodes::entry(node, prefix));
        let period = of(assessed, "resolution-period-");
        let end = of(assessed, "resolution-");
        let curve = assessed.map_or_else(Vec::new, curve);
        // All of the picture where the record does not tell.
        let filled = of(assessed, "filled-").map_or(1.0, |share| share.clamp(0.01, 1.0));
        let resolution = end.map(|value| Uncertain { value, sigma: sigma_of_crossing(&curve, value, filled) });
        let noise = noisy.and_then(Nodes::finest_noise);
        let pixels = picture_pixels(&curve);
        let sigma = |value: f64| pixels.map(|n| value / (2.0 * n * MAD_EFFICIENCY).sqrt());
        let results = record["results"].as_array().into_iter().flatten();
        let key = |node: Option<&Value>| node?["key"].as_str().map(Into::into);
        Self {
            resolution_cycles_per_px: resolution,
            resolution_period_arcsec: period,
            resolution_share: of(assessed, "resolution-share-"),
            noise: noise.map(|value| Uncertain { value, sigma: sigma(value) }),
            limb_overshoot_percent: of(sharpened, "limb-excess-"),
            noise_gain: of(nodes.sharpening("noise-gain-"), "noise-gain-"),
            reblur: of(nodes.sharpening("reblur-"), "reblur-"),
            frames_used: count("/frames/used"),
            frames_total: count("/frames/total"),
            frames_decoded: count("/frames/decoded"),
            seconds: record["seconds"].as_f64().unwrap_or(f64::NAN),
            arcsec_per_px: period.zip(end).map(|(period, end)| period * end),
            disc_radius_px: nodes.number("equatorial-radius"),
            limiting_factor: crate::diagnosis_of_record(record).map(|told| told.limiting),
            keys: Keys { resolution: key(assessed), noise: key(noisy), overshoot: key(sharpened) },
            curve,
            results: results.filter_map(|r| r["file"].as_str().map(Into::into)).collect(),
        }
    }

    /// The period of the finest pattern on which the half-stacks agree, in a unit; its uncertainty is that of the
    /// frequency over its square.
    pub fn period(&self, unit: Unit) -> Option<Uncertain> {
        let scale = match unit {
            Unit::Arcsec => self.arcsec_per_px?,
            Unit::Disc => 100.0 / (2.0 * self.disc_radius_px?),
            _ => 1.0,
        };
        let end = self.resolution_cycles_per_px.filter(|end| end.value > 0.0)?;
        Some(Uncertain { value: scale / end.value, sigma: end.sigma.map(|s| scale * s / end.value.powi(2)) })
    }

    /// The ranking measure in a unit.
    pub fn ranked(&self, rank: Measure, unit: Unit) -> Option<Uncertain> {
        let (value, factor) = match rank {
            Measure::Noise => (self.noise?, 1.0),
            Measure::Overshoot => (Uncertain { value: self.limb_overshoot_percent?, sigma: None }, 1.0),
            Measure::Resolution => {
                let factor = match unit {
                    Unit::Arcsec => self.arcsec_per_px?.recip(),
                    Unit::Disc => 2.0 * self.disc_radius_px?,
                    _ => 1.0,
                };
                (self.resolution_cycles_per_px?, factor)
            }
        };
        Some(Uncertain { value: value.value * factor, sigma: value.sigma.map(|s| s * factor) })
    }
}

fn curve(node: &Value) -> Vec<(f64, f64)> {
    let Some(series) = Nodes::find(node, "half-stack-correlation-") else { return Vec::new() };
    let list = |key: &str| series[key].as_array().into_iter().flatten().map(|v| v.as_f64().unwrap_or(f64::NAN));
    list("x").zip(list("y")).collect()
}

/// Pixels of the picture, taken to be square: rings of its spectrum lie one cycle per side apart.
fn picture_pixels(curve: &[(f64, f64)]) -> Option<f64> {
    let step = curve.get(1)?.0 - curve.first()?.0;
    (step > 0.0).then(|| step.powi(-2))
}

/// Uncertainty of the frequency at which the correlation falls through its level: that of the correlation over its
/// slope. A correlation r of n pairs of numbers scatters by (1 - r^2) / sqrt(n) (Fisher 1915, Biometrika 10, 507, for
/// large n); ring k of a spectrum holds pi k independent complex coefficients, two numbers each, fewer by the share of
/// the picture that the target fills.
pub(super) fn sigma_of_crossing(curve: &[(f64, f64)], crossing: f64, filled: f64) -> Option<f64> {
    let step = curve.get(1)?.0 - curve.first()?.0;
    if step <= 0.0 || crossing >= 0.5 {
        return None;
    }
    let ring = crossing / step;
    let numbers = (2.0 * std::f64::consts::PI * ring * filled * SMOOTHED).max(2.0);
    let scatter = (1.0 - LEVEL * LEVEL) / numbers.sqrt();
    // The slope of a line through the rings about the crossing: as many on each side as a tenth of its frequency.
    let reach = (0.1 * ring).max(2.0) * step;
    let near: Vec<(f64, f64)> =
        curve.iter().copied().filter(|(f, r)| (f - crossing).abs() <= reach && r.is_finite()).collect();
    let count = near.len() as f64;
    let (x, y) = near.iter().fold((0.0, 0.0), |sum, (f, r)| (sum.0 + f / count, sum.1 + r / count));
    let (xy, xx) = near.iter().fold((0.0, 0.0), |sum, (f, r)| (sum.0 + (f - x) * (r - y), sum.1 + (f - x).powi(2)));
    let slope = (xy / xx).abs();
    let sigma = scatter / slope;
    // Where the curve is flat the crossing may be anywhere.
    Some(if sigma.is_finite() { sigma.min(0.5) } else { 0.5 })
}
