//! Damaged at random, no file makes a reader panic, or take more memory than a small file can ask for.
//!
//! Seeds are the files of tests/data. For longer:
//! `PROPTEST_CASES=1000000 cargo test --release -p stillair-decode --test all mutations::`.

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::common::{data, open};
use proptest::prelude::*;
use stillair_api::Frame;

/// One thing that can happen to a file.
#[derive(Debug, Clone)]
enum Damage {
    /// A byte becomes another.
    Byte(usize, u8),
    /// Four bytes become a number of a kind that breaks sums.
    Word(usize, u32),
    /// The rest is lost.
    Cut(usize),
    /// A piece is doubled.
    Double(usize, usize),
    /// A piece is lost.
    Lose(usize, usize),
}

fn damage() -> impl Strategy<Value = Damage> {
    let word = prop_oneof![
        Just(0u32),
        Just(1),
        Just(u32::MAX),
        Just(i32::MAX as u32),
        Just(0x8000_0000),
        Just(0x0100_0000),
        Just(0xffff),
        any::<u32>()
    ];
    prop_oneof![
        4 => (any::<usize>(), any::<u8>()).prop_map(|(at, byte)| Damage::Byte(at, byte)),
        4 => (any::<usize>(), word).prop_map(|(at, word)| Damage::Word(at, word)),
        1 => any::<usize>().prop_map(Damage::Cut),
        1 => (any::<usize>(), 1..64usize).prop_map(|(at, len)| Damage::Double(at, len)),
        1 => (any::<usize>(), 1..64usize).prop_map(|(at, len)| Damage::Lose(at, len)),
    ]
}

/// Most damage goes where headers are.
fn place(at: usize, len: usize) -> usize {
    if at.is_multiple_of(4) { at / 4 % len } else { at / 4 % len.min(512) }
}

fn harm(bytes: &mut Vec<u8>, damage: &Damage) {
    if bytes.is_empty() {
        return;
    }
    let len = bytes.len();
    match *damage {
        Damage::Byte(at, byte) => bytes[place(at, len)] = byte,
        Damage::Word(at, word) => {
            let at = place(at, len);
            let end = (at + 4).min(len);
            bytes[at..end].copy_from_slice(&word.to_le_bytes()[..end - at]);
        }
        Damage::Cut(at) => bytes.truncate(at % len),
        Damage::Double(at, piece) => {
            let at = place(at, len);
            let copy = bytes[at..(at + piece).min(len)].to_vec();
            bytes.splice(at..at, copy);
        }
        Damage::Lose(at, piece) => {
            let at = place(at, len);
            bytes.drain(at..(at + piece).min(len));
        }
    }
}

fn seeds(extension: &str) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = ["good", "broken"]
        .iter()
        .flat_map(|folder| std::fs::read_dir(data(folder)).expect("a folder"))
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == extension))
        .collect();
    found.sort();
    found
}

/// Most memory that the process ever held, where the system says so.
fn peak_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kib| kib * 1024)
}

/// Opens a damaged file and reads what it claims to hold.
fn try_file(method: &str, path: &Path) {
    let Ok(clip) = open(method, path) else { return };
    let info = clip.info();
    assert!(info.frames > 0 && info.width > 0 && info.height > 0);
    assert_eq!(info.time_s.len(), info.frames);
    assert!(info.white_level > 0.0);
    let (mut bytes, mut frame) = (Vec::new(), Frame::empty());
    for index in [0, info.frames / 2, info.frames - 1] {
        if clip.read(index, info.region(), &mut bytes, &mut frame).is_ok() {
            assert_eq!(frame.data.len(), info.width * info.height * info.layout.planes());
        }
    }
}

macro_rules! mutations {
    ($($name:ident: $method:literal, $extension:literal;)*) => {$(
        proptest! {
            #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
            #[test]
            fn $name(seed in any::<prop::sample::Index>(), harms in prop::collection::vec(damage(), 1..8)) {
                let seeds = seeds($extension);
                let mut bytes = std::fs::read(&seeds[seed.index(seeds.len())]).expect("read");
                harms.iter().for_each(|damage| harm(&mut bytes, damage));
                let mut file = tempfile::NamedTempFile::new().expect("a file");
                file.write_all(&bytes).expect("written");
                try_file($method, file.path());
                if let Some(peak) = peak_bytes() {
                    prop_assert!(peak < 100_000_000, "{peak} bytes were held");
                }
            }
        }
    )*};
}

mutations! {
    damaged_ser_clips_do_no_harm: "decode.ser", "ser";
    damaged_avi_clips_do_no_harm: "decode.avi", "avi";
    damaged_fits_files_do_no_harm: "decode.fits", "fits";
    damaged_tiff_pictures_do_no_harm: "decode.tiff", "tif";
    damaged_png_pictures_do_no_harm: "decode.png", "png";
}
