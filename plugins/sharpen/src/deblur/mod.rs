//! Parts of the filters that know the telescope, the air and the object.

pub mod bands;
pub mod canvas;
pub mod ellipse;
pub mod joint;
pub mod limb;
pub mod noise;
pub mod object;
pub mod optics;
pub mod outline;
pub mod plan;
pub mod rim;
pub mod ringed;
pub mod sky;
pub mod transfer;
