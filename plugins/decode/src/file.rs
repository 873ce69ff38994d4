//! Captures are read by position into buffers, never mapped: a mapped file that shrinks would kill the process.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use stillair_api::{Fault, Outcome};

/// A capture file that is open for reading.
#[derive(Debug)]
pub(crate) struct ClipFile {
    file: File,
    path: PathBuf,
    len: u64,
}

impl ClipFile {
    /// Opens a file that must not be empty.
    pub(crate) fn open(path: &Path) -> Outcome<Self> {
        let name = path.display();
        let metadata = std::fs::metadata(path).map_err(|e| unreadable(path, &e))?;
        if metadata.is_dir() {
            return Err(Fault::request(format!("{name}: is a folder, not a capture file"))
                .remedy("name a file in it, or a folder of numbered pictures with decode.auto"));
        }
        let file = File::open(path).map_err(|e| unreadable(path, &e))?;
        let len = metadata.len();
        if len == 0 {
            return Err(Fault::data(format!("{name}: the file is empty (0 bytes)"))
                .remedy("the capture or the copy failed: copy the file again from the capture computer"));
        }
        Ok(Self { file, path: path.into(), len })
    }

    /// A file that is open already.
    pub(crate) fn opened(file: File, path: &Path, len: u64) -> Self {
        Self { file, path: path.into(), len }
    }

    /// The open file itself.
    pub(crate) fn into_file(self) -> File {
        self.file
    }

    /// Bytes of the file when it was opened.
    pub(crate) fn len(&self) -> u64 {
        self.len
    }

    /// Fills `bytes` from `offset` on.
    pub(crate) fn read_at(&self, offset: u64, bytes: &mut [u8]) -> io::Result<()> {
        read_exact_at(&self.file, offset, bytes)
    }

    /// Up to `most` bytes from `offset` on; fewer only at the end of the file.
    pub(crate) fn read_upto(&self, offset: u64, most: usize) -> Outcome<Vec<u8>> {
        let left = usize::try_from(self.len.saturating_sub(offset)).unwrap_or(usize::MAX);
        let mut bytes = vec![0; most.min(left)];
        self.read_at(offset, &mut bytes).map_err(|e| unreadable(&self.path, &e))?;
        Ok(bytes)
    }

    /// The error of a frame that cannot be read.
    pub(crate) fn frame_fault(&self, index: usize, error: &io::Error) -> Fault {
        if error.kind() == io::ErrorKind::UnexpectedEof {
            Fault::data(format!("{}: the file ends within frame {index}: it shrank while it was read", self.name()))
                .remedy("let the copy or the recording finish, then run again")
        } else {
            Fault::resource(format!("{}: frame {index} cannot be read: {error}", self.name()))
                .remedy("check the disk or the network drive that holds the file")
        }
    }

    /// The path in words.
    pub(crate) fn name(&self) -> String {
        self.path.display().to_string()
    }
}

/// The error of a file that cannot be opened or read.
pub(crate) fn unreadable(path: &Path, error: &io::Error) -> Fault {
    let name = path.display();
    match error.kind() {
        io::ErrorKind::NotFound => Fault::request(format!("{name}: there is no such file"))
            .remedy("check the spelling and the folder of the capture"),
        io::ErrorKind::PermissionDenied => Fault::resource(format!("{name}: may not be read: permission denied"))
            .remedy("give yourself the right to read it"),
        io::ErrorKind::UnexpectedEof => {
            Fault::data(format!("{name}: the file ends early: it shrank while it was read"))
                .remedy("let the copy or the recording finish, then run again")
        }
        _ => Fault::resource(format!("{name}: cannot be read: {error}"))
            .remedy("check the disk or the network drive that holds the file"),
    }
}

#[cfg(unix)]
fn read_exact_at(file: &File, offset: u64, bytes: &mut [u8]) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, offset)
}

#[cfg(windows)]
fn read_exact_at(file: &File, mut offset: u64, mut bytes: &mut [u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match std::os::windows::fs::FileExt::seek_read(file, bytes, offset) {
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(read) => {
                bytes = &mut bytes[read..];
                offset += read as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}
