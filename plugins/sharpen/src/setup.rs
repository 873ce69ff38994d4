//! What the filters towards a target share: ports, parameters, the model of the disc, the empty result.

use stillair_api::{Description, Image, Memory, Parameter, PortType, StreamShape};
use stillair_maths::fft::{Complex32, Fft2Scratch};

use crate::deblur::canvas::Canvas;
use crate::deblur::limb;
use crate::deblur::optics::FACTS;
use crate::deblur::plan::Plan;
use crate::wiener::target;

/// Width of the target where none is given, lambda/D.
pub const USUAL_FWHM: f64 = 0.9;

/// The ports, facts and contract of a sharpening, and the parameters of one that aims at a target.
pub fn towards_target(description: Description, gives: &str) -> Description {
    let description = description
        .contract("sharpen")
        .input("image", PortType::Image, "a linear stack, with half-stacks for its noise")
        .output("image", PortType::Image, gives)
        .parameter(Parameter::number(
            "target_fwhm",
            "lambda/D",
            0.3,
            5.0,
            USUAL_FWHM,
            "full width at half maximum of the Gaussian through which the object shall appear",
        ))
        .parameter(Parameter::choice(
            "disc",
            &["auto", "no"],
            "auto",
            "whether a spheroid's model is fitted and set apart where it fits",
        ));
    with_facts(description)
}

/// The session facts that tell the telescope.
pub fn with_facts(description: Description) -> Description {
    FACTS.into_iter().fold(description, |description, fact| description.fact(fact))
}

/// Bytes of a filter: field of the margins, spectra of stack and halves, transfer, targets, gains and the columns of the fits.
pub fn memory(stream: StreamShape) -> Memory {
    let field = ((stream.width + 60) * (stream.height + 60) * 4) as u64;
    // A ringed globe has a few columns more than a plain one.
    Memory { state: field * (40 * stream.planes as u64 + 8), ..Memory::default() }
}

/// A picture like another, without samples and half-stacks yet.
pub fn like(image: &Image) -> Image {
    let mut out = Image { weight: image.weight.clone(), info: image.info.clone(), ..Image::default() };
    (out.width, out.height, out.channels) = (image.width, image.height, image.channels);
    out.data.reserve(image.data.len());
    out
}

/// An object in the window, sky included, through a real transfer for every coefficient; the sky alone where there is
/// none.
pub fn through(
    plan: &Plan,
    c: usize,
    object: Option<&[Complex32]>,
    transfer: impl Iterator<Item = f32>,
    scratch: &mut Fft2Scratch,
) -> Vec<f32> {
    let (canvas, sky) = (&plan.canvas, plan.channels[c].sky);
    let mut window = vec![sky; canvas.width * canvas.height];
    if let Some(object) = object {
        let mut spectrum: Vec<Complex32> = object.iter().zip(transfer).map(|(o, t)| o * t).collect();
        canvas.inverse(&mut spectrum, sky, &mut window, scratch);
    }
    window
}

/// The sharp disc's spectrum of a channel, where a disc was fitted.
pub fn disc(plan: &Plan, c: usize) -> Option<Vec<Complex32>> {
    plan.limb.as_ref().map(|fit| limb::object_spectrum(&plan.canvas, fit, c))
}

/// The Gaussian target for every coefficient.
pub fn targets(canvas: &Canvas, fwhm: f64, cutoff: f64) -> impl Iterator<Item = f32> + '_ {
    canvas.frequencies().map(move |(fx, fy)| target(fwhm, libm::hypot(fx, fy) / cutoff) as f32)
}
