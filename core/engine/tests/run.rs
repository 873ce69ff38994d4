//! The run wing on methods made for the test: a clip in memory, a measure, a map, a reduce in two sweeps.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use stillair_api::{
    Bound, ClipInfo, ColumnSpec, Context, Description, Facts, Fault, Finish, Frame, FrameInput, FrameReader, GlobalRow,
    Image, Item, Layout, Map, MapRun, Measure, MeasureRow, MeasureRun, Memory, Method, Node, Outcome, OutputFile,
    Parameter, Parameters, Plugin, PortType, Reduce, ReduceRun, Region, Row, Scratch, Shape, Sink, SinkRun, Source,
    StreamShape, Table, TimesOrigin, Transform, Value,
};
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::{Given, NoLibrary, RecipeText, compile};
use stillair_engine::host::through_table;
use stillair_engine::plan::Plan;
use stillair_engine::run::{
    Budget, Build, CancelFlag, Event, Events, Failed, Finished, RunRequest, Silent, list_runs, run,
};

const FRAMES: usize = 200;
const SIDE: usize = 24;

/// How often a frame was read, over all tests of this process that use the counting clip.
static READS: AtomicUsize = AtomicUsize::new(0);
static COUNTING: Mutex<()> = Mutex::new(());

struct Clip;

impl Method for Clip {
    fn describe(&self) -> Description {
        Description::new("test.clip", Shape::Source, "noise")
            .output("frames", PortType::Frames, "frames")
            .parameter(Parameter::integer("panic_at", "", -1, 1_000_000, -1, "the frame at which the reader panics"))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(ClipSource(parameters.integer("panic_at")?))))
    }
}

struct ClipSource(i64);

impl Source for ClipSource {
    fn open(&self, _context: &dyn Context, _paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        let info = ClipInfo {
            frames: FRAMES,
            width: SIDE,
            height: SIDE,
            layout: Layout::Mono,
            bits: 8,
            white_level: 255.0,
            time_s: (0..FRAMES).map(|i| i as f64 * 0.02).collect(),
            start_unix_ns: None,
            times: TimesOrigin::Rate,
            exposure_s: Some(0.01),
            header: BTreeMap::new(),
            notes: vec!["made up".into()],
        };
        Ok(Box::new(Reader(info, self.0)))
    }
}

struct Reader(ClipInfo, i64);

/// A number that depends on frame and pixel only.
fn noise(index: usize, pixel: usize) -> f32 {
    let mut x = (index as u64) << 32 | pixel as u64;
    x = (x ^ (x >> 31)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    ((x >> 40) as f32) / 16_777_216.0
}

impl FrameReader for Reader {
    fn info(&self) -> &ClipInfo {
        &self.0
    }

    fn read(&self, index: usize, region: Region, _bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        assert_ne!(index as i64, self.1, "told to");
        READS.fetch_add(1, Ordering::SeqCst);
        out.reshape(index, region, Layout::Mono);
        for y in 0..region.height {
            for x in 0..region.width {
                out.data[y * region.width + x] = noise(index, (y + region.y) * SIDE + x + region.x);
            }
        }
        Ok(())
    }
}

/// Mean of a frame, and a place.
struct Mean;

impl Method for Mean {
    fn describe(&self) -> Description {
        Description::new("test.mean", Shape::Measure, "mean")
            .input("frames", PortType::Frames, "frames")
            .optional("table", PortType::Table, "rows")
            .output("table", PortType::Table, "rows")
            .output("motion", PortType::Motion, "places")
            .column(ColumnSpec::number("mean", "", "mean"))
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Measure(Box::new(Mean)))
    }
}

impl Measure for Mean {
    fn start(&self, _: &dyn Context, _: &Bound, _: &ClipInfo) -> Outcome<Box<dyn MeasureRun>> {
        Ok(Box::new(Mean))
    }
}

impl MeasureRun for Mean {
    fn frame(&self, _scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<MeasureRow> {
        let data = &input.frame.data;
        let mean = data.iter().map(|v| f64::from(*v)).sum::<f64>() / data.len() as f64;
        Ok(MeasureRow { values: vec![mean], motion: Some(GlobalRow::at(mean, 2.0 * mean)) })
    }
}

/// A window of 8 px that follows nothing.
struct Window;

impl Method for Window {
    fn describe(&self) -> Description {
        Description::new("test.window", Shape::Map, "window").input("frames", PortType::Frames, "frames").output(
            "frames",
            PortType::Frames,
            "frames",
        )
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Map(Box::new(Window)))
    }
}

