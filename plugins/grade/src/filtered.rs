//! What grades by a filter of slightly blurred green light share: the blur by the sampling, the noise that passes the
//! filter, the work on a frame.

use stillair_api::{
    Bound, ClipInfo, Context, Entry, Facts, FrameInput, Measure, MeasureRow, MeasureRun, Memory, Outcome, Parameter,
    Scratch, StreamShape, scratch_of,
};
use stillair_maths::filters::gaussian_half_kernel;

use crate::view::{GreenBuffers, Light, green, noise_gain, sampling};

/// A filter and what its response is worth.
pub(crate) trait Filter: Copy + Send + Sync + 'static {
    /// Sigma of the blur before the filter, px per px of lambda over D.
    const BLUR_PER_SAMPLING: f64;
    /// The filter's name in sentences.
    const NAME: &'static str;

    /// Blurs a plane by a half kernel and filters it, into `buffers.response`.
    fn respond(plane: &[f32], width: usize, kernel: &[f32], buffers: &mut Responses);

    /// The grade of a response over `area` pixels; `gain`: sum of squares that noise of variance 1 leaves per pixel.
    fn grade(self, response: &Responses, gain: f64, light: &Light, area: usize, scratch: &mut Vec<f32>) -> f64;
}

/// The parameter `blur_px`.
pub(crate) fn blur_parameter<F: Filter>() -> Parameter {
    let help =
        format!("sigma of the blur before the {}; auto = {} px per px of lambda over D", F::NAME, F::BLUR_PER_SAMPLING);
    Parameter::auto_number("blur_px", "px", 0.0, 20.0, &help)
}

/// A blurred plane and its filtered one.
#[derive(Debug, Default)]
pub(crate) struct Responses {
    pub blurred: Vec<f32>,
    pub response: Vec<f32>,
    pub filter: Vec<f32>,
}

impl Responses {
    /// Makes room for a plane of so many pixels.
    pub fn resize(&mut self, pixels: usize) {
        self.blurred.resize(pixels, 0.0);
        self.response.resize(pixels, 0.0);
    }
}

/// Buffers of one thread.
#[derive(Debug, Default)]
struct Buffers {
    green: GreenBuffers,
    responses: Responses,
    scratch: Vec<f32>,
}

/// The node: its filter, parameter and facts.
pub(crate) struct FilterNode<F> {
    pub filter: F,
    pub blur_px: Option<f64>,
    pub facts: Facts,
}

impl<F: Filter> Measure for FilterNode<F> {
    fn start(&self, context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MeasureRun>> {
        let blur_px = self.blur_px.unwrap_or_else(|| F::BLUR_PER_SAMPLING * sampling(&self.facts, info.layout));
        context.record(Entry::number("blur", blur_px, "px", &format!("sigma of the blur before the {}", F::NAME)));
        let kernel = gaussian_half_kernel(blur_px);
        let gain = noise_gain(info.layout, 2 * kernel.len() + 16, |plane, side| {
            let mut responses = Responses::default();
            F::respond(plane, side, &kernel, &mut responses);
            stillair_maths::dot(&responses.response, &responses.response)
        });
        Ok(Box::new(FilterRun { filter: self.filter, kernel, gain }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        let plane = 4 * (stream.width * stream.height) as u64;
        Memory { worker: 7 * plane, ..Memory::default() }
    }
}

struct FilterRun<F> {
    filter: F,
    kernel: Vec<f32>,
    gain: f64,
}

impl<F: Filter> MeasureRun for FilterRun<F> {
    fn worker(&self) -> Scratch {
        Box::new(Buffers::default())
    }

    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<MeasureRow> {
        let light = Light::of(input.row()?)?;
        let frame = input.frame;
        let area = frame.region.area();
        if !light.is_lit() || area == 0 {
            return Ok(MeasureRow { values: vec![f64::NAN], motion: None });
        }
        let Buffers { green: greens, responses, scratch } = scratch_of::<Buffers>(scratch)?;
        let plane = green(frame, light.target_variance.sqrt(), greens);
        F::respond(plane, frame.width(), &self.kernel, responses);
        let grade = self.filter.grade(responses, self.gain, &light, area, scratch);
        Ok(MeasureRow { values: vec![grade], motion: None })
    }
}
