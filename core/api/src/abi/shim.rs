//! The plugin's side: any [`Plugin`] as a table of C functions. Nothing unwinds out of a function here.

use std::ffi::c_void;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;

use super::ask::{Asker, HostFile};
use super::handed::Handed;
use super::layers::Layers;
use super::lend::text;
use super::prefix::{blank, read, slice, write};
use super::raw::{self, Call, Host, MethodTable, PluginTable};
use super::{take, words_of};
use crate::{
    Bound, Fault, Finish, Frame, FrameInput, FrameReader, Item, MapRun, MeasureRun, Memory, Method, Node, Outcome,
    Plugin, ReduceRun, Region, Row, Samples, Scratch, SinkRun, StreamShape, Transform, Value,
};

/// A method behind a table.
struct ShimMethod {
    method: Box<dyn Method>,
    host: &'static Host,
}

struct ShimNode {
    node: Node,
    host: &'static Host,
}

struct Buffers {
    bytes: Vec<u8>,
    frame: Frame,
}

enum Work {
    Source(Box<dyn FrameReader>, Mutex<Vec<Buffers>>),
    Map(Box<dyn MapRun>),
    Measure(Box<dyn MeasureRun>),
    Reduce(Box<dyn ReduceRun>),
    /// The node outlives its runs.
    Transform(*const ShimNode, Bound),
    Sink(Box<dyn SinkRun>),
}

struct ShimRun {
    host: &'static Host,
    work: Work,
    layers: Layers,
}

struct ShimWorker {
    scratch: Scratch,
    input: Frame,
    output: Frame,
}

/// Runs the inside of a function: what it fails or panics with goes to the host.
fn barrier(host: &'static Host, call: *mut Call, work: impl FnOnce(Asker) -> Outcome<()>) -> i32 {
    let asker = Asker { host, call };
    let fault = match catch_unwind(AssertUnwindSafe(|| work(asker))) {
        Ok(Ok(())) => return raw::STILLAIR_DONE,
        Ok(Err(fault)) => fault,
        Err(panic) => Fault::internal(format!("panicked: {}", words_of(&*panic)))
            .remedy("this is a mistake of the plugin: report it to its author"),
    };
    asker.fault(&fault)
}

/// Drops what a pointer owns; a panic in it is swallowed, since there is nobody to tell.
///
/// # Safety
/// The pointer is null or came from `Box::<T>::into_raw` and is not used again.
unsafe fn drop_boxed<T>(pointer: *mut c_void) {
    if pointer.is_null() {
        return;
    }
    // SAFETY: as this function's.
    let boxed = unsafe { Box::from_raw(pointer.cast::<T>()) };
    if let Err(panic) = catch_unwind(AssertUnwindSafe(|| drop(boxed))) {
        std::mem::forget(panic);
    }
}

/// # Safety
/// `slot` may be written, or is null.
unsafe fn hand_over<T>(slot: *mut *mut c_void, value: T) -> Outcome<()> {
    if slot.is_null() {
        return Err(Fault::internal("the host gave no place for a pointer"));
    }
    // SAFETY: as this function's.
    unsafe { slot.write(Box::into_raw(Box::new(value)).cast()) };
    Ok(())
}

/// # Safety
/// The table is one of [`table`]'s.
unsafe fn method_of<'a>(table: *const MethodTable) -> &'a ShimMethod {
    // SAFETY: `data` of these tables is a leaked `ShimMethod`.
    unsafe { &*(*table).data.cast::<ShimMethod>() }
}

unsafe extern "C" fn describe(table: *const MethodTable, call: *mut Call) -> i32 {
    // SAFETY: the host passes the table it was given.
    let method = unsafe { method_of(table) };
    barrier(method.host, call, |asker| {
        let json = serde_json::to_string(&method.method.describe()).map_err(|e| Fault::internal(e.to_string()))?;
        asker.put_text(&json);
        Ok(())
    })
}

