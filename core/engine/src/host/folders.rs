//! Folders of plugins: which files are looked at, and which are refused unseen.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use rayon::prelude::*;
use serde::Serialize;
use stillair_api::{Fault, Outcome};

use super::library::{Child, Found, Library, PluginFile, hash_of, open};
use super::lock::Lock;

/// Gives the size and hash of a library's bytes: [`hash_of`], or what is remembered of a file that did not change.
pub type HashOf<'a> = &'a (dyn Fn(&Path) -> Outcome<(u64, String)> + Sync);

/// A library of a plugin folder, and what a scan says of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scanned {
    /// The file.
    pub file: PluginFile,
    #[serde(skip)]
    stamp: Stamp,
    /// What it holds, or why it is refused.
    pub outcome: Result<Found, String>,
}

/// Looks into every library of the folders in another process, in the order of folders and of file names, short ones
/// first.
/// `hash` is asked for the bytes of those that no lock holds.
/// A library that crashes, hangs or is refused costs itself, not the others. Of two that bring the same plugin or the
/// same method both are refused, each naming the other.
///
/// # Errors
/// If a folder cannot be read, or somebody else could put a library there.
pub fn scan(folders: &[PathBuf], child: &Child, hash: HashOf<'_>) -> Outcome<Vec<Scanned>> {
    scan_with(folders, child, hash, Lock::read)
}

/// The same without a look at lock files, to write new ones.
///
/// # Errors
/// As [`scan`].
pub fn scan_unlocked(folders: &[PathBuf], child: &Child) -> Outcome<Vec<Scanned>> {
    scan_with(folders, child, &hash_of, |_| Ok(None))
}

fn scan_with(
    folders: &[PathBuf],
    child: &Child,
    hash: HashOf<'_>,
    lock_of: impl Fn(&Path) -> Outcome<Option<Lock>>,
) -> Outcome<Vec<Scanned>> {
    let mut found: Vec<(PluginFile, Stamp, Option<Arc<Lock>>)> = Vec::new();
    for folder in folders {
        let (folder, libraries) = libraries_in(folder)?;
        let lock = lock_of(&folder)?.map(Arc::new);
        let hashed = |path: PathBuf| {
            let stamp = stamp_of(&path);
            // A lock is there to be held against the bytes themselves, not against what is remembered of them.
            let (_, blake3) = if lock.is_some() { hash_of(&path) } else { hash(&path) }?;
            Ok((PluginFile { path, blake3 }, stamp))
        };
        for (file, stamp) in libraries.into_par_iter().map(hashed).collect::<Outcome<Vec<_>>>()? {
            // The same bytes are the same plugin: cargo leaves each library twice, by its name and with a hash.
            if found.iter().all(|(other, ..)| other.blake3 != file.blake3) {
                found.push((file, stamp, lock.clone()));
            }
        }
    }
    let unseen = |file: &PluginFile, lock: &Option<Arc<Lock>>| {
        trusted(&file.path)?;
        lock.as_ref().map_or(Ok(()), |lock| lock.check_bytes(file))
    };
    let refused: Vec<Outcome<()>> = found.iter().map(|(file, _, lock)| unseen(file, lock)).collect();
    let looked_at = found.iter().zip(&refused).filter(|(_, refused)| refused.is_ok());
    let mut looks =
        child.look_all(&looked_at.map(|((file, ..), _)| file.path.as_path()).collect::<Vec<_>>()).into_iter();
    let mut all: Vec<Scanned> = Vec::new();
    for ((file, stamp, lock), refused) in found.into_iter().zip(refused) {
        let missing = || Err(Fault::internal(format!("{}: nobody looked into it", file.path.display())));
        let looked = refused.and_then(|()| looks.next().unwrap_or_else(missing)).and_then(|found| {
            lock.as_ref().map(|lock| lock.check(&file, &found)).transpose()?;
            Ok(found)
        });
        all.push(Scanned { file, stamp, outcome: looked.map_err(|fault| fault.to_string()) });
    }
    refuse_duplicates(&mut all);
    Ok(all)
}

