//! Demosaic with gradient correction.
//!
//! The bilinear estimate of a missing colour plus a share of the difference between the colour that is there and its
//! own bilinear estimate: `g = g_bilinear + 1/2 D_r`, `r = r_bilinear + 5/8 D_g` or `3/4 D_b`, with `D` the Laplacian
//! of the five samples of that colour. As 5 x 5 kernels in eighths. Malvar, He & Cutler 2004, "High-quality linear
//! interpolation for demosaicing of Bayer-patterned color images", ICASSP.

use stillair_api::{Description, Facts, Method, Node, Outcome, Parameters, PortType, Shape};

use crate::rows::{Rows, RowsNode, STEP, Targets};

/// `demosaic.gradient`.
pub struct Gradient;

impl Method for Gradient {
    fn describe(&self) -> Description {
        Description::new("demosaic.gradient", Shape::Map, "Fills in each colour, corrected by the gradient of another")
            .help(
                "Gives three planes from a colour mosaic; mono and RGB frames pass unchanged. Sharper than \
                 demosaic.bilinear and with less fringing on a single frame or a short stack, because detail of the \
                 colour that was sampled is lent to those that were not; this assumes that colours change together \
                 and carries noise from one colour to another. It is linear, so errors still average out.",
            )
            .source("Malvar, He & Cutler 2004, ICASSP; values checked against colour-demosaicing 0.2.7")
            .contract("demosaic")
            .input("frames", PortType::Frames, "frames with a colour mosaic")
            .output("frames", PortType::Frames, "frames of three planes")
            .through("frames")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Map(Box::new(RowsNode(row))))
    }
}

fn row(rows: &Rows<'_>, own_first: bool, targets: Targets<'_>) {
    if own_first { row_of::<0>(rows, targets) } else { row_of::<1>(rows, targets) }
}

/// The three colours (own, green, other) at column `i + 2` of five rows.
#[inline(always)]
fn colours(rows: &[&[f32]; 5], i: usize, is_own: bool) -> [f32; 3] {
    let [far_above, above, here, below, far_below] = *rows;
    let centre = here[i + 2];
    let (side, upright) = (here[i + 1] + here[i + 3], above[i + 2] + below[i + 2]);
    let (far_side, far_upright) = (here[i] + here[i + 4], far_above[i + 2] + far_below[i + 2]);
    let corners = (above[i + 1] + above[i + 3]) + (below[i + 1] + below[i + 3]);
    if is_own {
        let far = far_side + far_upright;
        let green = 0.125 * (4.0 * centre + 2.0 * (side + upright) - far);
        let other = 0.125 * (6.0 * centre + 2.0 * corners - 1.5 * far);
        [centre, green, other]
    } else {
        let own = 0.125 * (5.0 * centre + 4.0 * side - far_side + 0.5 * far_upright - corners);
        let other = 0.125 * (5.0 * centre + 4.0 * upright - far_upright + 0.5 * far_side - corners);
        [own, centre, other]
    }
}

/// The row whose own colour stands in columns of parity `OWN`.
fn row_of<const OWN: usize>(rows: &Rows<'_>, targets: Targets<'_>) {
    let (own, own_tail) = targets.own.as_chunks_mut::<STEP>();
    let (green, green_tail) = targets.green.as_chunks_mut::<STEP>();
    let (other, other_tail) = targets.other.as_chunks_mut::<STEP>();
    let done = own.len() * STEP;
    for (k, ((own, green), other)) in own.iter_mut().zip(green).zip(other).enumerate() {
        let window = rows.map(|r| &r[k * STEP..k * STEP + STEP + 4]);
        for i in 0..STEP {
            let (at_own, at_green) = (colours(&window, i, true), colours(&window, i, false));
            let is_own = i % 2 == OWN;
            own[i] = if is_own { at_own[0] } else { at_green[0] };
            green[i] = if is_own { at_own[1] } else { at_green[1] };
            other[i] = if is_own { at_own[2] } else { at_green[2] };
        }
    }
    for i in 0..own_tail.len() {
        [own_tail[i], green_tail[i], other_tail[i]] = colours(rows, done + i, (done + i) % 2 == OWN);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rows::tests::{compare, keep_flat_colours, pass_others_through};
    use stillair_api::contract;

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Gradient.describe()), Vec::<String>::new());
    }

    #[test]
    fn values_are_those_of_the_reference_library() {
        compare(&Gradient, "malvar");
    }

    #[test]
    fn flat_colours_stay_and_other_layouts_pass() {
        keep_flat_colours(&Gradient);
        pass_others_through(&Gradient);
    }
}
