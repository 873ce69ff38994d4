//! Chooses the share of frames and the power of the grade by the information that the stack would carry.
//!
//! `stack.bins` gives the sums of the frames in bands of grades. Kept are the best `b` bands, each band with the weight
//! `W_b g_b^k` (`W_b` the sum of its frames' weights, `g_b` their mean grade); the half-stacks A and B of such a stack are
//! the same combinations of the bands' half-stacks. From the ring correlation `F` of A and B follows the signal-to-noise
//! ratio of each ring, `SSNR = 2 F / (1 - F)`, and the information `I = sum n log2(1 + SSNR)` over rings of `n` independent
//! coefficients from 0.08 to 0.95 of the telescope's cut-off. Seeing counts as noise where it differs between frames,
//! so that both blur and noise are in the measure, and no truth is needed. The pair (share, power) of the highest `I` is
//! chosen.
//!
//! Sources: Saxton & Baumeister 1982, J. Microsc. 127, 127 (ring correlation); Unser, Trus & Steven 1987, Ultramicroscopy
//! 23, 39 (SSNR); Shannon 1949, Proc. IRE 37, 10 (capacity of a band); the search is own derivation.

use stillair_api::light::{COLOUR_NM, UNSTATED_NM};
use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Image, Memory, Method, Node, Outcome, Parameter, Parameters,
    PortType, Series, Shape, StreamShape, Table, Transform, Value,
};
use stillair_maths::bands;
use stillair_maths::fft::{Complex32, Fft2};
use stillair_maths::rings::{self, RingCurve, Rings};
use stillair_maths::{robust, window};

use crate::choice::{Candidates, finish, with_ports};
use crate::weighted::weight_of;

/// Powers of the grade that are tried.
const POWERS: [f64; 7] = [0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0];
/// Share by which a choice must tell more than all frames alike: on six simulated clips where the best told less than that
/// more, all frames alike, sharpened, came out 0.1 dB nearer to the truth in the mean.
const EVEN: f64 = 0.015;
/// Frequencies of the measure, of the telescope's cut-off.
const BAND: (f64, f64) = (0.08, 0.95);
/// Frequencies of the measure where the cut-off is unknown, cycles per px.
const UNKNOWN_BAND: (f64, f64) = (0.04, 0.4);
/// Share of a picture's edge that is tapered before the transform.
const TAPER: f64 = 0.15;
/// Session facts that give the cut-off.
const FACTS: [&str; 4] = ["telescope.aperture_mm", "telescope.focal_mm", "camera.pixel_um", "camera.wavelength_nm"];

/// `select.auto`.
pub struct Auto;

impl Method for Auto {
    fn describe(&self) -> Description {
        let mut description = with_ports(Description::new(
            "select.auto",
            Shape::Transform,
            "Chooses share and weights of the frames by the measured trade of noise against blur",
        ))
        .input("images", PortType::Image, "the stacks of bands of grades (stack.bins) of the same table")
        .help(HELP)
        .source(
            "Saxton & Baumeister 1982, J. Microsc. 127, 127; Unser, Trus & Steven 1987, Ultramicroscopy 23, 39; the \
             search: own derivation",
        )
        .parameter(Parameter::number(
            "give",
            "%",
            0.0,
            30.0,
            0.0,
            "information that may be given up for a crisper stack: of all choices within so much of the best, the one \
             that keeps fewest frames",
        ));
        for fact in FACTS {
            description = description.fact(fact);
        }
        description
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let positive = |name: &str| facts.number(name).filter(|v| v.is_finite() && *v > 0.0);
        let cutoff_nm = match [FACTS[0], FACTS[1], FACTS[2]].map(positive) {
            // Cut-off times wavelength: D p / f in mm um / mm, in nm.
            [Some(aperture_mm), Some(focal_mm), Some(pixel_um)] => Some(aperture_mm * pixel_um * 1e3 / focal_mm),
            _ => None,
        };
        Ok(Node::Transform(Box::new(AutoNode {
            give: parameters.number("give")? / 100.0,
            by: parameters.text("by")?.into(),
            cutoff_nm,
            wavelength_nm: positive(FACTS[3]),
        })))
    }
}

