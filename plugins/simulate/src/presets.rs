//! Ready-made clips.

use crate::clip::{Alignment, Kind, Layout, Moon, Pattern, PlanetClip, Seeing};
use crate::weather::{Clouds, Mount};

/// Names that [`preset`] knows, with a line on each.
pub const PRESETS: [(&str, &str); 7] = [
    ("demo", "banded globe through 105 mm, 600 frames, one point spread a frame: quick"),
    ("banded-small", "banded globe of 49 arcsec through 105 mm, colour mosaic, 8 bit, 50 frames a second"),
    ("banded-large", "banded globe through 203 mm in strong seeing, one of four short clips over four minutes"),
    ("ringed-small", "ringed globe through 105 mm, long exposures, little light"),
    ("banded-clouded", "clouds, knocks, frames cut off and lost; 12 bits in 16"),
    ("rocky-small", "small rocky globe, turning field"),
    ("moons-mono", "banded globe with moons, mono camera"),
];

/// Names of terrains that [`preset`] knows too, with a line on each.
pub const TERRAINS: [(&str, &str); 3] = [
    ("terrain", "cratered surface through 105 mm, 640 x 360 px, vignetting and dust, 80 frames"),
    ("terrain-small", "the same, 256 x 192 px, 60 frames: quick"),
    ("terrain-strong", "cratered surface through 203 mm in strong seeing, finely sampled, 120 frames"),
];

/// What all terrains share.
fn terrain(clip: &mut PlanetClip) {
    clip.kind = Kind::Terrain;
    clip.target = Some("moon".into());
    (clip.rotation_deg_per_day, clip.detail) = (0.0, 0.12);
    clip.sun_altitude_deg = 12.0 + (clip.seed % 5) as f64 * 3.0;
    clip.camera.layout = Layout::Mono;
    (clip.camera.width, clip.camera.height) = (640, 360);
    (clip.camera.gain_e_per_adu, clip.camera.bias_adu, clip.camera.exposure_level) = (12.0, 5.0, 0.72);
    (clip.camera.hot_pixels, clip.camera.vignetting, clip.camera.dust) = (10, 0.16, 4);
    (clip.camera.frames_per_s, clip.camera.exposure_s) = (30.0, 0.006);
    clip.wavelengths_nm[1] = 550.0;
    clip.seeing = Seeing {
        d_over_r0: 2.0,
        gust: 0.15,
        shares: vec![0.46, 0.24, 0.17, 0.13],
        steps: 2,
        field_points: 21,
        pupil_points: 32,
        screen_points: 2048,
        ..Seeing::default()
    };
    (clip.altitude_deg, clip.zenith_angle_deg) = (50.0, 25.0);
    clip.mount = Mount { drift_arcsec_per_s: [0.3, 0.1], ..Mount::default() };
    clip.frames = 80;
    clip.calibration_frames = 8;
}

