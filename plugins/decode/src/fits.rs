//! `decode.fits`: reads a FITS picture, a cube of frames, or a folder of FITS pictures.
//!
//! A stored number `s` means `BZERO + BSCALE * s` and becomes that over the white level; what is not a number becomes 0.
//! A third axis of length 3 is red, green, blue; any other is frames. The first row of the file is the top one, as
//! cameras write it, unless `ROWORDER` says `BOTTOM-UP`. The exposure of a frame is EXPTIME over NCOMBINE. Its time is
//! DATE-BEG, else DATE-OBS (with TIME-OBS where that holds no time of day), else MJD-BEG or MJD-OBS; for a picture
//! combined from several DATE-AVG comes first, since its middle is what it shows. Source: FITS Standard 4.0 (IAU), 4.4.2,
//! 9.1 and 9.5; BAYERPAT, ROWORDER, EXPTIME, NCOMBINE, GAIN, EGAIN, TIME-OBS: common practice, no source.

mod header;

use std::path::{Path, PathBuf};

use stillair_api::{
    ClipInfo, Context, Description, Facts, Fault, FrameReader, Layout, Method, Node, Outcome, Parameters, Pattern,
    PortType, Shape, Source, TimesOrigin,
};

use crate::file::ClipFile;
use crate::judge::{Piece, depth, eight_bits};
use crate::options::{Options, describe};
use crate::samples::{ByteOrder, Encoding, Real, widen};
use crate::sequence::{Kind, open_path};
use crate::stored::{Arrangement, FramePlaces, MAX_FRAMES, PIECE_BYTES, StoredClip, few};
use header::{BLOCK, Header};

/// `decode.fits`.
pub struct Fits;

impl Method for Fits {
    fn describe(&self) -> Description {
        describe(
            Description::new("decode.fits", Shape::Source, "reads FITS pictures: one, a cube, or a folder of them")
                .help(
                    "Reads pictures of 8, 16, 32 and 64 bits, whole numbers and floats, grey, RGB (a third axis of length 3) \
                     or behind a colour mosaic (BAYERPAT), cubes of frames, and folders of pictures in natural order with \
                     the times of DATE-OBS (for combined pictures DATE-AVG). Numbers that are NaN or infinite become 0.",
                )
                .source("FITS Standard 4.0 (IAU FITS Working Group); BAYERPAT, ROWORDER: common practice, no source")
                .contract("decode")
                .output("frames", PortType::Frames, "the clip"),
        )
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(FitsSource { options: Options::read(parameters, facts)? })))
    }
}

struct FitsSource {
    options: Options,
}

impl Source for FitsSource {
    fn open(&self, context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        open_path(context, crate::auto::single(paths)?, &[Kind::Fits], &self.options)
    }
}

/// Whether the first bytes are those of a FITS file.
pub(crate) fn is_fits(head: &[u8]) -> bool {
    head.starts_with(b"SIMPLE  =")
}

/// Opens one file.
pub(crate) fn open(path: &Path, options: &Options) -> Outcome<StoredClip> {
    let file = ClipFile::open(path)?;
    let name = file.name();
    open_file(file, options).map_err(|fault| if fault.message.starts_with(&name) { fault } else { fault.at(name) })
}

/// The header of the first picture of a file.
fn picture_header(file: &ClipFile) -> Outcome<Header> {
    if !is_fits(&file.read_upto(0, 16)?) {
        return Err(Fault::request("this is not a FITS file: it does not begin with SIMPLE")
            .remedy("use decode.auto, which picks the reader by content"));
    }
    let mut start = 0;
    for part in 0..64 {
        let header = Header::read(file, start)?;
        let axes = header.axes()?;
        let is_picture = part == 0 || header.text("XTENSION").is_some_and(|kind| kind == "IMAGE");
        if is_picture && axes.len() >= 2 && axes.iter().all(|len| *len > 0) {
            return Ok(header);
        }
        let sample_bytes = header.integer("BITPIX").map_or(0, i64::unsigned_abs) / 8;
        let groups = header.integer("GCOUNT").and_then(|n| u64::try_from(n).ok()).unwrap_or(1);
        let extra = header.integer("PCOUNT").and_then(|n| u64::try_from(n).ok()).unwrap_or(0);
        let samples =
            if axes.is_empty() { Some(0) } else { axes.iter().try_fold(1u64, |sum, len| sum.checked_mul(*len)) };
        let bytes = samples.and_then(|n| n.checked_add(extra)?.checked_mul(groups)?.checked_mul(sample_bytes));
        let next = bytes.and_then(|bytes| bytes.checked_next_multiple_of(BLOCK as u64)?.checked_add(header.end));
        match next {
            Some(next) if next < file.len() => start = next,
            _ => break,
        }
    }
    Err(Fault::data("the file holds no picture").remedy("choose a FITS file with image data"))
}

