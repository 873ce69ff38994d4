use super::*;
use crate::choice::tests::run;
use stillair_api::{ParameterValue::Number, contract};

/// A table of `n` steady frames at 100 frames per second, to be spoilt by a test.
#[derive(Clone)]
struct Clip {
    n: usize,
    columns: Vec<(&'static str, Vec<f64>)>,
}

impl Clip {
    fn steady(n: usize) -> Self {
        // A small irregular wobble stands for seeing and noise; no two frames alike.
        let wobble = |seed: usize, size: f64| -> Vec<f64> {
            (0..n).map(|i| size * (((i * 7919 + seed * 104_729) % 1009) as f64 / 504.5 - 1.0)).collect()
        };
        let around = |seed: usize, middle: f64, share: f64| -> Vec<f64> {
            wobble(seed, share).iter().map(|w| middle * (1.0 + w)).collect()
        };
        let columns = vec![
            (columns::X_PX, around(1, 60.0, 0.02)),
            (columns::Y_PX, around(2, 50.0, 0.02)),
            (columns::WIDTH_PX, around(3, 80.0, 0.02)),
            (columns::HEIGHT_PX, around(4, 76.0, 0.02)),
            (columns::RADIUS_PX, around(5, 39.0, 0.01)),
            (columns::FLUX, around(6, 1500.0, 0.005)),
            (columns::BACKGROUND, around(7, 0.02, 0.05)),
            (columns::NOISE, around(8, 0.01, 0.05)),
            (columns::PEAK, around(9, 0.5, 0.02)),
            (columns::CLIPPED, vec![0.0; n]),
            (columns::CUT, vec![0.0; n]),
            (columns::FOUND, vec![1.0; n]),
            ("fills", vec![0.0; n]),
        ];
        Self { n, columns }
    }

    fn set(&mut self, name: &str, frames: std::ops::Range<usize>, value: f64) {
        let column = self.columns.iter_mut().find(|c| c.0 == name).unwrap();
        column.1[frames].fill(value);
    }

    fn scale(&mut self, name: &str, frames: std::ops::Range<usize>, by: impl Fn(usize) -> f64) {
        let column = self.columns.iter_mut().find(|c| c.0 == name).unwrap();
        frames.for_each(|i| column.1[i] *= by(i));
    }

    fn lose(&mut self, frames: std::ops::Range<usize>) {
        self.set(columns::FOUND, frames.clone(), 0.0);
        for name in [columns::X_PX, columns::Y_PX, columns::WIDTH_PX, columns::HEIGHT_PX, columns::RADIUS_PX] {
            self.set(name, frames.clone(), f64::NAN);
        }
        for name in [columns::FLUX, columns::PEAK, columns::CUT, columns::CLIPPED] {
            self.set(name, frames.clone(), f64::NAN);
        }
    }

    fn table(&self) -> Table {
        let times: Vec<f64> = (0..self.n).map(|i| 0.01 * i as f64).collect();
        let mut table = Table::for_frames(&times, None);
        for (name, data) in &self.columns {
            table.push(ColumnSpec::number(name, "", ""), data.clone());
        }
        table
    }

    fn reasons(&self) -> Vec<&'static str> {
        let out = run(&Usable, self.table(), &[]).0.unwrap();
        out.values(columns::REASON).unwrap().iter().map(|&r| Reason::ALL[r as usize].word()).collect()
    }

    fn refusal(&self) -> String {
        run(&Usable, self.table(), &[]).0.unwrap_err().to_string()
    }
}

#[test]
fn the_description_keeps_its_contract() {
    assert_eq!(contract::breaches(&Usable.describe()), Vec::<String>::new());
    for (i, reason) in Reason::ALL.into_iter().enumerate() {
        assert_eq!(reason.number(), i as f64);
    }
}

#[test]
fn a_steady_clip_is_kept_whole_and_thin_cloud_with_it() {
    let mut clip = Clip::steady(400);
    // A cloud that comes and goes within four seconds and takes 40 % at its thickest.
    clip.scale(columns::FLUX, 0..400, |i| 1.0 - 0.4 * (std::f64::consts::PI * i as f64 / 400.0).sin().powi(2));
    let (out, context) = run(&Usable, clip.table(), &[]);
    let out = out.unwrap();
    assert_eq!(out.values(columns::WEIGHT).unwrap().iter().sum::<f64>(), 400.0);
    assert_eq!(context.number("frames-usable"), Some(400.0));
    let transparency = out.values(columns::TRANSPARENCY).unwrap();
    assert!((transparency[200] / transparency[0] - 0.6).abs() < 0.01, "{}", transparency[200]);
}

