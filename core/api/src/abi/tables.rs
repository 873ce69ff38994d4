//! The function tables of the boundary: what the host offers, and what a plugin gives.

use std::ffi::c_void;

use super::raw::{
    BoundView, BufferView, Call, ClipView, EntryView, FrameView, ImageView, InputView, MemoryView, MotionView,
    SettingView, StreamView, TableView, Text,
};

/// What the host offers. Valid from the call of `stillair_plugin` to the end of the program.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct Host {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Version of the boundary.
    pub abi: u32,
    /// Revision.
    pub revision: u32,

    /// Any call: says why it fails; the call then returns the same status. Message: what, where; remedy: what to do.
    pub fault: Option<unsafe extern "C" fn(call: *mut Call, status: i32, message: Text, remedy: Text)>,
    /// Any call: whether the run was asked to stop; to be polled every 100 ms, then return STILLAIR_CANCELLED.
    pub cancelled: Option<unsafe extern "C" fn(call: *mut Call) -> u32>,
    /// Any call: runs `task(data, 0..count)` on the host's threads and returns when all are done.
    pub parallel: Option<
        unsafe extern "C" fn(
            call: *mut Call,
            count: usize,
            task: Option<unsafe extern "C" fn(data: *mut c_void, index: usize)>,
            data: *mut c_void,
        ),
    >,
    /// Any call: writes a fact into the record.
    pub record: Option<unsafe extern "C" fn(call: *mut Call, entry: *const EntryView)>,
    /// Any call: says something odd to the user and the record.
    pub warn: Option<unsafe extern "C" fn(call: *mut Call, message: Text)>,

    /// `describe`, `file_stem`: the answer.
    pub put_text: Option<unsafe extern "C" fn(call: *mut Call, text: Text)>,
    /// `create`: parameter number `index` in the order of names; 0 past the last.
    pub parameter_at: Option<unsafe extern "C" fn(call: *mut Call, index: usize, setting: *mut SettingView) -> u32>,
    /// `create`: a number (whole numbers and flags too); 0 if there is none of that name or it is "auto".
    pub parameter_number: Option<unsafe extern "C" fn(call: *mut Call, name: Text, number: *mut f64) -> u32>,
    /// `create`: a text; 0 if there is none of that name.
    pub parameter_text: Option<unsafe extern "C" fn(call: *mut Call, name: Text, text: *mut Text) -> u32>,
    /// `create`: session fact number `index` in the order of names; 0 past the last.
    pub fact_at: Option<unsafe extern "C" fn(call: *mut Call, index: usize, setting: *mut SettingView) -> u32>,
    /// `create`: a fact that is a number; 0 if it is not known.
    pub fact_number: Option<unsafe extern "C" fn(call: *mut Call, name: Text, number: *mut f64) -> u32>,

    /// `start` of a source: path number `index`; 0 past the last.
    pub path: Option<unsafe extern "C" fn(call: *mut Call, index: usize, path: *mut Text) -> u32>,
    /// `start`: the stream that comes in; null if none.
    pub clip: Option<unsafe extern "C" fn(call: *mut Call) -> *const ClipView>,
    /// `start`: value number `index` linked to `port` (to any port if its length is 0); 0 past the last.
    pub bound: Option<unsafe extern "C" fn(call: *mut Call, port: Text, index: usize, bound: *mut BoundView) -> u32>,
    /// `start`: what recipe, capture and build determine, as JSON, to be written into results.
    pub provenance: Option<unsafe extern "C" fn(call: *mut Call) -> Text>,
    /// `start` of a source or map: the stream that goes out.
    pub put_clip: Option<unsafe extern "C" fn(call: *mut Call, clip: *const ClipView)>,

    /// `frame`, `window`: a column of the frame's row by its name; 0 if there is none.
    pub row_number: Option<unsafe extern "C" fn(call: *mut Call, column: Text, number: *mut f64) -> u32>,
    /// `frame` of a source or map: a buffer for the frame; index, window and layout are read, the rest is filled in.
    /// 0 if there is none.
    pub buffer: Option<unsafe extern "C" fn(call: *mut Call, frame: *mut FrameView) -> u32>,
    /// `frame` of a measure: a value for each column of the description. Of a source: one number, the bytes it read.
    pub put_row: Option<unsafe extern "C" fn(call: *mut Call, values: *const f64, count: usize)>,
    /// `frame` of a measure that gives a motion: the frame's place.
    pub put_place: Option<unsafe extern "C" fn(call: *mut Call, x_px: f64, y_px: f64, rotation_rad: f64, scale: f64)>,

    /// `finish`: output number `port` is this table.
    pub put_table: Option<unsafe extern "C" fn(call: *mut Call, port: usize, table: *const TableView)>,
    /// `finish`: output number `port` is this motion.
    pub put_motion: Option<unsafe extern "C" fn(call: *mut Call, port: usize, motion: *const MotionView)>,
    /// `finish`: output number `port` is this picture.
    pub put_image: Option<unsafe extern "C" fn(call: *mut Call, port: usize, image: *const ImageView)>,
    /// `finish`: output number `port` is this record.
    pub put_record:
        Option<unsafe extern "C" fn(call: *mut Call, port: usize, entries: *const *const EntryView, count: usize)>,

    /// `begin`, `frame`, `finish` of a sink: writes bytes; 0, or the system's error number, or -1.
    pub write: Option<unsafe extern "C" fn(call: *mut Call, data: *const u8, count: usize) -> i32>,
    /// The same: moves to `offset` from the start (0), from here (1), from the end (2), and says where that is.
    pub seek: Option<unsafe extern "C" fn(call: *mut Call, offset: i64, from: u32, position: *mut u64) -> i32>,

    /// An extension of that name; null if the host has none.
    pub extension: Option<unsafe extern "C" fn(name: Text) -> *const c_void>,

    /// Revision 2. Any call: asks for memory beyond what `memory` declared; 0 if there is none left.
    pub reserve: Option<unsafe extern "C" fn(call: *mut Call, bytes: u64) -> u32>,

    /// Revision 3. `frame` of a source or map: hands over memory to fill with the frame, of any length, instead of
    /// `buffer`. 0 if there is none.
    pub take_samples: Option<unsafe extern "C" fn(call: *mut Call, samples: *mut BufferView) -> u32>,
    /// Revision 3. The same: the frame is these samples without gaps, which are the host's from here, whatever it
    /// answers; of `frame`, data and strides are not read. 0 if they are refused.
    pub give_samples:
        Option<unsafe extern "C" fn(call: *mut Call, frame: *const FrameView, samples: *const BufferView) -> u32>,
}

