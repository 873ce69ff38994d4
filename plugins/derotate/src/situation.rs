//! What the session and the capture's clock say of the target: which body, when, from where, and how the picture lies on
//! the sky.

use jiff::Timestamp;
use stillair_api::Facts;
use stillair_sky::{Body, Disc, Observer, Site, Sky, System};

/// The session facts that are read.
pub const FACTS: [&str; 11] = [
    "target.name",
    "time.utc_offset_s",
    "time.trusted",
    "site.latitude_deg",
    "site.longitude_deg",
    "site.elevation_m",
    "orientation.up_position_angle_deg",
    "orientation.mirrored",
    "telescope.focal_mm",
    "camera.pixel_um",
    "telescope.aperture_mm",
];

/// Seconds of arc in a radian.
const ARCSEC_PER_RADIAN: f64 = 206_264.806_247_096_36;

/// Facts of a clip as far as they are given.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Given {
    /// Name of the target.
    pub target: Option<String>,
    /// To be added to the capture's clock, s.
    pub utc_offset_s: f64,
    /// Whether the clock was right; `None` where nothing is said.
    pub trusted: Option<bool>,
    /// Where the observer stood.
    pub site: Option<Site>,
    /// Position angle of the picture's up direction, degrees.
    pub up_position_angle_deg: Option<f64>,
    /// Whether the picture is mirrored.
    pub mirrored: bool,
    /// Scale by focal length and pixel pitch.
    pub arcsec_per_px: Option<f64>,
    /// Clear diameter of the telescope, mm.
    pub aperture_mm: Option<f64>,
}

impl Given {
    /// Reads the facts.
    pub fn from_facts(facts: &Facts) -> Self {
        let site = match (facts.number("site.latitude_deg"), facts.number("site.longitude_deg")) {
            (Some(latitude_deg), Some(longitude_deg)) => {
                Site::new(latitude_deg, longitude_deg, facts.number("site.elevation_m").unwrap_or(0.0)).ok()
            }
            _ => None,
        };
        let positive = |name: &str| facts.number(name).filter(|v| v.is_finite() && *v > 0.0);
        let arcsec_per_px = match (positive("telescope.focal_mm"), positive("camera.pixel_um")) {
            (Some(focal_mm), Some(pixel_um)) => Some(ARCSEC_PER_RADIAN * pixel_um * 1e-3 / focal_mm),
            _ => None,
        };
        Self {
            target: facts.text("target.name").map(str::to_string),
            utc_offset_s: facts.number("time.utc_offset_s").unwrap_or(0.0),
            trusted: facts.flag("time.trusted"),
            site,
            up_position_angle_deg: facts.number("orientation.up_position_angle_deg"),
            mirrored: facts.flag("orientation.mirrored").unwrap_or(false),
            arcsec_per_px,
            aperture_mm: positive("telescope.aperture_mm"),
        }
    }

    /// Whether the target is the Moon, which keeps its face.
    pub fn is_moon(&self) -> bool {
        self.target.as_ref().is_some_and(|name| matches!(name.parse(), Ok(Body::Moon)))
    }
}

/// A body at an instant.
#[derive(Debug, Clone)]
pub struct Situation {
    /// The body.
    pub body: Body,
    /// The instant, ns since 1970 UTC, the session's correction applied.
    pub unix_ns: i64,
    /// Size, phase and turn of the globe.
    pub disc: Disc,
    /// Rotation of surface features in the sense that the disc's centre meridian moves to the right of the pole on an
    /// unmirrored picture, radians per s.
    pub turn_rad_per_s: f64,
    /// Altitude above the horizon, degrees, where the site is known.
    pub altitude_deg: Option<f64>,
}

