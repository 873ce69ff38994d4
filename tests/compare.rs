//! Ways and clips side by side, and records run again: what is written, what is shared, what is concluded. Folders and
//! words are the project's own, so no outside reference applies; the numbers compared are those of the records.

use std::path::{Path, PathBuf};

use crate::support::{Said, folder, stillair, write_clip};

fn json(path: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn last(said: &Said) -> serde_json::Value {
    serde_json::from_str(said.out.lines().last().unwrap()).unwrap()
}

/// Compares and gives the folder.
fn compare(here: &Path, arguments: &[&str]) -> PathBuf {
    let mut all = vec!["compare", "--json"];
    all.extend(arguments);
    let said = stillair(here, &all);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    here.join(last(&said)["folder"].as_str().unwrap())
}

#[test]
fn every_way_is_run_and_shared_stages_run_once() {
    let here = folder("compare-ways");
    write_clip(&here.join("a.ser"), 60);
    let vary = ["--vary", "weights.power=2,4", "--vary", "sharp.use=sharpen.wiener,sharpen.unsharp"];
    let mut arguments = vec!["planet-mono", "a.ser", "--fact", "telescope.aperture_mm=100"];
    arguments.extend(vary);
    let done = compare(&here, &arguments);
    let comparison = json(&done.join("compare.json"));
    let runs = comparison["runs"].as_array().unwrap();
    assert_eq!(runs.len(), 4);
    assert_eq!(runs[1]["name"], "weights.power=2, sharp.use=sharpen.unsharp");
    let decoded: Vec<u64> = runs.iter().map(|r| r["measures"]["frames_decoded"].as_u64().unwrap()).collect();
    // The same stack sharpened otherwise; another weighting needs another stack, but no other finding or placing.
    assert_eq!(decoded[1], 0, "{decoded:?}");
    assert_eq!(decoded[3], 0, "{decoded:?}");
    assert!(0 < decoded[2] && decoded[2] < decoded[0], "{decoded:?}");
    assert!(!done.join("cache").exists() && !done.join(".lock").exists());
    for run in runs {
        let own = done.join(run["folder"].as_str().unwrap());
        let record = json(&own.join("run.json"));
        assert_eq!(record["status"], "done");
        assert_eq!(record["frames"]["used"], run["measures"]["frames_used"]);
        assert!(own.join("report.html").is_file());
        // What a run of its own gives, to the last bit.
        let settings: Vec<&str> = run["settings"].as_array().unwrap().iter().map(|s| s.as_str().unwrap()).collect();
        let mut alone = vec!["run", "planet-mono", "a.ser", "--json", "--fact", "telescope.aperture_mm=100"];
        settings.iter().for_each(|s| alone.extend(["--set", s]));
        let alone = here.join(last(&stillair(&here, &alone))["folder"].as_str().unwrap());
        for file in ["results/picture.tif", "results/stack.tif", "results/picture.png"] {
            assert!(std::fs::read(own.join(file)).unwrap() == std::fs::read(alone.join(file)).unwrap(), "{file}");
        }
    }
    // Sharpening does not change what the half-stacks agree on: said so, and ranked alike.
    assert_eq!(runs[1]["verdict"], "the same stack as the first");
    assert_eq!(runs[1]["rank"], runs[0]["rank"]);
    assert_eq!(comparison["one_for_all"], false);
    assert!(comparison["conclusion"].as_str().unwrap().contains("of runs that share one"), "{comparison:#}");
    // The noise told is that of the picture, which only `assess.noise` has measured.
    for run in runs {
        let record = json(&done.join(run["folder"].as_str().unwrap()).join("run.json"));
        let nodes = record["nodes"].as_array().unwrap();
        let node = nodes.iter().find(|n| n["method"] == "assess.noise").unwrap();
        let entry = node["entries"].as_array().unwrap().iter().find(|e| e["name"] == "noise-mono-1px").unwrap();
        assert_eq!(run["measures"]["noise"]["value"], entry["value"]);
    }
    let sheet =
        png::Decoder::new(std::io::BufReader::new(std::fs::File::open(done.join("contact-sheet.png")).unwrap()));
    let info = sheet.read_info().unwrap().info().clone();
    assert!(info.width >= 4 * 48 && info.height >= 48);
    let page = std::fs::read_to_string(done.join("compare.html")).unwrap();
    assert!(page.contains("data:image/png;base64,") && page.contains("sharpen.unsharp") && !page.contains("http://"));
}

#[test]
fn where_all_share_a_stack_nothing_is_ranked_by_it_and_noise_ranks_with_a_warning() {
    let here = folder("compare-sharpening");
    write_clip(&here.join("a.ser"), 40);
    let ways = ["planet-mono", "a.ser", "--vary", "sharp.use=sharpen.wiener,sharpen.unsharp", "--cache", "cache"];
    let done = compare(&here, &ways);
    let comparison = json(&done.join("compare.json"));
    assert_eq!(comparison["one_for_all"], true);
    assert!(comparison["runs"].as_array().unwrap().iter().all(|run| run["rank"].is_null()), "{comparison:#}");
    let page = std::fs::read_to_string(done.join("compare.html")).unwrap();
    assert!(page.contains("Not ranked: all runs share one stack") && !page.contains("cycles"), "{page}");
    assert!(page.contains("<figcaption>1 · wiener") && page.contains("sharp.use (sharpen)"), "{page}");
    let mut by_noise = vec!["compare", "--rank", "noise"];
    by_noise.extend(ways);
    let said = stillair(&here, &by_noise);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("beware: noise alone prefers what sharpens less"), "{}", said.out);
    let folder = said.out.lines().find_map(|line| line.strip_prefix("page     ")).unwrap();
    let page = std::fs::read_to_string(here.join(folder)).unwrap();
    assert!(page.contains("Beware: noise alone prefers what sharpens less"), "{page}");
}

