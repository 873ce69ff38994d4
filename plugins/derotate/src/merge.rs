//! Several stacks of one globe become one picture at a common instant.
//!
//! Every pixel of the picture is read in each stack where the turning oblate globe showed the same surface then
//! ([`crate::carry`]); off the disc nothing turns. A stack counts by its measured signal to noise: the square of its contrast
//! against the others in the band of fine detail over the variance of its noise from its two halves (the power of 2 as for
//! the frames of a stack: what is sharper in this band is sharper still beyond it); and less where its surface neared the
//! limb, in proportion to the cosine of emission. The known moons beside the globe are carried to their places at the
//! instant, and so are their shadows on it that the stacks show. Other moons move otherwise than the globe: what stands
//! in one stack alone is taken from the stack nearest to the common instant, and left out of the others. Mono stacks
//! through red, green and blue filters become one colour picture ([`colours`]). Sources: rotation: Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22;
//! Jupiter's equator: System I of the same report.

mod colours;
mod globes;
mod sum;

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Image, Memory, Method, Node, Outcome, Parameter, Parameters, PortType,
    Shape, StreamShape, Transform, Value,
};
use stillair_maths::globe::Globe as Figure;
use stillair_maths::resample::{Kernel, Prepared};

use crate::carry::{Map, View, figure, kernel_words};
use crate::compare::{Seen, offset};
use crate::situation::{FACTS, Given};
use colours::{Colours, Plan};
use globes::{agree, finish, flat, globes, moons};

/// The method `derotate.merge`.
pub struct Merge;

impl Method for Merge {
    fn describe(&self) -> Description {
        let summary = "Several stacks of one planet to one picture at one instant";
        let description = Description::new("derotate.merge", Shape::Transform, summary)
            .help(
                "Carries the stacks of several clips, each with its globe placed by derotate.geometry, to their mean instant \
                 on the turning globe and adds them by their measured signal to noise; the half-stacks come along. Rings and \
                 sky stay still, the known moons beside the globe, and their shadows on it where they show, are carried along \
                 their ways where the session gives the orientation. Other moons, and shadows, that moved are shown once, where \
                 the stack nearest to the instant has them. Stacks of different scale, brightness or orientation are brought to those of that stack. One stack \
                 alone goes through unchanged. Stacks of a mono camera through red, green and blue filters (the session's \
                 camera.filter, or the capture's header) become one colour picture: those of one colour are added, the \
                 colours registered on each other by what they show alike. A clip without a filter or through a clear \
                 one (L) lowers the noise of all three. Where a colour has no clip, the record says so and the picture \
                 stays one of a single filter. Where a globe is missing (no target, no times), the stacks are added without \
                 derotation after a shift, and the record says so. Best of the unsharpened stacks: sharpen the result.",
            )
            .source(
                "rotation: Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22; weights by signal over variance: common \
                 practice",
            )
            .contract("derotate.merge")
            .input("image", PortType::Image, "the stacks")
            .many()
            .output("image", PortType::Image, "the whole")
            .parameter(Parameter::choice(
                "kernel",
                &["bspline", "lanczos4"],
                "lanczos4",
                "interpolation: bspline (cubic, does not ring) or lanczos4 (keeps a little more of the finest detail)",
            ))
            .parameter(Parameter::flag("derotate", true, "whether the globe's rotation is undone"))
            .parameter(Parameter::flag("moons", true, "whether moons and shadows that moved are told apart"))
            .through("image");
        FACTS.iter().fold(description, |d, fact| d.fact(fact))
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let kernel = if parameters.text("kernel")? == "bspline" { Kernel::CubicBSpline } else { Kernel::Lanczos4 };
        let (derotate, moons) = (parameters.flag("derotate")?, parameters.flag("moons")?);
        Ok(Node::Transform(Box::new(MergeNode { kernel, derotate, moons, given: Given::from_facts(facts) })))
    }
}

struct MergeNode {
    kernel: Kernel,
    derotate: bool,
    moons: bool,
    /// What is said of the first clip, to tell why a globe is missing.
    given: Given,
}

/// Where the stacks agree with a globe that turns one way by no more than this better than with one that turns the other
/// way, they do not show its sense; common practice, no source.
const LEAST_SENSE: f64 = 1.03;

