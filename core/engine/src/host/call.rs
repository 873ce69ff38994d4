//! One call into a plugin, and the functions that the plugin may ask of the host while it lasts.

use std::collections::BTreeMap;
use std::ffi::c_void;
use std::io::SeekFrom;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Mutex, MutexGuard, PoisonError};

use stillair_api::abi::prefix::{self, slice, text};
use stillair_api::abi::raw::{self, Host, Text};
use stillair_api::abi::{handed, kind_of, lend, take, words_of};
use stillair_api::{
    ClipInfo, Context, Facts, Fault, Frame, GlobalRow, Outcome, OutputFile, ParameterValue, Parameters, Region, Value,
};

/// Most samples of a frame that a plugin may ask for: 64 GB of them are a mistake.
const MOST_SAMPLES: usize = 1 << 34;

/// Looks a column of the frame's row up.
type RowLookup<'c> = dyn Fn(&str) -> Option<f64> + 'c;

/// What a call lends the plugin.
#[derive(Default)]
pub(super) struct Call<'c, 's> {
    pub context: Option<&'c dyn Context>,
    /// Finds a column of the frame's row.
    pub row: Option<&'c RowLookup<'c>>,
    pub parameters: Option<&'c Parameters>,
    pub facts: Option<&'c Facts>,
    pub paths: &'c [String],
    pub clip: Option<*const raw::ClipView>,
    pub bound: &'c [raw::BoundView],
    pub provenance: &'c str,
    pub state: Mutex<State<'s>>,
}

/// What the plugin says in a call.
#[derive(Default)]
pub(super) struct State<'s> {
    /// What it says has failed.
    pub said: Option<Fault>,
    /// What is wrong with what it gave.
    pub broken: Option<Fault>,
    pub text: Option<String>,
    pub clip: Option<(ClipInfo, u64)>,
    pub buffer: Option<&'s mut Frame>,
    pub filled: bool,
    pub row: Vec<f64>,
    pub place: Option<GlobalRow>,
    pub values: BTreeMap<usize, Value>,
    pub file: Option<&'s mut (dyn OutputFile + 's)>,
}

impl<'s> Call<'_, 's> {
    /// The call as the plugin gets it.
    pub fn handle(&self) -> *mut raw::Call {
        std::ptr::from_ref(self).cast_mut().cast()
    }

    fn state(&self) -> MutexGuard<'_, State<'s>> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the plugin said, or why the call failed.
    pub fn end(self, status: i32) -> Outcome<State<'s>> {
        let mut state = self.state.into_inner().unwrap_or_else(PoisonError::into_inner);
        if let Some(fault) = state.broken.take() {
            return Err(fault);
        }
        if status == raw::STILLAIR_DONE {
            return Ok(state);
        }
        let kind = kind_of(status);
        Err(match state.said.take() {
            Some(fault) => Fault { kind, ..fault },
            None => Fault::new(kind, format!("the plugin failed with status {status} and did not say why")),
        })
    }
}

/// # Safety
/// `call` is the handle of a call in progress.
unsafe fn of<'c, 's>(call: *mut raw::Call) -> &'c Call<'c, 's> {
    // SAFETY: as this function's.
    unsafe { &*call.cast::<Call<'c, 's>>() }
}

/// Runs the inside of a host function: nothing unwinds into the plugin, and what is wrong ends the call as a fault.
///
/// # Safety
/// As [`of`].
unsafe fn answer<'c, 's: 'c, T: Default>(call: *mut raw::Call, work: impl FnOnce(&'c Call<'c, 's>) -> Outcome<T>) -> T {
    // SAFETY: as this function's.
    let call = unsafe { of(call) };
    let fault = match catch_unwind(AssertUnwindSafe(|| work(call))) {
        Ok(Ok(value)) => return value,
        Ok(Err(fault)) => fault.at("the plugin gave something broken"),
        Err(panic) => Fault::internal(format!("the host panicked: {}", words_of(&*panic))),
    };
    call.state().broken.get_or_insert(fault);
    T::default()
}

/// # Safety
/// `slot` is null or may be written.
unsafe fn put<T>(slot: *mut T, value: T, what: &str) -> Outcome<u32> {
    if slot.is_null() {
        return Err(Fault::internal(format!("no place for {what}")));
    }
    // SAFETY: as this function's.
    unsafe { slot.write(value) };
    Ok(1)
}

