//! Sharpness as the steepest gradients of a frame.
//!
//! Green is blurred by a Gaussian of `sigma = 0.4 px * Q` (Q pixels per lambda over D), the modulus of the Sobel
//! gradient taken, and of it the 99th percentile `g`. The noise adds `E = sigma_n^2 * ||filter||^2` to the mean square,
//! so the grade is `sqrt(max(g^2 - E, 0)) / 8` over the window's mean light: relative change of light per pixel. Over
//! simulated discs it is the best grade without a reference (mean rank correlation 0.93 with the true transfer at
//! middle frequencies). Sobel operator: Sobel & Feldman 1968; gradient energy as a focus measure: Tenenbaum 1970.

use stillair_api::{ColumnSpec, Description, Facts, Method, Node, Outcome, Parameter, Parameters, Shape};
use stillair_maths::border::Border;
use stillair_maths::filters::{sobel_magnitude, symmetric};

use crate::filtered::{Filter, FilterNode, Responses, blur_parameter};
use crate::view::{Light, upper_value, with_ports, with_sampling_facts};

/// Share of the light that stands on the limb, where the steepest gradients are.
const LIMB_LIGHT: f64 = 0.5;

/// `grade.gradient`.
pub struct Gradient;

impl Method for Gradient {
    fn describe(&self) -> Description {
        let description =
            Description::new("grade.gradient", Shape::Measure, "Grades frames by their steepest gradients")
                .help(
                    "Takes a high percentile of the gradient of slightly blurred green light, divides by the \
                     target's light and takes off what noise adds: a thin cloud is not taken for a blur. The best \
                     grade before a reference stack exists. On a planet it looks at the limb; on a surface that fills \
                     the frame at its steepest features. Frames without light get no grade.",
                )
                .source("Sobel & Feldman 1968; Tenenbaum 1970; blur, percentile and noise term: own simulation")
                .column(ColumnSpec::number(
                    "grade_gradient",
                    "1/px",
                    "relative change of light per px; higher is sharper",
                ))
                .parameter(blur_parameter::<Steepest>())
                .parameter(Parameter::number(
                    "percentile",
                    "%",
                    50.0,
                    100.0,
                    99.0,
                    "share of the window's pixels with a smaller gradient",
                ));
        with_sampling_facts(with_ports(description))
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let filter = Steepest { share: 1.0 - 0.01 * parameters.number("percentile")? };
        let blur_px = parameters.auto_number("blur_px")?;
        Ok(Node::Measure(Box::new(FilterNode { filter, blur_px, facts: facts.clone() })))
    }
}

/// The steepest gradients: the Sobel modulus that a share of the pixels exceeds.
#[derive(Debug, Clone, Copy)]
struct Steepest {
    share: f64,
}

impl Filter for Steepest {
    const BLUR_PER_SAMPLING: f64 = 0.4;
    const NAME: &'static str = "gradient";

    fn respond(plane: &[f32], width: usize, kernel: &[f32], buffers: &mut Responses) {
        let height = plane.len() / width.max(1);
        buffers.resize(plane.len());
        let Responses { blurred, response, filter } = buffers;
        symmetric(plane, width, height, kernel, Border::Nearest, blurred, filter);
        sobel_magnitude(blurred, width, height, Border::Nearest, response, filter);
    }

    fn grade(self, response: &Responses, gain: f64, light: &Light, area: usize, scratch: &mut Vec<f32>) -> f64 {
        let steepest = f64::from(upper_value(&response.response, self.share, scratch));
        let variance = light.sky_variance + LIMB_LIGHT * (light.target_variance - light.sky_variance);
        let clear = (steepest * steepest - gain * variance).max(0.0).sqrt();
        0.125 * clear * area as f64 / light.flux
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{grade, grade_of_changed};
    use crate::view::tests::Scene;
    use crate::view::{GreenBuffers, green, noise_gain};
    use stillair_api::{Layout, Pattern, contract};
    use stillair_maths::filters::gaussian_half_kernel;

    const MOSAIC: Layout = Layout::Mosaic(Pattern::Rggb);

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Gradient.describe()), Vec::<String>::new());
    }

    // scipy 1.17.1, mean of sobel(img, 0)^2 + sobel(img, 1)^2, mode reflect, of tests/data/filter_input.npy.
    #[test]
    fn the_modulus_is_that_of_the_reference_library() {
        let (picture, width) = crate::testing::filter_input();
        let mut buffers = Responses::default();
        Steepest::respond(&picture, width, &[1.0], &mut buffers);
        let tenengrad = stillair_maths::dot(&buffers.response, &buffers.response) / picture.len() as f64;
        assert!((tenengrad / 11_972.797 - 1.0).abs() < 1e-5, "{tenengrad}");
    }

    #[test]
    fn a_sharper_frame_grades_higher_in_every_layout() {
        for layout in [Layout::Mono, MOSAIC, Layout::Rgb] {
            let grades: Vec<f64> =
                [0.7, 1.0, 1.4, 2.0, 3.0].iter().map(|&b| grade(&Gradient, &Scene::new(layout, b, 0.5), 0)).collect();
            assert!(grades.windows(2).all(|g| g[0] > 1.05 * g[1]), "{layout:?} {grades:?}");
        }
    }

    #[test]
    fn a_thin_cloud_is_not_a_blur() {
        for layout in [Layout::Mono, MOSAIC] {
            let mean = |light: f32| {
                let mut scene = Scene::new(layout, 1.4, light);
                (scene.shot, scene.read) = (0.001, 0.006);
                (0..12).map(|i| grade(&Gradient, &scene, i)).sum::<f64>() / 12.0
            };
            let (clear, clouded) = (mean(0.6), mean(0.25));
            assert!((clouded / clear - 1.0).abs() < 0.06, "{layout:?} {clear} {clouded}");
        }
    }

    #[test]
    fn hot_pixels_do_not_win() {
        let scene = Scene { read: 0.004, ..Scene::new(MOSAIC, 1.4, 0.5) };
        let clear = grade(&Gradient, &scene, 3);
        let hot = grade_of_changed(&Gradient, &scene, 3, |data| (0..40).for_each(|i| data[77 + 211 * i] = 1.0));
        assert!((hot / clear - 1.0).abs() < 0.05, "{clear} {hot}");
    }

    // The gain computed from one sample against the mean square over white noise.
    #[test]
    fn the_noise_term_is_what_white_noise_adds() {
        for layout in [Layout::Mono, MOSAIC] {
            let scene = Scene { read: 0.01, ..Scene::new(layout, 1.0, 0.0) };
            let kernel = gaussian_half_kernel(0.96);
            let mut buffers = Responses::default();
            let mut energy = |plane: &[f32], side: usize| {
                Steepest::respond(plane, side, &kernel, &mut buffers);
                stillair_maths::dot(&buffers.response, &buffers.response)
            };
            let gain = noise_gain(layout, 40, &mut energy);
            let mut total = 0.0;
            for index in 0..6 {
                let frame = scene.frame(index);
                total += energy(green(&frame, f64::INFINITY, &mut GreenBuffers::default()), Scene::SIDE);
            }
            let measured = total / (6.0 * (Scene::SIDE * Scene::SIDE) as f64);
            assert!((measured / (gain * 1e-4) - 1.0).abs() < 0.05, "{layout:?} {measured} {gain}");
        }
    }
}
