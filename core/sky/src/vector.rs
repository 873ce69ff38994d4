//! Three-vectors and rotations, as plain arrays.

/// A vector: three components along the axes of some frame.
pub(crate) type Vector = [f64; 3];
/// A rotation: rows are the new axes in the old frame.
pub(crate) type Matrix = [[f64; 3]; 3];

pub(crate) fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub(crate) fn cross(a: Vector, b: Vector) -> Vector {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

pub(crate) fn length(a: Vector) -> f64 {
    dot(a, a).sqrt()
}

pub(crate) fn scaled(a: Vector, factor: f64) -> Vector {
    a.map(|component| component * factor)
}

pub(crate) fn unit(a: Vector) -> Vector {
    scaled(a, 1.0 / length(a))
}

pub(crate) fn sum(a: Vector, b: Vector) -> Vector {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

pub(crate) fn difference(a: Vector, b: Vector) -> Vector {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// `a + b * factor`.
pub(crate) fn moved(a: Vector, b: Vector, factor: f64) -> Vector {
    sum(a, scaled(b, factor))
}

pub(crate) fn rotated(m: &Matrix, a: Vector) -> Vector {
    [dot(m[0], a), dot(m[1], a), dot(m[2], a)]
}

/// Rotates by the inverse of `m`.
pub(crate) fn rotated_back(m: &Matrix, a: Vector) -> Vector {
    sum(scaled(m[0], a[0]), sum(scaled(m[1], a[1]), scaled(m[2], a[2])))
}

/// Angle between two vectors, radians, exact for small and for straight angles.
pub(crate) fn angle(a: Vector, b: Vector) -> f64 {
    length(cross(a, b)).atan2(dot(a, b))
}

/// Direction of a longitude and a latitude, radians.
pub(crate) fn direction(longitude: f64, latitude: f64) -> Vector {
    [longitude.cos() * latitude.cos(), longitude.sin() * latitude.cos(), latitude.sin()]
}

/// Longitude (0 to 360) and latitude of a direction, degrees.
pub(crate) fn longitude_latitude_deg(a: Vector) -> (f64, f64) {
    (a[1].atan2(a[0]).to_degrees().rem_euclid(360.0), a[2].atan2(a[0].hypot(a[1])).to_degrees())
}

/// East and north unit vectors on the sky at a direction.
pub(crate) fn east_north(towards: Vector) -> (Vector, Vector) {
    let p = unit(towards);
    let east = unit([-p[1], p[0], 0.0]);
    (east, cross(p, east))
}

/// Position angle of `pointer`, seen projected at `towards`: from north through east, 0 to 360 degrees.
pub(crate) fn position_angle_deg(towards: Vector, pointer: Vector) -> f64 {
    let (east, north) = east_north(towards);
    dot(pointer, east).atan2(dot(pointer, north)).to_degrees().rem_euclid(360.0)
}

/// `angle_deg` brought into -180..180.
pub(crate) fn signed_deg(angle_deg: f64) -> f64 {
    (angle_deg + 180.0).rem_euclid(360.0) - 180.0
}
