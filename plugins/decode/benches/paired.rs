//! Each reader against the plainest loop that reads the same bytes and widens them, in turns within one process, so that
//! whatever else the machine does falls on both: the median over many turns of reader's time over loop's time.
//! `cargo bench -p stillair-decode --bench paired`; ends with code 1 if a reader takes more than its limit.

#![allow(clippy::print_stdout, clippy::exit)]

mod clips;
#[path = "../tests/common/mod.rs"]
mod common;

use std::fs::File;
use std::hint::black_box;
use std::io::{BufReader, Cursor, Read, Seek, SeekFrom};
use std::path::Path;
use std::time::{Duration, Instant};

use clips::{FRAMES, HEIGHT, WIDTH, avi_clip, clip};
use common::open;
use stillair_api::{Frame, FrameReader};

/// Turns of each.
const TURNS: usize = 25;
/// Most that a reader of plain samples may take, of the loop's time.
const LIMIT: f64 = 1.3;

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn time(work: impl FnOnce()) -> Duration {
    let begun = Instant::now();
    work();
    begun.elapsed()
}

/// Runs both in turns, each first every other time; says and gives the median of the ratios.
fn pair(name: &str, frames: usize, turns: usize, mut reader: impl FnMut(usize), mut plain: impl FnMut(usize)) -> f64 {
    let (mut ratios, mut best) = (Vec::new(), [f64::INFINITY; 2]);
    for turn in 0..turns {
        let [ours, theirs] = if turn % 2 == 0 {
            let ours = time(|| reader(turn));
            [ours, time(|| plain(turn))]
        } else {
            let theirs = time(|| plain(turn));
            [time(|| reader(turn)), theirs]
        }
        .map(|took| took.as_secs_f64());
        ratios.push(ours / theirs);
        best = [best[0].min(ours), best[1].min(theirs)];
    }
    let (ratio, [ours, theirs]) = (median(ratios), best.map(|seconds| frames as f64 / seconds));
    println!("{name:<24} {ratio:>6.3} of the plain loop's time (at best {ours:>7.0} frames/s, the loop {theirs:>7.0})");
    ratio
}

fn read(reader: &dyn FrameReader, frames: std::ops::Range<usize>, bytes: &mut Vec<u8>, frame: &mut Frame) {
    for index in frames {
        reader.read(index, reader.info().region(), bytes, frame).expect("read");
        black_box(&frame.data);
    }
}

/// A clip of frames at equal distances from `first` on.
fn stored(
    name: &str,
    path: &Path,
    (first, gap): (u64, usize),
    frame_bytes: usize,
    widen: fn(&[u8], &mut [f32]),
) -> f64 {
    let reader = open("decode.auto", path).expect("opens");
    assert_eq!(reader.info().frames, FRAMES);
    let (mut buffer, mut frame) = (Vec::new(), Frame::empty());
    let mut file = File::open(path).expect("opens");
    let (mut bytes, mut wide) = (vec![0; frame_bytes + gap], vec![0.0; reader.info().layout.planes() * WIDTH * HEIGHT]);
    let plain = |_| {
        file.seek(SeekFrom::Start(first)).expect("sought");
        for index in 0..FRAMES {
            let last = if index + 1 == FRAMES { frame_bytes } else { frame_bytes + gap };
            file.read_exact(&mut bytes[..last]).expect("read");
            widen(&bytes[..frame_bytes], &mut wide);
            black_box(&wide);
        }
    };
    pair(name, FRAMES, TURNS, |_| read(&*reader, 0..FRAMES, &mut buffer, &mut frame), plain)
}

fn bytes_8(bytes: &[u8], wide: &mut [f32]) {
    wide.iter_mut().zip(bytes).for_each(|(w, b)| *w = f32::from(*b) / 255.0);
}

fn bytes_16(bytes: &[u8], wide: &mut [f32]) {
    let samples = bytes.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]]));
    wide.iter_mut().zip(samples).for_each(|(w, s)| *w = f32::from(s) / 65_535.0);
}

fn colours(bytes: &[u8], wide: &mut [f32]) {
    for (i, pixel) in bytes.chunks_exact(3).enumerate() {
        for (plane, sample) in pixel.iter().enumerate() {
            wide[plane * WIDTH * HEIGHT + i] = f32::from(*sample) / 255.0;
        }
    }
}

/// Blue first, the last row first.
fn colours_upside_down(bytes: &[u8], wide: &mut [f32]) {
    for (y, row) in bytes.chunks_exact(3 * WIDTH).rev().enumerate() {
        for (x, pixel) in row.chunks_exact(3).enumerate() {
            for (plane, sample) in pixel.iter().rev().enumerate() {
                wide[plane * WIDTH * HEIGHT + y * WIDTH + x] = f32::from(*sample) / 255.0;
            }
        }
    }
}

