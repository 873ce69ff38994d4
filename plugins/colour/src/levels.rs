//! Sky and bright end of a picture.

use stillair_maths::robust;

/// Level of the sky: low end (20th percentile) of the outermost pixels of a plane.
pub fn border_level(plane: &[f32], width: usize, height: usize) -> f32 {
    if plane.is_empty() {
        return 0.0;
    }
    let mut edge = Vec::with_capacity(2 * (width + height));
    edge.extend_from_slice(&plane[..width]);
    edge.extend_from_slice(&plane[(height - 1) * width..]);
    for row in plane.chunks_exact(width) {
        edge.push(row[0]);
        edge.push(row[width - 1]);
    }
    robust::percentile_f32(&edge, 20.0, &mut Vec::new())
}

/// Whether a plane shows a target on a dark sky: its border is darker than a quarter of its
/// bright end.
pub fn has_sky(plane: &[f32], width: usize, height: usize) -> bool {
    let mut scratch = Vec::new();
    let low = robust::percentile_f32(plane, 1.0, &mut scratch);
    let top = robust::percentile_f32(plane, 99.0, &mut scratch);
    border_level(plane, width, height) - low < 0.25 * (top - low)
}
