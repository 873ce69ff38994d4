// What a plugin of Stillair in C includes. Generated from core/api/src/abi: do not edit.
// Every struct but StillairText begins with its size and grows at its end only: set `size` to sizeof,
// leave what you do not use zero, and read no further than the `size` of what you are given.

#pragma once

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

// Version of the boundary. A host refuses a plugin of another version.
#define STILLAIR_ABI 1

// Revision: raised whenever something is appended. Any two revisions of one version work together.
#define STILLAIR_REVISION 4

// Status: done.
#define STILLAIR_DONE 0

// Status: the request cannot be met as asked.
#define STILLAIR_REQUEST 1

// Status: the input's content is broken or unsuitable.
#define STILLAIR_DATA 2

// Status: disk, memory or permissions.
#define STILLAIR_RESOURCE 3

// Status: the run was asked to stop.
#define STILLAIR_CANCELLED 4

// Status: a mistake of the plugin.
#define STILLAIR_INTERNAL 5

// Threading: any number of threads at once, each with a worker of its own.
#define STILLAIR_THREADS_ANY 0

// Threading: one call at a time for each run.
#define STILLAIR_THREADS_RUN 1

// Threading: one call at a time in the whole library.
#define STILLAIR_THREADS_ONE 2

// Layout: one plane, no colour.
#define STILLAIR_MONO 0

// Layout: three planes, red, green, blue.
#define STILLAIR_RGB 1

// Layout: one plane behind a colour mosaic, R G / G B from the top left.
#define STILLAIR_RGGB 2

// Layout: one plane behind a colour mosaic, G R / B G from the top left.
#define STILLAIR_GRBG 3

// Layout: one plane behind a colour mosaic, G B / R G from the top left.
#define STILLAIR_GBRG 4

// Layout: one plane behind a colour mosaic, B G / G R from the top left.
#define STILLAIR_BGGR 5

// Kind of a value: a table.
#define STILLAIR_TABLE 1

// Kind of a value: a motion.
#define STILLAIR_MOTION 2

// Kind of a value: a picture.
#define STILLAIR_IMAGE 3

// Kind of a value: a record.
#define STILLAIR_RECORD 4

// Kind of a setting: yes or no, in `integer`.
#define STILLAIR_FLAG 1

// Kind of a setting: a whole number, in `integer`.
#define STILLAIR_INTEGER 2

// Kind of a setting: a number, in `number`.
#define STILLAIR_NUMBER 3

// Kind of a setting: a text (a choice and "auto" too), in `text`.
#define STILLAIR_TEXT 4

// Kind of a setting: numbers, in `numbers`.
#define STILLAIR_NUMBERS 5

// Kind of an entry of a record: a number with its unit.
#define STILLAIR_ENTRY_NUMBER 1

// Kind of an entry of a record: a text, in `text`.
#define STILLAIR_ENTRY_TEXT 2

// Kind of an entry of a record: a curve.
#define STILLAIR_ENTRY_SERIES 3

// Kind of an entry of a record: a number held against a threshold.
#define STILLAIR_ENTRY_VERDICT 4

// A text in UTF-8, without an end mark; the receiver copies it. The one struct that never grows.
typedef struct StillairText {
  // First byte; may be null if `length` is 0.
  const uint8_t *data;
  // Bytes.
  size_t length;
} StillairText;

// What a call belongs to; the host's, valid while the call lasts. Setters are for the thread that was called;
// `cancelled`, `record`, `warn` and `reserve` may be used from the tasks of `parallel` too.
typedef struct StillairCall StillairCall;

// A frame or a window of one. Linear samples in units of the white level; sample (x, y) of plane p stands at
// `data[p * plane_stride + y * row_stride + x]`.
typedef struct StillairFrameView {
  // Size of this struct in bytes.
  size_t size;
  // Number of the frame in its clip, from 0.
  size_t index;
  // Left column of the window in the full frame.
  size_t x;
  // Top row of the window in the full frame.
  size_t y;
  // Columns.
  size_t width;
  // Rows.
  size_t height;
  // Layout, seen from the window's top left pixel.
  uint32_t layout;
  // Planes: 1 or 3.
  uint32_t planes;
  // Samples between one row and the next.
  size_t row_stride;
  // Samples between one plane and the next.
  size_t plane_stride;
  // Samples: read only in a frame that comes in, to be written in one that `buffer` gave.
  float *data;
} StillairFrameView;