impl Map for Window {
    fn start(&self, _: &dyn Context, _: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        Ok(Box::new(WindowRun(ClipInfo { width: 8, height: 8, ..info.clone() })))
    }
}

struct WindowRun(ClipInfo);

const WINDOW: Region = Region { x: 4, y: 6, width: 8, height: 8 };

impl MapRun for WindowRun {
    fn info(&self) -> &ClipInfo {
        &self.0
    }

    fn window(&self, _index: usize, _row: Option<&Row<'_>>) -> Outcome<Option<Region>> {
        Ok(Some(WINDOW))
    }

    fn frame(&self, _scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        assert_eq!(input.frame.region, WINDOW, "only the window is read");
        out.copy_window(input.frame, WINDOW);
        Ok(())
    }
}

/// Two sweeps: the mean picture, then the mean of the cubed differences from it, whose last bits depend on the order.
struct Cubes;

impl Method for Cubes {
    fn describe(&self) -> Description {
        Description::new("test.cubes", Shape::Reduce, "cubes")
            .input("frames", PortType::Frames, "frames")
            .input("table", PortType::Table, "rows")
            .optional("motion", PortType::Motion, "places")
            .output("image", PortType::Image, "picture")
            .sweeps(2)
            .contract("stack")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(Cubes)))
    }
}

impl Reduce for Cubes {
    fn start(&self, _: &dyn Context, _: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        let image = Image::new(info.width, info.height, 1);
        Ok(Box::new(CubesRun { sum: image, mean: None, count: 0 }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { item: stream.frame_bytes(), state: 2 * stream.frame_bytes(), worker: 0 }
    }
}

struct CubesRun {
    sum: Image,
    mean: Option<Image>,
    count: usize,
}

impl ReduceRun for CubesRun {
    fn prepare(&self, _scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let row = input.row()?;
        assert!(row.number("mean").is_finite(), "the row measured in this pass or before is at hand");
        let mut data = input.frame.data.to_vec();
        if let Some(mean) = &self.mean {
            for (value, mean) in data.iter_mut().zip(&mean.data) {
                *value = (*value - mean).powi(3);
            }
        }
        Ok(Box::new(data))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (_, item) in items {
            let data = item.downcast::<Vec<f32>>().map_err(|_| Fault::internal("item"))?;
            for (sum, value) in self.sum.data.iter_mut().zip(data.iter()) {
                *sum += value;
            }
            self.count += 1;
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let mut image = self.sum.clone();
        image.data.iter_mut().for_each(|v| *v /= self.count as f32);
        self.count = 0;
        self.sum.data.fill(0.0);
        if self.mean.is_none() {
            self.mean = Some(image);
            return Ok(Finish::Again);
        }
        context.record(stillair_api::Entry::number("centre", f64::from(image.data[30]), "", "a pixel"));
        Ok(Finish::Done(vec![Value::Image(image.into())]))
    }
}

/// Frames whose mean is above the median get weight 1.
struct Upper;

impl Method for Upper {
    fn describe(&self) -> Description {
        Description::new("test.upper", Shape::Transform, "upper half")
            .input("table", PortType::Table, "rows")
            .output("table", PortType::Table, "rows")
            .column(ColumnSpec::number("weight", "", "weight"))
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(Upper)))
    }
}

impl Transform for Upper {
    fn run(&self, _context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let mut table: Table = (**bound.table("table")?).clone();
        let means = table.values("mean").ok_or_else(|| Fault::request("no mean"))?.to_vec();
        let mut sorted = means.clone();
        sorted.sort_by(f64::total_cmp);
        let median = sorted[sorted.len() / 2];
        table.push(
            ColumnSpec::number("weight", "", "weight"),
            means.iter().map(|m| f64::from(u8::from(*m >= median))).collect(),
        );
        Ok(vec![Value::Table(table.into())])
    }
}

/// Writes the bytes of a picture. Takes the method name `write.tiff`, so that results use it.
struct Raw;

impl Method for Raw {
    fn describe(&self) -> Description {
        Description::new("write.tiff", Shape::Sink, "bytes")
            .input("image", PortType::Image, "picture")
            .parameter(Parameter::text("name", "picture", "file stem"))
            .parameter(Parameter::flag("full", false, "pretend that the disk is full"))
            .extension("tif")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Sink(Box::new(RawSink(parameters.text("name")?.into(), parameters.flag("full")?))))
    }
}

struct RawSink(String, bool);