/// A mono clip of 8 bits of a disc with fine belts, at a scale, with a noise: more noise or less scale shows less.
fn write_disc(path: &Path, side: u32, radius: f64, noise: f64) {
    // The format's signature, then reader id, colour id (mono), byte order, width, height, bits, frames.
    let mut bytes = vec![0x4c, 0x55, 0x43, 0x41, 0x4d, 0x2d, 0x52, 0x45, 0x43, 0x4f, 0x52, 0x44, 0x45, 0x52];
    for number in [0, 0, 0, side, side, 8, 40] {
        bytes.extend(number.to_le_bytes());
    }
    bytes.resize(178, 0);
    let mut state = 1_u64;
    for frame in 0..40 {
        let wander = f64::from(frame) * 0.7;
        let (x0, y0) = (f64::from(side) / 2.0 + 2.0 * wander.sin(), f64::from(side) / 2.0 + 2.0 * wander.cos());
        for index in 0..side * side {
            let (dx, dy) = (f64::from(index % side) - x0, f64::from(index / side) - y0);
            let edge = 0.5 - 0.5 * (((dx * dx + dy * dy).sqrt() - radius) / 1.2).tanh();
            let detail = 1.0 - 0.25 * (9.0 * dy / radius).sin() * (7.0 * dx / radius).cos();
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let random = (state >> 40) as f64 / f64::from(1_u32 << 24) - 0.5;
            bytes.push((14.0 + 150.0 * edge * detail + noise * random).round().clamp(0.0, 255.0) as u8);
        }
    }
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn clips_of_other_scales_are_brought_to_one_and_ranked() {
    let here = folder("compare-clips");
    write_disc(&here.join("large.ser"), 96, 30.0, 6.0);
    write_disc(&here.join("small.ser"), 48, 15.0, 60.0);
    for (name, pixel) in [("large", 2.0), ("small", 4.0)] {
        let text = format!("[telescope]\naperture_mm = 100\nfocal_mm = 2000\n[camera]\npixel_um = {pixel}\n");
        std::fs::write(here.join(format!("{name}.session.toml")), text).unwrap();
    }
    let done = compare(&here, &["planet-mono", "large.ser", "small.ser"]);
    let comparison = json(&done.join("compare.json"));
    assert_eq!(comparison["unit"], "cycles/arcsec");
    let runs = comparison["runs"].as_array().unwrap();
    // 206.265 arcsec per px per mm of focal length and um of pixel: 0.206265 and 0.41253 arcsec.
    let scale = |i: usize| runs[i]["measures"]["arcsec_per_px"].as_f64().unwrap();
    assert!((scale(0) - 0.206_265).abs() < 1e-5 && (scale(1) - 0.412_53).abs() < 1e-5, "{} {}", scale(0), scale(1));
    assert_eq!(runs[0]["rank"], 1, "{comparison:#}");
    assert_eq!(runs[1]["rank"], 2, "{comparison:#}");
    assert_eq!(runs[1]["verdict"].as_str().unwrap().split(' ').next(), Some("worse"));
    let page = std::fs::read_to_string(done.join("compare.html")).unwrap();
    assert!(page.contains("resampled to the finest"));
    // Of one cell each, side by side: both discs are 60 px wide in it, within a px or two.
    let sheet = std::fs::File::open(done.join("contact-sheet.png")).unwrap();
    let mut sheet = png::Decoder::new(std::io::BufReader::new(sheet)).read_info().unwrap();
    let mut pixels = vec![0; sheet.output_buffer_size().unwrap()];
    let info = sheet.next_frame(&mut pixels).unwrap();
    let (width, side) = (info.width as usize, (info.width as usize - 18) / 2);
    let bright = |cell: usize| {
        let left = 6 + cell * (side + 6);
        let rows = 6..6 + side;
        rows.flat_map(|y| (left..left + side).map(move |x| y * width + x)).filter(|i| pixels[*i] > 128).count() as f64
    };
    let diameter = |cell: usize| 2.0 * (bright(cell) / std::f64::consts::PI).sqrt();
    assert!((diameter(0) - diameter(1)).abs() < 4.0, "{} and {}", diameter(0), diameter(1));
    assert!((diameter(0) - 60.0).abs() < 8.0, "{}", diameter(0));
}

#[test]
fn variants_of_the_recipe_are_run_too_and_a_wrong_way_is_refused_before_anything_runs() {
    let here = folder("compare-variants");
    write_clip(&here.join("a.ser"), 40);
    let recipe = "schema = 1\nname = \"two\"\nsummary = \"two ways\"\nextends = \"planet-mono\"\n\n\
                  [variant.harder.weights]\npower = 6\n";
    std::fs::write(here.join("two.toml"), recipe).unwrap();
    let done = compare(&here, &["two.toml", "a.ser"]);
    let runs = json(&done.join("compare.json"))["runs"].clone();
    assert_eq!((runs[0]["name"].as_str(), runs[1]["name"].as_str()), (Some("as it is"), Some("harder")));
    assert_eq!(runs[1]["settings"], serde_json::json!(["weights.power=6"]));
    for wrong in ["weights.pwoer=1,2", "weights.power=1,-3", "weights.power", "nothing.at=1,2"] {
        let said = stillair(&here, &["compare", "planet-mono", "a.ser", "--vary", wrong, "--out", "refused"]);
        assert_eq!(said.code, Some(2), "{wrong}: {}", said.err);
        assert!(said.err.contains("--vary") && !said.err.contains("--set"), "{wrong}: {}", said.err);
        assert!(!here.join("refused").exists());
    }
    let said = stillair(&here, &["compare", "planet-mono", "a.ser"]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("--vary"), "{}", said.err);
}

#[test]
fn a_record_replays_to_the_last_bit_and_what_differs_is_named() {
    let here = folder("replay");
    write_clip(&here.join("a.ser"), 40);
    let settings = ["--set", "weights.power=3", "--fact", "telescope.aperture_mm=100"];
    let mut arguments = vec!["run", "planet-mono", "a.ser", "--json", "--cache", "cache"];
    arguments.extend(settings);
    let run = here.join(last(&stillair(&here, &arguments))["folder"].as_str().unwrap());
    let name = run.file_name().unwrap().to_str().unwrap();
    let said = stillair(&here, &["replay", name]);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    assert!(said.out.contains("are the same, to the last bit"), "{}", said.out);
    assert!(
        said.out.contains("same       results/picture.png") && said.out.contains("tables/frames.csv"),
        "{}",
        said.out
    );
    // Even where a cache is named it is not read.
    let said = stillair(&here, &["replay", name, "--cache", "cache", "--json"]);
    let replayed = last(&said);
    assert_eq!(replayed["same"], true, "{}", said.err);
    let record = json(&here.join(replayed["folder"].as_str().unwrap()).join("run.json"));
    assert!(record["frames"]["decoded"].as_u64().unwrap() > 0 && record["cache"]["used"] == false);
    // Another clip, asked for.
    write_clip(&here.join("b.ser"), 41);
    let said = stillair(&here, &["replay", name, "--with", "b.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("different  results/picture.png"), "{}", said.out);
    assert!(said.out.contains("the capture of `clip` has other bytes"), "{}", said.out);
    // The clip changed behind the record's back.
    std::fs::copy(here.join("b.ser"), here.join("a.ser")).unwrap();
    let said = stillair(&here, &["replay", name]);
    assert_eq!(said.code, Some(1));
    assert!(said.err.contains("the capture of `clip` has other bytes"), "{}", said.err);
    // The clip is gone.
    std::fs::remove_file(here.join("a.ser")).unwrap();
    let said = stillair(&here, &["replay", name]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("a.ser") && said.err.contains("--with"), "{}", said.err);
    // A record of another build says so.
    write_clip(&here.join("a.ser"), 40);
    let text = std::fs::read_to_string(run.join("run.json")).unwrap();
    let executable = json(&run.join("run.json"))["build"]["executable"].as_str().unwrap().to_string();
    std::fs::write(
        run.join("run.json"),
        text.replace(&executable, &"0".repeat(64)).replace("blake3\": \"", "blake3\": \"0"),
    )
    .unwrap();
    let said = stillair(&here, &["replay", name]);
    assert_eq!(said.code, Some(1));
    assert!(said.out.contains("it ran on another build"), "{}", said.out);
}
