//! Makes simulated captures with known truth.
//!
//! A [`PlanetClip`] says what is looked at, through what, and under which sky; [`prepare`] turns it into a
//! [`Simulation`], which gives any frame by its index. The physics stands in the modules: `surface`,
//! `globe` and `relief` (the object), `screen` and `turbulence` (the air's waves), `optics` (diffraction), `dispersion`,
//! `weather` (clouds, gusts, mount), `camera` (noise and converter). `planet` and `terrain` make it
//! methods, `simulate.planet` and `simulate.terrain`.

mod camera;
mod capture_file;
mod clip;
mod dispersion;
mod fourier;
mod globe;
mod object;
mod optics;
mod planet;
mod presets;
mod random;
mod relief;
mod render;
mod screen;
mod simulation;
mod surface;
mod terrain;
mod truth;
mod turbulence;
mod weather;

pub use capture_file::CaptureWriter;
pub use clip::{Alignment, Camera, Kind, Layout, Moon, Pattern, PlanetClip, Seeing, SimulateError, Telescope};
pub use dispersion::Air;
pub use planet::{Planet, planet_clip};
pub use presets::{PRESETS, TERRAINS, preset};
pub use simulation::{FrameTruth, Simulation, prepare};
pub use terrain::{Terrain, terrain_clip};
pub use truth::{Epoch, TruthPicture, session};
pub use weather::{Clouds, Mount};

stillair_api::plugin!(Planet, Terrain);
