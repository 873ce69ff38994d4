//! Plugins from shared libraries: they give the bits that linked ones give, and a hostile one costs itself only. The
//! libraries are built here by the system's C compiler and by cargo. What is right is defined by the linked build and
//! by the rules of the boundary, so no outside reference applies; `cc` is the outside witness of the header.

mod support;

use std::path::{Path, PathBuf};
use std::process::Command;

use support::{Said, folder, stillair, workspace, write_clip};

/// Builds a library from C; gives its file in `place`.
fn cc(source: &Path, include: &Path, defines: &[&str], place: &Path, name: &str) -> PathBuf {
    let library = place.join(format!("{}{name}{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX));
    let done = Command::new("cc")
        .args(["-std=c11", "-O2", "-fPIC", "-shared", "-o"])
        .arg(&library)
        .args(defines.iter().map(|d| format!("-D{d}")))
        .arg("-I")
        .arg(include)
        .arg(source)
        .output()
        .expect("a C compiler `cc` is needed for this test");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    library
}

fn data() -> PathBuf {
    workspace().join("tests/data/plugins")
}

fn header() -> PathBuf {
    workspace().join("core/api/include")
}

fn hostile(defines: &[&str], place: &Path, name: &str) -> PathBuf {
    cc(&data().join("hostile.c"), &header(), defines, place, name)
}

/// Builds the shared libraries of a workspace with cargo (a finished build is only looked at); gives their folder. All its
/// packages at once, as the tests themselves are built: with the features alone that some of them ask of their
/// dependencies, those would be built once more, and all that needs them.
fn cargo_examples(manifest: &Path, target: &Path) -> PathBuf {
    let mut command = Command::new(env!("CARGO"));
    command.args(["build", "--offline", "--workspace", "--examples", "--manifest-path"]).arg(manifest);
    let done = command.arg("--target-dir").arg(target).output().expect("cargo runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    target.join("debug/examples")
}

/// The target folder that this test was built in.
fn target() -> PathBuf {
    Path::new(env!("CARGO_BIN_EXE_stillair")).ancestors().nth(2).expect("target/profile/command").into()
}

/// Copies the shared library of every plugin crate into a folder.
fn all_libraries(place: &Path) {
    let plugins = std::fs::read_dir(workspace().join("plugins")).unwrap().map(|e| e.unwrap().path());
    let names: Vec<String> = plugins
        .filter(|p| p.join("examples/shared.rs").is_file())
        .map(|p| p.file_name().unwrap().to_string_lossy().into_owned())
        .collect();
    let built = cargo_examples(&workspace().join("Cargo.toml"), &target());
    for name in names {
        let file = format!("{}stillair_{name}_plugin{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
        std::fs::copy(built.join(&file), place.join(&file)).unwrap_or_else(|e| panic!("{file}: {e}"));
    }
}

fn lines(said: &Said) -> Vec<serde_json::Value> {
    said.out.lines().map(|l| serde_json::from_str(l).unwrap_or_else(|e| panic!("{e}: {l}"))).collect()
}

/// What `plugin list` says of the libraries of a folder.
fn listed(here: &Path, plugins: &str) -> Vec<serde_json::Value> {
    listed_with(here, plugins, &[])
}

fn listed_with(here: &Path, plugins: &str, more: &[&str]) -> Vec<serde_json::Value> {
    let list = ["plugin", "list", "--json", "--no-linked", "--plugin-path", plugins];
    let said = stillair(here, &[&list, more].concat());
    assert_eq!(said.code, Some(0), "{}", said.err);
    lines(&said).into_iter().filter(|l| !l["file"].is_null()).collect()
}

fn results(run: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found: Vec<(String, Vec<u8>)> = ["results", "tables"]
        .iter()
        .flat_map(|folder| std::fs::read_dir(run.join(folder)).unwrap())
        .map(|entry| entry.unwrap().path())
        .map(|path| (path.file_name().unwrap().to_string_lossy().into_owned(), std::fs::read(path).unwrap()))
        .collect();
    found.sort();
    found
}

fn only_run(out: &Path) -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir(out).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

#[test]
fn every_stage_loaded_gives_the_bits_of_every_stage_linked() {
    let here = folder("loaded");
    std::fs::create_dir(here.join("plugins")).unwrap();
    all_libraries(&here.join("plugins"));
    write_clip(&here.join("mono.ser"), 60);
    // The same samples behind a colour mosaic: colour id 8 in the header.
    let mut bytes = std::fs::read(here.join("mono.ser")).unwrap();
    bytes[18] = 8;
    std::fs::write(here.join("colour.ser"), bytes).unwrap();
    for (recipe, clip) in [("planet-colour", "colour.ser"), ("planet-mono", "mono.ser")] {
        let [linked, loaded] = [format!("{recipe}-linked"), format!("{recipe}-loaded")];
        let said = stillair(&here, &["run", recipe, clip, "--out", &linked]);
        assert_eq!(said.code, Some(0), "{}", said.err);
        let from = ["run", recipe, clip, "--out", &loaded, "--no-linked", "--plugin-path", "plugins"];
        let said = stillair(&here, &from);
        assert_eq!(said.code, Some(0), "{}", said.err);
        let (linked, loaded) = (results(&only_run(&here.join(linked))), results(&only_run(&here.join(loaded))));
        assert!(linked.len() >= 3);
        for ((name, a), (other, b)) in linked.iter().zip(&loaded) {
            assert_eq!(name, other);
            assert!(a == b, "{recipe}: {name} differs");
        }
        assert_eq!(linked.len(), loaded.len());
    }
}

#[test]
fn a_plugin_in_c_is_listed_checked_and_run() {
    let here = folder("plugin-c");
    std::fs::create_dir(here.join("plugins")).unwrap();
    let library = cc(&workspace().join("examples/plugin-c/steps.c"), &header(), &[], &here.join("plugins"), "steps");
    let found = listed(&here, "plugins");
    assert_eq!(found.len(), 1);
    assert_eq!(found[0]["methods"], serde_json::json!(["grade.steps"]));
    let said = stillair(&here, &["plugin", "check", library.to_str().unwrap()]);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    write_clip(&here.join("a.ser"), 40);
    let recipe = "schema = 1\nname = \"steps\"\nsummary = \"for the test\"\n\
        [inputs]\nclip = { type = \"frames\", help = \"the capture\" }\n\
        [step.found]\nuse = \"find.disc\"\nframes = \"@clip\"\n\
        [step.grades]\nuse = \"grade.steps\"\nframes = \"@clip\"\ntable = \"@found\"\nstep_px = 3\n\
        [results]\ngrades = \"@grades\"\n";
    std::fs::write(here.join("steps.toml"), recipe).unwrap();
    let said = stillair(&here, &["run", "steps.toml", "a.ser", "--plugin-path", "plugins"]);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    let table = results(&only_run(&here.join("runs"))).into_iter().find(|(n, _)| n == "frames.csv").unwrap().1;
    let table = String::from_utf8(table).unwrap();
    let head: Vec<&str> = table.lines().next().unwrap().split(',').collect();
    let column = head.iter().position(|c| c.ends_with("grade_steps")).expect("the plugin's column");
    let second: f64 = table.lines().nth(2).unwrap().split(',').nth(column).unwrap().parse().unwrap();
    // The same number from the clip's bytes, by the formula in the plugin's head.
    let bytes = std::fs::read(here.join("a.ser")).unwrap();
    let frame = &bytes[178 + 64 * 64..][..64 * 64];
    let sample = |p: usize| f64::from((f64::from(frame[p]) / 255.0) as f32);
    let pairs = || (0..64 * 64).filter(|p| p % 64 >= 3);
    let steps: f64 = pairs().map(|p| (sample(p) - sample(p - 3)).powi(2)).sum();
    let light: f64 = pairs().map(|p| sample(p).powi(2)).sum();
    let expected = 1000.0 * steps / light;
    assert!((second / expected - 1.0).abs() < 1e-6, "{second} {expected}");
}

#[test]
fn a_plugin_in_rust_from_outside_the_workspace_passes_the_check() {
    let here = folder("plugin-rust");
    let manifest = workspace().join("examples/plugin-rust/Cargo.toml");
    let built = cargo_examples(&manifest, &target().join("outside"));
    let name = format!("{}example_laplace_plugin{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    let said = stillair(&here, &["plugin", "check", built.join(name).to_str().unwrap()]);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    assert!(said.out.contains("sharpen.laplace") && said.out.contains("nothing to complain of"), "{}", said.out);
}

#[test]
fn a_new_plugin_passes_its_own_test() {
    let here = folder("plugin-new");
    let said = stillair(&here, &["plugin", "new", "crisp-edges"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let done = Command::new(env!("CARGO"))
        .args(["test", "--offline", "--target-dir"])
        .arg(target().join("outside"))
        .current_dir(here.join("crisp-edges"))
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success() && text.contains("1 passed"), "{text}");
    let again = stillair(&here, &["plugin", "new", "crisp-edges"]);
    assert_eq!(again.code, Some(2));
    assert!(again.err.contains("stands already"), "{}", again.err);
    let bad = stillair(&here, &["plugin", "new", "../up"]);
    assert_eq!(bad.code, Some(2));
}

#[test]
fn a_plugin_of_the_first_revision_goes_on_working() {
    let here = folder("plugin-old");
    let library = cc(&data().join("revision-1.c"), &data(), &[], &here, "old");
    let said = stillair(&here, &["plugin", "check", library.to_str().unwrap()]);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    assert!(said.out.contains("stack.plain: 45 of 45 trials"), "{}", said.out);
}

#[test]
fn a_library_that_breaks_the_rules_is_refused_with_the_reason() {
    for (define, reason) in [
        ("WRONG_VERSION", "version 99 of the plugin boundary, this program has version 1"),
        ("SHORT_TABLE", "the plugin's table says it has 24 bytes"),
        ("NULL_TABLE", "the plugin gave no table"),
        ("NULL_METHODS", "the plugin's methods is a null pointer"),
        ("MANY_METHODS", "methods"),
        ("NULL_METHOD", "a method's table is a null pointer"),
        ("SHORT_METHOD", "a method's table says it has 64 bytes"),
        ("NULL_FUNCTION", "grade.hostile lacks the function `frame`"),
        ("NO_DESCRIPTION", "gives no description"),
        ("BAD_JSON", "not the catalogue's JSON"),
        ("BAD_UTF8", "not UTF-8"),
        ("BAD_ID", "the plugin's id is not UTF-8"),
        ("LONG_ID", "the plugin's id is a null pointer"),
        ("FAILS_SILENTLY", "did not say why"),
        ("TWICE", "has the method grade.hostile twice"),
        ("CRASH_DESCRIBING", "it crashed the process that looked into it"),
        ("CRASH_LOADING", "it crashed the process that looked into it"),
    ] {
        let here = folder(&format!("hostile-{define}"));
        let library = hostile(&[define], &here, "hostile");
        // A good neighbour is not harmed.
        hostile(&["ID=\"good\""], &here, "neighbour");
        let found = listed(&here, ".");
        let of = |name: &str| found.iter().find(|l| l["file"]["path"].as_str().unwrap().contains(name)).unwrap();
        let refused = of("libhostile")["refused"].as_str().unwrap_or_else(|| panic!("{define} is not refused"));
        assert!(refused.contains(reason), "{define}: {refused}");
        assert!(refused.contains(library.file_name().unwrap().to_str().unwrap()), "{define}: {refused}");
        assert_eq!(of("libneighbour")["plugin"], "good", "{define}");
    }
}

#[test]
fn a_refused_library_costs_a_line_and_the_run_goes_on() {
    let here = folder("hostile-run");
    hostile(&["CRASH_LOADING"], &here, "hostile");
    let said = stillair(&here, &["methods", "grade", "--plugin-path", "."]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.err.contains("plugin refused") && said.err.contains("libhostile"), "{}", said.err);
    assert!(said.out.contains("grade.gradient"), "{}", said.out);
}

#[test]
fn a_file_that_is_no_library_is_refused() {
    let here = folder("hostile-text");
    let name = format!("libtext{}", std::env::consts::DLL_SUFFIX);
    std::fs::write(here.join(&name), "no library at all").unwrap();
    let other = cc(&data().join("revision-1.c"), &data(), &["stillair_plugin=something_else"], &here, "other");
    let found = listed(&here, ".");
    let of =
        |n: &str| found.iter().find(|l| l["file"]["path"].as_str().unwrap().ends_with(n)).unwrap()["refused"].clone();
    assert!(of(&name).as_str().unwrap().contains("not a shared library"), "{found:?}");
    let other = of(other.file_name().unwrap().to_str().unwrap());
    assert!(other.as_str().unwrap().contains("does not export `stillair_plugin`"), "{found:?}");
}

#[test]
fn duplicates_name_both_files() {
    let here = folder("hostile-twins");
    let a = hostile(&[], &here, "a");
    let b = hostile(&["TWIN"], &here, "b");
    let found = listed(&here, ".");
    assert_eq!(found.len(), 2);
    for one in found {
        let refused = one["refused"].as_str().expect("refused");
        for file in [&a, &b] {
            assert!(refused.contains(file.file_name().unwrap().to_str().unwrap()), "{refused}");
        }
    }
    // The same bytes under two names are one plugin.
    std::fs::copy(&a, &b).unwrap();
    let found = listed(&here, ".");
    assert!(found.len() == 1 && found[0]["plugin"] == "hostile", "{found:?}");
    // A loaded plugin does not push a linked one aside either.
    let linked = folder("hostile-linked");
    std::fs::create_dir(linked.join("plugins")).unwrap();
    let built = cargo_examples(&workspace().join("Cargo.toml"), &target());
    let name = format!("{}stillair_find_plugin{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    std::fs::copy(built.join(&name), linked.join("plugins").join(&name)).unwrap();
    let said = stillair(&linked, &["methods", "--plugin-path", "plugins"]);
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("stillair-find (linked)") && said.err.contains(&name), "{}", said.err);
}

#[cfg(unix)]
#[test]
fn nothing_is_loaded_from_where_anybody_may_write() {
    use std::os::unix::fs::PermissionsExt;
    let here = folder("hostile-open");
    let mode = |path: &Path, mode: u32| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    std::fs::create_dir_all(here.join("plugins/inner")).unwrap();
    let library = hostile(&[], &here.join("plugins/inner"), "a");
    mode(&library, 0o666);
    let found = listed(&here, "plugins/inner");
    assert!(found[0]["refused"].as_str().unwrap().contains("anybody may write there"), "{found:?}");
    mode(&library, 0o644);
    for folder in ["plugins/inner", "plugins"] {
        mode(&here.join(folder), 0o777);
        let said = stillair(&here, &["plugin", "list", "--plugin-path", "plugins/inner"]);
        assert_eq!(said.code, Some(2), "{}", said.out);
        assert!(said.err.contains("anybody may write there") && said.err.contains("chmod o-w"), "{}", said.err);
        mode(&here.join(folder), 0o755);
    }
    assert_eq!(listed(&here, "plugins/inner")[0]["plugin"], "hostile");
}

#[test]
fn a_lock_holds_plugins_to_their_bytes() {
    let here = folder("locked");
    let library = hostile(&[], &here, "a");
    let said = stillair(&here, &["plugin", "lock", "--plugin-path", "."]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let lock = std::fs::read_to_string(here.join("plugins.lock")).unwrap();
    assert!(lock.contains("id = \"hostile\"") && lock.contains("version = \"1.0.0\""), "{lock}");
    assert_eq!(listed(&here, ".")[0]["plugin"], "hostile");
    // Other bytes, and a library that the lock does not know, are refused before their code runs.
    std::fs::remove_file(&library).unwrap();
    hostile(&["CRASH_LOADING"], &here, "a");
    hostile(&["CRASH_LOADING", "ID=\"new\""], &here, "b");
    let found = listed(&here, ".");
    assert!(found[0]["refused"].as_str().unwrap().contains("its bytes are"), "{found:?}");
    assert!(found[1]["refused"].as_str().unwrap().contains("not in plugins.lock"), "{found:?}");
}

#[test]
fn the_check_finds_what_only_shows_at_work() {
    for (define, complaint) in [
        ("CRASH_IN_RUN", "crashed the process that tried it"),
        ("TOO_MANY_VALUES", "gave 2 values for 1 columns"),
        ("NULL_VALUES", "a row is a null pointer"),
        ("NOT_THE_SAME", "the same call again gave other bits"),
    ] {
        let here = folder(&format!("checked-{define}"));
        let library = hostile(&[define], &here, "hostile");
        let said = stillair(&here, &["plugin", "check", library.to_str().unwrap()]);
        assert_eq!(said.code, Some(1), "{define}: {}{}", said.out, said.err);
        let text = said.out + &said.err;
        assert!(text.contains(complaint), "{define}: {text}");
    }
}

/// How often the code of a counted library has run.
#[cfg(unix)]
fn loads(count: &Path) -> usize {
    std::fs::read(count).map_or(0, |bytes| bytes.len())
}

#[cfg(target_os = "linux")]
#[test]
fn what_a_look_has_found_is_remembered_of_the_same_bytes_alone() {
    let here = folder("remembered");
    std::fs::create_dir(here.join("plugins")).unwrap();
    let count = here.join("count");
    let counted = format!("COUNTED={:?}", count.to_str().unwrap());
    let place = here.join("plugins");
    let library = hostile(&[&counted], &place, "a");
    let list = |more: &[&str]| listed_with(&here, "plugins", more).remove(0);
    let cached = ["--cache", "cache"];
    for _ in 0..2 {
        let found = list(&cached);
        assert_eq!((&found["plugin"], &found["methods"][0]), (&"hostile".into(), &"grade.hostile".into()));
        assert_eq!(loads(&count), 1);
    }
    list(&["--cache", "cache", "--rehash"]);
    assert_eq!(loads(&count), 2);
    list(&[]);
    assert_eq!(loads(&count), 3);
    // A run or a list of methods loads it for itself, without another look.
    let methods = ["methods", "grade", "--plugin-path", "plugins", "--cache", "cache"];
    let said = stillair(&here, &methods);
    assert!(said.code == Some(0) && said.out.contains("grade.hostile"), "{}{}", said.out, said.err);
    assert_eq!(loads(&count), 4);
    // Other bytes under the same name: another plugin, then one that crashes, which is never taken for known.
    let first = std::fs::read(&library).unwrap();
    std::fs::remove_file(&library).unwrap();
    hostile(&[&counted, "ID=\"other\""], &place, "a");
    assert_eq!(list(&cached)["plugin"], "other");
    assert_eq!(loads(&count), 5);
    std::fs::remove_file(&library).unwrap();
    hostile(&["CRASH_LOADING"], &place, "a");
    for _ in 0..2 {
        let refused = list(&cached)["refused"].as_str().expect("refused").to_string();
        assert!(refused.contains("it crashed the process that looked into it"), "{refused}");
        let said = stillair(&here, &methods);
        assert!(said.code == Some(0) && said.err.contains("plugin refused"), "{}{}", said.out, said.err);
    }
    // The first bytes again are known again; a lock that knows others refuses them unseen.
    std::fs::write(&library, first).unwrap();
    assert_eq!(list(&cached)["plugin"], "hostile");
    assert_eq!(loads(&count), 5);
    let said = stillair(&here, &["plugin", "check", library.to_str().unwrap(), "--cache", "cache"]);
    assert!(said.out.contains("grade.hostile"), "{}{}", said.out, said.err);
    let before = loads(&count);
    assert!(before > 5, "a check always runs the library");
    let said = stillair(&here, &["plugin", "lock", "--plugin-path", "plugins", "--cache", "cache"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(loads(&count), before + 1, "a lock is never written from memory");
    std::fs::remove_file(&library).unwrap();
    hostile(&[&counted, "ID=\"other\""], &place, "a");
    let refused = list(&cached)["refused"].as_str().expect("refused").to_string();
    assert!(refused.contains("its bytes are"), "{refused}");
    assert_eq!(loads(&count), before + 1);
}

#[cfg(target_os = "linux")]
#[test]
fn a_library_that_brings_another_along_is_looked_into_every_time() {
    let here = folder("brings");
    std::fs::create_dir(here.join("plugins")).unwrap();
    let (count, other) = (here.join("count"), hostile(&[], &here, "other"));
    let counted = format!("COUNTED={:?}", count.to_str().unwrap());
    let brings = format!("BRINGS={:?}", other.to_str().unwrap());
    hostile(&[&counted, &brings], &here.join("plugins"), "a");
    let list = || listed_with(&here, "plugins", &["--cache", "cache"]).remove(0);
    for looks in 1..=2 {
        assert_eq!(list()["plugin"], "hostile");
        assert_eq!(loads(&count), looks);
    }
    // The same bytes, but what they bring along is another library now.
    std::fs::remove_file(&other).unwrap();
    hostile(&["CRASH_LOADING"], &here, "other");
    assert!(list()["refused"].as_str().expect("refused").contains("it crashed the process"));
    let said = stillair(&here, &["methods", "grade", "--plugin-path", "plugins", "--cache", "cache"]);
    assert!(said.code == Some(0) && said.err.contains("plugin refused"), "{}{}", said.out, said.err);
}
