//! `decode.ffmpeg`: reads any other clip (a phone's video, say) through an installed ffmpeg.
//!
//! ffmpeg decodes and converts to grey or RGB of 8 or 16 bits, which come through a pipe; a sample `s` becomes
//! `s / white_level`. Frames come in order only, so the last ones are kept, frames that are not wanted are read and
//! dropped, and for an earlier frame ffmpeg starts anew. The curve between light and numbers that such videos carry is
//! not undone, which the notes say. Source: the programs' documentation.

mod programs;

use std::collections::VecDeque;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use stillair_api::{
    ClipInfo, Context, Description, Facts, Fault, Frame, FrameReader, Layout, Method, Node, Outcome, Parameters,
    PortType, Region, Shape, Source, TimesOrigin,
};

use crate::file::ClipFile;
use crate::options::{Options, describe};
use crate::samples::{ByteOrder, Encoding, factor_of};
use crate::stored::{Arrangement, check_request, place};
use programs::{Pipe, Probe, Programs};

/// Bytes of recent frames that are kept, about.
const KEPT_BYTES: usize = 64 << 20;

/// Fewest frames that are kept: threads ask for frames a little out of order, and each miss starts ffmpeg anew.
const LEAST_KEPT: usize = 16;

/// Largest frame that is read, px.
const MOST_PX: usize = 1 << 28;

/// `decode.ffmpeg`.
pub struct Ffmpeg;

impl Method for Ffmpeg {
    fn describe(&self) -> Description {
        describe(
            Description::new("decode.ffmpeg", Shape::Source, "reads any clip that an installed ffmpeg can read")
                .help(
                    "For compressed videos. Needs the programs ffmpeg and ffprobe. Every pass decodes the clip from its start, \
                     so that it is slower than the other readers; for long work save the clip as SER first. Video of phones \
                     and cameras carries a brightness curve that is not undone: measured brightness is not proportional to \
                     light.",
                )
                .source("documentation of ffmpeg and ffprobe 5.1")
                .contract("decode")
                .output("frames", PortType::Frames, "the clip"),
        )
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(FfmpegSource { options: Options::read(parameters, facts)? })))
    }
}

struct FfmpegSource {
    options: Options,
}

impl Source for FfmpegSource {
    fn open(&self, context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        open(context, crate::auto::single(paths)?, &self.options)
    }
}

/// Opens a clip with the installed programs.
pub(crate) fn open(context: &dyn Context, path: &Path, options: &Options) -> Outcome<Box<dyn FrameReader>> {
    Ok(Box::new(open_with(Programs::default(), context, path, options)?))
}

/// Whether the pixels are grey, and whether they have more than 8 bits.
fn pixels(pixel_format: &str) -> (bool, bool) {
    let grey = pixel_format.starts_with("gray") || pixel_format.starts_with("mono") || pixel_format == "ya8";
    let deep = ["9", "10", "12", "14", "16", "48", "64", "f32"].iter().any(|bits| {
        let stem = pixel_format.trim_end_matches("le").trim_end_matches("be");
        stem.ends_with(bits) && !matches!(stem, "nv12" | "nv16")
    });
    (grey, deep)
}

