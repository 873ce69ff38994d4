//! `stillair pack`: a run in one file, for others; and what is said of a pack before it runs.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::json;
use stillair_engine::catalogue::Catalogue;
use stillair_engine::pack::{self, With};

use crate::arguments::{Global, Pack};
use crate::failure::Failure;
use crate::recipes::Recipe;
use crate::say;

/// Packs a run folder, given by path or by its name in the folder for runs.
pub fn pack(verb: &Pack, global: &Global) -> Result<(), Failure> {
    let file = Some(&global.out).filter(|out| out.extension().is_some_and(|e| e == "zip"));
    let runs = file.map_or(global.out.as_path(), |_| Path::new("runs"));
    let inside = runs.join(&verb.run);
    let folder = if !verb.run.is_dir() && inside.is_dir() { inside } else { verb.run.clone() };
    if !folder.join("run.json").is_file() {
        let message = format!("{} is not a run folder", verb.run.display());
        return Err(Failure::request(message, "`stillair runs` lists the runs"));
    }
    let whole = folder.canonicalize().map_err(stillair_api::Fault::from)?;
    let name = whole.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let file = file.cloned().unwrap_or_else(|| PathBuf::from(format!("{name}.zip")));
    let with = With {
        site: verb.with_site,
        observer: verb.with_observer,
        names: verb.with_names,
        never: private_words(&whole),
    };
    let packed = pack::write(&folder, &file, &with)?;
    if global.json {
        say::json(&json!({
            "event": "packed", "file": packed.file, "bytes": packed.bytes,
            "members": packed.members, "left_out": packed.left_out,
        }));
        return Ok(());
    }
    let mut text = format!("pack     {} ({:.1} MB)\n", packed.file.display(), packed.bytes as f64 / 1e6);
    for member in &packed.members {
        let _ = writeln!(text, "  {}", member.file);
    }
    for left in &packed.left_out {
        let _ = writeln!(text, "  without {}: {}", left.what, left.why);
    }
    say::out(&text);
    Ok(())
}

/// Words that tell whose machine this is.
fn private_words(run: &Path) -> Vec<String> {
    let names = ["HOME", "USERPROFILE", "USER", "LOGNAME", "USERNAME", "HOSTNAME", "COMPUTERNAME"];
    let mut words: Vec<String> = names.iter().filter_map(|name| std::env::var(name).ok()).collect();
    words.extend(std::fs::read_to_string("/proc/sys/kernel/hostname").ok());
    words.extend(std::env::current_dir().ok().map(|folder| folder.display().to_string()));
    words.push(run.display().to_string());
    words.iter().map(|word| word.trim().to_string()).filter(|word| word.len() > 1).collect()
}

/// Says which plugins of a pack differ from those at hand.
///
/// # Errors
/// If one is missing.
pub fn plugins_at_hand(recipe: &Recipe, catalogue: &Catalogue) -> Result<(), Failure> {
    for needed in &recipe.plugins {
        let missing: Vec<&str> =
            needed.methods.iter().map(String::as_str).filter(|m| catalogue.get(m).is_none()).collect();
        if !missing.is_empty() {
            let message = format!(
                "the pack was made with {} of the plugin {} {}, which is not at hand",
                missing.join(", "),
                needed.id,
                needed.version
            );
            return Err(Failure::request(
                message,
                "get that plugin from somebody you trust, and name its folder with --plugin-path",
            ));
        }
    }
    Ok(())
}

/// What differs between the plugins that a pack was made with and those at hand, a line each.
pub fn differences(recipe: &Recipe, catalogue: &Catalogue) -> Vec<String> {
    let mut lines = Vec::new();
    for needed in &recipe.plugins {
        for listed in needed.methods.iter().filter_map(|m| catalogue.get(m)) {
            let method = &listed.description.method;
            let bytes = listed.file.as_ref().map(|f| &f.blake3);
            if listed.plugin != needed.id || listed.plugin_version != needed.version {
                lines.push(format!(
                    "{method} comes from {} {} here, the pack was made with {} {}",
                    listed.plugin, listed.plugin_version, needed.id, needed.version
                ));
            } else if needed.blake3.as_ref().is_some_and(|hash| bytes != Some(hash)) {
                lines.push(format!(
                    "{method} comes from other bytes of {} {} than the pack's",
                    needed.id, needed.version
                ));
            }
        }
    }
    lines
}
