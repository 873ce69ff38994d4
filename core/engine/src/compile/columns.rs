//! What tables hold: columns followed from the steps that add them to the steps that cannot work without them.
//!
//! A measure's table is the one linked to it and the columns of its description. Any other method's is taken to be the
//! same if its description names columns; what a method gives whose description names none nobody can tell, and a step
//! that builds on it is believed to find what it needs.

use std::collections::BTreeSet;

use stillair_api::{Description, Need, ParameterValue, Port, PortType, Shape, columns};

use super::check::{Checked, End, Link, Step};
use super::order::{Graph, topological};
use super::recipe::{RawStep, Recipe};
use crate::catalogue::Catalogue;
use crate::diagnostic::Log;

/// The columns of a step's table; `None` where nobody can tell.
type Known<'c> = Option<BTreeSet<&'c str>>;

/// Complains of every step whose table lacks a column that it needs.
pub(crate) fn check(log: &mut Log, recipe: &Recipe, checked: &Checked<'_>, graph: &Graph, catalogue: &Catalogue) {
    let mut tables: Vec<Known<'_>> = vec![None; checked.steps.len()];
    for index in topological(graph) {
        let Some(step) = &checked.steps[index] else { continue };
        for (giver, port, link) in tables_of(step) {
            let Some(known) = &tables[giver] else { continue };
            let needs = step.listed.description.needs.iter().filter(|need| need.port == port);
            let wanted = needs.map(|need| Wanted::of(need, step));
            let wanted: Vec<Wanted<'_>> = wanted.filter(|w| !w.stands_in(known.iter().copied())).collect();
            if !wanted.is_empty() {
                let chain = chain(checked, giver);
                complain(log, &Lack { recipe, checked, catalogue, index, step, wanted: &wanted, chain }, link);
            }
        }
        tables[index] = given_by(step, &recipe.steps[index], &tables);
    }
}

/// The steps whose tables are linked to a step: which, to which port, and where the link stands.
fn tables_of<'s>(step: &'s Step<'_>) -> impl Iterator<Item = (usize, &'s str, &'s crate::diagnostic::Place)> {
    let ports = step.listed.description.inputs.iter().zip(&step.links);
    let links = ports.filter(|(p, _)| p.kind == PortType::Table).flat_map(|(p, l)| l.iter().map(move |l| (p, l)));
    links.filter_map(|(port, link)| match link.end {
        End::Step(giver) => Some((giver, port.name.as_str(), &link.place)),
        End::Input(_) => None,
    })
}

fn given_by<'c>(step: &Step<'c>, raw: &RawStep, tables: &[Known<'c>]) -> Known<'c> {
    let description = &step.listed.description;
    // A link that leads nowhere is complained of elsewhere.
    let astray = |(port, links): (&Port, &Vec<Link>)| {
        port.kind == PortType::Table && links.is_empty() && (port.required || raw.get(&port.name).is_some())
    };
    if description.inputs.iter().zip(&step.links).any(astray) {
        return None;
    }
    if !gives_table(description) || (description.shape != Shape::Measure && description.columns.is_empty()) {
        return None;
    }
    let mut known = BTreeSet::from([columns::INDEX, columns::TIME_S, columns::EXPOSURE_S]);
    for (giver, ..) in tables_of(step) {
        known.extend(tables[giver].as_ref()?);
    }
    known.extend(description.columns.iter().map(|c| c.name.as_str()));
    Some(known)
}

fn gives_table(description: &Description) -> bool {
    description.outputs.iter().any(|port| port.kind == PortType::Table)
}

/// A step and the steps that its table comes through, the nearest first.
fn chain(checked: &Checked<'_>, first: usize) -> Vec<usize> {
    let (mut found, mut next) = (Vec::new(), Some(first));
    while let Some(index) = next.filter(|index| !found.contains(index)) {
        found.push(index);
        next = checked.steps[index].as_ref().and_then(|step| tables_of(step).next()).map(|(giver, ..)| giver);
    }
    found
}

/// The column that a step needs.
enum Wanted<'n> {
    /// Any column of grades.
    Grade,
    /// The column of that name; said by the parameter of that name, or "".
    Named(&'n str, &'n str),
}

impl<'n> Wanted<'n> {
    fn of(need: &'n Need, step: &'n Step<'_>) -> Self {
        match step.parameters.0.get(&need.named_by) {
            Some(ParameterValue::Text(name)) if name != "auto" => Self::Named(name, &need.named_by),
            _ if need.column == columns::GRADE => Self::Grade,
            _ => Self::Named(&need.column, ""),
        }
    }

