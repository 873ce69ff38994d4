//! `stillair demo`: a clip of an invented planet, and the picture made from it.

use std::path::{Path, PathBuf};

use stillair_api::Fault;
use stillair_engine::plan::Plan;
use stillair_engine::run::Finished;

use crate::arguments::{Demo, Global};
use crate::failure::Failure;
use crate::inputs::{self, Files};
use crate::recipes::Recipe;
use crate::run::{carry_out, tell};
use crate::{plugins, say, signals};

/// Name of the recipe that makes the clip.
const CLIP_RECIPE: &str = "demo-clip";

/// Makes the clip, runs the recipe on it, and says where the picture is.
pub fn demo(verb: &Demo, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    let cancel = signals::cancel_flag();
    let plain = Global { session: None, facts: Vec::new(), settings: Vec::new(), log: None, ..global.clone() };
    let maker = Recipe::find(CLIP_RECIPE)?;
    let plan = maker.compile(&catalogue, &inputs::given(&Files::new()), &plain)?;
    let made = carry_out(&plan, &catalogue, Files::new(), &plain, &cancel)?;
    let clip = clip(&made)?;
    write_session(&plan, &clip)?;
    if !global.json {
        say::note(&format!("clip     {}", clip.display()));
    }
    let recipe = Recipe::find(&verb.recipe)?;
    let files = inputs::sort(&recipe.inputs, &[clip], global)?;
    let plan = recipe.compile(&catalogue, &inputs::given(&files), global)?;
    let finished = carry_out(&plan, &catalogue, files, global, &cancel)?;
    tell(&finished, global.json);
    Ok(())
}

/// The clip that a run made.
pub fn clip(made: &Finished) -> Result<PathBuf, Failure> {
    let clip = made.results.iter().find(|path| path.extension().is_some_and(|e| e == "ser"));
    let clip = clip.ok_or_else(|| Fault::internal(format!("the recipe {CLIP_RECIPE} wrote no clip")))?;
    Ok(made.folder.join(clip))
}

/// Writes what an observer would know of a simulated clip beside it: telescope and camera. The target is invented and
/// has no name.
pub fn write_session(plan: &Plan, clip: &Path) -> Result<(), Failure> {
    let seen = plan.nodes.iter().find_map(|node| match node.description.method.as_str() {
        "simulate.planet" => Some(stillair_simulate::planet_clip(&node.parameters)),
        "simulate.terrain" => Some(stillair_simulate::terrain_clip(&node.parameters)),
        _ => None,
    });
    let Some(seen) = seen.transpose()? else { return Ok(()) };
    let text = stillair_simulate::session(&seen);
    let path = clip.with_extension("session.toml");
    std::fs::write(&path, text)
        .map_err(|error| Fault::resource(format!("cannot write {}: {error}", path.display())).into())
}