struct Merger<'a> {
    context: &'a dyn Context,
    images: &'a [Arc<Image>],
    kernel: Kernel,
    keeper: usize,
    to: Figure,
    /// Columns and rows of the whole.
    size: (usize, usize),
    /// Which of the clips each stack is, counted from 1.
    numbers: Vec<usize>,
    /// Colour of each stack: stacks of one colour can be compared.
    groups: Vec<usize>,
}

impl Merger<'_> {
    fn canvas(&self) -> (usize, usize) {
        self.size
    }

    /// The mean of the channels of a stack on the canvas.
    fn seen(&self, which: usize, view: &View) -> (Seen, Map) {
        let (width, height) = self.canvas();
        let image = &self.images[which];
        let map = Map::new(view, &self.to, width, height, image);
        let mut prepared = Prepared::new(self.kernel);
        let mut data = vec![0.0; width * height];
        for channel in 0..image.channels {
            let (profile, sky) = (&view.profiles[channel], view.skies[channel]);
            let plane = map.carried(&mut prepared, image.channel(channel), image, profile, sky);
            for (sum, value) in data.iter_mut().zip(plane) {
                *sum += (value - sky as f32) / image.channels as f32;
            }
        }
        (Seen { data, weight: map.weight.clone() }, map)
    }

    /// Moves the views until the stacks lie on each other, and gives the stacks and how much they differ.
    fn settle(&self, views: &mut [View], rounds: usize) -> (Vec<Seen>, Vec<Map>, f64) {
        let (width, height) = self.canvas();
        let mut all: Vec<(Seen, Map)> = Vec::new();
        for round in 0..=rounds {
            all = (0..views.len()).map(|i| self.seen(i, &views[i])).collect();
            if round == rounds || self.context.cancelled() {
                break;
            }
            for (own, view) in views.iter_mut().enumerate().filter(|(i, _)| *i != self.keeper) {
                let (reference, moving) = (&all[self.keeper].0, &all[own].0);
                let both: Vec<f32> = reference.weight.iter().zip(&moving.weight).map(|(a, b)| a.min(*b)).collect();
                let shift = if self.groups[own] == self.groups[self.keeper] {
                    offset(&reference.data, &moving.data, &both, width, height).map(|[x, y, _]| [x, y])
                } else {
                    colours::offset(&reference.data, &moving.data, &both, width, height)
                };
                if let Some([x, y]) = shift {
                    let limit = |v: f64| v.clamp(-4.0, 4.0);
                    view.moved(&self.to, [limit(x), limit(y)]);
                }
            }
        }
        let (seen, maps): (Vec<Seen>, Vec<Map>) = all.into_iter().unzip();
        let left = self.difference(&seen);
        (seen, maps, left)
    }

    /// Mean square of the difference after a factor of brightness: from the first of the same colour, or from the keeper
    /// where no colour has two stacks.
    fn difference(&self, seen: &[Seen]) -> f64 {
        let first = |group: usize| self.groups.iter().position(|g| *g == group).unwrap_or(self.keeper);
        let alike = (0..seen.len()).any(|i| first(self.groups[i]) != i);
        let mut total = 0.0;
        for (own, moving) in seen.iter().enumerate() {
            let reference = &seen[if alike { first(self.groups[own]) } else { self.keeper }];
            let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
            for i in 0..reference.data.len() {
                if reference.weight[i] > 0.5 && moving.weight[i] > 0.5 {
                    let (a, b) = (f64::from(reference.data[i]), f64::from(moving.data[i]));
                    ab += a * b;
                    aa += a * a;
                    bb += b * b;
                }
            }
            if aa > 0.0 && bb > 0.0 {
                total += 1.0 - ab * ab / (aa * bb);
            }
        }
        total
    }
}

impl View {
    /// Moves the view so that what showed `shift` px off on the canvas of `to` comes to lie right.
    fn moved(&mut self, to: &Figure, shift_px: [f64; 2]) {
        let (x0, y0) = to.to_pole_frame(0.0, 0.0);
        let (x1, y1) = to.to_pole_frame(shift_px[0], shift_px[1]);
        let (a, b) = (self.figure.to_picture(0.0, 0.0), self.figure.to_picture(self.side * (x1 - x0), y1 - y0));
        self.figure = self.figure.shifted([b.0 - a.0, b.1 - a.1]);
    }
}

