//! Discs drawn here, their shifts put in by construction.

use super::*;

fn packed(plan: &Fft2, set: &BandSet, data: &[f32]) -> Vec<Complex32> {
    let mut spectrum = plan.spectrum();
    plan.forward(data, &mut spectrum, &mut plan.scratch());
    set.gather(&spectrum)
}

// A disc with stripes of another contrast in the other colour; the shift is put in by construction.
#[test]
fn stripes_of_another_colour_do_not_pull() {
    let size = 96;
    let draw = |dx: f64, dy: f64, stripes: f64| -> Vec<f32> {
        (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 - 47.5 - dx, (i / size) as f64 - 47.5 - dy);
                let disc = 1.0 / (1.0 + libm::exp((libm::hypot(x, y) - 28.0) / 1.2));
                (disc * (1.0 + stripes * libm::sin(0.35 * y) + 0.05 * libm::sin(0.8 * x))) as f32
            })
            .collect()
    };
    let plan = Fft2::new(size, size);
    let set = BandSet::new(size, size, 0.02, 0.4);
    let packed = |data: &[f32]| packed(&plan, &set, data);
    let green = Shaded::new(&draw(0.0, 0.0, 0.12), size, packed);
    let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
    let off = |moving: &[Complex32]| {
        let [x, y] = unlike_shift(&plan, &set, moving, &green, 0.4, 12.0, undo).unwrap().shift_px;
        libm::hypot(x - 1.3, y + 0.7)
    };
    // Fainter, faint, and dark where the other is bright: stripes that are odd about the middle look like a shift.
    for (stripes, limit) in [(0.09, 0.03), (0.03, 0.08), (-0.06, 0.15)] {
        let found = off(&packed(&draw(1.3, -0.7, stripes)));
        assert!(found < limit, "{stripes}: {found}");
    }
    // The frequencies that both show alike are moved back exactly.
    let mut back = Vec::new();
    undo_shift(&set, &packed(&draw(1.3, -0.7, 0.12)), [1.3, -0.7], &mut back);
    let off: f32 = back.iter().zip(&green.picture).map(|(a, b)| (a - b).norm_sqr()).sum();
    assert!(off < 1e-5 * green.picture.iter().map(|v| v.norm_sqr()).sum::<f32>(), "{off}");
}

/// A pseudo-random deviate of unit variance: the sum of twelve uniform numbers less six.
fn deviates(mut state: u64) -> impl FnMut() -> f64 {
    move || {
        let mut uniform = || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    }
}

// A spot beside the middle, dark in one colour and bright in the other, has slopes that look like a shift; the blur
// and the noise leave no fine detail to tell.
#[test]
fn a_spot_that_is_dark_in_one_colour_pulls_less_with_places_weighed() {
    let size = 128;
    let mut deviate = deviates(7);
    let mut draw = |dx: f64, dy: f64, spot: f64| -> Vec<f32> {
        (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 - 63.5 - dx, (i / size) as f64 - 63.5 - dy);
                let disc = 1.0 / (1.0 + libm::exp((libm::hypot(x, y) - 40.0) / 2.5));
                let near = libm::exp(-((x - 18.0) * (x - 18.0) + (y - 9.0) * (y - 9.0)) / 60.0);
                (disc * (1.0 + spot * near + 0.1 * libm::sin(0.35 * y)) + 0.02 * deviate()) as f32
            })
            .collect()
    };
    let plan = Fft2::new(size, size);
    let set = BandSet::new(size, size, 0.02, 0.4);
    let packed = |data: &[f32]| packed(&plan, &set, data);
    let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
    let rings = Rings::new(&set).unwrap();
    let off = |[x, y]: [f64; 2]| (x - 0.8) * (x - 0.8) + (y + 0.5) * (y + 0.5);
    let (mut by_rings, mut by_places) = (0.0, 0.0);
    for _ in 0..20 {
        let green = Shaded::new(&draw(0.0, 0.0, -0.25), size, packed);
        let red = packed(&draw(0.8, -0.5, 0.2));
        by_rings += off(start(&set, &rings, &red, &green.picture, 12.0, &mut { undo }).unwrap());
        by_places += off(unlike_shift(&plan, &set, &red, &green, 0.4, 12.0, undo).unwrap().shift_px);
    }
    let (by_rings, by_places) = (libm::sqrt(by_rings / 20.0), libm::sqrt(by_places / 20.0));
    assert!(by_places < 0.6 * by_rings, "{by_places} px, by rings alone {by_rings} px");
}

