//! `write.png`: a PNG picture of 16 bits, ready to show.
//!
//! Values are clamped to 0..1 (NaN and infinity become 0), sent through the sRGB curve (or kept linear, which the file
//! then states as gamma 1) and rounded to 16 bits. The provenance stands in an iTXt chunk `Description`. Compression is
//! fast and depends on nothing but the pixels. Sources: PNG, ISO/IEC 15948; sRGB, IEC 61966-2-1.

use std::io::Write;
use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Image, Method, Node, Outcome, OutputFile, Parameters,
    PortType, Shape, Sink, SinkRun,
};

use crate::levels::{Transfer, interleave};
use crate::output::{Remembering, check, name_parameter, size, stem, unwritable};

/// `write.png`.
pub struct Png;

impl Method for Png {
    fn describe(&self) -> Description {
        Description::new("write.png", Shape::Sink, "writes a 16-bit PNG picture")
            .help(
                "For a finished picture: values are clamped to 0..1, given the sRGB curve and rounded to 16 bits. The file \
                 carries its provenance as text. For further work on linear data use write.tiff or write.fits.",
            )
            .source("PNG, ISO/IEC 15948; sRGB, IEC 61966-2-1")
            .contract("write.image")
            .input("image", PortType::Image, "the picture")
            .parameter(name_parameter("picture"))
            .parameter(Transfer::parameter())
            .extension("png")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Sink(Box::new(PngSink { stem: stem(parameters)?, transfer: Transfer::read(parameters)? })))
    }
}

/// Writes the picture, with an alpha channel (1 is opaque) if one is given, and texts by keyword; empty ones are left out.
pub(crate) fn write(
    context: &dyn Context,
    image: &Image,
    alpha: Option<&[f32]>,
    transfer: Transfer,
    texts: &[(&str, &str)],
    out: &mut Remembering<'_>,
) -> Outcome<()> {
    let (width, height) = size(image, i32::MAX as u32, "PNG")?;
    let mut encoder = png::Encoder::new(out, width, height);
    encoder.set_color(match (image.channels == 3, alpha.is_some()) {
        (true, true) => png::ColorType::Rgba,
        (true, false) => png::ColorType::Rgb,
        (false, true) => png::ColorType::GrayscaleAlpha,
        (false, false) => png::ColorType::Grayscale,
    });
    encoder.set_depth(png::BitDepth::Sixteen);
    encoder.set_compression(png::Compression::Fast);
    match transfer {
        Transfer::Srgb => encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual),
        Transfer::Linear => encoder.set_source_gamma(png::ScaledFloat::new(1.0)),
    }
    for (keyword, text) in texts.iter().filter(|(_, text)| !text.is_empty()) {
        encoder.add_itxt_chunk((*keyword).into(), (*text).into()).map_err(fault)?;
    }
    let mut writer = encoder.write_header().map_err(fault)?;
    let mut stream = writer.stream_writer().map_err(fault)?;
    let mut row = Vec::with_capacity(image.width * (image.channels + 1) * 2);
    for y in 0..image.height {
        if context.cancelled() {
            return Err(Fault::cancelled());
        }
        row.clear();
        let mut written = 0;
        interleave(image, y..y + 1, |value| {
            row.extend(transfer.to_u16(value).to_be_bytes());
            written += 1;
            if let Some(alpha) = alpha.filter(|_| written % image.channels == 0) {
                let opaque = alpha[y * image.width + written / image.channels - 1];
                row.extend(Transfer::Linear.to_u16(opaque).to_be_bytes());
            }
        });
        stream.write_all(&row).map_err(|e| unwritable(&e))?;
    }
    stream.finish().map_err(fault)?;
    writer.finish().map_err(fault)
}

fn fault(error: png::EncodingError) -> Fault {
    match error {
        png::EncodingError::IoError(error) => unwritable(&error),
        other => Fault::internal(format!("the PNG picture cannot be made: {other}")),
    }
}

struct PngSink {
    stem: String,
    transfer: Transfer,
}

impl Sink for PngSink {
    fn start(&self, _: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?.clone();
        check(&image)?;
        Ok(Box::new(PngRun { image, transfer: self.transfer, provenance: bound.provenance.clone() }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct PngRun {
    image: Arc<Image>,
    transfer: Transfer,
    provenance: String,
}

impl SinkRun for PngRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        let texts = [("Description", self.provenance.as_str())];
        Remembering::run(out, |out| write(context, &self.image, None, self.transfer, &texts, out))
    }
}
