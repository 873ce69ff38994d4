//! Reads the reference arrays in `tests/data` (see `SOURCE.md` there).

// Each test binary uses a part of this.
#![allow(dead_code)]

/// Shape and values of an array of f32 or f64.
pub fn load(name: &str) -> (Vec<usize>, Vec<f32>) {
    let path = format!("{}/tests/data/{name}.npy", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let file = npyz::NpyFile::new(&bytes[..]).unwrap();
    let shape = file.shape().iter().map(|&n| n as usize).collect();
    let double = file.dtype().descr().contains("f8");
    let values = if double {
        file.into_vec::<f64>().unwrap().into_iter().map(|v| v as f32).collect()
    } else {
        file.into_vec::<f32>().unwrap()
    };
    (shape, values)
}

/// Largest absolute difference over the pixels at least `margin` from every edge.
pub fn worst(a: &[f32], b: &[f32], width: usize, height: usize, margin: usize) -> f32 {
    assert!(a.len() == b.len() && a.len() == width * height);
    let mut worst = 0.0_f32;
    for y in margin..height - margin {
        for x in margin..width - margin {
            let difference = (a[y * width + x] - b[y * width + x]).abs();
            assert!(!difference.is_nan());
            worst = worst.max(difference);
        }
    }
    worst
}
