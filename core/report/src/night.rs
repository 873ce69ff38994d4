//! The picture of a night: altitude of the targets against time, as one SVG file.
//!
//! The paper is shaded by the Sun's depth (twilights end at 6, 12 and 18 degrees below the horizon); a curve is drawn
//! bold where its target is high enough in a dark enough sky. Curves differ in colour and in dashes, carry their
//! names, and stand in words in the description for those who cannot see them. No place is written anywhere.

use jiff::{SignedDuration, Timestamp};
use maud::{Markup, PreEscaped, html};
use stillair_sky::Body;
use stillair_sky::outlook::{Darkness, Night, TargetNight};

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 540.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 940.0;
const TOP: f64 = 74.0;
const BOTTOM: f64 = 454.0;
/// The Sun's upper limb is on the horizon when its centre is this low (34' of refraction, 16' of radius).
const SUNSET_DEG: f64 = -0.833;

const STYLE: &str = "text{font:13px system-ui,'DejaVu Sans',sans-serif;fill:#22262b}.title{font-size:18px;font-weight:600}\
.soft{fill:#50575f}.grid{stroke:#ffffff;stroke-width:1;fill:none}.axis{stroke:#50575f;fill:none}\
.limit{stroke:#50575f;stroke-width:1;stroke-dasharray:3 4;fill:none}.curve{fill:none;stroke-width:1.2}\
.bold{fill:none;stroke-width:3.2;stroke-linecap:butt}.name{font-weight:600;paint-order:stroke;stroke:#ffffff;\
stroke-width:3px;stroke-linejoin:round}";

/// What is drawn.
#[derive(Debug, Clone, Copy)]
pub struct NightPicture<'a> {
    /// The night.
    pub night: &'a Night,
    /// Least altitude worth working at, degrees.
    pub least_altitude_deg: f64,
    /// Local time minus UTC, s, to be shown along the top.
    pub local_minus_utc_s: Option<i32>,
}

