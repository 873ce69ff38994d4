//! Results of earlier runs, by all that they depend on.
//!
//! A node is a pure function, so its result is known by a [`Key`]: the hash of its method, its code, its parameters,
//! the facts it reads and the keys of what it is linked to ([`Identity`]). Finished values enter, frames never do. An
//! entry is written under another name, synced and renamed, so that a killed run leaves nothing that looks whole; it
//! ends with the hash of its bytes, which is checked on every reading, so that a bit that flipped costs a second
//! working and nothing else. Whatever goes wrong here, a disk that is full or cannot be written, makes a run slower,
//! never wrong and never fail.
//!
//! Several runs may share a folder: files appear whole and vanish whole.

mod codec;
mod entry;
mod key;
mod memo;
mod notes;

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::SystemTime;

use stillair_api::{Fault, Outcome};

pub use entry::Kept;
pub use key::{FORMAT, Identity, Key, canonical, first_difference};
pub use memo::{Memo, Stamp};
pub use notes::Notes;

use entry::Head;

/// Bytes that a cache may hold unless it was told otherwise: 4 GB.
pub const DEFAULT_CAP_BYTES: u64 = 4_000_000_000;
/// Kind of the notes that hold what looks into libraries have found.
pub const LOOKS: &str = "looks";
/// How full the cache is after it ran over, as a share of its cap.
const AFTER_TRIM: f64 = 0.9;
/// Most earlier results of a method that are looked at to say what changed.
const MOST_COMPARED: usize = 64;

/// A cache in a folder.
#[derive(Debug)]
pub struct Cache {
    folder: PathBuf,
    believes_memo: bool,
    cap_bytes: u64,
    /// Bytes of all entries, as far as this process knows; `u64::MAX` until it has looked.
    bytes: AtomicU64,
    /// Why nothing more is written.
    stopped: Mutex<Option<String>>,
    /// Where a disk would be full; for tests.
    #[cfg(test)]
    pub(crate) room_bytes: AtomicU64,
}

/// What was found for a key.
#[derive(Debug)]
pub enum Found {
    /// The result, and the size of its entry in bytes.
    Hit(Box<Kept>, u64),
    /// Nothing.
    Missing,
    /// Something that is not what was written; it has been thrown away.
    Damaged,
}

/// How full a cache is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Status {
    /// Results.
    pub entries: usize,
    /// Their bytes.
    pub bytes: u64,
    /// Bytes that it may hold.
    pub cap_bytes: u64,
}

/// An entry's file.
struct Listed {
    path: PathBuf,
    bytes: u64,
    used: SystemTime,
}

impl Cache {
    /// The cache in that folder, which is made when the first result is kept.
    pub fn new(folder: &Path) -> Self {
        let cap = fs::read_to_string(folder.join("cap")).ok().and_then(|text| text.trim().parse().ok());
        tidy(&folder.join("making"));
        Self {
            folder: folder.into(),
            believes_memo: true,
            cap_bytes: cap.unwrap_or(DEFAULT_CAP_BYTES),
            bytes: AtomicU64::new(u64::MAX),
            stopped: Mutex::default(),
            #[cfg(test)]
            room_bytes: AtomicU64::new(u64::MAX),
        }
    }

    /// Hashes every capture and looks into every library again, whatever was noted of it.
    #[must_use]
    pub fn rehashing(mut self) -> Self {
        self.believes_memo = false;
        self
    }

    /// Where it lies.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Hashes of files noted before.
    pub fn memo(&self) -> Memo {
        let (folder, making) = (self.folder.join("memo"), self.folder.join("making"));
        Memo { folder, making, believed: self.believes_memo }
    }

    /// Short texts of one kind noted before, such as [`LOOKS`].
    pub fn notes(&self, kind: &str) -> Notes {
        let (folder, making) = (self.folder.join(kind), self.folder.join("making"));
        Notes { folder, making, believed: self.believes_memo }
    }

    fn place(&self, method: &str, key: Key) -> PathBuf {
        self.shelf(method).join(key.to_string())
    }

    /// Folder of a method's entries. A name that would not do as a folder's is hashed.
    fn shelf(&self, method: &str) -> PathBuf {
        let plain = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'-' || c == b'.';
        let fits = method.len() < 80 && method.bytes().all(plain) && !method.starts_with('.');
        let name = if fits { method.into() } else { blake3::hash(method.as_bytes()).to_hex().to_string() };
        self.folder.join("results").join(name)
    }

    /// Whether there is a result for an identity; it may still turn out damaged.
    pub fn has(&self, identity: &Identity, key: Key) -> bool {
        self.place(&identity.method, key).is_file()
    }

