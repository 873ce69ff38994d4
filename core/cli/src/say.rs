//! The only place that writes to the terminal.

use std::io::{IsTerminal, Write};

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use serde_json::json;
use stillair_api::{Fault, FaultKind};
use stillair_engine::diagnostic::{Diagnostic, Diagnostics, Severity};

use crate::failure::Failure;

/// Writes a result to standard output. A reader that has gone (`stillair methods | head`) is no error.
pub fn out(text: &str) {
    let mut stream = std::io::stdout().lock();
    let end = if text.ends_with('\n') { "" } else { "\n" };
    let _ = write!(stream, "{text}{end}").and_then(|()| stream.flush());
}

/// Writes a value as one line of JSON to standard output.
pub fn json(value: &serde_json::Value) {
    out(&value.to_string());
}

/// Writes a remark to standard error.
pub fn note(text: &str) {
    let mut stream = std::io::stderr().lock();
    let _ = writeln!(stream, "{text}");
}

/// Starts logging to standard error.
pub fn start_log(level: Option<&str>) {
    use tracing_subscriber::EnvFilter;
    let Some(level) = level else { return };
    match EnvFilter::try_new(level) {
        Ok(filter) => tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init(),
        Err(error) => note(&format!("warning: --log {level}: {error}; nothing is logged")),
    }
}

/// Complaints with the lines they speak of.
pub fn diagnostics(found: &[Diagnostic], json: bool) {
    if json {
        found.iter().for_each(|d| self::json(&json!({ "event": "diagnostic", "diagnostic": d })));
        return;
    }
    let styled = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let renderer = if styled { Renderer::styled() } else { Renderer::plain() };
    for diagnostic in found {
        note(&format!("{}\n", render(&renderer, diagnostic)));
    }
}

fn render(renderer: &Renderer, diagnostic: &Diagnostic) -> String {
    let level = match diagnostic.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let mut span = diagnostic.span.clone();
    if span.is_empty() {
        span.end = (span.start + 1).min(diagnostic.text.len());
    }
    let mut annotation = AnnotationKind::Primary.span(span);
    if !diagnostic.cause.is_empty() {
        annotation = annotation.label(&diagnostic.cause);
    }
    let snippet =
        Snippet::source(&diagnostic.text).path(&diagnostic.file).line_start(diagnostic.line).annotation(annotation);
    let mut group = level.primary_title(&diagnostic.message).element(snippet);
    if !diagnostic.remedy.is_empty() {
        group = group.element(Level::HELP.message(&diagnostic.remedy));
    }
    renderer.render(&[group])
}

/// Tells why a verb failed.
pub fn failure(failure: &Failure, json: bool) {
    match failure {
        Failure::Words(found) => words(found, json),
        Failure::Fault(fault) => fault_line(fault, None, json),
        Failure::Run(failed) => {
            let step = failed.step.as_deref();
            fault_line(&failed.fault, step, json);
            if let (Some(folder), false) = (&failed.folder, json) {
                note(&format!("what there is of the run: {}", folder.display()));
            }
        }
    }
}

fn words(found: &Diagnostics, json: bool) {
    diagnostics(&found.list, json);
    let errors = found.errors().count();
    if !json {
        note(&format!("{errors} {}", if errors == 1 { "error" } else { "errors" }));
    }
}

fn fault_line(fault: &Fault, step: Option<&str>, json: bool) {
    if json {
        let remedy = fault.remedy.as_deref();
        let kind = format!("{:?}", fault.kind).to_lowercase();
        self::json(&json!({
            "event": "failed", "kind": kind, "message": fault.message, "remedy": remedy, "step": step,
        }));
        return;
    }
    if fault.kind == FaultKind::Cancelled {
        return note("stopped as asked");
    }
    let place = step.map_or_else(String::new, |step| format!("step `{step}`: "));
    note(&format!("error: {place}{}", fault.message));
    if let Some(remedy) = &fault.remedy {
        note(&format!("  help: {remedy}"));
    }
}
