//! What 16-bit samples say of themselves: the order of their bytes, and where their significant bits lie.
//!
//! Headers are often silent or wrong about both, so the data decides. *Byte order*: in a picture neighbouring samples
//! of one colour differ far less than distant ones; with the bytes swapped the fast-changing low byte becomes the
//! high one and neighbours differ about as much as strangers. Measured as roughness: mean |neighbour difference|
//! over mean |sample - mean|, which no factor changes. *Alignment*: samples of fewer bits than their container leave
//! either the low or the high bits unused. Own method; common practice, no source.

use crate::options::{Alignment, Options};
use crate::samples::ByteOrder;

/// One order must be smoother than the other by this factor to be believed.
const CLEAR_RATIO: f64 = 0.8;

/// Fewer non-zero samples than this say nothing about unused bits.
const ENOUGH_SAMPLES: usize = 64;

/// A piece of a frame as it is stored: whole rows of 16-bit samples.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Piece<'a> {
    /// The bytes.
    pub(crate) bytes: &'a [u8],
    /// Samples in a row.
    pub(crate) row_samples: usize,
    /// Distance in a row of two samples of one colour.
    pub(crate) pitch: usize,
}

fn sample(pair: &[u8], order: ByteOrder) -> f64 {
    let pair = [pair[0], pair[1]];
    f64::from(match order {
        ByteOrder::Little => u16::from_le_bytes(pair),
        ByteOrder::Big => u16::from_be_bytes(pair),
    })
}

/// Mean |difference of neighbours of one colour| over mean |difference from the mean|; NaN for a flat piece.
fn roughness(piece: &Piece<'_>, order: ByteOrder) -> f64 {
    let values: Vec<f64> = piece.bytes.chunks_exact(2).map(|pair| sample(pair, order)).collect();
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    let spread = values.iter().map(|v| (v - mean).abs()).sum::<f64>() / values.len().max(1) as f64;
    let (mut sum, mut count) = (0.0, 0usize);
    for row in values.chunks_exact(piece.row_samples.max(1)) {
        for (a, b) in row.iter().zip(row.iter().skip(piece.pitch)) {
            sum += (a - b).abs();
            count += 1;
        }
    }
    sum / count as f64 / spread
}