/// ITU-R BT.601 of the limited range.
fn luma_and_chroma(bytes: &[u8], wide: &mut [f32]) {
    let plane = WIDTH * HEIGHT;
    for (i, pair) in bytes.chunks_exact(4).enumerate() {
        let (u, v) = (f32::from(pair[1]) - 128.0, f32::from(pair[3]) - 128.0);
        for k in 0..2 {
            let y = 1.164_383 * (f32::from(pair[2 * k]) - 16.0);
            wide[2 * i + k] = (y + 1.596_027 * v) / 255.0;
            wide[plane + 2 * i + k] = (y - 0.391_762 * u - 0.812_968 * v) / 255.0;
            wide[2 * plane + 2 * i + k] = (y + 2.017_232 * u) / 255.0;
        }
    }
}

fn ser(name: &str, like: &str, sample_bytes: usize, widen: fn(&[u8], &mut [f32])) -> f64 {
    let (_folder, path) = clip(like, WIDTH * HEIGHT * sample_bytes);
    stored(name, &path, (178, 0), WIDTH * HEIGHT * sample_bytes, widen)
}

fn avi(name: &str, (compression, bits): (&[u8; 4], u16), pixel_bytes: usize, widen: fn(&[u8], &mut [f32])) -> f64 {
    let frame_bytes = WIDTH * HEIGHT * pixel_bytes;
    let (_folder, path) = avi_clip(compression, bits, frame_bytes);
    // Eight bytes of id and length before each frame.
    let first = std::fs::metadata(&path).expect("a file").len() - (FRAMES * (frame_bytes + 8)) as u64 + 8;
    stored(name, &path, (first, 8), frame_bytes, widen)
}

/// A folder of 2000 TIFF pictures of 16 bits against the `tiff` crate alone, a tenth of the folder a turn.
fn tiff_folder() -> f64 {
    const FILES: usize = 2000;
    const PART: usize = 200;
    let samples: Vec<u16> = (0..320 * 240u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 16) as u16).collect();
    let mut file = Cursor::new(Vec::new());
    let mut encoder = tiff::encoder::TiffEncoder::new(&mut file).expect("begun");
    encoder.write_image::<tiff::encoder::colortype::Gray16>(320, 240, &samples).expect("written");
    let folder = tempfile::tempdir().expect("a folder");
    let path = |index: usize| folder.path().join(format!("{index}.tif"));
    (0..FILES).for_each(|index| std::fs::write(path(index), file.get_ref()).expect("written"));
    let mut reader = None;
    let opening = time(|| reader = Some(open("decode.auto", folder.path()).expect("opens")));
    let reader = reader.expect("open");
    assert_eq!(reader.info().frames, FILES);
    println!("opening the folder of {FILES} TIFF pictures takes {:.0} ms", opening.as_secs_f64() * 1e3);
    let (mut buffer, mut frame) = (Vec::new(), Frame::empty());
    let part = |turn: usize| (turn % (FILES / PART)) * PART..(turn % (FILES / PART) + 1) * PART;
    let plain = |turn: usize| {
        for index in part(turn) {
            let file = BufReader::new(File::open(path(index)).expect("opens"));
            let mut decoder = tiff::decoder::Decoder::new(file).expect("a TIFF");
            let tiff::decoder::DecodingResult::U16(samples) = decoder.read_image().expect("read") else { continue };
            black_box(samples.iter().map(|v| f32::from(*v) / 65_535.0).collect::<Vec<f32>>());
        }
    };
    pair("folder of TIFF, 16 bit", PART, 30, |turn| read(&*reader, part(turn), &mut buffer, &mut frame), plain)
}

fn main() {
    let ratios = [
        ser("SER, 8 bit", "mono8.ser", 1, bytes_8),
        ser("SER, 16 bit", "mono16_le_flag1.ser", 2, bytes_16),
        ser("SER, RGB", "rgb8.ser", 3, colours),
        avi("AVI, 8 bit", (b"Y800", 8), 1, bytes_8),
        avi("AVI, 16 bit", (b"Y16 ", 16), 2, bytes_16),
        avi("AVI, BGR upside down", (&[0; 4], 24), 3, colours_upside_down),
        avi("AVI, luma and chroma", (b"YUY2", 16), 2, luma_and_chroma),
        tiff_folder(),
    ];
    if ratios.iter().any(|ratio| *ratio > LIMIT) {
        println!("a reader takes more than {LIMIT} of the plain loop's time");
        std::process::exit(1);
    }
}
