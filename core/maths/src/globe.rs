//! An oblate globe as a picture shows it, seen from far away, and what its turning does to a place on the disc.
//!
//! In the pole's frame (origin at the centre, x to the right of the north pole, y along it, z towards the observer, unit:
//! the equatorial radius) with B the planetocentric latitude of the observer and b the polar radius, a surface point has
//! the coordinates x, e (towards the observer in the equator's plane) and h (along the axis) with x^2 + e^2 + h^2 / b^2 = 1
//! and appears at y = h cos B - e sin B. Back: e = z cos B - y sin B, h = y cos B + z sin B, where z is the larger root of
//! z^2 (sin^2 B / b^2 + cos^2 B) + 2 z y sin B cos B (1 / b^2 - 1) + x^2 + y^2 (cos^2 B / b^2 + sin^2 B) = 1.
//! A turn by T keeps h and takes (x, e) to (x cos T + e sin T, e cos T - x sin T). Textbook geometry; no trigonometry per
//! point.

/// A globe on a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Globe {
    centre_px: [f64; 2],
    radius_px: f64,
    flat: f64,
    outline: f64,
    sin_lat: f64,
    cos_lat: f64,
    sin_pole: f64,
    cos_pole: f64,
    square: f64,
    linear: f64,
    constant: f64,
}

/// A point of the near side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surface {
    /// To the right of the pole, equatorial radii.
    pub x: f64,
    /// Towards the observer in the equator's plane, equatorial radii.
    pub e: f64,
    /// Along the axis, equatorial radii; negative in the south.
    pub h: f64,
    /// Cosine of the angle between the local vertical and the line of sight, 0 to 1.
    pub cos_emission: f64,
}

impl Surface {
    /// The point after the globe turned. `None` beyond the limb.
    #[inline]
    pub fn turned(&self, globe: &Globe, turn: &Turn<'_>) -> Option<Surface> {
        let (sin, cos) = turn.of(globe, self);
        let (x, e) = (self.x * cos + self.e * sin, self.e * cos - self.x * sin);
        let cos_emission = globe.cos_emission(x, e, self.h);
        (cos_emission > 0.0).then_some(Surface { x, e, h: self.h, cos_emission })
    }

    /// Planetographic latitude, radians.
    pub fn planetographic_rad(&self, globe: &Globe) -> f64 {
        libm::atan2(self.h * globe.flat, libm::hypot(self.x, self.e))
    }
}

/// How far a globe has turned: as one, or each parallel at its own rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn<'a> {
    angle_rad: f64,
    sin: f64,
    cos: f64,
    zonal: &'a [f32],
}

/// Up to this angle a parallel's turn beyond the globe's is added by the first terms of its sine and cosine, radians.
const SMALL_RAD: f64 = 0.02;

impl<'a> Turn<'a> {
    /// A turn by an angle in radians, positive to the right of the pole. `zonal` is the share by which a parallel turns
    /// further, against the sine of the planetographic latitude from -1 to 1 in equal steps; empty where all turn alike.
    #[must_use]
    pub fn new(angle_rad: f64, zonal: &'a [f32]) -> Self {
        let (sin, cos) = libm::sincos(angle_rad);
        Self { angle_rad, sin, cos, zonal }
    }

    /// Sine and cosine of the turn of a point of a globe.
    #[inline]
    fn of(&self, globe: &Globe, point: &Surface) -> (f64, f64) {
        if self.zonal.len() < 2 {
            return (self.sin, self.cos);
        }
        let up = point.h * globe.flat;
        let sine = up / (point.x * point.x + point.e * point.e + up * up).sqrt();
        let last = self.zonal.len() - 1;
        let place = (0.5 * (sine + 1.0)).clamp(0.0, 1.0) * last as f64;
        let low = (place as usize).min(last - 1);
        let (a, b) = (f64::from(self.zonal[low]), f64::from(self.zonal[low + 1]));
        let further = self.angle_rad * (a + (place - low as f64) * (b - a));
        if further.abs() > SMALL_RAD {
            return libm::sincos(self.angle_rad + further);
        }
        // To within 1e-10.
        let square = further * further;
        let (sin, cos) = (further * (1.0 - square / 6.0), 1.0 - square * (0.5 - square / 24.0));
        (self.sin * cos + self.cos * sin, self.cos * cos - self.sin * sin)
    }
}

