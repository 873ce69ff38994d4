//! The ready-made clips that name a night show a disc as large and as tilted as the real planet's was then: apparent
//! equatorial diameter and planetocentric latitude of the disc's centre, geocentric, by DE421 with the IAU's rotation
//! elements (jplephem 2.24, skyfield 1.55; the cases of stillair-sky's tests/data/ephemeris.toml, whose SOURCE.md says
//! how they were made), and stillair-sky says the same.

use stillair_simulate::preset;
use stillair_sky::{Body, Observer, Sky};

/// Preset, body, instant, diameter in arcsec, latitude and position angle of the pole in degrees.
const NIGHTS: [(&str, Body, &str, f64, f64, f64); 4] = [
    ("banded-small", Body::Jupiter, "2021-08-20T00:30:00Z", 49.1242, 0.7634, 337.7024),
    ("banded-large", Body::Jupiter, "2035-09-15T19:30:00Z", 45.1423, 3.3999, 344.0646),
    ("ringed-small", Body::Saturn, "1997-08-09T12:00:00Z", 18.6533, -11.5784, 2.3389),
    ("banded-clouded", Body::Jupiter, "1990-01-15T03:20:00Z", 46.6387, 2.0784, 2.4350),
];

#[test]
fn ready_made_clips_agree_with_the_sky_of_their_nights() {
    for (name, body, utc, diameter_arcsec, latitude_deg, pole_deg) in NIGHTS {
        let clip = preset(name, 3, 0).unwrap();
        assert_eq!(clip.start_utc, utc, "{name}");
        let near = |what: &str, found: f64, known: f64, limit: f64| {
            assert!((found - known).abs() < limit, "{name}: {what} {found}, by the ephemeris {known}");
        };
        // As the presets are rounded: a hundredth of an arcsec and of a degree.
        near("diameter", clip.diameter_arcsec, diameter_arcsec, 0.006);
        near("latitude", clip.sub_observer_latitude_deg, latitude_deg, 0.006);
        if let Some(up_deg) = clip.up_position_angle_deg {
            // The picture's up stands at the pole's position angle less the pole's angle on the picture.
            near("pole", (up_deg + clip.pole_angle_deg).rem_euclid(360.0), pole_deg, 0.01);
        }
        let disc = Sky::at(utc.parse().unwrap(), Observer::Geocentre).unwrap().disc(body);
        near("diameter in the sky", disc.equatorial_diameter_arcsec, diameter_arcsec, 5e-4 * diameter_arcsec);
        near("latitude in the sky", disc.sub_observer.planetocentric_lat_deg, latitude_deg, 0.02);
        near("pole in the sky", disc.pole_position_angle_deg, pole_deg, 0.03);
    }
}

// Phase angle and position angle of the bright limb's middle of the same case: far from opposition Jupiter's dark edge is
// 1.8 px wide on this clip.
#[test]
fn the_clip_far_from_opposition_is_lit_as_that_night() {
    let clip = preset("banded-large", 3, 1).unwrap();
    let up_deg = clip.up_position_angle_deg.unwrap();
    let limb_deg = (clip.bright_limb_angle_deg + up_deg).rem_euclid(360.0);
    assert!(
        (clip.phase_deg - 9.8541).abs() < 0.01 && (limb_deg - 75.5476).abs() < 0.01,
        "{} {limb_deg}",
        clip.phase_deg
    );
    let disc = Sky::at(clip.start_utc.parse().unwrap(), Observer::Geocentre).unwrap().disc(Body::Jupiter);
    assert!((disc.phase_angle_deg - 9.8541).abs() < 0.01);
    assert!((disc.bright_limb_position_angle_deg - 75.5476).abs() < 0.05);
}
