//! Whole frames: determinism, and the picture against what the optics say it should be.

use stillair_simulate::{Alignment, Layout, PlanetClip, Seeing, prepare};

/// A small clip that is quick to prepare.
fn small() -> PlanetClip {
    let mut clip = PlanetClip { frames: 12, diameter_arcsec: 20.0, ..PlanetClip::default() };
    (clip.camera.width, clip.camera.height) = (64, 60);
    clip.seeing.screen_points = 256;
    clip
}

/// No turbulence, no mount, almost no noise, 16 bits.
fn still(field_points: usize) -> PlanetClip {
    let mut clip = small();
    clip.frames = 1;
    clip.seeing = Seeing { d_over_r0: 0.0, field_points, ..clip.seeing };
    clip.mount.drift_arcsec_per_s = [0.0; 2];
    clip.mount.periodic_arcsec = 0.0;
    clip.camera.layout = Layout::Rgb;
    (clip.camera.bits, clip.camera.alignment, clip.camera.hot_pixels) = (16, Alignment::Right, 0);
    (clip.camera.gain_e_per_adu, clip.camera.read_noise_e, clip.camera.bias_adu) = (2000.0, 0.0, 100.0);
    clip.camera.sensitivity = [1.0; 3];
    clip.camera.dropped = 0.0;
    clip.sky = 0.0;
    clip.altitude_deg = 90.0;
    clip
}

/// Radiance of a frame's pixel.
fn radiance(clip: &PlanetClip, value: u16) -> f64 {
    (f64::from(value) - clip.camera.bias_adu) / (65_535.0 * clip.camera.exposure_level)
}

#[test]
fn frames_do_not_depend_on_order_or_thread() {
    for field_points in [1, 3] {
        let mut clip = small();
        clip.seeing.field_points = field_points;
        clip.rotation_deg_per_day = 40_000.0;
        let one = prepare(&clip, &|| false).unwrap();
        let forward: Vec<Vec<u16>> = (0..12).map(|n| one.frame(n)).collect();
        let other = prepare(&clip, &|| false).unwrap();
        for n in (0..12).rev() {
            assert_eq!(other.frame(n), forward[n]);
        }
        let third = prepare(&clip, &|| false).unwrap();
        std::thread::scope(|scope| {
            for first in 0..3 {
                let (third, forward) = (&third, &forward);
                scope.spawn(move || {
                    for n in (first..12).step_by(3) {
                        assert_eq!(third.frame(n), forward[n]);
                    }
                });
            }
        });
        assert_ne!(forward[0], forward[1]);
        clip.seed = 2;
        assert_ne!(prepare(&clip, &|| false).unwrap().frame(0), forward[0]);
    }
}

/// Without turbulence a frame is the object through the perfect telescope, whichever way it is rendered.
#[test]
fn still_air_shows_the_diffraction_picture() {
    for (field_points, tolerance) in [(1, 0.001), (4, 0.003)] {
        let clip = still(field_points);
        let simulation = prepare(&clip, &|| false).unwrap();
        let frame = simulation.frame(0);
        let truth = &simulation.truth()[0].diffraction_1x;
        let (w, h) = (clip.camera.width, clip.camera.height);
        let (mut worst, mut brightest) = (0f64, 0f64);
        for y in 8..h - 8 {
            for x in 8..w - 8 {
                let at = (y + truth.side / 2 - h / 2) * truth.side + x + truth.side / 2 - w / 2;
                for c in 0..3 {
                    let expected = f64::from(truth.values[3 * at + c]);
                    worst = worst.max((radiance(&clip, frame[3 * (y * w + x) + c]) - expected).abs());
                    brightest = brightest.max(expected);
                }
            }
        }
        assert!(brightest > 0.5, "{brightest}");
        assert!(worst < tolerance * brightest, "{field_points} field points: {worst} of {brightest}");
        assert!(simulation.frame_truth(0).strehl > 0.995);
    }
}

