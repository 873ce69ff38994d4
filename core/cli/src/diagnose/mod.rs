//! `stillair diagnose`: which one thing limited a run's picture.

mod afterwards;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::json;
use stillair_api::Fault;
use stillair_report::{Diagnosis, FactorCost};

use crate::arguments::{Diagnose, Global};
use crate::failure::Failure;
use crate::say;

/// A run folder, given by path or by its name in the folder for runs.
pub fn run_folder(run: &Path, global: &Global) -> Result<PathBuf, Failure> {
    let inside = global.out.join(run);
    let folder = if !run.is_dir() && inside.is_dir() { inside } else { run.to_path_buf() };
    if folder.join("run.json").is_file() {
        return Ok(folder);
    }
    Err(Failure::request(format!("{} is not a run folder", run.display()), "`stillair runs` lists the runs"))
}

/// Says what limited a run's picture, and what each factor cost.
pub fn diagnose(verb: &Diagnose, global: &Global) -> Result<(), Failure> {
    let folder = run_folder(&verb.run, global)?;
    let told = stillair_report::diagnosis(&folder).map_err(|error| Fault::data(error.to_string()))?;
    let (told, afterwards) = match told {
        Some(told) => (told, false),
        // An old run, or a recipe that did not ask: its tables tell a part.
        None => {
            let told = stillair_report::diagnosis_of_record(&afterwards::judged(&folder)?);
            (told.ok_or_else(|| Fault::internal("a diagnosis without a verdict"))?, true)
        }
    };
    if afterwards && !global.json {
        say::note(
            "note: the recipe did not ask what limited the picture; this is from the run's tables, without its stack",
        );
    }
    if global.json {
        say::json(&as_json(&told));
    } else {
        say::out(&words(&told));
    }
    Ok(())
}

fn as_json(told: &Diagnosis) -> serde_json::Value {
    let factor = |f: &FactorCost| {
        json!({
            "factor": f.name, "value": f.value, "unit": f.unit, "threshold": f.threshold, "beyond": f.beyond,
            "cost_db": f.cost_db, "gain_percent": f.gain_percent, "says": f.says, "advice": f.advice,
        })
    };
    json!({
        "event": "diagnosis", "limiting_factor": told.limiting, "summary": told.summary,
        "factors": told.factors.iter().map(factor).collect::<Vec<_>>(),
        "untold": told.untold.iter().map(|(name, why)| json!({ "factor": name, "why": why })).collect::<Vec<_>>(),
    })
}

fn words(told: &Diagnosis) -> String {
    let mut text = told.line() + "\n";
    let advice = told.factors.first().filter(|f| f.beyond).and_then(|f| f.advice.as_ref());
    if let Some(advice) = advice {
        let _ = writeln!(text, "next time: {advice}");
    }
    let _ = writeln!(text, "\nfactor          cost, dB  measured");
    for factor in &told.factors {
        let mark = if factor.beyond { "beyond" } else { "within" };
        let _ = writeln!(text, "{:15} {:8.1}  {}", factor.name, factor.cost_db, factor.says);
        let _ = writeln!(
            text,
            "{:26}{} {}; {mark} the threshold of {}",
            "",
            short(factor.value),
            factor.unit,
            short(factor.threshold)
        );
        if let (Some(advice), true) = (&factor.advice, factor.beyond) {
            let _ = writeln!(text, "{:26}next time: {advice}", "");
        }
    }
    if !told.untold.is_empty() {
        let _ = writeln!(text, "\ncannot tell");
        for (name, why) in &told.untold {
            let _ = writeln!(text, "{name:15}           {why}");
        }
    }
    let _ = writeln!(
        text,
        "\nCost: signal to noise at half the telescope's cut-off that would be gained without the factor."
    );
    text
}

/// Three digits that matter.
fn short(value: f64) -> String {
    let digits = if value == 0.0 { 0 } else { (2 - value.abs().log10().floor() as i32).clamp(0, 3) as usize };
    format!("{value:.digits$}")
}
