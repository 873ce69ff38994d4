//! Writing a pack from a run folder.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use serde_json::Value;
use stillair_api::{Fault, Outcome};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use super::privacy::{self, Private};
use super::{
    FORMAT, LeftOut, MANIFEST, Manifest, Member, Needed, NeededList, PLUGINS, RECIPE, RECORD, RESULTS, With, names,
};

/// Largest result that is packed, and all of them together.
const MOST_RESULT: u64 = 16 << 20;
const MOST_RESULTS: u64 = 64 << 20;
/// Endings of results that hold nothing of a capture's header.
const KINDS: [&str; 5] = ["png", "jpg", "tif", "fits", "csv"];

/// A pack that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packed {
    /// Where it lies.
    pub file: PathBuf,
    /// Its size.
    pub bytes: u64,
    /// What is inside.
    pub members: Vec<Member>,
    /// What is not.
    pub left_out: Vec<LeftOut>,
}

/// Packs a run folder into a new file. The same run gives the same bytes.
///
/// # Errors
/// If the folder is no run, or the file stands already or cannot be written.
pub fn write(run: &Path, file: &Path, with: &With) -> Outcome<Packed> {
    let read = |name: &str| {
        let path = run.join(name);
        fs::read(&path).map_err(|e| Fault::request(format!("{}: {e}", path.display())).remedy("give a run folder"))
    };
    let whole: Value = serde_json::from_slice(&read(RECORD)?)
        .map_err(|e| Fault::data(format!("{}: not a run record: {e}", run.join(RECORD).display())))?;
    if file.exists() {
        let message = format!("{} stands already", file.display());
        return Err(Fault::request(message).remedy("give another name with --out FILE.zip"));
    }
    let private = Private::of(&whole, with);
    let recipe = privacy::recipe(&String::from_utf8_lossy(&read(RECIPE)?), &private);
    let record = format!("{:#}\n", privacy::record(&whole, with, &private));
    let plugins = toml::to_string(&NeededList { schema: 1, plugins: needed(&whole) })
        .map_err(|e| Fault::internal(format!("{PLUGINS}: {e}")))?;
    let mut files: Vec<(String, Vec<u8>)> =
        vec![(RECIPE.into(), recipe.into()), (RECORD.into(), record.into()), (PLUGINS.into(), plugins.into())];
    let mut left_out = Vec::new();
    let mut together = 0;
    for result in whole["results"].as_array().into_iter().flatten().filter_map(|r| r["file"].as_str()) {
        match packed_result(run, result, with, &private, &mut together) {
            Ok(bytes) => files.push((result.into(), bytes)),
            Err(why) => left_out.push(LeftOut { what: result.into(), why }),
        }
    }
    let member = |(name, bytes): &(String, Vec<u8>)| Member {
        file: name.clone(),
        bytes: bytes.len() as u64,
        blake3: blake3::hash(bytes).to_hex().to_string(),
    };
    let members: Vec<Member> = files.iter().map(member).collect();
    let name = whole["recipe"]["name"].as_str().unwrap_or("recipe").to_string();
    let manifest = Manifest { format: FORMAT, recipe: name, members: members.clone(), left_out: left_out.clone() };
    let manifest = serde_json::to_vec_pretty(&manifest).map_err(|e| Fault::internal(e.to_string()))?;
    files.insert(0, (MANIFEST.into(), manifest));
    let bytes = archive(&files).map_err(|e| Fault::internal(format!("the pack could not be made: {e}")))?;
    let at = |e: std::io::Error| Fault::resource(format!("{}: {e}", file.display()));
    let folder = file.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut beside = tempfile::NamedTempFile::new_in(folder).map_err(at)?;
    beside.write_all(&bytes).map_err(at)?;
    beside.as_file().sync_data().map_err(at)?;
    beside.persist_noclobber(file).map_err(|e| at(e.error))?;
    readable(file);
    Ok(Packed { file: file.into(), bytes: bytes.len() as u64, members, left_out })
}

/// A temporary file is its owner's alone; a pack is to be given away.
fn readable(file: &Path) {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let _ = fs::set_permissions(file, fs::Permissions::from_mode(0o644));
    }
    #[cfg(not(unix))]
    let _ = file;
}

/// A result's bytes, or why it stays at home.
fn packed_result(
    run: &Path,
    name: &str,
    with: &With,
    private: &Private,
    together: &mut u64,
) -> Result<Vec<u8>, String> {
    let plain =
        name.strip_prefix(RESULTS).filter(|rest| names::plain(rest)).ok_or("its name cannot stand in a pack")?;
    let kind = plain.rsplit('.').next().unwrap_or_default();
    if !KINDS.contains(&kind) && !with.observer {
        return Err("it may carry the capture's header".into());
    }
    let path = run.join(name);
    let bytes = path.symlink_metadata().map_err(|e| e.to_string())?;
    if !bytes.is_file() {
        return Err("it is not a plain file".into());
    }
    if bytes.len() > MOST_RESULT || *together + bytes.len() > MOST_RESULTS {
        return Err(format!("it has {:.1} MB", bytes.len() as f64 / 1e6));
    }
    let content = fs::read(&path).map_err(|e| e.to_string())?;
    if private.in_bytes(&content) {
        return Err("it holds a private word".into());
    }
    *together += content.len() as u64;
    Ok(content)
}

/// The plugins of a record.
fn needed(record: &Value) -> Vec<Needed> {
    let mut found: BTreeMap<(String, String, Option<String>), Vec<String>> = BTreeMap::new();
    for node in record["nodes"].as_array().into_iter().flatten() {
        let text = |key: &str| node[key].as_str().map(ToString::to_string);
        let (Some(id), Some(version), Some(method)) = (text("plugin"), text("plugin_version"), text("method")) else {
            continue;
        };
        let methods = found.entry((id, version, text("plugin_blake3"))).or_default();
        if !methods.contains(&method) {
            methods.push(method);
        }
    }
    let one = |((id, version, blake3), methods)| Needed { id, version, blake3, methods };
    found.into_iter().map(one).collect()
}

fn archive(files: &[(String, Vec<u8>)]) -> zip::result::ZipResult<Vec<u8>> {
    let mut writer = ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(zip::DateTime::default())
        .unix_permissions(0o644);
    for (name, bytes) in files {
        writer.start_file(name, options)?;
        writer.write_all(bytes)?;
    }
    Ok(writer.finish()?.into_inner())
}
