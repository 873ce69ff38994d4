//! The direction of the pole from the belts: where brightness varies least along parallels.
//!
//! The disc is divided by its mean brightness at each distance from the centre, which takes the darkening towards the limb
//! away. For a trial direction of the pole every pixel has a latitude on the oblate globe; the variance within narrow
//! ranges of latitude, over all of them, is least where the trial is right. The left and the right half of the disc answer
//! separately too: spots pull them different ways, and half their difference is the uncertainty. Common practice, no source.

use stillair_maths::globe::Globe;

use crate::outline::{Ellipse, Plane};

/// Only what lies within this share of the outline is used.
const WITHIN: f64 = 0.82;

/// Variance 12 degrees off over the least, below which there are no belts to speak of.
const CONTRAST: f64 = 1.25;

/// A direction and its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Direction {
    /// Clockwise from up, radians.
    pub pole_rad: f64,
    /// One standard deviation, radians.
    pub sigma_rad: f64,
    /// Variance far off over the least variance.
    pub contrast: f64,
}

/// Most pixels looked at: as many as a disc of 70 px radius has, where the direction is known to a few tenths of a degree.
const SAMPLES: usize = 10_000;

/// As many do for a first look.
const SAMPLES_FIRST: usize = 2_500;

/// Pixels of the disc, each divided by the mean at its distance.
struct Disc {
    /// x, y px and value.
    pixels: Vec<(f64, f64, f64)>,
    about: Ellipse,
    globe_axis_ratio: f64,
    latitude_rad: f64,
    bins: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum Half {
    Both,
    Left,
    Right,
}

impl Disc {
    fn new(plane: Plane<'_>, sky: f64, about: &Ellipse, axis_ratio: f64, latitude_rad: f64, samples: usize) -> Self {
        let globe = Globe::new(about.centre, about.radius, axis_ratio, latitude_rad, about.pole_rad);
        let rings = (0.5 * about.radius).clamp(4.0, 60.0);
        let mut pixels = Vec::new();
        let mut sums = vec![(0.0, 0.0); rings as usize + 2];
        for y in 0..plane.height {
            for x in 0..plane.width {
                let (u, v) = globe.to_pole_frame(x as f64, y as f64);
                let distance = globe.limb_distance(u, v);
                if distance < WITHIN {
                    let value = f64::from(plane.data[y * plane.width + x]) - sky;
                    let ring = (distance * distance * rings) as usize;
                    sums[ring].0 += value;
                    sums[ring].1 += 1.0;
                    pixels.push((x as f64, y as f64, value, ring));
                }
            }
        }
        let thin = pixels.len().div_ceil(samples).max(1);
        let pixels = pixels
            .into_iter()
            .step_by(thin)
            .map(|(x, y, value, ring)| (x, y, value * sums[ring].1 / sums[ring].0.max(f64::MIN_POSITIVE)))
            .collect();
        Self {
            pixels,
            about: *about,
            globe_axis_ratio: axis_ratio,
            latitude_rad,
            bins: (0.8 * about.radius).clamp(8.0, 80.0),
        }
    }

    /// Variance within parallels.
    fn variance(&self, pole_rad: f64, half: Half) -> f64 {
        let globe =
            Globe::new(self.about.centre, self.about.radius, self.globe_axis_ratio, self.latitude_rad, pole_rad);
        let mut sums = vec![[0.0; 3]; 2 * self.bins as usize + 4];
        for (x, y, value) in &self.pixels {
            let (u, v) = globe.to_pole_frame(*x, *y);
            if (half == Half::Left && u > 0.0) || (half == Half::Right && u < 0.0) {
                continue;
            }
            let Some(point) = globe.surface(u, v) else { continue };
            // Bins of equal height along the axis, each pixel shared between two.
            let place = (point.h + 1.0) * self.bins;
            let low = place as usize;
            let part = place - low as f64;
            for (bin, share) in [(low, 1.0 - part), (low + 1, part)] {
                let sum = &mut sums[bin];
                sum[0] += share;
                sum[1] += share * value;
                sum[2] += share * value * value;
            }
        }
        let (mut total, mut count) = (0.0, 0.0);
        for [n, s, q] in sums {
            if n > 3.0 {
                total += q - s * s / n;
                count += n;
            }
        }
        if count > 0.0 { total / count } else { f64::INFINITY }
    }

    /// Direction of the least variance about a start.
    fn least(&self, start_rad: f64, reach_rad: f64, half: Half) -> f64 {
        const COARSE: i32 = 12;
        let at = |i: i32, centre: f64, step: f64| centre + f64::from(i) * step;
        let (mut centre, mut step) = (start_rad, reach_rad / f64::from(COARSE));
        let mut reach = COARSE;
        for _ in 0..4 {
            let best = (-reach..=reach)
                .map(|i| (i, self.variance(at(i, centre, step), half)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .map_or(0, |(i, _)| i);
            centre = at(best, centre, step);
            step /= 4.0;
            reach = 5;
        }
        // A parabola through three points a degree apart follows the whole valley, not a ripple of its floor.
        let h = 1.0_f64.to_radians();
        let (a, b, c) = (self.variance(centre - h, half), self.variance(centre, half), self.variance(centre + h, half));
        let curve = a - 2.0 * b + c;
        if curve > 0.0 { centre + (0.5 * h * (a - c) / curve).clamp(-h, h) } else { centre }
    }
}

/// Finds the direction of the pole within `reach_rad` of an ellipse's own, with `first` less exactly and faster. `None`
/// where there are no belts.
pub fn direction(
    plane: Plane<'_>,
    sky: f64,
    about: &Ellipse,
    axis_ratio: f64,
    latitude_rad: f64,
    reach_rad: f64,
    first: bool,
) -> Option<Direction> {
    let samples = if first { SAMPLES_FIRST } else { SAMPLES };
    let disc = Disc::new(plane, sky, about, axis_ratio, latitude_rad, samples);
    if disc.pixels.len() < 200 {
        return None;
    }
    let pole_rad = disc.least(about.pole_rad, reach_rad, Half::Both);
    let least = disc.variance(pole_rad, Half::Both);
    let off = 12.0_f64.to_radians();
    let far = 0.5 * (disc.variance(pole_rad - off, Half::Both) + disc.variance(pole_rad + off, Half::Both));
    let contrast = far / least.max(f64::MIN_POSITIVE);
    let near = 6.0_f64.to_radians();
    let (left, right) = (disc.least(pole_rad, near, Half::Left), disc.least(pole_rad, near, Half::Right));
    let sigma_rad = (0.5 * (left - right).abs()).max(0.1_f64.to_radians());
    (contrast > CONTRAST && far.is_finite()).then_some(Direction { pole_rad, sigma_rad, contrast })
}
