//! What the fuzz targets share: a file with the bytes at hand, a reader on it, and a bound on memory.

use std::alloc::System;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use cap::Cap;
use stillair_api::testing::TestContext;
use stillair_api::{
    Description, Facts, Fault, Frame, FrameReader, Method, Node, Outcome, Parameters, Plugin,
};
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::{self, Given, Library, Override, RecipeText};
use stillair_engine::plan::Plan;

/// More memory than this at any time ends the program, which the fuzzer takes down as a finding.
const MOST_BYTES: usize = 100_000_000;

#[global_allocator]
static MEMORY: Cap<System> = Cap::new(System, usize::MAX);

/// A folder of this process, in memory where the system has such a place.
fn folder() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let memory = Path::new("/dev/shm");
        let base = if memory.is_dir() { memory.to_path_buf() } else { std::env::temp_dir() };
        let folder = base.join(format!("stillair-fuzz-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder for files");
        folder
    })
}

/// Bounds the memory from here on: what the fuzzer itself allocated before counts too, but is little.
fn bound_memory() {
    static ONCE: OnceLock<()> = OnceLock::new();
    ONCE.get_or_init(|| MEMORY.set_limit(MOST_BYTES).expect("little is in use yet"));
}

fn save(path: &Path, bytes: &[u8]) {
    std::fs::File::create(path).and_then(|mut file| file.write_all(bytes)).expect("written");
}

/// Reads what the clip claims to hold, whole and in part.
fn read_all(clip: &dyn FrameReader) {
    let info = clip.info();
    assert!(info.frames > 0 && info.width > 0 && info.height > 0);
    assert_eq!(info.time_s.len(), info.frames);
    assert!(info.white_level > 0.0 && info.white_level.is_finite(), "{}", info.white_level);
    assert!(info.exposure_s.is_none_or(|s| s > 0.0 && s.is_finite()), "{:?}", info.exposure_s);
    let whole = info.region();
    let mut part = whole;
    (part.x, part.y) = (whole.width / 3, whole.height / 3);
    (part.width, part.height) = (whole.width - part.x, (whole.height - part.y).min(3));
    let (mut bytes, mut frame) = (Vec::new(), Frame::empty());
    for index in [0, info.frames / 2, info.frames - 1] {
        for region in [whole, part] {
            if clip.read(index, region, &mut bytes, &mut frame).is_ok() {
                assert_eq!(frame.data.len(), region.area() * info.layout.planes());
                assert_eq!((frame.index, frame.region), (index, region));
                assert!(frame.data.iter().all(|v| v.is_finite()), "every sample is a number");
            }
        }
    }
}

fn open_and_read(method: &dyn Method, path: &Path) {
    let defaults = method.describe().defaults();
    let Ok(Node::Source(source)) = method.create(&defaults, &Facts::default()) else { panic!("not a source") };
    match source.open(&TestContext::default(), &[path.to_path_buf()]) {
        Ok(clip) => read_all(&*clip),
        Err(fault) => assert!(!fault.message.is_empty()),
    }
}

/// Opens the bytes as a file with one reader, and reads it.
pub fn file(method: &dyn Method, bytes: &[u8]) {
    bound_memory();
    let path = folder().join("clip");
    save(&path, bytes);
    open_and_read(method, &path);
}

/// What parts the files of a folder in one run of bytes.
const MARK: &[u8] = b"==file==";

/// Opens the bytes as a folder of pictures: pieces between marks, each of which begins with a letter for its kind.
pub fn pictures(method: &dyn Method, bytes: &[u8]) {
    bound_memory();
    let folder = folder().join("pictures");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder");
    let mut rest = bytes;
    for number in 0..8 {
        let end = rest.windows(MARK.len()).position(|w| w == MARK);
        let (piece, more) = end.map_or((rest, None), |end| (&rest[..end], Some(&rest[end + MARK.len()..])));
        if let Some((kind, bytes)) = piece.split_first() {
            let extension = match kind {
                b'f' => "fits",
                b't' => "tif",
                b'p' => "png",
                _ => "txt",
            };
            save(&folder.join(format!("frame-{number}.{extension}")), bytes);
        }
        match more {
            Some(more) => rest = more,
            None => break,
        }
    }
    open_and_read(method, &folder);
}

/// Reads a text as a session file, and its lines as facts of the command line.
pub fn session(text: &str) {
    bound_memory();
    match stillair_engine::session::parse(Path::new("s.toml"), text.to_owned()) {
        Ok(session) => {
            for fact in session.facts.0.values() {
                assert!(!matches!(&fact.value, stillair_api::FactValue::Number(n) if !n.is_finite()));
            }
        }
        Err(said) => assert!(!said.to_string().is_empty()),
    }
    for line in text.lines().take(20) {
        let _ = stillair_engine::session::command_line_fact(line);
    }
}

/// A method of which only the description is known, which is all that a recipe is checked against.
struct Described(Description);

impl Method for Described {
    fn describe(&self) -> Description {
        self.0.clone()
    }

    fn create(&self, _: &Parameters, _: &Facts) -> Outcome<Node> {
        Err(Fault::internal("only the description is known"))
    }
}

/// All methods, from the lines of `stillair methods --json` in the file that the environment names.
fn catalogue() -> &'static Catalogue {
    static CATALOGUE: OnceLock<Catalogue> = OnceLock::new();
    CATALOGUE.get_or_init(|| {
        let path = std::env::var_os("STILLAIR_METHODS").expect("STILLAIR_METHODS names the file of methods");
        let text = std::fs::read_to_string(path).expect("the file of methods");
        let method = |line: &str| -> Box<dyn Method> {
            Box::new(Described(serde_json::from_str(line).expect("a description")))
        };
        let methods = text.lines().map(method).collect();
        Catalogue::new(vec![Plugin { id: "all", version: "0", methods }]).expect("no method twice")
    })
}

/// The recipe in hand, also under its own name, so that `extends` can go round in circles, and one that is sound.
struct Shelf<'a>(&'a str);

impl Library for Shelf<'_> {
    fn find(&self, name: &str) -> Option<RecipeText> {
        let text = match name {
            "itself" => self.0,
            "quick-look" => include_str!("../../../pipelines/quick-look.toml"),
            _ => return None,
        };
        Some(RecipeText { name: name.into(), path: format!("{name}.toml").into(), text: text.into() })
    }

    fn names(&self) -> Vec<String> {
        vec!["itself".into(), "quick-look".into()]
    }
}

/// Compiles a text as a recipe; a plan's own recipe must compile again to the same steps.
pub fn recipe(text: &str) {
    catalogue();
    bound_memory();
    let recipe = RecipeText { name: "a".into(), path: "a.toml".into(), text: text.into() };
    let shelf = Shelf(text);
    let given = compile::inputs(&recipe, &shelf).map(|inputs| Given::assumed(&inputs)).unwrap_or_default();
    let overrides = [Override::set("stacked.frames=@clip")];
    for overrides in [&[][..], &overrides] {
        match compile::compile(&recipe, catalogue(), &given, overrides, &shelf) {
            Ok(plan) => {
                let again = RecipeText { text: plan.recipe.clone(), ..recipe.clone() };
                let twice = compile::compile(&again, catalogue(), &given, &[], &compile::NoLibrary);
                let twice = twice.unwrap_or_else(|said| panic!("the plan's own recipe is refused: {said}"));
                let steps = |plan: &Plan| plan.nodes.iter().map(|n| n.step.clone()).collect::<Vec<_>>();
                assert_eq!(steps(&plan), steps(&twice));
            }
            Err(said) => assert!(!said.to_string().is_empty()),
        }
    }
}
