use super::*;
use crate::testing::table;
use crate::view::tests::Scene;
use std::sync::Arc;
use stillair_api::testing::{TestContext, clip_info, run_measure};
use stillair_api::{Frame, GlobalRow, Layout, Motion, Pattern, Region, Value, contract};

const MOSAIC: Layout = Layout::Mosaic(Pattern::Rggb);

/// Grades of frames by a reference, both of the scenes; the windows of the frames start at `origin`; the motion puts the
/// last frame `astray_px` beside its place.
fn grades(reference: &Scene, scenes: &[Scene], origin: [usize; 2], astray_px: f64) -> (Vec<f64>, TestContext) {
    let (out, context) = measured(reference, scenes, origin, astray_px, &[]);
    (out.values("grade_projection").unwrap().to_vec(), context)
}

/// The table of such frames, each larger than its scene by a share of `growth` at the same light.
fn measured(
    reference: &Scene,
    scenes: &[Scene],
    origin: [usize; 2],
    astray_px: f64,
    growth: &[f32],
) -> (Table, TestContext) {
    let side = Scene::SIDE;
    let mut image = Image::new(side, side, 1);
    for (i, v) in image.data.iter_mut().enumerate() {
        *v = reference.value((i % side) as f32, (i / side) as f32);
    }
    image.info.reference_px = reference.centre.map(f64::from);
    let rows: Vec<[f64; 4]> = scenes.iter().map(Scene::row).collect();
    let place =
        |s: &Scene| GlobalRow::at(f64::from(s.centre[0]) + origin[0] as f64, f64::from(s.centre[1]) + origin[1] as f64);
    let mut places: Vec<GlobalRow> = scenes.iter().map(place).collect();
    if let Some(last) = places.last_mut() {
        last.x_px += astray_px;
    }
    let motion = Motion { global: Some(places), ..Motion::default() };
    let frames: Vec<Frame> = (0..scenes.len())
        .map(|i| {
            let mut frame = scenes[i].frame(i);
            if let Some(growth) = growth.get(i) {
                let (scene, scale) = (&scenes[i], 1.0 + growth);
                for (p, v) in frame.plane_mut(0).iter_mut().enumerate() {
                    let at = [(p % side) as f32, (p / side) as f32];
                    let [x, y]: [f32; 2] = std::array::from_fn(|a| scene.centre[a] + (at[a] - scene.centre[a]) / scale);
                    *v = 0.02 + scene.value(x, y) / (scale * scale);
                }
            }
            frame.region = Region { x: origin[0], y: origin[1], ..frame.region };
            frame
        })
        .collect();
    let bound = Bound::default()
        .with("table", Value::Table(Arc::new(table(&rows))))
        .with("motion", Value::Motion(Arc::new(motion)))
        .with("reference", Value::Image(Arc::new(image)));
    let Ok(Node::Measure(node)) = Projection.create(&Projection.describe().defaults(), &Facts::default()) else {
        panic!("grade.projection is a measure");
    };
    let info = clip_info(frames.len(), side, side, scenes[0].layout);
    let context = TestContext::default();
    node.start(&context, &bound, &info).unwrap();
    let (out, _) = run_measure(&*node, &Projection.describe().columns, &bound, &info, &frames).unwrap();
    (out, context)
}

fn at(layout: Layout, blur: f32, light: f32, centre: [f32; 2]) -> Scene {
    Scene { centre, ..Scene::new(layout, blur, light) }
}

#[test]
fn the_description_keeps_its_contract() {
    assert_eq!(contract::breaches(&Projection.describe()), Vec::<String>::new());
}

// By the definition a frame that is the reference, moved and of any brightness, grades 1.
#[test]
fn a_moved_copy_grades_one_wherever_its_window_starts() {
    let reference = Scene::new(Layout::Mono, 1.4, 0.5);
    let scenes =
        [(0.5, [47.3, 48.1]), (0.5, [46.6, 48.9]), (0.25, [48.0, 47.2])].map(|(l, c)| at(Layout::Mono, 1.4, l, c));
    // The median flux is the reference's own.
    let (q, context) = grades(&reference, &scenes, [40, 22], 0.0);
    assert!(q.iter().all(|q| (q - 1.0).abs() < 0.01), "{q:?}");
    assert!(context.number("cut-off").is_some_and(|c| (c - 1.0 / 2.4).abs() < 1e-9));
}

