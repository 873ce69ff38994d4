//! Noise of a stack by size of detail.
//!
//! Half the difference of the half-stacks is the stack's noise (their mean's); a starlet splits it
//! by size (Starck, Fadili & Murtagh 2007, IEEE Trans. Image Process. 16, 297), and each plane's
//! robust spread (1.4826 MAD) is the noise of detail of that size. Beside it stands the spread of
//! the picture's own plane on the target, their ratio, and how far the noise is from white.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Image, Memory, Method, Node, Outcome, Parameters, PortType,
    Record, Series, Shape, StreamShape, Transform, Value,
};
use stillair_maths::border::Border;
use stillair_maths::{noise as camera_noise, robust, starlet};

use crate::optics::channel_name;

/// Sizes of detail: 1, 2, 4, 8 and 16 px.
const PLANES: u32 = 5;

/// `assess.noise`.
pub struct Noise;

impl Method for Noise {
    fn describe(&self) -> Description {
        Description::new("assess.noise", Shape::Transform, "Measures a picture's noise by size of detail")
            .help(
                "Noise of detail of 1, 2, 4, 8 and 16 px, from the half-stacks, with the contrast of the target's \
                 own detail of that size beside it. Without half-stacks the finest detail is taken for white noise, \
                 which a sharpened or resampled picture's is not.",
            )
            .source("Starck, Fadili & Murtagh 2007, IEEE Trans. Image Process. 16, 297")
            .contract("assess")
            .input("image", PortType::Image, "a picture, with half-stacks for its noise")
            .output("record", PortType::Record, "noise and contrast by size")
    }

    fn create(&self, _: &Parameters, _: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(NoiseNode)))
    }
}

struct NoiseNode;

/// Noise and the target's contrast by size.
struct BySize {
    noise: Vec<f64>,
    contrast: Vec<f64>,
    measured: bool,
}

fn measure(image: &Image, c: usize) -> BySize {
    let (width, height) = (image.width, image.height);
    let mut scratch = Vec::new();
    let split = |plane: &[f32]| starlet::decompose(plane, width, height, PLANES, Border::Nearest);
    let picture = image.channel(c);
    let low = robust::percentile_f32(picture, 5.0, &mut scratch);
    let level = low + 0.3 * (robust::percentile_f32(picture, 98.0, &mut scratch) - low);
    let on_target = |plane: &[f32]| -> Vec<f32> {
        plane.iter().zip(picture).filter(|(_, v)| **v > level).map(|(p, _)| *p).collect()
    };
    let spread = |values: &[f32], scratch: &mut Vec<f32>| 1.4826 * f64::from(robust::mad_f32(values, scratch));
    let contrast = split(picture).planes.iter().map(|p| spread(&on_target(p), &mut scratch)).collect();
    match (image.half(0, c), image.half(1, c)) {
        (Some(a), Some(b)) => {
            let difference: Vec<f32> = a.iter().zip(b).map(|(a, b)| 0.5 * (a - b)).collect();
            let noise = split(&difference).planes.iter().map(|p| spread(p, &mut scratch)).collect();
            BySize { noise, contrast, measured: true }
        }
        _ => {
            let white = camera_noise::high_pass_sigma(picture, width, height, 1, &mut scratch);
            let noise = starlet::noise_std(PLANES).iter().map(|s| s * white).collect();
            BySize { noise, contrast, measured: false }
        }
    }
}

impl Transform for NoiseNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        if image.area() == 0 {
            return Err(Fault::data("the picture has no pixels"));
        }
        let mut record = Record::default();
        let sizes: Vec<f64> = (0..PLANES).map(|j| f64::from(1_u32 << j)).collect();
        for c in 0..image.channels {
            let by_size = measure(image, c);
            let name = channel_name(image.channels, c);
            for (size, noise) in sizes.iter().zip(&by_size.noise) {
                let help = if by_size.measured {
                    "robust noise of detail of this size, from the half-stacks"
                } else {
                    "noise of detail of this size if the finest detail is white noise"
                };
                let entry = Entry::number(&format!("noise-{name}-{size}px"), *noise, "white levels", help);
                record.entries.push(entry);
            }
            let white = starlet::noise_std(PLANES);
            if by_size.measured && by_size.noise[0] > 0.0 {
                let colour = by_size.noise[2] / by_size.noise[0] / (white[2] / white[0]);
                let help = "noise of 4 px over that of 1 px, against white noise: above 1 it is blotchy";
                record.entries.push(Entry::number(&format!("noise-colour-{name}"), colour, "", help));
            }
            for (curve, label, y) in [
                ("noise-by-size", "noise", by_size.noise.clone()),
                ("contrast-by-size", "spread on the target", by_size.contrast.clone()),
            ] {
                record.entries.push(Entry::Series(Series {
                    name: format!("{curve}-{name}"),
                    x_label: "size of detail".into(),
                    x_unit: "px".into(),
                    y_label: label.into(),
                    y_unit: "white levels".into(),
                    x: sizes.clone(),
                    y,
                }));
            }
        }
        record.entries.iter().for_each(|e| context.record(e.clone()));
        Ok(vec![Value::Record(Arc::new(record))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 16, ..Memory::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::TestContext;

    // White noise of unit variance has the spreads 0.8908, 0.20066, 0.08551 in the finest planes
    // (L2 norms of impulse responses, scipy.ndimage); the mean of two halves has 1 / sqrt 2 of it.
    #[test]
    fn white_noise_has_the_published_spreads() {
        let side = 160;
        let mut state = 5_u64;
        let mut normal = || {
            // Sum of twelve uniform numbers (Knuth's MMIX multiplier).
            (0..12).fold(-6.0_f32, |sum, _| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum + (state >> 40) as f32 / 16_777_216.0
            })
        };
        let mut image = Image::new(side, side, 1);
        let mut half = || (0..side * side).map(|_| normal()).collect::<Vec<f32>>();
        let (a, b) = (half(), half());
        image.data = a.iter().zip(&b).map(|(a, b)| 0.5 * (a + b)).collect();
        image.halves = Some([a, b]);
        let context = TestContext::default();
        NoiseNode.run(&context, &Bound::default().with("image", Value::Image(Arc::new(image)))).unwrap();
        for (size, expected) in [(1, 0.8908), (2, 0.200_66), (4, 0.085_51)] {
            let got = context.number(&format!("noise-mono-{size}px")).unwrap() * std::f64::consts::SQRT_2;
            assert!((got / expected - 1.0).abs() < 0.05, "{size} px: {got}");
        }
        assert!((context.number("noise-colour-mono").unwrap() - 1.0).abs() < 0.08);
    }
}
