use std::sync::Arc;

use stillair_api::testing::TestContext;
use stillair_api::{
    Bound, ColumnSpec, FactOrigin, FactValue, Facts, Method, Node, Parameters, Record, Table, Value, columns,
};

use super::evidence::{Evidence, Snr, motion_px2};
use super::factor::{Factor, Finding, Told};
use super::lopsided::Lopsided;
use super::{Limit, blur, collimation, factors, light, mount, sky};
use stillair_api::Entry;

/// Standard normal numbers: sums of twelve uniform ones (Knuth's MMIX multiplier).
fn normals(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    move || {
        (0..12).fold(-6.0_f64, |sum, _| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum + (state >> 40) as f64 / 16_777_216.0
        })
    }
}

fn finding(factor: Factor) -> Finding {
    match factor.told {
        Told::Yes(finding) => finding,
        Told::No(why) => panic!("{}: {why}", factor.name),
    }
}

/// Still air over 200 mm, 2.5 px per lambda/D, plenty of light.
fn clean() -> Evidence {
    let mut facts = Facts::default();
    facts.set("target.name", FactValue::Text("jupiter".into()), FactOrigin::Session);
    let times: Vec<f64> = (0..600).map(|i| 0.02 * f64::from(i)).collect();
    let mut table = Table::for_frames(&times, Some(0.01));
    let mut push = |name: &str, value: f64| table.push(ColumnSpec::number(name, "", ""), vec![value; 600]);
    push(columns::PEAK, 0.7);
    push(columns::CLIPPED, 0.0);
    push(columns::TRANSPARENCY, 0.99);
    push(columns::RADIUS_PX, 100.0);
    push(columns::X_PX, 150.0);
    push(columns::Y_PX, 150.0);
    push(columns::WEIGHT, 1.0);
    table.push(ColumnSpec::category(columns::REASON, &["", "clouded", "cut off"], ""), vec![0.0; 600]);
    Evidence {
        facts,
        table: Some(Arc::new(table)),
        q: Some(2.5),
        arcsec_per_px: Some(0.225),
        wavelength_nm: 530.0,
        aperture_m: Some(0.2),
        snr: Some(Snr { middle_db: 20.0, end: 0.9, slope_db: 40.0 }),
        // D/r0 = 0.8: 0.134 x 0.8^(5/3) rad^2 and 0.57 x 0.170 x 0.8^(5/3) (lambda/D)^2.
        wavefront_rad2: Some(0.0924),
        motion_px2: Some(0.0668 * 6.25),
        colour_px: Some(0.4),
        colour: true,
        frames_used: 600,
        ..Evidence::default()
    }
}

#[test]
fn nothing_limits_a_clean_clip() {
    assert!(factors(&clean()).iter().all(|f| !f.beyond()), "{:?}", factors(&clean()));
}

// Noll 1976, table IV: 0.134 rad^2 are left after tilt for D/r0 = 1, so D/r0 = 3 leaves 0.134 x 3^(5/3) = 0.8362,
// which costs 20 log10(e^0.8362) = 7.26 dB.
#[test]
fn seeing_is_given_in_units_of_the_coherence_length() {
    let told = finding(blur::seeing(&Evidence {
        wavefront_rad2: Some(0.8362),
        motion_px2: Some(0.57 * 0.170 * 6.2403 * 6.25),
        ..clean()
    }));
    assert!((told.value - 3.0).abs() < 1e-3 && (told.cost_db - 7.263).abs() < 0.01, "{told:?}");
    assert!(told.beyond);
}

#[test]
fn blur_without_motion_is_poor_focus_and_with_it_is_not() {
    let soft = Evidence { wavefront_rad2: Some(0.6), ..clean() };
    assert_eq!(factors(&soft)[0].name, "focus");
    assert!(factors(&soft)[0].beyond() && !blur::seeing(&soft).beyond());
    let windy = Evidence { wavefront_rad2: Some(0.6), motion_px2: Some(0.434 * 6.25), ..clean() };
    assert_eq!(factors(&windy)[0].name, "seeing");
    assert!(!blur::focus(&windy).beyond());
}

// Coma of 0.07 waves rms (Marechal's limit) makes 0.042: (2 pi 0.07)^2 = 0.193 rad^2, 20 log10(e^0.193) = 1.68 dB.
#[test]
fn blur_to_one_side_is_collimation_and_not_focus() {
    let light = |amplitude: f64, sigma: f64| Lopsided { amplitude, sigma, direction_rad: 0.0 };
    let soft = Evidence { wavefront_rad2: Some(0.6), lopsided: Some(light(0.05, 0.005)), ..clean() };
    let list = factors(&soft);
    assert!(list[0].name == "collimation" && list[0].beyond(), "{list:?}");
    assert!(!blur::focus(&soft).beyond());
    let weak = finding(collimation::collimation(&Evidence { lopsided: Some(light(0.042, 0.005)), ..clean() }));
    assert!((weak.cost_db - 1.68).abs() < 0.01 && !weak.beyond, "{weak:?}");
    // What may be chance, or the pattern of the disc, is none.
    for chance in [light(0.05, 0.02), light(0.02, 0.001)] {
        let told = finding(collimation::collimation(&Evidence { lopsided: Some(chance), ..clean() }));
        assert!(told.cost_db == 0.0 && !told.beyond, "{told:?}");
    }
    for name in ["saturn", "moon", "mars"] {
        let mut other = clean();
        other.facts.set("target.name", FactValue::Text(name.into()), FactOrigin::Session);
        other.lopsided = Some(light(0.05, 0.005));
        assert!(matches!(collimation::collimation(&other).told, Told::No(_)), "{name}");
    }
}

