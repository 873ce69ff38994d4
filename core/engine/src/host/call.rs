//! One call into a plugin, and the functions that the plugin may ask of the host while it lasts.

mod given;
mod lent;

use std::collections::BTreeMap;
use std::ffi::c_void;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Mutex, MutexGuard, PoisonError};

use stillair_api::abi::prefix::text;
use stillair_api::abi::raw::{self, Host, Text};
use stillair_api::abi::{kind_of, take, words_of};
use stillair_api::{ClipInfo, Context, Facts, Fault, Frame, GlobalRow, Outcome, OutputFile, Parameters, Value};

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
    parameter_at: Some(lent::parameter_at),
    parameter_number: Some(lent::parameter_number),
    parameter_text: Some(lent::parameter_text),
    fact_at: Some(lent::fact_at),
    fact_number: Some(lent::fact_number),
    path: Some(lent::path),
    clip: Some(lent::clip),
    bound: Some(lent::bound),
    provenance: Some(lent::provenance),
    put_clip: Some(given::put_clip),
    row_number: Some(lent::row_number),
    buffer: Some(given::buffer),
    put_row: Some(given::put_row),
    put_place: Some(given::put_place),
    put_table: Some(given::put_table),
    put_motion: Some(given::put_motion),
    put_image: Some(given::put_image),
    put_record: Some(given::put_record),
    write: Some(given::write),
    seek: Some(given::seek),
    extension: Some(extension),
    reserve: Some(reserve),
    take_samples: Some(given::take_samples),
    give_samples: Some(given::give_samples),
};
