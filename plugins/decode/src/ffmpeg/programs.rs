//! The two outside programs: `ffprobe` says what a clip is, `ffmpeg` sends its frames through a pipe.
//!
//! No shell is involved, and on Unix no word of the user's either: the programs get the open file as their input. A
//! running program is killed when its handle is dropped.

use std::ffi::OsString;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, ExitStatus, Stdio};
use std::time::Duration;

use stillair_api::{Context, Fault, Outcome};

use crate::file::unreadable;
use crate::stored::MAX_FRAMES;

/// How often a program that is asked is looked at, and whether the run is to stop.
const POLL: Duration = Duration::from_millis(10);

/// Most bytes of an answer: three lines of some letters for each of the most frames that are read.
const MOST_ANSWER: u64 = 80 * MAX_FRAMES as u64;

/// Names or paths of the programs.
#[derive(Debug, Clone)]
pub(crate) struct Programs {
    /// Sends frames.
    pub(crate) ffmpeg: OsString,
    /// Describes clips.
    pub(crate) ffprobe: OsString,
}

impl Default for Programs {
    fn default() -> Self {
        Self { ffmpeg: "ffmpeg".into(), ffprobe: "ffprobe".into() }
    }
}

/// What `ffprobe` says of the first video stream.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Probe {
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Pixel format, in ffmpeg's word.
    pub(crate) pixel_format: String,
    /// Codec, in ffmpeg's word.
    pub(crate) codec: String,
    /// Time of each frame, s, NaN where unknown.
    pub(crate) time_s: Vec<f64>,
}

/// A child that is killed when dropped.
#[derive(Debug)]
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // Either may fail only because the child is gone already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A clip's frames coming through a pipe.
#[derive(Debug)]
pub(crate) struct Pipe {
    _child: Running,
    frames: ChildStdout,
}

impl Pipe {
    /// Fills `frame` with the next frame.
    pub(crate) fn next(&mut self, frame: &mut [u8]) -> std::io::Result<()> {
        self.frames.read_exact(frame)
    }
}

/// A command that reads the file.
fn command(program: &OsString, before: &[&str], path: &Path, after: &[&str]) -> Outcome<Command> {
    let mut command = Command::new(program);
    command.args(["-v", "error", "-protocol_whitelist", "file,pipe"]).args(before).arg("-i");
    if cfg!(unix) {
        command.arg("file:/dev/stdin").stdin(File::open(path).map_err(|e| unreadable(path, &e))?);
    } else {
        let mut input = OsString::from("file:");
        input.push(std::path::absolute(path).map_err(|e| unreadable(path, &e))?);
        command.arg(input).stdin(Stdio::null());
    }
    command.args(after);
    Ok(command)
}

fn start(program: &OsString, command: &mut Command, path: &Path) -> Outcome<Running> {
    command.spawn().map(Running).map_err(|error| {
        let program = Path::new(program).display();
        if error.kind() == std::io::ErrorKind::NotFound {
            Fault::request(format!(
                "{}: reading this kind of clip needs the program {program}, which is not installed",
                path.display()
            ))
            .remedy("install ffmpeg (it brings ffprobe), or save the clip as SER, uncompressed AVI, FITS, TIFF or PNG")
        } else {
            Fault::resource(format!("{program} cannot be started: {error}")).remedy("check the installation of ffmpeg")
        }
    })
}

/// Waits for a program to end, while the run goes on and the answer stays short.
fn finished(mut child: Running, context: &dyn Context, answer: &File, path: &Path) -> Outcome<ExitStatus> {
    loop {
        if context.cancelled() {
            return Err(Fault::cancelled());
        }
        if let Some(ended) = child.0.try_wait()? {
            return Ok(ended);
        }
        if answer.metadata()?.len() > MOST_ANSWER {
            return Err(Fault::request(format!("{}: ffprobe has too much to say of this clip", path.display()))
                .remedy("split the clip"));
        }
        std::thread::sleep(POLL);
    }
}

/// The version, and those of the libraries as they are found when it runs, from lines such as
/// `ffmpeg version 5.1.9 Copyright ...` and `libavcodec     59. 37.100 / 59. 37.100`.
fn version_of(text: &str) -> Option<String> {
    let mut lines = text.lines();
    let own = lines.next()?.strip_prefix("ffmpeg version ")?.split_whitespace().next()?;
    let libraries = lines.filter_map(|line| {
        let (built, found) = line.strip_prefix("lib")?.split_once('/')?;
        let name = built.split_whitespace().next()?;
        Some(format!(", lib{name} {}", found.split_whitespace().collect::<String>()))
    });
    Some(libraries.fold(own.to_string(), |all, one| all + &one))
}

