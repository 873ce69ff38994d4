//! What a run leaves beside its results: record, tables of frames, page and the crate's metadata.

use std::collections::BTreeMap;

use jiff::Timestamp;
use stillair_api::{Fault, Outcome, columns};

use super::super::crate_metadata;
use super::super::folder::RunFolder;
use super::super::output::{io_fault, write_whole};
use super::super::record::{self, FramesRecord, Machine, MemoryRecord, RunRecord, Said};
use super::{PageMaker, Progress, Ready, Run};
use crate::plan::{OutputRef, Plan};

impl Run<'_> {
    /// Takes facts and warnings from the nodes.
    pub(super) fn collect(&self, progress: &mut Progress) {
        for (record, context) in progress.nodes.iter_mut().zip(self.contexts) {
            // A map tells the same in every pass that it stands in.
            for entry in context.take_entries() {
                if !record.entries.contains(&entry) {
                    record.entries.push(entry);
                }
            }
            let step = &record.step;
            for text in context.take_warnings() {
                let said = Said { step: step.clone(), text };
                if !progress.warnings.contains(&said) {
                    progress.warnings.push(said);
                }
            }
        }
    }

    pub(super) fn record(&self, ready: &Ready, progress: &Progress, name: &str, started: Timestamp) -> RunRecord {
        let frames_of = |source: &usize| ready.clips.get(source).map_or(0, |clip| clip.reader.info().frames);
        RunRecord {
            format: record::FORMAT,
            run: name.into(),
            status: "done",
            recipe: record::RecipeRecord {
                name: self.plan.name.clone(),
                summary: self.plan.summary.clone(),
                blake3: blake3::hash(self.plan.recipe.as_bytes()).to_hex().to_string(),
            },
            started: record::instant(started),
            finished: None,
            seconds: 0.0,
            build: self.request.build.clone(),
            machine: Machine {
                os: std::env::consts::OS,
                architecture: std::env::consts::ARCH,
                cores: std::thread::available_parallelism().map_or(1, usize::from),
                threads: self.threads,
            },
            inputs: ready.inputs.clone(),
            nodes: progress.nodes.clone(),
            passes: progress.passes.clone(),
            skipped: self.plan.skipped.clone(),
            frames: FramesRecord {
                total: self.captures(ready).iter().map(frames_of).sum(),
                decoded: progress.passes.iter().map(|p| p.frames_read).sum(),
                ..FramesRecord::default()
            },
            cache: progress.cache.clone(),
            memory: MemoryRecord { budget_bytes: ready.budget_bytes, bound: ready.bound.clone(), peak_bytes: None },
            results: Vec::new(),
            warnings: progress.warnings.clone(),
            error: None,
        }
    }

    /// The clips that the results are of, in the order of the plan: those that the main stacks are made from, all of
    /// them where there is no stack. Clips of calibration frames beside a capture are not among them.
    fn captures(&self, ready: &Ready) -> Vec<usize> {
        let stacks = main_stacks(self.plan);
        let mut sources: Vec<usize> = stacks.iter().filter_map(|s| ready.sources.get(s).copied()).collect();
        if sources.is_empty() {
            sources = ready.clips.keys().copied().collect();
        }
        sources.sort_unstable();
        sources.dedup();
        sources
    }

    /// Writes the per-frame tables and says which of their columns made the main stack.
    pub(super) fn tables(
        &self,
        ready: &Ready,
        folder: &RunFolder,
        progress: &mut Progress,
        run_record: &mut RunRecord,
    ) -> Result<(), (Fault, Option<String>)> {
        let mut sources: Vec<usize> = ready.clips.keys().copied().collect();
        sources.sort_unstable();
        let stacks = main_stacks(self.plan);
        let mut tables = Vec::new();
        for source in sources {
            let csv = progress.tables.csv(self.plan, &ready.sources, source).map_err(|f| (f, None))?;
            tables.extend(csv.map(|csv| (source, csv)));
        }
        let alone = tables.len() == 1;
        for (source, csv) in &tables {
            let file = match alone {
                true => "tables/frames.csv".to_string(),
                false => format!("tables/frames-{}.csv", self.plan.nodes[*source].step.replace(['[', ']'], "")),
            };
            write_whole(folder.path(), &file, &csv.content).map_err(|f| (f, None))?;
            let table = stacks
                .iter()
                .filter(|s| ready.sources.get(s) == Some(source))
                .find_map(|s| table_link(self.plan, *s).and_then(|o| progress.tables.table(o)));
            if let Some(table) = table {
                let used = (0..table.rows()).filter(|i| table.weight(*i) > 0.0).count();
                *run_record.frames.used.get_or_insert(0) += used;
                if let Some(usable) = table.values(columns::USABLE) {
                    let rejected = usable.iter().filter(|u| **u == 0.0).count();
                    *run_record.frames.rejected.get_or_insert(0) += rejected;
                }
                run_record.frames.columns.push(csv.main_columns(&file, table));
            }
        }
        Ok(())
    }

    /// Writes recipe, record, page and the crate's metadata.
    pub(super) fn close(
        &self,
        folder: &RunFolder,
        run_record: &RunRecord,
        sinks: &BTreeMap<String, String>,
        page: Option<PageMaker<'_>>,
    ) -> Outcome<()> {
        let path = folder.path();
        let json = serde_json::to_vec_pretty(run_record).map_err(|e| Fault::internal(e.to_string()))?;
        write_whole(path, "run.json", &json)?;
        write_whole(path, "recipe.toml", self.plan.recipe.as_bytes())?;
        if let Some(page) = page {
            page(path).map_err(|words| Fault::internal(format!("the report could not be made: {words}")))?;
        }
        crate_metadata::write(path, run_record, sinks)?;
        std::fs::File::open(path).and_then(|f| f.sync_all()).map_err(|e| io_fault(&e, path))
    }
}

/// The stacks that the results stand on, one for each clip.
fn main_stacks(plan: &Plan) -> Vec<usize> {
    let wanted = ["stack", "picture"];
    let named = wanted.iter().find_map(|w| plan.results.iter().find(|(name, _)| name == w));
    let Some((_, output)) = named.or(plan.results.first()) else { return Vec::new() };
    let mut found = Vec::new();
    let mut queue = vec![output.node];
    while let Some(node) = queue.pop() {
        if plan.nodes[node].description.contract.starts_with("stack") {
            found.push(node);
            continue;
        }
        queue.extend(plan.nodes[node].inputs.iter().flatten().map(|o| o.node));
    }
    found
}

/// The output linked to a node's table port.
fn table_link(plan: &Plan, node: usize) -> Option<OutputRef> {
    let node = &plan.nodes[node];
    let port = node.description.inputs.iter().position(|p| p.kind == stillair_api::PortType::Table)?;
    node.inputs[port].first().copied()
}
