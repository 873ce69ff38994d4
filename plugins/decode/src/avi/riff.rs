//! The chunks of an AVI file: headers, the first video stream's format, and where its frames lie.
//!
//! Chunks are walked one by one and lists are entered without believing their size, so that a missing or wrong index, a
//! list that claims too much and the further parts of files over 2 GB (OpenDML) need no special case; an index is never
//! read. Sources: RIFF and AVI 1.0 (Microsoft), OpenDML AVI file format extensions 1.02, BITMAPINFOHEADER (Microsoft).

use stillair_api::{Fault, Outcome};

use crate::file::ClipFile;
use crate::stored::MAX_FRAMES;

/// Most chunks of a file that are looked at.
const MAX_CHUNKS: usize = 2 * MAX_FRAMES;

/// Largest stream format that is read: a bitmap header and a palette of 256 colours need 1064 bytes.
const FORMAT_BYTES: usize = 4096;

/// What the headers say of the video stream.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Format {
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Whether the height is negative: rows from the top.
    pub(crate) top_down: bool,
    /// Bits of a pixel.
    pub(crate) bits: u16,
    /// Compression: a number up to 3, or four letters.
    pub(crate) compression: [u8; 4],
    /// Blue, green, red, unused for each palette entry.
    pub(crate) palette: Vec<[u8; 4]>,
}

/// A stored frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct FrameChunk {
    /// Offset of its first byte.
    pub(crate) offset: u64,
    /// Bytes.
    pub(crate) len: u32,
}

/// The walked file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Walk {
    /// Format of the video stream.
    pub(crate) format: Format,
    /// Seconds from frame to frame, if plausible.
    pub(crate) frame_s: Option<f64>,
    /// Frames that the headers promise.
    pub(crate) stated_frames: u32,
    /// All chunks of the video stream, in order, also empty ones.
    pub(crate) chunks: Vec<FrameChunk>,
    /// Whether the last chunk is cut by the end of the file.
    pub(crate) cut: bool,
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).map_or(0, |b| u32::from_le_bytes([b[0], b[1], b[2], b[3]]))
}

fn damaged(what: impl Into<String>) -> Fault {
    Fault::data(what).remedy("copy the file again from the capture computer")
}

/// Whether the first bytes are those of an AVI file.
pub(crate) fn is_avi(head: &[u8]) -> bool {
    head.len() >= 12 && &head[..4] == b"RIFF" && &head[8..12] == b"AVI "
}

/// Walks the file.
pub(crate) fn walk(file: &ClipFile) -> Outcome<Walk> {
    walk_chunks(file).map_err(|fault| fault.at(file.name()))
}

/// State of the walk over the headers.
#[derive(Default)]
struct Headers {
    streams: usize,
    in_video: bool,
    video: Option<usize>,
    format: Option<Format>,
    frame_s: Option<f64>,
    stated_frames: u32,
}

