//! A model of the whole disc, fitted to the picture: the last step of placing a globe.
//!
//! The globe's radiance is Minnaert's `A mu0^k mu^(k-1)`, mu0 and mu being the cosines of incidence and emission, with
//! the albedo A taken from the picture ([`albedo`]: parallel by parallel, of lands place by place); Saturn's rings are
//! flat annuli, each of one brightness. Seen through a blur of two Gaussians, a core and a halo of 3.5 times its width, it is fitted to the picture by least squares: centre,
//! radius, (for rings) direction, and what describes brightness and blur. So the darkening towards the limb and the
//! terminator do not pull the centre or the radius. Pixels far off the model (moons, shadows) weigh less and less: Tukey's
//! biweight. Without rings only the limb counts, each sector of it with a brightness of its own. The exponent k is held: it,
//! the blur and the radius cannot be told apart at a blurred limb. A phase has a model of its own ([`crate::lit`]). Source:
//! Minnaert 1941, ApJ 93, 403; k between 0.85 and 1 for clouds and near 0.7 for dust and rock in visible light, from memory.

mod albedo;

use std::f64::consts::TAU;

use stillair_maths::border::Border;
use stillair_maths::filters::gaussian;
use stillair_maths::fit::levenberg_marquardt;
use stillair_maths::globe::Globe;

use crate::outline::{Ellipse, Plane};

/// Width of the halo over that of the core.
const HALO: f64 = 3.5;

/// The picture is reduced until the radius is at most this, px.
const LARGEST_RADIUS_PX: f64 = 32.0;

/// Rounds of weighting and of learning the albedo.
const ROUNDS: usize = 3;

/// Without rings only pixels between these shares of the outline count: features of the surface are not limb.
const LIMB: (f64, f64) = (0.78, 1.3);

/// Parts of a clouded globe's limb this high along the axis, in equatorial radii, do not count.
const POLAR: f64 = 0.92;

/// Sectors of the limb, each with a brightness of its own: what a polar hood or a spot at the limb changes. At least and
/// at most so many, between them one for so many px of the limb.
const SECTORS: (usize, usize, f64) = (24, 72, 2.8);

/// Most steps of a fit.
const STEPS: usize = 8;

/// Inner and outer edges of Saturn's rings C, B and A in equatorial radii (radii of `stillair_sky::rings`).
const RINGS: [[f64; 2]; 3] = [[1.2388, 1.5265], [1.5265, 1.9510], [2.0271, 2.2694]];

/// What is known of the globe beforehand.
#[derive(Debug, Clone, Copy)]
pub struct Known {
    /// Polar over equatorial radius.
    pub axis_ratio: f64,
    /// Planetocentric latitude of the observer, radians.
    pub latitude_rad: f64,
    /// Direction of the Sun in the pole's frame: right, up, towards the observer.
    pub sun: [f64; 3],
    /// Whether there are rings.
    pub rings: bool,
    /// Whether the surface is dust and rock, with lands, or clouds.
    pub lands: bool,
    /// Minnaert's exponent.
    pub minnaert: f64,
}

/// Number of parameters: x, y, radius, pole; core of the blur, share of the halo, k, globe's brightness, three rings, sky.
const N: usize = 12;

/// A fitted globe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    /// Centre, radius and direction.
    pub ellipse: Ellipse,
    /// Root mean square of what is left over the object's brightness.
    pub residual: f64,
    /// How far the Sun stands from where it was expected, about the line of sight, clockwise, radians.
    pub turn_rad: f64,
}

struct Scene<'a> {
    data: Vec<f32>,
    width: usize,
    height: usize,
    known: &'a Known,
    /// Albedo of parallels by height along the axis from -1 to 1; learned of clouds.
    albedo: Vec<f64>,
    /// Albedo at each pixel; learned of lands.
    markings: Vec<f32>,
    weights: Vec<f64>,
    /// Weights before what stands out is weighed down.
    base: Vec<f64>,
    /// Number of sectors, and the one of each pixel.
    sectors: usize,
    sector: Vec<u8>,
}

