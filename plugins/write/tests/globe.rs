//! Maps and labelled copies of a picture whose globe is known: an invented Jupiter, placed and turned as the sky of one
//! evening has it (stillair-sky, checked on its own against DE421 and CSPICE).

use std::io::Cursor;
use std::path::Path;
use std::sync::Arc;

use crate::common;
use jiff::Timestamp;
use stillair_api::testing::TestContext;
use stillair_api::{
    Bound, Entry, FactOrigin, FactValue, Facts, FaultKind, Globe, Image, Node, Outcome, ParameterValue, Value,
};
use stillair_sky::{Body, Observer, PictureOrientation, Sky, Spheroid};

const ARCSEC_PER_PX: f64 = 0.25;
const CENTRE_PX: [f64; 2] = [290.0, 150.0];

fn sky() -> Sky {
    let utc: Timestamp = "2031-06-15T22:40:00Z".parse().unwrap();
    Sky::at(utc, Observer::Geocentre).unwrap()
}

/// Jupiter with up at position angle 20 degrees, its moons as small discs.
fn jupiter(mirrored: bool) -> Image {
    let sky = sky();
    let disc = sky.disc(Body::Jupiter);
    let up_position_angle_deg = 20.0;
    let lay = PictureOrientation { up_position_angle_deg, mirrored };
    let globe = Spheroid::of_disc(&disc, None);
    let radius_px = disc.equatorial_diameter_arcsec / 2.0 / ARCSEC_PER_PX;
    let mut image = Image::new(560, 300, 3);
    for y in 0..300 {
        for x in 0..560 {
            let (east, north) = lay.from_px(x as f64 - CENTRE_PX[0], y as f64 - CENTRE_PX[1], 1.0 / radius_px);
            let Some(seen) = globe.locate(east, north) else { continue };
            let latitude = seen.point.planetographic_lat_deg;
            let belt = if (7.0..18.0).contains(&latitude.abs()) { 0.55 } else { 0.9 };
            let (dx, dy) = (seen.point.longitude_deg - disc.sub_observer.longitude_deg - 20.0, latitude + 22.0);
            let spot = if dx * dx / 100.0 + dy * dy / 25.0 < 1.0 { 0.6 } else { 1.0 };
            for (channel, tint) in [1.0, 0.88, 0.72].into_iter().enumerate() {
                let light = belt * spot * seen.cos_emission.powf(0.8) * tint;
                image.channel_mut(channel)[y * 560 + x] = light as f32;
            }
        }
    }
    for moon in sky.moons(Body::Jupiter).iter().filter(|m| !m.occulted) {
        let (dx, dy) = lay.to_px(moon.offset.east_arcsec, moon.offset.north_arcsec, ARCSEC_PER_PX);
        let radius = moon.diameter_arcsec / 2.0 / ARCSEC_PER_PX;
        for y in 0..300 {
            for x in 0..560 {
                let off = (x as f64 - CENTRE_PX[0] - dx).hypot(y as f64 - CENTRE_PX[1] - dy);
                if off < radius {
                    (0..3).for_each(|channel| image.channel_mut(channel)[y * 560 + x] = 0.7);
                }
            }
        }
    }
    let sign = if mirrored { 1.0 } else { -1.0 };
    image.info.globe = Some(Globe {
        body: "jupiter".into(),
        unix_ns: "2031-06-15T22:40:00Z".parse::<Timestamp>().unwrap().as_nanosecond() as i64,
        x_px: CENTRE_PX[0],
        y_px: CENTRE_PX[1],
        equatorial_radius_px: radius_px,
        axis_ratio: Body::Jupiter.axis_ratio(),
        arcsec_per_px: ARCSEC_PER_PX,
        pole_rad: sign * (disc.pole_position_angle_deg - up_position_angle_deg).to_radians(),
        pole_sigma_rad: 0.01,
        oriented: true,
        mirrored,
        latitude_rad: disc.sub_observer.planetocentric_lat_deg.to_radians(),
        turn_rad_per_s: -sign * 1.758e-4,
        sense_measured: false,
        central_meridian_deg: disc.sub_observer.longitude_deg,
        central_meridian_i_deg: disc.central_meridian_i_deg,
        central_meridian_ii_deg: disc.central_meridian_ii_deg,
        phase_rad: disc.phase_angle_deg.to_radians(),
        bright_limb_rad: 0.0,
        sun_latitude_rad: disc.sub_solar.planetocentric_lat_deg.to_radians(),
        sun_longitude_rad: sign * (disc.sub_solar.longitude_deg - disc.sub_observer.longitude_deg).to_radians(),
        doubts: Vec::new(),
    });
    image
}

