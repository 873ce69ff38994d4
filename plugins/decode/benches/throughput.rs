//! Frames per second of each reader against the plainest loop that reads the same bytes and widens them.
//! `cargo bench -p stillair-decode`

mod clips;
#[path = "../tests/common/mod.rs"]
mod common;

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

use clips::{FRAMES, HEIGHT, WIDTH, avi_clip, clip};
use common::open;
use divan::Bencher;
use divan::counter::ItemsCount;
use stillair_api::{Frame, Region};

fn main() {
    divan::main();
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
