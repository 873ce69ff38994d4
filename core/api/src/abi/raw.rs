//! The structs of the boundary, as C sees them; `include/stillair.h` is generated from this file, `numbers.rs` and
//! `tables.rs`.
//!
//! Every struct but [`Text`] begins with its own size in bytes and grows at its end only: the receiver reads as many
//! bytes as both sides know and takes the rest as zero. Where several are handed over, they come as an array of
//! pointers, so that growth moves nothing.

pub use super::numbers::*;
pub use super::tables::{EntryPoint, Host, MethodTable, PluginTable};

/// What a call belongs to; the host's, valid while the call lasts. Setters are for the thread that was called;
/// `cancelled`, `record`, `warn` and `reserve` may be used from the tasks of `parallel` too.
#[repr(C)]
pub struct Call {
    _private: [u8; 0],
}

/// A text in UTF-8, without an end mark; the receiver copies it. The one struct that never grows.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct Text {
    /// First byte; may be null if `length` is 0.
    pub data: *const u8,
    /// Bytes.
    pub length: usize,
}

/// A frame or a window of one. Linear samples in units of the white level; sample (x, y) of plane p stands at
/// `data[p * plane_stride + y * row_stride + x]`.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct FrameView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Number of the frame in its clip, from 0.
    pub index: usize,
    /// Left column of the window in the full frame.
    pub x: usize,
    /// Top row of the window in the full frame.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Layout, seen from the window's top left pixel.
    pub layout: u32,
    /// Planes: 1 or 3.
    pub planes: u32,
    /// Samples between one row and the next.
    pub row_stride: usize,
    /// Samples between one plane and the next.
    pub plane_stride: usize,
    /// Samples: read only in a frame that comes in, to be written in one that `buffer` gave.
    pub data: *mut f32,
}

/// Samples that change hands: the receiver owns the memory, and gives it back by `release` or hands it on.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct BufferView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// The samples.
    pub data: *mut f32,
    /// Number of samples, all of them written.
    pub length: usize,
    /// Number of samples that there is room for.
    pub capacity: usize,
    /// Frees the memory; may be called from any thread to the end of the program.
    pub release: Option<unsafe extern "C" fn(data: *mut f32, capacity: usize)>,
}

/// What is known of a clip.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct ClipView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Number of frames.
    pub frames: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Layout.
    pub layout: u32,
    /// Significant bits of a sample.
    pub bits: u32,
    /// The stored number that becomes 1.0.
    pub white_level: f64,
    /// Seconds of each frame from the first, NaN where unknown; `frames` long.
    pub time_s: *const f64,
    /// UTC of the first frame, ns since 1970, if `has_start`.
    pub start_unix_ns: i64,
    /// Whether `start_unix_ns` is known.
    pub has_start: u32,
    /// Where the times come from: 0 stamps, 1 a rate, 2 nowhere.
    pub times: u32,
    /// Exposure in seconds, NaN if unknown.
    pub exposure_s: f64,
    /// Names of header entries.
    pub header_names: *const Text,
    /// Values of header entries.
    pub header_values: *const Text,
    /// Number of header entries.
    pub header_count: usize,
    /// Remarks of the reader.
    pub notes: *const Text,
    /// Number of remarks.
    pub note_count: usize,
    /// Working memory of a reader per thread, bytes.
    pub worker_bytes: u64,
}

/// A column of a table.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct ColumnView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Name.
    pub name: Text,
    /// Unit, "" for a pure number.
    pub unit: Text,
    /// What it says.
    pub help: Text,
    /// The names of a category's values.
    pub categories: *const Text,
    /// Number of names; 0 for numbers.
    pub category_count: usize,
    /// A value per row, NaN where missing.
    pub data: *const f64,
}

/// A row per frame.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct TableView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub columns: *const *const ColumnView,
    /// Number of columns.
    pub column_count: usize,
}

