//! Recipes by file or by name.

use std::path::Path;

use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::{self, Given, InputDeclaration, Library, Override, RecipeText};
use stillair_engine::diagnostic::nearest;
use stillair_engine::pack::{self, Needed};
use stillair_engine::plan::Plan;

use crate::arguments::Global;
use crate::failure::Failure;

macro_rules! shipped {
    ($($name:literal),* $(,)?) => {
        /// Recipes that ship, by name.
        pub const SHIPPED: &[(&str, &str)] =
            &[$(($name, include_str!(concat!("../../../pipelines/", $name, ".toml")))),*];
    };
}

shipped!(
    "demo-clip",
    "master-bias",
    "master-dark",
    "master-flat",
    "planet-colour",
    "planet-mono",
    "planet-patches",
    "quick-look",
    "terrain",
    "terrain-panels"
);

/// Longest recipe that is read.
const MOST_BYTES: u64 = 1 << 20;

/// The recipes that ship, and those beside the recipe in hand.
pub struct Shelf<'a> {
    /// Folder of the recipe in hand.
    pub folder: Option<&'a Path>,
}

impl Library for Shelf<'_> {
    fn find(&self, name: &str) -> Option<RecipeText> {
        let plain = name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_');
        let beside = self.folder.map(|f| f.join(format!("{name}.toml"))).filter(|path| plain && path.is_file());
        match beside {
            Some(path) => read(&path).ok(),
            None => shipped(name),
        }
    }

    fn names(&self) -> Vec<String> {
        SHIPPED.iter().map(|(name, _)| (*name).to_string()).collect()
    }
}

fn shipped(name: &str) -> Option<RecipeText> {
    let (name, text) = SHIPPED.iter().find(|(n, _)| *n == name)?;
    Some(RecipeText { name: (*name).into(), path: format!("pipelines/{name}.toml").into(), text: (*text).into() })
}

fn read(path: &Path) -> Result<RecipeText, Failure> {
    use std::io::Read;
    let fault = |error: std::io::Error| {
        Failure::request(format!("cannot read the recipe {}: {error}", path.display()), "check the path")
    };
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(fault)?;
    file.take(MOST_BYTES).read_to_string(&mut text).map_err(fault)?;
    let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    Ok(RecipeText { name, path: path.into(), text })
}

/// Whether a file is a pack: it begins as a ZIP file does (APPNOTE 6.3.10, 4.3.7), or is called so.
fn is_pack(path: &Path) -> bool {
    use std::io::Read;
    let mut begin = [0; 4];
    let read = std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut begin));
    (read.is_ok() && begin == [0x50, 0x4b, 0x03, 0x04]) || path.extension().is_some_and(|e| e == "zip")
}

/// A recipe in hand.
pub struct Recipe {
    /// Its text.
    pub text: RecipeText,
    /// The inputs it declares.
    pub inputs: Vec<InputDeclaration>,
    /// The plugins that it was run with, for one that came in a pack.
    pub plugins: Vec<Needed>,
    /// Whether it came from a stranger: then it extends nothing that lies beside it.
    packed: bool,
}

impl Recipe {
    /// Finds a recipe: the name of one that ships, or a file.
    pub fn find(name: &str) -> Result<Self, Failure> {
        let path = Path::new(name);
        let looks_like_a_file = path.extension().is_some() || path.components().count() > 1;
        if is_pack(path) {
            let pack = pack::open(path)?;
            let text = RecipeText { name: pack.name, path: path.join("recipe.toml"), text: pack.recipe };
            let inputs = compile::inputs(&text, &Shelf { folder: None })?;
            return Ok(Self { text, inputs, plugins: pack.plugins, packed: true });
        }
        let text = match shipped(name) {
            Some(text) if !looks_like_a_file => text,
            _ if looks_like_a_file || path.is_file() => read(path)?,
            _ => {
                let names = SHIPPED.iter().map(|(name, _)| *name);
                let known = names.clone().collect::<Vec<_>>().join(", ");
                let remedy = match nearest(name, names) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("give a file, or one that ships: {known}"),
                };
                return Err(Failure::request(format!("there is no recipe `{name}`"), remedy));
            }
        };
        let inputs = compile::inputs(&text, &Shelf { folder: text.path.parent() })?;
        Ok(Self { text, inputs, plugins: Vec::new(), packed: false })
    }

    /// Compiles it for a number of files, with the settings of the command line.
    pub fn compile(&self, catalogue: &Catalogue, given: &Given, global: &Global) -> Result<Plan, Failure> {
        let overrides: Vec<_> = global.settings.iter().map(|text| Override::set(text)).collect();
        self.compile_with(catalogue, given, &overrides)
    }

    /// Compiles it for a number of files, with settings from anywhere.
    pub fn compile_with(&self, catalogue: &Catalogue, given: &Given, overrides: &[Override]) -> Result<Plan, Failure> {
        let shelf = Shelf { folder: self.text.path.parent().filter(|_| !self.packed) };
        crate::pack::plugins_at_hand(self, catalogue)?;
        Ok(compile::compile(&self.text, catalogue, given, overrides, &shelf)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The folder of recipes is the list's only outside witness.
    #[test]
    fn every_recipe_of_the_folder_ships() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../pipelines");
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|e| e == "toml"))
            .map(|path| path.file_stem().unwrap().to_str().unwrap().to_string())
            .collect();
        names.sort();
        assert_eq!(names, SHIPPED.iter().map(|(name, _)| *name).collect::<Vec<_>>());
    }
}
