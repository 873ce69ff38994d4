//! Finds hot and dead pixels in the clip itself.
//!
//! A defect stays where it is while the target moves, and it is alone. On the mean of up to 64 frames spread over the
//! clip, the excess of a pixel is its value less the median of its eight neighbours of the same colour. A pixel is a
//! defect if its excess is larger than `threshold` robust standard deviations of all excesses and of its own mean, and
//! if none of its four nearest neighbours has more than a third of it: a moon or a star is blurred over several pixels,
//! a defect is not. Of two neighbours of one colour the one with less than a third of the other's is not a defect: the
//! other stands in its median. Source: common practice, no source.

use stillair_api::{
    Bound, ClipInfo, Context, Description, Entry, Facts, Fault, Finish, FrameInput, Item, Layout, Memory, Method, Node,
    Outcome, Parameter, Parameters, PortType, Reduce, ReduceRun, Scratch, Shape, StreamShape, Value,
};
use stillair_maths::robust::{MAD_TO_SIGMA, mad_f32};

use crate::masters::MeanFrame;

/// Most frames that are looked at.
const MOST_FRAMES: usize = 64;

/// A neighbour with this share of the excess makes the pixel part of something wider.
const ALONE: f32 = 1.0 / 3.0;

/// Columns and rows from a pixel to its eight neighbours, in steps to the next pixel of its colour.
const AROUND: [(isize, isize); 8] = [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)];

/// The method `calibrate.defects`.
pub struct Defects;

impl Method for Defects {
    fn describe(&self) -> Description {
        Description::new("calibrate.defects", Shape::Reduce, "find hot and dead pixels in the clip itself")
            .help(
                "Gives a picture that is zero but for defects, where it holds their excess. Registration must not see \
                 them: they stay with the sensor while the target moves, and pull every frame towards its neighbours. \
                 Needs no dark. Moons and stars are told apart by their width.",
            )
            .source("common practice, no source")
            .contract("calibrate.master")
            .input("frames", PortType::Frames, "the frames as read, mosaic kept")
            .output("image", PortType::Image, "excess of each defect, else 0")
            .parameter(Parameter::number(
                "threshold",
                "standard deviations",
                3.0,
                50.0,
                8.0,
                "how far a defect must stand out of the mean frame",
            ))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Reduce(Box::new(DefectSearch { threshold: parameters.number("threshold")? as f32 })))
    }
}

struct DefectSearch {
    threshold: f32,
}

impl Reduce for DefectSearch {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn ReduceRun>> {
        Ok(Box::new(DefectRun {
            threshold: self.threshold,
            every: info.frames.div_ceil(MOST_FRAMES).max(1),
            layout: info.layout,
            mean: MeanFrame::new(info),
            squares: MeanFrame::new(info),
        }))
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { item: stream.frame_bytes(), state: 8 * stream.frame_bytes(), worker: 0 }
    }
}

struct DefectRun {
    threshold: f32,
    every: usize,
    layout: Layout,
    mean: MeanFrame,
    squares: MeanFrame,
}

impl ReduceRun for DefectRun {
    fn prepare(&self, _scratch: &mut Scratch, input: &FrameInput<'_>) -> Outcome<Item> {
        let looked_at = input.frame.index.is_multiple_of(self.every);
        Ok(Box::new(if looked_at { input.frame.data.to_vec() } else { Vec::new() }))
    }

    fn add(&mut self, _context: &dyn Context, items: Vec<(usize, Item)>) -> Outcome<()> {
        for (_, item) in items {
            let mut data = *item.downcast::<Vec<f32>>().map_err(|_| Fault::internal("an item of another type"))?;
            if !data.is_empty() {
                self.mean.add_frame(&data);
                data.iter_mut().for_each(|v| *v *= *v);
                self.squares.add_frame(&data);
            }
        }
        Ok(())
    }

    fn finish(&mut self, context: &dyn Context) -> Outcome<Finish> {
        let mean = self.mean.image()?;
        let squares = self.squares.image()?;
        let mut defects = mean.clone();
        let mut found = 0;
        for plane in 0..mean.channels {
            let excess = excess_of(mean.channel(plane), mean.width, mean.height, self.layout);
            let spread = mad_f32(&excess, &mut Vec::new()) * MAD_TO_SIGMA as f32;
            let frames = self.mean.frames() as f32;
            let own = |index: usize| {
                let (m, s) = (mean.channel(plane)[index], squares.channel(plane)[index]);
                ((s - m * m).max(0.0) / frames).sqrt()
            };
            let marked = mark(&excess, (mean.width, mean.height), self.layout, self.threshold, spread, own);
            found += marked.iter().filter(|v| **v != 0.0).count();
            defects.channel_mut(plane).copy_from_slice(&marked);
        }
        context.record(Entry::number("defects", found as f64, "px", "hot and dead pixels found"));
        Ok(Finish::Done(vec![Value::Image(defects.into())]))
    }
}