impl Globe {
    /// A globe with its centre and equatorial radius (above 0) in px, polar over equatorial radius (above 0, up to 1),
    /// planetocentric latitude of the observer, and direction of the north pole on the picture, clockwise from up, both in
    /// radians.
    pub fn new(centre_px: [f64; 2], radius_px: f64, axis_ratio: f64, latitude_rad: f64, pole_rad: f64) -> Self {
        let (sin_lat, cos_lat) = libm::sincos(latitude_rad);
        let (sin_pole, cos_pole) = libm::sincos(pole_rad);
        let flat = 1.0 / (axis_ratio * axis_ratio);
        Self {
            centre_px,
            radius_px,
            flat,
            outline: libm::hypot(axis_ratio * cos_lat, sin_lat),
            sin_lat,
            cos_lat,
            sin_pole,
            cos_pole,
            square: sin_lat * sin_lat * flat + cos_lat * cos_lat,
            linear: sin_lat * cos_lat * (flat - 1.0),
            constant: cos_lat * cos_lat * flat + sin_lat * sin_lat,
        }
    }

    /// The same globe elsewhere on the picture, px (x, y).
    #[must_use]
    pub fn shifted(mut self, by_px: [f64; 2]) -> Self {
        self.centre_px = [self.centre_px[0] + by_px[0], self.centre_px[1] + by_px[1]];
        self
    }

    /// Minor over major axis of the outline.
    pub fn outline_axis_ratio(&self) -> f64 {
        self.outline
    }

    /// A place of the picture in the pole's frame, equatorial radii.
    #[inline]
    pub fn to_pole_frame(&self, x_px: f64, y_px: f64) -> (f64, f64) {
        let (u, v) = ((x_px - self.centre_px[0]) / self.radius_px, (y_px - self.centre_px[1]) / self.radius_px);
        (u * self.cos_pole + v * self.sin_pole, u * self.sin_pole - v * self.cos_pole)
    }

    /// The place on the picture of a place in the pole's frame.
    #[inline]
    pub fn to_picture(&self, x: f64, y: f64) -> (f64, f64) {
        let (u, v) = (x * self.cos_pole + y * self.sin_pole, x * self.sin_pole - y * self.cos_pole);
        (self.centre_px[0] + self.radius_px * u, self.centre_px[1] + self.radius_px * v)
    }

    /// Distance from the centre of a place in the pole's frame, in units of the outline.
    #[inline]
    pub fn limb_distance(&self, x: f64, y: f64) -> f64 {
        let y = y / self.outline;
        (x * x + y * y).sqrt()
    }

    /// The surface seen at a place in the pole's frame; `None` off the disc.
    #[inline]
    pub fn surface(&self, x: f64, y: f64) -> Option<Surface> {
        let half_linear = y * self.linear;
        let under_root = half_linear * half_linear - self.square * (x * x + y * y * self.constant - 1.0);
        // A place that is not a number is off the disc.
        if under_root.is_nan() || under_root < 0.0 {
            return None;
        }
        let z = (under_root.sqrt() - half_linear) / self.square;
        let (h, e) = (y * self.cos_lat + z * self.sin_lat, z * self.cos_lat - y * self.sin_lat);
        Some(Surface { x, e, h, cos_emission: self.cos_emission(x, e, h).max(0.0) })
    }

    /// Where a surface point appears in the pole's frame.
    #[inline]
    pub fn appears(&self, point: &Surface) -> (f64, f64) {
        (point.x, point.h * self.cos_lat - point.e * self.sin_lat)
    }

    /// The local vertical of a surface point: right, up along the projected pole, towards the observer; of length 1.
    #[inline]
    pub fn normal(&self, point: &Surface) -> (f64, f64, f64) {
        let up = point.h * self.flat;
        let length = (point.x * point.x + point.e * point.e + up * up).sqrt();
        let (x, e, h) = (point.x / length, point.e / length, up / length);
        (x, h * self.cos_lat - e * self.sin_lat, h * self.sin_lat + e * self.cos_lat)
    }

