//! Painted pictures of a turning planet become one.

use std::sync::Arc;

use crate::common::{Painted, transform};
use stillair_api::testing::TestContext;
use stillair_api::{Bound, Facts, Image, Value};
use stillair_sky::Body;

const UTC: &str = "2035-11-01T19:32:00Z";

/// Rotation of Jupiter's System II (870.27 degrees a day, IAU 2015) in seconds, degrees.
fn turned_deg(seconds: f64) -> f64 {
    870.27 / 86_400.0 * seconds
}

fn jupiter(seconds: f64, seed: u64) -> Painted {
    Painted { turn_deg: turned_deg(seconds), seed, ..Painted::new(Body::Jupiter, UTC, 150, 45.0) }
}

/// The picture `seconds` after the instant, its globe placed.
fn placed(painted: &Painted, seconds: f64, facts: &Facts) -> Arc<Image> {
    let mut image = painted.paint();
    image.info.middle_unix_ns = image.info.middle_unix_ns.map(|t| t + (seconds * 1e9) as i64);
    let bound = Bound::default().with("image", Value::Image(Arc::new(image)));
    match &transform("derotate.geometry", facts).run(&TestContext::default(), &bound).unwrap()[0] {
        Value::Image(image) => image.clone(),
        other => panic!("{other:?}"),
    }
}

fn merged(images: &[Arc<Image>]) -> (Arc<Image>, TestContext) {
    let context = TestContext::default();
    let bound = images.iter().fold(Bound::default(), |b, i| b.with("image", Value::Image(i.clone())));
    let values = transform("derotate.merge", &Facts::default()).run(&context, &bound).unwrap();
    match &values[0] {
        Value::Image(image) => (image.clone(), context),
        other => panic!("{other:?}"),
    }
}

/// Rms difference from a noiseless painting, after a factor, within a share of the radius; `about` gives the place.
fn error(image: &Image, painted: &Painted, share: f64) -> f64 {
    let truth = Painted { noise: 0.0, ..painted.clone() }.paint();
    let inside = |at: usize| {
        let (x, y) = ((at % image.width) as f64, (at / image.width) as f64);
        (x - painted.centre[0]).hypot(y - painted.centre[1]) < share * painted.radius_px
    };
    let pairs: Vec<(f64, f64)> = (0..image.area())
        .filter(|&i| inside(i))
        .map(|i| (f64::from(image.data[i]) - 0.01, f64::from(truth.data[i]) - 0.01))
        .collect();
    let gain = pairs.iter().map(|(a, b)| a * b).sum::<f64>() / pairs.iter().map(|(a, _)| a * a).sum::<f64>();
    (pairs.iter().map(|(a, b)| (gain * a - b).powi(2)).sum::<f64>() / pairs.len() as f64).sqrt()
}

#[test]
fn several_pictures_of_a_turning_globe_become_one() {
    let seconds = [-300.0, -100.0, 100.0, 300.0];
    let all: Vec<Painted> = seconds.iter().zip(1..).map(|(s, seed)| jupiter(*s, seed)).collect();
    let facts = all[0].facts(true);
    let images: Vec<_> = all.iter().zip(seconds).map(|(p, s)| placed(p, s, &facts)).collect();
    let (whole, context) = merged(&images);
    let truth = jupiter(0.0, 1);
    let derotated = error(&whole, &truth, 0.95);
    let plain = {
        let stripped: Vec<_> = images
            .iter()
            .map(|image| {
                let mut image = (**image).clone();
                image.info.globe = None;
                Arc::new(image)
            })
            .collect();
        error(&merged(&stripped).0, &truth, 0.95)
    };
    let single = error(&images[1], &truth, 0.95);
    // Noise falls to half of a single picture's 0.002; what is left is placing.
    assert!(derotated < 0.5 * plain && derotated < 0.5 * single && derotated < 0.002, "{derotated} {plain} {single}");
    let globe = whole.info.globe.as_ref().unwrap();
    let middle: jiff::Timestamp = UTC.parse().unwrap();
    assert_eq!(globe.unix_ns, middle.as_nanosecond() as i64);
    let there = truth.disc().sub_observer.longitude_deg;
    let off = (globe.central_meridian_deg - there + 180.0).rem_euclid(360.0) - 180.0;
    assert!(off.abs() < 0.05, "{off}");
    assert_eq!(whole.info.frames_used, 400);
    assert!(whole.halves.is_some());
    for i in 1..=4 {
        let weight = context.number(&format!("weight-{i}")).unwrap();
        assert!((weight - 0.25).abs() < 0.06, "{weight}");
    }
}

#[test]
fn without_an_orientation_the_sense_of_the_rotation_is_found() {
    let seconds = [-300.0, 0.0, 300.0];
    for mirrored in [false, true] {
        let paint = |s: f64, seed| {
            let turn = if mirrored { -turned_deg(s) } else { turned_deg(s) };
            Painted { turn_deg: turn, ..jupiter(s, seed) }
        };
        let images: Vec<_> = seconds
            .iter()
            .zip(1..)
            .map(|(s, seed)| placed(&paint(*s, seed), *s, &jupiter(0.0, 1).facts(false)))
            .collect();
        let (whole, context) = merged(&images);
        assert!(context.number("sense-ratio").unwrap() > 1.5);
        assert!(error(&whole, &jupiter(0.0, 1), 0.95) < 0.003);
    }
}

