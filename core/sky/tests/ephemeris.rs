//! The bodies against DE421 with the IAU rotation elements (data/ephemeris.toml, which names its sources).

use crate::common::{self, at, body, get, near, near_angle, number, rows, separation_arcsec, table, text};
use stillair_sky::{Air, Body, Epoch, Observer, Site, Sky, System};

#[test]
fn seventy_two_discs() {
    let data = table("ephemeris.toml");
    let tolerance = |key: &str| number(&data, &format!("tolerance.{key}"));
    let cases = rows(&data, "case");
    assert_eq!(cases.len(), 72);
    for case in cases {
        let body = body(case);
        let name = |key: &str| format!("{body} {} {key}", text(case, "utc"));
        let epoch = Epoch::from_tt_jd(get(case, "tt_jd")).unwrap();
        let disc = Sky::at_epoch(epoch, Observer::Geocentre).unwrap().disc(body);

        let position_arcsec = if body == Body::Moon {
            tolerance("moon_position_arcsec_analytic_theory")
        } else {
            tolerance("position_arcsec_analytic_theory")
        };
        let of_date = separation_arcsec(
            disc.place.ra_of_date_deg,
            disc.place.dec_of_date_deg,
            get(case, "apparent_ra_of_date_deg"),
            get(case, "apparent_dec_of_date_deg"),
        );
        near(&name("place of date"), of_date, 0.0, position_arcsec);
        let icrf = separation_arcsec(
            disc.place.ra_icrf_deg,
            disc.place.dec_icrf_deg,
            get(case, "apparent_ra_icrf_deg"),
            get(case, "apparent_dec_icrf_deg"),
        );
        near(&name("place on ICRF"), icrf, 0.0, position_arcsec);

        for (key, got, relative) in [
            ("distance_au", disc.place.distance_au, tolerance("distance_relative")),
            (
                "light_time_s",
                disc.place.light_time_s,
                // The reference is printed to a millisecond, which matters for the Moon.
                tolerance("distance_relative") + 5e-4 / get(case, "light_time_s"),
            ),
            ("sun_distance_au", disc.sun_distance_au, tolerance("distance_relative")),
            ("equatorial_diameter_arcsec", disc.equatorial_diameter_arcsec, tolerance("diameter_arcsec_relative")),
            ("apparent_polar_diameter_arcsec", disc.polar_diameter_arcsec, tolerance("diameter_arcsec_relative")),
        ] {
            let expected = get(case, key);
            near(&name(key), got, expected, relative * expected);
        }
        for (key, got, allowed) in [
            ("phase_angle_deg", disc.phase_angle_deg, tolerance("phase_angle_deg")),
            ("illuminated_fraction", disc.illuminated_fraction, tolerance("illuminated_fraction")),
            ("elongation_deg", disc.elongation_deg, tolerance("elongation_deg")),
            (
                "defect_of_illumination_arcsec",
                disc.defect_of_illumination_arcsec,
                disc.equatorial_diameter_arcsec * tolerance("illuminated_fraction"),
            ),
        ] {
            near(&name(key), got, get(case, key), allowed);
        }

        let latitude =
            if body == Body::Moon { tolerance("sub_observer_lat_moon_deg") } else { tolerance("sub_observer_lat_deg") };
        let meridian =
            if body == Body::Moon { tolerance("central_meridian_moon_deg") } else { tolerance("central_meridian_deg") };
        for (which, point) in [("sub_observer", disc.sub_observer), ("sub_solar", disc.sub_solar)] {
            for (kind, got) in
                [("planetocentric", point.planetocentric_lat_deg), ("planetographic", point.planetographic_lat_deg)]
            {
                let key = format!("{which}_lat_{kind}_deg");
                near(&name(&key), got, get(case, &key), latitude);
            }
        }
        near_angle(
            &name("central_meridian_deg"),
            disc.sub_observer.longitude_deg,
            get(case, "central_meridian_deg"),
            meridian,
        );
        near_angle(
            &name("sub_solar_longitude_deg"),
            disc.sub_solar.longitude_deg,
            get(case, "sub_solar_longitude_deg"),
            meridian,
        );
        for (number, system) in [(1, System::I), (2, System::II), (3, System::III)] {
            let key = format!("central_meridian_system_{number}_deg");
            let expected = case.get(&key);
            let got = disc.central_meridian_deg(system);
            assert_eq!(got.is_some(), expected.is_some(), "{}", name(&key));
            if let Some(got) = got {
                near_angle(&name(&key), got, get(case, &key), meridian);
            }
        }

        let angle = tolerance("pole_position_angle_deg");
        for (key, got) in [
            ("pole_position_angle_of_date_deg", disc.pole_position_angle_deg),
            ("pole_position_angle_icrf_deg", disc.pole_position_angle_icrf_deg),
            ("pole_ra_icrf_deg", disc.orientation.pole_ra_deg),
            ("pole_dec_icrf_deg", disc.orientation.pole_dec_deg),
        ] {
            near_angle(&name(key), got, get(case, key), angle);
        }
        // The bright limb's angle hangs on the small angle between Sun and line of sight: errors of place
        // grow by 1 / sin(phase or elongation).
        let lever = get(case, "phase_angle_deg").to_radians().sin();
        near_angle(
            &name("bright_limb"),
            disc.bright_limb_position_angle_deg,
            get(case, "bright_limb_position_angle_of_date_deg"),
            angle + (position_arcsec / 3600.0) / lever.max(1e-4),
        );

        if body == Body::Saturn {
            let rings = disc.rings.unwrap();
            let tilt = tolerance("ring_tilt_deg");
            near(&name("B"), rings.tilt_deg, get(case, "ring_tilt_earth_b_deg"), tilt);
            near(&name("B'"), rings.sun_tilt_deg, get(case, "ring_tilt_sun_b_prime_deg"), tilt);
            let major = get(case, "ring_a_outer_major_axis_arcsec");
            let relative = tolerance("ring_axis_relative");
            near(&name("ring major axis"), rings.major_axis_arcsec, major, relative * major);
            near(
                &name("ring minor axis"),
                rings.minor_axis_arcsec,
                get(case, "ring_a_outer_minor_axis_arcsec"),
                major * tilt.to_radians(),
            );
        }
        if body == Body::Moon {
            let libration = disc.libration.unwrap();
            near(&name("libration_lon"), libration.longitude_deg, get(case, "libration_lon_deg"), meridian);
            near(&name("libration_lat"), libration.latitude_deg, get(case, "libration_lat_deg"), latitude);
            near_angle(&name("colongitude"), libration.colongitude_deg, get(case, "colongitude_deg"), meridian);
        }
    }
}

