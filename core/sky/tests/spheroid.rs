//! The oblate globe's projection against points checked with CSPICE, and rotation shifts
//! (data/projection.toml, which names its sources).

use crate::common::{body, get, near, near_angle, number, rows, table, text};
use proptest::prelude::*;
use stillair_sky::rotation::rate_deg_per_day;
use stillair_sky::spheroid::drift_deg;
use stillair_sky::{Body, LongitudeSense, PictureOrientation, Spheroid, SurfacePoint, System};

#[test]
fn points_there_and_back() {
    let data = table("projection.toml");
    let tolerance = number(&data, "projection.tolerance_radii");
    let mut checked = 0;
    for case in rows(&data, "projection.case") {
        let body = body(case);
        let globe = Spheroid::new(
            get(case, "polar_radius_km") / get(case, "equatorial_radius_km"),
            LongitudeSense::West,
            get(case, "sub_observer_lat_planetocentric_deg"),
            get(case, "central_meridian_west_deg"),
            get(case, "pole_position_angle_deg"),
        );
        near("outline", globe.outline_axis_ratio(), get(case, "limb_semi_minor_over_major"), 1e-6);
        for row in case["point"].as_array().unwrap() {
            let point = SurfacePoint {
                planetographic_lat_deg: get(row, "planetographic_lat_deg"),
                longitude_deg: get(row, "west_longitude_deg"),
            };
            let name = format!("{body} {point:?}");
            let seen = globe.project(point);
            near(&name, seen.east_radii, get(row, "sky_east_radii"), tolerance);
            near(&name, seen.north_radii, get(row, "sky_north_radii"), tolerance);
            near(&name, seen.cos_emission, get(row, "cos_emission"), 1e-5);
            assert_eq!(seen.visible(), row["visible"].as_bool().unwrap(), "{name}");
            if seen.visible() {
                let back = globe.locate(seen.east_radii, seen.north_radii).unwrap();
                near(&name, back.point.planetographic_lat_deg, point.planetographic_lat_deg, 1e-6);
                near_angle(&name, back.point.longitude_deg, point.longitude_deg, 1e-6);
                near(&name, back.cos_emission, seen.cos_emission, 1e-9);
            }
            checked += 1;
        }
    }
    assert_eq!(checked, 36);
}

#[test]
fn shifts_by_rotation() {
    let data = table("projection.toml");
    for row in rows(&data, "rotation_shift.case") {
        let system = match text(row, "system") {
            "I" => System::I,
            "II" => System::II,
            _ => System::III,
        };
        let seconds = get(row, "interval_s");
        let turned = rate_deg_per_day(Body::Jupiter, Some(system)) * seconds / 86_400.0;
        near("rotation", turned, get(row, "rotation_deg"), 5.1e-6);
        // A feature on the meridian, carried from one view to the next.
        let before = Spheroid::new(Body::Jupiter.axis_ratio(), LongitudeSense::West, 0.0, 100.0, 0.0);
        let after = before.with_central_meridian_deg(100.0 + turned);
        let shift = before.carry(&after, 0.0, 0.0, |_| 0.0).unwrap();
        near("north", shift.north_radii, 0.0, 1e-9);
        // With north up the globe turns from east (left) to west (right).
        near("shift", -shift.east_radii, get(row, "centre_shift_radii"), 5.1e-7);
        let symmetric = (turned / 2.0).to_radians().sin() * 45.0;
        near("symmetric shift", symmetric, get(row, "shift_arcsec_symmetric_about_centre"), 5.1e-5);
    }
    for row in rows(&data, "rotation_shift.system_1_minus_2.case") {
        near(
            "jets",
            drift_deg(Body::Jupiter, Some(System::II), 0.0, get(row, "interval_s")),
            get(row, "differential_deg"),
            5.1e-6,
        );
    }
}

/// Jupiter's equator in an hour runs 0.3179 degrees ahead of System II (7.630 degrees per day).
#[test]
fn the_jets_run_ahead() {
    let before = Spheroid::new(Body::Jupiter.axis_ratio(), LongitudeSense::West, 0.0, 0.0, 0.0);
    let after = before.with_central_meridian_deg(870.27 / 24.0);
    let place = before
        .carry(&after, 0.0, 0.0, |latitude| drift_deg(Body::Jupiter, Some(System::II), latitude, 3600.0))
        .unwrap();
    near("the whole turn is System I's", -place.east_radii, (877.9 / 24.0f64).to_radians().sin(), 1e-9);
}

/// North up, unmirrored: east is left; and an image turned by 90 degrees has east up.
#[test]
fn east_is_left() {
    let plain = PictureOrientation { up_position_angle_deg: 0.0, mirrored: false };
    let (x, y) = plain.to_px(1.0, 0.0, 0.5);
    near("x", x, -2.0, 1e-12);
    near("y", y, 0.0, 1e-12);
    let east_up = PictureOrientation { up_position_angle_deg: 90.0, mirrored: false };
    let (x, y) = east_up.to_px(1.0, 0.0, 1.0);
    near("x", x, 0.0, 1e-12);
    near("y", y, -1.0, 1e-12);
    let (x, y) = east_up.to_px(0.0, 1.0, 1.0);
    near("north to the right", x, 1.0, 1e-12);
    near("y", y, 0.0, 1e-12);
}

proptest! {
    #[test]
    fn any_near_point_comes_back(
        axis_ratio in 0.85..1.0f64,
        sub_lat in -60.0..60.0f64,
        pole in 0.0..360.0f64,
        east_sense in any::<bool>(),
        latitude in -88.0..88.0f64,
        longitude in 0.0..360.0f64,
    ) {
        let sense = if east_sense { LongitudeSense::East } else { LongitudeSense::West };
        let globe = Spheroid::new(axis_ratio, sense, sub_lat, 33.0, pole);
        let point = SurfacePoint { planetographic_lat_deg: latitude, longitude_deg: longitude };
        let seen = globe.project(point);
        prop_assume!(seen.cos_emission > 0.02);
        let back = globe.locate(seen.east_radii, seen.north_radii).unwrap();
        prop_assert!((back.point.planetographic_lat_deg - latitude).abs() < 1e-6);
        let apart = (back.point.longitude_deg - longitude + 180.0).rem_euclid(360.0) - 180.0;
        prop_assert!((apart * latitude.to_radians().cos()).abs() < 1e-6);
    }

    #[test]
    fn a_picture_turns_back(
        up in -360.0..360.0f64, mirrored in any::<bool>(), east in -50.0..50.0f64, north in -50.0..50.0f64,
    ) {
        let picture = PictureOrientation { up_position_angle_deg: up, mirrored };
        let (x, y) = picture.to_px(east, north, 0.2);
        let (e, n) = picture.from_px(x, y, 0.2);
        prop_assert!((e - east).abs() < 1e-9 && (n - north).abs() < 1e-9);
    }
}

#[test]
fn off_the_disc_is_nothing() {
    let globe = Spheroid::new(0.935, LongitudeSense::West, 3.0, 0.0, 20.0);
    assert!(globe.locate(1.001, 0.0).is_some() || globe.locate(0.0, 1.001).is_none());
    assert!(globe.locate(2.0, 0.0).is_none());
    assert!(globe.locate(f64::NAN, 0.0).is_none());
}
