//! Least squares over frames that are blurred each in its own way.
//!
//! With `F_k = H_k X + noise` of variance `v_k` (transforms of the placed frames) the best `X` is
//! `sum conj(H_k) F_k / v_k / (sum |H_k|^2 / v_k + e)`. The transfer `H_k` of a frame is taken relative to the weighted mean of
//! all, found from the frame itself as a small kernel and drawn to what the frames' kernels have in common ([`family`]), as
//! each frame alone is too noisy. `X` then has the transfer of the weighted mean; it is held to that ring by ring, so that
//! what follows may take it for such a stack. Where the kernels are not told from noise the weighted mean itself is given.
//!
//! Three sweeps: the mean, the kernels, the sums. Sources: multi-frame least squares: Kundur & Hatzinakos 1996, IEEE Signal
//! Process. Mag. 13(3), 43; edge of noise: Marchenko & Pastur 1967; the family and its measures: own derivation and
//! simulation.

mod family;
mod ground;

use std::sync::{Arc, Mutex};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Image, Item, Memory, Method, Node,
    Outcome, Parameter, Parameters, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value, scratch_of,
};
use stillair_maths::fft::{Complex32, Fft2Scratch};
use stillair_maths::resample::Kernel;

use crate::accumulate::Accumulator;
use crate::mean::{
    Pool, contribution, describe_picture, kernel_of, kernel_parameter, kernel_words, memory, no_frames, ports,
    refuse_mosaic, same_canvas, take_in, warn_of_lost,
};
use crate::optics::{Optics, from_mosaic};
use crate::resample::{Canvas, Workspace};
use family::{Family, Kernels, OperatorScratch};
use ground::{Buffers, Ground, Share, Sums, quotient};

/// Cut-off in cycles per px where the telescope is unknown.
const UNKNOWN_CUTOFF: f64 = 0.4;
/// Px per lambda/D below which kernels were not told rightly on simulated clips.
const COARSEST: f64 = 2.2;
/// The method `stack.deblur`.
pub struct Deblur;

impl Method for Deblur {
    fn describe(&self) -> Description {
        let mut description = ports(Description::new(
            "stack.deblur",
            Shape::Reduce,
            "Least squares over frames of different blur, for bright targets, in three sweeps",
        ));
        if let Some(table) = description.inputs.iter_mut().find(|p| p.name == "table") {
            table.whole = true;
            table.help = "the weights (column weight) and the grades".into();
        }
        description
            .help(HELP)
            .source(
                "multi-frame least squares: Kundur & Hatzinakos 1996, IEEE Signal Process. Mag. 13(3), 43; edge of noise: \
                 Marchenko & Pastur 1967, Math. USSR Sb. 1, 457; the family of kernels: own derivation and simulation",
            )
            .parameter(kernel_parameter())
            .parameter(Parameter::number(
                "gate",
                "",
                0.0,
                1000.0,
                GATE,
                "how much the frames' blur must vary over what noise feigns, mean over a kernel, for it to be used; below, \
                 the weighted mean is given",
            ))
            .fact("telescope.aperture_mm")
            .sweeps(3)
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(DeblurNode {
            kernel: kernel_of(parameters)?,
            gate: parameters.number("gate")?,
            aperture_mm: facts.number("telescope.aperture_mm").filter(|v| v.is_finite() && *v > 0.0),
            optics: Optics::from_facts(facts),
        })))
    }
}

/// Default of `gate`.
const GATE: f64 = 1.0;

/// What `explain` says.
const HELP: &str = "\
Finds how each frame is blurred against the weighted mean of all and adds the frames so that each counts, frequency by \
frequency and direction by direction, for as much detail as it shows. For bright targets in strong seeing, sampled at 2.5 px \
or more per lambda/D, and without a colour mosaic. On the one simulated mono clip tried of a bright globe at 203 mm, 2.9 px per \
lambda/D, D/r0 4, the sharpened picture gained 1.7 dB on stack.mean with the same weights, with `gate` 0. At 1.9 px per \
lambda/D it lost 1 to 4 dB (D/r0 3 and 4), and on mosaics that were filled in 3 dB: below 2.2 px per lambda/D the weighted mean is given, unless `gate` is 0, and \
stack.mean stays the default of the recipes. The same blur is taken for all colours. Local shifts may come with the motion; the \
blur is one for the whole field: a patch has so much less light to tell its blur by, and kernels for each were not tried. Three \
readings of the frames.";

struct DeblurNode {
    kernel: Kernel,
    gate: f64,
    aperture_mm: Option<f64>,
    optics: Optics,
}

impl DeblurNode {
    /// Cut-off in cycles per px and px per lambda/D, of the middle colour.
    fn cutoff(&self, planes: usize) -> (f64, f64) {
        let nm = self.optics.wavelengths_nm(planes)[planes / 2];
        match (self.aperture_mm, self.optics.arcsec_per_px) {
            (Some(aperture_mm), Some(arcsec)) => {
                let cutoff = aperture_mm * 1e6 / nm * (arcsec / 3600.0).to_radians();
                (cutoff.min(0.5), 1.0 / cutoff)
            }
            _ => (UNKNOWN_CUTOFF, 1.0 / UNKNOWN_CUTOFF),
        }
    }
}

