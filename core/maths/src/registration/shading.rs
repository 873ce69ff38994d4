//! How the same disc may look in another colour.
//!
//! Limb, terminator and poles are shaded otherwise in each colour: limb darkening (Minnaert 1941, ApJ 93, 403) has another
//! exponent, a hood of haze another brightness. On a whole disc this cancels; with one limb sharp and the other in the
//! terminator's shade, or with one pole bright, it looks like a shift. So red is not expected to be green moved, but
//! `(1 + c1 x + c2 y + c3 x^2 + c4 x y + c5 y^2) G + c6 (x dG/dx + y dG/dy)` moved, x and y in radii from the disc's
//! middle: a smooth change of brightness, and a limb that lies a little further out or in all around, which is what a
//! steeper darkening makes of a blurred limb.

use crate::fft::Complex32;

/// Pictures that may be mixed in.
pub(crate) const TERMS: usize = 6;

/// What is brighter than this share of the brightest belongs to the disc.
const LIT: f32 = 0.15;

/// A picture with what another colour may show otherwise, as packed spectra.
pub struct Shaded {
    /// The picture itself.
    pub(crate) picture: Vec<Complex32>,
    /// The six pictures that may be mixed in.
    pub(crate) terms: [Vec<Complex32>; TERMS],
}

impl Shaded {
    /// For a disc (or anything else) of `width` columns on a sky of 0; `pack` makes a packed spectrum of a picture.
    pub fn new(plane: &[f32], width: usize, mut pack: impl FnMut(&[f32]) -> Vec<Complex32>) -> Self {
        let mut drawn = vec![0.0; plane.len()];
        let disc = Disc::of(plane, width);
        let terms = std::array::from_fn(|term| {
            disc.draw(plane, width, term, &mut drawn);
            pack(&drawn)
        });
        Self { picture: pack(plane), terms }
    }
}

/// Middle and radius of what is lit, px.
struct Disc {
    middle_px: [f64; 2],
    radius_px: f64,
}

impl Disc {
    /// Middle of the lit pixels, and the radius of a circle as large as they are; one pixel at the origin where none is.
    fn of(plane: &[f32], width: usize) -> Self {
        let least = LIT * plane.iter().copied().fold(0.0, f32::max);
        let (mut count, mut x, mut y) = (0.0, 0.0, 0.0);
        for (row, line) in plane.chunks_exact(width.max(1)).enumerate() {
            for (column, _) in line.iter().enumerate().filter(|(_, value)| **value > least) {
                count += 1.0;
                x += column as f64;
                y += row as f64;
            }
        }
        let pixels = f64::max(count, 1.0);
        Self { middle_px: [x / pixels, y / pixels], radius_px: libm::sqrt(pixels / std::f64::consts::PI) }
    }

    /// One of the pictures that may be mixed in. Outside the disc, where only the blur's wings and noise are, x and y grow
    /// no further: `x / (1 + r^4)^(1/4)`.
    fn draw(&self, plane: &[f32], width: usize, term: usize, out: &mut [f32]) {
        let height = plane.len() / width.max(1);
        for (row, line) in out.chunks_exact_mut(width.max(1)).enumerate() {
            let at = |column: usize, row: usize| f64::from(plane[row * width + column]);
            let (above, below) = (row.saturating_sub(1), (row + 1).min(height - 1));
            let y = (row as f64 - self.middle_px[1]) / self.radius_px;
            for (column, value) in line.iter_mut().enumerate() {
                let x = (column as f64 - self.middle_px[0]) / self.radius_px;
                let square = x * x + y * y;
                let bound = 1.0 / (1.0 + square * square).sqrt().sqrt();
                let (x, y) = (x * bound, y * bound);
                let (before, after) = (column.saturating_sub(1), (column + 1).min(width - 1));
                let drawn = match term {
                    0 => x * at(column, row),
                    1 => y * at(column, row),
                    2 => x * x * at(column, row),
                    3 => x * y * at(column, row),
                    4 => y * y * at(column, row),
                    _ => {
                        let (across, down) = (at(after, row) - at(before, row), at(column, below) - at(column, above));
                        0.5 * self.radius_px * (x * across + y * down)
                    }
                };
                *value = drawn as f32;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // An ellipse of known area drawn apart from a faint halo: centre and mean radius are the geometry's.
    #[test]
    fn the_disc_is_where_it_was_drawn() {
        let plane: Vec<f32> = (0..90 * 80)
            .map(|i| {
                let (x, y) = ((i % 90) as f64 - 40.3, (i / 90) as f64 - 37.6);
                if (x * x / 900.0 + y * y / 784.0) < 1.0 { 1.0 } else { 0.05 }
            })
            .collect();
        let disc = Disc::of(&plane, 90);
        assert!((disc.middle_px[0] - 40.3).abs() < 0.1 && (disc.middle_px[1] - 37.6).abs() < 0.1);
        assert!((disc.radius_px - libm::sqrt(30.0 * 28.0)).abs() < 0.05);
        let nothing = Disc::of(&[0.0; 12], 4);
        assert_eq!((nothing.middle_px, nothing.radius_px > 0.0), ([0.0; 2], true));
    }

    // The last term is the change with the disc's size: a disc drawn a little larger is the disc plus that much of it.
    #[test]
    fn a_larger_disc_is_the_disc_and_its_last_term() {
        let size = 80;
        let draw = |scale: f64| -> Vec<f32> {
            (0..size * size)
                .map(|i| {
                    let (x, y) = ((i % size) as f64 - 39.5, (i / size) as f64 - 39.5);
                    (1.0 / (1.0 + libm::exp((libm::hypot(x, y) / scale - 24.0) / 3.0))) as f32
                })
                .collect()
        };
        let (plane, larger) = (draw(1.0), draw(1.01));
        let disc = Disc::of(&plane, size);
        let mut term = vec![0.0; plane.len()];
        disc.draw(&plane, size, TERMS - 1, &mut term);
        let difference: Vec<f32> = plane.iter().zip(&larger).map(|(a, b)| b - a).collect();
        let share = crate::dot(&term, &difference) / crate::dot(&term, &term);
        let left: Vec<f32> = difference.iter().zip(&term).map(|(d, t)| d - (share * f64::from(*t)) as f32).collect();
        assert!(crate::dot(&left, &left) < 0.01 * crate::dot(&difference, &difference));
        // By hand: a sixth of the brightness is left at 24 + 3 ln 5.67 = 29.2 px, so the limb lies at 0.82 radii, where x
        // is held back by (1 + 0.82^4)^(-1/4) = 1 / 1.10.
        assert!((1.05..1.15).contains(&(-share / 0.01)), "{share}");
    }
}
