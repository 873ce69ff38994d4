//! The outline of a globe on a picture: edge points along rays, and the ellipse through them.
//!
//! The edge of a blurred disc is taken where the brightness falls most steeply along a ray; belts change how much it falls,
//! not where. What is not limb is left out: the unlit side, places that rings cover, moons (they stand off the ellipse
//! and weigh little: Tukey's biweight, Beaton & Tukey 1974, Technometrics 16, 147). The ellipse's axis ratio follows from
//! the body and the latitude of the observer; centre, radius and direction are free. Of ringed Saturn the outer edge of
//! the rings is fitted in the same way where it is seen at the ansae.

use std::f64::consts::{PI, TAU};

use stillair_maths::fit::levenberg_marquardt;

/// A plane of a picture, row by row.
#[derive(Clone, Copy)]
pub struct Plane<'a> {
    /// Samples.
    pub data: &'a [f32],
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Plane<'_> {
    /// The value at a place, bilinear; the edge is replicated.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        let x = x.clamp(0.0, self.width as f64 - 1.0);
        let y = y.clamp(0.0, self.height as f64 - 1.0);
        let (ix, iy) =
            ((x as usize).min(self.width.saturating_sub(2)), (y as usize).min(self.height.saturating_sub(2)));
        let (u, v) = (x - ix as f64, y - iy as f64);
        let (jx, jy) = ((ix + 1).min(self.width - 1), (iy + 1).min(self.height - 1));
        let get = |x: usize, y: usize| f64::from(self.data[y * self.width + x]);
        let top = get(ix, iy) + u * (get(jx, iy) - get(ix, iy));
        let bottom = get(ix, jy) + u * (get(jx, jy) - get(ix, jy));
        top + v * (bottom - top)
    }
}

/// The brightest connected area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blob {
    /// Centre (x, y), px.
    pub centre: [f64; 2],
    /// Area, px.
    pub area: f64,
    /// Variance along the longest and the shortest direction, px^2.
    pub spread: [f64; 2],
    /// The longest direction, radians from x towards y.
    pub long_rad: f64,
    /// Sky, and the bright end of the object above it.
    pub levels: [f64; 2],
    /// Whether it touches the picture's border.
    pub cut: bool,
}

/// Finds the largest connected area above a quarter of the object's brightness. `None` where nothing stands out.
pub fn blob(plane: Plane<'_>) -> Option<Blob> {
    let (w, h) = (plane.width, plane.height);
    if w < 8 || h < 8 {
        return None;
    }
    let mut border: Vec<f64> = (0..w).flat_map(|x| [x, (h - 1) * w + x]).map(|i| f64::from(plane.data[i])).collect();
    border.extend((0..h).flat_map(|y| [y * w, y * w + w - 1]).map(|i| f64::from(plane.data[i])));
    let sky = stillair_maths::robust::median(&border);
    let mut sorted: Vec<f32> = plane.data.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_unstable_by(f32::total_cmp);
    let high = f64::from(*sorted.get(sorted.len().saturating_sub(1 + sorted.len() / 200))?);
    let level = high - sky;
    if level <= 0.0 || level.is_nan() {
        return None;
    }
    let limit = (sky + 0.25 * level) as f32;
    let mut seen = vec![false; w * h];
    let mut best: Option<Vec<usize>> = None;
    let mut stack = Vec::new();
    for start in 0..w * h {
        if seen[start] || plane.data[start].is_nan() || plane.data[start] < limit {
            continue;
        }
        let mut area = Vec::new();
        seen[start] = true;
        stack.push(start);
        while let Some(at) = stack.pop() {
            area.push(at);
            let (x, y) = (at % w, at / w);
            let near =
                [(x > 0, at.wrapping_sub(1)), (x + 1 < w, at + 1), (y > 0, at.wrapping_sub(w)), (y + 1 < h, at + w)];
            for (inside, next) in near {
                if inside && !seen[next] && plane.data[next] >= limit {
                    seen[next] = true;
                    stack.push(next);
                }
            }
        }
        if best.as_ref().is_none_or(|b| area.len() > b.len()) {
            best = Some(area);
        }
    }
    let mut area = best.filter(|a| a.len() >= 30)?;
    area.sort_unstable();
    let n = area.len() as f64;
    let place = |at: usize| ((at % w) as f64, (at / w) as f64);
    let (sx, sy) = area.iter().map(|&i| place(i)).fold((0.0, 0.0), |(a, b), (x, y)| (a + x, b + y));
    let centre = [sx / n, sy / n];
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in area.iter().map(|&i| place(i)) {
        let (u, v) = (x - centre[0], y - centre[1]);
        xx += u * u / n;
        xy += u * v / n;
        yy += v * v / n;
    }
    let middle = 0.5 * (xx + yy);
    let half = libm::hypot(0.5 * (xx - yy), xy);
    let cut = area.iter().any(|&i| i % w == 0 || i % w == w - 1 || i / w == 0 || i / w == h - 1);
    Some(Blob {
        centre,
        area: n,
        spread: [middle + half, middle - half],
        long_rad: 0.5 * libm::atan2(2.0 * xy, xx - yy),
        levels: [sky, level],
        cut,
    })
}

