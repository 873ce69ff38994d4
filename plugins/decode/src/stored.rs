//! The reader for all formats that store plain samples at computable places: header parsers say where the samples
//! lie, this reads a region of them and widens it.

use stillair_api::{ClipInfo, Fault, Frame, FrameReader, Layout, Outcome, Region};

use crate::file::ClipFile;
use crate::samples::{Encoding, factor_of, widen, widen_colours, widen_first};

/// Rows with at most this many unwanted bytes between them are fetched by one read: a system call costs about as
/// much as copying this many bytes (common practice, no source).
const GAP_BYTES: usize = 8192;

/// Most frames of a clip: 11 hours at 100 per second. Bounds the lists that are kept per frame.
pub(crate) const MAX_FRAMES: usize = 1 << 22;

/// Bytes of a frame that are looked at to judge its samples.
pub(crate) const PIECE_BYTES: usize = 1 << 20;

/// Frames from all over a clip to judge it by: at most five.
pub(crate) fn few(frames: usize) -> Vec<usize> {
    let mut chosen: Vec<usize> = (0..5).map(|i| i * (frames.saturating_sub(1)) / 4).collect();
    chosen.dedup();
    chosen
}

/// Where the frames of a clip begin.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum FramePlaces {
    /// The first byte of frame 0, and the bytes from frame to frame.
    Regular { first: u64, step: u64 },
    /// The first byte of each frame.
    Listed(Vec<u64>),
}

impl FramePlaces {
    /// Offset of a frame's first byte.
    pub(crate) fn offset(&self, index: usize) -> u64 {
        match self {
            FramePlaces::Regular { first, step } => first + step * index as u64,
            FramePlaces::Listed(places) => places[index],
        }
    }
}

/// How the samples of a frame lie in the file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Arrangement {
    /// How a sample is stored.
    pub(crate) encoding: Encoding,
    /// Samples per stored pixel: 1, or 3 or 4 where colours are interleaved.
    pub(crate) step: usize,
    /// Places of red, green and blue within a pixel.
    pub(crate) order: [usize; 3],
    /// Bytes from row to row.
    pub(crate) row_bytes: usize,
    /// Whether the last row comes first.
    pub(crate) bottom_up: bool,
    /// Bytes from plane to plane where red, green and blue lie one after the other.
    pub(crate) planes: Option<u64>,
}

/// An open clip of plain samples.
#[derive(Debug)]
pub(crate) struct StoredClip {
    file: ClipFile,
    places: FramePlaces,
    arrangement: Arrangement,
    info: ClipInfo,
    factor: f32,
}

impl StoredClip {
    /// Takes what a header parser found. Every frame must lie within the file.
    pub(crate) fn new(file: ClipFile, places: FramePlaces, arrangement: Arrangement, info: ClipInfo) -> Self {
        let factor = factor_of(info.white_level);
        Self { file, places, arrangement, info, factor }
    }

    /// Adds a note for the record.
    pub(crate) fn note(&mut self, note: Option<String>) {
        self.info.notes.extend(note);
    }

    /// Takes the clip as of another layout of as many planes.
    pub(crate) fn set_layout(&mut self, layout: Layout) {
        self.info.layout = layout;
    }

    /// Fetches rows `first_row..first_row + rows` (as stored), columns `x..x + width` of a plane, and says how many
    /// bytes lie between the beginnings of two rows in `bytes`.
    fn fetch(
        &self,
        (index, plane): (usize, usize),
        x: usize,
        width: usize,
        first_row: usize,
        rows: usize,
        bytes: &mut Vec<u8>,
    ) -> Outcome<usize> {
        let Arrangement { encoding, step, row_bytes, planes, .. } = self.arrangement;
        let pixel_bytes = encoding.bytes() * step;
        let wanted = width * pixel_bytes;
        let plane_at = planes.unwrap_or(0) * plane as u64;
        let start = self.places.offset(index) + plane_at + (first_row * row_bytes + x * pixel_bytes) as u64;
        if row_bytes - wanted <= GAP_BYTES {
            bytes.resize((rows - 1) * row_bytes + wanted, 0);
            self.file.read_at(start, bytes).map_err(|e| self.file.frame_fault(index, &e))?;
            return Ok(row_bytes);
        }
        bytes.resize(rows * wanted, 0);
        for (row, part) in bytes.chunks_exact_mut(wanted).enumerate() {
            let offset = start + (row * row_bytes) as u64;
            self.file.read_at(offset, part).map_err(|e| self.file.frame_fault(index, &e))?;
        }
        Ok(wanted)
    }
}

impl FrameReader for StoredClip {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn read(&self, index: usize, region: Region, bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        check_request(&self.info, index, region)?;
        out.reshape(index, region, self.info.layout.shifted(region.x, region.y));
        let Region { x, y, width, height } = region;
        let Arrangement { encoding, step, bottom_up, .. } = self.arrangement;
        let first_row = if bottom_up { self.info.height - (y + height) } else { y };
        let wanted = width * encoding.bytes() * step;
        let planes = if step == 1 { self.info.layout.planes() } else { 1 };
        for plane in 0..planes {
            let stride = self.fetch((index, plane), x, width, first_row, height, bytes)?;
            let rows = |row: usize| {
                let row = if bottom_up { height - 1 - row } else { row };
                &bytes[row * stride..][..wanted]
            };
            place(&self.arrangement, self.factor, rows, plane, out);
        }
        Ok(())
    }
}

/// Widens stored rows into a frame that has its shape; `stored` gives a row's bytes, from the region's left to its right
/// edge, top row first. With one sample per stored pixel it fills plane `plane`, else all planes at once.
pub(crate) fn place<'a>(
    arrangement: &Arrangement,
    factor: f32,
    stored: impl Fn(usize) -> &'a [u8],
    plane: usize,
    out: &mut Frame,
) {
    let Arrangement { encoding, step, order, .. } = *arrangement;
    let Region { width, .. } = out.region;
    if step == 1 || out.layout != Layout::Rgb {
        for (row, wide) in out.plane_mut(plane).chunks_exact_mut(width).enumerate() {
            if step == 1 {
                widen(encoding, stored(row), factor, wide);
            } else {
                widen_first(encoding, step, stored(row), factor, wide);
            }
        }
        return;
    }
    let area = out.region.area();
    let (red, rest) = out.data.split_at_mut(area);
    let (green, blue) = rest.split_at_mut(area);
    let rows = red.chunks_exact_mut(width).zip(green.chunks_exact_mut(width)).zip(blue.chunks_exact_mut(width));
    for (row, ((r, g), b)) in rows.enumerate() {
        widen_colours(encoding, step, order, stored(row), factor, [r, g, b]);
    }
}

/// Refuses a frame or region that the clip does not have.
pub(crate) fn check_request(info: &ClipInfo, index: usize, region: Region) -> Outcome<()> {
    if index >= info.frames {
        return Err(Fault::internal(format!("frame {index} was asked for, the clip has {}", info.frames)));
    }
    let fits =
        |from: usize, size: usize, most: usize| size > 0 && from.checked_add(size).is_some_and(|end| end <= most);
    if !fits(region.x, region.width, info.width) || !fits(region.y, region.height, info.height) {
        return Err(Fault::internal(format!(
            "the region {}x{} at ({}, {}) is not inside the {}x{} frame",
            region.width, region.height, region.x, region.y, info.width, info.height
        )));
    }
    Ok(())
}