#[test]
fn sharper_frames_grade_higher_and_a_misplaced_one_lower_still() {
    for layout in [Layout::Mono, MOSAIC] {
        let reference = Scene::new(layout, 1.6, 0.5);
        let mut scenes: Vec<Scene> =
            [0.8, 1.2, 1.6, 2.2, 3.0].iter().map(|&b| at(layout, b, 0.5, [47.0, 48.4])).collect();
        for scene in &mut scenes {
            (scene.shot, scene.read) = (0.001, 0.006);
        }
        scenes.push(Scene { read: 0.006, ..Scene::new(layout, 0.8, 0.5) });
        let (q, _) = grades(&reference, &scenes, [0, 0], 9.0);
        assert!(q[..5].windows(2).all(|p| p[0] > p[1] + 0.03), "{layout:?} {q:?}");
        assert!(q[5] < 0.3, "{layout:?} {q:?}");
    }
}

// By construction: discs of 30 px drawn a quarter of a px larger and smaller; and a quarter and more sharper and softer, which
// must feign less than a tenth of a px.
#[test]
fn a_change_of_size_is_told_from_blur() {
    let reference = Scene::new(Layout::Mono, 1.6, 0.5);
    let centre = [47.0, 48.4];
    let scenes = [1.6, 1.6, 1.6, 1.2, 2.2].map(|blur| at(Layout::Mono, blur, 0.5, centre));
    let growth = [0.008, 0.0, -0.008, 0.0, 0.0];
    let (out, _) = measured(&reference, &scenes, [0, 0], 0.0, &growth);
    let told = out.values("size_change").unwrap();
    let off: Vec<f64> = told.iter().zip(&growth).map(|(t, g)| t - f64::from(*g)).collect();
    assert!(off[..3].iter().all(|o| o.abs() < 0.001), "{told:?}");
    assert!(off[3..].iter().all(|o| 30.0 * o.abs() < 0.1), "{told:?}");
}

#[test]
fn noise_does_not_bias_it() {
    let reference = Scene::new(MOSAIC, 1.4, 0.3);
    let quiet = at(MOSAIC, 1.9, 0.3, [47.3, 48.1]);
    let (clean, _) = grades(&reference, &[quiet], [0, 0], 0.0);
    let noisy: Vec<Scene> =
        (0..30).map(|_| Scene { read: 0.03, shot: 0.002, ..at(MOSAIC, 1.9, 0.3, [47.3, 48.1]) }).collect();
    let (q, _) = grades(&reference, &noisy, [0, 0], 0.0);
    let mean = q.iter().sum::<f64>() / q.len() as f64;
    let scatter = (q.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / q.len() as f64).sqrt();
    // A noisier frame is weighted towards lower frequencies, which blur less: compare with the same weights.
    assert!(mean > clean[0] - 0.02 && mean < 1.0, "{mean} {clean:?}");
    assert!(scatter < 0.05, "{scatter}");
}

#[test]
fn a_surface_that_fills_the_window_is_tapered() {
    let side = 64;
    let texture = |i: usize| 0.4 + 0.1 * ((i % side) as f32 * 0.9).sin() * ((i / side) as f32 * 0.7).cos();
    let plane: Vec<f32> = (0..side * side).map(texture).collect();
    assert!(fills_window(&plane, side));
    let disc: Vec<f32> =
        (0..96 * 96).map(|i| Scene::new(MOSAIC, 1.5, 0.5).value((i % 96) as f32, (i / 96) as f32)).collect();
    assert!(!fills_window(&disc, 96));
}

#[test]
fn lengths_of_the_window_are_kept_where_they_transform_fast() {
    for (n, expected) in [(112, 112), (120, 120), (128, 128), (113, 120), (121, 128), (22, 24)] {
        assert_eq!(transform_length(n), expected, "{n}");
    }
}

#[test]
fn a_reference_of_another_scale_is_refused_in_words() {
    let mut image = Image::new(8, 8, 1);
    image.info.px_per_capture_px = 2.0;
    let bound = Bound::default().with("reference", Value::Image(Arc::new(image)));
    let Ok(Node::Measure(node)) = Projection.create(&Projection.describe().defaults(), &Facts::default()) else {
        panic!("grade.projection is a measure");
    };
    let fault = node.start(&TestContext::default(), &bound, &clip_info(1, 8, 8, Layout::Mono)).err().unwrap();
    assert!(fault.to_string().contains("2 px per px"), "{fault}");
}
