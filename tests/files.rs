//! What becomes of capture files while a run reads them, and of the program that reads phones' videos. What should be
//! said is defined by the project alone, so no outside reference applies.
#![cfg(unix)]

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::clips::{self, SIDE, mosaic};
use crate::support::folder;

/// A run whose events can be waited for.
fn begin(here: &Path, arguments: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_stillair"))
        .arg("run")
        .args(arguments)
        .args(["--jobs", "2", "--json", "--no-cache"])
        .current_dir(here)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Waits until a pass begins; the rest of the events is read in the background.
fn wait_for_pass(child: &mut Child, pass: u64) -> JoinHandle<String> {
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let begins = |line: &str| {
        let event: serde_json::Value = serde_json::from_str(line).unwrap();
        event["event"] == "pass" && event["pass"] == pass
    };
    assert!(lines.by_ref().map_while(Result::ok).any(|line| begins(&line)), "pass {pass} never began");
    std::thread::spawn(move || lines.map_while(Result::ok).collect::<Vec<_>>().join("\n"))
}

/// How a run ends, and the rest of what it says.
fn end(mut child: Child, events: JoinHandle<String>) -> (Option<i32>, String) {
    let mut said = String::new();
    child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    said += &events.join().unwrap();
    (child.wait().unwrap().code(), said)
}

#[test]
fn a_clip_that_shrinks_in_mid_run_names_the_frame() {
    let here = folder("files-shrinks");
    let mut clip = mosaic();
    clip.frames = clip.frames.iter().cycle().take(8000).cloned().collect();
    clip.ticks = (0..8000).map(|i| clips::START_TICKS + i * clips::STEP_TICKS).collect();
    clip.write(&here.join("a.ser"));
    let mut child = begin(&here, &["planet-colour", "a.ser"]);
    let events = wait_for_pass(&mut child, 1);
    // 7000 whole frames are left, and a half.
    let left = 178 + 7000 * SIDE * SIDE + SIDE * SIDE / 2;
    std::fs::File::options().write(true).open(here.join("a.ser")).unwrap().set_len(left as u64).unwrap();
    let (code, said) = end(child, events);
    assert_eq!(code, Some(1), "{said}");
    let frame = said.split("ends within frame ").nth(1).and_then(|rest| rest.split(':').next()).map(str::parse);
    assert!(matches!(frame, Some(Ok(7000..8000usize))), "{said}");
    for words in ["a.ser", "it shrank while it was read", "let the copy or the recording finish"] {
        assert!(said.contains(words), "`{words}` is missing in\n{said}");
    }
    assert!(!said.contains("panicked"), "{said}");
    let run = std::fs::read_dir(here.join("runs")).unwrap().next().unwrap().unwrap().path();
    assert!(run.to_str().unwrap().ends_with("-failed") && !run.join("results").exists(), "{run:?}");
}

#[test]
fn where_ffmpeg_is_missing_it_is_said_what_to_do() {
    let here = folder("files-no-ffmpeg");
    // The first bytes of a video as phones write them (ISO/IEC 14496-12: a box of kind ftyp).
    std::fs::write(here.join("IMG_0042.mp4"), [b"\0\0\0\x18ftypmp42".as_slice(), &[0; 4000]].concat()).unwrap();
    let done = Command::new(env!("CARGO_BIN_EXE_stillair"))
        .args(["run", "quick-look", "IMG_0042.mp4"])
        .current_dir(&here)
        .env("PATH", here.join("nothing"))
        .output()
        .unwrap();
    let said = String::from_utf8(done.stderr).unwrap();
    assert_eq!(done.status.code(), Some(2), "{said}");
    for words in ["IMG_0042.mp4", "needs the program ffprobe, which is not installed", "help: install ffmpeg"] {
        assert!(said.contains(words), "`{words}` is missing in\n{said}");
    }
    assert!(!here.join("runs").exists(), "nothing was begun");
}

/// Programs that a process started and that still run, by their names.
fn children(of: u32) -> Vec<(u32, String)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir("/proc").unwrap().flatten() {
        let Some(id) = entry.file_name().to_str().and_then(|name| name.parse().ok()) else { continue };
        let Ok(stat) = std::fs::read_to_string(entry.path().join("stat")) else { continue };
        // proc(5): id (name) state parent ...
        let Some((head, tail)) = stat.rsplit_once(") ") else { continue };
        let fields: Vec<&str> = tail.split(' ').collect();
        if fields.get(1) == Some(&of.to_string().as_str()) && fields[0] != "Z" {
            found.push((id, head.split('(').nth(1).unwrap_or_default().to_string()));
        }
    }
    found
}

#[test]
fn the_program_that_decodes_ends_with_the_run() {
    let installed = Command::new("ffmpeg").arg("-version").output().is_ok();
    if !installed || !Path::new("/proc/self/stat").exists() {
        return;
    }
    let here = folder("files-ffmpeg-ends");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=size=320x240:rate=50:duration=60", "-c:v", "mpeg4"])
        .arg(here.join("a.mp4"))
        .status()
        .unwrap();
    assert!(made.success());
    let mut child = begin(&here, &["quick-look", "a.mp4"]);
    let events = wait_for_pass(&mut child, 1);
    let deadline = Instant::now() + Duration::from_secs(60);
    let decoder = loop {
        let running = children(child.id());
        if let Some((id, _)) = running.iter().find(|(_, name)| name == "ffmpeg") {
            break *id;
        }
        assert!(Instant::now() < deadline && child.try_wait().unwrap().is_none(), "no ffmpeg: {running:?}");
        std::thread::sleep(Duration::from_millis(5));
    };
    let asked = Instant::now();
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    let (code, said) = end(child, events);
    assert_eq!(code, Some(130), "{said}");
    assert!(asked.elapsed() < Duration::from_secs(5), "{:?}", asked.elapsed());
    let alive = std::fs::read_to_string(format!("/proc/{decoder}/stat"));
    assert!(alive.is_err_and(|e| e.kind() == std::io::ErrorKind::NotFound), "ffmpeg is gone");
}