/// A place where the brightness falls most steeply along a ray.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// Place, px.
    pub x: f64,
    /// Place, px.
    pub y: f64,
    /// Fall of brightness per px.
    pub slope: f64,
    /// Size of the ellipse that it lies on, over the body's equatorial radius: 1 for the globe.
    pub size: f64,
    /// Axis ratio of that ellipse.
    pub axis_ratio: f64,
}

/// Where the brightness falls most steeply from `from` towards a direction, between two distances; to a fraction of a px.
pub fn steepest(plane: Plane<'_>, from: [f64; 2], direction: [f64; 2], low: f64, high: f64) -> Option<(f64, f64)> {
    const STEP: f64 = 0.25;
    let count = ((high - low) / STEP) as usize;
    if count < 8 || low.is_nan() {
        return None;
    }
    let inside = |r: f64| {
        let (x, y) = (from[0] + r * direction[0], from[1] + r * direction[1]);
        (1.0..=plane.width as f64 - 2.0).contains(&x) && (1.0..=plane.height as f64 - 2.0).contains(&y)
    };
    if !inside(high) || !inside(low) {
        return None;
    }
    let at = |r: f64| plane.at(from[0] + r * direction[0], from[1] + r * direction[1]);
    // Differences over 2 px quieten noise and the grid of the interpolation.
    let slopes: Vec<f64> =
        (0..=count).map(|i| low + i as f64 * STEP).map(|r| 0.5 * (at(r - 1.0) - at(r + 1.0))).collect();
    let (best, slope) = slopes.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(&a.0)))?;
    if best < 2 || best + 2 >= slopes.len() || *slope <= 0.0 {
        return None;
    }
    // A parabola through the neighbourhood, by least squares over nine samples where there are as many.
    let reach = 4.min(best).min(slopes.len() - 1 - best) as isize;
    let (mut s2, mut s4, mut n, mut y0, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for k in -reach..=reach {
        let (t, y) = (k as f64, slopes[(best as isize + k) as usize]);
        n += 1.0;
        s2 += t * t;
        s4 += t * t * t * t;
        y0 += y;
        y1 += t * y;
        y2 += t * t * y;
    }
    let curve = (n * y2 - s2 * y0) / (n * s4 - s2 * s2);
    let tilt = y1 / s2;
    let shift = if curve < 0.0 { (-0.5 * tilt / curve).clamp(-(reach as f64), reach as f64) } else { 0.0 };
    Some((low + (best as f64 + shift) * STEP, *slope))
}

/// An ellipse on the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ellipse {
    /// Centre (x, y), px.
    pub centre: [f64; 2],
    /// Larger half axis of an edge of size 1, px.
    pub radius: f64,
    /// Direction of the smaller axis, clockwise from up, radians.
    pub pole_rad: f64,
    /// Root mean square distance of the edges that count, px.
    pub rms_px: f64,
    /// Number of edges that count, as the sum of their weights.
    pub edges: f64,
}

