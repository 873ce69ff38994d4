//! Packs: what they tell and what they keep to themselves, that a stranger's pack runs, and that hostile ones are refused
//! with the reason. Packs are taken apart and made here with the general-purpose crate `zip`; what a pack holds is defined
//! by the project alone. The header's layout is that of the SER format, version 3: observer, instrument and telescope are
//! 40 bytes each from byte 42.

use std::collections::BTreeMap;
use std::io::{Cursor, Read, Write};
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::support::{Said, folder, stillair, write_clip};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

type Members = BTreeMap<String, Vec<u8>>;

/// A clip whose header names an observer, an instrument and a telescope.
fn personal_clip(path: &Path) {
    write_clip(path, 40);
    let mut bytes = std::fs::read(path).unwrap();
    for (place, text) in [(42, "Anna Beispiel"), (82, "Seriennummer 4711"), (122, "Gartenteleskop")] {
        bytes[place..place + text.len()].copy_from_slice(text.as_bytes());
    }
    std::fs::write(path, bytes).unwrap();
}

const SESSION: &str = "[telescope]\naperture_mm = 105\n[camera]\nfilter = \"Beispielfilter\"\n[target]\nname = \"jupiter\"\n\
    [site]\nlatitude_deg = 47.3769\nlongitude_deg = 8.5417\nelevation_m = 431.25\n[time]\nutc_offset_s = -7200\n\
    [notes]\nwho = \"Anna Beispiel\"\n";

/// Runs the command as a user of that name.
fn as_anna(here: &Path, arguments: &[&str]) -> Said {
    let home = here.join("home-of-anna");
    std::fs::create_dir_all(&home).unwrap();
    let done = Command::new(env!("CARGO_BIN_EXE_stillair"))
        .args(arguments)
        .current_dir(here)
        .env("HOME", &home)
        .env("USER", "abeispiel")
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Said { code: done.status.code(), out: text(done.stdout), err: text(done.stderr) }
}

fn only_run(here: &Path) -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir(here.join("runs")).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

fn members(pack: &Path) -> Members {
    let mut archive = ZipArchive::new(std::fs::File::open(pack).unwrap()).unwrap();
    let mut found = Members::new();
    for index in 0..archive.len() {
        let mut file = archive.by_index(index).unwrap();
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).unwrap();
        found.insert(file.name().unwrap().into_owned(), bytes);
    }
    found
}

/// Whether bytes hold a word. A number counts only by itself: any four digits stand in some hash by chance.
fn holds(bytes: &[u8], word: &str) -> bool {
    let number = word.bytes().all(|b| b.is_ascii_digit());
    let alone = |at: usize| {
        let before = at.checked_sub(1).map(|i| bytes[i]);
        let after = bytes.get(at + word.len());
        !before.is_some_and(|b| b.is_ascii_alphanumeric() || b == b'.') && !after.is_some_and(u8::is_ascii_alphanumeric)
    };
    let found = |(at, window): (usize, &[u8])| window == word.as_bytes() && (!number || alone(at));
    bytes.windows(word.len()).enumerate().any(found)
}