/// A method. Every shape uses a subset; what it does not use may be null. A function that returns a status and fails
/// says why by `fault` first. Nothing may unwind or jump out of a function.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct MethodTable {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Threading of `frame` and `window`.
    pub threading: u32,
    /// Zero.
    pub reserved: u32,
    /// The plugin's own.
    pub data: *const c_void,

    /// Gives the description as JSON by `put_text`.
    pub describe: Option<unsafe extern "C" fn(method: *const MethodTable, call: *mut Call) -> i32>,
    /// Makes a node from parameters and facts.
    pub create:
        Option<unsafe extern "C" fn(method: *const MethodTable, call: *mut Call, node: *mut *mut c_void) -> i32>,
    /// Ends a node, after all its runs.
    pub destroy: Option<unsafe extern "C" fn(node: *mut c_void)>,
    /// Gets ready with what is finished: a source opens its paths, a transform only takes its values.
    pub start: Option<unsafe extern "C" fn(node: *mut c_void, call: *mut Call, run: *mut *mut c_void) -> i32>,
    /// Ends a run, after all its workers and items.
    pub stop: Option<unsafe extern "C" fn(run: *mut c_void)>,
    /// Makes the working memory of one thread. Not for sources and sinks. May be null: workers are null then.
    pub worker: Option<unsafe extern "C" fn(run: *mut c_void, call: *mut Call, worker: *mut *mut c_void) -> i32>,
    /// Ends a worker.
    pub drop_worker: Option<unsafe extern "C" fn(worker: *mut c_void)>,
    /// A map's wish for a window of frame `index`: x, y, width, height in `region`; all of it if left as it is.
    pub window:
        Option<unsafe extern "C" fn(run: *mut c_void, call: *mut Call, index: usize, region: *mut usize) -> i32>,
    /// Works on one frame: a source reads it, a map fills a `buffer`, a measure gives its row, a reduce gives an item,
    /// a sink writes.
    pub frame: Option<
        unsafe extern "C" fn(
            run: *mut c_void,
            call: *mut Call,
            worker: *mut c_void,
            input: *const InputView,
            item: *mut *mut c_void,
        ) -> i32,
    >,
    /// Ends an item that was never added.
    pub drop_item: Option<unsafe extern "C" fn(item: *mut c_void)>,
    /// A sink writes what comes before the frames.
    pub begin: Option<unsafe extern "C" fn(run: *mut c_void, call: *mut Call) -> i32>,
    /// A reduce takes over items, in the order of their frames. They are the plugin's from here, whatever the status.
    pub add: Option<
        unsafe extern "C" fn(
            run: *mut c_void,
            call: *mut Call,
            indices: *const usize,
            items: *const *mut c_void,
            count: usize,
        ) -> i32,
    >,
    /// Ends a sweep of a reduce (`again` set to 1 asks for another), the work of a transform, the file of a sink.
    pub finish: Option<unsafe extern "C" fn(run: *mut c_void, call: *mut Call, again: *mut u32) -> i32>,
    /// Name of a sink's file without its extension, by `put_text`.
    pub file_stem: Option<unsafe extern "C" fn(node: *mut c_void, call: *mut Call) -> i32>,

    /// Revision 2. Fills in the memory that is needed for a stream and, for a map, the stream that goes out at most.
    pub memory: Option<
        unsafe extern "C" fn(
            node: *mut c_void,
            stream: *const StreamView,
            memory: *mut MemoryView,
            output: *mut StreamView,
        ) -> i32,
    >,
}

/// A plugin. Valid, and unchanged, to the end of the program.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct PluginTable {
    /// Size of this struct in bytes.
    pub size: usize,
    /// Version of the boundary it was built for.
    pub abi: u32,
    /// Revision it was built for.
    pub revision: u32,
    /// Identity: letters, digits, `-` and `_`.
    pub id: Text,
    /// Its version.
    pub version: Text,
    /// Methods.
    pub methods: *const *const MethodTable,
    /// Number of methods.
    pub method_count: usize,
    /// An extension of that name; null if the plugin has none. May be null.
    pub extension: Option<unsafe extern "C" fn(name: Text) -> *const c_void>,
}

/// The one function that a library exports, by the name `stillair_plugin`: gives its table, or null.
pub type EntryPoint = unsafe extern "C" fn(host: *const Host) -> *const PluginTable;
