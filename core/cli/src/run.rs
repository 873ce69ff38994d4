//! `stillair run`: clips to pictures.

use std::path::{Path, PathBuf};

use serde_json::json;
use stillair_engine::catalogue::Catalogue;
use stillair_engine::plan::Plan;
use stillair_engine::run::{self, Build, CancelFlag, Finished, RunRequest};

use crate::arguments::{Global, Run};
use crate::failure::Failure;
use crate::inputs::{self, Files};
use crate::progress::Progress;
use crate::recipes::Recipe;
use crate::{cache, memory, pack, plugins, say, signals};

/// Runs a recipe on clips and says where the picture is.
pub fn run(verb: &Run, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    let recipe = Recipe::find(&verb.recipe)?;
    let files = inputs::sort(&recipe.inputs, &verb.clips, global)?;
    let plan = recipe.compile(&catalogue, &inputs::given(&files), global)?;
    say::diagnostics(&plan.warnings, global.json);
    for line in pack::differences(&recipe, &catalogue).iter().filter(|_| !global.json) {
        say::note(&format!("note: {line}"));
    }
    let finished = carry_out(&plan, &catalogue, files, global, &signals::cancel_flag())?;
    if verb.explain_cache && !global.json {
        explain(&finished);
    }
    tell(&finished, global.json);
    Ok(())
}

/// Says of every step whether it ran, and why.
fn explain(finished: &Finished) {
    let width = finished.steps.iter().map(|s| s.step.len()).max().unwrap_or(0);
    let method = finished.steps.iter().map(|s| s.method.len()).max().unwrap_or(0);
    for step in &finished.steps {
        say::out(&format!("{:width$}  {:method$}  {}", step.step, step.method, step.why));
    }
}

/// Runs a plan with the page made inside the run folder.
pub fn carry_out(
    plan: &Plan,
    catalogue: &Catalogue,
    inputs: Files,
    global: &Global,
    cancel: &CancelFlag,
) -> Result<Finished, Failure> {
    let cache = cache::of_runs(global);
    let memo = cache.as_ref().map(|cache| cache.memo());
    let request = RunRequest {
        inputs,
        out: global.out.clone(),
        jobs: global.jobs.map(usize::from),
        budget: memory::budget(global),
        build: Build::of_this_program(env!("CARGO_PKG_VERSION"), instruction_set(), memo.as_ref()),
        cache,
    };
    let progress = Progress::new(global.json, &global.out);
    let page = |folder: &Path| stillair_report::write_report(folder).map(|_| ()).map_err(|error| error.to_string());
    run::run(plan, catalogue, &request, cancel, &progress, Some(&page)).map_err(|failed| Failure::Run(Box::new(failed)))
}

/// The instruction set that the transforms pick, which decides their last bits.
fn instruction_set() -> &'static str {
    #[cfg(target_arch = "x86_64")]
    {
        if std::arch::is_x86_feature_detected!("avx") && std::arch::is_x86_feature_detected!("fma") {
            return "x86-64 with avx and fma";
        }
        if std::arch::is_x86_feature_detected!("sse4.1") {
            return "x86-64 with sse4.1";
        }
    }
    std::env::consts::ARCH
}

/// The picture among a run's results: the one called picture, else the first that a viewer can open.
pub fn picture(finished: &Finished) -> Option<PathBuf> {
    let kinds = ["png", "jpg", "tif"];
    let rank = |path: &PathBuf| {
        let kind = path.extension().and_then(|e| kinds.iter().position(|k| e == *k))?;
        let named = path.file_stem().is_some_and(|stem| stem.to_string_lossy().starts_with("picture"));
        Some((!named, kind))
    };
    let ranked = finished.results.iter().filter_map(|path| Some((rank(path)?, path)));
    let path = ranked.min_by_key(|(rank, _)| *rank).map(|(_, path)| path)?;
    Some(finished.folder.join(path))
}

/// Says where the picture is and what went into it.
pub fn tell(finished: &Finished, json: bool) {
    let picture = picture(finished);
    let report = finished.folder.join("report.html");
    let told = stillair_report::diagnosis(&finished.folder).ok().flatten();
    if json {
        say::json(&json!({
            "event": "finished", "folder": finished.folder, "picture": picture, "report": report,
            "results": finished.results, "frames_total": finished.frames_total, "frames_used": finished.frames_used,
            "limiting_factor": told.as_ref().map(|d| &d.limiting), "limit": told.as_ref().map(|d| &d.summary),
            "seconds": finished.seconds, "peak_bytes": finished.peak_bytes, "warnings": finished.warnings,
            "steps": finished.steps,
        }));
        return;
    }
    let mut lines = Vec::new();
    match &picture {
        Some(path) => lines.push(format!("picture  {}", path.display())),
        None => {
            lines.extend(
                finished.results.iter().map(|path| format!("result   {}", finished.folder.join(path).display())),
            );
        }
    }
    if report.is_file() {
        lines.push(format!("report   {}", report.display()));
    }
    let rate = finished.frames_total as f64 / finished.seconds.max(1e-9);
    let used = finished.frames_used.map_or_else(
        || format!("{} frames", finished.frames_total),
        |used| format!("{used} of {} frames used", finished.frames_total),
    );
    let peak = finished.peak_bytes.map_or_else(String::new, |bytes| format!(", {:.0} MB at most", bytes as f64 / 1e6));
    lines.push(format!("{used} in {:.1} s ({rate:.0} frames/s{peak})", finished.seconds));
    if let Some(told) = told {
        lines.push(told.line());
    }
    say::out(&lines.join("\n"));
}
