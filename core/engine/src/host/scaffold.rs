//! A new plugin crate: the example's files under another name.

use std::path::{Path, PathBuf};

use stillair_api::{Fault, Outcome};

/// The example's files, by their places in a crate.
const FILES: &[(&str, &str)] = &[
    ("Cargo.toml", include_str!("../../../../examples/plugin-rust/Cargo.toml")),
    ("Cargo.lock", include_str!("../../../../examples/plugin-rust/Cargo.lock")),
    ("src/lib.rs", include_str!("../../../../examples/plugin-rust/src/lib.rs")),
    ("src/laplace.rs", include_str!("../../../../examples/plugin-rust/src/laplace.rs")),
    ("examples/shared.rs", include_str!("../../../../examples/plugin-rust/examples/shared.rs")),
];

/// Names that no module of a plugin can have: Rust's words (The Rust Reference, Keywords), its own crates, and what the
/// crate written here uses by that name.
const TAKEN: &[&str] = &[
    "abstract", "as", "async", "await", "become", "box", "break", "const", "continue", "crate", "do", "dyn", "else",
    "enum", "extern", "false", "final", "fn", "for", "gen", "if", "image", "impl", "in", "let", "lib", "loop", "macro",
    "match", "method", "mod", "move", "mut", "node", "override", "priv", "pub", "ref", "return", "self", "static",
    "std", "struct", "super", "trait", "true", "try", "type", "typeof", "unsafe", "unsized", "use", "value", "virtual",
    "where", "while", "yield",
];

/// Writes a crate with one working method and its test into a new folder. `api` is where the crate `stillair-api`
/// lies; without it the crate asks for the version of this program.
///
/// # Errors
/// If the name is no crate's name, or the folder stands already.
pub fn new_plugin(folder: &Path, name: &str, api: Option<&Path>) -> Outcome<Vec<PathBuf>> {
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let begins = name.starts_with(|c: char| c.is_ascii_lowercase());
    if !begins || !name.chars().all(plain) || name.ends_with('-') || name.len() > 60 {
        return Err(Fault::request(format!("`{name}` is no name for a plugin"))
            .remedy("use small letters, digits and `-`, and begin with a letter"));
    }
    if TAKEN.contains(&name) {
        return Err(Fault::request(format!("`{name}` means something else in Rust or in stillair-api"))
            .remedy(format!("choose another name, such as `my-{name}`")));
    }
    if folder.exists() {
        return Err(Fault::request(format!("{}: it stands already", folder.display())).remedy("choose another name"));
    }
    let snake = name.replace('-', "_");
    let capital = |part: &str| part[..1].to_uppercase() + &part[1..];
    let camel: String = name.split('-').filter(|part| !part.is_empty()).map(capital).collect();
    let api = match api {
        Some(path) => format!("{{ path = {:?} }}", path.display().to_string()),
        None => format!("{:?}", env!("CARGO_PKG_VERSION")),
    };
    let renamed = |text: &str| {
        text.replace("{ path = \"../../core/api\" }", &api)
            .replace("example-laplace", name)
            .replace("example_laplace", &snake)
            .replace("sharpen.laplace", &format!("sharpen.{name}"))
            .replace("mod laplace;", &format!("mod {snake};"))
            .replace("laplace::", &format!("{snake}::"))
            .replace("LaplaceNode", &format!("{camel}Node"))
            .replace("struct Laplace;", &format!("struct {camel};"))
            .replace("for Laplace {", &format!("for {camel} {{"))
            .replace("::Laplace)", &format!("::{camel})"))
            .replace(", outside of the workspace", "")
    };
    let mut written = Vec::new();
    for (place, text) in FILES {
        let path = folder.join(place.replace("laplace", &snake));
        let at = |e: std::io::Error| Fault::resource(format!("{}: {e}", path.display()));
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent).map_err(at)?;
        }
        std::fs::write(&path, renamed(text)).map_err(at)?;
        written.push(path);
    }
    Ok(written)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Keywords of The Rust Reference and names that the written crate uses: its module could not be called so.
    #[test]
    fn a_name_that_would_not_build_is_refused() {
        let here = tempfile::tempdir().unwrap();
        for name in ["match", "image", "lib"] {
            let refused = new_plugin(&here.path().join(name), name, None).unwrap_err().to_string();
            assert!(refused.contains(&format!("such as `my-{name}`")), "{refused}");
        }
        new_plugin(&here.path().join("my-match"), "my-match", None).unwrap();
    }
}
