//! Which one thing limited the picture.
//!
//! Every factor is a number against a threshold, and a cost in one unit: the signal to noise (power, dB) at half the
//! telescope's cut-off that would be gained without it. A blur of transfer m costs `-20 log10 m`, light or frames of
//! which a share s is left cost `-10 log10 s`. A blur limits where it leaves less than 0.8 of the contrast (Marechal's
//! criterion), noise where a Wiener filter would. Thresholds and their sources stand with each factor in
//! [`blur`], [`light`], [`sky`] and [`mount`]. Where the data cannot tell, that is said.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Memory, Method, Node, Outcome, Parameters, PortType, Series, Shape,
    StreamShape, Transform, Value,
};

mod blur;
mod collimation;
mod evidence;
mod factor;
mod light;
mod lopsided;
mod mount;
mod sky;
#[cfg(test)]
mod tests;

use crate::optics;
use evidence::Evidence;
use factor::Factor;

/// `assess.limit`.
pub struct Limit;

impl Method for Limit {
    fn describe(&self) -> Description {
        let mut description = Description::new(
            "assess.limit",
            Shape::Transform,
            "Says which one thing limited the picture, and what to change",
        )
        .help(
            "Holds seeing, focus, collimation, sampling, noise, exposure, clouds, rotation, dispersion, tracking, lost \
             frames and the window against thresholds, and orders them by what each costs in signal to noise at half the \
             telescope's cut-off. Link what there is: the stack, its table, its motions, and the records of \
             assess.capture and sharpen.wavefront; what is missing is said. Poor focus is told from poor air by the \
             image's motion, behind which a shaking mount can hide it.",
        )
        .source(
            "Marechal's criterion, Born & Wolf 9.3; Noll 1976, J. Opt. Soc. Am. 66, 207; Saxton & Baumeister 1982, J. \
             Microsc. 127, 127; Filippenko 1982, PASP 94, 715; limits from own simulation and common practice as \
             marked",
        )
        .contract("assess")
        .optional("image", PortType::Image, "the stack, with half-stacks")
        .optional("table", PortType::Table, "measures of each frame, with the stack's weights")
        .optional("motion", PortType::Motion, "what the stack was made with")
        .many()
        .optional("records", PortType::Record, "of assess.capture, sharpen.wavefront")
        .many()
        .output("record", PortType::Record, "the limiting factor, and every factor with its cost");
        let more = [
            "target.name",
            "camera.exposure_s",
            "mount.kind",
            "site.latitude_deg",
            "site.longitude_deg",
            "site.elevation_m",
            "site.pressure_hpa",
            "site.temperature_c",
        ];
        for fact in optics::FACTS.into_iter().chain(more) {
            description = description.fact(fact);
        }
        description
    }

    fn create(&self, _: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(LimitNode { facts: facts.clone() })))
    }
}

struct LimitNode {
    facts: Facts,
}

fn factors(evidence: &Evidence) -> Vec<Factor> {
    let mut list = vec![
        blur::seeing(evidence),
        blur::focus(evidence),
        blur::exposure_time(evidence),
        blur::sampling(evidence),
        light::noise(evidence),
        light::exposure_level(evidence),
        light::clouds(evidence),
        sky::rotation(evidence),
        sky::dispersion(evidence),
        mount::tracking(evidence),
        mount::lost_frames(evidence),
        mount::window(evidence),
        collimation::collimation(evidence),
    ];
    factor::order(&mut list);
    list
}

impl Transform for LimitNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let evidence = Evidence::of(bound, &self.facts);
        let list = factors(&evidence);
        let judged = evidence.wavefront_rad2.is_some() || evidence.snr.is_some();
        let mut record = factor::record(&list, &|db| evidence.gain(db), judged);
        if let Some(altitude) = sky::altitude_deg(&evidence) {
            let help = "of the target in the middle of the clip";
            record.entries.push(Entry::number("altitude", altitude, "deg", help));
        }
        if let Some(exposure) = evidence.exposure_s() {
            record.entries.push(Entry::number("exposure", 1e3 * exposure, "ms", "of a frame"));
        }
        record.entries.extend(spectrum(bound, &self.facts).into_iter().map(Entry::Series));
        record.entries.iter().for_each(|e| context.record(e.clone()));
        Ok(vec![Value::Record(Arc::new(record))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 10, ..Memory::default() }
    }
}

/// Power of the stack and of its noise, ring by ring, the middle channel.
fn spectrum(bound: &Bound, facts: &Facts) -> Vec<Series> {
    use stillair_maths::fft::Fft2;
    use stillair_maths::rings::Rings;
    use stillair_maths::{robust, window};
    let Some(image) = bound.maybe_image("image") else { return Vec::new() };
    let middle = image.channels / 2;
    let (Some(a), Some(b)) = (image.half(0, middle), image.half(1, middle)) else { return Vec::new() };
    let (width, height) = (image.width, image.height);
    let (plan, rings) = (Fft2::new(width, height), Rings::new(width, height));
    let (columns, rows) = (window::taper(width, 0.15), window::taper(height, 0.15));
    let mut scratch = plan.scratch();
    let mut power = |picture: Vec<f32>| {
        let mut windowed = vec![0.0; width * height];
        window::apply(&picture, &columns, &rows, &mut windowed);
        let mut out = plan.spectrum();
        plan.forward(&windowed, &mut out, &mut scratch);
        rings.power(&out)
    };
    let sky = robust::percentile_f32(image.channel(middle), 5.0, &mut Vec::new());
    let whole = power(image.channel(middle).iter().map(|v| v - sky).collect());
    let noise = power(a.iter().zip(b).map(|(a, b)| 0.5 * (a - b)).collect());
    let cutoff = optics::cutoffs(image, facts).map(|k| k[middle]);
    let (unit, scale) = if let Some(c) = cutoff { ("cut-offs", 1.0 / c) } else { ("cycles/px", 1.0) };
    let top = whole.get(1).copied().unwrap_or(1.0).max(f64::MIN_POSITIVE);
    let series = |name: &str, values: &[f64]| {
        let kept = (1..values.len()).filter(|i| values[*i] > 0.0);
        let (x, y) = kept.map(|i| (rings.frequency(i) * scale, 10.0 * libm::log10(values[i] / top))).unzip();
        Series {
            name: name.into(),
            x_label: "spatial frequency".into(),
            x_unit: unit.into(),
            y_label: "power".into(),
            y_unit: "dB".into(),
            x,
            y,
        }
    };
    vec![series("power-stack", &whole), series("power-noise", &noise)]
}
