//! What is true of a clip, and the files that say so.
//!
//! `NAME_truth.npz`: `pristine_1x/2x` (the object without any blur, linear, rows x columns x channels, centred on
//! the object), `diffraction_1x/2x` (the same through the perfect telescope), with `_eN` for further
//! instants; and a value per frame: `frame_strehl`, `frame_shift_x`, ... `NAME.json`: every parameter and
//! what follows from it. Pixel coordinates: the middle of a frame of width w is at (w - 1) / 2, y down.

use crate::clip::{Alignment, Kind, Layout, PlanetClip, SimulateError};
use crate::fourier::{Band, RealForward, RealInverse};
use crate::optics::Reading;
use crate::render::{apply_axes, axis_factors, sinc};
use crate::simulation::{FrameTruth, Simulation};
use npyz::{AutoSerialize, WriterBuilder};
use rustfft::num_complex::Complex32;
use serde_json::{Map, Value, json};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// The object at one instant, `side x side` points of `channels` values each, row by row.
#[derive(Clone, Debug, PartialEq)]
pub struct TruthPicture {
    /// Points a side.
    pub side: usize,
    /// Values a point.
    pub channels: usize,
    /// Radiance, `(row * side + column) * channels + channel`.
    pub values: Vec<f32>,
}

/// The four pictures of one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Epoch {
    /// The instant on the night's clock, s.
    pub time_s: f64,
    /// The object at the camera's sampling.
    pub pristine_1x: TruthPicture,
    /// The object at twice the camera's sampling.
    pub pristine_2x: TruthPicture,
    /// Through the perfect telescope, at the camera's sampling.
    pub diffraction_1x: TruthPicture,
    /// Through the perfect telescope, at twice the camera's sampling.
    pub diffraction_2x: TruthPicture,
}

/// The middle of a picture.
struct Middle {
    width: usize,
    height: usize,
    channels: usize,
    values: Vec<f32>,
}

impl TruthPicture {
    /// The middle `size_px` of a picture of `canvas_px` camera pixels a side.
    fn middle(&self, size_px: [usize; 2], canvas_px: usize) -> Middle {
        let scale = self.side / canvas_px;
        let [width, height] = size_px.map(|n| n * scale);
        let (left, top) = ((self.side - width) / 2, (self.side - height) / 2);
        let row = |y: usize| {
            let start = ((top + y) * self.side + left) * self.channels;
            &self.values[start..start + width * self.channels]
        };
        let values = (0..height).flat_map(row).copied().collect();
        Middle { width, height, channels: self.channels, values }
    }
}

fn interleave(planes: &[Vec<f32>], side: usize) -> TruthPicture {
    let values = (0..side * side).flat_map(|k| planes.iter().map(move |p| p[k])).collect();
    TruthPicture { side, channels: planes.len(), values }
}

fn average(plane: &[f32], side: usize, by: usize) -> Vec<f32> {
    let out = side / by;
    let mut sums = vec![0f32; out * out];
    for y in 0..out * by {
        for x in 0..out * by {
            sums[y / by * out + x / by] += plane[y * side + x];
        }
    }
    let share = 1.0 / (by * by) as f32;
    sums.iter().map(|s| s * share).collect()
}

/// Adds an array to an archive of them, row by row.
fn put<T: AutoSerialize>(
    npz: &mut ZipWriter<BufWriter<File>>,
    name: &str,
    shape: &[u64],
    values: impl IntoIterator<Item = T>,
) -> std::io::Result<()> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(zip::DateTime::default());
    npz.start_file(npyz::npz::file_name_from_array_name(name), options)?;
    let mut writer = npyz::WriteOptions::new().default_dtype().shape(shape).writer(npz).begin_nd()?;
    writer.extend(values)?;
    writer.finish()
}

impl Simulation {
    /// Instants at which the truth is drawn, s.
    pub fn truth_times(&self) -> Vec<f64> {
        if self.clip().truth_times_s.is_empty() {
            vec![self.times()[self.times().len() / 2]]
        } else {
            self.clip().truth_times_s.clone()
        }
    }

    /// The true pictures at every one of [`Simulation::truth_times`].
    pub fn truth(&self) -> Vec<Epoch> {
        self.truth_times().into_iter().map(|t| self.epoch(t)).collect()
    }

