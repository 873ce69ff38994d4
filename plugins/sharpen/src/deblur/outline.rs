//! Parts of a picture by their outlines: distance from a body, its largest connected part.

/// Distance in px of every pixel from the nearest one of `body`; beyond `reach` it is infinite.
/// Exact, along columns and then rows (Saito & Toriwaki 1994).
pub fn distance(body: &[bool], width: usize, height: usize, reach: f64) -> Vec<f32> {
    let far = f32::INFINITY;
    let mut upright = vec![far; body.len()];
    for x in 0..width {
        let mut last: Option<usize> = None;
        for y in 0..height {
            let i = y * width + x;
            last = if body[i] { Some(y) } else { last };
            upright[i] = last.map_or(far, |l| (y - l) as f32);
        }
        last = None;
        for y in (0..height).rev() {
            let i = y * width + x;
            last = if body[i] { Some(y) } else { last };
            upright[i] = upright[i].min(last.map_or(far, |l| (l - y) as f32));
        }
    }
    let span = reach as usize + 1;
    let limit = (reach * reach) as f32;
    let mut out = vec![far; body.len()];
    for (line, to) in upright.chunks_exact(width).zip(out.chunks_exact_mut(width)) {
        for (x, v) in to.iter_mut().enumerate() {
            let from = x.saturating_sub(span);
            let near = line[from..(x + span + 1).min(width)].iter().enumerate();
            let least = near.fold(far, |least, (k, d)| {
                let across = (from + k).abs_diff(x) as f32;
                least.min(across * across + d * d)
            });
            *v = if least <= limit { least.sqrt() } else { far };
        }
    }
    out
}

/// Keeps of `body` its largest part connected over edges, and fills its holes.
pub fn largest(body: &mut [bool], width: usize, height: usize) {
    let (mut best, mut size) = (Vec::new(), 0);
    let mut seen: Vec<bool> = body.iter().map(|b| !b).collect();
    for i in 0..body.len() {
        if !seen[i] {
            let part = flood(&mut seen, width, height, vec![i]);
            if part.len() > size {
                size = part.len();
                best = part;
            }
        }
    }
    body.fill(false);
    for i in best {
        body[i] = true;
    }
    // What the outside does not reach is inside.
    let mut seen = body.to_vec();
    let border = (0..body.len()).filter(|i| {
        let (x, y) = (i % width, i / width);
        x == 0 || y == 0 || x + 1 == width || y + 1 == height
    });
    let outside: Vec<usize> = border.filter(|i| !body[*i]).collect();
    flood(&mut seen, width, height, outside);
    for (b, s) in body.iter_mut().zip(seen) {
        *b |= !s;
    }
}

/// Marks and returns all that can be reached from `open` over pixels not yet seen.
fn flood(seen: &mut [bool], width: usize, height: usize, mut open: Vec<usize>) -> Vec<usize> {
    for i in &open {
        seen[*i] = true;
    }
    let mut part = open.clone();
    while let Some(i) = open.pop() {
        let (x, y) = (i % width, i / width);
        let next = [
            (x > 0).then(|| i - 1),
            (x + 1 < width).then(|| i + 1),
            (y > 0).then(|| i - width),
            (y + 1 < height).then(|| i + width),
        ];
        for n in next.into_iter().flatten().filter(|n| !std::mem::replace(&mut seen[*n], true)) {
            part.push(n);
            open.push(n);
        }
    }
    part
}

#[cfg(test)]
mod tests {
    use super::*;

    // Two points: the distance is Pythagoras' to the nearer.
    #[test]
    fn distances_are_euclidean() {
        let mut body = vec![false; 20 * 15];
        body[3 * 20 + 4] = true;
        body[10 * 20 + 15] = true;
        let found = distance(&body, 20, 15, 9.0);
        for (i, d) in found.iter().enumerate() {
            let to = |x: f64, y: f64| libm::hypot((i % 20) as f64 - x, (i / 20) as f64 - y);
            let expected = to(4.0, 3.0).min(to(15.0, 10.0));
            if expected <= 9.0 {
                assert!((f64::from(*d) - expected).abs() < 1e-4);
            } else {
                assert!(d.is_infinite());
            }
        }
    }

    #[test]
    fn moons_go_and_holes_are_filled() {
        let (w, h) = (30, 20);
        let inside = |i: usize, r: f64| libm::hypot((i % w) as f64 - 12.0, (i / w) as f64 - 10.0) < r;
        let mut body: Vec<bool> = (0..w * h).map(|i| inside(i, 7.0) && !inside(i, 3.0)).collect();
        body[10 * w + 27] = true;
        largest(&mut body, w, h);
        assert!(body.iter().enumerate().all(|(i, b)| *b == inside(i, 7.0)));
    }
}
