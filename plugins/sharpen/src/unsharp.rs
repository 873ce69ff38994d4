//! Unsharp mask: `out = x + amount (x - G_sigma x)`, G a Gaussian blur (Schreiber 1970, Pattern
//! Recognition 2, 117). Linear, one scale, no notion of noise or of the telescope.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Facts, Image, Memory, Method, Node, Outcome, Parameter, Parameters, PortType, Shape,
    StreamShape, Transform, Value,
};
use stillair_maths::border::Border;
use stillair_maths::filters;

use crate::deblur::plan::Plan;
use crate::report;
use crate::setup::{USUAL_FWHM, with_facts};

/// `sharpen.unsharp`.
pub struct Unsharp;

impl Method for Unsharp {
    fn describe(&self) -> Description {
        let description = Description::new("sharpen.unsharp", Shape::Transform, "Adds what a Gaussian blur takes away")
            .help(
                "The plainest sharpening: quick, linear, the same at every place. It lifts noise as much as detail \
                 and leaves a bright ring inside and a dark one outside the limb when strong; the record says how \
                 much. For a light touch on a quick look; sharpen.wiener is the default elsewhere.",
            )
            .source("Schreiber 1970, Pattern Recognition 2, 117")
            .contract("sharpen")
            .input("image", PortType::Image, "a linear picture")
            .output("image", PortType::Image, "the sharpened picture, linear, half-stacks filtered alike")
            .parameter(Parameter::number("sigma", "px", 0.2, 50.0, 1.5, "standard deviation of the blur"))
            .parameter(Parameter::number("amount", "", 0.0, 20.0, 1.5, "how much of the difference is added"));
        with_facts(description)
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(UnsharpNode {
            sigma_px: parameters.number("sigma")?,
            amount: parameters.number("amount")? as f32,
            facts: facts.clone(),
        })))
    }
}

struct UnsharpNode {
    sigma_px: f64,
    amount: f32,
    facts: Facts,
}

/// Sharpens every channel of a planar picture.
fn unsharp(data: &[f32], width: usize, height: usize, sigma_px: f64, amount: f32) -> Vec<f32> {
    let mut out = vec![0.0; data.len()];
    let mut scratch = Vec::new();
    for (plane, to) in data.chunks_exact(width * height).zip(out.chunks_exact_mut(width * height)) {
        filters::unsharp(plane, width, height, sigma_px, amount, Border::Nearest, to, &mut scratch);
    }
    out
}

impl Transform for UnsharpNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        let plan = Plan::of(context, image, &self.facts, false)?;
        let work = |data: &[f32]| unsharp(data, image.width, image.height, self.sigma_px, self.amount);
        let mut out: Image = (**image).clone();
        out.data = work(&image.data);
        out.halves = image.halves.as_ref().map(|[a, b]| [work(a), work(b)]);
        report::picture_facts(context, &plan, image, &out, USUAL_FWHM, &|c| report::gain_of_halves(image, &out, c));
        out.info.history.push(format!(
            "sharpen.unsharp, sigma {} px, amount {}; half-stacks filtered alike",
            self.sigma_px, self.amount
        ));
        Ok(vec![Value::Image(Arc::new(out))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 16, ..Memory::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synthetic::read_npy;
    use stillair_api::ParameterValue;
    use stillair_api::testing::TestContext;

    // OpenCV 5.0.0: img + 1.5 (img - GaussianBlur(img, (0, 0), 1.2)); the border rule and the
    // kernel's length differ, so the interior is compared to 0.05 on values of 0 to 260.
    #[test]
    fn matches_opencv() {
        let (picture, height, width) = read_npy("filter_input.npy");
        let (expected, ..) = read_npy("filter_unsharp_1_2_amount_1_5.npy");
        let got = unsharp(&picture, width, height, 1.2, 1.5);
        for y in 6..height - 6 {
            for x in 6..width - 6 {
                assert!((got[y * width + x] - expected[y * width + x]).abs() < 0.05);
            }
        }
    }

    #[test]
    fn amount_nought_changes_nothing_and_a_sum_is_sharpened_as_its_parts() {
        let (picture, height, width) = read_npy("filter_input.npy");
        let same = unsharp(&picture, width, height, 1.2, 0.0);
        assert_eq!(same, picture);
        let other: Vec<f32> = picture.iter().rev().copied().collect();
        let sum: Vec<f32> = picture.iter().zip(&other).map(|(a, b)| a + 2.0 * b).collect();
        let whole = unsharp(&sum, width, height, 2.0, 1.0);
        let (a, b) = (unsharp(&picture, width, height, 2.0, 1.0), unsharp(&other, width, height, 2.0, 1.0));
        assert!(whole.iter().zip(a.iter().zip(&b)).all(|(w, (a, b))| (w - (a + 2.0 * b)).abs() < 2e-3));
    }

    #[test]
    fn the_record_tells_the_rings_at_the_limb() {
        let stack = crate::synthetic::scene(1, 3).stack;
        let run = |amount: f64| {
            let mut parameters = Unsharp.describe().defaults();
            parameters.0.insert("amount".into(), ParameterValue::Number(amount));
            let Ok(Node::Transform(node)) = Unsharp.create(&parameters, &crate::synthetic::facts()) else {
                panic!("no node");
            };
            let context = TestContext::default();
            node.run(&context, &Bound::default().with("image", Value::Image(Arc::new(stack.clone())))).unwrap();
            context
        };
        // White noise grows by sqrt(1 + a^2 + 2 a - ...): for sigma 1.5 px the blur keeps 1 / (4 pi sigma^2)
        // = 0.0354 of the power and the centre of the kernel is 0.0707, so
        // gain^2 = (1 + a)^2 - 2 (1 + a) a 0.0707 + a^2 0.0354.
        for amount in [1.5_f64, 8.0] {
            let a = amount;
            let expected = ((1.0 + a) * (1.0 + a) - 2.0 * (1.0 + a) * a * 0.0707 + a * a * 0.0354).sqrt();
            let gain = run(amount).number("noise-gain-mono").unwrap();
            assert!((gain / expected - 1.0).abs() < 0.03, "{gain} {expected}");
        }
        let (light, heavy) = (run(0.5), run(8.0));
        let excess = |context: &TestContext| context.number("limb-deficit-mono").unwrap();
        assert!(excess(&heavy) < excess(&light) && excess(&heavy) < -1.0, "{} {}", excess(&light), excess(&heavy));
    }
}