/// The given UTC, without the Julian date's help: time scales included.
#[test]
fn utc_leads_to_the_same_meridian() {
    let data = table("ephemeris.toml");
    for case in rows(&data, "case") {
        let utc = format!("{}Z", text(case, "utc")).parse().unwrap();
        let disc = Sky::at(utc, Observer::Geocentre).unwrap().disc(body(case));
        near_angle(text(case, "utc"), disc.sub_observer.longitude_deg, get(case, "central_meridian_deg"), 0.05);
    }
}

#[test]
fn ten_topocentric_places() {
    let data = table("ephemeris.toml");
    let tolerance = |key: &str| number(&data, &format!("tolerance.{key}"));
    let places = rows(&data, "topocentric");
    assert_eq!(places.len(), 10);
    for case in places {
        let site = rows(&data, "site").iter().find(|site| text(site, "name") == text(case, "site")).unwrap();
        let site =
            Site::new(get(site, "latitude_deg"), get(site, "longitude_east_deg"), get(site, "height_m")).unwrap();
        let body = body(case);
        let name = |key: &str| format!("{} {body} {} {key}", text(case, "site"), text(case, "utc"));
        let utc = format!("{}Z", text(case, "utc")).parse().unwrap();
        let air = Air { pressure_hpa: get(case, "pressure_hpa"), temperature_c: 10.0, humidity: 0.5 };
        // UT1-UTC is left out on purpose: the tolerance allows for it.
        let sky = Sky::at(utc, Observer::Site(site)).unwrap();
        let place = sky.place(body);
        let horizon = sky.horizon(body, &air).unwrap();
        near(
            &name("altitude"),
            horizon.airless_altitude_deg,
            get(case, "altitude_airless_deg"),
            tolerance("topocentric_altitude_deg"),
        );
        near_angle(
            &name("azimuth"),
            horizon.azimuth_deg,
            get(case, "azimuth_north_through_east_deg"),
            tolerance("topocentric_azimuth_deg"),
        );
        near_angle(
            &name("parallactic angle"),
            horizon.parallactic_angle_deg,
            get(case, "parallactic_angle_deg"),
            tolerance("parallactic_angle_deg"),
        );
        near(&name("refraction"), horizon.refraction_arcmin, get(case, "refraction_arcmin"), 0.1);
        let allowed = if body == Body::Moon {
            tolerance("moon_position_arcsec_analytic_theory")
        } else {
            tolerance("position_arcsec_analytic_theory")
        };
        let off = separation_arcsec(
            place.ra_of_date_deg,
            place.dec_of_date_deg,
            get(case, "topocentric_ra_of_date_deg"),
            get(case, "topocentric_dec_of_date_deg"),
        );
        near(&name("place"), off, 0.0, allowed);
        let distance_au = get(case, "topocentric_distance_au");
        near(&name("distance"), place.distance_au, distance_au, distance_au * tolerance("distance_relative"));
        let diameter = get(case, "equatorial_diameter_arcsec");
        near(
            &name("diameter"),
            sky.disc(body).equatorial_diameter_arcsec,
            diameter,
            diameter * tolerance("diameter_arcsec_relative"),
        );
        // With the known UT1-UTC the Earth's rotation itself is checked: 0.001 s is 0.000004 degrees.
        let exact = Epoch::from_utc(utc).unwrap().with_ut1_minus_utc_s(get(case, "ut1_minus_utc_s"));
        let turned = Sky::at_epoch(exact, Observer::Site(site)).unwrap();
        near_angle(
            &name("local sidereal time"),
            turned.sidereal_time_deg() + site.longitude_deg,
            get(case, "apparent_sidereal_time_deg"),
            2e-5,
        );
    }
}

