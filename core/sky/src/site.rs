//! Where the observer stands, and the air above.

use serde::{Deserialize, Serialize};

use crate::error::{SkyError, within};

/// A place on the Earth (WGS84).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Site {
    /// Geodetic latitude, degrees, north positive.
    pub latitude_deg: f64,
    /// Longitude, degrees, east positive, -180 to 360.
    pub longitude_deg: f64,
    /// Height above the sea, m.
    pub elevation_m: f64,
}

impl Site {
    /// A checked site.
    ///
    /// # Errors
    /// Latitude outside -90..90, longitude outside -180..360, elevation outside -500..10000 m.
    pub fn new(latitude_deg: f64, longitude_deg: f64, elevation_m: f64) -> Result<Self, SkyError> {
        Self { latitude_deg, longitude_deg, elevation_m }.checked()
    }

    /// This site, if its numbers are possible.
    ///
    /// # Errors
    /// As [`Site::new`].
    pub fn checked(self) -> Result<Self, SkyError> {
        within("site latitude_deg", self.latitude_deg, -90.0, 90.0, "from -90 to 90")?;
        within("site longitude_deg", self.longitude_deg, -180.0, 360.0, "from -180 to 360, east positive")?;
        within("site elevation_m", self.elevation_m, -500.0, 10_000.0, "from -500 to 10000")?;
        Ok(self)
    }

    /// The air to be expected here when no one measured it: the pressure of the ISO 2533 standard
    /// atmosphere at this height, 10 C, 50 % humidity.
    #[must_use]
    pub fn usual_air(&self) -> Air {
        Air { pressure_hpa: 1013.25 * (1.0 - 2.255_77e-5 * self.elevation_m).powf(5.255_88), ..Air::default() }
    }
}

/// The air at the telescope.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Air {
    /// Pressure at the site (not reduced to sea level), hPa; 0 means no air, no refraction.
    pub pressure_hpa: f64,
    /// Temperature, degrees Celsius.
    pub temperature_c: f64,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
}

impl Default for Air {
    /// 1010 hPa, 10 C, 50 %: the conditions of Bennett's refraction formula.
    fn default() -> Self {
        Self { pressure_hpa: 1010.0, temperature_c: 10.0, humidity: 0.5 }
    }
}

impl Air {
    /// This air, if its numbers are possible.
    ///
    /// # Errors
    /// Pressure outside 0..1200 hPa, temperature outside -80..60 C, humidity outside 0..1.
    pub fn checked(self) -> Result<Self, SkyError> {
        within("pressure_hpa", self.pressure_hpa, 0.0, 1200.0, "from 0 to 1200")?;
        within("temperature_c", self.temperature_c, -80.0, 60.0, "from -80 to 60")?;
        within("humidity", self.humidity, 0.0, 1.0, "from 0 to 1")?;
        Ok(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // ISO 2533: 898.75 hPa at 1000 m, 540.2 hPa at 5000 m.
    #[test]
    fn pressure_falls_with_height() {
        for (elevation_m, expected_hpa) in [(0.0, 1013.25), (1000.0, 898.75), (5000.0, 540.2)] {
            let air = Site::new(0.0, 0.0, elevation_m).unwrap().usual_air();
            assert!((air.pressure_hpa - expected_hpa).abs() < 0.1);
        }
    }

    #[test]
    fn impossible_sites_are_refused() {
        assert!(Site::new(91.0, 0.0, 0.0).is_err());
        assert!(Site::new(0.0, f64::NAN, 0.0).is_err());
        assert!(Site::new(0.0, 0.0, 1e5).is_err());
    }
}
