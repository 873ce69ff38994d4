//! Reads structs and arrays that come over the boundary, as far as both sides know them.

use std::mem::{MaybeUninit, offset_of, size_of};

use super::raw;
use crate::{Fault, Outcome};

/// Far more than any struct of the boundary will ever have.
const MOST_BYTES: usize = 1 << 16;

/// A struct that begins with its size and grows at its end.
///
/// # Safety
/// The type is `repr(C)`, begins with `size: usize`, and all bytes zero is a valid value of it.
pub unsafe trait Grows: Copy {
    /// Bytes that it had in the first revision.
    const LEAST: usize;
}

macro_rules! grows {
    ($($type:ident: $least:expr),* $(,)?) => {
        // SAFETY: `repr(C)` structs of numbers, pointers, texts and optional functions, with `size` first.
        $(unsafe impl Grows for raw::$type { const LEAST: usize = $least; })*
    };
}

grows! {
    FrameView: size_of::<raw::FrameView>(),
    BufferView: size_of::<raw::BufferView>(),
    ClipView: size_of::<raw::ClipView>(),
    ColumnView: size_of::<raw::ColumnView>(),
    TableView: size_of::<raw::TableView>(),
    LocalView: size_of::<raw::LocalView>(),
    SpinView: offset_of!(raw::SpinView, profile),
    MotionView: size_of::<raw::MotionView>(),
    PlacementView: size_of::<raw::PlacementView>(),
    ImageView: offset_of!(raw::ImageView, globe),
    EntryView: size_of::<raw::EntryView>(),
    SettingView: size_of::<raw::SettingView>(),
    BoundView: size_of::<raw::BoundView>(),
    InputView: size_of::<raw::InputView>(),
    StreamView: size_of::<raw::StreamView>(),
    MemoryView: size_of::<raw::MemoryView>(),
    Host: offset_of!(raw::Host, reserve),
    MethodTable: offset_of!(raw::MethodTable, memory),
    PluginTable: size_of::<raw::PluginTable>(),
}

/// A struct of the boundary with every field zero but its size.
pub fn blank<T: Grows>() -> T {
    let mut whole = MaybeUninit::<T>::zeroed();
    // SAFETY: `Grows` promises that `size` comes first and that zeros are a valid value.
    unsafe {
        whole.as_mut_ptr().cast::<usize>().write(size_of::<T>());
        whole.assume_init()
    }
}

/// Reads as much of a struct as both sides know; the rest is zero.
///
/// # Errors
/// If the pointer is null or misaligned, or the struct is shorter than in the first revision.
///
/// # Safety
/// A pointer that is neither null nor misaligned points to a struct of the boundary whose `size` is true.
pub unsafe fn read<T: Grows>(pointer: *const T, what: &str) -> Outcome<T> {
    check(pointer, what)?;
    // SAFETY: the struct begins with its size.
    let size = unsafe { pointer.cast::<usize>().read() };
    if size < T::LEAST || size > MOST_BYTES {
        return Err(Fault::internal(format!("{what} says it has {size} bytes; at least {} are needed", T::LEAST)));
    }
    let mut whole = blank::<T>();
    let known = size.min(size_of::<T>());
    // SAFETY: both sides have at least `known` bytes, and any prefix over zeros is a valid value.
    unsafe { std::ptr::copy_nonoverlapping(pointer.cast::<u8>(), (&raw mut whole).cast::<u8>(), known) };
    Ok(whole)
}

/// Writes as much of a struct as the receiver knows; its `size` stays.
///
/// # Errors
/// If the pointer is null or misaligned, or the struct too short.
///
/// # Safety
/// As [`read`], and the struct may be written.
pub unsafe fn write<T: Grows>(pointer: *mut T, value: &T, what: &str) -> Outcome<()> {
    check(pointer.cast_const(), what)?;
    // SAFETY: the struct begins with its size.
    let size = unsafe { pointer.cast::<usize>().read() };
    if size < T::LEAST {
        return Err(Fault::internal(format!("{what} says it has {size} bytes; at least {} are needed", T::LEAST)));
    }
    let size = size.min(size_of::<T>());
    // SAFETY: both sides have `size` bytes; the first word is left as it is.
    unsafe {
        let skip = size_of::<usize>();
        std::ptr::copy_nonoverlapping(
            std::ptr::from_ref(value).cast::<u8>().add(skip),
            pointer.cast::<u8>().add(skip),
            size - skip,
        );
    }
    Ok(())
}

fn check<T>(pointer: *const T, what: &str) -> Outcome<()> {
    if pointer.is_null() {
        return Err(Fault::internal(format!("{what} is a null pointer")));
    }
    if !pointer.is_aligned() {
        return Err(Fault::internal(format!("{what} is misaligned")));
    }
    Ok(())
}

/// An array that comes over the boundary.
///
/// # Errors
/// If it is null or misaligned though it has elements, or larger than memory can be.
///
/// # Safety
/// A pointer that is neither points to `count` elements that live for `'a`.
pub unsafe fn slice<'a, T>(pointer: *const T, count: usize, what: &str) -> Outcome<&'a [T]> {
    if count == 0 {
        return Ok(&[]);
    }
    check(pointer, what)?;
    if count > isize::MAX as usize / size_of::<T>().max(1) {
        return Err(Fault::internal(format!("{what} has {count} elements")));
    }
    // SAFETY: not null, aligned, of a possible size; the caller vouches for the rest.
    Ok(unsafe { std::slice::from_raw_parts(pointer, count) })
}

/// A text that comes over the boundary.
///
/// # Errors
/// If it is not UTF-8, or null though it has bytes.
///
/// # Safety
/// As [`slice()`].
pub unsafe fn text<'a>(text: raw::Text, what: &str) -> Outcome<&'a str> {
    // SAFETY: as this function's.
    let bytes = unsafe { slice(text.data, text.length, what)? };
    std::str::from_utf8(bytes).map_err(|e| Fault::internal(format!("{what} is not UTF-8: {e}")))
}
