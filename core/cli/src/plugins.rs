//! The plugins: those that are linked into the command, and those of the user's folders.

use std::path::{Path, PathBuf};

use stillair_api::Plugin;
use stillair_engine::cache::LOOKS;
use stillair_engine::catalogue::Catalogue;
use stillair_engine::host::{self, Earlier, Scanned};

use crate::arguments::Global;
use crate::failure::Failure;
use crate::{cache, plugin, say, settings};

macro_rules! linked {
    ($($name:literal => $plugin:path),* $(,)?) => {
        /// Folders of the linked plugins.
        #[cfg(test)]
        const NAMES: &[&str] = &[$($name),*];

        /// The plugins that are linked.
        pub fn linked() -> Vec<Plugin> {
            vec![$($plugin()),*]
        }
    };
}

linked! {
    "align" => stillair_align::plugin,
    "assess" => stillair_assess::plugin,
    "calibrate" => stillair_calibrate::plugin,
    "colour" => stillair_colour::plugin,
    "crop" => stillair_crop::plugin,
    "decode" => stillair_decode::plugin,
    "demosaic" => stillair_demosaic::plugin,
    "derotate" => stillair_derotate::plugin,
    "find" => stillair_find::plugin,
    "grade" => stillair_grade::plugin,
    "select" => stillair_select::plugin,
    "sharpen" => stillair_sharpen::plugin,
    "simulate" => stillair_simulate::plugin,
    "stack" => stillair_stack::plugin,
    "write" => stillair_write::plugin,
}

/// The linked plugins, unless they are to be left out.
pub fn linked_for(global: &Global) -> Vec<Plugin> {
    if global.no_linked { Vec::new() } else { linked() }
}

/// Folders of plugins: those of the command line, then those of the user's settings. There are no others.
pub fn folders(global: &Global) -> Result<Vec<PathBuf>, Failure> {
    let mut folders = global.plugin_path.clone();
    folders.extend(settings::read()?.plugin_path);
    Ok(folders)
}

/// The libraries of the plugin folders, looked into by another process, now or, where the cache has noted it of the same
/// bytes, earlier.
pub fn scanned(global: &Global) -> Result<Vec<Scanned>, Failure> {
    let folders = folders(global)?;
    if folders.is_empty() {
        return Ok(Vec::new());
    }
    let child = plugin::child("look")?;
    let Some(cache) = cache::of_runs(global) else { return Ok(host::scan(&folders, &child, Earlier::NOTHING)?) };
    let (memo, notes) = (cache.memo(), cache.notes(LOOKS));
    let hash = |path: &Path| memo.hash(path, || host::hash_of(path));
    let program = hash(&child.program).ok();
    let looks = program.as_ref().map(|(_, program)| (&notes, program.as_str()));
    Ok(host::scan(&folders, &child, Earlier { hash: &hash, looks })?)
}

/// All methods, linked and loaded. A library that is refused costs a line.
pub fn catalogue(global: &Global) -> Result<Catalogue, Failure> {
    let scanned = scanned(global)?;
    for why in scanned.iter().filter_map(|s| s.outcome.as_ref().err()) {
        say::note(&format!("warning: plugin refused: {why}"));
    }
    let loaded = host::load_scanned(&scanned)?;
    Catalogue::with_loaded(linked_for(global), loaded)
        .map_err(|words| Failure::request(words, "take one of them away: the file from its folder, or the folder"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The folder of plugins is the list's only outside witness.
    #[test]
    fn every_plugin_of_the_folder_is_linked() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins");
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap())
            .filter(|entry| {
                let root = std::fs::read_to_string(entry.path().join("src/lib.rs")).unwrap_or_default();
                root.contains("plugin!(")
            })
            .map(|entry| entry.file_name().into_string().unwrap())
            .collect();
        names.sort();
        assert_eq!(names, NAMES);
    }

    #[test]
    fn every_method_keeps_to_its_contract_and_explains_itself() {
        let catalogue = Catalogue::new(linked()).unwrap();
        for listed in catalogue.all() {
            let description = &listed.description;
            assert_eq!(stillair_api::contract::breaches(description), Vec::<String>::new());
            let method = &description.method;
            assert!(!description.summary.is_empty(), "{method} has no summary");
            assert!(!description.help.is_empty(), "{method} has no help");
            assert!(!description.source.is_empty(), "{method} names no source");
            assert!(description.parameters.iter().all(|p| !p.help.is_empty()), "{method}: a parameter without help");
            for fact in &description.facts {
                assert!(stillair_engine::session::fact_spec(fact).is_some(), "{method} reads the unknown fact {fact}");
            }
        }
    }
}
