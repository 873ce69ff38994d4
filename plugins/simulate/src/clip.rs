//! What a simulated clip is made from.

use crate::dispersion::Air;
use crate::optics::ARCSEC;
use crate::weather::{Clouds, Mount};

/// Why a clip cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError {
    /// A parameter is out of its range.
    #[error("{name} = {value} is out of range: {allowed}")]
    Range {
        /// Name of the parameter.
        name: &'static str,
        /// Its value as given.
        value: String,
        /// What would do.
        allowed: &'static str,
    },
    /// The start time cannot be read.
    #[error("start_utc = {value:?} is no instant: write it as 2031-05-02T21:04:00Z ({cause})")]
    Start {
        /// The text as given.
        value: String,
        /// What the reader of times said.
        cause: String,
    },
    /// The work was cancelled.
    #[error("cancelled")]
    Cancelled,
    /// A file of the set could not be written.
    #[error("cannot write {path}: {cause}")]
    Write {
        /// The file.
        path: String,
        /// What went wrong.
        cause: std::io::Error,
    },
}

/// What the object is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A cloudy globe with belts and zones.
    Banded,
    /// A faintly banded globe with rings.
    Ringed,
    /// A solid globe with bright and dark regions and a polar cap.
    Rocky,
    /// A cratered surface that fills the frame.
    Terrain,
}

/// Order of the colours on a mosaic sensor, first row first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pattern {
    /// Red green / green blue.
    Rggb,
    /// Green red / blue green.
    Grbg,
    /// Green blue / red green.
    Gbrg,
    /// Blue green / green red.
    Bggr,
}

impl Pattern {
    /// Colour (0 red, 1 green, 2 blue) of the pixel in column `x`, row `y`.
    pub fn colour(self, x: usize, y: usize) -> usize {
        let cells = match self {
            Self::Rggb => [0, 1, 1, 2],
            Self::Grbg => [1, 0, 2, 1],
            Self::Gbrg => [1, 2, 0, 1],
            Self::Bggr => [2, 1, 1, 0],
        };
        cells[2 * (y % 2) + x % 2]
    }

    /// The four letters.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rggb => "RGGB",
            Self::Grbg => "GRBG",
            Self::Gbrg => "GBRG",
            Self::Bggr => "BGGR",
        }
    }
}

/// How the camera sees colour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Layout {
    /// One value a pixel, all of the same colour.
    Mono,
    /// One value a pixel, behind a mosaic of filters.
    Mosaic(Pattern),
    /// Three values a pixel, red first.
    Rgb,
}

/// Where 12 or 14 bit samples stand in 16.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Alignment {
    /// The highest bits are used.
    Left,
    /// The lowest bits are used.
    Right,
}

/// The telescope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Telescope {
    /// Diameter of the aperture, mm.
    pub aperture_mm: f64,
    /// Central obstruction as a share of the diameter, 0 to 0.8.
    pub obstruction: f64,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Defocus, waves rms at 550 nm.
    pub defocus_waves: f64,
    /// Coma in x and y, waves rms at 550 nm.
    pub coma_waves: [f64; 2],
}

/// The camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Pixel pitch, micrometres.
    pub pixel_um: f64,
    /// Colour layout.
    pub layout: Layout,
    /// Bits of the converter: 8 to 16.
    pub bits: u32,
    /// Where they stand when they are not 8 or 16.
    pub alignment: Alignment,
    /// Electrons per digital unit.
    pub gain_e_per_adu: f64,
    /// Read noise, electrons rms.
    pub read_noise_e: f64,
    /// Bias level, digital units.
    pub bias_adu: f64,
    /// Share of the full range that a radiance of 1 reaches in green.
    pub exposure_level: f64,
    /// Relative sensitivity in red, green and blue.
    pub sensitivity: [f64; 3],
    /// Hot pixels.
    pub hot_pixels: usize,
    /// Loss of light in the corners, 0 to 1.
    pub vignetting: f64,
    /// Shadows of dust.
    pub dust: usize,
    /// Frames per second.
    pub frames_per_s: f64,
    /// Exposure of a frame, s.
    pub exposure_s: f64,
    /// Share of frames lost on the way to the disk.
    pub dropped: f64,
}

