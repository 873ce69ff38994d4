//! Balances colours linearly, to what the target's surface reflects.
//!
//! Each channel less its sky is multiplied by a gain, green by 1. With a known target the means
//! over the disc are brought to the target's disc-average ratios of albedo, so that the Sun's own
//! light counts as white; the ratios stand in [`PRESETS`] (from memory, not confirmed by a source).
//! "neutral" makes the mean grey, which is false for every planet and labelled so.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Image, Memory, Method, Node, Outcome, Parameter, Parameters,
    PortType, Shape, StreamShape, Transform, Value,
};
use stillair_maths::robust;

use crate::levels::border_level;

/// Disc-average albedo in red and blue over green (from memory, not confirmed by a source).
const PRESETS: [(&str, f64, f64); 6] = [
    ("jupiter", 1.07, 0.86),
    ("saturn", 1.15, 0.75),
    ("mars", 1.9, 0.45),
    ("moon", 1.1, 0.9),
    ("venus", 1.02, 0.95),
    ("mercury", 1.12, 0.88),
];

/// `colour.balance`.
pub struct Balance;

impl Method for Balance {
    fn describe(&self) -> Description {
        Description::new("colour.balance", Shape::Transform, "Balances colours to the target's albedo, linearly")
            .help(
                "Takes the sky off each channel and multiplies red and blue so that the disc's mean has the ratios \
                 of albedo that the target is known for, or is neutral, or by gains given. Neutral is not the true \
                 colour of any planet: it turns Mars grey. An unknown target is left as the camera saw it. Mono \
                 pictures only lose their sky. The means follow the disc's visible part: strong markings or a \
                 thick atmosphere shift them.",
            )
            .source("linear scaling; albedo ratios from memory, not confirmed by a source")
            .contract("colour")
            .input("image", PortType::Image, "a linear picture")
            .output("image", PortType::Image, "the balanced picture, linear")
            .parameter(Parameter::choice(
                "mode",
                &["target", "neutral", "gains", "none"],
                "target",
                "what the gains follow: the target's albedo, a grey mean (false colour), the gains given, or nothing",
            ))
            .parameter(Parameter::number("red_gain", "", 0.01, 100.0, 1.0, "gain of red in mode gains"))
            .parameter(Parameter::number("blue_gain", "", 0.01, 100.0, 1.0, "gain of blue in mode gains"))
            .parameter(Parameter::flag("subtract_sky", true, "whether each channel's sky is taken off"))
            .fact("target.name")
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let mode = match parameters.text("mode")? {
            "target" => Mode::Target,
            "neutral" => Mode::Neutral,
            "gains" => Mode::Gains(parameters.number("red_gain")?, parameters.number("blue_gain")?),
            _ => Mode::None,
        };
        Ok(Node::Transform(Box::new(BalanceNode {
            mode,
            subtract_sky: parameters.flag("subtract_sky")?,
            target: facts.text("target.name").map(str::to_lowercase),
        })))
    }
}

enum Mode {
    Target,
    Neutral,
    Gains(f64, f64),
    None,
}

struct BalanceNode {
    mode: Mode,
    subtract_sky: bool,
    target: Option<String>,
}

/// Means over the bright part (green above a quarter of its bright end) of each plane less its
/// sky; `None` where a mean is not positive.
fn disc_means(image: &Image, skies: &[f32]) -> Option<[f64; 3]> {
    let green = image.channel(1);
    let top = robust::percentile_f32(green, 98.0, &mut Vec::new()) - skies[1];
    let level = skies[1] + 0.25 * top;
    let mut sums = [0.0_f64; 3];
    let mut n = 0.0;
    for (i, g) in green.iter().enumerate() {
        if *g > level {
            n += 1.0;
            for (c, sum) in sums.iter_mut().enumerate() {
                *sum += f64::from(image.channel(c)[i] - skies[c]);
            }
        }
    }
    let means = sums.map(|s| s / n);
    (n > 0.0 && means.iter().all(|m| *m > 0.0)).then_some(means)
}

impl Transform for BalanceNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        if image.area() == 0 {
            return Err(Fault::data("the picture to be balanced has no pixels"));
        }
        let skies: Vec<f32> =
            (0..image.channels).map(|c| border_level(image.channel(c), image.width, image.height)).collect();
        let (gains, words) = self.gains(context, image, &skies);
        let mut out: Image = (**image).clone();
        let area = image.area();
        let apply = |data: &mut [f32]| {
            for (c, plane) in data.chunks_exact_mut(area).enumerate() {
                let (gain, sky) = (gains[c] as f32, if self.subtract_sky { skies[c] } else { 0.0 });
                plane.iter_mut().for_each(|v| *v = (*v - sky) * gain);
            }
        };
        apply(&mut out.data);
        if let Some(halves) = &mut out.halves {
            halves.iter_mut().for_each(|half| apply(half));
        }
        if image.channels == 3 {
            context.record(Entry::number("red-gain", gains[0], "", "gain of red, green being 1"));
            context.record(Entry::number("blue-gain", gains[2], "", "gain of blue, green being 1"));
        }
        context.record(Entry::text("balance", words.clone()));
        out.info
            .history
            .push(format!("colour.balance: {words}; sky {}", if self.subtract_sky { "taken off" } else { "kept" }));
        Ok(vec![Value::Image(Arc::new(out))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 2, ..Memory::default() }
    }
}

