//! Painted pictures of a turning planet through red, green and blue filters become one picture in colour.

use std::sync::Arc;

use crate::common::{Painted, transform};
use stillair_api::testing::TestContext;
use stillair_api::{Bound, Facts, Image, Value};
use stillair_maths::fft::Fft2;
use stillair_maths::registration::{BandSet, NewtonScratch, newton_shift, whitening};
use stillair_sky::{Body, Observer, Sky};

/// Contrast of the belts and the spots in red, green and blue: Jupiter's belts are strongest in blue (textbook).
const CONTRASTS: [(f64, f64); 3] = [(0.03, 0.06), (0.07, 0.05), (0.12, 0.03)];

/// Jupiter in a colour, as it stood some seconds after the instant.
fn jupiter(seconds: f64, colour: usize, seed: u64) -> Painted {
    let (belts, spots) = CONTRASTS[colour];
    let turn_deg = 870.27 / 86_400.0 * seconds;
    let mut painted =
        Painted { turn_deg, seed, belts, spots, ..Painted::new(Body::Jupiter, "2035-11-01T19:32:00Z", 150, 45.0) };
    // Each clip's window lies a little differently.
    painted.centre = [painted.centre[0] + 0.37 * seed as f64 % 1.3, painted.centre[1] - 0.53 * seed as f64 % 0.9];
    painted
}

/// The stack of a clip, its globe placed.
fn stack(seconds: f64, colour: usize, filter: &str, seed: u64) -> Arc<Image> {
    let painted = jupiter(seconds, colour, seed);
    let mut image = painted.paint();
    image.info.middle_unix_ns = image.info.middle_unix_ns.map(|t| t + (seconds * 1e9) as i64);
    image.info.filter = (!filter.is_empty()).then(|| filter.to_string());
    image.info.wavelength_nm = vec![match filter {
        "" => 550.0,
        "methane" => 889.0,
        _ => [610.0, 535.0, 460.0][colour],
    }];
    let bound = Bound::default().with("image", Value::Image(Arc::new(image)));
    let facts = painted.facts(true);
    match &transform("derotate.geometry", &facts).run(&TestContext::default(), &bound).unwrap()[0] {
        Value::Image(image) => image.clone(),
        other => panic!("{other:?}"),
    }
}

fn merged(images: &[Arc<Image>]) -> (Arc<Image>, TestContext) {
    let context = TestContext::default();
    let bound = images.iter().fold(Bound::default(), |b, i| b.with("image", Value::Image(i.clone())));
    match &transform("derotate.merge", &Facts::default()).run(&context, &bound).unwrap()[0] {
        Value::Image(image) => (image.clone(), context),
        other => panic!("{other:?}"),
    }
}

/// What a colour shows at the instant, without noise, where the stack of `seed` lies.
fn truth(colour: usize, seed: u64) -> Image {
    Painted { noise: 0.0, ..jupiter(0.0, colour, seed) }.paint()
}

/// Shift of a plane against what it should show, px.
fn shift(plane: &[f32], truth: &Image) -> [f64; 2] {
    let (width, height) = (truth.width, truth.height);
    let plan = Fft2::new(width, height);
    let bands = BandSet::new(width, height, 0.02, 0.25);
    let packed = |data: &[f32]| {
        let level = data[0];
        let above: Vec<f32> = data.iter().map(|v| v - level).collect();
        let mut spectrum = plan.spectrum();
        plan.forward(&above, &mut spectrum, &mut plan.scratch());
        bands.gather(&spectrum)
    };
    let reference = packed(&truth.data);
    let weights = whitening(&bands, &reference, 0.5);
    let fit = newton_shift(&bands, &packed(plane), &reference, &weights, (0.0, 0.0), 30, &mut NewtonScratch::default());
    [fit.dx, fit.dy]
}

/// Rms difference of three planes from the truth inside the disc, each after a factor of brightness.
fn error(planes: [&[f32]; 3], seed: u64) -> f64 {
    let mut total = 0.0;
    for (colour, plane) in planes.into_iter().enumerate() {
        let truth = truth(colour, seed);
        let centre = jupiter(0.0, colour, seed).centre;
        let pairs: Vec<(f64, f64)> = (0..truth.area())
            .filter(|i| ((i % truth.width) as f64 - centre[0]).hypot((i / truth.width) as f64 - centre[1]) < 43.0)
            .map(|i| (f64::from(plane[i]) - 0.01, f64::from(truth.data[i]) - 0.01))
            .collect();
        let gain = pairs.iter().map(|(a, b)| a * b).sum::<f64>() / pairs.iter().map(|(a, _)| a * a).sum::<f64>();
        total += pairs.iter().map(|(a, b)| (gain * a - b).powi(2)).sum::<f64>() / pairs.len() as f64;
    }
    (total / 3.0).sqrt()
}