/// Local shifts on a regular grid of nodes, frame after frame, row after row.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct LocalView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Column of the first node relative to the reference point, px.
    pub first_x_px: f64,
    /// Row of the first node relative to the reference point, px.
    pub first_y_px: f64,
    /// Distance of neighbouring columns of nodes, px.
    pub step_x_px: f64,
    /// Distance of neighbouring rows of nodes, px.
    pub step_y_px: f64,
    /// Columns of nodes.
    pub columns: usize,
    /// Rows of nodes.
    pub rows: usize,
    /// Nodes of all frames.
    pub count: usize,
    /// x, y of each node's shift, px.
    pub shift_px: *const f32,
    /// xx, xy, yy of each shift's covariance, px^2; may be null.
    pub covariance_px2: *const f32,
    /// Local grades; may be null.
    pub grade: *const f32,
    /// Local weights; may be null.
    pub weight: *const f32,
}

/// The globe's rotation.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct SpinView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Column of the globe's centre relative to the reference point, px.
    pub centre_x_px: f64,
    /// Row of the globe's centre relative to the reference point, px.
    pub centre_y_px: f64,
    /// Equatorial radius, px.
    pub equatorial_radius_px: f64,
    /// Polar over equatorial radius.
    pub axis_ratio: f64,
    /// Planetocentric latitude of the observer, radians.
    pub latitude_rad: f64,
    /// Direction of the north pole, clockwise from up, radians.
    pub pole_rad: f64,
    /// Turn of the globe in each frame, radians.
    pub turn_rad: *const f64,
    /// Frames.
    pub turn_count: usize,
    /// Brightness of the disc from its centre to its limb, in equal steps; may be null.
    pub profile: *const f32,
    /// Steps of the profile.
    pub profile_count: usize,
    /// Share by which a parallel turns further, against the sine of the planetographic latitude from -1 to 1 in equal
    /// steps; may be null. Since revision 4.
    pub zonal: *const f32,
    /// Steps of the shares. Since revision 4.
    pub zonal_count: usize,
}

/// Where each frame belongs: any of four layers.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct MotionView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// x px, y px, rotation rad, scale of each frame; may be null.
    pub global: *const f64,
    /// Frames of the global layer.
    pub global_count: usize,
    /// x, y of red, green and blue, px: six numbers; may be null.
    pub channel_px: *const f64,
    /// Local shifts; may be null.
    pub local: *const LocalView,
    /// The globe's rotation; may be null.
    pub spin: *const SpinView,
}

/// The composed motion of one frame.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct PlacementView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Number of the frame.
    pub index: usize,
    /// Column of the reference point in the full frame, px.
    pub x_px: f64,
    /// Row of the reference point in the full frame, px.
    pub y_px: f64,
    /// Clockwise turn of the frame, radians.
    pub rotation_rad: f64,
    /// Size in the frame over size in the picture.
    pub scale: f64,
    /// x, y of red, green and blue, px.
    pub channel_px: [f64; 6],
    /// Local layers, to be added.
    pub local: *const *const LocalView,
    /// Number of local layers.
    pub local_count: usize,
    /// The globe's rotation; may be null.
    pub spin: *const SpinView,
}