impl Situation {
    /// The body's place in the sky at the middle of a picture.
    ///
    /// # Errors
    /// In words: what is missing or wrong, and what would mend it.
    pub fn of(given: &Given, middle_unix_ns: Option<i64>) -> Result<Self, String> {
        let Some(name) = &given.target else {
            return Err(
                "no target is named: say [target] name = \"...\" in the session, or --fact target.name=...".into()
            );
        };
        let body: Body = name.parse().map_err(|_| {
            let known: Vec<_> = Body::ALL.iter().map(|b| b.name()).collect();
            format!("the sky knows no target `{name}`: it knows {}", known.join(", "))
        })?;
        if body == Body::Moon {
            return Err("the Moon keeps its face: there is no rotation to undo".into());
        }
        let Some(middle) = middle_unix_ns else {
            return Err(
                "the capture has no time: a format with time stamps is needed to place the planet in the sky".into()
            );
        };
        let unix_ns = middle.saturating_add(libm::round(given.utc_offset_s * 1e9) as i64);
        let utc =
            Timestamp::from_nanosecond(unix_ns.into()).map_err(|_| "the capture's time is out of range".to_string())?;
        let observer = given.site.map_or(Observer::Geocentre, Observer::Site);
        let sky = Sky::at(utc, observer).map_err(|e| format!("the capture's time does not suit: {e}"))?;
        let disc = sky.disc(body);
        // Venus and Uranus turn the other way about the pole that the IAU calls north.
        let retrograde = matches!(body, Body::Venus | Body::Uranus);
        let system = (body == Body::Jupiter).then_some(System::II);
        let rate = stillair_sky::rotation::rate_deg_per_day(body, system).abs().to_radians() / 86_400.0;
        let horizon = given.site.and_then(|site| sky.horizon(body, &site.usual_air()).ok());
        let altitude_deg = horizon.map(|horizon| horizon.altitude_deg);
        Ok(Self { body, unix_ns, disc, turn_rad_per_s: if retrograde { -rate } else { rate }, altitude_deg })
    }

    /// Direction of a position angle on the picture, clockwise from up, radians; `None` where the session does not say how
    /// the picture lies.
    pub fn on_picture(&self, given: &Given, position_angle_deg: f64) -> Option<f64> {
        given.up_position_angle_deg.map(|up| {
            // East is to the left of north, so position angles run anticlockwise.
            let from_up = (position_angle_deg - up).to_radians();
            if given.mirrored { from_up } else { -from_up }
        })
    }
}

/// An angle brought to -pi..pi.
pub fn wrapped(angle_rad: f64) -> f64 {
    angle_rad - std::f64::consts::TAU * (angle_rad / std::f64::consts::TAU).round()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn jupiter() -> Given {
        Given { target: Some("Jupiter".into()), ..Given::default() }
    }

    // Case of stillair-sky's tests/data/ephemeris.toml and of any almanac: Jupiter is not larger than 51 and not smaller
    // than 30 arcsec (textbook).
    #[test]
    fn what_is_missing_is_said() {
        let at = Some(1_800_000_000_000_000_000);
        assert!(Situation::of(&Given::default(), at).unwrap_err().contains("no target"));
        assert!(Situation::of(&jupiter(), None).unwrap_err().contains("no time"));
        let pluto = Given { target: Some("pluto".into()), ..Given::default() };
        assert!(Situation::of(&pluto, at).unwrap_err().contains("mercury, venus"));
        let far = Situation::of(&jupiter(), Some(4_000_000_000_000_000_000)).unwrap_err();
        assert!(far.contains("does not suit"), "{far}");
        let known = Situation::of(&jupiter(), at).unwrap();
        assert!((30.0..51.0).contains(&known.disc.equatorial_diameter_arcsec));
    }

    #[test]
    fn east_is_to_the_left_unless_mirrored() {
        let known = Situation::of(&jupiter(), Some(1_800_000_000_000_000_000)).unwrap();
        let mut given = Given { up_position_angle_deg: Some(0.0), ..jupiter() };
        assert!(known.on_picture(&given, 90.0).unwrap() < 0.0);
        given.mirrored = true;
        assert!(known.on_picture(&given, 90.0).unwrap() > 0.0);
        assert_eq!(known.on_picture(&jupiter(), 90.0), None);
    }

    #[test]
    fn the_clock_is_put_right_by_the_session() {
        let given = Given { utc_offset_s: -3600.0, ..jupiter() };
        let known = Situation::of(&given, Some(1_800_000_000_000_000_000)).unwrap();
        assert_eq!(known.unix_ns, 1_799_996_400_000_000_000);
    }
}
