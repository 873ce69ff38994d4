//! Runs the built command and catches what it says.

use std::path::{Path, PathBuf};
use std::process::Command;

/// What the command said, and how it ended.
pub struct Said {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

/// Runs the command in a folder. Unless a cache is given, there is none: nobody's earlier results get in the way.
pub fn stillair(folder: &Path, arguments: &[&str]) -> Said {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stillair"));
    command.args(arguments).current_dir(folder);
    if !arguments.contains(&"--cache") {
        command.arg("--no-cache");
    }
    let done = command.output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Said { code: done.status.code(), out: text(done.stdout), err: text(done.stderr) }
}

/// A new folder for a test.
#[allow(dead_code)]
pub fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// The folder of the workspace.
#[allow(dead_code)]
pub fn workspace() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().unwrap()
}

/// Writes a mono clip of 8 bits: a bright disc of 24 px that wanders over 64 x 64 px, with a few px of blur that comes
/// and goes, noise from a counter, no times.
#[allow(dead_code)]
pub fn write_clip(path: &Path, frames: u32) {
    const SIDE: u32 = 64;
    // The format's signature, then reader id, colour id (mono), byte order, width, height, bits, frames.
    let mut bytes = vec![0x4c, 0x55, 0x43, 0x41, 0x4d, 0x2d, 0x52, 0x45, 0x43, 0x4f, 0x52, 0x44, 0x45, 0x52];
    for number in [0, 0, 0, SIDE, SIDE, 8, frames] {
        bytes.extend(number.to_le_bytes());
    }
    // Observer, instrument, telescope, two dates.
    bytes.resize(178, 0);
    for frame in 0..frames {
        let phase = f64::from(frame) * 0.37;
        let (x0, y0) = (32.0 + 6.0 * phase.sin(), 31.0 + 5.0 * (1.3 * phase).cos());
        let soft = 1.0 + 0.8 * (2.1 * phase).sin();
        for index in 0..SIDE * SIDE {
            let (dx, dy) = (f64::from(index % SIDE) - x0, f64::from(index / SIDE) - y0);
            let edge = 0.5 - 0.5 * (((dx * dx + dy * dy).sqrt() - 12.0) / soft).tanh();
            let belt = 1.0 - 0.3 * (dy * 0.9).sin().powi(2) * edge;
            let mut noise = (u64::from(frame) << 32 | u64::from(index)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            noise ^= noise >> 29;
            noise = noise.wrapping_mul(0xbf58_476d_1ce4_e5b9);
            let noise = (noise >> 40) as f64 / f64::from(1u32 << 24) - 0.5;
            bytes.push((12.0 + 170.0 * edge * belt + 8.0 * noise).round() as u8);
        }
    }
    std::fs::write(path, bytes).unwrap();
}
