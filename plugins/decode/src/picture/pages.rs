//! The pages of a TIFF file.
//!
//! A decoder begins with the page that the head of the file names. To reach any other page without walking there, the
//! head is handed out with that page's place in it. Source: TIFF 6.0 (Adobe), section 2; BigTIFF (common practice).

use std::fs::File;
use std::io::{BufReader, Read, Result, Seek, SeekFrom};
use std::path::Path;

use ::tiff::decoder::Decoder;
use ::tiff::tags::Tag;
use stillair_api::Outcome;

use crate::file::unreadable;
use crate::stored::MAX_FRAMES;

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
        let little = head.starts_with(b"II");
        let big_file = head.get(2..4).is_some_and(|mark| mark.contains(&43));
        let place = if big_file { 8..16 } else { 4..8 };
        if let Some(bytes) = head.get_mut(place) {
            let width = bytes.len();
            if little {
                bytes.copy_from_slice(&page.to_le_bytes()[..width]);
            } else {
                bytes.copy_from_slice(&page.to_be_bytes()[8 - width..]);
            }
            head.truncate(if big_file { 16 } else { 8 });
        } else {
            head.clear();
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

/// Places of the pages that have the size and the colours of the first one; empty if it is the only page. Previews and
/// masks are left out without a word, other pages with one.
pub(super) fn alike(path: &Path, notes: &mut Vec<String>) -> Outcome<Vec<u64>> {
    let file = File::open(path).map_err(|e| unreadable(path, &e))?;
    // What is wrong with the first page is told when it is decoded.
    let Ok(mut decoder) = Decoder::new(BufReader::new(file)) else { return Ok(Vec::new()) };
    if !decoder.more_images() {
        return Ok(Vec::new());
    }
    let mut shape = || {
        // TIFF 6.0, section 8, NewSubfileType: bit 0 is a smaller version of another page, bit 2 a mask.
        let lesser = matches!(decoder.find_tag_unsigned::<u32>(Tag::NewSubfileType), Ok(Some(kind)) if kind & 5 != 0);
        let here = decoder.ifd_pointer().map(|pointer| pointer.0);
        let seen = (decoder.dimensions().ok(), decoder.colortype().ok());
        let next = decoder.more_images().then(|| decoder.next_image());
        (lesser, here, seen, next)
    };
    let (_, first, wanted, mut next) = shape();
    let mut pages = Vec::from_iter(first);
    let mut other = 0usize;
    while let Some(moved) = next.take() {
        if moved.is_err() {
            notes.push(format!("what follows page {} of the file is damaged: left out", pages.len() + other));
            break;
        }
        let (lesser, here, seen, more) = shape();
        match here {
            Some(here) if seen == wanted && !lesser => pages.push(here),
            _ if lesser => {}
            _ => other += 1,
        }
        if pages.len() + other >= MAX_FRAMES {
            notes.push(format!("of the file only the first {} pages are read", pages.len()));
            break;
        }
        next = more;
    }
    if other > 0 {
        notes.push(format!("{other} pages of another size or colour than the first are left out"));
    }
    Ok(if pages.len() > 1 { pages } else { Vec::new() })
}
