//! Time of `find.disc` per frame.

use divan::Bencher;
use stillair_api::testing::{TestContext, clip_info};
use stillair_api::{Bound, Facts, Frame, FrameInput, Layout, Node, Pattern, Region};

fn main() {
    divan::main();
}

#[divan::bench(args = [(128, 112), (256, 224), (640, 480)])]
fn disc(bencher: Bencher, (width, height): (usize, usize)) {
    let layout = Layout::Mosaic(Pattern::Rggb);
    let plugin = stillair_find::plugin();
    let method = &plugin.methods[0];
    let Ok(Node::Measure(node)) = method.create(&method.describe().defaults(), &Facts::default()) else { return };
    let info = clip_info(1, width, height, layout);
    let Ok(run) = node.start(&TestContext::default(), &Bound::default(), &info) else { return };
    let mut frame = Frame::empty();
    frame.reshape(0, Region::whole(width, height), layout);
    let mut state = 1_u32;
    for (i, v) in frame.data.iter_mut().enumerate() {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let (x, y) = ((i % width) as f32, (i / width) as f32);
        let inside = (x - 0.5 * width as f32).hypot(y - 0.5 * height as f32) < 0.35 * height as f32;
        *v = f32::from(u8::from(inside)) * 0.5 + (state >> 8) as f32 * 1e-9;
    }
    let mut scratch = run.worker();
    bencher.bench_local(|| run.frame(&mut scratch, &FrameInput { frame: &frame, row: None, placement: None }));
}
