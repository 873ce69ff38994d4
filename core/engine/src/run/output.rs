//! Files of a run: written beside their place, synced, renamed, hashed.

use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;
use stillair_api::{Fault, FaultKind, Outcome};

/// A finished file of the run folder.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Written {
    /// Relative to the run folder.
    pub file: String,
    /// Size.
    pub bytes: u64,
    /// Hash of its content.
    pub blake3: String,
}

/// A file under another name beside its place, which goes away unless it was renamed.
struct Beside(PathBuf);

impl Drop for Beside {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}

/// A file in the making; it vanishes if it is dropped unfinished.
pub(super) struct Making {
    place: PathBuf,
    beside: Beside,
    writer: BufWriter<File>,
}

impl Making {
    /// Starts a file; it shows under its own name only when finished.
    pub fn start(place: &Path) -> Outcome<Self> {
        let mut beside = place.as_os_str().to_owned();
        beside.push(".partial");
        let beside = Beside(beside.into());
        let file = File::options().read(true).write(true).create(true).truncate(true).open(&beside.0);
        let file = file.map_err(|e| io_fault(&e, place))?;
        Ok(Self { place: place.into(), beside, writer: BufWriter::with_capacity(1 << 16, file) })
    }

    /// Where the node writes.
    pub fn writer(&mut self) -> &mut BufWriter<File> {
        &mut self.writer
    }

    /// A node's error in writing the file, with the file's name.
    pub fn named(&self, fault: Fault) -> Fault {
        if fault.kind == FaultKind::Resource { fault.at(self.place.display()) } else { fault }
    }

    /// Syncs, renames and hashes the file. `folder` is the run folder it lies in.
    pub fn finish(self, folder: &Path) -> Outcome<Written> {
        let place = self.place;
        let done = (|| {
            let mut file = self.writer.into_inner().map_err(io::IntoInnerError::into_error)?;
            file.sync_data()?;
            file.seek(SeekFrom::Start(0))?;
            let (bytes, hash) = hash_reader(&mut file, &|| false)?;
            fs::rename(&self.beside.0, &place)?;
            Ok((bytes, hash))
        })();
        let (bytes, blake3) = done.map_err(|e| io_fault(&e, &place))?;
        let file = place.strip_prefix(folder).unwrap_or(&place).to_string_lossy().replace('\\', "/");
        Ok(Written { file, bytes, blake3 })
    }
}

/// Writes a whole small file the same way.
pub(super) fn write_whole(folder: &Path, name: &str, content: &[u8]) -> Outcome<Written> {
    let place = folder.join(name);
    let mut making = Making::start(&place)?;
    making.writer().write_all(content).map_err(|e| io_fault(&e, &place))?;
    making.finish(folder)
}

/// Size and blake3 of all that is left to read; an error of the kind `Interrupted` once `stop` says so.
pub(super) fn hash_reader(reader: &mut impl Read, stop: &dyn Fn() -> bool) -> io::Result<(u64, String)> {
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0; 1 << 20];
    let mut bytes = 0;
    loop {
        if stop() {
            return Err(io::ErrorKind::Interrupted.into());
        }
        let n = reader.read(&mut buffer)?;
        if n == 0 {
            return Ok((bytes, hasher.finalize().to_hex().to_string()));
        }
        hasher.update_rayon(&buffer[..n]);
        bytes += n as u64;
    }
}

/// An input-output error as a fault that names the file.
pub(super) fn io_fault(error: &io::Error, place: &Path) -> Fault {
    let fault = Fault::resource(format!("{}: {error}", place.display()));
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            fault.remedy("free space on that disk, or give another folder with --out")
        }
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            fault.remedy("give a folder that can be written with --out")
        }
        io::ErrorKind::AlreadyExists | io::ErrorKind::NotADirectory | io::ErrorKind::FileTooLarge => {
            fault.remedy("give another folder with --out")
        }
        _ => fault,
    }
}
