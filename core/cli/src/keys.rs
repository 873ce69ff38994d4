//! Keys of real recipes: what a step reads, directly or through the steps before it, changes its key; nothing else does.
//! Keys are the project's own, so no outside reference applies: the steps that must change are worked out from the links
//! and the descriptions alone.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use proptest::prelude::*;
use proptest::sample::Index;
use stillair_api::{FactOrigin, FactValue, Facts, Parameter, ParameterKind, ParameterValue, Plugin, PortType, Shape};
use stillair_engine::cache::canonical;
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::{self, Given, Override};
use stillair_engine::host::{Library, PluginFile};
use stillair_engine::plan::Plan;
use stillair_engine::run::{self, Budget, Build, InputFile, RunRequest};
use stillair_engine::session::{FACTS, FactKind};

use crate::plugins;
use crate::recipes::{Recipe, SHIPPED, Shelf};

/// Writes a clip of 8 bits, 24 x 20 px, behind a colour mosaic, without times; `salt` makes other bytes.
fn write_clip(path: &Path, frames: u32, salt: u8) {
    // The format's signature, then reader id, colour id (R G / G B), byte order, width, height, bits, frames.
    let mut bytes = vec![0x4c, 0x55, 0x43, 0x41, 0x4d, 0x2d, 0x52, 0x45, 0x43, 0x4f, 0x52, 0x44, 0x45, 0x52];
    for number in [0, 8, 0, 24, 20, 8, frames] {
        bytes.extend(u32::to_le_bytes(number));
    }
    bytes.resize(178, 0);
    bytes.extend((0..frames * 24 * 20).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8 / 4 + salt));
    std::fs::write(path, bytes).unwrap();
}

/// A recipe that ships, ready to be asked for its keys.
#[derive(Clone)]
struct Case {
    plan: Plan,
    request: RunRequest,
}

struct House {
    catalogue: Catalogue,
    cases: Vec<(Case, Vec<String>)>,
    _folder: tempfile::TempDir,
}

fn compiled(name: &str, catalogue: &Catalogue, settings: &[String]) -> Option<(Recipe, Plan)> {
    let recipe = Recipe::find(name).ok()?;
    let inputs = recipe.inputs.iter().map(|i| (i.name.clone(), if i.many { 2 } else { 1 })).collect();
    let overrides: Vec<_> = settings.iter().map(|text| Override::set(text)).collect();
    let shelf = Shelf { folder: None };
    let mut plan = compile::compile(&recipe.text, catalogue, &Given { inputs }, &overrides, &shelf).ok()?;
    for node in plan.nodes.iter_mut().filter(|n| n.description.method.starts_with("simulate.")) {
        // To open a simulated clip is to prepare its sky.
        node.parameters.0.insert("screen_points".into(), ParameterValue::Integer(256));
        node.parameters.0.insert("frames".into(), ParameterValue::Integer(3));
    }
    Some((recipe, plan))
}

/// Every recipe with a file for each of its inputs, two where it takes many.
static HOUSE: LazyLock<House> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let catalogue = Catalogue::new(plugins::linked()).unwrap();
    let mut cases = Vec::new();
    for (name, _) in SHIPPED {
        let (recipe, plan) = compiled(name, &catalogue, &[]).unwrap();
        let mut inputs = BTreeMap::new();
        for input in &recipe.inputs {
            let file = |number: u8| {
                let path = folder.path().join(format!("{name}-{}-{number}.ser", input.name));
                write_clip(&path, 3, 7 * number + input.name.len() as u8);
                InputFile { path, facts: Facts::default() }
            };
            inputs.insert(input.name.clone(), (0..if input.many { 2 } else { 1 }).map(file).collect());
        }
        let build = Build {
            version: "1".into(),
            executable: blake3::hash(b"the program").to_hex().to_string(),
            instruction_set: "plain".into(),
        };
        let budget = Budget::firm(1 << 40);
        let request = RunRequest { inputs, out: folder.path().into(), jobs: Some(1), budget, build, cache: None };
        let case = Case { plan, request };
        let keys = keys(&catalogue, &case).unwrap();
        cases.push((case, keys));
    }
    House { catalogue, cases, _folder: folder }
});

/// The keys of a plan's nodes; none where a run would be refused.
fn keys(catalogue: &Catalogue, case: &Case) -> Option<Vec<String>> {
    let keys = run::keys(&case.plan, catalogue, &case.request).ok()?;
    Some(keys.iter().map(ToString::to_string).collect())
}

