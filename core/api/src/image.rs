//! Pictures and what is known of them.

use serde::{Deserialize, Serialize};

/// The limb of a spheroid on a picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Disc {
    /// Centre, px of the picture.
    pub x_px: f64,
    /// Centre, px of the picture.
    pub y_px: f64,
    /// Larger half axis, px.
    pub equatorial_radius_px: f64,
    /// Smaller half axis as seen, px.
    pub polar_radius_px: f64,
    /// Clockwise angle of the smaller axis from up, radians.
    pub pole_rad: f64,
}

/// A globe on a picture: where it stands by a fit to the picture, how it is turned by the sky.
///
/// The pole's frame has its origin at the centre, y along the north pole and x to the right of it (a quarter turn
/// clockwise on the picture).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Globe {
    /// English name of the body, lower case.
    pub body: String,
    /// Instant that the angles hold for, ns since 1970 UTC.
    pub unix_ns: i64,
    /// Centre of the geometric disc, px of the picture.
    pub x_px: f64,
    /// Centre of the geometric disc, px of the picture.
    pub y_px: f64,
    /// Equatorial radius, px.
    pub equatorial_radius_px: f64,
    /// Polar over equatorial radius of the globe, 0 to 1.
    pub axis_ratio: f64,
    /// Scale by the fitted radius and the body's size on the sky, arcsec per px.
    pub arcsec_per_px: f64,
    /// Direction of the north pole on the picture: clockwise angle from up, radians.
    pub pole_rad: f64,
    /// Uncertainty of `pole_rad`, radians (one standard deviation, estimated).
    pub pole_sigma_rad: f64,
    /// Whether north is told from south and left from right (by the session). Else `pole_rad` may be off by half a
    /// turn and features may move either way.
    pub oriented: bool,
    /// Whether the picture is mirrored; false where `oriented` is.
    pub mirrored: bool,
    /// Planetocentric latitude of the observer, radians.
    pub latitude_rad: f64,
    /// Speed at which surface features move to the right in the pole's frame, radians of rotation per s: negative where
    /// the picture is mirrored or the body turns the other way.
    pub turn_rad_per_s: f64,
    /// Whether the sign of `turn_rad_per_s` was measured on a clip, where no orientation gives it.
    #[serde(default)]
    pub sense_measured: bool,
    /// Longitude of the disc's centre in the body's prime system (System III of the giants), degrees.
    pub central_meridian_deg: f64,
    /// The same in System I, where the body has one.
    pub central_meridian_i_deg: Option<f64>,
    /// The same in System II, where the body has one.
    pub central_meridian_ii_deg: Option<f64>,
    /// Angle Sun, body, observer, radians.
    pub phase_rad: f64,
    /// Direction of the middle of the bright limb on the picture: clockwise angle from up, radians; meaningless near
    /// full phase and where not `oriented`.
    pub bright_limb_rad: f64,
    /// Latitude, planetocentric, of the point with the Sun overhead, radians.
    pub sun_latitude_rad: f64,
    /// Angle from the central meridian to that point, positive to the right in the pole's frame, radians.
    pub sun_longitude_rad: f64,
    /// What in the picture does not agree with the sky, in words; empty if all does.
    pub doubts: Vec<String>,
}

/// What is known of a picture.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ImageInfo {
    /// Scale in arcsec per px, if known.
    pub arcsec_per_px: Option<f64>,
    /// Picture px per px of the capture (1, or the drizzle scale).
    pub px_per_capture_px: f64,
    /// Middle of the exposures, ns since 1970 UTC, if known.
    pub middle_unix_ns: Option<i64>,
    /// Beginning of the first exposure used, ns since 1970 UTC, if known.
    #[serde(default)]
    pub begin_unix_ns: Option<i64>,
    /// End of the last exposure used, ns since 1970 UTC, if known.
    #[serde(default)]
    pub end_unix_ns: Option<i64>,
    /// Sum of the exposures of the frames used, s, if known.
    pub exposure_total_s: Option<f64>,
    /// Frames added.
    pub frames_used: usize,
    /// Effective number of frames, (sum w)^2 / sum w^2.
    pub frames_effective: f64,
    /// Position of the target's reference point, px (x, y).
    pub reference_px: [f64; 2],
    /// The limb, if fitted.
    pub disc: Option<Disc>,
    /// The globe, if the sky and a fit say how it stands (derotate.geometry).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub globe: Option<Globe>,
    /// Effective wavelength of each channel, nm; empty if unknown.
    pub wavelength_nm: Vec<f64>,
    /// Name of the filter that a picture of one channel was taken through, as session or header say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<String>,
    /// Whether the data came through a colour mosaic.
    pub from_mosaic: bool,
    /// Whether a mosaic's samples went in as they were, each into its own colour, with nothing interpolated between.
    #[serde(default)]
    pub mosaic_kept: bool,
    /// Whether parts of frames were shifted each on its own, so that less image motion is left than after whole frames.
    #[serde(default)]
    pub parts_placed: bool,
    /// The kernels' transfer in words and each step that changed the pixels, oldest first.
    pub history: Vec<String>,
}

/// A planar linear picture.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Image {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Channels: 1 or 3.
    pub channels: usize,
    /// `channels * height * width` samples, white levels.
    pub data: Vec<f32>,
    /// Sum of weights of each pixel, same shape as `data`, if it differs over the picture.
    pub weight: Option<Vec<f32>>,
    /// The two half-stacks (even and odd frames of those used), same shape as `data`.
    pub halves: Option<[Vec<f32>; 2]>,
    /// What is known of it.
    pub info: ImageInfo,
}

impl Image {
    /// A black picture.
    pub fn new(width: usize, height: usize, channels: usize) -> Self {
        let info = ImageInfo { px_per_capture_px: 1.0, ..ImageInfo::default() };
        Self { width, height, channels, data: vec![0.0; width * height * channels], weight: None, halves: None, info }
    }

    /// Pixels of a channel.
    pub fn area(&self) -> usize {
        self.width * self.height
    }

    /// One channel.
    pub fn channel(&self, channel: usize) -> &[f32] {
        &self.data[channel * self.area()..(channel + 1) * self.area()]
    }

    /// One channel, to be changed.
    pub fn channel_mut(&mut self, channel: usize) -> &mut [f32] {
        let area = self.area();
        &mut self.data[channel * area..(channel + 1) * area]
    }

    /// One channel of a half-stack (0 or 1), if the picture has them.
    pub fn half(&self, half: usize, channel: usize) -> Option<&[f32]> {
        self.halves.as_ref().map(|h| &h[half][channel * self.area()..(channel + 1) * self.area()])
    }
}