#[test]
fn every_kind_of_bad_frame_gets_its_reason() {
    let mut clip = Clip::steady(300);
    clip.lose(10..12);
    clip.lose(20..21);
    clip.set(columns::BACKGROUND, 20..21, 0.0);
    clip.set(columns::NOISE, 20..21, 0.0);
    for column in &mut clip.columns {
        column.1[31] = column.1[30];
    }
    clip.set(columns::CUT, 40..43, 0.12);
    clip.set(columns::CLIPPED, 50..51, 0.9);
    clip.scale(columns::FLUX, 60..90, |_| 0.3);
    clip.scale(columns::FLUX, 120..121, |_| 0.8);
    clip.scale(columns::WIDTH_PX, 130..131, |_| 1.4);
    clip.scale(columns::RADIUS_PX, 140..141, |_| 0.7);
    let reasons = clip.reasons();
    for (frames, word) in [
        (10..12, "no target"),
        (20..21, "black"),
        (31..32, "repeated"),
        (40..43, "cut off"),
        (50..51, "overexposed"),
        (60..90, "clouded"),
        (120..121, "clouded"),
        (130..131, "odd size"),
        (140..141, "odd size"),
    ] {
        frames.for_each(|i| assert_eq!(reasons[i], word, "{i}"));
    }
    let bad = reasons.iter().filter(|r| !r.is_empty()).count();
    // The neighbours of a jump (59, 90, 119, 121) are rejected with it.
    assert_eq!(bad, 2 + 1 + 1 + 3 + 1 + 30 + 1 + 1 + 1 + 4);
}

#[test]
fn a_setting_target_is_no_cloud_but_is_in_a_short_window() {
    let mut clip = Clip::steady(3000);
    clip.scale(columns::FLUX, 0..3000, |i| 1.0 - 0.6 * i as f64 / 3000.0);
    let kept = |window_s: f64| {
        let out = run(&Usable, clip.table(), &[("window_s", Number(window_s))]).0.unwrap();
        out.values(columns::WEIGHT).unwrap().iter().sum::<f64>()
    };
    assert_eq!(kept(5.0), 3000.0);
    assert!(kept(120.0) < 3000.0);
}

#[test]
fn times_absent_constant_or_backwards_do_not_matter() {
    for time in [f64::NAN, 1.0, -0.01] {
        let clip = Clip::steady(50);
        let times: Vec<f64> = (0..50).map(|i| if time < 0.0 { time * i as f64 } else { time }).collect();
        let mut table = Table::for_frames(&times, None);
        for (name, data) in &clip.columns {
            table.push(ColumnSpec::number(name, "", ""), data.clone());
        }
        let out = run(&Usable, table, &[]).0.unwrap();
        assert_eq!(out.values(columns::USABLE).unwrap().iter().sum::<f64>(), 50.0);
    }
}

#[test]
fn a_single_frame_is_usable() {
    assert_eq!(Clip::steady(1).reasons(), [""]);
}

#[test]
fn where_nothing_is_usable_the_error_says_why_and_what_to_do() {
    let spoilt = |spoil: &dyn Fn(&mut Clip)| {
        let mut clip = Clip::steady(40);
        spoil(&mut clip);
        clip.refusal()
    };
    let says = |words: &str, wanted: &[&str]| wanted.iter().for_each(|w| assert!(words.contains(w), "{w}: {words}"));
    says(&spoilt(&|c| c.lose(0..40)), &["no planet in any of 40 frames", "hot pixel"]);
    let bright = spoilt(&|c| {
        c.lose(0..40);
        c.set(columns::BACKGROUND, 0..40, 0.5);
    });
    says(&bright, &["no planet", "bright all over (50 % of white)", "larger than the frame"]);
    let black = spoilt(&|c| {
        c.lose(0..40);
        c.set(columns::BACKGROUND, 0..40, 0.0);
        c.set(columns::NOISE, 0..40, 0.0);
    });
    says(&black, &["all 40 frames are black", "lid"]);
    says(&spoilt(&|c| c.set(columns::CUT, 0..40, 0.3)), &["cut off by the frame's edge in all 40", "cut_max"]);
    let large = spoilt(&|c| {
        c.set(columns::CUT, 0..40, 0.9);
        c.set("fills", 0..40, 1.0);
    });
    says(&large, &["disc is larger than the frame", "find.terrain"]);
    let clouded = spoilt(&|c| {
        c.lose(0..10);
        c.set(columns::PEAK, 10..40, 0.01);
    });
    says(&clouded, &["all 40 frames are clouded", "transparency_min"]);
    says(&spoilt(&|c| c.set(columns::CLIPPED, 0..40, 0.8)), &["overexposed in all 40 frames", "60 to 85 %"]);
    let mixed = spoilt(&|c| {
        c.set(columns::CUT, 0..15, 0.3);
        c.set(columns::PEAK, 15..40, 0.01);
    });
    says(&mixed, &["none of 40 frames is usable", "15 cut off", "25 clouded"]);
}

#[test]
fn a_saturated_disc_and_many_rejections_are_warned_of() {
    let mut clip = Clip::steady(40);
    clip.set(columns::CLIPPED, 0..40, 0.2);
    clip.set(columns::CUT, 0..30, 0.5);
    let (_, context) = run(&Usable, clip.table(), &[]);
    let warnings = context.warnings.lock().unwrap().join("\n");
    assert!(warnings.contains("30 of 40 frames") && warnings.contains("20 % of the disc"), "{warnings}");
}
