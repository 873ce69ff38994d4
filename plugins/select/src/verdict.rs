//! Why a frame is rejected, and what to say when all of them are.

use stillair_api::{Context, Entry, Fault, Table, columns};
use stillair_maths::robust::median;

/// Why a frame is rejected; the number is the category's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Reason {
    Kept,
    Black,
    Repeated,
    NoTarget,
    CutOff,
    Overexposed,
    Clouded,
    OddSize,
}

impl Reason {
    pub const ALL: [Reason; 8] = [
        Reason::Kept,
        Reason::Black,
        Reason::Repeated,
        Reason::NoTarget,
        Reason::CutOff,
        Reason::Overexposed,
        Reason::Clouded,
        Reason::OddSize,
    ];

    /// The category's name; empty for a frame that is kept.
    pub fn word(self) -> &'static str {
        match self {
            Reason::Kept => "",
            Reason::Black => "black",
            Reason::Repeated => "repeated",
            Reason::NoTarget => "no target",
            Reason::CutOff => "cut off",
            Reason::Overexposed => "overexposed",
            Reason::Clouded => "clouded",
            Reason::OddSize => "odd size",
        }
    }

    /// The category's number.
    pub fn number(self) -> f64 {
        f64::from(self as u8)
    }
}

fn count(reasons: &[Reason], reason: Reason) -> usize {
    reasons.iter().filter(|r| **r == reason).count()
}

/// Records how many frames are kept and how many fall to each reason.
pub(crate) fn record(context: &dyn Context, reasons: &[Reason]) {
    let kept = count(reasons, Reason::Kept);
    let rejected = reasons.len() - kept;
    context.record(Entry::number("frames-usable", kept as f64, "", "frames that may be used"));
    context.record(Entry::number("frames-rejected", rejected as f64, "", "frames that may not"));
    for reason in Reason::ALL.into_iter().skip(1).filter(|&r| count(reasons, r) > 0) {
        let name = format!("frames-rejected-{}", reason.word().replace(' ', "-"));
        let help = format!("frames rejected as {}", reason.word());
        context.record(Entry::number(&name, count(reasons, reason) as f64, "", &help));
    }
}

/// Share of the frames rejected as `reason` whose target reaches two opposite edges.
fn overfilling(table: &Table, reasons: &[Reason], reason: Reason) -> f64 {
    let Some(fills) = table.values("fills") else { return 0.0 };
    let of_reason: Vec<f64> = reasons.iter().zip(fills).filter(|(r, _)| **r == reason).map(|(_, f)| *f).collect();
    of_reason.iter().sum::<f64>() / of_reason.len().max(1) as f64
}

/// How many frames fall to each reason, in words.
pub(crate) fn listed(reasons: &[Reason]) -> String {
    let found = Reason::ALL.into_iter().skip(1).map(|reason| (count(reasons, reason), reason.word()));
    found.filter(|(n, _)| *n > 0).map(|(n, word)| format!("{n} {word}")).collect::<Vec<_>>().join(", ")
}

/// What to say where no frame is usable.
pub(crate) fn nothing_usable(table: &Table, reasons: &[Reason]) -> Fault {
    let of = |reason: Reason| count(reasons, reason);
    let n = reasons.len();
    let [all_are, in_all, in_any] = match n {
        1 => ["the only frame is", "in the only frame", "in the only frame"].map(String::from),
        _ => [format!("all {n} frames are"), format!("in all {n} frames"), format!("in any of {n} frames")],
    };
    // Cloud hides some targets altogether; repeats repeat something.
    let same = |reason: Reason| of(reason) > 0 && of(reason) + of(Reason::NoTarget) + of(Reason::Repeated) == n;
    let sky = table.values(columns::BACKGROUND).map_or(f64::NAN, median);
    if of(Reason::Black) > 0 && of(Reason::Black) + of(Reason::Repeated) == n {
        return Fault::data(format!("{all_are} black"))
            .remedy("check the capture: a lid on the telescope, a wrong exposure, or a camera that gave no picture");
    }
    if of(Reason::NoTarget) == n || of(Reason::NoTarget) + of(Reason::Black) + of(Reason::Repeated) == n {
        let bright = "check the capture: a disc larger than the frame, a surface that fills it (find.terrain), dense \
                      cloud or daylight look like this";
        let dark = "check the capture: it needs a bright target on a darker sky; dense cloud hides it, and a target \
                    less than 6 px across is taken for a hot pixel";
        let message = format!("no planet {in_any}: nothing stands out of the sky");
        return if sky > 0.15 {
            Fault::data(format!("{message}, which is bright all over ({:.0} % of white)", 100.0 * sky)).remedy(bright)
        } else {
            Fault::data(message).remedy(dark)
        };
    }
    if same(Reason::CutOff) {
        return if overfilling(table, reasons, Reason::CutOff) > 0.5 {
            Fault::data(format!("the disc is larger than the frame {in_all}")).remedy(
                "capture a larger region or at a shorter focal length, or treat it as a surface that fills the frame \
                 (find.terrain, with cut_max = 1)",
            )
        } else {
            Fault::data(format!("the planet is cut off by the frame's edge {in_all}"))
                .remedy("keep the planet inside the frame, or raise cut_max to use what is seen of it")
        };
    }
    if same(Reason::Clouded) {
        return Fault::data(format!("{all_are} clouded"))
            .remedy("capture again in a clearer sky, or lower transparency_min to use what there is");
    }
    if same(Reason::Overexposed) {
        return Fault::data(format!("the disc is overexposed {in_all}"))
            .remedy("expose so that the brightest parts reach 60 to 85 % of white, or raise clipped_max");
    }
    Fault::data(format!("none of {n} frames is usable: {}", listed(reasons))).remedy(
        "see the column `reason` of the table; transparency_min, cut_max, clipped_max and size_change set the limits",
    )
}