impl NightPicture<'_> {
    /// The picture as the text of an SVG file.
    #[must_use]
    pub fn svg(&self) -> String {
        let (start, end) = self.span();
        let night = self.night;
        let first = start.strftime("%Y-%m-%d");
        let last = end.strftime("%Y-%m-%d");
        let title = format!("Altitude in the night of {first} to {last}");
        let mut names = Names::default();
        let drawing = html! {
            svg xmlns="http://www.w3.org/2000/svg" viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) width=(WIDTH) height=(HEIGHT)
                role="img" aria-labelledby="title words" {
                title id="title" { (title) }
                desc id="words" { (self.words()) }
                style { (PreEscaped(STYLE)) }
                rect width=(WIDTH) height=(HEIGHT) fill="#ffffff" {}
                text class="title" x=(LEFT) y="28" { (title) }
                (self.shading())
                (self.grid())
                @for target in &night.targets { (self.curve(target)) }
                @for target in &night.targets { (names.name(self, target)) }
                path class="axis" d=(format!("M{LEFT} {TOP}V{BOTTOM}H{RIGHT}")) {}
                (self.key())
            }
        };
        drawing.into_string()
    }

    /// From an hour before sunset to an hour after sunrise; the whole day where the Sun does neither.
    fn span(&self) -> (Timestamp, Timestamp) {
        let hour = SignedDuration::from_hours(1);
        let half_day = SignedDuration::from_hours(12);
        let moved = |time: Timestamp, by: SignedDuration| time.checked_add(by).unwrap_or(time);
        let midnight = self.night.midnight;
        (
            self.night.sunset.map_or_else(|| moved(midnight, -half_day), |t| moved(t, -hour)),
            self.night.sunrise.map_or_else(|| moved(midnight, half_day), |t| moved(t, hour)),
        )
    }

    fn x(&self, utc: Timestamp) -> f64 {
        let (start, end) = self.span();
        LEFT + seconds(start, utc) / seconds(start, end).max(1.0) * (RIGHT - LEFT)
    }

    /// Stretches of day, twilights and night.
    fn shading(&self) -> Markup {
        let (start, end) = self.span();
        let mut edges = vec![start];
        for pair in self.night.sun.windows(2) {
            let mut crossings: Vec<f64> = LIGHTS
                .iter()
                .filter(|light| (pair[0].altitude_deg > light.above_deg) != (pair[1].altitude_deg > light.above_deg))
                .map(|light| (light.above_deg - pair[0].altitude_deg) / (pair[1].altitude_deg - pair[0].altitude_deg))
                .collect();
            crossings.sort_by(f64::total_cmp);
            edges.extend(crossings.into_iter().map(|share| between(pair[0].utc, pair[1].utc, share)));
        }
        edges.retain(|edge| (start..=end).contains(edge));
        edges.push(end);
        html! {
            @for pair in edges.windows(2) {
                @let (from, to) = (self.x(pair[0]), self.x(pair[1]));
                rect x=(px(from)) y=(TOP) width=(px(to - from + 0.2)) height=(BOTTOM - TOP)
                    fill=(light(self.sun_deg(between(pair[0], pair[1], 0.5))).fill) {}
            }
        }
    }

    fn sun_deg(&self, utc: Timestamp) -> f64 {
        interpolated(self.night.sun.iter().map(|s| (s.utc, s.altitude_deg)), utc)
    }

    fn grid(&self) -> Markup {
        let (start, end) = self.span();
        let hours = seconds(start, end) / 3600.0;
        let step = if hours > 16.0 { 2 } else { 1 };
        let ticks = |offset_s: i64| {
            let first = (start.as_second() + offset_s).div_euclid(3600) + 1;
            let last = (end.as_second() + offset_s).div_euclid(3600);
            (first..=last).filter(move |hour| hour.rem_euclid(step) == 0).filter_map(move |hour| {
                Timestamp::from_second(hour * 3600 - offset_s).ok().map(|utc| (hour.rem_euclid(24), utc))
            })
        };
        let middle = (LEFT + RIGHT) / 2.0;
        html! {
            @for altitude in (0..=90).step_by(15) {
                @let y = y(f64::from(altitude));
                path class="grid" d=(format!("M{LEFT} {y:.1}H{RIGHT}")) {}
                text class="soft" x=(LEFT - 8.0) y=(px(y + 4.5)) text-anchor="end" { (altitude) "°" }
            }
            @for (hour, utc) in ticks(0) {
                @let x = self.x(utc);
                path class="grid" d=(format!("M{x:.1} {TOP}V{BOTTOM}")) {}
                text class="soft" x=(px(x)) y=(BOTTOM + 18.0) text-anchor="middle" { (format!("{hour:02}")) }
            }
            text x=(middle) y=(BOTTOM + 38.0) text-anchor="middle" { "hour, UTC" }
            text x="0" y="0" text-anchor="middle" transform=(format!("translate(16 {}) rotate(-90)", (TOP + BOTTOM) / 2.0)) {
                "altitude"
            }
            @if let Some(offset_s) = self.local_minus_utc_s {
                @for (hour, utc) in ticks(i64::from(offset_s)) {
                    @let x = self.x(utc);
                    path class="axis" d=(format!("M{x:.1} {TOP}v-5")) {}
                    text class="soft" x=(px(x)) y=(TOP - 9.0) text-anchor="middle" { (format!("{hour:02}")) }
                }
                text x=(middle) y=(TOP - 26.0) text-anchor="middle" { "hour, local time" }
            }
            path class="limit" d=(format!("M{LEFT} {0:.1}H{RIGHT}", y(self.least_altitude_deg))) {}
        }
    }

    fn curve(&self, target: &TargetNight) -> Markup {
        let look = look(target.body);
        let (start, end) = self.span();
        let good = |utc: Timestamp| target.windows.iter().any(|w| (w.start..=w.end).contains(&utc));
        let mut points: Vec<(Timestamp, f64)> = target.samples.iter().map(|s| (s.utc, s.altitude_deg)).collect();
        let sampled = points.clone();
        for edge in target.windows.iter().flat_map(|w| [w.start, w.end]).chain([start, end]) {
            points.push((edge, interpolated(sampled.iter().copied(), edge)));
        }
        points.sort_by_key(|(utc, _)| *utc);
        points.dedup_by_key(|(utc, _)| *utc);
        points.retain(|(utc, _)| (start..=end).contains(utc));
        let path = |wanted: &dyn Fn(Timestamp) -> bool| {
            let mut path = String::new();
            let mut pen_down = false;
            for &(utc, altitude_deg) in &points {
                let shown = altitude_deg >= 0.0 && wanted(utc);
                if shown {
                    let command = if pen_down { 'L' } else { 'M' };
                    path.push_str(&format!("{command}{:.1} {:.1}", self.x(utc), y(altitude_deg)));
                }
                pen_down = shown;
            }
            path
        };
        html! {
            path class="curve" stroke=(look.colour) stroke-dasharray=(look.dashes) d=(path(&|_| true)) {}
            path class="bold" stroke=(look.colour) stroke-dasharray=(look.dashes) d=(path(&good)) {}
        }
    }

    fn key(&self) -> Markup {
        html! {
            @for (n, light) in LIGHTS.iter().enumerate() {
                @let x = LEFT + 118.0 * n as f64;
                rect x=(px(x)) y=(HEIGHT - 26.0) width="16" height="14" fill=(light.fill) stroke="#8a9099" stroke-width="0.6" {}
                text class="soft" x=(px(x + 22.0)) y=(HEIGHT - 14.5) { (light.name) }
            }
            text class="soft" x=(RIGHT) y=(HEIGHT - 14.5) text-anchor="end" {
                "bold: dark, and above " (self.least_altitude_deg) "°"
            }
        }
    }

    /// The picture in words.
    fn words(&self) -> String {
        let clock = |utc: Timestamp| utc.strftime("%H:%M").to_string();
        let night = self.night;
        let sky = match night.darkness {
            Darkness::NeverDark => "The sky does not get dark.".to_owned(),
            Darkness::AlwaysDark => "The sky is dark all day.".to_owned(),
            Darkness::Dark => format!(
                "The sky is dark {}{}.",
                night.dusk.map_or_else(String::new, |t| format!("from {}", clock(t))),
                night.dawn.map_or_else(String::new, |t| format!(" to {} UTC", clock(t)))
            ),
        };
        let targets: Vec<String> = night
            .targets
            .iter()
            .map(|target| match &target.best {
                Some(best) => format!(
                    "{}: highest in the dark at {} UTC, {:.0} degrees.",
                    capital(target.body),
                    clock(best.utc),
                    best.horizon.altitude_deg
                ),
                None => format!("{}: not high enough in the dark.", capital(target.body)),
            })
            .collect();
        format!("Curves of altitude in degrees against time in UTC. {sky} {}", targets.join(" "))
    }
}

