//! Steps on finished values run side by side: as many as there are threads, as far as the memory budget allows.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, Frame, FrameInput, FrameReader, Image, Item,
    Layout, Memory, Method, Node, Outcome, Parameter, Parameters, Plugin, PortType, Record, Reduce, ReduceRun, Region,
    Scratch, Shape, Source, StreamShape, TimesOrigin, Transform, Value,
};
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::{Given, NoLibrary, RecipeText, compile};
use stillair_engine::run::{Budget, Build, CancelFlag, Failed, Finished, RunRequest, Silent, run};

/// A clip of one frame.
struct Clip;

impl Method for Clip {
    fn describe(&self) -> Description {
        Description::new("test.clip", Shape::Source, "one frame").output("frames", PortType::Frames, "frames")
    }

    fn create(&self, _: &Parameters, _: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(Clip)))
    }
}

impl Source for Clip {
    fn open(&self, _: &dyn Context, _: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        Ok(Box::new(Reader(ClipInfo {
            frames: 1,
            width: 4,
            height: 4,
            layout: Layout::Mono,
            bits: 8,
            white_level: 255.0,
            time_s: vec![0.0].into(),
            start_unix_ns: None,
            times: TimesOrigin::Rate,
            exposure_s: None,
            header: Default::default(),
            notes: Vec::new(),
        })))
    }
}

struct Reader(ClipInfo);

impl FrameReader for Reader {
    fn info(&self) -> &ClipInfo {
        &self.0
    }

    fn read(&self, index: usize, region: Region, _: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        out.reshape(index, region, Layout::Mono);
        out.data.fill(1.0);
        Ok(())
    }
}

/// A picture of ones.
struct Ones;

impl Method for Ones {
    fn describe(&self) -> Description {
        Description::new("test.ones", Shape::Reduce, "ones").input("frames", PortType::Frames, "frames").output(
            "image",
            PortType::Image,
            "picture",
        )
    }

    fn create(&self, _: &Parameters, _: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(Ones)))
    }
}

impl Reduce for Ones {
    fn start(&self, _: &dyn Context, _: &Bound, _: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        Ok(Box::new(Ones))
    }

    fn memory(&self, _: StreamShape) -> Memory {
        Memory::default()
    }
}

impl ReduceRun for Ones {
    fn prepare(&self, _: &mut Scratch, _: &FrameInput<'_>) -> Outcome<Item> {
        Ok(Box::new(()))
    }

    fn add(&mut self, _: &dyn Context, _: Vec<(usize, Item)>) -> Outcome<()> {
        Ok(())
    }

    fn finish(&mut self, _: &dyn Context) -> Outcome<Finish> {
        Ok(Finish::Done(vec![Value::Image(Image { data: vec![1.0; 16], ..Image::new(4, 4, 1) }.into())]))
    }
}

/// Works for a while beside others, adds up its inputs, and keeps in mind how many of its kind were at work at once.
struct Busy {
    at_work: &'static AtomicUsize,
    most: &'static AtomicUsize,
}

struct BusyNode {
    at_work: &'static AtomicUsize,
    most: &'static AtomicUsize,
    bytes: u64,
    fails: bool,
}

impl Method for Busy {
    fn describe(&self) -> Description {
        let mut description = Description::new("test.busy", Shape::Transform, "busy")
            .input("image", PortType::Image, "pictures")
            .output("image", PortType::Image, "their sum")
            .output("told", PortType::Record, "a pixel of it")
            .parameter(Parameter::integer("megabytes", "", 0, 1000, 0, "memory that it says it needs"))
            .parameter(Parameter::flag("fails", false, "fail"));
        description.inputs[0].many = true;
        description
    }

    fn create(&self, parameters: &Parameters, _: &Facts) -> Outcome<Node> {
        let (bytes, fails) = (parameters.integer("megabytes")? as u64 * 1_000_000, parameters.flag("fails")?);
        Ok(Node::Transform(Box::new(BusyNode { at_work: self.at_work, most: self.most, bytes, fails })))
    }
}

impl Transform for BusyNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let now = self.at_work.fetch_add(1, Ordering::SeqCst) + 1;
        self.most.fetch_max(now, Ordering::SeqCst);
        // Long enough for another to begin, with parts of its own on the same threads.
        let begun = Instant::now();
        context.parallel(3, &|_| std::thread::sleep(Duration::from_millis(30)));
        while self.most.load(Ordering::SeqCst) < 2 && begun.elapsed() < Duration::from_millis(300) {
            std::thread::sleep(Duration::from_millis(5));
        }
        self.at_work.fetch_sub(1, Ordering::SeqCst);
        if self.fails {
            return Err(Fault::data("told to fail"));
        }
        let mut sum = Image::new(4, 4, 1);
        for image in bound.images("image") {
            sum.data.iter_mut().zip(&image.data).for_each(|(s, v)| *s += v);
        }
        let told = Entry::number("sum", f64::from(sum.data[0]), "", "a pixel");
        Ok(vec![Value::Image(sum.into()), Value::Record(Record { entries: vec![told] }.into())])
    }

    fn memory(&self, _: StreamShape) -> Memory {
        Memory { state: self.bytes, ..Memory::default() }
    }
}

