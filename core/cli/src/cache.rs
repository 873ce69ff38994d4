//! `stillair cache`: where the cache of results is, how full, and its cap.

use std::path::PathBuf;
use std::sync::Arc;

use etcetera::BaseStrategy;
use serde_json::json;
use stillair_engine::cache;

use crate::arguments::{Cache, Global};
use crate::failure::Failure;
use crate::say;

/// Folder of the cache: the command line's, else `stillair` in the user's folder for caches; none if there is neither.
fn folder(global: &Global) -> Option<PathBuf> {
    let own = || etcetera::choose_base_strategy().ok().map(|place| place.cache_dir().join("stillair"));
    global.cache.clone().or_else(own)
}

/// The cache that runs use; none with `--no-cache`, or where nobody has a folder for it.
pub fn of_runs(global: &Global) -> Option<Arc<cache::Cache>> {
    let folder = folder(global).filter(|_| !global.no_cache)?;
    let cache = cache::Cache::new(&folder);
    Some(Arc::new(if global.rehash { cache.rehashing() } else { cache }))
}

/// Clears the cache or sets its cap, if asked to, and shows how full it is.
pub fn cache(verb: &Cache, global: &Global) -> Result<(), Failure> {
    let folder =
        folder(global).ok_or_else(|| Failure::request("there is no folder for caches", "give one with --cache DIR"))?;
    let mut cache = cache::Cache::new(&folder);
    if verb.clear {
        cache.clear()?;
    }
    if let Some(cap) = verb.cap {
        cache.set_cap(cap)?;
    }
    let status = cache.status();
    if global.json {
        say::json(&json!({
            "event": "cache", "folder": folder, "entries": status.entries, "bytes": status.bytes,
            "cap_bytes": status.cap_bytes,
        }));
        return Ok(());
    }
    let megabytes = |bytes: u64| format!("{:.1} MB", bytes as f64 / 1e6);
    say::out(&format!(
        "folder   {}\nholds    {} results, {}\ncap      {}",
        folder.display(),
        status.entries,
        megabytes(status.bytes),
        megabytes(status.cap_bytes)
    ));
    Ok(())
}
