//! Registers red and blue to green in a finished picture.
//!
//! Half-whitened Fourier registration ([`stillair_maths::registration`]: the maximum of
//! `Re sum F conj(R) / |R| e^{2 pi i u.s}`) of red and blue on green, then one resampling of each by
//! cubic B-splines. The measured shift is the air's dispersion plus whatever the markings differ
//! between colours. Stacks are better served by shifting each frame's colours before its one
//! resampling.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Image, Memory, Method, Node, Outcome, Parameter, Parameters, PortType,
    Shape, StreamShape, Transform, Value,
};
use stillair_maths::fft::{Complex32, Fft2};
use stillair_maths::registration::{BandSet, NewtonScratch, coarse_shift, newton_shift, whitening};
use stillair_maths::resample::{Kernel, Prepared, shift_window};
use stillair_maths::window;

use crate::levels::{border_level, has_sky};

/// `colour.dispersion`.
pub struct Dispersion;

impl Method for Dispersion {
    fn describe(&self) -> Description {
        Description::new("colour.dispersion", Shape::Transform, "Moves red and blue onto green in a finished picture")
            .help(
                "Measures how red and blue lie against green and resamples both once more. For pictures whose stack \
                 was made elsewhere or without align.dispersion, which costs no resampling and is better. The smear \
                 within a colour stays. Mono pictures pass unchanged.",
            )
            .source(
                "half-whitened Fourier registration; cubic B-spline after Unser 1999, IEEE Signal Process. Mag. 16, 22",
            )
            .contract("colour")
            .input("image", PortType::Image, "a linear picture of three channels")
            .output("image", PortType::Image, "the picture with its channels on each other, linear")
            .parameter(Parameter::number(
                "limit",
                "px",
                0.1,
                50.0,
                6.0,
                "largest shift believed; a larger one is reported and not applied",
            ))
    }

    fn create(&self, parameters: &Parameters, _: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(DispersionNode { limit_px: parameters.number("limit")? })))
    }
}

struct DispersionNode {
    limit_px: f64,
}

/// Displacement of a plane against the reference, px; `None` where nothing is common to both.
fn displacement(plane: &[f32], reference: &[f32], width: usize, height: usize, limit_px: f64) -> Option<(f64, f64)> {
    let plan = Fft2::new(width, height);
    let mut scratch = plan.scratch();
    // A taper stands still while the picture moves: only where there is no sky to do without it.
    let taper = if has_sky(reference, width, height) { 0.0 } else { 0.5 };
    let (columns, rows) = (window::taper(width, taper), window::taper(height, taper));
    let mut transform = |picture: &[f32]| -> Vec<Complex32> {
        let sky = border_level(picture, width, height);
        let above: Vec<f32> = picture.iter().map(|v| v - sky).collect();
        let mut windowed = vec![0.0; width * height];
        window::apply(&above, &columns, &rows, &mut windowed);
        let mut spectrum = plan.spectrum();
        plan.forward(&windowed, &mut spectrum, &mut scratch);
        spectrum
    };
    let (moved, fixed) = (transform(plane), transform(reference));
    let band = (0.02, 0.24);
    let coarse = coarse_shift(&plan, &moved, &fixed, 0.5, band, limit_px, &mut Default::default())?;
    let bands = BandSet::new(width, height, band.0, band.1);
    let reference = bands.gather(&fixed);
    let weights = whitening(&bands, &reference, 0.5);
    let start = (coarse.dx, coarse.dy);
    let fit =
        newton_shift(&bands, &bands.gather(&moved), &reference, &weights, start, 12, &mut NewtonScratch::default());
    (fit.correlation > 0.3 && fit.dx.is_finite() && fit.dy.is_finite()).then_some((fit.dx, fit.dy))
}

