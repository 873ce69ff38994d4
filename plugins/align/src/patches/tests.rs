use super::field::{Structure, estimate};
use super::*;
use stillair_api::testing::{TestContext, clip_info, run_reduce};
use stillair_api::{ColumnSpec, Frame, GlobalRow, Region, columns};

const SIZE: [usize; 2] = [224, 160];
const FRAMES: usize = 16;

#[test]
fn the_description_keeps_to_its_contract() {
    assert_eq!(stillair_api::contract::breaches(&Patches.describe()), Vec::<String>::new());
}

/// Simple kriging by hand (Cressie 1993, Statistics for Spatial Data, section 3.4.5): from one observation of variance
/// S + N at a distance where the covariance is c the factor is c / (S + N) and the error S - c^2 / (S + N); from two
/// with covariance d between them the factors solve a 2 x 2 system.
#[test]
fn estimates_are_those_of_simple_kriging() {
    let structure = Structure { strength: 2.0, length_px: 10.0, nugget: 0.0 };
    let c = |r: f64| 2.0 * (-(r / 10.0_f64).powf(5.0 / 3.0)).exp();
    let places = [[0.0, 0.0], [6.0, 0.0]];
    let noise = [[0.5, 0.0, 0.5], [1.0, 0.0, 1.0]];
    let one = estimate(&places, &[0], &noise, [3.0, 4.0], &structure).unwrap();
    let factor = c(5.0) / 2.5;
    assert!((f64::from(one.parts[0].1[0]) - factor).abs() < 1e-6 && one.parts[0].1[1] == 0.0);
    assert!((f64::from(one.error[2]) - (2.0 - c(5.0) * factor)).abs() < 1e-6);
    let two = estimate(&places, &[0, 1], &noise, [2.0, 0.0], &structure).unwrap();
    let (a, b, d) = (2.5, 3.0, c(6.0));
    let expected = [(b * c(2.0) - d * c(4.0)) / (a * b - d * d), (a * c(4.0) - d * c(2.0)) / (a * b - d * d)];
    for (part, expected) in two.parts.iter().zip(expected) {
        assert!((f64::from(part.1[3]) - expected).abs() < 1e-6, "{:?} {expected}", part.1);
    }
}

/// A patch that is known along x alone hands on nothing along y.
#[test]
fn a_patch_on_an_edge_is_believed_across_it_only() {
    let structure = Structure { strength: 1.0, length_px: 50.0, nugget: 0.0 };
    let noise = [[0.01, 0.0, 1e6]];
    let one = estimate(&[[0.0, 0.0]], &[0], &noise, [0.0, 0.0], &structure).unwrap();
    let [xx, xy, yx, yy] = one.parts[0].1;
    assert!(xx > 0.98 && yy < 1e-5 && xy.abs() < 1e-5 && yx.abs() < 1e-5, "{xx} {xy} {yx} {yy}");
}

/// Smooth shift of frame k at a place of the picture; its mean over the frames is zero at every place.
fn bend(k: usize, [x, y]: [f64; 2]) -> [f64; 2] {
    let phase = std::f64::consts::TAU * k as f64 / FRAMES as f64;
    let wave = |turn: f64, pitch: f64| (phase * turn + pitch * x + 0.6 * pitch * y).sin();
    [0.9 * wave(1.0, 0.031) + 0.4 * wave(3.0, -0.023), 0.8 * wave(2.0, -0.027) + 0.4 * wave(5.0, 0.019)]
}

fn surface(x: f64, y: f64) -> f64 {
    let mut value = 0.4;
    for k in 1..50 {
        let turn = f64::from(k * k % 97);
        let pitch = 0.15 + 0.019 * f64::from(k * 7 % 41);
        value += 0.02 * (pitch * (x * turn.cos() + y * turn.sin()) + 3.0 * turn).sin();
    }
    value
}

fn frame(index: usize, place: [f64; 2], flat: bool) -> Frame {
    let mut frame = Frame::empty();
    frame.reshape(index, Region::whole(SIZE[0], SIZE[1]), Layout::Mono);
    let mut state = 99 + 7919 * index as u64;
    for y in 0..SIZE[1] {
        for x in 0..SIZE[0] {
            let at = [x as f64 - place[0], y as f64 - place[1]];
            let [u, v] = bend(index, at);
            let mut noise = -6.0;
            for _ in 0..12 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                noise += (state >> 40) as f64 / (1_u64 << 24) as f64;
            }
            let value = if flat { 0.4 } else { surface(at[0] - u, at[1] - v) };
            frame.data[y * SIZE[0] + x] = (value + 0.01 * noise) as f32;
        }
    }
    frame
}

fn run(flat: bool, context: &TestContext) -> Arc<LocalLayer> {
    let Value::Motion(motion) = run_of(&Patches, flat, context) else { panic!("no motion") };
    assert!(motion.global.is_none());
    motion.local.clone().unwrap()
}

