//! Folders of plugins: which files are looked at, and which are refused unseen.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;
use serde::Serialize;
use stillair_api::{Fault, Outcome};

use super::library::{Child, Found, Library, Look, PluginFile, hash_of, open};
use super::lock::Lock;
use crate::cache::{Notes, Stamp};

/// Gives the size and hash of a library's bytes: [`hash_of`], or what is remembered of a file that did not change.
pub type HashOf<'a> = &'a (dyn Fn(&Path) -> Outcome<(u64, String)> + Sync);

/// What a scan may take from earlier ones.
#[derive(Clone, Copy)]
pub struct Earlier<'a> {
    /// Hashes of libraries.
    pub hash: HashOf<'a>,
    /// Notes of looks, and the hash of the program that looks: another one may see something else.
    pub looks: Option<(&'a Notes, &'a str)>,
}

impl Earlier<'_> {
    /// Nothing is taken: every library is hashed and looked into.
    pub const NOTHING: Self = Self { hash: &hash_of, looks: None };

    /// What a look into a library of these bytes has found.
    fn found(&self, file: &PluginFile) -> Option<Found> {
        let (notes, program) = self.looks?;
        serde_json::from_str(&notes.find(&[program, &file.blake3])?).ok()
    }

    /// Notes what a look has found, for the same bytes. A library that was refused, or that other libraries may change,
    /// is looked into every time.
    fn note(&self, file: &PluginFile, look: &Look) {
        if let Some((notes, program)) = self.looks
            && look.alone
            && let Ok(text) = serde_json::to_string(&look.found)
        {
            notes.note(&[program, &file.blake3], &text);
        }
    }
}

/// A library of a plugin folder, and what a scan says of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scanned {
    /// The file.
    pub file: PluginFile,
    #[serde(skip)]
    stamp: Option<Stamp>,
    /// What it holds, or why it is refused.
    pub outcome: Result<Found, String>,
}

/// Looks into every library of the folders in another process, in the order of folders and of file names, short ones
/// first; those that `earlier` looks have seen are taken from there. Bytes that a lock holds are hashed in any case.
/// A library that crashes, hangs or is refused costs itself, not the others. Of two that bring the same plugin or the
/// same method both are refused, each naming the other.
///
/// # Errors
/// If a folder cannot be read, or somebody else could put a library there.
pub fn scan(folders: &[PathBuf], child: &Child, earlier: Earlier<'_>) -> Outcome<Vec<Scanned>> {
    scan_with(folders, child, earlier, Lock::read)
}

/// The same without a look at lock files, to write new ones, and with nothing taken from earlier looks.
///
/// # Errors
/// As [`scan`].
pub fn scan_unlocked(folders: &[PathBuf], child: &Child) -> Outcome<Vec<Scanned>> {
    scan_with(folders, child, Earlier::NOTHING, |_| Ok(None))
}

/// A library on its way through a scan.
struct Candidate {
    path: PathBuf,
    stamp: Option<Stamp>,
    lock: Option<Arc<Lock>>,
}

impl Candidate {
    fn hashed(&self, hash: HashOf<'_>) -> Outcome<PluginFile> {
        // A lock is there to be held against the bytes themselves, not against what is remembered of them.
        let (_, blake3) = if self.lock.is_some() { hash_of(&self.path) } else { hash(&self.path) }?;
        Ok(PluginFile { path: self.path.clone(), blake3 })
    }
}

type Looked = Outcome<Look>;

fn scan_with(
    folders: &[PathBuf],
    child: &Child,
    earlier: Earlier<'_>,
    lock_of: impl Fn(&Path) -> Outcome<Option<Lock>>,
) -> Outcome<Vec<Scanned>> {
    let mut candidates = Vec::new();
    for folder in folders {
        let (folder, libraries) = libraries_in(folder)?;
        let lock = lock_of(&folder)?.map(Arc::new);
        let candidate = |path: PathBuf| Candidate { stamp: Stamp::of(&path), path, lock: lock.clone() };
        candidates.extend(libraries.into_iter().map(candidate));
    }
    let hash_all = || candidates.par_iter().map(|c| c.hashed(earlier.hash)).collect::<Outcome<Vec<_>>>();
    // Where neither a lock nor an earlier look needs the hashes first, the looks do not wait for them.
    let (files, early) = if earlier.looks.is_none() && candidates.iter().all(|c| c.lock.is_none()) {
        let trusted: Vec<&Path> = candidates.iter().map(|c| &*c.path).filter(|path| trusted(path).is_ok()).collect();
        let (looks, files) = rayon::join(|| child.look_all(&trusted, false), hash_all);
        (files?, trusted.into_iter().map(PathBuf::from).zip(looks).collect())
    } else {
        (hash_all()?, BTreeMap::new())
    };
    let mut found: Vec<(PluginFile, Candidate)> = Vec::new();
    for (file, candidate) in files.into_iter().zip(candidates) {
        // The same bytes are the same plugin: cargo leaves each library twice, by its name and with a hash.
        if found.iter().all(|(other, _)| other.blake3 != file.blake3) {
            found.push((file, candidate));
        }
    }
    let mut all = looked_at(found, child, earlier, early);
    refuse_duplicates(&mut all);
    Ok(all)
}

/// What each library holds, by an early look, an earlier one or one now, unless it is refused unseen.
fn looked_at(
    found: Vec<(PluginFile, Candidate)>,
    child: &Child,
    earlier: Earlier<'_>,
    mut early: BTreeMap<PathBuf, Looked>,
) -> Vec<Scanned> {
    let unseen = |file: &PluginFile, candidate: &Candidate| {
        trusted(&file.path)?;
        candidate.lock.as_ref().map_or(Ok(()), |lock| lock.check_bytes(file))
    };
    let mut seen: Vec<Option<Outcome<Found>>> = Vec::new();
    for (file, candidate) in &found {
        let mut before = || early.remove(&file.path).map(|looked| looked.map(|look| look.found));
        seen.push(match unseen(file, candidate) {
            Err(refused) => Some(Err(refused)),
            Ok(()) => before().or_else(|| earlier.found(file).map(Ok)),
        });
    }
    let left: Vec<&PluginFile> = found.iter().zip(&seen).filter(|(_, s)| s.is_none()).map(|((f, _), _)| f).collect();
    let paths: Vec<&Path> = left.iter().map(|file| &*file.path).collect();
    let looks = child.look_all(&paths, earlier.looks.is_some());
    for (file, look) in left.iter().zip(&looks) {
        if let Ok(look) = look {
            earlier.note(file, look);
        }
    }
    let mut looks = looks.into_iter().map(|looked| looked.map(|look| look.found));
    let scanned = |((file, candidate), seen): ((PluginFile, Candidate), Option<Outcome<Found>>)| {
        let missing = || Err(Fault::internal(format!("{}: nobody looked into it", file.path.display())));
        let looked = seen.or_else(|| looks.next()).unwrap_or_else(missing).and_then(|found| {
            candidate.lock.as_ref().map(|lock| lock.check(&file, &found)).transpose()?;
            Ok(found)
        });
        Scanned { stamp: candidate.stamp, outcome: looked.map_err(|fault| fault.to_string()), file }
    };
    found.into_iter().zip(seen).map(scanned).collect()
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
        if scanned.stamp.is_none() || Stamp::of(&file.path) != scanned.stamp {
            return Err(changed());
        }
        let plugin = open(&file.path)?;
        if plugin.id != found.id { Err(changed()) } else { Ok(Library { file, plugin }) }
    })
    .collect()
}