fn open_with(programs: Programs, context: &dyn Context, path: &Path, options: &Options) -> Outcome<FfmpegClip> {
    drop(ClipFile::open(path)?);
    let probe = programs.probe(context, path)?;
    let name = path.display();
    let Probe { width, height, .. } = probe;
    if width.saturating_mul(height) > MOST_PX {
        return Err(Fault::request(format!("{name}: frames of {width}x{height} px are too large"))
            .remedy("scale or cut the clip first"));
    }
    if probe.time_s.is_empty() {
        return Err(
            Fault::data(format!("{name}: no frame of the clip can be decoded")).remedy("check that the file is whole")
        );
    }
    let version = programs.version(context, path)?;
    let (grey, deep) = pixels(&probe.pixel_format);
    let (encoding, bits) = if deep { (Encoding::U16(ByteOrder::Little), 16) } else { (Encoding::U8, 8) };
    let step = if grey { 1 } else { 3 };
    let pixel_format = match (grey, deep) {
        (true, false) => "gray",
        (true, true) => "gray16le",
        (false, false) => "rgb24",
        (false, true) => "rgb48le",
    };
    let mut notes = vec![format!(
        "decoded by ffmpeg from {} ({}); the brightness curve of such videos is not undone",
        probe.codec, probe.pixel_format
    )];
    let layout = if grey { options.one_plane(Layout::Mono, &mut notes) } else { Layout::Rgb };
    let first = probe.time_s[0];
    let steady = probe.time_s.windows(2).all(|pair| pair[1] > pair[0]);
    let times = if steady && first.is_finite() { TimesOrigin::Stamps } else { TimesOrigin::Absent };
    if times == TimesOrigin::Absent {
        notes.push("the clip's times are missing or do not run forwards: frame times are unknown".into());
    }
    let time = |t: &f64| if times == TimesOrigin::Stamps { t - first } else { f64::NAN };
    let white_level = options.white_level.unwrap_or(if deep { 65_535.0 } else { 255.0 });
    let row_bytes = width * step * encoding.bytes();
    let info = ClipInfo {
        frames: probe.time_s.len(),
        width,
        height,
        layout,
        bits,
        white_level,
        time_s: probe.time_s.iter().map(time).collect(),
        start_unix_ns: None,
        times,
        exposure_s: options.exposure_s,
        // Another version may decode to other bits: whatever hangs on the clip has to know it.
        header: [("codec".to_owned(), probe.codec.clone()), ("ffmpeg".to_owned(), version)].into(),
        notes,
    };
    Ok(FfmpegClip {
        programs,
        path: path.into(),
        pixel_format,
        arrangement: Arrangement { encoding, step, order: [0, 1, 2], row_bytes, bottom_up: false, planes: None },
        factor: factor_of(white_level),
        info,
        state: Mutex::default(),
    })
}

/// The running program and its last frames.
#[derive(Debug, Default)]
struct State {
    pipe: Option<Pipe>,
    next: usize,
    kept: VecDeque<(usize, Vec<u8>)>,
}

/// An open clip.
#[derive(Debug)]
struct FfmpegClip {
    programs: Programs,
    path: PathBuf,
    pixel_format: &'static str,
    arrangement: Arrangement,
    factor: f32,
    info: ClipInfo,
    state: Mutex<State>,
}

impl FfmpegClip {
    fn frame_bytes(&self) -> usize {
        self.arrangement.row_bytes * self.info.height
    }

    fn most_kept(&self) -> usize {
        (KEPT_BYTES / self.frame_bytes().max(1)).clamp(LEAST_KEPT, 256)
    }

    /// Reads frames up to `index`, which is then the last one kept.
    fn advance(&self, state: &mut State, index: usize) -> Outcome<()> {
        if state.pipe.is_none() || state.next > index {
            state.pipe = Some(self.programs.frames(&self.path, self.pixel_format)?);
            (state.next, state.kept) = (0, VecDeque::new());
        }
        while state.next <= index {
            let mut frame = if state.kept.len() >= self.most_kept() {
                state.kept.pop_front().map(|(_, frame)| frame).unwrap_or_default()
            } else {
                Vec::new()
            };
            frame.resize(self.frame_bytes(), 0);
            let Some(pipe) = &mut state.pipe else { return Err(Fault::internal("no pipe to ffmpeg")) };
            if let Err(error) = pipe.next(&mut frame) {
                let name = self.path.display();
                state.pipe = None;
                return Err(if error.kind() == ErrorKind::UnexpectedEof {
                    Fault::data(format!("{name}: ffmpeg stopped before frame {}", state.next))
                        .remedy("check that the file is whole and was not changed")
                } else {
                    Fault::resource(format!("{name}: frame {} did not come from ffmpeg: {error}", state.next))
                });
            }
            state.kept.push_back((state.next, frame));
            state.next += 1;
        }
        Ok(())
    }
}

