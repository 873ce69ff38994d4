//! FITS headers: blocks of 2880 bytes of cards of 80 characters.
//!
//! Only what a picture needs is understood: numbers, logicals and texts of simple cards. Source: FITS Standard 4.0,
//! chapters 3 and 4. Written here since the readers at hand read whole pictures through a stream, not regions by place.

use std::collections::BTreeMap;

use stillair_api::{Fault, Outcome};

use crate::file::ClipFile;

/// Bytes of a block.
pub(crate) const BLOCK: usize = 2880;

/// Bytes of a card.
const CARD: usize = 80;

/// Headers of more blocks than this (36000 cards) are refused.
const MAX_BLOCKS: usize = 1000;

/// The cards of a header by keyword; the first of a keyword counts.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Header {
    cards: BTreeMap<String, String>,
    /// Offset of the first byte behind the header.
    pub(crate) end: u64,
}

/// The value of a card: what stands behind `= `, a text without its quotes, or a number without its comment.
fn value(field: &str) -> String {
    let field = field.trim_start();
    let Some(quoted) = field.strip_prefix('\'') else {
        return field.split('/').next().unwrap_or_default().trim().to_owned();
    };
    let mut text = String::new();
    let mut characters = quoted.chars().peekable();
    while let Some(c) = characters.next() {
        if c == '\'' && characters.next_if_eq(&'\'').is_none() {
            break;
        }
        text.push(c);
    }
    text.trim_end().to_owned()
}

impl Header {
    /// Reads the header that begins at `start`.
    pub(crate) fn read(file: &ClipFile, start: u64) -> Outcome<Self> {
        let mut header = Header::default();
        for block in 0..MAX_BLOCKS {
            let at = start + (block * BLOCK) as u64;
            let bytes = file.read_upto(at, BLOCK)?;
            if bytes.len() < BLOCK {
                let words =
                    if bytes.is_empty() { "has no END card" } else { "is cut short: its last block is not whole" };
                return Err(Fault::data(format!("the header {words}")).remedy("copy the file again"));
            }
            for card in bytes.chunks_exact(CARD) {
                let card: String = card.iter().map(|b| if b.is_ascii() { char::from(*b) } else { '?' }).collect();
                let (key, rest) = card.split_at(8);
                let key = key.trim_end();
                if key == "END" {
                    header.end = at + BLOCK as u64;
                    return Ok(header);
                }
                if let Some(field) = rest.strip_prefix("= ") {
                    header.cards.entry(key.to_owned()).or_insert_with(|| value(field));
                }
            }
        }
        Err(Fault::data(format!("the header has no END card within {MAX_BLOCKS} blocks")).remedy("copy the file again"))
    }

    /// A text.
    pub(crate) fn text(&self, key: &str) -> Option<&str> {
        self.cards.get(key).map(String::as_str).filter(|text| !text.is_empty())
    }

    /// A finite number; the exponent may be written with D.
    pub(crate) fn number(&self, key: &str) -> Option<f64> {
        self.text(key)?.replace(['D', 'd'], "E").parse::<f64>().ok().filter(|n| n.is_finite())
    }

    /// A whole number.
    pub(crate) fn integer(&self, key: &str) -> Option<i64> {
        self.text(key)?.parse().ok()
    }

    /// The lengths of the axes, first the one that varies fastest.
    pub(crate) fn axes(&self) -> Outcome<Vec<u64>> {
        let damaged = |what: String| Fault::data(what).remedy("the header is damaged: copy or write the file again");
        let count = self.integer("NAXIS").filter(|n| (0..=999).contains(n));
        let count = count.ok_or_else(|| damaged("the header has no valid NAXIS".into()))?;
        let axis = |n: i64| {
            let key = format!("NAXIS{n}");
            let len = self.integer(&key).and_then(|len| u64::try_from(len).ok());
            len.ok_or_else(|| damaged(format!("the header has no valid {key}")))
        };
        (1..=count).map(axis).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_as_the_standard_writes_them() {
        // FITS Standard 4.0, 4.2.1: quotes within a text are doubled, trailing blanks do not count; 4.2.4: D exponents.
        assert_eq!(value("'O''HARA  '           / name"), "O'HARA");
        assert_eq!(value("                  16 / bits"), "16");
        assert_eq!(value("''"), "");
        let header = Header { cards: [("X".to_owned(), "1.5D3".to_owned())].into(), end: 0 };
        assert_eq!(header.number("X"), Some(1500.0));
    }
}
