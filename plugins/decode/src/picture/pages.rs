//! The directories of a TIFF file: its pages, and whether what they say of themselves can be true.
//!
//! A decoder makes room for as many values of a tag as the tag claims, and begins with the page that the head of the
//! file names. So directories are looked through here before a decoder sees them, and to reach any page without walking
//! there, the head is handed out with that page's place in it. Sources: TIFF 6.0 (Adobe), sections 2 and 8; BigTIFF:
//! common practice.

use std::collections::HashSet;
use std::io::{Read, Result, Seek, SeekFrom};

use stillair_api::{Fault, Outcome};

use crate::file::ClipFile;
use crate::stored::MAX_FRAMES;

/// Most tags of a directory: baseline and extensions define fewer than 200.
const MAX_TAGS: u64 = 4096;

/// Tags that two pages of one clip share: columns, rows, bits, compression, colours, samples, planes, kind of sample.
const SHAPE: [u16; 8] = [256, 257, 258, 259, 262, 277, 284, 339];

/// How the numbers of a file are written, from its head.
#[derive(Debug, Clone, Copy)]
struct Numbers {
    little: bool,
    big_file: bool,
}

impl Numbers {
    fn of(head: &[u8]) -> Self {
        Self { little: head.starts_with(b"II"), big_file: head.get(2..4).is_some_and(|mark| mark.contains(&43)) }
    }

    /// The number that these bytes are.
    fn read(self, bytes: &[u8]) -> u64 {
        let join = |sum: u64, byte: &u8| (sum << 8) | u64::from(*byte);
        if self.little { bytes.iter().rev().fold(0, join) } else { bytes.iter().fold(0, join) }
    }

    /// Where the head holds the place of the first page.
    fn place(self) -> std::ops::Range<usize> {
        if self.big_file { 8..16 } else { 4..8 }
    }
}

/// Most bytes of pixels that are believed of a file of so many bytes, with room for samples of less than a byte.
fn most_samples(file_bytes: u64) -> u128 {
    8 * (u128::from(file_bytes) * u128::from(super::MOST_COMPRESSION) + (1 << 16))
}

/// Sizes that a directory gives, each of them 1 where it gives none.
#[derive(Debug, Clone, Copy)]
struct Sizes {
    picture: [u64; 2],
    tile: [u64; 2],
    /// Samples of a pixel.
    samples: u64,
}

impl Sizes {
    /// Takes the size that the tag `name` gives, if it does.
    fn take(&mut self, name: u16, value: u64) {
        match name {
            256 => self.picture[0] = value,
            257 => self.picture[1] = value,
            277 => self.samples = value,
            322 => self.tile[0] = value,
            323 => self.tile[1] = value,
            _ => {}
        }
    }

    /// Refuses sizes whose products no file of `file_bytes` can hold, or that a decoder could not count: pieces of a
    /// picture are numbered with 32 bits, of which there may be one for each row of each plane.
    fn check(self, file_bytes: u64) -> Outcome<()> {
        let area =
            |[width, height]: [u64; 2]| (u128::from(width) * u128::from(height)).saturating_mul(self.samples.into());
        let pieces = u128::from(self.picture[1]) * u128::from(self.samples);
        // Tiles may reach beyond the picture.
        let most = most_samples(file_bytes);
        if area(self.picture) > most || area(self.tile) > most.max(1 << 32) || pieces > u128::from(u32::MAX) {
            let [width, height] = self.picture;
            return Err(damaged(format!(
                "its header promises {width}x{height} px of {} samples, the file has {file_bytes} bytes",
                self.samples
            )));
        }
        Ok(())
    }
}

/// What a directory says.
#[derive(Debug)]
struct Directory {
    /// Whether it is a preview or a mask of another page.
    lesser: bool,
    /// Kind, number and field of each tag of [`SHAPE`].
    shape: Vec<(u16, u64, u64, u64)>,
    /// Place of the next page, 0 if there is none.
    next: u64,
}

fn damaged(what: impl std::fmt::Display) -> Fault {
    Fault::data(format!("the TIFF picture is damaged or cut short: {what}")).remedy("copy the file again")
}

