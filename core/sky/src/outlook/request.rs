//! What is asked of an outlook.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::body::Body;
use crate::error::{SkyError, within};
use crate::optics::{Sampling, Telescope, arcsec_per_px, lambda_over_d_arcsec, sampling};
use crate::site::{Air, Site};
use crate::time::seconds_between;

/// Longest span of an outlook, days.
pub const LONGEST_SPAN_DAYS: u32 = 400;

/// How the telescope is carried.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mount {
    /// Turns about the pole: the field stands still.
    Equatorial,
    /// Follows in altitude and azimuth: the field turns.
    AltAzimuth,
}

/// Telescope and camera, as far as they are known; what cannot be told without a number is left out.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Gear {
    /// Diameter of the aperture, mm.
    pub aperture_mm: Option<f64>,
    /// Diameter of the central obstruction over that of the aperture, 0 to below 1.
    pub obstruction: f64,
    /// Focal length at the camera, amplifiers and reducers included, mm.
    pub focal_mm: Option<f64>,
    /// Side of a pixel, um.
    pub pixel_um: Option<f64>,
    /// Whether the camera sees colour through a mosaic of filters.
    pub colour_mosaic: bool,
    /// Exposure of a frame, ms, if decided.
    pub exposure_ms: Option<f64>,
    /// Width and height of the sensor, pixels, if known.
    pub sensor_px: Option<(u32, u32)>,
}

impl Gear {
    /// Angle a pixel sees, arcsec; `None` without focal length or pixel.
    #[must_use]
    pub fn arcsec_per_px(&self) -> Option<f64> {
        self.pixel_um.zip(self.focal_mm).map(|(pixel_um, focal_mm)| arcsec_per_px(pixel_um, focal_mm))
    }

    /// Wavelength over aperture, arcsec; `None` without aperture.
    #[must_use]
    pub fn lambda_over_d_arcsec(&self, wavelength_nm: f64) -> Option<f64> {
        self.aperture_mm.map(|aperture_mm| lambda_over_d_arcsec(aperture_mm, wavelength_nm))
    }

    /// How the camera samples what the telescope shows; `None` without aperture, focal length or pixel.
    ///
    /// # Errors
    /// An impossible telescope, pixel or wavelength.
    pub fn sampling(&self, wavelength_nm: f64) -> Result<Option<Sampling>, SkyError> {
        let (Some(aperture_mm), Some(focal_mm), Some(pixel_um)) = (self.aperture_mm, self.focal_mm, self.pixel_um)
        else {
            return Ok(None);
        };
        let telescope = Telescope { aperture_mm, obstruction: self.obstruction, focal_mm };
        sampling(&telescope, pixel_um, self.colour_mosaic, wavelength_nm).map(Some)
    }
}

/// The air on an ordinary night.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// Pressure, temperature, humidity.
    pub air: Air,
    /// Seeing at the zenith: long-exposure FWHM at 500 nm, arcsec.
    pub seeing_arcsec: f64,
    /// Speed of the wind that carries the turbulence, m/s.
    pub wind_m_per_s: f64,
}

/// The question.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutlookRequest {
    /// Where.
    pub site: Site,
    /// From when: nights whose middle lies in the span are taken.
    pub start: Timestamp,
    /// Until when.
    pub end: Timestamp,
    /// With what telescope and camera.
    pub gear: Gear,
    /// On what mount.
    pub mount: Mount,
    /// Which targets.
    pub bodies: Vec<Body>,
    /// In what air.
    pub conditions: Conditions,
    /// Wavelength at which resolution is judged, nm.
    pub wavelength_nm: f64,
    /// The two wavelengths whose spread by the air is told, nm.
    pub dispersion_nm: (f64, f64),
    /// How far detail may move during a clip, pixels.
    pub allowed_smear_px: f64,
    /// Length of a clip, s.
    pub clip_s: f64,
    /// Drift of the target through the field, arcsec/s.
    pub drift_arcsec_per_s: f64,
    /// Least altitude worth working at, degrees.
    pub least_altitude_deg: f64,
    /// The sky is dark enough with the Sun's centre below this airless altitude, degrees.
    pub sun_limit_deg: f64,
    /// Time between samples of a night, s.
    pub step_s: f64,
}

