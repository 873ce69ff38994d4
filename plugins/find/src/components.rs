//! Bright areas of a plane: runs of pixels above a threshold, joined over eight neighbours.
//!
//! Rosenfeld & Pfaltz 1966, "Sequential operations in digital picture processing": one sweep that labels runs and
//! merges labels by union and find.

/// Pixels `x0..x1` of row `y`, all above the threshold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Run {
    pub y: usize,
    pub x0: usize,
    pub x1: usize,
    label: u32,
}

/// The runs of a plane and the areas they form. Buffers are kept between frames.
#[derive(Debug, Default)]
pub(crate) struct Components {
    pub runs: Vec<Run>,
    parent: Vec<u32>,
    weight: Vec<f64>,
}

impl Components {
    /// Labels the pixels of `plane` (`width` columns) that exceed `threshold`.
    pub fn label(&mut self, plane: &[f32], width: usize, threshold: f32) {
        self.runs.clear();
        self.parent.clear();
        self.weight.clear();
        let mut above = 0..0;
        for (y, row) in plane.chunks_exact(width).enumerate() {
            let first = self.runs.len();
            self.find_runs(y, row, threshold);
            self.join(above.clone(), first..self.runs.len());
            above = first..self.runs.len();
        }
    }

    fn find_runs(&mut self, y: usize, row: &[f32], threshold: f32) {
        let mut x = 0;
        while x < row.len() {
            // Eight dark pixels at a time: most of a frame is sky.
            while let Some(eight) = row[x..].first_chunk::<8>() {
                if eight.iter().fold(false, |any, &v| any | (v > threshold)) {
                    break;
                }
                x += 8;
            }
            x += row[x..].iter().position(|&v| v > threshold).unwrap_or(row.len() - x);
            let x0 = x;
            let mut sum = 0.0_f32;
            while x < row.len() && row[x] > threshold {
                sum += row[x];
                x += 1;
            }
            if x > x0 {
                let label = self.parent.len() as u32;
                self.parent.push(label);
                self.weight.push(f64::from(sum));
                self.runs.push(Run { y, x0, x1: x, label });
            }
        }
    }

    /// Joins the runs of a row with those of the row above that they touch, corners included.
    fn join(&mut self, above: std::ops::Range<usize>, here: std::ops::Range<usize>) {
        let mut upper = above.start;
        for lower in here {
            let run = self.runs[lower];
            while upper < above.end && self.runs[upper].x1 < run.x0 {
                upper += 1;
            }
            let mut other = upper;
            while other < above.end && self.runs[other].x0 <= run.x1 {
                self.union(run.label, self.runs[other].label);
                other += 1;
            }
        }
    }

    fn root(&mut self, mut label: u32) -> u32 {
        while self.parent[label as usize] != label {
            let up = self.parent[self.parent[label as usize] as usize];
            self.parent[label as usize] = up;
            label = up;
        }
        label
    }

    fn union(&mut self, a: u32, b: u32) {
        let (a, b) = (self.root(a), self.root(b));
        let (low, high) = (a.min(b), a.max(b));
        if low != high {
            self.parent[high as usize] = low;
            self.weight[low as usize] += self.weight[high as usize];
        }
    }

    /// Moves the runs of the area with the most light to the front, in the order of rows, and gives their number.
    pub fn brightest_first(&mut self) -> usize {
        let mut best: Option<u32> = None;
        for label in 0..self.parent.len() as u32 {
            let heavier = best.is_none_or(|b| self.weight[label as usize] > self.weight[b as usize]);
            if self.parent[label as usize] == label && heavier {
                best = Some(label);
            }
        }
        let Some(best) = best else { return 0 };
        for i in 0..self.runs.len() {
            let label = self.runs[i].label;
            self.runs[i].label = self.root(label);
        }
        self.runs.sort_by_key(|run| run.label != best);
        self.runs.iter().take_while(|run| run.label == best).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Drawn by hand: a ring open at a corner, a separate bar, a separate brighter dot.
    #[test]
    fn areas_join_over_corners_and_the_one_with_most_light_comes_first() {
        let picture = [
            "..##......", //
            ".#..#.....",
            ".#..#...##",
            "..##......",
            "..........",
            "......9...",
        ];
        let plane: Vec<f32> = picture
            .iter()
            .flat_map(|row| row.chars())
            .map(|c| match c {
                '#' => 1.0,
                '9' => 7.5,
                _ => 0.0,
            })
            .collect();
        let mut components = Components::default();
        components.label(&plane, 10, 0.5);
        let main = components.brightest_first();
        assert_eq!(components.runs.len(), 8);
        assert_eq!(main, 6);
        let pixels: usize = components.runs[..main].iter().map(|r| r.x1 - r.x0).sum();
        assert_eq!(pixels, 8);
        assert!(components.runs[..main].windows(2).all(|pair| pair[0].y <= pair[1].y));
    }
}
