//! One result in one file: a head that says what it is of, the values, and the hash of all that stands before it.

use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};
use stillair_api::{Entry, Value};

use super::codec::{Reader, Writer};
use super::key::{Identity, Key};

/// First bytes of an entry.
const MARK: &[u8; 16] = b"stillair-entry-1";
/// Longest head that is read.
const MOST_HEAD: u64 = 1 << 20;
/// Bytes of the hash at the end.
const HASH: u64 = 32;
/// Bytes hashed at a time: enough for the hash to work on many blocks at once.
const BUFFER: usize = 1 << 18;

/// What a node left: its values, and what it told while it worked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Kept {
    /// A value for each output port; none for a map, whose frames are never kept.
    pub outputs: Vec<Value>,
    /// Facts it told.
    pub entries: Vec<Entry>,
    /// Warnings it gave.
    pub warnings: Vec<String>,
}

/// What an entry is of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Head {
    pub step: String,
    pub identity: Identity,
}

struct Hashing<T> {
    inner: T,
    hasher: blake3::Hasher,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.inner.write(bytes)?;
        self.hasher.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl<R: Read> Read for Hashing<R> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(bytes)?;
        self.hasher.update(&bytes[..read]);
        Ok(read)
    }
}

fn broken() -> io::Error {
    io::ErrorKind::InvalidData.into()
}

/// Writes an entry and syncs it; gives its size.
pub(super) fn write(file: &mut File, head: &Head, kept: &Kept) -> io::Result<u64> {
    let hash = write_body(file, head, kept)?;
    file.write_all(hash.as_bytes())?;
    file.sync_data()?;
    Ok(file.metadata()?.len())
}

fn write_body(file: &mut File, head: &Head, kept: &Kept) -> io::Result<blake3::Hash> {
    let hashing = Hashing { inner: file, hasher: blake3::Hasher::new() };
    let mut writer = Writer(BufWriter::with_capacity(BUFFER, hashing));
    writer.0.write_all(MARK)?;
    writer.text(&serde_json::to_string(head)?)?;
    writer.small(&kept.entries)?;
    writer.small(&kept.warnings)?;
    writer.number(kept.outputs.len() as u64)?;
    kept.outputs.iter().try_for_each(|value| writer.value(value))?;
    let hashing = writer.0.into_inner().map_err(io::IntoInnerError::into_error)?;
    Ok(hashing.hasher.finalize())
}

/// Reads an entry's head alone, unverified: good for words, not for results.
pub(super) fn read_head(path: &Path) -> io::Result<Head> {
    let file = File::open(path)?;
    let left = file.metadata()?.len();
    head(&mut Reader { inner: BufReader::with_capacity(1 << 13, file), left })
}

fn head<R: Read>(reader: &mut Reader<R>) -> io::Result<Head> {
    let mut mark = [0; MARK.len()];
    reader.fill(&mut mark)?;
    if mark != *MARK {
        return Err(broken());
    }
    let whole = reader.left;
    reader.left = whole.min(MOST_HEAD);
    let text = reader.text()?;
    reader.left = whole - 8 - text.len() as u64;
    serde_json::from_str(&text).map_err(|_| broken())
}

/// Reads an entry and holds it to its hash and to the key it is wanted for; gives its size too.
///
/// # Errors
/// `InvalidData` or `UnexpectedEof` for anything that is not, to the last bit, what was written for that key.
pub(super) fn read(path: &Path, key: Key) -> io::Result<(Kept, u64)> {
    let file = File::open(path)?;
    let size = file.metadata()?.len();
    let hashing = Hashing { inner: file, hasher: blake3::Hasher::new() };
    // The buffer must not hash what lies past the body: it is given the body alone.
    let body = size.checked_sub(HASH).ok_or_else(broken)?;
    let mut reader = Reader { inner: BufReader::with_capacity(BUFFER, hashing.take(body)), left: body };
    let head = head(&mut reader)?;
    if head.identity.key() != key {
        return Err(broken());
    }
    let (entries, warnings) = (reader.small()?, reader.small()?);
    let count = reader.number()?;
    if count > reader.left {
        return Err(broken());
    }
    let outputs = (0..count).map(|_| reader.value()).collect::<io::Result<_>>()?;
    if reader.left != 0 {
        return Err(broken());
    }
    let mut hashing = reader.inner.into_inner().into_inner();
    let mut hash = [0; HASH as usize];
    hashing.inner.read_exact(&mut hash)?;
    if hashing.hasher.finalize() != hash {
        return Err(broken());
    }
    Ok((Kept { outputs, entries, warnings }, size))
}
