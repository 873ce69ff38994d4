//! The stacks on frames of a globe that turns. The globe is painted through `stillair_sky::Spheroid`, whose projection is
//! tested against CSPICE there (tests/data/projection.toml).

use std::sync::Arc;

use stillair_api::testing::{TestContext, clip_info, run_reduce};
use stillair_api::{
    Bound, ColumnSpec, Facts, Frame, GlobalRow, Image, Layout, Motion, Node, ParameterValue, Pattern, Region,
    SpinLayer, Table, Value, columns,
};
use stillair_sky::{LongitudeSense, Spheroid};

const SIDE: usize = 96;
const RADIUS_PX: f64 = 36.0;
const AXIS_RATIO: f64 = 0.93;
const LATITUDE_DEG: f64 = -12.0;
const POLE_DEG: f64 = 25.0;
/// Where the globe's centre lies from the reference point.
const OFF: [f64; 2] = [1.3, -0.7];

/// Brightness of the surface: waves in latitude and longitude.
fn surface(latitude_deg: f64, longitude_deg: f64) -> f64 {
    let (b, l) = (latitude_deg.to_radians(), longitude_deg.to_radians());
    0.6 + 0.1 * (9.0 * b).cos() + 0.15 * b.cos() * (8.0 * l + 3.0 * b).sin()
}

/// A smooth globe-wide darkening, so that the edge does not alias.
fn darkening(cos_emission: f64) -> f64 {
    cos_emission.powf(0.8)
}

/// By how much of its turn a parallel runs ahead of the globe (made up, far more than on any planet), for jets of a strength.
fn ahead(jets: f64, latitude_deg: f64) -> f64 {
    jets * (-(latitude_deg / 25.0).powi(2)).exp()
}

/// The scene `x` right, `y` down of the reference point, in px, when the globe has turned by so much, its equator further.
fn scene(x: f64, y: f64, turn_deg: f64, jets: f64) -> f64 {
    let globe = Spheroid::new(AXIS_RATIO, LongitudeSense::West, LATITUDE_DEG, 0.0, 0.0);
    let (u, v) = ((x - OFF[0]) / RADIUS_PX, (y - OFF[1]) / RADIUS_PX);
    let (sin, cos) = POLE_DEG.to_radians().sin_cos();
    let (right, up) = (u * cos + v * sin, u * sin - v * cos);
    match globe.locate_in_pole_frame(right, up) {
        Some((lat, from_centre, mu)) => surface(lat, from_centre - turn_deg * (1.0 + ahead(jets, lat))) * darkening(mu),
        None => 0.0,
    }
}

fn spin(turns_deg: &[f64], profile: Vec<f32>) -> SpinLayer {
    SpinLayer {
        centre_px: OFF,
        equatorial_radius_px: RADIUS_PX,
        axis_ratio: AXIS_RATIO,
        latitude_rad: LATITUDE_DEG.to_radians(),
        pole_rad: POLE_DEG.to_radians(),
        turn_rad: turns_deg.iter().map(|t| t.to_radians()).collect(),
        zonal: Vec::new(),
        profile,
    }
}

fn stacked(layout: Layout, turns_deg: &[f64], layer: Option<SpinLayer>, rotation_rad: f64, kernel: &str) -> Arc<Image> {
    stacked_with_jets(0.0, layout, turns_deg, layer, rotation_rad, kernel)
}

fn stacked_with_jets(
    jets: f64,
    layout: Layout,
    turns_deg: &[f64],
    layer: Option<SpinLayer>,
    rotation_rad: f64,
    kernel: &str,
) -> Arc<Image> {
    let n = turns_deg.len();
    let rows: Vec<GlobalRow> = (0..n)
        .map(|i| {
            let wave = |a: f64| (i as f64 * a).sin() * 2.2;
            GlobalRow { rotation_rad, ..GlobalRow::at(48.0 + wave(1.7), 46.0 + wave(2.9)) }
        })
        .collect();
    let frame = |i: usize| {
        let mut frame = Frame::empty();
        frame.reshape(i, Region { x: 0, y: 0, width: SIDE, height: SIDE }, layout);
        let (sin, cos) = rotation_rad.sin_cos();
        for plane in 0..layout.planes() {
            let data = frame.plane_mut(plane);
            for y in 0..SIDE {
                for x in 0..SIDE {
                    let (u, v) = (x as f64 - rows[i].x_px, y as f64 - rows[i].y_px);
                    data[y * SIDE + x] = scene(cos * u + sin * v, cos * v - sin * u, turns_deg[i], jets) as f32;
                }
            }
        }
        frame
    };
    let frames: Vec<Frame> = (0..n).map(frame).collect();
    let info = clip_info(n, SIDE, SIDE, layout);
    let mut table = Table::for_frames(&info.time_s, info.exposure_s);
    table.push(ColumnSpec::number(columns::WEIGHT, "", ""), vec![1.0; n]);
    let motion = Motion { global: Some(rows.clone()), spin: layer.map(Arc::new), ..Motion::default() };
    let bound =
        Bound::default().with("table", Value::Table(Arc::new(table))).with("motion", Value::Motion(Arc::new(motion)));
    let method = stillair_stack::plugin().methods.into_iter().find(|m| m.describe().method == "stack.mean").unwrap();
    let mut parameters = method.describe().defaults();
    parameters.0.insert("kernel".into(), ParameterValue::Text(kernel.into()));
    let Node::Reduce(node) = method.create(&parameters, &Facts::default()).unwrap() else { panic!("a reduce") };
    match &run_reduce(&*node, &TestContext::default(), &bound, &info, &frames).unwrap()[..] {
        [Value::Image(image)] => image.clone(),
        other => panic!("{other:?}"),
    }
}