/// What a sink writes of a picture, and what it warns of or leaves out.
fn written(
    method: &str,
    set: &[(&str, ParameterValue)],
    facts: &Facts,
    image: Image,
) -> Outcome<(Vec<u8>, Vec<String>)> {
    let plugin = stillair_write::plugin();
    let found = plugin.methods.iter().find(|m| m.describe().method == method).expect("the method is there");
    let mut parameters = found.describe().defaults();
    for (name, value) in set {
        assert!(parameters.0.insert((*name).into(), value.clone()).is_some());
    }
    let Node::Sink(sink) = found.create(&parameters, facts)? else { panic!("no sink") };
    let context = TestContext::default();
    let bound = Bound { provenance: common::PROVENANCE.into(), ..Bound::default() };
    let mut run = sink.start(&context, &bound.with("image", Value::Image(Arc::new(image))), None)?;
    let mut file = Cursor::new(Vec::new());
    run.begin(&context, &mut file)?;
    run.end(&context, &mut file)?;
    let mut warnings = context.warnings.lock().unwrap().clone();
    warnings.extend(context.entries.lock().unwrap().iter().filter_map(|entry| match entry {
        Entry::Text { name, value } if name == "left-out" => Some(value.clone()),
        _ => None,
    }));
    Ok((file.into_inner(), warnings))
}

fn read(bytes: &[u8]) -> (png::Info<'static>, Vec<u16>) {
    let mut reader = png::Decoder::new(Cursor::new(bytes)).read_info().expect("a PNG");
    let mut samples = vec![0; reader.output_buffer_size().expect("a size")];
    reader.next_frame(&mut samples).expect("pixels");
    reader.finish().expect("whole");
    let values = samples.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect();
    (reader.info().clone(), values)
}

/// Keeps a file where it can be looked at.
fn keep(name: &str, bytes: &[u8]) {
    std::fs::write(Path::new(env!("CARGO_TARGET_TMPDIR")).join(name), bytes).unwrap();
}

fn text_of(info: &png::Info<'_>, keyword: &str) -> String {
    let found = info.utf8_text.iter().find(|text| text.keyword == keyword).expect("the text is there");
    found.get_text().unwrap()
}

#[test]
fn a_labelled_copy_keeps_the_picture_and_adds_a_band() {
    let mut facts = Facts::default();
    for (name, value) in [("site.latitude_deg", -12.0), ("site.longitude_deg", 81.0)] {
        facts.set(name, FactValue::Number(value), FactOrigin::Session);
    }
    for (mirrored, net) in [(false, false), (true, true)] {
        let image = jupiter(mirrored);
        let plain = read(&written("write.png", &[], &Facts::default(), image.clone()).unwrap().0).1;
        let (bytes, warnings) =
            written("write.labelled", &[("net", ParameterValue::Flag(net))], &facts, image).unwrap();
        keep(&format!("labelled-{mirrored}.png"), &bytes);
        assert!(warnings.is_empty(), "{warnings:?}");
        let (info, values) = read(&bytes);
        assert!(info.width >= 560 && info.height >= 420);
        assert_eq!(text_of(&info, "Description"), common::PROVENANCE);
        let left = (info.width as usize - 560) / 2;
        let same = (0..300)
            .flat_map(|y| (0..560 * 3).map(move |i| (y, i)))
            .filter(|(y, i)| values[(y * info.width as usize + left) * 3 + i] == plain[y * 560 * 3 + i])
            .count();
        // Labels cover a little of the picture, the net a little more; everything else is untouched.
        let share = same as f64 / plain.len() as f64;
        assert!(share > if net { 0.93 } else { 0.985 } && share < 1.0, "{share}");
    }
}

#[test]
fn what_is_not_known_is_left_out_with_words() {
    let mut image = jupiter(false);
    image.info.globe.as_mut().unwrap().oriented = false;
    let (_, warnings) = written("write.labelled", &[], &Facts::default(), image.clone()).unwrap();
    assert!(warnings.len() == 1 && warnings[0].contains("[orientation]"), "{warnings:?}");
    let (_, warnings) = written("write.map", &[], &Facts::default(), image.clone()).unwrap();
    assert!(warnings.len() == 1 && warnings[0].contains("upright"), "{warnings:?}");
    image.info.globe = None;
    let (bytes, warnings) = written("write.labelled", &[], &Facts::default(), image.clone()).unwrap();
    keep("labelled-bare.png", &bytes);
    assert!(warnings[0].contains("derotate.geometry"), "{warnings:?}");
    let fault = written("write.map", &[], &Facts::default(), image).unwrap_err();
    assert!(fault.kind == FaultKind::Data && fault.to_string().contains("derotate.geometry"), "{fault}");
}

