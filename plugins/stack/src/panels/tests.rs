use super::*;
use stillair_api::testing::TestContext;

/// A number from -1 to 1 for each place of a lattice (mixing of SplitMix64: Steele, Lea & Flood 2014).
fn lattice(x: i64, y: i64, octave: u64) -> f64 {
    let mut z =
        (x as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (y as u64).wrapping_mul(0xbf58_476d_1ce4_e5b9) ^ octave;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

/// Invented ground, smooth on the scale of a pixel: cubic B-splines over random lattices of 5, 9 and 17 px.
fn ground(x: f64, y: f64) -> f64 {
    let taps = |t: f64| {
        let u = 1.0 - t;
        [u.powi(3) / 6.0, 2.0 / 3.0 - t * t * (2.0 - t) / 2.0, 2.0 / 3.0 - u * u * (2.0 - u) / 2.0, t.powi(3) / 6.0]
    };
    let mut value = 0.5;
    for (octave, pitch) in [5.0, 9.0, 17.0].into_iter().enumerate() {
        let (u, v) = (x / pitch, y / pitch);
        let (wx, wy) = (taps(u - u.floor()), taps(v - v.floor()));
        for (j, b) in wy.iter().enumerate() {
            for (i, a) in wx.iter().enumerate() {
                value +=
                    0.25 * a * b * lattice(u.floor() as i64 + i as i64, v.floor() as i64 + j as i64, octave as u64);
            }
        }
    }
    value
}

const SIZE: [usize; 2] = [120, 90];

fn panel(place: [f64; 2], factor: f64, seed: u64) -> Image {
    let mut image = Image::new(SIZE[0], SIZE[1], 1);
    let mut state = seed;
    let mut halves = [vec![0.0; image.area()], vec![0.0; image.area()]];
    for y in 0..SIZE[1] {
        for x in 0..SIZE[0] {
            let value = factor * ground(x as f64 + place[0], y as f64 + place[1]);
            for half in &mut halves {
                let mut noise = -6.0;
                for _ in 0..12 {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    noise += (state >> 40) as f64 / (1_u64 << 24) as f64;
                }
                half[y * SIZE[0] + x] = (value + 0.002 * noise) as f32;
            }
            image.data[y * SIZE[0] + x] = 0.5 * (halves[0][y * SIZE[0] + x] + halves[1][y * SIZE[0] + x]);
        }
    }
    image.halves = Some(halves);
    image.info.frames_used = 10;
    image
}

fn run(images: Vec<Image>) -> (Outcome<Arc<Image>>, TestContext) {
    let Ok(Node::Transform(node)) = Panels.create(&Panels.describe().defaults(), &Facts::default()) else {
        panic!("no transform")
    };
    let context = TestContext::default();
    let mut bound = Bound::default();
    for image in images {
        bound = bound.with("images", Value::Image(Arc::new(image)));
    }
    let result = node.run(&context, &bound).map(|mut values| match values.remove(0) {
        Value::Image(image) => image,
        other => panic!("{other:?}"),
    });
    (result, context)
}

#[test]
fn the_description_keeps_to_its_contract() {
    assert_eq!(stillair_api::contract::breaches(&Panels.describe()), Vec::<String>::new());
}

// The panels are cut from a known ground, with known places and brightness.
#[test]
fn fields_are_joined_where_they_were_cut() {
    let cuts = [([0.0, 0.0], 1.0), ([83.4, -11.7], 0.8), ([6.3, 64.6], 1.2), ([90.2, 55.1], 1.0)];
    let images = cuts.iter().enumerate().map(|(i, (place, factor))| panel(*place, *factor, 7 + i as u64)).collect();
    let (joined, context) = run(images);
    let joined = joined.unwrap();
    let corner = [0.0_f64, -12.0];
    assert!(joined.width >= 210 && joined.width <= 212 && joined.height >= 165 && joined.height <= 168);
    for (i, (place, _)) in cuts.iter().enumerate().skip(1) {
        for (k, name) in ["x", "y"].iter().enumerate() {
            let found = context.number(&format!("panel-{}-{name}", i + 1)).unwrap();
            assert!((found - place[k]).abs() < 0.1, "panel {i} {name}: {found} for {}", place[k]);
        }
    }
    // One factor for the whole picture is free: the geometric mean of the four.
    let usual = (0.8_f64 * 1.2).powf(0.25);
    let (mut worst, mut seen) = (0.0_f64, 0);
    let weight = joined.weight.as_ref().unwrap();
    for y in 2..joined.height - 2 {
        for x in 2..joined.width - 2 {
            let at = y * joined.width + x;
            // Away from outer edges, where the B-spline meets nothing.
            let clear = [at - 2, at + 2, at - 2 * joined.width, at + 2 * joined.width].iter().all(|a| weight[*a] > 0.0);
            if clear {
                let expected = usual * ground(x as f64 + corner[0], y as f64 + corner[1]);
                worst = worst.max((f64::from(joined.data[at]) - expected).abs());
                seen += 1;
            }
        }
    }
    // Noise of a panel 0.0014; levels and places within a hundredth and a tenth of a pixel.
    assert!(seen > 26_000 && worst < 0.02, "{worst} in {seen}");
    assert_eq!(joined.info.frames_used, 40);
    assert!(joined.halves.is_some());
}

#[test]
fn a_panel_of_other_ground_is_named() {
    let (result, _) = run(vec![panel([0.0, 0.0], 1.0, 1), panel([70.0, 4.0], 1.0, 2), panel([4000.0, 900.0], 1.0, 3)]);
    let error = result.unwrap_err().to_string();
    assert!(error.contains("panel 3 matches no other"), "{error}");
}
