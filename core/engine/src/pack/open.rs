//! Opening a pack that a stranger made.
//!
//! Limits come first, from the directory alone; then the few texts that are needed are read, each no further than its
//! limit, and held against the hashes of the manifest.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

use serde::de::DeserializeOwned;
use stillair_api::{Fault, Outcome};
use zip::{CompressionMethod, ZipArchive};

use super::{FORMAT, MANIFEST, Manifest, Needed, NeededList, PLUGINS, RECIPE, RECORD, names};

const MEGABYTE: u64 = 1 << 20;
/// Largest pack, largest file in one, and all of them together, unpacked.
const MOST_PACKED: u64 = 256 * MEGABYTE;
const MOST_FILE: u64 = 64 * MEGABYTE;
const MOST_TOGETHER: u64 = 512 * MEGABYTE;
/// Most files.
const MOST_FILES: usize = 200;
/// A file that is larger than a megabyte may be this many times as large as what is stored of it.
const MOST_RATIO: u64 = 100;
/// Largest recipe, manifest and list of plugins; largest record.
const MOST_TEXT: u64 = MEGABYTE;
const MOST_RECORD: u64 = 32 * MEGABYTE;

/// A pack, read and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Pack {
    /// Name of its recipe.
    pub name: String,
    /// The recipe.
    pub recipe: String,
    /// The record of the run that it was made of.
    pub record: serde_json::Value,
    /// The plugins that the run used.
    pub plugins: Vec<Needed>,
}

/// Opens a pack. Nothing of it is written anywhere, none of its results is read.
///
/// # Errors
/// If it is no pack, or one that could do harm; the fault names the file and the reason.
pub fn open(path: &Path) -> Outcome<Pack> {
    let at = |fault: Fault| fault.at(path.display());
    let file = File::open(path).map_err(|e| at(Fault::request(e.to_string()).remedy("check the path")))?;
    let bytes = file.metadata().map_err(|e| at(e.into()))?.len();
    read(BufReader::new(file), bytes).map_err(|words| at(Fault::request(format!("this pack is refused: {words}"))))
}

type Reader = BufReader<File>;

fn read(reader: Reader, bytes: u64) -> Result<Pack, String> {
    if bytes > MOST_PACKED {
        return Err(format!("it has {bytes} bytes, {MOST_PACKED} are allowed"));
    }
    let mut archive = ZipArchive::new(reader).map_err(|e| format!("it is not a readable ZIP file ({e})"))?;
    directory(&mut archive)?;
    let manifest: Manifest = json(&text(&mut archive, MANIFEST, MOST_TEXT, None)?, MANIFEST)?;
    if manifest.format != FORMAT {
        return Err(format!("it is of format {}, this program reads {FORMAT}", manifest.format));
    }
    let listed: BTreeSet<&str> = manifest.members.iter().map(|m| m.file.as_str()).collect();
    let there: BTreeSet<&str> =
        archive.file_names().filter_map(Result::ok).map(|name| leak_free(&name, &listed)).collect();
    if listed.len() != manifest.members.len() || there != listed.iter().copied().chain([MANIFEST]).collect() {
        return Err(format!("{MANIFEST} lists other files than there are"));
    }
    let recipe = text(&mut archive, RECIPE, MOST_TEXT, Some(&manifest))?;
    let record = json(&text(&mut archive, RECORD, MOST_RECORD, Some(&manifest))?, RECORD)?;
    let plugins: NeededList = toml::from_str(&text(&mut archive, PLUGINS, MOST_TEXT, Some(&manifest))?)
        .map_err(|e| format!("{PLUGINS}: {}", e.message()))?;
    let plain = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'_';
    if manifest.recipe.is_empty() || manifest.recipe.len() > 64 || !manifest.recipe.bytes().all(plain) {
        return Err(format!("{MANIFEST}: `{}` is no name of a recipe", manifest.recipe.escape_default()));
    }
    Ok(Pack { name: manifest.recipe, recipe, record, plugins: plugins.plugins })
}

