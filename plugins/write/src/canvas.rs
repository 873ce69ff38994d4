//! Lines, arrows and letters on a linear picture.
//!
//! Strokes are as bright as the share of each pixel that they cover, by the distance of its centre from the line's
//! middle; letters are the rendered ones of the Noto Sans Mono font (SIL Open Font License 1.1). No trigonometry and no
//! random: the same bits everywhere.

use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};
use stillair_api::Image;

/// A colour in linear light, red, green, blue.
pub(crate) type Colour = [f32; 3];

/// Height of a letter's box, px.
pub(crate) const LETTER_HEIGHT: f64 = 16.0;

/// Width of a letter's box, px; all are alike.
pub(crate) fn letter_width() -> f64 {
    get_raster_width(FontWeight::Regular, RasterHeight::Size16) as f64
}

/// A picture to draw on, three channels.
pub(crate) struct Canvas {
    pub image: Image,
}

impl Canvas {
    /// A black canvas.
    pub fn new(width: usize, height: usize) -> Self {
        Self { image: Image::new(width, height, 3) }
    }

    /// Puts a picture, mono or RGB, with its upper left pixel at a place; what does not fit is cut off.
    pub fn put(&mut self, picture: &Image, left: usize, top: usize) {
        let (width, height) = (self.image.width, self.image.height);
        let (columns, rows) =
            (picture.width.min(width.saturating_sub(left)), picture.height.min(height.saturating_sub(top)));
        for channel in 0..3 {
            let source = picture.channel(if picture.channels == 3 { channel } else { 0 });
            let target = self.image.channel_mut(channel);
            for y in 0..rows {
                let to = (top + y) * width + left;
                target[to..to + columns].copy_from_slice(&source[y * picture.width..][..columns]);
            }
        }
    }

    fn blend(&mut self, x: i64, y: i64, cover: f32, colour: Colour) {
        let inside = (0..self.image.width as i64).contains(&x) && (0..self.image.height as i64).contains(&y);
        if !inside || cover <= 0.0 {
            return;
        }
        let (at, area) = (y as usize * self.image.width + x as usize, self.image.area());
        for (channel, part) in colour.into_iter().enumerate() {
            let value = &mut self.image.data[channel * area + at];
            let below = if value.is_finite() { value.clamp(0.0, 1.0) } else { 0.0 };
            *value = below + cover.min(1.0) * (part - below);
        }
    }

    /// A straight stroke with round ends; `opacity` 0 to 1.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), width: f64, opacity: f32, colour: Colour) {
        if ![from.0, from.1, to.0, to.1].iter().all(|v| v.is_finite()) {
            return;
        }
        let reach = width / 2.0 + 1.0;
        let span = |a: f64, b: f64, size: usize| {
            let (low, high) = ((a.min(b) - reach).floor(), (a.max(b) + reach).ceil());
            (low.max(0.0) as i64, high.min(size as f64 - 1.0) as i64)
        };
        let ((x0, x1), (y0, y1)) = (span(from.0, to.0, self.image.width), span(from.1, to.1, self.image.height));
        let (along_x, along_y) = (to.0 - from.0, to.1 - from.1);
        let square = along_x * along_x + along_y * along_y;
        for y in y0..=y1 {
            for x in x0..=x1 {
                let (dx, dy) = (x as f64 - from.0, y as f64 - from.1);
                let share = if square > 0.0 { ((dx * along_x + dy * along_y) / square).clamp(0.0, 1.0) } else { 0.0 };
                let (off_x, off_y) = (dx - share * along_x, dy - share * along_y);
                let cover = width / 2.0 + 0.5 - (off_x * off_x + off_y * off_y).sqrt();
                self.blend(x, y, opacity * cover.clamp(0.0, 1.0) as f32, colour);
            }
        }
    }

    /// A stroke with a head at its end.
    pub fn arrow(&mut self, from: (f64, f64), to: (f64, f64), colour: Colour) {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = (dx * dx + dy * dy).sqrt().max(1e-9);
        let (ux, uy) = (dx / length, dy / length);
        self.line(from, to, 2.0, 1.0, colour);
        for side in [-1.0, 1.0] {
            let back = (to.0 - 9.0 * ux + side * 5.0 * uy, to.1 - 9.0 * uy - side * 5.0 * ux);
            self.line(to, back, 2.0, 1.0, colour);
        }
    }

    /// A line of text, `left` and `top` of its box; characters that the font lacks become question marks.
    pub fn text(&mut self, left: f64, top: f64, text: &str, colour: Colour) {
        let (mut x0, y0) = (left.round() as i64, top.round() as i64);
        for letter in text.chars() {
            let raster = |c| get_raster(c, FontWeight::Regular, RasterHeight::Size16);
            if let Some(raster) = raster(letter).or_else(|| raster('?')) {
                for (y, row) in raster.rows().enumerate() {
                    for (x, cover) in row.iter().enumerate() {
                        self.blend(x0 + x as i64, y0 + y as i64, f32::from(*cover) / 255.0, colour);
                    }
                }
            }
            x0 += letter_width() as i64;
        }
    }

    /// A line of text whose middle is at `x`.
    pub fn text_about(&mut self, x: f64, top: f64, text: &str, colour: Colour) {
        self.text(x - text_width(text) / 2.0, top, text, colour);
    }
}

/// Width of a line of text, px.
pub(crate) fn text_width(text: &str) -> f64 {
    text.chars().count() as f64 * letter_width()
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHITE: Colour = [1.0; 3];

    #[test]
    fn a_stroke_has_its_width() {
        let mut canvas = Canvas::new(40, 40);
        canvas.line((5.0, 20.0), (35.0, 20.0), 3.0, 1.0, WHITE);
        // Across the line, away from its ends, the covered shares add up to the width.
        let across: f32 = (0..40).map(|y| canvas.image.data[y * 40 + 20]).sum();
        assert!((across - 3.0).abs() < 1e-6, "{across}");
        canvas.line((f64::NAN, 0.0), (1.0, 1.0), 3.0, 1.0, WHITE);
        canvas.line((-100.0, -100.0), (200.0, -50.0), 3.0, 1.0, WHITE);
        canvas.text(36.0, 36.0, "cut off", WHITE);
    }

    #[test]
    fn letters_are_written_and_unknown_ones_marked() {
        let ink = |text: &str| {
            let mut canvas = Canvas::new(60, 20);
            canvas.text(1.0, 1.0, text, WHITE);
            canvas.image.data.iter().sum::<f32>()
        };
        assert_eq!(ink(" "), 0.0);
        assert!(ink("N") > 30.0);
        assert_eq!(ink("\u{4e00}"), ink("?"));
    }
}
