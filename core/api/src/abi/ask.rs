//! The plugin's side: asks the host.

use std::any::Any;
use std::ffi::c_void;
use std::io::{self, Seek, SeekFrom, Write};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::path::PathBuf;
use std::sync::Mutex;

use super::lend::{self, Lender, text};
use super::prefix::blank;
use super::raw::{self, Call, Host};
use super::{handed, status_of, take};
use crate::{Bound, ClipInfo, Context, Entry, Facts, Fault, Frame, Outcome, Parameters, Record, Value};

/// A call of the host's into this plugin.
#[derive(Clone, Copy)]
pub(super) struct Asker {
    pub host: &'static Host,
    pub call: *mut Call,
}

// SAFETY: the host allows `cancelled`, `parallel`, `record`, `warn` and `reserve`, which are all that `Context` and so
// other threads reach, from any thread while the call lasts; writing a file is for one thread at a time.
unsafe impl Send for Asker {}
// SAFETY: as above.
unsafe impl Sync for Asker {}

/// Calls a function of the host's table if it has it.
macro_rules! ask {
    ($asker:expr, $name:ident($($argument:expr),*)) => {
        // SAFETY: the table is the host's, `call` is the call in progress, and pointers are good while it lasts.
        $asker.host.$name.map(|function| unsafe { function($asker.call, $($argument),*) })
    };
}

impl Asker {
    pub fn fault(&self, fault: &Fault) -> i32 {
        let status = status_of(fault.kind);
        ask!(self, fault(status, text(&fault.message), text(fault.remedy.as_deref().unwrap_or_default())));
        status
    }

    pub fn put_text(&self, words: &str) {
        ask!(self, put_text(text(words)));
    }

    pub fn parameters(&self) -> Outcome<Parameters> {
        let mut parameters = Parameters::default();
        let mut view = blank();
        while ask!(self, parameter_at(parameters.0.len(), &raw mut view)).unwrap_or(0) != 0 {
            // SAFETY: the host filled the view in for this call.
            let (name, value) = unsafe { take::parameter(&view)? };
            if parameters.0.insert(name, value).is_some() {
                return Err(Fault::internal("the host gave a parameter twice"));
            }
        }
        Ok(parameters)
    }

    pub fn facts(&self) -> Outcome<Facts> {
        let mut facts = Facts::default();
        let mut view = blank();
        while ask!(self, fact_at(facts.0.len(), &raw mut view)).unwrap_or(0) != 0 {
            // SAFETY: the host filled the view in for this call.
            let (name, fact) = unsafe { take::fact(&view)? };
            if facts.0.insert(name, fact).is_some() {
                return Err(Fault::internal("the host gave a fact twice"));
            }
        }
        Ok(facts)
    }

    pub fn paths(&self) -> Outcome<Vec<PathBuf>> {
        let mut paths = Vec::new();
        let mut path = text("");
        while ask!(self, path(paths.len(), &raw mut path)).unwrap_or(0) != 0 {
            // SAFETY: the host filled the text in for this call.
            paths.push(unsafe { super::prefix::text(path, "a path")? }.into());
        }
        Ok(paths)
    }

    pub fn clip(&self) -> Outcome<Option<ClipInfo>> {
        let view = ask!(self, clip()).unwrap_or(std::ptr::null());
        if view.is_null() {
            return Ok(None);
        }
        // SAFETY: the host's view, good while the call lasts.
        unsafe { take::clip(view).map(|(info, _)| Some(info)) }
    }

    pub fn needed_clip(&self) -> Outcome<ClipInfo> {
        self.clip()?.ok_or_else(|| Fault::internal("the host gave no stream"))
    }

    /// Copies what is bound, with the addresses of layers for later look-ups.
    pub fn bound(&self) -> Outcome<(Bound, Vec<(raw::MotionView, Value)>)> {
        let mut bound = Bound::default();
        let mut motions = Vec::new();
        let mut view = blank::<raw::BoundView>();
        let mut index = 0;
        while ask!(self, bound(text(""), index, &raw mut view)).unwrap_or(0) != 0 {
            // SAFETY: the host filled the view in for this call.
            let (port, value) = unsafe { take::bound(&view)? };
            if view.kind == raw::STILLAIR_MOTION {
                // SAFETY: `take` has just read it.
                motions.push((unsafe { super::prefix::read(view.motion, "a motion")? }, value.clone()));
            }
            bound = bound.with(&port, value);
            index += 1;
        }
        if let Some(words) = ask!(self, provenance()) {
            // SAFETY: the host's text, good while the call lasts.
            bound.provenance = unsafe { super::prefix::text(words, "the provenance")? }.into();
        }
        Ok((bound, motions))
    }

    pub fn put_clip(&self, info: &ClipInfo, worker_bytes: u64) {
        let mut lender = Lender::default();
        ask!(self, put_clip(lender.clip(info, worker_bytes)));
    }

    pub fn row_number(&self, column: &str) -> Option<f64> {
        let mut number = f64::NAN;
        let found = ask!(self, row_number(text(column), &raw mut number)).unwrap_or(0);
        (found != 0).then_some(number)
    }

    pub fn put_row(&self, values: &[f64]) {
        ask!(self, put_row(values.as_ptr(), values.len()));
    }

    pub fn put_place(&self, place: crate::GlobalRow) {
        ask!(self, put_place(place.x_px, place.y_px, place.rotation_rad, place.scale));
    }

