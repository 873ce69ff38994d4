//! The user's settings: `stillair/settings.toml` in the system's folder for settings.

use std::path::PathBuf;

use serde::Deserialize;

use crate::failure::Failure;

/// What a user may set once and for all.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Folders of plugins.
    #[serde(default)]
    pub plugin_path: Vec<PathBuf>,
}

/// Where the settings stand: `$XDG_CONFIG_HOME`, else `~/.config`, `%APPDATA%` on Windows.
fn file() -> Option<PathBuf> {
    let folder = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|p| p.is_absolute());
    let base = if cfg!(windows) {
        folder("APPDATA")
    } else {
        folder("XDG_CONFIG_HOME").or_else(|| folder("HOME").map(|home| home.join(".config")))
    };
    base.map(|base| base.join("stillair").join("settings.toml"))
}

/// Reads the settings; none are as good as empty ones.
pub fn read() -> Result<Settings, Failure> {
    let Some(path) = file() else { return Ok(Settings::default()) };
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Settings::default()),
        Err(error) => return Err(Failure::request(format!("{}: {error}", path.display()), "make it readable")),
    };
    toml::from_str(&text).map_err(|e| {
        Failure::request(format!("{}: {e}", path.display()), "the one setting is plugin_path = [\"/a/folder\"]")
    })
}
