//! What the registration gives: the motion, the running stack as a picture and the record.

use std::sync::Arc;

use stillair_api::{Context, Entry, GlobalRow, Image, Layout, Motion, Value, columns};

use super::CorrelateRun;
use crate::rounds::{RoundScratch, undo_shift_whole};

/// A correlation below this share of the median is not trusted.
const POOR_CORRELATION: f64 = 0.25;

impl CorrelateRun {
    /// Frames that correlate far worse than most fall back to the table's centre.
    pub(super) fn distrust(&mut self) {
        let mut all: Vec<f64> =
            self.order.iter().filter_map(|&i| self.places[i]).map(|p| p.found.correlation).collect();
        all.retain(|c| c.is_finite());
        if all.is_empty() {
            return;
        }
        all.sort_by(f64::total_cmp);
        let limit = POOR_CORRELATION * all[all.len() / 2];
        for index in self.order.clone() {
            if let Some(place) = &mut self.places[index] {
                if place.found.correlation < limit && !self.anchored {
                    place.found.wild = true;
                    place.found.displacement = place.anchor;
                }
                self.undone += usize::from(place.found.wild);
            }
        }
    }

    /// The motion: what was found, else the table's centre.
    pub(super) fn motion(&self) -> Motion {
        let row = |index: usize| {
            let global = match &self.places[index] {
                Some(p) => {
                    let at = |axis: usize| p.origin[axis] + self.centre[axis] + p.found.displacement[axis];
                    GlobalRow::at(at(0), at(1))
                }
                None => {
                    let value = |name: &str| {
                        let values = self.table.as_ref().and_then(|t| t.values(name));
                        values.and_then(|v| v.get(index)).copied().unwrap_or(f64::NAN)
                    };
                    GlobalRow::at(value(columns::X_PX), value(columns::Y_PX))
                }
            };
            GlobalRow { rotation_rad: self.angle_rad(index), ..global }
        };
        Motion { global: Some((0..self.info.frames).map(row).collect()), ..Motion::default() }
    }

    /// The running stack as a picture.
    pub(super) fn picture(&mut self, off: [f64; 2]) -> Image {
        let sum = std::mem::take(&mut self.sum);
        let plan = &self.transformer.plan;
        let mut spectrum = sum.mean();
        undo_shift_whole(plan, &mut spectrum, [-off[0], -off[1]], &mut RoundScratch::default());
        let mut padded = vec![0.0; plan.width() * plan.height()];
        plan.inverse(&mut spectrum, &mut padded, &mut plan.scratch());
        let (w, h) = (self.transformer.width, self.transformer.height);
        let level = (self.level / sum.weight) as f32;
        let mut image = Image::new(w, h, 1);
        for (to, from) in image.data.chunks_exact_mut(w).zip(padded.chunks_exact(plan.width())) {
            for (t, f) in to.iter_mut().zip(from) {
                *t = f + level;
            }
        }
        let weights: Vec<f64> =
            self.order.iter().filter_map(|&i| self.places[i].as_ref()).map(|p| self.share(p)).collect();
        let total: f64 = weights.iter().sum();
        let squares: f64 = weights.iter().map(|w| w * w).sum();
        image.info.frames_used = weights.iter().filter(|w| **w > 0.0).count();
        image.info.frames_effective = if squares > 0.0 { total * total / squares } else { 0.0 };
        image.info.reference_px = self.centre;
        image.info.middle_unix_ns = self.info.middle_unix_ns();
        [image.info.begin_unix_ns, image.info.end_unix_ns] = self.info.span_unix_ns();
        image.info.from_mosaic = matches!(self.info.layout, Layout::Mosaic(_));
        image.info.history.push("align.correlate: weighted mean, frames moved by the phase of their spectra".into());
        image
    }

    pub(super) fn results(&mut self, context: &dyn Context) -> Vec<Value> {
        let off = self.recentre();
        let image = self.picture(off);
        self.distrust();
        let shifts = |axis: usize| -> f64 {
            let off: Vec<f64> = self
                .order
                .iter()
                .filter_map(|&i| self.places[i].as_ref())
                .map(|p| p.found.displacement[axis] - p.anchor[axis])
                .collect();
            (off.iter().map(|d| d * d).sum::<f64>() / off.len() as f64).sqrt()
        };
        let rms = libm::hypot(shifts(0), shifts(1));
        context.record(Entry::number("from-centre", rms, "px", "rms distance of the places from the table's centres"));
        context.record(Entry::number("kept-centre", self.undone as f64, "", "frames that keep the table's centre"));
        if self.undone * 20 > self.order.len() {
            context.warn(&format!(
                "{} of {} frames did not match the running stack and keep the centre of their light",
                self.undone,
                self.order.len()
            ));
        }
        vec![Value::Motion(Arc::new(self.motion())), Value::Image(Arc::new(image))]
    }
}
