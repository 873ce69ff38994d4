//! Rising, transit, setting and twilight against ephem (data/rise_set.toml).

use crate::common::{self, get, rows, table, text};
use jiff::Timestamp;
use stillair_sky::{Air, Event, EventKind, Site, SkyError, Target, Track};

fn track(row: &toml::Value, target: Target) -> Track {
    let site = Site::new(get(row, "latitude_deg"), get(row, "longitude_deg"), 0.0).unwrap();
    let start: Timestamp = text(row, "start").parse().unwrap();
    let end = Timestamp::from_second(start.as_second() + 26 * 3600).unwrap();
    Track::new(target, site, Air::default(), start, end).unwrap()
}

fn first(events: &[Event], kind: EventKind) -> Timestamp {
    events.iter().find(|event| event.kind == kind).unwrap().utc
}

/// Within 5 s for the planets and the Sun; 10 s for the Moon, whose radius ephem takes 0.15 % larger.
#[test]
fn risings_transits_and_settings() {
    let data = table("rise_set.toml");
    assert_eq!(rows(&data, "row").len(), 54);
    for row in rows(&data, "row") {
        let target = match text(row, "body") {
            "sun" => Target::Sun,
            name => Target::Body(name.parse().unwrap()),
        };
        let events = track(row, target).events();
        for (key, kind) in [("rise", EventKind::Rise), ("transit", EventKind::Transit), ("set", EventKind::Set)] {
            let expected: Timestamp = text(row, key).parse().unwrap();
            let off_s = first(&events, kind).as_second() - expected.as_second();
            let allowed_s = if text(row, "body") == "moon" { 10 } else { 5 };
            assert!(off_s.abs() <= allowed_s, "{} {} {key}: {off_s} s", text(row, "site"), text(row, "body"));
        }
    }
}

#[test]
fn twilight() {
    let data = table("rise_set.toml");
    for row in rows(&data, "twilight") {
        let events = track(row, Target::Sun).events_at(-12.0);
        for (key, kind) in [("dawn", EventKind::Rise), ("dusk", EventKind::Set)] {
            let expected: Timestamp = text(row, key).parse().unwrap();
            let off_s = first(&events, kind).as_second() - expected.as_second();
            assert!(off_s.abs() <= 5, "{} {key}: {off_s} s", text(row, "site"));
        }
    }
}

/// Interpolating places costs less than an arcsec, even for the Moon.
#[test]
fn a_track_is_the_sky() {
    let site = Site::new(51.4769, -0.0005, 46.0).unwrap();
    let start: Timestamp = "2025-03-23T16:00:00Z".parse().unwrap();
    let end: Timestamp = "2025-03-24T16:00:00Z".parse().unwrap();
    for body in stillair_sky::Body::ALL {
        let track = Track::new(Target::Body(body), site, Air::default(), start, end).unwrap();
        for step in 0..37 {
            let utc = Timestamp::from_second(start.as_second() + step * 2347).unwrap();
            let sky = stillair_sky::Sky::at(utc, stillair_sky::Observer::Site(site)).unwrap();
            let exact = sky.horizon(body, &Air::default()).unwrap();
            let got = track.horizon(utc);
            common::near("altitude", got.altitude_deg, exact.altitude_deg, 1.0 / 3600.0);
        }
    }
}

#[test]
fn a_span_must_run_forwards_and_end() {
    let site = Site::new(50.0, 8.0, 100.0).unwrap();
    let at = |utc: &str| utc.parse::<Timestamp>().unwrap();
    let (early, late) = (at("2025-01-01T00:00:00Z"), at("2026-06-01T00:00:00Z"));
    for (start, end) in [(late, early), (early, late)] {
        let refused = Track::new(Target::Sun, site, Air::default(), start, end);
        assert!(matches!(refused, Err(SkyError::BadSpan { .. })));
    }
}