fn example(id: &str) -> (toml::Table, stillair_sky::Sky) {
    let data = table("ephemeris.toml");
    let row =
        rows(&data, "meeus_example").iter().find(|row| text(row, "id") == id).unwrap().as_table().unwrap().clone();
    let epoch = Epoch::from_tt_jd(number(&row, "tt_jd")).unwrap();
    (row, Sky::at_epoch(epoch, Observer::Geocentre).unwrap())
}

/// Meeus 42.a, Mars 1992 November 9: the book's figures (from memory) and the same instant by DE421.
#[test]
fn meeus_42_mars() {
    let (row, sky) = example("42.a");
    let disc = sky.disc(Body::Mars);
    for (source, slack) in [("book_from_memory", 0.02), ("de421", 0.0)] {
        let value = |key: &str| number(&row, &format!("{source}.{key}"));
        near("D_E", disc.sub_observer.planetocentric_lat_deg, value("D_E_deg"), 0.02);
        near("D_S", disc.sub_solar.planetocentric_lat_deg, value("D_S_deg"), 0.02);
        near_angle("omega", disc.sub_observer.longitude_deg, value("omega_deg"), 0.05);
        near_angle("P", disc.pole_position_angle_deg, value("P_deg"), 0.03);
        near("k", disc.illuminated_fraction, value("k"), 0.0005);
        near("diameter", disc.equatorial_diameter_arcsec, value("diameter_arcsec"), 0.0054 + slack);
        near("q", disc.defect_of_illumination_arcsec, value("q_arcsec"), 0.006);
    }
}