unsafe extern "C" fn create(table: *const MethodTable, call: *mut Call, node: *mut *mut c_void) -> i32 {
    // SAFETY: the host passes the table it was given.
    let method = unsafe { method_of(table) };
    barrier(method.host, call, |asker| {
        let made = method.method.create(&asker.parameters()?, &asker.facts()?)?;
        // SAFETY: the host's slot.
        unsafe { hand_over(node, ShimNode { node: made, host: method.host }) }
    })
}

unsafe extern "C" fn destroy(node: *mut c_void) {
    // SAFETY: the host gives back a node once.
    unsafe { drop_boxed::<ShimNode>(node) };
}

unsafe extern "C" fn start(node: *mut c_void, call: *mut Call, run: *mut *mut c_void) -> i32 {
    // SAFETY: a node of `create`.
    let shim = unsafe { &*node.cast::<ShimNode>() };
    barrier(shim.host, call, |asker| {
        let (bound, motions) = asker.bound()?;
        let mut layers = Layers::default();
        for (view, value) in &motions {
            layers.remember(view, value)?;
        }
        let work = match &shim.node {
            Node::Source(source) => {
                let reader = source.open(&asker, &asker.paths()?)?;
                asker.put_clip(reader.info(), reader.worker_bytes());
                Work::Source(reader, Mutex::default())
            }
            Node::Map(map) => {
                let run = map.start(&asker, &bound, &asker.needed_clip()?)?;
                asker.put_clip(run.info(), 0);
                Work::Map(run)
            }
            Node::Measure(measure) => Work::Measure(measure.start(&asker, &bound, &asker.needed_clip()?)?),
            Node::Reduce(reduce) => Work::Reduce(reduce.start(&asker, &bound, &asker.needed_clip()?)?),
            Node::Transform(_) => Work::Transform(shim, bound),
            Node::Sink(sink) => Work::Sink(sink.start(&asker, &bound, asker.clip()?.as_ref())?),
        };
        // SAFETY: the host's slot.
        unsafe { hand_over(run, ShimRun { host: shim.host, work, layers }) }
    })
}

unsafe extern "C" fn stop(run: *mut c_void) {
    // SAFETY: the host gives back a run once.
    unsafe { drop_boxed::<ShimRun>(run) };
}

unsafe extern "C" fn worker(run: *mut c_void, call: *mut Call, worker: *mut *mut c_void) -> i32 {
    // SAFETY: a run of `start`.
    let run = unsafe { &*run.cast::<ShimRun>() };
    barrier(run.host, call, |_| {
        let scratch = match &run.work {
            Work::Map(run) => run.worker(),
            Work::Measure(run) => run.worker(),
            Work::Reduce(run) => run.worker(),
            _ => Box::new(()),
        };
        // SAFETY: the host's slot.
        unsafe { hand_over(worker, ShimWorker { scratch, input: Frame::empty(), output: Frame::empty() }) }
    })
}

unsafe extern "C" fn drop_worker(worker: *mut c_void) {
    // SAFETY: the host gives back a worker once.
    unsafe { drop_boxed::<ShimWorker>(worker) };
}

unsafe extern "C" fn window(run: *mut c_void, call: *mut Call, index: usize, region: *mut usize) -> i32 {
    // SAFETY: a run of `start`.
    let run = unsafe { &*run.cast::<ShimRun>() };
    barrier(run.host, call, |asker| {
        let Work::Map(map) = &run.work else { return Ok(()) };
        let lookup = |column: &str| asker.row_number(column);
        let has_row = asker.row_number(crate::columns::INDEX).is_some();
        let row = has_row.then(|| Row::of_lookup(index, &lookup));
        if let Some(window) = map.window(index, row.as_ref())?
            && !region.is_null()
        {
            // SAFETY: the host gives room for four numbers.
            unsafe { region.cast::<[usize; 4]>().write([window.x, window.y, window.width, window.height]) };
        }
        Ok(())
    })
}