impl Scene<'_> {
    fn globe(&self, p: &[f64; N]) -> Globe {
        Globe::new([p[0], p[1]], p[2], self.known.axis_ratio, self.known.latitude_rad, p[3])
    }

    /// Brightness of one point in the pole's frame. Edges are ramps `soft` radii wide, so that the picture follows the
    /// parameters without jumps.
    fn point(&self, p: &[f64; N], globe: &Globe, x: f64, y: f64, soft: f64) -> f64 {
        let distance = globe.limb_distance(x, y);
        let ramp = |inside: f64| (0.5 + inside / soft).clamp(0.0, 1.0);
        let on_globe = ramp(1.0 - distance);
        let mut value = if on_globe > 0.0 {
            // Just off the limb, what stands at it.
            let inwards = (0.9999 / distance.max(1e-9)).min(1.0);
            on_globe * self.radiance(p, globe, x * inwards, y * inwards)
        } else {
            0.0
        };
        if self.known.rings {
            let sine = libm::sin(self.known.latitude_rad);
            let far = y / sine;
            let from_centre = (x * x + far * far).sqrt().max(1e-9);
            // How fast the distance within the ring plane changes across the picture.
            let steep = ((x * x + far * far / (sine * sine)).sqrt() / from_centre).max(1.0);
            let (mut covered, mut light) = (0.0, 0.0);
            for (ring, level) in RINGS.iter().zip(&p[8..11]) {
                let share = ramp((from_centre - ring[0]) / steep) * ramp((ring[1] - from_centre) / steep);
                covered += share;
                light += share * level;
            }
            let covered: f64 = f64::min(covered, 1.0);
            value = if y * sine < 0.0 { value * (1.0 - covered) + light } else { value + light * (1.0 - on_globe) };
        }
        value
    }

    /// Radiance of the globe at a place of its disc.
    fn radiance(&self, p: &[f64; N], globe: &Globe, x: f64, y: f64) -> f64 {
        let Some(point) = globe.surface(x, y) else { return 0.0 };
        let [sx, sy, sz] = self.known.sun;
        let (nx, ny, nz) = globe.normal(&point);
        let mu0 = nx * sx + ny * sy + nz * sz;
        if mu0 <= 0.0 {
            return 0.0;
        }
        let mu = point.cos_emission.max(0.02);
        let radiance = libm::exp(p[6] * libm::log(mu0 * mu)) / mu;
        let place = (0.5 * (point.h + 1.0)).clamp(0.0, 1.0) * (self.albedo.len() - 1) as f64;
        let low = (place as usize).min(self.albedo.len() - 2);
        let albedo = self.albedo[low] + (place - low as f64) * (self.albedo[low + 1] - self.albedo[low]);
        albedo * radiance
    }

    fn draw(&self, p: &[f64; N], out: &mut [f32]) {
        let globe = self.globe(p);
        let reach = if self.known.rings { 2.35 } else { 1.05 };
        let near = 1.2 / p[2];
        for y in 0..self.height {
            for x in 0..self.width {
                let (u, v) = globe.to_pole_frame(x as f64, y as f64);
                let value = &mut out[y * self.width + x];
                if u * u + v * v > reach * reach {
                    *value = 0.0;
                    continue;
                }
                let distance = globe.limb_distance(u, v);
                let edge = (distance - 1.0).abs() < near || (self.known.rings && distance > 0.5);
                let (parts, share) = if edge { (2, 0.25) } else { (1, 1.0) };
                let soft = 1.0 / (f64::from(parts) * p[2]);
                let mut sum = 0.0;
                for j in 0..parts {
                    for i in 0..parts {
                        let sub = |k: i32| (f64::from(k) - 0.5 * f64::from(parts - 1)) / (f64::from(parts) * p[2]);
                        sum += self.point(p, &globe, u + sub(i), v + sub(j), soft);
                    }
                }
                *value = (share * sum) as f32;
            }
        }
    }

    /// The blurred model.
    fn model(&self, p: &[f64; N], work: &mut Work) {
        // Blur, brightness and sky need no new drawing.
        let shape = [p[0], p[1], p[2], p[3], p[6], p[8], p[9], p[10]];
        if work.drawn != Some(shape) {
            self.draw(p, &mut work.even);
            work.drawn = Some(shape);
            work.marked = false;
        }
        if !work.marked {
            for ((sharp, even), marking) in work.sharp.iter_mut().zip(&work.even).zip(&self.markings) {
                *sharp = even * marking;
            }
            work.marked = true;
        }
        let blur = |from: &[f32], sigma: f64, to: &mut [f32], scratch: &mut Vec<f32>| {
            gaussian(from, self.width, self.height, sigma, Border::Nearest, to, scratch);
        };
        blur(&work.sharp, p[4], &mut work.out, &mut work.scratch);
        if p[5] > 0.0 {
            blur(&work.sharp, HALO * p[4], &mut work.halo, &mut work.scratch);
            for (value, halo) in work.out.iter_mut().zip(&work.halo) {
                *value += p[5] as f32 * (halo - *value);
            }
        }
        let (level, sky) = (p[7] as f32, p[11] as f32);
        for value in &mut work.out {
            *value = level * *value + sky;
        }
    }

    /// Lets only pixels from a share of the outline outwards count, and sorts them into sectors.
    fn keep_limb(&mut self, globe: &Globe, inner: f64) {
        for at in 0..self.data.len() {
            let (u, v) = globe.to_pole_frame((at % self.width) as f64, (at / self.width) as f64);
            let distance = globe.limb_distance(u, v);
            // Beside the poles belts run along the limb, and no pixel further in shows the same parallels.
            let inwards = 0.999 / distance.max(1e-9);
            let high = || globe.surface(u * inwards, v * inwards).is_some_and(|limb| limb.h.abs() > POLAR);
            let polar = !self.known.lands && high();
            let turn = 0.5 + libm::atan2(u, v) / TAU;
            self.sector[at] = (turn * self.sectors as f64) as u8 % self.sectors as u8;
            self.base[at] = f64::from(u8::from(distance > inner && distance < LIMB.1 && !polar));
        }
    }

    /// Weighs pixels down that stand far off the model.
    fn weigh_down(&mut self, p: &[f64; N], work: &mut Work) {
        self.model(p, work);
        self.level_sectors(p[11], work);
        let off: Vec<f64> = work.out.iter().zip(&self.data).map(|(m, s)| f64::from((m - s).abs())).collect();
        // Features of the surface are no noise: what stands out from them is not of this globe.
        let counted: Vec<f64> = off.iter().zip(&self.base).filter(|(_, b)| **b > 0.0).map(|(o, _)| *o).collect();
        let sigma = stillair_maths::robust::percentile(&counted, 90.0).max(1e-3) / 1.645;
        for ((weight, base), off) in self.weights.iter_mut().zip(&self.base).zip(&off) {
            let t = off / (6.0 * sigma);
            *weight = if t < 1.0 { base * (1.0 - t * t) } else { 0.0 };
        }
    }

    /// Gives each sector of the limb the brightness that suits the picture best. Rings need none.
    fn level_sectors(&self, sky: f64, work: &mut Work) {
        if self.known.rings {
            return;
        }
        let mut sums = vec![[0.0_f64; 2]; self.sectors];
        for (at, (model, seen)) in work.out.iter().zip(&self.data).enumerate() {
            let weight = self.weights[at] * self.weights[at];
            if weight > 0.0 {
                let (m, s) = (f64::from(*model) - sky, f64::from(*seen) - sky);
                let sum = &mut sums[usize::from(self.sector[at])];
                sum[0] += weight * m * s;
                sum[1] += weight * m * m;
            }
        }
        let level = |[ms, mm]: [f64; 2]| if mm > 0.0 { (ms / mm).clamp(0.05, 10.0) } else { 1.0 };
        let levels: Vec<f64> = sums.into_iter().map(level).collect();
        for (at, model) in work.out.iter_mut().enumerate() {
            *model = (sky + levels[usize::from(self.sector[at])] * (f64::from(*model) - sky)) as f32;
        }
    }
}

