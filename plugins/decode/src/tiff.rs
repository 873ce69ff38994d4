//! `decode.tiff`: reads a TIFF picture, or a folder of TIFF pictures as a clip.
//!
//! A sample `s` becomes `s / white_level`. Pictures of a folder come in natural order of their names. Decoding is done by
//! the `tiff` crate. Source: TIFF 6.0, Adobe 1992.

use std::path::PathBuf;

use stillair_api::{
    Context, Description, Facts, FrameReader, Method, Node, Outcome, Parameters, PortType, Shape, Source,
};

use crate::options::{Options, describe};
use crate::picture::PictureFormat;
use crate::sequence::{Kind, open_path};

/// `decode.tiff`.
pub struct Tiff;

impl Method for Tiff {
    fn describe(&self) -> Description {
        describe(
            Description::new("decode.tiff", Shape::Source, "reads TIFF pictures: one, or a folder of them as a clip")
                .help(
                    "Reads grey and RGB of 8, 16 and 32 bits and floats, of either byte order, compressed or not, colours \
                     interleaved or in planes. In 16-bit pictures depth and alignment are decided from the bits in use; in float \
                     pictures the white level is 1 unless values reach far beyond it. Only the first page of a file is read.",
                )
                .source("TIFF 6.0, Adobe 1992")
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
        open_path(context, crate::auto::single(paths)?, &[Kind::Picture(PictureFormat::Tiff)], &self.options)
    }
}
