//! Parameters and facts that the readers share.

use stillair_api::{Description, FactOrigin, FactValue, Facts, Fault, Layout, Outcome, Parameter, Parameters, Pattern};

use crate::samples::ByteOrder;

/// Where a sample's significant bits lie within its container.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Alignment {
    /// At the high end: the low bits are 0.
    Left,
    /// At the low end: the high bits are 0.
    Right,
}

/// What the recipe and the session say of a clip; `None` = the file or the data decide.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Options {
    /// Layout of a clip of one plane, and who says so.
    pub(crate) layout: Option<(Layout, &'static str)>,
    /// Byte order of 16-bit samples.
    pub(crate) byte_order: Option<ByteOrder>,
    /// Alignment of samples.
    pub(crate) alignment: Option<Alignment>,
    /// The stored number that becomes 1.
    pub(crate) white_level: Option<f64>,
    /// Significant bits of a sample.
    pub(crate) bits: Option<u32>,
    /// Exposure of a frame, s.
    pub(crate) exposure_s: Option<f64>,
    /// Bits and white level as judged from other pictures of the sequence: nothing more is judged then.
    pub(crate) fixed: Option<(u32, f64)>,
}

/// Adds the shared parameters and facts to a description.
pub(crate) fn describe(description: Description) -> Description {
    description
        .parameter(Parameter::choice(
            "pattern",
            &["auto", "mono", "rggb", "grbg", "gbrg", "bggr"],
            "auto",
            "colour mosaic of a clip with one plane, by its first two rows; auto = the session's camera.pattern, else \
             what the file says",
        ))
        .parameter(Parameter::choice(
            "byte_order",
            &["auto", "little", "big"],
            "auto",
            "order of the bytes of 16-bit samples; auto = what the file's format fixes, else decided from the data",
        ))
        .parameter(Parameter::choice(
            "alignment",
            &["auto", "left", "right"],
            "auto",
            "whether samples of fewer bits than their container fill its high end (left) or its low end (right); \
             auto = decided from the bits in use",
        ))
        .parameter(Parameter::auto_number(
            "white_level",
            "",
            1.0,
            4_294_967_295.0,
            "the stored number that becomes 1; auto = the largest that bits and alignment allow",
        ))
        .fact("camera.pattern")
        .fact("camera.bits")
        .fact("camera.exposure_s")
}

impl Options {
    /// Reads parameters first, facts second. Facts from the capture's own header are left to the reader.
    pub(crate) fn read(parameters: &Parameters, facts: &Facts) -> Outcome<Self> {
        let given = |name: &str| facts.0.get(name).filter(|f| f.origin != FactOrigin::Header).map(|f| &f.value);
        let layout = match (parameters.text("pattern")?, given("camera.pattern")) {
            ("auto", Some(FactValue::Text(word))) => Some((parse_layout(word)?, "the session")),
            ("auto", _) => None,
            (word, _) => Some((parse_layout(word)?, "the recipe")),
        };
        let number = |name: &str, most: f64| match given(name) {
            None => Ok(None),
            Some(FactValue::Number(n)) if *n > 0.0 && *n <= most => Ok(Some(*n)),
            Some(_) => Err(Fault::request(format!("{name} must be a number above 0, at most {most}"))
                .remedy("correct the session file")),
        };
        Ok(Self {
            layout,
            byte_order: match parameters.text("byte_order")? {
                "little" => Some(ByteOrder::Little),
                "big" => Some(ByteOrder::Big),
                _ => None,
            },
            alignment: match parameters.text("alignment")? {
                "left" => Some(Alignment::Left),
                "right" => Some(Alignment::Right),
                _ => None,
            },
            white_level: parameters.auto_number("white_level")?,
            bits: number("camera.bits", 16.0)?.map(|bits| bits as u32),
            exposure_s: number("camera.exposure_s", 86_400.0)?,
            fixed: None,
        })
    }

    /// The layout of a clip of one plane whose file says `stated`, with a note where something else is taken.
    pub(crate) fn one_plane(&self, stated: Layout, notes: &mut Vec<String>) -> Layout {
        let Some((wanted, who)) = self.layout else { return stated };
        if wanted != stated {
            notes.push(format!(
                "{who} says that the clip is {}, the file says {}: taken as {}",
                words(wanted),
                words(stated),
                words(wanted)
            ));
        }
        wanted
    }
}

fn parse_layout(word: &str) -> Outcome<Layout> {
    if word.trim().eq_ignore_ascii_case("mono") {
        return Ok(Layout::Mono);
    }
    Pattern::parse(word).map(Layout::Mosaic).ok_or_else(|| {
        Fault::request(format!("camera.pattern `{word}` is not a colour mosaic that can be read"))
            .remedy("use mono, rggb, grbg, gbrg or bggr")
    })
}

/// A layout in words.
pub(crate) fn words(layout: Layout) -> String {
    match layout {
        Layout::Mono => "mono".into(),
        Layout::Mosaic(pattern) => format!("a {} colour mosaic", pattern.letters()),
        Layout::Rgb => "RGB".into(),
    }
}
