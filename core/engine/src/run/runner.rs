//! One run from its request to its folder.

mod recording;
mod together;

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::AtomicI64;
use std::time::Instant;

use jiff::Timestamp;
use stillair_api::{Facts, Fault, FaultKind, Node, Outcome, Shape, StreamShape, Value};

use super::budget::{MemoryBound, bound_with_readers};
use super::calibration;
use super::context::{NodeContext, Shared};
use super::crate_metadata;
use super::folder::{Ending, RunFolder};
use super::inputs::{self, Clip, InputRecord};
use super::output::Written;
use super::pass::{PassJob, run_pass};
use super::record::{self, CacheRecord, ErrorRecord, NodeRecord, PassRecord, Said};
use super::report_tables::FrameTables;
use super::reuse::{self, Capture, Keys, Reuse, Stamps};
use super::store::Store;
use super::{CancelFlag, Event, Events, Failed, Finished, PageMaker, RunRequest, Silent};
use crate::cache::{Key, Stamp};
use crate::catalogue::Catalogue;
use crate::plan::{OutputRef, Plan, Stage};
use together::Together;

/// Carries a plan out.
///
/// # Errors
/// Bad inputs, a budget that is too small, a failing step, a wish to stop: the run folder, if one was begun, is
/// renamed to `...-failed` or `...-cancelled` with its record and tables.
pub fn run(
    plan: &Plan,
    catalogue: &Catalogue,
    request: &RunRequest,
    cancel: &CancelFlag,
    events: &dyn Events,
    page: Option<PageMaker<'_>>,
) -> Result<Finished, Failed> {
    let early = |fault: Fault| Failed { fault, step: None, folder: None };
    prepared(plan, catalogue, request, cancel, events, |run| run.carry_out(page)).map_err(early)?
}

/// The keys that the nodes of a plan have in a run, in the order of the plan. The inputs are opened and hashed; no frame
/// is worked on, and nothing is written.
///
/// # Errors
/// Whatever keeps a run from being begun.
pub fn keys(plan: &Plan, catalogue: &Catalogue, request: &RunRequest) -> Outcome<Vec<Key>> {
    let ready = |run: &Run<'_>| run.ready().map(|ready| ready.keys.all().to_vec()).map_err(|(fault, _)| fault);
    prepared(plan, catalogue, request, &CancelFlag::default(), &Silent, ready)?
}

/// Does something with a run on a pool of its own.
fn prepared<T: Send>(
    plan: &Plan,
    catalogue: &Catalogue,
    request: &RunRequest,
    cancel: &CancelFlag,
    events: &dyn Events,
    work: impl FnOnce(&Run<'_>) -> T + Send,
) -> Outcome<T> {
    let threads = request.jobs.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from)).max(1);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|e| Fault::resource(format!("cannot start {threads} threads: {e}")))?;
    Ok(pool.install(|| {
        let shared = Shared { cancel, events, spare: AtomicI64::new(0) };
        let contexts: Vec<NodeContext<'_>> = plan.nodes.iter().map(|n| NodeContext::new(&shared, &n.step)).collect();
        work(&Run { plan, catalogue, request, events, threads, contexts: &contexts, shared: &shared })
    }))
}

struct Run<'a> {
    plan: &'a Plan,
    catalogue: &'a Catalogue,
    request: &'a RunRequest,
    events: &'a dyn Events,
    threads: usize,
    contexts: &'a [NodeContext<'a>],
    shared: &'a Shared<'a>,
}

/// What is open and made before the first stage.
struct Ready {
    clips: HashMap<usize, Clip>,
    sources: HashMap<usize, usize>,
    facts: Vec<Facts>,
    nodes: Vec<Option<Node>>,
    budget_bytes: u64,
    bound: MemoryBound,
    inputs: Vec<InputRecord>,
    provenance: String,
    keys: Keys,
    stamps: Stamps,
}

/// What the stages left.
struct Progress {
    nodes: Vec<NodeRecord>,
    passes: Vec<PassRecord>,
    written: Vec<Written>,
    tables: FrameTables,
    warnings: Vec<Said>,
    cache: CacheRecord,
}

