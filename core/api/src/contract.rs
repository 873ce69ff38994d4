//! Contracts: named port sets that make methods swap by one line of a recipe.

use crate::{Description, PortType};

/// A port that a contract asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ContractPort {
    /// Name.
    pub name: &'static str,
    /// Type.
    pub kind: PortType,
    /// Whether a method may leave it out.
    pub optional: bool,
}

/// A named port set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Contract {
    /// Name: the family's, or the family's and a word.
    pub name: &'static str,
    /// Ports in.
    pub inputs: &'static [ContractPort],
    /// Ports out.
    pub outputs: &'static [ContractPort],
}

const fn must(name: &'static str, kind: PortType) -> ContractPort {
    ContractPort { name, kind, optional: false }
}

const fn may(name: &'static str, kind: PortType) -> ContractPort {
    ContractPort { name, kind, optional: true }
}

use PortType::{Frames, Image, Motion, Record, Table};

/// All contracts.
pub const CONTRACTS: &[Contract] = &[
    Contract { name: "decode", inputs: &[], outputs: &[must("frames", Frames)] },
    Contract { name: "simulate", inputs: &[], outputs: &[must("frames", Frames)] },
    Contract {
        name: "calibrate",
        inputs: &[must("frames", Frames), may("dark", Image), may("flat", Image), may("table", Table)],
        outputs: &[must("frames", Frames)],
    },
    Contract { name: "calibrate.master", inputs: &[must("frames", Frames)], outputs: &[must("image", Image)] },
    Contract { name: "demosaic", inputs: &[must("frames", Frames)], outputs: &[must("frames", Frames)] },
    Contract {
        name: "crop",
        inputs: &[must("frames", Frames), may("table", Table)],
        outputs: &[must("frames", Frames)],
    },
    Contract { name: "find", inputs: &[must("frames", Frames)], outputs: &[must("table", Table)] },
    Contract {
        name: "grade",
        inputs: &[must("frames", Frames), must("table", Table), may("motion", Motion), may("reference", Image)],
        outputs: &[must("table", Table)],
    },
    Contract {
        name: "align",
        inputs: &[must("frames", Frames), must("table", Table), may("motion", Motion), may("reference", Image)],
        outputs: &[must("motion", Motion), may("reference", Image)],
    },
    Contract {
        name: "select",
        inputs: &[must("table", Table), may("images", Image)],
        outputs: &[must("table", Table)],
    },
    Contract {
        name: "stack",
        inputs: &[must("frames", Frames), must("table", Table), must("motion", Motion), may("reference", Image)],
        outputs: &[must("image", Image)],
    },
    Contract { name: "stack.panels", inputs: &[must("images", Image)], outputs: &[must("image", Image)] },
    Contract {
        name: "derotate",
        inputs: &[must("image", Image), must("table", Table)],
        outputs: &[must("motion", Motion)],
    },
    Contract {
        name: "derotate.geometry",
        inputs: &[must("image", Image)],
        outputs: &[must("image", Image), may("record", Record)],
    },
    Contract {
        name: "derotate.sense",
        inputs: &[must("frames", Frames), must("table", Table), must("motion", Motion), must("image", Image)],
        outputs: &[must("image", Image), may("motion", Motion)],
    },
    Contract { name: "derotate.merge", inputs: &[must("image", Image)], outputs: &[must("image", Image)] },
    Contract { name: "sharpen", inputs: &[must("image", Image)], outputs: &[must("image", Image)] },
    Contract { name: "colour", inputs: &[must("image", Image)], outputs: &[must("image", Image)] },
    Contract {
        name: "assess",
        inputs: &[
            may("frames", Frames),
            may("image", Image),
            may("table", Table),
            may("motion", Motion),
            may("records", Record),
        ],
        outputs: &[must("record", Record)],
    },
    Contract { name: "write.image", inputs: &[must("image", Image)], outputs: &[] },
    Contract { name: "write.table", inputs: &[must("table", Table)], outputs: &[] },
    Contract {
        name: "write.frames",
        inputs: &[must("frames", Frames), may("table", Table), may("motion", Motion)],
        outputs: &[],
    },
];

/// Holds a description to the contract it names; every breach is one line.
pub fn breaches(description: &Description) -> Vec<String> {
    let mut found = Vec::new();
    if description.contract.is_empty() {
        return found;
    }
    let Some(contract) = CONTRACTS.iter().find(|c| c.name == description.contract) else {
        return vec![format!("{}: unknown contract {}", description.method, description.contract)];
    };
    for (side, wanted, given) in
        [("input", contract.inputs, &description.inputs), ("output", contract.outputs, &description.outputs)]
    {
        for port in wanted {
            match given.iter().find(|g| g.name == port.name) {
                Some(g) if g.kind != port.kind => {
                    found.push(format!("{}: {side} {} must be {:?}", description.method, port.name, port.kind));
                }
                None if !port.optional => {
                    found.push(format!("{}: {side} {} is missing", description.method, port.name))
                }
                _ => {}
            }
        }
        for g in given {
            if g.required && !wanted.iter().any(|p| p.name == g.name) && side == "input" {
                found.push(format!("{}: required {side} {} is not in the contract", description.method, g.name));
            }
        }
    }
    found
}
