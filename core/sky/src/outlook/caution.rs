//! What to mind.

use serde::Serialize;

/// Nearer to the Sun than this, degrees, a target is to be left alone.
const LEAVE_ALONE_DEG: f64 = 10.0;

/// A caution, with the number that calls for it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
#[non_exhaustive]
pub enum Caution {
    /// The target stands near the Sun.
    NearSun {
        /// Angle between target and Sun, degrees.
        elongation_deg: f64,
    },
    /// The Sun is above the horizon while the target is worked.
    SunUp {
        /// Its altitude, degrees.
        sun_altitude_deg: f64,
    },
    /// A pointing laser on the finder.
    FinderLaser,
    /// Even at its best the target stands low.
    LowAltitude {
        /// Its altitude, degrees.
        altitude_deg: f64,
    },
    /// The air spreads the colours by more than the telescope resolves.
    Dispersion {
        /// Spread between the two wavelengths of the request, arcsec.
        spread_arcsec: f64,
        /// Wavelength over aperture, arcsec.
        lambda_over_d_arcsec: f64,
    },
    /// So near the zenith an alt-azimuth mount's field turns fast, and the mount may not follow.
    ZenithOnAltAzimuth {
        /// Altitude, degrees.
        altitude_deg: f64,
    },
    /// The target with its drift does not fit on the sensor.
    LargerThanSensor {
        /// The side of the window that would hold it, pixels.
        window_px: u32,
    },
}

impl Caution {
    /// The caution in a sentence or two.
    #[must_use]
    pub fn text(&self) -> String {
        match *self {
            Caution::NearSun { elongation_deg } if elongation_deg < LEAVE_ALONE_DEG => format!(
                "The Sun is {elongation_deg:.1} degrees away: do not point there at all. Sunlight through a telescope or \
                 a finder blinds at once and burns cameras."
            ),
            Caution::NearSun { elongation_deg } => format!(
                "The Sun is {elongation_deg:.0} degrees away. Never sweep towards it: sunlight through a telescope or a \
                 finder blinds at once and burns cameras. Point only while the Sun is below the horizon."
            ),
            Caution::SunUp { sun_altitude_deg } => format!(
                "The Sun is {sun_altitude_deg:.0} degrees above the horizon. Keep the telescope in the shadow of a wall, \
                 cap the finder, and never sweep by eye."
            ),
            Caution::FinderLaser => {
                "Whether a finder laser may be used, how strong, and by whom is for local law and licensed practice to \
                 say: ask first. Never point it at or near aircraft or at people; switch it off as soon as anything \
                 flies by. Its beam and its reflections injure eyes."
                    .to_owned()
            }
            Caution::LowAltitude { altitude_deg } => format!(
                "At {altitude_deg:.0} degrees the air is thick and unsteady: expect soft pictures, and prefer red or \
                 infrared light."
            ),
            Caution::Dispersion { spread_arcsec, lambda_over_d_arcsec } => format!(
                "The air spreads the colours over {spread_arcsec:.2} arcsec, the telescope resolves \
                 {lambda_over_d_arcsec:.2}: use a dispersion corrector or a narrow filter, and align the colours."
            ),
            Caution::ZenithOnAltAzimuth { altitude_deg } => format!(
                "At {altitude_deg:.0} degrees an alt-azimuth mount turns the field fast and may lose the target: wait or \
                 begin earlier."
            ),
            Caution::LargerThanSensor { window_px } => {
                format!("It would take a window of {window_px} pixels: take it in panels, or shorten the focal length.")
            }
        }
    }
}
