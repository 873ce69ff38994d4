//! The work of [`crate::correlate`] from sweep to sweep.
//!
//! A sweep is one round, except that rounds between the first and the last run on the kept coefficients where there was
//! memory for them; both ways do the same arithmetic in the same order.

mod results;
mod rotation;

use std::sync::{Arc, Mutex};

use stillair_api::{
    ClipInfo, Context, Fault, Finish, Frame, FrameInput, Image, Item, Outcome, ReduceRun, Row, Scratch, Table, columns,
    scratch_of,
};
use stillair_maths::fft::Complex32;
use stillair_maths::resample::{Kernel, Prepared, Similarity, affine_window, shift_window};

use crate::plane::{TransformScratch, Transformer, border_level, registration_plane};
use crate::rounds::{Band, Found, Reference, RoundScratch, Sum, undo_shift_whole};
use crate::sampling::DEFAULT_SAMPLING;
use crate::turning::{Demand, Turning};

/// A solution this far from the table's centre is refused, px at the default sampling.
const FARTHEST_PX: f64 = 4.0;

/// Most sub-stacks whose angles are measured.
pub const MOST_BINS: usize = 12;

/// Fewest frames of a sub-stack.
const FEWEST_PER_BIN: usize = 12;

/// Frames registered together when their coefficients are at hand.
const BATCH: usize = 256;

/// Frames of one task within a batch.
const CHUNK: usize = 16;

/// Rounds after the first look at the field's rotation: two to refine the angle, one to end.
pub const TURNING_ROUNDS: usize = 2;

/// What the parameters ask for.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Rounds of registration.
    pub rounds: usize,
    /// Whitening exponent.
    pub whitening: f64,
    /// Power of the projection in the running stack.
    pub power: f64,
    /// What it takes to undo a rotation; `None` = never.
    pub demand: Option<Demand>,
}

/// What is known of a frame.
#[derive(Debug, Clone, Copy)]
struct Place {
    /// Origin of the frame's window in the full frame.
    origin: [f64; 2],
    /// The table's centre as a displacement from the window's centre.
    anchor: [f64; 2],
    found: Found,
    weight: f64,
    flux: f64,
}

struct Work {
    plane: Vec<f32>,
    turned: Vec<f32>,
    ring: Vec<f32>,
    transform: TransformScratch,
    prepared: Prepared,
    round: RoundScratch,
    packed: Vec<Complex32>,
}

impl Work {
    fn new() -> Self {
        Self {
            plane: Vec::new(),
            turned: Vec::new(),
            ring: Vec::new(),
            transform: TransformScratch::default(),
            prepared: Prepared::new(Kernel::CubicBSpline),
            round: RoundScratch::default(),
            packed: Vec::new(),
        }
    }
}

/// What goes from `prepare` to `add`.
#[derive(Default)]
struct Measured {
    place: Option<Place>,
    level: f64,
    /// Packed coefficients as read, where they are kept.
    raw: Vec<Complex32>,
    /// Coefficients moved back: of the band, in the last round of the whole spectrum.
    phased: Vec<Complex32>,
}

/// Coefficients moved back and places of a chunk of frames.
type ChunkResult<'a> = (&'a mut [Complex32], Vec<Option<Place>>);

/// The registration at work.
pub struct CorrelateRun {
    settings: Settings,
    info: ClipInfo,
    limit_px: f64,
    bins: usize,
    /// The round that ends the work.
    last: usize,
    transformer: Transformer,
    band: Band,
    centre: [f64; 2],
    table: Option<Arc<Table>>,
    places: Vec<Option<Place>>,
    /// Frames in the order of their adding.
    order: Vec<usize>,
    /// Packed coefficients of all frames in that order, if there is memory for them.
    kept: Option<Vec<Complex32>>,
    round: usize,
    reference: Option<Reference>,
    /// Whether the shifts are tied to a picture that was linked.
    anchored: bool,
    turning: Option<Turning>,
    sum: Sum,
    sub_stacks: Vec<Sum>,
    /// Weighted sum of sky levels.
    level: f64,
    /// Weighted sum of flux.
    flux: f64,
    pool: Mutex<Vec<Measured>>,
    /// Frames that keep the table's centre.
    undone: usize,
}

