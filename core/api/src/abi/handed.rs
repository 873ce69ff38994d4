//! Samples whose memory changes hands: whoever allocated it brings the function that frees it, so that a frame crosses
//! the boundary without a copy and nothing is freed on the other side.

use std::mem::ManuallyDrop;
use std::ops::{Deref, DerefMut};
use std::ptr::NonNull;

use super::prefix::blank;
use super::raw::BufferView;
use crate::{Fault, Outcome, Samples};

/// Frees memory of the side that brings it.
type Release = unsafe extern "C" fn(data: *mut f32, capacity: usize);

/// Memory for samples, owned, with the function that frees it.
pub(crate) struct Handed {
    data: NonNull<f32>,
    length: usize,
    capacity: usize,
    release: Release,
}

// SAFETY: the memory has this one owner, and the boundary lets `release` be called from any thread.
unsafe impl Send for Handed {}
// SAFETY: shared, it is only read.
unsafe impl Sync for Handed {}

/// Frees a vector of this side's.
unsafe extern "C" fn release_own(data: *mut f32, capacity: usize) {
    // SAFETY: data and capacity are those of a vector that was taken apart by `From<Vec<f32>>`, given back once.
    drop(unsafe { Vec::from_raw_parts(data, 0, capacity) });
}

unsafe extern "C" fn release_nothing(_data: *mut f32, _capacity: usize) {}

impl Handed {
    /// Samples that stay the other side's: read, never freed.
    ///
    /// # Safety
    /// The samples live, and are not changed, for as long as this does, which is reached by shared reference only.
    pub(super) unsafe fn lent(samples: &[f32]) -> Self {
        let (length, data) = (samples.len(), NonNull::from(samples).cast());
        Self { data, length, capacity: length, release: release_nothing }
    }

    /// Room for samples.
    pub(crate) fn capacity(&self) -> usize {
        self.capacity
    }

    /// Changes the number of samples, within the capacity.
    pub(crate) fn resize(&mut self, length: usize, value: f32) {
        let length = length.min(self.capacity);
        for index in self.length..length {
            // SAFETY: below the capacity.
            unsafe { self.data.add(index).write(value) };
        }
        self.length = length;
    }
}

impl From<Vec<f32>> for Handed {
    fn from(own: Vec<f32>) -> Self {
        let mut own = ManuallyDrop::new(own);
        let data = NonNull::from(own.as_mut_slice()).cast();
        Self { data, length: own.len(), capacity: own.capacity(), release: release_own }
    }
}

impl Deref for Handed {
    type Target = [f32];

    fn deref(&self) -> &[f32] {
        // SAFETY: the first `length` samples are there and have this one owner.
        unsafe { std::slice::from_raw_parts(self.data.as_ptr(), self.length) }
    }
}

impl DerefMut for Handed {
    fn deref_mut(&mut self) -> &mut [f32] {
        // SAFETY: as above; lent samples are never reached by unique reference.
        unsafe { std::slice::from_raw_parts_mut(self.data.as_ptr(), self.length) }
    }
}

impl Drop for Handed {
    fn drop(&mut self) {
        // SAFETY: this is the one owner, and gives the memory back once to whom it came from.
        unsafe { (self.release)(self.data.as_ptr(), self.capacity) };
    }
}

/// Hands samples over: the receiver owns the memory.
pub fn give(samples: Samples) -> BufferView {
    let handed = ManuallyDrop::new(samples.into_handed());
    BufferView {
        data: handed.data.as_ptr(),
        length: handed.length,
        capacity: handed.capacity,
        release: Some(handed.release),
        ..blank()
    }
}

/// Takes samples over.
///
/// # Errors
/// If the view is broken; what it holds is not freed then, since nobody can tell what it is.
///
/// # Safety
/// The memory is as the view says, from here on this side's, and of no other owner.
pub unsafe fn take(view: &BufferView) -> Outcome<Samples> {
    let broken = |what: &str| Fault::internal(format!("a buffer {what}"));
    let data = NonNull::new(view.data).ok_or_else(|| broken("is a null pointer"))?;
    let release = view.release.ok_or_else(|| broken("cannot be given back"))?;
    if !data.is_aligned() {
        return Err(broken("is misaligned"));
    }
    if view.length > view.capacity || view.capacity > isize::MAX as usize / size_of::<f32>() {
        return Err(broken("is longer than it can be"));
    }
    // A function of this side's own stands for memory of this side's own: it becomes a vector again.
    if std::ptr::fn_addr_eq(release, release_own as Release) {
        // SAFETY: as this function's; it was a vector of this side's.
        return Ok(unsafe { Vec::from_raw_parts(data.as_ptr(), view.length, view.capacity) }.into());
    }
    Ok(Samples::handed(Handed { data, length: view.length, capacity: view.capacity, release }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    thread_local! {
        static GIVEN_BACK: Cell<usize> = const { Cell::new(0) };
    }

    /// Memory of another side's, which counts what comes back.
    unsafe extern "C" fn release_counted(data: *mut f32, capacity: usize) {
        GIVEN_BACK.set(GIVEN_BACK.get() + 1);
        // SAFETY: the test's vector.
        drop(unsafe { Vec::from_raw_parts(data, 0, capacity) });
    }

    fn foreign(samples: &[f32], capacity: usize) -> BufferView {
        let mut own = Vec::with_capacity(capacity);
        own.extend_from_slice(samples);
        BufferView { release: Some(release_counted), ..give(own.into()) }
    }

    #[test]
    fn memory_goes_back_once_to_where_it_came_from() {
        let view = foreign(&[1.0, 2.0], 4);
        // SAFETY: made a moment ago.
        let mut samples = unsafe { take(&view) }.unwrap();
        samples.resize(4, 3.0);
        assert_eq!(&*samples, [1.0, 2.0, 3.0, 3.0]);
        assert_eq!(samples.as_ptr(), view.data.cast_const(), "it was copied");
        // Over and back, as between two plugins.
        let view = give(samples);
        // SAFETY: handed over here.
        let mut samples = unsafe { take(&view) }.unwrap();
        let copy = samples.clone();
        assert_eq!(GIVEN_BACK.get(), 0);
        samples.resize(5, 4.0);
        assert_eq!(GIVEN_BACK.get(), 1, "too small, it gives way");
        assert_eq!(&*samples, [1.0, 2.0, 3.0, 3.0, 4.0]);
        assert_eq!(copy.len(), 4);
        drop((samples, copy));
        assert_eq!(GIVEN_BACK.get(), 1);
    }

    #[test]
    fn a_vector_comes_back_as_the_same_vector() {
        let own: Samples = vec![1.0, 2.0, 3.0].into();
        let at = own.as_ptr();
        let view = give(own);
        // SAFETY: handed over here.
        let back = unsafe { take(&view) }.unwrap();
        assert_eq!((back.as_ptr(), &*back), (at, [1.0, 2.0, 3.0].as_slice()));
    }

    #[test]
    fn broken_buffers_are_refused() {
        let view = foreign(&[1.0], 1);
        let broken = [
            BufferView { data: std::ptr::null_mut(), ..view },
            BufferView { release: None, ..view },
            BufferView { length: 2, ..view },
            BufferView { capacity: usize::MAX, ..view },
            BufferView { data: view.data.wrapping_byte_add(1), ..view },
        ];
        // SAFETY: each is refused before its memory is touched.
        assert!(broken.iter().all(|view| unsafe { take(view) }.is_err()));
        // SAFETY: the whole one, once.
        drop(unsafe { take(&view) }.unwrap());
    }
}
