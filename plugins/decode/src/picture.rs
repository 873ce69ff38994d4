//! TIFF and PNG pictures as frames: decoded whole by the `tiff` and `png` crates, then widened like any stored samples.
//! The pages of a TIFF file that are like its first one are the frames of a clip.

mod pages;

use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::{Path, PathBuf};

use ::png::{self, BitDepth, Transformations};
use ::tiff::decoder::{BufferLayoutPreference, ChunkType, Decoder, DecodingSampleType, Limits, TiffCodingUnit};
use ::tiff::tags::Tag;
use ::tiff::{ColorType, TiffError};
use stillair_api::{ClipInfo, Fault, Frame, FrameReader, Layout, Outcome, Region, TimesOrigin};

use crate::file::{ClipFile, unreadable};
use crate::judge::{Piece, depth, eight_bits};
use crate::options::Options;
use crate::samples::{ByteOrder, Encoding, Real, factor_of, widen};
use crate::stored::{Arrangement, check_request, few, place};
use pages::PageReader;

/// No picture is larger than its file by more than this factor: deflate reaches 1032 (zlib's technical details), LZW with
/// its codes of up to 12 bits for at most 4096 bytes 2731.
const MOST_COMPRESSION: u64 = 3000;

/// The format of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PictureFormat {
    /// TIFF.
    Tiff,
    /// PNG.
    Png,
}

impl PictureFormat {
    /// What the format is called.
    pub(crate) fn name(self) -> &'static str {
        match self {
            PictureFormat::Tiff => "TIFF",
            PictureFormat::Png => "PNG",
        }
    }
}

/// Whether the first bytes are those of a TIFF picture.
pub(crate) fn is_tiff(head: &[u8]) -> bool {
    [b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"].iter().any(|mark| head.starts_with(*mark))
}

/// Whether the first bytes are those of a PNG picture.
pub(crate) fn is_png(head: &[u8]) -> bool {
    head.starts_with(b"\x89PNG\r\n\x1a\n")
}

/// Tiles of more bytes than this that are also much larger than their picture are refused.
const MOST_TILE_BYTES: usize = 1 << 22;

/// What a picture's decoded bytes are.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Shape {
    width: usize,
    height: usize,
    layout: Layout,
    arrangement: Arrangement,
    /// Whether the file says that its values follow the sRGB curve.
    srgb: bool,
}

/// Reads a picture's header, and its pixels too if `bytes` is given. `page` is the place of a TIFF page other than the
/// first.
fn decode(path: &Path, format: PictureFormat, page: Option<u64>, bytes: Option<&mut Vec<u8>>) -> Outcome<Shape> {
    let file = File::open(path).map_err(|e| unreadable(path, &e))?;
    let file_bytes = file.metadata().map_err(|e| unreadable(path, &e))?.len();
    let tiff = |file: File, bytes| {
        let file = ClipFile::opened(file, path, file_bytes);
        pages::check(&file, page)?;
        let reader = BufReader::with_capacity(1 << 16, file.into_file());
        match page {
            None => decode_tiff(reader, file_bytes, bytes),
            Some(page) => decode_tiff(PageReader::new(reader, page)?, file_bytes, bytes),
        }
    };
    match format {
        PictureFormat::Tiff => tiff(file, bytes),
        PictureFormat::Png => decode_png(BufReader::with_capacity(1 << 16, file), file_bytes, bytes),
    }
    .map_err(|fault| if fault.message.contains(&*path.to_string_lossy()) { fault } else { fault.at(path.display()) })
}

fn refuse(format: PictureFormat, what: impl std::fmt::Display) -> Fault {
    Fault::request(format!("the {} picture has {what}, which cannot be read", format.name()))
        .remedy("save it as grey or RGB of 8 or 16 bits, or as 32-bit float")
}

fn damaged(format: PictureFormat, what: impl std::fmt::Display) -> Fault {
    Fault::data(format!("the {} picture is damaged or cut short: {what}", format.name())).remedy("copy the file again")
}

/// Refuses a header that promises more than the file can hold.
fn check_size(format: PictureFormat, claimed: u64, file_bytes: u64, compressed: bool) -> Outcome<()> {
    let most =
        if compressed { file_bytes.saturating_mul(MOST_COMPRESSION).saturating_add(1 << 16) } else { file_bytes };
    if claimed > most {
        return Err(damaged(
            format,
            format!("its header promises {claimed} bytes of pixels, the file has {file_bytes}"),
        ));
    }
    Ok(())
}