/// How the file's numbers are stored and what they mean.
fn encoding(header: &Header) -> Outcome<Encoding> {
    let zero = header.number("BZERO").unwrap_or(0.0);
    let scale = header.number("BSCALE").unwrap_or(1.0);
    let kind = match header.integer("BITPIX") {
        Some(8) if (zero, scale) == (0.0, 1.0) => return Ok(Encoding::U8),
        Some(16) if (zero, scale) == (32_768.0, 1.0) => return Ok(Encoding::U16Offset),
        Some(8) => Real::U8,
        Some(16) => Real::I16,
        Some(32) => Real::I32,
        Some(64) => Real::I64,
        Some(-32) => Real::F32,
        Some(-64) => Real::F64,
        _ => {
            let found = header.text("BITPIX").unwrap_or("none");
            return Err(Fault::data(format!("BITPIX is {found}; 8, 16, 32, 64, -32 and -64 are valid"))
                .remedy("the header is damaged: copy or write the file again"));
        }
    };
    Ok(Encoding::Real { kind, order: ByteOrder::Big, scale, zero })
}

/// Width, height, whether there are three colour planes, frames.
fn shape(axes: &[u64]) -> Outcome<(u64, u64, bool, u64)> {
    let refuse = || {
        Fault::request(format!("a picture of {} axes {axes:?} cannot be read", axes.len()))
            .remedy("give pictures of two axes, RGB of three, or cubes of frames")
    };
    match axes {
        [width, height] => Ok((*width, *height, false, 1)),
        [width, height, 3] => Ok((*width, *height, true, 1)),
        [width, height, frames] => Ok((*width, *height, false, *frames)),
        [width, height, 3, frames] => Ok((*width, *height, true, *frames)),
        [width, height, 1, frames] => Ok((*width, *height, false, *frames)),
        _ => Err(refuse()),
    }
}

/// The colour mosaic that the header states, as seen from the first row in the file.
fn stated_layout(header: &Header, notes: &mut Vec<String>) -> Layout {
    let Some(word) = header.text("BAYERPAT").or_else(|| header.text("COLORTYP")) else { return Layout::Mono };
    let Some(pattern) = Pattern::parse(word) else {
        notes.push(format!("the colour mosaic `{word}` of the header is unknown: taken as mono"));
        return Layout::Mono;
    };
    let offset = |key: &str| header.number(key).map_or(0, |n| n.rem_euclid(2.0) as usize & 1);
    Layout::Mosaic(pattern.shifted(offset("XBAYROFF"), offset("YBAYROFF")))
}

