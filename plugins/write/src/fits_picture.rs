//! `write.fits`: a linear FITS picture of 32-bit floats.
//!
//! Samples are written as they are, most significant byte first; nothing is clamped or rounded. Colours are three planes
//! (NAXIS3 = 3: red, green, blue), the first row is the top one. The header has the times in UTC (DATE-OBS and DATE-BEG:
//! the beginning of the first exposure; DATE-AVG: the middle of all; DATE-END: the end of the last; TELAPSE between),
//! the total exposure (EXPTIME and XPOSURE), where known the scale as linear coordinates in arcsec about the target, and
//! a HISTORY of the run's steps; the provenance is the long string PROVENAN. Source: FITS Standard 4.0 (4.4 keywords, 4.2.1.2
//! CONTINUE, 8.1 linear coordinates, 9.2 to 9.6 times); EXPTIME, NCOMBINE, PIXSCALE, ROWORDER, POSANGLE: common
//! practice, no source; POLEANG, CENTRMER and CENTRLAT (how a globe stands on the picture): own names.

use std::sync::Arc;

use stillair_api::{
    Bound, ClipInfo, Context, Description, Facts, Fault, Image, Method, Node, Outcome, OutputFile, Parameters,
    PortType, Shape, Sink, SinkRun,
};

use crate::output::{ascii, check, name_parameter, stem, unwritable};

/// Header and data come in blocks of this many bytes.
const BLOCK: usize = 2880;

/// `write.fits`.
pub struct Fits;

impl Method for Fits {
    fn describe(&self) -> Description {
        Description::new("write.fits", Shape::Sink, "writes a linear FITS picture of 32-bit floats")
            .help(
                "For measuring and for other programs: every value is kept, with time, total exposure, scale and the history \
                 of steps in the header.",
            )
            .source("FITS Standard 4.0, IAU FITS Working Group")
            .contract("write.image")
            .input("image", PortType::Image, "the picture")
            .parameter(name_parameter("picture"))
            .fact("orientation.up_position_angle_deg")
            .fact("orientation.mirrored")
            .fact("target.name")
            .extension("fits")
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        let sky = Sky {
            up_position_angle_deg: facts.number("orientation.up_position_angle_deg").filter(|deg| deg.is_finite()),
            mirrored: facts.flag("orientation.mirrored"),
            target: facts.text("target.name").map(str::to_owned),
        };
        Ok(Node::Sink(Box::new(FitsSink { stem: stem(parameters)?, sky })))
    }
}

/// What the session says of the target and how it lies on the sky.
#[derive(Debug, Clone, PartialEq, Default)]
struct Sky {
    up_position_angle_deg: Option<f64>,
    mirrored: Option<bool>,
    target: Option<String>,
}

/// The cards of a header.
#[derive(Debug, Default)]
struct Cards(Vec<u8>);

impl Cards {
    /// A card of 80 characters; what does not fit of a comment is cut.
    fn put(&mut self, card: &str) {
        let card: String = card.chars().map(|c| if matches!(c, ' '..='~') { c } else { ' ' }).take(80).collect();
        self.0.extend(format!("{card:<80}").into_bytes());
    }

    fn fixed(&mut self, key: &str, value: &str, comment: &str) {
        self.put(&format!("{key:<8}= {value:>20} / {comment}"));
    }

    fn integer(&mut self, key: &str, value: usize, comment: &str) {
        self.fixed(key, &value.to_string(), comment);
    }

    fn flag(&mut self, key: &str, value: bool, comment: &str) {
        self.fixed(key, if value { "T" } else { "F" }, comment);
    }

    fn number(&mut self, key: &str, value: f64, comment: &str) {
        if value.is_finite() {
            let digits = format!("{value:E}");
            let point = if digits.contains('.') { digits } else { digits.replace('E', ".0E") };
            self.fixed(key, &point, comment);
        }
    }

    /// A text; one that is too long for a card goes on in CONTINUE cards.
    fn text(&mut self, key: &str, text: &str, comment: &str) {
        let text = ascii(text).replace(|c: char| c.is_ascii_control(), " ").replace('\'', "''");
        if text.len() <= 68 {
            self.put(&format!("{key:<8}= {:<20} / {comment}", format!("'{text:<8}'")));
            return;
        }
        let mut rest = text.as_str();
        let mut start = format!("{key:<8}= ");
        while !rest.is_empty() {
            // 80 less `KEYWORD = ` or `CONTINUE  `, two quotes and `&`; a doubled quote must not be torn apart.
            let mut cut = rest.len().min(67);
            if cut < rest.len() && (rest[..cut].bytes().rev().take_while(|b| *b == b'\'').count() % 2 == 1) {
                cut -= 1;
            }
            let (part, left) = rest.split_at(cut);
            self.put(&format!("{start}'{part}{}'", if left.is_empty() { "" } else { "&" }));
            start = "CONTINUE  ".into();
            rest = left;
        }
    }

