//! Resolution from two half-stacks.
//!
//! The Fourier ring correlation of the half-stacks (Saxton & Baumeister 1982, J. Microsc. 127, 127),
//! both freed of their sky and tapered at the edges. Where it falls below 1/7 the whole stack's
//! correlation with the noiseless picture is a half (Rosenthal & Henderson 2003, J. Mol. Biol. 333,
//! 721): that frequency is given in cycles per px, as a period in arcsec and as a share of the
//! telescope's cut-off.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Memory, Method, Node, Outcome, Parameters, PortType, Record,
    Series, Shape, StreamShape, Transform, Value,
};
use stillair_maths::{rings, robust};

use crate::optics::{self, channel_name};

/// Half-stack correlation at which the stack's with the noiseless picture is a half.
const LEVEL: f64 = 1.0 / 7.0;
/// Share of Nyquist beyond which an undersampled picture's correlation is not to be quoted.
const QUOTABLE: f64 = 2.0 / 3.0;

/// `assess.resolution`.
pub struct Resolution;

impl Method for Resolution {
    fn describe(&self) -> Description {
        let mut description = Description::new(
            "assess.resolution",
            Shape::Transform,
            "Measures resolution between two half-stacks",
        )
        .help(
            "Correlates the two half-stacks ring by ring in the frequency plane; where they stop agreeing the \
                     picture ends. The curve, its crossing of 1/7, and that as a period in arcsec and a share of the \
                     telescope's cut-off, for each channel. Halves aligned to one common reference share some of its \
                     noise, so the figure is a little too good on faint targets, above about 0.7 of the cut-off.",
        )
        .source("Saxton & Baumeister 1982, J. Microsc. 127, 127; Rosenthal & Henderson 2003, J. Mol. Biol. 333, 721")
        .contract("assess")
        .input("image", PortType::Image, "a picture with its half-stacks")
        .output("record", PortType::Record, "curves, crossings and a verdict");
        for fact in optics::FACTS {
            description = description.fact(fact);
        }
        description
    }

    fn create(&self, _: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(ResolutionNode { facts: facts.clone() })))
    }
}

struct ResolutionNode {
    facts: Facts,
}

impl Transform for ResolutionNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        if image.halves.is_none() || image.area() == 0 {
            // So it is with the stack of a single frame, whose picture is as good as it gets.
            context.warn(
                "the picture has no half-stacks, so its resolution cannot be measured; it takes a stack of two frames or \
                 more, or a sharpening that keeps half-stacks",
            );
            return Ok(vec![Value::Record(Arc::default())]);
        }
        let cutoffs = optics::cutoffs(image, &self.facts);
        let arcsec = optics::rad_per_px(image, &self.facts).map(|r| r.to_degrees() * 3600.0);
        let mut record = Record::default();
        for c in 0..image.channels {
            if context.cancelled() {
                return Err(Fault::cancelled());
            }
            let (Some(a), Some(b)) = (image.half(0, c), image.half(1, c)) else { continue };
            let mut scratch = Vec::new();
            let [a, b] = [a, b].map(|half| {
                let sky = robust::percentile_f32(half, 5.0, &mut scratch);
                half.iter().map(|v| v - sky).collect::<Vec<f32>>()
            });
            let curve = rings::fourier_ring_correlation(&a, &b, image.width, image.height, 0.15);
            let smooth = rings::smooth(&curve.value, 1);
            let end = rings::crossing(&curve.frequency, &smooth, LEVEL, 0.04);
            let name = channel_name(image.channels, c);
            entries(&mut record, name, end, cutoffs.as_ref().map(|k| k[c]), arcsec);
            let help =
                "share of the picture brighter than a fifth of its bright end, as far as the correlation sees it";
            record.entries.push(Entry::number(&format!("filled-{name}"), filled(&a, &mut scratch), "", help));
            let bits = rings::information(&curve, 0.04, 0.5);
            let help = "sum over rings of log2(1 + signal-to-noise): what selection maximises";
            record.entries.push(Entry::number(&format!("information-{name}"), bits, "bit", help));
            record.entries.push(Entry::Series(Series {
                name: format!("half-stack-correlation-{name}"),
                x_label: "spatial frequency".into(),
                x_unit: "cycles/px".into(),
                y_label: "correlation of the half-stacks".into(),
                y_unit: String::new(),
                x: curve.frequency.clone(),
                y: curve.value,
            }));
        }
        record.entries.iter().for_each(|e| context.record(e.clone()));
        Ok(vec![Value::Record(Arc::new(record))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 8, ..Memory::default() }
    }
}

/// Share of pixels brighter than a fifth of the 99th percentile of a picture freed of its sky.
fn filled(picture: &[f32], scratch: &mut Vec<f32>) -> f64 {
    let level = 0.2 * robust::percentile_f32(picture, 99.0, scratch);
    picture.iter().filter(|v| **v > level).count() as f64 / picture.len().max(1) as f64
}

