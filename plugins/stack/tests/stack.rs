//! The stacks on frames of an analytic scene whose every displacement is known.

use std::sync::Arc;

use stillair_api::testing::{TestContext, clip_info, run_reduce};
use stillair_api::{
    Bound, ColumnSpec, Description, Facts, Finish, Frame, FrameInput, GlobalRow, Image, Layout, LocalLayer, Method,
    Motion, Node, ParameterValue, Pattern, Placement, Reduce, Region, Table, Value, columns, contract,
};

const WIDTH: usize = 72;
const HEIGHT: usize = 60;

fn method(name: &str) -> Box<dyn Method> {
    stillair_stack::plugin().methods.into_iter().find(|m| m.describe().method == name).unwrap()
}

fn reduce(name: &str, set: &[(&str, ParameterValue)]) -> Box<dyn Reduce> {
    let method = method(name);
    let mut parameters = method.describe().defaults();
    for (key, value) in set {
        parameters.0.insert((*key).into(), value.clone());
    }
    match method.create(&parameters, &Facts::default()).unwrap() {
        Node::Reduce(node) => node,
        _ => panic!("a stack is a reduce"),
    }
}

/// A band-limited scene about its own origin: waves up to 0.21 cycles/px under a wide Gaussian.
fn scene(x: f64, y: f64) -> f64 {
    let hill = (-(x * x + y * y) / (2.0 * 12.0 * 12.0)).exp();
    let wave = |u: f64, v: f64, p: f64| (2.0 * std::f64::consts::PI * (u * x + v * y) + p).cos();
    0.1 + hill * (0.5 + 0.1 * wave(0.15, 0.0, 0.3) + 0.1 * wave(0.0, 0.21, 1.0) + 0.08 * wave(0.1, -0.1, 2.0))
}

/// A frame whose reference point lies at `row`, each plane shifted further by `channel`.
fn frame(index: usize, layout: Layout, row: GlobalRow, channel: [[f64; 2]; 3], origin: (usize, usize)) -> Frame {
    let mut frame = Frame::empty();
    frame.reshape(index, Region { x: origin.0, y: origin.1, width: WIDTH, height: HEIGHT }, layout);
    let (sin, cos) = row.rotation_rad.sin_cos();
    for plane in 0..layout.planes() {
        let data = frame.plane_mut(plane);
        for y in 0..HEIGHT {
            for x in 0..WIDTH {
                let [cx, cy] = match layout {
                    Layout::Mono => [0.0; 2],
                    Layout::Rgb => channel[plane],
                    Layout::Mosaic(pattern) => channel[pattern.colour_at(x, y)],
                };
                let (u, v) = ((x + origin.0) as f64 - row.x_px - cx, (y + origin.1) as f64 - row.y_px - cy);
                let (u, v) = (u / row.scale, v / row.scale);
                data[y * WIDTH + x] = scene(cos * u + sin * v, -sin * u + cos * v) as f32;
            }
        }
    }
    frame
}

fn places(n: usize) -> Vec<GlobalRow> {
    let wave = |i: usize, a: f64| (i as f64 * a).sin() * 2.5;
    (0..n).map(|i| GlobalRow::at(40.0 + wave(i, 1.7), 33.0 + wave(i, 2.9))).collect()
}

fn table(weights: &[f64]) -> Table {
    let info = clip_info(weights.len(), WIDTH, HEIGHT, Layout::Mono);
    let mut table = Table::for_frames(&info.time_s, info.exposure_s);
    table.push(ColumnSpec::number(columns::WEIGHT, "", ""), weights.to_vec());
    table
}

fn bound(weights: &[f64], motions: Vec<Motion>) -> Bound {
    let mut bound = Bound::default().with("table", Value::Table(Arc::new(table(weights))));
    for motion in motions {
        bound = bound.with("motion", Value::Motion(Arc::new(motion)));
    }
    bound
}

fn global(rows: &[GlobalRow]) -> Motion {
    Motion { global: Some(rows.to_vec()), ..Motion::default() }
}

fn stack(name: &str, set: &[(&str, ParameterValue)], bound: &Bound, layout: Layout, frames: &[Frame]) -> Arc<Image> {
    let info = clip_info(frames.len(), 90, 80, layout);
    let values = run_reduce(&*reduce(name, set), &TestContext::default(), bound, &info, frames).unwrap();
    match &values[..] {
        [Value::Image(image)] => image.clone(),
        other => panic!("{other:?}"),
    }
}