impl MergeNode {
    fn merge(&self, context: &dyn Context, images: &[Arc<Image>], colours: &Colours) -> Outcome<Image> {
        let n = images.len();
        let turned = if self.derotate { globes(images, &self.given) } else { Err("derotate = false".into()) };
        let (mut globes, hindered) = match turned {
            Ok(globes) => (globes, None),
            Err(why) => (Vec::new(), Some(why)),
        };
        agree(&mut globes, images);
        // Times of the pictures, and the instant they are carried to.
        let times: Vec<Option<i64>> = images.iter().map(|i| i.info.middle_unix_ns).collect();
        let weights: Vec<f64> = images.iter().map(|i| i.info.frames_effective.max(1.0)).collect();
        let first = times.iter().flatten().copied().min().unwrap_or(0);
        let since = |t: &Option<i64>| t.map_or(f64::NAN, |t| (t - first) as f64 * 1e-9);
        let known: Vec<(f64, f64)> =
            times.iter().zip(&weights).map(|(t, w)| (since(t), *w)).filter(|(t, _)| t.is_finite()).collect();
        let total: f64 = known.iter().map(|(_, w)| w).sum();
        let mean_s = if total > 0.0 { known.iter().map(|(t, w)| t * w).sum::<f64>() / total } else { f64::NAN };
        let seconds: Vec<f64> = times.iter().map(|t| since(t) - mean_s).collect();
        if let Some(why) = &hindered {
            context.record(Entry::text("not-derotated", why.clone()));
            if self.derotate {
                context.warn(&format!("the clips are added without derotation: {why}"));
            }
            globes = images.iter().map(|image| flat(image)).collect();
        }
        // The whole is laid out as the stack nearest to the instant, among those of the finest scale.
        let finest = globes.iter().map(|g| g.equatorial_radius_px).fold(0.0, f64::max);
        let far = |i: usize| {
            let fine = globes[i].equatorial_radius_px > 0.97 * finest;
            (!fine, if seconds[i].is_finite() { seconds[i].abs() } else { f64::MAX })
        };
        let nearer =
            |a: &usize, b: &usize| far(*a).0.cmp(&far(*b).0).then(far(*a).1.total_cmp(&far(*b).1)).then(a.cmp(b));
        let keeper = (0..n).min_by(nearer).unwrap_or(0);
        let mut turned = hindered.is_none();
        let base = globes[keeper].clone();
        let merger = Merger {
            context,
            images,
            kernel: self.kernel,
            keeper,
            to: figure(&base, [base.x_px, base.y_px]),
            size: (images[keeper].width, images[keeper].height),
            numbers: colours.numbers.clone(),
            groups: colours.groups.clone(),
        };
        let turnable = turned;
        let views = |sense: f64| -> Vec<View> {
            (0..n)
                .map(|i| {
                    let side = if globes[i].mirrored == base.mirrored { 1.0 } else { -1.0 };
                    let seconds = if turnable { seconds[i] } else { 0.0 };
                    let mut view = View::new(&images[i], &globes[i], side, sense, seconds);
                    if turnable && self.moons {
                        view.moons = moons(&images[i], &globes[i], &base, seconds);
                    }
                    view
                })
                .collect()
        };
        let given = if base.turn_rad_per_s < 0.0 { -1.0 } else { 1.0 };
        let mut current = views(given);
        let (mut seen, mut maps, left) = merger.settle(&mut current, 3);
        if turned && !base.oriented {
            let mut other = views(-given);
            let (seen_other, maps_other, left_other) = merger.settle(&mut other, 3);
            let ratio = left.max(left_other) / left.min(left_other).max(f64::MIN_POSITIVE);
            context.record(Entry::number(
                "sense-ratio",
                ratio,
                "",
                "how much worse the stacks agree if the globe is turned the other way",
            ));
            if ratio < LEAST_SENSE {
                turned = false;
                current = views(0.0);
                (seen, maps, _) = merger.settle(&mut current, 3);
                let why = "the clips do not show which way the globe turns: say orientation.up_position_angle_deg in the \
                           session";
                context.record(Entry::text("not-derotated", why));
                context.warn(&format!("the clips are added without derotation: {why}"));
            } else if left_other < left {
                (current, seen, maps) = (other, seen_other, maps_other);
            }
        }
        let mut parts = Vec::new();
        for group in colours.present() {
            let members: Vec<usize> = (0..n).filter(|i| colours.groups[*i] == group).collect();
            let own = members.iter().copied().min_by(nearer).unwrap_or(keeper);
            let images: Vec<_> = members.iter().map(|i| images[*i].clone()).collect();
            let part = Merger {
                images: &images,
                keeper: members.iter().position(|i| *i == own).unwrap_or(0),
                numbers: members.iter().map(|i| colours.numbers[*i]).collect(),
                groups: vec![group; members.len()],
                ..merger
            };
            let views: Vec<_> = members.iter().map(|i| current[*i].clone()).collect();
            let seen: Vec<_> = members.iter().map(|i| seen[*i].clone()).collect();
            let maps: Vec<_> = members.iter().map(|i| maps[*i].clone()).collect();
            parts.push((group, self.add(&part, &views, &seen, maps)?));
        }
        let moved: usize = parts.iter().map(|(_, part)| part.moved).sum();
        context.record(Entry::number("moved", moved as f64, "", "places of moons and shadows shown once"));
        let parts: Vec<_> = parts.into_iter().map(|(group, part)| (group, part.image)).collect();
        let mut out = colours::join(context, parts, colours, images);
        let wavelength_nm = std::mem::take(&mut out.info.wavelength_nm);
        let at_ns = if mean_s.is_finite() { Some(first + libm::round(mean_s * 1e9) as i64) } else { None };
        finish(&mut out, images, keeper, at_ns, turned.then(|| (base, -seconds[keeper])));
        if !wavelength_nm.is_empty() {
            (out.info.wavelength_nm, out.info.filter) = (wavelength_nm, None);
            out.info.history.push("red, green and blue from stacks through those filters".into());
        }
        let words = if turned { "to one instant on the globe" } else { "without derotation" };
        out.info.history.push(format!("derotate.merge of {n} stacks {words}; {}", kernel_words(self.kernel)));
        let reach = seconds.iter().map(|s| s.abs()).fold(0.0, f64::max);
        if turned {
            let turn = globes[0].turn_rad_per_s.abs() * reach;
            context.record(Entry::number("largest-turn", turn.to_degrees(), "deg", "turn from the common instant"));
        }
        Ok(out)
    }
}

