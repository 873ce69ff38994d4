//! The mean of all frames of a calibration clip: `M = (1/n) sum F_k`.
//!
//! A dark is the mean of frames with the cap on, at the exposure and gain of the capture; a bias of the shortest
//! exposure; a flat of an evenly lit surface. The mean of n frames has 1/n of one frame's noise variance, which
//! adds to that of every frame it is taken from. Source: Howell, Handbook of CCD Astronomy, 2nd ed., ch. 4 (from memory).

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Image, Item, Memory, Method, Node,
    Outcome, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value,
};

/// The method `calibrate.master`.
pub struct Master;

impl Method for Master {
    fn describe(&self) -> Description {
        Description::new("calibrate.master", Shape::Reduce, "mean of a calibration clip")
            .help(
                "Adds all frames of a bias, dark or flat clip and divides by their number. The mosaic is kept: a master \
                 has one sample per pixel of the sensor.",
            )
            .source("Howell, Handbook of CCD Astronomy, 2nd ed., ch. 4 (from memory)")
            .contract("calibrate.master")
            .input("frames", PortType::Frames, "the calibration clip")
            .output("image", PortType::Image, "the mean frame")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(Master)))
    }
}

impl Reduce for Master {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        Ok(Box::new(MeanFrame::new(info)))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { item: stream.frame_bytes(), state: 3 * stream.frame_bytes(), worker: 0 }
    }
}

/// A running mean of whole frames.
pub(crate) struct MeanFrame {
    width: usize,
    height: usize,
    planes: usize,
    exposure_s: Option<f64>,
    middle_unix_ns: Option<i64>,
    span_unix_ns: [Option<i64>; 2],
    sum: Vec<f64>,
    frames: usize,
}

impl MeanFrame {
    pub(crate) fn new(info: &ClipInfo) -> Self {
        let planes = info.layout.planes();
        Self {
            width: info.width,
            height: info.height,
            planes,
            exposure_s: info.exposure_s,
            middle_unix_ns: info.middle_unix_ns(),
            span_unix_ns: info.span_unix_ns(),
            sum: vec![0.0; info.width * info.height * planes],
            frames: 0,
        }
    }

    pub(crate) fn add_frame(&mut self, data: &[f32]) {
        for (sum, value) in self.sum.iter_mut().zip(data) {
            *sum += f64::from(*value);
        }
        self.frames += 1;
    }

    pub(crate) fn frames(&self) -> usize {
        self.frames
    }

    pub(crate) fn image(&self) -> Outcome<Image> {
        if self.frames == 0 {
            return Err(Fault::data("the clip has no frame to make a master of"));
        }
        let mut image = Image::new(self.width, self.height, self.planes);
        let share = 1.0 / self.frames as f64;
        for (value, sum) in image.data.iter_mut().zip(&self.sum) {
            *value = (sum * share) as f32;
        }
        image.info.exposure_total_s = self.exposure_s.map(|seconds| seconds * self.frames as f64);
        image.info.middle_unix_ns = self.middle_unix_ns;
        [image.info.begin_unix_ns, image.info.end_unix_ns] = self.span_unix_ns;
        image.info.frames_used = self.frames;
        image.info.frames_effective = self.frames as f64;
        image.info.history.push(format!("mean of {} frames", self.frames));
        Ok(image)
    }
}

impl ReduceRun for MeanFrame {
    fn prepare(&self, _scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        Ok(Box::new(input.frame.data.to_vec()))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (_, item) in items {
            let data = item.downcast::<Vec<f32>>().map_err(|_| Fault::internal("an item of another type"))?;
            self.add_frame(&data);
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        context.record(Entry::number("frames", self.frames as f64, "", "frames in the master"));
        Ok(Finish::Done(vec![Value::Image(self.image()?.into())]))
    }
}

#[cfg(test)]
mod tests {
    use stillair_api::testing::{TestContext, clip_info, run_reduce};
    use stillair_api::{Frame, Layout, Region};

    use super::*;

    #[test]
    fn the_master_is_the_mean() {
        let frames: Vec<Frame> = (0..4)
            .map(|index| Frame {
                index,
                region: Region::whole(2, 2),
                layout: Layout::Mono,
                data: vec![0.1, 0.2, 0.3, index as f32].into(),
            })
            .collect();
        let info = clip_info(4, 2, 2, Layout::Mono);
        let values = run_reduce(&Master, &TestContext::default(), &Bound::default(), &info, &frames).unwrap();
        let Value::Image(image) = &values[0] else { panic!("an image") };
        assert_eq!(image.data, [0.1, 0.2, 0.3, 1.5]);
        assert!(stillair_api::contract::breaches(&Master.describe()).is_empty());
    }
}
