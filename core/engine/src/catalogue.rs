//! The methods at hand, from every plugin that is linked or loaded.

use std::collections::BTreeMap;

use stillair_api::{Description, Method, Plugin};

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
}

/// All methods by name.
#[derive(Default)]
pub struct Catalogue {
    methods: BTreeMap<String, Listed>,
}

impl Catalogue {
    /// Collects the methods of plugins.
    ///
    /// # Errors
    /// If two plugins bring the same method: both are named.
    pub fn new(plugins: Vec<Plugin>) -> Result<Self, String> {
        let mut methods: BTreeMap<String, Listed> = BTreeMap::new();
        for plugin in plugins {
            for method in plugin.methods {
                let description = method.describe();
                let name = description.method.clone();
                let listed = Listed {
                    method,
                    description,
                    plugin: plugin.id.into(),
                    plugin_version: plugin.version.into(),
                };
                if let Some(first) = methods.insert(name.clone(), listed) {
                    return Err(format!("the method {name} is in both {} and {}", first.plugin, plugin.id));
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
