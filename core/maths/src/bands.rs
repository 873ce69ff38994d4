//! Bands of quality: frames ranked by grade and cut into groups, the best groups small.

/// Band of every frame, 0 the best, `None` where the grade is NaN or the frame does not take part.
///
/// Frames are ranked from the highest grade down, equal grades in their order. Of `n` ranked frames the first `b + 1` of
/// `k` bands hold `n ((b + 1) / k)^2`, and at least two each, so that every band splits in halves: the share kept is told
/// finely where few are kept. `k` is `wanted`, or less where there are not two frames for each.
pub fn of_grades(grades: &[f64], takes_part: impl Fn(usize) -> bool, wanted: usize) -> Vec<Option<usize>> {
    let mut ranked: Vec<usize> = (0..grades.len()).filter(|&i| takes_part(i) && !grades[i].is_nan()).collect();
    ranked.sort_by(|&a, &b| grades[b].total_cmp(&grades[a]).then(a.cmp(&b)));
    let ends = ends(ranked.len(), wanted);
    let mut bands = vec![None; grades.len()];
    let mut band = 0;
    for (rank, frame) in ranked.into_iter().enumerate() {
        while band + 1 < ends.len() && rank >= ends[band] {
            band += 1;
        }
        bands[frame] = Some(band);
    }
    bands
}

/// How many of `n` ranked frames lie in the first band, the first two and so on, by the rule of [`of_grades`].
pub fn ends(n: usize, wanted: usize) -> Vec<usize> {
    let bands = wanted.min(n / 2).max(1);
    let mut ends: Vec<usize> = Vec::with_capacity(bands);
    for band in 1..=bands {
        let share = band as f64 / bands as f64;
        let wished = libm::round(n as f64 * share * share) as usize;
        let least = ends.last().copied().unwrap_or(0) + 2;
        // What the bands to come need at least.
        let most = n.saturating_sub(2 * (bands - band));
        ends.push(wished.max(least).min(most.max(least)).min(n));
    }
    ends
}

#[cfg(test)]
mod tests {
    use super::*;

    // By hand: 100 frames in five bands end at 100 (b / 5)^2.
    #[test]
    fn bands_grow_with_the_square() {
        assert_eq!(ends(100, 5), [4, 16, 36, 64, 100]);
        assert_eq!(ends(10, 5), [2, 4, 6, 8, 10]);
        assert_eq!(ends(5, 8), [2, 5]);
        assert_eq!(ends(1, 8), [1]);
        assert_eq!(ends(0, 8), [0]);
    }

    #[test]
    fn the_best_come_first_and_ties_in_their_order() {
        let grades = [0.2, 0.9, f64::NAN, 0.9, 0.5, 0.1, 0.7];
        let bands = of_grades(&grades, |i| i != 6, 2);
        assert_eq!(bands, [Some(1), Some(0), None, Some(0), Some(1), Some(1), None]);
    }
}
