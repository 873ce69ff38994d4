//! A small engine for the check: made-up frames and values, any number of threads, and the bits that come out.

use std::fmt;
use std::io::Cursor;
use std::path::PathBuf;
use std::sync::Mutex;

use stillair_api::testing::clip_info;
use stillair_api::{
    Bound, ClipInfo, ColumnSpec, Context, Description, Entry, Fault, Finish, Frame, FrameInput, GlobalRow, Image,
    Layout, Motion, Node, Outcome, Pattern, Placement, PortType, Record, Region, Row, Scratch, Source, Table, Value,
    columns,
};

/// The window that a map asks for, by frame and row.
type WindowOf<'a> = dyn Fn(usize, Option<&Row<'_>>) -> Outcome<Option<Region>> + Sync + 'a;

const FRAMES: usize = 6;

/// What the frames show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Content {
    Disc,
    Black,
    Nan,
}

/// A made-up clip.
pub(super) struct Scene {
    width: usize,
    height: usize,
    layout: Layout,
    content: Content,
}

impl fmt::Display for Scene {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let content = match self.content {
            Content::Disc => "a disc",
            Content::Black => "black",
            Content::Nan => "samples that are no numbers",
        };
        let layout = match self.layout {
            Layout::Mono => "mono",
            Layout::Mosaic(_) => "colour mosaic",
            Layout::Rgb => "colour",
        };
        write!(f, "{}x{} px, {layout}, {content}", self.width, self.height)
    }
}

impl Scene {
    /// Odd sizes, all layouts, contents that nobody wishes for.
    pub fn all() -> Vec<Self> {
        let mut all = Vec::new();
        for (width, height) in [(1, 1), (2, 3), (7, 5), (33, 17), (64, 48)] {
            for layout in [Layout::Mono, Layout::Mosaic(Pattern::Grbg), Layout::Rgb] {
                for content in [Content::Disc, Content::Black, Content::Nan] {
                    all.push(Self { width, height, layout, content });
                }
            }
        }
        all
    }

    /// A picture that takes a while.
    pub fn large() -> Self {
        Self { width: 640, height: 480, layout: Layout::Rgb, content: Content::Disc }
    }

    fn sample(&self, index: usize, plane: usize, x: usize, y: usize) -> f32 {
        match self.content {
            Content::Black => 0.0,
            Content::Nan => f32::NAN,
            Content::Disc => {
                let shift = index as f32 * 0.3;
                let (dx, dy) = (x as f32 - self.width as f32 / 2.0 - shift, y as f32 - self.height as f32 / 2.0);
                let radius = self.height as f32 / 3.0;
                let inside = dx * dx + dy * dy < radius * radius;
                let grain = ((x * 7 + y * 13 + index * 5 + plane * 3) % 11) as f32 * 0.004;
                if inside { 0.5 + grain } else { 0.02 + grain }
            }
        }
    }

    fn frame(&self, index: usize) -> Frame {
        let mut frame = Frame::empty();
        frame.reshape(index, Region::whole(self.width, self.height), self.layout);
        for plane in 0..self.layout.planes() {
            for (pixel, value) in frame.plane_mut(plane).iter_mut().enumerate() {
                *value = self.sample(index, plane, pixel % self.width, pixel / self.width);
            }
        }
        frame
    }

    fn table(&self) -> Table {
        let mut table = Table::for_frames(&[0.0, 0.01, 0.02, 0.03, 0.04, 0.05], Some(0.01));
        let (w, h) = (self.width as f64, self.height as f64);
        let bad = self.content == Content::Nan;
        for (name, value) in [
            (columns::X_PX, w / 2.0),
            (columns::Y_PX, h / 2.0),
            (columns::WIDTH_PX, w / 2.0),
            (columns::HEIGHT_PX, h / 2.0),
            (columns::RADIUS_PX, h / 3.0),
            (columns::FLUX, w * h / 8.0),
            (columns::BACKGROUND, 0.02),
            (columns::NOISE, 0.004),
            (columns::PEAK, 0.5),
            (columns::CLIPPED, 0.0),
            (columns::CUT, 0.0),
            (columns::FOUND, 1.0),
            (columns::TRANSPARENCY, 1.0),
            (columns::USABLE, 1.0),
            (columns::GRADE, 1.0),
        ] {
            let of = |i: usize| if bad && name != columns::USABLE { f64::NAN } else { value + i as f64 * 1e-3 };
            let flag = [columns::FOUND, columns::USABLE].contains(&name);
            let values = (0..FRAMES).map(|i| if flag && !bad { 1.0 } else { of(i) }).collect();
            table.push(ColumnSpec::number(name, "", ""), values);
        }
        table.push(ColumnSpec::number(columns::WEIGHT, "", ""), vec![1.0; FRAMES]);
        table
    }

