//! Time per frame of the registration's sweeps.

use std::sync::Arc;

use divan::{Bencher, black_box};
use stillair_api::testing::{TestContext, clip_info};
use stillair_api::{Bound, ColumnSpec, Facts, Frame, FrameInput, Layout, Node, Pattern, Reduce, Region, Table, Value};

fn main() {
    divan::main();
}

const WIDTH: usize = 128;
const HEIGHT: usize = 112;

fn reduce(name: &str) -> Box<dyn Reduce> {
    let method = stillair_align::plugin().methods.into_iter().find(|m| m.describe().method == name);
    let Some(method) = method else { panic!("{name} exists") };
    match method.create(&method.describe().defaults(), &Facts::default()) {
        Ok(Node::Reduce(node)) => node,
        _ => panic!("{name} is a reduce"),
    }
}

/// A mosaic frame of a bright disc with a belt.
fn frame(index: usize) -> Frame {
    let mut frame = Frame::empty();
    frame.reshape(index, Region::whole(WIDTH, HEIGHT), Layout::Mosaic(Pattern::Rggb));
    for (i, v) in frame.data.iter_mut().enumerate() {
        let (x, y) = ((i % WIDTH) as f32 - 63.5 - index as f32 * 0.3, (i / WIDTH) as f32 - 55.5);
        let disc = 1.0 / (1.0 + ((x * x + y * y).sqrt() - 40.0).exp());
        *v = 0.02 + disc * (0.6 - 0.2 * (-(y - 8.0) * (y - 8.0) / 20.0).exp());
    }
    frame
}

fn bound(frames: usize) -> (Bound, Table) {
    let info = clip_info(frames, WIDTH, HEIGHT, Layout::Mono);
    let mut table = Table::for_frames(&info.time_s, info.exposure_s);
    table.push(ColumnSpec::number("x_px", "px", ""), (0..frames).map(|i| 63.5 + 0.3 * i as f64).collect());
    table.push(ColumnSpec::number("y_px", "px", ""), vec![55.5; frames]);
    (Bound::default().with("table", Value::Table(Arc::new(table.clone()))), table)
}

/// `prepare` in the first sweep (places from the table), and in later ones (registration).
#[divan::bench(args = [0, 1, 3])]
fn correlate_prepare(bencher: Bencher, sweep: usize) {
    let info = clip_info(4, WIDTH, HEIGHT, Layout::Mosaic(Pattern::Rggb));
    let (bound, table) = bound(4);
    let context = TestContext::default();
    let Ok(mut run) = reduce("align.correlate").start(&context, &bound, &info) else { return };
    let mut scratch = run.worker();
    let frames: Vec<Frame> = (0..4).map(frame).collect();
    for _ in 0..sweep {
        for frame in &frames {
            let input = FrameInput { frame, row: Some(table.row(frame.index)), placement: None };
            let Ok(item) = run.prepare(&mut scratch, &input) else { return };
            let Ok(()) = run.add(&context, vec![(frame.index, item)]) else { return };
        }
        let Ok(_) = run.finish(&context) else { return };
    }
    let input = FrameInput { frame: &frames[2], row: Some(table.row(2)), placement: None };
    bencher.bench_local(|| black_box(run.prepare(&mut scratch, &input).is_ok()));
}