impl Programs {
    /// Asks what the clip is. Every frame is looked at, so that number and times are exact.
    pub(crate) fn probe(&self, context: &dyn Context, path: &Path) -> Outcome<Probe> {
        let mut probe = Probe::default();
        let stream =
            ["-select_streams", "v:0", "-show_entries", "stream=width,height,pix_fmt,codec_name", "-of", "default"];
        self.ask(context, path, &stream, |line| {
            if let Some((key, value)) = line.split_once('=') {
                match key {
                    "width" => probe.width = value.parse().unwrap_or(0),
                    "height" => probe.height = value.parse().unwrap_or(0),
                    "pix_fmt" => probe.pixel_format = value.into(),
                    "codec_name" => probe.codec = value.into(),
                    _ => {}
                }
            }
            Ok(())
        })?;
        if probe.width == 0 || probe.height == 0 {
            return Err(Fault::request(format!("{}: there are no pictures in this file", path.display()))
                .remedy("choose a clip with a video stream"));
        }
        let frames = ["-select_streams", "v:0", "-show_entries", "frame=best_effort_timestamp_time", "-of", "default"];
        let mut time_s = Vec::new();
        self.ask(context, path, &frames, |line| {
            if line == "[FRAME]" {
                if time_s.len() == MAX_FRAMES {
                    return Err(Fault::request(format!(
                        "{}: the clip has more than {MAX_FRAMES} frames",
                        path.display()
                    ))
                    .remedy("split the clip"));
                }
                time_s.push(f64::NAN);
            } else if let (Some(last), Some(value)) =
                (time_s.last_mut(), line.strip_prefix("best_effort_timestamp_time="))
            {
                *last = value.parse().unwrap_or(f64::NAN);
            }
            Ok(())
        })?;
        probe.time_s = time_s;
        Ok(probe)
    }

    /// Runs `ffprobe` and hands on its lines.
    fn ask(
        &self,
        context: &dyn Context,
        path: &Path,
        arguments: &[&str],
        mut line: impl FnMut(&str) -> Outcome<()>,
    ) -> Outcome<()> {
        let (mut errors, mut answer) = (tempfile::tempfile()?, tempfile::tempfile()?);
        let mut command = command(&self.ffprobe, &[], path, arguments)?;
        command.stdout(answer.try_clone()?).stderr(errors.try_clone()?);
        let ended = finished(start(&self.ffprobe, &mut command, path)?, context, &answer, path)?;
        if ended.success() {
            answer.rewind()?;
            for text in BufReader::new(answer).lines() {
                if context.cancelled() {
                    return Err(Fault::cancelled());
                }
                line(text?.trim())?;
            }
            return Ok(());
        }
        let mut said = String::new();
        errors.rewind()?;
        errors.take(500).read_to_string(&mut said).unwrap_or_default();
        let said = said.trim().replace("file:/dev/stdin: ", "");
        Err(Fault::request(format!("{}: this is not a clip that can be read; ffmpeg says: {said}", path.display()))
            .remedy("check that the file is whole, or save the clip in another format"))
    }

    /// What `ffmpeg` says of its own version and of its libraries', which decide what it decodes.
    pub(crate) fn version(&self, context: &dyn Context, path: &Path) -> Outcome<String> {
        let mut answer = tempfile::tempfile()?;
        let mut command = Command::new(&self.ffmpeg);
        command.arg("-version").stdin(Stdio::null()).stdout(answer.try_clone()?).stderr(Stdio::null());
        let ended = finished(start(&self.ffmpeg, &mut command, path)?, context, &answer, path)?;
        let mut text = String::new();
        answer.rewind()?;
        answer.take(1 << 16).read_to_string(&mut text).unwrap_or_default();
        let version = version_of(&text).filter(|_| ended.success());
        version.ok_or_else(|| {
            Fault::resource(format!("{} does not say its version", Path::new(&self.ffmpeg).display()))
                .remedy("check the installation of ffmpeg")
        })
    }

    /// Starts sending frames from the first one on, in the given pixel format.
    pub(crate) fn frames(&self, path: &Path, pixel_format: &str) -> Outcome<Pipe> {
        let after = [
            "-map",
            "0:v:0",
            "-an",
            "-sn",
            "-dn",
            "-fps_mode",
            "passthrough",
            "-sws_flags",
            "accurate_rnd+full_chroma_int+bitexact",
            "-f",
            "rawvideo",
            "-pix_fmt",
            pixel_format,
            "pipe:1",
        ];
        let mut command = command(&self.ffmpeg, &["-nostdin", "-noautorotate"], path, &after)?;
        command.stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = start(&self.ffmpeg, &mut command, path)?;
        let frames = child.0.stdout.take().ok_or_else(|| Fault::internal("no pipe to ffmpeg"))?;
        Ok(Pipe { _child: child, frames })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first lines of what ffmpeg 5.1.9 of Debian 12 says of itself.
    #[test]
    fn a_version_names_the_program_and_the_libraries_that_it_finds() {
        let said = "ffmpeg version 5.1.9-0+deb12u1 Copyright (c) 2000-2026 the FFmpeg developers\n\
                    built with gcc 12 (Debian 12.2.0-14+deb12u1)\n\
                    configuration: --prefix=/usr --enable-gpl\n\
                    libavcodec     59. 37.100 / 59. 37.101\n\
                    libswscale      6.  7.100 /  6.  7.100\n";
        assert_eq!(version_of(said).unwrap(), "5.1.9-0+deb12u1, libavcodec 59.37.101, libswscale 6.7.100");
        assert_eq!(version_of("usage: something else"), None);
    }
}