impl Ellipse {
    /// Distance from the centre of the ellipse of a size and axis ratio in a direction given from the pole, px.
    pub fn reach(&self, size: f64, axis_ratio: f64, from_pole_rad: f64) -> f64 {
        let (sin, cos) = libm::sincos(from_pole_rad);
        size * self.radius / libm::hypot(sin, cos / axis_ratio)
    }

    /// Signed distance of an edge, about px.
    fn distance(&self, edge: &Edge) -> f64 {
        let (u, v) = (edge.x - self.centre[0], edge.y - self.centre[1]);
        let from_pole = libm::atan2(u, -v) - self.pole_rad;
        libm::hypot(u, v) - self.reach(edge.size, edge.axis_ratio, from_pole)
    }
}

/// Rounds of weighting.
const ROUNDS: usize = 8;

/// Tukey's constant in robust standard deviations.
const BIWEIGHT: f64 = 4.7;

/// Fits an ellipse to edges from a start. `turn` says whether the direction is free. `None` with fewer than 12 edges.
pub fn fit(edges: &[Edge], start: Ellipse, turn: bool) -> Option<Ellipse> {
    if edges.len() < 12 {
        return None;
    }
    let mut now = start;
    for round in 0..ROUNDS {
        let residuals: Vec<f64> = edges.iter().map(|e| now.distance(e)).collect();
        // The first rounds forgive a poor start; the radius may yet be wrong by a common amount.
        let middle = if round == 0 { stillair_maths::robust::median(&residuals) } else { 0.0 };
        let spread: Vec<f64> = residuals.iter().map(|r| (r - middle).abs()).collect();
        let sigma = (1.4826 * stillair_maths::robust::median(&spread)).max(0.05);
        let weights: Vec<f64> = residuals
            .iter()
            .map(|r| {
                let t = (r - middle) / (BIWEIGHT * sigma);
                if t.abs() < 1.0 { 1.0 - t * t } else { 0.0 }
            })
            .collect();
        let r = start.radius;
        let bounds = [
            (start.centre[0] - 0.5 * r, start.centre[0] + 0.5 * r),
            (start.centre[1] - 0.5 * r, start.centre[1] + 0.5 * r),
            (0.5 * r, 2.0 * r),
            if turn { (now.pole_rad - PI, now.pole_rad + PI) } else { (now.pole_rad, now.pole_rad) },
        ];
        let first = [now.centre[0], now.centre[1], now.radius, now.pole_rad];
        let of = |p: &[f64; 4]| Ellipse { centre: [p[0], p[1]], radius: p[2], pole_rad: p[3], ..now };
        let found = levenberg_marquardt(first, [1.0, 1.0, 1.0, 0.1], bounds, edges.len(), 20, |p, out| {
            let ellipse = of(p);
            for ((value, edge), weight) in out.iter_mut().zip(edges).zip(&weights) {
                *value = weight * ellipse.distance(edge);
            }
        });
        now = of(&found.parameters);
        let total: f64 = weights.iter().map(|w| w * w).sum();
        now.edges = total;
        now.rms_px = (found.squares / total.max(1.0)).sqrt();
    }
    now.pole_rad = crate::situation::wrapped(now.pole_rad);
    (now.edges >= 10.0).then_some(now)
}

/// What the search for edges is told.
#[derive(Debug, Clone, Copy)]
pub struct Search {
    /// Axis ratio of the globe's outline.
    pub outline_axis_ratio: f64,
    /// Outer edge of the rings over the equatorial radius, and the axis ratio of their ellipse.
    pub rings: Option<(f64, f64)>,
    /// Direction towards the Sun on the picture, clockwise from up, radians, where the unlit side must be left out.
    pub lit_from_rad: Option<f64>,
    /// How far from the expected place edges are sought, as a share of the radius.
    pub reach: f64,
}

/// Edges of less than this share of the median slope do not count.
const WEAK: f64 = 0.3;

/// Edges further from the direction of the Sun than this are not used, degrees.
const LIT_DEG: f64 = 75.0;