    #[inline]
    fn cos_emission(&self, x: f64, e: f64, h: f64) -> f64 {
        let up = h * self.flat;
        (e * self.cos_lat + up * self.sin_lat) / (x * x + e * e + up * up).sqrt()
    }
}

/// What is to be read, and how much it counts, where a picture shows a place of a globe that has turned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carried {
    /// Shift (x, y) to the place where the turned globe shows the same surface, px.
    pub shift_px: [f64; 2],
    /// Weight: 1, but less where the surface nears the limb in the turned view, down to [`HIDDEN_WEIGHT`] beyond it.
    pub weight: f64,
    /// Distances from the centre, in units of the outline, here and there: for the darkening towards the limb.
    pub limb_distances: (f64, f64),
}

/// Weight of a place whose surface the turned globe hides: it is read unmoved, and only counts where nothing else does.
pub const HIDDEN_WEIGHT: f64 = 1e-3;

impl Globe {
    /// For a place of the picture: where a globe that has turned shows the same surface. Off the disc nothing moves.
    #[inline]
    pub fn carried(&self, x_px: f64, y_px: f64, turn: &Turn<'_>) -> Carried {
        let (x, y) = self.to_pole_frame(x_px, y_px);
        let still = |weight| Carried { shift_px: [0.0; 2], weight, limb_distances: (1.0, 1.0) };
        let Some(here) = self.surface(x, y) else { return still(1.0) };
        let Some(there) = here.turned(self, turn) else { return still(HIDDEN_WEIGHT) };
        let (to_x, to_y) = self.appears(&there);
        let (dx, dy) = ((to_x - x) * self.radius_px, (to_y - y) * self.radius_px);
        let weight = if here.cos_emission > 0.0 { there.cos_emission / here.cos_emission } else { 1.0 };
        Carried {
            shift_px: [dx * self.cos_pole + dy * self.sin_pole, dx * self.sin_pole - dy * self.cos_pole],
            weight: weight.clamp(HIDDEN_WEIGHT, 1.0),
            limb_distances: (self.limb_distance(x, y), self.limb_distance(to_x, to_y)),
        }
    }
}

/// Largest factor by which the darkening towards the limb is made good.
const MOST_GAIN: f32 = 2.0;