fn walk_chunks(file: &ClipFile) -> Outcome<Walk> {
    if !is_avi(&file.read_upto(0, 12)?) {
        return Err(Fault::request("this is not an AVI clip: it does not begin with RIFF and AVI")
            .remedy("use decode.auto, which picks the reader by content"));
    }
    let mut headers = Headers::default();
    let mut chunks = Vec::new();
    let (mut at, mut cut, mut seen) = (0u64, false, 0usize);
    while at + 8 <= file.len() {
        seen += 1;
        if seen > MAX_CHUNKS {
            return Err(Fault::request(format!("the file has more than {MAX_CHUNKS} chunks")).remedy("split the clip"));
        }
        let head = file.read_upto(at, 12)?;
        let id = [head[0], head[1], head[2], head[3]];
        let len = u32_at(&head, 4);
        let list = head.get(8..12).unwrap_or_default();
        if matches!(&id, b"RIFF" | b"LIST")
            && matches!(list, b"AVI " | b"AVIX" | b"hdrl" | b"strl" | b"odml" | b"movi" | b"rec ")
        {
            at += 12;
            continue;
        }
        if !id.iter().all(|b| (0x20..0x7f).contains(b)) {
            // What follows is no chunk: the rest of a damaged file, or padding behind the last part.
            cut |= file.len() - at > 4096 && id != [0; 4];
            break;
        }
        let whole = at + 8 + u64::from(len) <= file.len();
        if headers.frame_of(&id) {
            if whole {
                chunks.push(FrameChunk { offset: at + 8, len });
            }
        } else if whole {
            headers.take(file, &id, at + 8, len)?;
        } else if headers.format.is_none() {
            return Err(damaged(format!("the headers are cut short in the chunk `{}`", words(id))));
        }
        cut |= !whole;
        at += 8 + u64::from(len) + u64::from(len & 1);
    }
    if headers.video.is_none() && headers.streams > 0 {
        return Err(Fault::data("the file has no video stream").remedy("choose a clip with pictures"));
    }
    let format = headers.format.ok_or_else(|| damaged("the headers are cut short: no stream format"))?;
    Ok(Walk { format, frame_s: headers.frame_s, stated_frames: headers.stated_frames, chunks, cut })
}

/// Four letters, or their bytes.
pub(crate) fn words(id: [u8; 4]) -> String {
    id.escape_ascii().to_string()
}

impl Headers {
    /// Whether a chunk is a frame of the video stream (`00db`, `00dc`).
    fn frame_of(&self, id: &[u8; 4]) -> bool {
        let digit = |b: u8| b.is_ascii_digit().then(|| usize::from(b - b'0'));
        let Some((tens, ones)) = digit(id[0]).zip(digit(id[1])) else { return false };
        matches!(&id[2..], b"db" | b"dc") && self.video == Some(tens * 10 + ones)
    }

    fn take(&mut self, file: &ClipFile, id: &[u8; 4], at: u64, len: u32) -> Outcome<()> {
        let body = || file.read_upto(at, FORMAT_BYTES.min(len as usize));
        match id {
            b"avih" => {
                let bytes = body()?;
                self.stated_frames = u32_at(&bytes, 16);
                self.frame_s = plausible_period(f64::from(u32_at(&bytes, 0)) * 1e-6);
            }
            b"strh" => {
                let bytes = body()?;
                self.in_video = bytes.starts_with(b"vids") && self.video.is_none();
                if self.in_video {
                    self.video = Some(self.streams);
                    let period = f64::from(u32_at(&bytes, 20)) / f64::from(u32_at(&bytes, 24));
                    self.frame_s = plausible_period(period).or(self.frame_s);
                }
                self.streams += 1;
            }
            b"strf" if self.in_video && self.format.is_none() => self.format = Some(Format::parse(&body()?)?),
            _ => {}
        }
        Ok(())
    }
}

fn plausible_period(seconds: f64) -> Option<f64> {
    (1e-5..=3600.0).contains(&seconds).then_some(seconds)
}

impl Format {
    fn parse(bytes: &[u8]) -> Outcome<Self> {
        if bytes.len() < 40 {
            return Err(damaged(format!("the stream format is cut: {} of 40 bytes", bytes.len())));
        }
        let signed = |at: usize| u32_at(bytes, at) as i32;
        let (width, height) = (signed(4), signed(8));
        if width <= 0 || height == 0 {
            return Err(damaged(format!("the stream format says {width}x{height} pixels")));
        }
        let header_bytes = (u32_at(bytes, 0) as usize).clamp(40, bytes.len());
        let palette = bytes[header_bytes..].as_chunks::<4>().0.iter().take(256).copied().collect();
        Ok(Self {
            width: width.unsigned_abs() as usize,
            height: height.unsigned_abs() as usize,
            top_down: height < 0,
            bits: u16::from_le_bytes([bytes[14], bytes[15]]),
            compression: [bytes[16], bytes[17], bytes[18], bytes[19]],
            palette,
        })
    }
}