    /// Free text, in as many cards as it takes, broken between words.
    fn history(&mut self, text: &str) {
        let mut line = String::new();
        for word in ascii(text).split_whitespace() {
            for part in word.as_bytes().chunks(72) {
                let part = String::from_utf8_lossy(part);
                if !line.is_empty() && line.len() + 1 + part.len() > 72 {
                    self.put(&format!("HISTORY {line}"));
                    line.clear();
                }
                if !line.is_empty() {
                    line.push(' ');
                }
                line += &part;
            }
        }
        self.put(&format!("HISTORY {line}"));
    }

    /// The header, filled to whole blocks.
    fn finish(mut self) -> Vec<u8> {
        self.put("END");
        self.0.resize(self.0.len().next_multiple_of(BLOCK), b' ');
        self.0
    }
}

/// UTC as FITS writes it, to a millisecond.
fn date(unix_ns: i64) -> Option<String> {
    let time = jiff::Timestamp::from_nanosecond(i128::from(unix_ns)).ok()?;
    let utc = jiff::tz::Offset::UTC.to_datetime(time);
    Some(format!(
        "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}.{:03}",
        utc.year(),
        utc.month(),
        utc.day(),
        utc.hour(),
        utc.minute(),
        utc.second(),
        utc.millisecond()
    ))
}

/// The steps that a provenance names, in their order.
fn steps(provenance: &str) -> Vec<String> {
    let facts: serde_json::Value = serde_json::from_str(provenance).unwrap_or_default();
    let steps = facts["steps"].as_array().into_iter().flatten();
    steps.filter_map(|step| step.as_str().map(str::to_owned)).collect()
}

/// The header of a picture.
fn header(image: &Image, sky: &Sky, provenance: &str) -> Vec<u8> {
    let info = &image.info;
    let mut cards = Cards::default();
    cards.flag("SIMPLE", true, "conforms to the FITS standard");
    cards.fixed("BITPIX", "-32", "32-bit floats");
    cards.integer("NAXIS", if image.channels == 3 { 3 } else { 2 }, "");
    cards.integer("NAXIS1", image.width, "columns");
    cards.integer("NAXIS2", image.height, "rows");
    if image.channels == 3 {
        cards.integer("NAXIS3", 3, "red, green, blue");
    }
    cards.text("ROWORDER", "TOP-DOWN", "the first row is the top one");
    cards.put("COMMENT Samples are proportional to light; 1 is the white level of the capture.");
    if let Some(target) = &sky.target {
        cards.text("OBJECT", target, "target");
    }
    let times = [
        ("DATE-OBS", info.begin_unix_ns, "beginning of the first exposure"),
        ("DATE-BEG", info.begin_unix_ns, "beginning of the first exposure"),
        ("DATE-AVG", info.middle_unix_ns, "middle of the exposures"),
        ("DATE-END", info.end_unix_ns, "end of the last exposure"),
    ];
    if times.iter().any(|(_, time, _)| time.is_some()) {
        cards.text("TIMESYS", "UTC", "time scale");
    }
    for (key, time, comment) in times {
        if let Some(date) = time.and_then(date) {
            cards.text(key, &date, comment);
        }
    }
    if let (Some(begin), Some(end)) = (info.begin_unix_ns, info.end_unix_ns) {
        cards.number("TELAPSE", (end - begin) as f64 / 1e9, "[s] from DATE-BEG to DATE-END");
    }
    if let Some(seconds) = info.exposure_total_s {
        cards.number("EXPTIME", seconds, "[s] exposures of all frames used, added up");
        cards.number("XPOSURE", seconds, "[s] the same");
    }
    if info.frames_used > 0 {
        cards.integer("NCOMBINE", info.frames_used, "frames used");
    }
    if let Some(scale) = info.arcsec_per_px.filter(|scale| *scale > 0.0) {
        cards.number("PIXSCALE", scale, "[arcsec] a pixel");
        for (axis, name, place) in [(1, "X", info.reference_px[0]), (2, "Y", info.reference_px[1])] {
            cards.text(&format!("CTYPE{axis}"), name, "linear, from the target's reference point");
            cards.text(&format!("CUNIT{axis}"), "arcsec", "");
            cards.number(&format!("CRPIX{axis}"), place + 1.0, "reference point; the first pixel is 1");
            cards.number(&format!("CRVAL{axis}"), 0.0, "");
            cards.number(&format!("CDELT{axis}"), scale, "");
        }
    }
    if let Some(angle) = sky.up_position_angle_deg {
        cards.number("POSANGLE", angle, "[deg] position angle of up, east of north");
    }
    if let Some(mirrored) = sky.mirrored {
        cards.flag("MIRRORED", mirrored, "whether left and right are exchanged");
    }
    if let Some(globe) = &info.globe {
        let half = if globe.oriented { "" } else { ", or half a turn more" };
        cards.number("POLEANG", globe.pole_rad.to_degrees(), &format!("[deg] north pole, clockwise from up{half}"));
        cards.number("CENTRMER", globe.central_meridian_deg, "[deg] longitude of the disc's centre");
        cards.number("CENTRLAT", globe.latitude_rad.to_degrees(), "[deg] latitude of the disc's centre");
    }
    for (channel, wavelength) in info.wavelength_nm.iter().enumerate() {
        cards.number(&format!("WAVELEN{}", channel + 1), *wavelength, "[nm] effective wavelength");
    }
    cards.text("CREATOR", concat!("Stillair ", env!("CARGO_PKG_VERSION")), "");
    if !provenance.is_empty() {
        cards.text("PROVENAN", provenance, "");
    }
    steps(provenance).iter().for_each(|step| cards.history(step));
    info.history.iter().for_each(|step| cards.history(step));
    cards.finish()
}

