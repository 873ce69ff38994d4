//! A clip that can be asked for any frame.
//!
//! Frame = sensor(sum over field points of (object near the point) * (point spread there), moved by the
//! waves' local tilt and the mount). Objects and transfer functions meet in Fourier space, where the pixel's
//! own response (sinc) and sub-pixel shifts are exact; with one field point the whole frame is one product,
//! with more the object is split by tent windows and the sum is moved by interpolated tilts with a cubic
//! B-spline whose prefilter (Unser 1999, IEEE Signal Proc. Mag. 16(6), 22) is part of the same product.

use crate::camera::Sensor;
use crate::clip::{Kind, PlanetClip, SimulateError};
use crate::fourier::friendly_size;
use crate::object::Object;
use crate::optics::{ARCSEC, Pupil, REFERENCE_NM, Reading, Transfer};
use crate::random::{Random, Stream};
use crate::render::{Key, Tiling};
use crate::turbulence::Turbulence;
use crate::weather::Gusts;
use std::sync::{Arc, Mutex};

/// Motion between two drawings of the turning object, px; between them frames are mixed.
const KEY_STEP_PX: f64 = 0.1;

/// What is true of one frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FrameTruth {
    /// Middle of the exposure on the night's clock, s.
    pub time_s: f64,
    /// Short-exposure Strehl ratio with tilt removed, green, mean over the field.
    pub strehl: f64,
    /// The least of the field's points.
    pub strehl_min: f64,
    /// Rms spread of the local shifts over the field, px.
    pub distortion_px: f64,
    /// Object's middle less the frame's, px, x and y: mount and mean tilt, in the middle colour.
    pub shift_px: [f64; 2],
    /// Rms motion of the mount during the exposure, px.
    pub smear_px: f64,
    /// Share of the object's light outside the frame.
    pub cut: f64,
    /// Share of the light that clouds let through.
    pub transmission: f64,
    /// D/r0.
    pub d_over_r0: f64,
    /// Rotation of the field since time 0, degrees clockwise.
    pub rotation_deg: f64,
    /// Local shift of every field point (mount included), px.
    pub node_shift_px: Vec<[f64; 2]>,
}

pub(crate) struct Channel {
    pub(crate) name: &'static str,
    pub(crate) wavelength_nm: f64,
    pub(crate) dispersion_px: [f64; 2],
    pub(crate) reading: Reading,
    /// On the field of the far light.
    pub(crate) far_reading: Reading,
    /// Which part of a point spread is drawn in the tiles, by point.
    middle: Vec<f32>,
}

/// The waves of one frame.
pub(crate) struct Waves {
    pub(crate) truth: FrameTruth,
    /// Tilt of every node, px, mount included.
    pub(crate) shifts: Vec<[f64; 2]>,
    /// Transfer functions: node, channel.
    pub(crate) transfers: Vec<Option<Vec<Transfer>>>,
    /// Of each channel's light far from where it belongs, the mean over the nodes; none with a single node, which leaves
    /// it with the rest.
    pub(crate) far: Vec<Transfer>,
}

/// A prepared clip.
pub struct Simulation {
    pub(crate) clip: PlanetClip,
    pub(crate) object: Object,
    pub(crate) channels: Vec<Channel>,
    pub(crate) canvas_px: usize,
    pub(crate) factor: usize,
    pub(crate) pupil: Pupil,
    pub(crate) sensor: Sensor,
    pub(crate) turbulence: Turbulence,
    gusts: Gusts,
    pub(crate) times: Vec<f64>,
    pub(crate) tiling: Tiling,
    pub(crate) key_step_s: f64,
    pub(crate) keys: Mutex<Vec<(usize, Arc<Key>)>>,
    /// Sums over rows and columns of the object's light, to tell what lies outside a frame.
    light: Vec<f64>,
}

