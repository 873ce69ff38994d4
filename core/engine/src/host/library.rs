//! One shared library: its bytes, its code, and what another process sees in it.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{Read, Seek};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stillair_api::abi::raw::EntryPoint;
use stillair_api::{Description, Fault, Outcome, Plugin, abi};

use super::check::{CheckReport, check, crashed};
use super::{HOST, adapt};

/// How long a library may take to say what it holds.
const PATIENCE: Duration = Duration::from_secs(20);
/// How long several may take together before each is asked alone.
const PATIENCE_TOGETHER: Duration = Duration::from_secs(5);
/// How long a check may take.
const PATIENCE_CHECK: Duration = Duration::from_secs(600);
/// Shortest pause between two looks whether a process has ended.
const PAUSE: Duration = Duration::from_micros(100);
/// Asks the process of a scan whether a library needs others.
const ALONE: &str = "--alone";
/// What the lines of a check begin with.
const TRYING: &str = "trying ";

/// A shared library that is loaded; it stays so to the end of the program.
pub struct Library {
    /// The file.
    pub file: PluginFile,
    /// What it holds.
    pub plugin: Plugin,
}

/// The file of a plugin and its bytes' hash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PluginFile {
    /// Where it lies.
    pub path: PathBuf,
    /// blake3 of its bytes.
    pub blake3: String,
}

impl PluginFile {
    /// The file with the hash of the bytes it has now.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn of(path: &Path) -> Outcome<Self> {
        Ok(Self { path: path.into(), blake3: hash_of(path)?.1 })
    }
}

/// Size and blake3 of a file's bytes.
///
/// # Errors
/// If it cannot be read.
pub fn hash_of(path: &Path) -> Outcome<(u64, String)> {
    let mut hasher = blake3::Hasher::new();
    let read = File::open(path).and_then(|file| hasher.update_reader(file).map(|_| ()));
    read.map_err(|e| Fault::resource(format!("{}: {e}", path.display())))?;
    Ok((hasher.count(), hasher.finalize().to_hex().to_string()))
}

/// What a library holds, as a scan tells it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// Identity of the plugin.
    pub id: String,
    /// Its version.
    pub version: String,
    /// Descriptions of its methods.
    pub methods: Vec<Description>,
}

/// Loads a library. This runs its code: see [`super::scan`] for a look from a safe distance.
///
/// # Errors
/// If it is no library, no plugin, of another version of the boundary, or broken; the fault names the file.
pub fn load(path: &Path) -> Outcome<Library> {
    Ok(Library { file: PluginFile::of(path)?, plugin: open(path)? })
}

/// Loads a library's code.
pub(super) fn open(path: &Path) -> Outcome<Plugin> {
    let at = |fault: Fault| fault.at(path.display());
    // SAFETY: the library's initialisers run here. The caller has named this file or its folder, and a scan in another
    // process has come back; more cannot be known of foreign code.
    let library = unsafe { libloading::Library::new(path) };
    let library =
        library.map_err(|e| at(Fault::request(format!("it is not a shared library that loads here: {e}"))))?;
    // SAFETY: the boundary gives the symbol this type.
    let entry = unsafe { library.get::<EntryPoint>(abi::ENTRY) }.map(|symbol| *symbol);
    let entry = entry.map_err(|_| {
        at(Fault::request(format!("it is a library but no plugin: it does not export `{}`", abi::ENTRY)))
    })?;
    // Its functions, tables and texts are used to the end of the program.
    std::mem::forget(library);
    // SAFETY: the entry point gets the host's table, which is static.
    let table = unsafe { entry(&raw const HOST) };
    // SAFETY: the table comes from the entry point.
    unsafe { adapt(table) }.map_err(at)
}

/// What a process of its own saw in a library.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Look {
    /// What it holds.
    pub found: Found,
    /// Whether it is known to need no library that this program does not hold anyway: then its own bytes are all that
    /// its answer depends on.
    #[serde(default)]
    pub alone: bool,
}

/// What the process of a scan does: loads libraries, one after the other, and gives `line` a line of JSON for each that
/// [`Child::look`] reads. Whether each stands alone is looked for if `alone` is set, and known on Linux.
pub fn scanned_lines(paths: &[PathBuf], alone: bool, line: &mut dyn FnMut(&str)) {
    let at_first = mapped_files().filter(|_| alone);
    for path in paths {
        let look = open(path).map(|plugin| Found {
            id: plugin.id.into(),
            version: plugin.version.into(),
            methods: plugin.methods.iter().map(|m| m.describe()).collect(),
        });
        let look = look.map(|found| {
            let known = at_first.as_ref().zip(mapped_files());
            // What an earlier library brought along counts for the later ones, too: they may need the same.
            let own = |file: &PathBuf| paths.iter().any(|p| p == file || p.canonicalize().is_ok_and(|p| p == *file));
            let alone = known.is_some_and(|(before, now)| now.difference(before).all(own));
            Look { found, alone }
        });
        let words = match look {
            Ok(look) => serde_json::to_string(&Ok::<_, String>(look)),
            Err(fault) => serde_json::to_string(&Err::<Look, _>(fault.to_string())),
        };
        line(&words.unwrap_or_else(|e| format!("{{\"Err\":\"{e}\"}}")));
    }
}

