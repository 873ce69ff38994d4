//! The same rectangle of every frame.
//!
//! Only the rectangle is read. A colour mosaic keeps its true phase: the window's layout is the one seen from its top
//! left pixel. Plain indexing, no source needed.

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Frame, FrameInput, Map, MapRun, Method, Node, Outcome,
    Parameter, Parameters, PortType, Region, Row, Scratch, Shape, StreamShape,
};

/// `crop.fixed`.
pub struct Fixed;

impl Method for Fixed {
    fn describe(&self) -> Description {
        Description::new("crop.fixed", Shape::Map, "Cuts the same rectangle out of every frame")
            .help(
                "Reads only the given rectangle of each frame. Positions in tables and motions stay those of the full \
                 frame. Use it on surfaces that fill the frame, to leave out a vignetted border, or to try a recipe \
                 on a small part; on a drifting planet crop.follow serves better.",
            )
            .source("plain indexing, no source needed")
            .contract("crop")
            .input("frames", PortType::Frames, "whole frames")
            .output("frames", PortType::Frames, "the rectangle of each frame")
            .parameter(Parameter::integer("x_px", "px", 0, 65_535, 0, "left column of the rectangle"))
            .parameter(Parameter::integer("y_px", "px", 0, 65_535, 0, "top row of the rectangle"))
            .parameter(Parameter::auto_integer("width_px", "px", 2, 65_536, "columns; auto = to the right edge"))
            .parameter(Parameter::auto_integer("height_px", "px", 2, 65_536, "rows; auto = to the lower edge"))
            .through("frames")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        let size = |name: &str| -> Outcome<Option<usize>> { Ok(parameters.auto_integer(name)?.map(|v| v as usize)) };
        Ok(Node::Map(Box::new(FixedNode {
            x: parameters.integer("x_px")? as usize,
            y: parameters.integer("y_px")? as usize,
            width: size("width_px")?,
            height: size("height_px")?,
        })))
    }
}

/// The node: its parameters.
#[derive(Debug, Clone, Copy)]
struct FixedNode {
    x: usize,
    y: usize,
    width: Option<usize>,
    height: Option<usize>,
}

impl FixedNode {
    /// The rectangle in a frame of the given size, if it fits.
    fn region(&self, width: usize, height: usize) -> Option<Region> {
        let columns = self.width.or_else(|| width.checked_sub(self.x))?;
        let rows = self.height.or_else(|| height.checked_sub(self.y))?;
        let fits = columns > 0 && rows > 0 && self.x + columns <= width && self.y + rows <= height;
        fits.then_some(Region { x: self.x, y: self.y, width: columns, height: rows })
    }
}

impl Map for FixedNode {
    fn start(&self, _context: &dyn Context, _bound: &Bound, info: &ClipInfo) -> Outcome<Box<dyn MapRun>> {
        let region = self.region(info.width, info.height).ok_or_else(|| {
            Fault::request(format!(
                "the rectangle at column {}, row {} does not fit into frames of {} x {} px",
                self.x, self.y, info.width, info.height
            ))
            .remedy("lower x_px, y_px, width_px or height_px, or leave width_px and height_px out")
        })?;
        let mut info = info.clone();
        info.layout = info.layout.shifted(region.x, region.y);
        (info.width, info.height) = (region.width, region.height);
        Ok(Box::new(FixedRun { region, info }))
    }

    fn output(&self, stream: StreamShape) -> StreamShape {
        match self.region(stream.width, stream.height) {
            Some(region) => StreamShape { width: region.width, height: region.height, ..stream },
            None => stream,
        }
    }
}

struct FixedRun {
    region: Region,
    info: ClipInfo,
}

impl MapRun for FixedRun {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn window(&self, _index: usize, _row: Option<&Row<'_>>) -> Outcome<Option<Region>> {
        Ok(Some(self.region))
    }

    fn frame(&self, _scratch: &mut Scratch, input: &FrameInput<'_>, out: &mut Frame) -> Outcome<()> {
        out.copy_window(input.frame, self.region);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::{TestContext, clip_info, run_map};
    use stillair_api::{Layout, ParameterValue, Pattern, contract};

    fn node(values: &[(&str, i64)]) -> Box<dyn Map> {
        let mut parameters = Fixed.describe().defaults();
        for (name, value) in values {
            parameters.0.insert((*name).into(), ParameterValue::Integer(*value));
        }
        match Fixed.create(&parameters, &Facts::default()) {
            Ok(Node::Map(node)) => node,
            _ => panic!("crop.fixed is a map"),
        }
    }

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Fixed.describe()), Vec::<String>::new());
    }

    #[test]
    fn the_window_holds_the_frames_own_pixels_and_the_mosaics_phase() {
        let layout = Layout::Mosaic(Pattern::Rggb);
        let info = clip_info(1, 10, 8, layout);
        let mut frame = Frame::empty();
        frame.reshape(0, info.region(), layout);
        frame.data.iter_mut().enumerate().for_each(|(i, v)| *v = i as f32);
        let node = node(&[("x_px", 3), ("y_px", 2), ("width_px", 4)]);
        let out = &run_map(&*node, &Bound::default(), &info, &[frame]).unwrap()[0];
        assert_eq!(out.region, Region { x: 3, y: 2, width: 4, height: 6 });
        assert_eq!(out.layout, Layout::Mosaic(Pattern::Grbg));
        assert_eq!(out.data[..5], [23.0, 24.0, 25.0, 26.0, 33.0]);
        let run = node.start(&TestContext::default(), &Bound::default(), &info).unwrap();
        assert_eq!((run.info().width, run.info().height, run.info().layout), (4, 6, out.layout));
    }

    #[test]
    fn a_rectangle_that_does_not_fit_is_refused_in_words() {
        let info = clip_info(1, 10, 8, Layout::Mono);
        let fault = node(&[("x_px", 8), ("width_px", 4)]).start(&TestContext::default(), &Bound::default(), &info);
        let words = fault.err().unwrap().to_string();
        assert!(words.contains("column 8") && words.contains("10 x 8") && words.contains("width_px"), "{words}");
    }
}
