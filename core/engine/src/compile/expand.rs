//! From steps to nodes: how many files each input has decides how often a step runs, and whether it runs at all.

use std::collections::{BTreeMap, BTreeSet};

use stillair_api::{Description, ParameterKind, ParameterValue, Shape};

use super::Given;
use super::check::{Checked, End, Link, Step};
use super::recipe::Recipe;
use crate::diagnostic::{Log, Place, suggest};
use crate::plan::{OutputRef, Plan, PlanNode, Skipped};

/// What an output of a step or input became.
#[derive(Debug, Clone)]
enum Made {
    /// One output for each file of an input (`axis`), or one.
    Nodes { axis: Option<usize>, refs: Vec<OutputRef> },
    /// Nothing, and why.
    Absent(String),
}

struct Expansion<'a, 'c> {
    recipe: &'a Recipe,
    checked: &'a Checked<'c>,
    counts: Vec<usize>,
    plan: Plan,
    inputs: Vec<Made>,
    steps: Vec<Vec<Made>>,
    /// Places of sinks by file name, to find two that write the same.
    files: BTreeMap<String, String>,
}

/// Makes the plan's nodes, results and skipped steps.
pub(crate) fn expand(
    log: &mut Log,
    recipe: &Recipe,
    checked: &Checked<'_>,
    order: &[usize],
    live: &[bool],
    counts: Vec<usize>,
) -> Plan {
    let steps = vec![Vec::new(); checked.steps.len()];
    let plan = Plan::default();
    let mut work = Expansion { recipe, checked, counts, plan, inputs: Vec::new(), steps, files: BTreeMap::new() };
    work.sources();
    for &index in order {
        if let Some(step) = checked.steps[index].as_ref().filter(|_| live[index]) {
            work.step(log, index, step);
        }
    }
    for result in 0..checked.results.len() {
        work.result(log, result);
    }
    prune(work.plan)
}

/// Number of files of each input; complains of those that do not suit.
pub(crate) fn counts(log: &mut Log, recipe: &Recipe, given: &Given) -> Vec<usize> {
    let names: Vec<_> = recipe.inputs.iter().map(|i| i.name.name.as_str()).collect();
    for name in given.inputs.keys().filter(|n| !names.contains(&n.as_str())) {
        log.error(&recipe.place, format!("the recipe has no input `{name}`")).remedy(suggest(
            name,
            names.iter().copied(),
            "input",
        ));
    }
    let mut counts = Vec::with_capacity(recipe.inputs.len());
    for input in &recipe.inputs {
        let name = &input.name.name;
        let count = given.inputs.get(name).copied().unwrap_or(0);
        if count == 0 && !input.optional {
            log.error(&input.name.place, format!("the input `{name}` was not given"))
                .cause(if input.help.is_empty() { "the recipe needs it".into() } else { input.help.clone() })
                .remedy("name a file for it on the command line");
        } else if count > 1 && !input.many {
            log.error(&input.name.place, format!("the input `{name}` takes one file, but {count} were given"))
                .cause("it is not declared as `many`")
                .remedy("give one file, or add `many = true` to the input");
        }
        counts.push(count);
    }
    counts
}

impl Expansion<'_, '_> {
    fn sources(&mut self) {
        for (index, input) in self.recipe.inputs.iter().enumerate() {
            let name = &input.name.name;
            let count = self.counts[index];
            let (Some(reader), true) = (self.checked.reader, count > 0) else {
                self.inputs.push(Made::Absent(format!("`{name}` was not given")));
                continue;
            };
            let refs = (0..count).map(|file| {
                let step = if count > 1 { format!("{name}[{}]", file + 1) } else { name.clone() };
                self.plan.nodes.push(PlanNode {
                    step,
                    description: reader.description.clone(),
                    parameters: self.checked.reading[index].0.clone(),
                    given: self.checked.reading[index].1.clone(),
                    inputs: Vec::new(),
                    file: Some((name.clone(), file)),
                });
                OutputRef { node: self.plan.nodes.len() - 1, port: 0 }
            });
            let refs = refs.collect();
            self.inputs.push(Made::Nodes { axis: input.many.then_some(index), refs });
        }
    }