    fn epoch(&self, time_s: f64) -> Epoch {
        let (r, n) = (self.factor, self.canvas_px);
        let planes = self.channel_planes(self.object.draw(time_s, n, r, 4));
        let side = n * r;
        let forward = RealForward::new(side);
        let perfect = self.pupil.perfect();
        let blurred = |scale: usize| -> TruthPicture {
            let planes: Vec<Vec<f32>> = planes
                .iter()
                .zip(&self.channels)
                .map(|(plane, channel)| {
                    let half = forward.run(&mut plane.clone());
                    let reading = Reading::new(
                        self.pupil.points,
                        n,
                        self.clip().arcsec_per_px(),
                        self.clip().telescope.aperture_mm,
                        channel.wavelength_nm,
                    );
                    let mut band =
                        Band::from_half(&half, side, reading.reach.min(side / 2 - 1), 1.0 / (side * side) as f32);
                    let transfer = reading.read(&perfect);
                    if transfer.reach == band.reach {
                        for (value, h) in band.values.iter_mut().zip(&transfer.values) {
                            *value *= h;
                        }
                    }
                    let response = |f: f64| sinc(f / scale as f64) / sinc(f / r as f64);
                    let factors = axis_factors(band.reach, n, response, 0.5 / r as f64 - 0.5 / scale as f64);
                    apply_axes(&mut band, &factors, &factors);
                    let size = n * scale;
                    let mut half = vec![Complex32::default(); size * (size / 2 + 1)];
                    band.fold_into(&mut half, size);
                    RealInverse::new(size).run(&mut half)
                })
                .collect();
            interleave(&planes, n * scale)
        };
        let pristine = |scale: usize| {
            interleave(&planes.iter().map(|p| average(p, side, r / scale)).collect::<Vec<_>>(), n * scale)
        };
        Epoch {
            time_s,
            pristine_1x: pristine(1),
            pristine_2x: pristine(2),
            diffraction_1x: blurred(1),
            diffraction_2x: blurred(2),
        }
    }

    /// Ticks of 100 ns since the beginning of year 1, of an instant on the night's clock.
    pub fn ticks(&self, time_s: f64) -> Result<i64, SimulateError> {
        // Ticks between the years 1 and 1970: 719 162 days (proleptic Gregorian calendar).
        const UNIX_EPOCH_TICKS: i64 = 719_162 * 86_400 * 10_000_000;
        let value = &self.clip().start_utc;
        let start: jiff::Timestamp = value
            .parse()
            .map_err(|e: jiff::Error| SimulateError::Start { value: value.clone(), cause: e.to_string() })?;
        let start_ticks = i64::try_from(start.as_nanosecond() / 100).unwrap_or(0);
        Ok(UNIX_EPOCH_TICKS + start_ticks + (time_s * 1e7).round() as i64)
    }

    /// Writes `PREFIX_truth.npz`, `PREFIX.json` and `PREFIX.session.toml`. `frames` holds the truth of every
    /// frame in order.
    pub fn write_truth(&self, prefix: &Path, frames: &[FrameTruth]) -> Result<(), SimulateError> {
        let with = |tail: &str| {
            let mut name = prefix.as_os_str().to_owned();
            name.push(tail);
            std::path::PathBuf::from(name)
        };
        let guard = |path: &Path, result: std::io::Result<()>| {
            result.map_err(|cause| SimulateError::Write { path: path.display().to_string(), cause })
        };
        let ticks = frames.iter().map(|f| self.ticks(f.time_s)).collect::<Result<Vec<i64>, _>>()?;
        let path = with("_truth.npz");
        guard(&path, self.write_npz(&path, frames, &ticks))?;
        let path = with(".json");
        guard(&path, std::fs::write(&path, format!("{:#}\n", Value::Object(self.facts(frames)))))?;
        let path = with(".session.toml");
        guard(&path, std::fs::write(&path, session(self.clip())))
    }