impl FrameReader for FfmpegClip {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn read(&self, index: usize, region: Region, bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        check_request(&self.info, index, region)?;
        let Arrangement { encoding, step, row_bytes, .. } = self.arrangement;
        let pixel_bytes = encoding.bytes() * step;
        let wanted = region.width * pixel_bytes;
        {
            // A thread that panicked in here left whole frames behind, or none.
            let mut state = self.state.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            if !state.kept.iter().any(|(kept, _)| *kept == index) {
                self.advance(&mut state, index)?;
            }
            let frame = state.kept.iter().rev().find(|(kept, _)| *kept == index).map(|(_, frame)| frame);
            let frame = frame.ok_or_else(|| Fault::internal(format!("frame {index} was not kept")))?;
            bytes.clear();
            for row in region.y..region.y + region.height {
                bytes.extend_from_slice(&frame[row * row_bytes + region.x * pixel_bytes..][..wanted]);
            }
        }
        out.reshape(index, region, self.info.layout.shifted(region.x, region.y));
        let bytes = &*bytes;
        place(&self.arrangement, self.factor, |row| &bytes[row * wanted..][..wanted], 0, out);
        Ok(())
    }

    fn worker_bytes(&self) -> u64 {
        (self.most_kept() * self.frame_bytes()) as u64
    }
}

