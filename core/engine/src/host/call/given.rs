//! What a plugin gives the host in a call: streams, frames, rows, values, the bytes of a file.

use std::io::SeekFrom;

use stillair_api::abi::prefix::{self, slice};
use stillair_api::abi::raw;
use stillair_api::abi::{handed, lend, take};
use stillair_api::{Fault, Frame, GlobalRow, Region, Value};

use super::{answer, put};

/// Most samples of a frame that a plugin may ask for: 64 GB of them are a mistake.
const MOST_SAMPLES: usize = 1 << 34;

// SAFETY of every function below: it is reached through the table only, in a call in progress, with pointers that the
// plugin vouches for by the rules of the boundary.

pub(super) unsafe extern "C" fn put_clip(call: *mut raw::Call, clip: *const raw::ClipView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            call.state().clip = Some(take::clip(clip)?);
            Ok(())
        });
    }
}

pub(super) unsafe extern "C" fn buffer(call: *mut raw::Call, frame: *mut raw::FrameView) -> u32 {
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

pub(super) unsafe extern "C" fn take_samples(call: *mut raw::Call, samples: *mut raw::BufferView) -> u32 {
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

pub(super) unsafe extern "C" fn give_samples(
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

pub(super) unsafe extern "C" fn put_row(call: *mut raw::Call, values: *const f64, count: usize) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            call.state().row = slice(values, count, "a row")?.to_vec();
            Ok(())
        });
    }
}

pub(super) unsafe extern "C" fn put_place(call: *mut raw::Call, x_px: f64, y_px: f64, rotation_rad: f64, scale: f64) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            call.state().place = Some(GlobalRow { x_px, y_px, rotation_rad, scale });
            Ok(())
        });
    }
}

pub(super) unsafe extern "C" fn put_table(call: *mut raw::Call, port: usize, table: *const raw::TableView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let table = take::table(table)?;
            call.state().values.insert(port, Value::Table(table.into()));
            Ok(())
        });
    }
}

pub(super) unsafe extern "C" fn put_motion(call: *mut raw::Call, port: usize, motion: *const raw::MotionView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let motion = take::motion(motion)?;
            call.state().values.insert(port, Value::Motion(motion.into()));
            Ok(())
        });
    }
}

pub(super) unsafe extern "C" fn put_image(call: *mut raw::Call, port: usize, image: *const raw::ImageView) {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let image = take::image(image)?;
            call.state().values.insert(port, Value::Image(image.into()));
            Ok(())
        });
    }
}

pub(super) unsafe extern "C" fn put_record(
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

pub(super) unsafe extern "C" fn write(call: *mut raw::Call, data: *const u8, count: usize) -> i32 {
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

pub(super) unsafe extern "C" fn seek(call: *mut raw::Call, offset: i64, from: u32, position: *mut u64) -> i32 {
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
