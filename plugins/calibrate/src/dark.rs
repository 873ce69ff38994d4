//! Takes a master dark, or where there is none a bias, from every frame: `F' = F - D`.
//!
//! A dark holds the bias as well, so only one of the two is taken off. Values below zero are kept: cutting them would
//! lift the mean of the sky. Source: Howell, Handbook of CCD Astronomy, 2nd ed., ch. 4 (from memory).

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Frame, FrameInput, Image, Map, MapRun, Method, Node, Outcome,
    Parameters, PortType, Scratch, Shape,
};

/// The method `calibrate.dark`.
pub struct Dark;

impl Method for Dark {
    fn describe(&self) -> Description {
        Description::new("calibrate.dark", Shape::Map, "take a master dark from every frame")
            .help(
                "Subtracts the fixed pattern of the sensor. The dark must come from the same camera, window, gain and \
                 exposure. Of several pictures the first that is given is taken: link the dark, then the bias, which is \
                 part of every dark. Without any the frames pass unchanged.",
            )
            .source("Howell, Handbook of CCD Astronomy, 2nd ed., ch. 4 (from memory)")
            .contract("calibrate")
            .input("frames", PortType::Frames, "the frames")
            .input("dark", PortType::Image, "the master dark, then the master bias: the first that is given counts")
            .many()
            .output("frames", PortType::Frames, "the frames without the pattern")
            .through("frames")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Map(Box::new(Dark)))
    }
}

impl Map for Dark {
    fn start(&self, _context: &dyn Context, bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        let dark = bound.image("dark")?.clone();
        if dark.channels != info.layout.planes() {
            return Err(Fault::data("the dark has another number of colours than the capture")
                .remedy("take the dark with the same camera settings"));
        }
        Ok(Box::new(DarkRun { dark, info: info.clone() }))
    }
}

struct DarkRun {
    dark: Arc<Image>,
    info: ClipInfo,
}

impl MapRun for DarkRun {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn frame(&self, _scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        with_master(input.frame, &self.dark, "dark", out, |value, dark| value - dark)
    }
}

/// Combines every sample with the master's sample of the same sensor pixel.
pub(crate) fn with_master(
    frame: &Frame,
    master: &Image,
    word: &str,
    out: &mut Frame,
    combine: impl Fn(f32, f32) -> f32,
) -> Outcome<()> {
    let region = frame.region;
    if region.x + region.width > master.width || region.y + region.height > master.height {
        return Err(Fault::data(format!(
            "the {word} has {} x {} pixels, the capture reaches to {} x {}",
            master.width,
            master.height,
            region.x + region.width,
            region.y + region.height
        ))
        .remedy(format!("take the {word} with the same window of the sensor")));
    }
    out.reshape(frame.index, region, frame.layout);
    for plane in 0..frame.layout.planes() {
        let (from, master_plane) = (frame.plane(plane), master.channel(plane));
        for (row, to) in out.plane_mut(plane).chunks_exact_mut(region.width).enumerate() {
            let start = (row + region.y) * master.width + region.x;
            let values = &from[row * region.width..(row + 1) * region.width];
            for ((to, value), master) in to.iter_mut().zip(values).zip(&master_plane[start..start + region.width]) {
                *to = combine(*value, *master);
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use stillair_api::testing::{clip_info, run_map};
    use stillair_api::{Layout, Region, Value};

    use super::*;

    #[test]
    fn the_dark_of_the_same_sensor_pixel_is_taken_off() {
        let mut dark = Image::new(4, 3, 1);
        dark.data = (0..12).map(|i| i as f32 * 0.01).collect();
        let region = Region { x: 1, y: 1, width: 2, height: 2 };
        let frame = Frame { index: 0, region, layout: Layout::Mono, data: vec![0.5; 4].into() };
        let bound = Bound::default().with("dark", Value::Image(dark.into()));
        let out = run_map(&Dark, &bound, &clip_info(1, 4, 3, Layout::Mono), std::slice::from_ref(&frame)).unwrap();
        assert_eq!(out[0].data, [0.45, 0.44, 0.41, 0.4]);
        // A bias behind the dark is part of the dark: it is not taken off as well.
        let both =
            bound.clone().with("dark", Value::Image(Image { data: vec![0.3; 12], ..Image::new(4, 3, 1) }.into()));
        assert_eq!(
            run_map(&Dark, &both, &clip_info(1, 4, 3, Layout::Mono), std::slice::from_ref(&frame)).unwrap(),
            out
        );
        let small = Bound::default().with("dark", Value::Image(Image::new(2, 2, 1).into()));
        let fault = run_map(&Dark, &small, &clip_info(1, 4, 3, Layout::Mono), &[frame]).unwrap_err();
        assert!(fault.message.contains("2 x 2"), "{fault}");
        assert!(stillair_api::contract::breaches(&Dark.describe()).is_empty());
    }
}
