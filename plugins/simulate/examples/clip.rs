//! Writes a simulated clip with its truth: `PREFIX.ser`, `PREFIX.session.toml`, `PREFIX.json`,
//! `PREFIX_truth.npz`; with terrains `PREFIX_dark.ser` and `PREFIX_flat.ser` too.

use clap::Parser;
use std::error::Error;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use stillair_simulate::{
    CaptureWriter, Clouds, FrameTruth, Kind, Layout, Moon, PRESETS, Pattern, TERRAINS, prepare, preset,
};

#[derive(Parser)]
#[command(about = "Writes a simulated clip with its truth")]
struct Arguments {
    /// A ready-made clip to start from; `list` names them.
    #[arg(long, default_value = "demo")]
    preset: String,
    /// Path of the files to write, without their endings.
    #[arg(long)]
    out: Option<PathBuf>,
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Which clip of the night.
    #[arg(long, default_value_t = 0)]
    part: u64,
    /// banded, ringed, rocky or terrain.
    #[arg(long)]
    kind: Option<String>,
    #[arg(long)]
    frames: Option<usize>,
    #[arg(long)]
    width: Option<usize>,
    #[arg(long)]
    height: Option<usize>,
    #[arg(long)]
    bits: Option<u32>,
    /// mono, rgb, or a mosaic: rggb, grbg, gbrg, bggr.
    #[arg(long)]
    layout: Option<String>,
    /// red, green or blue: the filter before a mono camera.
    #[arg(long)]
    filter: Option<String>,
    #[arg(long)]
    d_over_r0: Option<f64>,
    #[arg(long)]
    aperture_mm: Option<f64>,
    #[arg(long)]
    focal_mm: Option<f64>,
    #[arg(long)]
    pixel_um: Option<f64>,
    #[arg(long)]
    diameter_arcsec: Option<f64>,
    #[arg(long)]
    frames_per_s: Option<f64>,
    #[arg(long)]
    exposure_s: Option<f64>,
    /// Electrons per digital unit: more is brighter.
    #[arg(long)]
    gain: Option<f64>,
    /// Clouds per second.
    #[arg(long)]
    clouds: Option<f64>,
    /// Degrees per second.
    #[arg(long, allow_hyphen_values = true)]
    field_rotation: Option<f64>,
    /// Arcsec per second in x, and in y too with a second number.
    #[arg(long, num_args = 1..=2, allow_hyphen_values = true)]
    drift: Vec<f64>,
    #[arg(long)]
    altitude_deg: Option<f64>,
    #[arg(long)]
    defocus_waves: Option<f64>,
    /// Field points a side (1: one point spread a frame).
    #[arg(long)]
    field_points: Option<usize>,
    /// Start on the night's clock, s.
    #[arg(long)]
    start_s: Option<f64>,
    /// Instants at which the truth is drawn, s on the night's clock; the clip's middle if none.
    #[arg(long)]
    truth_s: Vec<f64>,
    /// Latitude of the observer on the planet, degrees.
    #[arg(long, allow_hyphen_values = true)]
    latitude_deg: Option<f64>,
    /// Angle of the pole, degrees anticlockwise from up.
    #[arg(long, allow_hyphen_values = true)]
    pole_angle_deg: Option<f64>,
    /// Flattening of the globe.
    #[arg(long)]
    flattening: Option<f64>,
    /// Rotation, degrees per day.
    #[arg(long, allow_hyphen_values = true)]
    rotation: Option<f64>,
    /// How far the equator runs ahead, degrees per day.
    #[arg(long, allow_hyphen_values = true)]
    equator_ahead: Option<f64>,
    /// Contrast of the markings, 0 to 1.
    #[arg(long)]
    contrast: Option<f64>,
    /// Angle between the Sun and the observer as seen from the object, degrees.
    #[arg(long)]
    phase_deg: Option<f64>,
    /// Direction of the middle of the lit limb, degrees anticlockwise from up.
    #[arg(long, allow_hyphen_values = true)]
    bright_limb_deg: Option<f64>,
    /// Position angle of the picture's up for the session file, degrees.
    #[arg(long, allow_hyphen_values = true)]
    up_deg: Option<f64>,
    /// A moon or a shadow: place along the equator and towards the pole in radii, radius in radii, radiance, motion in
    /// both directions in radii per hour. May be repeated.
    #[arg(long, num_args = 6, allow_hyphen_values = true)]
    moon: Vec<f64>,
    /// Writes no orientation into the session file.
    #[arg(long)]
    no_orientation: bool,
    /// Beginning of the night's clock.
    #[arg(long)]
    start_utc: Option<String>,
    /// Place on a terrain, arcsec right and down.
    #[arg(long, num_args = 2, allow_hyphen_values = true)]
    field_arcsec: Option<Vec<f64>>,
    /// What the session file calls the object.
    #[arg(long)]
    target: Option<String>,
    #[arg(long, default_value_t = 2)]
    threads: usize,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    let say = |text: String| {
        use std::io::Write;
        let _ = writeln!(std::io::stderr(), "{text}");
    };
    if arguments.preset == "list" {
        for (name, line) in PRESETS.into_iter().chain(TERRAINS) {
            say(format!("{name:16} {line}"));
        }
        return Ok(());
    }
    let mut clip = preset(&arguments.preset, arguments.seed, arguments.part)
        .ok_or_else(|| format!("no preset {:?}; --preset list names them", arguments.preset))?;
    if let Some(kind) = &arguments.kind {
        clip.kind = match kind.as_str() {
            "banded" => Kind::Banded,
            "ringed" => Kind::Ringed,
            "rocky" => Kind::Rocky,
            "terrain" => Kind::Terrain,
            other => return Err(format!("no kind {other:?}: banded, ringed, rocky or terrain").into()),
        };
    }
    if let Some(layout) = &arguments.layout {
        clip.camera.layout = match layout.as_str() {
            "mono" => Layout::Mono,
            "rgb" => Layout::Rgb,
            "rggb" => Layout::Mosaic(Pattern::Rggb),
            "grbg" => Layout::Mosaic(Pattern::Grbg),
            "gbrg" => Layout::Mosaic(Pattern::Gbrg),
            "bggr" => Layout::Mosaic(Pattern::Bggr),
            other => return Err(format!("no layout {other:?}: mono, rgb, rggb, grbg, gbrg or bggr").into()),
        };
    }
    if let Some(filter) = &arguments.filter {
        let colour = ["red", "green", "blue"].iter().position(|name| name == filter);
        clip.filter = Some(colour.ok_or_else(|| format!("no filter {filter:?}: red, green or blue"))?);
    }
    macro_rules! take {
        ($($from:ident => $($to:ident).+;)*) => { $(if let Some(value) = arguments.$from { clip.$($to).+ = value; })* };
    }
    take! {
        frames => frames;
        width => camera.width;
        height => camera.height;
        bits => camera.bits;
        d_over_r0 => seeing.d_over_r0;
        aperture_mm => telescope.aperture_mm;
        focal_mm => telescope.focal_mm;
        defocus_waves => telescope.defocus_waves;
        pixel_um => camera.pixel_um;
        diameter_arcsec => diameter_arcsec;
        frames_per_s => camera.frames_per_s;
        exposure_s => camera.exposure_s;
        gain => camera.gain_e_per_adu;
        field_rotation => field_rotation_deg_per_s;
        altitude_deg => altitude_deg;
        field_points => seeing.field_points;
        start_s => start_s;
        latitude_deg => sub_observer_latitude_deg;
        pole_angle_deg => pole_angle_deg;
        start_utc => start_utc;
        flattening => flattening;
        rotation => rotation_deg_per_day;
        equator_ahead => equator_ahead_deg_per_day;
        contrast => contrast;
        phase_deg => phase_deg;
        bright_limb_deg => bright_limb_angle_deg;
    }
    if arguments.up_deg.is_some() {
        clip.up_position_angle_deg = arguments.up_deg;
    }
    let (moons, _) = arguments.moon.as_chunks::<6>();
    if !moons.is_empty() {
        let moon = |&[x, y, radius_radii, radiance, along, up]: &[f64; 6]| Moon {
            offset_radii: [x, y],
            radius_radii,
            radiance,
            drift_radii_per_hour: [along, up],
        };
        clip.moons = moons.iter().map(moon).collect();
    }
    if !arguments.truth_s.is_empty() {
        clip.truth_times_s = arguments.truth_s;
    }
    if arguments.no_orientation {
        clip.up_position_angle_deg = None;
    }
    for (own, drift) in clip.mount.drift_arcsec_per_s.iter_mut().zip(&arguments.drift) {
        *own = *drift;
    }
    if let Some(rate_per_s) = arguments.clouds {
        clip.clouds =
            (rate_per_s > 0.0).then_some(Clouds { rate_per_s, duration_s: 3.5, least_transmission: 0.25, glow: 5.0 });
    }
    if let Some(&[x, y]) = arguments.field_arcsec.as_deref() {
        clip.field_arcsec = [x, y];
    }
    if arguments.target.is_some() {
        clip.target = arguments.target;
    }
    let prefix = arguments.out.unwrap_or_else(|| PathBuf::from(&clip.name));
    if let Some(name) = prefix.file_name() {
        clip.name = name.to_string_lossy().into_owned();
    }

