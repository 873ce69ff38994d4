//! What lies outside a picture: three ways to continue a line of samples past its ends.

/// Continuation of the samples `a b c d` past both ends; the names are scipy.ndimage's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Border {
    /// `d c b a | a b c d | d c b a`: the edge sample is repeated.
    Reflect,
    /// `d c b | a b c d | c b a`: the edge sample is not repeated.
    Mirror,
    /// `a a a | a b c d | d d d`.
    Nearest,
}

impl Border {
    /// The index in `0..length` that stands for `index`; 0 where `length` is 0 or 1.
    pub fn resolve(self, index: isize, length: usize) -> usize {
        let n = length as isize;
        if (0..n).contains(&index) {
            return index as usize;
        }
        if n <= 1 {
            return 0;
        }
        let folded = match self {
            Border::Nearest => index.clamp(0, n - 1),
            Border::Reflect => {
                let i = index.rem_euclid(2 * n);
                if i < n { i } else { 2 * n - 1 - i }
            }
            Border::Mirror => {
                let i = index.rem_euclid(2 * n - 2);
                if i < n { i } else { 2 * n - 2 - i }
            }
        };
        folded as usize
    }

    /// Fills `padded` (length `row.len() + 2 * margin`) with `row` and its continuation.
    ///
    /// # Panics
    /// Where `padded` has another length or `row` is empty and `margin` is not.
    pub fn pad_row(self, row: &[f32], margin: usize, padded: &mut [f32]) {
        let width = row.len();
        assert_eq!(padded.len(), width + 2 * margin);
        padded[margin..margin + width].copy_from_slice(row);
        for i in 0..margin {
            padded[i] = row[self.resolve(i as isize - margin as isize, width)];
            padded[margin + width + i] = row[self.resolve((width + i) as isize, width)];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Border::*;

    // Sequences as printed in the documentation of scipy.ndimage (parameter `mode`).
    #[test]
    fn sequences_follow_scipy() {
        let line = |b: super::Border| -> Vec<usize> { (-5..9).map(|i| b.resolve(i, 4)).collect() };
        assert_eq!(line(Reflect), [3, 3, 2, 1, 0, 0, 1, 2, 3, 3, 2, 1, 0, 0][..]);
        assert_eq!(line(Mirror), [1, 2, 3, 2, 1, 0, 1, 2, 3, 2, 1, 0, 1, 2][..]);
        assert_eq!(line(Nearest), [0, 0, 0, 0, 0, 0, 1, 2, 3, 3, 3, 3, 3, 3][..]);
    }
}
