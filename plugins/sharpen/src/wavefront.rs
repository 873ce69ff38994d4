//! How blurred a stack is, from the light in the dark sky about its target.
//!
//! The wavefront's variance that leaves the least light outside the target when the stack is sharpened with it
//! ([`crate::deblur::sky`], after Ayers & Dainty 1988): what the air, and whatever else scatters light out of the core,
//! did to this stack. `exp(-variance)` is the share of contrast that is left at middle frequencies (Marechal; the
//! core's share).

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Memory, Method, Node, Outcome, Parameters, PortType, Record, Shape,
    StreamShape, Transform, Value,
};

use crate::deblur::plan::Plan;
use crate::setup::with_facts;

/// `sharpen.wavefront`.
pub struct Wavefront;

impl Method for Wavefront {
    fn describe(&self) -> Description {
        let description = Description::new(
            "sharpen.wavefront",
            Shape::Transform,
            "Measures how blurred a stack is, from the sky about its target",
        )
        .help(
            "The variance of the wavefront, rad^2 at 530 nm, with which the stack, sharpened, leaves the least light in \
             the dark sky about its target. Needs the telescope's aperture and the picture's scale, and sky on all \
             sides; says nothing where there is none.",
        )
        .source("Ayers & Dainty 1988, Opt. Lett. 13, 547; Marechal 1947 in Born & Wolf, Principles of Optics, 9.1")
        .contract("assess")
        .input("image", PortType::Image, "a linear stack of a target on a dark sky")
        .output("record", PortType::Record, "the variance");
        with_facts(description)
    }

    fn create(&self, _: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(WavefrontNode { facts: facts.clone() })))
    }
}

struct WavefrontNode {
    facts: Facts,
}

impl Transform for WavefrontNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        let mut record = Record::default();
        match Plan::told_by_sky(context, image, &self.facts)? {
            Some(wavefront) => record.entries.push(Entry::number(
                "wavefront-variance",
                wavefront,
                "rad^2",
                "of the stack at 530 nm after tilt, as the light about the target tells",
            )),
            None => record.entries.push(Entry::text(
                "wavefront",
                "not measured: it takes the aperture, the picture's scale, and sky on all sides of the target",
            )),
        }
        record.entries.iter().for_each(|e| context.record(e.clone()));
        Ok(vec![Value::Record(Arc::new(record))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 24, ..Memory::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::Image;
    use stillair_api::testing::TestContext;

    #[test]
    fn a_picture_without_sky_or_facts_is_not_judged() {
        let node = WavefrontNode { facts: Facts::default() };
        let mut image = Image::new(32, 32, 1);
        image.data.iter_mut().enumerate().for_each(|(i, v)| *v = 1.0 + (i % 7) as f32);
        let context = TestContext::default();
        let given = node.run(&context, &Bound::default().with("image", Value::Image(Arc::new(image)))).unwrap();
        assert!(matches!(&given[..], [Value::Record(r)] if r.entries.len() == 1));
        assert_eq!(context.number("wavefront-variance"), None);
    }
}
