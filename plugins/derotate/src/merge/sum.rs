//! Adds carried stacks of one colour: brightness, weights by signal and noise, what moved left out.

use stillair_api::{Entry, Image, Outcome};
use stillair_maths::resample::Prepared;

use super::{MergeNode, Merger};
use crate::carry::{Map, View};
use crate::compare::{Seen, blurred, contrast, noise_variance, strangers};

/// Stacks of one colour added on the common canvas.
pub(super) struct Added {
    /// Without times and globe.
    pub image: Image,
    /// Places where something moved.
    pub moved: usize,
}

/// Everything of one stack on the common canvas.
struct Carried {
    map: Map,
    view: View,
    /// Brightness of the whole against that of the keeper, per channel.
    gains: Vec<f32>,
}

impl MergeNode {
    /// Adds stacks of one colour.
    pub(super) fn add(&self, merger: &Merger<'_>, views: &[View], seen: &[Seen], maps: Vec<Map>) -> Outcome<Added> {
        let (images, keeper) = (merger.images, merger.keeper);
        let (width, height) = merger.canvas();
        let (n, area) = (images.len(), width * height);
        // The disc, where all show it.
        let bright = stillair_maths::robust::percentile(
            &seen[keeper].data.iter().map(|v| f64::from(*v)).collect::<Vec<_>>(),
            99.0,
        );
        let on: Vec<bool> = (0..area)
            .map(|i| f64::from(seen[keeper].data[i]) > 0.3 * bright && seen.iter().all(|s| s.weight[i] > 0.5))
            .collect();
        let channels = images[keeper].channels;
        let mut prepared = Prepared::new(self.kernel);
        let mut carried: Vec<Carried> = maps
            .into_iter()
            .zip(views)
            .map(|(map, view)| Carried { map, view: view.clone(), gains: Vec::new() })
            .collect();
        let read = |prepared: &mut Prepared, part: &Carried, which: usize, plane: &[f32], channel: usize| {
            let (profile, sky) = (&part.view.profiles[channel], part.view.skies[channel]);
            let mut out = part.map.carried(prepared, plane, &images[which], profile, sky);
            for value in &mut out {
                *value -= sky as f32;
            }
            out
        };
        let mut planes: Vec<Vec<Vec<f32>>> = Vec::with_capacity(n);
        for which in 0..n {
            let part = &carried[which];
            planes.push((0..channels).map(|c| read(&mut prepared, part, which, images[which].channel(c), c)).collect());
        }
        let sums =
            |plane: &[f32]| plane.iter().zip(&on).filter(|(_, on)| **on).map(|(v, _)| f64::from(*v)).sum::<f64>();
        let wanted: Vec<f64> = planes[keeper].iter().map(|p| sums(p)).collect();
        for which in 0..n {
            let gains = (0..channels)
                .map(|c| {
                    let own = sums(&planes[which][c]);
                    if own > 0.0 && wanted[c] > 0.0 { (wanted[c] / own).clamp(1e-3, 1e3) as f32 } else { 1.0 }
                })
                .collect::<Vec<f32>>();
            for (plane, gain) in planes[which].iter_mut().zip(&gains) {
                plane.iter_mut().for_each(|v| *v *= gain);
            }
            carried[which].gains = gains;
        }
        let level = |which: usize| -> Vec<f32> {
            let mut sum = vec![0.0; area];
            for plane in &planes[which] {
                sum.iter_mut().zip(plane).for_each(|(s, v)| *s += v / channels as f32);
            }
            sum
        };
        let levels: Vec<Seen> =
            (0..n).map(|i| Seen { data: level(i), weight: carried[i].map.weight.clone() }).collect();
        // Halves on the canvas, where all stacks have them.
        let mut halves: Vec<[Vec<Vec<f32>>; 2]> = Vec::new();
        if images.iter().all(|i| i.halves.is_some()) {
            for which in 0..n {
                let part = &carried[which];
                halves.push([0, 1].map(|half| {
                    (0..channels)
                        .map(|c| {
                            let plane = images[which].half(half, c).unwrap_or_else(|| images[which].channel(c));
                            let mut out = read(&mut prepared, part, which, plane, c);
                            out.iter_mut().for_each(|v| *v *= part.gains[c]);
                            out
                        })
                        .collect()
                }));
            }
        }
        let weights = self.weights(merger, &levels, &halves, &on);
        let (masks, strangers_found) = if self.moons && n > 1 {
            strangers(&levels, keeper, width, height, 2.5)
        } else {
            (vec![vec![false; area]; n], Vec::new())
        };
        for place in &strangers_found {
            let [x, y] = place.at_px;
            let clip = merger.numbers[place.which];
            let words = format!("clip {clip}: about column {x:.0}, row {y:.0}, {} px", place.area_px);
            merger.context.record(Entry::text("moved-place", words));
        }
        // Pixels' weights: the stack's, the surface's, and none where something else stands; soft at the edges.
        let shares: Vec<Vec<f32>> = (0..n)
            .map(|i| {
                let open: Vec<f32> = masks[i].iter().map(|m| f32::from(!*m)).collect();
                let soft = if masks[i].contains(&true) { blurred(&open, width, height, 1.0) } else { open.clone() };
                (0..area)
                    .map(|at| {
                        let clear = if masks[i][at] { 0.0 } else { soft[at] };
                        weights[i] as f32 * carried[i].map.weight[at] * clear
                    })
                    .collect()
            })
            .collect();
        let mut out = Image::new(width, height, channels);
        let mut weight = vec![0.0_f32; area * channels];
        let sky: Vec<f32> = (0..channels).map(|c| views[keeper].skies[c] as f32).collect();
        let mean = |of: &dyn Fn(usize, usize) -> f32, at: usize| -> (f32, f32) {
            let (mut sum, mut total) = (0.0_f64, 0.0_f64);
            for (i, share) in shares.iter().enumerate() {
                sum += f64::from(share[at]) * f64::from(of(i, at));
                total += f64::from(share[at]);
            }
            if total > 0.0 { ((sum / total) as f32, total as f32) } else { (of(keeper, at), 0.0) }
        };
        for c in 0..channels {
            for at in 0..area {
                let (value, total) = mean(&|i, at| planes[i][c][at], at);
                out.data[c * area + at] = value + sky[c];
                weight[c * area + at] = total;
            }
        }
        if !halves.is_empty() {
            let half = |h: usize| {
                let mut all = vec![0.0; area * channels];
                for c in 0..channels {
                    for at in 0..area {
                        all[c * area + at] = mean(&|i, at| halves[i][h][c][at], at).0 + sky[c];
                    }
                }
                all
            };
            out.halves = Some([half(0), half(1)]);
        }
        if weight.iter().any(|w| *w != weight[0]) {
            out.weight = Some(weight);
        }
        Ok(Added { image: out, moved: strangers_found.len() })
    }