fn decode_tiff(reader: impl Read + Seek, file_bytes: u64, bytes: Option<&mut Vec<u8>>) -> Outcome<Shape> {
    const TIFF: PictureFormat = PictureFormat::Tiff;
    let fault = |error: TiffError| match error {
        TiffError::UnsupportedError(what) => refuse(TIFF, what),
        other => damaged(TIFF, other),
    };
    let mut limits = Limits::default();
    limits.decoding_buffer_size = usize::MAX;
    limits.intermediate_buffer_size = usize::try_from(file_bytes.saturating_mul(4)).unwrap_or(usize::MAX).max(1 << 20);
    let mut decoder = Decoder::new(reader).map_err(fault)?.with_limits(limits);
    let (width, height) = decoder.dimensions().map_err(fault)?;
    let compressed = decoder.find_tag_unsigned::<u32>(Tag::Compression).map_err(fault)?.is_some_and(|c| c != 1);
    let colours = decoder.colortype().map_err(fault)?;
    let (samples, layout) = match colours {
        ColorType::Gray(_) => (1, Layout::Mono),
        ColorType::GrayA(_) => (2, Layout::Mono),
        ColorType::RGB(_) => (3, Layout::Rgb),
        ColorType::RGBA(_) => (4, Layout::Rgb),
        other => return Err(refuse(TIFF, format!("the colours {other:?}"))),
    };
    let area = u64::from(width).saturating_mul(u64::from(height));
    check_size(TIFF, area, file_bytes, compressed)?;
    let buffer = decoder.image_buffer_layout().map_err(fault)?;
    let order = if cfg!(target_endian = "big") { ByteOrder::Big } else { ByteOrder::Little };
    let real = |kind| Encoding::Real { kind, order, scale: 1.0, zero: 0.0 };
    let encoding = match (colours.bit_depth(), buffer.sample_type) {
        (8, Some(DecodingSampleType::U8)) => Encoding::U8,
        (16, Some(DecodingSampleType::U16)) => Encoding::U16(order),
        (16, Some(DecodingSampleType::I16)) => real(Real::I16),
        (16, Some(DecodingSampleType::F16)) => real(Real::F16),
        (32, Some(DecodingSampleType::U32)) => real(Real::U32),
        (32, Some(DecodingSampleType::I32)) => real(Real::I32),
        (32, Some(DecodingSampleType::F32)) => real(Real::F32),
        (64, Some(DecodingSampleType::F64)) => real(Real::F64),
        (bits, _) => return Err(refuse(TIFF, format!("samples of {bits} bits"))),
    };
    check_size(TIFF, buffer.complete_len as u64, file_bytes, compressed)?;
    let planar = buffer.planes > 1;
    let step = if planar { 1 } else { samples };
    let width = width as usize;
    let row_bytes = buffer.row_stride.map_or(width * step * encoding.bytes(), usize::from);
    let planes = if planar { buffer.plane_stride.map(|bytes| usize::from(bytes) as u64) } else { None };
    if width == 0 || height == 0 || (planar && layout == Layout::Rgb && buffer.planes < 3) {
        return Err(damaged(TIFF, "it has no pixels"));
    }
    if let Some(bytes) = bytes {
        bytes.clear();
        bytes.resize(buffer.complete_len, 0);
        read_pixels(&mut decoder, &buffer, (width, height as usize), encoding.bytes(), bytes).map_err(fault)?;
    }
    let arrangement = Arrangement { encoding, step, order: [0, 1, 2], row_bytes, bottom_up: false, planes };
    Ok(Shape { width, height: height as usize, layout, arrangement, srgb: false })
}

/// Decodes all pixels. Tiles of separate planes are taken one by one, each into a buffer with room for the rows that the
/// lowest ones have beyond the picture: the decoder writes those of every plane but the first.
fn read_pixels(
    decoder: &mut Decoder<impl Read + Seek>,
    buffer: &BufferLayoutPreference,
    (width, height): (usize, usize),
    sample_bytes: usize,
    bytes: &mut [u8],
) -> Result<(), TiffError> {
    if buffer.planes < 2 || decoder.get_chunk_type() != ChunkType::Tile {
        return decoder.read_image_bytes(bytes);
    }
    let (tile_width, tile_height) = decoder.chunk_dimensions();
    let (tile_width, tile_height) = (tile_width as usize, tile_height as usize);
    let (across, down) = (width.div_ceil(tile_width), height.div_ceil(tile_height));
    let (row_bytes, plane_bytes) = (width * sample_bytes, width * height * sample_bytes);
    let tile_bytes = tile_width.saturating_mul(tile_height).saturating_mul(sample_bytes);
    if tile_bytes > MOST_TILE_BYTES.max(4 * plane_bytes) {
        return Err(TiffError::LimitsExceeded);
    }
    let mut tile = vec![0; tile_bytes.saturating_mul(buffer.planes + 1)];
    for number in 0..across * down {
        let (x, y) = (number % across * tile_width, number / across * tile_height);
        let (columns, rows) = (tile_width.min(width - x), tile_height.min(height - y));
        decoder.read_coding_unit_bytes(TiffCodingUnit(number as u32), &mut tile)?;
        for plane in 0..buffer.planes {
            let from = &tile[plane * columns * rows * sample_bytes..];
            let start = plane * plane_bytes + y * row_bytes + x * sample_bytes;
            for row in 0..rows {
                let part = row * columns * sample_bytes..(row + 1) * columns * sample_bytes;
                bytes[start + row * row_bytes..][..part.len()].copy_from_slice(&from[part]);
            }
        }
    }
    Ok(())
}

