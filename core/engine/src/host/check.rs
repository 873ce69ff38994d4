//! Holds a library to the boundary: odd sizes, values that are no numbers, repeated calls, 1 to 4 threads, a wish to
//! stop in mid-call. A method may refuse what it cannot do; it may not lose its head.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use stillair_api::{
    Description, Facts, Fault, FaultKind, Method, Node, Outcome, ParameterKind, ParameterValue, Shape, contract,
};

use super::library::load;
use super::trial::{Scene, Trial};

/// How long a method may go on after a wish to stop: it should look every 100 ms.
const STOP_WITHIN: Duration = Duration::from_secs(1);

/// What a check found.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckReport {
    /// Identity and version of the plugin.
    pub plugin: String,
    /// For each method: its name and how much of the trial it took part in.
    pub methods: Vec<(String, String)>,
    /// What is wrong, a line each.
    pub complaints: Vec<String>,
}

/// Loads a library and tries all its methods; `say` hears what is tried next. This runs the library's code, which may
/// crash the process: the command does it in one of its own.
///
/// # Errors
/// If the library is refused.
pub fn check(path: &Path, say: &mut dyn FnMut(&str)) -> Outcome<CheckReport> {
    say("loading");
    let library = load(path)?;
    let mut report =
        CheckReport { plugin: format!("{} {}", library.plugin.id, library.plugin.version), ..CheckReport::default() };
    if library.plugin.methods.is_empty() {
        report.complaints.push("the plugin has no methods".into());
    }
    for method in &library.plugin.methods {
        let description = method.describe();
        let name = description.method.clone();
        let mut trying = Trying { description: &description, say, complaints: Vec::new(), refusals: BTreeSet::new() };
        trying.description();
        let tried = trying.trial(method.as_ref());
        let Trying { complaints, refusals, .. } = trying;
        report.complaints.extend(complaints.into_iter().map(|c| format!("{name}: {c}")));
        let refused = if refusals.is_empty() {
            String::new()
        } else {
            format!("; it refused: {}", refusals.into_iter().collect::<Vec<_>>().join(" | "))
        };
        report.methods.push((name, format!("{tried}{refused}")));
    }
    Ok(report)
}

struct Trying<'a> {
    description: &'a Description,
    say: &'a mut dyn FnMut(&str),
    complaints: Vec<String>,
    refusals: BTreeSet<String>,
}

impl Trying<'_> {
    fn complain(&mut self, words: impl Into<String>) {
        let words = words.into();
        if !self.complaints.contains(&words) {
            self.complaints.push(words);
        }
    }

    fn say(&mut self, what: &str) {
        (self.say)(&format!("{}: {what}", self.description.method));
    }

    /// What the description says must hold together.
    fn description(&mut self) {
        let description = self.description;
        for breach in contract::breaches(description) {
            self.complain(breach);
        }
        if description.summary.trim().is_empty() || description.summary.contains('\n') {
            self.complain("the summary must be one line");
        }
        if description.source.trim().is_empty() {
            self.complain("it names no source; write \"common practice, no source\" if there is none");
        }
        if description.version == 0 {
            self.complain("versions begin with 1");
        }
        let mut names = BTreeSet::new();
        for parameter in &description.parameters {
            let name = &parameter.name;
            if !names.insert(name) {
                self.complain(format!("parameter `{name}` stands twice"));
            }
            if !fits(&parameter.kind, &parameter.default, parameter.auto) {
                self.complain(format!("the default of `{name}` is not one that it allows"));
            }
        }
        for need in &description.needs {
            let table = |p: &stillair_api::Port| p.name == need.port && p.kind == stillair_api::PortType::Table;
            if !description.inputs.iter().any(table) {
                self.complain(format!("it needs the column `{}` of `{}`, which is no table", need.column, need.port));
            }
            let names = |p: &stillair_api::Parameter| p.name == need.named_by && p.kind == ParameterKind::Text;
            if !need.named_by.is_empty() && !description.parameters.iter().any(names) {
                self.complain(format!("`{}`, to name a column, is no parameter that takes a text", need.named_by));
            }
        }
        let streams = matches!(description.shape, Shape::Map | Shape::Measure | Shape::Reduce);
        let frames = description.inputs.iter().filter(|p| p.kind == stillair_api::PortType::Frames).count();
        if streams && frames != 1 {
            self.complain(
                format!("it has {frames} inputs of frames, a {:?} has one", description.shape).to_lowercase(),
            );
        }
        if description.shape == Shape::Sink && description.extension.is_empty() {
            self.complain("a sink needs the extension of its file");
        }
    }

    /// A fault that is a mistake of the plugin is a complaint; any other is a refusal, which is its right.
    fn judge<T>(&mut self, what: &str, outcome: Outcome<T>) -> Option<T> {
        match outcome {
            Ok(value) => Some(value),
            Err(fault) if fault.kind == FaultKind::Internal => {
                self.complain(format!("{what}: {fault}"));
                None
            }
            Err(fault) if fault.message.trim().is_empty() => {
                self.complain(format!("{what}: it failed without a word"));
                None
            }
            Err(fault) => {
                self.refusals.insert(fault.message);
                None
            }
        }
    }

    fn node(&mut self, method: &dyn Method) -> Option<Node> {
        let made = method.create(&self.description.defaults(), &Facts::default());
        self.judge("made with its defaults", made)
    }

    fn trial(&mut self, method: &dyn Method) -> String {
        self.say("made with its defaults");
        let (Some(node), Some(again)) = (self.node(method), self.node(method)) else {
            return "not tried: it cannot be made from its defaults alone".into();
        };
        if self.description.shape == Shape::Source {
            return self.sources(&node);
        }
        let mut tried = 0;
        for scene in Scene::all() {
            self.say(&scene.to_string());
            let trial = Trial { description: self.description, scene: &scene };
            let first = trial.run(&node, 1, 1, false);
            let Some(first) = self.judge(&scene.to_string(), first) else { continue };
            tried += 1;
            for (other, threads, batch, what) in [
                (&node, 1, 1, "the same call again gave other bits"),
                (&again, 1, 3, "another node, or frames added three at a time, gave other bits"),
                (&again, 4, 2, "four threads gave other bits than one"),
            ] {
                match trial.run(other, threads, batch, false) {
                    Ok(bits) if bits == first => {}
                    Ok(_) => self.complain(format!("{scene}: {what}")),
                    Err(fault) => self.complain(format!("{scene}: the same call again failed: {fault}")),
                }
            }
        }
        self.cancel(&node);
        format!("{tried} of {} trials", Scene::all().len())
    }

    fn cancel(&mut self, node: &Node) {
        self.say("a wish to stop");
        let scene = Scene::large();
        let trial = Trial { description: self.description, scene: &scene };
        let began = Instant::now();
        let outcome = trial.run(node, 1, 8, true);
        let took = began.elapsed();
        if let Err(fault) = outcome
            && fault.kind == FaultKind::Internal
        {
            self.complain(format!("asked to stop, it failed: {fault}"));
        }
        if took > STOP_WITHIN {
            self.complain(format!("asked to stop, it went on for {:.1} s", took.as_secs_f64()));
        }
    }

    /// A reader of files must survive files that are none; a simulator is opened as it is.
    fn sources(&mut self, node: &Node) -> String {
        let Node::Source(source) = node else { return String::new() };
        if self.description.contract == "simulate" {
            self.say("opened");
            let tried = super::trial::source(source.as_ref(), &[]);
            let tried = self.judge("opened", tried);
            return if tried.is_some() { "opened and read".into() } else { "not opened".into() };
        }
        let Ok(folder) = tempfile::tempdir() else { return "not tried: no folder for files".into() };
        let noise: Vec<u8> = (0..4096_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        for (name, bytes) in [("missing", None), ("empty", Some(&noise[..0])), ("noise", Some(&noise[..]))] {
            self.say(&format!("a file that is {name}"));
            let path = folder.path().join(name);
            if let Some(bytes) = bytes
                && std::fs::write(&path, bytes).is_err()
            {
                continue;
            }
            match super::trial::source(source.as_ref(), &[path]) {
                Ok(()) => self.complain(format!("it reads frames from a file that is {name}")),
                Err(fault) => _ = self.judge::<()>(&format!("a file that is {name}"), Err(fault)),
            }
        }
        "three files that are no clips".into()
    }
}

