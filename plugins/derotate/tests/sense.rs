//! Which way a painted planet turns is told from its clip alone, or nothing is said.

use std::sync::Arc;

use crate::common::{Painted, transform};
use stillair_api::testing::{TestContext, clip_info, run_reduce};
use stillair_api::{Bound, Facts, Frame, GlobalRow, Image, Layout, Motion, Node, Region, Table, Value};
use stillair_sky::Body;

const FRAMES: usize = 24;
const SIDE: usize = 130;

/// Rotation of Jupiter's System II (870.27 degrees a day, IAU 2015) in seconds, degrees.
fn turned_deg(seconds: f64) -> f64 {
    870.27 / 86_400.0 * seconds
}

/// A clip of Jupiter of `span_s`, the globe turning to the right of its pole or to the left, with what the session says.
struct Clip {
    bound: Bound,
    info: stillair_api::ClipInfo,
    frames: Vec<Frame>,
}

fn clip(span_s: f64, right: bool, noise: f64) -> Clip {
    let time_s: Vec<f64> = (0..FRAMES).map(|i| span_s * i as f64 / (FRAMES - 1) as f64).collect();
    let painted = Painted { noise, blur_px: 2.0, ..Painted::new(Body::Jupiter, "2035-11-01T19:32:00Z", SIDE, 42.0) };
    // Frames wander by whole pixels, as the motion says.
    let wander = |i: usize| [(i % 5) as f64 - 2.0, (i % 3) as f64 - 1.0];
    let mut sum = Image::new(SIDE, SIDE, 1);
    let mut frames = Vec::new();
    for (i, t) in time_s.iter().enumerate() {
        let turn = turned_deg(t - 0.5 * span_s) * if right { 1.0 } else { -1.0 };
        let paint =
            |centre, noise| Painted { turn_deg: turn, seed: i as u64 + 1, centre, noise, ..painted.clone() }.paint();
        let [x, y] = wander(i);
        let frame = paint([painted.centre[0] + x, painted.centre[1] + y], noise);
        let still = paint(painted.centre, 0.0);
        sum.data.iter_mut().zip(&still.data).for_each(|(s, v)| *s += v / FRAMES as f32);
        sum.info = still.info;
        frames.push(Frame {
            index: i,
            region: Region::whole(SIDE, SIDE),
            layout: Layout::Mono,
            data: frame.data.into(),
        });
    }
    let info = stillair_api::ClipInfo { time_s: time_s.clone().into(), ..clip_info(FRAMES, SIDE, SIDE, Layout::Mono) };
    let middle = 0.5 * (SIDE as f64 - 1.0);
    let places = (0..FRAMES).map(|i| GlobalRow::at(middle + wander(i)[0], middle + wander(i)[1])).collect();
    let motion = Motion { global: Some(places), ..Motion::default() };
    let bound = Bound::default()
        .with("image", Value::Image(Arc::new(sum)))
        .with("table", Value::Table(Arc::new(Table::for_frames(&time_s, Some(0.01)))))
        .with("motion", Value::Motion(Arc::new(motion)));
    Clip { bound, info, frames }
}

fn facts(oriented: bool) -> Facts {
    Painted::new(Body::Jupiter, "2035-11-01T19:32:00Z", SIDE, 42.0).facts(oriented)
}

fn sense(clip: &Clip, facts: &Facts) -> (Arc<Image>, TestContext) {
    let (image, _, context) = sensed(clip, facts);
    (image, context)
}

fn sensed(clip: &Clip, facts: &Facts) -> (Arc<Image>, Arc<Motion>, TestContext) {
    let context = TestContext::default();
    let plugin = stillair_derotate::plugin();
    let method = plugin.methods.iter().find(|m| m.describe().method == "derotate.sense").unwrap();
    let Node::Reduce(node) = method.create(&method.describe().defaults(), facts).unwrap() else { panic!("a reduce") };
    match &run_reduce(&*node, &context, &clip.bound, &clip.info, &clip.frames).unwrap()[..] {
        [Value::Image(image), Value::Motion(motion)] => (image.clone(), motion.clone(), context),
        other => panic!("{other:?}"),
    }
}