fn decode_png(reader: BufReader<impl Read + Seek>, file_bytes: u64, bytes: Option<&mut Vec<u8>>) -> Outcome<Shape> {
    const PNG: PictureFormat = PictureFormat::Png;
    let fault = |error: png::DecodingError| damaged(PNG, error);
    let budget = usize::try_from(file_bytes.saturating_mul(MOST_COMPRESSION)).unwrap_or(usize::MAX);
    let mut decoder = png::Decoder::new_with_limits(reader, png::Limits { bytes: budget.max(1 << 20) });
    decoder.set_transformations(Transformations::EXPAND);
    decoder.set_ignore_text_chunk(true);
    let mut reader = decoder.read_info().map_err(fault)?;
    let (colours, bits) = reader.output_color_type();
    let (samples, layout) = match colours {
        png::ColorType::Grayscale => (1, Layout::Mono),
        png::ColorType::GrayscaleAlpha => (2, Layout::Mono),
        png::ColorType::Rgb => (3, Layout::Rgb),
        png::ColorType::Rgba => (4, Layout::Rgb),
        png::ColorType::Indexed => return Err(refuse(PNG, "a palette")),
    };
    let encoding = if bits == BitDepth::Sixteen { Encoding::U16(ByteOrder::Big) } else { Encoding::U8 };
    let (width, height) = (reader.info().width as usize, reader.info().height as usize);
    let size = reader.output_buffer_size().ok_or_else(|| damaged(PNG, "its size is beyond reason"))?;
    check_size(PNG, size as u64, file_bytes, true)?;
    let srgb = reader.info().srgb.is_some();
    if let Some(bytes) = bytes {
        bytes.clear();
        bytes.resize(size, 0);
        reader.next_frame(bytes).map_err(fault)?;
    }
    let row_bytes = width * samples * encoding.bytes();
    let arrangement =
        Arrangement { encoding, step: samples, order: [0, 1, 2], row_bytes, bottom_up: false, planes: None };
    Ok(Shape { width, height, layout, arrangement, srgb })
}

/// A picture as a clip of one frame, or of its pages.
#[derive(Debug)]
pub(crate) struct PictureClip {
    path: PathBuf,
    format: PictureFormat,
    /// Places of the pages of a TIFF file; empty if it has but one.
    pages: Vec<u64>,
    info: ClipInfo,
}

impl PictureClip {
    /// Opens a picture; its pixels are read only if something must be judged from them.
    pub(crate) fn open(path: &Path, format: PictureFormat, options: &Options) -> Outcome<Self> {
        let file = ClipFile::open(path)?;
        let mut notes = Vec::new();
        let pages = match format {
            PictureFormat::Tiff => pages::alike(&file, &mut notes).map_err(|fault| fault.at(path.display()))?,
            PictureFormat::Png => Vec::new(),
        };
        let (shape, (bits, white_level)) = match options.fixed {
            Some(fixed) => (decode(path, format, None, None)?, fixed),
            None => {
                let mut bytes = Vec::new();
                let shape = decode(path, format, None, Some(&mut bytes))?;
                let mut judged = judge(&shape, &bytes, options, &mut notes);
                // The white level is one for all: the highest that any of a few pages asks for.
                for page in few(pages.len()).into_iter().filter_map(|index| pages.get(index)).skip(1) {
                    let mut said = Vec::new();
                    let other = decode(path, format, Some(*page), Some(&mut bytes))?;
                    let found = judge(&other, &bytes, options, &mut said);
                    if found.1 > judged.1 {
                        (judged, notes) = (found, said);
                    }
                }
                (shape, judged)
            }
        };
        let frames = pages.len().max(1);
        if shape.srgb {
            notes.push(
                "the picture says that its values follow the sRGB curve (IEC 61966-2-1): it is undone, values become \
                 proportional to light"
                    .into(),
            );
        }
        let layout =
            if shape.layout == Layout::Mono { options.one_plane(Layout::Mono, &mut notes) } else { shape.layout };
        let white_level = options.white_level.unwrap_or(white_level);
        let info = ClipInfo {
            frames,
            width: shape.width,
            height: shape.height,
            layout,
            bits,
            white_level,
            time_s: vec![f64::NAN; frames].into(),
            start_unix_ns: None,
            times: TimesOrigin::Absent,
            exposure_s: options.exposure_s,
            header: Default::default(),
            notes,
        };
        let mut clip = Self { path: path.into(), format, pages, info };
        if options.fixed.is_none() {
            let (layout, note) = crate::mosaic::decide(&clip, false, options)?;
            clip.info.layout = layout;
            clip.info.notes.extend(note);
        }
        Ok(clip)
    }