/// A stretch of the night by the Sun's altitude.
struct Light {
    name: &'static str,
    above_deg: f64,
    fill: &'static str,
}

const LIGHTS: [Light; 5] = [
    Light { name: "day", above_deg: SUNSET_DEG, fill: "#fdf6df" },
    Light { name: "civil", above_deg: -6.0, fill: "#eeeff0" },
    Light { name: "nautical", above_deg: -12.0, fill: "#dfe4ec" },
    Light { name: "astronomical", above_deg: -18.0, fill: "#ced6e2" },
    Light { name: "night", above_deg: -91.0, fill: "#bcc7d8" },
];

fn light(sun_deg: f64) -> &'static Light {
    LIGHTS.iter().find(|light| sun_deg > light.above_deg).unwrap_or(&LIGHTS[4])
}

/// Colour and dashes of a target's curve: dark enough for every shade of the paper, told apart without colour.
struct Look {
    colour: &'static str,
    dashes: &'static str,
}

const fn look(body: Body) -> Look {
    let (colour, dashes) = match body {
        Body::Mercury => ("#565b61", "2 3"),
        Body::Venus => ("#7d5c00", "14 3 3 3"),
        Body::Mars => ("#a8380a", "none"),
        Body::Jupiter => ("#0b4f7d", "none"),
        Body::Saturn => ("#7a2f74", "10 4"),
        Body::Uranus => ("#0f6b5c", "5 3"),
        Body::Neptune => ("#3a45a8", "14 3 2 3 2 3"),
        Body::Moon => ("#16191d", "1 2.5"),
    };
    Look { colour, dashes }
}

/// Places of the names already written: left, right, base line.
#[derive(Default)]
struct Names {
    taken: Vec<(f64, f64, f64)>,
}

