//! What every linear demosaic shares: rows with a margin, and the node that runs a row kernel over a frame.

use stillair_api::{
    Bound, ClipInfo, Context, Fault, Frame, FrameInput, Layout, Map, MapRun, Memory, Outcome, Pattern, Scratch,
    StreamShape, scratch_of,
};

/// Samples computed at a time; fixed, so that a row has one result on every processor.
pub(crate) const STEP: usize = 16;
/// Samples that a row is continued by on either side.
pub(crate) const MARGIN: usize = 2;

/// Five neighbouring rows of the mosaic, each continued on both sides: `rows[2]` is the one to be made.
pub(crate) type Rows<'a> = [&'a [f32]; 5];

/// Where a row kernel writes: the colour that the row has beside green, green, and the third colour.
pub(crate) struct Targets<'a> {
    pub own: &'a mut [f32],
    pub green: &'a mut [f32],
    pub other: &'a mut [f32],
}

/// Makes the three colours of one row. `own_first` says whether the samples in even columns are of the row's own
/// colour (else they are green).
pub(crate) type RowKernel = fn(rows: &Rows<'_>, own_first: bool, targets: Targets<'_>);

/// Index of the sample that stands for `index` in a line of `length`: mirrored about the outermost sample, which
/// keeps the parity and so the colour.
fn mirrored(index: isize, length: usize) -> usize {
    let last = length as isize - 1;
    if last <= 0 {
        return 0;
    }
    let folded = index.rem_euclid(2 * last);
    folded.min(2 * last - folded) as usize
}

/// Runs `kernel` over a mosaic of `width` x `height` samples. `padded` keeps the continued rows between frames.
pub(crate) fn demosaic(
    mosaic: &[f32],
    width: usize,
    height: usize,
    pattern: Pattern,
    kernel: RowKernel,
    padded: &mut Vec<f32>,
    out: &mut [f32],
) {
    let stride = width + 2 * MARGIN;
    padded.resize(5 * stride, 0.0);
    let slot = |y: isize| (y.rem_euclid(5)) as usize * stride;
    let fill = |y: isize, padded: &mut [f32]| {
        let source = &mosaic[mirrored(y, height) * width..][..width];
        let line = &mut padded[slot(y)..slot(y) + stride];
        line[MARGIN..MARGIN + width].copy_from_slice(source);
        for i in 0..MARGIN {
            line[i] = source[mirrored(i as isize - MARGIN as isize, width)];
            line[MARGIN + width + i] = source[mirrored((width + i) as isize, width)];
        }
    };
    let (red_x, red_y) = pattern.red();
    let (red, rest) = out.split_at_mut(width * height);
    let (green, blue) = rest.split_at_mut(width * height);
    (-2..2).for_each(|y| fill(y, padded));
    for y in 0..height {
        fill(y as isize + 2, padded);
        let rows = [-2, -1, 0, 1, 2].map(|d| &padded[slot(y as isize + d)..slot(y as isize + d) + stride]);
        let line = y * width..(y + 1) * width;
        let in_red_row = y & 1 == red_y;
        let (own, other) = if in_red_row { (&mut *red, &mut *blue) } else { (&mut *blue, &mut *red) };
        let targets = Targets { own: &mut own[line.clone()], green: &mut green[line.clone()], other: &mut other[line] };
        // Blue stands a column beside red.
        kernel(&rows, in_red_row == (red_x == 0), targets);
    }
}

/// The node of a linear demosaic.
pub(crate) struct RowsNode(pub RowKernel);

impl Map for RowsNode {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        let mut info = info.clone();
        if matches!(info.layout, Layout::Mosaic(_)) {
            if info.width < 2 || info.height < 2 {
                let size = format!("a colour mosaic of {} x {} px has not all three colours", info.width, info.height);
                return Err(Fault::data(size).remedy("give a window of at least 2 x 2 px"));
            }
            info.layout = Layout::Rgb;
        }
        Ok(Box::new(RowsRun { kernel: self.0, info }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { worker: (5 * (stream.width + 2 * MARGIN) * 4) as u64, ..Memory::default() }
    }

    fn output(&self, stream: StreamShape) -> StreamShape {
        StreamShape { planes: 3, ..stream }
    }
}

struct RowsRun {
    kernel: RowKernel,
    info: ClipInfo,
}

impl MapRun for RowsRun {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn worker(&self) -> Scratch {
        Box::new(Vec::<f32>::new())
    }

