//! Whether pixels and telescope suit each other.
//!
//! `Q = lambda f / (D p)`, px per lambda/D: the cut-off lies at `1 / Q` cycles per px, at Nyquist for
//! Q = 2. Between 2.2 and 3.5 the pixel's own blur costs little and no light is wasted (limits from
//! simulation and common practice). Through a colour mosaic red and blue are sampled at half the
//! rate; many shifted frames make up for it.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Memory, Method, Node, Outcome, Parameters, PortType, Record, Shape,
    StreamShape, Transform, Value,
};
use stillair_maths::mtf;

use crate::optics::{self, channel_name};

/// Least Q at which the pixel is no limit.
const FINE: f64 = 2.2;
/// Largest Q that is of use.
const COARSE: f64 = 3.5;

/// `assess.sampling`.
pub struct Sampling;

impl Method for Sampling {
    fn describe(&self) -> Description {
        let mut description = Description::new(
            "assess.sampling",
            Shape::Transform,
            "Judges whether the pixels suit the telescope",
        )
        .help(
            "Pixels per lambda/D for each colour, the contrast that the pixel's area leaves at 0.7 of the \
                     cut-off, and a verdict: too coarse, right, or finer than is of use. Needs aperture, focal \
                     length and pixel size (or the picture's scale).",
        )
        .source("sampling theorem on the cut-off D / lambda; limits 2.2 and 3.5 from simulation and common practice")
        .contract("assess")
        .input("image", PortType::Image, "a picture of the session")
        .output("record", PortType::Record, "sampling and verdict");
        for fact in optics::FACTS {
            description = description.fact(fact);
        }
        description
    }

    fn create(&self, _: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(SamplingNode { facts: facts.clone() })))
    }
}

struct SamplingNode {
    facts: Facts,
}

/// What to say of `q` capture px per lambda/D.
fn verdict(q: f64) -> (f64, &'static str) {
    if q < 2.0 {
        (2.0, "undersampled: the finest detail falls between the pixels; a longer focal length or a drizzle shows more")
    } else if q < FINE {
        (FINE, "just sampled: the pixels' own blur costs some of the finest contrast")
    } else if q <= COARSE {
        (COARSE, "well sampled")
    } else {
        (COARSE, "oversampled: a shorter focal length or binning loses no detail and gains light for each pixel")
    }
}

impl Transform for SamplingNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        let mut record = Record::default();
        let scale = if image.info.px_per_capture_px > 0.0 { image.info.px_per_capture_px } else { 1.0 };
        match optics::cutoffs(image, &self.facts) {
            None => record.entries.push(Entry::text(
                "sampling",
                "aperture or scale is unknown: a session file with aperture_mm, focal_mm and pixel_um lets the sampling \
                 be judged",
            )),
            Some(cutoffs) => {
                for (c, cutoff) in cutoffs.iter().enumerate() {
                    // Of the capture, whatever the picture was enlarged to.
                    let q = 1.0 / (cutoff * scale);
                    let name = channel_name(image.channels, c);
                    let help = "capture px per lambda/D";
                    record.entries.push(Entry::number(&format!("sampling-{name}"), q, "px", help));
                    let kept = mtf::pixel(0.7 / q);
                    let help = "contrast left by the pixel's area at 0.7 of the cut-off";
                    record.entries.push(Entry::number(&format!("pixel-contrast-{name}"), kept, "", help));
                    let (threshold, text) = verdict(q);
                    record.entries.push(Entry::Verdict {
                        name: format!("sampling-verdict-{name}"),
                        value: q,
                        unit: "px per lambda/D".into(),
                        threshold,
                        text: text.into(),
                    });
                }
            }
        }
        record.entries.iter().for_each(|e| context.record(e.clone()));
        Ok(vec![Value::Record(Arc::new(record))])
    }

    fn memory(&self, _: StreamShape) -> Memory {
        Memory { state: 1 << 16, ..Memory::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::TestContext;
    use stillair_api::{FactOrigin, FactValue, Image};

    // Nyquist focal ratios (two px per lambda/D; sampling theorem): 1.45 um at 550 nm gives f/5.2727,
    // so f/5.2727 is Q = 2 and f/10 is Q = 3.793.
    #[test]
    fn nyquist_focal_ratios() {
        for (focal_mm, q) in [(527.2727, 2.0), (1000.0, 3.793_103)] {
            let mut facts = Facts::default();
            for (name, value) in
                [("telescope.aperture_mm", 100.0), ("telescope.focal_mm", focal_mm), ("camera.pixel_um", 1.45)]
            {
                facts.set(name, FactValue::Number(value), FactOrigin::Session);
            }
            let Ok(Node::Transform(node)) = Sampling.create(&Parameters::default(), &facts) else { panic!("no node") };
            let context = TestContext::default();
            let mut image = Image::new(4, 4, 1);
            image.info.px_per_capture_px = 1.0;
            node.run(&context, &Bound::default().with("image", Value::Image(Arc::new(image)))).unwrap();
            assert!((context.number("sampling-mono").unwrap() - q).abs() < 1e-4);
        }
        assert!(verdict(1.8).1.starts_with("undersampled"));
        assert!(verdict(2.8).1.starts_with("well"));
        assert!(verdict(3.8).1.starts_with("oversampled"));
    }
}
