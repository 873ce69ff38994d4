//! Holds calibration clips to the capture that they are for, before any work is done.
//!
//! Inputs that bear the names of the session's `[calibration]` are meant. A bias, dark or flat of another size cannot
//! be used. One of another exposure, gain or depth can, but it does not fit, and the record should say so. What is not
//! known is not compared. Limits: common practice, no source.

use std::collections::HashMap;

use stillair_api::{ClipInfo, Context, Fault, Outcome, ParameterValue};

use super::inputs::Clip;
use crate::plan::{Plan, PlanNode};
use crate::session::calibration_kinds;

/// Exposures that differ by more than this share are not the same.
const EXPOSURE_SHARE: f64 = 0.05;

/// Gains that differ by more than this share are not the same.
const GAIN_SHARE: f64 = 0.01;

/// The kind of a node that reads a calibration clip.
fn kind_of(node: &PlanNode) -> Option<&'static str> {
    let (input, _) = node.file.as_ref()?;
    calibration_kinds().find(|kind| kind == input)
}

/// The capture that a node's calibration clip is for, among the clips opened so far; none for other nodes.
pub(super) fn capture_for<'c>(plan: &Plan, node: &PlanNode, clips: &'c HashMap<usize, Clip>) -> Option<&'c ClipInfo> {
    kind_of(node)?;
    let captures = clips.iter().filter(|(index, _)| kind_of(&plan.nodes[**index]).is_none());
    captures.min_by_key(|(index, _)| **index).map(|(_, clip)| clip.reader.info())
}

/// How a calibration clip is to be read again, and at how many bits, if its samples were judged otherwise than the
/// capture's. Readers decide from the data what byte order and which bits of raw samples count; a dark holds too little
/// for that, and one camera writes all its clips alike.
pub(super) fn like_the_capture(node: &PlanNode, clip: &ClipInfo, capture: &ClipInfo) -> Option<(PlanNode, u32)> {
    let mut node = node.clone();
    for name in ["byte_order", "alignment"] {
        clip.header.get(name)?;
        let word = ParameterValue::Text(capture.header.get(name)?.clone());
        let left_to_data = *node.parameters.0.get(name)? == ParameterValue::Text("auto".into());
        if left_to_data {
            node.parameters.0.insert(name.into(), word);
        }
    }
    let judged = |info: &ClipInfo| {
        ["byte_order", "alignment"]
            .map(|name| info.header.get(name).cloned())
            .into_iter()
            .chain([Some(info.bits.to_string())])
    };
    (!judged(clip).eq(judged(capture))).then_some((node, capture.bits))
}

/// Compares the calibration clips of a plan with its captures; warnings go to the contexts of the clips' steps.
///
/// # Errors
/// A clip of another size or number of colours, with the index of the node that reads it.
pub(super) fn compare(
    plan: &Plan,
    clips: &HashMap<usize, Clip>,
    contexts: &[super::context::NodeContext<'_>],
) -> Result<(), (Fault, usize)> {
    let node_of = |kind: &str| (0..plan.nodes.len()).find(|i| kind_of(&plan.nodes[*i]) == Some(kind));
    let captures: Vec<usize> =
        (0..plan.nodes.len()).filter(|i| clips.contains_key(i) && kind_of(&plan.nodes[*i]).is_none()).collect();
    let flat = node_of("flat").and_then(|node| clips.get(&node));
    for (index, node) in plan.nodes.iter().enumerate() {
        let (Some(kind), Some(clip)) = (kind_of(node), clips.get(&index)) else { continue };
        for capture in captures.iter().filter_map(|i| clips.get(i)) {
            same_size(kind, clip, capture).map_err(|fault| (fault, index))?;
        }
        let Some(capture) = captures.first().and_then(|i| clips.get(i)) else { continue };
        // A flat's own dark belongs to the flat; everything else to the capture.
        let (other, other_name) = match (kind, flat) {
            ("flat_dark", Some(flat)) => (flat, "flat"),
            _ => (capture, "capture"),
        };
        for text in differences(kind, clip, other, other_name) {
            contexts[index].warn(&text);
        }
    }
    Ok(())
}

fn same_size(kind: &str, clip: &Clip, capture: &Clip) -> Outcome<()> {
    let word = words(kind);
    let (one, all) = (clip.reader.info(), capture.reader.info());
    if (one.width, one.height) != (all.width, all.height) {
        return Err(Fault::data(format!(
            "the {word} has {} x {} pixels, the capture {} x {}",
            one.width, one.height, all.width, all.height
        ))
        .remedy(format!("take the {word} with the same window of the sensor, or leave it out")));
    }
    if one.layout.planes() != all.layout.planes() {
        return Err(Fault::data(format!(
            "the {word} has {} planes of colour, the capture {}",
            one.layout.planes(),
            all.layout.planes()
        ))
        .remedy(format!("take the {word} with the same settings of the camera, or leave it out")));
    }
    Ok(())
}

/// What does not fit, in words.
fn differences(kind: &str, clip: &Clip, other: &Clip, other_name: &str) -> Vec<String> {
    let word = words(kind);
    let mut found = Vec::new();
    let differ = |fact: &str, share: f64| {
        let (one, all) = (clip.facts.number(fact)?, other.facts.number(fact)?);
        ((one - all).abs() > share * all.abs()).then_some((one, all))
    };
    let exposed_alike = matches!(kind, "dark" | "flat_dark");
    if let Some((one, all)) = differ("camera.exposure_s", EXPOSURE_SHARE).filter(|_| exposed_alike) {
        found.push(format!(
            "the {word} was exposed {one} s, the {other_name} {all} s: its pattern is not the {other_name}'s; take it \
             with the same exposure"
        ));
    }
    // A flat is scaled to its own mean: what its gain was does not matter.
    if let Some((one, all)) = differ("camera.gain_e_per_adu", GAIN_SHARE).filter(|_| kind != "flat") {
        found.push(format!(
            "the {word} was taken at a gain of {one} electrons a step, the {other_name} at {all}: take it with the same \
             gain"
        ));
    }
    let (one, all) = (clip.reader.info(), other.reader.info());
    if let (Some(own), Some(others)) = (one.header.get("gain"), all.header.get("gain"))
        && own != others
        && kind != "flat"
    {
        found.push(format!(
            "the {word}'s header says a gain of {own}, the {other_name}'s {others}: take it with the same gain"
        ));
    }
    // A picture of a master may well be finer than the clips it was made from.
    let finer_master = one.frames == 1 && one.bits >= all.bits;
    if (one.bits, one.white_level) != (all.bits, all.white_level) && !finer_master {
        found.push(format!(
            "the {word}'s samples have {} bits with {} as white, the {other_name}'s {} with {}: if the camera was set \
             alike, say camera.bits in the session",
            one.bits, one.white_level, all.bits, all.white_level
        ));
    }
    found
}

/// A kind in words.
fn words(kind: &str) -> String {
    if kind == "flat_dark" { "flat's dark".into() } else { kind.into() }
}