/// The crossing in its units, and the verdict.
fn entries(record: &mut Record, name: &str, end: Option<f64>, cutoff: Option<f64>, arcsec: Option<f64>) {
    let value = end.unwrap_or(0.5);
    let beyond = end.is_none();
    record.entries.push(Entry::number(
        &format!("resolution-{name}"),
        value,
        "cycles/px",
        if beyond { "half-stacks agree up to Nyquist: at least this" } else { "half-stacks agree (1/7) up to here" },
    ));
    if let Some(arcsec) = arcsec {
        let help = "period at the end of agreement; half of it is the finest separate detail";
        record.entries.push(Entry::number(&format!("resolution-period-{name}"), arcsec / value, "arcsec", help));
    }
    if let Some(cutoff) = cutoff {
        let share = value / cutoff;
        let help = "share of the telescope's cut-off that the half-stacks agree on";
        record.entries.push(Entry::number(&format!("resolution-share-{name}"), share, "", help));
        let text = if beyond && cutoff > 0.5 {
            "the pixels end before the detail does: finer sampling would show more"
        } else if cutoff > 0.5 && value > 0.5 * QUOTABLE {
            "near the pixels' limit: undersampled, the figure may be flattered by aliasing"
        } else if share > 0.7 {
            "close to what the telescope can show"
        } else if share > 0.45 {
            "between seeing and telescope: more or better frames would show more"
        } else {
            "far from the telescope's limit: seeing, focus or noise holds the picture back"
        };
        record.entries.push(Entry::Verdict {
            name: format!("resolution-verdict-{name}"),
            value: share,
            unit: String::new(),
            threshold: 0.7,
            text: text.into(),
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::TestContext;
    use stillair_api::{FactOrigin, FactValue, Image};
    use stillair_maths::fft::{Fft2, frequency};

    /// Standard normal numbers: sums of twelve uniform ones (Knuth's MMIX multiplier).
    fn normals(seed: u64) -> impl FnMut() -> f32 {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        move || {
            (0..12).fold(-6.0_f32, |sum, _| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum + (state >> 40) as f32 / 16_777_216.0
            })
        }
    }

    /// Common white signal below 0.2 cycles per px, white noise of 0.7 in each half.
    fn halves(side: usize) -> Image {
        let mut normal = normals(3);
        let plan = Fft2::new(side, side);
        let mut signal: Vec<f32> = (0..side * side).map(|_| normal()).collect();
        let mut spectrum = plan.spectrum();
        let mut scratch = plan.scratch();
        plan.forward(&signal, &mut spectrum, &mut scratch);
        for (i, v) in spectrum.iter_mut().enumerate() {
            let (kx, ky) = (i % plan.half_width(), i / plan.half_width());
            if libm::hypot(frequency(kx, side), frequency(ky, side)) > 0.2 {
                *v *= 0.0;
            }
        }
        plan.inverse(&mut spectrum, &mut signal, &mut scratch);
        let mut image = Image::new(side, side, 1);
        let mut half = || signal.iter().map(|s| s + 0.7 * normal()).collect::<Vec<f32>>();
        let (a, b) = (half(), half());
        image.data = a.iter().zip(&b).map(|(a, b)| 0.5 * (a + b)).collect();
        image.halves = Some([a, b]);
        image
    }

    fn facts() -> Facts {
        let mut facts = Facts::default();
        for (name, value) in
            [("telescope.aperture_mm", 100.0), ("telescope.focal_mm", 2000.0), ("camera.pixel_um", 4.4)]
        {
            facts.set(name, FactValue::Number(value), FactOrigin::Session);
        }
        facts
    }

    // The signal ends at 0.2 cycles per px by construction. 100 mm at 550 nm cut off at
    // 100 * 4.4e3 / (550 * 2000) = 0.4 cycles per px, so the share is a half; 2.2e-6 rad are
    // 0.4538 arcsec per px, so the period is 2.269 arcsec.
    #[test]
    fn the_end_of_a_band_is_found_in_all_its_units() {
        let Ok(Node::Transform(node)) = Resolution.create(&Parameters::default(), &facts()) else { panic!("no node") };
        let context = TestContext::default();
        let bound = Bound::default().with("image", Value::Image(Arc::new(halves(96))));
        node.run(&context, &bound).unwrap();
        let got = context.number("resolution-mono").unwrap();
        assert!((got - 0.2).abs() < 0.015, "{got}");
        assert!((context.number("resolution-share-mono").unwrap() / (got / 0.4) - 1.0).abs() < 1e-6);
        let period = context.number("resolution-period-mono").unwrap();
        assert!((period * got / 0.453_8 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn without_halves_nothing_is_measured_and_that_is_said() {
        let Ok(Node::Transform(node)) = Resolution.create(&Parameters::default(), &Facts::default()) else {
            panic!("no node")
        };
        let bound = Bound::default().with("image", Value::Image(Arc::new(Image::new(8, 8, 1))));
        let context = TestContext::default();
        assert!(matches!(&node.run(&context, &bound).unwrap()[..], [Value::Record(r)] if r.entries.is_empty()));
        assert!(context.warnings.lock().unwrap()[0].contains("a stack of two frames or more"));
    }

    // By definition: a disc of brightness 1 on black that covers a quarter of the picture fills a quarter.
    #[test]
    fn what_the_target_fills_is_told() {
        let picture: Vec<f32> = (0..400).map(|i| if i % 20 < 10 && i / 20 < 10 { 1.0 } else { 0.0 }).collect();
        assert_eq!(filled(&picture, &mut Vec::new()), 0.25);
    }
}
