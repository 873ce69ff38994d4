//! Replaces defects by the median of their sound neighbours of the same colour.
//!
//! The neighbours are the eight of the same colour (two columns or rows away on a mosaic, one without). Source: common
//! practice, no source.

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Frame, FrameInput, Layout, Map, MapRun, Method, Node, Outcome,
    Parameters, PortType, Scratch, Shape,
};

/// The method `calibrate.hot-pixels`.
pub struct HotPixels;

impl Method for HotPixels {
    fn describe(&self) -> Description {
        Description::new("calibrate.hot-pixels", Shape::Map, "replace hot and dead pixels by their neighbours")
            .help(
                "Each defect becomes the median of its sound neighbours of the same colour, in the frame itself. \
                 Without a picture of defects the frames pass unchanged.",
            )
            .source("common practice, no source")
            .contract("calibrate")
            .input("frames", PortType::Frames, "the frames, mosaic kept")
            .optional("defects", PortType::Image, "a picture that is zero but for defects")
            .output("frames", PortType::Frames, "the repaired frames")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Map(Box::new(HotPixels)))
    }
}

impl Map for HotPixels {
    fn start(&self, _context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        let mut repairs = Vec::new();
        if let Some(defects) = bound.maybe_image("defects") {
            let step = if matches!(info.layout, Layout::Mosaic(_)) { 2 } else { 1 };
            for plane in 0..defects.channels.min(info.layout.planes()) {
                let values = defects.channel(plane);
                let bad = |x: usize, y: usize| values[y * defects.width + x] != 0.0;
                for y in 0..defects.height {
                    for x in 0..defects.width {
                        if bad(x, y) {
                            repairs.push(Repair::new(plane, x, y, step, defects.width, defects.height, bad));
                        }
                    }
                }
            }
        }
        Ok(Box::new(RepairRun { repairs, info: info.clone() }))
    }
}

/// A defect and its sound neighbours, sensor coordinates.
struct Repair {
    plane: usize,
    x: usize,
    y: usize,
    neighbours: Vec<(usize, usize)>,
}

impl Repair {
    fn new(
        plane: usize,
        x: usize,
        y: usize,
        step: isize,
        width: usize,
        height: usize,
        bad: impl Fn(usize, usize) -> bool,
    ) -> Self {
        let mut neighbours = Vec::new();
        for (i, j) in [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)] {
            let (u, v) = (x as isize + i * step, y as isize + j * step);
            let inside = u >= 0 && v >= 0 && (u as usize) < width && (v as usize) < height;
            if inside && !bad(u as usize, v as usize) {
                neighbours.push((u as usize, v as usize));
            }
        }
        Self { plane, x, y, neighbours }
    }
}

struct RepairRun {
    repairs: Vec<Repair>,
    info: ClipInfo,
}

impl MapRun for RepairRun {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn frame(&self, _scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        let region = input.frame.region;
        out.reshape(input.frame.index, region, input.frame.layout);
        out.data.copy_from_slice(&input.frame.data);
        let inside = |x: usize, y: usize| {
            x >= region.x && y >= region.y && x < region.x + region.width && y < region.y + region.height
        };
        let at = |x: usize, y: usize| (y - region.y) * region.width + x - region.x;
        for repair in self.repairs.iter().filter(|r| inside(r.x, r.y)) {
            let plane = input.frame.plane(repair.plane);
            let mut around = [0.0f32; 8];
            let mut count = 0;
            for (x, y) in repair.neighbours.iter().filter(|(x, y)| inside(*x, *y)) {
                around[count] = plane[at(*x, *y)];
                count += 1;
            }
            if count == 0 {
                continue;
            }
            let around = &mut around[..count];
            around.sort_unstable_by(f32::total_cmp);
            let median = 0.5 * (around[(count - 1) / 2] + around[count / 2]);
            out.plane_mut(repair.plane)[at(repair.x, repair.y)] = median;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use stillair_api::testing::{clip_info, run_map};
    use stillair_api::{Image, Pattern, Region, Value};

    use super::*;

    #[test]
    fn a_defect_becomes_the_median_of_its_colour_in_any_window() {
        let (width, height) = (12, 10);
        let layout = Layout::Mosaic(Pattern::Rggb);
        let mut defects = Image::new(width, height, 1);
        defects.data[4 * width + 6] = 0.5;
        defects.data[4 * width + 4] = 0.5;
        let mut whole = Frame::empty();
        whole.reshape(0, Region::whole(width, height), layout);
        for y in 0..height {
            for x in 0..width {
                whole.data[y * width + x] = [0.1, 0.2, 0.3][Pattern::Rggb.colour_at(x, y)];
            }
        }
        let sound = whole.clone();
        whole.data[4 * width + 6] = 0.9;
        whole.data[4 * width + 4] = 0.8;
        let bound = Bound::default().with("defects", Value::Image(defects.into()));
        let info = clip_info(1, width, height, layout);
        let out = run_map(&HotPixels, &bound, &info, std::slice::from_ref(&whole)).unwrap();
        assert_eq!(out[0].data, sound.data);
        let region = Region { x: 2, y: 2, width: 6, height: 6 };
        let (mut part, mut expected) = (Frame::empty(), Frame::empty());
        part.copy_window(&whole, region);
        expected.copy_window(&sound, region);
        assert_eq!(run_map(&HotPixels, &bound, &info, &[part]).unwrap()[0].data, expected.data);
        assert!(stillair_api::contract::breaches(&HotPixels.describe()).is_empty());
    }
}