/// What `explain` says.
const HELP: &str = "\
Tries every share of the frames with every power of their grade on the stacks of bands that stack.bins made, and takes the \
pair whose half-stacks would carry the most information; tells the choice in words and plots information against the share \
kept. The weights that come in are multiplied by the power of the grade: link a table of equal weights (select.weighted \
with power 0, which leaves the transparency in) to this and to stack.bins. Costs one more reading of the frames. Where no \
choice tells 1.5 % more than all frames alike, these are taken. On 16 simulated clips of planets at 105 and 203 mm it kept \
all frames, once four fifths, on six of them alike, else with powers of 0.5 to 3. With the linear filter that the truth \
tells, its stack came within 0.2 dB of that of the best of mere shares (35 % to all, select.fraction, told by the truth) \
on all 16, 0.1 dB above in the mean; as sharpened by sharpen.wiener within 0.3 dB of the best of a tenth to all on 12, at \
worst 0.9 dB below, even in the mean, since what the sharpening mistakes about the blur is another in every stack, and no \
measure of the stack tells that. Against select.weighted with power 2, which is simpler and the default of the recipes, it \
was even (0.02 dB less in the mean, 0.2 less to 0.2 more).";

/// The node: its parameters.
struct AutoNode {
    give: f64,
    by: String,
    /// Cut-off in cycles per px times the wavelength in nm.
    cutoff_nm: Option<f64>,
    wavelength_nm: Option<f64>,
}

/// A choice that was tried.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Trial {
    /// Bands kept.
    bands: usize,
    power: f64,
    /// Information in bit.
    bits: f64,
}

/// Spectra of the bands' half-stacks.
struct Spectra {
    rings: Rings,
    /// For each band its two halves.
    halves: Vec<[Vec<Complex32>; 2]>,
    band: (f64, f64),
}

/// The height of a band on the picture of all bands, from the reference point in the middle of the first.
///
/// # Errors
/// If the picture is none of `stack.bins`.
fn band_height(image: &Image) -> Outcome<usize> {
    let height = libm::round(2.0 * image.info.reference_px[1] + 1.0);
    let height = if height >= 1.0 && height <= image.height as f64 { height as usize } else { 0 };
    if height == 0 || !image.height.is_multiple_of(height) || image.halves.is_none() {
        return Err(Fault::request("the picture linked to `images` does not hold bands of grades with half-stacks")
            .remedy("link the picture of stack.bins"));
    }
    Ok(height)
}

impl Spectra {
    fn of(context: &dyn Context, image: &Image, band: (f64, f64)) -> Outcome<Self> {
        let height = band_height(image)?;
        let (width, count) = (image.width, image.height / height);
        let channel = image.channels / 2;
        let sky = robust::percentile_f32(image.channel(channel), 5.0, &mut Vec::new());
        let plan = Fft2::new(width, height);
        let (columns, rows) = (window::taper(width, TAPER), window::taper(height, TAPER));
        let mut scratch = plan.scratch();
        let mut windowed = vec![0.0; width * height];
        let mut halves = Vec::with_capacity(count);
        for bin in 0..count {
            if context.cancelled() {
                return Err(Fault::cancelled());
            }
            let mut pair = [Vec::new(), Vec::new()];
            for (half, spectrum) in pair.iter_mut().enumerate() {
                let Some(all) = image.half(half, channel) else { continue };
                let picture: Vec<f32> =
                    all[bin * width * height..(bin + 1) * width * height].iter().map(|v| v - sky).collect();
                window::apply(&picture, &columns, &rows, &mut windowed);
                *spectrum = plan.spectrum();
                plan.forward(&windowed, spectrum, &mut scratch);
            }
            halves.push(pair);
        }
        Ok(Self { rings: Rings::new(width, height), halves, band })
    }

