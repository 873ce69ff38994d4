//! Test scenes made by other means than the methods use: a banded spheroid drawn by oversampling,
//! blurred by core and halo outside the fitted family, with white noise in two half-stacks.

use stillair_api::{Disc, FactOrigin, FactValue, Facts, Globe, Image};
use stillair_maths::fft::{Fft2, frequency};
use stillair_maths::mtf;

/// Side of the pictures, px.
pub const SIDE: usize = 96;
/// Equatorial radius, px.
pub const RADIUS: f64 = 27.0;
/// Cut-off of a mono channel, cycles per px.
pub const CUTOFF: f64 = 0.5;

/// A stack and what it should become.
pub struct Scene {
    /// The stack with half-stacks.
    pub stack: Image,
    /// The object through a Gaussian of 0.9 lambda/D, per channel.
    pub truth: Vec<f32>,
}

/// Facts of the telescope behind the scenes: cut-off 0.5 cycles per px at 550 nm.
pub fn facts() -> Facts {
    let mut facts = Facts::default();
    for (name, value) in [
        ("telescope.aperture_mm", 100.0),
        ("telescope.obstruction", 0.3),
        ("telescope.focal_mm", 2000.0),
        ("camera.pixel_um", 5.5),
    ] {
        facts.set(name, FactValue::Number(value), FactOrigin::Session);
    }
    facts
}

fn wavelengths(channels: usize) -> Vec<f64> {
    if channels == 3 { vec![620.0, 530.0, 460.0] } else { vec![550.0] }
}

/// Standard normal numbers: sums of twelve uniform ones (Knuth's MMIX multiplier).
pub fn normals(seed: u64) -> impl FnMut() -> f32 {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    move || {
        (0..12).fold(-6.0_f32, |sum, _| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum + (state >> 40) as f32 / 16_777_216.0
        })
    }
}

/// What a scene shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Look {
    /// Bands and a spot.
    Banded,
    /// A banded globe whose poles are dark and whose limb is dimmer.
    DarkPoles,
    /// A small globe with markings of half its brightness.
    Bold,
    /// A small globe in a ring.
    Ringed,
}

/// Brightness of a globe of `look` at `(u, w)` in its semi-axes, 0 outside.
fn globe(look: Look, u: f64, w: f64) -> f64 {
    let mu2 = 1.0 - u * u - w * w;
    if mu2 <= 0.0 {
        return 0.0;
    }
    let bands = 1.0 - 0.15 * libm::cos(9.0 * w) + 0.05 * libm::sin(23.0 * w + 4.0 * u);
    let spot = -0.2 * libm::exp(-((u - 0.3) * (u - 0.3) + (w - 0.35) * (w - 0.35)) * 200.0);
    match look {
        Look::Banded => libm::pow(mu2, 0.35) * (bands + spot),
        Look::DarkPoles => libm::pow(mu2, 0.5) * (bands + spot) * (1.0 - 0.6 * w * w * w * w),
        Look::Bold => {
            let sea = libm::exp(-(u - 0.2) * (u - 0.2) * 9.0 - (w + 0.3 * u) * (w + 0.3 * u) * 14.0);
            let cap = libm::exp(-(w + 0.95) * (w + 0.95) * 40.0);
            libm::pow(mu2, 0.25) * (1.0 - 0.55 * sea + 0.4 * cap)
        }
        Look::Ringed => libm::pow(mu2, 0.4) * bands,
    }
}

fn draw_look(look: Look) -> Vec<f32> {
    const FINE: usize = 6;
    let radius = if matches!(look, Look::Bold | Look::Ringed) { 15.0 } else { RADIUS };
    let (cos, sin) = (libm::cos(0.3), libm::sin(0.3));
    let mut out = vec![0.0; SIDE * SIDE];
    for (i, v) in out.iter_mut().enumerate() {
        let mut sum = 0.0;
        for sub in 0..FINE * FINE {
            let x = (i % SIDE) as f64 + ((sub % FINE) as f64 + 0.5) / FINE as f64 - 0.5 - 47.2;
            let y = (i / SIDE) as f64 + ((sub / FINE) as f64 + 0.5) / FINE as f64 - 0.5 - 46.6;
            let (u, w) = ((x * cos + y * sin) / radius, (y * cos - x * sin) / (0.94 * radius));
            let own = globe(look, u, w);
            // A ring from 1.25 to 2.2 radii, open by a third; its near half crosses the globe.
            let far = libm::hypot(u, 3.0 * w);
            let ring = look == Look::Ringed && (1.25..2.2).contains(&far) && (w > 0.0 || own == 0.0);
            sum += if ring { 0.7 } else { own };
        }
        *v = (0.5 * sum / (FINE * FINE) as f64) as f32;
    }
    out
}

