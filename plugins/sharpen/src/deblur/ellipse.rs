//! The outline of a spheroid on a picture and a first guess of it.

use super::outline;

/// An ellipse: semi-axes enter as `Sigma = R^2 (1 + e1, e2; e2, 1 - e1)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ellipse {
    /// R, px.
    pub radius_px: f64,
    /// e1.
    pub along: f64,
    /// e2.
    pub across: f64,
}

impl Ellipse {
    /// Elliptical radius (1 at the limb) of a point relative to the centre.
    pub fn radius(&self, dx: f64, dy: f64) -> f64 {
        let det = (1.0 - self.along * self.along - self.across * self.across).max(1e-6);
        let q = (dx * dx * (1.0 - self.along) - 2.0 * dx * dy * self.across + dy * dy * (1.0 + self.along)) / det;
        q.max(0.0).sqrt() / self.radius_px
    }

    /// Larger and smaller semi-axis, px, and the clockwise angle of the smaller from up, radians.
    pub fn axes(&self) -> (f64, f64, f64) {
        let e = libm::hypot(self.along, self.across);
        let major = 0.5 * libm::atan2(self.across, self.along);
        (self.radius_px * (1.0 + e).sqrt(), self.radius_px * (1.0 - e).max(0.0).sqrt(), major)
    }
}

/// Where to begin: centre, ellipse, from a picture's bright part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// Centre in window px.
    pub centre_px: (f64, f64),
    /// The ellipse.
    pub ellipse: Ellipse,
}

/// Part of the bright end at which the outline lies: low, so that dark poles and limb darkening
/// do not shape it.
const OUTLINE: f32 = 0.2;
/// Largest half difference of the squared axes, of their mean.
pub const FLATTEST: f64 = 0.25;

/// Moments of the largest part of the picture above a fifth of its bright end, holes filled; `None`
/// where it has fewer than 50 pixels, touches most of a border, or does not fill its own ellipse
/// (rings, terrain, a crescent).
pub fn start(picture: &[f32], width: usize, height: usize) -> Option<Start> {
    let mut scratch = Vec::new();
    let top = stillair_maths::robust::percentile_f32(picture, 98.0, &mut scratch);
    let low = stillair_maths::robust::percentile_f32(picture, 5.0, &mut scratch);
    let level = low + OUTLINE * (top - low);
    let mut body: Vec<bool> = picture.iter().map(|v| *v > level).collect();
    outline::largest(&mut body, width, height);
    let inside = || body.iter().enumerate().filter(|(_, b)| **b).map(|(i, _)| (i % width, i / width));
    let (mut n, mut sx, mut sy) = (0.0_f64, 0.0, 0.0);
    let mut edge = 0_usize;
    for (x, y) in inside() {
        n += 1.0;
        sx += x as f64;
        sy += y as f64;
        edge += usize::from(x == 0 || y == 0 || x + 1 == width || y + 1 == height);
    }
    if n < 50.0 || top <= low || edge as f64 > 0.05 * n.sqrt() {
        return None;
    }
    let (cx, cy) = (sx / n, sy / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in inside() {
        let (dx, dy) = (x as f64 - cx, y as f64 - cy);
        xx += dx * dx;
        xy += dx * dy;
        yy += dy * dy;
    }
    // A flat ellipse's second moments are a quarter of Sigma.
    let (xx, xy, yy) = (4.0 * xx / n, 4.0 * xy / n, 4.0 * yy / n);
    let radius2 = 0.5 * (xx + yy);
    let ellipse = Ellipse { radius_px: radius2.sqrt(), along: (xx - yy) / (2.0 * radius2), across: xy / radius2 };
    let filled = n / (std::f64::consts::PI * (xx * yy - xy * xy).max(0.0).sqrt());
    let flattening = libm::hypot(ellipse.along, ellipse.across);
    (filled > 0.96 && flattening < FLATTEST).then_some(Start { centre_px: (cx, cy), ellipse })
}

#[cfg(test)]
mod tests {
    use super::*;

    // A filled ellipse of semi-axes 60 and 51 px turned by half a radian, drawn at whole pixels, whose
    // ragged edge leaves about a tenth of a px: second moments of a filled ellipse are a quarter of
    // the squared semi-axes (textbook).
    #[test]
    fn a_turned_ellipse_is_guessed() {
        let (width, height) = (160, 150);
        let (cos, sin) = (libm::cos(0.5), libm::sin(0.5));
        let mut picture = vec![0.01_f32; width * height];
        for (i, v) in picture.iter_mut().enumerate() {
            let (dx, dy) = ((i % width) as f64 - 81.0, (i / width) as f64 - 74.5);
            let (u, w) = ((dx * cos + dy * sin) / 60.0, (dy * cos - dx * sin) / 51.0);
            if u * u + w * w < 1.0 {
                *v = 0.5;
            }
        }
        let found = start(&picture, width, height).unwrap();
        let (equatorial, polar, tilt) = found.ellipse.axes();
        assert!((equatorial - 60.0).abs() < 0.2 && (polar - 51.0).abs() < 0.2, "{equatorial} {polar}");
        assert!((tilt - 0.5).abs() < 0.01, "{tilt}");
        assert!((found.centre_px.0 - 81.0).abs() < 0.05 && (found.centre_px.1 - 74.5).abs() < 0.05);
        // On the turned major axis the limb is at radius 1.
        assert!((found.ellipse.radius(60.0 * cos, 60.0 * sin) - 1.0).abs() < 0.01);
    }

    #[test]
    fn rings_crescents_and_full_frames_are_no_spheroids() {
        let shape = |inside: &dyn Fn(f64, f64) -> bool| -> Vec<f32> {
            (0..80 * 60)
                .map(|i| if inside((i % 80) as f64 - 40.0, (i / 80) as f64 - 30.0) { 0.5 } else { 0.0 })
                .collect()
        };
        let ringed = shape(&|x, y| libm::hypot(x, y) < 14.0 || (libm::hypot(x, 4.0 * y) - 26.0).abs() < 5.0);
        assert!(start(&ringed, 80, 60).is_none());
        let crescent = shape(&|x, y| libm::hypot(x, y) < 20.0 && libm::hypot(x - 12.0, y) > 20.0);
        assert!(start(&crescent, 80, 60).is_none());
        assert!(start(&shape(&|x, _| x > -30.0), 80, 60).is_none());
        assert!(start(&[0.0; 64], 8, 8).is_none());
    }
}
