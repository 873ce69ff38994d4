//! The contact sheet: the same part of every picture at the same physical scale with the same stretch.
//!
//! The part is a square about the target's centre of light, the same number of arcsec (or px, where scales are not
//! known) wide in every picture. The stretch is linear up to the screen's curve: in each colour from the sky to the
//! target's bright end (98th percentile) as the first picture of the clip has them, so that a run that is brighter or
//! more contrasty than another of the same clip shows so.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use base64::Engine;
use tiff::ColorType;
use tiff::decoder::{Decoder, DecodingResult};

use super::{Row, Unit};
use crate::ReportError;

/// Room around the target, in radii.
const ROOM: f64 = 1.35;
/// Longest side of a cell, px.
const MOST_CELL: usize = 640;
/// Shortest side of a cell, px.
const LEAST_CELL: usize = 48;
/// Most cells side by side.
const MOST_COLUMNS: usize = 4;
/// Cells of more samples than this in all are embedded as JPEG of quality 92.
const MOST_LOSSLESS: usize = 3_000_000;
/// Space between cells, px.
const GAP: usize = 6;

/// A contact sheet.
pub(crate) struct Sheet {
    /// The file.
    pub png: Vec<u8>,
    /// Each cell as a data address, by the run's number.
    pub cells: Vec<(usize, String)>,
    /// Side of a cell, px.
    pub side: usize,
    /// How cells lie in the file.
    pub columns: usize,
    /// Whether pictures were brought to one scale by resampling.
    pub resampled: bool,
}

/// A linear picture.
struct Linear {
    width: usize,
    height: usize,
    channels: usize,
    /// Pixel after pixel.
    data: Vec<f32>,
}

/// Where the target is on a picture, px.
struct Target {
    x: f64,
    y: f64,
    radius: f64,
}

/// Sky and bright end of each channel.
type Levels = Vec<(f32, f32)>;

/// Makes the sheet; nothing if no run has a picture.
pub(crate) fn make(folder: &Path, rows: &[Row], unit: Unit) -> Result<Option<Sheet>, ReportError> {
    let mut found = Vec::new();
    for row in rows {
        if let Some(path) = picture_of(folder, row) {
            let picture = read(&path)?;
            let target = target(&picture);
            found.push((row, picture, target));
        }
    }
    if found.is_empty() {
        return Ok(None);
    }
    // Length of a px in the common unit; without one all px are alike.
    let px = |row: &Row| {
        let measures = row.measures.as_ref();
        let length = match unit {
            Unit::Disc => measures.and_then(|m| m.disc_radius_px).map(f64::recip),
            Unit::Px | Unit::UnknownScales => None,
            _ => measures.and_then(|m| m.arcsec_per_px),
        };
        length.unwrap_or(1.0)
    };
    let finest = found.iter().map(|(row, ..)| px(row)).fold(f64::INFINITY, f64::min);
    let half = found.iter().map(|(row, _, target)| ROOM * target.radius * px(row)).fold(0.0, f64::max);
    let side = ((2.0 * half / finest).ceil() as usize).clamp(LEAST_CELL, MOST_CELL);
    let resampled = found.iter().any(|(row, ..)| (px(row) / finest - 1.0).abs() > 1e-9);
    let colours = found.iter().map(|(_, picture, _)| picture.channels).max().unwrap_or(1);
    let mut levels: Vec<(&str, Levels)> = Vec::new();
    let mut cells = Vec::new();
    for (row, picture, target) in &found {
        let known = levels.iter().find(|(clip, l)| *clip == row.clip && l.len() == picture.channels);
        let own = match known {
            Some((_, own)) => own.clone(),
            None => {
                let own = levels_of(picture);
                levels.push((&row.clip, own.clone()));
                own
            }
        };
        cells.push((row.number, cell(picture, target, finest / px(row), side, &own, colours)));
    }
    let columns = cells.len().min(MOST_COLUMNS);
    let lines = cells.len().div_ceil(columns);
    let (width, height) = (columns * (side + GAP) + GAP, lines * (side + GAP) + GAP);
    let mut sheet = vec![40; width * height * colours];
    for (index, (number, pixels)) in cells.iter().enumerate() {
        let (left, top) = (GAP + index % columns * (side + GAP), GAP + index / columns * (side + GAP));
        for y in 0..side {
            let from = &pixels[y * side * colours..(y + 1) * side * colours];
            let at = ((top + y) * width + left) * colours;
            sheet[at..at + from.len()].copy_from_slice(from);
        }
        write_number(&mut sheet, width, colours, (left + 4, top + 4), *number);
    }
    // As they are, while that is not too much for a page.
    let lossless = side * side * colours * cells.len() <= MOST_LOSSLESS;
    let address = |pixels: &[u8]| -> Result<String, ReportError> {
        let (kind, file) = if lossless {
            ("png", encode(pixels, side, side, colours).map_err(|e| broken(folder, &e))?)
        } else {
            let kind = if colours == 3 { jpeg_encoder::ColorType::Rgb } else { jpeg_encoder::ColorType::Luma };
            let mut file = Vec::new();
            let encoder = jpeg_encoder::Encoder::new(&mut file, 92);
            encoder.encode(pixels, side as u16, side as u16, kind).map_err(|e| broken(folder, &e))?;
            ("jpeg", file)
        };
        Ok(format!("data:image/{kind};base64,{}", base64::engine::general_purpose::STANDARD.encode(file)))
    };
    let png = encode(&sheet, width, height, colours).map_err(|e| broken(folder, &e))?;
    let cells = cells.iter().map(|(n, pixels)| Ok((*n, address(pixels)?))).collect::<Result<_, ReportError>>()?;
    Ok(Some(Sheet { png, cells, side, columns, resampled }))
}

