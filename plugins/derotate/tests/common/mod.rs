//! Painted planets: belts, spots, limb darkening, phase, rings and a moon, through `stillair_sky::Spheroid` (tested there
//! against CSPICE), blurred by a Gaussian, with noise from a counter.

#![allow(dead_code)]

use stillair_api::{FactOrigin, FactValue, Facts, Image};
use stillair_maths::border::Border;
use stillair_maths::filters::gaussian;
use stillair_sky::{Body, Disc, LongitudeSense, Observer, Sky, Spheroid};

/// What is painted.
#[derive(Clone)]
pub struct Painted {
    pub body: Body,
    pub utc: &'static str,
    pub side: usize,
    pub centre: [f64; 2],
    pub radius_px: f64,
    /// Direction of the pole on the picture, clockwise from up.
    pub pole_deg: f64,
    pub mirrored: bool,
    /// Turn of the globe to the right.
    pub turn_deg: f64,
    pub blur_px: f64,
    /// Share of the light in a wide halo, and its width.
    pub halo: (f64, f64),
    pub noise: f64,
    pub seed: u64,
    pub belts: f64,
    pub rings: bool,
    /// Spots of the surface.
    pub spots: f64,
    /// Contrast of large dark lands with sharp shores (made up).
    pub lands: f64,
    /// Minnaert's exponent of the darkening; `None` for the law of Lommel and Seeliger, mu0 / (mu0 + mu) (textbook).
    pub minnaert: Option<f64>,
    /// A moon: place in the pole's frame in radii, radius in radii, brightness.
    pub moon: Option<([f64; 2], f64, f64)>,
}

impl Painted {
    pub fn new(body: Body, utc: &'static str, side: usize, radius_px: f64) -> Self {
        let middle = 0.5 * (side as f64 - 1.0);
        Self {
            body,
            utc,
            side,
            centre: [middle + 1.37, middle - 2.21],
            radius_px,
            pole_deg: 17.3,
            mirrored: false,
            turn_deg: 0.0,
            blur_px: 1.6,
            halo: (0.0, 1.0),
            noise: 0.002,
            seed: 1,
            belts: 0.2,
            spots: 0.05,
            lands: 0.0,
            minnaert: Some(0.9),
            rings: body == Body::Saturn,
            moon: None,
        }
    }

    pub fn disc(&self) -> Disc {
        let utc = self.utc.parse().unwrap();
        Sky::at(utc, Observer::Geocentre).unwrap().disc(self.body)
    }

    /// The session's up direction that makes the pole stand at `pole_deg`.
    pub fn up_position_angle_deg(&self) -> f64 {
        let pole = self.disc().pole_position_angle_deg;
        if self.mirrored { pole - self.pole_deg } else { pole + self.pole_deg }
    }

    pub fn facts(&self, oriented: bool) -> Facts {
        let mut facts = Facts::default();
        let mut set = |name: &str, value| facts.set(name, value, FactOrigin::Session);
        set("target.name", FactValue::Text(self.body.name().into()));
        if oriented {
            set("orientation.up_position_angle_deg", FactValue::Number(self.up_position_angle_deg()));
            set("orientation.mirrored", FactValue::Flag(self.mirrored));
        }
        // A focal length of 2 m and the pixel that gives the painted size.
        let arcsec_per_px = 0.5 * self.disc().equatorial_diameter_arcsec / self.radius_px;
        set("telescope.focal_mm", FactValue::Number(2000.0));
        set("camera.pixel_um", FactValue::Number(arcsec_per_px * 2000.0 * 1e3 / 206_264.806));
        facts
    }

    fn surface(&self, latitude_deg: f64, longitude_deg: f64) -> f64 {
        let (b, l) = (latitude_deg.to_radians(), longitude_deg.to_radians());
        let belts = self.belts * ((13.0 * b + 0.7).cos() + 0.5 * (5.0 * b).sin());
        let spots = self.spots * b.cos() * ((23.0 * l + 2.0 * b).sin() + (31.0 * l - 3.0 * b + 1.0).sin());
        let shape = (2.0 * l + 1.7 * (3.0 * b).sin()).sin() + (3.0 * l - 2.0 * b + 0.4).cos() * (2.5 * b + 0.5).cos();
        let land = ((shape - 0.2) / 0.3).clamp(0.0, 1.0);
        (0.7 + belts + spots) * (1.0 - self.lands * land)
    }