// Minnaert's law drawn here anew, lit ten degrees from the left: one limb is sharp, the other in shade, and a steeper
// darkening takes light from the sharp one. The exponents differ as Jupiter's do between red and blue by about 0.1
// (common practice, no source).
#[test]
fn a_limb_that_is_darker_in_one_colour_hardly_pulls() {
    let size = 128;
    let plan = Fft2::new(size, size);
    let set = BandSet::new(size, size, 0.02, 0.3);
    let mut deviate = deviates(99);
    let mut draw = |dx: f64, dy: f64, exponent: f64| -> Vec<f32> {
        let radiance = |x: f64, y: f64| {
            let mu = libm::sqrt((1.0 - x * x - y * y).max(0.0));
            let mu0 = 0.98481 * mu - 0.17365 * x;
            let lit = if mu > 0.0 && mu0 > 0.0 { 1.0 } else { return 0.0 };
            lit * libm::pow(mu0, exponent) * libm::pow(mu, exponent - 1.0)
        };
        let sharp: Vec<f32> = (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 - 63.5 - dx, (i / size) as f64 - 63.5 - dy);
                let part = |k: usize| (k as f64 - 3.5) / 8.0;
                let sum: f64 = (0..64).map(|k| radiance((x + part(k % 8)) / 42.0, (y + part(k / 8)) / 42.0)).sum();
                (sum / 64.0) as f32
            })
            .collect();
        let (mut spectrum, mut scratch) = (plan.spectrum(), plan.scratch());
        plan.forward(&sharp, &mut spectrum, &mut scratch);
        for (i, value) in spectrum.iter_mut().enumerate() {
            let half = size / 2 + 1;
            let f = libm::hypot((i % half) as f64, crate::fft::frequency(i / half, size) * size as f64) / size as f64;
            *value *= libm::exp(-2.0 * libm::pow(std::f64::consts::PI * 2.0 * f, 2.0)) as f32;
        }
        let mut out = sharp;
        plan.inverse(&mut spectrum, &mut out, &mut scratch);
        out.iter_mut().for_each(|v| *v += 0.002 * deviate() as f32);
        out
    };
    let packed = |data: &[f32]| packed(&plan, &set, data);
    let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
    let off = |moving: &[Complex32], green: &Shaded| {
        let [x, y] = unlike_shift(&plan, &set, moving, green, 0.3, 12.0, undo).unwrap().shift_px;
        libm::hypot(x - 0.8, y + 0.5)
    };
    let green = Shaded::new(&draw(0.0, 0.0, 0.95), size, packed);
    let red = packed(&draw(0.8, -0.5, 1.05));
    let shaded = off(&red, &green);
    let alike = off(&red, &Shaded { terms: green.terms.clone().map(|t| t.iter().map(|v| v * 0.0).collect()), ..green });
    assert!(shaded < 0.05 && shaded < 0.2 * alike, "{shaded} px, shaded alike {alike} px");
}

// White noise of known strength on one of the two: the certainty told is that of the shifts found (Kay 1993,
// Fundamentals of Statistical Signal Processing, chapter 3: the bound is reached at high signal to noise).
#[test]
fn the_certainty_told_is_that_of_the_shifts_found() {
    let size = 96;
    let plan = Fft2::new(size, size);
    let set = BandSet::new(size, size, 0.02, 0.4);
    let mut deviate = deviates(12345);
    let mut draw = |dx: f64, noise: f64| -> Vec<f32> {
        (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 - 47.5 - dx, (i / size) as f64 - 47.5);
                let disc = 1.0 / (1.0 + libm::exp((libm::hypot(x, y) - 28.0) / 1.2));
                (disc + noise * deviate()) as f32
            })
            .collect()
    };
    let packed = |data: &[f32]| packed(&plan, &set, data);
    let clean = Shaded::new(&draw(0.0, 0.0), size, packed);
    let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
    let (mut squares, rounds) = (0.0, 60);
    for _ in 0..rounds {
        let found = unlike_shift(&plan, &set, &packed(&draw(0.4, 0.15)), &clean, 0.4, 12.0, undo).unwrap();
        let off = [found.shift_px[0] - 0.4, found.shift_px[1]];
        let [[xx, xy], [_, yy]] = found.information;
        squares += (xx * off[0] * off[0] + 2.0 * xy * off[0] * off[1] + yy * off[1] * off[1]) / 2.0;
    }
    // Twice 60 squares of unit deviates: their mean is 1, give or take 0.13.
    let mean = squares / rounds as f64;
    assert!((0.6..1.5).contains(&mean), "{mean}");
}
