//! Pixels that are not plain samples: luma with shared chroma, and palettes.
//!
//! Luma and chroma become red, green and blue by ITU-R BT.601 for the limited range: with y = 1.164383 (Y - 16),
//! R = y + 1.596027 (V - 128), G = y - 0.391762 (U - 128) - 0.812968 (V - 128), B = y + 2.017232 (U - 128), all over 255.
//! Chroma is repeated, not interpolated. Nothing is clamped.

use stillair_api::{ClipInfo, Frame, FrameReader, Layout, Outcome, Region};

use crate::file::ClipFile;
use crate::stored::{FramePlaces, check_request};

/// Where luma and chroma lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Chroma {
    /// Two pixels in four bytes; places of the first luma, U and V.
    Packed([usize; 3]),
    /// A plane of luma, then chroma at half size: U plane and V plane (or V first).
    Planar {
        /// Whether V comes before U.
        v_first: bool,
    },
    /// A plane of luma, then a plane of U and V in turn at half size.
    Paired,
}

/// How stored bytes become samples.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Conversion {
    /// Luma and chroma.
    Chroma(Chroma),
    /// One byte per pixel looks up red, green, blue, 0..1; rows of `row_bytes`.
    Palette { colours: Box<[[f32; 3]; 256]>, row_bytes: usize, bottom_up: bool },
}

impl Conversion {
    /// Bytes of a frame, if that many fit into 64 bits.
    pub(crate) fn frame_bytes(&self, width: usize, height: usize) -> Option<u64> {
        let (width, height) = (width as u64, height as u64);
        let half = (width.div_ceil(2)).checked_mul(height.div_ceil(2))?;
        match self {
            Conversion::Chroma(Chroma::Packed(_)) => width.div_ceil(2).checked_mul(4)?.checked_mul(height),
            Conversion::Chroma(_) => width.checked_mul(height)?.checked_add(half.checked_mul(2)?),
            Conversion::Palette { row_bytes, .. } => (*row_bytes as u64).checked_mul(height),
        }
    }
}

/// Red, green, blue of luma and chroma.
fn rgb(y: u8, u: u8, v: u8) -> [f32; 3] {
    let y = 1.164_383 * (f32::from(y) - 16.0);
    let (u, v) = (f32::from(u) - 128.0, f32::from(v) - 128.0);
    [y + 1.596_027 * v, y - 0.391_762 * u - 0.812_968 * v, y + 2.017_232 * u].map(|c| c * (1.0 / 255.0))
}

/// An open clip of such pixels.
#[derive(Debug)]
pub(crate) struct ConvertedClip {
    file: ClipFile,
    places: FramePlaces,
    conversion: Conversion,
    info: ClipInfo,
}

impl ConvertedClip {
    /// Takes what the demuxer found. Every frame must lie within the file.
    pub(crate) fn new(file: ClipFile, places: FramePlaces, conversion: Conversion, info: ClipInfo) -> Self {
        Self { file, places, conversion, info }
    }

    /// Appends a run of a frame's bytes to `bytes`.
    fn fetch(&self, index: usize, from: usize, len: usize, bytes: &mut Vec<u8>) -> Outcome<()> {
        let start = bytes.len();
        bytes.resize(start + len, 0);
        self.file
            .read_at(self.places.offset(index) + from as u64, &mut bytes[start..])
            .map_err(|e| self.file.frame_fault(index, &e))
    }

    fn read_chroma(
        &self,
        chroma: Chroma,
        index: usize,
        region: Region,
        bytes: &mut Vec<u8>,
        out: &mut Frame,
    ) -> Outcome<()> {
        let (width, height) = (self.info.width, self.info.height);
        let half_width = width.div_ceil(2);
        bytes.clear();
        let Region { y, height: rows, .. } = region;
        if let Chroma::Packed([luma, u, v]) = chroma {
            let row_bytes = half_width * 4;
            self.fetch(index, y * row_bytes, rows * row_bytes, bytes)?;
            put(region, out, |x, row| {
                let pair = &bytes[row * row_bytes + x / 2 * 4..][..4];
                rgb(pair[luma + 2 * (x & 1)], pair[u], pair[v])
            });
            return Ok(());
        }
        let (first, last) = (y / 2, (y + rows - 1) / 2);
        let half_rows = last - first + 1;
        self.fetch(index, y * width, rows * width, bytes)?;
        let chroma_at = rows * width;
        let (planes_at, plane) = (width * height, half_width * height.div_ceil(2));
        match chroma {
            Chroma::Paired => {
                self.fetch(index, planes_at + first * half_width * 2, half_rows * half_width * 2, bytes)?;
                put(region, out, |x, row| {
                    let pair = &bytes[chroma_at + (((y + row) / 2 - first) * half_width + x / 2) * 2..][..2];
                    rgb(bytes[row * width + x], pair[0], pair[1])
                });
            }
            Chroma::Packed(_) | Chroma::Planar { .. } => {
                let size = half_rows * half_width;
                self.fetch(index, planes_at + first * half_width, size, bytes)?;
                self.fetch(index, planes_at + plane + first * half_width, size, bytes)?;
                let v_first = chroma == Chroma::Planar { v_first: true };
                put(region, out, |x, row| {
                    let at = chroma_at + ((y + row) / 2 - first) * half_width + x / 2;
                    let (one, two) = (bytes[at], bytes[at + size]);
                    let (u, v) = if v_first { (two, one) } else { (one, two) };
                    rgb(bytes[row * width + x], u, v)
                });
            }
        }
        Ok(())
    }
}

/// Fills a region of three planes; `colour` takes the frame's column and the region's row.
fn put(region: Region, out: &mut Frame, colour: impl Fn(usize, usize) -> [f32; 3]) {
    let area = region.area();
    let (red, rest) = out.data.split_at_mut(area);
    let (green, blue) = rest.split_at_mut(area);
    for row in 0..region.height {
        let part = row * region.width..(row + 1) * region.width;
        let planes = red[part.clone()].iter_mut().zip(&mut green[part.clone()]).zip(&mut blue[part]);
        for (x, ((r, g), b)) in planes.enumerate() {
            [*r, *g, *b] = colour(region.x + x, row);
        }
    }
}

impl FrameReader for ConvertedClip {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn read(&self, index: usize, region: Region, bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        check_request(&self.info, index, region)?;
        out.reshape(index, region, self.info.layout.shifted(region.x, region.y));
        match &self.conversion {
            Conversion::Chroma(chroma) => self.read_chroma(*chroma, index, region, bytes, out),
            Conversion::Palette { colours, row_bytes, bottom_up } => {
                let Region { x, y, width, height } = region;
                let first = if *bottom_up { self.info.height - (y + height) } else { y };
                bytes.clear();
                self.fetch(index, first * row_bytes, height * row_bytes, bytes)?;
                let stored = |column: usize, row: usize| {
                    let row = if *bottom_up { height - 1 - row } else { row };
                    colours[usize::from(bytes[row * row_bytes + column])]
                };
                if self.info.layout == Layout::Rgb {
                    put(region, out, stored);
                } else {
                    for (row, wide) in out.data.chunks_exact_mut(width).enumerate() {
                        wide.iter_mut().enumerate().for_each(|(i, to)| *to = stored(x + i, row)[0]);
                    }
                }
                Ok(())
            }
        }
    }
}