/// What tells that a file was not written since: its size and its time of change.
type Stamp = Option<(u64, SystemTime)>;

fn stamp_of(path: &Path) -> Stamp {
    let meta = path.metadata().ok()?;
    Some((meta.len(), meta.modified().ok()?))
}

/// The libraries of a folder, by the ending that this system gives them.
fn libraries_in(folder: &Path) -> Outcome<(PathBuf, Vec<PathBuf>)> {
    let at = |e: std::io::Error| {
        Fault::request(format!("{}: {e}", folder.display())).remedy("give a folder of plugins with --plugin-path")
    };
    let whole = folder.canonicalize().map_err(at)?;
    trusted(&whole)?;
    let mut libraries = Vec::new();
    for entry in std::fs::read_dir(&whole).map_err(at)? {
        let path = entry.map_err(at)?.path();
        if path.extension().is_some_and(|e| e == std::env::consts::DLL_EXTENSION) && path.is_file() {
            libraries.push(path.canonicalize().map_err(at)?);
        }
    }
    libraries.sort_by_key(|path| (path.as_os_str().len(), path.clone()));
    Ok((whole, libraries))
}

/// Refuses what anybody could have put or changed: a file or folder that all may write to, or that lies below one
/// where all may rename what is not theirs.
#[cfg(unix)]
fn trusted(path: &Path) -> Outcome<()> {
    use std::os::unix::fs::PermissionsExt;
    const ALL_WRITE: u32 = 0o002;
    const STICKY: u32 = 0o1000;
    for (depth, place) in path.ancestors().enumerate() {
        let meta = place.metadata().map_err(|e| Fault::resource(format!("{}: {e}", place.display())))?;
        let mode = meta.permissions().mode();
        // In a sticky folder, as /tmp, nobody can rename or remove what belongs to another.
        let harmless = depth > 0 && meta.is_dir() && mode & STICKY != 0;
        if mode & ALL_WRITE != 0 && !harmless {
            let shown = place.display();
            return Err(Fault::request(format!("{shown}: anybody may write there, so no plugin is loaded from it"))
                .remedy(format!("chmod o-w {shown}")));
        }
    }
    Ok(())
}

#[cfg(not(unix))]
fn trusted(_path: &Path) -> Outcome<()> {
    Ok(())
}

fn refuse_duplicates(all: &mut [Scanned]) {
    let mut owners: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (number, scanned) in all.iter().enumerate() {
        if let Ok(found) = &scanned.outcome {
            let methods = found.methods.iter().map(|m| format!("method {}", m.method));
            for name in methods.chain([format!("plugin {}", found.id)]) {
                owners.entry(name).or_default().push(number);
            }
        }
    }
    for (name, numbers) in owners.iter().filter(|(_, numbers)| numbers.len() > 1) {
        let files: Vec<String> = numbers.iter().map(|n| all[*n].file.path.display().to_string()).collect();
        for number in numbers {
            all[*number].outcome = Err(format!("the {name} is in both {}; keep one", files.join(" and ")));
        }
    }
}

/// Loads what a scan has found good.
///
/// # Errors
/// If a file has changed since the scan, or says something else in this process.
pub fn load_scanned(scanned: &[Scanned]) -> Outcome<Vec<Library>> {
    let good = scanned.iter().filter_map(|s| s.outcome.as_ref().ok().map(|found| (s, found)));
    good.map(|(scanned, found)| {
        let file = scanned.file.clone();
        let changed = || Fault::data(format!("{}: it changed while it was looked at", file.path.display()));
        if scanned.stamp.is_none() || stamp_of(&file.path) != scanned.stamp {
            return Err(changed());
        }
        let plugin = open(&file.path)?;
        if plugin.id != found.id { Err(changed()) } else { Ok(Library { file, plugin }) }
    })
    .collect()
}