// Local shifts on a regular grid of nodes, frame after frame, row after row.
typedef struct StillairLocalView {
  // Size of this struct in bytes.
  size_t size;
  // Column of the first node relative to the reference point, px.
  double first_x_px;
  // Row of the first node relative to the reference point, px.
  double first_y_px;
  // Distance of neighbouring columns of nodes, px.
  double step_x_px;
  // Distance of neighbouring rows of nodes, px.
  double step_y_px;
  // Columns of nodes.
  size_t columns;
  // Rows of nodes.
  size_t rows;
  // Nodes of all frames.
  size_t count;
  // x, y of each node's shift, px.
  const float *shift_px;
  // xx, xy, yy of each shift's covariance, px^2; may be null.
  const float *covariance_px2;
  // Local grades; may be null.
  const float *grade;
  // Local weights; may be null.
  const float *weight;
} StillairLocalView;

// The globe's rotation.
typedef struct StillairSpinView {
  // Size of this struct in bytes.
  size_t size;
  // Column of the globe's centre relative to the reference point, px.
  double centre_x_px;
  // Row of the globe's centre relative to the reference point, px.
  double centre_y_px;
  // Equatorial radius, px.
  double equatorial_radius_px;
  // Polar over equatorial radius.
  double axis_ratio;
  // Planetocentric latitude of the observer, radians.
  double latitude_rad;
  // Direction of the north pole, clockwise from up, radians.
  double pole_rad;
  // Turn of the globe in each frame, radians.
  const double *turn_rad;
  // Frames.
  size_t turn_count;
  // Brightness of the disc from its centre to its limb, in equal steps; may be null.
  const float *profile;
  // Steps of the profile.
  size_t profile_count;
  // Share by which a parallel turns further, against the sine of the planetographic latitude from -1 to 1 in equal
  // steps; may be null. Since revision 4.
  const float *zonal;
  // Steps of the shares. Since revision 4.
  size_t zonal_count;
} StillairSpinView;

// The composed motion of one frame.
typedef struct StillairPlacementView {
  // Size of this struct in bytes.
  size_t size;
  // Number of the frame.
  size_t index;
  // Column of the reference point in the full frame, px.
  double x_px;
  // Row of the reference point in the full frame, px.
  double y_px;
  // Clockwise turn of the frame, radians.
  double rotation_rad;
  // Size in the frame over size in the picture.
  double scale;
  // x, y of red, green and blue, px.
  double channel_px[6];
  // Local layers, to be added.
  const struct StillairLocalView *const *local;
  // Number of local layers.
  size_t local_count;
  // The globe's rotation; may be null.
  const struct StillairSpinView *spin;
} StillairPlacementView;

// One frame and what belongs to it. A source gets the index and the window to read, without samples.
typedef struct StillairInputView {
  // Size of this struct in bytes.
  size_t size;
  // The frame.
  const struct StillairFrameView *frame;
  // Its place, if a motion is linked; may be null.
  const struct StillairPlacementView *placement;
  // Whether `row_number` has a row to look in.
  uint32_t has_row;
  // Zero.
  uint32_t reserved;
} StillairInputView;

// Size of a stream.
typedef struct StillairStreamView {
  // Size of this struct in bytes.
  size_t size;
  // Frames.
  size_t frames;
  // Columns.
  size_t width;
  // Rows.
  size_t height;
  // Planes.
  size_t planes;
} StillairStreamView;

// Upper bounds of the bytes that a node needs beside frame buffers.
typedef struct StillairMemoryView {
  // Size of this struct in bytes.
  size_t size;
  // Per worker.
  uint64_t worker;
  // Per item between `frame` and `add`.
  uint64_t item;
  // Once.
  uint64_t state;
} StillairMemoryView;