// SAFETY of every function below: it is reached through the table only, in a call in progress, with pointers that the
// plugin vouches for by the rules of the boundary.

unsafe extern "C" fn fault(call: *mut raw::Call, status: i32, message: Text, remedy: Text) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let mut said = Fault::new(kind_of(status), text(message, "an error's message")?);
            let remedy = text(remedy, "an error's remedy")?;
            if !remedy.is_empty() {
                said = said.remedy(remedy);
            }
            call.state().said = Some(said);
            Ok(())
        });
    }
}

unsafe extern "C" fn cancelled(call: *mut raw::Call) -> u32 {
    // SAFETY: see above.
    unsafe { answer(call, |call| Ok(call.context.is_some_and(Context::cancelled).into())) }
}

/// A pointer that the plugin lets its tasks share.
struct Shared(*mut c_void);
// SAFETY: `parallel` says that the task runs on several threads at once with this pointer.
unsafe impl Sync for Shared {}

impl Shared {
    fn pointer(&self) -> *mut c_void {
        self.0
    }
}

unsafe extern "C" fn parallel(
    call: *mut raw::Call,
    count: usize,
    task: Option<unsafe extern "C" fn(*mut c_void, usize)>,
    data: *mut c_void,
) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let task = task.ok_or_else(|| Fault::internal("no task"))?;
            let data = Shared(data);
            let one = |index: usize| task(data.pointer(), index);
            match call.context {
                Some(context) => context.parallel(count, &one),
                None => (0..count).for_each(one),
            }
            Ok(())
        });
    }
}

unsafe extern "C" fn record(call: *mut raw::Call, entry: *const raw::EntryView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let entry = take::entry(entry)?;
            if let Some(context) = call.context {
                context.record(entry);
            }
            Ok(())
        });
    }
}

unsafe extern "C" fn warn(call: *mut raw::Call, message: Text) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let message = text(message, "a warning")?;
            if let Some(context) = call.context {
                context.warn(message);
            }
            Ok(())
        });
    }
}

unsafe extern "C" fn reserve(call: *mut raw::Call, bytes: u64) -> u32 {
    // SAFETY: see above.
    unsafe { answer(call, |call| Ok(call.context.is_some_and(|c| c.reserve(bytes)).into())) }
}

unsafe extern "C" fn put_text(call: *mut raw::Call, words: Text) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            call.state().text = Some(text(words, "a text")?.into());
            Ok(())
        });
    }
}

unsafe extern "C" fn parameter_at(call: *mut raw::Call, index: usize, setting: *mut raw::SettingView) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let Some((name, value)) = call.parameters.and_then(|p| p.0.iter().nth(index)) else { return Ok(0) };
            prefix::write(setting, &lend::parameter(name, value), "the setting")?;
            Ok(1)
        })
    }
}

unsafe extern "C" fn parameter_number(call: *mut raw::Call, name: Text, number: *mut f64) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let name = text(name, "a parameter's name")?;
            let value = match call.parameters.and_then(|p| p.0.get(name)) {
                Some(ParameterValue::Number(value)) => *value,
                Some(ParameterValue::Integer(value)) => *value as f64,
                Some(ParameterValue::Flag(value)) => f64::from(u8::from(*value)),
                _ => return Ok(0),
            };
            put(number, value, "a number")
        })
    }
}

unsafe extern "C" fn parameter_text(call: *mut raw::Call, name: Text, words: *mut Text) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let name = text(name, "a parameter's name")?;
            match call.parameters.and_then(|p| p.0.get(name)) {
                Some(ParameterValue::Text(value)) => put(words, lend::text(value), "a text"),
                _ => Ok(0),
            }
        })
    }
}

unsafe extern "C" fn fact_at(call: *mut raw::Call, index: usize, setting: *mut raw::SettingView) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let Some((name, fact)) = call.facts.and_then(|f| f.0.iter().nth(index)) else { return Ok(0) };
            prefix::write(setting, &lend::fact(name, fact), "the setting")?;
            Ok(1)
        })
    }
}

