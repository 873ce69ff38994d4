//! Gains on the scales of a starlet, with thresholds from the half-stacks.
//!
//! The isotropic undecimated wavelet transform with the B3 spline splits the stack into planes
//! `w_j` of detail at about `2^j` px; `out = c + sum g_j w_j max(0, 1 - (t sigma_j / |w_j|)^2)`
//! (Starck, Fadili & Murtagh 2007, IEEE Trans. Image Process. 16, 297; shrinkage after Breiman's
//! garrote). `sigma_j` is the noise of plane j: robust spread of half the difference of the
//! half-stacks in that plane. Gains left open are those that come closest to the Wiener gain
//! `T / M * C` in least squares weighted by the signal's power. Where the target is a spheroid its
//! blurred model is taken off before and its sharp one put back, which keeps the limb from ringing.

use std::sync::Arc;

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Image, Memory, Method, Node, Outcome, Parameter, Parameters, Shape,
    StreamShape, Transform, Value, gather,
};
use stillair_maths::border::Border;
use stillair_maths::fft::Complex32;
use stillair_maths::{fit, noise as camera_noise, robust, starlet};

use crate::deblur::noise;
use crate::deblur::plan::Plan;
use crate::report::{self, channel_name};
use crate::setup;
use crate::wiener::target;

/// Planes of the transform: detail of 1, 2, 4, 8 and 16 px.
const PLANES: usize = 5;

/// `sharpen.starlet`.
pub struct StarletGains;

impl Method for StarletGains {
    fn describe(&self) -> Description {
        let description = Description::new(
            "sharpen.starlet",
            Shape::Transform,
            "Lifts detail by its size, above the noise of that size",
        )
        .help(
            "Splits the stack into detail of 1, 2, 4, 8 and 16 px and multiplies each; what does not stand \
                     out of the noise measured between the half-stacks is held back. The mode for a hand on the \
                     wheel: gains may be set one by one. Left to itself it aims where sharpen.wiener aims and comes \
                     close on planets, but it cannot follow a transfer within a scale, and its shrinkage is not \
                     linear: half-stacks are dropped.",
        )
        .source("Starck, Fadili & Murtagh 2007, IEEE Trans. Image Process. 16, 297");
        setup::towards_target(description, "the sharpened picture, linear, without half-stacks")
            .parameter(Parameter::auto_numbers(
                "gains",
                "",
                0.0,
                100.0,
                "gain of detail of 1, 2, 4, 8 and 16 px; missing ones are 1",
            ))
            .parameter(Parameter::number(
                "threshold",
                "sigma",
                0.0,
                10.0,
                1.0,
                "detail weaker than this many times its scale's noise is held back",
            ))
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(StarletNode {
            gains: parameters.auto_numbers("gains")?.map(<[f64]>::to_vec),
            threshold: parameters.number("threshold")?,
            target_fwhm: parameters.number("target_fwhm")?,
            disc: parameters.text("disc")? == "auto",
            facts: facts.clone(),
        })))
    }
}

struct StarletNode {
    gains: Option<Vec<f64>>,
    threshold: f64,
    target_fwhm: f64,
    disc: bool,
    facts: Facts,
}

/// Multiplies planes by gains after shrinking what does not exceed `limits` (threshold times
/// sigma of each plane).
fn lift(picture: &[f32], width: usize, height: usize, gains: &[f64; PLANES], limits: &[f64; PLANES]) -> Vec<f32> {
    let parts = starlet::decompose(picture, width, height, PLANES as u32, Border::Nearest);
    let mut out = parts.residual;
    for ((plane, gain), limit) in parts.planes.iter().zip(gains).zip(limits) {
        let (gain, limit2) = (*gain as f32, (limit * limit) as f32);
        for (o, w) in out.iter_mut().zip(plane) {
            let w2 = w * w;
            if w2 > limit2 {
                *o += gain * w * (1.0 - limit2 / w2);
            }
        }
    }
    out
}