fn fits(kind: &ParameterKind, value: &ParameterValue, auto: bool) -> bool {
    match (kind, value) {
        (_, ParameterValue::Text(word)) if word == "auto" && auto => true,
        (ParameterKind::Number { min, max }, ParameterValue::Number(v)) => min <= v && v <= max,
        (ParameterKind::Number { min, max }, ParameterValue::Integer(v)) => *min <= *v as f64 && *v as f64 <= *max,
        (ParameterKind::Integer { min, max }, ParameterValue::Integer(v)) => min <= v && v <= max,
        (ParameterKind::Choice { of }, ParameterValue::Text(word)) => of.contains(word),
        (ParameterKind::Flag, ParameterValue::Flag(_)) | (ParameterKind::Text, ParameterValue::Text(_)) => true,
        (ParameterKind::Numbers { min, max }, ParameterValue::Numbers(all)) => all.iter().all(|v| min <= v && v <= max),
        _ => false,
    }
}

/// The complaint of a process that ended in mid-check.
pub(super) fn crashed(last: &str, how: &str) -> Fault {
    Fault::data(format!("the library crashed the process that tried it ({how}) while it was at: {last}"))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use stillair_api::{Bound, ColumnSpec, Context, Parameters, PortType, Transform, Value};

    use super::*;

    /// Adds two columns to a table.
    struct Adds(Description);

    impl Method for Adds {
        fn describe(&self) -> Description {
            self.0.clone()
        }

        fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
            Ok(Node::Transform(Box::new(Adding)))
        }
    }

    struct Adding;

    impl Transform for Adding {
        fn run(&self, _context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
            let mut table = (**bound.table("table")?).clone();
            for name in ["weight", "luck"] {
                let values = vec![1.0; table.rows()];
                table.push(ColumnSpec::number(name, "", ""), values);
            }
            Ok(vec![Value::Table(Arc::new(table))])
        }
    }

    fn complaints(description: Description) -> Vec<String> {
        let method = Adds(description);
        let mut say = |_: &str| {};
        let mut trying =
            Trying { description: &method.0, say: &mut say, complaints: Vec::new(), refusals: BTreeSet::new() };
        trying.description();
        trying.trial(&method);
        trying.complaints
    }

    #[test]
    fn a_method_that_names_columns_has_to_name_all_and_needs_what_there_can_be() {
        let plain = Description::new("other.adds", Shape::Transform, "adds").source("none");
        let plain = plain.input("table", PortType::Table, "").output("table", PortType::Table, "");
        assert_eq!(complaints(plain.clone()), Vec::<String>::new());
        let one = plain.column(ColumnSpec::number("weight", "", ""));
        let found = complaints(one.clone());
        assert!(found[0].ends_with("its table has the column luck, which its description does not name"), "{found:?}");
        let both = one.column(ColumnSpec::number("luck", "", ""));
        assert_eq!(complaints(both.clone()), Vec::<String>::new());
        let found = complaints(both.needs("tabel", "flux").needs_named("table", "grade", "by"));
        assert!(found[0].contains("of `tabel`, which is no table") && found[1].starts_with("`by`"), "{found:?}");
    }
}