unsafe extern "C" fn fact_number(call: *mut raw::Call, name: Text, number: *mut f64) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| match call.facts.and_then(|f| f.number(text(name, "a fact's name").ok()?)) {
            Some(value) => put(number, value, "a number"),
            None => Ok(0),
        })
    }
}

unsafe extern "C" fn path(call: *mut raw::Call, index: usize, path: *mut Text) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| match call.paths.get(index) {
            Some(name) => put(path, lend::text(name), "a path"),
            None => Ok(0),
        })
    }
}

unsafe extern "C" fn clip(call: *mut raw::Call) -> *const raw::ClipView {
    // SAFETY: see above.
    unsafe { of(call) }.clip.unwrap_or(std::ptr::null())
}

unsafe extern "C" fn bound(call: *mut raw::Call, port: Text, index: usize, bound: *mut raw::BoundView) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let port = text(port, "a port's name")?;
            let found = |view: &&raw::BoundView| port.is_empty() || text(view.port, "a port").is_ok_and(|p| p == port);
            let Some(view) = call.bound.iter().filter(found).nth(index) else { return Ok(0) };
            prefix::write(bound, view, "the bound value")?;
            Ok(1)
        })
    }
}

unsafe extern "C" fn provenance(call: *mut raw::Call) -> Text {
    // SAFETY: see above.
    lend::text(unsafe { of(call) }.provenance)
}

unsafe extern "C" fn put_clip(call: *mut raw::Call, clip: *const raw::ClipView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            call.state().clip = Some(take::clip(clip)?);
            Ok(())
        });
    }
}

unsafe extern "C" fn row_number(call: *mut raw::Call, column: Text, number: *mut f64) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let column = text(column, "a column's name")?;
            match call.row.and_then(|row| row(column)) {
                Some(value) => put(number, value, "a number"),
                None => Ok(0),
            }
        })
    }
}

unsafe extern "C" fn buffer(call: *mut raw::Call, frame: *mut raw::FrameView) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let view = prefix::read(frame, "the frame")?;
            let layout = take::layout(view.layout)?;
            let samples = view.width.checked_mul(view.height).and_then(|a| a.checked_mul(layout.planes()));
            if samples.is_none_or(|n| n > MOST_SAMPLES) {
                return Err(Fault::internal(format!("a frame of {}x{} px is too large", view.width, view.height)));
            }
            let mut state = call.state();
            let Some(out) = state.buffer.as_mut() else { return Ok(0) };
            let samples = samples.unwrap_or_default();
            if out.data.try_resize(samples).is_err() {
                return Err(Fault::resource(format!("no memory for a frame of {samples} samples")));
            }
            let region = Region { x: view.x, y: view.y, width: view.width, height: view.height };
            out.reshape(view.index, region, layout);
            let filled = raw::FrameView { data: out.data.as_mut_ptr(), size: view.size, ..lend::frame(out) };
            state.filled = true;
            prefix::write(frame, &filled, "the frame")?;
            Ok(1)
        })
    }
}

unsafe extern "C" fn take_samples(call: *mut raw::Call, samples: *mut raw::BufferView) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let mut state = call.state();
            let Some(out) = state.buffer.as_mut() else { return Ok(0) };
            // Nothing is handed over that the plugin has no place for.
            prefix::read(samples, "the samples")?;
            let view = handed::give(std::mem::take(&mut out.data));
            prefix::write(samples, &view, "the samples")?;
            Ok(1)
        })
    }
}

unsafe extern "C" fn give_samples(
    call: *mut raw::Call,
    frame: *const raw::FrameView,
    samples: *const raw::BufferView,
) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let samples = handed::take(&prefix::read(samples, "the samples")?)?;
            let view = prefix::read(frame, "the frame")?;
            let layout = take::layout(view.layout)?;
            let wanted = view.width.checked_mul(view.height).and_then(|a| a.checked_mul(layout.planes()));
            if wanted != Some(samples.len()) {
                let words = format!("a frame of {}x{} px with {} samples", view.width, view.height, samples.len());
                return Err(Fault::internal(words));
            }
            let mut state = call.state();
            let Some(out) = state.buffer.as_mut() else { return Ok(0) };
            let region = Region { x: view.x, y: view.y, width: view.width, height: view.height };
            **out = Frame { index: view.index, region, layout, data: samples };
            state.filled = true;
            Ok(1)
        })
    }
}