/// The centre of light moves by the offset that was asked for, and colours part by the dispersion.
/// Light of a blurred disc falls off into the sky without steps, whatever the frame is put together from: from pixel to
/// pixel it changes by no more than twice as much as beside them, but for 0.02 % of the brightest.
#[test]
fn the_sky_about_the_object_has_no_edges() {
    let mut clip = still(6);
    (clip.camera.width, clip.camera.height) = (128, 120);
    clip.seeing.d_over_r0 = 2.0;
    let simulation = prepare(&clip, &|| false).unwrap();
    let (frame, _) = simulation.frame_and_truth(0);
    let at = |x: usize, y: usize| radiance(&clip, frame[3 * (y * 128 + x) + 1]);
    let brightest = frame.iter().map(|v| radiance(&clip, *v)).fold(0.0, f64::max);
    let mut far = 0;
    for (line, length) in [(0, 128), (1, 120)] {
        for across in 8..112 {
            let value = |k: usize| if line == 0 { at(k, across) } else { at(across, k) };
            for k in 4..length - 5 {
                if (k - 3..k + 5).any(|k| value(k) > 0.02 * brightest) {
                    continue;
                }
                let step = |k: usize| (value(k + 1) - value(k)).abs();
                let near = [k - 2, k - 1, k + 1, k + 2].map(step).into_iter().fold(0.0, f64::max);
                assert!(step(k) <= 2.0 * near + 2e-4 * brightest, "{line} {across} {k}: {} {near}", step(k));
                far += 1;
            }
        }
    }
    assert!(far > 5_000, "{far}");
}

#[test]
fn shifts_are_what_they_say() {
    let centre = |clip: &PlanetClip| -> [[f64; 2]; 3] {
        let frame = prepare(clip, &|| false).unwrap().frame(0);
        core::array::from_fn(|c| {
            let mut sums = [0f64; 3];
            for y in 0..clip.camera.height {
                for x in 0..clip.camera.width {
                    // Above a tenth, so that the halo beyond the frame's edge plays no part.
                    let v = (radiance(clip, frame[3 * (y * clip.camera.width + x) + c]) - 0.1).max(0.0);
                    sums = [sums[0] + v, sums[1] + v * x as f64, sums[2] + v * y as f64];
                }
            }
            [sums[1] / sums[0], sums[2] / sums[0]]
        })
    };
    for field_points in [1, 4] {
        let mut clip = still(field_points);
        let rest = centre(&clip);
        clip.offset_px = [3.3, -2.2];
        let moved = centre(&clip);
        for c in 0..3 {
            assert!(
                (moved[c][0] - rest[c][0] - 3.3).abs() < 0.02 && (moved[c][1] - rest[c][1] + 2.2).abs() < 0.02,
                "{moved:?} {rest:?}"
            );
        }
        clip.offset_px = [0.0; 2];
        (clip.altitude_deg, clip.zenith_angle_deg) = (40.0, 0.0);
        let low = centre(&clip);
        let tan_zenith = 1.0 / 40f64.to_radians().tan();
        for (c, wavelength) in [620.0, 530.0, 460.0].into_iter().enumerate() {
            // Up is towards the zenith here, and y grows downwards.
            let expected = -clip.air.lift_arcsec(wavelength, 530.0, tan_zenith) / clip.arcsec_per_px();
            assert!(
                (low[c][1] - rest[c][1] - expected).abs() < 0.02,
                "{wavelength}: {} {expected}",
                low[c][1] - rest[c][1]
            );
            assert!((low[c][0] - rest[c][0]).abs() < 0.02);
        }
    }
}

#[test]
fn faults_are_named() {
    let refused = |change: &dyn Fn(&mut PlanetClip)| {
        let mut clip = small();
        change(&mut clip);
        prepare(&clip, &|| false).err().map(|e| e.to_string()).unwrap_or_default()
    };
    assert!(refused(&|c| c.camera.bits = 20).contains("bits = 20"));
    assert!(refused(&|c| c.seeing.shares.clear()).contains("one height, share and wind"));
    assert!(refused(&|c| c.camera.exposure_s = 1.0).contains("exposure_s"));
    assert_eq!(prepare(&small(), &|| true).err().map(|e| e.to_string()).unwrap_or_default(), "cancelled");
    let clip = PlanetClip { start_utc: "yesterday".into(), ..small() };
    assert!(
        prepare(&clip, &|| false)
            .unwrap()
            .ticks(0.0)
            .err()
            .map(|e| e.to_string())
            .unwrap_or_default()
            .contains("yesterday")
    );
}

/// 2000-01-01T00:00:00 is 630 822 816 000 000 000 ticks after the beginning of year 1 (730 119 days).
#[test]
fn ticks_count_from_year_one() {
    let clip = PlanetClip { start_utc: "2000-01-01T00:00:00Z".into(), ..small() };
    assert_eq!(prepare(&clip, &|| false).unwrap().ticks(1.5).unwrap(), 630_822_816_015_000_000);
}
