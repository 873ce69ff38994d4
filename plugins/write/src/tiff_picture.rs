//! `write.tiff`: a linear TIFF picture, 32-bit float by default.
//!
//! Float samples are written as they are: nothing is clamped or rounded. With 16 bits they are clamped to 0..1 (NaN and
//! infinity become 0) and rounded, still linear. Colours are interleaved, rows in strips without compression; the
//! provenance is the ImageDescription, with characters beyond ASCII as JSON escapes. A picture too large for 32-bit
//! offsets becomes a BigTIFF. Source: TIFF 6.0, Adobe 1992.

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Image, Method, Node, Outcome, OutputFile, Parameter,
    Parameters, PortType, Shape, Sink, SinkRun,
};
use tiff::encoder::colortype::{ColorType, Gray16, Gray32Float, RGB16, RGB32Float};
use tiff::encoder::{TiffEncoder, TiffKind, TiffValue};
use tiff::tags::Tag;
use tiff::{TiffError, TiffResult};

use crate::levels::{Transfer, interleave};
use crate::output::{ascii, check, name_parameter, size, stem, unwritable};

/// Samples of a strip, about.
const STRIP_SAMPLES: usize = 1 << 16;

/// Files from this size on are written with 64-bit offsets; 32-bit ones end at 4 GiB.
const BIG_BYTES: usize = 4_000_000_000;

/// `write.tiff`.
pub struct Tiff;

impl Method for Tiff {
    fn describe(&self) -> Description {
        Description::new("write.tiff", Shape::Sink, "writes a linear TIFF picture, float or 16-bit")
            .help(
                "For data to be worked on further. Float keeps every value, also those below 0 and above the white level; \
                 16 bits clamp to 0..1. Both are linear: viewers that expect a screen's curve show them dark.",
            )
            .source("TIFF 6.0, Adobe 1992; BigTIFF for pictures of 4 GB and more")
            .contract("write.image")
            .input("image", PortType::Image, "the picture")
            .parameter(name_parameter("picture"))
            .parameter(Parameter::choice(
                "samples",
                &["float32", "uint16"],
                "float32",
                "what a sample is stored as: 32-bit float, or a whole number of 16 bits",
            ))
            .extension("tif")
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        let float = parameters.text("samples")? == "float32";
        Ok(Node::Sink(Box::new(TiffSink { stem: stem(parameters)?, float })))
    }
}

/// Writes the picture.
fn write(context: &dyn Context, image: &Image, float: bool, provenance: &str, out: &mut dyn OutputFile) -> Outcome<()> {
    let bytes = image.data.len().saturating_mul(if float { 4 } else { 2 }).saturating_add(provenance.len());
    if bytes < BIG_BYTES {
        write_kind(context, image, float, provenance, TiffEncoder::new(out).map_err(fault)?)
    } else {
        write_kind(context, image, float, provenance, TiffEncoder::new_big(out).map_err(fault)?)
    }
}

fn write_kind<K: TiffKind>(
    context: &dyn Context,
    image: &Image,
    float: bool,
    provenance: &str,
    encoder: TiffEncoder<&mut dyn OutputFile, K>,
) -> Outcome<()> {
    let to_u16 = |value| Transfer::Linear.to_u16(value);
    match (image.channels, float) {
        (3, true) => write_samples::<RGB32Float, K>(context, image, provenance, encoder, |v| v),
        (_, true) => write_samples::<Gray32Float, K>(context, image, provenance, encoder, |v| v),
        (3, false) => write_samples::<RGB16, K>(context, image, provenance, encoder, to_u16),
        (_, false) => write_samples::<Gray16, K>(context, image, provenance, encoder, to_u16),
    }
}

fn write_samples<C: ColorType, K: TiffKind>(
    context: &dyn Context,
    image: &Image,
    provenance: &str,
    mut encoder: TiffEncoder<&mut dyn OutputFile, K>,
    sample: impl Fn(f32) -> C::Inner,
) -> Outcome<()>
where
    [C::Inner]: TiffValue,
{
    let (width, height) = size(image, i32::MAX as u32, "TIFF")?;
    let strip_rows = (STRIP_SAMPLES / (image.width * image.channels)).clamp(1, image.height);
    let mut picture = encoder.new_image::<C>(width, height).map_err(fault)?;
    picture.rows_per_strip(strip_rows as u32).map_err(fault)?;
    if !provenance.is_empty() {
        picture.encoder().write_tag(Tag::ImageDescription, ascii(provenance).as_str()).map_err(fault)?;
    }
    let mut strip = Vec::with_capacity(strip_rows * image.width * image.channels);
    for first in (0..image.height).step_by(strip_rows) {
        if context.cancelled() {
            return Err(Fault::cancelled());
        }
        strip.clear();
        interleave(image, first..(first + strip_rows).min(image.height), |value| strip.push(sample(value)));
        written(picture.write_strip(&strip))?;
    }
    written(picture.finish())
}

fn written(result: TiffResult<()>) -> Outcome<()> {
    result.map_err(fault)
}

fn fault(error: TiffError) -> Fault {
    match error {
        TiffError::IoError(error) => unwritable(&error),
        other => Fault::internal(format!("the TIFF picture cannot be made: {other}")),
    }
}

struct TiffSink {
    stem: String,
    float: bool,
}

impl Sink for TiffSink {
    fn start(&self, _: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?.clone();
        check(&image)?;
        Ok(Box::new(TiffRun { image, float: self.float, provenance: bound.provenance.clone() }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct TiffRun {
    image: Arc<Image>,
    float: bool,
    provenance: String,
}

impl SinkRun for TiffRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        write(context, &self.image, self.float, &self.provenance, out)
    }
}
