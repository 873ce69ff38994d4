//! Frames per second of each reader against the plainest loop that reads the same bytes and widens them.
//! `cargo bench -p stillair-decode`

#[path = "../tests/common/mod.rs"]
mod common;

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::PathBuf;

use common::{good, open};
use divan::Bencher;
use divan::counter::ItemsCount;
use stillair_api::{Frame, Region};

const WIDTH: usize = 640;
const HEIGHT: usize = 480;
const FRAMES: usize = 64;

fn main() {
    divan::main();
}

/// A clip in a folder of its own: a header of a small one with the size replaced, and noise.
fn clip(like: &str, frame_bytes: usize) -> (tempfile::TempDir, PathBuf) {
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

fn read_clip(bencher: Bencher<'_, '_>, like: &str, frame_bytes: usize, region: Region) {
    let (_folder, path) = clip(like, frame_bytes);
    let reader = open("decode.auto", &path).expect("opens");
    let (mut bytes, mut frame) = (Vec::new(), Frame::empty());
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        for index in 0..FRAMES {
            reader.read(index, region, &mut bytes, &mut frame).expect("read");
            divan::black_box(&frame.data);
        }
    });
}

fn plain_loop(bencher: Bencher<'_, '_>, like: &str, frame_bytes: usize, widen: impl Fn(&[u8], &mut [f32])) {
    let (_folder, path) = clip(like, frame_bytes);
    let mut file = File::open(path).expect("opens");
    let (mut bytes, mut wide) = (vec![0; frame_bytes], vec![0.0; frame_bytes]);
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        file.seek(SeekFrom::Start(178)).expect("sought");
        for _ in 0..FRAMES {
            file.read_exact(&mut bytes).expect("read");
            widen(&bytes, &mut wide);
            divan::black_box(&wide);
        }
    });
}

const WHOLE: Region = Region { x: 0, y: 0, width: WIDTH, height: HEIGHT };

#[divan::bench]
fn ser_8_bit(bencher: Bencher<'_, '_>) {
    read_clip(bencher, "mono8.ser", WIDTH * HEIGHT, WHOLE);
}

#[divan::bench]
fn ser_8_bit_plain_loop(bencher: Bencher<'_, '_>) {
    plain_loop(bencher, "mono8.ser", WIDTH * HEIGHT, |bytes, wide| {
        wide.iter_mut().zip(bytes).for_each(|(w, b)| *w = f32::from(*b) / 255.0);
    });
}

#[divan::bench]
fn ser_8_bit_window(bencher: Bencher<'_, '_>) {
    read_clip(bencher, "mono8.ser", WIDTH * HEIGHT, Region { x: 256, y: 184, width: 128, height: 112 });
}

#[divan::bench]
fn ser_16_bit(bencher: Bencher<'_, '_>) {
    read_clip(bencher, "mono16_le_flag1.ser", WIDTH * HEIGHT * 2, WHOLE);
}

#[divan::bench]
fn ser_16_bit_plain_loop(bencher: Bencher<'_, '_>) {
    plain_loop(bencher, "mono16_le_flag1.ser", WIDTH * HEIGHT * 2, |bytes, wide| {
        let samples = bytes.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]]));
        wide.iter_mut().zip(samples).for_each(|(w, s)| *w = f32::from(s) / 65_535.0);
    });
}

#[divan::bench]
fn ser_rgb(bencher: Bencher<'_, '_>) {
    read_clip(bencher, "rgb8.ser", WIDTH * HEIGHT * 3, WHOLE);
}

#[divan::bench]
fn ser_bgr(bencher: Bencher<'_, '_>) {
    read_clip(bencher, "bgr8.ser", WIDTH * HEIGHT * 3, WHOLE);
}

#[divan::bench]
fn ser_rgb_plain_loop(bencher: Bencher<'_, '_>) {
    plain_loop(bencher, "rgb8.ser", WIDTH * HEIGHT * 3, |bytes, wide| {
        for (i, pixel) in bytes.chunks_exact(3).enumerate() {
            for (plane, sample) in pixel.iter().enumerate() {
                wide[plane * WIDTH * HEIGHT + i] = f32::from(*sample) / 255.0;
            }
        }
    });
}

/// An AVI clip of packed luma and chroma (or any format), made of a header, frame chunks and nothing else.
fn avi_clip(compression: &[u8; 4], bits: u16, frame_bytes: usize) -> (tempfile::TempDir, PathBuf) {
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

fn read_avi(bencher: Bencher<'_, '_>, compression: &[u8; 4], bits: u16, frame_bytes: usize) {
    let (_folder, path) = avi_clip(compression, bits, frame_bytes);
    let reader = open("decode.auto", &path).expect("opens");
    let (mut bytes, mut frame) = (Vec::new(), Frame::empty());
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        for index in 0..FRAMES {
            reader.read(index, WHOLE, &mut bytes, &mut frame).expect("read");
            divan::black_box(&frame.data);
        }
    });
}

#[divan::bench]
fn avi_8_bit(bencher: Bencher<'_, '_>) {
    read_avi(bencher, b"Y800", 8, WIDTH * HEIGHT);
}

#[divan::bench]
fn avi_bgr24(bencher: Bencher<'_, '_>) {
    read_avi(bencher, &[0; 4], 24, WIDTH * HEIGHT * 3);
}

#[divan::bench]
fn avi_yuy2(bencher: Bencher<'_, '_>) {
    read_avi(bencher, b"YUY2", 16, WIDTH * HEIGHT * 2);
}
