//! The committed schemas and catalogue are those that the command prints. After a change of a method:
//!
//!     STILLAIR_WRITE=1 cargo test -p stillair --test all schemas::
//!
//! `tests/editor/check.py` holds the schemas against an editor's language server.

use crate::support::{folder, stillair, workspace};

fn committed(what: &str, file: &str) {
    let here = folder(&format!("schema-{what}"));
    let said = stillair(&here, &["schema", what]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let path = workspace().join("schema").join(file);
    if std::env::var_os("STILLAIR_WRITE").is_some() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, &said.out).unwrap();
    }
    let known = std::fs::read_to_string(&path).unwrap_or_default();
    // The files are long: where they part is told, not all of them.
    let parted = said.out.lines().zip(known.lines()).enumerate().find(|(_, (now, then))| now != then);
    assert!(
        said.out == known,
        "schema/{file} is not what `stillair schema {what}` prints: {parted:?}; renew it with \
         STILLAIR_WRITE=1 cargo test -p stillair --test all schemas::"
    );
}

#[test]
fn the_recipe_schema_is_the_committed_one() {
    committed("recipe", "recipe.schema.json");
}

#[test]
fn the_session_schema_is_the_committed_one() {
    committed("session", "session.schema.json");
}

#[test]
fn the_catalogue_is_the_committed_one() {
    committed("catalogue", "catalogue.json");
}
