//! The plugins that are linked into the command.

use stillair_api::Plugin;
use stillair_engine::catalogue::Catalogue;

use crate::failure::Failure;

macro_rules! linked {
    ($($name:literal => $plugin:path),* $(,)?) => {
        /// Folders of the linked plugins.
        #[cfg(test)]
        const NAMES: &[&str] = &[$($name),*];

        fn linked() -> Vec<Plugin> {
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
    "find" => stillair_find::plugin,
    "grade" => stillair_grade::plugin,
    "select" => stillair_select::plugin,
    "sharpen" => stillair_sharpen::plugin,
    "simulate" => stillair_simulate::plugin,
    "stack" => stillair_stack::plugin,
    "write" => stillair_write::plugin,
}

/// All methods.
pub fn catalogue() -> Result<Catalogue, Failure> {
    Catalogue::new(linked()).map_err(|words| Failure::Fault(stillair_api::Fault::internal(words)))
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
        let catalogue = catalogue().unwrap();
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
