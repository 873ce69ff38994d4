//! Between two pictures of one globe: where each pixel of the one is to be read in the other, and how much it counts.

use stillair_api::{Globe, Image};
use stillair_maths::globe::{Globe as Figure, HIDDEN_WEIGHT, Turn, limb_gain};
use stillair_maths::resample::{Kernel, Prepared};

use crate::outline::Plane;
use crate::profile;
use crate::spheroid::behind_rings;
use crate::zonal;

/// A globe on a picture, ready to be read.
#[derive(Debug, Clone)]
pub struct View {
    /// The globe.
    pub figure: Figure,
    /// 1, or -1 where the picture is mirrored against the one to be made.
    pub side: f64,
    /// How far the globe had turned since the common instant, radians to the right in the frame of the picture to be made;
    /// 0 where nothing is turned.
    pub turn_rad: f64,
    /// Share by which a parallel turns further ([`crate::zonal`]).
    pub zonal: Vec<f32>,
    /// Brightness from centre to limb of each channel.
    pub profiles: Vec<Vec<f32>>,
    /// Sky of each channel.
    pub skies: Vec<f64>,
    /// Moons beside the globe, which move on their own.
    pub moons: Vec<CarriedMoon>,
}

/// The neighbourhood of a moon, or of its shadow on the globe, that is carried to its place at the common instant, in the
/// frame of the picture to be made and in equatorial radii.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarriedMoon {
    /// Where it stands at the instant: right of and along the pole.
    pub at: [f64; 2],
    /// From there to where the picture shows it.
    pub shift: [f64; 2],
    /// Up to this distance all moves with it.
    pub reach: f64,
    /// Over this distance more the motion fades away.
    pub fade: f64,
    /// Whether it is a shadow on the globe.
    pub on_globe: bool,
}

impl CarriedMoon {
    /// Which part of its motion a place takes.
    fn share_at(&self, x: f64, y: f64) -> f64 {
        let off = (libm::hypot(x - self.at[0], y - self.at[1]) - self.reach) / self.fade;
        if off >= 1.0 { 0.0 } else { 0.5 + 0.5 * libm::cos(std::f64::consts::PI * off.max(0.0)) }
    }
}

/// The figure of a globe with another centre.
pub fn figure(globe: &Globe, centre: [f64; 2]) -> Figure {
    Figure::new(centre, globe.equatorial_radius_px, globe.axis_ratio, globe.latitude_rad, globe.pole_rad)
}

/// Sky and profile of each channel.
pub fn limb_profiles(image: &Image, globe: &Globe) -> (Vec<f64>, Vec<Vec<f32>>) {
    let figure = figure(globe, [globe.x_px, globe.y_px]);
    let rings = globe.body == "saturn";
    (0..image.channels)
        .map(|channel| {
            let plane = Plane { data: image.channel(channel), width: image.width, height: image.height };
            let sky = profile::sky(plane);
            let keep = |u: f64, v: f64| !rings || !behind_rings(u, v, globe.latitude_rad);
            (sky, profile::profile(plane, &figure, sky, keep))
        })
        .unzip()
}

/// A pixel of the picture to be made, as another shows it.
#[derive(Debug, Clone, Copy)]
pub struct Read {
    /// Where to read, px.
    pub at: (f64, f64),
    /// Weight of what is read there.
    pub weight: f64,
    /// Distances from the centre there and here for the darkening.
    pub limb: (f64, f64),
}

impl View {
    /// The turn since the common instant.
    pub fn turn(&self) -> Turn<'_> {
        Turn::new(self.turn_rad, &self.zonal)
    }

    /// Where a pixel of `to` is to be read; `turn` is that of [`View::turn`].
    pub fn read(&self, to: &Figure, turn: &Turn<'_>, x_px: f64, y_px: f64) -> Read {
        let (x, y) = to.to_pole_frame(x_px, y_px);
        let still = |weight| Read { at: self.figure.to_picture(self.side * x, y), weight, limb: (1.0, 1.0) };
        let Some(here) = to.surface(x, y) else {
            let beside = self.moons.iter().filter(|moon| !moon.on_globe);
            let [u, v] = beside.fold([x, y], |[u, v], moon| {
                let share = moon.share_at(x, y);
                [u + share * moon.shift[0], v + share * moon.shift[1]]
            });
            return Read { at: self.figure.to_picture(self.side * u, v), weight: 1.0, limb: (1.0, 1.0) };
        };
        let Some(there) = here.turned(to, turn) else { return still(HIDDEN_WEIGHT) };
        let (mut u, mut v) = self.figure.appears(&there);
        for shadow in self.moons.iter().filter(|moon| moon.on_globe) {
            let share = shadow.share_at(x, y);
            u += share * (x + shadow.shift[0] - u);
            v += share * (y + shadow.shift[1] - v);
        }
        let weight = if here.cos_emission > 0.0 { there.cos_emission / here.cos_emission } else { 1.0 };
        Read {
            at: self.figure.to_picture(self.side * u, v),
            weight: weight.clamp(HIDDEN_WEIGHT, 1.0),
            limb: (to.limb_distance(x, y), to.limb_distance(u, v)),
        }
    }

    /// A view of a globe that was turned `seconds` after the common instant.
    pub fn new(image: &Image, globe: &Globe, side: f64, sense: f64, seconds: f64) -> Self {
        let (skies, profiles) = limb_profiles(image, globe);
        Self {
            figure: figure(globe, [globe.x_px, globe.y_px]),
            side,
            turn_rad: sense * globe.turn_rad_per_s.abs() * seconds,
            zonal: zonal::shares(&globe.body),
            profiles,
            skies,
            moons: Vec::new(),
        }
    }
}