impl CorrelateRun {
    /// Ready for the first sweep over a stream.
    pub fn new(
        context: &dyn Context,
        settings: Settings,
        info: &ClipInfo,
        transformer: Transformer,
        band: Band,
        sampling: f64,
        table: Option<Arc<Table>>,
    ) -> Self {
        let coming = table.as_ref().map_or(info.frames, |t| (0..t.rows()).filter(|&i| t.weight(i) > 0.0).count());
        let keep = context.reserve(((coming + BATCH) * band.set.packed_len() * size_of::<Complex32>()) as u64);
        let mut run = Self {
            info: info.clone(),
            limit_px: FARTHEST_PX * (sampling / DEFAULT_SAMPLING).max(1.0),
            bins: (coming / FEWEST_PER_BIN).min(MOST_BINS),
            last: settings.rounds,
            settings,
            centre: [(info.width as f64 - 1.0) * 0.5, (info.height as f64 - 1.0) * 0.5],
            transformer,
            band,
            table,
            places: vec![None; info.frames],
            order: Vec::new(),
            kept: keep.then(Vec::new),
            round: 0,
            reference: None,
            anchored: false,
            turning: None,
            sum: Sum::default(),
            sub_stacks: Vec::new(),
            level: 0.0,
            flux: 0.0,
            pool: Mutex::new(Vec::new()),
            undone: 0,
        };
        run.sub_stacks = run.empty_sub_stacks();
        run
    }

    /// Ties the places to a picture.
    ///
    /// # Errors
    /// If it has no pixels or no reference point.
    pub fn anchor(&mut self, image: &Image) -> Outcome<()> {
        self.reference = Some(self.linked_reference(image)?);
        self.anchored = true;
        Ok(())
    }

    /// The linked picture as a reference: its channel of green light, its reference point moved to the middle.
    fn linked_reference(&self, image: &Image) -> Outcome<Reference> {
        if image.area() == 0 {
            return Err(Fault::request("the picture linked to `reference` has no pixels"));
        }
        let channel = image.channel(if image.channels == 3 { 1 } else { 0 });
        let (w, h) = (self.transformer.width, self.transformer.height);
        let mut plane = vec![0.0; w * h];
        let x0 = image.info.reference_px[0] - self.centre[0];
        let y0 = image.info.reference_px[1] - self.centre[1];
        if !x0.is_finite() || !y0.is_finite() {
            return Err(Fault::request("the picture linked to `reference` has no reference point"));
        }
        let mut prepared = Prepared::new(Kernel::CubicBSpline);
        shift_window(channel, image.width, image.height, x0, y0, w, h, &mut prepared, &mut plane);
        let level = border_level(&plane, w, h, &mut Vec::new());
        let mut scratch = TransformScratch::default();
        self.transformer.transform(&plane, level, &mut scratch);
        let packed = self.band.set.gather(&scratch.spectrum);
        Ok(Reference::new(&self.band, packed, None, self.settings.whitening, f64::NAN))
    }

    /// Whether this round's sums are of whole spectra: the one that gives the picture.
    fn is_last(&self) -> bool {
        self.round >= self.last
    }

    /// A frame's share in the running stack.
    fn share(&self, place: &Place) -> f64 {
        if self.reference.is_none() {
            return place.weight;
        }
        if place.found.wild {
            return 0.0;
        }
        place.weight * libm::pow(place.found.quality.clamp(0.0, 3.0), self.settings.power)
    }

    /// Displacement, quality and coefficients moved back, of a frame whose coefficients are at hand.
    fn look(
        &self,
        mut place: Place,
        packed: &[Complex32],
        phased: &mut Vec<Complex32>,
        scratch: &mut RoundScratch,
    ) -> Place {
        match &self.reference {
            None => self.band.undo_shift(packed, place.found.displacement, phased, scratch),
            Some(reference) => {
                let start = place.found.displacement;
                let limit = self.limit_px;
                place.found =
                    reference.register(&self.band, packed, start, place.anchor, limit, place.flux, phased, scratch);
            }
        }
        place
    }

    fn sum_frame(&mut self, index: usize, place: &Place, phased: &[Complex32]) {
        let share = self.share(place);
        if self.is_last() {
            self.sum.add(phased, share);
        } else {
            self.sum.add_with_squares(phased, share);
        }
        if place.flux.is_finite() {
            self.flux += share * place.flux;
        } else {
            self.flux = f64::NAN;
        }
        if !self.sub_stacks.is_empty() {
            let bin = self.bin(index);
            self.sub_stacks[bin].add(phased, share);
        }
        self.places[index] = Some(*place);
    }

