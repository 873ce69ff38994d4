//! `decode.avi`: reads an AVI clip of uncompressed pixels.
//!
//! A sample `s` becomes `s / white_level`; colours stored as luma and chroma are turned into red, green and blue by
//! ITU-R BT.601 (see `convert`). Frames are found by walking the chunks, so that no index is needed or believed. A clip
//! that is cut short gives its whole frames. Sources: see `riff`.

mod convert;
mod riff;

use std::path::PathBuf;
use std::sync::Arc;

use stillair_api::{
    ClipInfo, Context, Description, Facts, Fault, FrameReader, Layout, Method, Node, Outcome, Parameters, Pattern,
    PortType, Shape, Source, TimesOrigin,
};

use crate::file::ClipFile;
use crate::judge::{Depth, Piece, depth, eight_bits};
use crate::options::{Options, describe};
use crate::samples::{ByteOrder, Encoding};
use crate::stored::{Arrangement, FramePlaces, MAX_FRAMES, PIECE_BYTES, StoredClip, few};
use convert::{Chroma, Conversion, ConvertedClip, Packed};
use riff::{Format, FrameChunk, Walk, walk, words};

pub(crate) use riff::is_avi;

/// `decode.avi`.
pub struct Avi;

impl Method for Avi {
    fn describe(&self) -> Description {
        describe(
            Description::new("decode.avi", Shape::Source, "reads an AVI clip of uncompressed pixels")
                .help(
                    "Reads grey of 8 and 16 bits, palettes, BGR of 24 and 32 bits from the bottom or the top, packed and \
                     planar luma with chroma (YUY2, UYVY, I420, YV12, NV12), also in files over 2 GB. Frames are found by \
                     walking the file, whatever its index says. A grey clip that plainly hides a colour mosaic is read as \
                     one, unless recipe or session say otherwise; the notes give the evidence. Compressed clips are left to \
                     decode.ffmpeg.",
                )
                .source(
                    "RIFF and AVI 1.0, BITMAPINFOHEADER (Microsoft); OpenDML AVI file format extensions 1.02; ITU-R BT.601",
                )
                .contract("decode")
                .output("frames", PortType::Frames, "the clip"),
        )
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(AviSource { options: Options::read(parameters, facts)? })))
    }
}

struct AviSource {
    options: Options,
}

impl Source for AviSource {
    fn open(&self, _context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        open(ClipFile::open(crate::auto::single(paths)?)?, &self.options)
    }
}

/// How a format's pixels are to be read.
enum Pixels {
    /// Plain samples of one plane or interleaved colours.
    Plain { encoding: Encoding, step: usize, layout: Layout, bottom_up: bool },
    /// Anything else.
    Converted(Conversion, Layout),
}

/// Grey of each palette entry if all are grey.
fn palette_kind(format: &Format) -> Pixels {
    let row_bytes = format.width.next_multiple_of(4);
    let bottom_up = !format.top_down;
    let plain = || Pixels::Plain { encoding: Encoding::U8, step: 1, layout: Layout::Mono, bottom_up };
    if format.palette.is_empty() {
        return plain();
    }
    let mut colours = Box::new([[0.0; 3]; 256]);
    for (colour, [b, g, r, _]) in colours.iter_mut().zip(&format.palette) {
        *colour = [r, g, b].map(|c| f32::from(*c) / 255.0);
    }
    let grey = format.palette.iter().all(|[b, g, r, _]| b == g && g == r);
    if grey && format.palette.iter().enumerate().all(|(i, entry)| usize::from(entry[0]) == i) {
        return plain();
    }
    let layout = if grey { Layout::Mono } else { Layout::Rgb };
    Pixels::Converted(Conversion::Palette { colours, row_bytes, bottom_up }, layout)
}

