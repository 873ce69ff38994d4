//! `write.ser`: a clip of plain samples, for other programs.
//!
//! Frames are written as they come, after whatever maps cropped or corrected them; values are clamped to 0..1 (NaN and
//! infinity become 0) and rounded to 8 or 16 bits. With a motion linked each frame is moved by whole pixels, even ones
//! behind a colour mosaic, so that the target's reference point stays where it is in the first frame; nothing is
//! resampled, and what lies outside the frame is 0. 16-bit samples are little-endian, and the byte-order flag says so
//! literally. Times follow the frames if every one is known. The format has no place for a whole provenance; its field of
//! 40 bytes for the observer, whom a result does not name, says program, version and the first digits of the recipe's
//! hash. Source: the published open layout of the format, version 3.

use std::io::SeekFrom;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, FrameInput, Layout, Method, Node, Outcome, OutputFile,
    Parameter, Parameters, Pattern, PortType, Region, Shape, Sink, SinkRun,
};

use crate::levels::Transfer;
use crate::output::{name_parameter, stem, unwritable};

/// The format's signature.
const SIGNATURE: [u8; 14] = [0x4c, 0x55, 0x43, 0x41, 0x4d, 0x2d, 0x52, 0x45, 0x43, 0x4f, 0x52, 0x44, 0x45, 0x52];

/// Ticks of 100 ns from the year 1 to 1970.
const UNIX_EPOCH_TICKS: i64 = 621_355_968_000_000_000;

/// `write.ser`.
pub struct Ser;

impl Method for Ser {
    fn describe(&self) -> Description {
        Description::new("write.ser", Shape::Sink, "writes frames as a SER clip")
            .help(
                "Hands a cropped, corrected or steadied clip to other programs. Link a motion to steady the target by whole \
                 pixels. Frames of weight 0 are left out.",
            )
            .source("published open layout of the format, version 3")
            .contract("write.frames")
            .input("frames", PortType::Frames, "the clip")
            .optional("table", PortType::Table, "frames of weight 0 are left out")
            .optional("motion", PortType::Motion, "where the target is in each frame")
            .many()
            .parameter(name_parameter("clip"))
            .parameter(Parameter::choice(
                "bits",
                &["auto", "8", "16"],
                "auto",
                "bits of a sample; auto = 8 for captures of up to 8 bits, else 16",
            ))
            .extension("ser")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        let wide = match parameters.text("bits")? {
            "8" => Some(false),
            "16" => Some(true),
            _ => None,
        };
        Ok(Node::Sink(Box::new(SerSink { stem: stem(parameters)?, wide })))
    }
}

struct SerSink {
    stem: String,
    wide: Option<bool>,
}