#[test]
fn a_pack_tells_nothing_of_paths_people_and_places_unless_asked() {
    let here = folder("pack-private");
    personal_clip(&here.join("garden-of-anna.ser"));
    std::fs::write(here.join("garden-of-anna.session.toml"), SESSION).unwrap();
    // The steadied clip among the results carries the header on.
    let recipe = "schema = 1\nname = \"mine\"\nextends = \"planet-mono\"\n\
        [step.kept]\nuse = \"write.ser\"\nframes = \"@repaired\"\ntable = \"@weights\"\nname = \"steadied\"\n";
    std::fs::write(here.join("mine.toml"), recipe).unwrap();
    let said = as_anna(&here, &["run", "mine.toml", "garden-of-anna.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let run = only_run(&here);
    let name = run.file_name().unwrap().to_str().unwrap();
    let said = as_anna(&here, &["pack", name, "--out", "bare.zip"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("without results/steadied.ser"), "{}", said.out);
    let host = std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    let mut secret = vec![
        here.to_str().unwrap(),
        "home-of-anna",
        "abeispiel",
        "garden-of-anna",
        "Anna Beispiel",
        "Seriennummer 4711",
        "Gartenteleskop",
        "Beispielfilter",
        "47.3769",
        "8.5417",
        "431.25",
        "site.",
        "utc_offset",
        "7200",
    ];
    secret.extend(Some(host.trim()).filter(|host| host.len() >= 5));
    let packed = members(&here.join("bare.zip"));
    let raw = std::fs::read(here.join("bare.zip")).unwrap();
    for word in &secret {
        for (file, bytes) in &packed {
            assert!(!holds(bytes, word), "{file} tells `{word}`");
        }
        assert!(!holds(&raw, word), "the pack tells `{word}`");
    }
    // The record itself does know them: the words are no mistakes of this test.
    let record = std::fs::read(run.join("run.json")).unwrap();
    for word in ["garden-of-anna", "Anna Beispiel", "Gartenteleskop", "Beispielfilter", "47.3769"] {
        assert!(holds(&record, word), "{word}");
    }
    // What is told: the optics, the target, the numbers, the picture.
    let told: serde_json::Value = serde_json::from_slice(&packed["run.json"]).unwrap();
    assert_eq!(told["inputs"][0]["facts"]["telescope.aperture_mm"]["value"], 105.0);
    assert_eq!(told["inputs"][0]["facts"]["target.name"]["value"], "jupiter");
    assert_eq!(told["frames"]["total"], 40);
    assert_eq!(packed["results/picture.png"], std::fs::read(run.join("results/picture.png")).unwrap());
    assert!(holds(&packed["plugins.lock"], "stillair-stack"));

    let said = as_anna(&here, &["pack", name, "--out", "all.zip", "--with-site", "--with-observer", "--with-names"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let packed = members(&here.join("all.zip"));
    for word in ["47.3769", "Anna Beispiel", "Gartenteleskop", "garden-of-anna.ser", "Beispielfilter"] {
        assert!(holds(&packed["run.json"], word), "{word}");
    }
    assert!(packed.contains_key("results/steadied.ser"));
    for (file, bytes) in &packed {
        assert!(!holds(bytes, here.to_str().unwrap()) && !holds(bytes, "abeispiel"), "{file} tells a path or the user");
    }
    let again = as_anna(&here, &["pack", name, "--out", "all.zip"]);
    assert!(again.code == Some(2) && again.err.contains("stands already"), "{}", again.err);
}

#[test]
fn a_strangers_pack_runs_on_ones_own_clip() {
    let [there, here] = [folder("pack-stranger"), folder("pack-own")];
    write_clip(&there.join("theirs.ser"), 30);
    let said = stillair(&there, &["run", "planet-mono", "theirs.ser", "--set", "sharp.strength=0.5"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let name = only_run(&there).file_name().unwrap().to_str().unwrap().to_string();
    let pack = here.join("pack.zip");
    let said = stillair(&there, &["pack", &name, "--out", pack.to_str().unwrap()]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    // The same run gives the same bytes again.
    let said = stillair(&there, &["pack", &name, "--out", "again.zip"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(std::fs::read(&pack).unwrap() == std::fs::read(there.join("again.zip")).unwrap());

    write_clip(&here.join("own.ser"), 50);
    let checked = stillair(&here, &["check", "pack.zip"]);
    assert_eq!(checked.code, Some(0), "{}", checked.err);
    let said = stillair(&here, &["run", "pack.zip", "own.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let run = only_run(&here);
    assert!(run.to_str().unwrap().contains("planet-mono"), "{run:?}");
    let direct = ["run", "planet-mono", "own.ser", "--set", "sharp.strength=0.5", "--out", "direct"];
    assert_eq!(stillair(&here, &direct).code, Some(0));
    let other = std::fs::read_dir(here.join("direct")).unwrap().next().unwrap().unwrap().path();
    for file in ["results/stack.tif", "results/picture.tif"] {
        // Their provenance names the recipe's text, which may differ in its comments: the samples are the same.
        let pixels = |run: &Path| {
            let mut decoder = tiff::decoder::Decoder::new(Cursor::new(std::fs::read(run.join(file)).unwrap())).unwrap();
            decoder.read_image().map(|image| format!("{image:?}")).unwrap()
        };
        assert!(pixels(&run) == pixels(&other), "{file} differs");
    }
}

/// A good pack's members, made without a run.
fn good() -> Members {
    let recipe = "schema = 1\nname = \"tiny\"\nsummary = \"for the test\"\n\
        [inputs]\nclip = { type = \"frames\" }\n[step.found]\nuse = \"find.disc\"\nframes = \"@clip\"\n\
        [results]\nframes = \"@found\"\n";
    let plugins = "schema = 1\n";
    let mut members = Members::from([
        ("recipe.toml".to_string(), recipe.into()),
        ("run.json".to_string(), b"{}".to_vec()),
        ("plugins.lock".to_string(), plugins.into()),
    ]);
    manifest(&mut members);
    members
}

fn manifest(members: &mut Members) {
    members.remove("pack.json");
    let list: Vec<_> = members
        .iter()
        .map(|(file, bytes)| {
            let blake3 = blake3::hash(bytes).to_hex().to_string();
            serde_json::json!({ "file": file, "bytes": bytes.len(), "blake3": blake3 })
        })
        .collect();
    let manifest = serde_json::json!({ "format": 1, "recipe": "tiny", "members": list, "left_out": [] });
    members.insert("pack.json".into(), manifest.to_string().into());
}

fn stored() -> SimpleFileOptions {
    SimpleFileOptions::default().compression_method(CompressionMethod::Stored).unix_permissions(0o644)
}

fn zip_of(members: &Members, more: impl FnOnce(&mut ZipWriter<Cursor<Vec<u8>>>)) -> Vec<u8> {
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in members {
        writer.start_file(name, stored()).unwrap();
        writer.write_all(bytes).unwrap();
    }
    more(&mut writer);
    writer.finish().unwrap().into_inner()
}

/// A good pack with one more file.
fn with_file(name: &str, bytes: &[u8]) -> Vec<u8> {
    let mut members = good();
    members.insert(name.into(), bytes.to_vec());
    manifest(&mut members);
    zip_of(&members, |_| {})
}

fn replace(bytes: &mut [u8], from: &str, to: &str) {
    assert_eq!(from.len(), to.len());
    let places: Vec<usize> =
        (0..=bytes.len() - from.len()).filter(|at| &bytes[*at..at + from.len()] == from.as_bytes()).collect();
    assert!(!places.is_empty());
    places.into_iter().for_each(|at| bytes[at..at + to.len()].copy_from_slice(to.as_bytes()));
}

/// Sets bytes of every record that begins with a signature (APPNOTE 6.3.10: local headers 4.3.7, central 4.3.12).
fn patch(bytes: &mut [u8], signature: [u8; 4], offset: usize, value: &[u8]) {
    let places: Vec<usize> = (0..bytes.len() - 4).filter(|at| bytes[*at..at + 4] == signature).collect();
    assert!(!places.is_empty());
    places.into_iter().for_each(|at| bytes[at + offset..][..value.len()].copy_from_slice(value));
}

const LOCAL: [u8; 4] = [0x50, 0x4b, 3, 4];
const CENTRAL: [u8; 4] = [0x50, 0x4b, 1, 2];

/// What is said of a pack, which must be refused and leave nothing anywhere.
fn refused(name: &str, bytes: &[u8]) -> String {
    let here = folder(&format!("pack-hostile-{name}"));
    std::fs::create_dir(here.join("inner")).unwrap();
    std::fs::write(here.join("inner/pack.zip"), bytes).unwrap();
    write_clip(&here.join("inner/own.ser"), 3);
    let said = stillair(&here.join("inner"), &["run", "pack.zip", "own.ser"]);
    assert_eq!(said.code, Some(2), "{name}: {}{}", said.out, said.err);
    assert!(said.err.contains("pack.zip") && said.err.contains("refused"), "{name}: {}", said.err);
    let mut left: Vec<String> = ["inner", "."]
        .iter()
        .flat_map(|place| std::fs::read_dir(here.join(place)).unwrap())
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    left.sort();
    assert_eq!(left, ["inner", "own.ser", "pack.zip"], "{name} left something behind");
    said.err
}

#[track_caller]
fn refused_for(name: &str, bytes: &[u8], reason: &str) {
    let words = refused(name, bytes);
    assert!(words.contains(reason), "{name}: {words}");
}

#[test]
fn the_good_pack_of_these_tests_runs() {
    let here = folder("pack-good");
    std::fs::write(here.join("pack.zip"), zip_of(&good(), |_| {})).unwrap();
    write_clip(&here.join("own.ser"), 10);
    let said = stillair(&here, &["run", "pack.zip", "own.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(only_run(&here).join("results/frames.csv").is_file());
}

#[test]
fn a_path_that_leads_out_is_refused() {
    refused_for("traversal", &with_file("results/../../evil.png", b"x"), "leads out of the pack");
    refused_for("parent", &with_file("../evil.png", b"x"), "leads out of the pack");
    refused_for("backslash", &with_file("results\\evil.png", b"x"), "backslash");
}

#[test]
fn an_absolute_path_is_refused() {
    refused_for("absolute", &with_file("/tmp/evil.png", b"x"), "is an absolute path");
    refused_for("drive", &with_file("C:/evil.png", b"x"), "is an absolute path");
}

#[test]
fn a_bomb_is_refused() {
    // Ratio: 20 MB of nothing in 20 kB.
    let packed = |size: usize| {
        let mut members = good();
        members.insert("results/bomb.png".into(), vec![0; size]);
        manifest(&mut members);
        members.remove("results/bomb.png");
        zip_of(&members, |writer| {
            writer.start_file("results/bomb.png", stored().compression_method(CompressionMethod::Deflated)).unwrap();
            writer.write_all(&vec![0; size]).unwrap();
        })
    };
    refused_for("ratio", &packed(20 << 20), "would grow from");
    // One file that is too large, and many that are together: the directory says so, nothing is unpacked.
    refused_for("large", &packed(65 << 20), "bytes, 67108864 are allowed");
    let mut many = zip_of(&good(), |writer| {
        for number in 0..9 {
            writer.start_file(format!("results/{number}.png"), stored()).unwrap();
            writer.write_all(&[0; 100]).unwrap();
        }
    });
    // 60 MB each from 6 MB: both sizes are lies, but the sum comes first.
    patch(&mut many, CENTRAL, 20, &(6u32 << 20).to_le_bytes());
    patch(&mut many, CENTRAL, 24, &(60u32 << 20).to_le_bytes());
    refused_for("together", &many, "bytes, 536870912 are allowed");
    let crowd = zip_of(&good(), |writer| {
        for number in 0..300 {
            writer.start_file(format!("results/{number}.png"), stored()).unwrap();
        }
    });
    refused_for("crowd", &crowd, "it holds 304 files");
    // A record that goes on after the size it says.
    let mut lying = zip_of(&good(), |_| {});
    patch(&mut lying, CENTRAL, 24, &10u32.to_le_bytes());
    patch(&mut lying, LOCAL, 22, &10u32.to_le_bytes());
    refused("lying", &lying);
}

#[test]
fn a_link_is_refused() {
    let bytes = zip_of(&good(), |writer| writer.add_symlink("results/picture.png", "/etc/passwd", stored()).unwrap());
    refused_for("symlink", &bytes, "is not a plain file");
    // The recipe itself as a link; Unix modes stand in the upper half of the external attributes (4.4.15).
    let mut bytes = zip_of(&good(), |_| {});
    patch(&mut bytes, CENTRAL, 38, &(0o120_777u32 << 16).to_le_bytes());
    refused_for("symlink-recipe", &bytes, "is not a plain file");
    let mut bytes = zip_of(&good(), |_| {});
    patch(&mut bytes, CENTRAL, 38, &(0o020_666u32 << 16).to_le_bytes());
    refused_for("device", &bytes, "is not a plain file");
}

#[test]
fn names_that_are_too_long_are_refused() {
    refused_for("long", &with_file(&format!("results/{}.png", "a".repeat(3000)), b"x"), "3012 bytes long");
}

#[test]
fn names_that_are_no_packs_names_are_refused() {
    refused_for("library", &with_file("plugins/evil.so", b"x"), "none of a pack's files");
    refused_for("hidden", &with_file("results/.evil", b"x"), "none of a pack's files");
    let mut bytes = with_file("results/picture.png", b"x");
    replace(&mut bytes, "results/picture.png", "results/p\u{7}cture.png");
    refused_for("control", &bytes, "no name");
}

#[test]
fn names_that_come_twice_are_refused() {
    let mut members = good();
    members.insert("recipe.tomm".into(), b"schema = 1\n".to_vec());
    let mut bytes = zip_of(&members, |_| {});
    replace(&mut bytes, "recipe.tomm", "recipe.toml");
    refused_for("twice", &bytes, "the same name");
    let mut members = good();
    members.insert("results/a.png".into(), b"x".to_vec());
    members.insert("results/A.png".into(), b"x".to_vec());
    manifest(&mut members);
    refused_for("capitals", &zip_of(&members, |_| {}), "are called");
}

#[test]
fn what_is_encrypted_is_refused() {
    // Bit 0 of the general purpose flag (4.4.4).
    let mut bytes = zip_of(&good(), |_| {});
    patch(&mut bytes, CENTRAL, 8, &[1, 0]);
    patch(&mut bytes, LOCAL, 6, &[1, 0]);
    refused_for("encrypted", &bytes, "is encrypted");
}

#[test]
fn what_does_not_hold_together_is_refused() {
    refused_for("words", b"these are words, and no ZIP file at all", "not a readable ZIP file");
    let whole = zip_of(&good(), |_| {});
    refused_for("cut", &whole[..whole.len() / 2], "not a readable ZIP file");
    let mut members = good();
    members.insert("recipe.toml".into(), b"schema = 1\n# another one\n".to_vec());
    refused_for("swapped", &zip_of(&members, |_| {}), "is not the one that pack.json lists");
    let mut members = good();
    members.insert("results/extra.png".into(), b"x".to_vec());
    refused_for("unlisted", &zip_of(&members, |_| {}), "lists other files");
    let mut members = good();
    members.remove("plugins.lock");
    refused_for("missing", &zip_of(&members, |_| {}), "lists other files");
    let mut members = good();
    let manifest = String::from_utf8(members["pack.json"].clone()).unwrap().replace("\"tiny\"", "\"../tiny\"");
    members.insert("pack.json".into(), manifest.into());
    refused_for("named", &zip_of(&members, |_| {}), "is no name of a recipe");
    let mut members = good();
    members.insert("pack.json".into(), br#"{"format":9,"recipe":"tiny","members":[],"left_out":[]}"#.to_vec());
    refused_for("newer", &zip_of(&members, |_| {}), "format 9");
    // A local header that says another name than the directory.
    let mut bytes = zip_of(&good(), |_| {});
    let place = bytes.windows(4).position(|w| w == LOCAL).unwrap() + 30;
    bytes[place] = b'q';
    refused_for("two-faced", &bytes, "does not fit its files");
}

#[test]
fn a_plugin_that_is_not_at_hand_is_named() {
    let mut members = good();
    let plugins = "schema = 1\n[[plugin]]\nid = \"crisp\"\nversion = \"1.2.0\"\nmethods = [\"sharpen.crisp\"]\n\
        [[plugin]]\nid = \"stillair-find\"\nversion = \"9.9.9\"\nmethods = [\"find.disc\"]\n";
    members.insert("plugins.lock".into(), plugins.into());
    manifest(&mut members);
    let here = folder("pack-plugin");
    std::fs::write(here.join("pack.zip"), zip_of(&members, |_| {})).unwrap();
    write_clip(&here.join("own.ser"), 10);
    let said = stillair(&here, &["run", "pack.zip", "own.ser"]);
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("sharpen.crisp of the plugin crisp 1.2.0"), "{}", said.err);
    let plugins = plugins.split("[[plugin]]").last().map(|rest| format!("schema = 1\n[[plugin]]{rest}")).unwrap();
    members.insert("plugins.lock".into(), plugins.into());
    manifest(&mut members);
    std::fs::write(here.join("pack.zip"), zip_of(&members, |_| {})).unwrap();
    let said = stillair(&here, &["run", "pack.zip", "own.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.err.contains("the pack was made with stillair-find 9.9.9"), "{}", said.err);
}