// A method. Every shape uses a subset; what it does not use may be null. A function that returns a status and fails
// says why by `fault` first. Nothing may unwind or jump out of a function.
typedef struct StillairMethodTable {
  // Size of this struct in bytes.
  size_t size;
  // Threading of `frame` and `window`.
  uint32_t threading;
  // Zero.
  uint32_t reserved;
  // The plugin's own.
  const void *data;
  // Gives the description as JSON by `put_text`.
  int32_t (*describe)(const struct StillairMethodTable *method, struct StillairCall *call);
  // Makes a node from parameters and facts.
  int32_t (*create)(const struct StillairMethodTable *method, struct StillairCall *call, void **node);
  // Ends a node, after all its runs.
  void (*destroy)(void *node);
  // Gets ready with what is finished: a source opens its paths, a transform only takes its values.
  int32_t (*start)(void *node, struct StillairCall *call, void **run);
  // Ends a run, after all its workers and items.
  void (*stop)(void *run);
  // Makes the working memory of one thread. Not for sources and sinks. May be null: workers are null then.
  int32_t (*worker)(void *run, struct StillairCall *call, void **worker);
  // Ends a worker.
  void (*drop_worker)(void *worker);
  // A map's wish for a window of frame `index`: x, y, width, height in `region`; all of it if left as it is.
  int32_t (*window)(void *run, struct StillairCall *call, size_t index, size_t *region);
  // Works on one frame: a source reads it, a map fills a `buffer`, a measure gives its row, a reduce gives an item,
  // a sink writes.
  int32_t (*frame)(void *run,
                   struct StillairCall *call,
                   void *worker,
                   const struct StillairInputView *input,
                   void **item);
  // Ends an item that was never added.
  void (*drop_item)(void *item);
  // A sink writes what comes before the frames.
  int32_t (*begin)(void *run, struct StillairCall *call);
  // A reduce takes over items, in the order of their frames. They are the plugin's from here, whatever the status.
  int32_t (*add)(void *run, struct StillairCall *call, const size_t *indices, void *const *items, size_t count);
  // Ends a sweep of a reduce (`again` set to 1 asks for another), the work of a transform, the file of a sink.
  int32_t (*finish)(void *run, struct StillairCall *call, uint32_t *again);
  // Name of a sink's file without its extension, by `put_text`.
  int32_t (*file_stem)(void *node, struct StillairCall *call);
  // Revision 2. Fills in the memory that is needed for a stream and, for a map, the stream that goes out at most.
  int32_t (*memory)(void *node,
                    const struct StillairStreamView *stream,
                    struct StillairMemoryView *memory,
                    struct StillairStreamView *output);
} StillairMethodTable;

// A plugin. Valid, and unchanged, to the end of the program.
typedef struct StillairPluginTable {
  // Size of this struct in bytes.
  size_t size;
  // Version of the boundary it was built for.
  uint32_t abi;
  // Revision it was built for.
  uint32_t revision;
  // Identity: letters, digits, `-` and `_`.
  struct StillairText id;
  // Its version.
  struct StillairText version;
  // Methods.
  const struct StillairMethodTable *const *methods;
  // Number of methods.
  size_t method_count;
  // An extension of that name; null if the plugin has none. May be null.
  const void *(*extension)(struct StillairText name);
} StillairPluginTable;

// A fact for the report.
typedef struct StillairEntryView {
  // Size of this struct in bytes.
  size_t size;
  // Kind of the entry.
  uint32_t kind;
  // Zero.
  uint32_t reserved;
  // Name, kebab case.
  struct StillairText name;
  // Unit of the number or verdict.
  struct StillairText unit;
  // The text; the help of a number; the words of a verdict.
  struct StillairText text;
  // The number.
  double value;
  // What a verdict holds it against.
  double threshold;
  // What x is, for a curve.
  struct StillairText x_label;
  // Unit of x.
  struct StillairText x_unit;
  // What y is.
  struct StillairText y_label;
  // Unit of y.
  struct StillairText y_unit;
  // Abscissae.
  const double *x;
  // Ordinates.
  const double *y;
  // Points.
  size_t count;
} StillairEntryView;

