//! `decode.png`: reads a PNG picture, or a folder of PNG pictures as a clip.
//!
//! A sample `s` becomes `s / white_level`. Pictures of a folder come in natural order of their names. Decoding is done by
//! the `png` crate. Sources: PNG, ISO/IEC 15948; sRGB,
//! IEC 61966-2-1.

use std::path::PathBuf;

use stillair_api::{
    Context, Description, Facts, FrameReader, Method, Node, Outcome, Parameters, PortType, Shape, Source,
};

use crate::options::{Options, describe};
use crate::picture::PictureFormat;
use crate::sequence::{Kind, open_path};

/// `decode.png`.
pub struct Png;

impl Method for Png {
    fn describe(&self) -> Description {
        describe(
            Description::new("decode.png", Shape::Source, "reads PNG pictures: one, or a folder of them as a clip")
                .help(
                    "Reads grey, RGB and palettes of up to 16 bits; transparency is left out. Where the file states the sRGB curve \
                     it is undone, otherwise numbers count as proportional to light. In 16-bit pictures depth and alignment are \
                     decided from the bits in use.",
                )
                .source("PNG, ISO/IEC 15948; sRGB, IEC 61966-2-1")
                .contract("decode")
                .output("frames", PortType::Frames, "the clip"),
        )
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(Pictures { options: Options::read(parameters, facts)? })))
    }
}

struct Pictures {
    options: Options,
}

impl Source for Pictures {
    fn open(&self, context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        open_path(context, crate::auto::single(paths)?, &[Kind::Picture(PictureFormat::Png)], &self.options)
    }
}