#[test]
fn scale_brightness_and_camera_angle_may_differ() {
    let first = jupiter(-120.0, 1);
    let mut second = Painted { radius_px: 36.0, side: 120, pole_deg: -20.0, ..jupiter(120.0, 2) };
    second.centre = [60.2, 58.9];
    let mut images = vec![placed(&first, -120.0, &first.facts(true)), placed(&second, 120.0, &second.facts(true))];
    let dim = Arc::make_mut(&mut images[1]);
    let halves = dim.halves.as_mut().unwrap();
    for value in dim.data.iter_mut().chain(halves.iter_mut().flatten()) {
        *value *= 0.4;
    }
    let (whole, _) = merged(&images);
    let truth = jupiter(0.0, 1);
    let worse = error(&images[0], &truth, 0.9);
    let found = error(&whole, &truth, 0.9);
    assert!(found < 0.6 * worse, "{found} {worse}");
}

#[test]
fn a_moon_that_moved_is_shown_once() {
    let seconds = [-400.0, -130.0, 140.0, 400.0];
    // A bright moon beside the disc and its dark shadow on it, moving a tenth of a radius from clip to clip.
    for (start, level) in [([-1.5, 0.1], 0.6), ([-0.2, 0.1], 0.02)] {
        let paint = |s: f64, seed: u64| {
            let place = [start[0] + s * 0.2 / 270.0, start[1]];
            Painted { moon: Some((place, 0.07, level)), ..jupiter(s, seed) }
        };
        let images: Vec<_> = seconds
            .iter()
            .zip(1..)
            .map(|(s, seed)| placed(&paint(*s, seed), *s, &jupiter(0.0, 1).facts(true)))
            .collect();
        let (whole, context) = merged(&images);
        assert!(context.number("moved").unwrap() > 0.0);
        let painted = jupiter(0.0, 1);
        let (sin, cos) = painted.pole_deg.to_radians().sin_cos();
        let at = |place: [f64; 2]| {
            let (u, v) = (place[0] * cos + place[1] * sin, place[0] * sin - place[1] * cos);
            let x = (painted.centre[0] + painted.radius_px * u).round() as usize;
            let y = (painted.centre[1] + painted.radius_px * v).round() as usize;
            f64::from(whole.data[y * whole.width + x])
        };
        let clean = Painted { noise: 0.0, ..painted.clone() }.paint();
        let clean_at = |place: [f64; 2]| {
            let (u, v) = (place[0] * cos + place[1] * sin, place[0] * sin - place[1] * cos);
            let x = (painted.centre[0] + painted.radius_px * u).round() as usize;
            let y = (painted.centre[1] + painted.radius_px * v).round() as usize;
            f64::from(clean.data[y * clean.width + x])
        };
        for (i, s) in seconds.iter().enumerate() {
            let place = [start[0] + s * 0.2 / 270.0, start[1]];
            let off = (at(place) - clean_at(place)).abs();
            if i == 1 {
                assert!(off > 0.1, "the moon at {place:?} is gone: {off}");
            } else {
                assert!(off < 0.015, "a ghost at {place:?}: {off}");
            }
        }
    }
}

// No moon stands on these pictures: all that differs is noise, the rotation, and the blur of the seeing.
#[test]
fn pictures_of_different_seeing_hold_no_moons() {
    let seconds = [-600.0, -200.0, 200.0, 600.0];
    // A sharp core in a wide halo, as of a long exposure through air (Racine 1996, PASP 108, 699, has such a profile).
    let halos = [(0.15, 7.0), (0.35, 9.0), (0.2, 8.0), (0.45, 11.0)];
    for (set, blurs_px) in [[1.4, 2.4, 1.6, 3.2], [3.0, 2.0, 2.8, 1.5]].into_iter().enumerate() {
        let paint = |i: usize| Painted {
            blur_px: blurs_px[i],
            halo: halos[(i + 3 * set) % 4],
            belts: 0.15,
            spots: 0.08,
            radius_px: 60.0,
            side: 200,
            centre: [99.0 + 0.3 * i as f64, 98.0],
            ..jupiter(seconds[i], (4 * set + i) as u64 + 1)
        };
        let images: Vec<_> = (0..4).map(|i| placed(&paint(i), seconds[i], &paint(0).facts(true))).collect();
        assert_eq!(merged(&images).1.number("moved"), Some(0.0), "{blurs_px:?}");
        // Io's shadow: radius 1821 of 71 492 km, 17.3 km/s (NASA's fact sheet of Jupiter's satellites), against the surface
        // a few px in all, in half the blur.
        let shaded = |i: usize| Painted {
            moon: Some(([-0.2 + 17.3 / 71_492.0 * seconds[i], 0.3], 0.0255, 0.02)),
            blur_px: 0.5 * blurs_px[i],
            ..paint(i)
        };
        let images: Vec<_> = (0..4).map(|i| placed(&shaded(i), seconds[i], &paint(0).facts(true))).collect();
        assert!(merged(&images).1.number("moved").unwrap() > 0.0, "{blurs_px:?}");
    }
}

#[test]
fn one_picture_goes_through_and_none_is_an_error() {
    let one = placed(&jupiter(0.0, 1), 0.0, &Facts::default());
    assert_eq!(*merged(std::slice::from_ref(&one)).0, *one);
    let nothing = transform("derotate.merge", &Facts::default()).run(&TestContext::default(), &Bound::default());
    assert!(nothing.is_err());
}