struct Work {
    /// Parameters that `even` was drawn with.
    drawn: Option<[f64; 8]>,
    /// Whether `sharp` is `even` with the markings as they are.
    marked: bool,
    /// The globe without markings.
    even: Vec<f32>,
    sharp: Vec<f32>,
    out: Vec<f32>,
    halo: Vec<f32>,
    scratch: Vec<f32>,
}

/// The picture's neighbourhood of the object, reduced by the whole factor that brings the radius to `largest_px` or less:
/// samples, width, height, corner px, factor.
pub fn reduced(
    plane: Plane<'_>,
    about: &Ellipse,
    reach: f64,
    largest_px: f64,
) -> (Vec<f32>, usize, usize, [usize; 2], usize) {
    let factor = libm::ceil(about.radius / largest_px).max(1.0) as usize;
    let span = reach * about.radius + 3.0 * factor as f64;
    let range = |centre: f64, n: usize| {
        let low = (centre - span).floor().clamp(0.0, n as f64 - 1.0) as usize;
        let high = ((centre + span).ceil().max(0.0) as usize + 1).min(n);
        (low, (high.saturating_sub(low)) / factor)
    };
    let ((left, width), (top, height)) = (range(about.centre[0], plane.width), range(about.centre[1], plane.height));
    let share = 1.0 / (factor * factor) as f32;
    let mut data = vec![0.0; width * height];
    for y in 0..height * factor {
        for x in 0..width * factor {
            data[y / factor * width + x / factor] += share * plane.data[(top + y) * plane.width + left + x];
        }
    }
    (data, width, height, [left, top], factor)
}

/// A million steps of the parameters for differences: large enough for samples of single precision.
const SCALE: [f64; N] = [1e3, 1e3, 1e3, 50.0, 500.0, 500.0, 500.0, 500.0, 500.0, 500.0, 500.0, 100.0];