impl Names {
    /// A name on its curve, as high as there is room for it.
    fn name(&mut self, picture: &NightPicture<'_>, target: &TargetNight) -> Markup {
        let text = capital(target.body);
        let half = 4.4 * text.len() as f64;
        let (start, end) = picture.span();
        let mut places: Vec<(f64, f64)> = target
            .samples
            .iter()
            .filter(|s| (start..=end).contains(&s.utc) && s.altitude_deg > 3.0)
            .map(|s| (picture.x(s.utc).clamp(LEFT + half + 2.0, RIGHT - half - 2.0), y(s.altitude_deg) - 7.0))
            .collect();
        places.sort_by(|a, b| a.1.total_cmp(&b.1));
        let free = |(x, y): &&(f64, f64)| {
            self.taken
                .iter()
                .all(|(left, right, base)| x + half < *left || x - half > *right || (y - base).abs() > 15.0)
        };
        let Some(&(x, y)) = places.iter().find(free).or(places.first()) else { return html! {} };
        self.taken.push((x - half, x + half, y));
        html! { text class="name" x=(px(x)) y=(px(y.max(TOP + 12.0))) text-anchor="middle" style=(format!("fill:{}", look(target.body).colour)) { (text) } }
    }
}

fn capital(body: Body) -> String {
    let name = body.name();
    name[..1].to_uppercase() + &name[1..]
}

fn y(altitude_deg: f64) -> f64 {
    BOTTOM - altitude_deg / 90.0 * (BOTTOM - TOP)
}

fn px(value: f64) -> String {
    format!("{value:.1}")
}

fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64()
}

fn between(from: Timestamp, to: Timestamp, share: f64) -> Timestamp {
    from.checked_add(SignedDuration::from_secs_f64(seconds(from, to) * share)).unwrap_or(from)
}

/// A straight line between neighbouring samples; beyond them the nearest one.
fn interpolated(samples: impl Iterator<Item = (Timestamp, f64)>, utc: Timestamp) -> f64 {
    let mut before: Option<(Timestamp, f64)> = None;
    for (time, value) in samples {
        if time >= utc {
            return match before {
                Some((earlier, from)) if time > earlier => {
                    from + (value - from) * seconds(earlier, utc) / seconds(earlier, time)
                }
                _ => value,
            };
        }
        before = Some((time, value));
    }
    before.map_or(0.0, |(_, value)| value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_sky::Site;
    use stillair_sky::outlook::{Gear, OutlookRequest, outlook};

    fn night(latitude_deg: f64, start: &str, end: &str) -> Night {
        let site = Site::new(latitude_deg, 0.0, 0.0).unwrap();
        let gear = Gear::default();
        let asked = OutlookRequest::new(site, start.parse().unwrap(), end.parse().unwrap(), gear);
        outlook(&asked).unwrap().nights.remove(0)
    }

    /// Jupiter's opposition of 2022 September 26 (DE421): all night up, all twilights gone through, no place told.
    #[test]
    fn a_night_is_drawn() {
        let night = night(51.4769, "2022-09-26T12:00:00Z", "2022-09-27T12:00:00Z");
        let picture = NightPicture { night: &night, least_altitude_deg: 15.0, local_minus_utc_s: Some(3600) };
        let svg = picture.svg();
        for words in [
            "night of 2022-09-26 to 2022-09-27",
            "hour, UTC",
            "hour, local time",
            ">altitude<",
            "role=\"img\"",
            "Jupiter: highest in the dark at 23:5",
            "Mercury: not high enough in the dark",
        ] {
            assert!(svg.contains(words), "{words}");
        }
        for light in &LIGHTS {
            assert!(svg.matches(light.fill).count() >= 2, "{}", light.name);
        }
        assert!(!svg.contains("51.47") && !svg.contains("NaN"));
    }

    #[test]
    fn beyond_the_polar_circle() {
        for (start, end, words) in [
            ("2025-06-20T12:00:00Z", "2025-06-21T12:00:00Z", "does not get dark"),
            ("2025-12-20T12:00:00Z", "2025-12-21T12:00:00Z", "is dark all day"),
        ] {
            let night = night(85.0, start, end);
            let svg = NightPicture { night: &night, least_altitude_deg: 15.0, local_minus_utc_s: None }.svg();
            assert!(svg.contains(words) && !svg.contains("NaN") && !svg.contains("local time"), "{words}");
        }
    }
}