    /// The result for an identity.
    pub fn load(&self, identity: &Identity, key: Key) -> Found {
        let place = self.place(&identity.method, key);
        match entry::read(&place, key) {
            Ok((kept, bytes)) => {
                // Entries that were used last are thrown away last; where the time cannot be set, they go sooner.
                let _ = File::open(&place).and_then(|file| file.set_modified(SystemTime::now()));
                Found::Hit(Box::new(kept), bytes)
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => Found::Missing,
            Err(_) => {
                let _ = fs::remove_file(&place);
                Found::Damaged
            }
        }
    }

    /// Keeps a result; gives the bytes written, 0 if nothing was. `step` names the step for later words.
    pub fn store(&self, step: &str, identity: &Identity, key: Key, kept: &Kept) -> u64 {
        if self.trouble().is_some() {
            return 0;
        }
        let head = Head { step: step.into(), identity: identity.clone() };
        let mut bytes = 0;
        let place = self.place(&identity.method, key);
        let done = beside(&self.folder.join("making"), &place, |file| {
            bytes = entry::write(file, &head, kept)?;
            #[cfg(test)]
            if self.room_bytes.fetch_sub(bytes, Ordering::SeqCst) < bytes {
                return Err(io::ErrorKind::StorageFull.into());
            }
            Ok(())
        });
        match done {
            Ok(()) => {
                self.grown_by(bytes);
                bytes
            }
            Err(error) => {
                self.stop(format!("{error}; the run goes on without keeping them"));
                0
            }
        }
    }

    /// Writes nothing more, and says why when asked.
    pub fn stop(&self, why: String) {
        if let Ok(mut stopped) = self.stopped.lock() {
            stopped.get_or_insert(why);
        }
    }

    /// Why nothing more is written, if so.
    pub fn trouble(&self) -> Option<String> {
        self.stopped.lock().ok().and_then(|stopped| stopped.clone())
    }

    /// Identity of the nearest earlier result of the same method: that which differs in the fewest fields, of the same
    /// step if possible, the latest.
    pub fn nearest(&self, step: &str, identity: &Identity) -> Option<Identity> {
        let mut listed = listed(&self.shelf(&identity.method));
        listed.sort_by_key(|l| std::cmp::Reverse(l.used));
        listed.truncate(MOST_COMPARED);
        let heads = listed.iter().filter_map(|l| entry::read_head(&l.path).ok());
        let rank = |head: &Head| (key::distance(identity, &head.identity), head.step != step);
        heads.min_by_key(rank).map(|head| head.identity)
    }

    fn all(&self) -> Vec<Listed> {
        let shelves = fs::read_dir(self.folder.join("results")).into_iter().flatten().flatten();
        shelves.flat_map(|shelf| listed(&shelf.path())).collect()
    }

    /// How full it is.
    pub fn status(&self) -> Status {
        let all = self.all();
        Status { entries: all.len(), bytes: all.iter().map(|l| l.bytes).sum(), cap_bytes: self.cap_bytes }
    }

    fn grown_by(&self, bytes: u64) {
        let before = self.bytes.load(Ordering::SeqCst);
        let now = if before == u64::MAX { self.status().bytes } else { before.saturating_add(bytes) };
        self.bytes.store(now, Ordering::SeqCst);
        if now > self.cap_bytes {
            self.trim_to((self.cap_bytes as f64 * AFTER_TRIM) as u64);
        }
    }

    /// Throws away what was not used for longest, down to so many bytes.
    fn trim_to(&self, bytes: u64) {
        let mut all = self.all();
        all.sort_by_key(|l| l.used);
        let mut left: u64 = all.iter().map(|l| l.bytes).sum();
        for entry in all {
            if left <= bytes {
                break;
            }
            if fs::remove_file(&entry.path).is_ok() {
                left -= entry.bytes;
            }
        }
        self.bytes.store(left, Ordering::SeqCst);
    }

    /// Sets how many bytes it may hold, from now on, and throws away what is too much.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn set_cap(&mut self, bytes: u64) -> Outcome<()> {
        let cap = self.folder.join("cap");
        let write = |file: &mut File| io::Write::write_all(file, format!("{bytes}\n").as_bytes());
        beside(&self.folder.join("making"), &cap, write).map_err(|e| {
            Fault::resource(format!("{}: {e}", cap.display())).remedy("give another folder with --cache")
        })?;
        self.cap_bytes = bytes;
        self.trim_to(bytes);
        Ok(())
    }

    /// Throws away every result, every noted hash and look. Files that the cache did not make stay.
    ///
    /// # Errors
    /// If a file cannot be removed.
    pub fn clear(&self) -> Outcome<()> {
        let noted = ["memo", LOOKS].iter().flat_map(|kind| listed(&self.folder.join(kind)));
        for entry in self.all().into_iter().chain(noted) {
            fs::remove_file(&entry.path).map_err(|e| Fault::resource(format!("{}: {e}", entry.path.display())))?;
        }
        self.bytes.store(0, Ordering::SeqCst);
        Ok(())
    }
}

/// blake3 of bytes, as records write it.
pub fn hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// Files of a folder that are named by a hash.
fn listed(folder: &Path) -> Vec<Listed> {
    let one = |entry: fs::DirEntry| {
        entry.file_name().to_str().and_then(Key::parse)?;
        let metadata = entry.metadata().ok().filter(fs::Metadata::is_file)?;
        Some(Listed { path: entry.path(), bytes: metadata.len(), used: metadata.modified().ok()? })
    };
    fs::read_dir(folder).into_iter().flatten().flatten().filter_map(one).collect()
}

/// Writes a file under another name in `making` and renames it to its place once `write` is through.
fn beside(making: &Path, place: &Path, write: impl FnOnce(&mut File) -> io::Result<()>) -> io::Result<()> {
    static NUMBER: AtomicU64 = AtomicU64::new(0);
    fs::create_dir_all(making)?;
    if let Some(folder) = place.parent() {
        fs::create_dir_all(folder)?;
    }
    let number = NUMBER.fetch_add(1, Ordering::SeqCst);
    let temporary = making.join(format!("{}-{number}", std::process::id()));
    let mut file = File::options().read(true).write(true).create(true).truncate(true).open(&temporary)?;
    // Held while in the making: a file that is free was left by a run that was killed.
    let done = file.try_lock().map_err(io::Error::from);
    let done = done.and_then(|()| write(&mut file)).and_then(|()| fs::rename(&temporary, place));
    if done.is_err() {
        let _ = fs::remove_file(&temporary);
    }
    done
}

/// Removes what killed runs left in the making.
fn tidy(making: &Path) {
    for entry in fs::read_dir(making).into_iter().flatten().flatten() {
        if File::open(entry.path()).is_ok_and(|file| file.try_lock().is_ok()) {
            let _ = fs::remove_file(entry.path());
        }
    }
}

#[cfg(test)]
mod tests;