fn broken(path: &Path, what: &dyn std::fmt::Display) -> ReportError {
    ReportError::Content { path: path.into(), what: what.to_string() }
}

/// The picture of a run: the one called picture, else the first.
fn picture_of(folder: &Path, row: &Row) -> Option<PathBuf> {
    let own = folder.join(row.folder.as_ref()?);
    let results = &row.measures.as_ref()?.results;
    let tiffs: Vec<&String> = results.iter().filter(|name| name.ends_with(".tif")).collect();
    let named = tiffs.iter().find(|name| name.contains("/picture"));
    named.or(tiffs.first()).map(|name| own.join(name))
}

fn read(path: &Path) -> Result<Linear, ReportError> {
    let file = File::open(path).map_err(|source| ReportError::File { path: path.into(), source })?;
    let mut decoder = Decoder::new(BufReader::new(file)).map_err(|e| broken(path, &e))?;
    let (width, height) = decoder.dimensions().map_err(|e| broken(path, &e))?;
    let channels = match decoder.colortype().map_err(|e| broken(path, &e))? {
        ColorType::RGB(_) => 3,
        ColorType::Gray(_) => 1,
        other => return Err(broken(path, &format!("a picture of the kind {other:?}"))),
    };
    let data = match decoder.read_image().map_err(|e| broken(path, &e))? {
        DecodingResult::F32(data) => data,
        DecodingResult::U16(data) => data.into_iter().map(|v| f32::from(v) / 65_535.0).collect(),
        DecodingResult::U8(data) => data.into_iter().map(|v| f32::from(v) / 255.0).collect(),
        _ => return Err(broken(path, &"samples of a kind that is not read")),
    };
    let (width, height) = (width as usize, height as usize);
    if data.len() != width * height * channels || data.is_empty() {
        return Err(broken(path, &"fewer samples than pixels"));
    }
    Ok(Linear { width, height, channels, data })
}

