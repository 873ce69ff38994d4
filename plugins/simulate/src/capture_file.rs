//! Writes frames as a raw capture file: a header of 178 bytes, the frames, and a trailer with the time of each.
//!
//! Header, little-endian: 14 bytes of signature, seven 32-bit integers (identifier, colour layout, byte order,
//! width, height, bits a sample, frames), three texts of 40 bytes, two 64-bit times (local and universal) in
//! ticks of 100 ns since the beginning of year 1. Samples above 8 bits take two bytes, low byte first, with
//! the byte-order field at 0, as is usual in the field. The trailer holds a 64-bit time a frame.

use crate::clip::{Alignment, Camera, Layout, Pattern};
use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::Path;

const SIGNATURE: [u8; 14] = [0x4c, 0x55, 0x43, 0x41, 0x4d, 0x2d, 0x52, 0x45, 0x43, 0x4f, 0x52, 0x44, 0x45, 0x52];

/// A capture file being written.
pub struct CaptureWriter {
    file: BufWriter<File>,
    wide: bool,
    times: Vec<i64>,
}

impl CaptureWriter {
    /// Creates the file; `start_ticks` is the clip's beginning.
    pub fn create(path: &Path, camera: &Camera, observer: &str, start_ticks: i64) -> io::Result<Self> {
        let mut file = BufWriter::new(File::create(path)?);
        let layout: i32 = match camera.layout {
            Layout::Mono => 0,
            Layout::Mosaic(Pattern::Rggb) => 8,
            Layout::Mosaic(Pattern::Grbg) => 9,
            Layout::Mosaic(Pattern::Gbrg) => 10,
            Layout::Mosaic(Pattern::Bggr) => 11,
            Layout::Rgb => 100,
        };
        let bits = if camera.bits > 8 && camera.alignment == Alignment::Left { 16 } else { camera.bits as i32 };
        file.write_all(&SIGNATURE)?;
        for value in [0, layout, 0, camera.width as i32, camera.height as i32, bits, 0] {
            file.write_all(&value.to_le_bytes())?;
        }
        for text in [observer, "simulated camera", "simulated telescope"] {
            let mut field = [0u8; 40];
            let bytes = text.as_bytes();
            let length = bytes.len().min(40);
            field[..length].copy_from_slice(&bytes[..length]);
            file.write_all(&field)?;
        }
        for _ in 0..2 {
            file.write_all(&start_ticks.to_le_bytes())?;
        }
        Ok(Self { file, wide: camera.bits > 8, times: Vec::new() })
    }

    /// Appends a frame taken at `ticks`.
    pub fn frame(&mut self, samples: &[u16], ticks: i64) -> io::Result<()> {
        let bytes: Vec<u8> = if self.wide {
            samples.iter().flat_map(|v| v.to_le_bytes()).collect()
        } else {
            samples.iter().map(|v| *v as u8).collect()
        };
        self.times.push(ticks);
        self.file.write_all(&bytes)
    }

    /// Writes the trailer and the number of frames.
    pub fn finish(mut self) -> io::Result<()> {
        for ticks in &self.times {
            self.file.write_all(&ticks.to_le_bytes())?;
        }
        self.file.seek(SeekFrom::Start(38))?;
        self.file.write_all(&(self.times.len() as i32).to_le_bytes())?;
        self.file.flush()
    }
}