#[test]
fn frames_cut_by_a_small_window_are_its_own_fault() {
    let with_side = |side: f64| {
        let mut evidence = clean();
        let mut table = Table::for_frames(&(0..600).map(|i| 0.02 * f64::from(i)).collect::<Vec<_>>(), Some(0.01));
        for (name, value) in [(columns::RADIUS_PX, 100.0), (columns::X_PX, 150.0), (columns::Y_PX, 150.0)] {
            table.push(ColumnSpec::number(name, "", ""), vec![value; 600]);
        }
        let cut = (0..600).map(|i| f64::from(i % 2)).collect();
        table.push(ColumnSpec::category(columns::REASON, &["", "cut off"], ""), cut);
        evidence.table = Some(Arc::new(table));
        let entries = ["frame-width", "frame-height"].map(|name| Entry::number(name, side, "px", "")).into();
        evidence.records = vec![Arc::new(Record { entries })];
        evidence
    };
    assert!(mount::window(&with_side(210.0)).beyond() && !mount::tracking(&with_side(210.0)).beyond());
    assert!(!mount::window(&with_side(300.0)).beyond() && mount::tracking(&with_side(300.0)).beyond());
}

// Long-hand: 6.02 dB are needed, 0 dB are there, 0.0924 rad^2 of blur account for 0.80 dB: 5.2 dB, 3.3 times the frames.
#[test]
fn noise_is_what_blur_does_not_account_for() {
    let told =
        finding(light::noise(&Evidence { snr: Some(Snr { middle_db: 0.0, end: 0.5, slope_db: 40.0 }), ..clean() }));
    assert!((told.cost_db - 5.217).abs() < 0.01, "{told:?}");
    assert!(told.advice.starts_with("3.3 times"), "{}", told.advice);
}

// Jupiter of 45 arcsec turns by 0.2374 arcsec a minute at the disc's centre (9.925 h, IAU 2015): 1.19 arcsec in 300 s.
// Its radius of 100 px is 22.5 arcsec here.
#[test]
fn rotation_is_measured_against_the_diffraction_limit() {
    let mut evidence = clean();
    let times: Vec<f64> = (0..600).map(|i| 0.500_835 * f64::from(i)).collect();
    let mut table = Table::for_frames(&times, Some(0.01));
    table.push(ColumnSpec::number(columns::RADIUS_PX, "", ""), vec![100.0; 600]);
    evidence.table = Some(Arc::new(table));
    let told = finding(sky::rotation(&evidence));
    assert!((told.value - 1.187 / (2.5 * 0.225)).abs() < 0.01, "{told:?}");
    assert!(told.beyond);
    assert_eq!(finding(sky::rotation(&Evidence { derotated: true, ..evidence.clone_parts() })).cost_db, 0.0);
}

impl Evidence {
    fn clone_parts(&self) -> Self {
        Self {
            facts: self.facts.clone(),
            table: self.table.clone(),
            q: self.q,
            arcsec_per_px: self.arcsec_per_px,
            ..Self::default()
        }
    }
}

#[test]
fn gaps_in_the_times_are_lost_frames() {
    let mut evidence = clean();
    // Every tenth frame is missing: 90 stand for 100.
    let times: Vec<f64> = (0..1000).filter(|i| i % 10 != 5).map(|i| 0.02 * f64::from(i)).collect();
    evidence.table = Some(Arc::new(Table::for_frames(&times, Some(0.01))));
    let told = finding(mount::lost_frames(&evidence));
    assert!((told.value - 10.0).abs() < 0.05 && told.beyond, "{told:?}");
    let record = Record { entries: vec![Entry::text("times", "rate")] };
    evidence.records = vec![Arc::new(record)];
    assert!(matches!(mount::lost_frames(&evidence).told, Told::No(_)));
}

// A drift of 3 px a second and a slow swing drop out; noise of 0.8 px stays, within two standard errors of a robust
// sigma (1.17 / sqrt(2 n), Huber, Robust Statistics) and the 3 % that a line through 150 frames takes.
#[test]
fn only_fast_motion_counts() {
    let mut normal = normals(9);
    let times: Vec<f64> = (0..3000).map(|i| 0.02 * f64::from(i)).collect();
    let mut track = |phase: f64| -> Vec<f64> {
        times.iter().map(|t| 3.0 * t + 2.0 * libm::sin(t / 6.5 + phase) + 0.8 * normal()).collect()
    };
    let (x, y) = (track(0.0), track(1.0));
    let got = motion_px2(&times, &x, &y).unwrap().sqrt();
    assert!((got / 0.8 - 1.0).abs() < 0.05, "{got}");
    assert_eq!(motion_px2(&times[..20], &x[..20], &y[..20]), None);
}

#[test]
fn with_nothing_given_everything_is_untold() {
    let Ok(Node::Transform(node)) = Limit.create(&Parameters::default(), &Facts::default()) else { panic!("no node") };
    let context = TestContext::default();
    let given = node.run(&context, &Bound::default()).unwrap();
    let [Value::Record(record)] = &given[..] else { panic!("a record") };
    assert_eq!(record.entries[0], Entry::text("limiting-factor", "unknown"));
    assert!(!record.entries.iter().any(|e| matches!(e, Entry::Verdict { .. })));
}