    /// Adds to what is said of the picture.
    pub(crate) fn note(&mut self, note: String) {
        self.info.notes.push(note);
    }
}

/// Bits and white level of a decoded picture.
fn judge(shape: &Shape, bytes: &[u8], options: &Options, notes: &mut Vec<String>) -> (u32, f64) {
    let Arrangement { encoding, step, row_bytes, .. } = shape.arrangement;
    match encoding {
        Encoding::U8 => eight_bits(8, options),
        Encoding::U16(order) => {
            let piece = Piece { bytes, row_samples: row_bytes / 2, pitch: step.max(2) };
            let found = depth(&[piece], order, options.bits.unwrap_or(16), options.alignment);
            notes.extend(found.note.clone());
            (found.bits, found.white_level())
        }
        Encoding::U16Offset | Encoding::Real { .. } => {
            let mut wide = vec![0.0; bytes.len() / encoding.bytes()];
            widen(encoding, bytes, 1.0, &mut wide);
            let top = wide.iter().copied().fold(0.0f32, f32::max);
            let odd = encoding.not_numbers(bytes);
            if odd > 0 {
                notes.push(format!("{odd} samples are not finite numbers and become 0"));
            }
            let white = if top <= 2.0 { 1.0 } else { f64::from(top.max(65_535.0)) };
            notes.push(format!("the largest sample is {top}: {white} is taken as the white level"));
            (24, white)
        }
    }
}

/// Light of a value on the sRGB curve, IEC 61966-2-1.
fn linear(value: f32) -> f32 {
    if value <= 0.040_45 { value / 12.92 } else { libm::powf((value + 0.055) / 1.055, 2.4) }
}

/// Decodes a picture that must be like the clip `info` and takes a region of it as frame `index`; samples are held
/// against the clip's white level.
pub(crate) fn read_picture(
    (path, format, page): (&Path, PictureFormat, Option<u64>),
    info: &ClipInfo,
    (index, region): (usize, Region),
    bytes: &mut Vec<u8>,
    out: &mut Frame,
) -> Outcome<()> {
    let shape = decode(path, format, page, Some(bytes))?;
    if (shape.width, shape.height, shape.layout.planes()) != (info.width, info.height, info.layout.planes()) {
        return Err(Fault::data(format!(
            "{}: the picture has become {}x{} px with {} planes: it changed while it was read",
            path.display(),
            shape.width,
            shape.height,
            shape.layout.planes()
        ))
        .remedy("let the copy finish, then run again"));
    }
    out.reshape(index, region, info.layout.shifted(region.x, region.y));
    let Arrangement { encoding, step, row_bytes, planes, .. } = shape.arrangement;
    let pixel_bytes = encoding.bytes() * step;
    let bytes = &*bytes;
    for plane in 0..if step == 1 { shape.layout.planes() } else { 1 } {
        let start = planes.unwrap_or(0) as usize * plane + region.x * pixel_bytes;
        let rows = |row: usize| &bytes[start + (region.y + row) * row_bytes..][..region.width * pixel_bytes];
        place(&shape.arrangement, factor_of(info.white_level), rows, plane, out);
    }
    if shape.srgb {
        out.data.iter_mut().for_each(|value| *value = linear(*value));
    }
    Ok(())
}

/// Memory that decoding a picture takes beside the frame: the whole picture decoded, and the decoder's own buffers.
pub(crate) fn decoding_bytes(info: &ClipInfo) -> u64 {
    let sample_bytes = if info.bits <= 8 { 1 } else { info.bits.div_ceil(16) * 2 };
    (info.width * info.height * info.layout.planes()) as u64 * u64::from(sample_bytes) + (1 << 18)
}

impl FrameReader for PictureClip {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn read(&self, index: usize, region: Region, bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        check_request(&self.info, index, region)?;
        let page = self.pages.get(index).copied();
        let read = read_picture((&self.path, self.format, page), &self.info, (index, region), bytes, out);
        read.map_err(|fault| if page.is_some() { fault.at(format!("frame {index}")) } else { fault })
    }

    fn worker_bytes(&self) -> u64 {
        decoding_bytes(&self.info)
    }
}