/// Value less the median of the eight neighbours of the same colour; neighbours outside the frame are mirrored inside.
fn excess_of(plane: &[f32], width: usize, height: usize, layout: Layout) -> Vec<f32> {
    let step = if matches!(layout, Layout::Mosaic(_)) { 2 } else { 1 };
    let inside = |at: usize, delta: isize, length: usize| {
        let moved = at as isize + delta;
        let mirrored = if moved < 0 || moved >= length as isize { at as isize - delta } else { moved };
        mirrored.clamp(0, length as isize - 1) as usize
    };
    let mut excess = vec![0.0; plane.len()];
    for y in 0..height {
        for x in 0..width {
            let mut around = [0.0f32; 8];
            for (value, (i, j)) in around.iter_mut().zip(AROUND) {
                *value = plane[inside(y, j * step, height) * width + inside(x, i * step, width)];
            }
            around.sort_unstable_by(f32::total_cmp);
            excess[y * width + x] = plane[y * width + x] - 0.5 * (around[3] + around[4]);
        }
    }
    excess
}

/// Keeps the excess of defects, zero elsewhere.
fn mark(
    excess: &[f32],
    (width, height): (usize, usize),
    layout: Layout,
    threshold: f32,
    spread: f32,
    own: impl Fn(usize) -> f32,
) -> Vec<f32> {
    let step = if matches!(layout, Layout::Mosaic(_)) { 2 } else { 1 };
    let mut marked = vec![0.0; excess.len()];
    for y in 0..height {
        for x in 0..width {
            let index = y * width + x;
            let height_of = excess[index].abs();
            if height_of <= threshold * spread.max(own(index)) {
                continue;
            }
            let neighbours = [
                (x > 0).then(|| index - 1),
                (x + 1 < width).then(|| index + 1),
                (y > 0).then(|| index - width),
                (y + 1 < height).then(|| index + width),
            ];
            let (x, y) = (x as isize, y as isize);
            let shadowed = AROUND.iter().any(|(i, j)| {
                let (u, v) = (x + i * step, y + j * step);
                let inside = u >= 0 && v >= 0 && (u as usize) < width && (v as usize) < height;
                inside && height_of < ALONE * excess[v as usize * width + u as usize].abs()
            });
            if !shadowed && neighbours.into_iter().flatten().all(|n| excess[n].abs() < ALONE * height_of) {
                marked[index] = excess[index];
            }
        }
    }
    marked
}

#[cfg(test)]
mod tests {
    use stillair_api::testing::{TestContext, clip_info, run_reduce};
    use stillair_api::{Frame, Pattern, Region};

    use super::*;

    /// A blurred disc with a moon beside it, noise that depends on frame and pixel, two hot pixels and a dead one.
    #[test]
    fn hot_and_dead_pixels_are_found_and_a_moon_is_not() {
        let (width, height) = (48, 40);
        let layout = Layout::Mosaic(Pattern::Grbg);
        let mut seed = 7u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / 16_777_216.0 - 0.5
        };
        let frames: Vec<Frame> = (0..30)
            .map(|index| {
                let mut frame = Frame::empty();
                frame.reshape(index, Region::whole(width, height), layout);
                for y in 0..height {
                    for x in 0..width {
                        let r = (x as f32 - 20.0).hypot(y as f32 - 19.0);
                        let disc = 0.5 / (1.0 + ((r - 11.0) / 0.9).exp());
                        let moon = 0.4 * (-((x as f32 - 40.0).powi(2) + (y as f32 - 20.0).powi(2)) / 2.4).exp();
                        frame.data[y * width + x] = 0.02 + disc + moon + 0.03 * noise();
                    }
                }
                frame.data[10 * width + 5] += 0.5;
                frame.data[19 * width + 22] += 0.15;
                frame.data[21 * width + 17] = 0.0;
                frame
            })
            .collect();
        let info = clip_info(30, width, height, layout);
        let node = DefectSearch { threshold: 8.0 };
        let values = run_reduce(&node, &TestContext::default(), &Bound::default(), &info, &frames).unwrap();
        let Value::Image(image) = &values[0] else { panic!("an image") };
        let found: Vec<(usize, usize)> =
            (0..width * height).filter(|i| image.data[*i] != 0.0).map(|i| (i % width, i / width)).collect();
        assert_eq!(found, [(5, 10), (22, 19), (17, 21)]);
        assert!(image.data[21 * width + 17] < 0.0);
        assert!(stillair_api::contract::breaches(&Defects.describe()).is_empty());
    }
}