    fn made(&self, link: &Link) -> Made {
        match link.end {
            End::Input(index) => self.inputs[index].clone(),
            End::Step(index) => match self.steps[index].get(link.port) {
                Some(made) => made.clone(),
                None => Made::Absent("it is part of a loop".into()),
            },
        }
    }

    fn step(&mut self, log: &mut Log, index: usize, step: &Step<'_>) {
        let description = &step.listed.description;
        let made: Vec<Vec<Made>> = step.links.iter().map(|l| l.iter().map(|l| self.made(l)).collect()).collect();
        for (port, made) in description.inputs.iter().zip(&made) {
            let missing = made.iter().all(|m| matches!(m, Made::Absent(_)));
            if let (true, true, Some(Made::Absent(why))) = (port.required, missing, made.first()) {
                let why = format!("nothing reaches its port `{}`: {why}", port.name);
                self.skip(index, step, &made_through(description, &step.links, self), &why);
                return;
            }
        }
        let Some(axis) = self.axis(log, step, &made) else { return };
        let count = axis.map_or(1, |a| self.counts[a]);
        let mut outputs = vec![Vec::new(); description.outputs.len()];
        for instance in 0..count {
            let name = if count > 1 { format!("{}[{}]", step.name.name, instance + 1) } else { step.name.name.clone() };
            let inputs = made.iter().map(|made| pick(made, axis, instance)).collect();
            let mut parameters = step.parameters.clone();
            if count > 1 {
                number_file(description, &mut parameters, instance);
            }
            let node = self.node(
                log,
                &step.name.place,
                PlanNode {
                    step: name,
                    description: description.clone(),
                    parameters,
                    given: step.given.clone(),
                    inputs,
                    file: None,
                },
            );
            for (port, refs) in outputs.iter_mut().enumerate() {
                refs.push(OutputRef { node, port });
            }
        }
        self.steps[index] = outputs.into_iter().map(|refs| Made::Nodes { axis, refs }).collect();
    }

    /// The input whose files the step follows one by one: that of its single ports.
    fn axis(&self, log: &mut Log, step: &Step<'_>, made: &[Vec<Made>]) -> Option<Option<usize>> {
        let mut found: Option<usize> = None;
        for (port, (links, made)) in step.listed.description.inputs.iter().zip(step.links.iter().zip(made)) {
            for (link, made) in links.iter().zip(made).filter(|_| !port.many) {
                let Made::Nodes { axis: Some(axis), .. } = made else { continue };
                if let Some(other) = found.filter(|other| other != axis) {
                    let name = |index: usize| self.recipe.inputs[index].name.name.as_str();
                    log.error(&link.place, format!("the step `{}` mixes two inputs of many files", step.name.name))
                        .cause(format!("it would run once for each of `{}` and of `{}`", name(other), name(*axis)))
                        .remedy("gather one of them first with a method that takes several");
                    return None;
                }
                found = Some(*axis);
            }
        }
        Some(found)
    }

    fn skip(&mut self, index: usize, step: &Step<'_>, through: &Option<(stillair_api::PortType, Made)>, why: &str) {
        self.plan.skipped.push(Skipped { step: step.name.name.clone(), why: why.into() });
        let absent = Made::Absent(format!("the step `{}` was left out, since {why}", step.name.name));
        self.steps[index] = (step.listed.description.outputs.iter())
            .map(|port| match through {
                Some((kind, made)) if *kind == port.kind => made.clone(),
                _ => absent.clone(),
            })
            .collect();
    }

