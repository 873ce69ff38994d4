use super::*;
use crate::synthetic::{self, Scene};
use crate::wiener::target;
use stillair_api::ParameterValue;
use stillair_api::testing::TestContext;
use stillair_maths::fft::{Fft2, frequency};

fn run(stack: Image, facts: &Facts, iterations: Option<i64>) -> (Arc<Image>, TestContext) {
    let mut parameters = RichardsonLucy.describe().defaults();
    if let Some(n) = iterations {
        parameters.0.insert("iterations".into(), ParameterValue::Integer(n));
    }
    let Ok(Node::Transform(node)) = RichardsonLucy.create(&parameters, facts) else { panic!("no node") };
    let context = TestContext::default();
    let bound = Bound::default().with("image", Value::Image(Arc::new(stack)));
    let Value::Image(out) = node.run(&context, &bound).unwrap().remove(0) else { panic!("no picture") };
    (out, context)
}

fn error_db(out: &Image, scene: &Scene) -> f64 {
    synthetic::error_db(&out.data, scene)
}

// The scene is drawn and blurred by other code, with a halo outside the fitted family; the rms error stated is 1 % of
// the peak (40 dB).
#[test]
fn a_planet_is_restored_without_a_ring_at_its_limb() {
    let scene = synthetic::scene(1, 1);
    let before = synthetic::error_db(&scene.stack.data, &scene);
    let (out, context) = run(scene.stack.clone(), &synthetic::facts(), None);
    let after = error_db(&out, &scene);
    assert!(after > 40.0 && after > before + 10.0, "{before} -> {after} dB");
    let (low, high) = synthetic::ring_error(out.channel(0), &scene, 0);
    assert!(high < 1.0 && low > -1.0, "{low} {high} % of the disc");
    assert!(out.halves.is_some());
    for name in ["noise-gain-mono", "limb-excess-mono", "limb-deficit-mono", "reblur-mono"] {
        assert!(context.number(name).unwrap().is_finite(), "{name}");
    }
}

// Held against what an oracle who knows the truth would choose.
#[test]
fn the_halves_stop_near_the_best_number_of_steps() {
    for seed in [2, 3] {
        let scene = synthetic::scene(1, seed);
        let (out, context) = run(scene.stack.clone(), &synthetic::facts(), None);
        let own = error_db(&out, &scene);
        let best = [1, 2, 4, 8, 16, 32, 64, 128]
            .map(|n| error_db(&run(scene.stack.clone(), &synthetic::facts(), Some(n)).0, &scene));
        let best = best.into_iter().fold(0.0, f64::max);
        let steps = context.number("iterations-mono").unwrap();
        assert!(own > best - 0.7, "{own} dB after {steps} steps, {best} dB at best");
    }
}

/// A surface of power f^-3 about 0.5, 128 px wide, through the telescope and air of the scenes or through the target.
fn surface(through: &dyn Fn(f64) -> f64) -> Vec<f32> {
    let plan = Fft2::new(128, 128);
    let mut normal = synthetic::normals(9);
    let noise: Vec<f32> = (0..128 * 128).map(|_| normal()).collect();
    let (mut spectrum, mut scratch) = (plan.spectrum(), plan.scratch());
    plan.forward(&noise, &mut spectrum, &mut scratch);
    for (i, v) in spectrum.iter_mut().enumerate() {
        let (kx, ky) = (i % plan.half_width(), i / plan.half_width());
        let f = libm::hypot(frequency(kx, 128), frequency(ky, 128));
        *v *=
            if f > 0.0 { (0.006 * libm::pow(f.max(0.02), -1.5) * through(f / synthetic::CUTOFF)) as f32 } else { 0.0 };
    }
    let mut out = vec![0.0; 128 * 128];
    plan.inverse(&mut spectrum, &mut out, &mut scratch);
    out.iter().map(|v| 0.5 + v).collect()
}

/// The middle 72 x 72 px.
fn cut(field: &[f32]) -> Vec<f32> {
    (28..100).flat_map(|y| field[y * 128 + 28..y * 128 + 100].to_vec()).collect()
}

// The surface goes on beyond the picture, of which the filter sees only a part: light crosses the edge both ways. Held
// against the surface itself: the rim may be worse than the inside, where both sides are seen, but no frame may stand
// about the picture.
#[test]
fn a_surface_does_not_ring_at_the_pictures_edge() {
    let (stack_of, truth_of) = (
        |nu: f64| stillair_maths::mtf::obstructed(nu, 0.3) * synthetic::air(550.0, synthetic::JITTER, nu),
        |nu: f64| target(0.9, nu),
    );
    let (blurred, truth) = (cut(&surface(&stack_of)), cut(&surface(&truth_of)));
    let mut stack = Image::new(72, 72, 1);
    let mut normal = synthetic::normals(4);
    let halves = [0, 1].map(|_| blurred.iter().map(|v| v + 0.0014 * normal()).collect::<Vec<f32>>());
    stack.data = halves[0].iter().zip(&halves[1]).map(|(a, b)| 0.5 * (a + b)).collect();
    stack.halves = Some(halves);
    let (out, _) = run(stack, &synthetic::facts(), None);
    let error = |rim: bool| {
        let (mut sum, mut squares, mut n) = (0.0, 0.0, 0.0);
        for (i, (v, t)) in out.data.iter().zip(&truth).enumerate() {
            let (x, y) = (i % 72, i / 72);
            if (x.min(y).min(71 - x).min(71 - y) < 4) == rim {
                let e = f64::from(v - t);
                (sum, squares, n) = (sum + e, squares + e * e, n + 1.0);
            }
        }
        (sum / n, (squares / n).sqrt())
    };
    let ((bias, rim), (_, inside)) = (error(true), error(false));
    assert!(bias.abs() < 0.005 && rim < 2.5 * inside, "mean {bias}, rms {rim} at the rim, {inside} inside");
}

#[test]
fn without_halves_a_fixed_number_of_steps_is_made_and_said() {
    let mut scene = synthetic::scene(1, 4);
    scene.stack.halves = None;
    let before = synthetic::error_db(&scene.stack.data, &scene);
    let (out, context) = run(scene.stack.clone(), &synthetic::facts(), None);
    assert!(error_db(&out, &scene) > before + 5.0);
    assert!(context.warnings.lock().unwrap().iter().any(|w| w.contains("half-stacks")));
    assert!(out.halves.is_none());
}

#[test]
fn a_picture_of_nothing_stays_nothing() {
    let (out, _) = run(Image::new(40, 30, 3), &synthetic::facts(), None);
    assert!(out.data.iter().all(|v| v.abs() < 1e-6));
}
