//! The 178-byte header of a SER file, little-endian, and what it promises against what the file holds.
//!
//! Layout: the published open layout, version 3: 14 bytes of signature, then 32-bit integers (an id, colour id,
//! byte-order flag, width, height, bits per plane, frame count), three texts of 40 bytes, local and UTC date in ticks
//! of 100 ns since year 1; frames follow without gaps, then, where there is one, a tick count per frame.

use stillair_api::{Fault, Layout, Outcome, Pattern};

use crate::file::ClipFile;
use crate::stored::MAX_FRAMES;

/// Bytes before the first frame.
pub(crate) const HEADER_BYTES: u64 = 178;

/// The format's signature.
pub(crate) const SIGNATURE: [u8; 14] =
    [0x4c, 0x55, 0x43, 0x41, 0x4d, 0x2d, 0x52, 0x45, 0x43, 0x4f, 0x52, 0x44, 0x45, 0x52];

/// Colours of a pixel as the header states them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Colours {
    /// One sample per pixel.
    One(Layout),
    /// Three interleaved samples, red first.
    Rgb,
    /// Three interleaved samples, blue first.
    Bgr,
}

impl Colours {
    /// Samples of a pixel.
    pub(crate) fn samples(self) -> usize {
        if matches!(self, Colours::One(_)) { 1 } else { 3 }
    }
}

/// The header, checked against the file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Header {
    /// Colours of a pixel.
    pub(crate) colours: Colours,
    /// The byte-order flag as it stands.
    pub(crate) little_endian_flag: i32,
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Bits per plane.
    pub(crate) bits: u32,
    /// Whole frames that are there.
    pub(crate) frames: usize,
    /// Bytes of a frame.
    pub(crate) frame_bytes: u64,
    /// Whether the count was taken from the file's length, so that no trailer can be told from frames.
    pub(crate) recovered: bool,
    /// Observer, instrument, telescope.
    pub(crate) names: [String; 3],
    /// Local date of the start, ticks.
    pub(crate) local_ticks: i64,
    /// UTC date of the start, ticks.
    pub(crate) utc_ticks: i64,
}

/// Reads the colour id. `Err` is what is wrong with it, in words.
fn colours(id: i32) -> Result<Colours, String> {
    let mosaic = |pattern| Ok(Colours::One(Layout::Mosaic(pattern)));
    match id {
        0 => Ok(Colours::One(Layout::Mono)),
        8 => mosaic(Pattern::Rggb),
        9 => mosaic(Pattern::Grbg),
        10 => mosaic(Pattern::Gbrg),
        11 => mosaic(Pattern::Bggr),
        16..=19 => {
            let letters = ["CYYM", "YCMY", "YMCY", "MYYC"][(id - 16) as usize];
            Err(format!("the colour mosaic {letters} of cyan, yellow and magenta (colour id {id}) is not supported"))
        }
        100 => Ok(Colours::Rgb),
        101 => Ok(Colours::Bgr),
        _ => Err(format!("the colour id {id} is unknown")),
    }
}

/// Text of a fixed field: up to the first NUL, bytes that are not UTF-8 replaced, control characters dropped.
fn text(field: &[u8]) -> String {
    let end = field.iter().position(|b| *b == 0).unwrap_or(field.len());
    let text = String::from_utf8_lossy(&field[..end]);
    text.chars().filter(|c| !c.is_control()).collect::<String>().trim().to_owned()
}

impl Header {
    /// Reads and checks the header. `assume` is the layout that recipe or session give, which makes an unknown
    /// colour id readable.
    pub(crate) fn read(file: &ClipFile, assume: Option<Layout>, notes: &mut Vec<String>) -> Outcome<Self> {
        let bytes = file.read_upto(0, HEADER_BYTES as usize)?;
        Self::parse(&bytes, file.len(), assume, notes).map_err(|fault| fault.at(file.name()))
    }