/// Collects edges about an ellipse.
pub fn edges(plane: Plane<'_>, about: &Ellipse, search: &Search) -> Vec<Edge> {
    let count = ((TAU * about.radius) as usize).clamp(72, 360);
    let mut found = Vec::with_capacity(count);
    for i in 0..count {
        let from_pole = TAU * i as f64 / count as f64;
        let direction = from_pole + about.pole_rad;
        let (sin, cos) = libm::sincos(direction);
        let towards = [sin, -cos];
        let mut seek = |size: f64, axis_ratio: f64, room: f64| {
            let expected = about.reach(size, axis_ratio, from_pole);
            let room = (room * about.radius).max(2.5);
            if let Some((r, slope)) =
                steepest(plane, about.centre, towards, (expected - room).max(0.5), expected + room)
            {
                let (x, y) = (about.centre[0] + r * towards[0], about.centre[1] + r * towards[1]);
                found.push(Edge { x, y, slope, size, axis_ratio });
            }
        };
        if let Some(sun) = search.lit_from_rad
            && crate::situation::wrapped(direction - sun).abs() > LIT_DEG.to_radians()
        {
            continue;
        }
        if let Some((size, ratio)) = search.rings {
            // The rings' own edge, about the ansae.
            let along_ring = libm::atan2(libm::cos(from_pole) / ratio, libm::sin(from_pole).abs()).abs();
            if along_ring < 0.5 {
                seek(size, ratio, search.reach.min(0.3));
                continue;
            }
            // The globe's limb, where the rings do not cover it.
            let limb = about.reach(1.0, search.outline_axis_ratio, from_pole) / about.radius;
            let (u, v) = (limb * libm::sin(from_pole), limb * libm::cos(from_pole));
            if libm::hypot(u, v / ratio) < size + 0.2 {
                continue;
            }
        }
        seek(1.0, search.outline_axis_ratio, search.reach);
    }
    for ring in [false, true] {
        let own = |e: &Edge| (e.size > 1.0) == ring;
        let slopes: Vec<f64> = found.iter().filter(|e| own(e)).map(|e| e.slope).collect();
        let limit = WEAK * stillair_maths::robust::median(&slopes);
        found.retain(|e| !own(e) || e.slope > limit);
    }
    found
}

/// Direction of the lit side of a phase, clockwise from up, radians: the limb is sharp, the terminator soft. Edges are
/// sought about a circle.
pub fn lit_side(plane: Plane<'_>, centre: [f64; 2], radius: f64) -> f64 {
    let (mut x, mut y) = (0.0, 0.0);
    for i in 0..180 {
        let direction = TAU * f64::from(i) / 180.0;
        let (sin, cos) = libm::sincos(direction);
        if let Some((_, slope)) = steepest(plane, centre, [sin, -cos], 0.4 * radius, 1.4 * radius) {
            x += slope * sin;
            y -= slope * cos;
        }
    }
    libm::atan2(x, -y)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ellipse_is_found_among_outliers() {
        // Points made of the ellipse's own equation (textbook).
        let truth = Ellipse { centre: [61.3, 58.8], radius: 40.2, pole_rad: 0.4, rms_px: 0.0, edges: 0.0 };
        let edges: Vec<Edge> = (0..120)
            .map(|i| {
                let from_pole = TAU * f64::from(i) / 120.0;
                let off = if i % 11 == 0 { 3.0 } else { 0.02 * f64::from(i % 5) - 0.04 };
                let r = truth.reach(1.0, 0.93, from_pole) + off;
                let (sin, cos) = libm::sincos(from_pole + truth.pole_rad);
                Edge { x: 61.3 + r * sin, y: 58.8 - r * cos, slope: 1.0, size: 1.0, axis_ratio: 0.93 }
            })
            .collect();
        let start = Ellipse { centre: [60.0, 60.0], radius: 43.0, pole_rad: 0.1, ..truth };
        let found = fit(&edges, start, true).unwrap();
        assert!((found.centre[0] - 61.3).abs() < 0.02 && (found.centre[1] - 58.8).abs() < 0.02, "{found:?}");
        assert!((found.radius - 40.2).abs() < 0.02 && (found.pole_rad - 0.4).abs() < 0.01, "{found:?}");
        assert!(fit(&edges[..5], start, true).is_none());
    }
}
