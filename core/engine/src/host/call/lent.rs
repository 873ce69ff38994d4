//! What the host tells a plugin in a call: settings, facts, what is bound, the frame's row.

use stillair_api::ParameterValue;
use stillair_api::abi::lend;
use stillair_api::abi::prefix::{self, text};
use stillair_api::abi::raw::{self, Text};

use super::{answer, of, put};

// SAFETY of every function below: it is reached through the table only, in a call in progress, with pointers that the
// plugin vouches for by the rules of the boundary.

pub(super) unsafe extern "C" fn parameter_at(
    call: *mut raw::Call,
    index: usize,
    setting: *mut raw::SettingView,
) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let Some((name, value)) = call.parameters.and_then(|p| p.0.iter().nth(index)) else { return Ok(0) };
            prefix::write(setting, &lend::parameter(name, value), "the setting")?;
            Ok(1)
        })
    }
}

pub(super) unsafe extern "C" fn parameter_number(call: *mut raw::Call, name: Text, number: *mut f64) -> u32 {
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

pub(super) unsafe extern "C" fn parameter_text(call: *mut raw::Call, name: Text, words: *mut Text) -> u32 {
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

pub(super) unsafe extern "C" fn fact_at(call: *mut raw::Call, index: usize, setting: *mut raw::SettingView) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| {
            let Some((name, fact)) = call.facts.and_then(|f| f.0.iter().nth(index)) else { return Ok(0) };
            prefix::write(setting, &lend::fact(name, fact), "the setting")?;
            Ok(1)
        })
    }
}

pub(super) unsafe extern "C" fn fact_number(call: *mut raw::Call, name: Text, number: *mut f64) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| match call.facts.and_then(|f| f.number(text(name, "a fact's name").ok()?)) {
            Some(value) => put(number, value, "a number"),
            None => Ok(0),
        })
    }
}

pub(super) unsafe extern "C" fn path(call: *mut raw::Call, index: usize, path: *mut Text) -> u32 {
    // SAFETY: see above.
    unsafe {
        answer(call, |call| match call.paths.get(index) {
            Some(name) => put(path, lend::text(name), "a path"),
            None => Ok(0),
        })
    }
}

pub(super) unsafe extern "C" fn clip(call: *mut raw::Call) -> *const raw::ClipView {
    // SAFETY: see above.
    unsafe { of(call) }.clip.unwrap_or(std::ptr::null())
}

pub(super) unsafe extern "C" fn bound(
    call: *mut raw::Call,
    port: Text,
    index: usize,
    bound: *mut raw::BoundView,
) -> u32 {
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

pub(super) unsafe extern "C" fn provenance(call: *mut raw::Call) -> Text {
    // SAFETY: see above.
    lend::text(unsafe { of(call) }.provenance)
}

pub(super) unsafe extern "C" fn row_number(call: *mut raw::Call, column: Text, number: *mut f64) -> u32 {
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
