//! Layers of turbulence that drift over the telescope without changing (frozen flow: Taylor 1938, Proc. R.
//! Soc. Lond. A 164, 476).

use crate::clip::{PlanetClip, SimulateError};
use crate::random::{Random, Stream};
use crate::screen::Screen;

struct Layer {
    screen: Screen,
    /// Height, in aperture diameters.
    height: f64,
    /// Wind, diameters per second.
    wind: [f64; 2],
    start: [f64; 2],
    /// Square root of the layer's share.
    strength: f32,
}

/// All layers above one telescope.
pub(crate) struct Turbulence {
    layers: Vec<Layer>,
}

impl Turbulence {
    pub(crate) fn new(clip: &PlanetClip, cancel: &dyn Fn() -> bool) -> Result<Self, SimulateError> {
        let seeing = &clip.seeing;
        let diameter_m = clip.telescope.aperture_mm * 1e-3;
        let total: f64 = seeing.shares.iter().sum();
        let mut random = Random::new(clip.seed, Stream::Wind, 0);
        let mut screens = Vec::new();
        let count = seeing.heights_m.len();
        for pair in 0..count.div_ceil(2) {
            if cancel() {
                return Err(SimulateError::Cancelled);
            }
            let spacing = 1.0 / seeing.screen_points_per_aperture;
            screens.extend(Screen::pair(
                seeing.screen_points,
                spacing,
                seeing.outer_scale_m / diameter_m,
                clip.seed,
                pair as u64,
            ));
        }
        let layers = screens
            .into_iter()
            .take(count)
            .enumerate()
            .map(|(k, screen)| {
                // Oblique to the screen's sides, so that the wrapped screen is crossed on ever new tracks.
                let angle =
                    core::f64::consts::FRAC_PI_2 * ((random.uniform() * 4.0).floor() + random.between(0.15, 0.85));
                let speed = seeing.winds_m_per_s[k] / diameter_m;
                let size = screen.size();
                Layer {
                    height: seeing.heights_m[k] / diameter_m,
                    wind: [speed * libm::cos(angle), speed * libm::sin(angle)],
                    start: [random.uniform() * size, random.uniform() * size],
                    strength: (seeing.shares[k] / total).max(0.0).sqrt() as f32,
                    screen,
                }
            })
            .collect();
        Ok(Self { layers })
    }

    /// Adds to `out` (`points` x `points` over the aperture) the phase, radians at 550 nm times
    /// (D/r0)^(5/6) = `strength`, of light from `direction` (radians from the field's middle) at time `t`;
    /// of the layers at height zero if `ground`, of the others if not.
    pub(crate) fn add_phase(
        &self,
        out: &mut [f32],
        points: usize,
        t: f64,
        direction: [f64; 2],
        strength: f32,
        ground: bool,
    ) {
        for layer in self.layers.iter().filter(|l| (l.height == 0.0) == ground) {
            let at = |k: usize| layer.start[k] + layer.wind[k] * t + layer.height * direction[k];
            layer.screen.add_to(out, points, at(0), at(1), strength * layer.strength);
        }
    }

    /// Winds of the layers, diameters per second.
    pub(crate) fn winds(&self) -> Vec<[f64; 2]> {
        self.layers.iter().map(|l| l.wind).collect()
    }
}