    fn brightness(&self, globe: &Spheroid, sun: [f64; 3], x: f64, y: f64) -> f64 {
        let latitude_rad = globe.sub_observer_planetocentric_lat_deg().to_radians();
        let (u, v) = ((x - self.centre[0]) / self.radius_px, (y - self.centre[1]) / self.radius_px);
        let (sin, cos) = self.pole_deg.to_radians().sin_cos();
        let (right, up) = (u * cos + v * sin, u * sin - v * cos);
        if let Some(([mx, my], radius, level)) = self.moon
            && (right - mx).hypot(up - my) < radius
        {
            return level;
        }
        let located = globe.locate_in_pole_frame(right, up);
        let sine = latitude_rad.sin();
        if self.rings && sine != 0.0 {
            let distance = right.hypot(up / sine);
            let near = up * sine < 0.0;
            // The edges of the rings (NASA fact sheet, as in stillair-sky::rings) over Saturn's radius of 60 268 km.
            let level = match distance * 60_268.0 {
                d if (92_000.0..117_580.0).contains(&d) => 0.9,
                d if (122_170.0..136_775.0).contains(&d) => 0.6,
                _ => 0.0,
            };
            if level > 0.0 && (near || located.is_none()) {
                return level;
            }
        }
        let Some((lat, from_centre, mu)) = located else { return 0.0 };
        // Cosine of incidence at the point, through its normal in the pole's frame.
        let (b, d) = (lat.to_radians(), from_centre.to_radians());
        let (sin_b, cos_b) = latitude_rad.sin_cos();
        let (nx, ne, nh) = (b.cos() * d.sin(), b.cos() * d.cos(), b.sin());
        let normal = [nx, nh * cos_b - ne * sin_b, nh * sin_b + ne * cos_b];
        let mu0: f64 = normal.iter().zip(sun).map(|(a, b)| a * b).sum();
        if mu0 <= 0.0 {
            return 0.0;
        }
        let law = match self.minnaert {
            Some(k) => mu0.powf(k) * mu.max(1e-3).powf(k - 1.0),
            None => 2.0 * mu0 / (mu0 + mu),
        };
        self.surface(lat, from_centre - self.turn_deg) * law
    }

    /// Direction of the Sun in the pole's frame (right, up, towards the observer).
    fn sun(&self) -> [f64; 3] {
        let disc = self.disc();
        let phase = disc.phase_angle_deg.to_radians();
        // Position angles run anticlockwise on an unmirrored picture.
        let from_pole = (disc.bright_limb_position_angle_deg - disc.pole_position_angle_deg).to_radians();
        let clockwise = if self.mirrored { from_pole } else { -from_pole };
        [phase.sin() * clockwise.sin(), phase.sin() * clockwise.cos(), phase.cos()]
    }

    pub fn paint(&self) -> Image {
        const PARTS: usize = 4;
        let disc = self.disc();
        let latitude = disc.sub_observer.planetocentric_lat_deg;
        let globe = Spheroid::new(self.body.axis_ratio(), LongitudeSense::West, latitude, 0.0, 0.0);
        let sun = self.sun();
        let mut image = Image::new(self.side, self.side, 1);
        for y in 0..self.side {
            for x in 0..self.side {
                let mut sum = 0.0;
                for part in 0..PARTS * PARTS {
                    let sub = |k: usize| (k as f64 + 0.5) / PARTS as f64 - 0.5;
                    sum += self.brightness(&globe, sun, x as f64 + sub(part % PARTS), y as f64 + sub(part / PARTS));
                }
                image.data[y * self.side + x] = 0.01 + (0.5 * sum / (PARTS * PARTS) as f64) as f32;
            }
        }
        let mut blurred = vec![0.0; image.data.len()];
        gaussian(&image.data, self.side, self.side, self.blur_px, Border::Nearest, &mut blurred, &mut Vec::new());
        if self.halo.0 > 0.0 {
            let mut wide = vec![0.0; image.data.len()];
            gaussian(&image.data, self.side, self.side, self.halo.1, Border::Nearest, &mut wide, &mut Vec::new());
            for (value, wide) in blurred.iter_mut().zip(&wide) {
                *value += self.halo.0 as f32 * (wide - *value);
            }
        }
        let noisy = |half: u64| -> Vec<f32> {
            let with =
                |(i, v): (usize, &f32)| v + (self.noise * std::f64::consts::SQRT_2 * normal(self.seed, half, i)) as f32;
            blurred.iter().enumerate().map(with).collect()
        };
        let (a, b) = (noisy(0), noisy(1));
        image.data = a.iter().zip(&b).map(|(a, b)| 0.5 * (a + b)).collect();
        image.halves = Some([a, b]);
        let utc: jiff::Timestamp = self.utc.parse().unwrap();
        image.info.middle_unix_ns = Some(utc.as_nanosecond() as i64);
        image.info.frames_used = 100;
        image.info.frames_effective = 80.0;
        let middle = 0.5 * (self.side as f64 - 1.0);
        image.info.reference_px = [middle, middle];
        image
    }
}

/// About a normal deviate: twelve uniform ones from a counter (central limit, textbook).
fn normal(seed: u64, half: u64, index: usize) -> f64 {
    let mut state = (seed << 40) ^ (half << 36) ^ index as u64;
    let mut sum = -6.0;
    for _ in 0..12 {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        sum += ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64;
    }
    sum
}

/// The transform of a name with default parameters.
pub fn transform(name: &str, facts: &Facts) -> Box<dyn stillair_api::Transform> {
    let method = stillair_derotate::plugin().methods.into_iter().find(|m| m.describe().method == name).unwrap();
    match method.create(&method.describe().defaults(), facts).unwrap() {
        stillair_api::Node::Transform(node) => node,
        _ => panic!("{name} is a transform"),
    }
}
