//! Bilinear demosaic: every missing colour is the mean of its nearest samples.
//!
//! Green at a red or blue sample is the mean of the four beside it; red at a green sample is the mean of the two
//! beside or above and below it; red at a blue sample is the mean of the four at its corners. Linear, so its errors
//! average out over frames that drift. Textbook; the reference arrays are those of a public library (tests/data).

use stillair_api::{Description, Facts, Method, Node, Outcome, Parameters, PortType, Shape};

use crate::rows::{MARGIN, Rows, RowsNode, STEP, Targets};

/// `demosaic.bilinear`.
pub struct Bilinear;

impl Method for Bilinear {
    fn describe(&self) -> Description {
        Description::new("demosaic.bilinear", Shape::Map, "Fills in each colour by the mean of its nearest samples")
            .help(
                "Gives three planes from a colour mosaic; mono and RGB frames pass unchanged. The right choice before \
                 a stack of more than some fifty frames: being linear, its errors average out as the target drifts \
                 over the mosaic. A single frame shows coloured fringes at sharp edges; demosaic.gradient shows fewer.",
            )
            .source("textbook interpolation; values checked against colour-demosaicing 0.2.7")
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

/// The row whose own colour stands in columns of parity `OWN`.
fn row_of<const OWN: usize>(rows: &Rows<'_>, targets: Targets<'_>) {
    let width = targets.own.len();
    let [_, above, here, below, _] = rows.map(|r| &r[MARGIN - 1..MARGIN + 1 + width]);
    let colours = |a: [f32; 3], h: [f32; 3], b: [f32; 3], is_own: bool| {
        let (side, upright) = (h[0] + h[2], a[1] + b[1]);
        let corners = (a[0] + a[2]) + (b[0] + b[2]);
        if is_own { [h[1], 0.25 * (side + upright), 0.25 * corners] } else { [0.5 * side, h[1], 0.5 * upright] }
    };
    let (own, own_tail) = targets.own.as_chunks_mut::<STEP>();
    let (green, green_tail) = targets.green.as_chunks_mut::<STEP>();
    let (other, other_tail) = targets.other.as_chunks_mut::<STEP>();
    let done = own.len() * STEP;
    for (k, ((own, green), other)) in own.iter_mut().zip(green).zip(other).enumerate() {
        let window = |row: &[f32]| row[k * STEP..].first_chunk::<{ STEP + 2 }>().copied();
        // The rows reach a sample beyond the last block on either side.
        let (Some(a), Some(h), Some(b)) = (window(above), window(here), window(below)) else { return };
        for i in 0..STEP {
            let (side, upright) = (h[i] + h[i + 2], a[i + 1] + b[i + 1]);
            let corners = (a[i] + a[i + 2]) + (b[i] + b[i + 2]);
            let is_own = i % 2 == OWN;
            own[i] = if is_own { h[i + 1] } else { 0.5 * side };
            green[i] = if is_own { 0.25 * (side + upright) } else { h[i + 1] };
            other[i] = if is_own { 0.25 * corners } else { 0.5 * upright };
        }
    }
    for i in 0..own_tail.len() {
        let at = done + i;
        let three = |row: &[f32]| [row[at], row[at + 1], row[at + 2]];
        let is_own = at % 2 == OWN;
        [own_tail[i], green_tail[i], other_tail[i]] = colours(three(above), three(here), three(below), is_own);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rows::tests::{compare, keep_flat_colours, pass_others_through};
    use stillair_api::contract;

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Bilinear.describe()), Vec::<String>::new());
    }

    #[test]
    fn values_are_those_of_the_reference_library() {
        compare(&Bilinear, "bilinear");
    }

    #[test]
    fn flat_colours_stay_and_other_layouts_pass() {
        keep_flat_colours(&Bilinear);
        pass_others_through(&Bilinear);
    }
}
