//! `decode.ser`: reads a SER clip, the open format of planetary cameras: a header, frames of plain samples without
//! gaps, and where the camera wrote one, a list of frame times.
//!
//! A sample `s` becomes `s / white_level`. Headers of this format are often wrong about byte order and depth, so both
//! are decided from the data (see `judge`), and what was decided is said in the clip's notes. Source: the published
//! open layout of the format, version 3.

mod header;
mod times;

use std::path::PathBuf;

use stillair_api::{
    ClipInfo, Context, Description, Facts, FrameReader, Layout, Method, Node, Outcome, Parameters, PortType, Shape,
    Source,
};

use crate::file::ClipFile;
use crate::judge::{Depth, Piece, byte_order, depth, eight_bits};
use crate::options::{Alignment, Options, describe};
use crate::samples::{ByteOrder, Encoding};
use crate::stored::{Arrangement, FramePlaces, PIECE_BYTES, StoredClip, few};
use header::{Colours, HEADER_BYTES, Header};

pub(crate) use header::SIGNATURE;

/// `decode.ser`.
pub struct Ser;

impl Method for Ser {
    fn describe(&self) -> Description {
        describe(
            Description::new("decode.ser", Shape::Source, "reads a SER clip")
                .help(
                    "Reads all layouts of the format with 1 to 16 bits: grey, the four red-green-blue mosaics, RGB and \
                     BGR. Byte order and alignment of 16-bit samples are decided from the data, since headers are often \
                     wrong; the notes say what was decided and why. A clip that was cut short gives its whole frames. \
                     Frame times are read where they are there and plausible; a pace that changes in mid-clip is told. Mosaics of cyan, yellow and magenta are \
                     refused.",
                )
                .source("published open layout of the format, version 3; judgement of the samples: own method")
                .contract("decode")
                .output("frames", PortType::Frames, "the clip"),
        )
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(SerSource { options: Options::read(parameters, facts)? })))
    }
}

struct SerSource {
    options: Options,
}

impl Source for SerSource {
    fn open(&self, context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        Ok(Box::new(open(context, ClipFile::open(crate::auto::single(paths)?)?, &self.options)?))
    }
}

/// Whole rows from the middle of a few frames, as stored.
fn pieces(file: &ClipFile, header: &Header, row_bytes: usize) -> Outcome<Vec<Vec<u8>>> {
    let rows = (PIECE_BYTES / row_bytes).clamp(1, header.height);
    let top = (header.height - rows) / 2;
    let read = |index: usize| {
        let offset = HEADER_BYTES + header.frame_bytes * index as u64 + (top * row_bytes) as u64;
        // A single row longer than the limit is cut; it still says what its samples are.
        file.read_upto(offset, (rows * row_bytes).min(PIECE_BYTES))
    };
    few(header.frames).into_iter().map(read).collect()
}

/// Byte order, depth and alignment of 16-bit samples.
fn judge_words(header: &Header, options: &Options, pieces: &[Vec<u8>], notes: &mut Vec<String>) -> (ByteOrder, Depth) {
    let samples = header.colours.samples();
    let pitch = match header.colours {
        Colours::One(_) => 2,
        Colours::Rgb | Colours::Bgr => 3,
    };
    let pieces: Vec<Piece<'_>> =
        pieces.iter().map(|bytes| Piece { bytes, row_samples: header.width * samples, pitch }).collect();
    let declared = options.bits.unwrap_or(header.bits);
    let stated = if header.little_endian_flag == 0 { ByteOrder::Big } else { ByteOrder::Little };
    let order = options.byte_order.unwrap_or_else(|| match byte_order(&pieces, declared) {
        Some((order, why)) => {
            if order != stated {
                notes.push(format!(
                    "the byte-order flag {} means {}, but the samples are {}: {why}",
                    header.little_endian_flag,
                    stated.name(),
                    order.name()
                ));
            }
            order
        }
        None => {
            if stated == ByteOrder::Big {
                notes.push(
                    "the samples do not tell their byte order, and the flag 0 is written by cameras of both kinds: \
                     taken as little-endian; set byte_order if the picture looks like noise"
                        .into(),
                );
            }
            ByteOrder::Little
        }
    });
    let mut found = depth(&pieces, order, declared, options.alignment);
    notes.extend(found.note.take());
    (order, found)
}

/// Opens a clip.
pub(crate) fn open(context: &dyn Context, file: ClipFile, options: &Options) -> Outcome<StoredClip> {
    let mut notes = Vec::new();
    let header = Header::read(&file, options.layout.map(|(layout, _)| layout), &mut notes)?;
    let samples = header.colours.samples();
    let mut decided = Vec::new();
    let (encoding, bits, white_level) = if header.bits <= 8 {
        let (bits, white_level) = eight_bits(header.bits, options);
        (Encoding::U8, bits, white_level)
    } else {
        let pieces = pieces(&file, &header, header.width * samples * 2)?;
        let (order, depth) = judge_words(&header, options, &pieces, &mut notes);
        let end = if depth.alignment == Alignment::Left { "left" } else { "right" };
        let first = if order == ByteOrder::Little { "little" } else { "big" };
        decided = vec![("byte_order", first), ("alignment", end)];
        (Encoding::U16(order), depth.bits, depth.white_level())
    };
    let (layout, order) = match header.colours {
        Colours::One(stated) => (options.one_plane(stated, &mut notes), [0; 3]),
        Colours::Rgb => (Layout::Rgb, [0, 1, 2]),
        Colours::Bgr => (Layout::Rgb, [2, 1, 0]),
    };
    let times = times::read(&file, &header, &mut notes)?;
    if let Some(words) = times::pace_warning(&times.time_s) {
        context.warn(&words);
    }
    let names = ["observer", "instrument", "telescope"].into_iter().zip(&header.names);
    let mut info = ClipInfo {
        frames: header.frames,
        width: header.width,
        height: header.height,
        layout,
        bits,
        white_level: options.white_level.unwrap_or(white_level),
        time_s: times.time_s,
        start_unix_ns: times.start_unix_ns,
        times: times.origin,
        exposure_s: options.exposure_s,
        header: names.filter(|(_, text)| !text.is_empty()).map(|(n, t)| (n.to_owned(), t.clone())).collect(),
        notes,
    };
    info.header.extend(decided.into_iter().map(|(name, word)| (name.to_owned(), word.to_owned())));
    if times::plausible(header.local_ticks) && times::plausible(header.utc_ticks) {
        let offset_h = (header.local_ticks - header.utc_ticks) as f64 / 3.6e10;
        if offset_h.abs() <= 15.0 {
            info.header.insert("utc_offset_h".into(), format!("{offset_h}"));
        }
    }
    let places = FramePlaces::Regular { first: HEADER_BYTES, step: header.frame_bytes };
    let row_bytes = header.width * samples * encoding.bytes();
    let arrangement = Arrangement { encoding, step: samples, order, row_bytes, bottom_up: false, planes: None };
    let mut clip = StoredClip::new(file, places, arrangement, info);
    let (_, note) = crate::mosaic::decide(&clip, true, options)?;
    clip.note(note);
    Ok(clip)
}
