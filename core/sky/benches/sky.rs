//! What an evaluation and a night cost.

use divan::{Bencher, black_box};
use jiff::Timestamp;
use stillair_sky::outlook::{Gear, OutlookRequest, outlook};
use stillair_sky::{Body, LongitudeSense, Observer, Site, Sky, Spheroid};

fn main() {
    divan::main();
}

fn site() -> Site {
    Site { latitude_deg: 48.0, longitude_deg: 11.0, elevation_m: 500.0 }
}

fn evening() -> Timestamp {
    // 2025-01-10T20:00:00Z, a date in range.
    Timestamp::from_second(1_736_539_200).unwrap_or_default()
}

#[divan::bench(args = Body::ALL)]
fn one_evaluation(bencher: Bencher, body: Body) {
    bencher.bench(|| {
        Sky::at(black_box(evening()), Observer::Site(site())).map(|sky| {
            let disc = sky.disc(body);
            (sky.horizon_of(&disc.place, &site().usual_air()), disc)
        })
    });
}

#[divan::bench]
fn jupiter_with_moons(bencher: Bencher) {
    bencher.bench(|| {
        Sky::at(black_box(evening()), Observer::Site(site()))
            .map(|sky| (sky.disc(Body::Jupiter), sky.moons(Body::Jupiter)))
    });
}

#[divan::bench(sample_count = 10)]
fn a_night_of_all_bodies(bencher: Bencher) {
    let start = evening();
    let end = Timestamp::from_second(start.as_second() + 43_200).unwrap_or(start);
    let request = OutlookRequest::new(
        site(),
        start,
        end,
        Gear {
            aperture_mm: Some(200.0),
            obstruction: 0.3,
            focal_mm: Some(3000.0),
            pixel_um: Some(2.9),
            colour_mosaic: true,
            exposure_ms: Some(10.0),
            sensor_px: None,
        },
    );
    bencher.bench(|| outlook(black_box(&request)));
}

#[divan::bench]
fn locate_a_megapixel(bencher: Bencher) {
    let globe = Spheroid::new(0.935, LongitudeSense::West, 3.0, 100.0, 20.0);
    bencher.bench(|| {
        let mut seen = 0_u32;
        for y in 0..1000 {
            for x in 0..1000 {
                let place = globe.locate(f64::from(x - 500) / 500.0, f64::from(y - 500) / 500.0);
                seen += u32::from(place.is_some());
            }
        }
        seen
    });
}