// A parameter or a session fact, filled in by the host.
typedef struct StillairSettingView {
  // Size of this struct in bytes; set by the asker.
  size_t size;
  // Kind of the setting.
  uint32_t kind;
  // Where a fact comes from: 0 command line, 1 session file, 2 header.
  uint32_t origin;
  // Name.
  struct StillairText name;
  // A whole number, or 0 or 1 for a flag.
  int64_t integer;
  // A number.
  double number;
  // A text.
  struct StillairText text;
  // Numbers.
  const double *numbers;
  // How many.
  size_t number_count;
} StillairSettingView;

// What is known of a clip.
typedef struct StillairClipView {
  // Size of this struct in bytes.
  size_t size;
  // Number of frames.
  size_t frames;
  // Columns.
  size_t width;
  // Rows.
  size_t height;
  // Layout.
  uint32_t layout;
  // Significant bits of a sample.
  uint32_t bits;
  // The stored number that becomes 1.0.
  double white_level;
  // Seconds of each frame from the first, NaN where unknown; `frames` long.
  const double *time_s;
  // UTC of the first frame, ns since 1970, if `has_start`.
  int64_t start_unix_ns;
  // Whether `start_unix_ns` is known.
  uint32_t has_start;
  // Where the times come from: 0 stamps, 1 a rate, 2 nowhere.
  uint32_t times;
  // Exposure in seconds, NaN if unknown.
  double exposure_s;
  // Names of header entries.
  const struct StillairText *header_names;
  // Values of header entries.
  const struct StillairText *header_values;
  // Number of header entries.
  size_t header_count;
  // Remarks of the reader.
  const struct StillairText *notes;
  // Number of remarks.
  size_t note_count;
  // Working memory of a reader per thread, bytes.
  uint64_t worker_bytes;
} StillairClipView;

// A column of a table.
typedef struct StillairColumnView {
  // Size of this struct in bytes.
  size_t size;
  // Name.
  struct StillairText name;
  // Unit, "" for a pure number.
  struct StillairText unit;
  // What it says.
  struct StillairText help;
  // The names of a category's values.
  const struct StillairText *categories;
  // Number of names; 0 for numbers.
  size_t category_count;
  // A value per row, NaN where missing.
  const double *data;
} StillairColumnView;

// A row per frame.
typedef struct StillairTableView {
  // Size of this struct in bytes.
  size_t size;
  // Rows.
  size_t rows;
  // Columns.
  const struct StillairColumnView *const *columns;
  // Number of columns.
  size_t column_count;
} StillairTableView;

// Where each frame belongs: any of four layers.
typedef struct StillairMotionView {
  // Size of this struct in bytes.
  size_t size;
  // x px, y px, rotation rad, scale of each frame; may be null.
  const double *global;
  // Frames of the global layer.
  size_t global_count;
  // x, y of red, green and blue, px: six numbers; may be null.
  const double *channel_px;
  // Local shifts; may be null.
  const struct StillairLocalView *local;
  // The globe's rotation; may be null.
  const struct StillairSpinView *spin;
} StillairMotionView;