#[test]
fn red_green_and_blue_clips_become_one_picture() {
    let clips = [stack(-180.0, 0, "R", 1), stack(0.0, 1, "green", 2), stack(180.0, 2, "B", 3)];
    let (whole, context) = merged(&clips);
    assert_eq!((whole.channels, whole.info.wavelength_nm.as_slice()), (3, &[610.0, 535.0, 460.0][..]));
    assert!(whole.info.filter.is_none() && whole.halves.is_some() && !whole.info.from_mosaic);
    assert!(context.warnings.lock().unwrap().is_empty());
    let places: Vec<[f64; 2]> = (0..3).map(|c| shift(whole.channel(c), &truth(c, 2))).collect();
    // The goal: colours lie on each other to a tenth of a pixel.
    for colour in [0, 2] {
        let off = (places[colour][0] - places[1][0]).hypot(places[colour][1] - places[1][1]);
        assert!(off < 0.1, "{places:?}");
    }
    let found = error([whole.channel(0), whole.channel(1), whole.channel(2)], 2);
    let unregistered = error([clips[0].channel(0), clips[1].channel(0), clips[2].channel(0)], 2);
    // The same registered by the outline alone, the rotation left in.
    let still: Vec<_> = clips
        .iter()
        .map(|clip| {
            let mut clip = (**clip).clone();
            clip.info.globe = None;
            Arc::new(clip)
        })
        .collect();
    let (still, _) = merged(&still);
    let turning = error([still.channel(0), still.channel(1), still.channel(2)], 2);
    // Each colour has the noise of its one stack, 0.002: what misplacing adds must stay below it.
    assert!(found < 0.0025 && found < 0.25 * unregistered && found < 0.5 * turning, "{found} {unregistered} {turning}");
}

#[test]
fn sequences_of_colours_are_added_colour_by_colour() {
    let colours = [(0, "R"), (1, "G"), (2, "B")];
    let clips: Vec<_> = (0..6)
        .map(|i| {
            stack(-300.0 + 120.0 * f64::from(i), colours[i as usize % 3].0, colours[i as usize % 3].1, 4 + i as u64)
        })
        .collect();
    let (whole, context) = merged(&clips);
    for (a, b) in [(1, 4), (2, 5), (3, 6)] {
        let weight = |i: i32| context.number(&format!("weight-{i}")).unwrap();
        assert!((weight(a) + weight(b) - 1.0).abs() < 1e-9 && (weight(a) - 0.5).abs() < 0.1, "{a}: {}", weight(a));
    }
    // The canvas is that of the clip nearest to the instant: the third of six.
    let both = error([whole.channel(0), whole.channel(1), whole.channel(2)], 6);
    let (one, _) = merged(&clips[1..4]);
    let single = error([one.channel(2), one.channel(0), one.channel(1)], 6);
    assert!(both < 0.002 && both < single, "{both} {single}");
}

#[test]
fn light_through_no_filter_lowers_the_noise() {
    let colours = [stack(-60.0, 0, "R", 1), stack(0.0, 1, "G", 2), stack(60.0, 2, "B", 3)];
    // All light: what the colours show on average, of a third of the noise.
    let mut clear = (*stack(20.0, 1, "L", 9)).clone();
    let layers: Vec<Image> = (0..3)
        .map(|c| Painted { noise: 0.0, centre: jupiter(20.0, 1, 9).centre, ..jupiter(20.0, c, 9) }.paint())
        .collect();
    let noise: Vec<f32> = {
        let clean = Painted { noise: 0.0, ..jupiter(20.0, 1, 9) }.paint();
        clear.data.iter().zip(&clean.data).map(|(a, b)| (a - b) / 3.0).collect()
    };
    for (at, value) in clear.data.iter_mut().enumerate() {
        *value = layers.iter().map(|l| l.data[at]).sum::<f32>() / 3.0 + noise[at];
    }
    let halves =
        [1.0, -1.0].map(|side: f32| clear.data.iter().zip(&noise).map(|(v, n)| v + side * n).collect::<Vec<f32>>());
    clear.halves = Some(halves);
    let without = merged(&colours).0;
    let all: Vec<_> = colours.iter().cloned().chain([Arc::new(clear)]).collect();
    let (with, context) = merged(&all);
    for name in ["red", "green", "blue"] {
        assert!((context.number(&format!("clear-{name}")).unwrap() - 1.0 / 3.0).abs() < 0.15, "{name}");
    }
    let of = |image: &Image| error([image.channel(0), image.channel(1), image.channel(2)], 2);
    assert!(of(&with) < of(&without), "{} {}", of(&with), of(&without));
}