    fn result(&mut self, log: &mut Log, index: usize) {
        let result = &self.checked.results[index];
        let name = &result.name.name;
        let refs = match self.made(&result.link) {
            Made::Nodes { refs, .. } => refs,
            Made::Absent(why) => {
                self.plan.skipped.push(Skipped { step: format!("results.{name}"), why });
                return;
            }
        };
        for (instance, output) in refs.iter().enumerate() {
            let several = refs.len() > 1;
            let file = if several { format!("{name}-{}", instance + 1) } else { name.clone() };
            let suffix = if several { format!("[{}]", instance + 1) } else { String::new() };
            let description = result.writer.description.clone();
            let mut parameters = description.defaults();
            let mut given = Vec::new();
            if description.parameters.iter().any(|p| p.name == "name") {
                parameters.0.insert("name".into(), ParameterValue::Text(file.clone()));
                given.push("name".into());
            }
            let mut inputs = vec![Vec::new(); description.inputs.len()];
            inputs[result.port].push(*output);
            let step = format!("results.{name}{suffix}");
            self.node(log, &result.name.place, PlanNode { step, description, parameters, given, inputs, file: None });
            self.plan.results.push((file, *output));
        }
    }

    fn node(&mut self, log: &mut Log, place: &Place, node: PlanNode) -> usize {
        if let (Shape::Sink, Some(ParameterValue::Text(name))) = (node.description.shape, node.parameters.0.get("name"))
        {
            let file = format!("{name}.{}", node.description.extension);
            if let Some(other) = self.files.insert(file.to_lowercase(), node.step.clone()) {
                log.error(place, format!("`{other}` and `{}` would write the same file", node.step))
                    .cause(format!("both are called results/{file}"))
                    .remedy("give one of them another name");
            }
        }
        self.plan.nodes.push(node);
        self.plan.nodes.len() - 1
    }
}

/// The type of the port that a skipped step hands on, and what is linked to it.
fn made_through(
    description: &Description,
    links: &[Vec<Link>],
    work: &Expansion<'_, '_>,
) -> Option<(stillair_api::PortType, Made)> {
    let index = description.inputs.iter().position(|p| p.name == description.through)?;
    let made = work.made(links[index].first()?);
    Some((description.inputs[index].kind, made))
}

/// The outputs that an instance takes from what its links became.
fn pick(made: &[Made], axis: Option<usize>, instance: usize) -> Vec<OutputRef> {
    let mut picked = Vec::new();
    for made in made {
        match made {
            Made::Nodes { axis: Some(a), refs } if Some(*a) == axis => picked.extend(refs.get(instance)),
            Made::Nodes { refs, .. } => picked.extend(refs),
            Made::Absent(_) => {}
        }
    }
    picked
}

/// A sink that runs once for each of several clips writes a file for each.
fn number_file(description: &Description, parameters: &mut stillair_api::Parameters, instance: usize) {
    let text = |p: &stillair_api::Parameter| p.name == "name" && p.kind == ParameterKind::Text;
    let names_file = description.shape == Shape::Sink && description.parameters.iter().any(text);
    if let (true, Some(ParameterValue::Text(name))) = (names_file, parameters.0.get_mut("name")) {
        *name = format!("{name}-{}", instance + 1);
    }
}

/// Takes out nodes that nothing needs because what needed them was skipped.
fn prune(mut plan: Plan) -> Plan {
    let mut live = BTreeSet::new();
    let mut queue: Vec<usize> = Vec::new();
    for (index, node) in plan.nodes.iter().enumerate() {
        let records = node.description.outputs.iter().any(|p| p.kind == stillair_api::PortType::Record);
        if node.description.shape == Shape::Sink || records {
            queue.push(index);
        }
    }
    while let Some(index) = queue.pop() {
        if live.insert(index) {
            queue.extend(plan.nodes[index].inputs.iter().flatten().map(|output| output.node));
        }
    }
    let mut moved = vec![usize::MAX; plan.nodes.len()];
    for (new, old) in live.iter().enumerate() {
        moved[*old] = new;
    }
    let shift = |output: &mut OutputRef| output.node = moved[output.node];
    let mut index = 0;
    let skipped = &mut plan.skipped;
    plan.nodes.retain(|node| {
        let keep = live.contains(&index);
        index += 1;
        if !keep && node.file.is_none() {
            let why = "all that needs it was left out".into();
            skipped.push(Skipped { step: node.step.clone(), why });
        }
        keep
    });
    plan.nodes.iter_mut().flat_map(|n| n.inputs.iter_mut().flatten()).for_each(shift);
    plan.results.iter_mut().for_each(|(_, output)| shift(output));
    plan
}