    /// Takes the mean distance from the table's centres off every displacement; gives what was taken off.
    fn recentre(&mut self) -> [f64; 2] {
        if self.anchored || self.round == 0 {
            return [0.0; 2];
        }
        let mut sum = [0.0; 2];
        let mut count = 0.0;
        for place in self.order.iter().filter_map(|&i| self.places[i]).filter(|p| !p.found.wild) {
            sum[0] += place.found.displacement[0] - place.anchor[0];
            sum[1] += place.found.displacement[1] - place.anchor[1];
            count += 1.0;
        }
        if count == 0.0 {
            return [0.0; 2];
        }
        let off = [sum[0] / count, sum[1] / count];
        for index in self.order.clone() {
            let (sin, cos) = libm::sincos(self.angle_rad(index));
            if let Some(place) = &mut self.places[index] {
                let moved = f64::from(u8::from(!place.found.wild));
                place.found.displacement[0] -= moved * (cos * off[0] - sin * off[1]);
                place.found.displacement[1] -= moved * (sin * off[0] + cos * off[1]);
            }
        }
        off
    }

    /// Turns the sums of a round into the next reference.
    fn next_reference(&mut self) {
        let off = self.recentre();
        let sum = std::mem::take(&mut self.sum);
        let flux = self.flux / sum.weight;
        self.flux = 0.0;
        let mut moved = Vec::new();
        self.band.undo_shift(&sum.mean(), [-off[0], -off[1]], &mut moved, &mut RoundScratch::default());
        self.reference =
            Some(Reference::new(&self.band, moved, sum.scatter(&self.band).as_deref(), self.settings.whitening, flux));
    }

    /// A round on the coefficients at hand.
    fn round_in_memory(&mut self, context: &dyn Context) -> Outcome<()> {
        let Some(kept) = self.kept.take() else { return Ok(()) };
        let packed = self.band.set.packed_len();
        let order = self.order.clone();
        let mut phased: Vec<Complex32> = Vec::new();
        for (batch, frames) in order.chunks(BATCH).enumerate() {
            if context.cancelled() {
                return Err(Fault::cancelled());
            }
            phased.resize(frames.len() * packed, Complex32::default());
            let places: Vec<Option<Place>> = frames.iter().map(|&i| self.places[i]).collect();
            let results: Vec<Mutex<ChunkResult<'_>>> =
                phased.chunks_mut(CHUNK * packed).map(|slice| Mutex::new((slice, Vec::new()))).collect();
            context.parallel(results.len(), &|chunk| {
                let Ok(mut result) = results[chunk].lock() else { return };
                let (slice, found) = &mut *result;
                let (mut scratch, mut moved) = (RoundScratch::default(), Vec::new());
                for (i, target) in slice.chunks_exact_mut(packed).enumerate() {
                    let at = chunk * CHUNK + i;
                    let slot = batch * BATCH + at;
                    let place = places[at].map(|place| {
                        let frame = &kept[slot * packed..(slot + 1) * packed];
                        let place = self.look(place, frame, &mut moved, &mut scratch);
                        target.copy_from_slice(&moved);
                        place
                    });
                    found.push(place);
                }
            });
            let mut found = Vec::with_capacity(frames.len());
            for result in results {
                let inner = result.into_inner().map_err(|_| Fault::internal("a thread failed while registering"))?;
                found.extend(inner.1);
            }
            for ((&index, place), moved) in frames.iter().zip(found).zip(phased.chunks_exact(packed)) {
                if let Some(place) = place {
                    self.sum_frame(index, &place, moved);
                }
            }
        }
        self.kept = Some(kept);
        Ok(())
    }
}