/// Largest and rms error against the globe that has not turned, out to a share of the radius.
fn error(image: &Image, within: f64) -> (f64, f64) {
    let [cx, cy] = image.info.reference_px;
    let (mut worst, mut squares, mut count) = (0.0_f64, 0.0, 0.0);
    for y in 0..SIDE {
        for x in 0..SIDE {
            let (u, v) = (x as f64 - cx, y as f64 - cy);
            if (u - OFF[0]).hypot(v - OFF[1]) < within * AXIS_RATIO * RADIUS_PX {
                let d = (f64::from(image.channel(image.channels / 2)[y * SIDE + x]) - scene(u, v, 0.0, 0.0)).abs();
                worst = worst.max(d);
                squares += d * d;
                count += 1.0;
            }
        }
    }
    (worst, (squares / count).sqrt())
}

fn profile() -> Vec<f32> {
    (0..=64).map(|i| darkening((1.0 - (f64::from(i) / 64.0).powi(2)).max(0.0).sqrt()).max(0.02) as f32).collect()
}

#[test]
fn frames_of_a_turning_globe_are_carried_to_one_instant() {
    let turns: Vec<f64> = (0..24).map(|i| -2.0 + 12.0 * f64::from(i) / 23.0).collect();
    for (layout, kernel) in
        [(Layout::Mono, "bspline"), (Layout::Mono, "lanczos4"), (Layout::Mosaic(Pattern::Grbg), "bspline")]
    {
        for rotation_rad in [0.0, 0.05] {
            let smeared = error(&stacked(layout, &turns, None, rotation_rad, kernel), 0.9);
            let carried = error(&stacked(layout, &turns, Some(spin(&turns, profile())), rotation_rad, kernel), 0.9);
            assert!(smeared.1 > 0.03, "{layout:?} {smeared:?}");
            assert!(carried.1 < 0.1 * smeared.1, "{layout:?} {kernel} {rotation_rad} {carried:?} {smeared:?}");
        }
    }
}

#[test]
fn the_darkening_of_the_limb_is_given_back() {
    // All frames are late, so that what is carried back from nearer to one limb does not cancel at the other.
    let turns = vec![6.0; 12];
    let plain = error(&stacked(Layout::Mono, &turns, Some(spin(&turns, Vec::new())), 0.0, "bspline"), 0.92);
    let given_back = error(&stacked(Layout::Mono, &turns, Some(spin(&turns, profile())), 0.0, "bspline"), 0.92);
    assert!(given_back.1 < 0.25 * plain.1, "{plain:?} {given_back:?}");
}

#[test]
fn the_limb_has_no_hole_and_the_sky_stays_dark() {
    let turns = vec![9.0; 12];
    let image = stacked(Layout::Mono, &turns, Some(spin(&turns, profile())), 0.0, "bspline");
    let weight = image.weight.as_ref().expect("the limb weighs less");
    let [cx, cy] = image.info.reference_px;
    for y in 8..SIDE - 8 {
        for x in 8..SIDE - 8 {
            let distance = (x as f64 - cx - OFF[0]).hypot(y as f64 - cy - OFF[1]);
            let (at, value) = (y * SIDE + x, image.data[y * SIDE + x]);
            assert!(value.is_finite());
            if distance < RADIUS_PX {
                assert!(weight[at] > 0.0, "hole at {x}, {y}");
            } else if distance > RADIUS_PX + 5.0 {
                assert!(value.abs() < 0.01, "{value} at {x}, {y}");
            }
        }
    }
}

#[test]
fn each_parallel_is_carried_at_its_own_rate() {
    let turns: Vec<f64> = (0..24).map(|i| -2.0 + 12.0 * f64::from(i) / 23.0).collect();
    // Steps in the sine of the planetographic latitude, from pole to pole.
    let zonal = (0..=128).map(|i| ahead(0.3, (f64::from(i) / 64.0 - 1.0).asin().to_degrees()) as f32).collect();
    let own = SpinLayer { zonal, ..spin(&turns, profile()) };
    let with = |layer| error(&stacked_with_jets(0.3, Layout::Mono, &turns, Some(layer), 0.0, "bspline"), 0.9);
    let (as_one, each) = (with(spin(&turns, profile())), with(own));
    assert!(each.1 < 0.3 * as_one.1, "{each:?} {as_one:?}");
    // As well as a globe that turns as one.
    let whole = error(&stacked(Layout::Mono, &turns, Some(spin(&turns, profile())), 0.0, "bspline"), 0.9);
    assert!(each.1 < 1.3 * whole.1, "{each:?} {whole:?}");
}
