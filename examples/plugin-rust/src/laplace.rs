//! `sharpen.laplace`: takes the Laplacian away from the picture, `out = in - amount * laplacian(in)`.
//!
//! The Laplacian is that of five points: the four neighbours minus four times the sample; at the edge the sample
//! itself stands for a neighbour that is not there. A wave of frequency `f` cycles per px along a row grows by
//! `1 + 2 * amount * (1 - cos(2 * pi * f))`. Noise that is not correlated from pixel to pixel grows by
//! `sqrt((1 + 4 * amount)^2 + 4 * amount^2)`. Source: any textbook of image processing; common practice.

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Image, Method, Node, Outcome, Parameter, Parameters, PortType,
    Shape, Transform, Value,
};

/// `sharpen.laplace`.
pub struct Laplace;

impl Method for Laplace {
    fn describe(&self) -> Description {
        Description::new("sharpen.laplace", Shape::Transform, "takes the Laplacian away from the picture")
            .help("The simplest sharpening there is. It raises noise with detail: see the recorded noise gain.")
            .source("common practice, no source")
            .contract("sharpen")
            .input("image", PortType::Image, "the stack")
            .output("image", PortType::Image, "sharper")
            .parameter(Parameter::number("amount", "", 0.0, 4.0, 0.5, "how much of the Laplacian is taken away"))
            .through("image")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(LaplaceNode { amount: parameters.number("amount")? })))
    }
}

/// Sharpens one plane of `width` columns.
fn sharpen(plane: &[f32], width: usize, amount: f32) -> Vec<f32> {
    let height = plane.len() / width;
    let mut out = Vec::with_capacity(plane.len());
    for y in 0..height {
        for x in 0..width {
            let at = |x: usize, y: usize| plane[y * width + x];
            let centre = at(x, y);
            let left = at(x.saturating_sub(1), y);
            let right = at((x + 1).min(width - 1), y);
            let above = at(x, y.saturating_sub(1));
            let below = at(x, (y + 1).min(height - 1));
            out.push(centre - amount * (left + right + above + below - 4.0 * centre));
        }
    }
    out
}

struct LaplaceNode {
    amount: f64,
}

impl Transform for LaplaceNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let mut image: Image = (**bound.image("image")?).clone();
        if image.area() == 0 {
            return Err(Fault::data("the picture has no pixels"));
        }
        let (width, area) = (image.width, image.area());
        let [half_a, half_b] = image.halves.as_mut().map_or([None, None], |[a, b]| [Some(a), Some(b)]);
        // The half-stacks get the same treatment, so that resolution and noise can still be measured on them.
        for samples in [Some(&mut image.data), half_a, half_b].into_iter().flatten() {
            for plane in samples.chunks_exact_mut(area) {
                if context.cancelled() {
                    return Err(Fault::cancelled());
                }
                let sharp = sharpen(plane, width, self.amount as f32);
                plane.copy_from_slice(&sharp);
            }
        }
        let gain = ((1.0 + 4.0 * self.amount).powi(2) + 4.0 * self.amount.powi(2)).sqrt();
        context.record(Entry::number("noise-gain", gain, "", "how much white noise grows"));
        image.info.history.push(format!("sharpen.laplace, amount {}", self.amount));
        Ok(vec![Value::Image(image.into())])
    }
}

#[cfg(test)]
mod tests {
    use stillair_api::testing::TestContext;

    use super::*;

    #[test]
    fn a_point_becomes_the_kernel_of_five_points() {
        // The five-point Laplacian of a unit pulse is -4 in the centre and 1 at each neighbour, by definition.
        let mut image = Image::new(5, 5, 1);
        image.data[12] = 1.0;
        let node = LaplaceNode { amount: 0.25 };
        let bound = Bound::default().with("image", Value::Image(image.into()));
        let values = node.run(&TestContext::default(), &bound).expect("sharpens");
        let [Value::Image(sharp)] = &values[..] else { panic!("one picture") };
        let mut expected = vec![0.0; 25];
        expected[12] = 2.0;
        [7, 11, 13, 17].iter().for_each(|i| expected[*i] = -0.25);
        assert_eq!(sharp.data, expected);
    }
}
