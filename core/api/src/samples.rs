//! The samples of a frame.

use std::collections::TryReserveError;
use std::fmt;
use std::ops::{Deref, DerefMut};

use crate::abi::handed::Handed;

/// The samples of a frame: a slice of numbers that owns its memory, like a vector. The memory may have come over the
/// boundary between host and plugin; then it goes back to be freed where it was allocated.
#[derive(Default)]
pub struct Samples(Store);

enum Store {
    Own(Vec<f32>),
    Handed(Handed),
}

impl Default for Store {
    fn default() -> Self {
        Self::Own(Vec::new())
    }
}

impl Samples {
    /// Changes the number of samples: what is there stays as far as it fits, what is new is `value`. Memory that came
    /// over the boundary and is too small gives way to this side's own.
    pub fn resize(&mut self, length: usize, value: f32) {
        match &mut self.0 {
            Store::Own(own) => own.resize(length, value),
            Store::Handed(handed) if length <= handed.capacity() => handed.resize(length, value),
            Store::Handed(handed) => {
                let mut own = Vec::with_capacity(length);
                own.extend_from_slice(handed);
                own.resize(length, value);
                self.0 = Store::Own(own);
            }
        }
    }

    /// The same with zeros for what is new, or an error where there is no memory for it.
    ///
    /// # Errors
    /// If the memory cannot be had; the samples stay as they are.
    pub fn try_resize(&mut self, length: usize) -> Result<(), TryReserveError> {
        if length > self.capacity() {
            let mut own = Vec::new();
            own.try_reserve_exact(length)?;
            own.extend_from_slice(self);
            self.0 = Store::Own(own);
        }
        self.resize(length, 0.0);
        Ok(())
    }

    /// Number of samples that there is room for without other memory.
    pub fn capacity(&self) -> usize {
        match &self.0 {
            Store::Own(own) => own.capacity(),
            Store::Handed(handed) => handed.capacity(),
        }
    }

    /// The samples as a vector; copied if their memory came over the boundary.
    pub fn into_vec(self) -> Vec<f32> {
        match self.0 {
            Store::Own(own) => own,
            Store::Handed(handed) => handed.to_vec(),
        }
    }

    /// Samples in memory that came over the boundary.
    pub(crate) fn handed(handed: Handed) -> Self {
        Self(Store::Handed(handed))
    }

    /// What hands the memory on over the boundary.
    pub(crate) fn into_handed(self) -> Handed {
        match self.0 {
            Store::Own(own) => own.into(),
            Store::Handed(handed) => handed,
        }
    }
}

impl From<Vec<f32>> for Samples {
    fn from(own: Vec<f32>) -> Self {
        Self(Store::Own(own))
    }
}

impl FromIterator<f32> for Samples {
    fn from_iter<I: IntoIterator<Item = f32>>(samples: I) -> Self {
        Vec::from_iter(samples).into()
    }
}

impl Deref for Samples {
    type Target = [f32];

    fn deref(&self) -> &[f32] {
        match &self.0 {
            Store::Own(own) => own,
            Store::Handed(handed) => handed,
        }
    }
}

impl DerefMut for Samples {
    fn deref_mut(&mut self) -> &mut [f32] {
        match &mut self.0 {
            Store::Own(own) => own,
            Store::Handed(handed) => handed,
        }
    }
}

impl Clone for Samples {
    fn clone(&self) -> Self {
        self.to_vec().into()
    }
}

impl fmt::Debug for Samples {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        (**self).fmt(f)
    }
}

impl PartialEq for Samples {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl<const N: usize> PartialEq<[f32; N]> for Samples {
    fn eq(&self, other: &[f32; N]) -> bool {
        **self == *other
    }
}

impl PartialEq<Vec<f32>> for Samples {
    fn eq(&self, other: &Vec<f32>) -> bool {
        **self == **other
    }
}

impl<'a> IntoIterator for &'a Samples {
    type Item = &'a f32;
    type IntoIter = std::slice::Iter<'a, f32>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

impl<'a> IntoIterator for &'a mut Samples {
    type Item = &'a mut f32;
    type IntoIter = std::slice::IterMut<'a, f32>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter_mut()
    }
}