unsafe extern "C" fn frame(
    run: *mut c_void,
    call: *mut Call,
    worker: *mut c_void,
    input: *const raw::InputView,
    item: *mut *mut c_void,
) -> i32 {
    let run = run.cast::<ShimRun>();
    // SAFETY: a run of `start`.
    let host = unsafe { (*run).host };
    // SAFETY: a worker of `worker`, or null, for this thread alone.
    let worker = unsafe { worker.cast::<ShimWorker>().as_mut() };
    // SAFETY: the pointers are the host's for this call; a sink's run is for one thread at a time.
    barrier(host, call, |asker| unsafe { one_frame(run, asker, worker, input, item) })
}

/// # Safety
/// As the boundary has it for `frame`.
unsafe fn one_frame(
    run: *mut ShimRun,
    asker: Asker,
    worker: Option<&mut ShimWorker>,
    input: *const raw::InputView,
    item: *mut *mut c_void,
) -> Outcome<()> {
    // SAFETY: the host's views, good while the call lasts.
    let input = unsafe { read(input, "the frame's input")? };
    // SAFETY: as above.
    let view = unsafe { read(input.frame, "the frame")? };
    let lookup = |column: &str| asker.row_number(column);
    let row = (input.has_row != 0).then(|| Row::of_lookup(view.index, &lookup));
    // SAFETY: a run of `start`.
    let is_sink = matches!(unsafe { &(*run).work }, Work::Sink(_));
    // SAFETY: a sink, and only a sink, is never called twice at once, so that it may be written to.
    if is_sink && let Work::Sink(sink) = unsafe { &mut (*run).work } {
        let mut copy = Frame::empty();
        // SAFETY: the host's views.
        let (lent, placement) = unsafe { (lent(&view, &mut copy)?, (*run).layers.placement(input.placement)?) };
        let input = FrameInput { frame: lent.as_ref().unwrap_or(&copy), row, placement: placement.as_ref() };
        return sink.frame(&input, &mut HostFile(asker));
    }
    // SAFETY: a run of `start`, shared by the threads that work on it.
    let run = unsafe { &*run };
    if let Work::Source(reader, pool) = &run.work {
        let taken = pool.lock().ok().and_then(|mut p| p.pop());
        let mut buffers = taken.unwrap_or_else(|| Buffers { bytes: Vec::new(), frame: Frame::empty() });
        let region = Region { x: view.x, y: view.y, width: view.width, height: view.height };
        asker.take_samples(&mut buffers.frame)?;
        reader.read(view.index, region, &mut buffers.bytes, &mut buffers.frame)?;
        asker.put_frame(&mut buffers.frame)?;
        asker.put_row(&[buffers.bytes.len() as f64]);
        if let Ok(mut pool) = pool.lock() {
            pool.push(buffers);
        }
        return Ok(());
    }
    let worker = worker.ok_or_else(|| Fault::internal("the host gave no worker"))?;
    // SAFETY: the host's views.
    let (lent, placement) = unsafe { (lent(&view, &mut worker.input)?, run.layers.placement(input.placement)?) };
    let input = FrameInput { frame: lent.as_ref().unwrap_or(&worker.input), row, placement: placement.as_ref() };
    match &run.work {
        Work::Map(map) => {
            asker.take_samples(&mut worker.output)?;
            map.frame(&mut worker.scratch, &input, &mut worker.output)?;
            asker.put_frame(&mut worker.output)
        }
        Work::Measure(measure) => {
            let row = measure.frame(&mut worker.scratch, &input)?;
            asker.put_row(&row.values);
            row.motion.into_iter().for_each(|place| asker.put_place(place));
            Ok(())
        }
        // SAFETY: the host's slot.
        Work::Reduce(reduce) => unsafe { hand_over(item, reduce.prepare(&mut worker.scratch, &input)?) },
        _ => Err(Fault::internal("this method does not work on frames")),
    }
}