impl Sink for SerSink {
    fn start(&self, _: &dyn Context, bound: &Bound, info: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let info = info.ok_or_else(|| Fault::request("no frames are linked to `frames`"))?;
        Ok(Box::new(SerRun {
            wide: self.wide.unwrap_or(info.bits > 8),
            info: info.clone(),
            maker: maker(&bound.provenance),
            first: None,
            ticks: Vec::new(),
            bytes: Vec::new(),
        }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

/// What every frame must be like.
#[derive(Debug, Clone, Copy, PartialEq)]
struct First {
    region: Region,
    layout: Layout,
    reference_px: [f64; 2],
}

struct SerRun {
    info: ClipInfo,
    maker: String,
    wide: bool,
    first: Option<First>,
    ticks: Vec<Option<i64>>,
    bytes: Vec<u8>,
}

/// Program and recipe in 40 letters: a version and 72 bits of a hash.
fn maker(provenance: &str) -> String {
    const KEY: &str = "\"recipe_blake3\":\"";
    let hash = provenance.find(KEY).map(|at| provenance[at + KEY.len()..].chars());
    let hash: String = hash.into_iter().flatten().take_while(char::is_ascii_hexdigit).take(18).collect();
    let program = concat!("Stillair ", env!("CARGO_PKG_VERSION"));
    if hash.is_empty() { program.into() } else { format!("{program} recipe {hash}") }
}

fn colour_id(layout: Layout) -> i32 {
    match layout {
        Layout::Mono => 0,
        Layout::Mosaic(Pattern::Rggb) => 8,
        Layout::Mosaic(Pattern::Grbg) => 9,
        Layout::Mosaic(Pattern::Gbrg) => 10,
        Layout::Mosaic(Pattern::Bggr) => 11,
        Layout::Rgb => 100,
    }
}

/// How far the canvas has moved since the first frame, px: whole, and even behind a colour mosaic.
fn shift(first: &First, place: [f64; 2]) -> Option<[i64; 2]> {
    let step = if matches!(first.layout, Layout::Mosaic(_)) { 2.0 } else { 1.0 };
    let along = |axis: usize| {
        let moved = ((place[axis] - first.reference_px[axis]) / step).round() * step;
        (moved.abs() < 1e6).then_some(moved as i64)
    };
    Some([along(0)?, along(1)?])
}

impl SerRun {
    fn header(&self) -> Vec<u8> {
        let region = self.first.map_or(self.info.region(), |first| first.region);
        let layout = self.first.map_or(self.info.layout, |first| first.layout);
        let start = self.ticks.first().copied().flatten().unwrap_or(0);
        let mut header = SIGNATURE.to_vec();
        let bits = if self.wide { 16 } else { 8 };
        let sizes = [region.width, region.height].map(|side| i32::try_from(side).unwrap_or(i32::MAX));
        let count = i32::try_from(self.ticks.len()).unwrap_or(i32::MAX);
        for word in [0, colour_id(layout), i32::from(self.wide), sizes[0], sizes[1], bits, count] {
            header.extend(word.to_le_bytes());
        }
        // The observer is left out: a result names no person.
        let known = |name: &str| self.info.header.get(name).map_or("", String::as_str);
        for text in [&self.maker, known("instrument"), known("telescope")] {
            let mut field: Vec<u8> = text.bytes().map(|b| if b.is_ascii() { b } else { b'?' }).take(40).collect();
            field.resize(40, 0);
            header.extend(field);
        }
        header.extend(start.to_le_bytes());
        header.extend(start.to_le_bytes());
        header
    }

    fn ticks_of(&self, index: usize) -> Option<i64> {
        let seconds = self.info.time_s.get(index).copied().filter(|s| s.is_finite())?;
        Some(UNIX_EPOCH_TICKS + self.info.start_unix_ns? / 100 + (seconds * 1e7).round() as i64)
    }
}

impl SinkRun for SerRun {
    fn begin(&mut self, _: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        out.write_all(&self.header()).map_err(|e| unwritable(&e))
    }

    fn frame(&mut self, input: &FrameInput<'_>, out: &mut dyn OutputFile) -> Outcome<()> {
        let frame = input.frame;
        let place = input.placement.map(|p| [p.global.x_px, p.global.y_px]);
        if place.is_some_and(|place| place.iter().any(|px| !px.is_finite())) {
            // A frame whose target was not found cannot be steadied.
            return Ok(());
        }
        let region = frame.region;
        let here = First { region, layout: frame.layout, reference_px: place.unwrap_or([0.0; 2]) };
        let first = *self.first.get_or_insert(here);
        if (region.width, region.height) != (first.region.width, first.region.height)
            || (place.is_none() && frame.layout != first.layout)
        {
            return Err(Fault::request(format!(
                "frame {} is {}x{} px, the first one {}x{}: a clip has frames of one size and one colour mosaic",
                frame.index, region.width, region.height, first.region.width, first.region.height
            ))
            .remedy("crop to a constant size on even pixels (crop.follow does)"));
        }
        // Where the top left pixel of the canvas lies in this frame's own window.
        let origin = match place.map(|place| shift(&first, place)) {
            None => [0, 0],
            Some(Some([dx, dy])) => {
                [first.region.x as i64 + dx - region.x as i64, first.region.y as i64 + dy - region.y as i64]
            }
            Some(None) => return Ok(()),
        };
        let planes = frame.layout.planes();
        self.bytes.clear();
        for y in 0..region.height {
            let row = usize::try_from(y as i64 + origin[1]).ok().filter(|row| *row < region.height);
            for x in 0..region.width {
                let column = usize::try_from(x as i64 + origin[0]).ok().filter(|column| *column < region.width);
                let at = row.zip(column).map(|(row, column)| row * region.width + column);
                for plane in 0..planes {
                    let value = at.map_or(0.0, |at| frame.plane(plane)[at]);
                    if self.wide {
                        self.bytes.extend(Transfer::Linear.to_u16(value).to_le_bytes());
                    } else {
                        self.bytes.push(Transfer::Linear.to_u8(value));
                    }
                }
            }
        }
        out.write_all(&self.bytes).map_err(|e| unwritable(&e))?;
        self.ticks.push(self.ticks_of(frame.index));
        Ok(())
    }

    fn end(&mut self, _: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        if self.ticks.is_empty() {
            return Err(Fault::data("there is no frame to write").remedy("look at the weights of the linked table"));
        }
        if let Some(ticks) = self.ticks.iter().copied().collect::<Option<Vec<i64>>>() {
            let trailer: Vec<u8> = ticks.iter().flat_map(|t| t.to_le_bytes()).collect();
            out.write_all(&trailer).map_err(|e| unwritable(&e))?;
        }
        out.seek(SeekFrom::Start(0)).map_err(|e| unwritable(&e))?;
        out.write_all(&self.header()).map_err(|e| unwritable(&e))?;
        out.seek(SeekFrom::End(0)).map_err(|e| unwritable(&e))?;
        Ok(())
    }
}