    fn motion(&self) -> Motion {
        let row = |i: usize| GlobalRow::at(self.width as f64 / 2.0 + 0.3 * i as f64, self.height as f64 / 2.0);
        Motion { global: Some((0..FRAMES).map(row).collect()), ..Motion::default() }
    }

    fn image(&self) -> Image {
        let channels = self.layout.planes();
        let mut image = Image::new(self.width, self.height, channels);
        image.data = self.frame(0).data.into_vec();
        image.halves = Some([self.frame(1).data.into_vec(), self.frame(2).data.into_vec()]);
        image.info.frames_used = FRAMES;
        image.info.frames_effective = FRAMES as f64;
        image.info.reference_px = [self.width as f64 / 2.0, self.height as f64 / 2.0];
        image
    }
}

/// Says whether to stop; keeps nothing.
struct Quiet {
    stop: bool,
    threads: usize,
}

impl Context for Quiet {
    fn cancelled(&self) -> bool {
        self.stop
    }

    fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync)) {
        let next = std::sync::atomic::AtomicUsize::new(0);
        let work = || {
            loop {
                let index = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                if index >= n {
                    break;
                }
                task(index);
            }
        };
        std::thread::scope(|scope| {
            for _ in 1..self.threads {
                scope.spawn(work);
            }
            work();
        });
    }

    fn record(&self, _entry: Entry) {}

    fn warn(&self, _message: &str) {}

    fn reserve(&self, _bytes: u64) -> bool {
        false
    }
}

/// A method on a scene.
pub(super) struct Trial<'a> {
    pub description: &'a Description,
    pub scene: &'a Scene,
}

