//! What a file's bytes hashed to, so that a capture that did not change is not read twice.

use std::fs::{self, Metadata};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use super::beside;

/// A file that changed so short a time before it was hashed might change again without its times telling.
const SETTLED: Duration = Duration::from_secs(2);

/// What tells that a file is still the same without reading it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamp {
    size: u64,
    modified: Option<SystemTime>,
    /// Seconds and nanoseconds of the last change of status, device, inode; zero where the system has none.
    rest: [i128; 4],
}

impl Stamp {
    /// The stamp of a file as it is now.
    pub fn of(path: &Path) -> Option<Self> {
        let metadata = fs::metadata(path).ok()?;
        Some(Self { size: metadata.len(), modified: metadata.modified().ok(), rest: rest(&metadata) })
    }

    /// The stamps of a file, or of all files in a folder by name.
    pub fn of_all(path: &Path) -> Vec<(PathBuf, Option<Self>)> {
        if !path.is_dir() {
            return vec![(path.into(), Self::of(path))];
        }
        let entries = fs::read_dir(path).into_iter().flatten().flatten().map(|e| e.path()).filter(|p| p.is_file());
        let mut all: Vec<_> = entries.map(|path| (path.clone(), Self::of(&path))).collect();
        all.sort_by(|a, b| a.0.cmp(&b.0));
        all
    }

    /// Whether the file had not changed for a while at that time.
    fn settled(&self, at: SystemTime) -> bool {
        let [seconds, nanos, ..] = self.rest;
        let status = Duration::new(u64::try_from(seconds).unwrap_or(0), u32::try_from(nanos).unwrap_or(0));
        let times = [self.modified, SystemTime::UNIX_EPOCH.checked_add(status)];
        times.iter().all(|t| t.is_some_and(|t| at.duration_since(t).is_ok_and(|age| age >= SETTLED)))
    }

    fn text(&self) -> Option<String> {
        let modified = self.modified?.duration_since(SystemTime::UNIX_EPOCH).ok()?;
        let [a, b, c, d] = self.rest;
        Some(format!("{} {} {} {a} {b} {c} {d}", self.size, modified.as_secs(), modified.subsec_nanos()))
    }
}

#[cfg(unix)]
fn rest(metadata: &Metadata) -> [i128; 4] {
    use std::os::unix::fs::MetadataExt;
    [metadata.ctime().into(), metadata.ctime_nsec().into(), metadata.dev().into(), metadata.ino().into()]
}

#[cfg(not(unix))]
fn rest(_metadata: &Metadata) -> [i128; 4] {
    [0; 4]
}

/// Hashes by the stamps of their files.
#[derive(Debug, Clone)]
pub struct Memo {
    pub(super) folder: PathBuf,
    pub(super) making: PathBuf,
    /// Whether what was noted before is believed.
    pub(super) believed: bool,
}

impl Memo {
    /// Hash of a file's bytes and their number: noted before, or by `hash`. Where a system does not tell when a file's
    /// status changed, nothing is noted.
    ///
    /// # Errors
    /// Those of `hash`.
    pub fn hash<E>(&self, path: &Path, hash: impl FnOnce() -> Result<(u64, String), E>) -> Result<(u64, String), E> {
        let known = path.canonicalize().ok().zip(Stamp::of(path)).filter(|_| cfg!(unix));
        let Some((canonical, stamp)) = known else { return hash() };
        let name = blake3::hash(canonical.as_os_str().as_encoded_bytes()).to_hex().to_string();
        let place = self.folder.join(name);
        if let Some(noted) = self.noted(&place, &stamp) {
            return Ok((stamp.size, noted));
        }
        let began = SystemTime::now();
        let (bytes, hashed) = hash()?;
        if stamp.settled(began) && Stamp::of(path).is_some_and(|after| after == stamp) && bytes == stamp.size {
            self.note(&place, &stamp, &hashed);
        }
        Ok((bytes, hashed))
    }

    fn noted(&self, place: &Path, stamp: &Stamp) -> Option<String> {
        let text = fs::read_to_string(place).ok().filter(|_| self.believed)?;
        let mut lines = text.lines();
        let (stands, hash, check) = (lines.next()?, lines.next()?, lines.next()?);
        let right = check == checked(stands, hash) && stands == stamp.text()?;
        right.then(|| hash.to_string())
    }

    /// What cannot be noted is hashed again the next time.
    fn note(&self, place: &Path, stamp: &Stamp, hash: &str) {
        let Some(text) = stamp.text() else { return };
        let content = format!("{text}\n{hash}\n{}\n", checked(&text, hash));
        let _ = beside(&self.making, place, |file| {
            file.write_all(content.as_bytes())?;
            file.sync_data()
        });
    }
}

fn checked(stamp: &str, hash: &str) -> String {
    blake3::hash(format!("{stamp}\n{hash}").as_bytes()).to_hex().to_string()
}
