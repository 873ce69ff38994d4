//! Clips for timing: the head of a small one with the size replaced, and noise.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;

use super::common::good;

pub const WIDTH: usize = 640;
pub const HEIGHT: usize = 480;
pub const FRAMES: usize = 64;

/// A clip in a folder of its own: a header of a small one with the size replaced, and noise.
pub fn clip(like: &str, frame_bytes: usize) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join(like);
    let mut header = std::fs::read(good(like)).expect("read")[..178].to_vec();
    for (at, number) in [(26, WIDTH), (30, HEIGHT), (38, FRAMES)] {
        header[at..at + 4].copy_from_slice(&(number as i32).to_le_bytes());
    }
    let frame: Vec<u8> = (0..frame_bytes).map(|i| ((i * 2_654_435_761) >> 13) as u8).collect();
    let mut file = File::create(&path).expect("made");
    file.write_all(&header).expect("written");
    (0..FRAMES).for_each(|_| file.write_all(&frame).expect("written"));
    (folder, path)
}

/// An AVI clip of packed luma and chroma (or any format), made of a header, frame chunks and nothing else.
pub fn avi_clip(compression: &[u8; 4], bits: u16, frame_bytes: usize) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("clip.avi");
    let mut head = std::fs::read(good("own_y800_no_index.avi")).expect("read");
    let strf = head.windows(4).position(|w| w == b"strf").expect("a format") + 8;
    for (at, number) in [(strf + 4, WIDTH), (strf + 8, HEIGHT)] {
        head[at..at + 4].copy_from_slice(&(number as i32).to_le_bytes());
    }
    head[strf + 14..strf + 16].copy_from_slice(&bits.to_le_bytes());
    head[strf + 16..strf + 20].copy_from_slice(compression);
    let first = head.windows(4).position(|w| w == b"00db" || w == b"00dc").expect("a frame");
    let mut file = File::create(&path).expect("made");
    file.write_all(&head[..first]).expect("written");
    let frame: Vec<u8> = (0..frame_bytes).map(|i| ((i * 2_654_435_761) >> 13) as u8).collect();
    for _ in 0..FRAMES {
        file.write_all(b"00db").and_then(|()| file.write_all(&(frame_bytes as u32).to_le_bytes())).expect("written");
        file.write_all(&frame).expect("written");
    }
    (folder, path)
}
