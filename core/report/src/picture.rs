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
    pub data: String,
}

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
    let mut small = Vec::new();
    let mut encoder = png::Encoder::new(&mut small, info.width, info.height);
    encoder.set_color(info.color_type);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().map_err(|e| content(&e))?;
    writer.write_image_data(&pixels[..info.buffer_size()]).map_err(|e| content(&e))?;
    writer.finish().map_err(|e| content(&e))?;
    let name = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let data = format!("data:image/png;base64,{}", base64::engine::general_purpose::STANDARD.encode(&small));
    Ok(Picture { name, width: info.width, height: info.height, data })
}