    fn write_npz(&self, path: &Path, frames: &[FrameTruth], ticks: &[i64]) -> std::io::Result<()> {
        let mut npz = ZipWriter::new(BufWriter::new(File::create(path)?));
        let epochs = self.truth();
        for (k, epoch) in epochs.iter().enumerate() {
            let tail = if k == 0 { String::new() } else { format!("_e{k}") };
            for (name, picture) in [
                ("pristine_1x", &epoch.pristine_1x),
                ("pristine_2x", &epoch.pristine_2x),
                ("diffraction_1x", &epoch.diffraction_1x),
                ("diffraction_2x", &epoch.diffraction_2x),
            ] {
                let picture = picture.middle(self.object.truth_px(self.canvas_px), self.canvas_px);
                let shape = [picture.height as u64, picture.width as u64, picture.channels as u64];
                put(&mut npz, &format!("{name}{tail}"), &shape, picture.values)?;
            }
        }
        let count = frames.len() as u64;
        put(&mut npz, "epochs", &[epochs.len() as u64], epochs.iter().map(|e| e.time_s))?;
        let places = self.node_places_px();
        put(&mut npz, "node_pos", &[places.len() as u64, 2], places.iter().flatten().copied())?;
        put(
            &mut npz,
            "node_shift",
            &[count, places.len() as u64, 2],
            frames.iter().flat_map(|f| f.node_shift_px.iter().flatten().copied()),
        )?;
        type Column = (&'static str, fn(&FrameTruth) -> f64);
        let columns: [Column; 11] = [
            ("frame_strehl", |f| f.strehl),
            ("frame_strehl_min", |f| f.strehl_min),
            ("frame_distort", |f| f.distortion_px),
            ("frame_shift_x", |f| f.shift_px[0]),
            ("frame_shift_y", |f| f.shift_px[1]),
            ("frame_smear", |f| f.smear_px),
            ("frame_cut", |f| f.cut),
            ("frame_time", |f| f.time_s),
            ("frame_transmission", |f| f.transmission),
            ("frame_seeing", |f| f.d_over_r0),
            ("frame_rotation", |f| f.rotation_deg),
        ];
        for (name, value) in columns {
            put(&mut npz, name, &[count], frames.iter().map(value))?;
        }
        put(&mut npz, "frame_utc_ticks", &[count], ticks.iter().copied())?;
        npz.finish()?.flush()
    }

    /// Every parameter and what follows from it.
    fn facts(&self, frames: &[FrameTruth]) -> Map<String, Value> {
        let clip = self.clip();
        let camera = &clip.camera;
        let names: Vec<&str> = self.channels.iter().map(|c| c.name).collect();
        let of_channels = |value: &dyn Fn(&crate::simulation::Channel) -> Value| -> Value {
            Value::Object(self.channels.iter().map(|c| (c.name.to_owned(), value(c))).collect())
        };
        let mean = |value: fn(&FrameTruth) -> f64| frames.iter().map(value).sum::<f64>() / frames.len().max(1) as f64;
        let mut strehls: Vec<f64> = frames.iter().map(|f| f.strehl).collect();
        strehls.sort_by(f64::total_cmp);
        let quantile =
            |q: f64| strehls.get((q * strehls.len().saturating_sub(1) as f64).round() as usize).copied().unwrap_or(0.0);
        let centre = [0, 1].map(|k| frames.iter().map(|f| f.shift_px[k]).sum::<f64>() / frames.len().max(1) as f64);
        let scatter = frames
            .iter()
            .map(|f| (f.shift_px[0] - centre[0]).powi(2) + (f.shift_px[1] - centre[1]).powi(2))
            .sum::<f64>()
            / frames.len().max(1) as f64;
        let mid_time = self.times()[self.times().len() / 2];
        let pole = |t: f64| clip.pole_angle_deg - clip.field_rotation_deg_per_s * t;
        let groups = [
            json!({
                "name": clip.name,
                // The scorer's words for the kinds of object.
                "object": match clip.kind { Kind::Banded => "jupiter", Kind::Ringed => "saturn", Kind::Rocky => "mars", Kind::Terrain => "moon" },
                "kind": format!("{:?}", clip.kind).to_lowercase(),
                "seed": clip.seed, "part": clip.part,
                "diameter": clip.diameter_arcsec, "flattening": clip.flattening, "lon": clip.longitude_deg,
                "lat": clip.sub_observer_latitude_deg, "pa": clip.pole_angle_deg, "pole_pa_at_mid": pole(mid_time),
                "field_rot": clip.field_rotation_deg_per_s, "rotation_deg_per_day": clip.rotation_deg_per_day,
                "ring_tilt": i32::from(clip.kind == Kind::Ringed), "contrast": clip.contrast, "detail": clip.detail,
                "equator_ahead_deg_per_day": clip.equator_ahead_deg_per_day, "phase": clip.phase_deg, "bright_limb": clip.bright_limb_angle_deg,
                "moons": clip.moons.iter().map(|m| json!([m.offset_radii, m.radius_radii, m.radiance, m.drift_radii_per_hour])).collect::<Vec<_>>(),
                "sun_elev": clip.sun_altitude_deg, "field_x": clip.field_arcsec[0], "field_y": clip.field_arcsec[1],
                "D": clip.telescope.aperture_mm, "obstruction": clip.telescope.obstruction, "focal": clip.telescope.focal_mm,
                "defocus_waves": clip.telescope.defocus_waves, "coma_waves": clip.telescope.coma_waves, "pixel": camera.pixel_um,
            }),
            json!({
                "width": camera.width, "height": camera.height,
                "pattern": match camera.layout { Layout::Mono => "MONO", Layout::Rgb => "RGB", Layout::Mosaic(p) => p.name() },
                "bits": camera.bits, "container": if camera.bits > 8 { 16 } else { 8 },
                "align": if camera.alignment == Alignment::Left { "left" } else { "right" },
                "gain": camera.gain_e_per_adu, "read_noise": camera.read_noise_e, "bias": camera.bias_adu,
                "peak": camera.exposure_level, "sky": clip.sky, "hot": camera.hot_pixels, "dust": camera.dust,
                "vignette": camera.vignetting, "fps": camera.frames_per_s, "frames": frames.len(),
                "exposure": camera.exposure_s, "t0": clip.start_s, "drop": camera.dropped, "start_utc": clip.start_utc,
            }),
            json!({
                "dr0": clip.seeing.d_over_r0, "gust": clip.seeing.gust, "gust_tau": clip.seeing.gust_tau_s,
                "L0": if clip.seeing.outer_scale_m.is_finite() { json!(clip.seeing.outer_scale_m) } else { Value::Null },
                "heights": clip.seeing.heights_m, "weights": clip.seeing.shares, "winds": clip.seeing.winds_m_per_s,
                "wind": self.winds_m_per_s(), "grid": clip.seeing.field_points, "substeps": clip.seeing.steps,
                "screen_n": clip.seeing.screen_points, "altitude": clip.altitude_deg, "disp_pa": clip.zenith_angle_deg,
                "offset_x": clip.offset_px[0], "offset_y": clip.offset_px[1],
                "drift_x": clip.mount.drift_arcsec_per_s[0], "drift_y": clip.mount.drift_arcsec_per_s[1],
                "pe_amp": clip.mount.periodic_arcsec, "pe_period": clip.mount.period_s,
                "bump_rate": clip.mount.knocks_per_s, "bump_amp": clip.mount.knock_arcsec, "bump_tau": clip.mount.knock_tau_s,
            }),
            json!({
                "arcsec_per_px": clip.arcsec_per_px(),
                "radius_eq_px": self.object.radii_px().map(|r| r[0]), "radius_polar_px": self.object.radii_px().map(|r| r[1]),
                "cutoff_cycles_per_px": of_channels(&|c| json!(clip.cutoff_cycles_per_px(c.wavelength_nm))),
                "wavelength_nm": of_channels(&|c| json!(c.wavelength_nm)),
                "dispersion_px": of_channels(&|c| json!(c.dispersion_px)),
                "mid_time": mid_time, "epochs": self.truth_times(), "channels": names,
                "qe": clip.sensitivities(),
                "patch_spacing_arcsec": if self.node_spacing_arcsec().is_finite() { json!(self.node_spacing_arcsec()) } else { Value::Null },
                "canvas": self.object.truth_px(self.canvas_px),
                "e_per_unit_truth": self.sensor.electrons_per_unit,
                "strehl_mean": mean(|f| f.strehl), "strehl_p10_p90": [quantile(0.1), quantile(0.9)],
                "distort_px_mean": mean(|f| f.distortion_px), "frames_cut": frames.iter().filter(|f| f.cut > 0.001).count(),
                "shift_rms_px": scatter.sqrt(),
            }),
        ];
        groups
            .into_iter()
            .filter_map(|group| if let Value::Object(map) = group { Some(map) } else { None })
            .flatten()
            .collect()
    }
}

/// The session file: what an observer would know of the clip.
pub fn session(clip: &PlanetClip) -> String {
    let mut text = format!(
        "# What the observer knew of this clip.\n[telescope]\naperture_mm = {}\nobstruction = {}\nfocal_mm = {}\n\n[camera]\npixel_um = {}\nexposure_s = {}\n",
        clip.telescope.aperture_mm,
        clip.telescope.obstruction,
        clip.telescope.focal_mm,
        clip.camera.pixel_um,
        clip.camera.exposure_s
    );
    if let (Layout::Mono, Some(colour)) = (clip.camera.layout, clip.filter) {
        text.push_str(&format!(
            "filter = {:?}\nwavelength_nm = {}\n",
            ["R", "G", "B"][colour.min(2)],
            clip.wavelengths_nm[colour.min(2)]
        ));
    }
    if !matches!(clip.camera.bits, 8 | 16) {
        text.push_str(&format!("bits = {}\n", clip.camera.bits));
    }
    if let Some(target) = &clip.target {
        text.push_str(&format!("\n[target]\nname = {target:?}\n"));
    }
    if let Some(angle) = clip.up_position_angle_deg {
        text.push_str(&format!("\n[orientation]\nup_position_angle_deg = {angle:?}\nmirrored = false\n"));
    }
    if clip.calibration_frames > 0 {
        let name = &clip.name;
        text.push_str(&format!(
            "\n[calibration]\ndark = {:?}\nflat = {:?}\n",
            format!("{name}_dark.ser"),
            format!("{name}_flat.ser")
        ));
    }
    text
}
