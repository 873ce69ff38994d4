//! Runs one grade on one simulated frame.

use std::sync::Arc;

use stillair_api::testing::{clip_info, run_measure};
use stillair_api::{Bound, ColumnSpec, Facts, Method, Node, Table, Value, columns};

use crate::view::tests::Scene;

/// A table with the rows that find.disc would give.
pub(crate) fn table(rows: &[[f64; 4]]) -> Table {
    let mut table = Table::for_frames(&vec![0.0; rows.len()], None);
    for (c, name) in [columns::FLUX, columns::RADIUS_PX, columns::NOISE, "target_noise"].iter().enumerate() {
        table.push(ColumnSpec::number(name, "", ""), rows.iter().map(|r| r[c]).collect());
    }
    table
}

/// Grade of one frame of the scene.
pub(crate) fn grade(method: &dyn Method, scene: &Scene, index: usize) -> f64 {
    grade_of_changed(method, scene, index, |_| ())
}

/// Grade of one frame whose samples were changed.
pub(crate) fn grade_of_changed(method: &dyn Method, scene: &Scene, index: usize, change: impl Fn(&mut [f32])) -> f64 {
    let Ok(Node::Measure(node)) = method.create(&method.describe().defaults(), &Facts::default()) else {
        panic!("a grade is a measure");
    };
    let mut frame = scene.frame(index);
    frame.index = 0;
    change(&mut frame.data);
    let bound = Bound::default().with("table", Value::Table(Arc::new(table(&[scene.row()]))));
    let info = clip_info(1, frame.width(), frame.height(), frame.layout);
    let (out, _) = run_measure(&*node, &method.describe().columns, &bound, &info, &[frame]).unwrap();
    out.latest_grade().unwrap().data[0]
}

/// tests/data/filter_input.npy and its width.
pub(crate) fn filter_input() -> (Vec<f32>, usize) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/filter_input.npy");
    let bytes = std::fs::read(path).unwrap();
    let npy = npyz::NpyFile::new(&bytes[..]).unwrap();
    let width = npy.shape()[1] as usize;
    (npy.into_vec::<f32>().unwrap(), width)
}
