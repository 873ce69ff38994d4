//! The methods at hand, from every plugin that is linked or loaded.

use std::collections::BTreeMap;

use stillair_api::{Description, Method, Plugin};

use crate::host::{Library, PluginFile};

/// A method with its description and origin.
pub struct Listed {
    /// The code.
    pub method: Box<dyn Method>,
    /// Its description, asked for once.
    pub description: Description,
    /// Identity of its plugin.
    pub plugin: String,
    /// Version of its plugin.
    pub plugin_version: String,
    /// The shared library it comes from; `None` for a linked one.
    pub file: Option<PluginFile>,
}

impl Listed {
    fn origin(&self) -> String {
        match &self.file {
            Some(file) => file.path.display().to_string(),
            None => format!("{} (linked)", self.plugin),
        }
    }
}

/// All methods by name.
#[derive(Default)]
pub struct Catalogue {
    methods: BTreeMap<String, Listed>,
}

impl Catalogue {
    /// Collects the methods of linked plugins.
    ///
    /// # Errors
    /// If two plugins bring the same method: both are named.
    pub fn new(plugins: Vec<Plugin>) -> Result<Self, String> {
        Self::with_loaded(plugins, Vec::new())
    }

    /// Collects the methods of linked plugins and of shared libraries.
    ///
    /// # Errors
    /// If two plugins bring the same method: both are named.
    pub fn with_loaded(linked: Vec<Plugin>, loaded: Vec<Library>) -> Result<Self, String> {
        let linked = linked.into_iter().map(|plugin| (plugin, None));
        let loaded = loaded.into_iter().map(|library| (library.plugin, Some(library.file)));
        let mut methods: BTreeMap<String, Listed> = BTreeMap::new();
        for (plugin, file) in linked.chain(loaded) {
            for method in plugin.methods {
                let description = method.describe();
                let name = description.method.clone();
                let listed = Listed {
                    method,
                    description,
                    plugin: plugin.id.into(),
                    plugin_version: plugin.version.into(),
                    file: file.clone(),
                };
                let origin = listed.origin();
                if let Some(first) = methods.insert(name.clone(), listed) {
                    return Err(format!("the method {name} is in both {} and {origin}", first.origin()));
                }
            }
        }
        Ok(Self { methods })
    }

    /// The method of that name.
    pub fn get(&self, name: &str) -> Option<&Listed> {
        self.methods.get(name)
    }

    /// All methods in the order of their names.
    pub fn all(&self) -> impl Iterator<Item = &Listed> {
        self.methods.values()
    }
}