/// Improves the named parameters; the sum of squares that is left.
fn improve<const M: usize>(
    scene: &Scene<'_>,
    free: [usize; M],
    p: &mut [f64; N],
    bounds: &[(f64, f64); N],
    work: &mut Work,
) -> f64 {
    let with = |values: &[f64; M]| {
        let mut all = *p;
        for (value, index) in values.iter().zip(free) {
            all[index] = *value;
        }
        all
    };
    let pick = |from: &[f64; N]| free.map(|index| from[index]);
    let (start, limits) = (pick(p), free.map(|index| bounds[index]));
    let found = levenberg_marquardt(start, pick(&SCALE), limits, scene.data.len(), STEPS, |values, out| {
        let all = with(values);
        scene.model(&all, work);
        scene.level_sectors(all[11], work);
        for (((value, model), seen), weight) in out.iter_mut().zip(&work.out).zip(&scene.data).zip(&scene.weights) {
            *value = weight * f64::from(model - seen);
        }
    });
    let improved = with(&found.parameters);
    *p = improved;
    found.squares
}

/// Fits the model from an outline. `None` where it does not come near the picture.
pub fn fit(plane: Plane<'_>, levels: [f64; 2], about: &Ellipse, known: &Known) -> Option<Fitted> {
    let (data, width, height, corner, factor) =
        reduced(plane, about, if known.rings { 2.6 } else { 1.35 }, LARGEST_RADIUS_PX);
    if width < 12 || height < 12 {
        return None;
    }
    let [sky, level] = levels;
    let f = factor as f64;
    let middle = |axis: usize| (about.centre[axis] - corner[axis] as f64 - 0.5 * (f - 1.0)) / f;
    let radius = about.radius / f;
    let data: Vec<f32> = data.iter().map(|v| ((f64::from(*v) - sky) / level) as f32).collect();
    let count = data.len();
    let bins = ((1.6 * radius) as usize).clamp(12, 80);
    let mut scene = Scene {
        data,
        width,
        height,
        known,
        albedo: vec![1.0; bins],
        markings: vec![1.0; count],
        weights: vec![1.0; count],
        base: vec![1.0; count],
        sectors: ((TAU * radius / SECTORS.2) as usize).clamp(SECTORS.0, SECTORS.1),
        sector: vec![0; count],
    };
    let mut work = Work {
        drawn: None,
        marked: false,
        even: vec![0.0; count],
        sharp: vec![0.0; count],
        out: vec![0.0; count],
        halo: vec![0.0; count],
        scratch: Vec::new(),
    };
    let shift = 0.25 * radius;
    let pole = about.pole_rad;
    let turn = if known.rings { 0.35 } else { 0.0 };
    let ring = if known.rings { 3.0 } else { 0.0 };
    let bounds: [(f64, f64); N] = [
        (middle(0) - shift, middle(0) + shift),
        (middle(1) - shift, middle(1) + shift),
        (0.75 * radius, 1.3 * radius),
        (pole - turn, pole + turn),
        (0.35, (0.25 * radius).max(1.0)),
        (0.0, 0.6),
        (0.45, 1.3),
        (0.1, 5.0),
        (0.0, ring),
        (0.0, ring),
        (0.0, ring),
        (-0.1, 0.2),
    ];
    let mut p: [f64; N] = [
        middle(0),
        middle(1),
        radius,
        pole,
        (0.05 * radius).clamp(0.7, 3.0),
        0.15,
        known.minnaert,
        1.0,
        0.2 * ring / 3.0,
        0.8 * ring / 3.0,
        0.6 * ring / 3.0,
        0.0,
    ];
    let globe = scene.globe(&p);
    if !known.rings {
        scene.keep_limb(&globe, LIMB.0);
    }
    scene.weights.clone_from(&scene.base);
    let mut residual = f64::INFINITY;
    // Rings hold the place so well that a second look is enough.
    for round in 0..if known.rings { ROUNDS - 1 } else { ROUNDS } {
        if round > 0 && !known.rings {
            // No deeper into the disc than the blur reaches.
            let depth = (4.0 * p[4] / p[2]).clamp(0.05, 1.0 - LIMB.0);
            scene.keep_limb(&scene.globe(&p), 1.0 - depth);
        }
        if round > 0 {
            scene.weigh_down(&p, &mut work);
        }
        if known.lands {
            scene.learn_markings(&p, &mut work);
        } else {
            scene.learn_parallels(&p, &mut work);
        }
        let squares = if known.rings {
            improve(&scene, [0, 1, 2, 3, 4, 5, 7, 8, 9, 10, 11], &mut p, &bounds, &mut work)
        } else {
            improve(&scene, [0, 1, 2, 4, 5, 11], &mut p, &bounds, &mut work)
        };
        let total: f64 = scene.weights.iter().map(|w| w * w).sum();
        residual = (squares / total.max(1.0)).sqrt();
    }
    let back = |axis: usize| p[axis] * f + 0.5 * (f - 1.0) + corner[axis] as f64;
    let ellipse = Ellipse { centre: [back(0), back(1)], radius: p[2] * f, pole_rad: p[3], ..*about };
    residual.is_finite().then_some(Fitted { ellipse, residual, turn_rad: 0.0 })
}