impl Sink for RawSink {
    fn start(&self, _: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?;
        let bytes = image.data.iter().flat_map(|v| v.to_le_bytes()).collect();
        Ok(Box::new(RawRun(bytes, self.1)))
    }

    fn file_stem(&self) -> String {
        self.0.clone()
    }
}

struct RawRun(Vec<u8>, bool);

impl SinkRun for RawRun {
    fn begin(&mut self, _context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        out.write_all(&self.0)?;
        if self.1 {
            return Err(std::io::Error::from(std::io::ErrorKind::StorageFull).into());
        }
        Ok(())
    }
}

fn catalogue() -> Catalogue {
    let methods: Vec<Box<dyn Method>> =
        vec![Box::new(Clip), Box::new(Mean), Box::new(Window), Box::new(Cubes), Box::new(Upper), Box::new(Raw)];
    Catalogue::new(vec![Plugin { id: "test", version: "1", methods }]).expect("no duplicates")
}

/// The same methods behind the table that a shared library gives.
fn catalogue_through_table() -> Catalogue {
    let methods: Vec<Box<dyn Method>> =
        vec![Box::new(Clip), Box::new(Mean), Box::new(Window), Box::new(Cubes), Box::new(Upper), Box::new(Raw)];
    let plugin = through_table(Plugin { id: "test", version: "1", methods }).expect("crosses");
    Catalogue::new(vec![plugin]).expect("no duplicates")
}

const RECIPE: &str = r#"
schema = 1
name = "cubes"
summary = "for the test"

[step.clip]
use = "test.clip"

[step.window]
use = "test.window"
frames = "@clip"

[step.rows]
use = "test.mean"
frames = "@window"

[step.upper]
use = "test.upper"
table = "@rows"

[step.sum]
use = "test.cubes"
frames = "@window"
table = "@upper"
motion = "@rows"

[results]
stack = "@sum"
"#;

fn plan(text: &str) -> Plan {
    let recipe = RecipeText { name: "cubes".into(), path: "cubes.toml".into(), text: text.into() };
    compile(&recipe, &catalogue(), &Given::default(), &[], &NoLibrary).unwrap_or_else(|d| panic!("{d:?}"))
}

fn request(out: &Path, jobs: usize, budget_bytes: u64) -> RunRequest {
    let build = Build { version: "0".into(), executable: "0".into(), instruction_set: "none".into() };
    RunRequest {
        inputs: BTreeMap::new(),
        out: out.into(),
        jobs: Some(jobs),
        budget: Budget::firm(budget_bytes),
        build,
        cache: None,
    }
}

fn run_it(text: &str, request: &RunRequest) -> Result<Finished, Failed> {
    run(&plan(text), &catalogue(), request, &CancelFlag::default(), &Silent, None)
}

#[test]
fn the_result_has_the_same_bits_on_any_number_of_threads_and_under_any_budget() {
    let _guard = COUNTING.lock();
    let dir = tempfile::tempdir().expect("a folder");
    let mut seen = Vec::new();
    for (jobs, budget) in [(1, 1 << 30), (2, 1 << 30), (4, 1 << 30), (8, 1 << 30), (2, 25 << 20), (3, 26 << 20)] {
        let out = dir.path().join(format!("{jobs}-{budget}"));
        let finished = run_it(RECIPE, &request(&out, jobs, budget)).expect("runs");
        assert_eq!(finished.frames_used, Some(FRAMES / 2));
        let stack = std::fs::read(finished.folder.join("results/stack.tif")).expect("written");
        let table = std::fs::read_to_string(finished.folder.join("tables/frames.csv")).expect("written");
        assert!(table.starts_with("index,time_s,exposure_s,rows.mean,"), "{}", &table[..80]);
        seen.push((stack, table));
    }
    assert!(seen.windows(2).all(|w| w[0] == w[1]));
    // The same sum the plain way, in the order of the frames.
    let index = |x: usize, y: usize| (y + WINDOW.y) * SIDE + x + WINDOW.x;
    let mean_of = |i: usize| (0..64).map(|p| f64::from(noise(i, index(p % 8, p / 8)))).sum::<f64>() / 64.0;
    let means: Vec<f64> = (0..FRAMES).map(mean_of).collect();
    let mut sorted = means.clone();
    sorted.sort_by(f64::total_cmp);
    let used: Vec<usize> = (0..FRAMES).filter(|i| means[*i] >= sorted[FRAMES / 2]).collect();
    let mean = |p: usize| {
        let sum = used.iter().fold(0.0f32, |s, i| s + noise(*i, index(p % 8, p / 8)));
        sum / used.len() as f32
    };
    let cube = |p: usize| {
        let m = mean(p);
        let sum = used.iter().fold(0.0f32, |s, i| s + (noise(*i, index(p % 8, p / 8)) - m).powi(3));
        sum / used.len() as f32
    };
    let expected: Vec<u8> = (0..64).flat_map(|p| cube(p).to_le_bytes()).collect();
    assert_eq!(seen[0].0, expected);
}