/// A planar linear picture and what is known of it.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct ImageView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Channels: 1 or 3.
    pub channels: usize,
    /// Samples between one row and the next, in each of the planes below.
    pub row_stride: usize,
    /// Samples between one channel and the next.
    pub plane_stride: usize,
    /// Samples in white levels.
    pub data: *const f32,
    /// Sum of weights of each sample; may be null.
    pub weight: *const f32,
    /// First half-stack; null if there are none.
    pub half_a: *const f32,
    /// Second half-stack; null if there are none.
    pub half_b: *const f32,
    /// Scale, NaN if unknown.
    pub arcsec_per_px: f64,
    /// Picture px per px of the capture.
    pub px_per_capture_px: f64,
    /// Middle of the exposures, ns since 1970 UTC, if `has_middle`.
    pub middle_unix_ns: i64,
    /// Whether `middle_unix_ns` is known.
    pub has_middle: u32,
    /// Whether the data came through a colour mosaic.
    pub from_mosaic: u32,
    /// Sum of the exposures, s, NaN if unknown.
    pub exposure_total_s: f64,
    /// Frames added.
    pub frames_used: usize,
    /// Effective number of frames.
    pub frames_effective: f64,
    /// Position of the reference point, px (x, y).
    pub reference_px: [f64; 2],
    /// The limb: x px, y px, equatorial radius px, polar radius px, pole rad; null if unknown.
    pub disc: *const f64,
    /// Effective wavelength of each channel, nm.
    pub wavelength_nm: *const f64,
    /// Number of wavelengths; 0 if unknown.
    pub wavelength_count: usize,
    /// Each step that changed the pixels, oldest first.
    pub history: *const Text,
    /// Number of steps.
    pub history_count: usize,
    /// The globe as JSON; a null pointer if unknown.
    pub globe: Text,
    /// Beginning of the first exposure, ns since 1970 UTC, if `has_begin`.
    pub begin_unix_ns: i64,
    /// End of the last exposure, ns since 1970 UTC, if `has_end`.
    pub end_unix_ns: i64,
    /// Whether `begin_unix_ns` is known.
    pub has_begin: u32,
    /// Whether `end_unix_ns` is known.
    pub has_end: u32,
    /// Name of the filter of a picture of one channel; a null pointer if unknown.
    pub filter: Text,
    /// Whether a mosaic's samples went in as they were, with nothing interpolated between. Since revision 4.
    pub mosaic_kept: u32,
    /// Whether parts of frames were shifted each on its own. Since revision 4.
    pub parts_placed: u32,
}

/// A fact for the report.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct EntryView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Kind of the entry.
    pub kind: u32,
    /// Zero.
    pub reserved: u32,
    /// Name, kebab case.
    pub name: Text,
    /// Unit of the number or verdict.
    pub unit: Text,
    /// The text; the help of a number; the words of a verdict.
    pub text: Text,
    /// The number.
    pub value: f64,
    /// What a verdict holds it against.
    pub threshold: f64,
    /// What x is, for a curve.
    pub x_label: Text,
    /// Unit of x.
    pub x_unit: Text,
    /// What y is.
    pub y_label: Text,
    /// Unit of y.
    pub y_unit: Text,
    /// Abscissae.
    pub x: *const f64,
    /// Ordinates.
    pub y: *const f64,
    /// Points.
    pub count: usize,
}

/// A parameter or a session fact, filled in by the host.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct SettingView {
    /// Size of this struct in bytes; set by the asker.
    pub size: usize,
    /// Kind of the setting.
    pub kind: u32,
    /// Where a fact comes from: 0 command line, 1 session file, 2 header.
    pub origin: u32,
    /// Name.
    pub name: Text,
    /// A whole number, or 0 or 1 for a flag.
    pub integer: i64,
    /// A number.
    pub number: f64,
    /// A text.
    pub text: Text,
    /// Numbers.
    pub numbers: *const f64,
    /// How many.
    pub number_count: usize,
}

/// A finished value that is linked to a port, filled in by the host.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct BoundView {
    /// Size of this struct in bytes; set by the asker.
    pub size: usize,
    /// Name of the port.
    pub port: Text,
    /// Kind of the value: says which of the pointers below is set.
    pub kind: u32,
    /// Zero.
    pub reserved: u32,
    /// A table.
    pub table: *const TableView,
    /// A motion.
    pub motion: *const MotionView,
    /// A picture.
    pub image: *const ImageView,
    /// A record.
    pub entries: *const *const EntryView,
    /// Number of its entries.
    pub entry_count: usize,
}

/// One frame and what belongs to it. A source gets the index and the window to read, without samples.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct InputView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// The frame.
    pub frame: *const FrameView,
    /// Its place, if a motion is linked; may be null.
    pub placement: *const PlacementView,
    /// Whether `row_number` has a row to look in.
    pub has_row: u32,
    /// Zero.
    pub reserved: u32,
}

/// Size of a stream.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct StreamView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Frames.
    pub frames: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Planes.
    pub planes: usize,
}

/// Upper bounds of the bytes that a node needs beside frame buffers.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct MemoryView {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Per worker.
    pub worker: u64,
    /// Per item between `frame` and `add`.
    pub item: u64,
    /// Once.
    pub state: u64,
}
