//! The outlook against planning numbers (data/facts.toml, which names its sources) and against nights whose course is
//! known.

use crate::common::{self, body, get, near, number, rows, table, text};
use jiff::Timestamp;
use stillair_sky::optics::{SamplingVerdict, data_rate_mb_per_s};
use stillair_sky::outlook::{
    Caution, ClipLimit, Darkness, Gear, Mount, Outlook, OutlookRequest, TargetNight, outlook, window_px,
};
use stillair_sky::seeing::FreezeVerdict;
use stillair_sky::{Body, Epoch, EventKind, Observer, Site, Sky, SkyError, utc_jd};

const GREENWICH: (f64, f64) = (51.4769, -0.0005);

fn utc(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn request(site: (f64, f64), start: &str, end: &str) -> OutlookRequest {
    let gear = Gear {
        aperture_mm: Some(203.2),
        obstruction: 0.34,
        focal_mm: Some(4064.0),
        pixel_um: Some(2.9),
        colour_mosaic: true,
        exposure_ms: Some(10.0),
        sensor_px: Some((1936, 1096)),
    };
    OutlookRequest::new(Site::new(site.0, site.1, 50.0).unwrap(), utc(start), utc(end), gear)
}

fn target(outlook: &Outlook, night: usize, body: Body) -> &TargetNight {
    outlook.nights[night].targets.iter().find(|target| target.body == body).unwrap()
}

/// Jupiter at opposition on 2022 September 26 (facts.toml: 49.88 arcsec) from Greenwich.
#[test]
fn jupiter_at_opposition() {
    let got = outlook(&request(GREENWICH, "2022-09-26T12:00:00Z", "2022-09-27T12:00:00Z")).unwrap();
    assert_eq!(got.nights.len(), 1);
    assert_eq!(got.nights[0].darkness, Darkness::Dark);
    let jupiter = target(&got, 0, Body::Jupiter);
    let best = jupiter.best.as_ref().unwrap();
    near("diameter", best.disc.equatorial_diameter_arcsec, 49.88, 0.01);
    // At opposition a planet culminates at local midnight, give or take the equation of time (9 minutes).
    let transit = jupiter.events.iter().find(|event| event.kind == EventKind::Transit).unwrap();
    near("transit", (transit.utc.as_second() - got.nights[0].midnight.as_second()) as f64, 0.0, 900.0);
    near("best", best.utc.as_second() as f64, transit.utc.as_second() as f64, 60.0);
    // On the meridian the airless altitude is 90 - latitude + declination.
    near("altitude", best.horizon.airless_altitude_deg, 90.0 - GREENWICH.0 + best.disc.place.dec_of_date_deg, 0.01);
    // Scale of 4064 mm and 2.9 um (optics.toml): 0.147187 arcsec.
    near("scale", got.sampling.unwrap().arcsec_per_px, 0.147_187, 1e-6);
    near("disc", best.disc_px.unwrap(), 49.88 / 0.147_187, 0.1);
    assert_eq!(got.sampling.unwrap().verdict, SamplingVerdict::Over);
    // facts.toml: a 45 arcsec Jupiter moves by 0.1 arcsec in 25.28 s.
    near("clip", best.longest_clip_s.unwrap(), 25.28 * 1.471_87 * 45.0 / best.disc.equatorial_diameter_arcsec, 0.05);
    near("smear", best.smear_px.unwrap() * best.longest_clip_s.unwrap() / 90.0, 1.0, 1e-9);
    assert_eq!(best.clip_limit, Some(ClipLimit::Rotation));
    assert!(best.longest_field_rotation_clip_s.is_none());
    assert_eq!(best.freeze.unwrap().verdict, FreezeVerdict::Blurred);
    // At 38 degrees 450 and 650 nm lie 1.1 arcsec apart (atmosphere.toml: 1.03 at 40 degrees).
    assert!(matches!(jupiter.cautions[..], [Caution::Dispersion { .. }]), "{:?}", jupiter.cautions);
    near(
        "dispersion",
        best.dispersion_arcsec,
        1.0318 * (52.0f64).to_radians().tan() / (50.0f64).to_radians().tan(),
        0.03,
    );
    assert!(got.cautions.contains(&Caution::FinderLaser));
    // Meridians of the samples are the sky's.
    for sample in jupiter.samples.iter().step_by(17) {
        let site = got.request.site;
        let disc = Sky::at(sample.utc, Observer::Site(site)).unwrap().disc(Body::Jupiter);
        for (sampled, exact) in [
            (sample.central_meridian_deg, Some(disc.sub_observer.longitude_deg)),
            (sample.central_meridian_i_deg, disc.central_meridian_i_deg),
            (sample.central_meridian_ii_deg, disc.central_meridian_ii_deg),
        ] {
            common::near_angle("meridian", sampled.unwrap(), exact.unwrap(), 0.01);
        }
    }
}

/// The worked setup: 1350 mm and 3.76 um give 0.5745 arcsec per pixel, and a Jupiter of 45 arcsec 78.33 pixels.
#[test]
fn example_setup() {
    let data = table("facts.toml");
    let value = |key: &str| number(&data, &format!("example_setup.{key}"));
    let mut asked = request(GREENWICH, "2027-02-10T12:00:00Z", "2027-02-11T12:00:00Z");
    asked.gear.focal_mm = Some(value("focal_mm"));
    asked.gear.pixel_um = Some(value("pixel_um"));
    let got = outlook(&asked).unwrap();
    near("scale", got.sampling.unwrap().arcsec_per_px, value("arcsec_per_px"), 5.1e-5);
    // facts.toml: 45.21 arcsec at the opposition of 2027 February 11.
    let best = target(&got, 0, Body::Jupiter).best.as_ref().unwrap();
    near("pixels", best.disc_px.unwrap(), value("jupiter_45_arcsec_diameter_px") * 45.21 / 45.0, 0.05);
}

/// Saturn's ring-plane crossing of 2025 March 23 fell within two weeks of its conjunction with the Sun: not observable.
#[test]
fn saturn_edge_on_behind_the_sun() {
    let got = outlook(&request(GREENWICH, "2025-03-23T12:00:00Z", "2025-03-24T12:00:00Z")).unwrap();
    let saturn = target(&got, 0, Body::Saturn);
    assert!(saturn.best.is_none() && saturn.windows.is_empty());
    assert!(saturn.elongation_deg < 14.0);
    assert!(matches!(saturn.cautions[..], [Caution::NearSun { .. }]), "{:?}", saturn.cautions);
    assert!(!saturn.samples.is_empty());
}

/// Venus on 2025 March 16, a week before inferior conjunction, low in the west after sunset.
#[test]
fn venus_calls_for_care() {
    let mut asked = request(GREENWICH, "2025-03-16T12:00:00Z", "2025-03-17T12:00:00Z");
    asked.least_altitude_deg = 1.0;
    let got = outlook(&asked).unwrap();
    let venus = target(&got, 0, Body::Venus);
    assert!(venus.cautions.iter().any(|caution| matches!(caution, Caution::NearSun { .. })), "{venus:?}");
    assert!(venus.cautions.iter().any(|caution| matches!(caution, Caution::LowAltitude { .. })));
    assert!(venus.cautions.iter().any(|caution| matches!(caution, Caution::Dispersion { .. })));
    for caution in &venus.cautions {
        assert!(caution.text().len() > 20);
    }
}

/// By day, on request, with a warning.
#[test]
fn in_daylight() {
    let mut asked = request(GREENWICH, "2025-06-01T12:00:00Z", "2025-06-02T12:00:00Z");
    asked.sun_limit_deg = 90.0;
    let got = outlook(&asked).unwrap();
    let venus = target(&got, 0, Body::Venus);
    assert!(venus.cautions.iter().any(|caution| matches!(caution, Caution::SunUp { .. })));
}

#[test]
fn beyond_the_polar_circle() {
    let tromso = (69.65, 18.96);
    let summer = outlook(&request(tromso, "2025-06-20T12:00:00Z", "2025-06-21T12:00:00Z")).unwrap();
    assert_eq!(summer.nights[0].darkness, Darkness::NeverDark);
    assert!(summer.nights[0].targets.iter().all(|target| target.best.is_none()));
    let mut asked = request((85.0, 0.0), "2025-12-20T12:00:00Z", "2025-12-21T12:00:00Z");
    asked.sun_limit_deg = -6.0;
    let winter = outlook(&asked).unwrap();
    assert_eq!(winter.nights[0].darkness, Darkness::AlwaysDark);
    let jupiter = target(&winter, 0, Body::Jupiter);
    near(
        "a whole day",
        (jupiter.windows[0].end.as_second() - jupiter.windows[0].start.as_second()) as f64,
        86_400.0,
        1.0,
    );
}

/// Nights are counted by local midnights, wherever the site is.
#[test]
fn nights_of_a_span() {
    for longitude in [-150.0, -70.0, 0.0, 100.0, 179.0] {
        let mut asked = request((-33.0, longitude), "2025-05-01T12:00:00Z", "2025-05-08T12:00:00Z");
        asked.bodies = vec![Body::Mars];
        let got = outlook(&asked).unwrap();
        assert_eq!(got.nights.len(), 7);
        for night in &got.nights {
            let solar_hour = ((utc_jd(night.midnight) - 0.5) * 24.0 + longitude / 15.0).rem_euclid(24.0);
            near("local midnight", (solar_hour + 12.0).rem_euclid(24.0) - 12.0, 0.0, 0.001);
            assert!(night.sunset.unwrap() < night.dusk.unwrap() && night.dusk.unwrap() < night.midnight);
            assert!(night.midnight < night.dawn.unwrap() && night.dawn.unwrap() < night.sunrise.unwrap());
        }
    }
    let short = request(GREENWICH, "2025-05-01T20:00:00Z", "2025-05-01T21:00:00Z");
    assert_eq!(outlook(&short).unwrap().nights.len(), 1);
}

/// High up an alt-azimuth mount turns the field; the Moon's limb, 950 arcsec out, feels it first.
#[test]
fn alt_azimuth() {
    let mut asked = request((20.0, 0.0), "2025-01-10T12:00:00Z", "2025-01-11T12:00:00Z");
    asked.mount = Mount::AltAzimuth;
    let got = outlook(&asked).unwrap();
    let moon = target(&got, 0, Body::Moon);
    let best = moon.best.as_ref().unwrap();
    assert_eq!(best.clip_limit, Some(ClipLimit::FieldRotation));
    let speed = best.horizon.field_rotation_deg_per_hour.to_radians().abs() / 3600.0;
    let limb_px = speed * best.longest_clip_s.unwrap() * best.disc.equatorial_diameter_arcsec
        / 2.0
        / got.sampling.unwrap().arcsec_per_px;
    near("the limb moves a pixel", limb_px, 1.0, 1e-9);
    assert!(moon.cautions.iter().any(|caution| matches!(caution, Caution::LargerThanSensor { .. })));
}

/// Without telescope and camera the sky is told all the same, and with an aperture alone what it resolves.
#[test]
fn without_gear() {
    let mut asked = request(GREENWICH, "2022-09-26T12:00:00Z", "2022-09-27T12:00:00Z");
    asked.gear = Gear::default();
    let got = outlook(&asked).unwrap();
    assert!(got.sampling.is_none());
    let jupiter = target(&got, 0, Body::Jupiter);
    let best = jupiter.best.as_ref().unwrap();
    near("diameter", best.disc.equatorial_diameter_arcsec, 49.88, 0.01);
    // facts.toml: at 45 arcsec 0.356 arcsec in 90 s.
    near("smear", best.smear_arcsec, 0.356 * best.disc.equatorial_diameter_arcsec / 45.0, 5e-4);
    assert!(best.disc_px.is_none() && best.longest_clip_s.is_none() && best.window_px.is_none());
    assert!(best.d_over_r0.is_none() && best.freeze.is_none() && best.clip_limit.is_none());
    assert!(jupiter.cautions.is_empty(), "{:?}", jupiter.cautions);
    asked.gear.aperture_mm = Some(203.2);
    let with_aperture = outlook(&asked).unwrap();
    let jupiter = target(&with_aperture, 0, Body::Jupiter);
    assert!(jupiter.best.as_ref().unwrap().d_over_r0.unwrap() > 3.0);
    assert!(matches!(jupiter.cautions[..], [Caution::Dispersion { .. }]));
}

#[test]
fn windows_hold_disc_and_drift() {
    // 45 + 0.1 * 90 + 4 * 2 = 62 arcsec at 0.2 arcsec per pixel: 310 pixels, up to a multiple of 16.
    assert_eq!(window_px(45.0, 0.1, 90.0, 2.0, 0.2), 320);
}

#[test]
fn impossible_questions() {
    let good = request(GREENWICH, "2025-01-10T12:00:00Z", "2025-01-11T12:00:00Z");
    let wrong = |change: fn(&mut OutlookRequest)| {
        let mut asked = good.clone();
        change(&mut asked);
        outlook(&asked)
    };
    assert!(matches!(wrong(|r| r.clip_s = f64::NAN), Err(SkyError::OutOfRange { name: "clip_s", .. })));
    assert!(matches!(wrong(|r| r.step_s = 0.0), Err(SkyError::OutOfRange { .. })));
    assert!(matches!(wrong(|r| r.gear.pixel_um = Some(-1.0)), Err(SkyError::OutOfRange { .. })));
    assert!(matches!(wrong(|r| r.end = utc("2024-01-01T00:00:00Z")), Err(SkyError::BadSpan { .. })));
    assert!(matches!(
        wrong(|r| {
            r.start = utc("1900-01-01T00:00:00Z");
            r.end = utc("1900-01-02T00:00:00Z");
        }),
        Err(SkyError::TimeOutOfRange { .. })
    ));
}

/// Apparent ecliptic longitude of date, degrees.
fn longitude_deg(tt_jd: f64, ra_deg: f64, dec_deg: f64) -> f64 {
    let obliquity = sofars::pnp::obl06(tt_jd, 0.0) + sofars::pnp::nut06a(tt_jd, 0.0).1;
    let (ra, dec) = (ra_deg.to_radians(), dec_deg.to_radians());
    (ra.sin() * obliquity.cos() + dec.tan() * obliquity.sin()).atan2(ra.cos()).to_degrees()
}

#[test]
fn oppositions() {
    let data = table("facts.toml");
    let tolerance_h = number(&data, "opposition.tolerance_h");
    let cases = rows(&data, "opposition.case");
    assert!(cases.len() > 70);
    for row in cases {
        let expected = utc_jd(format!("{}:00Z", text(row, "tt")).parse().unwrap());
        let beyond_deg = |tt_jd: f64| {
            let sky = Sky::at_epoch(Epoch::from_tt_jd(tt_jd).unwrap(), Observer::Geocentre).unwrap();
            let (planet, sun) = (sky.place(body(row)), sky.sun());
            let planet_deg = longitude_deg(tt_jd, planet.ra_of_date_deg, planet.dec_of_date_deg);
            let sun_deg = longitude_deg(tt_jd, sun.ra_of_date_deg, sun.dec_of_date_deg);
            (planet_deg - sun_deg).rem_euclid(360.0) - 180.0
        };
        let (before, after) = (beyond_deg(expected - 0.5), beyond_deg(expected + 0.5));
        let off_h = (before / (before - after) - 0.5) * 24.0;
        near(&format!("{} {}", body(row), text(row, "tt")), off_h, 0.0, tolerance_h);
        let disc = Sky::at_epoch(Epoch::from_tt_jd(expected).unwrap(), Observer::Geocentre).unwrap().disc(body(row));
        near("diameter", disc.equatorial_diameter_arcsec, get(row, "equatorial_diameter_arcsec"), 0.0055);
    }
}

/// The table took every second day (the Moon every sixth hour); here a coarse search is refined.
#[test]
fn extremes_of_the_discs() {
    let data = table("facts.toml");
    let relative = number(&data, "disc_extremes.tolerance_relative");
    let distance_au = |body: Body, tt_jd: f64| {
        Sky::at_epoch(Epoch::from_tt_jd(tt_jd).unwrap(), Observer::Geocentre).unwrap().place(body).distance_au
    };
    // The least of `sign` times the distance within a step of `tt_jd`, by thirds.
    let refined = |body: Body, tt_jd: f64, step_days: f64, sign: f64| {
        let (mut low, mut high) = (tt_jd - step_days, tt_jd + step_days);
        while high - low > 0.05 {
            let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if sign * distance_au(body, a) < sign * distance_au(body, b) {
                high = b;
            } else {
                low = a;
            }
        }
        distance_au(body, 0.5 * (low + high))
    };
    let sample = |bodies: &[Body], first: &str, last: &str, step_days: usize| {
        let (first, last) = (utc_jd(utc(first)), utc_jd(utc(last)));
        let mut extremes = vec![((f64::MAX, 0.0), (0.0, 0.0)); bodies.len()];
        for day in (0..(last - first) as usize).step_by(step_days) {
            let tt_jd = first + day as f64;
            let sky = Sky::at_epoch(Epoch::from_tt_jd(tt_jd).unwrap(), Observer::Geocentre).unwrap();
            for ((nearest, farthest), &body) in extremes.iter_mut().zip(bodies) {
                let here = (sky.place(body).distance_au, tt_jd);
                if here.0 < nearest.0 {
                    *nearest = here;
                }
                if here.0 > farthest.0 {
                    *farthest = here;
                }
            }
        }
        let step = step_days as f64;
        let refine = |(&body, extreme)| {
            let ((_, nearest), (_, farthest)): ((f64, f64), (f64, f64)) = extreme;
            (refined(body, nearest, step, 1.0), refined(body, farthest, step, -1.0))
        };
        bodies.iter().zip(extremes).map(refine).collect::<Vec<_>>()
    };
    let planets = &Body::ALL[..7];
    let mut extremes = sample(planets, "1990-01-01T00:00:00Z", "2040-01-01T00:00:00Z", 16);
    extremes.extend(sample(&[Body::Moon], "2000-01-01T00:00:00Z", "2020-01-01T00:00:00Z", 1));
    for (body, (nearest, farthest)) in Body::ALL.into_iter().zip(extremes) {
        let row = rows(&data, "disc_extremes.case").iter().find(|row| text(row, "body") == body.name()).unwrap();
        let au_km = stillair_sky::AU_KM;
        for (what, got_au) in [("nearest", nearest), ("farthest", farthest)] {
            let expected_au =
                row.get(format!("{what}_au")).map_or_else(|| get(row, &format!("{what}_km")) / au_km, common::as_f64);
            near(&format!("{body} {what}"), got_au, expected_au, relative * expected_au);
        }
        let arcsec =
            |distance_au: f64| 2.0 * (body.equatorial_radius_km() / (distance_au * au_km)).asin().to_degrees() * 3600.0;
        let (large, small) =
            (get(row, "largest_equatorial_diameter_arcsec"), get(row, "smallest_equatorial_diameter_arcsec"));
        near(&format!("{body} largest"), arcsec(nearest), large, relative * large);
        near(&format!("{body} smallest"), arcsec(farthest), small, relative * small);
    }
}

#[test]
fn data_rates() {
    let data = table("facts.toml");
    for row in rows(&data, "data_rate.case") {
        let whole = |key: &str| get(row, key) as u32;
        let got = data_rate_mb_per_s(whole("width"), whole("height"), whole("bytes_per_px"), get(row, "fps"));
        near("rate", got, get(row, "megabytes_per_s"), 5e-4);
        near("90 s", got * 0.09, get(row, "gigabytes_per_90_s"), 5.1e-5);
    }
}
