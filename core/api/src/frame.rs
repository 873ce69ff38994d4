//! The stream: a clip's description and its frames.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::Samples;

/// The 2x2 colour-mosaic pattern, named by its first two rows from the top left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Pattern {
    /// R G / G B
    Rggb,
    /// G R / B G
    Grbg,
    /// G B / R G
    Gbrg,
    /// B G / G R
    Bggr,
}

impl Pattern {
    /// All four, in the order of their declaration.
    pub const ALL: [Pattern; 4] = [Pattern::Rggb, Pattern::Grbg, Pattern::Gbrg, Pattern::Bggr];

    /// Column and row parity (0 or 1 each) of the red sample.
    pub fn red(self) -> (usize, usize) {
        match self {
            Pattern::Rggb => (0, 0),
            Pattern::Grbg => (1, 0),
            Pattern::Gbrg => (0, 1),
            Pattern::Bggr => (1, 1),
        }
    }

    /// Colour of the sample at (x, y): 0 red, 1 green, 2 blue.
    pub fn colour_at(self, x: usize, y: usize) -> usize {
        let (rx, ry) = self.red();
        ((x ^ rx) & 1) + ((y ^ ry) & 1)
    }

    /// The pattern seen from a window whose top left pixel is at (x, y).
    #[must_use]
    pub fn shifted(self, x: usize, y: usize) -> Pattern {
        let (rx, ry) = self.red();
        match ((rx + x) & 1, (ry + y) & 1) {
            (0, 0) => Pattern::Rggb,
            (1, 0) => Pattern::Grbg,
            (0, 1) => Pattern::Gbrg,
            _ => Pattern::Bggr,
        }
    }

    /// The pattern's four letters in capitals, as cameras write it.
    pub fn letters(self) -> &'static str {
        match self {
            Pattern::Rggb => "RGGB",
            Pattern::Grbg => "GRBG",
            Pattern::Gbrg => "GBRG",
            Pattern::Bggr => "BGGR",
        }
    }

    /// Reads the four letters, in any case.
    pub fn parse(letters: &str) -> Option<Pattern> {
        Pattern::ALL.into_iter().find(|p| p.letters().eq_ignore_ascii_case(letters.trim()))
    }
}

/// How a frame's samples are arranged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Layout {
    /// One plane, no colour.
    Mono,
    /// One plane behind a colour mosaic.
    Mosaic(Pattern),
    /// Three planes: red, green, blue.
    Rgb,
}

impl Layout {
    /// Number of planes in memory: 1 or 3.
    pub fn planes(self) -> usize {
        if self == Layout::Rgb { 3 } else { 1 }
    }

    /// The layout seen from a window whose top left pixel is at (x, y).
    #[must_use]
    pub fn shifted(self, x: usize, y: usize) -> Layout {
        match self {
            Layout::Mosaic(pattern) => Layout::Mosaic(pattern.shifted(x, y)),
            other => other,
        }
    }
}

/// A rectangle of pixels in the full frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Region {
    /// Left column.
    pub x: usize,
    /// Top row.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Region {
    /// The whole of a frame.
    pub fn whole(width: usize, height: usize) -> Self {
        Self { x: 0, y: 0, width, height }
    }

    /// Pixels in the region.
    pub fn area(self) -> usize {
        self.width * self.height
    }
}

/// Where a clip's frame times come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TimesOrigin {
    /// One time stamp per frame in the file.
    Stamps,
    /// A start time and a frame rate.
    Rate,
    /// None: `time_s` is NaN.
    Absent,
}

/// What is known of a clip before a pixel is read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClipInfo {
    /// Number of frames.
    pub frames: usize,
    /// Columns of a frame.
    pub width: usize,
    /// Rows of a frame.
    pub height: usize,
    /// Arrangement of samples, seen from the top left pixel of the frame.
    pub layout: Layout,
    /// Significant bits of a sample.
    pub bits: u32,
    /// The stored number that becomes 1.0.
    pub white_level: f64,
    /// Seconds of each frame from the first one, NaN where unknown; as long as `frames`.
    pub time_s: Arc<[f64]>,
    /// UTC of the first frame, nanoseconds since 1970-01-01T00:00:00Z, if known.
    pub start_unix_ns: Option<i64>,
    /// Where the times come from.
    pub times: TimesOrigin,
    /// Exposure of a frame in seconds, if the file says so.
    pub exposure_s: Option<f64>,
    /// Further header entries, by name.
    pub header: BTreeMap<String, String>,
    /// What the reader decided or found odd, in words for the record.
    pub notes: Vec<String>,
}

