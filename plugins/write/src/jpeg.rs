//! `write.jpeg`: a JPEG picture of 8 bits, for showing and sending.
//!
//! Values are clamped to 0..1 (NaN and infinity become 0), sent through the sRGB curve, rounded to 8 bits and compressed
//! with loss. The provenance stands in comment segments. Colours are stored at full resolution from quality 90 on.
//! Sources: JPEG, ITU-T T.81 (comment segment: B.2.4.5); sRGB, IEC 61966-2-1.

use std::sync::Arc;

use jpeg_encoder::{ColorType, Encoder, EncodingError};
use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Image, Method, Node, Outcome, OutputFile, Parameter,
    Parameters, PortType, Shape, Sink, SinkRun,
};

use crate::levels::{Transfer, interleave};
use crate::output::{check, name_parameter, size, stem, unwritable};

/// Most bytes of text in one comment segment.
const COMMENT_BYTES: usize = 65_533;

/// `write.jpeg`.
pub struct Jpeg;

impl Method for Jpeg {
    fn describe(&self) -> Description {
        Description::new("write.jpeg", Shape::Sink, "writes a JPEG picture")
            .help(
                "For showing and sending only: 8 bits, compressed with loss. Values are clamped to 0..1 and given the sRGB \
                 curve.",
            )
            .source("JPEG, ITU-T T.81; sRGB, IEC 61966-2-1")
            .contract("write.image")
            .input("image", PortType::Image, "the picture")
            .parameter(name_parameter("picture"))
            .parameter(Parameter::integer("quality", "", 1, 100, 92, "from 1, small and coarse, to 100, large and fine"))
            .extension("jpg")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        let quality = parameters.integer("quality")?.clamp(1, 100) as u8;
        Ok(Node::Sink(Box::new(JpegSink { stem: stem(parameters)?, quality })))
    }
}

/// Compresses the picture and puts the comment behind its first marker.
fn write(image: &Image, quality: u8, provenance: &str, out: &mut dyn OutputFile) -> Outcome<()> {
    let (width, height) = size(image, u32::from(u16::MAX), "JPEG")?;
    let mut pixels = Vec::with_capacity(image.data.len());
    interleave(image, 0..image.height, |value| pixels.push(Transfer::Srgb.to_u8(value)));
    let colours = if image.channels == 3 { ColorType::Rgb } else { ColorType::Luma };
    let mut compressed = Vec::new();
    Encoder::new(&mut compressed, quality).encode(&pixels, width as u16, height as u16, colours).map_err(|error| {
        match error {
            EncodingError::IoError(error) => unwritable(&error),
            other => Fault::internal(format!("the JPEG picture cannot be made: {other}")),
        }
    })?;
    let (start_of_image, rest) = compressed.split_at(2);
    let mut put = |bytes: &[u8]| out.write_all(bytes).map_err(|e| unwritable(&e));
    put(start_of_image)?;
    for part in provenance.as_bytes().chunks(COMMENT_BYTES) {
        put(&[0xff, 0xfe])?;
        put(&((part.len() + 2) as u16).to_be_bytes())?;
        put(part)?;
    }
    put(rest)
}

struct JpegSink {
    stem: String,
    quality: u8,
}

impl Sink for JpegSink {
    fn start(&self, _: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?.clone();
        check(&image)?;
        Ok(Box::new(JpegRun { image, quality: self.quality, provenance: bound.provenance.clone() }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct JpegRun {
    image: Arc<Image>,
    quality: u8,
    provenance: String,
}

impl SinkRun for JpegRun {
    fn begin(&mut self, _: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        write(&self.image, self.quality, &self.provenance, out)
    }
}