/// A frame over the host's samples, where they lie packed as ours would; else `None`, and a copy in `copy`.
///
/// # Safety
/// The view's pointers hold what it says for as long as the frame is used.
unsafe fn lent(view: &raw::FrameView, copy: &mut Frame) -> Outcome<Option<Frame>> {
    let layout = take::layout(view.layout)?;
    let area = view.width.checked_mul(view.height).filter(|area| area.checked_mul(layout.planes()).is_some());
    let area = area.ok_or_else(|| Fault::internal("the frame is too large"))?;
    let packed = view.row_stride == view.width && (layout.planes() == 1 || view.plane_stride == area);
    if !packed || area == 0 {
        // SAFETY: as this function's.
        unsafe { take::frame(view, copy)? };
        return Ok(None);
    }
    // SAFETY: as this function's.
    let samples = unsafe { slice(view.data.cast_const(), area * layout.planes(), "a frame's samples")? };
    // SAFETY: the samples live while the call lasts, and the frame over them is lent by shared reference only.
    let data = Samples::handed(unsafe { Handed::lent(samples) });
    let region = Region { x: view.x, y: view.y, width: view.width, height: view.height };
    Ok(Some(Frame { index: view.index, region, layout, data }))
}

unsafe extern "C" fn drop_item(item: *mut c_void) {
    // SAFETY: the host gives back an item once.
    unsafe { drop_boxed::<Item>(item) };
}

unsafe extern "C" fn begin(run: *mut c_void, call: *mut Call) -> i32 {
    // SAFETY: a run of `start`, and for one thread at a time.
    let run = unsafe { &mut *run.cast::<ShimRun>() };
    barrier(run.host, call, |asker| match &mut run.work {
        Work::Sink(sink) => sink.begin(&asker, &mut HostFile(asker)),
        _ => Ok(()),
    })
}

unsafe extern "C" fn add(
    run: *mut c_void,
    call: *mut Call,
    indices: *const usize,
    items: *const *mut c_void,
    count: usize,
) -> i32 {
    // SAFETY: a run of `start`; the host adds from one thread at a time while no frame is worked on.
    let run = unsafe { &mut *run.cast::<ShimRun>() };
    barrier(run.host, call, |asker| {
        // SAFETY: the host's arrays; each item came from `frame` and is handed over here.
        let items: Vec<(usize, Item)> = unsafe {
            let items = slice(items, count, "the items")?;
            let indices = slice(indices, count, "the items' frames")?;
            indices.iter().zip(items).map(|(i, item)| (*i, *Box::from_raw(item.cast::<Item>()))).collect()
        };
        match &mut run.work {
            Work::Reduce(reduce) => reduce.add(&asker, items),
            _ => Ok(()),
        }
    })
}

unsafe extern "C" fn finish(run: *mut c_void, call: *mut Call, again: *mut u32) -> i32 {
    // SAFETY: a run of `start`; the host finishes from one thread while nothing else is called.
    let run = unsafe { &mut *run.cast::<ShimRun>() };
    barrier(run.host, call, |asker| {
        match &mut run.work {
            Work::Reduce(reduce) => match reduce.finish(&asker)? {
                Finish::Done(values) => asker.put_values(&values),
                Finish::Again if again.is_null() => return Err(Fault::internal("the host wants no other sweep")),
                // SAFETY: the host's slot.
                Finish::Again => unsafe { again.write(1) },
            },
            Work::Transform(node, bound) => {
                // SAFETY: the node outlives its runs.
                let node = unsafe { &(**node).node };
                let Node::Transform(transform) = node else { return Err(Fault::internal("not a transform")) };
                let values: Vec<Value> = Transform::run(&**transform, &asker, bound)?;
                asker.put_values(&values);
            }
            Work::Sink(sink) => sink.end(&asker, &mut HostFile(asker))?,
            _ => {}
        }
        Ok(())
    })
}