fn pixels(format: &Format) -> Outcome<Pixels> {
    let bottom_up = !format.top_down;
    let plain = |encoding, layout| Ok(Pixels::Plain { encoding, step: 1, layout, bottom_up: false });
    let chroma = |chroma| Ok(Pixels::Converted(Conversion::Chroma(chroma), Layout::Rgb));
    let grey16 = Encoding::U16(ByteOrder::Little);
    match (&format.compression, format.bits) {
        ([0, 0, 0, 0] | b"DIB " | b"RGB ", bits) => match bits {
            8 => Ok(palette_kind(format)),
            24 => Ok(Pixels::Plain { encoding: Encoding::U8, step: 3, layout: Layout::Rgb, bottom_up }),
            32 => Ok(Pixels::Plain { encoding: Encoding::U8, step: 4, layout: Layout::Rgb, bottom_up }),
            _ => Err(unsupported(format!("uncompressed pixels of {bits} bits"))),
        },
        (b"Y800" | b"Y8  " | b"GREY", _) => plain(Encoding::U8, Layout::Mono),
        (b"Y16 ", _) => plain(grey16, Layout::Mono),
        (b"RGGB", _) => plain(Encoding::U8, Layout::Mosaic(Pattern::Rggb)),
        (b"GRBG", _) => plain(Encoding::U8, Layout::Mosaic(Pattern::Grbg)),
        (b"GBRG", _) => plain(Encoding::U8, Layout::Mosaic(Pattern::Gbrg)),
        (b"BA81" | b"BGGR", _) => plain(Encoding::U8, Layout::Mosaic(Pattern::Bggr)),
        (b"YUY2" | b"YUYV" | b"YUNV", _) => chroma(Chroma::Packed(Packed::LumaFirst)),
        (b"UYVY" | b"Y422", _) => chroma(Chroma::Packed(Packed::ChromaFirst)),
        (b"I420" | b"IYUV", _) => chroma(Chroma::Planar { v_first: false }),
        (b"YV12", _) => chroma(Chroma::Planar { v_first: true }),
        (b"NV12", _) => chroma(Chroma::Paired),
        (compression, bits) => Err(unsupported(format!("the codec `{}` ({bits} bits)", words(*compression)))),
    }
}

fn unsupported(what: String) -> Fault {
    Fault::request(format!("{what} cannot be read here")).remedy("use decode.ffmpeg, with ffmpeg installed")
}

/// Bytes from row to row of plain samples: rows are padded to 4 bytes, except where the chunks hold exactly the bytes of
/// unpadded rows.
fn row_bytes(tight: usize, height: usize, chunk_bytes: u32, padded_by_rule: bool) -> usize {
    let padded = tight.next_multiple_of(4);
    let of = |row: usize| (row as u64).checked_mul(height as u64);
    let chunk = Some(u64::from(chunk_bytes));
    if padded_by_rule {
        if chunk == of(tight) { tight } else { padded }
    } else if chunk == of(padded) {
        padded
    } else {
        tight
    }
}

/// The chunks that hold whole frames, with their place in time, and notes on those that do not.
fn whole_frames(walk: &Walk, frame_bytes: u64, notes: &mut Vec<String>) -> Outcome<Vec<(usize, FrameChunk)>> {
    let whole: Vec<(usize, FrameChunk)> =
        walk.chunks.iter().copied().enumerate().filter(|(_, chunk)| u64::from(chunk.len) >= frame_bytes).collect();
    let (width, height) = (walk.format.width, walk.format.height);
    match walk.chunks.iter().map(|c| c.len).max() {
        None if walk.cut => {
            return Err(Fault::data("the file is cut short before its first whole frame")
                .remedy("copy the file again from the capture computer"));
        }
        None => return Err(Fault::data("the clip has no frames").remedy("capture again")),
        Some(longest) if whole.is_empty() => {
            return Err(Fault::data(format!(
                "the headers say {width}x{height} pixels, {frame_bytes} bytes a frame, but the largest frame chunk has \
                 {longest} bytes"
            ))
            .remedy("the headers are damaged: copy or capture the file again"));
        }
        Some(_) => {}
    }
    if walk.cut {
        notes.push(format!("the file is cut short: its {} whole frames are used", whole.len()));
    }
    if whole.len() < walk.chunks.len() {
        notes.push(format!(
            "{} of {} frame chunks are empty or too short for a frame and are left out",
            walk.chunks.len() - whole.len(),
            walk.chunks.len()
        ));
    }
    // The count in the first header is of the first part only in files over 2 GB, so fewer is no fault.
    if walk.stated_frames as usize > walk.chunks.len() && !walk.cut {
        notes.push(format!("the headers say {} frames, the file holds {}", walk.stated_frames, walk.chunks.len()));
    }
    Ok(whole)
}

/// Opens a clip.
pub(crate) fn open(file: ClipFile, options: &Options) -> Outcome<Box<dyn FrameReader>> {
    let name = file.name();
    open_walked(file, options).map_err(|fault| if fault.message.starts_with(&name) { fault } else { fault.at(name) })
}