impl Trial<'_> {
    fn bound(&self) -> Bound {
        let mut bound = Bound { provenance: "{\"recipe\":\"check\"}".into(), ..Bound::default() };
        for port in &self.description.inputs {
            let value = match port.kind {
                PortType::Frames => continue,
                PortType::Table => Value::Table(self.scene.table().into()),
                PortType::Motion => Value::Motion(self.scene.motion().into()),
                PortType::Image => Value::Image(self.scene.image().into()),
                PortType::Record => Value::Record(Record { entries: vec![Entry::text("made-up", "yes")] }.into()),
            };
            bound = bound.with(&port.name, value);
        }
        bound
    }

    /// Runs the node; the bits of all that comes out.
    pub fn run(&self, node: &Node, threads: usize, batch: usize, stop: bool) -> Outcome<Vec<u8>> {
        let bound = self.bound();
        let context = Quiet { stop, threads };
        let scene = self.scene;
        let info = clip_info(FRAMES, scene.width, scene.height, scene.layout);
        let mut bits = Bits::default();
        let whole = |_: usize, _: Option<&Row<'_>>| Ok(None);
        match node {
            Node::Source(_) => return Err(Fault::internal("a source is tried otherwise")),
            Node::Map(map) => {
                let run = map.start(&context, &bound, &info)?;
                bits.put(&serde_json::to_vec(run.info()).unwrap_or_default());
                let one = |input: &FrameInput<'_>, scratch: &mut Scratch| {
                    let mut out = Frame::empty();
                    run.frame(scratch, input, &mut out)?;
                    Ok(out)
                };
                let window = |index: usize, row: Option<&Row<'_>>| run.window(index, row);
                for frame in self.frames(&bound, threads, &|| run.worker(), &window, &one)? {
                    bits.put(format!("{:?}{:?}", frame.region, frame.layout).as_bytes());
                    bits.floats(&frame.data);
                }
            }
            Node::Measure(measure) => {
                let run = measure.start(&context, &bound, &info)?;
                let one = |input: &FrameInput<'_>, scratch: &mut Scratch| run.frame(scratch, input);
                for row in self.frames(&bound, threads, &|| run.worker(), &whole, &one)? {
                    bits.doubles(&row.values);
                    bits.put(format!("{:?}", row.motion).as_bytes());
                }
            }
            Node::Reduce(reduce) => {
                let mut run = reduce.start(&context, &bound, &info)?;
                for _ in 0..self.description.sweeps.max(1) {
                    let items = {
                        let one = |input: &FrameInput<'_>, scratch: &mut Scratch| run.prepare(scratch, input);
                        self.frames(&bound, threads, &|| run.worker(), &whole, &one)?
                    };
                    let mut items = items.into_iter().enumerate().peekable();
                    while items.peek().is_some() {
                        run.add(&context, items.by_ref().take(batch).collect())?;
                    }
                    if let Finish::Done(values) = run.finish(&context)? {
                        self.declared(&bound, &values)?;
                        bits.values(&values);
                        return Ok(bits.0);
                    }
                }
                return Err(Fault::internal("it asks for more sweeps than it declares"));
            }
            Node::Transform(transform) => {
                let values = transform.run(&context, &bound)?;
                self.declared(&bound, &values)?;
                bits.values(&values);
            }
            Node::Sink(sink) => self.sink(sink.as_ref(), &context, &bound, &info, &mut bits)?,
        }
        Ok(bits.0)
    }

    /// A recipe is checked by the columns that descriptions name: a method that names any has to name all.
    fn declared(&self, bound: &Bound, values: &[Value]) -> Outcome<()> {
        let tables = |values: &[Value]| -> Vec<String> {
            let of = values.iter().filter_map(|v| if let Value::Table(t) = v { Some(t) } else { None });
            of.flat_map(|t| t.columns()).map(|c| c.spec.name.clone()).collect()
        };
        let mut known: Vec<String> =
            Table::for_frames(&[], None).columns().iter().map(|c| c.spec.name.clone()).collect();
        known.extend(bound.values.values().flat_map(|values| tables(values)));
        known.extend(self.description.columns.iter().map(|c| c.name.clone()));
        let plain = |name: &str| match name.rsplit_once('_') {
            Some((plain, number)) if number.parse::<u32>().is_ok() => plain.to_string(),
            _ => name.to_string(),
        };
        let undeclared = tables(values).into_iter().find(|name| !known.contains(name) && !known.contains(&plain(name)));
        match undeclared.filter(|_| !self.description.columns.is_empty()) {
            Some(name) => {
                Err(Fault::internal(format!("its table has the column {name}, which its description does not name")))
            }
            None => Ok(()),
        }
    }

    fn sink(
        &self,
        sink: &dyn stillair_api::Sink,
        context: &Quiet,
        bound: &Bound,
        info: &ClipInfo,
        bits: &mut Bits,
    ) -> Outcome<()> {
        let takes_frames = self.description.inputs.iter().any(|p| p.kind == PortType::Frames);
        let mut run = sink.start(context, bound, takes_frames.then_some(info))?;
        let mut file = Cursor::new(Vec::new());
        run.begin(context, &mut file)?;
        if takes_frames {
            for index in 0..FRAMES {
                let frame = self.scene.frame(index);
                let table = bound.maybe_table("table");
                let row = table.map(|t| t.row(index));
                run.frame(&FrameInput { frame: &frame, row, placement: None }, &mut file)?;
            }
        }
        run.end(context, &mut file)?;
        bits.put(sink.file_stem().as_bytes());
        bits.put(file.get_ref());
        Ok(())
    }

    /// Works on all frames with so many threads; results in the order of the frames.
    fn frames<T: Send>(
        &self,
        bound: &Bound,
        threads: usize,
        worker: &(dyn Fn() -> Scratch + Sync),
        window: &WindowOf<'_>,
        one: &(dyn Fn(&FrameInput<'_>, &mut Scratch) -> Outcome<T> + Sync),
    ) -> Outcome<Vec<T>> {
        let tables: Vec<_> = bound.values.values().flatten().collect();
        let table = tables.iter().find_map(|v| if let Value::Table(t) = v { Some(t) } else { None });
        let motion = tables.iter().find_map(|v| if let Value::Motion(m) = v { Some(m) } else { None });
        let done: Mutex<Vec<(usize, Outcome<T>)>> = Mutex::default();
        std::thread::scope(|scope| {
            for thread in 0..threads {
                let done = &done;
                scope.spawn(move || {
                    let mut scratch = worker();
                    for index in (thread..FRAMES).step_by(threads) {
                        let whole = self.scene.frame(index);
                        let placement = motion.map(|m| Placement::compose(index, &[m.as_ref()])).transpose();
                        let outcome = placement.and_then(|placement| {
                            let row = table.map(|t| t.row(index));
                            let mut frame = Frame::empty();
                            frame.copy_window(&whole, window(index, row.as_ref())?.unwrap_or(whole.region));
                            one(&FrameInput { frame: &frame, row, placement: placement.as_ref() }, &mut scratch)
                        });
                        if let Ok(mut done) = done.lock() {
                            done.push((index, outcome));
                        }
                    }
                });
            }
        });
        let mut done = done.into_inner().unwrap_or_default();
        done.sort_by_key(|(index, _)| *index);
        done.into_iter().map(|(_, outcome)| outcome).collect()
    }
}

/// Opens a source and reads: the first frame twice, a part of it, and a frame that is not there.
pub(super) fn source(source: &dyn Source, paths: &[PathBuf]) -> Outcome<()> {
    let context = Quiet { stop: false, threads: 1 };
    let reader = source.open(&context, paths)?;
    let info = reader.info().clone();
    let (mut bytes, mut first, mut again) = (Vec::new(), Frame::empty(), Frame::empty());
    reader.read(0, info.region(), &mut bytes, &mut first)?;
    reader.read(0, info.region(), &mut bytes, &mut again)?;
    let same = |a: &Frame, b: &Frame| a.data.iter().map(|v| v.to_bits()).eq(b.data.iter().map(|v| v.to_bits()));
    if !same(&first, &again) {
        return Err(Fault::internal("a frame that is read twice has other bits"));
    }
    let part = Region { x: info.width / 3, y: info.height / 3, width: info.width / 2, height: info.height / 2 };
    if part.area() > 0 {
        let mut window = Frame::empty();
        reader.read(0, part, &mut bytes, &mut window)?;
        again.copy_window(&first, part);
        if !same(&window, &again) {
            return Err(Fault::internal("a part of a frame differs from the frame"));
        }
    }
    match reader.read(info.frames, info.region(), &mut bytes, &mut again) {
        Ok(()) => Err(Fault::internal("it reads a frame past the last")),
        Err(_) => Ok(()),
    }
}

/// The bits of what came out.
#[derive(Default)]
struct Bits(Vec<u8>);

impl Bits {
    fn put(&mut self, bytes: &[u8]) {
        self.0.extend_from_slice(&(bytes.len() as u64).to_le_bytes());
        self.0.extend_from_slice(bytes);
    }

    fn floats(&mut self, values: &[f32]) {
        self.put(&values.iter().flat_map(|v| v.to_bits().to_le_bytes()).collect::<Vec<_>>());
    }

    fn doubles(&mut self, values: &[f64]) {
        self.put(&values.iter().flat_map(|v| v.to_bits().to_le_bytes()).collect::<Vec<_>>());
    }

    fn values(&mut self, values: &[Value]) {
        for value in values {
            match value {
                Value::Table(table) => {
                    for column in table.columns() {
                        self.put(column.spec.name.as_bytes());
                        self.doubles(&column.data);
                    }
                }
                Value::Image(image) => {
                    self.put(
                        format!("{} {} {} {:?}", image.width, image.height, image.channels, image.info).as_bytes(),
                    );
                    self.floats(&image.data);
                    image.weight.iter().for_each(|w| self.floats(w));
                    image.halves.iter().flatten().for_each(|h| self.floats(h));
                }
                Value::Motion(motion) => self.put(format!("{motion:?}").as_bytes()),
                Value::Record(record) => self.put(format!("{record:?}").as_bytes()),
            }
        }
    }
}