/// Share of the full range that the samples' spread covers.
fn spread(pieces: &[Piece<'_>], order: ByteOrder) -> f64 {
    let values = || pieces.iter().flat_map(|p| p.bytes.chunks_exact(2)).map(|pair| sample(pair, order));
    let count = values().count().max(1) as f64;
    let mean = values().sum::<f64>() / count;
    values().map(|v| (v - mean).abs()).sum::<f64>() / count / 65_535.0
}

fn largest(pieces: &[Piece<'_>], order: ByteOrder) -> f64 {
    pieces.iter().flat_map(|p| p.bytes.chunks_exact(2)).map(|pair| sample(pair, order)).fold(0.0, f64::max)
}

/// The byte order that the data speak for, with the reason; `None` if they do not say.
pub(crate) fn byte_order(pieces: &[Piece<'_>], bits: u32) -> Option<(ByteOrder, String)> {
    // A declared depth that one order keeps and the other breaks says more than smoothness, which a dark frame lacks.
    let limit = f64::from(u16::MAX >> (16 - bits.clamp(1, 16)));
    let [top_little, top_big] = [ByteOrder::Little, ByteOrder::Big].map(|order| largest(pieces, order));
    if (top_little <= limit) != (top_big <= limit) {
        let order = if top_little <= limit { ByteOrder::Little } else { ByteOrder::Big };
        return Some((order, format!("only that way do the samples keep to the declared {bits} bits")));
    }
    let [little, big] = [ByteOrder::Little, ByteOrder::Big].map(|order| {
        let all: Vec<f64> = pieces.iter().map(|p| roughness(p, order)).filter(|r| r.is_finite()).collect();
        all.iter().sum::<f64>() / all.len() as f64
    });
    if little < CLEAR_RATIO * big || big < CLEAR_RATIO * little {
        let (order, smooth, rough) =
            if little < big { (ByteOrder::Little, little, big) } else { (ByteOrder::Big, big, little) };
        return Some((
            order,
            format!(
                "neighbouring samples are smoother that way: roughness {smooth:.2} against {rough:.2} with the bytes \
                 swapped"
            ),
        ));
    }
    // Pure noise is rough either way. Then the range that the values wander over speaks.
    // Samples of one byte in two are as smooth either way, and larger by 256 the other: their spread says nothing.
    let used = pieces.iter().flat_map(|p| p.bytes.chunks_exact(2)).fold([0u8; 2], |u, b| [u[0] | b[0], u[1] | b[1]]);
    if used.contains(&0) {
        return None;
    }
    let [wide_little, wide_big] = [ByteOrder::Little, ByteOrder::Big].map(|order| spread(pieces, order));
    if wide_little < 0.25 * wide_big || wide_big < 0.25 * wide_little {
        let order = if wide_little < wide_big { ByteOrder::Little } else { ByteOrder::Big };
        return Some((order, "the samples are noise, and that way they stay close together".into()));
    }
    None
}

/// What the samples' bits say.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Depth {
    /// Significant bits.
    pub(crate) bits: u32,
    /// Where they lie.
    pub(crate) alignment: Alignment,
    /// What was decided against, or beyond, the declared depth.
    pub(crate) note: Option<String>,
}

impl Depth {
    /// The largest stored number.
    pub(crate) fn white_level(&self) -> f64 {
        let largest = f64::from((1u32 << self.bits) - 1);
        match self.alignment {
            Alignment::Right => largest,
            Alignment::Left => largest * f64::from(1u32 << (16 - self.bits)),
        }
    }
}

/// Decides depth and alignment of 16-bit samples of known byte order and declared depth.
pub(crate) fn depth(pieces: &[Piece<'_>], order: ByteOrder, declared: u32, wanted: Option<Alignment>) -> Depth {
    let declared = declared.clamp(1, 16);
    if let Some(alignment) = wanted {
        return Depth { bits: declared, alignment, note: None };
    }
    let (mut used, mut top, mut lit, mut at_top) = (0u16, 0u16, 0usize, 0usize);
    for pair in pieces.iter().flat_map(|p| p.bytes.chunks_exact(2)) {
        let value = sample(pair, order) as u16;
        used |= value;
        lit += usize::from(value != 0);
        if value > top {
            (top, at_top) = (value, 0);
        }
        at_top += usize::from(value == top);
    }
    let unused_low = used.trailing_zeros().min(15);
    let limit = u16::MAX >> (16 - declared);
    if lit < ENOUGH_SAMPLES && top <= limit {
        return Depth { bits: declared, alignment: Alignment::Right, note: None };
    }
    if declared < 16 {
        if top <= limit {
            return Depth { bits: declared, alignment: Alignment::Right, note: None };
        }
        if unused_low >= 16 - declared {
            let note = format!(
                "the {declared}-bit samples fill the high end of their 16 bits (the lowest {unused_low} bits are \
                 never used): taken as left-aligned"
            );
            return Depth { bits: declared, alignment: Alignment::Left, note: Some(note) };
        }
        let bits = 16 - top.leading_zeros();
        let note = format!(
            "the file says {declared} bits, but samples reach {top} with their low bits in use: taken as {bits} bits"
        );
        return Depth { bits, alignment: Alignment::Right, note: Some(note) };
    }
    if unused_low > 0 && lit >= ENOUGH_SAMPLES {
        // Converters have 8, 10, 12 or 14 bits; a dark frame uses few values, so that more bits than the converter's
        // may seem unused: it must not be scaled otherwise than the bright ones.
        let depths: &[u32] = if top < 0x8000 { &[12, 14] } else { &[8, 10, 12, 14] };
        let bits = depths.iter().copied().find(|bits| *bits >= 16 - unused_low).unwrap_or(16 - unused_low);
        let note =
            format!("the lowest {unused_low} of 16 bits are never used: taken as {bits}-bit samples, left-aligned");
        return Depth { bits, alignment: Alignment::Left, note: Some(note) };
    }
    for bits in [10u32, 12, 14] {
        // A pile of samples at exactly the top of a shorter range is saturation, not chance.
        if top == u16::MAX >> (16 - bits) && at_top >= 8 {
            let note = format!(
                "the file says 16 bits, but {at_top} of the samples tried stand at {top} and none above: taken as \
                 {bits}-bit samples, right-aligned"
            );
            return Depth { bits, alignment: Alignment::Right, note: Some(note) };
        }
    }
    let note = (top < 4096).then(|| {
        format!(
            "the brightest of the samples tried is {top} of 65535: if the camera gave 12 bits, right-aligned, set \
             white_level = 4095"
        )
    });
    Depth { bits: 16, alignment: Alignment::Right, note }
}

/// Significant bits and white level of samples of one byte; the session's depth counts if it fits.
pub(crate) fn eight_bits(declared: u32, options: &Options) -> (u32, f64) {
    let bits = options.bits.filter(|b| *b <= 8).unwrap_or(declared).clamp(1, 8);
    let shift = if options.alignment == Some(Alignment::Left) { 8 - bits } else { 0 };
    (bits, f64::from(((1u32 << bits) - 1) << shift))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A smooth hill with a little noise on `rows` rows of `row` samples, at most `top`.
    fn hill(row: usize, rows: usize, top: f64, mask: u16) -> Vec<u16> {
        let mut state = 1u32;
        (0..row * rows)
            .map(|i| {
                let (x, y) = ((i % row) as f64 / row as f64 - 0.5, (i / row) as f64 / rows as f64 - 0.5);
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = f64::from(state >> 24) / 255.0 * 0.02;
                ((top * ((-8.0 * (x * x + y * y)).exp() * 0.9 + noise)) as u16) & mask
            })
            .collect()
    }

    fn bytes(values: &[u16], order: ByteOrder) -> Vec<u8> {
        values.iter().flat_map(|v| if order == ByteOrder::Little { v.to_le_bytes() } else { v.to_be_bytes() }).collect()
    }

    #[test]
    fn a_picture_tells_its_byte_order_whatever_its_depth_and_alignment() {
        for order in [ByteOrder::Little, ByteOrder::Big] {
            for (top, mask) in [(65_000.0, u16::MAX), (65_000.0, 0xfff0), (4000.0, u16::MAX), (900.0, u16::MAX)] {
                let stored = bytes(&hill(64, 48, top, mask), order);
                let piece = Piece { bytes: &stored, row_samples: 64, pitch: 2 };
                let found = byte_order(&[piece], 16).map(|(order, _)| order);
                assert_eq!(found, Some(order), "top {top}, mask {mask:x}");
            }
        }
    }

    #[test]
    fn a_dark_frame_tells_its_byte_order_by_its_range() {
        let mut state = 7u32;
        let noise: Vec<u16> = (0..3000)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                900 + (state >> 26) as u16
            })
            .collect();
        for order in [ByteOrder::Little, ByteOrder::Big] {
            let stored = bytes(&noise, order);
            let piece = Piece { bytes: &stored, row_samples: 60, pitch: 2 };
            assert_eq!(byte_order(&[piece], 16).map(|(order, _)| order), Some(order));
            assert_eq!(byte_order(&[piece], 12).map(|(order, _)| order), Some(order));
        }
    }

    #[test]
    fn samples_of_one_byte_in_two_do_not_tell() {
        for top in [250.0, 65_000.0] {
            let stored = bytes(&hill(64, 48, top, if top > 255.0 { 0xff00 } else { 0xff }), ByteOrder::Little);
            assert_eq!(byte_order(&[Piece { bytes: &stored, row_samples: 64, pitch: 2 }], 16), None);
        }
    }

    #[test]
    fn a_flat_frame_does_not_tell() {
        let stored = [1u8, 2].repeat(100);
        assert!(byte_order(&[Piece { bytes: &stored, row_samples: 10, pitch: 2 }], 16).is_none());
    }

    #[test]
    fn unused_bits_tell_the_alignment() {
        let white = |values: &[u16], declared| {
            let stored = bytes(values, ByteOrder::Little);
            let piece = Piece { bytes: &stored, row_samples: 64, pitch: 2 };
            depth(&[piece], ByteOrder::Little, declared, None).white_level()
        };
        assert_eq!(white(&hill(64, 48, 4000.0, u16::MAX), 12), 4095.0);
        assert_eq!(white(&hill(64, 48, 65_000.0, 0xfff0), 12), 65_520.0);
        assert_eq!(white(&hill(64, 48, 65_000.0, 0xfff0), 16), 65_520.0);
        assert_eq!(white(&hill(64, 48, 65_000.0, 0xfffc), 14), 65_532.0);
        assert_eq!(white(&hill(64, 48, 65_000.0, u16::MAX), 16), 65_535.0);
        assert_eq!(white(&hill(64, 48, 30_000.0, u16::MAX), 12), 32_767.0);
        // A dark frame of 12 bits, left-aligned, whose few values leave two bits more unused.
        assert_eq!(white(&hill(64, 48, 2000.0, 0xffc0), 16), 65_520.0);
        // Saturated at 4095 with 16 declared bits.
        let clipped: Vec<u16> = hill(64, 48, 9000.0, u16::MAX).iter().map(|v| (*v).min(4095)).collect();
        assert_eq!(white(&clipped, 16), 4095.0);
    }

    /// A dark of 12 bits: a glow, a little noise, and hot pixels, which stand out only in the right order of bytes and
    /// so make it the rougher one.
    #[test]
    fn a_declared_depth_that_one_order_breaks_counts_before_smoothness() {
        let mut state = 1u32;
        let samples = (0..4096u32).map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            60 + (state >> 27) as u16 + (2 * (i % 64)) as u16 + if i % 331 == 0 { 1300 } else { 0 }
        });
        let bytes: Vec<u8> = samples.flat_map(u16::to_le_bytes).collect();
        let piece = Piece { bytes: &bytes, row_samples: 64, pitch: 2 };
        assert!(roughness(&piece, ByteOrder::Big) < CLEAR_RATIO * roughness(&piece, ByteOrder::Little));
        let (order, why) = byte_order(&[piece], 12).unwrap();
        assert_eq!(order, ByteOrder::Little, "{why}");
        assert!(why.contains("keep to the declared 12 bits"), "{why}");
    }
}
