//! A plugin's table: what it must hold, and the methods in it.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};

use stillair_api::abi::prefix::{read, slice, text};
use stillair_api::abi::raw::{self, MethodTable, PluginTable};
use stillair_api::{Description, Fault, Method, Outcome, Plugin, Shape};

use super::call::Call;
use super::shapes::AdaptedMethod;

/// A plugin brings no more methods than this.
const MOST_METHODS: usize = 1000;

/// A method of a plugin.
pub(super) struct Loaded {
    /// As much of the table as both sides know.
    pub table: MethodTable,
    /// Where the table stands.
    pub address: *const MethodTable,
    pub description: Description,
    /// For a library that wants one call at a time.
    pub library: Option<Arc<Mutex<()>>>,
}

// SAFETY: a table is valid and unchanged to the end of the program; what its functions allow is kept by `locked`.
unsafe impl Send for Loaded {}
// SAFETY: as above.
unsafe impl Sync for Loaded {}

impl Loaded {
    pub fn lacks(&self, function: &str) -> Fault {
        Fault::internal(format!("{} lacks the function `{function}`", self.description.method))
    }

    fn check(&self) -> Outcome<()> {
        let table = &self.table;
        let shape = self.description.shape;
        let streams = matches!(shape, Shape::Source | Shape::Map | Shape::Measure | Shape::Reduce);
        let ends = matches!(shape, Shape::Reduce | Shape::Transform | Shape::Sink);
        let needed = [
            ("create", table.create.is_some(), true),
            ("destroy", table.destroy.is_some(), true),
            ("start", table.start.is_some(), true),
            ("stop", table.stop.is_some(), true),
            ("frame", table.frame.is_some(), streams),
            ("add", table.add.is_some(), shape == Shape::Reduce),
            ("drop_item", table.drop_item.is_some(), shape == Shape::Reduce),
            ("finish", table.finish.is_some(), ends),
            ("file_stem", table.file_stem.is_some(), shape == Shape::Sink),
            ("drop_worker", table.drop_worker.is_some(), table.worker.is_some()),
        ];
        match needed.iter().find(|(_, there, wanted)| *wanted && !there) {
            Some((name, ..)) => Err(self.lacks(name)),
            None => Ok(()),
        }
    }
}

/// The methods of a plugin's table.
///
/// # Errors
/// If the table is of another version, or broken; the fault says how.
///
/// # Safety
/// The pointer is null, or points to a table that a plugin's entry point gave, and whose pointers hold what they say.
pub unsafe fn adapt(pointer: *const PluginTable) -> Outcome<Plugin> {
    // SAFETY: as this function's.
    unsafe {
        version_of(pointer)?;
        let table = read(pointer, "the plugin's table")?;
        let id = text(table.id, "the plugin's id")?;
        let plain = |c: char| c.is_ascii_alphanumeric() || "-_".contains(c);
        if id.is_empty() || id.len() > 100 || !id.chars().all(plain) {
            return Err(Fault::internal(format!("{id:?} is no plugin's id: letters, digits, `-` and `_`")));
        }
        let version = text(table.version, "the plugin's version")?;
        if table.method_count > MOST_METHODS {
            return Err(Fault::internal(format!("{id} says it has {} methods", table.method_count)));
        }
        let library = Arc::new(Mutex::new(()));
        let mut methods: Vec<Box<dyn Method>> = Vec::new();
        let mut names = BTreeSet::new();
        for address in slice(table.methods, table.method_count, "the plugin's methods")? {
            let loaded = method(*address, &library)?;
            let name = loaded.description.method.clone();
            if !names.insert(name.clone()) {
                return Err(Fault::internal(format!("{id} has the method {name} twice")));
            }
            methods.push(Box::new(AdaptedMethod(Arc::new(loaded))));
        }
        // A plugin stays to the end of the program, and so do its names.
        Ok(Plugin { id: String::leak(id.into()), version: String::leak(version.into()), methods })
    }
}

/// # Safety
/// As [`adapt`].
unsafe fn version_of(pointer: *const PluginTable) -> Outcome<()> {
    let head = pointer.cast::<raw::Text>();
    if head.is_null() {
        return Err(Fault::internal("the plugin gave no table").remedy(format!(
            "it may want another version of the boundary than {}, which this program has",
            raw::STILLAIR_ABI
        )));
    }
    if !pointer.is_aligned() {
        return Err(Fault::internal("the plugin's table is misaligned"));
    }
    // SAFETY: in every version a table begins with its size and the version.
    let (size, abi) = unsafe { (pointer.cast::<usize>().read(), pointer.cast::<u32>().add(2).read()) };
    if size < 16 {
        return Err(Fault::internal(format!("the plugin's table says it has {size} bytes")));
    }
    if abi != raw::STILLAIR_ABI {
        let ours = raw::STILLAIR_ABI;
        return Err(Fault::request(format!(
            "it is built for version {abi} of the plugin boundary, this program has version {ours}"
        ))
        .remedy("build it again with the header or the crate of this program"));
    }
    Ok(())
}

/// # Safety
/// As [`adapt`].
unsafe fn method(address: *const MethodTable, library: &Arc<Mutex<()>>) -> Outcome<Loaded> {
    // SAFETY: as this function's.
    let table = unsafe { read(address, "a method's table")? };
    let describe = table.describe.ok_or_else(|| Fault::internal("a method lacks the function `describe`"))?;
    let call = Call::default();
    // SAFETY: as the boundary says.
    let status = unsafe { describe(address, call.handle()) };
    let json = call.end(status).map_err(|f| f.at("describe"))?.text;
    let json = json.ok_or_else(|| Fault::internal("a method gives no description"))?;
    let description: Description = serde_json::from_str(&json)
        .map_err(|e| Fault::internal(format!("a description that is not the catalogue's JSON: {e}")))?;
    if !description.method.contains('.') || description.method.len() > 100 {
        return Err(Fault::internal(format!("{:?} is no method's name: family.method", description.method)));
    }
    let one = table.threading == raw::STILLAIR_THREADS_ONE;
    let loaded = Loaded { table, address, description, library: one.then(|| library.clone()) };
    loaded.check()?;
    Ok(loaded)
}