/// Makes everything that frames share: map, screens, pupil, times. `cancel` is polled.
pub fn prepare(clip: &PlanetClip, cancel: &dyn Fn() -> bool) -> Result<Simulation, SimulateError> {
    clip.check()?;
    let clip = clip.clone();
    let turbulence = Turbulence::new(&clip, cancel)?;
    let object = Object::new(&clip);
    if cancel() {
        return Err(SimulateError::Cancelled);
    }
    let scale = clip.arcsec_per_px();
    let names = clip.channels();
    let longest = names.iter().map(|c| c.1).fold(0.0, f64::max);
    let finest = names.iter().map(|c| clip.cutoff_cycles_per_px(c.1)).fold(0.0, f64::max);
    let lambda_over_d_px = 1.0 / clip.cutoff_cycles_per_px(longest);
    let margin = 11.0 * lambda_over_d_px;
    let canvas_px = friendly_size((2.0 * (object.reach_px() + margin)).ceil() as usize);
    // A terrain is drawn as finely as it is known.
    let factor = if finest > 0.42 && clip.kind != Kind::Terrain { 4 } else { 2 };
    let telescope = &clip.telescope;
    let pupil =
        Pupil::new(clip.seeing.pupil_points, telescope.obstruction, telescope.defocus_waves, telescope.coma_waves);
    let tiling = Tiling::new(&clip, &object, canvas_px, finest, margin);
    let tan_zenith = 1.0 / libm::tan(clip.altitude_deg.to_radians());
    let (sine, cosine) = libm::sincos(clip.zenith_angle_deg.to_radians());
    let reference = clip.wavelengths_nm[1];
    let channels = names
        .into_iter()
        .map(|(name, wavelength_nm)| {
            let lift_px = clip.air.lift_arcsec(wavelength_nm, reference, tan_zenith) / scale;
            let reading =
                |px| Reading::new(clip.seeing.pupil_points, px, scale, clip.telescope.aperture_mm, wavelength_nm);
            Channel {
                name,
                wavelength_nm,
                dispersion_px: [-lift_px * sine, -lift_px * cosine],
                reading: reading(tiling.tile_px),
                far_reading: reading(tiling.far_px.max(1)),
                middle: pupil.middle(tiling.near_px * clip.cutoff_cycles_per_px(wavelength_nm)),
            }
        })
        .collect();
    let mut random = Random::new(clip.seed, Stream::Timing, clip.part);
    let mut times = Vec::with_capacity(clip.frames);
    let mut slot = 0u64;
    while times.len() < clip.frames {
        if random.uniform() >= clip.camera.dropped {
            let jitter = random.between(-0.05, 0.05) * clip.camera.exposure_s.min(0.1 / clip.camera.frames_per_s);
            times.push(clip.start_s + slot as f64 / clip.camera.frames_per_s + 0.5 * clip.camera.exposure_s + jitter);
        }
        slot += 1;
    }
    let duration = times.last().copied().unwrap_or(0.0) - clip.start_s;
    let fastest = object.fastest_px_per_s();
    let key_step_s = if fastest * duration < 0.2 * KEY_STEP_PX { f64::INFINITY } else { KEY_STEP_PX / fastest };
    let planes = object.draw(times[times.len() / 2], canvas_px, 1, 2);
    let mut light = vec![0f64; (canvas_px + 1) * (canvas_px + 1)];
    for y in 0..canvas_px {
        let mut row = 0.0;
        for x in 0..canvas_px {
            row += f64::from(planes[1][y * canvas_px + x]);
            light[(y + 1) * (canvas_px + 1) + x + 1] = light[y * (canvas_px + 1) + x + 1] + row;
        }
    }
    let sensor = Sensor::new(&clip.camera, clip.sensitivities(), clip.seed);
    let gusts = Gusts::new(clip.seed, clip.seeing.gust_tau_s);
    Ok(Simulation {
        clip,
        object,
        channels,
        canvas_px,
        factor,
        pupil,
        sensor,
        turbulence,
        gusts,
        times,
        tiling,
        key_step_s,
        keys: Mutex::new(Vec::new()),
        light,
    })
}

impl Simulation {
    /// The parameters.
    pub fn clip(&self) -> &PlanetClip {
        &self.clip
    }

    /// Middles of the exposures on the night's clock, s; ascending, with gaps where frames were lost.
    pub fn times(&self) -> &[f64] {
        &self.times
    }

    /// Bytes that a thread needs to draw a frame, at most, and those that all share. Rough: pictures are counted with
    /// their spectra, waves with their transfer functions.
    pub(crate) fn working_bytes(&self) -> u64 {
        let seeing = &self.clip.seeing;
        let channels = self.channels.len() as u64;
        let square = |side: usize| (side * side) as u64;
        let nodes = square(seeing.field_points);
        let frame = (self.clip.camera.width * self.clip.camera.height) as u64;
        let drawn = square(self.canvas_px * self.factor);
        let layers = seeing.heights_m.len().next_multiple_of(2) as u64;
        let of_thread = frame * (4 * channels + 8)
            + 12 * drawn
            + nodes * channels * 16 * square(seeing.pupil_points)
            + seeing.steps as u64 * 8 * square(seeing.pupil_points);
        let keys = 4 * channels * 8 * (nodes * square(self.tiling.tile_px) + square(self.tiling.far_px));
        of_thread + keys + layers * 4 * square(seeing.screen_points)
    }