/// The time of a header, in ns since 1970, UTC, with a note where there is one that cannot be used.
fn date(header: &Header, combined: bool, notes: &mut Vec<String>) -> Option<i64> {
    let parse = |text: &str| {
        let local: jiff::civil::DateTime = text.trim_end_matches('Z').parse().ok()?;
        let utc = jiff::tz::Offset::UTC.to_timestamp(local).ok()?;
        i64::try_from(utc.as_nanosecond()).ok()
    };
    let whole = |key: &str| header.text(key).filter(|text| text.contains('T')).and_then(parse);
    let parts = || {
        let (day, time) = (header.text("DATE-OBS")?, header.text("TIME-OBS").or_else(|| header.text("UT"))?);
        parse(&format!("{day}T{time}"))
    };
    // 40587 is the Modified Julian Date of 1970-01-01 (FITS Standard 4.0, 9.1.2: MJD = JD - 2400000.5).
    let days = |key: &str| {
        let ns = (header.number(key)? - 40_587.0) * 86_400e9;
        (ns.abs() < 9e18).then_some(ns as i64)
    };
    let middle = if combined { whole("DATE-AVG") } else { None };
    let found = middle
        .or_else(|| whole("DATE-BEG"))
        .or_else(|| whole("DATE-OBS"))
        .or_else(parts)
        .or_else(|| days("MJD-BEG"))
        .or_else(|| days("MJD-OBS"));
    if let (None, Some(text)) = (found, header.text("DATE-OBS")) {
        notes.push(format!("DATE-OBS is `{text}`, which holds no time of day: the time is unknown"));
    }
    // Dynamical and atomic times run ahead of UTC by fixed steps and leap seconds, 37 of them since 2017 (IERS).
    let ahead_s = match header.text("TIMESYS") {
        None | Some("UTC" | "UT" | "UT1" | "GMT") => 0.0,
        Some("TAI") => 37.0,
        Some("TT" | "TDT" | "ET" | "TDB") => 69.184,
        Some(scale) => {
            notes.push(format!("the time scale {scale} is not known here: taken as UTC"));
            0.0
        }
    };
    found.map(|ns| ns - (ahead_s * 1e9) as i64)
}

fn open_file(file: ClipFile, options: &Options) -> Outcome<StoredClip> {
    let header = picture_header(&file)?;
    let encoding = encoding(&header)?;
    let axes = header.axes()?;
    let (width, height, colours, stated_frames) = shape(&axes)?;
    let plane_bytes = width.checked_mul(height).and_then(|area| area.checked_mul(encoding.bytes() as u64));
    let frame_bytes = plane_bytes.and_then(|bytes| bytes.checked_mul(if colours { 3 } else { 1 }));
    let held = file.len().saturating_sub(header.end);
    let whole = frame_bytes.map_or(0, |bytes| held / bytes);
    let mut notes = Vec::new();
    if whole == 0 {
        return Err(Fault::data(format!(
            "the data are cut short: the header says {width}x{height} pixels, behind it are {held} bytes"
        ))
        .remedy("copy the file again"));
    }
    if whole < stated_frames {
        notes.push(format!(
            "the cube is cut short: the header says {stated_frames} frames, {whole} whole ones are used"
        ));
    }
    let frames = usize::try_from(stated_frames.min(whole)).unwrap_or(usize::MAX);
    if frames > MAX_FRAMES {
        return Err(Fault::request(format!("the cube has {frames} frames; at most {MAX_FRAMES} can be read"))
            .remedy("split the cube"));
    }
    let (width, height, frame_bytes) = (width as usize, height as usize, frame_bytes.unwrap_or(0));
    let stated = stated_layout(&header, &mut notes);
    let layout = if colours { Layout::Rgb } else { options.one_plane(stated, &mut notes) };
    let places = FramePlaces::Regular { first: header.end, step: frame_bytes };
    let (bits, white_level) = match options.fixed {
        Some(fixed) => fixed,
        None => judge(&file, &header, encoding, &places, frame_bytes, (width, frames), options, &mut notes)?,
    };
    let keys = [
        ("observer", "OBSERVER"),
        ("instrument", "INSTRUME"),
        ("telescope", "TELESCOP"),
        ("target", "OBJECT"),
        ("filter", "FILTER"),
        ("gain", "GAIN"),
        ("gain_e_per_adu", "EGAIN"),
    ];
    // A stack says how long all of its frames were exposed together, and how many they are.
    let combined = header.number("NCOMBINE").filter(|n| *n >= 1.0).unwrap_or(1.0);
    let exposure = header.number("EXPTIME").or_else(|| header.number("EXPOSURE")).map(|s| s / combined);
    let exposure = exposure.filter(|s| *s > 0.0);
    let start_unix_ns = date(&header, combined > 1.0, &mut notes);
    let stamped = frames == 1 && start_unix_ns.is_some();
    let info = ClipInfo {
        frames,
        width,
        height,
        layout,
        bits,
        white_level: options.white_level.unwrap_or(white_level),
        time_s: vec![if stamped { 0.0 } else { f64::NAN }; frames].into(),
        start_unix_ns,
        times: if stamped { TimesOrigin::Stamps } else { TimesOrigin::Absent },
        exposure_s: options.exposure_s.or(exposure),
        header: keys
            .iter()
            .filter_map(|(name, key)| header.text(key).map(|text| ((*name).to_owned(), text.to_owned())))
            .collect(),
        notes,
    };
    let bottom_up = header.text("ROWORDER").is_some_and(|order| order.eq_ignore_ascii_case("BOTTOM-UP"));
    let arrangement = Arrangement {
        encoding,
        step: 1,
        order: [0; 3],
        row_bytes: width * encoding.bytes(),
        bottom_up,
        planes: plane_bytes,
    };
    let mut clip = StoredClip::new(file, places, arrangement, info);
    if options.fixed.is_none() {
        let (layout, note) = crate::mosaic::decide(&clip, stated != Layout::Mono, options)?;
        clip.set_layout(layout);
        clip.note(note);
    }
    Ok(clip)
}