    /// Weight of each stack by its signal and noise; they add up to 1.
    fn weights(&self, merger: &Merger<'_>, levels: &[Seen], halves: &[[Vec<Vec<f32>>; 2]], on: &[bool]) -> Vec<f64> {
        let (width, height) = merger.canvas();
        let n = levels.len();
        let mut weights = vec![1.0; n];
        if n == 1 {
            return weights;
        }
        let sum = |skip: usize| -> Vec<f32> {
            let mut sum = vec![0.0; width * height];
            for (_, level) in levels.iter().enumerate().filter(|(i, _)| *i != skip) {
                sum.iter_mut().zip(&level.data).for_each(|(s, v)| *s += v / (n - 1) as f32);
            }
            sum
        };
        for (which, weight) in weights.iter_mut().enumerate() {
            let signal = contrast(&levels[which].data, &sum(which), on, width, height).clamp(0.05, 10.0);
            let noise = match halves.get(which) {
                Some([a, b]) => {
                    let mean = |half: &[Vec<f32>]| -> Vec<f32> {
                        let mut sum = vec![0.0; width * height];
                        for plane in half {
                            sum.iter_mut().zip(plane).for_each(|(s, v)| *s += v / half.len() as f32);
                        }
                        sum
                    };
                    noise_variance([&mean(a), &mean(b)], on)
                }
                None => 1.0 / merger.images[which].info.frames_effective.max(1.0),
            };
            *weight = signal * signal / noise.max(1e-12);
            if !weight.is_finite() {
                *weight = 1.0;
            }
        }
        let total: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= total);
        let name = |i: usize| format!("weight-{}", merger.numbers[i]);
        for (i, weight) in weights.iter().enumerate() {
            merger.context.record(Entry::number(&name(i), *weight, "", "share of that stack by its signal and noise"));
        }
        weights
    }
}