/// Factor for a sample carried from the second distance to the first, by a profile of the disc's brightness from 0 to 1
/// in equal steps; 1 without a profile.
#[inline]
pub fn limb_gain(profile: &[f32], (here, there): (f64, f64)) -> f32 {
    if profile.len() < 2 {
        return 1.0;
    }
    let last = profile.len() - 1;
    let at = |distance: f64| {
        let place = distance.clamp(0.0, 1.0) * last as f64;
        let low = (place as usize).min(last - 1);
        profile[low] + (place - low as f64) as f32 * (profile[low + 1] - profile[low])
    };
    let (to, from) = (at(here), at(there));
    if to > 0.0 && from > 0.0 { (to / from).clamp(1.0 / MOST_GAIN, MOST_GAIN) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Surface points checked with CSPICE (pgrrec, surfpt), of tests/data/projection.toml of stillair-sky: Jupiter, axis
    // ratio 66854/71492, observer at -2.48 degrees, pole at position angle 24.8 degrees; latitude 30, 20 degrees of west
    // longitude from the meridian appears 0.474381 radii east, 0.309151 north, cosine of emission 0.7914.
    #[test]
    fn a_checked_point_is_found_where_it_appears() {
        // North up, east left: the pole at 24.8 degrees lies to the left of up.
        let globe = Globe::new([0.0, 0.0], 1.0, 66_854.0 / 71_492.0, -2.48_f64.to_radians(), -24.8_f64.to_radians());
        let (x, y) = globe.to_pole_frame(-0.474_381, -0.309_151);
        let point = globe.surface(x, y).unwrap();
        assert!((point.cos_emission - 0.7914).abs() < 1e-5, "{point:?}");
        assert!((point.planetographic_rad(&globe).to_degrees() - 30.0).abs() < 1e-3);
        // East is to the left of the pole: 20 degrees to the left.
        assert!((libm::atan2(point.x, point.e).to_degrees() + 20.0).abs() < 1e-3);
        assert!((globe.outline_axis_ratio() - 0.935_251).abs() < 1e-6);
        let (px, py) = globe.to_picture(x, y);
        assert!((px + 0.474_381).abs() < 1e-12 && (py + 0.309_151).abs() < 1e-12);
    }

    // Rotation at System I's 877.900 degrees a day (WGCCRE 2015) for 30, 120 and 180 s: shifts of the disc's centre in
    // radii, as in tests/data/projection.toml of stillair-sky (rotation_shift).
    #[test]
    fn the_centre_moves_by_the_sine_of_the_turn() {
        let globe = Globe::new([50.0, 40.0], 30.0, 0.935, 0.0, 0.0);
        for (degrees, radii) in [(0.30483_f64, 0.00532), (1.21931, 0.021_279), (1.82896, 0.031_916)] {
            let carried = globe.carried(50.0, 40.0, &Turn::new(degrees.to_radians(), &[]));
            assert!((carried.shift_px[0] / 30.0 - radii).abs() < 5.1e-7);
            assert!(carried.shift_px[1].abs() < 1e-9);
        }
    }

    #[test]
    fn nothing_moves_off_the_disc_and_hidden_places_hardly_count() {
        let globe = Globe::new([50.0, 40.0], 30.0, 0.935, 0.1, 0.4);
        let turn = &Turn::new(0.2, &[]);
        assert_eq!(globe.carried(90.0, 40.0, turn).shift_px, [0.0, 0.0]);
        // The right limb goes out of sight when the globe turns to the right.
        let (x, y) = globe.to_picture(0.99, 0.0);
        assert_eq!(globe.carried(x, y, turn).weight, HIDDEN_WEIGHT);
        let (x, y) = globe.to_picture(-0.99, 0.0);
        assert_eq!(globe.carried(x, y, turn).weight, 1.0);
        assert!(globe.carried(x, y, &Turn::new(0.0, &[])).shift_px.iter().all(|s| s.abs() < 1e-12));
    }

    // A ring of latitude that turns twice as far (made up) shows its points where the globe as a whole would after two
    // turns; the terms of a small further turn are those of the exact one.
    #[test]
    fn parallels_turn_at_their_own_rates() {
        let globe = Globe::new([0.0, 0.0], 100.0, 0.93, 0.2, 0.4);
        for (angle_rad, share) in [(0.3, 1.0), (0.3, 0.05), (-0.01, 1.0)] {
            let zonal = [share as f32; 3];
            for (x_px, y_px) in [(10.0, 20.0), (-40.0, -30.0), (0.0, 60.0)] {
                let own = globe.carried(x_px, y_px, &Turn::new(angle_rad, &zonal));
                let whole = globe.carried(x_px, y_px, &Turn::new(angle_rad * (1.0 + f64::from(zonal[0])), &[]));
                for (a, b) in own.shift_px.iter().zip(whole.shift_px) {
                    assert!((a - b).abs() < 1e-7, "{a} {b}");
                }
            }
        }
        // Only the north runs ahead: the south turns as the globe does.
        let zonal = [0.0, 0.0, 1.0];
        let south = globe.to_picture(0.1, -0.5);
        let plain = globe.carried(south.0, south.1, &Turn::new(0.1, &[]));
        assert_eq!(globe.carried(south.0, south.1, &Turn::new(0.1, &zonal)), plain);
    }

    #[test]
    fn the_gain_follows_the_profile() {
        let profile = [1.0, 0.8, 0.4];
        assert!((limb_gain(&profile, (0.25, 0.75)) - 0.9 / 0.6).abs() < 1e-6);
        assert_eq!(limb_gain(&[], (0.1, 0.9)), 1.0);
        assert_eq!(limb_gain(&profile, (1.5, 1.0)), 1.0);
    }
}