/// Root mean square error of a channel against the scene, `margin` px off the border.
fn error(image: &Image, data: &[f32], margin: usize) -> f64 {
    let [cx, cy] = image.info.reference_px;
    let mut sum = 0.0;
    let mut count = 0.0;
    for y in margin..HEIGHT - margin {
        for x in margin..WIDTH - margin {
            let d = f64::from(data[y * WIDTH + x]) - scene(x as f64 - cx, y as f64 - cy);
            sum += d * d;
            count += 1.0;
        }
    }
    (sum / count).sqrt()
}

fn text(word: &str) -> ParameterValue {
    ParameterValue::Text(word.into())
}

#[test]
fn descriptions_keep_the_contract() {
    for method in stillair_stack::plugin().methods {
        let description: Description = method.describe();
        assert_eq!(contract::breaches(&description), Vec::<String>::new());
        assert!(!description.help.is_empty() && !description.source.is_empty());
    }
}

#[test]
fn shifted_colour_frames_come_back_as_the_analytic_scene() {
    let rows = places(12);
    let channel = [[0.63, -1.21], [0.0, 0.0], [-0.4, 0.9]];
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Rgb, *r, channel, (5 + i % 3, 2))).collect();
    let colours = Motion { channel_px: Some(channel), ..Motion::default() };
    let weights: Vec<f64> = (0..12).map(|i| 0.3 + 0.1 * i as f64).collect();
    let bound = bound(&weights, vec![global(&rows), colours]);
    // Kernel errors at 0.21 cycles/px: the mean transfers 0.994 and 1.00 of the module's head.
    for (kernel, limit) in [("bspline", 1.2e-3), ("lanczos4", 1.2e-3)] {
        let image = stack("stack.mean", &[("kernel", text(kernel))], &bound, Layout::Rgb, &frames);
        assert_eq!((image.width, image.height, image.channels), (WIDTH, HEIGHT, 3));
        assert_eq!(image.info.frames_used, 12);
        for plane in 0..3 {
            let e = error(&image, image.channel(plane), 8);
            assert!(e < limit, "{kernel} plane {plane}: {e}");
        }
        assert!(image.info.history[0].contains(if kernel == "bspline" { "B-spline" } else { "Lanczos" }));
        assert!((image.info.exposure_total_s.unwrap() - 0.12).abs() < 1e-12);
        assert_eq!(image.info.wavelength_nm.len(), 3);
    }
}

#[test]
fn a_mosaic_gives_all_three_colours_without_filling_in() {
    let n = 240;
    // Places spread evenly over 4 px, as drift and seeing do; the sequence of Roberts 2018 for two dimensions.
    let spread = |i: usize, step: f64| 4.0 * (i as f64 * step).fract() - 2.0;
    let channel = [[0.63, -1.21], [0.0, 0.0], [-0.4, 0.9]];
    let layout = Layout::Mosaic(Pattern::Gbrg);
    for rotation in [0.0, 0.06] {
        let rows: Vec<GlobalRow> = (0..n)
            .map(|i| GlobalRow {
                rotation_rad: rotation,
                ..GlobalRow::at(40.0 + spread(i, 0.7548776662), 33.0 + spread(i, 0.5698402910))
            })
            .collect();
        let frames: Vec<Frame> =
            rows.iter().enumerate().map(|(i, r)| frame(i, layout, *r, channel, (4 + 2 * (i % 2), 2))).collect();
        let colours = Motion { channel_px: Some(channel), ..Motion::default() };
        let image = stack("stack.mean", &[], &bound(&vec![1.0; n], vec![global(&rows), colours]), layout, &frames);
        assert_eq!(image.channels, 3);
        assert!(image.info.from_mosaic && image.info.mosaic_kept);
        for plane in 0..3 {
            // Aliases of the sampling by every second pixel, as strong as the scene's waves of 0.1 rms 0.05, fall with
            // the square root of the number of frames: 0.05 / sqrt(240) = 3.2e-3.
            let e = error(&image, image.channel(plane), 10);
            assert!(e < 3.2e-3, "{rotation} plane {plane}: {e}");
        }
    }
}

