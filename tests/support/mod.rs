//! Runs the built command and catches what it says.

use std::path::{Path, PathBuf};
use std::process::Command;

/// What the command said, and how it ended.
pub struct Said {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

/// Runs the command in a folder.
pub fn stillair(folder: &Path, arguments: &[&str]) -> Said {
    let done = Command::new(env!("CARGO_BIN_EXE_stillair")).args(arguments).current_dir(folder).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Said { code: done.status.code(), out: text(done.stdout), err: text(done.stderr) }
}

/// A new folder for a test.
#[allow(dead_code)]
pub fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// The folder of the workspace.
#[allow(dead_code)]
pub fn workspace() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().unwrap()
}
