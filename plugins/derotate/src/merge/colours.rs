//! Stacks of a mono camera through several filters: which colour each is, how colours are registered, and how they become
//! one picture.
//!
//! The stacks of a colour are added like those of a colour camera; the colours come to lie on each other by what they show
//! alike ([`stillair_maths::registration::unlike_shift`]). Light through no filter, `L`, is on the disc about
//! `a_r R + a_g G + a_b B + c`, with factors by least squares; what it shows beyond that is shared among the colours as the
//! best linear estimate has it, `K_i = a_i s_i^2 / (sum a_j^2 s_j^2 + s_L^2)`, s^2 being the variances of the noise
//! (Kalman 1960, J. Basic Eng. 82, 35: one measurement of three unknowns).

use std::sync::Arc;

use stillair_api::light::{self, UNSTATED_NM};
use stillair_api::{Context, Entry, Image};
use stillair_maths::fft::{Complex32, Fft2};
use stillair_maths::fit::least_squares;
use stillair_maths::registration::{BandSet, Shaded, undo_shift, unlike_shift};
use stillair_maths::robust::percentile;

use crate::compare::{blurred, noise_variance};

/// Groups of stacks: red, green, blue, all light, and anything else.
pub(super) const NAMES: [&str; 5] = ["red", "green", "blue", "unfiltered", "other"];

/// All light.
const CLEAR: usize = 3;

/// Band of frequencies in which colours are compared, and the width that their statistics are taken over, cycles per px.
const BAND: (f64, f64, f64) = (0.02, 0.42, 0.4);

/// A shift beyond this many px is not believed.
const LARGEST_PX: f64 = 8.0;

/// Colours of the stacks that take part.
pub(super) struct Colours {
    /// Colour of each stack.
    pub groups: Vec<usize>,
    /// Which of the clips each stack is, counted from 1.
    pub numbers: Vec<usize>,
}

impl Colours {
    /// Colours that have a stack.
    pub fn present(&self) -> Vec<usize> {
        (0..NAMES.len()).filter(|g| self.groups.contains(g)).collect()
    }

    /// Whether red, green and blue are there.
    fn whole(&self) -> bool {
        (0..3).all(|g| self.groups.contains(&g))
    }
}

/// What is to be added.
pub(super) struct Plan {
    /// Stacks that take part.
    pub images: Vec<Arc<Image>>,
    /// Their colours.
    pub colours: Colours,
    /// What is to be told, and whether it is a warning.
    pub said: Vec<(bool, String)>,
}

/// The colour of a stack of one channel.
fn group(image: &Image) -> usize {
    let name = image.info.filter.as_deref().map(str::trim).filter(|name| !name.is_empty());
    if let Some(name) = name
        && let Some(group) = light::colour_of_filter(name).or_else(|| light::is_clear(name).then_some(CLEAR))
    {
        return group;
    }
    match image.info.wavelength_nm.first() {
        Some(nm) if name.is_some() || *nm != UNSTATED_NM => {
            // A name that says nothing with the wavelength of nothing stated is another filter.
            light::colour_of_wavelength(*nm).filter(|_| *nm != UNSTATED_NM).unwrap_or(CLEAR + 1)
        }
        _ => CLEAR,
    }
}

/// Words for clips by number.
fn clips(numbers: &[usize]) -> String {
    let all: Vec<String> = numbers.iter().map(usize::to_string).collect();
    format!("clip{} {}", if all.len() == 1 { "" } else { "s" }, all.join(", "))
}