/// The listed name that equals this one, or a word that no list has.
fn leak_free<'l>(name: &str, listed: &BTreeSet<&'l str>) -> &'l str {
    if name == MANIFEST { MANIFEST } else { listed.get(name).copied().unwrap_or("?") }
}

/// Refuses by the directory what could do harm, before anything is unpacked.
fn directory(archive: &mut ZipArchive<Reader>) -> Result<(), String> {
    if archive.len() > MOST_FILES {
        return Err(format!("it holds {} files, {MOST_FILES} are allowed", archive.len()));
    }
    if archive.has_duplicate_names() {
        return Err("two of its files have the same name".into());
    }
    let mut together: u64 = 0;
    let mut seen = BTreeSet::new();
    for index in 0..archive.len() {
        let entry = archive.by_index_data(index).map_err(|e| format!("its directory is broken ({e})"))?;
        let raw = entry.name_raw();
        if let Some(words) = names::refusal(raw) {
            return Err(words);
        }
        let name = String::from_utf8_lossy(raw).into_owned();
        // A capital makes no difference to some systems.
        if !seen.insert(name.to_ascii_lowercase()) {
            return Err(format!("two of its files are called `{name}`"));
        }
        let kind = entry.unix_mode().unwrap_or(0) & 0o170_000;
        if entry.is_symlink() || entry.is_dir() || !(kind == 0 || kind == 0o100_000) {
            return Err(format!("`{name}` is not a plain file but a link, a folder or a device"));
        }
        if entry.encrypted() {
            return Err(format!("`{name}` is encrypted"));
        }
        if !matches!(entry.compression(), CompressionMethod::Stored | CompressionMethod::Deflated) {
            return Err(format!("`{name}` is compressed in a way that packs are not"));
        }
        let (size, stored) = (entry.size(), entry.compressed_size());
        if size > MOST_FILE {
            return Err(format!("`{name}` would take {size} bytes, {MOST_FILE} are allowed"));
        }
        if size > MEGABYTE && size / MOST_RATIO > stored {
            return Err(format!("`{name}` would grow from {stored} to {size} bytes"));
        }
        together += size;
    }
    if together > MOST_TOGETHER {
        return Err(format!("its files would take {together} bytes, {MOST_TOGETHER} are allowed"));
    }
    if archive.has_overlapping_entries().map_err(|e| format!("its directory is broken ({e})"))? {
        return Err("two of its files share the same bytes".into());
    }
    archive.validate_header_consistency().map_err(|e| format!("its directory does not fit its files ({e})"))
}

/// A text of the pack, no longer than it says and than is allowed.
fn text(
    archive: &mut ZipArchive<Reader>,
    name: &str,
    most: u64,
    manifest: Option<&Manifest>,
) -> Result<String, String> {
    let entry = archive.by_name(name).map_err(|e| format!("`{name}` cannot be read ({e})"))?;
    let says = entry.size();
    if says > most {
        return Err(format!("`{name}` would take {says} bytes, {most} are allowed"));
    }
    let mut bytes = Vec::new();
    // One more than it says: a file that goes on is seen.
    entry.take(says + 1).read_to_end(&mut bytes).map_err(|e| format!("`{name}` is broken ({e})"))?;
    if bytes.len() as u64 != says {
        return Err(format!("`{name}` is longer or shorter than it says"));
    }
    if let Some(manifest) = manifest {
        let hash = blake3::hash(&bytes).to_hex();
        let member = manifest.members.iter().find(|m| m.file == name);
        if member.is_none_or(|m| m.bytes != says || m.blake3 != hash.as_str()) {
            return Err(format!("`{name}` is not the one that {MANIFEST} lists"));
        }
    }
    String::from_utf8(bytes).map_err(|_| format!("`{name}` is not UTF-8"))
}

fn json<T: DeserializeOwned>(text: &str, name: &str) -> Result<T, String> {
    serde_json::from_str(text).map_err(|e| format!("{name}: {e}"))
}