impl ReduceRun for CorrelateRun {
    fn worker(&self) -> Scratch {
        Box::new(Work::new())
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let work = scratch_of::<Work>(scratch)?;
        let frame = input.frame;
        let (w, h) = (self.transformer.width, self.transformer.height);
        if frame.width() != w || frame.height() != h || frame.index >= self.places.len() {
            return Err(Fault::data(format!(
                "frame {} is {} x {} px, not {w} x {h}",
                frame.index,
                frame.width(),
                frame.height()
            ))
            .remedy("register frames of one size: crop.follow and crop.fixed give such"));
        }
        let mut item = self.pool.lock().ok().and_then(|mut free| free.pop()).unwrap_or_default();
        let row = input.row()?;
        let Some(mut place) = self.places[frame.index].or_else(|| self.first_place(frame, row)) else {
            item.place = None;
            return Ok(Box::new(item));
        };
        registration_plane(frame, &mut work.plane);
        let level = border_level(&work.plane, w, h, &mut work.ring);
        item.level = f64::from(level);
        let (sin, cos) = libm::sincos(self.angle_rad(frame.index));
        let before = place.found.displacement;
        let turned = self.turning.is_some();
        if turned {
            work.turned.resize(w * h, 0.0);
            work.prepared.load(&work.plane, w, h);
            let map = Similarity {
                centre: (self.centre[0], self.centre[1]),
                target: (self.centre[0] + before[0], self.centre[1] + before[1]),
                angle_rad: self.angle_rad(frame.index),
                scale: 1.0,
            };
            affine_window(&mut work.prepared, &map, None, w, h, &mut work.turned);
            self.transformer.transform(&work.turned, level, &mut work.transform);
            // In the turned frame the start is no displacement at all.
            let from = [place.anchor[0] - before[0], place.anchor[1] - before[1]];
            place.anchor = [cos * from[0] + sin * from[1], -sin * from[0] + cos * from[1]];
            place.found.displacement = [0.0; 2];
        } else {
            self.transformer.transform(&work.plane, level, &mut work.transform);
        }
        self.band.set.gather_into(&work.transform.spectrum, &mut work.packed);
        place = self.look(place, &work.packed, &mut item.phased, &mut work.round);
        if self.is_last() {
            undo_shift_whole(
                &self.transformer.plan,
                &mut work.transform.spectrum,
                place.found.displacement,
                &mut work.round,
            );
            item.phased.clear();
            item.phased.extend_from_slice(&work.transform.spectrum);
        }
        if turned {
            let back = |v: [f64; 2]| [before[0] + cos * v[0] - sin * v[1], before[1] + sin * v[0] + cos * v[1]];
            place.found.displacement = back(place.found.displacement);
            place.anchor = back(place.anchor);
        }
        item.raw.clear();
        if self.round == 0 && self.kept.is_some() {
            item.raw.extend_from_slice(&work.packed);
        }
        item.place = Some(place);
        Ok(Box::new(item))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (index, item) in items {
            let item = item.downcast::<Measured>().map_err(|_| Fault::internal("the item is of another type"))?;
            if let Some(place) = item.place {
                if self.round == 0 {
                    self.order.push(index);
                    if let Some(kept) = &mut self.kept {
                        kept.extend_from_slice(&item.raw);
                    }
                }
                let share = self.share(&place);
                self.level += share * item.level;
                self.sum_frame(index, &place, &item.phased);
            }
            if let Ok(mut free) = self.pool.lock() {
                free.push(*item);
            }
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        if self.order.is_empty() || self.sum.is_empty() {
            return Err(Fault::data("no frame is left to register")
                .remedy("look into the table of frames for the reasons of rejection"));
        }
        loop {
            if self.is_last() {
                return Ok(Finish::Done(self.results(context)));
            }
            self.next_reference();
            self.level = 0.0;
            let found_before = self.turning.is_some();
            if self.look_for_turning(context) && !found_before {
                self.last = self.round + 1 + TURNING_ROUNDS;
                self.kept = None;
            }
            self.round += 1;
            self.sub_stacks = self.empty_sub_stacks();
            if self.kept.is_none() || self.is_last() {
                return Ok(Finish::Again);
            }
            self.round_in_memory(context)?;
        }
    }
}

impl CorrelateRun {
    /// What the table says of a frame seen for the first time; `None` where it has no centre.
    fn first_place(&self, frame: &Frame, row: &Row<'_>) -> Option<Place> {
        let origin = [frame.region.x as f64, frame.region.y as f64];
        let at = [row.number(columns::X_PX), row.number(columns::Y_PX)];
        let anchor = [at[0] - origin[0] - self.centre[0], at[1] - origin[1] - self.centre[1]];
        let known = anchor.iter().all(|v| v.is_finite());
        let found = Found { displacement: anchor, quality: 1.0, correlation: 0.0, wild: false };
        known.then(|| Place { origin, anchor, found, weight: row.weight(), flux: row.number(columns::FLUX) })
    }
}