/// Robust noise of every plane, from half the difference of the half-stacks, or from the
/// picture's high-pass as white noise where there are none.
fn plane_noise(image: &Image, c: usize) -> [f64; PLANES] {
    let (width, height) = (image.width, image.height);
    let mut scratch = Vec::new();
    match (image.half(0, c), image.half(1, c)) {
        (Some(a), Some(b)) => {
            let difference: Vec<f32> = a.iter().zip(b).map(|(a, b)| 0.5 * (a - b)).collect();
            let parts = starlet::decompose(&difference, width, height, PLANES as u32, Border::Nearest);
            std::array::from_fn(|j| 1.4826 * f64::from(robust::mad_f32(&parts.planes[j], &mut scratch)))
        }
        _ => {
            let white = camera_noise::high_pass_sigma(image.channel(c), width, height, 1, &mut scratch);
            let spread = starlet::noise_std(PLANES as u32);
            std::array::from_fn(|j| white * spread[j])
        }
    }
}

/// Response of plane j at frequency f (cycles/px), mean of the axis and the diagonal.
fn response(j: usize, f: f64) -> f64 {
    let smooth = |f: f64, planes: usize| {
        (0..planes).fold(1.0, |product, i| {
            let a = std::f64::consts::TAU * f * f64::from(1_u32 << i);
            product * (6.0 + 8.0 * libm::cos(a) + 2.0 * libm::cos(2.0 * a)) / 16.0
        })
    };
    let on_axis = smooth(f, j) - smooth(f, j + 1);
    let g = f * std::f64::consts::FRAC_1_SQRT_2;
    let diagonal = smooth(g, j) * smooth(g, j) - smooth(g, j + 1) * smooth(g, j + 1);
    0.5 * (on_axis + diagonal)
}

/// Gains whose combination of planes comes closest to `T / M * C`.
fn automatic(plan: &Plan, residual: &[Complex32], c: usize, fwhm: f64) -> [f64; PLANES] {
    let channel = &plan.channels[c];
    let rings = &plan.canvas.rings;
    let coherence = noise::coherence(rings, residual, &channel.noise, 1.0);
    let power = rings.power(residual);
    let transfer: Vec<Complex32> = channel.transfer.iter().map(|m| Complex32::new(*m, 0.0)).collect();
    let transfer = rings.power(&transfer);
    let rows = (1..power.len()).filter(|i| coherence[*i] > 0.0).map(|i| {
        let f = rings.frequency(i);
        let wanted = (target(fwhm, f / channel.cutoff) / transfer[i].sqrt().max(1e-3) * coherence[i]).min(40.0);
        let planes: [f64; PLANES] = std::array::from_fn(|j| response(j, f));
        let rest = 1.0 - planes.iter().sum::<f64>();
        (planes, wanted - rest, power[i] * rings.counts()[i])
    });
    let found = fit::least_squares(rows).unwrap_or([1.0; PLANES]);
    found.map(|g| if g.is_finite() { g.clamp(0.0, 100.0) } else { 1.0 })
}

impl Transform for StarletNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let image = bound.image("image")?;
        let plan = Plan::of(context, image, &self.facts, self.disc)?;
        report::plan_facts(context, &plan, image.channels);
        let results = gather(context, image.channels, |c| self.channel(&plan, image, c));
        let mut out = setup::like(image);
        let mut noise_gain = Vec::with_capacity(image.channels);
        for (c, (mut data, gains, sigmas)) in results.into_iter().enumerate() {
            out.data.append(&mut data);
            let (lifted, plain) =
                gains.iter().zip(&sigmas).fold((0.0, 0.0), |(l, p), (g, s)| (l + g * g * s * s, p + s * s));
            // Before shrinkage, planes taken as independent: an upper bound.
            noise_gain.push((lifted / f64::max(plain, f64::MIN_POSITIVE)).sqrt());
            for (j, (gain, sigma)) in gains.iter().zip(sigmas).enumerate() {
                let (name, size) = (channel_name(image.channels, c), 1 << j);
                context.record(Entry::number(&format!("gain-{name}-{size}px"), *gain, "", "gain of this size"));
                context.record(Entry::number(
                    &format!("noise-{name}-{size}px"),
                    sigma,
                    "white levels",
                    "noise of this size, robust",
                ));
            }
        }
        report::picture_facts(context, &plan, image, &out, self.target_fwhm, &|c| noise_gain[c]);
        out.info.history.push(format!(
            "sharpen.starlet, threshold {} sigma; shrinkage is not linear, half-stacks dropped",
            self.threshold
        ));
        Ok(vec![Value::Image(Arc::new(out))])
    }

    fn memory(&self, stream: StreamShape) -> Memory {
        setup::memory(stream)
    }
}