    /// Gets the host's memory for a frame into `frame`, where the host lets memory change hands.
    pub fn take_samples(&self, frame: &mut Frame) -> Outcome<()> {
        let mut view = blank::<raw::BufferView>();
        if ask!(self, take_samples(&raw mut view)).unwrap_or(0) != 0 {
            // SAFETY: the host hands this memory over.
            frame.data = unsafe { handed::take(&view)? };
        }
        Ok(())
    }

    /// Hands a frame to the host: its memory where the host takes it, else a copy in a buffer of the host's.
    pub fn put_frame(&self, frame: &mut Frame) -> Outcome<()> {
        let wrong = || Fault::internal("the frame has not the samples that its shape needs");
        let (area, planes) = (frame.region.area(), frame.layout.planes());
        if frame.data.len() != area * planes {
            return Err(wrong());
        }
        let mut view = raw::FrameView { data: std::ptr::null_mut(), ..lend::frame(frame) };
        if self.host.give_samples.is_some() {
            let samples = handed::give(std::mem::take(&mut frame.data));
            return match ask!(self, give_samples(&raw const view, &raw const samples)) {
                Some(1) => Ok(()),
                _ => Err(Fault::internal("the host did not take a frame")),
            };
        }
        if ask!(self, buffer(&raw mut view)).unwrap_or(0) == 0 {
            return Err(Fault::internal("the host gave no buffer for a frame"));
        }
        if area == 0 {
            return Ok(());
        }
        let width = frame.region.width;
        if view.row_stride == width && (planes == 1 || view.plane_stride == area) {
            // SAFETY: the host's buffer has this shape without gaps, and is nobody else's during the call.
            unsafe { std::ptr::copy_nonoverlapping(frame.data.as_ptr(), view.data, frame.data.len()) };
            return Ok(());
        }
        for (number, row) in frame.data.chunks_exact(width).enumerate() {
            let (plane, y) = (number / frame.region.height, number % frame.region.height);
            // SAFETY: the host's buffer has this shape with these strides, and is nobody else's during the call.
            unsafe {
                let to = view.data.add(plane * view.plane_stride + y * view.row_stride);
                std::ptr::copy_nonoverlapping(row.as_ptr(), to, width);
            }
        }
        Ok(())
    }

    pub fn put_values(&self, values: &[Value]) {
        for (port, value) in values.iter().enumerate() {
            let mut lender = Lender::default();
            match value {
                Value::Table(table) => ask!(self, put_table(port, lender.table(table))),
                Value::Motion(motion) => ask!(self, put_motion(port, lender.motion(motion))),
                Value::Image(image) => ask!(self, put_image(port, lender.image(image))),
                Value::Record(record) => {
                    let Record { entries } = &**record;
                    ask!(self, put_record(port, lender.entries(entries), entries.len()))
                }
            };
        }
    }
}

/// Tasks of one `parallel`, and the first panic among them.
struct Tasks<'a> {
    task: &'a (dyn Fn(usize) + Sync),
    panic: Mutex<Option<Box<dyn Any + Send>>>,
}

/// # Safety
/// `data` is the [`Tasks`] of a `parallel` in progress.
unsafe extern "C" fn one_task(data: *mut c_void, index: usize) {
    // SAFETY: as this function's.
    let tasks = unsafe { &*data.cast::<Tasks<'_>>() };
    if let Err(panic) = catch_unwind(AssertUnwindSafe(|| (tasks.task)(index)))
        && let Ok(mut first) = tasks.panic.lock()
    {
        first.get_or_insert(panic);
    }
}

impl Context for Asker {
    fn cancelled(&self) -> bool {
        ask!(self, cancelled()).unwrap_or(0) != 0
    }

    fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync)) {
        let tasks = Tasks { task, panic: Mutex::default() };
        let data = (&raw const tasks).cast_mut().cast();
        if ask!(self, parallel(n, Some(one_task), data)).is_none() {
            (0..n).for_each(task);
        }
        if let Some(panic) = tasks.panic.into_inner().unwrap_or_default() {
            resume_unwind(panic);
        }
    }

    fn record(&self, entry: Entry) {
        let mut lender = Lender::default();
        ask!(self, record(lender.entry(&entry)));
    }

    fn warn(&self, message: &str) {
        ask!(self, warn(text(message)));
    }

    fn reserve(&self, bytes: u64) -> bool {
        ask!(self, reserve(bytes)).unwrap_or(0) != 0
    }
}

/// The file of a sink.
pub(super) struct HostFile(pub Asker);

fn io_result(status: i32) -> io::Result<()> {
    match status {
        0 => Ok(()),
        number if number > 0 => Err(io::Error::from_raw_os_error(number)),
        _ => Err(io::Error::other("the host cannot write the file")),
    }
}

impl Write for HostFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        io_result(ask!(self.0, write(bytes.as_ptr(), bytes.len())).unwrap_or(-1))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Seek for HostFile {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let (offset, from) = match to {
            SeekFrom::Start(offset) => (i64::try_from(offset).map_err(io::Error::other)?, 0),
            SeekFrom::Current(offset) => (offset, 1),
            SeekFrom::End(offset) => (offset, 2),
        };
        let mut position = 0;
        io_result(ask!(self.0, seek(offset, from, &raw mut position)).unwrap_or(-1))?;
        Ok(position)
    }
}
