//! Divides every frame by a master flat: `F' = F * <f> / f`, with `f` the flat less its own dark and `<f>` its mean over
//! the pixels of the same colour, so that the colour balance is kept.
//!
//! Takes off vignetting and the shadows of dust. Source: Howell, Handbook of CCD Astronomy, 2nd ed., ch. 4 (from memory).

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Frame, FrameInput, Image, Layout, Map, MapRun, Method, Node,
    Outcome, Parameters, PortType, Scratch, Shape,
};

use crate::dark::with_master;

/// A pixel of the flat below this share of the mean tells nothing: it is left as it is.
const LEAST: f32 = 0.1;

/// The method `calibrate.flat`.
pub struct Flat;

impl Method for Flat {
    fn describe(&self) -> Description {
        Description::new("calibrate.flat", Shape::Map, "divide every frame by a master flat")
            .help(
                "Evens out vignetting and dust. The flat must come from the same telescope, camera and focus; it is \
                 scaled to a mean of 1 for each colour. Link what is to be taken from the flat itself as well: its own \
                 dark, else the bias, else the capture's dark; of several the first that is given is taken. Without a \
                 flat the frames pass unchanged.",
            )
            .source("Howell, Handbook of CCD Astronomy, 2nd ed., ch. 4 (from memory)")
            .contract("calibrate")
            .input("frames", PortType::Frames, "the frames, freed from the dark")
            .input("flat", PortType::Image, "the master flat")
            .optional("dark", PortType::Image, "darks of the flat: the first that is given is taken from it")
            .many()
            .output("frames", PortType::Frames, "the evened frames")
            .through("frames")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Map(Box::new(Flat)))
    }
}

impl Map for Flat {
    fn start(&self, _context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        let flat = bound.image("flat")?;
        if flat.channels != info.layout.planes() {
            return Err(Fault::data("the flat has another number of colours than the capture")
                .remedy("take the flat with the same camera settings"));
        }
        let gain = gain_of(flat, bound.maybe_image("dark").map(AsRef::as_ref), info.layout)?;
        Ok(Box::new(FlatRun { gain: Arc::new(gain), info: info.clone() }))
    }
}

/// What every pixel is to be multiplied with.
fn gain_of(flat: &Image, dark: Option<&Image>, layout: Layout) -> Outcome<Image> {
    let mut light = flat.clone();
    if let Some(dark) = dark {
        if (dark.width, dark.height, dark.channels) != (flat.width, flat.height, flat.channels) {
            return Err(Fault::data(format!(
                "the dark of the flat has {} x {} pixels, the flat {} x {}",
                dark.width, dark.height, flat.width, flat.height
            ))
            .remedy("take both with the same window of the sensor"));
        }
        for (value, dark) in light.data.iter_mut().zip(&dark.data) {
            *value -= dark;
        }
    }
    let colour = |index: usize| match layout {
        Layout::Mono => 0,
        Layout::Mosaic(pattern) => pattern.colour_at(index % flat.width, index / flat.width),
        Layout::Rgb => index / flat.area(),
    };
    let (mut sum, mut count) = ([0.0f64; 3], [0usize; 3]);
    for (index, value) in light.data.iter().enumerate() {
        sum[colour(index)] += f64::from(*value);
        count[colour(index)] += 1;
    }
    let mean: Vec<f32> = sum.iter().zip(count).map(|(s, n)| (s / n.max(1) as f64) as f32).collect();
    if mean.iter().zip(count).any(|(m, n)| n > 0 && *m <= 0.0) {
        return Err(Fault::data("the flat is not brighter than its dark").remedy("check which file is which"));
    }
    for (index, value) in light.data.iter_mut().enumerate() {
        let mean = mean[colour(index)];
        *value = if *value > LEAST * mean { mean / *value } else { 1.0 };
    }
    Ok(light)
}

struct FlatRun {
    gain: Arc<Image>,
    info: ClipInfo,
}

impl MapRun for FlatRun {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn frame(&self, _scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        with_master(input.frame, &self.gain, "flat", out, |value, gain| value * gain)
    }
}

#[cfg(test)]
mod tests {
    use stillair_api::testing::{clip_info, run_map};
    use stillair_api::{Pattern, Region, Value};

    use super::*;

    #[test]
    fn a_flat_evens_the_field_and_keeps_the_colours() {
        let layout = Layout::Mosaic(Pattern::Rggb);
        let (width, height) = (8, 6);
        let vignette = |x: usize| 1.0 - 0.05 * x as f32;
        let tint = |x: usize, y: usize| [0.5, 1.0, 0.7][Pattern::Rggb.colour_at(x, y)];
        let mut flat = Image::new(width, height, 1);
        let mut frame = Frame::empty();
        frame.reshape(0, Region::whole(width, height), layout);
        for y in 0..height {
            for x in 0..width {
                flat.data[y * width + x] = 0.6 * vignette(x) * tint(x, y) + 0.02;
                frame.data[y * width + x] = 0.3 * vignette(x);
            }
        }
        let mut dark = Image::new(width, height, 1);
        dark.data.fill(0.02);
        let bound = Bound::default().with("flat", Value::Image(flat.into())).with("dark", Value::Image(dark.into()));
        let out = run_map(&Flat, &bound, &clip_info(1, width, height, layout), &[frame]).unwrap();
        for colour in 0..3 {
            let same: Vec<f32> = (0..width * height)
                .filter(|i| Pattern::Rggb.colour_at(i % width, i / width) == colour)
                .map(|i| out[0].data[i])
                .collect();
            assert!(same.iter().all(|v| (v - same[0]).abs() < 1e-6), "{same:?}");
        }
        assert!(stillair_api::contract::breaches(&Flat.describe()).is_empty());
    }
}
