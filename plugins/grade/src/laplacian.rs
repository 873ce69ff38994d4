//! Sharpness as the energy of the Laplacian.
//!
//! Green is blurred by a Gaussian of `sigma = 0.8 px * Q` (Q pixels per lambda over D; 2.4 where unknown), the Laplacian
//! `0 1 0 / 1 -4 1 / 0 1 0` taken, and its mean square over the window less what noise adds,
//! `mean variance * ||filter||^2`; the grade is the root of it over the window's mean light. The blur is everything:
//! over simulated discs the rank correlation with the true transfer is 0.88 at sigma 2 to 3 px and 0.08 without.
//! Laplacian energy as a focus measure: Subbarao & Tyan 1998, IEEE TPAMI 20, 864.

use stillair_api::{ColumnSpec, Description, Facts, Method, Node, Outcome, Parameters, Shape};
use stillair_maths::border::Border;
use stillair_maths::filters::{laplacian, symmetric};

use crate::filtered::{Filter, FilterNode, Responses, blur_parameter};
use crate::view::{Light, with_ports, with_sampling_facts};

/// `grade.laplacian`.
pub struct Laplacian;

impl Method for Laplacian {
    fn describe(&self) -> Description {
        let description =
            Description::new("grade.laplacian", Shape::Measure, "Grades frames by the energy of the blurred Laplacian")
                .help(
                    "Mean square of the Laplacian of blurred green light, less the share of noise, over the square \
                     of the target's light; its root is the grade. Looks at the whole window, so it also serves \
                     surfaces without a limb; on planets grade.gradient follows the seeing more closely. Frames \
                     without light get no grade; a frame in which noise outweighs detail gets 0.",
                )
                .source("Subbarao & Tyan 1998, IEEE TPAMI 20, 864; blur and noise term: own simulation")
                .column(ColumnSpec::number("grade_laplacian", "1/px2", "relative bend of light; higher is sharper"))
                .parameter(blur_parameter::<Bend>());
        with_sampling_facts(with_ports(description))
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let blur_px = parameters.auto_number("blur_px")?;
        Ok(Node::Measure(Box::new(FilterNode { filter: Bend, blur_px, facts: facts.clone() })))
    }
}

/// The energy of the Laplacian.
#[derive(Debug, Clone, Copy)]
struct Bend;

impl Filter for Bend {
    const BLUR_PER_SAMPLING: f64 = 0.8;
    const NAME: &'static str = "Laplacian";

    fn respond(plane: &[f32], width: usize, kernel: &[f32], buffers: &mut Responses) {
        let height = plane.len() / width.max(1);
        buffers.resize(plane.len());
        let Responses { blurred, response, filter } = buffers;
        symmetric(plane, width, height, kernel, Border::Mirror, blurred, filter);
        laplacian(blurred, width, height, Border::Mirror, response, filter);
    }

    fn grade(self, response: &Responses, gain: f64, light: &Light, area: usize, _: &mut Vec<f32>) -> f64 {
        let energy = stillair_maths::dot(&response.response, &response.response) / area as f64;
        let clear = (energy - gain * light.mean_variance(area)).max(0.0).sqrt();
        clear * area as f64 / light.flux
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{grade, grade_of_changed};
    use crate::view::tests::Scene;
    use stillair_api::{Layout, Pattern, contract};

    const MOSAIC: Layout = Layout::Mosaic(Pattern::Grbg);

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Laplacian.describe()), Vec::<String>::new());
    }

    // OpenCV 5.0.0, cv2.Laplacian(img, cv2.CV_64F, ksize=1).var() of tests/data/filter_input.npy. Its mean is near
    // zero, so the variance is the mean square less the square of the mean.
    #[test]
    fn the_energy_is_that_of_the_reference_library() {
        let (picture, width) = crate::testing::filter_input();
        let mut buffers = Responses::default();
        Bend::respond(&picture, width, &[1.0], &mut buffers);
        let energy = stillair_maths::dot(&buffers.response, &buffers.response) / picture.len() as f64;
        let mean = stillair_maths::sum(&buffers.response) / picture.len() as f64;
        assert!(((energy - mean * mean) / 421.27436 - 1.0).abs() < 1e-5, "{energy} {mean}");
    }

    #[test]
    fn a_sharper_frame_grades_higher_and_noise_does_not_count() {
        for layout in [Layout::Mono, MOSAIC] {
            let mean = |blur: f32, light: f32, noisy: bool| {
                let mut scene = Scene::new(layout, blur, light);
                if noisy {
                    (scene.shot, scene.read) = (0.001, 0.006);
                }
                (0..12).map(|i| grade(&Laplacian, &scene, i)).sum::<f64>() / 12.0
            };
            let grades: Vec<f64> = [1.0, 1.5, 2.2, 3.3].iter().map(|&b| mean(b, 0.5, false)).collect();
            assert!(grades.windows(2).all(|g| g[0] > 1.03 * g[1]), "{layout:?} {grades:?}");
            let (clear, noisy, clouded) = (mean(1.5, 0.5, false), mean(1.5, 0.5, true), mean(1.5, 0.2, true));
            assert!((noisy / clear - 1.0).abs() < 0.03, "{layout:?} {clear} {noisy}");
            assert!((clouded / clear - 1.0).abs() < 0.05, "{layout:?} {clear} {clouded}");
        }
    }

    #[test]
    fn hot_pixels_do_not_win() {
        let scene = Scene { read: 0.004, ..Scene::new(MOSAIC, 1.4, 0.5) };
        let clear = grade(&Laplacian, &scene, 3);
        let hot = grade_of_changed(&Laplacian, &scene, 3, |data| (0..40).for_each(|i| data[77 + 211 * i] = 1.0));
        assert!((hot / clear - 1.0).abs() < 0.05, "{clear} {hot}");
    }
}