impl Run<'_> {
    fn carry_out(&self, page: Option<PageMaker<'_>>) -> Result<Finished, Failed> {
        let (started, clock) = (Timestamp::now(), Instant::now());
        let early = |(fault, step): (Fault, Option<String>)| Failed { fault, step, folder: None };
        let ready = self.ready().map_err(early)?;
        let tag = blake3::hash(format!("{started:?}{}{}", self.plan.recipe, ready.provenance).as_bytes());
        let folder = RunFolder::start(&self.request.out, &self.plan.name, started, &tag.to_hex()[..4])
            .map_err(|f| early((f, None)))?;
        self.events.event(&Event::Started { recipe: self.plan.name.clone(), run: folder.name().into() });
        let mut progress = Progress {
            nodes: record::node_records(self.plan, self.catalogue, &ready.facts),
            passes: Vec::new(),
            written: Vec::new(),
            tables: FrameTables::default(),
            warnings: Vec::new(),
            cache: CacheRecord::default(),
        };
        let outcome = catch_unwind(AssertUnwindSafe(|| self.stages(&ready, &folder, &mut progress)));
        let outcome = outcome.unwrap_or_else(|panic| {
            let words = panic.downcast_ref::<String>().map(String::as_str).or(panic.downcast_ref::<&str>().copied());
            Err((Fault::internal(format!("a step panicked: {}", words.unwrap_or("no words"))), None))
        });
        self.collect(&mut progress);
        let mut run_record = self.record(&ready, &progress, folder.name(), started);
        let outcome = outcome.and_then(|()| self.tables(&ready, &folder, &mut progress, &mut run_record));
        run_record.seconds = clock.elapsed().as_secs_f64();
        run_record.finished = Some(record::instant(Timestamp::now()));
        run_record.memory.peak_bytes = record::peak_bytes();
        run_record.results.clone_from(&progress.written);
        run_record.results.sort_by(|a, b| a.file.cmp(&b.file));
        let ending = match &outcome {
            Ok(()) => Ending::Done,
            Err((fault, _)) if fault.kind == FaultKind::Cancelled => Ending::Cancelled,
            Err(_) => Ending::Failed,
        };
        if let Err((fault, step)) = &outcome {
            run_record.status = if ending == Ending::Cancelled { "cancelled" } else { "failed" };
            run_record.error = Some(ErrorRecord::new(fault, step.as_deref()));
            // What cannot be removed here is tried again, and told, when the folder is finished.
            let _ = folder.discard_results();
            if run_record.frames.columns.is_empty() {
                // A failed run keeps what was measured.
                let _ = self.tables(&ready, &folder, &mut progress, &mut run_record);
            }
        }
        let sinks = crate_metadata::files_of_sinks(self.plan, &ready.nodes);
        let outcome = outcome.and_then(|()| {
            self.close(&folder, &run_record, &sinks, page).map_err(|f| (f, None))?;
            Ok(())
        });
        match outcome {
            Ok(()) => {
                let results = run_record.results.iter().map(|w| w.file.clone().into()).collect();
                let folder = folder.finish(Ending::Done).map_err(|f| early((f, None)))?;
                self.events.event(&Event::Finished { folder: folder.clone() });
                Ok(Finished {
                    folder,
                    results,
                    frames_total: run_record.frames.total,
                    frames_used: run_record.frames.used,
                    seconds: run_record.seconds,
                    peak_bytes: run_record.memory.peak_bytes,
                    warnings: run_record.warnings.iter().map(|w| format!("{}: {}", w.step, w.text)).collect(),
                    steps: run_record.nodes.iter().map(NodeRecord::to_use).collect(),
                })
            }
            Err((fault, step)) => {
                let fault = self.with_replaced(fault, step.as_deref());
                if run_record.error.is_none() {
                    run_record.status = "failed";
                    run_record.error = Some(ErrorRecord::new(&fault, step.as_deref()));
                }
                run_record.results.clear();
                let _ = folder.discard_results();
                let _ = self.close(&folder, &run_record, &sinks, None);
                let ending = if ending == Ending::Done { Ending::Failed } else { ending };
                Err(Failed { fault, step, folder: folder.finish(ending).ok() })
            }
        }
    }

    /// A step that cannot use what it is given may not be the one to blame: the remedy names the steps before it whose
    /// method was put in place of another.
    fn with_replaced(&self, mut fault: Fault, step: Option<&str>) -> Fault {
        let blamed = matches!(fault.kind, FaultKind::Request | FaultKind::Data);
        if let Some(words) = step.filter(|_| blamed).and_then(|step| self.plan.replaced_before(step)) {
            fault.remedy = Some(match fault.remedy {
                Some(remedy) => format!("{remedy}; {words}"),
                None => words,
            });
        }
        fault
    }

    /// Opens the inputs, makes the nodes, admits the memory.
    fn ready(&self) -> Result<Ready, (Fault, Option<String>)> {
        let plan = self.plan;
        let mut clips = HashMap::new();
        let mut records = Vec::new();
        let (mut captures, mut stamps) = (HashMap::new(), Stamps::new());
        let memo = self.request.cache.as_ref().map(|cache| cache.memo());
        for (index, node) in plan.nodes.iter().enumerate() {
            if node.description.shape != Shape::Source {
                continue;
            }
            let at = |fault: Fault| (fault, Some(node.step.clone()));
            let file = inputs::file_of(self.request, node).map_err(at)?;
            let capture = calibration::capture_for(plan, node, &clips);
            stamps.extend(file.map(|f| (f.path.clone(), Stamp::of_all(&f.path))));
            let stop = || self.shared.cancel.is_set();
            let hash = || file.map(|f| inputs::hash_input(&f.path, memo.as_ref(), &stop)).transpose();
            let open = || inputs::open(self.catalogue, node, file, capture, &self.contexts[index]);
            let (hashed, clip) = rayon::join(hash, open);
            let (clip, hashed) = (clip.map_err(at)?, hashed.map_err(at)?);
            for text in &clip.reader.info().notes {
                self.events.event(&Event::Note { step: node.step.clone(), text: text.clone() });
            }
            let capture = hashed.as_ref().map(|(_, hash)| hash.clone()).unwrap_or_default();
            captures.insert(index, Capture { blake3: capture, clip: reuse::clip_hash(clip.reader.info()) });
            let (bytes, blake3) = hashed.unwrap_or_else(|| {
                let text = serde_json::to_string(&node.parameters).unwrap_or_default();
                (0, blake3::hash(text.as_bytes()).to_hex().to_string())
            });
            let mut shown = serde_json::to_value(clip.reader.info()).unwrap_or_default();
            if let Some(fields) = shown.as_object_mut() {
                fields.remove("time_s");
            }
            records.push(InputRecord {
                input: node.file.as_ref().map_or_else(|| node.step.clone(), |(name, _)| name.clone()),
                file: file.map(|f| f.path.display().to_string()).unwrap_or_default(),
                bytes,
                blake3,
                clip: shown,
                facts: clip.facts.clone(),
            });
            clips.insert(index, clip);
        }
        calibration::compare(plan, &clips, self.contexts).map_err(|(fault, index)| {
            let file = inputs::file_of(self.request, &plan.nodes[index]).ok().flatten();
            let fault = file.map_or(fault.clone(), |file| fault.at(file.path.display()));
            (fault, Some(plan.nodes[index].step.clone()))
        })?;
        let sources = inputs::sources_of(plan);
        let first = clips.keys().min().copied();
        let facts_of = |index: usize| {
            let source = sources.get(&index).copied().or(first);
            source.and_then(|s| clips.get(&s)).map(|c| c.facts.clone()).unwrap_or_default()
        };
        let facts: Vec<Facts> = (0..plan.nodes.len()).map(facts_of).collect();
        let mut nodes = Vec::new();
        for (index, node) in plan.nodes.iter().enumerate() {
            let made = match node.description.shape {
                Shape::Source => None,
                _ => Some(
                    inputs::create(self.catalogue, node, &facts[index])
                        .map_err(|fault| (fault, Some(node.step.clone())))?,
                ),
            };
            nodes.push(made);
        }
        let shapes = clips.iter().map(|(index, clip)| {
            let info = clip.reader.info();
            let planes = info.layout.planes();
            (*index, StreamShape { frames: info.frames, width: info.width, height: info.height, planes })
        });
        let readers = clips.iter().map(|(index, clip)| (*index, clip.reader.worker_bytes())).collect();
        let shapes = shapes.collect();
        let (budget, bound) =
            self.request.budget.fit(|bytes| bound_with_readers(plan, &nodes, &shapes, &readers, self.threads, bytes));
        if bound.total_bytes > budget {
            let megabytes = |bytes: u64| bytes.div_ceil(1_000_000);
            let fault = Fault::resource(format!(
                "the run needs up to {} MB of memory, the budget is {} MB",
                megabytes(bound.total_bytes),
                megabytes(budget)
            ));
            return Err((fault.remedy("raise --memory-budget, or use fewer threads with --jobs"), None));
        }
        let spare = i64::try_from(budget - bound.total_bytes).unwrap_or(i64::MAX);
        self.shared.spare.store(spare, std::sync::atomic::Ordering::SeqCst);
        let provenance = record::provenance(plan, &records, &self.request.build);
        let keys = Keys::new(plan, self.catalogue, self.request, &facts, &clips, &captures);
        Ok(Ready {
            clips,
            sources,
            facts,
            nodes,
            budget_bytes: budget,
            bound,
            inputs: records,
            provenance,
            keys,
            stamps,
        })
    }

    fn stages(
        &self,
        ready: &Ready,
        folder: &RunFolder,
        progress: &mut Progress,
    ) -> Result<(), (Fault, Option<String>)> {
        let plan = self.plan;
        let step = |node: usize| Some(plan.nodes[node].step.clone());
        let mut store = Store::new(plan);
        let mut reuse = Reuse::new(plan, &ready.keys, self.request, ready.stamps.clone(), self.events);
        reuse.note_keys(&mut progress.nodes);
        let passes = ready.bound.stages.iter().filter(|s| matches!(s, Stage::Pass(_))).count();
        let mut number = 0;
        let stages = &ready.bound.stages;
        for (position, stage) in stages.iter().enumerate() {
            if self.shared.cancel.is_set() {
                return Err((Fault::cancelled(), None));
            }
            match stage {
                Stage::Value(_) => {
                    // With all that follow up to the next pass.
                    if position > 0 && matches!(stages[position - 1], Stage::Value(_)) {
                        continue;
                    }
                    let nodes: Vec<usize> = stages[position..]
                        .iter()
                        .map_while(|stage| if let Stage::Value(node) = stage { Some(*node) } else { None })
                        .collect();
                    let needs = &ready.bound.stage_bytes[position..][..nodes.len()];
                    let together = Together { run: self, ready, folder, nodes: &nodes, needs };
                    together.carry_out(&mut store, &mut reuse, progress)?;
                }
                Stage::Pass(whole) => {
                    number += 1;
                    let clock = Instant::now();
                    let (kept, pass) = reuse.divide(whole, &progress.tables, self.contexts, &mut progress.nodes);
                    keep(plan, &mut store, progress, kept);
                    let measured: Vec<usize> = whole.nodes.iter().copied().filter(|n| is_measure(plan, *n)).collect();
                    let done_with = |store: &mut Store| {
                        for node in whole.nodes.iter().filter(|n| plan.nodes[**n].description.shape != Shape::Map) {
                            store.done(plan, *node);
                        }
                    };
                    let Some(pass) = &pass else {
                        done_with(&mut store);
                        continue;
                    };
                    let clip = &ready.clips[&pass.source];
                    let batch = ready.bound.batch[position];
                    let job = PassJob {
                        plan,
                        pass,
                        measured: &measured,
                        number: (number, passes),
                        nodes: &ready.nodes,
                        contexts: self.contexts,
                        store: &store,
                        reader: clip.reader.as_ref(),
                        exposure_s: reuse::exposure_s(clip),
                        batch,
                        provenance: &ready.provenance,
                        folder: folder.path(),
                        events: self.events,
                    };
                    let done = run_pass(&job).map_err(|(fault, node)| (fault, step(node)))?;
                    for (node, seconds, frames, sweeps) in &done.timings {
                        let record = &mut progress.nodes[*node];
                        record.seconds += seconds;
                        record.frames += frames;
                        record.sweeps += sweeps;
                        record.why = reuse.why(*node);
                    }
                    let source = &mut progress.nodes[pass.source];
                    source.seconds += done.read_seconds;
                    source.frames += done.frames_read;
                    source.why = reuse.why(pass.source);
                    progress.passes.push(PassRecord {
                        source: plan.nodes[pass.source].step.clone(),
                        steps: pass.nodes.iter().map(|n| plan.nodes[*n].step.clone()).collect(),
                        seconds: clock.elapsed().as_secs_f64(),
                        sweeps: done.sweeps,
                        frames_read: done.frames_read,
                        bytes_read: done.bytes_read,
                        read_seconds: done.read_seconds,
                        batch,
                    });
                    progress.written.extend(done.written);
                    reuse.save(&pass.nodes, &done.outputs, self.contexts);
                    keep(plan, &mut store, progress, done.outputs);
                    pass.nodes.iter().for_each(|node| self.contexts[*node].release());
                    done_with(&mut store);
                }
            }
            progress.cache = reuse.record.clone();
        }
        Ok(())
    }
}

fn is_measure(plan: &Plan, node: usize) -> bool {
    plan.nodes[node].description.shape == Shape::Measure
}

/// Keeps the outputs of a node for those that read them, for the tables and for the record.
fn keep(plan: &Plan, store: &mut Store, progress: &mut Progress, outputs: Vec<(OutputRef, Value)>) {
    for (output, value) in outputs {
        progress.tables.keep(output, &value);
        if let Value::Record(record) = &value {
            // A step may have told the same facts while it worked.
            let told = &mut progress.nodes[output.node].entries;
            for entry in &record.entries {
                if !told.contains(entry) {
                    told.push(entry.clone());
                }
            }
        }
        debug_assert!(output.port < plan.nodes[output.node].description.outputs.len());
        store.put(output, value);
    }
}