/// A ready-made clip; `part` counts the clips of one night (only `banded-large` has more than one).
pub fn preset(name: &str, seed: u64, part: u64) -> Option<PlanetClip> {
    let field = |points| Seeing { field_points: points, pupil_points: 32, screen_points: 2048, ..Seeing::default() };
    let mut clip = PlanetClip { name: format!("{name}-{seed}"), seed, part, ..PlanetClip::default() };
    let turn = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) as f64 / u64::MAX as f64;
    clip.longitude_deg = (360.0 * turn).round();
    match name {
        "demo" => clip.name = "demo".into(),
        "banded-small" => {
            clip.diameter_arcsec = 49.12;
            clip.sub_observer_latitude_deg = 0.76;
            clip.pole_angle_deg = 11.0 - 30.0 * turn;
            clip.start_utc = "2021-08-20T00:30:00Z".into();
            clip.frames = 1200;
            clip.seeing = Seeing { d_over_r0: 2.05, ..field(6) };
            clip.mount.drift_arcsec_per_s = [0.13, -0.11];
        }
        "banded-large" => {
            clip.name = format!("{name}-{seed}_{part}");
            clip.diameter_arcsec = 45.14;
            clip.sub_observer_latitude_deg = 3.40;
            clip.pole_angle_deg = -10.0 + 25.0 * turn;
            clip.up_position_angle_deg =
                Some(((344.06 - clip.pole_angle_deg).rem_euclid(360.0) * 100.0).round() / 100.0);
            clip.start_utc = "2035-09-15T19:30:00Z".into();
            // Of the same night: the lit limb's middle stands at position angle 75.55 degrees.
            (clip.phase_deg, clip.bright_limb_angle_deg) = (9.854, 75.548 - 344.065 + clip.pole_angle_deg);
            (clip.telescope.aperture_mm, clip.telescope.obstruction, clip.telescope.focal_mm) = (203.0, 0.34, 3250.0);
            (clip.camera.pixel_um, clip.camera.width, clip.camera.height) = (2.9, 304, 288);
            (clip.camera.frames_per_s, clip.camera.exposure_s, clip.camera.hot_pixels) = (25.0, 0.010, 8);
            clip.seeing = Seeing { d_over_r0: 3.8, steps: 2, ..field(7) };
            (clip.altitude_deg, clip.zenith_angle_deg) = (47.0, -22.0);
            clip.mount = Mount { drift_arcsec_per_s: [0.02, 0.01], periodic_arcsec: 2.4, ..Mount::default() };
            clip.frames = 90;
            clip.start_s = 78.8 * part as f64;
            clip.truth_times_s = if part == 0 { vec![120.0, 1.8] } else { vec![] };
        }
        "ringed-small" => {
            clip.kind = Kind::Ringed;
            (clip.diameter_arcsec, clip.flattening) = (18.65, 0.098);
            (clip.sub_observer_latitude_deg, clip.rotation_deg_per_day) = (-11.58, 810.8);
            clip.pole_angle_deg = 4.0 - 20.0 * turn;
            clip.start_utc = "1997-08-09T12:00:00Z".into();
            (clip.camera.height, clip.camera.exposure_s, clip.camera.frames_per_s) = (80, 0.020, 40.0);
            (clip.camera.gain_e_per_adu, clip.camera.exposure_level, clip.camera.hot_pixels) = (5.0, 0.55, 4);
            clip.seeing = Seeing { d_over_r0: 1.85, ..field(6) };
            (clip.altitude_deg, clip.zenith_angle_deg) = (36.0, 31.0);
            clip.frames = 900;
        }
        "banded-clouded" => {
            clip.diameter_arcsec = 46.64;
            clip.sub_observer_latitude_deg = 2.08;
            clip.pole_angle_deg = 18.0 - 30.0 * turn;
            clip.start_utc = "1990-01-15T03:20:00Z".into();
            clip.camera.layout = Layout::Mosaic(Pattern::Grbg);
            (clip.camera.bits, clip.camera.alignment) = (12, Alignment::Left);
            (clip.camera.gain_e_per_adu, clip.camera.read_noise_e, clip.camera.bias_adu) = (0.45, 2.2, 60.0);
            (clip.camera.frames_per_s, clip.camera.exposure_s, clip.camera.dropped) = (20.0, 0.014, 0.02);
            clip.seeing = Seeing { d_over_r0: 2.0, gust: 0.2, ..field(6) };
            (clip.altitude_deg, clip.zenith_angle_deg) = (38.0, 15.0);
            clip.clouds = Some(Clouds { rate_per_s: 0.2, duration_s: 3.5, least_transmission: 0.22, glow: 6.0 });
            clip.mount = Mount {
                drift_arcsec_per_s: [-0.28, 0.33],
                knocks_per_s: 0.4,
                knock_arcsec: 11.0,
                knock_tau_s: 0.5,
                ..Mount::default()
            };
            clip.offset_px = [4.0, -5.0];
            clip.frames = 500;
        }
        "rocky-small" => {
            clip.kind = Kind::Rocky;
            (clip.diameter_arcsec, clip.flattening) = (17.0, 0.006);
            (clip.sub_observer_latitude_deg, clip.rotation_deg_per_day) = (6.0, 350.9);
            clip.pole_angle_deg = 27.0 - 40.0 * turn;
            (clip.camera.width, clip.camera.height) = (72, 72);
            clip.camera.sensitivity = [0.8, 1.0, 0.55];
            (clip.camera.frames_per_s, clip.camera.exposure_s, clip.camera.hot_pixels) = (10.0, 0.008, 3);
            clip.seeing = Seeing { d_over_r0: 1.75, gust: 0.15, ..field(6) };
            (clip.altitude_deg, clip.zenith_angle_deg) = (79.0, 3.0);
            clip.mount = Mount { drift_arcsec_per_s: [0.04, 0.05], periodic_arcsec: 1.0, ..Mount::default() };
            clip.field_rotation_deg_per_s = -0.045;
            clip.frames = 900;
        }
        "moons-mono" => {
            clip.camera.layout = Layout::Mono;
            (clip.camera.width, clip.camera.height) = (200, 112);
            clip.diameter_arcsec = 40.0;
            clip.moons = vec![
                Moon {
                    offset_radii: [-1.9, 0.1],
                    radius_radii: 0.03,
                    radiance: 0.9,
                    drift_radii_per_hour: [0.25, 0.0],
                },
                Moon {
                    offset_radii: [1.45, -0.08],
                    radius_radii: 0.025,
                    radiance: 0.8,
                    drift_radii_per_hour: [-0.2, 0.0],
                },
            ];
            clip.seeing = Seeing { d_over_r0: 2.0, screen_points: 2048, ..Seeing::default() };
        }
        "terrain" | "terrain-small" | "terrain-strong" => {
            terrain(&mut clip);
            if name == "terrain-small" {
                (clip.camera.width, clip.camera.height, clip.frames) = (256, 192, 60);
                (clip.seeing.field_points, clip.seeing.screen_points, clip.seeing.pupil_points) = (9, 1024, 32);
            }
            if name == "terrain-strong" {
                (clip.telescope.aperture_mm, clip.telescope.obstruction, clip.telescope.focal_mm) =
                    (203.0, 0.34, 3250.0);
                (clip.camera.pixel_um, clip.camera.width, clip.camera.height, clip.frames) = (2.9, 480, 360, 120);
                (clip.seeing.d_over_r0, clip.seeing.field_points) = (3.6, 15);
            }
        }
        _ => return None,
    }
    Some(clip)
}