/// Where every pixel is read, how much it counts there, and the factor of each channel.
#[derive(Debug, Clone)]
pub struct Map {
    /// Columns and rows to read, px.
    pub x: Vec<f64>,
    /// Rows to read, px.
    pub y: Vec<f64>,
    /// Weights.
    pub weight: Vec<f32>,
    /// Distances here and there.
    pub limb: Vec<(f32, f32)>,
}

impl Map {
    /// The map of a canvas onto a view; pixels that the picture does not show count nothing.
    pub fn new(view: &View, to: &Figure, width: usize, height: usize, image: &Image) -> Self {
        let n = width * height;
        let mut map = Self { x: vec![0.0; n], y: vec![0.0; n], weight: vec![0.0; n], limb: vec![(1.0, 1.0); n] };
        let (right, bottom) = (image.width as f64 - 1.0, image.height as f64 - 1.0);
        let turn = view.turn();
        for at in 0..n {
            let read = view.read(to, &turn, (at % width) as f64, (at / width) as f64);
            (map.x[at], map.y[at]) = read.at;
            let shown = (0.0..=right).contains(&read.at.0) && (0.0..=bottom).contains(&read.at.1);
            map.weight[at] = if shown { read.weight as f32 } else { 0.0 };
            map.limb[at] = (read.limb.0 as f32, read.limb.1 as f32);
        }
        map
    }

    /// Reads one plane through the map.
    pub fn carried(
        &self,
        prepared: &mut Prepared,
        plane: &[f32],
        image: &Image,
        profile: &[f32],
        sky: f64,
    ) -> Vec<f32> {
        prepared.load(plane, image.width, image.height);
        let n = self.x.len();
        let mut out = vec![0.0; n];
        prepared.warp(n, 1, &mut out, |_, xs, ys| {
            xs.copy_from_slice(&self.x);
            ys.copy_from_slice(&self.y);
        });
        for (value, (here, there)) in out.iter_mut().zip(&self.limb) {
            let gain = limb_gain(profile, (f64::from(*here), f64::from(*there)));
            *value = sky as f32 + gain * (*value - sky as f32);
        }
        out
    }
}

/// The kernel's name in words.
pub fn kernel_words(kernel: Kernel) -> &'static str {
    match kernel {
        Kernel::Lanczos4 => "one more resampling by Lanczos with four lobes",
        _ => "one more resampling by the interpolating cubic B-spline",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Jupiter upright, seen from its equator's plane, 1000 px large so that a hundredth of a degree shows.
    fn view(seconds: f64) -> (View, Figure) {
        let figure = Figure::new([0.0, 0.0], 1000.0, 0.935, 0.0, 0.0);
        // 870.27 degrees a day, System II (IAU 2015).
        let turn_rad = 870.27_f64.to_radians() / 86_400.0 * seconds;
        let (profiles, skies) = (Vec::new(), Vec::new());
        let zonal = zonal::shares("jupiter");
        (View { figure, side: 1.0, turn_rad, zonal, profiles, skies, moons: Vec::new() }, figure)
    }

    // One turn takes 9 h 50 min 30.0 s within some 7 degrees of the equator (System I) and 9 h 55 min 40.6 s beyond 12 degrees
    // (System II), as commonly quoted (stillair-sky's tests/data/facts.toml).
    #[test]
    fn the_equator_runs_ahead_of_the_rest() {
        for seconds in [1800.0, -1800.0, 120.0] {
            let (view, to) = view(seconds);
            for (y_px, period_s) in [(-20.0, 35_430.0), (60.0, 35_430.0), (-400.0, 35_740.6), (300.0, 35_740.6)] {
                let read = view.read(&to, &view.turn(), 0.0, y_px);
                // Height along the axis: the parallel's radius follows from the ellipse.
                let parallel_px = 1000.0 * (1.0 - (y_px / 935.0_f64).powi(2)).sqrt();
                let expected = parallel_px * libm::sin(std::f64::consts::TAU * seconds / period_s);
                assert!((read.at.0 - expected).abs() < 0.05, "{seconds} {y_px}: {} {expected}", read.at.0);
                assert!((read.at.1 - y_px).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn a_moon_is_read_where_it_was_and_nothing_twice() {
        let (mut view, to) = view(60.0);
        view.moons.push(CarriedMoon { at: [1.5, 0.1], shift: [0.02, -0.01], reach: 0.05, fade: 0.06, on_globe: false });
        let read = view.read(&to, &view.turn(), 1500.0, -100.0).at;
        assert!((read.0 - 1520.0).abs() < 1e-6 && (read.1 + 90.0).abs() < 1e-6, "{read:?}");
        assert_eq!(view.read(&to, &view.turn(), 1700.0, -100.0).at, (1700.0, -100.0));
        // A shadow on the globe is read where it was, and not where the surface about it was.
        view.moons.push(CarriedMoon { at: [0.3, 0.2], shift: [0.012, 0.0], reach: 0.05, fade: 0.06, on_globe: true });
        let read = view.read(&to, &view.turn(), 300.0, -200.0).at;
        assert!((read.0 - 312.0).abs() < 1e-6 && (read.1 + 200.0).abs() < 1e-6, "{read:?}");
        // Along the way each place is read once: what is read moves on with what is made.
        let along: Vec<f64> = (1300..1700).map(|x| view.read(&to, &view.turn(), f64::from(x), -100.0).at.0).collect();
        assert!(along.windows(2).all(|pair| pair[1] > pair[0]));
    }
}
