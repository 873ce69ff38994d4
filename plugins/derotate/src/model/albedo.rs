//! The albedo of the model's globe, learned from the picture.
//!
//! The picture over the model of an even globe is the albedo seen through the blur; what the model's own blur takes from it
//! is given back in further turns. Clouds lie in belts, which go on to the limb: theirs is learned by parallels, from where no
//! rings cover them. Lands lie anyhow: theirs is learned place by place, and within the blur of the limb, where the picture
//! mixes them with the sky, they are taken to go on as they are further in. Clouds are not learned so, since their markings
//! would take on what darkening and phase do and then hold the globe where it was first sought.

use stillair_maths::border::Border;
use stillair_maths::filters::gaussian;

use crate::outline::Plane;

use super::{N, Scene, Work};

/// Turns of learning the parallels' albedo.
const PARALLEL_TURNS: usize = 3;

/// Turns of learning the markings.
const MARKING_TURNS: usize = 4;

/// Markings are learned up to this many widths of the blur's core from the limb.
const FROM_LIMB: f64 = 1.25;

/// They are smoothed by this much against noise, standard deviation, px of the reduced picture.
const SMOOTHED_PX: f64 = 0.7;

/// Model and picture are compared where the model is brighter than this share of the object.
const LEAST_LIGHT: f32 = 0.02;

impl Scene<'_> {
    /// Albedo at each pixel: the picture over the model of an even globe.
    pub(super) fn learn_markings(&mut self, p: &[f64; N], work: &mut Work) {
        self.markings.fill(1.0);
        work.marked = false;
        for _ in 0..MARKING_TURNS {
            self.correct_markings(p, work);
        }
    }

    fn correct_markings(&mut self, p: &[f64; N], work: &mut Work) {
        self.model(p, work);
        let globe = self.globe(p);
        let inner = (1.0 - FROM_LIMB * p[4] / p[2]).clamp(0.6, 0.98);
        let distances: Vec<f64> = (0..self.data.len())
            .map(|at| {
                let (u, v) = globe.to_pole_frame((at % self.width) as f64, (at / self.width) as f64);
                globe.limb_distance(u, v)
            })
            .collect();
        // Both smoothed alike, within the same border: so the border itself leaves no mark.
        let mut smoothed = |samples: &[f32]| {
            let kept: Vec<f32> = samples
                .iter()
                .zip(&distances)
                .map(|(value, distance)| if *distance < inner { value - p[11] as f32 } else { 0.0 })
                .collect();
            let mut out = vec![0.0; kept.len()];
            gaussian(&kept, self.width, self.height, SMOOTHED_PX, Border::Nearest, &mut out, &mut work.scratch);
            out
        };
        let (seen, model) = (smoothed(&self.data), smoothed(&work.out));
        let over = |(seen, model): (&f32, &f32)| {
            if *model > LEAST_LIGHT { (seen / model).clamp(0.2, 5.0) } else { f32::NAN }
        };
        let ratio: Vec<f32> = seen.iter().zip(&model).map(over).collect();
        let plane = Plane { data: &ratio, width: self.width, height: self.height };
        for (at, (marking, distance)) in self.markings.iter_mut().zip(&distances).enumerate() {
            let inwards = (inner / distance.max(1e-9)).min(1.0);
            let go = |place: usize, centre: f64| centre + (place as f64 - centre) * inwards;
            let value = plane.at(go(at % self.width, p[0]), go(at / self.width, p[1])) as f32;
            if value.is_finite() {
                *marking = (*marking * value).clamp(0.1, 10.0);
            }
        }
        work.marked = false;
    }

    /// Albedo of each parallel: the picture over the model of an even globe, where nothing covers it.
    pub(super) fn learn_parallels(&mut self, p: &[f64; N], work: &mut Work) {
        self.albedo.fill(1.0);
        for _ in 0..PARALLEL_TURNS {
            self.correct_parallels(p, work);
        }
    }

    /// Multiplies each parallel's albedo by the picture over the model.
    fn correct_parallels(&mut self, p: &[f64; N], work: &mut Work) {
        let bins = self.albedo.len();
        work.drawn = None;
        self.model(p, work);
        work.drawn = None;
        let globe = self.globe(p);
        let sine = libm::sin(self.known.latitude_rad);
        let mut sums = vec![(0.0, 0.0); bins];
        for (at, (seen, model)) in self.data.iter().zip(&work.out).enumerate() {
            let (u, v) = globe.to_pole_frame((at % self.width) as f64, (at / self.width) as f64);
            let covered = self.known.rings && libm::hypot(u, v / sine) > 1.1 && v * sine < 0.0;
            let Some(point) = globe.surface(u, v) else { continue };
            if covered || globe.limb_distance(u, v) > 0.9 {
                continue;
            }
            let bin = ((0.5 * (point.h + 1.0) * (bins - 1) as f64) + 0.5) as usize;
            let sum = &mut sums[bin.min(bins - 1)];
            sum.0 += f64::from(*seen) - p[11];
            sum.1 += f64::from(*model) - p[11];
        }
        let all = sums.iter().fold((0.0, 0.0), |a, s| (a.0 + s.0, a.1 + s.1));
        let mean = if all.1 > 0.0 { all.0 / all.1 } else { 1.0 };
        let mut last = None;
        for (albedo, sum) in self.albedo.iter_mut().zip(&sums) {
            if sum.1 > 0.0 && mean > 0.0 {
                *albedo = (*albedo * sum.0 / sum.1 / mean).clamp(0.2, 5.0);
                last = Some(*albedo);
            } else if let Some(last) = last {
                *albedo = last;
            } else {
                *albedo = f64::NAN;
            }
        }
        let first = self.albedo.iter().copied().find(|a| a.is_finite()).unwrap_or(1.0);
        self.albedo.iter_mut().filter(|a| a.is_nan()).for_each(|a| *a = first);
    }
}