/// The clip with other places of its frames.
fn with_places(clip: &Clip, place: impl Fn(usize, GlobalRow) -> GlobalRow) -> Bound {
    let motion = clip.bound.motions("motion")[0];
    let places = motion.global.iter().flatten().enumerate().map(|(i, row)| place(i, *row)).collect();
    let motion = Motion { global: Some(places), ..Motion::default() };
    Bound::default()
        .with("image", Value::Image(clip.bound.image("image").unwrap().clone()))
        .with("table", Value::Table(clip.bound.table("table").unwrap().clone()))
        .with("motion", Value::Motion(Arc::new(motion)))
}

#[test]
fn places_that_followed_the_features_are_taken_back() {
    let mut clip = clip(240.0, true, 0.004);
    // Registration that went along by 0.7 px to the right and 0.3 px up over the clip.
    let went = |i: usize| i as f64 / (FRAMES - 1) as f64 - 0.5;
    clip.bound = with_places(&clip, |i, row| GlobalRow::at(row.x_px + 0.7 * went(i), row.y_px - 0.3 * went(i)));
    for oriented in [true, false] {
        let (image, motion, context) = sensed(&clip, &facts(oriented));
        assert_eq!(image.info.globe.as_ref().unwrap().oriented, oriented);
        assert!(context.warnings.lock().unwrap().is_empty());
        let local = motion.local.as_ref().unwrap();
        let whole = [0, 1].map(|k| f64::from(local.shift_px[FRAMES - 1][k] - local.shift_px[0][k]));
        assert!((whole[0] + 0.7).abs() < 0.08 && (whole[1] - 0.3).abs() < 0.08, "{oriented}: {whole:?}");
    }
}

#[test]
fn a_long_clip_tells_which_way_its_globe_turns() {
    for right in [true, false] {
        let clip = clip(240.0, right, 0.004);
        let (image, context) = sense(&clip, &facts(false));
        let share = context.number("rotation-share").unwrap();
        // All of the rotation by the IAU's rate, within what noise and the blur's motion leave.
        assert!((share.abs() - 1.0).abs() < 0.3, "{share}");
        let globe = image.info.globe.as_ref().unwrap();
        // The fit may have found the south pole: right of the one is left of the other.
        let north = globe.pole_rad.to_degrees() - 17.3;
        let upright = (north + 180.0).rem_euclid(360.0) - 180.0;
        assert!(upright.abs() < 2.0 || upright.abs() > 178.0, "{upright}");
        let expected = right == (upright.abs() < 90.0);
        assert!(globe.sense_measured && !globe.oriented);
        assert_eq!(globe.turn_rad_per_s > 0.0, expected, "right {right}, share {share}");
        // derotate.spheroid takes it up.
        let bound = Bound::default()
            .with("image", Value::Image(image.clone()))
            .with("table", Value::Table(clip.bound.table("table").unwrap().clone()));
        let values = transform("derotate.spheroid", &facts(false)).run(&TestContext::default(), &bound).unwrap();
        let Value::Motion(motion) = &values[0] else { panic!("a motion") };
        let spin = motion.spin.as_ref().unwrap();
        let turned = (spin.turn_rad[FRAMES - 1] - spin.turn_rad[0]).to_degrees();
        let way = if expected { 1.0 } else { -1.0 };
        assert!((turned - way * turned_deg(240.0)).abs() < 0.01, "{turned}");
    }
}

#[test]
fn what_is_known_or_does_not_show_is_not_measured() {
    let long = clip(240.0, true, 0.004);
    let (short, context) = sense(&clip(8.0, true, 0.004), &facts(false));
    assert!(short.info.globe.is_none() && context.number("rotation-share").is_none());
    assert!(sense(&long, &Facts::default()).0.info.globe.is_none());
    // A clip in which nothing turns though the sky says that it should: a wrong date or target.
    let mut still = clip(240.0, true, 0.004);
    let first = still.frames[0].data.clone();
    for frame in &mut still.frames {
        frame.data.clone_from(&first);
    }
    let middle = 0.5 * (SIDE as f64 - 1.0);
    still.bound = with_places(&still, |_, _| GlobalRow::at(middle - 2.0, middle - 1.0));
    let (still, context) = sense(&still, &facts(false));
    assert!(still.info.globe.is_none());
    assert!(format!("{:?}", context.entries.lock().unwrap()).contains("does not show which way"));
}
