//! Opens clips as a host would.
#![allow(dead_code)]

use std::path::{Path, PathBuf};

use stillair_api::testing::TestContext;
use stillair_api::{Facts, Frame, FrameReader, Node, Outcome, ParameterValue, Region};

pub fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

pub fn good(name: &str) -> PathBuf {
    data("good").join(name)
}

pub fn broken(name: &str) -> PathBuf {
    data("broken").join(name)
}

/// Opens a path with a method, some parameters and facts.
pub fn open_with(
    method: &str,
    path: &Path,
    parameters: &[(&str, ParameterValue)],
    facts: &Facts,
) -> Outcome<Box<dyn FrameReader>> {
    let plugin = stillair_decode::plugin();
    let found = plugin.methods.iter().find(|m| m.describe().method == method).expect("the method is there");
    let mut all = found.describe().defaults();
    for (name, value) in parameters {
        assert!(all.0.insert((*name).to_string(), value.clone()).is_some(), "{name} is a parameter of {method}");
    }
    let Node::Source(source) = found.create(&all, facts)? else { panic!("{method} is not a source") };
    source.open(&TestContext::default(), &[path.to_path_buf()])
}

/// What opening a path warns of.
pub fn warnings(method: &str, path: &Path) -> Vec<String> {
    let plugin = stillair_decode::plugin();
    let found = plugin.methods.iter().find(|m| m.describe().method == method).expect("the method is there");
    let Ok(Node::Source(source)) = found.create(&found.describe().defaults(), &Facts::default()) else {
        panic!("{method} is not a source")
    };
    let context = TestContext::default();
    source.open(&context, &[path.to_path_buf()]).expect("opens");
    context.warnings.into_inner().expect("whole")
}

pub fn open(method: &str, path: &Path) -> Outcome<Box<dyn FrameReader>> {
    open_with(method, path, &[], &Facts::default())
}

/// The error of a file that must not open.
pub fn refusal(method: &str, path: &Path) -> String {
    match open(method, path) {
        Ok(_) => panic!("{} was opened", path.display()),
        Err(fault) => {
            assert!(fault.remedy.is_some(), "{fault} has no remedy");
            let words = fault.to_string();
            assert!(words.contains(&path.display().to_string()), "{words} does not name the file");
            words
        }
    }
}

pub fn text(word: &str) -> ParameterValue {
    ParameterValue::Text(word.into())
}

/// A frame's samples as they are stored, row after row, the colours of a pixel together.
pub fn stored(reader: &dyn FrameReader, index: usize) -> Vec<f64> {
    region(reader, index, reader.info().region())
}

/// A region's samples as they are stored.
pub fn region(reader: &dyn FrameReader, index: usize, region: Region) -> Vec<f64> {
    let mut frame = Frame::empty();
    reader.read(index, region, &mut Vec::new(), &mut frame).expect("the frame is read");
    assert_eq!((frame.index, frame.region), (index, region));
    let planes = frame.layout.planes();
    let white = reader.info().white_level;
    (0..region.area() * planes)
        .map(|i| f64::from(frame.data[(i % planes) * region.area() + i / planes]) * white)
        .collect()
}

/// Holds samples to what they should be, within the rounding of `f32`.
pub fn assert_close(found: &[f64], wanted: &[f64], what: &str) {
    assert_eq!(found.len(), wanted.len(), "{what}");
    for (i, (a, b)) in found.iter().zip(wanted).enumerate() {
        assert!((a - b).abs() <= 2e-7 * b.abs().max(1.0) * 2.0, "{what}: sample {i} is {a}, not {b}");
    }
}

/// The pixel formulas of the test files.
pub fn formula(content: &str, frame: usize) -> Vec<f64> {
    let f = frame as i64;
    let rgb8 = |x: i64, y: i64| [30 * x + f, 50 * y + 2 * f, 200 - 10 * x + 5 * f];
    let mut all = Vec::new();
    for y in 0..4i64 {
        for x in 0..6i64 {
            match content {
                "mono8" => all.push((10 * x + 40 * y + 3 * f + 1) % 256),
                "mono16" => all.push(7 * x + 300 * y + 5000 * f + 259),
                "mono12" => all.push((7 * x + 300 * y + 5000 * f + 259) % 4096),
                "rgb8" => all.extend(rgb8(x, y)),
                "rgb16" => all.extend(rgb8(x, y).map(|v| 257 * v - 3 * f)),
                _ => panic!("unknown content {content}"),
            }
        }
    }
    all.into_iter().map(|v| v as f64).collect()
}
