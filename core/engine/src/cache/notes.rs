//! Short texts by what they depend on, noted beside the results.

use std::fs;
use std::io::Write as _;
use std::path::PathBuf;

use super::beside;

/// A folder of short texts, each with the hash of its key and bytes, so that a bit that flipped costs the note.
#[derive(Debug, Clone)]
pub struct Notes {
    pub(super) folder: PathBuf,
    pub(super) making: PathBuf,
    /// Whether what was noted before is believed.
    pub(super) believed: bool,
}

impl Notes {
    /// The text noted for a key, all of whose parts count.
    pub fn find(&self, key: &[&str]) -> Option<String> {
        let noted = fs::read_to_string(self.place(key)).ok().filter(|_| self.believed)?;
        let (check, text) = noted.split_once('\n')?;
        (check == checked(key, text)).then(|| text.to_string())
    }

    /// Notes a text. What cannot be noted is worked out again the next time.
    pub fn note(&self, key: &[&str], text: &str) {
        let content = format!("{}\n{text}", checked(key, text));
        let _ = beside(&self.making, &self.place(key), |file| {
            file.write_all(content.as_bytes())?;
            file.sync_data()
        });
    }

    fn place(&self, key: &[&str]) -> PathBuf {
        self.folder.join(checked(key, ""))
    }
}

/// blake3 of a key and a text; each part's length goes in, so that no two keys run together.
fn checked(key: &[&str], text: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    for part in key.iter().chain([&text]) {
        hasher.update(&(part.len() as u64).to_le_bytes()).update(part.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cache::Cache;

    /// Right is what was noted, under the same key, whole: by definition, no outside reference applies.
    #[test]
    fn a_note_is_found_by_its_whole_key_and_only_undamaged() {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::new(folder.path());
        let notes = cache.notes("looks");
        assert_eq!(notes.find(&["a", "bc"]), None);
        notes.note(&["a", "bc"], "two\nlines");
        assert_eq!(notes.find(&["a", "bc"]).as_deref(), Some("two\nlines"));
        assert_eq!(notes.find(&["ab", "c"]), None);
        assert_eq!(cache.notes("others").find(&["a", "bc"]), None);
        assert_eq!(Cache::new(folder.path()).rehashing().notes("looks").find(&["a", "bc"]), None);
        let place = notes.place(&["a", "bc"]);
        let mut bytes = fs::read(&place).unwrap();
        *bytes.last_mut().unwrap() ^= 1;
        fs::write(&place, bytes).unwrap();
        assert_eq!(notes.find(&["a", "bc"]), None);
        notes.note(&["a", "bc"], "again");
        assert_eq!(notes.find(&["a", "bc"]).as_deref(), Some("again"));
        cache.clear().unwrap();
        assert_eq!(notes.find(&["a", "bc"]), None);
    }
}
