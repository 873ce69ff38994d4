//! Small simulated clips, and files written from them in every state that a capture may come in.

use std::path::Path;
use std::sync::OnceLock;

use stillair_simulate::{Alignment, Layout, Pattern, PlanetClip, prepare};

/// Columns and rows of a simulated frame.
pub const SIDE: usize = 64;
/// Frames of a simulated clip.
pub const FRAMES: usize = 60;
/// 2031-04-08T10:04:00Z in ticks of 100 ns since the year 1.
pub const START_TICKS: i64 = 640_690_058_400_000_000;
/// Ticks from frame to frame: 50 frames a second.
pub const STEP_TICKS: i64 = 200_000;

/// A capture file before it is written: every field may lie.
#[derive(Clone)]
pub struct Capture {
    /// 0 grey, 8 to 11 mosaics (RGGB first), 100 RGB.
    pub colours: i32,
    pub width: i32,
    pub height: i32,
    pub bits: i32,
    /// Bytes of a sample.
    pub wide: bool,
    /// What the header says; the true number if `None`.
    pub stated_frames: Option<i32>,
    pub frames: Vec<Vec<u16>>,
    pub ticks: Vec<i64>,
}

impl Capture {
    /// Frames with steady times.
    pub fn new(colours: i32, bits: i32, frames: Vec<Vec<u16>>) -> Self {
        let ticks = (0..frames.len() as i64).map(|i| START_TICKS + i * STEP_TICKS).collect();
        let side = SIDE as i32;
        Self { colours, width: side, height: side, bits, wide: bits > 8, stated_frames: None, frames, ticks }
    }

    /// The bytes of the file.
    pub fn bytes(&self) -> Vec<u8> {
        // The signature, then reader id, colour id, byte order, width, height, bits, frames.
        let mut bytes = vec![0x4c, 0x55, 0x43, 0x41, 0x4d, 0x2d, 0x52, 0x45, 0x43, 0x4f, 0x52, 0x44, 0x45, 0x52];
        let count = self.stated_frames.unwrap_or(self.frames.len() as i32);
        for number in [0, self.colours, 0, self.width, self.height, self.bits, count] {
            bytes.extend(number.to_le_bytes());
        }
        // Observer, instrument, telescope; two dates.
        bytes.resize(162, 0);
        bytes.extend(START_TICKS.to_le_bytes());
        bytes.extend(START_TICKS.to_le_bytes());
        for frame in &self.frames {
            match self.wide {
                true => bytes.extend(frame.iter().flat_map(|v| v.to_le_bytes())),
                false => bytes.extend(frame.iter().map(|v| *v as u8)),
            }
        }
        bytes.extend(self.ticks.iter().flat_map(|t| t.to_le_bytes()));
        bytes
    }

    /// Writes the file.
    pub fn write(&self, path: &Path) {
        std::fs::write(path, self.bytes()).unwrap();
    }
}

/// A planet of 36 px through a small telescope, one point spread a frame.
fn simulated(change: impl FnOnce(&mut PlanetClip)) -> Vec<Vec<u16>> {
    let mut clip = PlanetClip { frames: FRAMES, diameter_arcsec: 20.5, seed: 5, ..PlanetClip::default() };
    (clip.camera.width, clip.camera.height, clip.camera.dropped, clip.camera.hot_pixels) = (SIDE, SIDE, 0.0, 3);
    (clip.seeing.screen_points, clip.seeing.pupil_points, clip.seeing.steps) = (512, 24, 1);
    change(&mut clip);
    let simulation = prepare(&clip, &|| false).unwrap();
    (0..simulation.times().len()).map(|n| simulation.frame(n)).collect()
}

/// A grey clip of 8 bits.
#[allow(dead_code)]
pub fn grey() -> Capture {
    static CLIP: OnceLock<Vec<Vec<u16>>> = OnceLock::new();
    let frames = CLIP.get_or_init(|| simulated(|clip| clip.camera.layout = Layout::Mono));
    Capture::new(0, 8, frames.clone())
}

/// An RGGB mosaic of 8 bits.
#[allow(dead_code)]
pub fn mosaic() -> Capture {
    static CLIP: OnceLock<Vec<Vec<u16>>> = OnceLock::new();
    let frames = CLIP.get_or_init(|| simulated(|clip| clip.camera.layout = Layout::Mosaic(Pattern::Rggb)));
    Capture::new(8, 8, frames.clone())
}

/// A grey clip of 12 bits in 16, at the low end.
#[allow(dead_code)]
pub fn grey12() -> Capture {
    static CLIP: OnceLock<Vec<Vec<u16>>> = OnceLock::new();
    let frames = CLIP.get_or_init(|| {
        simulated(|clip| {
            (clip.camera.layout, clip.camera.bits, clip.camera.alignment) = (Layout::Mono, 12, Alignment::Right);
            (clip.camera.gain_e_per_adu, clip.camera.bias_adu) = (0.5, 60.0);
        })
    });
    Capture::new(0, 12, frames.clone())
}

/// A grey clip of 8 bits that is exposed `times` as long as [`grey`].
#[allow(dead_code)]
pub fn exposed(times: f64) -> Capture {
    let frames = simulated(|clip| {
        clip.camera.layout = Layout::Mono;
        clip.camera.exposure_level *= times;
    });
    Capture::new(0, 8, frames)
}

/// A grey clip of 8 bits of a planet `diameter_arcsec` wide (0.57 arcsec a pixel).
#[allow(dead_code)]
pub fn wide(diameter_arcsec: f64) -> Capture {
    let frames = simulated(|clip| {
        clip.camera.layout = Layout::Mono;
        clip.diameter_arcsec = diameter_arcsec;
    });
    Capture::new(0, 8, frames)
}

/// A grey clip of 8 bits of a surface that fills its 128 x 96 px; `field_px`: place of its middle on the surface.
#[allow(dead_code)]
pub fn terrain(field_px: [f64; 2]) -> Capture {
    let mut clip = stillair_simulate::preset("terrain-small", 5, 0).unwrap();
    (clip.camera.width, clip.camera.height, clip.frames) = (128, 96, 20);
    (clip.seeing.field_points, clip.seeing.screen_points, clip.seeing.pupil_points) = (4, 512, 24);
    clip.field_arcsec = field_px.map(|v| v * clip.arcsec_per_px());
    let simulation = prepare(&clip, &|| false).unwrap();
    let frames = (0..simulation.times().len()).map(|n| simulation.frame(n)).collect();
    let mut capture = Capture::new(0, 8, frames);
    (capture.width, capture.height) = (128, 96);
    capture
}

/// Frames of sky and noise alone.
#[allow(dead_code)]
pub fn sky(level: u16, noise: u16) -> Capture {
    let mut state = 11_u64;
    let mut sample = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        level + ((state >> 40) as u16 % (noise + 1))
    };
    let frames = (0..FRAMES).map(|_| (0..SIDE * SIDE).map(|_| sample()).collect()).collect();
    Capture::new(0, 8, frames)
}
