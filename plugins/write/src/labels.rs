//! What is written beside a picture: time, meridians, altitude, scale; and which moons stand in the field.

use jiff::Timestamp;
use stillair_api::{Globe, ImageInfo};
use stillair_sky::{Body, Disc, Observer, Site, Sky};

use crate::globe_view::{GlobeView, north_rad};

/// A moon on the picture.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct MoonLabel {
    pub name: &'static str,
    /// Place, px of the picture.
    pub x_px: f64,
    pub y_px: f64,
    pub radius_px: f64,
}

/// All that is written.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Labels {
    pub lines: Vec<String>,
    /// Celestial north, clockwise from up, radians.
    pub north_rad: Option<f64>,
    /// Whether the picture is mirrored.
    pub mirrored: bool,
    /// Direction in which detail in the middle of the disc moves, clockwise from up, radians.
    pub rotation_rad: Option<f64>,
    pub arcsec_per_px: Option<f64>,
    pub moons: Vec<MoonLabel>,
    /// What had to be left out, and why; for the record.
    pub left_out: Vec<String>,
}

/// What can be said of a picture.
pub(crate) fn labels(info: &ImageInfo, view: Option<&GlobeView>, site: Option<Site>) -> Labels {
    let mut labels = Labels { arcsec_per_px: info.arcsec_per_px, ..Labels::default() };
    let globe = info.globe.as_ref();
    let instant = globe.map(|g| g.unix_ns).or(info.middle_unix_ns);
    let utc = instant.and_then(|ns| Timestamp::from_nanosecond(i128::from(ns)).ok());
    let time = utc.map_or_else(|| "time not known".to_owned(), |utc| utc.strftime("%Y-%m-%d %H:%M:%S UTC").to_string());
    let (Some(globe), Some(view)) = (globe, view) else {
        labels.lines.push(time);
        labels.lines.push("north and meridians not known".into());
        labels.left_out.push(
            "north, rotation, meridians, net and moons: how the globe stands on the picture is not known \
             (derotate.geometry needs the target's name and the time)"
                .into(),
        );
        return labels;
    };
    labels.arcsec_per_px = Some(globe.arcsec_per_px);
    labels.mirrored = globe.mirrored;
    labels.lines.push(format!("{}  {time}", capital(view.body)));
    labels.lines.extend(meridians(globe));
    let observer = site.map_or(Observer::Geocentre, Observer::Site);
    let sky = utc.and_then(|utc| Sky::at(utc, observer).ok());
    let disc = sky.as_ref().map(|sky| sky.disc(view.body));
    labels.lines.extend(size(globe, disc.as_ref()));
    let altitude = site.zip(sky.as_ref()).and_then(|(site, sky)| sky.horizon(view.body, &site.usual_air()).ok());
    if let Some(horizon) = altitude {
        labels.lines.push(format!("altitude {:.0} deg", horizon.altitude_deg));
    }
    if globe.oriented {
        labels.north_rad = disc.map(|disc| north_rad(globe, disc.pole_position_angle_deg));
        let to_the_right = globe.pole_rad + std::f64::consts::FRAC_PI_2;
        labels.rotation_rad = (globe.turn_rad_per_s != 0.0).then_some(if globe.turn_rad_per_s > 0.0 {
            to_the_right
        } else {
            to_the_right + std::f64::consts::PI
        });
        labels.moons = sky.map_or_else(Vec::new, |sky| moons(&sky, view, globe));
    } else {
        labels.lines.push("which way is north is not told".into());
        labels.left_out.push(
            "north, rotation and moons: the picture does not say which way up it lies ([orientation] of the session \
             does)"
                .into(),
        );
    }
    if !globe.doubts.is_empty() {
        labels.lines.push("picture and sky do not agree: see the record".into());
    }
    labels
}

fn meridians(globe: &Globe) -> Option<String> {
    if globe.body == "moon" {
        return None;
    }
    let named = |name: &str, value: Option<f64>| value.map(|value| format!("{name} {value:.1}"));
    let (first, second) = (globe.central_meridian_i_deg, globe.central_meridian_ii_deg);
    let prime = if first.is_some() || second.is_some() { "III" } else { "CM" };
    let all: Vec<String> = [named("I", first), named("II", second), named(prime, Some(globe.central_meridian_deg))]
        .into_iter()
        .flatten()
        .collect();
    let word = if prime == "III" { "CM " } else { "" };
    Some(format!("{word}{} deg", all.join("  ")))
}

fn size(globe: &Globe, disc: Option<&Disc>) -> Option<String> {
    let diameter_arcsec = 2.0 * globe.equatorial_radius_px * globe.arcsec_per_px;
    let tilt_deg = globe.latitude_rad.to_degrees();
    let lit = disc.map_or_else(String::new, |disc| format!(", {:.0} % lit", disc.illuminated_fraction * 100.0));
    Some(format!("{diameter_arcsec:.1} arcsec, tilt {tilt_deg:+.1} deg{lit}"))
}

/// The known moons that are neither behind the globe nor in its shadow.
fn moons(sky: &Sky, view: &GlobeView, globe: &Globe) -> Vec<MoonLabel> {
    sky.moons(view.body)
        .into_iter()
        .filter(|moon| !moon.occulted && !moon.eclipsed)
        .map(|moon| {
            let (x_px, y_px) = view.beside(moon.offset.x_radii, moon.offset.y_radii);
            MoonLabel {
                name: moon.satellite.name(),
                x_px,
                y_px,
                radius_px: moon.diameter_arcsec / 2.0 / globe.arcsec_per_px,
            }
        })
        .collect()
}

