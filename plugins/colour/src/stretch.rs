//! Sets black and white for showing, by one linear scale for all channels.
//!
//! `out = (x - black) / (white - black) * top`. Black is the sky's level, the darkest of the
//! channels' after a balance being alike; white a high percentile of the brightest channel. Nothing
//! is clipped here: values below 0 and above 1 are the writer's to handle. Sky that hardly any frame
//! showed, at the edges of a window that moved, is nothing but noise and fades to black.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Image, Memory, Method, Node, Outcome, Parameter, Parameters,
    PortType, Shape, StreamShape, Transform, Value,
};
use stillair_maths::robust;

use crate::levels::{border_level, has_sky};

/// `colour.stretch`.
pub struct Stretch;

impl Method for Stretch {
    fn describe(&self) -> Description {
        Description::new("colour.stretch", Shape::Transform, "Sets black and white for showing, linearly")
            .help(
                "One linear scale for all channels: black from the sky (from nought where the target fills the \
                 picture), white from a high percentile. Nothing is clipped and no curve is applied; sky that hardly \
                 any frame showed fades to black. The step is for pictures to be looked at, not to be measured.",
            )
            .source("linear scaling; common practice, no source")
            .contract("colour")
            .input("image", PortType::Image, "a linear picture")
            .output("image", PortType::Image, "the picture with its sky at 0 and its bright end near 1")
            .parameter(Parameter::auto_number("black", "white levels", -10.0, 10.0, "value that becomes 0"))
            .parameter(Parameter::number(
                "white_percentile",
                "%",
                50.0,
                100.0,
                99.7,
                "percentile of the brightest channel that becomes the top",
            ))
            .parameter(Parameter::number("top", "", 0.01, 10.0, 0.92, "value that the bright end gets"))
    }

    fn create(&self, parameters: &Parameters, _: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(StretchNode {
            black: parameters.auto_number("black")?,
            white_percentile: parameters.number("white_percentile")?,
            top: parameters.number("top")?,
        })))
    }
}

/// Sky that has less of the frames' weight than this share of the picture's median fades; common practice, no source.
const COVERED: f32 = 0.2;

/// What is darker than this share of the top is sky.
const DARK: f32 = 0.2;

/// Fades sky that hardly any frame showed.
fn fade(data: &mut [f32], weight: &[f32], top: f32) {
    let mut scratch = Vec::new();
    let enough = COVERED * robust::percentile_f32(weight, 50.0, &mut scratch);
    for (value, weight) in data.iter_mut().zip(weight) {
        if *weight < enough && *value < DARK * top {
            *value *= weight.max(0.0) / enough;
        }
    }
}

struct StretchNode {
    black: Option<f64>,
    white_percentile: f64,
    top: f64,
}

impl Transform for StretchNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        if image.area() == 0 {
            return Err(Fault::data("the picture to be stretched has no pixels"));
        }
        let (width, height) = (image.width, image.height);
        let planes = || (0..image.channels).map(|c| image.channel(c));
        let sky = planes().all(|plane| has_sky(plane, width, height));
        let black = self.black.unwrap_or_else(|| {
            if sky {
                planes().map(|plane| f64::from(border_level(plane, width, height))).fold(f64::INFINITY, f64::min)
            } else {
                0.0
            }
        });
        let mut scratch = Vec::new();
        let white = planes()
            .map(|plane| f64::from(robust::percentile_f32(plane, self.white_percentile, &mut scratch)))
            .fold(f64::NEG_INFINITY, f64::max);
        let mut out: Image = (**image).clone();
        let gain = if white > black {
            self.top / (white - black)
        } else {
            context.warn("the picture has no range of brightness: it is shown as it is");
            1.0
        };
        let (scale, offset) = (gain as f32, black as f32);
        let apply = |data: &mut [f32]| data.iter_mut().for_each(|v| *v = (*v - offset) * scale);
        apply(&mut out.data);
        if let Some(weight) = out.weight.as_ref().filter(|weight| sky && weight.len() == out.data.len()) {
            fade(&mut out.data, weight, self.top as f32);
        }
        out.halves.iter_mut().flatten().for_each(|half| apply(half));
        context.record(Entry::number("black", black, "white levels", "value that became 0"));
        context.record(Entry::number("white", white, "white levels", "value that became the top"));
        out.info.history.push(format!("colour.stretch: black {black:.5}, white {white:.5} to {}", self.top));
        Ok(vec![Value::Image(Arc::new(out))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 3, ..Memory::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::TestContext;

    fn run(image: Image) -> Arc<Image> {
        let Ok(Node::Transform(node)) = Stretch.create(&Stretch.describe().defaults(), &Facts::default()) else {
            panic!("no node")
        };
        let out = node.run(&TestContext::default(), &Bound::default().with("image", Value::Image(Arc::new(image))));
        let Value::Image(out) = out.unwrap()[0].clone() else { panic!("no picture") };
        out
    }

    // A ramp of 10 000 px from 0.1 to 0.5 over a sky of 0.1: the 99.7th percentile of the picture
    // is known in closed form.
    #[test]
    fn sky_becomes_black_and_the_percentile_the_top() {
        let mut image = Image::new(120, 120, 1);
        image.data.fill(0.1);
        for y in 0..100 {
            for x in 0..100 {
                image.data[(y + 10) * 120 + x + 10] = 0.1 + 0.4 * (y * 100 + x) as f32 / 9999.0;
            }
        }
        let out = run(image);
        assert!(out.data[0].abs() < 1e-6);
        // 0.3 % of 14 400 px are 43.2: the white point lies 43.2 steps below the top.
        let expected = 0.92 / (1.0 - 43.2 / 9999.0);
        let highest = out.data.iter().copied().fold(0.0, f32::max);
        assert!((f64::from(highest) - expected).abs() < 1e-3, "{highest} {expected}");
        assert!(highest > 0.92, "nothing is clipped");
        // Stretched again nothing changes.
        let again = run((*out).clone());
        assert!(again.data.iter().zip(&out.data).all(|(a, b)| (a - b).abs() < 1e-4));
    }

    // A column that a twentieth of the frames showed keeps a quarter of its noise: 0.05 over the 0.2 that is enough.
    #[test]
    fn sky_that_hardly_any_frame_showed_fades() {
        let mut image = Image::new(60, 60, 1);
        image.data.fill(0.1);
        let mut weight = vec![1.0; 3600];
        for y in 0..60 {
            for x in 20..40 {
                image.data[y * 60 + x] = if (20..40).contains(&y) { 0.6 } else { 0.1 };
            }
            (image.data[y * 60 + 59], weight[y * 60 + 59]) = (0.14, 0.05);
        }
        let plain = run(image.clone());
        image.weight = Some(weight);
        let faded = run(image);
        for y in 0..60 {
            let [before, after] = [&plain, &faded].map(|of| of.data[y * 60 + 59]);
            assert!((after - 0.25 * before).abs() < 1e-6 && before > 0.05, "{before} {after}");
        }
        assert_eq!(plain.data[30 * 60 + 30], faded.data[30 * 60 + 30]);
    }

    #[test]
    fn a_level_picture_is_only_warned_about() {
        let out = run(Image::new(5, 5, 3));
        assert!(out.data.iter().all(|v| *v == 0.0));
    }
}