fn run_of(method: &dyn Method, flat: bool, context: &TestContext) -> Value {
    let place = |k: usize| [0.3 * k as f64 - 2.0, 1.0 - 0.17 * k as f64];
    let frames: Vec<Frame> = (0..FRAMES).map(|k| frame(k, place(k), flat)).collect();
    let centre = [(SIZE[0] as f64 - 1.0) * 0.5, (SIZE[1] as f64 - 1.0) * 0.5];
    let mut reference = Image::new(SIZE[0], SIZE[1], 1);
    reference.info.reference_px = centre;
    for y in 0..SIZE[1] {
        for x in 0..SIZE[0] {
            reference.data[y * SIZE[0] + x] = if flat { 0.4 } else { surface(x as f64, y as f64) as f32 };
        }
    }
    let rows = (0..FRAMES).map(|k| GlobalRow::at(centre[0] + place(k)[0], centre[1] + place(k)[1])).collect();
    let motion = Motion { global: Some(rows), ..Motion::default() };
    let info = clip_info(FRAMES, SIZE[0], SIZE[1], Layout::Mono);
    let mut table = Table::for_frames(&info.time_s, None);
    table.push(ColumnSpec::number(columns::NOISE, "", ""), vec![0.01; FRAMES]);
    let bound = Bound::default()
        .with("table", Value::Table(Arc::new(table)))
        .with("motion", Value::Motion(Arc::new(motion)))
        .with("reference", Value::Image(Arc::new(reference)));
    let Ok(Node::Reduce(node)) = method.create(&method.describe().defaults(), &Facts::default()) else {
        panic!("no reduce")
    };
    run_reduce(node.as_ref(), context, &bound, &info, &frames).unwrap().remove(0)
}

// Frames are drawn with known shifts, whose mean square about each frame's mean is compared.
#[test]
fn how_much_frames_are_bent_is_told() {
    let context = TestContext::default();
    let Value::Record(record) = run_of(&bends::Bends, false, &context) else { panic!("no record") };
    let (mut squares, mut count) = (0.0, 0.0);
    for k in 0..FRAMES {
        let places = (0..100).map(|i| [20.0 + 20.0 * f64::from(i % 10), 16.0 + 14.0 * f64::from(i / 10)]);
        let shifts: Vec<[f64; 2]> = places.map(|at| bend(k, at)).collect();
        for axis in 0..2 {
            let mean = shifts.iter().map(|s| s[axis]).sum::<f64>() / 100.0;
            squares += shifts.iter().map(|s| (s[axis] - mean).powi(2)).sum::<f64>();
            count += 100.0;
        }
    }
    let expected = (squares / count).sqrt();
    let number = |name: &str| {
        let found = record.entries.iter().find_map(|entry| match entry {
            Entry::Number { name: own, value, .. } if own == name => Some(*value),
            _ => None,
        });
        found.unwrap_or_else(|| panic!("no {name}"))
    };
    let found = number("field");
    assert!((found / expected - 1.0).abs() < 0.2, "{found} against {expected} px");
    assert!(number("shift-noise") < 0.3 * found);
    assert!((number("frames") - FRAMES as f64).abs() < 0.5);
    // What shows nothing tells nothing.
    let Value::Record(record) = run_of(&bends::Bends, true, &TestContext::default()) else { panic!("no record") };
    assert_eq!(record.entries.len(), 1);
}

#[test]
fn the_description_of_bends_keeps_to_its_contract() {
    assert_eq!(stillair_api::contract::breaches(&bends::Bends.describe()), Vec::<String>::new());
}

// Frames are drawn with known shifts.
#[test]
fn bent_frames_are_told_how_they_are_bent() {
    let context = TestContext::default();
    let layer = run(false, &context);
    let [columns, rows] = layer.nodes;
    let (mut error, mut whole, mut count) = (0.0, 0.0, 0.0);
    for k in 0..FRAMES {
        for node in 0..layer.nodes_per_frame() {
            let (i, j) = (node % columns, node / columns);
            if i == 0 || j == 0 || i + 1 == columns || j + 1 == rows {
                continue;
            }
            let centre = [(SIZE[0] as f64 - 1.0) * 0.5, (SIZE[1] as f64 - 1.0) * 0.5];
            let at = [0, 1].map(|a| centre[a] + layer.first_px[a] + [i, j][a] as f64 * layer.step_px[a]);
            let expected = bend(k, at);
            let found = layer.shift_px[k * layer.nodes_per_frame() + node];
            for a in 0..2 {
                error += (f64::from(found[a]) - expected[a]).powi(2);
                whole += expected[a].powi(2);
                count += 1.0;
            }
        }
    }
    let (error, whole) = ((error / count).sqrt(), (whole / count).sqrt());
    // A patch of 58 px averages over a shift that bends within it: a tenth of it is lost to that.
    assert!(whole > 0.5 && error < 0.14 * whole, "{error} of {whole} px");
    assert!(layer.grade.iter().all(|g| (0.5..1.3).contains(g)), "{:?}", &layer.grade[..20]);
    assert!(context.number("dropped").unwrap() < 0.02);
}

#[test]
fn without_structure_nothing_is_bent() {
    let context = TestContext::default();
    let layer = run(true, &context);
    assert!(layer.shift_px.iter().all(|s| *s == [0.0; 2]));
    assert!(!context.warnings.lock().unwrap().is_empty());
}
