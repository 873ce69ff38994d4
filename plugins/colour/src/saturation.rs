//! Strengthens or weakens colour about the luminance.
//!
//! `out_c = Y + s (x_c - Y)` with `Y = 0.2126 R + 0.7152 G + 0.0722 B` (ITU-R BT.709, linear light).
//! Luminance is kept exactly; 1 changes nothing, 0 gives grey.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Facts, Image, Memory, Method, Node, Outcome, Parameter, Parameters, PortType, Shape,
    StreamShape, Transform, Value,
};

/// Weights of luminance (ITU-R BT.709-6, item 3.2).
const LUMINANCE: [f32; 3] = [0.2126, 0.7152, 0.0722];

/// `colour.saturation`.
pub struct Saturation;

impl Method for Saturation {
    fn describe(&self) -> Description {
        Description::new("colour.saturation", Shape::Transform, "Strengthens or weakens colour, luminance kept")
            .help(
                "Moves every pixel away from or towards its own grey. A matter of taste, linear, and more than 1 is \
                 no longer the target's colour; noise of colour grows with it. Mono pictures pass unchanged.",
            )
            .source("luminance weights of ITU-R BT.709-6")
            .contract("colour")
            .input("image", PortType::Image, "a linear picture")
            .output("image", PortType::Image, "the picture with stronger or weaker colour, linear")
            .parameter(Parameter::number("factor", "", 0.0, 5.0, 1.0, "1 changes nothing, 0 gives grey"))
    }

    fn create(&self, parameters: &Parameters, _: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(SaturationNode { factor: parameters.number("factor")? as f32 })))
    }
}

struct SaturationNode {
    factor: f32,
}

/// Changes a planar picture of three channels of `area` pixels.
fn saturate(data: &mut [f32], area: usize, factor: f32) {
    let (red, rest) = data.split_at_mut(area);
    let (green, blue) = rest.split_at_mut(area);
    for ((r, g), b) in red.iter_mut().zip(green).zip(blue) {
        let y = LUMINANCE[0] * *r + LUMINANCE[1] * *g + LUMINANCE[2] * *b;
        for v in [r, g, b] {
            *v = y + factor * (*v - y);
        }
    }
}

impl Transform for SaturationNode {
    fn run(&self, _: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let mut out: Image = (**bound.image("image")?).clone();
        if out.channels == 3 && self.factor != 1.0 {
            let area = out.area();
            saturate(&mut out.data, area, self.factor);
            for half in out.halves.iter_mut().flatten() {
                saturate(half, area, self.factor);
            }
            out.info.history.push(format!("colour.saturation, factor {}", self.factor));
        }
        Ok(vec![Value::Image(Arc::new(out))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 2, ..Memory::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // By hand: Y of (1, 0, 0) is 0.2126, so factor 2 gives (1.7874, -0.2126, -0.2126).
    #[test]
    fn red_by_hand() {
        let mut pixel = [1.0, 0.0, 0.0];
        saturate(&mut pixel, 1, 2.0);
        for (got, expected) in pixel.iter().zip([1.7874, -0.2126, -0.2126]) {
            assert!((got - expected).abs() < 1e-6);
        }
        let mut grey = [0.4, 0.4, 0.4];
        saturate(&mut grey, 1, 3.0);
        assert!(grey.iter().all(|v| (v - 0.4).abs() < 1e-6));
    }

    #[test]
    fn a_half_undoes_a_double() {
        let mut pixels = [0.1, 0.7, 0.3, 0.2, 0.05, 0.9];
        let before = pixels;
        saturate(&mut pixels, 2, 2.0);
        saturate(&mut pixels, 2, 0.5);
        assert!(pixels.iter().zip(before).all(|(a, b)| (a - b).abs() < 1e-6));
    }
}
