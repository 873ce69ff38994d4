//! Which names a pack may hold.

use super::{MANIFEST, PLUGINS, RECIPE, RECORD, RESULTS};

/// Longest name.
const LONGEST: usize = 120;

/// Why a name cannot stand in a pack; `None` if it can.
pub(super) fn refusal(name: &[u8]) -> Option<String> {
    if name.len() > LONGEST {
        return Some(format!("a name is {} bytes long, {LONGEST} are allowed", name.len()));
    }
    let Ok(name) = std::str::from_utf8(name) else { return Some("a name is not UTF-8".into()) };
    let shown = name.escape_default();
    if name.is_empty() || name.chars().any(char::is_control) {
        return Some(format!("`{shown}` is no name"));
    }
    if name.starts_with('/') || name.as_bytes().get(1) == Some(&b':') {
        return Some(format!("`{shown}` is an absolute path"));
    }
    if name.contains('\\') {
        return Some(format!("`{shown}` holds a backslash"));
    }
    if name.split('/').any(|part| part == ".." || part == ".") {
        return Some(format!("`{shown}` leads out of the pack"));
    }
    let known = [MANIFEST, RECIPE, RECORD, PLUGINS].contains(&name);
    let result = name.strip_prefix(RESULTS).is_some_and(plain);
    (!known && !result).then(|| format!("`{shown}` is none of a pack's files"))
}

/// Whether a result's name is safe on every system.
pub(super) fn plain(name: &str) -> bool {
    let allowed = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b'_');
    name.bytes().all(allowed) && name.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_packs_own_names_pass() {
        for name in ["pack.json", "recipe.toml", "run.json", "plugins.lock", "results/picture.png"] {
            assert_eq!(refusal(name.as_bytes()), None, "{name}");
        }
        for (name, why) in [
            ("../recipe.toml", "leads out"),
            ("results/../../x.png", "leads out"),
            ("/etc/passwd", "absolute"),
            ("C:/x.png", "absolute"),
            ("results\\x.png", "backslash"),
            ("results/", "none of"),
            ("results/.hidden", "none of"),
            ("results/a/b.png", "none of"),
            ("results/a\u{202e}gnp.png", "none of"),
            ("libevil.so", "none of"),
            ("results/a\nb", "no name"),
            ("", "no name"),
        ] {
            assert!(refusal(name.as_bytes()).is_some_and(|words| words.contains(why)), "{name}");
        }
        assert!(refusal(b"results/\xff.png").unwrap().contains("UTF-8"));
        assert!(refusal(&[b'a'; 200]).unwrap().contains("200 bytes"));
    }
}