    /// Information of the stacks of the best 1, 2, ... bands, with a factor for each band.
    fn information(&self, factors: &[f64]) -> Vec<f64> {
        let coefficients = self.halves.first().map_or(0, |h| h[0].len());
        let mut sums = [vec![Complex32::default(); coefficients], vec![Complex32::default(); coefficients]];
        let frequency: Vec<f64> = (0..self.rings.count()).map(|i| self.rings.frequency(i)).collect();
        let mut found = Vec::with_capacity(factors.len());
        for (pair, factor) in self.halves.iter().zip(factors) {
            for (sum, spectrum) in sums.iter_mut().zip(pair) {
                for (s, v) in sum.iter_mut().zip(spectrum) {
                    *s += *v * *factor as f32;
                }
            }
            let value = rings::smooth(&self.rings.correlation(&sums[0], &sums[1]), 1);
            let curve = RingCurve { frequency: frequency.clone(), value, count: self.rings.counts().to_vec() };
            found.push(rings::information(&curve, self.band.0, self.band.1));
        }
        found
    }
}

/// All choices: for each power of [`POWERS`] the best 1, 2, ... bands.
fn trials(spectra: &Spectra, weight: &[f64], grade: &[f64]) -> Vec<Vec<Trial>> {
    let one = |power: f64| {
        let factors: Vec<f64> = weight
            .iter()
            .zip(grade)
            .map(|(w, g)| w * if power == 0.0 { 1.0 } else { weight_of(*g, 0.0, power) })
            .collect();
        let bits = spectra.information(&factors);
        bits.into_iter().enumerate().map(|(i, bits)| Trial { bands: i + 1, power, bits }).collect()
    };
    POWERS.into_iter().map(one).collect()
}

/// The trial of the most information or, where some may be given up, the one of fewest frames within that of the best. All
/// frames alike where none tells [`EVEN`] more.
fn choose(all: &[Vec<Trial>], give: f64) -> Option<Trial> {
    let flat = || all.iter().flatten().copied();
    let most = flat().map(|t| t.bits).fold(0.0, f64::max);
    let alike = all.first().and_then(|line| line.last()).copied();
    if let Some(alike) = alike.filter(|t| give == 0.0 && t.bits > 0.0 && t.bits * (1.0 + EVEN) > most) {
        return Some(alike);
    }
    let within = flat().filter(|t| t.bits >= most * (1.0 - give));
    if give > 0.0 {
        within.min_by(|a, b| a.bands.cmp(&b.bands).then(b.bits.total_cmp(&a.bits)))
    } else {
        within.max_by(|a, b| a.bits.total_cmp(&b.bits))
    }
}

impl AutoNode {
    fn band(&self, image: &Image) -> (f64, f64) {
        let own = image.info.wavelength_nm.get(image.channels / 2).copied().filter(|nm| *nm > 0.0);
        let nm = own.or(self.wavelength_nm).unwrap_or(if image.channels == 3 { COLOUR_NM[1] } else { UNSTATED_NM });
        match self.cutoff_nm {
            Some(c) => (BAND.0 * c / nm, (BAND.1 * c / nm).min(0.5)),
            None => UNKNOWN_BAND,
        }
    }

    /// Sum of weights and weighted mean grade of every band, and how many frames the bands hold up to each.
    fn bands(&self, table: &Table, candidates: &Candidates, count: usize) -> (Vec<Option<usize>>, Vec<f64>, Vec<f64>) {
        let mut grades = vec![f64::NAN; table.rows()];
        for (frame, grade) in &candidates.frames {
            grades[*frame] = *grade;
        }
        let band = bands::of_grades(&grades, |_| true, count);
        let (mut weight, mut grade) = (vec![0.0; count], vec![0.0; count]);
        for (frame, own) in candidates.frames.iter().filter_map(|f| Some((f, band[f.0]?))) {
            weight[own] += table.weight(frame.0);
            grade[own] += table.weight(frame.0) * frame.1;
        }
        grade.iter_mut().zip(&weight).for_each(|(g, w)| *g /= w.max(f64::MIN_POSITIVE));
        (band, weight, grade)
    }
}