#[test]
fn half_stacks_alternate_and_weigh_up_to_the_whole() {
    let rows = places(5);
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    let weights = [1.0, 2.0, 0.0, 4.0, 0.5];
    let image = stack("stack.mean", &[], &bound(&weights, vec![global(&rows)]), Layout::Mono, &frames);
    assert_eq!(image.info.frames_used, 4);
    // (sum w)^2 / sum w^2 by hand: 7.5^2 / 21.25.
    assert!((image.info.frames_effective - 56.25 / 21.25).abs() < 1e-12);
    // Used frames 0, 1, 3, 4 go to halves 0, 1, 0, 1 with weights 5 and 2.5.
    let (even, odd) = (image.half(0, 0).unwrap(), image.half(1, 0).unwrap());
    for y in 10..HEIGHT - 10 {
        for x in 10..WIDTH - 10 {
            let i = y * WIDTH + x;
            let whole = (5.0 * even[i] + 2.5 * odd[i]) / 7.5;
            assert!((whole - image.data[i]).abs() < 1e-5);
        }
    }
    let weight = image.weight.as_ref().expect("windows differ by their shifts");
    assert_eq!(weight[30 * WIDTH + 36], 7.5);
    assert!(weight[0] < 7.5);
    assert!(image.data.iter().all(|v| v.is_finite()));
}

#[test]
fn how_many_frames_come_in_one_call_does_not_matter() {
    let rows = places(9);
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    let motion = global(&rows);
    let bound = bound(&[1.0; 9], vec![motion.clone()]);
    let info = clip_info(9, 90, 80, Layout::Mono);
    let context = TestContext::default();
    let one_by_one = stack("stack.mean", &[], &bound, Layout::Mono, &frames);
    let node = reduce("stack.mean", &[]);
    let mut run = node.start(&context, &bound, &info).unwrap();
    let mut scratch = run.worker();
    let table = bound.table("table").unwrap().clone();
    let mut items = Vec::new();
    for frame in &frames {
        let placement = Placement::compose(frame.index, &[&motion]).unwrap();
        let row = Some(table.row(frame.index));
        let input = FrameInput { frame, row, placement: Some(&placement) };
        items.push((frame.index, run.prepare(&mut scratch, &input).unwrap()));
    }
    run.add(&context, items).unwrap();
    let Finish::Done(values) = run.finish(&context).unwrap() else { panic!("one sweep is enough") };
    assert_eq!(values, vec![Value::Image(one_by_one)]);
}

#[test]
fn turned_and_scaled_frames_come_back_upright() {
    let rows: Vec<GlobalRow> = places(8)
        .into_iter()
        .enumerate()
        .map(|(i, r)| GlobalRow { rotation_rad: 0.02 * i as f64 - 0.07, scale: 1.0 + 0.004 * i as f64, ..r })
        .collect();
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    let image = stack("stack.mean", &[], &bound(&[1.0; 8], vec![global(&rows)]), Layout::Mono, &frames);
    let e = error(&image, &image.data, 10);
    assert!(e < 1.2e-3, "{e}");
}

#[test]
fn a_uniform_local_layer_is_a_shift() {
    let rows = places(6);
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    let off: Vec<GlobalRow> = rows.iter().map(|r| GlobalRow::at(r.x_px - 0.6, r.y_px + 0.3)).collect();
    let layer = LocalLayer {
        first_px: [-30.0, -25.0],
        step_px: [20.0, 25.0],
        nodes: [4, 3],
        shift_px: vec![[0.6, -0.3]; 6 * 12],
        covariance_px2: Vec::new(),
        grade: Vec::new(),
        weight: vec![0.5; 6 * 12],
    };
    let local = Motion { local: Some(Arc::new(layer)), ..Motion::default() };
    let image = stack("stack.mean", &[], &bound(&[1.0; 6], vec![global(&off), local]), Layout::Mono, &frames);
    let e = error(&image, &image.data, 10);
    assert!(e < 1.2e-3, "{e}");
    let weight = image.weight.as_ref().unwrap();
    assert!((weight[30 * WIDTH + 36] - 3.0).abs() < 1e-5);
}

// What a sharpening expects of image motion hangs on it: only a field of shifts places parts.
#[test]
fn a_layer_of_one_node_moves_frames_as_a_whole() {
    let rows = places(6);
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    for (nodes, parts) in [([1, 1], false), ([4, 3], true)] {
        let layer = LocalLayer {
            first_px: [-30.0, -25.0],
            step_px: [20.0, 25.0],
            nodes,
            shift_px: vec![[0.1, 0.0]; 6 * nodes[0] * nodes[1]],
            covariance_px2: Vec::new(),
            grade: Vec::new(),
            weight: Vec::new(),
        };
        let local = Motion { local: Some(Arc::new(layer)), ..Motion::default() };
        for method in ["stack.mean", "stack.drizzle"] {
            let bound = bound(&[1.0; 6], vec![global(&rows), local.clone()]);
            let image = stack(method, &[], &bound, Layout::Mono, &frames);
            assert_eq!(image.info.parts_placed, parts, "{method} {nodes:?}");
        }
    }
}

