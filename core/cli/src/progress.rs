//! What happens during a run: bars on a terminal, plain lines elsewhere, JSON for machines.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;
use stillair_engine::run::{Event, Events};

use crate::say;

/// Beginning of the name of a file in the folder for runs that says how far a run is; it goes when the run ends.
const NOTE: &str = ".progress-";
/// The note is written at most this often.
const NOTE_EVERY: Duration = Duration::from_secs(1);
/// A note older than this was left by a program that was killed.
const NOTE_OLD: Duration = Duration::from_secs(120);

/// A plain line at most this often.
const LINE_EVERY: Duration = Duration::from_secs(5);

/// Shows a run's events.
pub struct Progress {
    kind: Kind,
    out: PathBuf,
    state: Mutex<State>,
}

enum Kind {
    Bars,
    Lines,
    Json,
}

struct State {
    bar: Option<ProgressBar>,
    started: Instant,
    told: Instant,
    what: String,
    note: Note,
}

/// What the pages of a folder show of a run at work.
#[derive(Default)]
struct Note {
    file: Option<PathBuf>,
    written: Option<Instant>,
    run: String,
    pass: serde_json::Value,
}

impl Note {
    /// Writes how far the run is; nobody depends on it, so a failure is no matter.
    fn write(&mut self, done: usize, total: usize) {
        let (Some(file), false) = (&self.file, self.written.is_some_and(|at| at.elapsed() < NOTE_EVERY)) else {
            return;
        };
        self.written = Some(Instant::now());
        let mut note = self.pass.clone();
        note["run"] = json!(self.run);
        note["done"] = json!(done);
        note["total"] = json!(total);
        let beside = file.with_extension("part");
        let _ = std::fs::write(&beside, note.to_string()).and_then(|()| std::fs::rename(&beside, file));
    }
}

/// Takes away the notes of runs that were killed: a run at work has a folder beside its note.
fn tidy(out: &Path) {
    let Ok(entries) = std::fs::read_dir(out) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let run = name.to_str().and_then(|n| n.strip_prefix(NOTE)?.rsplit_once('.')).map(|(run, _)| run);
        if run.is_some_and(|run| !out.join(format!(".making-{run}")).exists()) {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

/// The notes of the runs at work in a folder for runs.
pub fn running(out: &Path) -> Vec<serde_json::Value> {
    let Ok(entries) = std::fs::read_dir(out) else { return Vec::new() };
    let note = |entry: std::fs::DirEntry| {
        let name = entry.file_name().to_str()?.to_string();
        name.strip_prefix(NOTE)?.strip_suffix(".json")?;
        let fresh = entry.metadata().ok()?.modified().ok()?.elapsed().is_ok_and(|age| age < NOTE_OLD);
        let text = fresh.then(|| std::fs::read_to_string(entry.path()).ok()).flatten()?;
        serde_json::from_str(&text).ok()
    };
    entries.flatten().filter_map(note).collect()
}

impl Progress {
    /// Bars if standard error is a terminal.
    pub fn new(json: bool, out: &Path) -> Self {
        let kind = match (json, std::io::stderr().is_terminal()) {
            (true, _) => Kind::Json,
            (false, true) => Kind::Bars,
            (false, false) => Kind::Lines,
        };
        let now = Instant::now();
        let state = State { bar: None, started: now, told: now, what: String::new(), note: Note::default() };
        Self { kind, out: out.into(), state: Mutex::new(state) }
    }

    fn text(state: &State, words: &str) {
        match &state.bar {
            Some(bar) => bar.suspend(|| say::note(words)),
            None => say::note(words),
        }
    }
}

impl State {
    fn end_bar(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }
}

fn bar(frames: usize, what: &str) -> ProgressBar {
    let bar = ProgressBar::new(frames as u64);
    let template = "{msg} {wide_bar} {pos}/{len} frames, {per_sec}, {eta} left";
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    bar.set_message(what.to_string());
    bar
}

impl Events for Progress {
    fn event(&self, event: &Event) {
        let Ok(mut state) = self.state.lock() else { return };
        match event {
            Event::Started { recipe, run } => {
                tidy(&self.out);
                state.note.file = Some(self.out.join(format!("{NOTE}{run}.json")));
                state.note.run = run.clone();
                match self.kind {
                    Kind::Json => say::json(&json!({ "event": "started", "recipe": recipe, "run": run })),
                    _ => Self::text(&state, &format!("{recipe}: {run}")),
                }
            }
            Event::PassStarted { pass, passes, what, frames, sweep } => {
                state.end_bar();
                state.started = Instant::now();
                state.told = state.started;
                let again = if *sweep > 1 { format!(", sweep {sweep}") } else { String::new() };
                state.what = format!("pass {pass} of {passes}{again}");
                state.note.pass = json!({ "pass": pass, "passes": passes, "steps": what });
                state.note.write(0, *frames);
                match self.kind {
                    Kind::Json => say::json(&json!({
                        "event": "pass", "pass": pass, "passes": passes, "sweep": sweep, "steps": what, "frames": frames,
                    })),
                    Kind::Bars => state.bar = Some(bar(*frames, &state.what)),
                    Kind::Lines => say::note(&format!("{}: {what}, {frames} frames", state.what)),
                }
            }
            Event::Progress { done, total } => {
                state.note.write(*done, *total);
                if let Some(bar) = &state.bar {
                    bar.set_position(*done as u64);
                    if done >= total {
                        state.end_bar();
                    }
                    return;
                }
                let seconds = state.started.elapsed().as_secs_f64();
                let rate = *done as f64 / seconds.max(1e-9);
                let left = (total.saturating_sub(*done)) as f64 / rate.max(1e-9);
                let due =
                    state.told.elapsed() >= if matches!(self.kind, Kind::Json) { LINE_EVERY / 25 } else { LINE_EVERY };
                if !due {
                    return;
                }
                state.told = Instant::now();
                match self.kind {
                    Kind::Json => say::json(&json!({
                        "event": "progress", "done": done, "total": total, "frames_per_s": rate, "seconds_left": left,
                    })),
                    _ => say::note(&format!(
                        "{}: {done} of {total} frames, {rate:.0} frames/s, {left:.0} s left",
                        state.what
                    )),
                }
            }
            Event::Note { step, text } => match self.kind {
                Kind::Json => say::json(&json!({ "event": "note", "step": step, "text": text })),
                _ => Self::text(&state, &format!("note: {step}: {text}")),
            },
            Event::Warning { step, text } => match self.kind {
                Kind::Json => say::json(&json!({ "event": "warning", "step": step, "text": text })),
                _ => Self::text(&state, &format!("warning: {step}: {text}")),
            },
            Event::Finished { folder } => {
                state.end_bar();
                tracing::info!("finished {}", folder.display());
            }
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Ok(mut state) = self.state.lock() {
            state.end_bar();
            if let Some(file) = &state.note.file {
                let _ = std::fs::remove_file(file);
            }
        }
    }
}