    /// Winds of the layers, m/s in x and y.
    pub(crate) fn winds_m_per_s(&self) -> Vec<[f64; 2]> {
        self.turbulence.winds().iter().map(|w| w.map(|v| v * self.clip.telescope.aperture_mm * 1e-3)).collect()
    }

    /// Places of the lit field points from the object's middle, px.
    pub fn node_places_px(&self) -> Vec<[f64; 2]> {
        self.tiling.nodes.iter().filter(|n| n.lit).map(|n| n.place_px).collect()
    }

    /// Distance of the field points, arcsec (infinite with a single one).
    pub fn node_spacing_arcsec(&self) -> f64 {
        self.tiling.spacing_px * self.clip.arcsec_per_px()
    }

    /// Frame `n`: `width x height` samples, row by row (three a pixel, red first, for an RGB camera), as the
    /// converter gives them. The same for any order of asking and on any thread. `n` must be below
    /// `times().len()`; beyond it the last frame is given.
    pub fn frame(&self, n: usize) -> Vec<u16> {
        self.frame_and_truth(n).0
    }

    /// Frame `n` and what is true of it.
    pub fn frame_and_truth(&self, n: usize) -> (Vec<u16>, FrameTruth) {
        let n = n.min(self.times.len() - 1);
        let waves = self.waves(n, true);
        let planes = self.expose(&waves);
        let counter = n as u64 | (self.clip.part << 40);
        (self.sensor.read_out(&planes, Stream::Noise, counter), waves.truth)
    }

    /// Frame `n` of a dark: the same exposure without light.
    pub fn dark_frame(&self, n: usize) -> Vec<u16> {
        let area = self.clip.camera.width * self.clip.camera.height;
        self.sensor.read_out(&vec![vec![0.0; area]; self.channels.len()], Stream::Dark, n as u64)
    }

    /// Frame `n` of a flat: even light at seven tenths of the full range in green.
    pub fn flat_frame(&self, n: usize) -> Vec<u16> {
        let camera = &self.clip.camera;
        let level = (0.7 / camera.exposure_level) as f32;
        let planes = vec![vec![level; camera.width * camera.height]; self.channels.len()];
        self.sensor.read_out(&planes, Stream::Flat, n as u64)
    }

    /// What is true of frame `n`, without drawing it.
    pub fn frame_truth(&self, n: usize) -> FrameTruth {
        self.waves(n.min(self.times.len() - 1), false).truth
    }

    /// D/r0 at time `t`.
    fn d_over_r0(&self, t: f64) -> f64 {
        self.clip.seeing.d_over_r0 * libm::exp(self.clip.seeing.gust * self.gusts.at(t))
    }