/// Reads the directory at `at` and holds it against the length of the file.
fn directory(file: &ClipFile, numbers: Numbers, at: u64) -> Outcome<Directory> {
    let (count_bytes, tag_bytes, place_bytes) = if numbers.big_file { (8, 20, 8) } else { (2, 12, 4) };
    let count = numbers.read(&file.read_upto(at, count_bytes)?);
    if at >= file.len() || count == 0 || count > MAX_TAGS {
        return Err(damaged(format!("at {at} there is no directory of a page")));
    }
    let tags_at = at + count_bytes as u64;
    let bytes = file.read_upto(tags_at, count as usize * tag_bytes + place_bytes)?;
    if bytes.len() < count as usize * tag_bytes {
        return Err(damaged(format!("its directory at {at} goes on behind the end of the file")));
    }
    let (tags, rest) = bytes.split_at(count as usize * tag_bytes);
    let mut sizes = Sizes { picture: [1, 1], tile: [1, 1], samples: 1 };
    let mut found = Directory { lesser: false, shape: Vec::new(), next: numbers.read(rest) };
    for tag in tags.chunks_exact(tag_bytes) {
        let (name, kind) = (numbers.read(&tag[..2]) as u16, numbers.read(&tag[2..4]));
        // A decoder that steps over a kind it does not know by the tags of plain TIFF loses its place.
        if numbers.big_file && !matches!(kind, 1..=13 | 16..=18) {
            return Err(damaged(format!("its tag {name} is of the kind {kind}, which is none of BigTIFF's")));
        }
        let (values, field) = tag[4..].split_at(tag_bytes - 4 - place_bytes);
        let values = numbers.read(values);
        // Bytes of a value of kinds 1 to 12 (TIFF 6.0, section 2), 13, and 16 to 18 of BigTIFF.
        let value_bytes = match kind {
            3 | 8 => 2,
            4 | 9 | 11 | 13 => 4,
            5 | 10 | 12 | 16..=18 => 8,
            _ => 1,
        };
        if values.checked_mul(value_bytes).is_none_or(|bytes| bytes > file.len()) {
            return Err(damaged(format!("its tag {name} promises {values} values, the file has {} bytes", file.len())));
        }
        // The first value of a field that holds its values itself, at its beginning in either byte order.
        sizes.take(name, field.get(..value_bytes as usize).map_or(1, |bytes| numbers.read(bytes)));
        let field = numbers.read(field);
        if SHAPE.contains(&name) {
            // A field of several values holds their place, which differs from page to page.
            let value = if values.saturating_mul(value_bytes) <= place_bytes as u64 { field } else { 0 };
            found.shape.push((name, kind, values, value));
        }
        // NewSubfileType, a whole number of four bytes: bit 0 is a smaller version of another page, bit 2 a mask.
        found.lesser |= name == 254 && numbers.read(&tag[tag_bytes - place_bytes..][..4]) & 5 != 0;
    }
    sizes.check(file.len())?;
    Ok(found)
}

/// Holds the page at `page`, or the first one, against the length of the file, before a decoder makes room for it.
pub(super) fn check(file: &ClipFile, page: Option<u64>) -> Outcome<()> {
    let head = file.read_upto(0, 16)?;
    let numbers = Numbers::of(&head);
    let Some(place) = head.get(numbers.place()) else { return Err(damaged("its head is cut")) };
    let at = page.unwrap_or_else(|| numbers.read(place));
    directory(file, numbers, at).map(drop)
}

/// Places of the pages that have the size and the colours of the first one; empty if it is the only page. Previews and
/// masks are left out without a word, other pages with one.
///
/// # Errors
/// If the first page is damaged.
pub(super) fn alike(file: &ClipFile, notes: &mut Vec<String>) -> Outcome<Vec<u64>> {
    let head = file.read_upto(0, 16)?;
    let numbers = Numbers::of(&head);
    let Some(place) = head.get(numbers.place()) else { return Err(damaged("its head is cut")) };
    let first_at = numbers.read(place);
    let first = directory(file, numbers, first_at)?;
    let (mut pages, mut other, mut next) = (vec![first_at], 0usize, first.next);
    let mut seen = HashSet::from([first_at]);
    while next != 0 {
        let page = if seen.insert(next) { directory(file, numbers, next).ok() } else { None };
        let Some(page) = page else {
            notes.push(format!("what follows page {} of the file is damaged: left out", seen.len().max(2) - 1));
            break;
        };
        match (page.lesser, page.shape == first.shape) {
            (false, true) => pages.push(next),
            (false, false) => other += 1,
            (true, _) => {}
        }
        if seen.len() >= MAX_FRAMES {
            notes.push(format!("of the file only the first {} pages are read", pages.len()));
            break;
        }
        next = page.next;
    }
    if other > 0 {
        notes.push(format!("{other} pages of another size or colour than the first are left out"));
    }
    Ok(if pages.len() > 1 { pages } else { Vec::new() })
}

/// A TIFF file whose first page is another one.
pub(super) struct PageReader<R> {
    inner: R,
    head: Vec<u8>,
    at: u64,
}

impl<R: Read + Seek> PageReader<R> {
    /// Makes the page at `page` (the offset of its directory) the first one.
    pub(super) fn new(mut inner: R, page: u64) -> Result<Self> {
        let mut head = Vec::new();
        inner.by_ref().take(16).read_to_end(&mut head)?;
        let numbers = Numbers::of(&head);
        head.truncate(numbers.place().end);
        if let Some(bytes) = head.get_mut(numbers.place()) {
            let width = bytes.len();
            if numbers.little {
                bytes.copy_from_slice(&page.to_le_bytes()[..width]);
            } else {
                bytes.copy_from_slice(&page.to_be_bytes()[8 - width..]);
            }
        }
        inner.rewind()?;
        Ok(Self { inner, head, at: 0 })
    }
}

impl<R: Read + Seek> Read for PageReader<R> {
    fn read(&mut self, bytes: &mut [u8]) -> Result<usize> {
        let own = usize::try_from(self.at).ok().and_then(|at| self.head.get(at..)).filter(|own| !own.is_empty());
        let read = if let Some(own) = own {
            let count = own.len().min(bytes.len());
            bytes[..count].copy_from_slice(&own[..count]);
            self.inner.seek(SeekFrom::Start(self.at + count as u64))?;
            count
        } else {
            self.inner.read(bytes)?
        };
        self.at += read as u64;
        Ok(read)
    }
}

impl<R: Read + Seek> Seek for PageReader<R> {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        self.at = self.inner.seek(to)?;
        Ok(self.at)
    }
}