#[test]
fn one_frame_of_weight_is_that_frame_resampled() {
    let rows = places(4);
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    let image = stack("stack.mean", &[], &bound(&[0.0, 0.0, 1.0, 0.0], vec![global(&rows)]), Layout::Mono, &frames);
    assert_eq!(image.info.frames_used, 1);
    assert!(image.halves.is_none());
    assert!(error(&image, &image.data, 8) < 1.5e-3);
}

#[test]
fn clipping_removes_a_trail_and_leaves_the_edges_alone() {
    let n = 40;
    let rows = places(n);
    let mut frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    // Counter-based noise of 0.01 rms and a satellite that crosses two frames.
    for frame in &mut frames {
        for (i, v) in frame.data.iter_mut().enumerate() {
            let mut h = (frame.index as u64 * 1_000_003 + i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
            h ^= h >> 31;
            h = h.wrapping_mul(0xBF58_476D_1CE4_E5B9);
            *v += ((h >> 40) as f32 / (1 << 24) as f32 - 0.5) * 0.0346;
        }
    }
    let clean_bound = bound(&vec![1.0; n], vec![global(&rows)]);
    let clean = stack("stack.mean", &[], &clean_bound, Layout::Mono, &frames);
    for k in [11, 12] {
        for x in 0..WIDTH {
            frames[k].data[30 * WIDTH + x] += 0.9;
        }
    }
    let plain = stack("stack.mean", &[], &clean_bound, Layout::Mono, &frames);
    let clipped = stack("stack.clipped", &[], &clean_bound, Layout::Mono, &frames);
    // A sample held at k sigma (4 x 0.01) of a mean that two trails of 0.9 raise by at most 2 x 0.9 x 1.2 / 40 (1.2: the
    // kernel's overshoot) moves the mean of 40 by at most their sum over 40; two frames do so.
    let bound = 2.0 * (4.0 * 0.01 + 2.0 * 0.9 * 1.2 / 40.0) / 40.0;
    let inner = |i: &usize| (8..WIDTH - 8).contains(&(i % WIDTH)) && (8..HEIGHT - 8).contains(&(i / WIDTH));
    let off = |a: &Image, i: usize| f64::from(a.data[i] - clean.data[i]).abs();
    let largest = |a: &Image| (0..a.data.len()).filter(inner).map(|i| off(a, i)).fold(0.0, f64::max);
    assert!(largest(&plain) > 0.015, "{}", largest(&plain));
    assert!(largest(&clipped) < bound, "{} {bound}", largest(&clipped));
    let undisturbed = |a: &Image| error(a, &a.data, 8);
    assert!(undisturbed(&clipped) < 1.15 * undisturbed(&clean), "{} {}", undisturbed(&clipped), undisturbed(&clean));
}

#[test]
fn a_mosaic_a_second_global_motion_and_no_frames_are_refused_with_a_remedy() {
    let rows = places(2);
    let frames: Vec<Frame> =
        rows.iter().enumerate().map(|(i, r)| frame(i, Layout::Mono, *r, [[0.0; 2]; 3], (5, 2))).collect();
    let fault = |bound: &Bound, layout: Layout| {
        let info = clip_info(2, 90, 80, layout);
        run_reduce(&*reduce("stack.mean", &[]), &TestContext::default(), bound, &info, &frames).unwrap_err().to_string()
    };
    let mosaic = Layout::Mosaic(Pattern::Rggb);
    let clipped = run_reduce(
        &*reduce("stack.clipped", &[]),
        &TestContext::default(),
        &bound(&[1.0; 2], vec![global(&rows)]),
        &clip_info(2, 90, 80, mosaic),
        &frames,
    );
    assert!(clipped.unwrap_err().to_string().contains("demosaic.bilinear"));
    let twice = bound(&[1.0; 2], vec![global(&rows), global(&rows)]);
    assert!(fault(&twice, Layout::Mono).contains("two motions"));
    assert!(fault(&bound(&[0.0; 2], vec![global(&rows)]), Layout::Mono).contains("no frame is left"));
}