/// The nodes given, and all that stand on them.
fn downstream(plan: &Plan, from: impl IntoIterator<Item = usize>) -> BTreeSet<usize> {
    let mut found: BTreeSet<usize> = from.into_iter().collect();
    for (index, node) in plan.nodes.iter().enumerate() {
        if node.inputs.iter().flatten().any(|output| found.contains(&output.node)) {
            found.insert(index);
        }
    }
    found
}

fn changed(before: &[String], after: &[String]) -> BTreeSet<usize> {
    assert_eq!(before.len(), after.len());
    (0..before.len()).filter(|n| before[*n] != after[*n]).collect()
}

fn names(plan: &Plan, nodes: &BTreeSet<usize>) -> Vec<String> {
    nodes.iter().map(|n| plan.nodes[*n].step.clone()).collect()
}

/// A value within a range that may be endless at either end.
fn within(min: f64, max: f64, share: f64) -> f64 {
    let (min, max) = (min.max(-1e6), max.min(1e6));
    min + share * (max - min)
}

/// Another value that the description allows.
fn another(spec: &Parameter, share: f64, index: Index) -> ParameterValue {
    if spec.auto && share < 0.2 {
        return ParameterValue::Text("auto".into());
    }
    match &spec.kind {
        ParameterKind::Number { min, max } => ParameterValue::Number(within(*min, *max, share)),
        ParameterKind::Integer { min, max } => {
            let (min, max) = ((*min).max(-1000), (*max).min(1000));
            ParameterValue::Integer(min + index.index((max - min + 1) as usize) as i64)
        }
        ParameterKind::Choice { of } => ParameterValue::Text(of[index.index(of.len())].clone()),
        ParameterKind::Flag => ParameterValue::Flag(share < 0.6),
        ParameterKind::Text => ParameterValue::Text(format!("text{}", index.index(3))),
        ParameterKind::Numbers { min, max } => {
            ParameterValue::Numbers((0..=index.index(3)).map(|n| within(*min, *max, share / (n + 1) as f64)).collect())
        }
    }
}

fn fact_value(kind: &FactKind, share: f64, index: Index, folder: &Path) -> FactValue {
    match kind {
        FactKind::Number { min, max } => FactValue::Number(within(*min, *max, share)),
        FactKind::Integer { min, max } => {
            FactValue::Number((min + index.index((max - min + 1) as usize) as i64) as f64)
        }
        FactKind::Choice(words) => FactValue::Text(words[index.index(words.len())].into()),
        FactKind::Flag => FactValue::Flag(share < 0.5),
        FactKind::Text => FactValue::Text(["jupiter", "mars", "red"][index.index(3)].into()),
        FactKind::Path => FactValue::Text(folder.join("none.ser").display().to_string()),
    }
}

