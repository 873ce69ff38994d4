//! What a capture itself tells: its frame, its depth, and the camera's gain and read noise.
//!
//! Pairs of neighbouring frames, spread over the clip, give the camera by photon transfer (Janesick 2007;
//! [`stillair_maths::noise`]): variance of a filtered difference against intensity, whatever the seeing does.

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Item, Layout, Memory, Method, Node,
    Outcome, Parameters, PortType, Record, Reduce, ReduceRun, Scratch, Shape, StreamShape, TimesOrigin, Value,
};
use stillair_maths::noise::NoiseSamples;
use stillair_maths::robust;

/// Pairs of frames looked at.
const PAIRS: usize = 40;
/// Samples of one pair, and of all.
const SAMPLES: (usize, usize) = (12_000, 400_000);
/// Bins of intensity.
const BINS: usize = 24;

/// `assess.capture`.
pub struct Capture;

impl Method for Capture {
    fn describe(&self) -> Description {
        Description::new("assess.capture", Shape::Reduce, "Measures the camera's gain and noise from the clip itself")
            .help(
                "Frame size, depth, where the times come from, and the camera by photon transfer: electrons for a step \
                 of the converter and read noise, from the differences of 40 pairs of neighbouring frames. Link the \
                 frames as they were captured: what repairs or fills in pixels changes their noise.",
            )
            .source("Janesick 2007, Photon Transfer, SPIE Press PM170")
            .contract("assess")
            .input("frames", PortType::Frames, "the capture as it is")
            .output("record", PortType::Record, "frame, depth, gain and read noise")
    }

    fn create(&self, _: &Parameters, _: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(CaptureNode)))
    }
}

struct CaptureNode;

impl Reduce for CaptureNode {
    fn start(&self, _: &dyn Context, _: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let quantum = 1.0 / f64::from((1_u32 << info.bits.clamp(1, 16)) - 1);
        let spacing = if matches!(info.layout, Layout::Mosaic(_)) { 2 } else { 1 };
        Ok(Box::new(CaptureRun {
            info: info.clone(),
            quantum,
            stride: (info.frames / PAIRS).max(2),
            samples: NoiseSamples::new(spacing, quantum as f32, 0.98, SAMPLES.1),
            before: None,
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let plane = stream.frame_bytes() / stream.planes.max(1) as u64;
        Memory { worker: 0, item: plane, state: 2 * plane + 16 * SAMPLES.1 as u64 }
    }
}

struct CaptureRun {
    info: ClipInfo,
    quantum: f64,
    stride: usize,
    samples: NoiseSamples,
    before: Option<(usize, Vec<f32>)>,
}

impl ReduceRun for CaptureRun {
    fn prepare(&self, _: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let frame = input.frame;
        let wanted = frame.index % self.stride < 2;
        let plane = if frame.layout == Layout::Rgb { 1 } else { 0 };
        Ok(Box::new(wanted.then(|| frame.plane(plane).to_vec())))
    }

    fn add(&mut self, _: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (index, item) in items {
            let plane = item.downcast::<Option<Vec<f32>>>().map_err(|_| Fault::internal("an item of another type"))?;
            let Some(plane) = *plane else { continue };
            if let Some((at, before)) = self.before.take()
                && at + 1 == index
                && before.len() == plane.len()
            {
                let some: Vec<f32> = before.iter().step_by((before.len() / SAMPLES.0 + 1) | 1).copied().collect();
                let bias = robust::percentile_f32(&some, 2.0, &mut Vec::new());
                let (width, height) = (self.info.width, plane.len() / self.info.width.max(1));
                self.samples.add_pair(&before, &plane, width, height, bias, SAMPLES.0);
            }
            self.before = Some((index, plane));
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let mut record = Record::default();
        let mut number = |name: &str, value: f64, unit: &str, help: &str| {
            record.entries.push(Entry::number(name, value, unit, help))
        };
        number("frame-width", self.info.width as f64, "px", "columns of the captured frame");
        number("frame-height", self.info.height as f64, "px", "rows of the captured frame");
        number("bits", f64::from(self.info.bits), "", "bits of a sample");
        if let Some(camera) = self.samples.fit(BINS) {
            let per_step = self.quantum / camera.units_per_electron;
            number("electrons-per-step", per_step, "e", "electrons for a step of the converter, by photon transfer");
            number("read-noise", camera.read_noise_electrons, "e", "noise of a pixel without light");
            number("electrons-at-white", 1.0 / camera.units_per_electron, "e", "electrons that fill the range");
        }
        let times = match self.info.times {
            TimesOrigin::Stamps => "stamps",
            TimesOrigin::Rate => "rate",
            TimesOrigin::Absent => "absent",
        };
        record.entries.push(Entry::text("times", times));
        record.entries.iter().for_each(|e| context.record(e.clone()));
        Ok(Finish::Done(vec![Value::Record(Arc::new(record))]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::{TestContext, clip_info, run_reduce};
    use stillair_api::{Frame, Region};

    // Photon transfer (Janesick 2007): a camera of 4 electrons a step and 3 electrons of read noise, drawn as normal
    // numbers of variance `signal + 9`, must come back; limits from the estimator's own tests: 6 % and 8 %.
    #[test]
    fn a_known_camera_comes_back() {
        let (width, height, frames) = (96, 96, 40);
        let mut state = 11_u64;
        let mut normal = || {
            (0..12).fold(-6.0_f64, |sum, _| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum + (state >> 40) as f64 / 16_777_216.0
            })
        };
        let clip: Vec<Frame> = (0..frames)
            .map(|index| {
                let data = (0..width * height)
                    .map(|i| {
                        let electrons = if i % width < 12 { 0.0 } else { 8.0 * (i % width) as f64 };
                        let seen = electrons + (electrons + 9.0_f64).sqrt() * normal();
                        ((seen / 4.0 + 10.0).round() / 255.0) as f32
                    })
                    .collect();
                Frame { index, region: Region::whole(width, height), layout: Layout::Mono, data }
            })
            .collect();
        let info = clip_info(frames, width, height, Layout::Mono);
        let context = TestContext::default();
        run_reduce(&CaptureNode, &context, &Bound::default(), &info, &clip).unwrap();
        let gain = context.number("electrons-per-step").unwrap();
        assert!((gain / 4.0 - 1.0).abs() < 0.06, "{gain}");
        let read = context.number("read-noise").unwrap();
        assert!((read / 3.0 - 1.0).abs() < 0.25, "{read}");
        assert_eq!(context.number("frame-width"), Some(96.0));
    }
}