impl ClipInfo {
    /// The whole frame.
    pub fn region(&self) -> Region {
        Region::whole(self.width, self.height)
    }

    /// UTC of the middle of the clip in nanoseconds since 1970, if known.
    pub fn middle_unix_ns(&self) -> Option<i64> {
        let last = self.time_s.iter().rev().find(|t| t.is_finite()).copied().unwrap_or(0.0);
        self.start_unix_ns.map(|start| start + (last * 0.5e9) as i64)
    }

    /// UTC of the first frame's beginning and of the last one's end in nanoseconds since 1970, each where it is known.
    /// The end needs the last frame's time; an unknown exposure counts as none.
    pub fn span_unix_ns(&self) -> [Option<i64>; 2] {
        let last = self.time_s.last().filter(|t| t.is_finite());
        let end = self.start_unix_ns.zip(last).map(|(start, last)| {
            let seconds = last + self.exposure_s.filter(|s| s.is_finite()).unwrap_or(0.0);
            start + (seconds * 1e9).round() as i64
        });
        [self.start_unix_ns, end]
    }
}

/// One frame, or a window of one: planar linear samples, plane after plane, row after row.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// Number of the frame in its clip, from 0.
    pub index: usize,
    /// Which part of the full frame this is. Positions in tables and motions are of the full frame.
    pub region: Region,
    /// Arrangement of samples, seen from this window's top left pixel.
    pub layout: Layout,
    /// `layout.planes() * region.height * region.width` samples in units of the white level.
    pub data: Samples,
}

impl Frame {
    /// An empty frame to be filled; buffers are reused by the engine.
    pub fn empty() -> Self {
        Self { index: 0, region: Region::whole(0, 0), layout: Layout::Mono, data: Samples::default() }
    }

    /// Gives the frame a shape; the samples keep whatever the buffer held.
    pub fn reshape(&mut self, index: usize, region: Region, layout: Layout) {
        self.index = index;
        self.region = region;
        self.layout = layout;
        self.data.resize(region.area() * layout.planes(), 0.0);
    }

    /// Columns.
    pub fn width(&self) -> usize {
        self.region.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.region.height
    }

    /// One plane as a slice.
    pub fn plane(&self, plane: usize) -> &[f32] {
        let area = self.region.area();
        &self.data[plane * area..(plane + 1) * area]
    }

    /// One plane as a mutable slice.
    pub fn plane_mut(&mut self, plane: usize) -> &mut [f32] {
        let area = self.region.area();
        &mut self.data[plane * area..(plane + 1) * area]
    }

    /// Copies the part of `source` that lies in `region` (full-frame coordinates, inside `source.region`).
    pub fn copy_window(&mut self, source: &Frame, region: Region) {
        let (dx, dy) = (region.x - source.region.x, region.y - source.region.y);
        self.reshape(source.index, region, source.layout.shifted(dx, dy));
        for plane in 0..source.layout.planes() {
            let from = source.plane(plane);
            let to = self.plane_mut(plane);
            for (y, row) in to.chunks_exact_mut(region.width).enumerate() {
                let start = (y + dy) * source.region.width + dx;
                row.copy_from_slice(&from[start..start + region.width]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_names_the_colour_of_every_sample() {
        for pattern in Pattern::ALL {
            let seen: String = [(0, 0), (1, 0), (0, 1), (1, 1)]
                .iter()
                .map(|&(x, y)| ['R', 'G', 'B'][pattern.colour_at(x, y)])
                .collect();
            assert_eq!(seen, pattern.letters());
            for (x, y) in [(0, 1), (1, 0), (1, 1), (2, 3)] {
                for (u, v) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    assert_eq!(pattern.shifted(x, y).colour_at(u, v), pattern.colour_at(x + u, y + v));
                }
            }
        }
    }
}