    let begun = std::time::Instant::now();
    let simulation = prepare(&clip, &|| false)?;
    let prepared = begun.elapsed().as_secs_f64();
    let count = simulation.times().len();
    let next = AtomicUsize::new(0);
    let failed = AtomicBool::new(false);
    let mut path = prefix.clone().into_os_string();
    path.push(".ser");
    let mut writer = CaptureWriter::create(path.as_ref(), &clip.camera, "simulated", simulation.ticks(clip.start_s)?)?;
    let mut truths: Vec<FrameTruth> = Vec::with_capacity(count);
    let (sender, receiver) = std::sync::mpsc::sync_channel(64);
    std::thread::scope(|scope| -> Result<(), Box<dyn Error>> {
        for _ in 0..arguments.threads.max(1) {
            let (sender, simulation, next, failed) = (sender.clone(), &simulation, &next, &failed);
            scope.spawn(move || {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= count
                        || failed.load(Ordering::Relaxed)
                        || sender.send((n, simulation.frame_and_truth(n))).is_err()
                    {
                        break;
                    }
                }
            });
        }
        drop(sender);
        let mut waiting = std::collections::BTreeMap::new();
        let mut write = || -> Result<(), Box<dyn Error>> {
            for (n, done) in &receiver {
                waiting.insert(n, done);
                while let Some((frame, truth)) = waiting.remove(&truths.len()) {
                    writer.frame(&frame, simulation.ticks(truth.time_s)?)?;
                    truths.push(truth);
                }
            }
            Ok(())
        };
        let result = write();
        failed.store(result.is_err(), Ordering::Relaxed);
        drop(receiver);
        result
    })?;
    writer.finish()?;
    type Calibration<'a> = (&'a str, &'a dyn Fn(usize) -> Vec<u16>);
    let kinds: [Calibration<'_>; 2] =
        [("_dark.ser", &|n| simulation.dark_frame(n)), ("_flat.ser", &|n| simulation.flat_frame(n))];
    for (tail, frame) in kinds.into_iter().take(2 * usize::from(clip.calibration_frames > 0)) {
        let mut path = prefix.clone().into_os_string();
        path.push(tail);
        let mut writer =
            CaptureWriter::create(path.as_ref(), &clip.camera, "simulated", simulation.ticks(clip.start_s)?)?;
        for n in 0..clip.calibration_frames {
            writer.frame(&frame(n), simulation.ticks(clip.start_s + n as f64 / clip.camera.frames_per_s)?)?;
        }
        writer.finish()?;
    }
    let drawn = begun.elapsed().as_secs_f64() - prepared;
    simulation.write_truth(&prefix, &truths)?;
    say(format!(
        "{}: {count} frames; prepared in {prepared:.2} s, drawn in {drawn:.2} s ({:.0} frames/s)",
        clip.name,
        count as f64 / drawn
    ));
    Ok(())
}
