//! What a comparison concludes from its numbers.

use super::measures::{Keys, sigma_of_crossing};
use super::*;

fn run_of(words: &[&str]) -> RunOf {
    let words: Vec<String> = words.iter().map(|w| (*w).to_string()).collect();
    let name = words.join(", ");
    RunOf { name, settings: words.clone(), words, clip: "a.ser".into(), folder: None, failure: None }
}

/// Runs with the stack and the noise given, all measured at 0.5 arcsec per px.
fn compared(runs: &[(&[&str], &str, f64, f64)], rank: Measure) -> (Vec<Row>, Conclusion, Unit) {
    let comparison =
        Comparison { recipe: "r".into(), rank, runs: runs.iter().map(|(words, ..)| run_of(words)).collect() };
    let measured = runs.iter().enumerate().map(|(index, (_, stack, resolution, noise))| {
        Some(Measured {
            resolution_cycles_per_px: value(*resolution, 0.01),
            noise: value(*noise, 1e-6),
            arcsec_per_px: Some(0.5),
            keys: Keys { resolution: Some((*stack).into()), noise: Some(index.to_string()), overshoot: None },
            ..Measured::default()
        })
    });
    let measured: Vec<_> = measured.collect();
    let unit = Unit::common(measured.iter().flatten(), rank, true);
    let rows = rows(&comparison, measured, unit);
    let conclusion = Conclusion::of(&rows, rank, unit, &Told::of(&rows));
    (rows, conclusion, unit)
}

fn value(value: f64, sigma: f64) -> Option<Uncertain> {
    Some(Uncertain { value, sigma: Some(sigma) })
}

#[test]
fn runs_that_lie_within_the_uncertainty_share_a_rank() {
    // 0.30 and 0.29 differ by 0.01 with sqrt(2) 0.006 = 0.0085: 1.2 deviations. 0.20 is far away.
    let values = [value(0.20, 0.006), value(0.29, 0.006), None, value(0.30, 0.006)];
    assert_eq!(ranks(&values, true), [Some(3), Some(1), None, Some(1)]);
    assert_eq!(ranks(&values, false), [Some(1), Some(2), None, Some(2)]);
    // Without uncertainty only equal values are alike.
    let exact = [1.0, 1.0, 1.1].map(|v| Some(Uncertain { value: v, sigma: None }));
    assert_eq!(ranks(&exact, false), [Some(1), Some(1), Some(3)]);
    // A value at the end of what can be measured has none: that of the other decides.
    let ended = Some(Uncertain { value: 0.33, sigma: None });
    assert_eq!(ranks(&[value(0.30, 0.02), ended], true), [Some(1), Some(1)]);
    assert_eq!(ranks(&[value(0.30, 0.01), ended], true), [Some(2), Some(1)]);
}

#[test]
fn a_difference_is_called_one_only_beyond_two_deviations() {
    let run = run_of(&[]);
    let words = |difference: f64| {
        let difference = Some(Uncertain { value: difference, sigma: Some(0.01) });
        verdict(1, &run, value(0.3, 0.01), difference, Measure::Resolution)
    };
    assert_eq!(
        [words(0.0), words(0.019), words(0.021), words(-0.021)],
        ["no difference", "no difference", "better", "worse"]
    );
}