/// Sorts stacks by colour. Where they do not make a colour picture, those of one filter stay.
pub(super) fn plan(images: &[Arc<Image>], numbers: &[usize]) -> Plan {
    let all = |groups: Vec<usize>, said| Plan {
        images: images.to_vec(),
        colours: Colours { groups, numbers: numbers.to_vec() },
        said,
    };
    if images.iter().any(|image| image.channels != 1) {
        return all(vec![CLEAR; images.len()], Vec::new());
    }
    let groups: Vec<usize> = images.iter().map(|image| group(image)).collect();
    let colours = Colours { groups, numbers: numbers.to_vec() };
    let of = |wanted: usize| -> Vec<usize> {
        numbers.iter().zip(&colours.groups).filter(|(_, g)| **g == wanted).map(|(n, _)| *n).collect()
    };
    let filters: std::collections::BTreeSet<_> =
        images.iter().map(|i| i.info.filter.as_deref().map(str::trim)).collect();
    let present = colours.present();
    if present.len() == 1 && (present[0] <= CLEAR || filters.len() == 1) {
        return all(colours.groups, Vec::new());
    }
    let kept = |keep: &dyn Fn(usize) -> bool, said| {
        let at: Vec<usize> = (0..images.len()).filter(|i| keep(*i)).collect();
        Plan {
            images: at.iter().map(|i| images[*i].clone()).collect(),
            colours: Colours {
                groups: at.iter().map(|i| colours.groups[*i]).collect(),
                numbers: at.iter().map(|i| numbers[*i]).collect(),
            },
            said,
        }
    };
    let mut said = Vec::new();
    let listed: Vec<String> = present.iter().map(|g| format!("{}: {}", NAMES[*g], clips(&of(*g)))).collect();
    said.push((false, listed.join("; ")));
    let others = of(CLEAR + 1);
    if colours.whole() {
        if !others.is_empty() {
            said.push((
                true,
                format!(
                    "{} went through a filter that is none of red, green, blue or clear and is left out: run it by itself, \
                     or name the colour it shall stand for as [camera] filter in its session",
                    clips(&others)
                ),
            ));
        }
        return kept(&|i| colours.groups[i] <= CLEAR, said);
    }
    // One filter's clips make the picture: all light, else the colour with the most frames.
    let frames = |g: usize| -> f64 {
        images.iter().zip(&colours.groups).filter(|(_, o)| **o == g).map(|(i, _)| i.info.frames_effective).sum()
    };
    let chosen = present
        .iter()
        .copied()
        .filter(|g| *g <= CLEAR)
        .max_by(|a, b| (*a == CLEAR).cmp(&(*b == CLEAR)).then(frames(*a).total_cmp(&frames(*b))).then(b.cmp(a)));
    let missing: Vec<&str> = (0..3).filter(|g| of(*g).is_empty()).map(|g| NAMES[g]).collect();
    let unstated: Vec<usize> = (0..images.len())
        .filter(|i| colours.groups[*i] == CLEAR && images[*i].info.filter.is_none())
        .map(|i| numbers[i])
        .collect();
    let hint = if unstated.is_empty() {
        "give such a clip too, or run planet-mono on each".to_string()
    } else {
        format!(
            "{} states no filter: say [camera] filter = \"R\", \"G\" or \"B\" in the session beside it",
            clips(&unstated)
        )
    };
    let first_name = images[0].info.filter.clone();
    let keep = |i: usize| match chosen {
        Some(group) => colours.groups[i] == group,
        None => images[i].info.filter == first_name,
    };
    let used: Vec<usize> = (0..images.len()).filter(|i| keep(*i)).map(|i| numbers[i]).collect();
    said.push((
        true,
        format!(
            "the clips make no colour picture: no clip through a {} filter. The picture shows {} alone; {hint}",
            missing.join(" or "),
            clips(&used)
        ),
    ));
    kept(&keep, said)
}

/// Shift (x, y) in px of a picture against one in another colour; `None` where they show nothing alike.
pub(super) fn offset(
    reference: &[f32],
    moving: &[f32],
    weight: &[f32],
    width: usize,
    height: usize,
) -> Option<[f64; 2]> {
    let plan = Fft2::new(width, height);
    let bands = BandSet::new(width, height, BAND.0, BAND.1);
    let mut scratch = plan.scratch();
    // Where one of the two shows nothing, both are black: the sky has been taken off.
    let shown =
        |data: &[f32]| -> Vec<f32> { data.iter().zip(weight).map(|(v, w)| if *w > 0.0 { *v } else { 0.0 }).collect() };
    let mut packed = |data: &[f32]| -> Vec<Complex32> {
        let mut spectrum = plan.spectrum();
        plan.forward(data, &mut spectrum, &mut scratch);
        bands.gather(&spectrum)
    };
    let (fixed, moved) = (Shaded::new(&shown(reference), width, &mut packed), packed(&shown(moving)));
    let undo = |p: &[Complex32], shift: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&bands, p, shift, out);
    unlike_shift(&plan, &bands, &moved, &fixed, BAND.2, LARGEST_PX, undo).map(|found| found.shift_px)
}

/// Joins the colours into the whole: the single one there is, or red, green and blue with what all light adds.
pub(super) fn join(
    context: &dyn Context,
    mut parts: Vec<(usize, Image)>,
    colours: &Colours,
    images: &[Arc<Image>],
) -> Image {
    if parts.len() == 1 || !colours.whole() {
        return parts.swap_remove(0).1;
    }
    let clear = parts.iter().position(|(g, _)| *g == CLEAR).map(|at| parts.remove(at).1);
    let planes: Vec<&Image> = parts.iter().map(|(_, image)| image).collect();
    let (width, height) = (planes[0].width, planes[0].height);
    let mut out = Image::new(width, height, 3);
    out.data = planes.iter().flat_map(|p| p.data.iter().copied()).collect();
    if planes.iter().any(|p| p.weight.is_some()) {
        let weight = |p: &&Image| p.weight.clone().unwrap_or_else(|| vec![1.0; width * height]);
        out.weight = Some(planes.iter().flat_map(weight).collect());
    }
    if planes.iter().all(|p| p.halves.is_some()) {
        let half =
            |h: usize| planes.iter().flat_map(|p| p.halves.iter().flat_map(move |s| s[h].iter().copied())).collect();
        out.halves = Some([half(0), half(1)]);
    }
    out.info.wavelength_nm = (0..3)
        .map(|g| {
            let nm = |(image, group): (&Arc<Image>, &usize)| {
                (*group == g).then(|| image.info.wavelength_nm.first().copied()).flatten()
            };
            images.iter().zip(&colours.groups).find_map(nm).unwrap_or(UNSTATED_NM)
        })
        .collect();
    if let Some(clear) = clear {
        let frames = |group: usize| -> f64 {
            let own = images.iter().zip(&colours.groups).filter(|(_, g)| **g == group);
            own.map(|(i, _)| i.info.frames_effective).sum::<f64>().max(1.0)
        };
        share(context, &mut out, &clear, &[0, 1, 2, CLEAR].map(frames));
    }
    out
}

