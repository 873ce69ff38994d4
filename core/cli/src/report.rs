//! `stillair report`: makes the page of a run again.

use serde_json::json;
use stillair_api::Fault;

use crate::arguments::{Global, Report};
use crate::failure::Failure;
use crate::say;

/// Makes the page of a run folder, given by path or by its name in the folder for runs.
pub fn report(verb: &Report, global: &Global) -> Result<(), Failure> {
    let inside = global.out.join(&verb.run);
    let folder = if !verb.run.is_dir() && inside.is_dir() { inside } else { verb.run.clone() };
    if !folder.join("run.json").is_file() {
        let message = format!("{} is not a run folder", verb.run.display());
        return Err(Failure::request(message, "`stillair runs` lists the runs"));
    }
    let page = stillair_report::write_report(&folder).map_err(|error| Fault::data(error.to_string()))?;
    if global.json {
        say::json(&json!({ "event": "report", "report": page }));
    } else {
        say::out(&format!("report   {}", page.display()));
    }
    Ok(())
}