fn percentile(mut values: Vec<f32>, share: f64) -> f32 {
    values.retain(|v| v.is_finite());
    if values.is_empty() {
        return 0.0;
    }
    let at = ((values.len() - 1) as f64 * share).round() as usize;
    *values.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Sky (5th percentile) and bright end (98th percentile of what is brighter than 30 % of the range) of each channel.
fn levels_of(picture: &Linear) -> Levels {
    let of = |c: usize| {
        let plane: Vec<f32> = picture.data.iter().skip(c).step_by(picture.channels).copied().collect();
        let (sky, top) = (percentile(plane.clone(), 0.05), percentile(plane.clone(), 0.995));
        let level = sky + 0.3 * (top - sky);
        let bright = percentile(plane.into_iter().filter(|v| *v > level).collect(), 0.98);
        (sky, if bright > sky { bright } else { sky + 1.0 })
    };
    (0..picture.channels).map(of).collect()
}

/// Centre of light of what is brighter than 30 % of the range, and the radius of a circle of its area.
fn target(picture: &Linear) -> Target {
    let channel = picture.channels / 2;
    let (sky, bright) = levels_of(picture)[channel];
    let level = sky + 0.3 * (bright - sky);
    let (mut sum, mut sum_x, mut sum_y, mut count) = (0.0, 0.0, 0.0, 0.0);
    for y in 0..picture.height {
        for x in 0..picture.width {
            let value = picture.data[(y * picture.width + x) * picture.channels + channel];
            if value > level {
                let weight = f64::from((value - sky).min(bright - sky));
                (sum, count) = (sum + weight, count + 1.0);
                (sum_x, sum_y) = (sum_x + weight * x as f64, sum_y + weight * y as f64);
            }
        }
    }
    if sum <= 0.0 {
        let (x, y) = ((picture.width - 1) as f64 / 2.0, (picture.height - 1) as f64 / 2.0);
        return Target { x, y, radius: 0.5 * picture.width.min(picture.height) as f64 };
    }
    Target { x: sum_x / sum, y: sum_y / sum, radius: (count / std::f64::consts::PI).sqrt() }
}

/// A square of the picture, `step` of its px for each px of the cell; copied px by px where that is 1.
fn cell(picture: &Linear, target: &Target, step: f64, side: usize, levels: &Levels, colours: usize) -> Vec<u8> {
    let same = (step - 1.0).abs() < 1e-9;
    let middle = (side - 1) as f64 / 2.0;
    let origin = |centre: f64| if same { (centre - middle).round() } else { centre - middle * step };
    let (left, top) = (origin(target.x), origin(target.y));
    let mut pixels = Vec::with_capacity(side * side * colours);
    for y in 0..side {
        for x in 0..side {
            let (px, py) = (left + x as f64 * step, top + y as f64 * step);
            for c in 0..colours {
                let channel = c.min(picture.channels - 1);
                let (sky, bright) = levels[channel];
                let value = sample(picture, px, py, channel).unwrap_or(sky);
                pixels.push(screen((value - sky) / (bright - sky)));
            }
        }
    }
    pixels
}

/// Bilinear; nothing outside.
fn sample(picture: &Linear, x: f64, y: f64, channel: usize) -> Option<f32> {
    let inside = x >= 0.0 && y >= 0.0 && x <= (picture.width - 1) as f64 && y <= (picture.height - 1) as f64;
    if !inside {
        return None;
    }
    let (x0, y0) = (x.floor() as usize, y.floor() as usize);
    let (x1, y1) = ((x0 + 1).min(picture.width - 1), (y0 + 1).min(picture.height - 1));
    let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    let at = |x: usize, y: usize| picture.data[(y * picture.width + x) * picture.channels + channel];
    let row = |y: usize| at(x0, y) + fx * (at(x1, y) - at(x0, y));
    let (upper, lower) = (row(y0), row(y1));
    Some(upper + fy * (lower - upper))
}

/// The screen's curve (IEC 61966-2-1), 8 bits.
fn screen(value: f32) -> u8 {
    let linear = if value.is_finite() { value.clamp(0.0, 1.0) } else { 0.0 };
    let curved = if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 };
    (curved * 255.0).round() as u8
}

fn encode(pixels: &[u8], width: usize, height: usize, colours: usize) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width as u32, height as u32);
    encoder.set_color(if colours == 3 { png::ColorType::Rgb } else { png::ColorType::Grayscale });
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(pixels)?;
    writer.finish()?;
    Ok(out)
}

/// The ten digits, three columns by five rows each, a row in three bits.
const DIGITS: [[u8; 5]; 10] = [
    [7, 5, 5, 5, 7],
    [2, 6, 2, 2, 7],
    [7, 1, 7, 4, 7],
    [7, 1, 7, 1, 7],
    [5, 5, 7, 1, 1],
    [7, 4, 7, 1, 7],
    [7, 4, 7, 5, 7],
    [7, 1, 1, 1, 1],
    [7, 5, 7, 5, 7],
    [7, 5, 7, 1, 7],
];

/// Writes a run's number, two px for each dot.
fn write_number(sheet: &mut [u8], width: usize, colours: usize, place: (usize, usize), number: usize) {
    for (index, digit) in number.to_string().bytes().enumerate() {
        for (row, bits) in DIGITS[usize::from(digit - b'0')].iter().enumerate() {
            for column in (0..3).filter(|column| bits >> (2 - column) & 1 == 1) {
                for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    let (x, y) = (place.0 + index * 8 + column * 2 + dx, place.1 + row * 2 + dy);
                    let at = (y * width + x) * colours;
                    sheet[at..at + colours].fill(220);
                }
            }
        }
    }
}