/// How light through no filter follows from the colours on the disc, none of which can take light away: factors and level.
fn factors(colours: &Image, clear: &Image, on: &[bool]) -> Option<([f64; 3], f64)> {
    let (width, height) = (colours.width, colours.height);
    // Noise in the colours would lower their factors: what is compared is smooth.
    let smooth = |data: &[f32]| blurred(data, width, height, 1.5);
    let planes: Vec<Vec<f32>> = (0..3).map(|c| smooth(colours.channel(c))).collect();
    let wanted = smooth(&clear.data);
    let mut free = [true; 3];
    for _ in 0..3 {
        let rows = (0..on.len()).filter(|at| on[*at]).map(|at| {
            let value = |c: usize| if free[c] { f64::from(planes[c][at]) } else { 0.0 };
            ([value(0), value(1), value(2), 1.0], f64::from(wanted[at]), 1.0)
        });
        // A colour that is left out has a row of its own that holds it at nothing.
        let held = (0..3).filter(|c| !free[*c]).map(|c| {
            let mut row = [0.0; 4];
            row[c] = 1.0;
            (row, 0.0, 1.0)
        });
        let [r, g, b, level] = least_squares(rows.chain(held))?;
        let found = [r, g, b];
        match (0..3).filter(|c| free[*c] && found[*c] < 0.0).min_by(|a, b| found[*a].total_cmp(&found[*b])) {
            Some(least) => free[least] = false,
            None => return Some((found.map(|f| f.max(0.0)), level)),
        }
    }
    None
}

/// Lets the colours have what the picture in all light knows better.
fn share(context: &dyn Context, out: &mut Image, clear: &Image, frames: &[f64; 4]) {
    let area = out.area();
    let high = percentile(&clear.data.iter().map(|v| f64::from(*v)).collect::<Vec<_>>(), 99.0);
    let low = percentile(&clear.data.iter().map(|v| f64::from(*v)).collect::<Vec<_>>(), 5.0);
    let inside: Vec<f64> =
        clear.data.iter().map(|v| ((f64::from(*v) - low) / (0.3 * (high - low))).clamp(0.0, 1.0)).collect();
    let on: Vec<bool> = inside.iter().map(|share| *share >= 1.0).collect();
    let Some((factors, level)) = factors(out, clear, &on) else { return };
    let variance = |halves: &Option<[Vec<f32>; 2]>, channel: usize, frames: f64| match halves {
        Some([a, b]) => {
            let of = |half: &'_ [f32]| half[channel * area..(channel + 1) * area].to_vec();
            noise_variance([&of(a), &of(b)], &on)
        }
        None => 1.0 / frames,
    };
    let own: Vec<f64> = (0..3).map(|c| variance(&out.halves, c, frames[c])).collect();
    let theirs = variance(&clear.halves, 0, frames[3]);
    let total = theirs + factors.iter().zip(&own).map(|(a, s)| a * a * s).sum::<f64>();
    if !(total > 0.0 && total.is_finite()) {
        return;
    }
    let gains: Vec<f64> = factors.iter().zip(&own).map(|(a, s)| a * s / total).collect();
    let add = |data: &mut [f32], clear: &[f32]| {
        for at in 0..area {
            let model: f64 = (0..3).map(|c| factors[c] * f64::from(data[c * area + at])).sum::<f64>() + level;
            // Off the disc the fit says nothing.
            let beyond = inside[at] * (f64::from(clear[at]) - model);
            for (c, gain) in gains.iter().enumerate() {
                data[c * area + at] += (gain * beyond) as f32;
            }
        }
    };
    add(&mut out.data, &clear.data);
    if let (Some(halves), Some(theirs)) = (&mut out.halves, &clear.halves) {
        halves.iter_mut().zip(theirs).for_each(|(half, clear)| add(half, clear));
    }
    for (name, factor) in NAMES.iter().zip(factors) {
        context.record(Entry::number(
            &format!("clear-{name}"),
            factor,
            "",
            "share of that colour in the unfiltered light",
        ));
    }
    out.info.history.push("unfiltered light shared among the colours by their noise".into());
}