    fn frame(&self, scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        let frame = input.frame;
        match frame.layout {
            Layout::Mosaic(pattern) => {
                out.reshape(frame.index, frame.region, Layout::Rgb);
                let padded = scratch_of::<Vec<f32>>(scratch)?;
                let (width, height) = (frame.width(), frame.height());
                demosaic(&frame.data, width, height, pattern, self.kernel, padded, &mut out.data);
            }
            other => {
                out.reshape(frame.index, frame.region, other);
                out.data.copy_from_slice(&frame.data);
            }
        }
        Ok(())
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use std::path::Path;
    use stillair_api::testing::{clip_info, run_map};
    use stillair_api::{Facts, Method, Node};

    /// An array of tests/data as f32, and its shape.
    fn array(name: &str) -> (Vec<f32>, Vec<u64>) {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name);
        let bytes = std::fs::read(path).unwrap();
        let npy = npyz::NpyFile::new(&bytes[..]).unwrap();
        let shape = npy.shape().to_vec();
        match npy.dtype().descr().as_str() {
            "'<f4'" => (npy.into_vec::<f32>().unwrap(), shape),
            _ => (npy.into_vec::<f64>().unwrap().iter().map(|&v| v as f32).collect(), shape),
        }
    }

    fn node(method: &dyn Method) -> Box<dyn Map> {
        match method.create(&method.describe().defaults(), &Facts::default()) {
            Ok(Node::Map(node)) => node,
            _ => panic!("a demosaic is a map"),
        }
    }

    /// Compares a method with the library's arrays (tests/data/README.md), inside the two outermost rows and columns.
    pub(crate) fn compare(method: &dyn Method, prefix: &str) {
        for pattern in Pattern::ALL {
            let letters = pattern.letters().to_lowercase();
            let (mosaic, shape) = array(&format!("cfa_{letters}.npy"));
            let (expected, _) = array(&format!("{prefix}_{letters}.npy"));
            let (height, width) = (shape[0] as usize, shape[1] as usize);
            let info = clip_info(1, width, height, Layout::Mosaic(pattern));
            let frame = Frame { index: 0, region: info.region(), layout: info.layout, data: mosaic.into() };
            let out = &run_map(&*node(method), &Bound::default(), &info, &[frame]).unwrap()[0];
            assert_eq!(out.layout, Layout::Rgb);
            for y in 2..height - 2 {
                for x in 2..width - 2 {
                    for colour in 0..3 {
                        let (got, want) = (out.plane(colour)[y * width + x], expected[(y * width + x) * 3 + colour]);
                        assert!((got - want).abs() < 1e-5, "{letters} {x} {y} {colour}: {got} {want}");
                    }
                }
            }
        }
    }

    /// A flat scene in three colours stays so up to the last pixel, at every size and parity.
    pub(crate) fn keep_flat_colours(method: &dyn Method) {
        for (width, height) in [(2, 2), (3, 5), (16, 4), (37, 9), (64, 6)] {
            for pattern in Pattern::ALL {
                let info = clip_info(1, width, height, Layout::Mosaic(pattern));
                let mut frame = Frame::empty();
                frame.reshape(0, info.region(), info.layout);
                for (i, v) in frame.data.iter_mut().enumerate() {
                    *v = [0.25, 0.5, 0.75][pattern.colour_at(i % width, i / width)];
                }
                let out = &run_map(&*node(method), &Bound::default(), &info, &[frame]).unwrap()[0];
                for (colour, level) in [0.25, 0.5, 0.75].into_iter().enumerate() {
                    let off = out.plane(colour).iter().map(|v| (v - level).abs()).fold(0.0, f32::max);
                    assert!(off < 1e-6, "{width} x {height} {pattern:?} {colour} {off}");
                }
            }
        }
    }

    pub(crate) fn pass_others_through(method: &dyn Method) {
        for layout in [Layout::Mono, Layout::Rgb] {
            let info = clip_info(1, 5, 3, layout);
            let mut frame = Frame::empty();
            frame.reshape(0, info.region(), layout);
            frame.data.iter_mut().enumerate().for_each(|(i, v)| *v = i as f32);
            let out = run_map(&*node(method), &Bound::default(), &info, std::slice::from_ref(&frame)).unwrap();
            assert_eq!(out[0], frame);
        }
    }

    #[test]
    fn a_mirrored_index_keeps_its_parity() {
        for n in 2..7_usize {
            for i in -5..12_isize {
                let at = mirrored(i, n);
                assert!(at < n && (at as isize - i) % 2 == 0, "{i} {n} {at}");
            }
        }
    }
}