/// Writes the picture.
fn write(context: &dyn Context, image: &Image, header: &[u8], out: &mut dyn OutputFile) -> Outcome<()> {
    out.write_all(header).map_err(|e| unwritable(&e))?;
    let mut bytes = Vec::new();
    for part in image.data.chunks(1 << 16) {
        if context.cancelled() {
            return Err(Fault::cancelled());
        }
        bytes.clear();
        bytes.extend(part.iter().flat_map(|v| v.to_be_bytes()));
        out.write_all(&bytes).map_err(|e| unwritable(&e))?;
    }
    let held = image.data.len() * 4;
    out.write_all(&vec![0; held.next_multiple_of(BLOCK) - held]).map_err(|e| unwritable(&e))
}

struct FitsSink {
    stem: String,
    sky: Sky,
}

impl Sink for FitsSink {
    fn start(&self, _: &dyn Context, bound: &Bound, _: Option<&ClipInfo>) -> Outcome<Box<dyn SinkRun>> {
        let image = bound.image("image")?.clone();
        check(&image)?;
        let header = header(&image, &self.sky, &bound.provenance);
        Ok(Box::new(FitsRun { image, header }))
    }

    fn file_stem(&self) -> String {
        self.stem.clone()
    }
}

struct FitsRun {
    image: Arc<Image>,
    header: Vec<u8>,
}

impl SinkRun for FitsRun {
    fn begin(&mut self, context: &dyn Context, out: &mut dyn OutputFile) -> Outcome<()> {
        write(context, &self.image, &self.header, out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cards_have_80_characters_in_the_columns_of_the_standard() {
        let mut cards = Cards::default();
        cards.number("EXPTIME", 0.5, "seconds");
        cards.number("CRVAL1", 0.0, "");
        cards.text("OBJECT", "O'Hara", "name");
        cards.text("LONG", &"it's".repeat(60), "");
        let text = String::from_utf8(cards.0).expect("ASCII");
        assert_eq!(text.len() % 80, 0);
        let card = |n: usize| text[n * 80..(n + 1) * 80].trim_end();
        // FITS Standard 4.0, 4.2.1.1 and 4.2.4: `= ` in columns 9 and 10, numbers end in column 30, quotes are doubled.
        assert_eq!(card(0), format!("EXPTIME = {:>20} / seconds", "5.0E-1"));
        assert_eq!(card(1), format!("CRVAL1  = {:>20} /", "0.0E0"));
        assert_eq!(card(2), "OBJECT  = 'O''Hara '           / name");
        let mut long = String::new();
        for n in 3..text.len() / 80 {
            assert!(card(n).starts_with(if n == 3 { "LONG    = '" } else { "CONTINUE  '" }));
            long += card(n)[11..].trim_end_matches('\'').trim_end_matches('&');
        }
        assert_eq!(long.replace("''", "'"), "it's".repeat(60));
    }

    #[test]
    fn times_are_utc_to_a_millisecond() {
        // 2021-08-20T00:30:00Z is 1629419400 s after 1970 (Python datetime).
        assert_eq!(date(1_629_419_400_005_900_000).as_deref(), Some("2021-08-20T00:30:00.005"));
    }
}