impl StarletNode {
    fn channel(&self, plan: &Plan, image: &Image, c: usize) -> (Vec<f32>, [f64; PLANES], [f64; PLANES]) {
        let (canvas, channel) = (&plan.canvas, &plan.channels[c]);
        let mut scratch = canvas.plan.scratch();
        let object = setup::disc(plan, c);
        let blurred = setup::through(plan, c, object.as_deref(), channel.transfer.iter().copied(), &mut scratch);
        let targets = setup::targets(canvas, self.target_fwhm, channel.cutoff);
        let sharp = setup::through(plan, c, object.as_deref(), targets, &mut scratch);
        let rest: Vec<f32> = image.channel(c).iter().zip(&blurred).map(|(v, b)| v - b).collect();
        let sigmas = plane_noise(image, c);
        let gains = match &self.gains {
            Some(list) => std::array::from_fn(|j| list.get(j).copied().unwrap_or(1.0)),
            None => automatic(plan, &canvas.forward(&rest, 0.0, &mut scratch), c, self.target_fwhm),
        };
        let mut out = lift(&rest, image.width, image.height, &gains, &sigmas.map(|s| s * self.threshold));
        for (o, s) in out.iter_mut().zip(&sharp) {
            *o += s;
        }
        (out, gains, sigmas)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synthetic::{self, read_npy};
    use stillair_api::testing::TestContext;

    // A unit impulse: the centre of each plane is 0.859375, 0.111084, 0.022488, 0.00531, 0.001308
    // (scipy.ndimage.convolve1d with [1 4 6 4 1] / 16 dilated by 2^j).
    #[test]
    fn gains_act_on_their_planes() {
        let (width, height) = (129, 129);
        let mut impulse = vec![0.0; width * height];
        impulse[64 * width + 64] = 1.0;
        let none = [0.0; PLANES];
        let flat = lift(&impulse, width, height, &[1.0; PLANES], &none);
        assert!((flat[64 * width + 64] - 1.0).abs() < 1e-6);
        let centres = [0.859_375, 0.111_084, 0.022_488, 0.005_31, 0.001_308];
        for (j, centre) in centres.into_iter().enumerate() {
            let mut gains = [1.0; PLANES];
            gains[j] = 3.0;
            let lifted = lift(&impulse, width, height, &gains, &none);
            assert!((f64::from(lifted[64 * width + 64]) - 1.0 - 2.0 * centre).abs() < 1e-5, "plane {j}");
        }
    }

    // The L2 norm of each plane's impulse response, by Parseval the mean square of `response` over
    // the square of frequencies: 0.8908 and 0.20066 for the finest two (image-ops values of scipy).
    #[test]
    fn the_response_has_the_planes_noise() {
        for (j, norm) in [(0, 0.8908), (1, 0.20066)] {
            let n = 128;
            let mut sum = 0.0;
            for ky in 0..n {
                for kx in 0..n {
                    let f = libm::hypot(stillair_maths::fft::frequency(kx, n), stillair_maths::fft::frequency(ky, n));
                    sum += response(j, f).powi(2);
                }
            }
            let got = (sum / f64::from(n as u32 * n as u32)).sqrt();
            // The ring mean stands for a response that is not quite isotropic.
            assert!((got / norm - 1.0).abs() < 0.08, "plane {j}: {got}");
        }
    }

    #[test]
    fn noise_below_the_threshold_is_held_back() {
        let (picture, height, width) = read_npy("filter_input.npy");
        let gone = lift(&picture, width, height, &[1.0; PLANES], &[1e9; PLANES]);
        let parts = starlet::decompose(&picture, width, height, PLANES as u32, Border::Nearest);
        assert_eq!(gone, parts.residual);
    }

    #[test]
    fn a_planet_gains_on_its_stack() {
        let scene = synthetic::scene(1, 1);
        let before = synthetic::error_db(&scene.stack.data, &scene);
        let Ok(Node::Transform(node)) = StarletGains.create(&StarletGains.describe().defaults(), &synthetic::facts())
        else {
            panic!("no node");
        };
        let context = TestContext::default();
        let bound = Bound::default().with("image", Value::Image(Arc::new(scene.stack.clone())));
        let Value::Image(out) = node.run(&context, &bound).unwrap().remove(0) else { panic!("no picture") };
        let after = synthetic::error_db(&out.data, &scene);
        assert!(after > before + 8.0, "{before} -> {after} dB");
        assert!(out.halves.is_none());
    }
}