impl BalanceNode {
    /// Gains by channel and what they follow, in words.
    fn gains(&self, context: &dyn Context, image: &Image, skies: &[f32]) -> (Vec<f64>, String) {
        let unchanged = |why: &str| (vec![1.0; image.channels], why.to_string());
        if image.channels != 3 {
            return unchanged("mono picture, no gains");
        }
        let wanted = match &self.mode {
            Mode::None => return unchanged("no gains"),
            Mode::Gains(red, blue) => return (vec![*red, 1.0, *blue], "gains as given".into()),
            Mode::Neutral => (1.0, 1.0, "neutral: the mean made grey, not the target's true colour".to_string()),
            Mode::Target => match &self.target {
                None => return unchanged("the target is not named: colours as the camera saw them"),
                Some(name) => match PRESETS.iter().find(|p| p.0 == name.trim()) {
                    None => return unchanged("no albedo is known for the target: colours as the camera saw them"),
                    Some((name, red, blue)) => (*red, *blue, format!("disc mean to the albedo ratios of {name}")),
                },
            },
        };
        let Some(means) = disc_means(image, skies) else {
            context.warn("a channel has no light above its sky: colours are left as they are");
            return unchanged("no light to balance");
        };
        (vec![wanted.0 * means[1] / means[0], 1.0, wanted.1 * means[1] / means[2]], wanted.2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::TestContext;
    use stillair_api::{FactOrigin, FactValue, ParameterValue};

    fn disc() -> Image {
        let mut image = Image::new(40, 40, 3);
        for (c, level) in [0.2, 0.5, 0.3].into_iter().enumerate() {
            for (i, v) in image.channel_mut(c).iter_mut().enumerate() {
                let (x, y) = ((i % 40) as f32 - 20.0, (i / 40) as f32 - 20.0);
                *v = 0.01 * (c as f32 + 1.0) + if x * x + y * y < 100.0 { level } else { 0.0 };
            }
        }
        image
    }

    fn run(image: Image, name: Option<&str>, mode: &str) -> (Arc<Image>, TestContext) {
        let mut facts = Facts::default();
        if let Some(name) = name {
            facts.set("target.name", FactValue::Text(name.into()), FactOrigin::Session);
        }
        let mut parameters = Balance.describe().defaults();
        parameters.0.insert("mode".into(), ParameterValue::Text(mode.into()));
        let Ok(Node::Transform(node)) = Balance.create(&parameters, &facts) else { panic!("no node") };
        let context = TestContext::default();
        let out = node.run(&context, &Bound::default().with("image", Value::Image(Arc::new(image)))).unwrap();
        let Value::Image(out) = out[0].clone() else { panic!("no picture") };
        (out, context)
    }

    // By hand: means 0.2, 0.5, 0.3 to 1.07 : 1 : 0.86 of green need 2.675 and 1.43333.
    #[test]
    fn the_disc_gets_the_targets_ratios() {
        let (out, context) = run(disc(), Some("Jupiter"), "target");
        assert!((context.number("red-gain").unwrap() - 2.675).abs() < 1e-4);
        assert!((context.number("blue-gain").unwrap() - 1.433_333).abs() < 1e-4);
        let middle = 20 * 40 + 20;
        assert!((out.channel(0)[middle] / out.channel(1)[middle] - 1.07).abs() < 1e-4);
        assert!(out.channel(2)[0].abs() < 1e-6, "sky is black");
        // Balanced again nothing changes.
        let (again, _) = run((*out).clone(), Some("jupiter"), "target");
        assert!(again.data.iter().zip(&out.data).all(|(a, b)| (a - b).abs() < 1e-6));
    }

    #[test]
    fn neutral_is_grey_and_an_unknown_target_is_left_alone() {
        let (out, _) = run(disc(), None, "neutral");
        let middle = 20 * 40 + 20;
        assert!((out.channel(0)[middle] - out.channel(2)[middle]).abs() < 1e-5);
        assert!(out.info.history[0].contains("not the target's true colour"));
        let (same, context) = run(disc(), Some("comet"), "target");
        assert!((same.channel(0)[middle] - 0.2).abs() < 1e-6);
        assert_eq!(context.number("red-gain"), Some(1.0));
    }
}
