//! Runs a sink as a host would.
#![allow(dead_code)]

use std::io::Cursor;
use std::sync::Arc;

use stillair_api::testing::TestContext;
use stillair_api::{Bound, Facts, Image, Node, Outcome, ParameterValue, Sink, Value};

pub fn sink(method: &str, parameters: &[(&str, ParameterValue)]) -> Outcome<Box<dyn Sink>> {
    let plugin = stillair_write::plugin();
    let found = plugin.methods.iter().find(|m| m.describe().method == method).expect("the method is there");
    let mut all = found.describe().defaults();
    for (name, value) in parameters {
        assert!(all.0.insert((*name).to_string(), value.clone()).is_some(), "{name} is a parameter of {method}");
    }
    let Node::Sink(sink) = found.create(&all, &Facts::default())? else { panic!("{method} is not a sink") };
    Ok(sink)
}

/// The bytes that a sink writes of values.
pub fn write(method: &str, parameters: &[(&str, ParameterValue)], port: &str, value: Value) -> Outcome<Vec<u8>> {
    let bound = Bound { provenance: PROVENANCE.into(), ..Bound::default() }.with(port, value);
    let mut run = sink(method, parameters)?.start(&TestContext::default(), &bound, None)?;
    let mut file = Cursor::new(Vec::new());
    run.begin(&TestContext::default(), &mut file)?;
    run.end(&TestContext::default(), &mut file)?;
    Ok(file.into_inner())
}

pub fn write_image(method: &str, parameters: &[(&str, ParameterValue)], image: &Image) -> Vec<u8> {
    write(method, parameters, "image", Value::Image(Arc::new(image.clone()))).expect("the picture is written")
}

pub fn text(word: &str) -> ParameterValue {
    ParameterValue::Text(word.into())
}

pub const PROVENANCE: &str = r#"{"recipe":"first light, é","steps":["stack.mean"]}"#;

/// A picture with a ramp that leaves 0..1 on both sides, and a pixel that is no number.
pub fn picture(width: usize, height: usize, channels: usize) -> Image {
    let mut image = Image::new(width, height, channels);
    for (i, value) in image.data.iter_mut().enumerate() {
        *value = (i % 977) as f32 / 880.0 - 0.05;
    }
    image.data[1] = f32::NAN;
    image.data[2] = f32::INFINITY;
    image
}
