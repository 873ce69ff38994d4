//! Time per frame of the weighted mean.

use std::sync::Arc;

use divan::{Bencher, black_box};
use stillair_api::testing::{TestContext, clip_info};
use stillair_api::{
    Bound, Facts, Frame, FrameInput, GlobalRow, Layout, Node, Pattern, Placement, Reduce, ReduceRun, Region, Table,
    Value,
};

fn main() {
    divan::main();
}

const WIDTH: usize = 128;
const HEIGHT: usize = 112;

fn reduce() -> Box<dyn Reduce> {
    let method = stillair_stack::plugin().methods.into_iter().find(|m| m.describe().method == "stack.mean");
    let Some(method) = method else { panic!("stack.mean exists") };
    match method.create(&method.describe().defaults(), &Facts::default()) {
        Ok(Node::Reduce(node)) => node,
        _ => panic!("a stack is a reduce"),
    }
}

fn layout(name: &str) -> Layout {
    match name {
        "mosaic" => Layout::Mosaic(Pattern::Rggb),
        "rgb" => Layout::Rgb,
        _ => Layout::Mono,
    }
}

struct Setting {
    run: Box<dyn ReduceRun>,
    frame: Frame,
    table: Table,
    placement: Placement,
    context: TestContext,
}

fn setting(name: &str, rotation_rad: f64) -> Option<Setting> {
    let layout = layout(name);
    let info = clip_info(1, WIDTH, HEIGHT, layout);
    let table = Table::for_frames(&info.time_s, info.exposure_s);
    let bound = Bound::default().with("table", Value::Table(Arc::new(table.clone())));
    let context = TestContext::default();
    let run = reduce().start(&context, &bound, &info).ok()?;
    let mut frame = Frame::empty();
    frame.reshape(0, Region::whole(WIDTH, HEIGHT), layout);
    for (i, v) in frame.data.iter_mut().enumerate() {
        *v = (i % 97) as f32 / 97.0;
    }
    let placement = Placement::global(0, GlobalRow { rotation_rad, ..GlobalRow::at(63.2, 55.9) });
    Some(Setting { run, frame, table, placement, context })
}

fn prepare(bencher: Bencher, name: &str, rotation_rad: f64) {
    let Some(mut s) = setting(name, rotation_rad) else { return };
    let mut scratch = s.run.worker();
    let input = FrameInput { frame: &s.frame, row: Some(s.table.row(0)), placement: Some(&s.placement) };
    bencher.bench_local(|| {
        let item = s.run.prepare(&mut scratch, &input);
        // Adding gives the buffers back to the pool.
        black_box(item.and_then(|item| s.run.add(&s.context, vec![(0, item)])).is_ok())
    });
}

/// `prepare` and `add` of a shifted frame.
#[divan::bench(args = ["mono", "rgb", "mosaic"])]
fn shifted(bencher: Bencher, name: &str) {
    prepare(bencher, name, 0.0);
}

/// `prepare` and `add` of a turned frame.
#[divan::bench(args = ["mono", "rgb", "mosaic"])]
fn turned(bencher: Bencher, name: &str) {
    prepare(bencher, name, 0.02);
}