    fn parse(bytes: &[u8], file_len: u64, assume: Option<Layout>, notes: &mut Vec<String>) -> Outcome<Self> {
        if bytes.len() >= SIGNATURE.len() && bytes[..SIGNATURE.len()] != SIGNATURE {
            let what = crate::auto::foreign(bytes).map_or_else(String::new, |what| format!(", it is {what}"));
            return Err(Fault::request(format!(
                "this is not a SER clip{what}: its first 14 bytes are not the format's signature"
            ))
            .remedy("use decode.auto, which picks the reader by content"));
        }
        if (bytes.len() as u64) < HEADER_BYTES {
            return Err(Fault::data(format!("the header is cut: {} of {HEADER_BYTES} bytes", bytes.len()))
                .remedy("copy the file again from the capture computer"));
        }
        let word = |at: usize| i32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
        let ticks = |at: usize| bytes[at..at + 8].iter().rev().fold(0i64, |sum, b| (sum << 8) | i64::from(*b));
        let broken = |what: String| Fault::data(what).remedy("the header is damaged: copy or capture the file again");

        let id = word(18);
        let colours = match (colours(id), assume) {
            (Ok(colours), _) => colours,
            (Err(what), Some(layout)) => {
                notes.push(format!("{what}; read as {} as asked", crate::options::words(layout)));
                Colours::One(layout)
            }
            (Err(what), None) => {
                return Err(Fault::data(what)
                    .remedy("if each pixel is one byte or one 16-bit word, say so with pattern = \"mono\""));
            }
        };
        let size = |at: usize, what: &str| {
            let size = word(at);
            usize::try_from(size)
                .ok()
                .filter(|s| *s > 0)
                .ok_or_else(|| broken(format!("the header says {what} {size}")))
        };
        let (width, height) = (size(26, "width")?, size(30, "height")?);
        let bits = match word(34) {
            bits @ 1..=16 => bits.unsigned_abs(),
            bits => {
                return Err(broken(format!("the header says {bits} bits per plane; 1 to 16 can be read")));
            }
        };
        let sample_bytes = if bits <= 8 { 1 } else { 2 };
        let frame_bytes = (width as u64)
            .checked_mul(height as u64)
            .and_then(|area| area.checked_mul(sample_bytes * colours.samples() as u64))
            .filter(|bytes| *bytes <= file_len || file_len == HEADER_BYTES)
            .ok_or_else(|| {
                Fault::data(format!(
                    "the header says {width}x{height} pixels, but a frame of that size is larger than the file"
                ))
                .remedy(
                    "the header is damaged, or the file was cut short: copy the file again from the capture computer",
                )
            })?;
        let (frames, recovered) = count(word(38), (file_len - HEADER_BYTES) / frame_bytes, notes)?;
        if frames > MAX_FRAMES {
            return Err(Fault::request(format!("the clip has {frames} frames; at most {MAX_FRAMES} can be read"))
                .remedy("split the clip"));
        }
        Ok(Self {
            colours,
            little_endian_flag: word(22),
            width,
            height,
            bits,
            frames,
            frame_bytes,
            recovered,
            names: [text(&bytes[42..82]), text(&bytes[82..122]), text(&bytes[122..162])],
            local_ticks: ticks(162),
            utc_ticks: ticks(170),
        })
    }
}

/// Number of frames to read, and whether it was taken from the file's length.
fn count(stated: i32, whole: u64, notes: &mut Vec<String>) -> Outcome<(usize, bool)> {
    let whole = usize::try_from(whole).unwrap_or(usize::MAX);
    match usize::try_from(stated) {
        Ok(stated) if stated > 0 && stated <= whole => Ok((stated, false)),
        Ok(stated) if stated > 0 && whole == 0 => {
            Err(Fault::data(format!("the header says {stated} frames, but not one whole frame is in the file"))
                .remedy("the capture or the copy was cut short: copy the file again"))
        }
        Ok(stated) if stated > 0 => {
            notes.push(format!(
                "the clip is cut short: the header says {stated} frames, the file holds {whole} whole ones, which are \
                 used"
            ));
            Ok((whole, true))
        }
        _ if whole == 0 => {
            Err(Fault::data(format!("the clip has no frames: the header says {stated}, and none follow"))
                .remedy("the capture was stopped before its first frame: capture again"))
        }
        _ => {
            notes.push(format!(
                "the header says {stated} frames, as after an interrupted capture; the file holds {whole} whole ones, \
                 which are used"
            ));
            Ok((whole, true))
        }
    }
}
