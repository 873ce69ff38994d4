//! The lock file of a plugin folder: which plugins, in which version, down to the byte.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use stillair_api::{Fault, Outcome};

use super::folders::Scanned;
use super::library::{Found, PluginFile};

/// Name of the lock file.
const NAME: &str = "plugins.lock";

/// The lock of a folder. Where one stands, no other library of the folder is loaded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lock {
    /// Version of this format.
    schema: u32,
    /// The plugins.
    #[serde(default, rename = "plugin")]
    plugins: Vec<Locked>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Locked {
    file: String,
    id: String,
    version: String,
    blake3: String,
}

fn name_of(file: &PluginFile) -> String {
    file.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

impl Lock {
    /// The lock of a folder, if one stands there.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn read(folder: &Path) -> Outcome<Option<Self>> {
        let path = folder.join(NAME);
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(Fault::resource(format!("{}: {error}", path.display()))),
        };
        let again = "write it again with `stillair plugin lock`";
        let lock: Self =
            toml::from_str(&text).map_err(|e| Fault::request(format!("{}: {e}", path.display())).remedy(again))?;
        if lock.schema != 1 {
            return Err(
                Fault::request(format!("{}: schema {} is not known", path.display(), lock.schema)).remedy(again)
            );
        }
        Ok(Some(lock))
    }

    /// Writes the lock of a folder from a scan that was made without one; gives the file.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn write(folder: &Path, scanned: &[Scanned]) -> Outcome<PathBuf> {
        let folder = folder.canonicalize().map_err(|e| Fault::request(format!("{}: {e}", folder.display())))?;
        let here = scanned.iter().filter(|s| s.file.path.parent() == Some(&folder));
        let plugins = here.filter_map(|s| {
            let found = s.outcome.as_ref().ok()?;
            let (id, version) = (found.id.clone(), found.version.clone());
            Some(Locked { file: name_of(&s.file), id, version, blake3: s.file.blake3.clone() })
        });
        let lock = Self { schema: 1, plugins: plugins.collect() };
        let text = toml::to_string(&lock).map_err(|e| Fault::internal(e.to_string()))?;
        let path = folder.join(NAME);
        let text = format!("# The plugins of this folder, down to the byte. Made by `stillair plugin lock`.\n\n{text}");
        let write = || {
            let mut beside = tempfile::NamedTempFile::new_in(&folder)?;
            beside.write_all(text.as_bytes())?;
            beside.as_file().sync_data()?;
            beside.persist(&path)?;
            Ok(())
        };
        write().map_err(|e: std::io::Error| Fault::resource(format!("{}: {e}", path.display())))?;
        Ok(path)
    }

    /// Holds a file's bytes to the lock, before it is looked into.
    pub(super) fn check_bytes(&self, file: &PluginFile) -> Outcome<()> {
        let refused = |words: String| {
            Err(Fault::request(format!("{}: {words}", file.path.display()))
                .remedy("if the change is yours, write the lock again with `stillair plugin lock`"))
        };
        match self.plugins.iter().find(|p| p.file == name_of(file)) {
            None => refused(format!("it is not in {NAME}")),
            Some(locked) if locked.blake3 != file.blake3 => {
                refused(format!("its bytes are {}, {NAME} has {}", file.blake3, locked.blake3))
            }
            Some(_) => Ok(()),
        }
    }

    /// Holds what a file says of itself to the lock.
    pub(super) fn check(&self, file: &PluginFile, found: &Found) -> Outcome<()> {
        let same = |p: &&Locked| p.file == name_of(file) && p.id == found.id && p.version == found.version;
        match self.plugins.iter().find(same) {
            Some(_) => Ok(()),
            None => Err(Fault::request(format!(
                "{}: it is {} {}, which {NAME} does not have",
                file.path.display(),
                found.id,
                found.version
            ))),
        }
    }
}
