//! Puts the middles of pictures side by side, enlarged twice, as one 8-bit PNG. The picture of the README, a typical
//! frame beside the finished picture, is made with
//!
//! ```text
//! cargo run --release -- demo --out /tmp/demo
//! cargo run --release --example side_by_side -- assets/demo.png \
//!     /tmp/demo/*planet-colour*/results/{median-frame,picture}.png
//! ```

use std::error::Error;
use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::Path;

/// Times each picture is enlarged.
const TIMES: usize = 2;
/// Most columns and rows kept, px.
const SIDE: usize = 100;
/// Dark columns between pictures.
const GAP: usize = 4;

/// Three values of 0 to 1 a pixel.
struct Picture {
    width: usize,
    height: usize,
    values: Vec<[f32; 3]>,
}

fn read(path: &Path) -> Result<Picture, Box<dyn Error>> {
    let mut reader = png::Decoder::new(BufReader::new(File::open(path)?)).read_info()?;
    let mut bytes = vec![0; reader.output_buffer_size().ok_or("too large")?];
    let frame = reader.next_frame(&mut bytes)?;
    bytes.truncate(frame.buffer_size());
    let samples: Vec<f32> = if frame.bit_depth == png::BitDepth::Sixteen {
        bytes.chunks_exact(2).map(|b| f32::from(u16::from_be_bytes([b[0], b[1]])) / 65_535.0).collect()
    } else {
        bytes.iter().map(|b| f32::from(*b) / 255.0).collect()
    };
    let channels = frame.color_type.samples();
    let values = samples.chunks_exact(channels).map(|p| if channels < 3 { [p[0]; 3] } else { [p[0], p[1], p[2]] });
    let (whole_width, whole_height) = (frame.width as usize, frame.height as usize);
    let (width, height) = (whole_width.min(SIDE), whole_height.min(SIDE));
    let (x0, y0) = ((whole_width - width) / 2, (whole_height - height) / 2);
    let whole: Vec<[f32; 3]> = values.collect();
    let rows = (y0..y0 + height).flat_map(|y| &whole[y * whole_width + x0..][..width]);
    Ok(Picture { width, height, values: rows.copied().collect() })
}

/// Weights of four neighbours for a place between the second and the third (Keys 1981, a = -1/2).
fn weights(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [-0.5 * t + t2 - 0.5 * t3, 1.0 - 2.5 * t2 + 1.5 * t3, 0.5 * t + 2.0 * t2 - 1.5 * t3, 0.5 * (t3 - t2)]
}

/// Neighbours of an enlarged column or row, and their weights.
fn around(at: usize, size: usize) -> impl Iterator<Item = (usize, f32)> {
    let place = (at as f32 + 0.5) / TIMES as f32 - 0.5;
    let first = place.floor();
    let neighbours = (0..4).map(move |k| (first as i64 - 1 + k).clamp(0, size as i64 - 1) as usize);
    neighbours.zip(weights(place - first))
}

fn enlarged(picture: &Picture, x: usize, y: usize) -> [u8; 3] {
    let mut sum = [0f32; 3];
    for (row, wy) in around(y, picture.height) {
        for (column, wx) in around(x, picture.width) {
            let value = picture.values[row * picture.width + column];
            for (sum, value) in sum.iter_mut().zip(value) {
                *sum += wx * wy * value;
            }
        }
    }
    sum.map(|value| (value * 255.0).round().clamp(0.0, 255.0) as u8)
}

fn main() -> Result<(), Box<dyn Error>> {
    let paths: Vec<String> = std::env::args().skip(1).collect();
    let (out, paths) = paths.split_first().ok_or("give the file to write, then the pictures")?;
    let pictures = paths.iter().map(|path| read(Path::new(path))).collect::<Result<Vec<_>, _>>()?;
    let height = pictures.iter().map(|p| p.height * TIMES).max().ok_or("give the pictures")?;
    let mut rows = vec![Vec::new(); height];
    for (number, picture) in pictures.iter().enumerate() {
        for (y, row) in rows.iter_mut().enumerate() {
            row.resize(row.len() + if number > 0 { 3 * GAP } else { 0 }, 0);
            for x in 0..picture.width * TIMES {
                row.extend(if y < picture.height * TIMES { enlarged(picture, x, y) } else { [0; 3] });
            }
        }
    }
    let mut encoder = png::Encoder::new(BufWriter::new(File::create(out)?), (rows[0].len() / 3) as u32, height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    encoder.write_header()?.write_image_data(&rows.concat())?;
    Ok(())
}