#[test]
fn every_shape_gives_the_same_bits_through_the_table() {
    let _guard = COUNTING.lock();
    let dir = tempfile::tempdir().expect("a folder");
    let run_with = |catalogue: &Catalogue, name: &str, jobs: usize| {
        let request = request(&dir.path().join(name), jobs, 1 << 30);
        let done = run(&plan(RECIPE), catalogue, &request, &CancelFlag::default(), &Silent, None).expect("runs");
        ["results/stack.tif", "tables/frames.csv"].map(|f| std::fs::read(done.folder.join(f)).expect("written"))
    };
    let linked = run_with(&catalogue(), "linked", 2);
    assert!(run_with(&catalogue_through_table(), "table-1", 1) == linked);
    assert!(run_with(&catalogue_through_table(), "table-4", 4) == linked);
    for listed in catalogue().all() {
        let method = &listed.description.method;
        let crossed = catalogue_through_table();
        assert_eq!(crossed.get(method).map(|l| &l.description), Some(&listed.description));
    }
}

#[test]
fn a_panic_behind_the_table_fails_the_run_and_names_the_step() {
    let _guard = COUNTING.lock();
    let dir = tempfile::tempdir().expect("a folder");
    let text = RECIPE.replace("use = \"test.clip\"", "use = \"test.clip\"\npanic_at = 50");
    let request = request(dir.path(), 2, 1 << 30);
    let failed = run(&plan(&text), &catalogue_through_table(), &request, &CancelFlag::default(), &Silent, None)
        .expect_err("fails");
    assert!(failed.fault.message.contains("panicked") && failed.fault.message.contains("told to"), "{failed:?}");
    assert_eq!(failed.step.as_deref(), Some("clip"));
}

#[test]
fn frames_of_weight_zero_are_not_read() {
    let _guard = COUNTING.lock();
    let dir = tempfile::tempdir().expect("a folder");
    let before = READS.load(Ordering::SeqCst);
    let finished = run_it(RECIPE, &request(dir.path(), 2, 1 << 30)).expect("runs");
    // All for the rows, half of them twice for the two sweeps.
    assert_eq!(READS.load(Ordering::SeqCst) - before, FRAMES + 2 * (FRAMES / 2));
    let text = std::fs::read_to_string(finished.folder.join("run.json")).expect("written");
    let record: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(record["status"], "done");
    assert_eq!(record["passes"][1]["sweeps"], 2);
    assert_eq!(record["passes"][1]["frames_read"], FRAMES);
    assert_eq!(record["nodes"].as_array().map(Vec::len), Some(6));
    assert!(record["nodes"][4]["entries"][0]["value"].is_number());
    assert_eq!(list_runs(dir.path()).expect("lists").len(), 1);
}

/// Sets the flag at the first sign of progress.
struct Stopper(CancelFlag);

impl Events for Stopper {
    fn event(&self, event: &Event) {
        if matches!(event, Event::Progress { .. }) {
            self.0.set();
        }
    }
}

#[test]
fn a_cancelled_run_says_so_and_leaves_no_result() {
    let _guard = COUNTING.lock();
    let dir = tempfile::tempdir().expect("a folder");
    let flag = CancelFlag::default();
    let failed =
        run(&plan(RECIPE), &catalogue(), &request(dir.path(), 2, 1 << 30), &flag, &Stopper(flag.clone()), None)
            .expect_err("cancelled");
    let folder = failed.folder.expect("a folder");
    assert!(folder.to_string_lossy().ends_with("-cancelled"));
    assert!(!folder.join("results").exists());
    let record: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("run.json")).expect("written")).expect("JSON");
    assert_eq!(record["status"], "cancelled");
}

fn failing(recipe: &str) -> (Failed, serde_json::Value) {
    let dir = tempfile::tempdir().expect("a folder");
    let failed = run_it(recipe, &request(dir.path(), 2, 1 << 30)).expect_err("fails");
    let folder = failed.folder.clone().expect("a folder");
    assert!(folder.to_string_lossy().ends_with("-failed"), "{folder:?}");
    assert!(!folder.join("results").exists());
    let text = std::fs::read_to_string(folder.join("run.json")).expect("written");
    (failed, serde_json::from_str(&text).expect("JSON"))
}