/// A curve that falls from 1 to 0 as a logistic function about a known crossing, with noise of the scatter that the
/// formula assumes: the crossings found in many such curves must scatter as told.
#[test]
fn the_uncertainty_of_the_crossing_is_that_of_many_noisy_curves() {
    let size = 200;
    let step = 1.0 / f64::from(size);
    let level = 1.0 / 7.0;
    // 1 / (1 + e^x) is 1/7 at x = ln 6.
    let smooth = |f: f64| 1.0 / (1.0 + ((f - 0.25) / 0.03).exp());
    let truth = 0.25 + 0.03 * 6f64.ln();
    let mut state = 7_u64;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut normal = || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
    let (mut found, mut told) = (Vec::new(), Vec::new());
    for _ in 0..400 {
        let noisy: Vec<f64> = (0..=size / 2)
            .map(|k| {
                let r = smooth(f64::from(k) * step);
                let pairs = (2.0 * std::f64::consts::PI * f64::from(k)).max(1.0);
                r + normal() * (1.0 - r * r) / pairs.sqrt()
            })
            .collect();
        let mean = |k: usize| (noisy[k - 1] + noisy[k] + noisy[k + 1]) / 3.0;
        let k = (20..99).find(|k| mean(*k) < level).unwrap();
        let crossing = step * (k as f64 - (level - mean(k)) / (mean(k - 1) - mean(k)));
        found.push(crossing);
        let curve: Vec<(f64, f64)> = noisy.iter().enumerate().map(|(k, r)| (k as f64 * step, *r)).collect();
        told.push(sigma_of_crossing(&curve, crossing, 1.0).unwrap());
    }
    let mean = found.iter().sum::<f64>() / 400.0;
    let scatter = (found.iter().map(|f| (f - mean).powi(2)).sum::<f64>() / 399.0).sqrt();
    told.sort_by(f64::total_cmp);
    assert!((mean - truth).abs() < 0.005, "{mean} for {truth}");
    assert!((told[200] / scatter - 1.0).abs() < 0.35, "told {} of {scatter}", told[200]);
    assert_eq!(sigma_of_crossing(&[(0.0, 1.0), (0.01, 1.0)], 0.5, 1.0), None, "beyond the end nothing is known");
}

#[test]
fn what_all_share_cannot_rank_and_is_said_to() {
    let runs: [(&[&str], &str, f64, f64); 2] =
        [(&["sharp.use=sharpen.starlet"], "one", 0.4, 90e-6), (&["sharp.use=sharpen.wiener"], "one", 0.4, 208e-6)];
    let (rows, conclusion, unit) = compared(&runs, Measure::Resolution);
    assert!(one_for_all(&rows, Measure::Resolution) && !one_for_all(&rows, Measure::Noise));
    assert_eq!([rows[0].rank, rows[1].rank], [None, None]);
    assert_eq!(rows[1].verdict, "the same stack as the first");
    assert!(conclusion.words.starts_with("not ranked: all runs share one stack"), "{conclusion:?}");
    let differences = conclusion.sentences().join("\n");
    let wanted = "noise of the finest detail from 90.0 (1 · starlet) to 208.0 millionths of white (2 · wiener)";
    assert!(differences.contains(wanted) && differences.contains("not simply better"), "{differences}");
    // Half a pattern of 2.5 px: 1 / 0.4 px, 0.5 arcsec each.
    let lines = page::lines(&rows, unit, &Told::of(&rows)).join("\n");
    let wanted = "the same for all runs: resolution (period) 2.500 ± 0.062 px = 1.250 ± 0.031 arcsec";
    assert!(lines.contains(wanted) && !lines.contains("cycles"), "{lines}");
    assert!(!lines.contains("verdict") && !lines.contains("rank"), "{lines}");
    // Noise does rank them, with a warning.
    let (rows, conclusion, _) = compared(&runs, Measure::Noise);
    assert_eq!([rows[0].rank, rows[1].rank], [Some(1), Some(2)]);
    assert_eq!(rows[1].verdict, "more");
    assert!(conclusion.words.ends_with("1 · starlet has the least"), "{conclusion:?}");
    assert!(conclusion.caution.unwrap().contains("prefers what sharpens less"));
}

#[test]
fn runs_of_several_stacks_are_ranked_and_those_of_one_stack_share_their_rank() {
    let runs: [(&[&str], &str, f64, f64); 3] = [
        (&["w.power=1", "s.use=a.b"], "one", 0.3, 1e-4),
        (&["w.power=1", "s.use=c.d"], "one", 0.3, 2e-4),
        (&["w.power=2", "s.use=a.b"], "two", 0.4, 1e-4),
    ];
    let (rows, conclusion, unit) = compared(&runs, Measure::Resolution);
    assert_eq!(rows.iter().map(|r| r.rank).collect::<Vec<_>>(), [Some(2), Some(2), Some(1)]);
    assert_eq!(rows[1].verdict, "the same stack as the first");
    assert_eq!(rows[2].verdict, "better");
    assert_eq!(conclusion.words, "ranked by the resolution between the half-stacks: 3 · power 2, a.b is the best");
    assert!(conclusion.caution.unwrap().contains("of runs that share one"));
    // 0.5 / 0.4 - 0.5 / 0.3 arcsec; 7 deviations in frequency, 0.1 of 0.0141, as in period.
    let lines = page::lines(&rows, unit, &Told::of(&rows));
    assert!(lines[3].contains("-0.417 ± 0.059"), "{lines:#?}");
}