/// The turbulence above the telescope.
#[derive(Clone, Debug, PartialEq)]
pub struct Seeing {
    /// Aperture over Fried's length, at 550 nm along the line of sight.
    pub d_over_r0: f64,
    /// Scatter of the logarithm of D/r0 in time.
    pub gust: f64,
    /// Time constant of that, s.
    pub gust_tau_s: f64,
    /// Heights of the layers, m.
    pub heights_m: Vec<f64>,
    /// Their shares of the turbulence; scaled to a sum of 1.
    pub shares: Vec<f64>,
    /// Their winds, m/s.
    pub winds_m_per_s: Vec<f64>,
    /// Outer scale, m; infinite for pure Kolmogorov turbulence.
    pub outer_scale_m: f64,
    /// Points of a screen a side.
    pub screen_points: usize,
    /// Points of a screen per aperture diameter.
    pub screen_points_per_aperture: f64,
    /// Points across the sampled aperture.
    pub pupil_points: usize,
    /// Instants at which an exposure samples the waves.
    pub steps: usize,
    /// Field points along a side at which the point spread is computed; 1 for one point spread a frame.
    pub field_points: usize,
}

impl Default for Seeing {
    fn default() -> Self {
        Self {
            d_over_r0: 2.2,
            gust: 0.18,
            gust_tau_s: 4.5,
            heights_m: vec![0.0, 800.0, 3200.0, 10_000.0],
            shares: vec![0.5, 0.22, 0.16, 0.12],
            winds_m_per_s: vec![4.0, 7.0, 13.0, 25.0],
            outer_scale_m: f64::INFINITY,
            screen_points: 1024,
            screen_points_per_aperture: 16.0,
            pupil_points: 48,
            steps: 3,
            field_points: 1,
        }
    }
}

/// A moon beside or before the planet, or, with hardly any radiance, its shadow. Lengths in equatorial radii of the planet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moon {
    /// Place at time 0: along the equator (right with the pole up) and towards the pole.
    pub offset_radii: [f64; 2],
    /// Radius of the disc.
    pub radius_radii: f64,
    /// Radiance of the disc, on the planet's scale.
    pub radiance: f64,
    /// Motion along the equator and towards the pole, radii per hour.
    pub drift_radii_per_hour: [f64; 2],
}

/// All parameters of a simulated clip of a planet or a terrain.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanetClip {
    /// Name of the set.
    pub name: String,
    /// Seed of everything random: the object, the air, the noise.
    pub seed: u64,
    /// Which clip of one night this is: air and object go on, the noise is new.
    pub part: u64,
    /// What the object is.
    pub kind: Kind,
    /// What the session file calls the object; nothing if `None`.
    pub target: Option<String>,
    /// Equatorial diameter, arcsec.
    pub diameter_arcsec: f64,
    /// 1 - polar / equatorial radius, 0 to 0.5.
    pub flattening: f64,
    /// Planetocentric latitude of the observer, degrees.
    pub sub_observer_latitude_deg: f64,
    /// Longitude of the middle of the disc at time 0, degrees.
    pub longitude_deg: f64,
    /// Rotation, degrees per day.
    pub rotation_deg_per_day: f64,
    /// By how much the air within 7 degrees of the equator runs ahead of it, degrees per day; beyond 12 degrees not at all.
    pub equator_ahead_deg_per_day: f64,
    /// Angle between the Sun and the observer as seen from the object, degrees, 0 to 180.
    pub phase_deg: f64,
    /// Direction of the middle of the lit limb at time 0, degrees anticlockwise from up; counts where there is a phase.
    pub bright_limb_angle_deg: f64,
    /// Angle of the north pole at time 0, degrees anticlockwise from up.
    pub pole_angle_deg: f64,
    /// Position angle on the sky of the picture's up, degrees, where the session file shall say it.
    pub up_position_angle_deg: Option<f64>,
    /// Contrast of belts or lands, 0 to 1.
    pub contrast: f64,
    /// Relative strength of fine detail.
    pub detail: f64,
    /// Moons beside it.
    pub moons: Vec<Moon>,
    /// Altitude of the sun over a terrain, degrees.
    pub sun_altitude_deg: f64,
    /// Place of the frame's middle on a terrain, arcsec right and down; to the nearest half pixel.
    pub field_arcsec: [f64; 2],
    /// Frames of the dark and of the flat that are written beside a capture; none if 0.
    pub calibration_frames: usize,
    /// Telescope.
    pub telescope: Telescope,
    /// Camera.
    pub camera: Camera,
    /// Wavelengths of red, green, blue, nm; a mono camera uses that of its filter, without one the second.
    pub wavelengths_nm: [f64; 3],
    /// Filter before a mono camera: red, green or blue (0, 1, 2); `None` lets all light through.
    pub filter: Option<usize>,
    /// Turbulence.
    pub seeing: Seeing,
    /// Altitude above the horizon, degrees.
    pub altitude_deg: f64,
    /// Direction of the zenith in the picture, degrees anticlockwise from up.
    pub zenith_angle_deg: f64,
    /// Air, for the dispersion.
    pub air: Air,
    /// Radiance of the clear sky.
    pub sky: f64,
    /// Clouds.
    pub clouds: Option<Clouds>,
    /// Mount.
    pub mount: Mount,
    /// Object's place at time 0 from the middle of the frame, px.
    pub offset_px: [f64; 2],
    /// Rotation of the field, degrees per second, clockwise.
    pub field_rotation_deg_per_s: f64,
    /// Frames.
    pub frames: usize,
    /// Time of the clip's beginning on the night's clock, s.
    pub start_s: f64,
    /// The instant of the night's time 0.
    pub start_utc: String,
    /// Times on the night's clock at which the truth is drawn; the clip's middle if empty.
    pub truth_times_s: Vec<f64>,
}