/// Meeus 43.a, Jupiter 1992 December 16. The book's meridians are of the illuminated disc: the correction
/// 57.2958 sin^2(phase/2), here positive, stands between them and ours.
#[test]
fn meeus_43_jupiter() {
    let (row, sky) = example("43.a");
    let disc = sky.disc(Body::Jupiter);
    let correction_deg = (disc.phase_angle_deg.to_radians() / 2.0).sin().powi(2).to_degrees();
    near("C", correction_deg, number(&row, "recomputed.phase_correction_deg"), 0.001);
    let (one, two) = (disc.central_meridian_i_deg.unwrap(), disc.central_meridian_ii_deg.unwrap());
    for source in ["book_from_memory", "de421"] {
        let value = |key: &str| number(&row, &format!("{source}.{key}"));
        near("D_E", disc.sub_observer.planetocentric_lat_deg, value("D_E_deg"), 0.02);
        near("D_S", disc.sub_solar.planetocentric_lat_deg, value("D_S_deg"), 0.02);
        near_angle("P", disc.pole_position_angle_deg, value("P_deg"), 0.03);
    }
    near_angle("omega 1", one, number(&row, "de421.omega1_deg"), 0.05);
    near_angle("omega 2", two, number(&row, "de421.omega2_deg"), 0.05);
    near_angle(
        "omega 1 of the book",
        disc.illuminated_meridian_deg(System::I).unwrap(),
        number(&row, "book_from_memory.omega1_phase_corrected_deg"),
        0.05,
    );
    near_angle(
        "omega 2 of the book",
        disc.illuminated_meridian_deg(System::II).unwrap(),
        number(&row, "book_from_memory.omega2_phase_corrected_deg"),
        0.1,
    );
}

/// Meeus 43.b, the same by his lower-accuracy method, which is good to about a tenth of a degree.
#[test]
fn meeus_43_jupiter_lower_accuracy() {
    let (row, sky) = example("43.b");
    let disc = sky.disc(Body::Jupiter);
    let value = |key: &str| number(&row, &format!("recomputed.{key}"));
    near("D_E", disc.sub_observer.planetocentric_lat_deg, value("D_E_deg"), 0.02);
    near("D_S", disc.sub_solar.planetocentric_lat_deg, value("D_S_deg"), 0.02);
    near_angle("omega 1", disc.central_meridian_i_deg.unwrap(), value("omega1_deg"), 0.12);
    near_angle("omega 2", disc.central_meridian_ii_deg.unwrap(), value("omega2_deg"), 0.12);
    near("distance", disc.place.distance_au, value("distance_au"), 0.001);
}

/// Meeus 45.a, Saturn's ring 1992 December 16.
#[test]
fn meeus_45_ring() {
    let (row, sky) = example("45.a");
    let disc = sky.disc(Body::Saturn);
    let rings = disc.rings.unwrap();
    for (source, axes) in [("verified", 0.006), ("de421", 5e-4)] {
        let value = |key: &str| number(&row, &format!("{source}.{key}"));
        near("B", rings.tilt_deg, value("B_deg"), 0.03);
        near("B'", rings.sun_tilt_deg, value("B_prime_deg"), 0.03);
        near_angle("P", disc.pole_position_angle_deg, value("P_deg"), 0.03);
        near("a", rings.major_axis_arcsec, value("a_arcsec"), axes * value("a_arcsec"));
        near("b", rings.minor_axis_arcsec, value("b_arcsec"), axes * value("b_arcsec"));
    }
    near("delta U", rings.sun_longitude_difference_deg, number(&row, "verified.delta_U_deg"), 0.01);
}

/// Meeus 53.a and 48.a, the Moon 1992 April 12.
#[test]
fn meeus_53_and_48_moon() {
    let (row, sky) = example("53.a");
    let disc = sky.disc(Body::Moon);
    let libration = disc.libration.unwrap();
    for source in ["verified", "de421"] {
        let value = |key: &str| number(&row, &format!("{source}.{key}"));
        near("l", libration.longitude_deg, value("l_total_deg"), 0.05);
        near("b", libration.latitude_deg, value("b_total_deg"), 0.05);
        near_angle("P", disc.pole_position_angle_deg, value("P_deg"), 0.03);
    }
    for source in ["book_from_memory", "de421"] {
        let value = |key: &str| number(&row, &format!("{source}.{key}"));
        near_angle("l0", disc.sub_solar.longitude_deg, value("sub_solar_lon_deg"), 0.05);
        near("b0", disc.sub_solar.planetocentric_lat_deg, value("sub_solar_lat_deg"), 0.05);
        near_angle("colongitude", libration.colongitude_deg, value("colongitude_deg"), 0.05);
    }
    let (row, _) = example("48.a");
    near("k", disc.illuminated_fraction, number(&row, "de421.k"), 0.0005);
    near("k of the book", disc.illuminated_fraction, number(&row, "verified.k"), 0.005);
    near_angle("chi", disc.bright_limb_position_angle_deg, number(&row, "de421.bright_limb_deg"), 0.03);
    near_angle("chi of the book", disc.bright_limb_position_angle_deg, number(&row, "verified.bright_limb_deg"), 0.05);
}