#[test]
fn captions_say_only_what_differs() {
    let told = |runs: &[&[&str]]| {
        let runs: Vec<_> = runs.iter().map(|words| (*words, "s", 0.3, 1e-4)).collect();
        let rows = compared(&runs, Measure::Noise).0;
        let told = Told::of(&rows);
        let labels: Vec<String> = rows.iter().map(|row| told.label(row, &rows)).collect();
        (told.what, told.shared, labels)
    };
    let (what, shared, labels) = told(&[&["a.n=1", "s.use=sharpen.x"], &["a.n=1", "s.use=sharpen.y"]]);
    assert_eq!((what.as_str(), shared), ("s.use (sharpen)", vec!["a.n=1".to_string()]));
    assert_eq!(labels, ["1 · x", "2 · y"]);
    let (what, _, labels) = told(&[&["a.n=1", "s.use=p.x"], &["a.n=2", "s.use=q.y"]]);
    assert_eq!((what.as_str(), labels), ("a.n, s.use", vec!["1 · n 1, p.x".to_string(), "2 · n 2, q.y".into()]));
    let (what, shared, labels) = told(&[&["as it is"], &["harder"]]);
    assert_eq!((what.as_str(), shared.len(), labels[1].as_str()), ("", 0, "2 · harder"));
    let mut rows = compared(&[(&["w.power=1"], "s", 0.3, 1e-4), (&["w.power=2"], "s", 0.3, 1e-4)], Measure::Noise).0;
    rows[1].clip = "2031-05-02-2104_7-through-a-green-filter.ser".into();
    assert_eq!(Told::of(&rows).short_label(&rows[1], &rows), "2 · power 2 · 2031-05-02-2…en-filter.ser");
    // Clips alone.
    assert_eq!(told(&[&[], &[]]).2, ["1 · a.ser", "2 · a.ser"]);
}

#[test]
fn the_noise_is_that_of_the_picture_and_the_rim_that_of_its_sharpening() {
    let entry = |name: &str, value: f64| serde_json::json!({ "name": name, "value": value });
    let node = |step: &str, contract: &str, links: &[&str], entries: &[serde_json::Value]| serde_json::json!({ "step": step, "contract": contract, "key": step, "links": links, "entries": entries });
    let record = serde_json::json!({ "nodes": [
        node("stacked", "stack", &["frames <- clip"], &[]),
        node("early", "assess", &["image <- stacked.image"], &[entry("noise-green-1px", 1.0)]),
        node("soft", "sharpen", &["image <- stacked.image"], &[entry("limb-excess-green", 9.0)]),
        node("sharp", "sharpen", &["image <- soft.image"],
            &[entry("noise-green-1px", 2.0), entry("limb-excess-green", 4.0), entry("noise-gain-green", 3.0)]),
        node("noise", "assess", &["image <- sharp.image"], &[entry("noise-green-1px", 3.0)]),
        node("resolution", "assess", &["image <- stacked.image"], &[entry("resolution-green", 0.25)]),
        node("results.picture", "write.image", &["image <- sharp.image"], &[]),
    ] });
    let measured = Measured::of(&record);
    assert_eq!(measured.noise.map(|n| n.value), Some(3.0));
    assert_eq!((measured.limb_overshoot_percent, measured.noise_gain), (Some(4.0), Some(3.0)));
    let keys =
        Keys { resolution: Some("resolution".into()), noise: Some("noise".into()), overshoot: Some("sharp".into()) };
    assert_eq!(measured.keys, keys);
    assert_eq!(measured.period(Unit::Px).map(|p| p.value), Some(4.0));
    assert_eq!(measured.period(Unit::Arcsec), None);
}