impl Reduce for DeblurNode {
    fn start(&self, _context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        refuse_mosaic(info)?;
        let table = bound.table("table")?;
        let mut grades: Vec<f64> = match table.latest_grade() {
            Some(column) => column.data.iter().map(|g| if g.is_finite() { g.max(0.0) } else { f64::NAN }).collect(),
            None => vec![1.0; table.rows()],
        };
        let used: Vec<f64> =
            (0..grades.len()).filter(|&i| table.weight(i) > 0.0 && grades[i].is_finite()).map(|i| grades[i]).collect();
        let mean = used.iter().sum::<f64>() / used.len().max(1) as f64;
        for grade in &mut grades {
            *grade = if grade.is_finite() && mean > 0.0 { (*grade / mean).min(4.0) } else { 1.0 };
        }
        let (cutoff, sampling) = self.cutoff(Canvas::planes_of(info.layout));
        Ok(Box::new(DeblurRun {
            kernel: self.kernel,
            gate: self.gate,
            optics: self.optics.clone(),
            info: info.clone(),
            cutoff,
            sampling,
            grades,
            canvas: Mutex::new(None),
            pool: Pool::default(),
            stage: Stage::Mean(Box::default()),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let one = memory(stream, false);
        let plane = ((stream.width + 2) * stream.height * 4) as u64;
        // Spectra of three planes and a transfer for each item; two sums of such, operator and mean.
        Memory { worker: one.worker + 8 * plane, item: one.item + 5 * plane, state: one.state + 40 * plane + (4 << 20) }
    }
}

/// What the sweep under way gathers.
enum Stage {
    Mean(Box<Option<Accumulator>>),
    Blur { ground: Box<Ground>, kernels: Kernels, noise: f64, frames: f64 },
    Sum { ground: Box<Ground>, family: Family, noise: f64, halves: [Sums; 2], frames: usize },
}

/// A frame's answer in the sweep over kernels.
struct Blurred {
    kernel: Vec<f64>,
    grade: f64,
    noise: f64,
}

struct DeblurRun {
    kernel: Kernel,
    gate: f64,
    optics: Optics,
    info: ClipInfo,
    cutoff: f64,
    sampling: f64,
    /// Grade of each frame over the mean of those used.
    grades: Vec<f64>,
    canvas: Mutex<Option<Canvas>>,
    pool: Pool,
    stage: Stage,
}

impl DeblurRun {
    fn grade(&self, index: usize) -> f64 {
        self.grades.get(index).copied().unwrap_or(1.0)
    }

    /// The mean's picture with its description, or the fault of a stack of nothing.
    fn mean(&mut self, context: &dyn Context, sums: Option<Accumulator>) -> Outcome<Image> {
        let sums = sums.filter(|s| s.frames() > 0).ok_or_else(no_frames)?;
        warn_of_lost(context, sums.placeless());
        Ok(describe_picture(sums.finish(false), &self.optics, &self.info, String::new()))
    }

    fn told(&self, mut image: Image, how: &str) -> Finish {
        let frames = image.info.frames_used;
        let words = format!("stack.deblur of {frames} frames, {how}; {}", kernel_words(self.kernel));
        // The first line is that of the mean.
        if let Some(first) = image.info.history.first_mut() {
            *first = words;
        }
        Finish::Done(vec![Value::Image(Arc::new(image))])
    }
}

impl ReduceRun for DeblurRun {
    fn worker(&self) -> Scratch {
        Box::new(Buffers {
            work: Workspace::new(self.kernel),
            field: Vec::new(),
            spectrum: Vec::new(),
            transfer: Vec::new(),
            fft: Fft2Scratch::default(),
            operator: OperatorScratch::default(),
        })
    }

    fn prepare(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let canvas = same_canvas(&self.canvas, input)?;
        let buffers = scratch_of::<Buffers>(scratch)?;
        let item = contribution(input, &canvas, false, &mut buffers.work, self.pool.take(), |_| ())?;
        let grade = self.grade(input.frame.index);
        let middle = canvas.planes / 2;
        match &self.stage {
            Stage::Mean(_) => Ok(Box::new(item)),
            _ if item.weight <= 0.0 => Ok(Box::new(())),
            Stage::Blur { ground, .. } => {
                ground.spectrum(&item.resampled, middle, buffers);
                let kernel = ground.operator.kernel(&buffers.spectrum, &mut buffers.operator);
                let noise = ground.noise(&buffers.spectrum);
                self.pool.give(vec![item]);
                Ok(Box::new(Blurred { kernel, grade, noise }))
            }
            Stage::Sum { ground, family, noise, .. } => {
                ground.spectrum(&item.resampled, middle, buffers);
                let kernel = ground.operator.kernel(&buffers.spectrum, &mut buffers.operator);
                let own = (ground.noise(&buffers.spectrum) / noise).clamp(0.3, 3.0) as f32;
                let drawn = family.drawn(&kernel, grade);
                ground.operator.transfer(&drawn, grade as f32, &mut buffers.transfer, &mut buffers.operator);
                let power = buffers.transfer.iter().map(|h| h.norm_sqr() / own).collect();
                let mut planes = Vec::with_capacity(canvas.planes);
                for plane in 0..canvas.planes {
                    ground.spectrum(&item.resampled, plane, buffers);
                    planes.push(
                        buffers.spectrum.iter().zip(&buffers.transfer).map(|(f, h)| f * h.conj() / own).collect(),
                    );
                }
                self.pool.give(vec![item]);
                Ok(Box::new(Share { planes, power }))
            }
        }
    }

    fn add(&mut self, context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        match &mut self.stage {
            Stage::Mean(sums) => take_in(context, items, sums, &self.canvas, &self.pool),
            Stage::Blur { kernels, noise, frames, .. } => {
                for item in items.into_iter().filter_map(|(_, item)| item.downcast::<Blurred>().ok()) {
                    kernels.add(&item.kernel, item.grade);
                    *noise += item.noise;
                    *frames += 1.0;
                }
                Ok(())
            }
            Stage::Sum { halves, frames, .. } => {
                for item in items.into_iter().filter_map(|(_, item)| item.downcast::<Share>().ok()) {
                    halves[*frames % 2].add(&item);
                    *frames += 1;
                }
                Ok(())
            }
        }
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        match std::mem::replace(&mut self.stage, Stage::Mean(Box::default())) {
            Stage::Mean(sums) => {
                let mean = self.mean(context, *sums)?;
                let ground = Ground::new(mean, self.cutoff, self.sampling, from_mosaic(&self.info));
                let kernels = Kernels::new(ground.operator.len());
                self.stage = Stage::Blur { ground: Box::new(ground), kernels, noise: 0.0, frames: 0.0 };
                Ok(Finish::Again)
            }
            Stage::Blur { ground, kernels, noise, frames } => {
                let noise = noise / f64::max(frames, 1.0);
                let family = kernels.family(&ground.operator.scatter_of_noise(noise, &ground.shape));
                let coarse = self.sampling < COARSEST && self.gate > 0.0;
                let told = family.as_ref().map_or(0.0, |f| f.told);
                context.record(Entry::number(
                    "blur-told",
                    told,
                    "",
                    "variance of the frames' blur over what noise feigns, less 1, mean over a kernel",
                ));
                match family {
                    Some(family) if told >= self.gate && told > 0.0 && !coarse => {
                        let kept = family.kept as f64;
                        context.record(Entry::number(
                            "directions",
                            kept,
                            "",
                            "in which the frames' blur is told apart",
                        ));
                        let sums = || Sums::new(ground.canvas.planes, ground.plan.spectrum_len());
                        let halves = [sums(), sums()];
                        self.stage = Stage::Sum { ground, family, noise, halves, frames: 0 };
                        Ok(Finish::Again)
                    }
                    Some(_) if coarse => {
                        context.warn(&format!(
                            "at {:.1} px per lambda/D the frames' blur is not told rightly: the weighted mean is given",
                            self.sampling
                        ));
                        Ok(self.told(ground.mean, "sampled too coarsely to tell their blur: the weighted mean"))
                    }
                    _ => {
                        context.warn(&format!(
                            "the frames' blur is not told from noise well enough ({told:.2}, {} wanted): the weighted mean is \
                             given",
                            self.gate
                        ));
                        Ok(self.told(ground.mean, "whose blur is not told from noise: the weighted mean"))
                    }
                }
            }
            Stage::Sum { ground, halves, .. } => {
                let mut image = ground.mean.clone();
                let area = ground.canvas.area();
                let [a, b] = &halves;
                let whole: Vec<f32> = a.denominator.iter().zip(&b.denominator).map(|(a, b)| a + b).collect();
                for plane in 0..ground.canvas.planes {
                    let own = halves.each_ref().map(|h| quotient(&h.numerator[plane], &h.denominator));
                    let gain = ground.gain(&own, plane);
                    let both: Vec<Complex32> =
                        a.numerator[plane].iter().zip(&b.numerator[plane]).map(|(a, b)| a + b).collect();
                    let range = plane * area..(plane + 1) * area;
                    image.data[range.clone()].copy_from_slice(&ground.picture(&both, &whole, plane, &gain));
                    if let Some(pictures) = &mut image.halves {
                        for (picture, half) in pictures.iter_mut().zip(&halves) {
                            let made = ground.picture(&half.numerator[plane], &half.denominator, plane, &gain);
                            picture[range.clone()].copy_from_slice(&made);
                        }
                    }
                }
                if image.data.iter().any(|v| !v.is_finite()) {
                    return Err(Fault::internal("the sums over frames are not numbers"));
                }
                Ok(self.told(image, "each by its own blur, at the transfer of their weighted mean"))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_description_keeps_to_its_contract() {
        assert_eq!(stillair_api::contract::breaches(&Deblur.describe()), Vec::<String>::new());
    }
}
