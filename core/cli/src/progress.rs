//! What happens during a run: bars on a terminal, plain lines elsewhere, JSON for machines.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;
use stillair_engine::run::{Event, Events};

use crate::say;

/// A plain line at most this often.
const LINE_EVERY: Duration = Duration::from_secs(5);

/// Shows a run's events.
pub struct Progress {
    kind: Kind,
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
}

impl Progress {
    /// Bars if standard error is a terminal.
    pub fn new(json: bool) -> Self {
        let kind = match (json, std::io::stderr().is_terminal()) {
            (true, _) => Kind::Json,
            (false, true) => Kind::Bars,
            (false, false) => Kind::Lines,
        };
        let now = Instant::now();
        Self { kind, state: Mutex::new(State { bar: None, started: now, told: now, what: String::new() }) }
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
            Event::Started { recipe, run } => match self.kind {
                Kind::Json => say::json(&json!({ "event": "started", "recipe": recipe, "run": run })),
                _ => Self::text(&state, &format!("{recipe}: {run}")),
            },
            Event::PassStarted { pass, passes, what, frames, sweep } => {
                state.end_bar();
                state.started = Instant::now();
                state.told = state.started;
                let again = if *sweep > 1 { format!(", sweep {sweep}") } else { String::new() };
                state.what = format!("pass {pass} of {passes}{again}");
                match self.kind {
                    Kind::Json => say::json(&json!({
                        "event": "pass", "pass": pass, "passes": passes, "sweep": sweep, "steps": what, "frames": frames,
                    })),
                    Kind::Bars => state.bar = Some(bar(*frames, &state.what)),
                    Kind::Lines => say::note(&format!("{}: {what}, {frames} frames", state.what)),
                }
            }
            Event::Progress { done, total } => {
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
        }
    }
}