impl Transform for MergeNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let linked = bound.images("image");
        let Some(first) = linked.first() else {
            return Err(stillair_api::Fault::request("no picture is linked to `image`"));
        };
        let counted = linked.iter().enumerate().filter(|(_, i)| i.channels == first.channels);
        let (numbers, images): (Vec<usize>, Vec<Arc<Image>>) =
            counted.map(|(i, image)| (i + 1, (*image).clone())).unzip();
        if images.len() < linked.len() {
            let cameras = ["a mono", "a colour"];
            let [kept, left] = if first.channels == 3 { [cameras[1], cameras[0]] } else { cameras };
            context.warn(&format!(
                "the first clip is that of {kept} camera: those of {left} camera were left out of the whole (run them apart)"
            ));
        }
        let Plan { images, colours, said } = colours::plan(&images, &numbers);
        for (odd, words) in said {
            if odd { context.warn(&words) } else { context.record(Entry::text("colours", words)) }
        }
        if let [one] = &images[..] {
            return Ok(vec![Value::Image(one.clone())]);
        }
        Ok(vec![Value::Image(Arc::new(self.merge(context, &images, &colours)?))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        // For each stack: map (40 bytes a pixel), planes and halves on the canvas, and what is compared.
        let area = (stream.width * stream.height) as u64;
        let each = area * (40 + 4 * (3 * stream.planes.max(3) as u64 + 8));
        Memory { worker: 0, item: 0, state: 8 * each }
    }
}