/// What a placement tells of a globe at a place of a radius, px, with its pole at an angle, radians: equator-on, full and
/// oriented; polar radius 0.94 as seen.
pub fn placed(body: &str, centre_px: (f64, f64), radius_px: f64, pole_rad: f64) -> (Globe, Disc) {
    let globe = Globe {
        body: body.into(),
        unix_ns: 0,
        x_px: centre_px.0,
        y_px: centre_px.1,
        equatorial_radius_px: radius_px,
        axis_ratio: 0.94,
        arcsec_per_px: 1.0,
        pole_rad,
        pole_sigma_rad: 0.01,
        oriented: true,
        mirrored: false,
        latitude_rad: 0.0,
        turn_rad_per_s: 0.0,
        sense_measured: false,
        central_meridian_deg: 0.0,
        central_meridian_i_deg: None,
        central_meridian_ii_deg: None,
        phase_rad: 0.0,
        bright_limb_rad: 0.0,
        sun_latitude_rad: 0.0,
        sun_longitude_rad: 0.0,
        doubts: Vec::new(),
    };
    let disc = Disc {
        x_px: globe.x_px,
        y_px: globe.y_px,
        equatorial_radius_px: radius_px,
        polar_radius_px: 0.94 * radius_px,
        pole_rad,
    };
    (globe, disc)
}

/// Jitter that a stack of a globe of this size keeps at this wavefront, at 550 nm: simulated clips of globes of 18 to
/// 84 lambda/D through Kolmogorov screens, stacked and compared with their truth, keep a motion of 0.15 to 0.23 of the
/// wavefront's variance; this is the least, `2 pi^2 0.15 0.7`.
pub const JITTER: f64 = 2.1;

/// Transfer of the air behind a scene at `nu` of the cut-off. A wavefront's variance goes as the
/// inverse square of the wavelength.
pub fn air(wavelength_nm: f64, jitter: f64, nu: f64) -> f64 {
    let shorter = (550.0 / wavelength_nm) * (550.0 / wavelength_nm);
    let core = libm::exp(-0.7 * shorter);
    core * libm::exp(-jitter * shorter * nu * nu)
        + (1.0 - core) * libm::exp(-(9.0 + 13.0 * 0.7 * shorter) * libm::pow(nu, 1.7))
}

/// A banded scene of 1 or 3 channels.
pub fn scene(channels: usize, seed: u64) -> Scene {
    scene_of(Look::Banded, JITTER, channels, seed)
}

/// A scene of 1 or 3 channels.
pub fn scene_of(look: Look, jitter: f64, channels: usize, seed: u64) -> Scene {
    let plan = Fft2::new(SIDE, SIDE);
    let mut scratch = plan.scratch();
    let mut normal = normals(seed);
    let mut stack = Image::new(SIDE, SIDE, channels);
    stack.info.wavelength_nm = wavelengths(channels);
    stack.data.clear();
    let (mut halves, mut truth) = ([Vec::new(), Vec::new()], Vec::new());
    for nm in wavelengths(channels) {
        let cutoff = CUTOFF * 550.0 / nm;
        let mut sharp = plan.spectrum();
        plan.forward(&draw_look(look), &mut sharp, &mut scratch);
        let filtered = |gain: &dyn Fn(f64, f64) -> f64, scratch: &mut _| {
            let mut spectrum = sharp.clone();
            for (i, v) in spectrum.iter_mut().enumerate() {
                let (kx, ky) = (i % plan.half_width(), i / plan.half_width());
                *v *= gain(frequency(kx, SIDE), frequency(ky, SIDE)) as f32;
            }
            let mut picture = vec![0.0; SIDE * SIDE];
            plan.inverse(&mut spectrum, &mut picture, scratch);
            picture
        };
        let blurred = filtered(
            &|fx, fy| {
                let nu = libm::hypot(fx, fy) / cutoff;
                mtf::obstructed(nu, 0.3) * air(nm, jitter, nu)
            },
            &mut scratch,
        );
        truth.extend(filtered(
            &|fx, fy| {
                let sigma = 0.9 / 2.354_82 / cutoff;
                let f2 = fx * fx + fy * fy;
                libm::exp(-2.0 * std::f64::consts::PI.powi(2) * sigma * sigma * f2) / (mtf::pixel(fx) * mtf::pixel(fy))
            },
            &mut scratch,
        ));
        let noisy: Vec<Vec<f32>> =
            (0..2).map(|_| blurred.iter().map(|v| 0.01 + v + 0.0014 * normal()).collect()).collect();
        stack.data.extend(noisy[0].iter().zip(&noisy[1]).map(|(a, b)| 0.5 * (a + b)));
        for (all, half) in halves.iter_mut().zip(noisy) {
            all.extend(half);
        }
    }
    stack.halves = Some(halves);
    Scene { stack, truth: truth.iter().map(|v| v + 0.01).collect() }
}

