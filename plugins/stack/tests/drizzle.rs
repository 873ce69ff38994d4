//! Drizzle against STScI drizzle 3.0.0 (data and their source: `data/README.md`), and what it tells of holes.

use std::sync::Arc;

use stillair_api::testing::{TestContext, clip_info, run_reduce};
use stillair_api::{
    Bound, ColumnSpec, Facts, Frame, GlobalRow, Image, Layout, LocalLayer, Motion, Node, ParameterValue, Pattern,
    Region, Table, Value, columns,
};

/// A picture of 32-bit floats in the NumPy format, version 1 (numpy.lib.format): columns and samples.
fn picture(name: &str) -> (usize, Vec<f32>) {
    let path = format!("{}/tests/data/drizzle_{name}.npy", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(path).unwrap();
    let start = 10 + usize::from(u16::from_le_bytes([bytes[8], bytes[9]]));
    let values: Vec<f32> = bytes[start..].as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
    (values.len().isqrt(), values)
}

/// Drizzles square frames, each displaced by (dx, dy).
fn drizzle(
    layout: Layout,
    frames: &[(Vec<f32>, [f64; 2])],
    scale: f64,
    pixfrac: f64,
    local: Option<LocalLayer>,
    context: &TestContext,
) -> Arc<Image> {
    let method = stillair_stack::plugin().methods.into_iter().find(|m| m.describe().method == "stack.drizzle").unwrap();
    let mut parameters = method.describe().defaults();
    parameters.0.insert("scale".into(), ParameterValue::Number(scale));
    parameters.0.insert("pixfrac".into(), ParameterValue::Number(pixfrac));
    let Ok(Node::Reduce(node)) = method.create(&parameters, &Facts::default()) else { panic!("no reduce") };
    let side = frames[0].0.len().isqrt();
    let clip: Vec<Frame> = frames
        .iter()
        .enumerate()
        .map(|(index, (data, _))| Frame { index, region: Region::whole(side, side), layout, data: data.clone().into() })
        .collect();
    let centre = (side as f64 - 1.0) * 0.5;
    // Output = input + shift: the reference point lies at the centre less the shift.
    let rows = frames.iter().map(|(_, [dx, dy])| GlobalRow::at(centre - dx, centre - dy)).collect();
    let motion = Motion { global: Some(rows), local: local.map(Arc::new), ..Motion::default() };
    let info = clip_info(clip.len(), side, side, layout);
    let mut table = Table::for_frames(&info.time_s, info.exposure_s);
    table.push(ColumnSpec::number(columns::WEIGHT, "", ""), vec![1.0; clip.len()]);
    let bound =
        Bound::default().with("table", Value::Table(Arc::new(table))).with("motion", Value::Motion(Arc::new(motion)));
    let values = run_reduce(node.as_ref(), context, &bound, &info, &clip).unwrap();
    let Value::Image(image) = &values[0] else { panic!("no picture") };
    image.clone()
}

/// Largest difference from the reference's picture where it has weight, and from its weights.
fn differences(image: &Image, name: &str) -> (f32, f32) {
    let ((side, expected), (_, weights)) = (picture(name), picture(&format!("{name}_weight")));
    assert_eq!((image.width, image.height), (side, side), "{name}");
    let own = |i: usize| image.weight.as_ref().map_or(weights[0], |w| w[i]);
    let (mut value, mut weight) = (0.0_f32, 0.0_f32);
    for i in 0..expected.len() {
        if weights[i] > 1e-3 {
            value = value.max((image.data[i] - expected[i]).abs());
        }
        weight = weight.max((own(i) - weights[i]).abs());
    }
    (value, weight)
}

// Tolerance: that of the reference, 0.01 on values of 0 to 255; its own weights are single precision.
#[test]
fn single_frames_fall_as_in_the_reference() {
    let (_, input) = picture("input");
    for (name, scale, pixfrac, shift) in [
        ("s1_p100_0", 1.0, 1.0, [0.0, 0.0]),
        ("s1_p100_1", 1.0, 1.0, [0.25, 0.5]),
        ("s2_p100_2", 2.0, 1.0, [0.0, 0.0]),
        ("s2_p60_3", 2.0, 0.6, [-0.2, 0.3]),
        ("s1_5_p70_4", 1.5, 0.7, [0.0, 0.0]),
    ] {
        let context = TestContext::default();
        let image = drizzle(Layout::Mono, &[(input.clone(), shift)], scale, pixfrac, None, &context);
        let (value, weight) = differences(&image, name);
        assert!(value < 0.01 && weight < 2e-4, "{name}: {value} {weight}");
        assert_eq!(image.info.px_per_capture_px, scale);
    }
}

#[test]
fn dithered_frames_fall_as_in_the_reference() {
    let frames: Vec<(Vec<f32>, [f64; 2])> =
        [("0_0", [0.0, 0.0]), ("5_0", [0.0, 0.5]), ("0_5", [0.5, 0.0]), ("5_5", [0.5, 0.5])]
            .into_iter()
            .map(|(name, shift)| (picture(&format!("frame_{name}")).1, shift))
            .collect();
    let context = TestContext::default();
    let image = drizzle(Layout::Mono, &frames, 2.0, 0.5, None, &context);
    let (value, weight) = differences(&image, "dithered");
    assert!(value < 0.01 && weight < 2e-4, "{value} {weight}");
}

/// A local shift that is the same everywhere is a shift.
#[test]
fn a_local_shift_moves_the_drops() {
    let (_, input) = picture("input");
    let layer = LocalLayer {
        first_px: [-8.0, -8.0],
        step_px: [8.0, 8.0],
        nodes: [3, 3],
        shift_px: vec![[0.2, -0.3]; 9],
        covariance_px2: Vec::new(),
        grade: Vec::new(),
        weight: Vec::new(),
    };
    let context = TestContext::default();
    let image = drizzle(Layout::Mono, &[(input, [0.0, 0.0])], 2.0, 0.6, Some(layer), &context);
    let (value, _) = differences(&image, "s2_p60_3");
    assert!(value < 0.01, "{value}");
}

/// Each colour comes from its own samples; where no drop fell the record says so. By hand: with drops of 0.5 px at scale 2
/// one frame of a mosaic fills one output pixel of sixteen in red and blue, two in green.
#[test]
fn a_mosaic_falls_into_its_colours_and_holes_are_told() {
    let side = 24;
    let pattern = Pattern::Grbg;
    let data = (0..side * side).map(|i| [0.2, 0.5, 0.9][pattern.colour_at(i % side, i / side)]).collect();
    let context = TestContext::default();
    // A quarter pixel brings every drop onto one output pixel.
    let image = drizzle(Layout::Mosaic(pattern), &[(data, [0.25, 0.25])], 2.0, 0.5, None, &context);
    for (c, expected) in [0.2, 0.5, 0.9].into_iter().enumerate() {
        assert!(image.channel(c).iter().all(|v| (v - expected).abs() < 1e-6), "colour {c}");
    }
    let holes = context.number("holes").unwrap();
    assert!((holes - (1.0 - 4.0 / 48.0)).abs() < 0.01, "{holes}");
    assert!(context.warnings.lock().unwrap().iter().any(|w| w.contains("no drop fell")));
}
