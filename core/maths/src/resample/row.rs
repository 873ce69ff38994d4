//! The cubic B-spline's taps for a row of places, laid out for vector units.

use wide::f32x4;

use crate::bspline::bspline_weights;

/// For every place of a row, which samples its taps begin at and what they weigh. Reuse it from row to row to keep its
/// buffers.
#[derive(Clone, Debug, Default)]
pub struct SplineRow {
    /// Column of the sample at or before the place, of which the taps begin one before.
    pub columns: Vec<i32>,
    /// Its row.
    pub rows: Vec<i32>,
    /// Weights of the four columns.
    pub along: Vec<[f32; 4]>,
    /// Weights of the four rows.
    pub down: Vec<[f32; 4]>,
    fraction: Vec<f32>,
}

impl SplineRow {
    /// Takes in places in px. `low` and `high`, across then down and neither negative, bound them: a place outside stands
    /// as if on the bound, NaN as if on the low one.
    ///
    /// # Panics
    /// Where `xs` and `ys` differ in length.
    pub fn fill(&mut self, xs: &[f64], ys: &[f64], low: [f64; 2], high: [f64; 2]) {
        assert_eq!(xs.len(), ys.len(), "a place has two coordinates");
        split(xs, low[0], high[0], &mut self.columns, &mut self.fraction);
        taps(&self.fraction, &mut self.along);
        split(ys, low[1], high[1], &mut self.rows, &mut self.fraction);
        taps(&self.fraction, &mut self.down);
    }
}

/// Around here a double holds whole numbers only, in its low bits.
const WHOLE: f64 = (3_u64 << 51) as f64;

/// What is taken off before rounding to the nearest, so that it becomes rounding down. Less than a half by little: a place on a
/// sample must not fall to the one before.
const DOWN: f64 = 0.5 - 1.0 / (1_u64 << 20) as f64;

/// Whole part and fraction. Without a branch or a saturating conversion, so that compilers make vectors of it.
fn split(places: &[f64], low: f64, high: f64, whole: &mut Vec<i32>, fraction: &mut Vec<f32>) {
    whole.resize(places.len(), 0);
    fraction.resize(places.len(), 0.0);
    for ((place, whole), fraction) in places.iter().zip(whole).zip(fraction) {
        // `max` before `min`, so that NaN becomes the low bound.
        let place = place.max(low).min(high);
        let rounded = place - DOWN + WHOLE;
        *whole = rounded.to_bits() as u32 as i32;
        *fraction = (place - (rounded - WHOLE)) as f32;
    }
}

fn taps(fraction: &[f32], weights: &mut Vec<[f32; 4]>) {
    weights.resize(fraction.len(), [0.0; 4]);
    for (fraction, weights) in fraction.iter().zip(weights) {
        *weights = bspline_weights(*fraction);
    }
}

/// Four samples from the beginning of each of four rows of a plane.
#[inline(always)]
pub fn lines(block: &[f32], stride: usize) -> [f32x4; 4] {
    let line = |k: usize| {
        let line = &block[k * stride..][..4];
        f32x4::new([line[0], line[1], line[2], line[3]])
    };
    [line(0), line(1), line(2), line(3)]
}

/// Sum of four lanes, the same on every machine.
#[inline(always)]
pub fn lanes(of: f32x4) -> f32 {
    let [a, b, c, d] = of.to_array();
    (a + c) + (b + d)
}

/// The spline's values at a row's places in a prefiltered plane of rows `stride` long.
pub(super) fn sums(data: &[f32], stride: usize, row: &SplineRow, out: &mut [f32]) {
    let starts = row.columns.iter().zip(&row.rows);
    let weights = row.along.iter().zip(&row.down);
    for (((x, y), (along, down)), value) in starts.zip(weights).zip(out) {
        let first = (*y as usize - 1) * stride + *x as usize - 1;
        let [l0, l1, l2, l3] = lines(&data[first..first + 3 * stride + 4], stride);
        let columns = (l0 * down[0] + l1 * down[1]) + (l2 * down[2] + l3 * down[3]);
        *value = lanes(columns * f32x4::new(*along));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Against the floor of the standard library and the cubic B-spline's own properties: its weights sum to one and their
    // first moment is the place (Unser, Aldroubi & Eden 1993).
    #[test]
    fn places_are_split_into_samples_and_weights() {
        let mut row = SplineRow::default();
        let xs: Vec<f64> =
            (0..2000).map(|i| f64::from(i) * 0.013_37).chain([0.0, 1e-20, 7.0, 7.0 - 1e-5, 26.0]).collect();
        let ys: Vec<f64> = xs.iter().rev().copied().collect();
        row.fill(&xs, &ys, [0.0; 2], [30.0; 2]);
        for (places, whole, weights) in [(&xs, &row.columns, &row.along), (&ys, &row.rows, &row.down)] {
            for ((place, whole), w) in places.iter().zip(whole).zip(weights) {
                assert_eq!(f64::from(*whole), place.floor(), "{place}");
                let sum: f32 = w.iter().sum();
                let moment: f64 = w.iter().zip(-1..).map(|(w, k)| f64::from(*w) * f64::from(k)).sum();
                assert!((sum - 1.0).abs() < 1e-6 && (moment - place.fract()).abs() < 1e-6, "{place}: {w:?}");
            }
        }
    }

    #[test]
    fn places_outside_stand_on_the_bound() {
        let mut row = SplineRow::default();
        row.fill(&[-3.0, f64::NAN, 99.0], &[f64::INFINITY, 2.5, f64::NEG_INFINITY], [1.0, 2.0], [8.5, 9.5]);
        assert_eq!(row.columns, [1, 1, 8]);
        assert_eq!(row.rows, [9, 2, 2]);
    }
}