#[test]
fn a_colour_without_a_clip_is_said() {
    let words = |clips: &[Arc<Image>]| {
        let (whole, context) = merged(clips);
        assert_eq!(whole.channels, 1);
        context.warnings.lock().unwrap().join(" | ")
    };
    let (red, green, blue) = (stack(-60.0, 0, "R", 1), stack(0.0, 1, "G", 2), stack(60.0, 2, "", 3));
    let said = words(&[red.clone(), green.clone()]);
    assert!(said.contains("no clip through a blue filter"), "{said}");
    // The same three, but the session of the last says nothing of its filter.
    let said = words(&[red.clone(), green.clone(), blue]);
    assert!(said.contains("clip 3 states no filter") && said.contains("[camera] filter"), "{said}");
    // Clips through one filter are no colours at all.
    assert_eq!(words(&[red.clone(), stack(60.0, 0, "Red", 5)]), "");
    // A filter beside the three takes no part.
    let (whole, context) = merged(&[red, green, stack(60.0, 2, "B", 3), stack(90.0, 2, "methane", 7)]);
    assert_eq!(whole.channels, 3);
    assert!(context.warnings.lock().unwrap().join("").contains("clip 4 went through a filter that is none of"));
}

/// The moon beside the disc nearest to it: its name's place right of and along the pole, radii, some seconds after the
/// instant. The theory and its checks are stillair-sky's (tests/moons.rs there, against PyMeeus).
fn moon(seconds: f64, which: Option<usize>) -> (usize, [f64; 2]) {
    let utc: jiff::Timestamp = MOON_UTC.parse().unwrap();
    let then = utc + jiff::SignedDuration::from_millis((1000.0 * seconds) as i64);
    let moons = Sky::at(then, Observer::Geocentre).unwrap().moons(Body::Jupiter);
    let far = |i: usize| moons[i].offset.x_radii.abs();
    let which = which.unwrap_or_else(|| {
        let beside = (0..moons.len()).filter(|&i| far(i) > 1.3 && !moons[i].occulted);
        beside.min_by(|a, b| far(*a).total_cmp(&far(*b))).unwrap()
    });
    (which, [-moons[which].offset.x_radii, moons[which].offset.y_radii])
}

const MOON_UTC: &str = "2035-11-01T19:32:00Z";

/// Painted stacks through red, green and blue filters, so many seconds apart, each with its globe placed; `scene` paints
/// by seconds from the middle, colour and seed.
fn three_filters(apart_s: f64, scene: impl Fn(f64, usize, u64) -> Painted) -> Vec<Arc<Image>> {
    let clips = [(-apart_s, 0, "R"), (0.0, 1, "G"), (apart_s, 2, "B")].into_iter().zip(1..);
    let placed = |((seconds, colour, filter), seed): ((f64, usize, &str), u64)| {
        let painted = scene(seconds, colour, seed);
        let mut image = painted.paint();
        image.info.middle_unix_ns = image.info.middle_unix_ns.map(|t| t + (seconds * 1e9) as i64);
        image.info.filter = Some(filter.to_string());
        let bound = Bound::default().with("image", Value::Image(Arc::new(image)));
        match &transform("derotate.geometry", &painted.facts(true)).run(&TestContext::default(), &bound).unwrap()[0] {
            Value::Image(image) => image.clone(),
            other => panic!("{other:?}"),
        }
    };
    clips.map(placed).collect()
}