fn open_walked(file: ClipFile, options: &Options) -> Outcome<Box<dyn FrameReader>> {
    let walk = walk(&file)?;
    let mut notes = Vec::new();
    let (width, height) = (walk.format.width, walk.format.height);
    let first_bytes = walk.chunks.first().map_or(0, |c| c.len);
    let pixels = pixels(&walk.format)?;
    let (frame_bytes, stride) = match &pixels {
        Pixels::Plain { encoding, step, bottom_up, .. } => {
            let by_rule = *bottom_up || *step > 1 || walk.format.compression == [0; 4];
            let stride = row_bytes(width * step * encoding.bytes(), height, first_bytes, by_rule);
            ((stride as u64).checked_mul(height as u64), stride)
        }
        Pixels::Converted(conversion, _) => (conversion.frame_bytes(width, height), 0),
    };
    let whole = whole_frames(&walk, frame_bytes.unwrap_or(u64::MAX), &mut notes)?;
    if whole.len() > MAX_FRAMES {
        return Err(Fault::request(format!("the clip has {} frames; at most {MAX_FRAMES} can be read", whole.len()))
            .remedy("split the clip"));
    }
    let (time_s, times): (Arc<[f64]>, _) = match walk.frame_s {
        Some(period) => (whole.iter().map(|(i, _)| *i as f64 * period).collect(), TimesOrigin::Rate),
        None => {
            notes.push("the clip has no plausible frame rate: frame times are unknown".into());
            (vec![f64::NAN; whole.len()].into(), TimesOrigin::Absent)
        }
    };
    let (bits, white_level) = eight_bits(8, options);
    let mut info = ClipInfo {
        frames: whole.len(),
        width,
        height,
        layout: Layout::Rgb,
        bits,
        white_level,
        time_s,
        start_unix_ns: None,
        times,
        exposure_s: options.exposure_s,
        header: [("pixel_format".to_owned(), words(walk.format.compression))].into(),
        notes,
    };
    let places = FramePlaces::Listed(whole.iter().map(|(_, chunk)| chunk.offset).collect());
    match pixels {
        Pixels::Converted(conversion, layout) => {
            // A palette looks up finished colours, luma and chroma have a scale of their own.
            (info.bits, info.white_level, info.layout) = (8, 255.0, layout);
            if matches!(conversion, Conversion::Chroma(_)) {
                info.notes.push(
                    "the clip stores luma and chroma: red, green and blue follow ITU-R BT.601; such clips often carry a \
                     brightness curve, which is not undone"
                        .into(),
                );
            }
            Ok(Box::new(ConvertedClip::new(file, places, conversion, info)))
        }
        Pixels::Plain { encoding, step, layout, bottom_up } => {
            let mut encoding = encoding;
            if encoding.bytes() == 2 {
                let (order, depth) = judge_words(&file, &places, &info, stride, options)?;
                encoding = Encoding::U16(order);
                (info.bits, info.white_level) = (depth.bits, depth.white_level());
                info.notes.extend(depth.note);
            }
            info.white_level = options.white_level.unwrap_or(info.white_level);
            info.layout = if step == 1 { options.one_plane(layout, &mut info.notes) } else { layout };
            let arrangement =
                Arrangement { encoding, step, order: [2, 1, 0], row_bytes: stride, bottom_up, planes: None };
            let mut clip = StoredClip::new(file, places, arrangement, info);
            let (layout, note) = crate::mosaic::decide(&clip, layout != Layout::Mono, options)?;
            clip.set_layout(layout);
            clip.note(note);
            Ok(Box::new(clip))
        }
    }
}

/// Depth and alignment of 16-bit grey; the format fixes the byte order.
fn judge_words(
    file: &ClipFile,
    places: &FramePlaces,
    info: &ClipInfo,
    row_bytes: usize,
    options: &Options,
) -> Outcome<(ByteOrder, Depth)> {
    let order = options.byte_order.unwrap_or(ByteOrder::Little);
    let rows = (PIECE_BYTES / row_bytes.max(1)).clamp(1, info.height);
    let top = (info.height - rows) / 2 * row_bytes;
    let read = |index: usize| file.read_upto(places.offset(index) + top as u64, (rows * row_bytes).min(PIECE_BYTES));
    let bytes: Vec<Vec<u8>> = few(info.frames).into_iter().map(read).collect::<Outcome<_>>()?;
    let pieces: Vec<Piece<'_>> =
        bytes.iter().map(|bytes| Piece { bytes, row_samples: row_bytes / 2, pitch: 2 }).collect();
    Ok((order, depth(&pieces, order, options.bits.unwrap_or(16), options.alignment)))
}
