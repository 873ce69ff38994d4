//! `stillair demo` from beginning to end: the clip of an invented planet, the picture, the page. What the planet looks
//! like is written in the clip's recipe: 46 arcsec on pixels of 0.572 arcsec (3.76 um behind 1355 mm), 80 px from limb
//! to limb across the equator.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use crate::support::{folder, stillair};

/// Luma of a picture, as shares of its brightest value, row by row.
fn read(path: &Path) -> (usize, usize, Vec<f64>) {
    let mut reader = png::Decoder::new(BufReader::new(File::open(path).unwrap())).read_info().unwrap();
    let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
    let frame = reader.next_frame(&mut bytes).unwrap();
    let samples: Vec<f64> = match frame.bit_depth {
        png::BitDepth::Sixteen => {
            bytes.chunks_exact(2).map(|b| f64::from(u16::from_be_bytes([b[0], b[1]])) / 65_535.0).collect()
        }
        _ => bytes.iter().map(|b| f64::from(*b) / 255.0).collect(),
    };
    let channels = frame.color_type.samples();
    let luma: Vec<f64> = samples.chunks_exact(channels).map(|p| p.iter().sum::<f64>() / channels as f64).collect();
    let top = luma.iter().copied().fold(0.0, f64::max);
    (frame.width as usize, frame.height as usize, luma.iter().map(|v| v / top).collect())
}

fn line<'a>(out: &'a str, name: &str) -> &'a str {
    let found = out.lines().find_map(|line| line.strip_prefix(name));
    found.unwrap_or_else(|| panic!("no line {name} in\n{out}")).trim()
}

#[test]
fn the_demo_ends_with_a_picture_of_a_disc() {
    let here = folder("demo");
    let said = stillair(&here, &["demo", "--out", "there", "--jobs", "2"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let picture = here.join(line(&said.out, "picture"));
    let report = here.join(line(&said.out, "report"));
    assert!(picture.starts_with(here.join("there")) && report.is_file(), "{}", said.out);
    assert!(said.out.contains("of 600 frames used"), "{}", said.out);

    let (width, height, luma) = read(&picture);
    // What is brighter than a quarter of the brightest place: the disc up to its darkened limb.
    let lit: Vec<(usize, usize)> =
        (0..width * height).filter(|k| luma[*k] > 0.25).map(|k| (k % width, k / width)).collect();
    let across = (lit.len() as f64 * 4.0 / std::f64::consts::PI).sqrt();
    // Polar diameter 0.935 of the equatorial one (flattening 0.065): a tenth is left to the darkened limb.
    let expected = 46.0 / (3.76e-3 / 1355.0 * 206_264.806) * 0.935_f64.sqrt();
    assert!((across / expected - 1.0).abs() < 0.1, "{across} px across, {expected} expected");
    let mean = |of: fn(&(usize, usize)) -> usize| lit.iter().map(|p| of(p) as f64).sum::<f64>() / lit.len() as f64;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let spill = lit.iter().filter(|p| (p.0 as f64 - x).hypot(p.1 as f64 - y) > 0.55 * expected).count();
    assert_eq!(spill, 0, "lit pixels outside the disc");
    let corner = luma[0];
    assert!(corner < 0.05, "the sky is dark: {corner}");
}

#[test]
fn the_clip_of_the_demo_lies_beside_its_session() {
    let here = folder("demo-clip");
    let said = stillair(&here, &["demo", "--out", "there", "--recipe", "quick-look", "--jobs", "2"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let clip = here.join(line(&said.err, "clip"));
    let bytes = std::fs::metadata(&clip).unwrap().len();
    // Header of 178 bytes, 600 frames of 128 x 112 bytes with a time of 8 bytes each.
    assert_eq!(bytes, 178 + 600 * (128 * 112 + 8));
    let session = std::fs::read_to_string(clip.with_extension("session.toml")).unwrap();
    for fact in ["aperture_mm = 105", "obstruction = 0.33", "focal_mm = 1355", "pixel_um = 3.76", "exposure_s = 0.012"]
    {
        assert!(session.contains(fact), "{fact}\n{session}");
    }
    assert!(!session.contains("[target]"), "the planet is invented");
    // The session is found and its facts are known to the run.
    let picture = here.join(line(&said.out, "picture"));
    let run = picture.ancestors().nth(1).unwrap();
    let records: String = [run, run.parent().unwrap()]
        .iter()
        .filter_map(|folder| std::fs::read_to_string(folder.join("run.json")).ok())
        .collect();
    assert!(records.contains("telescope.aperture_mm"), "{records}");
}
