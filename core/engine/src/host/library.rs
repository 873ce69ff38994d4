//! One shared library: its bytes, its code, and what another process sees in it.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use stillair_api::abi::raw::EntryPoint;
use stillair_api::{Description, Fault, Outcome, Plugin, abi};

use super::{HOST, adapt};

/// How long a library may take to say what it holds.
const PATIENCE: Duration = Duration::from_secs(20);

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
        let bytes = std::fs::read(path).map_err(|e| Fault::resource(format!("{}: {e}", path.display())))?;
        Ok(Self { path: path.into(), blake3: blake3::hash(&bytes).to_hex().to_string() })
    }
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
    let at = |fault: Fault| fault.at(path.display());
    let file = PluginFile::of(path)?;
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
    let plugin = unsafe { adapt(table) }.map_err(at)?;
    Ok(Library { file, plugin })
}

/// What the process of a scan does: loads a library and gives a line of JSON that [`Child::look`] reads.
pub fn scanned_line(path: &Path) -> String {
    let found = load(path).map(|library| Found {
        id: library.plugin.id.into(),
        version: library.plugin.version.into(),
        methods: library.plugin.methods.iter().map(|m| m.describe()).collect(),
    });
    let words = match found {
        Ok(found) => serde_json::to_string(&Ok::<_, String>(found)),
        Err(fault) => serde_json::to_string(&Err::<Found, _>(fault.to_string())),
    };
    words.unwrap_or_else(|e| format!("{{\"Err\":\"{e}\"}}"))
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
    /// Runs the process on a file; its standard output, or how it ended.
    ///
    /// # Errors
    /// If it cannot be started, crashes, or takes longer than `patience`.
    pub fn run(&self, path: &Path, patience: Duration) -> Outcome<String> {
        let at = |words: String| Fault::data(format!("{}: {words}", path.display()));
        // Output goes to a file that nobody else sees: a pipe could fill while nobody reads it.
        let output = tempfile::tempfile()?;
        let mut process = Command::new(&self.program)
            .args(&self.arguments)
            .arg(path)
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
                let _ = process.wait();
                return Err(at(format!("it was still busy after {} s", patience.as_secs())));
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        if !status.success() {
            return Err(at(format!("it crashed the process that looked into it ({status})")));
        }
        let mut text = String::new();
        {
            use std::io::{Read, Seek};
            let mut output = output;
            output.rewind()?;
            output.read_to_string(&mut text)?;
        }
        Ok(text)
    }

    /// Looks into a library in a process of its own.
    ///
    /// # Errors
    /// If it is refused, crashes or hangs; the fault names the file and says why.
    pub fn look(&self, path: &Path) -> Outcome<Found> {
        let text = self.run(path, PATIENCE)?;
        // A library may print while it loads; the answer comes last.
        let line = text.lines().last().unwrap_or_default();
        let answer: Result<Found, String> = serde_json::from_str(line)
            .map_err(|_| Fault::data(format!("{}: the look into it gave no answer", path.display())))?;
        answer.map_err(Fault::request)
    }
}