/// Runs a recipe of busy steps and gives how many were at work at once with what came of it.
fn run_steps(steps: &str, jobs: usize, budget_bytes: u64, out: &Path) -> (usize, Result<Finished, Failed>) {
    let (at_work, most) = (Box::leak(Box::default()), Box::leak(Box::<AtomicUsize>::default()));
    let methods: Vec<Box<dyn Method>> = vec![Box::new(Clip), Box::new(Ones), Box::new(Busy { at_work, most })];
    let catalogue = Catalogue::new(vec![Plugin { id: "test", version: "1", methods }]).expect("no duplicates");
    let head = "schema = 1\nname = \"busy\"\nsummary = \"for the test\"\n\n[step.clip]\nuse = \"test.clip\"\n\n\
                [step.ones]\nuse = \"test.ones\"\nframes = \"@clip\"\n\n";
    let text = format!("{head}{steps}");
    let recipe = RecipeText { name: "busy".into(), path: "busy.toml".into(), text };
    let plan = compile(&recipe, &catalogue, &Given::default(), &[], &NoLibrary).unwrap_or_else(|d| panic!("{d:?}"));
    let request = RunRequest {
        inputs: Default::default(),
        out: out.into(),
        jobs: Some(jobs),
        budget: Budget::firm(budget_bytes),
        build: Build { version: "0".into(), executable: "0".into(), instruction_set: "none".into() },
        cache: None,
    };
    let finished = run(&plan, &catalogue, &request, &CancelFlag::default(), &Silent, None);
    (most.load(Ordering::SeqCst), finished)
}

fn busy(name: &str, inputs: &str, more: &str) -> String {
    let inputs = inputs.split(", ").map(|i| format!("\"@{i}\"")).collect::<Vec<_>>().join(", ");
    format!("[step.{name}]\nuse = \"test.busy\"\nimage = [{inputs}]\n{more}\n\n")
}

/// What the step `name` wrote into the record as its sum.
fn sum_of(finished: &Finished, name: &str) -> f64 {
    let text = std::fs::read_to_string(finished.folder.join("run.json")).expect("a record");
    let record: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let nodes = record["nodes"].as_array().expect("nodes");
    let node = nodes.iter().find(|n| n["step"] == name).expect("the step");
    node["entries"][0]["value"].as_f64().unwrap_or_else(|| panic!("{node}"))
}

#[test]
fn independent_steps_run_at_once_and_chains_keep_their_order() {
    let dir = tempfile::tempdir().expect("a folder");
    // c reads what a and b leave, d what c and a leave: 1, 1, 2, 3; e is alone.
    let steps = ["a", "b", "e"].map(|n| busy(n, "ones", "")).concat()
        + &busy("c", "a.image, b.image", "")
        + &busy("d", "c.image, a.image", "");
    for (jobs, expected) in [(1, 1), (2, 2), (4, 3)] {
        let (most, finished) = run_steps(&steps, jobs, 1 << 30, &dir.path().join(jobs.to_string()));
        let finished = finished.unwrap_or_else(|f| panic!("{}", f.fault));
        assert!(most <= jobs && (most == expected || jobs == 4 && most >= 2), "{most} at once with {jobs} threads");
        let sums = ["a", "b", "c", "d", "e"].map(|name| sum_of(&finished, name));
        assert_eq!(sums, [1.0, 1.0, 2.0, 3.0, 1.0], "{jobs} threads");
    }
}

#[test]
fn steps_that_do_not_fit_the_budget_together_wait() {
    let dir = tempfile::tempdir().expect("a folder");
    let steps = ["a", "b", "c"].map(|n| busy(n, "ones", "megabytes = 40")).concat();
    // The program itself is taken to need 25 MB: one fits into 70, two into 110.
    for (megabytes, expected) in [(70, 1), (110, 2)] {
        let (most, finished) = run_steps(&steps, 3, megabytes * 1_000_000, &dir.path().join(megabytes.to_string()));
        assert!(finished.is_ok());
        assert_eq!(most, expected, "{megabytes} MB");
    }
}

#[test]
fn the_first_step_that_fails_ends_the_run_and_is_named() {
    let dir = tempfile::tempdir().expect("a folder");
    let steps = busy("a", "ones", "") + &busy("b", "ones", "fails = true") + &busy("c", "b.image", "");
    for jobs in [1, 2] {
        let (_, finished) = run_steps(&steps, jobs, 1 << 30, &dir.path().join(jobs.to_string()));
        let failed = finished.expect_err("a step fails");
        assert_eq!(failed.step.as_deref(), Some("b"));
        assert_eq!(failed.fault.message, "told to fail");
        assert!(failed.folder.expect("a folder").to_string_lossy().ends_with("-failed"));
    }
}