/// The files that this process has in its memory, libraries among them; nothing where the system does not tell.
fn mapped_files() -> Option<BTreeSet<PathBuf>> {
    let maps = std::fs::read_to_string("/proc/self/maps").ok()?;
    Some(maps.lines().filter_map(|line| line.find('/').map(|at| line[at..].into())).collect())
}

/// How to start this program again for a look at a library: the file's path follows as the last argument.
#[derive(Debug, Clone)]
pub struct Child {
    /// The program.
    pub program: PathBuf,
    /// Its arguments before the path.
    pub arguments: Vec<String>,
}

impl Child {
    /// Runs the process on files: how it ended and its standard output.
    fn run(&self, flags: &[&str], paths: &[&Path], patience: Duration) -> Outcome<(ExitStatus, String)> {
        // Output goes to a file that nobody else sees: a pipe could fill while nobody reads it.
        let mut output = tempfile::tempfile()?;
        let mut process = Command::new(&self.program)
            .args(&self.arguments)
            .args(flags)
            .args(paths)
            .stdin(Stdio::null())
            .stdout(output.try_clone()?)
            .stderr(Stdio::null())
            .spawn()
            .map_err(|e| Fault::resource(format!("{}: {e}", self.program.display())))?;
        let began = Instant::now();
        let status = loop {
            if let Some(status) = process.try_wait()? {
                break status;
            }
            if began.elapsed() > patience {
                let _ = process.kill();
                break process.wait()?;
            }
            // A look takes some milliseconds, a check minutes.
            std::thread::sleep((began.elapsed() / 20).clamp(PAUSE, 100 * PAUSE));
        };
        let mut bytes = Vec::new();
        output.rewind()?;
        output.read_to_end(&mut bytes)?;
        if began.elapsed() > patience && !status.success() {
            let names: Vec<String> = paths.iter().map(|path| path.display().to_string()).collect();
            let words = format!("{}: it was still busy after {} s", names.join(", "), patience.as_secs());
            return Err(Fault::data(words));
        }
        Ok((status, String::from_utf8_lossy(&bytes).into_owned()))
    }

    /// Looks into a library in a process of its own. Whether it stands alone is asked for only if `alone` is set.
    ///
    /// # Errors
    /// If it is refused, crashes or hangs; the fault names the file and says why.
    pub fn look(&self, path: &Path, alone: bool) -> Outcome<Look> {
        let (status, text) = self.run(flags(alone), &[path], PATIENCE)?;
        if !status.success() {
            let words = format!("{}: it crashed the process that looked into it ({status})", path.display());
            return Err(Fault::data(words));
        }
        // A library may print while it loads; the answer comes last.
        let line = text.lines().last().unwrap_or_default();
        let answer: Result<Look, String> = serde_json::from_str(line)
            .map_err(|_| Fault::data(format!("{}: the look into it gave no answer", path.display())))?;
        answer.map_err(Fault::request)
    }

    /// Looks into several libraries, all in one process where that goes well, which is cheaper. Where anything is odd (a
    /// crash, an answer too few), nobody can tell which library is to blame: then each gets a process of its own.
    pub fn look_all(&self, paths: &[&Path], alone: bool) -> Vec<Outcome<Look>> {
        let together = match paths.len() {
            0 | 1 => None,
            _ => self.run(flags(alone), paths, PATIENCE_TOGETHER).ok().filter(|(status, _)| status.success()),
        };
        let answers = together.map(|(_, text)| answers(&text)).filter(|answers| answers.len() == paths.len());
        match answers {
            Some(answers) => answers.into_iter().map(|answer| answer.map_err(Fault::request)).collect(),
            None => paths.par_iter().map(|path| self.look(path, alone)).collect(),
        }
    }

    /// Tries a library out in a process of its own, which must answer with [`checked_lines`].
    ///
    /// # Errors
    /// If the library is refused, or crashes or hangs the process; the fault says at what.
    pub fn check(&self, path: &Path) -> Outcome<CheckReport> {
        let (status, text) = self.run(&[], &[path], PATIENCE_CHECK)?;
        let last = text.lines().last().unwrap_or_default();
        if !status.success() {
            let at = text.lines().filter_map(|l| l.strip_prefix(TRYING)).next_back().unwrap_or("loading");
            return Err(crashed(at, &status.to_string()).at(path.display()));
        }
        let answer: Result<CheckReport, String> = serde_json::from_str(last)
            .map_err(|_| Fault::data(format!("{}: the check gave no answer", path.display())))?;
        answer.map_err(Fault::request)
    }
}

/// The answers among what the process of a scan printed; a library may print, too.
fn answers(text: &str) -> Vec<Result<Look, String>> {
    text.lines().filter_map(|line| serde_json::from_str(line).ok()).collect()
}

fn flags(alone: bool) -> &'static [&'static str] {
    if alone { &[ALONE] } else { &[] }
}

/// What the process of a check does: `line` hears what is tried next, and at the end the answer.
pub fn checked_lines(path: &Path, line: &mut dyn FnMut(&str)) {
    let report = check(path, &mut |what| line(&format!("{TRYING}{what}")));
    line(&match report {
        Ok(report) => serde_json::to_string(&Ok::<_, String>(report)).unwrap_or_default(),
        Err(fault) => serde_json::to_string(&Err::<CheckReport, _>(fault.to_string())).unwrap_or_default(),
    });
}