unsafe extern "C" fn file_stem(node: *mut c_void, call: *mut Call) -> i32 {
    // SAFETY: a node of `create`.
    let shim = unsafe { &*node.cast::<ShimNode>() };
    barrier(shim.host, call, |asker| {
        if let Node::Sink(sink) = &shim.node {
            asker.put_text(&sink.file_stem());
        }
        Ok(())
    })
}

unsafe extern "C" fn memory(
    node: *mut c_void,
    stream: *const raw::StreamView,
    memory: *mut raw::MemoryView,
    output: *mut raw::StreamView,
) -> i32 {
    // SAFETY: a node of `create`.
    let shim = unsafe { &*node.cast::<ShimNode>() };
    let work = || -> Outcome<()> {
        // SAFETY: the host's view.
        let view = unsafe { read(stream, "the stream")? };
        let stream = StreamShape { frames: view.frames, width: view.width, height: view.height, planes: view.planes };
        let need = match &shim.node {
            Node::Map(map) => map.memory(stream),
            Node::Measure(measure) => measure.memory(stream),
            Node::Reduce(reduce) => reduce.memory(stream),
            Node::Transform(transform) => transform.memory(stream),
            _ => Memory::default(),
        };
        let out = if let Node::Map(map) = &shim.node { map.output(stream) } else { stream };
        let Memory { worker, item, state } = need;
        let out =
            raw::StreamView { frames: out.frames, width: out.width, height: out.height, planes: out.planes, ..blank() };
        // SAFETY: the host's views, to be written.
        unsafe {
            write(memory, &raw::MemoryView { worker, item, state, ..blank() }, "the memory")?;
            write(output, &out, "the outgoing stream")
        }
    };
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(Ok(())) => raw::STILLAIR_DONE,
        _ => raw::STILLAIR_INTERNAL,
    }
}

/// The table of a plugin, kept to the end of the program; `None` if the host is of another version, or lacks what
/// every host has.
///
/// # Safety
/// `host` is null or a host's table, which lives to the end of the program.
pub unsafe fn table(plugin: Plugin, host: *const Host) -> Option<&'static PluginTable> {
    // SAFETY: as this function's.
    let host = unsafe { read(host, "the host").ok()? };
    if host.abi != raw::STILLAIR_ABI {
        return None;
    }
    let host: &'static Host = Box::leak(Box::new(host));
    let one = |method: Box<dyn Method>| -> *const MethodTable {
        let data: &'static ShimMethod = Box::leak(Box::new(ShimMethod { method, host }));
        Box::leak(Box::new(MethodTable {
            threading: raw::STILLAIR_THREADS_ANY,
            data: std::ptr::from_ref(data).cast(),
            describe: Some(describe),
            create: Some(create),
            destroy: Some(destroy),
            start: Some(start),
            stop: Some(stop),
            worker: Some(worker),
            drop_worker: Some(drop_worker),
            window: Some(window),
            frame: Some(frame),
            drop_item: Some(drop_item),
            begin: Some(begin),
            add: Some(add),
            finish: Some(finish),
            file_stem: Some(file_stem),
            memory: Some(memory),
            ..blank()
        }))
    };
    let methods: &'static [*const MethodTable] = Vec::leak(plugin.methods.into_iter().map(one).collect());
    Some(Box::leak(Box::new(PluginTable {
        abi: raw::STILLAIR_ABI,
        revision: raw::STILLAIR_REVISION,
        id: text(plugin.id),
        version: text(plugin.version),
        methods: methods.as_ptr(),
        method_count: methods.len(),
        ..blank()
    })))
}

/// What `export!` calls: the plugin's table, or null if making it fails.
///
/// # Safety
/// As [`table`].
pub unsafe fn enter(plugin: fn() -> Plugin, host: *const Host) -> *const PluginTable {
    // SAFETY: as this function's.
    let made = catch_unwind(|| unsafe { table(plugin(), host) });
    made.ok().flatten().map_or(std::ptr::null(), std::ptr::from_ref)
}
