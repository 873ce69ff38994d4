//! The numbers of the boundary: its version, what a status says, kinds of layouts, values, settings and entries.

/// Version of the boundary. A host refuses a plugin of another version.
pub const STILLAIR_ABI: u32 = 1;
/// Revision: raised whenever something is appended. Any two revisions of one version work together.
pub const STILLAIR_REVISION: u32 = 4;

/// Status: done.
pub const STILLAIR_DONE: i32 = 0;
/// Status: the request cannot be met as asked.
pub const STILLAIR_REQUEST: i32 = 1;
/// Status: the input's content is broken or unsuitable.
pub const STILLAIR_DATA: i32 = 2;
/// Status: disk, memory or permissions.
pub const STILLAIR_RESOURCE: i32 = 3;
/// Status: the run was asked to stop.
pub const STILLAIR_CANCELLED: i32 = 4;
/// Status: a mistake of the plugin.
pub const STILLAIR_INTERNAL: i32 = 5;

/// Threading: any number of threads at once, each with a worker of its own.
pub const STILLAIR_THREADS_ANY: u32 = 0;
/// Threading: one call at a time for each run.
pub const STILLAIR_THREADS_RUN: u32 = 1;
/// Threading: one call at a time in the whole library.
pub const STILLAIR_THREADS_ONE: u32 = 2;

/// Layout: one plane, no colour.
pub const STILLAIR_MONO: u32 = 0;
/// Layout: three planes, red, green, blue.
pub const STILLAIR_RGB: u32 = 1;
/// Layout: one plane behind a colour mosaic, R G / G B from the top left.
pub const STILLAIR_RGGB: u32 = 2;
/// Layout: one plane behind a colour mosaic, G R / B G from the top left.
pub const STILLAIR_GRBG: u32 = 3;
/// Layout: one plane behind a colour mosaic, G B / R G from the top left.
pub const STILLAIR_GBRG: u32 = 4;
/// Layout: one plane behind a colour mosaic, B G / G R from the top left.
pub const STILLAIR_BGGR: u32 = 5;

/// Kind of a value: a table.
pub const STILLAIR_TABLE: u32 = 1;
/// Kind of a value: a motion.
pub const STILLAIR_MOTION: u32 = 2;
/// Kind of a value: a picture.
pub const STILLAIR_IMAGE: u32 = 3;
/// Kind of a value: a record.
pub const STILLAIR_RECORD: u32 = 4;

/// Kind of a setting: yes or no, in `integer`.
pub const STILLAIR_FLAG: u32 = 1;
/// Kind of a setting: a whole number, in `integer`.
pub const STILLAIR_INTEGER: u32 = 2;
/// Kind of a setting: a number, in `number`.
pub const STILLAIR_NUMBER: u32 = 3;
/// Kind of a setting: a text (a choice and "auto" too), in `text`.
pub const STILLAIR_TEXT: u32 = 4;
/// Kind of a setting: numbers, in `numbers`.
pub const STILLAIR_NUMBERS: u32 = 5;

/// Kind of an entry of a record: a number with its unit.
pub const STILLAIR_ENTRY_NUMBER: u32 = 1;
/// Kind of an entry of a record: a text, in `text`.
pub const STILLAIR_ENTRY_TEXT: u32 = 2;
/// Kind of an entry of a record: a curve.
pub const STILLAIR_ENTRY_SERIES: u32 = 3;
/// Kind of an entry of a record: a number held against a threshold.
pub const STILLAIR_ENTRY_VERDICT: u32 = 4;