impl OutlookRequest {
    /// A question with defaults: equatorial mount, all targets, usual air, seeing of 2 arcsec, wind of 10 m/s,
    /// 550 nm, dispersion from 450 to 650 nm, 1 px of smear, clips of 90 s, drift of 0.1 arcsec/s, altitudes
    /// from 15 degrees up, the Sun 6 degrees down, samples every ten minutes.
    #[must_use]
    pub fn new(site: Site, start: Timestamp, end: Timestamp, gear: Gear) -> Self {
        Self {
            site,
            start,
            end,
            gear,
            mount: Mount::Equatorial,
            bodies: Body::ALL.to_vec(),
            conditions: Conditions { air: site.usual_air(), seeing_arcsec: 2.0, wind_m_per_s: 10.0 },
            wavelength_nm: 550.0,
            dispersion_nm: (450.0, 650.0),
            allowed_smear_px: 1.0,
            clip_s: 90.0,
            drift_arcsec_per_s: 0.1,
            least_altitude_deg: 15.0,
            sun_limit_deg: -6.0,
            step_s: 600.0,
        }
    }

    /// This question, if its numbers are possible.
    ///
    /// # Errors
    /// Names the first number outside its range.
    pub fn checked(self) -> Result<Self, SkyError> {
        self.site.checked()?;
        // An unknown part of the gear stands for one that is possible.
        let known = |value: Option<f64>, possible| value.unwrap_or(possible);
        Telescope {
            aperture_mm: known(self.gear.aperture_mm, 100.0),
            obstruction: self.gear.obstruction,
            focal_mm: known(self.gear.focal_mm, 1000.0),
        }
        .checked()?;
        self.conditions.air.checked()?;
        let span_s = seconds_between(self.start, self.end);
        if span_s < 0.0 || span_s > f64::from(LONGEST_SPAN_DAYS) * 86_400.0 {
            return Err(SkyError::BadSpan { start: self.start, end: self.end, most_days: LONGEST_SPAN_DAYS });
        }
        let (first_nm, second_nm) = self.dispersion_nm;
        for (name, value, lowest, highest, allowed) in [
            ("pixel_um", known(self.gear.pixel_um, 1.0), 0.1, 100.0, "from 0.1 to 100"),
            ("exposure_ms", known(self.gear.exposure_ms, 1.0), 1e-3, 1e6, "from 0.001 to 1000000"),
            ("seeing_arcsec", self.conditions.seeing_arcsec, 0.05, 30.0, "from 0.05 to 30"),
            ("wind_m_per_s", self.conditions.wind_m_per_s, 0.1, 100.0, "from 0.1 to 100"),
            ("wavelength_nm", self.wavelength_nm, 300.0, 2500.0, "from 300 to 2500"),
            ("first dispersion_nm", first_nm, 300.0, 2500.0, "from 300 to 2500"),
            ("second dispersion_nm", second_nm, 300.0, 2500.0, "from 300 to 2500"),
            ("allowed_smear_px", self.allowed_smear_px, 1e-3, 1000.0, "from 0.001 to 1000"),
            ("clip_s", self.clip_s, 0.01, 86_400.0, "from 0.01 to 86400"),
            ("drift_arcsec_per_s", self.drift_arcsec_per_s, 0.0, 20.0, "from 0 to 20"),
            ("least_altitude_deg", self.least_altitude_deg, 0.0, 89.0, "from 0 to 89"),
            ("sun_limit_deg", self.sun_limit_deg, -30.0, 90.0, "from -30 to 90"),
            ("step_s", self.step_s, 10.0, 7200.0, "from 10 to 7200"),
        ] {
            within(name, value, lowest, highest, allowed)?;
        }
        Ok(self)
    }
}
