//! Time of each grade per frame.

use std::sync::Arc;

use divan::Bencher;
use stillair_api::testing::{TestContext, clip_info};
use stillair_api::{
    Bound, ColumnSpec, Facts, Frame, FrameInput, GlobalRow, Image, Layout, Node, Pattern, Placement, Table, Value,
};

fn main() {
    divan::main();
}

fn run(bencher: Bencher, side: usize, method: usize) {
    let layout = Layout::Mosaic(Pattern::Rggb);
    let plugin = stillair_grade::plugin();
    let method = &plugin.methods[method];
    let Ok(Node::Measure(node)) = method.create(&method.describe().defaults(), &Facts::default()) else { return };
    let info = clip_info(1, side, side, layout);
    let mut frame = Frame::empty();
    frame.reshape(0, info.region(), layout);
    let middle = 0.5 * side as f32;
    for (i, v) in frame.data.iter_mut().enumerate() {
        let inside = ((i % side) as f32 - middle).hypot((i / side) as f32 - middle) < 0.35 * side as f32;
        *v = if inside { 0.5 + 0.01 * (i % 17) as f32 } else { 0.02 };
    }
    let mut reference = Image::new(side, side, 1);
    reference.data.copy_from_slice(&frame.data);
    reference.info.reference_px = [f64::from(middle); 2];
    let mut table = Table::for_frames(&[0.0], None);
    for (name, value) in [("flux", 2000.0), ("radius_px", 40.0), ("noise", 0.01), ("target_noise", 0.02)] {
        table.push(ColumnSpec::number(name, "", ""), vec![value]);
    }
    let table = Arc::new(table);
    let bound = Bound::default()
        .with("table", Value::Table(table.clone()))
        .with("reference", Value::Image(Arc::new(reference)));
    let Ok(run) = node.start(&TestContext::default(), &bound, &info) else { return };
    let placement = Placement::global(0, GlobalRow::at(f64::from(middle) + 0.3, f64::from(middle) - 0.2));
    let mut scratch = run.worker();
    bencher.bench_local(|| {
        let input = FrameInput { frame: &frame, row: Some(table.row(0)), placement: Some(&placement) };
        run.frame(&mut scratch, &input)
    });
}

#[divan::bench(args = [112, 240])]
fn gradient(bencher: Bencher, side: usize) {
    run(bencher, side, 0);
}

#[divan::bench(args = [112, 240])]
fn laplacian(bencher: Bencher, side: usize) {
    run(bencher, side, 1);
}

#[divan::bench(args = [112, 240])]
fn projection(bencher: Bencher, side: usize) {
    run(bencher, side, 2);
}