/// How far the centre of what `light` gives by pixel lies from a place of the painted globe's pole frame, px, within
/// `reach_px` of it and above `least`.
fn spot_off_px(
    globe: &Painted,
    [x, y]: [f64; 2],
    (reach_px, least): (f64, f64),
    side: usize,
    light: impl Fn(usize) -> f64,
) -> f64 {
    let (sin, cos) = globe.pole_deg.to_radians().sin_cos();
    let at = [globe.centre[0] + 45.0 * (x * cos + y * sin), globe.centre[1] + 45.0 * (x * sin - y * cos)];
    let mut sums = [0.0; 3];
    for pixel in 0..side * side {
        let (u, v) = ((pixel % side) as f64 - at[0], (pixel / side) as f64 - at[1]);
        let value = light(pixel);
        if u.hypot(v) < reach_px && value > least {
            sums = [sums[0] + value, sums[1] + value * u, sums[2] + value * v];
        }
    }
    (sums[1] / sums[0]).hypot(sums[2] / sums[0])
}

#[test]
fn a_moon_beside_the_disc_is_one_spot_in_all_colours() {
    let (which, there) = moon(0.0, None);
    assert!(there[0].abs() < 3.5, "{there:?}");
    let side = 340;
    let scene = |seconds: f64, colour: usize, seed: u64| {
        let (_, place) = moon(seconds, Some(which));
        Painted {
            side,
            centre: [0.5 * (side as f64 - 1.0) + 0.4 * seed as f64, 0.5 * (side as f64 - 1.0) - 0.3],
            moon: Some((place, 0.05, 0.8)),
            ..jupiter(seconds, colour, seed)
        }
    };
    let clips = three_filters(200.0, scene);
    let way = moon(200.0, Some(which)).1[0] - moon(-200.0, Some(which)).1[0];
    assert!(way.abs() * 45.0 > 1.0, "the moon hardly moves: {way}");
    let (whole, _) = merged(&clips);
    // The light's centre about the moon's place at the instant, as the middle clip has it.
    let middle = scene(0.0, 1, 2);
    for colour in 0..3 {
        let plane = whole.channel(colour);
        let off_px = spot_off_px(&middle, there, (8.0, 0.03), side, |i| f64::from(plane[i]) - 0.01);
        assert!(off_px < 0.2, "{colour}: {off_px}");
    }
}

/// Io's shadow beside the middle of the disc, in the pole's frame of an unmirrored picture, at an instant.
fn shadow_of_io(utc: jiff::Timestamp) -> Option<[f64; 2]> {
    let moons = Sky::at(utc, Observer::Geocentre).unwrap().moons(Body::Jupiter);
    let place = moons[0].shadow?;
    (place.x_radii.abs() < 0.4).then_some([-place.x_radii, place.y_radii])
}

// The theory of the moons' motions is tested in stillair-sky against others. Io's radius is 1821 km, Jupiter's 71 492 (NASA's
// fact sheets).
#[test]
fn a_shadow_on_the_globe_is_one_spot_in_all_colours() {
    let first: jiff::Timestamp = "2035-11-01T19:32:00Z".parse().unwrap();
    let after = |of: jiff::Timestamp, seconds: f64| {
        jiff::Timestamp::from_nanosecond(of.as_nanosecond() + (seconds * 1e9) as i128).unwrap()
    };
    let seen = |utc| [-300.0, 300.0].iter().all(|s| shadow_of_io(after(utc, *s)).is_some());
    let middle = (0..500).map(|i| after(first, 600.0 * f64::from(i))).find(|utc| seen(*utc)).unwrap();
    let utc: &'static str = Box::leak(middle.to_string().into_boxed_str());
    let scene = |seconds: f64, colour: usize, seed: u64| Painted {
        utc,
        moon: Some((shadow_of_io(after(middle, seconds)).unwrap(), 1821.0 / 71_492.0, 0.01)),
        ..jupiter(seconds, colour, seed)
    };
    let clips = three_filters(300.0, scene);
    let (whole, _) = merged(&clips);
    let there = shadow_of_io(middle).unwrap();
    let keeper = scene(0.0, 1, 2);
    for colour in 0..3 {
        let clean = Painted { noise: 0.0, moon: None, centre: keeper.centre, ..scene(0.0, colour, 2) }.paint();
        let plane = whole.channel(colour);
        let missing = |i: usize| f64::from(clean.data[i] - plane[i]);
        let off_px = spot_off_px(&keeper, there, (5.0, 0.02), whole.width, missing);
        assert!(off_px < 0.35, "{colour}: {off_px}");
    }
}