unsafe extern "C" fn put_row(call: *mut raw::Call, values: *const f64, count: usize) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            call.state().row = slice(values, count, "a row")?.to_vec();
            Ok(())
        });
    }
}

unsafe extern "C" fn put_place(call: *mut raw::Call, x_px: f64, y_px: f64, rotation_rad: f64, scale: f64) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            call.state().place = Some(GlobalRow { x_px, y_px, rotation_rad, scale });
            Ok(())
        });
    }
}

unsafe extern "C" fn put_table(call: *mut raw::Call, port: usize, table: *const raw::TableView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let table = take::table(table)?;
            call.state().values.insert(port, Value::Table(table.into()));
            Ok(())
        });
    }
}

unsafe extern "C" fn put_motion(call: *mut raw::Call, port: usize, motion: *const raw::MotionView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let motion = take::motion(motion)?;
            call.state().values.insert(port, Value::Motion(motion.into()));
            Ok(())
        });
    }
}

unsafe extern "C" fn put_image(call: *mut raw::Call, port: usize, image: *const raw::ImageView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let image = take::image(image)?;
            call.state().values.insert(port, Value::Image(image.into()));
            Ok(())
        });
    }
}

unsafe extern "C" fn put_record(
    call: *mut raw::Call,
    port: usize,
    entries: *const *const raw::EntryView,
    count: usize,
) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let record = take::record(entries, count)?;
            call.state().values.insert(port, Value::Record(record.into()));
            Ok(())
        });
    }
}

fn number_of(error: &std::io::Error) -> i32 {
    error.raw_os_error().filter(|n| *n > 0).unwrap_or(-1)
}

unsafe extern "C" fn write(call: *mut raw::Call, data: *const u8, count: usize) -> i32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let bytes = slice(data, count, "bytes to be written")?;
            let mut state = call.state();
            let Some(file) = state.file.as_mut() else { return Ok(-1) };
            Ok(file.write_all(bytes).map_or_else(|e| number_of(&e), |()| 0))
        })
    }
}

unsafe extern "C" fn seek(call: *mut raw::Call, offset: i64, from: u32, position: *mut u64) -> i32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let to = match from {
                0 => SeekFrom::Start(u64::try_from(offset).map_err(|_| Fault::internal("a negative offset"))?),
                1 => SeekFrom::Current(offset),
                2 => SeekFrom::End(offset),
                other => return Err(Fault::internal(format!("there is no place {other} to seek from"))),
            };
            let mut state = call.state();
            let Some(file) = state.file.as_mut() else { return Ok(-1) };
            match file.seek(to) {
                Ok(_) if position.is_null() => Ok(0),
                Ok(at) => put(position, at, "the position").map(|_| 0),
                Err(error) => Ok(number_of(&error)),
            }
        })
    }
}

unsafe extern "C" fn extension(_name: Text) -> *const c_void {
    std::ptr::null()
}

/// What this host offers.
pub static HOST: Host = Host {
    size: size_of::<Host>(),
    abi: raw::STILLAIR_ABI,
    revision: raw::STILLAIR_REVISION,
    fault: Some(fault),
    cancelled: Some(cancelled),
    parallel: Some(parallel),
    record: Some(record),
    warn: Some(warn),
    put_text: Some(put_text),
    parameter_at: Some(parameter_at),
    parameter_number: Some(parameter_number),
    parameter_text: Some(parameter_text),
    fact_at: Some(fact_at),
    fact_number: Some(fact_number),
    path: Some(path),
    clip: Some(clip),
    bound: Some(bound),
    provenance: Some(provenance),
    put_clip: Some(put_clip),
    row_number: Some(row_number),
    buffer: Some(buffer),
    put_row: Some(put_row),
    put_place: Some(put_place),
    put_table: Some(put_table),
    put_motion: Some(put_motion),
    put_image: Some(put_image),
    put_record: Some(put_record),
    write: Some(write),
    seek: Some(seek),
    extension: Some(extension),
    reserve: Some(reserve),
    take_samples: Some(take_samples),
    give_samples: Some(give_samples),
};