impl Default for PlanetClip {
    fn default() -> Self {
        Self {
            name: "planet".into(),
            seed: 1,
            part: 0,
            kind: Kind::Banded,
            target: None,
            diameter_arcsec: 46.0,
            flattening: 0.065,
            sub_observer_latitude_deg: 2.0,
            longitude_deg: 100.0,
            rotation_deg_per_day: 870.0,
            equator_ahead_deg_per_day: 0.0,
            phase_deg: 0.0,
            bright_limb_angle_deg: 0.0,
            pole_angle_deg: 14.0,
            up_position_angle_deg: None,
            contrast: 0.85,
            detail: 0.075,
            moons: Vec::new(),
            sun_altitude_deg: 14.0,
            field_arcsec: [0.0; 2],
            calibration_frames: 0,
            telescope: Telescope {
                aperture_mm: 105.0,
                obstruction: 0.33,
                focal_mm: 1355.0,
                defocus_waves: 0.0,
                coma_waves: [0.0; 2],
            },
            camera: Camera {
                width: 128,
                height: 112,
                pixel_um: 3.76,
                layout: Layout::Mosaic(Pattern::Rggb),
                bits: 8,
                alignment: Alignment::Left,
                gain_e_per_adu: 8.0,
                read_noise_e: 1.6,
                bias_adu: 4.0,
                exposure_level: 0.6,
                sensitivity: [0.75, 1.0, 0.65],
                hot_pixels: 5,
                vignetting: 0.0,
                dust: 0,
                frames_per_s: 50.0,
                exposure_s: 0.012,
                dropped: 0.002,
            },
            wavelengths_nm: [620.0, 530.0, 460.0],
            filter: None,
            seeing: Seeing::default(),
            altitude_deg: 42.0,
            zenith_angle_deg: 25.0,
            air: Air::default(),
            sky: 0.0008,
            clouds: None,
            mount: Mount::default(),
            offset_px: [0.0, 0.0],
            field_rotation_deg_per_s: 0.0,
            frames: 600,
            start_s: 0.0,
            start_utc: "2031-05-02T21:04:00Z".into(),
            truth_times_s: Vec::new(),
        }
    }
}

impl PlanetClip {
    /// Angle of a camera pixel, arcsec (small angles).
    pub fn arcsec_per_px(&self) -> f64 {
        self.camera.pixel_um * 1e-3 / self.telescope.focal_mm * ARCSEC
    }

    /// Wavelengths of the channels that the camera tells apart, nm.
    pub fn channels(&self) -> Vec<(&'static str, f64)> {
        let colours = || ["R", "G", "B"].into_iter().zip(self.wavelengths_nm);
        match self.camera.layout {
            Layout::Mono => {
                let filtered = self.filter.and_then(|colour| colours().nth(colour));
                vec![filtered.unwrap_or(("L", self.wavelengths_nm[1]))]
            }
            _ => colours().collect(),
        }
    }

