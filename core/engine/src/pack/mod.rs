//! A pack: one file with a run's recipe, record, small results and plugins, to be given to anyone.
//!
//! ```text
//! pack.json       version of the format, what is inside with sizes and hashes, what was left out and why
//! recipe.toml     the recipe as resolved
//! run.json        the record without paths, people and places
//! plugins.lock    the plugins that the run used
//! results/NAME    results, as far as they are small
//! ```
//!
//! It is a ZIP file, but not every ZIP file is a pack: names come from this list only, and whoever opens one
//! ([`open`]) does not trust it. Nothing is ever unpacked to a disk.

mod names;
mod open;
mod privacy;
mod write;

use serde::{Deserialize, Serialize};

pub use open::{Pack, open};
pub use write::{Packed, write};

/// Version of the format.
const FORMAT: u32 = 1;
const MANIFEST: &str = "pack.json";
const RECIPE: &str = "recipe.toml";
const RECORD: &str = "run.json";
const PLUGINS: &str = "plugins.lock";
const RESULTS: &str = "results/";

/// What a pack may tell beside what it always does.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct With {
    /// Where the observer stood: the session's site and what tells its time zone.
    pub site: bool,
    /// Who observed with what: texts of the capture's header and of the session, clips that carry such texts.
    pub observer: bool,
    /// Names of the capture's files, without their folders.
    pub names: bool,
    /// Words that must not be told: the user's name, the home folder, the name of the machine.
    pub never: Vec<String>,
}

/// What is inside.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Manifest {
    format: u32,
    recipe: String,
    members: Vec<Member>,
    left_out: Vec<LeftOut>,
}

/// A file of a pack.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Member {
    /// Its name.
    pub file: String,
    /// Its size.
    pub bytes: u64,
    /// blake3 of its bytes.
    pub blake3: String,
}

/// A file or fact that is not in a pack.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// What.
    pub what: String,
    /// Why.
    pub why: String,
}

/// A plugin that a run used.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Needed {
    /// Its identity.
    pub id: String,
    /// Its version.
    pub version: String,
    /// blake3 of its shared library; none for one that was linked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blake3: Option<String>,
    /// Its methods that the recipe uses.
    pub methods: Vec<String>,
}

/// The plugins that a run used, as `plugins.lock` has them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct NeededList {
    schema: u32,
    #[serde(default, rename = "plugin")]
    plugins: Vec<Needed>,
}