/// Peak signal to rms error against the truth, dB, all channels together.
pub fn error_db(picture: &[f32], scene: &Scene) -> f64 {
    let peak = f64::from(scene.truth.iter().copied().fold(0.0, f32::max));
    let sum: f64 = picture.iter().zip(&scene.truth).map(|(a, b)| f64::from(a - b).powi(2)).sum();
    10.0 * libm::log10(peak * peak / (sum / picture.len() as f64))
}

/// Smallest and largest mean error of a [`Look::Ringed`] on belts one px wide about the limb where no ring covers it, % of
/// the disc.
pub fn pole_error(channel: &[f32], scene: &Scene) -> (f64, f64) {
    let (cos, sin) = (libm::cos(0.3), libm::sin(0.3));
    let mut belts = [(0.0, 0.0); 8];
    for (i, (v, t)) in channel.iter().zip(&scene.truth).enumerate() {
        let (x, y) = ((i % SIDE) as f64 - 47.2, (i / SIDE) as f64 - 46.6);
        let (u, w) = (x * cos + y * sin, (y * cos - x * sin) / 0.94);
        let off = libm::hypot(u, w) - 11.0;
        if u.abs() < 0.5 * w.abs() && (0.0..8.0).contains(&off) {
            belts[off as usize].0 += f64::from(v - t);
            belts[off as usize].1 += 1.0;
        }
    }
    let means = belts.iter().filter(|b| b.1 > 0.0).map(|b| 100.0 * b.0 / b.1 / 0.5);
    means.fold((0.0, 0.0), |(low, high): (f64, f64), v| (low.min(v), high.max(v)))
}

/// Smallest and largest mean error on rings one px wide from 0.8 to 1.3 radii, % of the disc.
pub fn ring_error(channel: &[f32], scene: &Scene, c: usize) -> (f64, f64) {
    let truth = &scene.truth[c * SIDE * SIDE..(c + 1) * SIDE * SIDE];
    let (cos, sin) = (libm::cos(0.3), libm::sin(0.3));
    let mut rings = vec![(0.0, 0.0); RADIUS as usize];
    for (i, (v, t)) in channel.iter().zip(truth).enumerate() {
        let (x, y) = ((i % SIDE) as f64 - 47.2, (i / SIDE) as f64 - 46.6);
        let rho = libm::hypot(x * cos + y * sin, (y * cos - x * sin) / 0.94) - 0.8 * RADIUS;
        if (0.0..0.5 * RADIUS).contains(&rho) {
            rings[rho as usize].0 += f64::from(v - t);
            rings[rho as usize].1 += 1.0;
        }
    }
    let means = rings.iter().filter(|r| r.1 > 0.0).map(|r| 100.0 * r.0 / r.1 / 0.5);
    means.fold((0.0, 0.0), |(low, high): (f64, f64), v| (low.min(v), high.max(v)))
}

/// Reads a float32 array of two dimensions (`tests/data`): values, rows, columns.
pub fn read_npy(name: &str) -> (Vec<f32>, usize, usize) {
    let path = format!("{}/tests/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let file = npyz::NpyFile::new(&bytes[..]).unwrap();
    let (rows, columns) = (file.shape()[0] as usize, file.shape()[1] as usize);
    let values = if file.dtype().descr().contains("f8") {
        file.into_vec::<f64>().unwrap().into_iter().map(|v| v as f32).collect()
    } else {
        file.into_vec::<f32>().unwrap()
    };
    (values, rows, columns)
}