// A planar linear picture and what is known of it.
typedef struct StillairImageView {
  // Size of this struct in bytes.
  size_t size;
  // Columns.
  size_t width;
  // Rows.
  size_t height;
  // Channels: 1 or 3.
  size_t channels;
  // Samples between one row and the next, in each of the planes below.
  size_t row_stride;
  // Samples between one channel and the next.
  size_t plane_stride;
  // Samples in white levels.
  const float *data;
  // Sum of weights of each sample; may be null.
  const float *weight;
  // First half-stack; null if there are none.
  const float *half_a;
  // Second half-stack; null if there are none.
  const float *half_b;
  // Scale, NaN if unknown.
  double arcsec_per_px;
  // Picture px per px of the capture.
  double px_per_capture_px;
  // Middle of the exposures, ns since 1970 UTC, if `has_middle`.
  int64_t middle_unix_ns;
  // Whether `middle_unix_ns` is known.
  uint32_t has_middle;
  // Whether the data came through a colour mosaic.
  uint32_t from_mosaic;
  // Sum of the exposures, s, NaN if unknown.
  double exposure_total_s;
  // Frames added.
  size_t frames_used;
  // Effective number of frames.
  double frames_effective;
  // Position of the reference point, px (x, y).
  double reference_px[2];
  // The limb: x px, y px, equatorial radius px, polar radius px, pole rad; null if unknown.
  const double *disc;
  // Effective wavelength of each channel, nm.
  const double *wavelength_nm;
  // Number of wavelengths; 0 if unknown.
  size_t wavelength_count;
  // Each step that changed the pixels, oldest first.
  const struct StillairText *history;
  // Number of steps.
  size_t history_count;
  // The globe as JSON; a null pointer if unknown.
  struct StillairText globe;
  // Beginning of the first exposure, ns since 1970 UTC, if `has_begin`.
  int64_t begin_unix_ns;
  // End of the last exposure, ns since 1970 UTC, if `has_end`.
  int64_t end_unix_ns;
  // Whether `begin_unix_ns` is known.
  uint32_t has_begin;
  // Whether `end_unix_ns` is known.
  uint32_t has_end;
  // Name of the filter of a picture of one channel; a null pointer if unknown.
  struct StillairText filter;
  // Whether a mosaic's samples went in as they were, with nothing interpolated between. Since revision 4.
  uint32_t mosaic_kept;
  // Whether parts of frames were shifted each on its own. Since revision 4.
  uint32_t parts_placed;
} StillairImageView;

// A finished value that is linked to a port, filled in by the host.
typedef struct StillairBoundView {
  // Size of this struct in bytes; set by the asker.
  size_t size;
  // Name of the port.
  struct StillairText port;
  // Kind of the value: says which of the pointers below is set.
  uint32_t kind;
  // Zero.
  uint32_t reserved;
  // A table.
  const struct StillairTableView *table;
  // A motion.
  const struct StillairMotionView *motion;
  // A picture.
  const struct StillairImageView *image;
  // A record.
  const struct StillairEntryView *const *entries;
  // Number of its entries.
  size_t entry_count;
} StillairBoundView;

// Samples that change hands: the receiver owns the memory, and gives it back by `release` or hands it on.
typedef struct StillairBufferView {
  // Size of this struct in bytes.
  size_t size;
  // The samples.
  float *data;
  // Number of samples, all of them written.
  size_t length;
  // Number of samples that there is room for.
  size_t capacity;
  // Frees the memory; may be called from any thread to the end of the program.
  void (*release)(float *data, size_t capacity);
} StillairBufferView;