/// Depth and white level, from the data where the header does not fix them.
#[allow(clippy::too_many_arguments)]
fn judge(
    file: &ClipFile,
    header: &Header,
    encoding: Encoding,
    places: &FramePlaces,
    frame_bytes: u64,
    (width, frames): (usize, usize),
    options: &Options,
    notes: &mut Vec<String>,
) -> Outcome<(u32, f64)> {
    let bytes = usize::try_from(frame_bytes).unwrap_or(usize::MAX).min(PIECE_BYTES);
    let skip = (frame_bytes - bytes as u64) / 2 / (width * encoding.bytes()) as u64 * (width * encoding.bytes()) as u64;
    let read = |index: usize| file.read_upto(places.offset(index) + skip, bytes);
    let mut pieces: Vec<Vec<u8>> = few(frames).into_iter().map(read).collect::<Outcome<_>>()?;
    match encoding {
        Encoding::U8 => Ok(eight_bits(8, options)),
        Encoding::U16Offset | Encoding::U16(_) => {
            // Stored with the sign bit turned: turn it back to see which bits are in use.
            pieces.iter_mut().flat_map(|p| p.iter_mut().step_by(2)).for_each(|high| *high ^= 0x80);
            let pieces: Vec<Piece<'_>> =
                pieces.iter().map(|bytes| Piece { bytes, row_samples: width, pitch: 2 }).collect();
            let found = depth(&pieces, ByteOrder::Big, options.bits.unwrap_or(16), options.alignment);
            notes.extend(found.note.clone());
            Ok((found.bits, found.white_level()))
        }
        Encoding::Real { kind, .. } => {
            let (mut top, mut odd) = (0.0f32, 0usize);
            let mut wide = Vec::new();
            for piece in &pieces {
                wide.resize(piece.len() / encoding.bytes(), 0.0);
                odd += encoding.not_numbers(piece);
                widen(encoding, piece, 1.0, &mut wide);
                top = wide.iter().copied().fold(top, f32::max);
            }
            if odd > 0 {
                notes.push(format!("{odd} of the samples tried are not finite numbers; such samples become 0"));
            }
            let integer = header.integer("BITPIX").unwrap_or(0) > 0;
            let white = match top {
                top if !integer && top <= 2.0 => 1.0,
                top if kind == Real::I16 && top <= 32_767.0 => 32_767.0,
                top if top <= 65_535.0 => 65_535.0,
                top => f64::from(top),
            };
            notes.push(format!(
                "the largest of the samples tried is {top}: {white} is taken as the white level; set white_level if not so"
            ));
            let bits = if integer { white.log2().ceil().clamp(1.0, 32.0) as u32 } else { 24 };
            Ok((bits, white))
        }
    }
}
