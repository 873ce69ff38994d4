//! Runs a sink as a host would.
#![allow(dead_code)]

use std::io::Cursor;
use std::sync::Arc;

use stillair_api::testing::{TestContext, clip_info};
use stillair_api::{
    Bound, Facts, Frame, FrameInput, GlobalRow, Image, Layout, Node, Outcome, ParameterValue, Placement, Region, Sink,
    Value,
};

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

/// The bytes that a sink writes of a picture with a provenance of one's own.
pub fn write_bound(method: &str, parameters: &[(&str, ParameterValue)], bound: Bound, image: &Image) -> Vec<u8> {
    let bound = bound.with("image", Value::Image(Arc::new(image.clone())));
    let sink = sink(method, parameters).expect("made");
    let mut run = sink.start(&TestContext::default(), &bound, None).expect("started");
    let mut file = Cursor::new(Vec::new());
    run.begin(&TestContext::default(), &mut file).expect("written");
    file.into_inner()
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
    image.info.begin_unix_ns = Some(1_629_419_340_005_000_000);
    image.info.middle_unix_ns = Some(1_629_419_400_005_000_000);
    image.info.end_unix_ns = Some(1_629_419_465_255_000_000);
    image.info.exposure_total_s = Some(12.5);
    image.info.frames_used = 1234;
    image.info.arcsec_per_px = Some(0.25);
    image.info.reference_px = [10.5, 20.0];
    image.info.history =
        vec!["stack.mean: cubic B-spline, 1234 frames; a line that is longer than one card of a header".into()];
    image
}

/// A clip of 10x8 px windows whose origin moves by (2, 4) px a frame; sample = column + 10 row + frame, over 255.
pub fn clip(layout: Layout, frames: usize) -> Vec<Frame> {
    let frame = |index: usize| {
        let region = Region { x: 20 + 2 * index, y: 30 + 4 * index, width: 10, height: 8 };
        let sample = |i: usize| (i % 10 + i / 10 % 8 * 10 + i / 80 * 40 + index) as f32 / 255.0;
        Frame { index, region, layout, data: (0..80 * layout.planes()).map(sample).collect() }
    };
    (0..frames).map(frame).collect()
}

/// A provenance with a recipe's hash.
fn made_from() -> Bound {
    let provenance = format!("{{\"recipe\":\"steadied\",\"recipe_blake3\":\"{}\"}}", "0123456789abcdef".repeat(4));
    Bound { provenance, ..Bound::default() }
}

/// The bytes that `write.ser` writes of frames, with the target's place in each if given.
pub fn write_clip(
    layout: Layout,
    parameters: &[(&str, ParameterValue)],
    frames: &[Frame],
    places: &[[f64; 2]],
) -> Vec<u8> {
    let info = clip_info(frames.len(), 100, 90, layout);
    let context = TestContext::default();
    let mut run =
        sink("write.ser", parameters).expect("made").start(&context, &made_from(), Some(&info)).expect("started");
    let mut file = Cursor::new(Vec::new());
    run.begin(&context, &mut file).expect("begun");
    for frame in frames {
        let placement = places.get(frame.index).map(|[x, y]| Placement::global(frame.index, GlobalRow::at(*x, *y)));
        run.frame(&FrameInput { frame, row: None, placement: placement.as_ref() }, &mut file).expect("written");
    }
    run.end(&context, &mut file).expect("ended");
    file.into_inner()
}