/// Whether a node that measures begins a table, into which the engine itself puts the exposure.
fn begins_a_table(plan: &Plan, node: usize) -> bool {
    let node = &plan.nodes[node];
    let mut links = node.description.inputs.iter().zip(&node.inputs);
    node.description.shape == Shape::Measure && links.all(|(p, l)| p.kind != PortType::Table || l.is_empty())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 160, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_parameter_changes_its_step_and_what_stands_on_it(
        recipe: Index, node: Index, parameter: Index, share in 0.0..1.0, index: Index,
    ) {
        let (case, before) = &HOUSE.cases[recipe.index(HOUSE.cases.len())];
        let mut other = case.clone();
        let at = node.index(case.plan.nodes.len());
        let node = &mut other.plan.nodes[at];
        prop_assume!(!node.description.parameters.is_empty() && !node.description.method.starts_with("simulate."));
        let spec = &node.description.parameters[parameter.index(node.description.parameters.len())];
        let value = another(spec, share, index);
        let same = canonical(&value, Some(&spec.kind)) == canonical(&node.parameters.0[&spec.name], Some(&spec.kind));
        let what = format!("{}.{} = {value:?}", node.step, spec.name);
        node.parameters.0.insert(spec.name.clone(), value);
        let after = keys(&HOUSE.catalogue, &other);
        prop_assume!(after.is_some());
        let expected = if same { BTreeSet::new() } else { downstream(&case.plan, [at]) };
        let found = changed(before, &after.unwrap());
        prop_assert_eq!(names(&case.plan, &found), names(&case.plan, &expected), "{}", what);
    }

    #[test]
    fn another_method_changes_its_step_and_what_stands_on_it(recipe: Index, node: Index, method: Index) {
        let number = recipe.index(HOUSE.cases.len());
        let (case, before) = &HOUSE.cases[number];
        let node = &case.plan.nodes[node.index(case.plan.nodes.len())];
        let contract = &node.description.contract;
        prop_assume!(!contract.is_empty() && !node.step.starts_with("results.") && node.file.is_none());
        let like: Vec<_> = HOUSE.catalogue.all().filter(|l| l.description.contract == *contract).collect();
        let name = &like[method.index(like.len())].description.method;
        let step = node.step.split('[').next().unwrap();
        let setting = format!("{step}.use={name}");
        let planned = compiled(SHIPPED[number].0, &HOUSE.catalogue, std::slice::from_ref(&setting));
        prop_assume!(planned.is_some());
        let other = Case { plan: planned.unwrap().1, request: case.request.clone() };
        let after = keys(&HOUSE.catalogue, &other);
        prop_assume!(after.is_some());
        let is_it = |plan: &Plan, n: &usize| plan.nodes[*n].step.split('[').next() == Some(step);
        let reached = |plan: &Plan| downstream(plan, (0..plan.nodes.len()).filter(|n| is_it(plan, n)));
        let by_name: BTreeMap<_, _> = case.plan.nodes.iter().map(|n| n.step.clone()).zip(before).collect();
        let (now, after) = (reached(&other.plan), after.unwrap());
        for (n, key) in after.iter().enumerate() {
            let step = &other.plan.nodes[n].step;
            let Some(old) = by_name.get(step) else { continue };
            let same_method = case.plan.nodes.iter().any(|o| o.step == *step && o.description.method == *name);
            if now.contains(&n) && !(is_it(&other.plan, &n) && same_method) && *name != node.description.method {
                prop_assert!(*old != key, "{}: {} kept its key", setting, step);
            } else if !now.contains(&n) {
                prop_assert!(*old == key, "{}: {} changed its key", setting, step);
            }
        }
    }

    #[test]
    fn a_fact_changes_what_reads_it_and_what_stands_on_that(recipe: Index, fact: Index, share in 0.0..1.0, index: Index) {
        let (case, before) = &HOUSE.cases[recipe.index(HOUSE.cases.len())];
        let spec = &FACTS[fact.index(FACTS.len())];
        let mut other = case.clone();
        prop_assume!(!case.request.inputs.is_empty());
        let value = fact_value(&spec.kind, share, index, &case.request.out);
        for file in other.request.inputs.values_mut().flatten() {
            file.facts.set(spec.name, value.clone(), FactOrigin::CommandLine);
        }
        let after = keys(&HOUSE.catalogue, &other);
        prop_assume!(after.is_some());
        let reads = |n: &usize| {
            let node = &case.plan.nodes[*n];
            let exposure = spec.name == "camera.exposure_s" && begins_a_table(&case.plan, *n);
            exposure || node.description.facts.iter().any(|f| f == spec.name)
        };
        let expected = downstream(&case.plan, (0..case.plan.nodes.len()).filter(reads));
        let found = changed(before, &after.unwrap());
        prop_assert_eq!(names(&case.plan, &found), names(&case.plan, &expected), "{} = {:?}", spec.name, value);
    }

    #[test]
    fn bytes_change_what_is_read_from_them(recipe: Index, file: Index, place: Index, bit in 0u8..8) {
        let (case, before) = &HOUSE.cases[recipe.index(HOUSE.cases.len())];
        let all: Vec<(String, usize)> =
            case.request.inputs.iter().flat_map(|(name, files)| (0..files.len()).map(|n| (name.clone(), n))).collect();
        prop_assume!(!all.is_empty());
        let which = &all[file.index(all.len())];
        let mut other = case.clone();
        let path = &mut other.request.inputs.get_mut(&which.0).unwrap()[which.1].path;
        let mut bytes = std::fs::read(&*path).unwrap();
        let samples = bytes.len() - 178;
        bytes[178 + place.index(samples)] ^= 1 << bit;
        let elsewhere = tempfile::tempdir().unwrap();
        *path = elsewhere.path().join("another.ser");
        std::fs::write(&*path, &bytes).unwrap();
        let after = keys(&HOUSE.catalogue, &other).unwrap();
        let reads = |n: &usize| case.plan.nodes[*n].file.as_ref() == Some(which);
        let expected = downstream(&case.plan, (0..case.plan.nodes.len()).filter(reads));
        prop_assert_eq!(names(&case.plan, &changed(before, &after)), names(&case.plan, &expected));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn names_places_times_threads_and_memory_change_nothing(
        recipe: Index, jobs in 1usize..9, budget in 34u32..50, name in "[a-z]{1,8}", age_s in 0u64..1_000_000,
    ) {
        let (case, before) = &HOUSE.cases[recipe.index(HOUSE.cases.len())];
        let mut other = case.clone();
        let elsewhere = tempfile::tempdir().unwrap();
        let files = other.request.inputs.values_mut().flatten();
        for (number, file) in files.enumerate() {
            let to: PathBuf = elsewhere.path().join(format!("{name}{number}.dat"));
            std::fs::copy(&file.path, &to).unwrap();
            let then = std::time::SystemTime::now() - std::time::Duration::from_secs(age_s);
            std::fs::File::options().append(true).open(&to).unwrap().set_modified(then).unwrap();
            file.path = to;
        }
        other.request.out = elsewhere.path().join("runs");
        other.request.jobs = Some(jobs);
        other.request.budget = Budget::firm(1 << budget);
        other.plan.name.clone_from(&name);
        other.plan.summary.clone_from(&name);
        for (result, _) in &mut other.plan.results {
            result.insert_str(0, &name);
        }
        for node in &mut other.plan.nodes {
            node.step.insert_str(0, &name);
            node.given.push(name.clone());
            node.description.help.push_str(&name);
        }
        prop_assert_eq!(&keys(&HOUSE.catalogue, &other).unwrap(), before);
    }

    #[test]
    fn the_bytes_of_a_library_change_the_steps_of_its_methods(recipe: Index, plugin: Index) {
        let (case, _) = &HOUSE.cases[recipe.index(HOUSE.cases.len())];
        let loaded = |changed: Option<usize>| {
            let library = |(number, plugin): (usize, Plugin)| {
                let bytes = if changed == Some(number) { format!("{} too", plugin.id) } else { plugin.id.to_string() };
                let blake3 = blake3::hash(bytes.as_bytes()).to_hex().to_string();
                Library { file: PluginFile { path: plugin.id.into(), blake3 }, plugin }
            };
            let libraries = plugins::linked().into_iter().enumerate().map(library).collect();
            Catalogue::with_loaded(Vec::new(), libraries).unwrap()
        };
        let number = plugin.index(plugins::linked().len());
        let id = plugins::linked()[number].id;
        let (whole, before) = (loaded(Some(number)), keys(&loaded(None), case).unwrap());
        let after = keys(&whole, case).unwrap();
        let of_it = |n: &usize| whole.get(&case.plan.nodes[*n].description.method).is_some_and(|l| l.plugin == id);
        let expected = downstream(&case.plan, (0..case.plan.nodes.len()).filter(of_it));
        prop_assert_eq!(names(&case.plan, &changed(&before, &after)), names(&case.plan, &expected));
        // Where everything is loaded, the program's own bytes hold no method.
        let mut other = case.clone();
        other.request.build.executable = blake3::hash(b"another program").to_hex().to_string();
        prop_assert_eq!(&keys(&whole, &other).unwrap(), &after);
    }
}

#[test]
fn the_program_the_instruction_set_and_versions_change_keys() {
    for (case, before) in &HOUSE.cases {
        let all: BTreeSet<usize> = (0..case.plan.nodes.len()).collect();
        let mut other = case.clone();
        other.request.build.executable = blake3::hash(b"another program").to_hex().to_string();
        assert_eq!(changed(before, &keys(&HOUSE.catalogue, &other).unwrap()), all);
        let mut other = case.clone();
        other.request.build.instruction_set = "wide".into();
        assert_eq!(changed(before, &keys(&HOUSE.catalogue, &other).unwrap()), all);
        for at in all {
            let mut other = case.clone();
            other.plan.nodes[at].description.version += 1;
            let expected = downstream(&case.plan, [at]);
            assert_eq!(changed(before, &keys(&HOUSE.catalogue, &other).unwrap()), expected);
        }
    }
}