impl Transform for AutoNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let (table, image) = (bound.table("table")?, bound.image("images")?);
        let candidates = Candidates::of(table, &self.by)?;
        let spectra = Spectra::of(context, image, self.band(image))?;
        let count = spectra.halves.len();
        let ends = bands::ends(candidates.frames.len(), count);
        if ends.len() != count {
            return Err(Fault::request(format!(
                "the picture holds {count} bands, but {} frames make {}",
                candidates.frames.len(),
                ends.len()
            ))
            .remedy("link the same table to stack.bins and here"));
        }
        let (band, weight, grade) = self.bands(table, &candidates, count);
        let all = trials(&spectra, &weight, &grade);
        // Where the half-stacks agree on nothing there is nothing to choose by: all frames alike.
        let none = Trial { bands: count, power: 0.0, bits: 0.0 };
        let chosen = choose(&all, self.give).filter(|t| t.bits > 0.0).unwrap_or(none);
        let kept = ends[chosen.bands - 1];
        let mut weights = vec![0.0; table.rows()];
        for (frame, grade) in &candidates.frames {
            if band[*frame].is_some_and(|b| b < chosen.bands) {
                let factor = if chosen.power == 0.0 { 1.0 } else { weight_of(*grade, 0.0, chosen.power) };
                weights[*frame] = table.weight(*frame) * factor;
            }
        }
        let highest = weights.iter().copied().fold(0.0, f64::max);
        if highest <= 0.0 {
            return Err(Fault::data(format!("no frame's {} lies above nothing", candidates.by))
                .remedy("choose by another grade with `by`"));
        }
        weights.iter_mut().for_each(|w| *w /= highest);
        tell(context, &all, chosen, &ends);
        if chosen.bits <= 0.0 {
            context.warn("the half-stacks agree on nothing, so no share of the frames is better than all of them");
        } else if kept < candidates.frames.len() / 50 {
            context.warn("less than a fiftieth of the frames carries the most information: look at the grades");
        }
        Ok(finish(context, table, &candidates, weights))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        // One plane's spectra of both halves of at most 32 bands, their sums, and copies of a band.
        let plane = ((stream.width + 2) * stream.height * 4) as u64;
        Memory { state: 72 * plane + (1 << 20), ..Memory::default() }
    }
}

/// Records the choice in words and numbers, and the curves behind it.
fn tell(context: &dyn Context, all: &[Vec<Trial>], chosen: Trial, ends: &[usize]) {
    let n = ends.last().copied().unwrap_or(1).max(1) as f64;
    let share = |t: &Trial| 100.0 * ends[t.bands - 1] as f64 / n;
    let alike = all.first().and_then(|line| line.last()).map_or(0.0, |t| t.bits);
    let fixed = all.first().into_iter().flatten().max_by(|a, b| a.bits.total_cmp(&b.bits));
    let more = |bits: f64| if bits > 0.0 { 100.0 * (chosen.bits / bits - 1.0) } else { 0.0 };
    let by_fraction = fixed.map_or(String::new(), |f| {
        format!(" and {:.1} % more than the best {:.0} % alike, the best mere share", more(f.bits), share(f))
    });
    let weighing =
        if chosen.power == 0.0 { "all alike".to_string() } else { format!("weighted by grade^{}", chosen.power) };
    context.record(Entry::text(
        "choice",
        format!(
            "the best {:.0} % of the usable frames, {weighing}: {:.0} bit of information, {:.1} % more than all frames \
             alike{by_fraction}",
            share(&chosen),
            chosen.bits,
            more(alike)
        ),
    ));
    context.record(Entry::number("keep", share(&chosen) / 100.0, "", "share of the usable frames that is kept"));
    context.record(Entry::number("power", chosen.power, "", "power of the grade in the weights"));
    context.record(Entry::number("information", chosen.bits, "bit", "of the chosen stack, by its half-stacks"));
    let told = |power: f64| {
        [0.0, 1.0, 2.0, chosen.power].contains(&power) || (power == 4.0 && [0.0, 1.0, 2.0].contains(&chosen.power))
    };
    for (line, power) in all.iter().zip(POWERS).filter(|(_, power)| told(*power)) {
        context.record(Entry::Series(Series {
            name: format!("information-power-{power}"),
            x_label: "share of the usable frames kept".into(),
            x_unit: "%".into(),
            y_label: "information".into(),
            y_unit: "bit".into(),
            x: line.iter().map(share).collect(),
            y: line.iter().map(|t| t.bits).collect(),
        }));
    }
}

#[cfg(test)]
#[path = "auto_tests.rs"]
mod tests;
