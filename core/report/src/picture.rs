//! Pictures of a run, small enough to be embedded.

use std::fs::{self, File};
use std::io::BufReader;
use std::path::Path;

use base64::Engine;

use crate::ReportError;

/// A picture as a data address.
pub(crate) struct Picture {
    /// File stem, such as `picture`.
    pub name: String,
    pub width: u32,
    pub height: u32,
    /// How many times smaller than the file it is embedded.
    pub by: usize,
    pub data: String,
    /// The same, no wider than [`THUMBNAIL_PX`].
    pub thumbnail: String,
}

/// Width of a thumbnail, px.
pub(crate) const THUMBNAIL_PX: usize = 160;
/// Pictures of more pixels than this are embedded as JPEG, but for the finished one.
const LARGE: usize = 120_000;
/// A finished picture that takes more bytes than this as PNG is embedded as JPEG too.
const HEAVY: usize = 1_500_000;
/// Pictures of more pixels than this are embedded smaller, by a whole number.
const HUGE: usize = 3_000_000;

/// All PNG files of `results/`, as 8-bit pictures, by name.
pub(crate) fn read_all(folder: &Path) -> Result<Vec<Picture>, ReportError> {
    let results = folder.join("results");
    let Ok(entries) = fs::read_dir(&results) else { return Ok(Vec::new()) };
    let mut paths: Vec<_> = entries.flatten().map(|e| e.path()).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e == "png"));
    paths.sort();
    paths.iter().map(|path| read(path)).collect()
}

fn read(path: &Path) -> Result<Picture, ReportError> {
    let content = |e: &dyn std::fmt::Display| ReportError::Content { path: path.into(), what: e.to_string() };
    let file = File::open(path).map_err(|source| ReportError::File { path: path.into(), source })?;
    let mut decoder = png::Decoder::new(BufReader::new(file));
    decoder.set_transformations(png::Transformations::STRIP_16);
    let mut reader = decoder.read_info().map_err(|e| content(&e))?;
    let size = reader.output_buffer_size().ok_or_else(|| content(&"too large"))?;
    let mut pixels = vec![0; size];
    let info = reader.next_frame(&mut pixels).map_err(|e| content(&e))?;
    pixels.truncate(info.buffer_size());
    let samples = info.color_type.samples();
    let name = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let mut whole = Pixels { width: info.width as usize, height: info.height as usize, samples, data: pixels };
    let by = (1..).find(|by| whole.width * whole.height <= by * by * HUGE).unwrap_or(1);
    if by > 1 {
        whole = whole.shrunk(by);
    }
    let lossless = name == "picture" || whole.width * whole.height <= LARGE;
    let mut data = whole.address(if lossless { None } else { Some(88) }).map_err(|e| content(&e))?;
    if lossless && data.len() > HEAVY {
        data = whole.address(Some(95)).map_err(|e| content(&e))?;
    }
    let thumbnail =
        whole.shrunk(whole.width.div_ceil(THUMBNAIL_PX).max(1)).address(Some(88)).map_err(|e| content(&e))?;
    let (width, height) = (whole.width as u32, whole.height as u32);
    Ok(Picture { name, width, height, by, data, thumbnail })
}

/// Eight-bit samples, pixel by pixel.
struct Pixels {
    width: usize,
    height: usize,
    samples: usize,
    data: Vec<u8>,
}

impl Pixels {
    /// Means over squares of `by` pixels a side.
    fn shrunk(&self, by: usize) -> Self {
        let (width, height) = ((self.width / by).max(1), (self.height / by).max(1));
        let mut data = Vec::with_capacity(width * height * self.samples);
        for y in 0..height {
            for x in 0..width {
                for s in 0..self.samples {
                    let (mut sum, mut n) = (0_usize, 0_usize);
                    for v in y * by..((y + 1) * by).min(self.height) {
                        for u in x * by..((x + 1) * by).min(self.width) {
                            sum += usize::from(self.data[(v * self.width + u) * self.samples + s]);
                            n += 1;
                        }
                    }
                    data.push((sum / n.max(1)) as u8);
                }
            }
        }
        Self { width, height, samples: self.samples, data }
    }

    /// As a data address: JPEG of a quality where one is given and the format knows the samples, else PNG.
    fn address(&self, quality: Option<u8>) -> Result<String, String> {
        let base64 = |kind: &str, bytes: &[u8]| {
            format!("data:image/{kind};base64,{}", base64::engine::general_purpose::STANDARD.encode(bytes))
        };
        let mut file = Vec::new();
        let jpeg = match self.samples {
            1 => Some(jpeg_encoder::ColorType::Luma),
            3 => Some(jpeg_encoder::ColorType::Rgb),
            _ => None,
        };
        if let (Some(kind), Some(quality), Ok(width), Ok(height)) =
            (jpeg, quality, u16::try_from(self.width), u16::try_from(self.height))
        {
            let encoder = jpeg_encoder::Encoder::new(&mut file, quality);
            encoder.encode(&self.data, width, height, kind).map_err(|e| e.to_string())?;
            return Ok(base64("jpeg", &file));
        }
        let kind = match self.samples {
            1 => png::ColorType::Grayscale,
            2 => png::ColorType::GrayscaleAlpha,
            3 => png::ColorType::Rgb,
            _ => png::ColorType::Rgba,
        };
        let mut encoder = png::Encoder::new(&mut file, self.width as u32, self.height as u32);
        encoder.set_color(kind);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_compression(png::Compression::Fast);
        let mut writer = encoder.write_header().map_err(|e| e.to_string())?;
        writer.write_image_data(&self.data).map_err(|e| e.to_string())?;
        writer.finish().map_err(|e| e.to_string())?;
        Ok(base64("png", &file))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wide_picture_shrinks_by_means() {
        let wide = Pixels { width: 400, height: 3, samples: 1, data: (0..1200).map(|i| (i % 3 * 60) as u8).collect() };
        let small = wide.shrunk(3);
        assert_eq!((small.width, small.height), (133, 1));
        assert!(small.data.iter().all(|v| *v == 60));
        assert!(wide.address(Some(90)).unwrap().starts_with("data:image/jpeg;base64,"));
        assert!(wide.address(None).unwrap().starts_with("data:image/png;base64,"));
    }
}
