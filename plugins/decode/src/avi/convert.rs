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
    /// Two pixels in four bytes.
    Packed(Packed),
    /// A plane of luma, then chroma at half size: U plane and V plane (or V first).
    Planar {
        /// Whether V comes before U.
        v_first: bool,
    },
    /// A plane of luma, then a plane of U and V in turn at half size.
    Paired,
}

/// Order of the four bytes of two pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Packed {
    /// Y U Y V.
    LumaFirst,
    /// U Y V Y.
    ChromaFirst,
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

/// Pixels of a row that are gathered before they are converted, in one loop without branches.
const BLOCK: usize = 256;

/// Luma and chroma of a part of a row, a byte a pixel.
struct Gathered {
    y: [u8; BLOCK],
    u: [u8; BLOCK],
    v: [u8; BLOCK],
}

impl Gathered {
    /// Takes up to a block of pixels from packed pairs; the first pixel is the second of its pair where `x` is odd.
    fn packed<const LUMA: usize, const U: usize, const V: usize>(&mut self, pairs: &[u8], x: usize, len: usize) {
        let from = x % 2;
        if from == 1 {
            (self.y[0], self.u[0], self.v[0]) = (pairs[LUMA + 2], pairs[U], pairs[V]);
        }
        let pairs = pairs[from * 4..].chunks_exact(4);
        let y = self.y[from..len].chunks_mut(2);
        let chroma = self.u[from..len].chunks_mut(2).zip(self.v[from..len].chunks_mut(2));
        for ((pair, y), (u, v)) in pairs.zip(y).zip(chroma) {
            if let ([y0, y1], [u0, u1], [v0, v1]) = (&mut *y, &mut *u, &mut *v) {
                (*y0, *y1) = (pair[LUMA], pair[LUMA + 2]);
                (*u0, *u1) = (pair[U], pair[U]);
                (*v0, *v1) = (pair[V], pair[V]);
            } else {
                (y[0], u[0], v[0]) = (pair[LUMA], pair[U], pair[V]);
            }
        }
    }

    /// Takes up to a block of pixels from a row of luma and the chroma of its columns, shared by two.
    fn planar(&mut self, luma: &[u8], x: usize, chroma: impl Fn(usize) -> (u8, u8)) {
        self.y[..luma.len()].copy_from_slice(luma);
        let places = self.u[..luma.len()].iter_mut().zip(&mut self.v);
        for (i, (u, v)) in places.enumerate() {
            (*u, *v) = chroma((x + i) / 2);
        }
    }

    /// Red, green and blue of as many pixels as the slices hold.
    fn convert(&self, red: &mut [f32], green: &mut [f32], blue: &mut [f32]) {
        let stored = self.y.iter().zip(&self.u).zip(&self.v);
        for (((r, g), b), ((y, u), v)) in red.iter_mut().zip(green).zip(blue).zip(stored) {
            let y = 1.164_383 * (f32::from(*y) - 16.0);
            let (u, v) = (f32::from(*u) - 128.0, f32::from(*v) - 128.0);
            *r = (y + 1.596_027 * v) * (1.0 / 255.0);
            *g = (y - 0.391_762 * u - 0.812_968 * v) * (1.0 / 255.0);
            *b = (y + 2.017_232 * u) * (1.0 / 255.0);
        }
    }
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
        if let Chroma::Packed(order) = chroma {
            let row_bytes = half_width * 4;
            self.fetch(index, y * row_bytes, rows * row_bytes, bytes)?;
            let pairs = |x: usize, row: usize| &bytes[row * row_bytes + x / 2 * 4..(row + 1) * row_bytes];
            match order {
                Packed::LumaFirst => {
                    put_blocks(region, out, |to, x, row, len| to.packed::<0, 1, 3>(pairs(x, row), x, len))
                }
                Packed::ChromaFirst => {
                    put_blocks(region, out, |to, x, row, len| to.packed::<1, 0, 2>(pairs(x, row), x, len))
                }
            }
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
                put_blocks(region, out, |to, x, row, len| {
                    let shared = &bytes[chroma_at + ((y + row) / 2 - first) * half_width * 2..][..half_width * 2];
                    to.planar(&bytes[row * width + x..][..len], x, |i| (shared[2 * i], shared[2 * i + 1]));
                });
            }
            Chroma::Packed(_) | Chroma::Planar { .. } => {
                let size = half_rows * half_width;
                self.fetch(index, planes_at + first * half_width, size, bytes)?;
                self.fetch(index, planes_at + plane + first * half_width, size, bytes)?;
                let v_first = chroma == Chroma::Planar { v_first: true };
                put_blocks(region, out, |to, x, row, len| {
                    let at = chroma_at + ((y + row) / 2 - first) * half_width;
                    let (one, two) = (&bytes[at..][..half_width], &bytes[at + size..][..half_width]);
                    let (u, v) = if v_first { (two, one) } else { (one, two) };
                    to.planar(&bytes[row * width + x..][..len], x, |i| (u[i], v[i]));
                });
            }
        }
        Ok(())
    }
}

/// Fills a region of three planes from luma and chroma; `gather` takes the frame's column, the region's row and how many
/// pixels to take.
fn put_blocks(region: Region, out: &mut Frame, gather: impl Fn(&mut Gathered, usize, usize, usize)) {
    let area = region.area();
    let (red, rest) = out.data.split_at_mut(area);
    let (green, blue) = rest.split_at_mut(area);
    let mut block = Gathered { y: [0; BLOCK], u: [0; BLOCK], v: [0; BLOCK] };
    for row in 0..region.height {
        for column in (0..region.width).step_by(BLOCK) {
            let len = BLOCK.min(region.width - column);
            gather(&mut block, region.x + column, row, len);
            let part = row * region.width + column..row * region.width + column + len;
            block.convert(&mut red[part.clone()], &mut green[part.clone()], &mut blue[part]);
        }
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
