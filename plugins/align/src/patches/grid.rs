//! Where patches and nodes lie on the picture.

use stillair_api::{Fault, Outcome};
use stillair_maths::fft::good_size;

/// Smallest side of a patch, px: below, a window holds too few waves.
pub const SMALLEST: usize = 16;

/// Patches overlap by half. Nodes are the patches' centres and a ring about them, on the picture's edge or beyond.
#[derive(Debug, Clone)]
pub struct Grid {
    /// Columns and rows of the picture.
    pub size: [usize; 2],
    /// Side of a patch, px.
    pub side: usize,
    /// Distance of neighbouring patches, px.
    pub step: f64,
    /// Number of patches (columns, rows).
    pub patches: [usize; 2],
    /// Number of nodes (columns, rows).
    pub nodes: [usize; 2],
    /// First pixel of the first patch.
    first: [usize; 2],
}

impl Grid {
    /// For a picture and a wished side of a patch.
    ///
    /// # Errors
    /// If the picture is too small for a patch.
    pub fn new(width: usize, height: usize, wished_px: f64) -> Outcome<Self> {
        let shorter = width.min(height);
        if shorter < SMALLEST {
            return Err(Fault::data(format!("frames of {width} x {height} px are too small for patches"))
                .remedy("leave align.patches out"));
        }
        let wished = (libm::round(wished_px) as usize).clamp(SMALLEST, shorter);
        let mut side = good_size(wished.next_multiple_of(2));
        while side > shorter || !side.is_multiple_of(2) {
            side -= 1;
        }
        let half = side / 2;
        let patches = [width, height].map(|n| (n - side) / half + 1);
        let used = patches.map(|n| (n - 1) * half + side);
        let first = [(width - used[0]) / 2, (height - used[1]) / 2];
        Ok(Self { size: [width, height], side, step: half as f64, patches, nodes: patches.map(|n| n + 2), first })
    }

    /// Patches of a frame.
    pub fn count(&self) -> usize {
        self.patches[0] * self.patches[1]
    }

    /// Nodes of a frame.
    pub fn node_count(&self) -> usize {
        self.nodes[0] * self.nodes[1]
    }

    /// First pixel of a patch.
    pub fn corner(&self, patch: usize) -> [usize; 2] {
        let half = self.side / 2;
        [self.first[0] + patch % self.patches[0] * half, self.first[1] + patch / self.patches[0] * half]
    }

    /// Middle of a patch, px.
    pub fn centre(&self, patch: usize) -> [f64; 2] {
        self.corner(patch).map(|c| c as f64 + (self.side as f64 - 1.0) * 0.5)
    }

    /// Place of a node, px.
    pub fn node_px(&self, node: usize) -> [f64; 2] {
        let centre = self.centre(0);
        let at = [node % self.nodes[0], node / self.nodes[0]];
        [0, 1].map(|k| centre[k] + (at[k] as f64 - 1.0) * self.step)
    }

    /// Column and row of a node among the patches; the ring is at -1 and at the number of patches.
    pub fn node_at(&self, node: usize) -> [isize; 2] {
        [(node % self.nodes[0]) as isize - 1, (node / self.nodes[0]) as isize - 1]
    }

    /// The patches at most `reach` steps from a column and row.
    pub fn about(&self, at: [isize; 2], reach: isize) -> impl Iterator<Item = usize> + '_ {
        let range = move |k: usize| {
            let n = self.patches[k] as isize;
            (at[k] - reach).clamp(0, n)..(at[k] + reach + 1).clamp(0, n)
        };
        range(1).flat_map(move |y| range(0).map(move |x| (y * self.patches[0] as isize + x) as usize))
    }
}