#[cfg(all(test, unix))]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use stillair_api::testing::TestContext;

    use super::*;

    /// A script that is still open for writing cannot be run, and a test that starts a program hands it all open files
    /// for a moment: one test at a time.
    static ALONE: Mutex<()> = Mutex::new(());

    fn alone() -> std::sync::MutexGuard<'static, ()> {
        ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn parameters() -> Options {
        Options::read(&Ffmpeg.describe().defaults(), &Facts::default()).expect("defaults")
    }

    fn script(folder: &Path, name: &str, lines: &str) -> std::ffi::OsString {
        let path = folder.join(name);
        std::fs::write(&path, format!("#!/bin/sh\n{lines}\n")).expect("written");
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).expect("made executable");
        path.into()
    }

    /// What a stand-in says of its version.
    const VERSION: &str =
        r#"if [ "$1" = -version ]; then echo "ffmpeg version 0.1 test"; echo "libavcodec 1. 2.3 / 1. 2.4"; exit; fi"#;

    /// Stand-ins that say what a clip of 3x2 grey pixels is, and send the file itself as its frames.
    fn stand_ins(folder: &Path, frames: usize) -> Programs {
        let times: String =
            (0..frames).map(|i| format!("echo '[FRAME]'; echo best_effort_timestamp_time={}.5;", i + 1)).collect();
        let probe = format!(
            "case \"$*\" in *frame=*) {times} ;; *) echo width=3; echo height=2; echo pix_fmt=gray; echo codec_name=test ;; esac"
        );
        Programs {
            ffprobe: script(folder, "probe", &probe),
            ffmpeg: script(
                folder,
                "send",
                &format!("{VERSION}; echo started >> {}/starts; cat /dev/stdin", folder.display()),
            ),
        }
    }

    fn read(clip: &FfmpegClip, index: usize) -> Outcome<Vec<f32>> {
        let mut frame = Frame::empty();
        clip.read(index, clip.info.region(), &mut Vec::new(), &mut frame)?;
        Ok(frame.data.iter().map(|v| v * 255.0).collect())
    }

    #[test]
    fn frames_come_in_any_order_and_only_a_far_step_back_starts_anew() {
        let _alone = alone();
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("clip -i 'odd name'");
        std::fs::write(&path, (0..6 * 300u32).map(|i| (i / 6) as u8).collect::<Vec<u8>>()).expect("written");
        let clip =
            open_with(stand_ins(folder.path(), 300), &TestContext::default(), &path, &parameters()).expect("opens");
        assert_eq!((clip.info.frames, clip.info.times, clip.info.time_s[2]), (300, TimesOrigin::Stamps, 2.0));
        assert_eq!(clip.info.header["ffmpeg"], "0.1, libavcodec 1.2.4");
        for index in [3, 1, 2, 200, 150, 0, 255] {
            let found = read(&clip, index).expect("read");
            assert!(found.iter().all(|v| (v - index as f32).abs() < 1e-4), "{index}: {found:?}");
        }
        let starts = || std::fs::read_to_string(folder.path().join("starts")).expect("read").lines().count();
        assert_eq!(starts(), 1, "256 frames are kept");
        read(&clip, 299).and_then(|_| read(&clip, 5)).expect("read");
        assert_eq!(starts(), 2);
    }

    #[test]
    fn a_program_that_stops_early_names_the_frame() {
        let _alone = alone();
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("clip");
        std::fs::write(&path, [7; 6 * 4 + 3]).expect("written");
        let clip =
            open_with(stand_ins(folder.path(), 6), &TestContext::default(), &path, &parameters()).expect("opens");
        let words = read(&clip, 5).expect_err("refused").to_string();
        assert!(words.contains("before frame 4"), "{words}");
        assert!(read(&clip, 3).expect("read").iter().all(|v| (v - 7.0).abs() < 1e-4));
    }

    #[test]
    fn missing_programs_and_foreign_files_are_said() {
        let _alone = alone();
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("clip");
        std::fs::write(&path, "text").expect("written");
        let missing = Programs { ffmpeg: "/no/ffmpeg".into(), ffprobe: "/no/ffprobe".into() };
        let words = open_with(missing, &TestContext::default(), &path, &parameters()).expect_err("refused").to_string();
        assert!(words.contains("/no/ffprobe, which is not installed; install ffmpeg"), "{words}");
        let refusing = script(folder.path(), "refuse", "echo 'Invalid data found' >&2; exit 1");
        let programs = Programs { ffmpeg: refusing.clone(), ffprobe: refusing };
        let words =
            open_with(programs, &TestContext::default(), &path, &parameters()).expect_err("refused").to_string();
        assert!(words.contains("ffmpeg says: Invalid data found"), "{words}");
    }

    /// A context of a run that is to stop.
    struct Stopped(TestContext);

    impl Context for Stopped {
        fn cancelled(&self) -> bool {
            true
        }

        fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync)) {
            self.0.parallel(n, task);
        }

        fn record(&self, entry: stillair_api::Entry) {
            self.0.record(entry);
        }

        fn warn(&self, message: &str) {
            self.0.warn(message);
        }

        fn reserve(&self, bytes: u64) -> bool {
            self.0.reserve(bytes)
        }
    }

    #[test]
    fn a_probe_that_hangs_ends_with_the_run() {
        let _alone = alone();
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("clip");
        std::fs::write(&path, [0; 60]).expect("written");
        let hang = script(folder.path(), "hang", "exec sleep 600");
        let programs = Programs { ffmpeg: hang.clone(), ffprobe: hang };
        let asked = std::time::Instant::now();
        let fault = open_with(programs, &Stopped(TestContext::default()), &path, &parameters()).expect_err("stopped");
        assert_eq!(fault.kind, stillair_api::FaultKind::Cancelled, "{fault}");
        assert!(asked.elapsed().as_secs() < 60);
    }

    #[test]
    fn the_program_is_killed_with_its_clip() {
        let _alone = alone();
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("clip");
        std::fs::write(&path, [0; 60]).expect("written");
        let mut programs = stand_ins(folder.path(), 10);
        let lines =
            format!("{VERSION}; echo $$ > {}/id; head -c 6 /dev/stdin; exec sleep 600", folder.path().display());
        programs.ffmpeg = script(folder.path(), "hang", &lines);
        let clip = open_with(programs, &TestContext::default(), &path, &parameters()).expect("opens");
        read(&clip, 0).expect("read");
        let id = std::fs::read_to_string(folder.path().join("id")).expect("an id");
        let running = || Path::new("/proc").join(id.trim()).exists();
        assert!(running() || !Path::new("/proc/self").exists());
        drop(clip);
        assert!(!running());
    }

    #[test]
    fn pixel_formats_are_told_apart() {
        for (word, wanted) in [
            ("gray", (true, false)),
            ("gray10le", (true, true)),
            ("yuv420p", (false, false)),
            ("yuvj420p", (false, false)),
            ("yuv420p10le", (false, true)),
            ("p010le", (false, true)),
            ("rgb48be", (false, true)),
            ("bgr24", (false, false)),
            ("nv12", (false, false)),
        ] {
            assert_eq!(pixels(word), wanted, "{word}");
        }
    }
}
