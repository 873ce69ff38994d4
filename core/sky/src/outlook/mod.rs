//! The outlook: what a telescope and a camera can do from a site in the nights to come.
//!
//! [`outlook`] looks at every night of a span. For each target it follows the altitude, finds when it stands
//! high enough in a dark enough sky, and at the best instant weighs disc, sampling, air, rotation and exposure
//! against each other. Everything comes back as plain data; words and tables are the caller's business.

mod caution;
mod night;
mod request;
mod target;

use jiff::Timestamp;
use serde::Serialize;

pub use caution::Caution;
pub use night::{Darkness, Night, SunSample};
pub use request::{Conditions, Gear, LONGEST_SPAN_DAYS, Mount, OutlookRequest};
pub use target::{Best, ClipLimit, Sample, TargetNight, Window, window_px};

use crate::error::SkyError;
use crate::optics::Sampling;
use crate::time::{later, seconds_between, utc_jd};

/// The outlook of a span of nights.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outlook {
    /// What was asked, with the defaults filled in.
    pub request: OutlookRequest,
    /// How the camera samples what the telescope shows; `None` without aperture, focal length or pixel.
    pub sampling: Option<Sampling>,
    /// Night by night.
    pub nights: Vec<Night>,
    /// What to mind on any night.
    pub cautions: Vec<Caution>,
}

/// Computes the outlook of every night whose middle (local mean midnight) lies in the span; of the nearest
/// night if none does.
///
/// # Errors
/// Impossible numbers in the request; a span that ends before it begins or is longer than
/// [`LONGEST_SPAN_DAYS`]; nights outside 1950 to 2050.
pub fn outlook(request: &OutlookRequest) -> Result<Outlook, SkyError> {
    let request = request.clone().checked()?;
    let sampling = request.gear.sampling(request.wavelength_nm)?;
    let nights = midnights(&request)
        .into_iter()
        .map(|midnight| night::night(&request, midnight))
        .collect::<Result<Vec<_>, _>>()?;
    Ok(Outlook { request, sampling, nights, cautions: vec![Caution::FinderLaser] })
}

/// The local mean midnights in the span, or the nearest one to its middle.
fn midnights(request: &OutlookRequest) -> Vec<Timestamp> {
    // Local mean time is UTC plus longitude/360 days; Julian days begin at noon.
    let local_days = |utc: Timestamp| utc_jd(utc) - 0.5 + request.site.longitude_deg / 360.0;
    let start_days = local_days(request.start);
    let span_days = seconds_between(request.start, request.end) / 86_400.0;
    let at = |whole_days: f64| later(request.start, (whole_days - start_days) * 86_400.0);
    let (first, last) = (start_days.ceil(), (start_days + span_days).floor());
    if first > last {
        return vec![at((start_days + span_days / 2.0).round())];
    }
    (0..=(last - first) as i64).map(|night| at(first + night as f64)).collect()
}