fn capital(body: Body) -> String {
    let name = body.name();
    name[..1].to_uppercase() + &name[1..]
}

/// A round length for a scale bar, arcsec, at most `most_px` long, and its length in px.
pub(crate) fn scale_bar(arcsec_per_px: f64, most_px: f64) -> Option<(f64, f64)> {
    const ROUND: [f64; 13] = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 3600.0];
    let possible = arcsec_per_px.is_finite() && arcsec_per_px > 0.0;
    let mut lengths = ROUND.into_iter().map(|arcsec| (arcsec, arcsec / arcsec_per_px));
    lengths.rfind(|(_, px)| possible && *px <= most_px && *px >= 8.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::globe_view::tests::jupiter;

    #[test]
    fn bars_are_round() {
        assert_eq!(scale_bar(0.5, 100.0), Some((30.0, 60.0)));
        assert_eq!(scale_bar(0.05, 100.0), Some((5.0, 100.0)));
        assert_eq!(scale_bar(f64::NAN, 100.0), None);
        assert_eq!(scale_bar(0.0, 100.0), None);
    }

    #[test]
    fn what_is_not_known_is_said() {
        let bare = labels(&ImageInfo::default(), None, None);
        assert_eq!(bare.lines, ["time not known", "north and meridians not known"]);
        assert!(bare.left_out[0].contains("derotate.geometry"));
        let globe = Globe { oriented: false, doubts: vec!["odd".into()], ..jupiter(50.0, [60.0, 60.0]) };
        let view = GlobeView::new(&globe, "auto").unwrap();
        let got = labels(&ImageInfo { globe: Some(globe), ..ImageInfo::default() }, Some(&view), None);
        assert!(got.north_rad.is_none() && got.rotation_rad.is_none() && got.moons.is_empty());
        assert!(got.lines.iter().any(|line| line.contains("not told")));
        assert!(got.lines.iter().any(|line| line.contains("do not agree")));
        assert!(got.lines[1] == "CM I 10.0  II 72.7  III 320.0 deg", "{:?}", got.lines);
    }

    // North is up and east left where the pole, at position angle P, stands P to the left of up; the globe turns from
    // east to west: detail moves to the right of the pole.
    #[test]
    fn directions_are_the_skys() {
        let utc: Timestamp = "2031-06-15T09:20:00Z".parse().unwrap();
        let sky = Sky::at(utc, Observer::Geocentre).unwrap();
        let disc = sky.disc(Body::Jupiter);
        for (mirrored, sign) in [(false, -1.0), (true, 1.0)] {
            let globe = Globe {
                unix_ns: utc.as_nanosecond() as i64,
                pole_rad: sign * disc.pole_position_angle_deg.to_radians(),
                mirrored,
                turn_rad_per_s: -sign * 1.758e-4,
                sense_measured: false,
                ..jupiter(50.0, [100.0, 80.0])
            };
            let view = GlobeView::new(&globe, "auto").unwrap();
            let info = ImageInfo { globe: Some(globe.clone()), ..ImageInfo::default() };
            let got = labels(&info, Some(&view), None);
            assert!(got.north_rad.unwrap().abs() < 1e-9);
            let rotation = got.rotation_rad.unwrap();
            assert!((rotation.sin() - -sign * globe.pole_rad.cos()).abs() < 1e-9, "{rotation}");
            // The moons stand where the sky puts them, east to the left (on the mirrored picture to the right).
            for (moon, place) in
                got.moons.iter().zip(sky.moons(Body::Jupiter).iter().filter(|m| !m.occulted && !m.eclipsed))
            {
                let px_per_arcsec = 50.0 / (disc.equatorial_diameter_arcsec / 2.0);
                assert!((moon.x_px - 100.0 - sign * place.offset.east_arcsec * px_per_arcsec).abs() < 0.05, "{moon:?}");
                assert!((moon.y_px - 80.0 + place.offset.north_arcsec * px_per_arcsec).abs() < 0.05, "{moon:?}");
            }
            assert!(got.moons.len() >= 3);
        }
    }

    // At the time of a transit over Greenwich's meridian the altitude is 90 - latitude + declination.
    #[test]
    fn the_altitude_is_told_with_a_site_only() {
        let globe = jupiter(50.0, [60.0, 60.0]);
        let view = GlobeView::new(&globe, "auto").unwrap();
        let utc = Timestamp::from_nanosecond(i128::from(globe.unix_ns)).unwrap();
        let dec_deg = Sky::at(utc, Observer::Geocentre).unwrap().place(Body::Jupiter).dec_of_date_deg;
        let info = ImageInfo { globe: Some(globe), ..ImageInfo::default() };
        assert!(!labels(&info, Some(&view), None).lines.iter().any(|line| line.contains("altitude")));
        // At the pole the altitude is the declination, through refraction.
        let pole = Site::new(-90.0, 0.0, 0.0).unwrap();
        let got = labels(&info, Some(&view), Some(pole));
        assert!(got.lines.contains(&format!("altitude {:.0} deg", -dec_deg + 0.04)), "{:?} {dec_deg}", got.lines);
    }
}