    fn waves(&self, n: usize, with_transfers: bool) -> Waves {
        let clip = &self.clip;
        let scale = clip.arcsec_per_px();
        let t = self.times[n];
        let d_over_r0 = self.d_over_r0(t);
        let strength = libm::pow(d_over_r0, 5.0 / 6.0) as f32;
        let px_per_tilt = REFERENCE_NM * 1e-6 / (core::f64::consts::TAU * clip.telescope.aperture_mm) * ARCSEC / scale;
        let mount_at = |t: f64| clip.mount.offset_arcsec(clip.seed, t).map(|v| v / scale);
        // A knock may carry the object over many pixels within an exposure: sample it finely enough.
        let half = 0.5 * clip.camera.exposure_s;
        let (early, middle, late) = (mount_at(t - half), mount_at(t), mount_at(t + half));
        let run = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        let steps = clip.seeing.steps.max(((run(early, middle) + run(middle, late)) / 0.8).ceil().min(48.0) as usize);
        let instants: Vec<f64> =
            (0..steps).map(|k| t + ((k as f64 + 0.5) / steps as f64 - 0.5) * clip.camera.exposure_s).collect();
        let mounts: Vec<[f64; 2]> = instants.iter().map(|t| mount_at(*t)).collect();
        let mean = |k: usize| mounts.iter().map(|m| m[k]).sum::<f64>() / steps as f64;
        let mount = [mean(0), mean(1)];
        let smear_px = (mounts.iter().map(|m| run(*m, mount).powi(2)).sum::<f64>() / steps as f64).sqrt();

        let points = self.pupil.points;
        let ground: Vec<Vec<f32>> = instants
            .iter()
            .map(|t| {
                let mut phase = vec![0f32; points * points];
                self.turbulence.add_phase(&mut phase, points, *t, [0.0; 2], strength, true);
                phase
            })
            .collect();
        let green = self.channels.len() / 2;
        let peak = self.pupil.perfect_peak() * steps as f32;
        let (mut shifts, mut transfers, mut strehls) = (Vec::new(), Vec::new(), Vec::new());
        let parted = if with_transfers && self.tiling.parts_light() { self.channels.len() } else { 0 };
        let mut far = vec![self.pupil.empty_spread(); parted];
        for node in &self.tiling.nodes {
            let direction = node.place_px.map(|p| p * scale / ARCSEC);
            let phases: Vec<Vec<f32>> = instants
                .iter()
                .zip(&ground)
                .map(|(t, ground)| {
                    let mut phase = ground.clone();
                    self.turbulence.add_phase(&mut phase, points, *t, direction, strength, false);
                    phase
                })
                .collect();
            let tilts: Vec<[f64; 2]> = phases.iter().map(|p| self.pupil.tilt(p)).collect();
            let tilt = [0, 1].map(|k| tilts.iter().map(|t| t[k]).sum::<f64>() / steps as f64);
            shifts.push([0, 1].map(|k| mount[k] + clip.offset_px[k] + tilt[k] * px_per_tilt));
            if !node.lit {
                transfers.push(None);
                continue;
            }
            let mut of_node = Vec::new();
            for (c, channel) in self.channels.iter().enumerate() {
                if !with_transfers && c != green {
                    continue;
                }
                let mut spread = self.pupil.empty_spread();
                for (phase, at) in phases.iter().zip(&mounts) {
                    let plane = [0, 1].map(|k| tilt[k] - (at[k] - mount[k]) / px_per_tilt);
                    self.pupil.add_spread(phase, plane, channel.wavelength_nm, &mut spread);
                }
                if c == green {
                    strehls.push(f64::from(spread.iter().copied().fold(0.0, f32::max) / peak));
                }
                if with_transfers {
                    of_node.push(self.near(c, spread, &mut far));
                }
            }
            transfers.push(Some(of_node));
        }
        let lit: Vec<[f64; 2]> =
            self.tiling.nodes.iter().zip(&shifts).filter(|(n, _)| n.lit).map(|(_, s)| *s).collect();
        let count = lit.len().max(1) as f64;
        let shift_px = [0, 1].map(|k| lit.iter().map(|s| s[k]).sum::<f64>() / count);
        let distortion_px = (lit.iter().map(|s| run(*s, shift_px).powi(2)).sum::<f64>() / count).sqrt();
        let truth = FrameTruth {
            time_s: t,
            strehl: strehls.iter().sum::<f64>() / count,
            strehl_min: strehls.iter().copied().fold(f64::INFINITY, f64::min),
            distortion_px,
            shift_px,
            smear_px,
            cut: self.cut(shift_px),
            transmission: clip.clouds.map_or(1.0, |c| c.transmission(clip.seed, t)),
            d_over_r0,
            rotation_deg: clip.field_rotation_deg_per_s * t,
            node_shift_px: lit,
        };
        let far = far.into_iter().map(|sum| self.pupil.lags(self.pupil.within_the_grid(sum, count as f32)));
        Waves { truth, shifts, transfers, far: far.collect() }
    }

    /// Transfer function of what a point spread of channel `c` holds within a tile's margin; the rest is added to `far`.
    fn near(&self, c: usize, spread: Vec<f32>, far: &mut [Vec<f32>]) -> Transfer {
        match far.get_mut(c) {
            Some(far) => self.pupil.lags(self.pupil.parted(spread, &self.channels[c].middle, far)),
            None => self.pupil.transfer(spread),
        }
    }

    /// Share of the object's light outside the frame for a shift in px.
    fn cut(&self, shift: [f64; 2]) -> f64 {
        if self.clip.kind == Kind::Terrain {
            return 0.0;
        }
        let n = self.canvas_px;
        let side = |size: usize, shift: f64| {
            let first = (n as f64 - 1.0) / 2.0 - (size as f64 - 1.0) / 2.0 - shift;
            let clamp = |v: f64| v.round().clamp(0.0, n as f64) as usize;
            (clamp(first), clamp(first + size as f64))
        };
        let (x0, x1) = side(self.clip.camera.width, shift[0]);
        let (y0, y1) = side(self.clip.camera.height, shift[1]);
        let at = |x: usize, y: usize| self.light[y * (n + 1) + x];
        let total = at(n, n);
        if total <= 0.0 { 0.0 } else { 1.0 - (at(x1, y1) - at(x0, y1) - at(x1, y0) + at(x0, y0)) / total }
    }
}