    fn stands_in<'c>(&self, mut names: impl Iterator<Item = &'c str>) -> bool {
        match self {
            Self::Grade => names.any(|name| name.starts_with(columns::GRADE)),
            // The second column `weight` is `weight_2`: how many there will be is left to the run.
            Self::Named(wanted, _) => {
                let plain = wanted.rsplit_once('_').filter(|(_, number)| number.parse::<u32>().is_ok());
                names.any(|name| name == *wanted || plain.is_some_and(|(plain, _)| name == plain))
            }
        }
    }

    fn words(&self) -> String {
        match self {
            Self::Grade => "a column of grades".into(),
            Self::Named(name, _) => format!("the column `{name}`"),
        }
    }
}

struct Lack<'a, 'c> {
    recipe: &'a Recipe,
    checked: &'a Checked<'c>,
    catalogue: &'a Catalogue,
    index: usize,
    step: &'a Step<'c>,
    /// The columns that are not there, one at least.
    wanted: &'a [Wanted<'a>],
    /// Where its table comes from.
    chain: Vec<usize>,
}

impl Lack<'_, '_> {
    /// The nearest step whose method took the place of one with which the column was there.
    fn culprit(&self) -> Option<(&RawStep, &str)> {
        std::iter::once(&self.index).chain(&self.chain).find_map(|index| {
            let raw = &self.recipe.steps[*index];
            let before = raw.before.as_deref()?;
            let old = &self.catalogue.get(before)?.description;
            let step = self.checked.steps[*index].as_ref()?;
            let cut = tables_of(step).next().is_none() && old.inputs.iter().any(|p| p.kind == PortType::Table);
            let own = *index == self.index && old.needs.iter().all(|n| n.column != self.column());
            (own || cut || self.stand_in(old)).then_some((raw, before))
        })
    }

    /// Whether a method adds all that lacks.
    fn stand_in(&self, description: &Description) -> bool {
        self.wanted.iter().all(|wanted| wanted.stands_in(description.columns.iter().map(|c| c.name.as_str())))
    }

    /// Name of the first column that lacks.
    fn column(&self) -> &str {
        match self.wanted.first() {
            Some(Wanted::Named(name, _)) => name,
            _ => columns::GRADE,
        }
    }

    fn label(&self, index: usize) -> String {
        let step = self.checked.steps[index].as_ref();
        step.map_or_else(String::new, |s| format!("`{}` ({})", s.name.name, s.listed.description.method))
    }
}

fn complain(log: &mut Log, lack: &Lack<'_, '_>, link: &crate::diagnostic::Place) {
    let words: Vec<String> = lack.wanted.iter().map(Wanted::words).collect();
    let (step, wanted) = (&lack.step.name.name, words.join(" and "));
    let through: Vec<String> = lack.chain.iter().rev().map(|index| lack.label(*index)).collect();
    let cause = match through.as_slice() {
        [only] => format!("{} needs it, and {only} does not give it", lack.step.listed.description.method),
        several => {
            let method = &lack.step.listed.description.method;
            format!("{method} needs it, and none of {} gives it", several.join(", "))
        }
    };
    let givers: Vec<&str> = lack
        .catalogue
        .all()
        .map(|listed| &listed.description)
        .filter(|d| gives_table(d) && lack.stand_in(d))
        .filter(|d| d.needs.iter().all(|need| need.column != lack.column()))
        .map(|d| d.method.as_str())
        .collect();
    let one_of = match givers.as_slice() {
        [] => None,
        [one] => Some((*one).to_string()),
        [first @ .., last] => Some(format!("{} or {last}", first.join(", "))),
    };
    let by = match lack.wanted.first() {
        Some(Wanted::Named(_, by)) if !by.is_empty() => format!(", or name another column in `{by}`"),
        _ => String::new(),
    };
    match lack.culprit() {
        Some((raw, before)) => {
            let place = raw.get("use").map_or(&raw.name.place, |entry| &entry.item.place);
            let method = raw.get("use").and_then(|entry| entry.item.text()).unwrap_or_default();
            log.error(place, format!("with {method} as `{}`, the table of `{step}` lacks {wanted}", raw.name.name))
                .cause(cause)
                .remedy(match one_of {
                    Some(one_of) if one_of != before => {
                        format!("leave {before} there, or link `{step}` to a step that gives it: {one_of}{by}")
                    }
                    _ => format!("leave {before} there{by}"),
                });
        }
        None => {
            log.error(link, format!("the table linked to the step `{step}` lacks {wanted}")).cause(cause).remedy(
                match one_of {
                    Some(one_of) => format!("link the table of a step that gives it: {one_of}{by}"),
                    None => format!("no method at hand gives it{by}"),
                },
            );
        }
    }
}
