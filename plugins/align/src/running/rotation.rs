//! The field's rotation within the registration: sub-stacks over the clip, their angles, the angle of a frame.

use stillair_api::{Context, Entry, columns};
use stillair_maths::fft::Complex32;

use super::CorrelateRun;
use crate::rounds::Sum;
use crate::turning::{self, Demand};

impl CorrelateRun {
    /// Round in which sub-stacks are first summed for their angles.
    pub(super) fn first_angle_round(&self) -> usize {
        self.settings.rounds.saturating_sub(1).max(1).min(self.settings.rounds)
    }

    /// Whether sub-stacks are summed in this round.
    pub(super) fn sums_angles(&self) -> bool {
        self.settings.demand.is_some()
            && self.bins >= 4
            && match self.turning {
                None => self.round == self.first_angle_round(),
                Some(_) => self.round < self.last,
            }
    }

    pub(super) fn empty_sub_stacks(&self) -> Vec<Sum> {
        if self.sums_angles() { vec![Sum::default(); self.bins] } else { Vec::new() }
    }

    /// A frame's time scaled to -1..1 over the clip; its number where times are absent.
    pub(super) fn scaled_time(&self, index: usize) -> f64 {
        let times = &self.info.time_s;
        let (first, last) = (times.first().copied().unwrap_or(f64::NAN), times.last().copied().unwrap_or(f64::NAN));
        let length = last - first;
        let time = times.get(index).copied().unwrap_or(f64::NAN);
        let share = if length > 0.0 && time.is_finite() {
            (time - first) / length
        } else {
            index as f64 / (self.info.frames.max(2) - 1) as f64
        };
        (2.0 * share - 1.0).clamp(-1.0, 1.0)
    }

    pub(super) fn angle_rad(&self, index: usize) -> f64 {
        self.turning.as_ref().map_or(0.0, |t| t.angle_rad(self.scaled_time(index)))
    }

    pub(super) fn bin(&self, index: usize) -> usize {
        (index * self.sub_stacks.len() / self.info.frames.max(1)).min(self.sub_stacks.len().saturating_sub(1))
    }

    /// Measures the angles of the sub-stacks; `true` if the field's rotation was found or refined.
    pub(super) fn look_for_turning(&mut self, context: &dyn Context) -> bool {
        let sub_stacks = std::mem::take(&mut self.sub_stacks);
        let Some(demand) = self.settings.demand else { return false };
        if sub_stacks.is_empty() {
            return false;
        }
        let filled: Vec<(usize, &Sum)> = sub_stacks.iter().enumerate().filter(|(_, s)| !s.is_empty()).collect();
        let plan = &self.transformer.plan;
        let (mut scratch, mut spectrum) = (plan.scratch(), plan.spectrum());
        let mut picture = |packed: &[Complex32]| {
            let mut out = vec![0.0; plan.width() * plan.height()];
            self.band.unpack(packed, &mut spectrum);
            plan.inverse(&mut spectrum, &mut out, &mut scratch);
            out
        };
        let pictures: Vec<Vec<f32>> = filled.iter().map(|(_, s)| picture(&s.mean())).collect();
        let angles = turning::angles(&pictures, plan.width(), plan.height(), self.centre);
        let bins = sub_stacks.len();
        let times: Vec<f64> = filled
            .iter()
            .map(|(bin, _)| {
                let inside: Vec<f64> = self
                    .order
                    .iter()
                    .filter(|&&i| i * bins / self.info.frames.max(1) == *bin)
                    .map(|&i| self.scaled_time(i))
                    .collect();
                inside.iter().sum::<f64>() / inside.len() as f64
            })
            .collect();
        let refining = self.turning.is_some();
        let demand = if refining { Demand::None } else { demand };
        let Some(mut found) = turning::fit(&times, &angles, self.radius_px(), demand) else { return refining };
        if let Some(before) = &self.turning {
            found.add(before);
        }
        let mean_angle =
            self.order.iter().map(|&i| found.angle_rad(self.scaled_time(i))).sum::<f64>() / self.order.len() as f64;
        found.coefficients[0] -= mean_angle;
        let degrees = found.range_rad().to_degrees();
        context.record(Entry::number("field-rotation", degrees, "deg", "turn of the field during the clip, undone"));
        self.turning = Some(found);
        true
    }

    /// Median radius of the target, else a quarter of the window.
    pub(super) fn radius_px(&self) -> f64 {
        let fallback = self.transformer.width.min(self.transformer.height) as f64 / 4.0;
        let Some(values) = self.table.as_ref().and_then(|t| t.values(columns::RADIUS_PX)) else { return fallback };
        let mut known: Vec<f64> = self.order.iter().map(|&i| values[i]).filter(|v| v.is_finite()).collect();
        if known.is_empty() {
            return fallback;
        }
        known.sort_by(f64::total_cmp);
        known[known.len() / 2]
    }
}