impl Transform for DispersionNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let mut out: Image = (**bound.image("image")?).clone();
        if out.channels != 3 || out.width < 8 || out.height < 8 {
            return Ok(vec![Value::Image(Arc::new(out))]);
        }
        let (width, height, area) = (out.width, out.height, out.area());
        let green = out.channel(1).to_vec();
        let mut words = Vec::new();
        for (c, name) in [(0, "red"), (2, "blue")] {
            let found = displacement(out.channel(c), &green, width, height, self.limit_px);
            let Some((dx, dy)) = found.filter(|(dx, dy)| libm::hypot(*dx, *dy) <= self.limit_px) else {
                context.warn(&format!("{name} cannot be registered on green: it stays where it is"));
                continue;
            };
            context.record(Entry::number(&format!("{name}-shift-x"), dx, "px", "displacement against green, right"));
            context.record(Entry::number(&format!("{name}-shift-y"), dy, "px", "displacement against green, down"));
            let mut prepared = Prepared::new(Kernel::CubicBSpline);
            let mut shift = |data: &mut [f32]| {
                let plane = data[c * area..(c + 1) * area].to_vec();
                let to = &mut data[c * area..(c + 1) * area];
                shift_window(&plane, width, height, dx, dy, width, height, &mut prepared, to);
            };
            shift(&mut out.data);
            out.halves.iter_mut().flatten().for_each(|half| shift(half));
            words.push(format!("{name} by {:.3}, {:.3} px", -dx, -dy));
        }
        if !words.is_empty() {
            out.info.history.push(format!("colour.dispersion moved {} (cubic B-spline)", words.join(", ")));
        }
        Ok(vec![Value::Image(Arc::new(out))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        Memory { state: stream.frame_bytes() * 8, ..Memory::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::testing::TestContext;

    /// A band-limited spot pattern at an exact sub-pixel place: Gaussians have known values.
    fn plane(dx: f64, dy: f64, size: usize) -> Vec<f32> {
        let spots = [(30.0, 28.0, 5.0, 1.0), (36.3, 31.0, 2.5, 0.4), (27.0, 35.5, 2.0, -0.3), (24.0, 24.0, 3.0, 0.3)];
        (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 - dx, (i / size) as f64 - dy);
                let sum: f64 = spots
                    .iter()
                    .map(|(cx, cy, s, a)| a * libm::exp(-((x - cx).powi(2) + (y - cy).powi(2)) / (2.0 * s * s)))
                    .sum();
                0.02 + 0.4 * sum as f32
            })
            .collect()
    }

    // The shifts are put in by construction; 0.02 px is the accuracy claimed without noise.
    #[test]
    fn channels_come_back_onto_green() {
        let size = 64;
        let mut image = Image::new(size, size, 3);
        image.data = [plane(1.37, -0.62, size), plane(0.0, 0.0, size), plane(-2.21, 0.45, size)].concat();
        let Ok(Node::Transform(node)) = Dispersion.create(&Dispersion.describe().defaults(), &Facts::default()) else {
            panic!("no node")
        };
        let context = TestContext::default();
        let bound = Bound::default().with("image", Value::Image(Arc::new(image)));
        let Value::Image(out) = node.run(&context, &bound).unwrap()[0].clone() else { panic!("no picture") };
        for (name, expected) in
            [("red-shift-x", 1.37), ("red-shift-y", -0.62), ("blue-shift-x", -2.21), ("blue-shift-y", 0.45)]
        {
            assert!((context.number(name).unwrap() - expected).abs() < 0.02, "{name}");
        }
        for c in [0, 2] {
            for y in 8..size - 8 {
                for x in 8..size - 8 {
                    let i = y * size + x;
                    assert!((out.channel(c)[i] - out.channel(1)[i]).abs() < 6e-3);
                }
            }
        }
    }

    #[test]
    fn empty_channels_are_left_with_a_warning() {
        let Ok(Node::Transform(node)) = Dispersion.create(&Dispersion.describe().defaults(), &Facts::default()) else {
            panic!("no node")
        };
        let context = TestContext::default();
        let bound = Bound::default().with("image", Value::Image(Arc::new(Image::new(32, 32, 3))));
        let Value::Image(out) = node.run(&context, &bound).unwrap()[0].clone() else { panic!("no picture") };
        assert!(out.data.iter().all(|v| *v == 0.0));
        assert_eq!(context.warnings.lock().unwrap().len(), 2);
    }
}