/// From the first to the last day, for every body, everything is a number in its range.
#[test]
fn the_ends_of_the_century() {
    for utc in ["1950-01-01T00:00:00Z", "1959-12-31T23:59:59Z", "2050-12-31T23:59:59Z"] {
        for latitude in [-90.0, 0.0, 90.0] {
            let observer = Observer::Site(Site::new(latitude, 10.0, 0.0).unwrap());
            let sky = Sky::at(utc.parse().unwrap(), observer).unwrap();
            for body in Body::ALL {
                let disc = sky.disc(body);
                assert!(disc.equatorial_diameter_arcsec > 2.0 && disc.equatorial_diameter_arcsec < 2100.0);
                assert!((0.0..360.0).contains(&disc.sub_observer.longitude_deg));
                assert!((0.0..=1.0).contains(&disc.illuminated_fraction));
                let horizon = sky.horizon(body, &Air::default()).unwrap();
                assert!(horizon.altitude_deg.abs() <= 90.1 && horizon.azimuth_deg.is_finite());
                assert!(sky.moons(body).iter().all(|moon| moon.offset.east_arcsec.abs() < 700.0));
            }
        }
    }
    let geocentric = Sky::at("2000-01-01T00:00:00Z".parse().unwrap(), Observer::Geocentre).unwrap();
    assert!(geocentric.horizon(Body::Mars, &Air::default()).is_err());
}

/// Saturn's ring plane passes Earth and Sun within 0.1 h of DE421's instants (0.3 arcsec of Saturn's latitude; ephem,
/// with an older pole, differs by up to 1.0 h).
#[test]
fn ring_plane_crossings() {
    let data = table("ephemeris.toml");
    let crossings = rows(&data, "saturn_ring_plane_crossing");
    assert_eq!(crossings.len(), 12);
    for row in crossings {
        let tilt = |tt_jd: f64| {
            let sky = Sky::at_epoch(Epoch::from_tt_jd(tt_jd).unwrap(), Observer::Geocentre);
            let rings = sky.unwrap().disc(Body::Saturn).rings.unwrap();
            match text(row, "crosses") {
                "earth" => rings.tilt_deg,
                _ => rings.sun_tilt_deg,
            }
        };
        let expected = stillair_sky::utc_jd(format!("{}:00Z", text(row, "tt_date")).parse().unwrap());
        let (mut low, mut high) = (expected - 2.0, expected + 2.0);
        let rising = tilt(high) > tilt(low);
        assert_eq!(rising, text(row, "direction") == "to north face");
        for _ in 0..24 {
            let middle = 0.5 * (low + high);
            if (tilt(middle) < 0.0) == rising {
                low = middle;
            } else {
                high = middle;
            }
        }
        let off_h = (0.5 * (low + high) - expected) * 24.0;
        near(text(row, "tt_date"), off_h, 0.0, 0.1);
    }
}

/// Pole, prime meridian and radii agree with the tables of the reports for every body.
#[test]
fn the_elements_are_the_reports() {
    let data = table("ephemeris.toml");
    for body in Body::ALL {
        let elements = at(&data, "elements").get(body.name()).unwrap();
        near("a", body.equatorial_radius_km(), get(elements, "equatorial_radius_km"), 0.0);
        near("b", body.polar_radius_km(), get(elements, "polar_radius_km"), 0.0);
        let rate = common::list(elements, "prime_meridian_deg")[1];
        near("rate", stillair_sky::rotation::rate_deg_per_day(body, None), rate.abs(), 0.0);
    }
}