    /// Share of the light of each channel that the camera records, against green.
    pub fn sensitivities(&self) -> Vec<f64> {
        match (self.camera.layout, self.filter) {
            (Layout::Mono, Some(colour)) => vec![self.camera.sensitivity[colour.min(2)]],
            (Layout::Mono, None) => vec![1.0],
            _ => self.camera.sensitivity.to_vec(),
        }
    }

    /// Cutoff of the aperture at a wavelength, cycles per camera pixel.
    pub fn cutoff_cycles_per_px(&self, wavelength_nm: f64) -> f64 {
        self.telescope.aperture_mm / (wavelength_nm * 1e-6) / ARCSEC * self.arcsec_per_px()
    }

    pub(crate) fn surface_seed(&self) -> u64 {
        self.seed
    }

    /// Checks every range; the first fault is returned.
    pub fn check(&self) -> Result<(), SimulateError> {
        let within = |name: &'static str, value: f64, low: f64, high: f64, allowed: &'static str| {
            if value >= low && value <= high {
                Ok(())
            } else {
                Err(SimulateError::Range { name, value: value.to_string(), allowed })
            }
        };
        within("diameter_arcsec", self.diameter_arcsec, 0.5, 200.0, "0.5 to 200 arcsec")?;
        within("phase_deg", self.phase_deg, 0.0, 180.0, "0 to 180 degrees")?;
        within("flattening", self.flattening, 0.0, 0.5, "0 to 0.5")?;
        within("sun_altitude_deg", self.sun_altitude_deg, 1.0, 90.0, "1 to 90 degrees")?;
        within("sub_observer_latitude_deg", self.sub_observer_latitude_deg, -90.0, 90.0, "-90 to 90 degrees")?;
        within("aperture_mm", self.telescope.aperture_mm, 10.0, 3000.0, "10 to 3000 mm")?;
        within("obstruction", self.telescope.obstruction, 0.0, 0.8, "0 to 0.8 of the diameter")?;
        within("focal_mm", self.telescope.focal_mm, 50.0, 100_000.0, "50 to 100 000 mm")?;
        within("pixel_um", self.camera.pixel_um, 0.5, 50.0, "0.5 to 50 micrometres")?;
        within("width", self.camera.width as f64, 8.0, 8192.0, "8 to 8192 px")?;
        within("height", self.camera.height as f64, 8.0, 8192.0, "8 to 8192 px")?;
        within("bits", f64::from(self.camera.bits), 8.0, 16.0, "8 to 16")?;
        within("gain_e_per_adu", self.camera.gain_e_per_adu, 1e-3, 1e4, "0.001 to 10 000 electrons per unit")?;
        within("frames_per_s", self.camera.frames_per_s, 0.01, 10_000.0, "0.01 to 10 000")?;
        within(
            "exposure_s",
            self.camera.exposure_s,
            1e-6,
            1.0 / self.camera.frames_per_s,
            "up to the time between two frames",
        )?;
        within("dropped", self.camera.dropped, 0.0, 0.9, "0 to 0.9 of the frames")?;
        within("d_over_r0", self.seeing.d_over_r0, 0.0, 20.0, "0 to 20")?;
        within("pupil_points", self.seeing.pupil_points as f64, 16.0, 256.0, "16 to 256")?;
        within("steps", self.seeing.steps as f64, 1.0, 64.0, "1 to 64")?;
        within("field_points", self.seeing.field_points as f64, 1.0, 64.0, "1 to 64")?;
        within("screen_points", self.seeing.screen_points as f64, 64.0, 8192.0, "64 to 8192")?;
        within("screen_points_per_aperture", self.seeing.screen_points_per_aperture, 4.0, 128.0, "4 to 128")?;
        within("altitude_deg", self.altitude_deg, 5.0, 90.0, "5 to 90 degrees")?;
        within("frames", self.frames as f64, 1.0, 10_000_000.0, "1 to 10 000 000")?;
        let layers = self.seeing.heights_m.len();
        let shares: f64 = self.seeing.shares.iter().sum();
        if layers == 0
            || self.seeing.shares.len() != layers
            || self.seeing.winds_m_per_s.len() != layers
            || shares <= 0.0
        {
            return Err(SimulateError::Range {
                name: "heights_m",
                value: format!("{:?}", self.seeing.heights_m),
                allowed: "one height, share and wind for every layer, at least one layer",
            });
        }
        Ok(())
    }
}