#[test]
fn a_full_disk_fails_the_run_and_keeps_its_tables() {
    let full = "[step.written]\nuse = \"write.tiff\"\nimage = \"@sum\"\nname = \"other\"\nfull = true\n\n[results]";
    let (failed, record) = failing(&RECIPE.replace("[results]", full));
    assert_eq!(failed.step.as_deref(), Some("written"));
    assert_eq!(record["status"], "failed");
    assert_eq!(record["error"]["kind"], "resource");
    let words = record["error"]["message"].as_str().unwrap_or_default().to_lowercase();
    assert!(words.contains("no storage space") || words.contains("space"), "{words}");
}

#[test]
fn a_panic_in_a_step_becomes_an_error() {
    let _guard = COUNTING.lock();
    let (failed, record) = failing(&RECIPE.replace("use = \"test.clip\"", "use = \"test.clip\"\npanic_at = 150"));
    assert!(failed.fault.message.contains("panicked"), "{}", failed.fault.message);
    assert_eq!(record["error"]["kind"], "internal");
}

#[test]
fn a_budget_that_is_too_small_is_refused_before_work_starts() {
    let dir = tempfile::tempdir().expect("a folder");
    let failed = run_it(RECIPE, &request(dir.path(), 2, 1_000_000)).expect_err("refused");
    assert!(failed.fault.to_string().contains("budget is 1 MB"), "{}", failed.fault);
    assert!(failed.folder.is_none());
}

#[test]
fn what_a_killed_run_left_is_renamed_by_the_next() {
    let _guard = COUNTING.lock();
    let dir = tempfile::tempdir().expect("a folder");
    let left = dir.path().join(".making-2031-05-02T2104Z-cubes-0000");
    std::fs::create_dir_all(left.join("results")).expect("made");
    std::fs::write(left.join(".lock"), "").expect("made");
    run_it(RECIPE, &request(dir.path(), 1, 1 << 30)).expect("runs");
    let failed = dir.path().join("2031-05-02T2104Z-cubes-0000-failed");
    assert!(failed.join("run.json").is_file());
    assert!(!failed.join("results").exists());
    assert_eq!(list_runs(dir.path()).expect("lists").len(), 2);
}

#[test]
fn a_pass_that_needs_too_much_is_read_once_for_each_reduction() {
    let _guard = COUNTING.lock();
    let dir = tempfile::tempdir().expect("a folder");
    let more: String = (0..40)
        .map(|i| {
            format!(
                "[step.sum{i}]\nuse = \"test.cubes\"\nframes = \"@window\"\ntable = \"@upper\"\nmotion = \"@rows\"\n"
            )
        })
        .collect();
    let results: String = (0..40).map(|i| format!("\nr{i} = \"@sum{i}\"")).collect();
    let recipe =
        RECIPE.replace("[results]\nstack = \"@sum\"", &format!("{more}\n[results]\nstack = \"@sum\"{results}"));
    let roomy = run_it(&recipe, &request(&dir.path().join("roomy"), 2, 1 << 30)).expect("runs");
    let record_of = |run: &Finished| -> serde_json::Value {
        let text = std::fs::read_to_string(run.folder.join("run.json")).expect("written");
        serde_json::from_str(&text).expect("JSON")
    };
    let bound = record_of(&roomy)["memory"]["bound"].clone();
    let stages = bound["stage_bytes"].as_array().expect("a list").iter().filter_map(serde_json::Value::as_u64);
    let budget = bound["standing_bytes"].as_u64().expect("a number") + stages.max().expect("stages") / 40;
    let tight = run_it(&recipe, &request(&dir.path().join("tight"), 2, budget)).expect("runs");
    let passes = |run: &Finished| {
        let record = record_of(run);
        assert!(record["memory"]["bound"]["total_bytes"].as_u64() <= record["memory"]["budget_bytes"].as_u64());
        record["passes"].as_array().map(Vec::len)
    };
    assert_eq!(passes(&roomy), Some(2));
    assert_eq!(passes(&tight), Some(42));
    for name in ["stack", "r7"] {
        let file = format!("results/{name}.tif");
        let [a, b] = [&roomy, &tight].map(|r| std::fs::read(r.folder.join(&file)).expect("written"));
        assert_eq!(a, b);
    }
}