// What the host offers. Valid from the call of `stillair_plugin` to the end of the program.
typedef struct StillairHost {
  // Size of this struct in bytes.
  size_t size;
  // Version of the boundary.
  uint32_t abi;
  // Revision.
  uint32_t revision;
  // Any call: says why it fails; the call then returns the same status. Message: what, where; remedy: what to do.
  void (*fault)(struct StillairCall *call,
                int32_t status,
                struct StillairText message,
                struct StillairText remedy);
  // Any call: whether the run was asked to stop; to be polled every 100 ms, then return STILLAIR_CANCELLED.
  uint32_t (*cancelled)(struct StillairCall *call);
  // Any call: runs `task(data, 0..count)` on the host's threads and returns when all are done.
  void (*parallel)(struct StillairCall *call, size_t count, void (*task)(void *data, size_t index), void *data);
  // Any call: writes a fact into the record.
  void (*record)(struct StillairCall *call, const struct StillairEntryView *entry);
  // Any call: says something odd to the user and the record.
  void (*warn)(struct StillairCall *call, struct StillairText message);
  // `describe`, `file_stem`: the answer.
  void (*put_text)(struct StillairCall *call, struct StillairText text);
  // `create`: parameter number `index` in the order of names; 0 past the last.
  uint32_t (*parameter_at)(struct StillairCall *call, size_t index, struct StillairSettingView *setting);
  // `create`: a number (whole numbers and flags too); 0 if there is none of that name or it is "auto".
  uint32_t (*parameter_number)(struct StillairCall *call, struct StillairText name, double *number);
  // `create`: a text; 0 if there is none of that name.
  uint32_t (*parameter_text)(struct StillairCall *call, struct StillairText name, struct StillairText *text);
  // `create`: session fact number `index` in the order of names; 0 past the last.
  uint32_t (*fact_at)(struct StillairCall *call, size_t index, struct StillairSettingView *setting);
  // `create`: a fact that is a number; 0 if it is not known.
  uint32_t (*fact_number)(struct StillairCall *call, struct StillairText name, double *number);
  // `start` of a source: path number `index`; 0 past the last.
  uint32_t (*path)(struct StillairCall *call, size_t index, struct StillairText *path);
  // `start`: the stream that comes in; null if none.
  const struct StillairClipView *(*clip)(struct StillairCall *call);
  // `start`: value number `index` linked to `port` (to any port if its length is 0); 0 past the last.
  uint32_t (*bound)(struct StillairCall *call,
                    struct StillairText port,
                    size_t index,
                    struct StillairBoundView *bound);
  // `start`: what recipe, capture and build determine, as JSON, to be written into results.
  struct StillairText (*provenance)(struct StillairCall *call);
  // `start` of a source or map: the stream that goes out.
  void (*put_clip)(struct StillairCall *call, const struct StillairClipView *clip);
  // `frame`, `window`: a column of the frame's row by its name; 0 if there is none.
  uint32_t (*row_number)(struct StillairCall *call, struct StillairText column, double *number);
  // `frame` of a source or map: a buffer for the frame; index, window and layout are read, the rest is filled in.
  // 0 if there is none.
  uint32_t (*buffer)(struct StillairCall *call, struct StillairFrameView *frame);
  // `frame` of a measure: a value for each column of the description. Of a source: one number, the bytes it read.
  void (*put_row)(struct StillairCall *call, const double *values, size_t count);
  // `frame` of a measure that gives a motion: the frame's place.
  void (*put_place)(struct StillairCall *call, double x_px, double y_px, double rotation_rad, double scale);
  // `finish`: output number `port` is this table.
  void (*put_table)(struct StillairCall *call, size_t port, const struct StillairTableView *table);
  // `finish`: output number `port` is this motion.
  void (*put_motion)(struct StillairCall *call, size_t port, const struct StillairMotionView *motion);
  // `finish`: output number `port` is this picture.
  void (*put_image)(struct StillairCall *call, size_t port, const struct StillairImageView *image);
  // `finish`: output number `port` is this record.
  void (*put_record)(struct StillairCall *call,
                     size_t port,
                     const struct StillairEntryView *const *entries,
                     size_t count);
  // `begin`, `frame`, `finish` of a sink: writes bytes; 0, or the system's error number, or -1.
  int32_t (*write)(struct StillairCall *call, const uint8_t *data, size_t count);
  // The same: moves to `offset` from the start (0), from here (1), from the end (2), and says where that is.
  int32_t (*seek)(struct StillairCall *call, int64_t offset, uint32_t from, uint64_t *position);
  // An extension of that name; null if the host has none.
  const void *(*extension)(struct StillairText name);
  // Revision 2. Any call: asks for memory beyond what `memory` declared; 0 if there is none left.
  uint32_t (*reserve)(struct StillairCall *call, uint64_t bytes);
  // Revision 3. `frame` of a source or map: hands over memory to fill with the frame, of any length, instead of
  // `buffer`. 0 if there is none.
  uint32_t (*take_samples)(struct StillairCall *call, struct StillairBufferView *samples);
  // Revision 3. The same: the frame is these samples without gaps, which are the host's from here, whatever it
  // answers; of `frame`, data and strides are not read. 0 if they are refused.
  uint32_t (*give_samples)(struct StillairCall *call,
                           const struct StillairFrameView *frame,
                           const struct StillairBufferView *samples);
} StillairHost;

#ifdef __cplusplus
extern "C"
#endif
#if defined(_WIN32)
__declspec(dllexport)
#elif defined(__GNUC__)
__attribute__((visibility("default")))
#endif
/// The one function that a plugin exports: gives its table, or null. The host outlives the plugin.
const StillairPluginTable *stillair_plugin(const StillairHost *host);