#[test]
fn a_map_is_transparent_where_nothing_is_known_and_says_its_conventions() {
    let (bytes, _) =
        written("write.map", &[("system", common::text("iii"))], &Facts::default(), jupiter(false)).unwrap();
    keep("map.png", &bytes);
    let (info, values) = read(&bytes);
    assert_eq!(info.color_type, png::ColorType::Rgba);
    let conventions: serde_json::Value = serde_json::from_str(&text_of(&info, "Map")).unwrap();
    let px_per_deg = conventions["px_per_deg"].as_f64().unwrap();
    assert_eq!((info.width, info.height), ((360.0 * px_per_deg) as u32, (180.0 * px_per_deg) as u32));
    assert_eq!(conventions["longitude"], "System III, west, degrees");
    assert_eq!(conventions["latitude"], "planetographic, degrees");
    let meridian_deg = conventions["central_meridian_deg"].as_f64().unwrap();
    let at = |latitude_deg: f64, longitude_deg: f64| {
        let column = ((360.0 - longitude_deg).rem_euclid(360.0) * px_per_deg) as usize;
        let row = ((90.0 - latitude_deg) * px_per_deg) as usize;
        let index = (row * info.width as usize + column) * 4;
        (values[index], values[index + 3])
    };
    // Valid on the near side, unknown beyond; the belt is dark, and the mirrored picture gives the same map.
    assert_eq!(at(0.0, meridian_deg + 30.0).1, 65_535);
    assert_eq!(at(0.0, meridian_deg + 180.0), (0, 0));
    assert!(at(12.0, meridian_deg).0 < at(0.0, meridian_deg).0);
    // The spot lies 20 degrees of west longitude ahead of the meridian, at 22 degrees south.
    assert!(at(-22.0, meridian_deg + 20.0).0 < at(-22.0, meridian_deg - 20.0).0);
    let (mirrored, _) =
        written("write.map", &[("system", common::text("iii"))], &Facts::default(), jupiter(true)).unwrap();
    let (_, of_mirrored) = read(&mirrored);
    let differ = values.iter().zip(&of_mirrored).filter(|(a, b)| a.abs_diff(**b) > 2000).count();
    // Both pictures are drawn on pixels of their own: only edges of belts, spot and moons may differ.
    assert!(differ * 50 < values.len(), "{differ} of {}", values.len());
}

/// Upright, the picture of a mirrored and turned telescope shows the same face as the one that is not; turned towards
/// larger longitudes, the spot (20 degrees of west longitude ahead) comes to the middle.
#[test]
fn a_turned_globe_stands_upright() {
    let turned = |mirrored: bool, turn_deg: f64| {
        let set = [("turn_deg", ParameterValue::Number(turn_deg))];
        let bytes = written("write.turned", &set, &Facts::default(), jupiter(mirrored)).unwrap().0;
        keep(&format!("turned-{mirrored}-{turn_deg}.png"), &bytes);
        read(&bytes)
    };
    let (info, upright) = turned(false, 0.0);
    let side = info.width as usize;
    let differ = upright.iter().zip(&turned(true, 0.0).1).filter(|(a, b)| a.abs_diff(**b) > 2000).count();
    assert!(differ * 50 < upright.len(), "{differ}");
    // Along the spot's parallel, seen from nearly above the equator, its middle lies sin(22) of the polar radius down.
    let (_, values) = turned(false, 20.0);
    let radius_px = (side as f64 / 2.2).floor();
    let row = side / 2 + (radius_px * 0.93 * (22.0f64.to_radians().sin() - 0.045)).round() as usize;
    let dark: Vec<usize> = (side / 2 - 30..side / 2 + 30).filter(|x| values[(row * side + x) * 4] < 50_000).collect();
    let middle = (dark[0] + dark[dark.len() - 1]) as f64 / 2.0;
    assert!((middle - side as f64 / 2.0).abs() < 2.0 && dark.len() > 10, "{dark:?}");
    // The side that the picture did not show is transparent.
    assert_eq!(values[(side / 2 * side + side / 2) * 4 + 3], 65_535);
    let left_limb = (side / 2 * side + side / 2 - (radius_px * 0.97) as usize) * 4 + 3;
    assert_eq!(values[left_limb], 0);
}
