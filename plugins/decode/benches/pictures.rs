//! Frames per second of folders of pictures and of cubes, against the plainest loop over the same files.
//! `cargo bench -p stillair-decode --bench pictures`

#[path = "../tests/common/mod.rs"]
mod common;

use std::fs::File;
use std::io::{BufReader, Cursor, Write};
use std::path::Path;

use common::open;
use divan::Bencher;
use divan::counter::ItemsCount;
use stillair_api::Frame;

const WIDTH: u32 = 640;
const HEIGHT: u32 = 480;
const FRAMES: usize = 64;

fn main() {
    divan::main();
}

fn samples() -> Vec<u16> {
    (0..WIDTH * HEIGHT).map(|i| (i.wrapping_mul(2_654_435_761) >> 16) as u16).collect()
}

fn fill(folder: &Path, extension: &str, bytes: &[u8]) {
    for index in 0..FRAMES {
        std::fs::write(folder.join(format!("{index}.{extension}")), bytes).expect("written");
    }
}

fn tiff_bytes() -> Vec<u8> {
    let mut file = Cursor::new(Vec::new());
    let mut encoder = tiff::encoder::TiffEncoder::new(&mut file).expect("begun");
    encoder.write_image::<tiff::encoder::colortype::Gray16>(WIDTH, HEIGHT, &samples()).expect("written");
    file.into_inner()
}

fn png_bytes() -> Vec<u8> {
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, WIDTH, HEIGHT);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Sixteen);
    let bytes: Vec<u8> = samples().iter().flat_map(|v| v.to_be_bytes()).collect();
    encoder.write_header().and_then(|mut w| w.write_image_data(&bytes)).expect("written");
    file
}

fn fits_bytes(frames: usize) -> Vec<u8> {
    let card = |key: &str, value: String| format!("{:<80}", format!("{key:<8}= {value:>20}"));
    let mut header = card("SIMPLE", "T".into()) + &card("BITPIX", "16".into()) + &card("NAXIS", "3".into());
    header += &(card("NAXIS1", WIDTH.to_string()) + &card("NAXIS2", HEIGHT.to_string()));
    header += &(card("NAXIS3", frames.to_string()) + &card("BZERO", "32768".into()) + &format!("{:<80}", "END"));
    let mut bytes = format!("{header:<2880}").into_bytes();
    (0..frames).for_each(|_| bytes.extend(samples().iter().flat_map(|v| (v ^ 0x8000).to_be_bytes())));
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    bytes
}

fn read_all(bencher: Bencher<'_, '_>, path: &Path) {
    let reader = open("decode.auto", path).expect("opens");
    assert_eq!(reader.info().frames, FRAMES);
    let (mut bytes, mut frame) = (Vec::new(), Frame::empty());
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        for index in 0..FRAMES {
            reader.read(index, reader.info().region(), &mut bytes, &mut frame).expect("read");
            divan::black_box(&frame.data);
        }
    });
}

#[divan::bench]
fn tiff_folder(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    fill(folder.path(), "tif", &tiff_bytes());
    read_all(bencher, folder.path());
}

#[divan::bench]
fn tiff_plain_loop(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    fill(folder.path(), "tif", &tiff_bytes());
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        for index in 0..FRAMES {
            let file = BufReader::new(File::open(folder.path().join(format!("{index}.tif"))).expect("opens"));
            let mut decoder = tiff::decoder::Decoder::new(file).expect("a TIFF");
            let tiff::decoder::DecodingResult::U16(samples) = decoder.read_image().expect("read") else { continue };
            let wide: Vec<f32> = samples.iter().map(|v| f32::from(*v) / 65_535.0).collect();
            divan::black_box(&wide);
        }
    });
}

#[divan::bench]
fn png_folder(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    fill(folder.path(), "png", &png_bytes());
    read_all(bencher, folder.path());
}

#[divan::bench]
fn png_plain_loop(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    fill(folder.path(), "png", &png_bytes());
    let mut bytes = vec![0; (WIDTH * HEIGHT * 2) as usize];
    bencher.counter(ItemsCount::new(FRAMES)).bench_local(|| {
        for index in 0..FRAMES {
            let file = BufReader::new(File::open(folder.path().join(format!("{index}.png"))).expect("opens"));
            png::Decoder::new(file).read_info().and_then(|mut r| r.next_frame(&mut bytes)).expect("read");
            let samples = bytes.chunks_exact(2).map(|b| f32::from(u16::from_be_bytes([b[0], b[1]])) / 65_535.0);
            divan::black_box(samples.collect::<Vec<f32>>());
        }
    });
}

#[divan::bench]
fn fits_cube(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cube.fits");
    File::create(&path).and_then(|mut f| f.write_all(&fits_bytes(FRAMES))).expect("written");
    read_all(bencher, &path);
}

#[divan::bench]
fn fits_folder(bencher: Bencher<'_, '_>) {
    let folder = tempfile::tempdir().expect("a folder");
    fill(folder.path(), "fits", &fits_bytes(1));
    read_all(bencher, folder.path());
}
