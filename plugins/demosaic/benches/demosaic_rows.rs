//! Time of each demosaic per frame.

use divan::Bencher;
use stillair_api::testing::{TestContext, clip_info};
use stillair_api::{Bound, Facts, Frame, FrameInput, Layout, Node, Pattern};

fn main() {
    divan::main();
}

fn run(bencher: Bencher, (width, height): (usize, usize), method: usize) {
    let layout = Layout::Mosaic(Pattern::Rggb);
    let plugin = stillair_demosaic::plugin();
    let Ok(Node::Map(node)) = plugin.methods[method].create(&Default::default(), &Facts::default()) else { return };
    let info = clip_info(1, width, height, layout);
    let Ok(run) = node.start(&TestContext::default(), &Bound::default(), &info) else { return };
    let mut frame = Frame::empty();
    frame.reshape(0, info.region(), layout);
    frame.data.iter_mut().enumerate().for_each(|(i, v)| *v = (i % 251) as f32 / 251.0);
    let (mut scratch, mut out) = (run.worker(), Frame::empty());
    bencher
        .bench_local(|| run.frame(&mut scratch, &FrameInput { frame: &frame, row: None, placement: None }, &mut out));
}

#[divan::bench(args = [(128, 112), (640, 480)])]
fn bilinear(bencher: Bencher, size: (usize, usize)) {
    run(bencher, size, 0);
}

#[divan::bench(args = [(128, 112), (640, 480)])]
fn gradient(bencher: Bencher, size: (usize, usize)) {
    run(bencher, size, 1);
}
