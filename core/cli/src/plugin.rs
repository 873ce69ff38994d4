//! `stillair plugin`: lists, checks, locks and begins plugins.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;

use serde_json::json;
use stillair_engine::host::{self, Child, Lock};

use crate::arguments::{Global, Plugin};
use crate::failure::Failure;
use crate::{plugins, say};

/// Does what is asked of plugins.
pub fn plugin(verb: &Plugin, global: &Global) -> Result<(), Failure> {
    match verb {
        Plugin::List => list(global),
        Plugin::Check { file } => check(file, global),
        Plugin::Lock => lock(global),
        Plugin::New { name, api } => new(name, api.clone()),
        Plugin::Look { alone, files } => {
            host::scanned_lines(files, *alone, &mut |line| say::out(line));
            Ok(())
        }
        Plugin::Try { file } => {
            // A line at a time: the last one tells where a library crashed.
            host::checked_lines(file, &mut |line| {
                say::out(line);
                let _ = std::io::stdout().flush();
            });
            Ok(())
        }
    }
}

/// This program again, for a look at a library from a safe distance.
pub fn child(verb: &str) -> Result<Child, Failure> {
    let program = std::env::current_exe().map_err(stillair_api::Fault::from)?;
    Ok(Child { program, arguments: vec!["plugin".into(), verb.into()] })
}

fn list(global: &Global) -> Result<(), Failure> {
    let scanned = plugins::scanned(global)?;
    if global.json {
        for plugin in plugins::linked_for(global) {
            let methods: Vec<String> = plugin.methods.iter().map(|m| m.describe().method).collect();
            say::json(&json!({ "plugin": plugin.id, "version": plugin.version, "methods": methods }));
        }
        for one in &scanned {
            say::json(&match &one.outcome {
                Ok(found) => {
                    let methods: Vec<&str> = found.methods.iter().map(|m| m.method.as_str()).collect();
                    json!({ "plugin": found.id, "version": found.version, "methods": methods, "file": one.file })
                }
                Err(why) => json!({ "file": one.file, "refused": why }),
            });
        }
        return Ok(());
    }
    let mut text = String::new();
    for plugin in plugins::linked_for(global) {
        let methods: Vec<String> = plugin.methods.iter().map(|m| m.describe().method).collect();
        let _ = writeln!(text, "{} {}, linked\n  {}", plugin.id, plugin.version, methods.join(", "));
    }
    for one in &scanned {
        let path = one.file.path.display();
        let _ = match &one.outcome {
            Ok(found) => {
                let methods: Vec<&str> = found.methods.iter().map(|m| m.method.as_str()).collect();
                writeln!(text, "{} {}, {path}\n  {}", found.id, found.version, methods.join(", "))
            }
            Err(why) => writeln!(text, "refused: {why}"),
        };
    }
    say::out(&text);
    Ok(())
}

fn check(file: &std::path::Path, global: &Global) -> Result<(), Failure> {
    let report = child("try")?.check(file)?;
    if global.json {
        say::json(&json!(report));
    } else {
        let mut text = format!("{}\n", report.plugin);
        for (method, tried) in &report.methods {
            let _ = writeln!(text, "  {method}: {tried}");
        }
        for complaint in &report.complaints {
            let _ = writeln!(text, "wrong: {complaint}");
        }
        if report.complaints.is_empty() {
            text.push_str("nothing to complain of\n");
        }
        say::out(&text);
    }
    match report.complaints.len() {
        0 => Ok(()),
        n => Err(stillair_api::Fault::data(format!("{}: {n} things are wrong", file.display())).into()),
    }
}

fn lock(global: &Global) -> Result<(), Failure> {
    let folders = plugins::folders(global)?;
    if folders.is_empty() {
        return Err(Failure::request("there is no plugin folder to lock", "name one with --plugin-path DIR"));
    }
    let scanned = host::scan_unlocked(&folders, &child("look")?)?;
    for one in &scanned {
        if let Err(why) = &one.outcome {
            say::note(&format!("warning: left out of the lock: {why}"));
        }
    }
    for folder in &folders {
        say::out(&Lock::write(folder, &scanned)?.display().to_string());
    }
    Ok(())
}

fn new(name: &str, api: Option<PathBuf>) -> Result<(), Failure> {
    // A program that was built on this machine knows where the crate lies.
    let beside = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../api");
    let api = api.or_else(|| beside.is_dir().then_some(beside)).and_then(|path| path.canonicalize().ok());
    let written = host::new_plugin(std::path::Path::new(name), name, api.as_deref())?;
    let snake = name.replace('-', "_");
    let mut text = String::new();
    for file in written {
        let _ = writeln!(text, "{}", file.display());
    }
    let _ = write!(
        text,
        "\nnext:\n  cd {name}\n  cargo test\n  cargo build --release --example {snake}_plugin\n  \
         stillair plugin check target/release/examples/{}{snake}_plugin{}\n",
        std::env::consts::DLL_PREFIX,
        std::env::consts::DLL_SUFFIX
    );
    say::out(&text);
    Ok(())
}
