//! SER clips: good ones give the pixels of their formula (tests/data/SOURCE.md), broken ones the right words.

use std::io::Write;

use crate::common::{assert_close, broken, formula, good, open, open_with, refusal, region, stored, text, warnings};
use stillair_api::{
    FactOrigin, FactValue, Facts, Frame, Layout, ParameterValue, Pattern, Region, TimesOrigin, contract::breaches,
};

const MONO: Layout = Layout::Mono;
const RGB: Layout = Layout::Rgb;

/// File, layout, white level, formula, whether there are times.
const GOOD: &[(&str, Layout, f64, &str, bool)] = &[
    ("mono8.ser", MONO, 255.0, "mono8", true),
    ("mono8_no_trailer.ser", MONO, 255.0, "mono8", false),
    ("mono16_le_flag0.ser", MONO, 65_535.0, "mono16", true),
    ("mono16_le_flag1.ser", MONO, 65_535.0, "mono16", true),
    ("mono16_be_flag0.ser", MONO, 65_535.0, "mono16", true),
    ("mono12_le.ser", MONO, 4095.0, "mono12", true),
    ("bayer_rggb8.ser", Layout::Mosaic(Pattern::Rggb), 255.0, "mono8", true),
    ("bayer_grbg8.ser", Layout::Mosaic(Pattern::Grbg), 255.0, "mono8", true),
    ("bayer_gbrg8.ser", Layout::Mosaic(Pattern::Gbrg), 255.0, "mono8", true),
    ("bayer_bggr8.ser", Layout::Mosaic(Pattern::Bggr), 255.0, "mono8", true),
    ("rgb8.ser", RGB, 255.0, "rgb8", true),
    ("bgr8.ser", RGB, 255.0, "rgb8", true),
    ("rgb16.ser", RGB, 65_535.0, "rgb16", true),
    ("mono8_no_dates.ser", MONO, 255.0, "mono8", false),
];

#[test]
fn every_good_clip_gives_its_pixels_and_times() {
    for method in ["decode.ser", "decode.auto"] {
        for (name, layout, white, content, stamped) in GOOD {
            let clip = open(method, &good(name)).expect(name);
            let info = clip.info();
            assert_eq!((info.frames, info.width, info.height), (3, 6, 4), "{name}");
            assert_eq!((info.layout, info.white_level), (*layout, *white), "{name}: {:?}", info.notes);
            for frame in [2, 0, 1] {
                assert_close(&stored(&*clip, frame), &formula(content, frame), &format!("{name} frame {frame}"));
            }
            if *stamped {
                // 637650162000050000 ticks (Python datetime): 2021-08-20T00:30:00.005Z; then 1.01 s and 2.02 s later.
                assert_eq!(info.times, TimesOrigin::Stamps, "{name}");
                assert_eq!(info.start_unix_ns, Some(1_629_419_400_005_000_000), "{name}");
                for (found, wanted) in info.time_s.iter().zip([0.0, 1.01, 2.02]) {
                    assert!((found - wanted).abs() < 1e-9, "{name}: {:?}", info.time_s);
                }
            } else {
                assert_eq!(info.times, TimesOrigin::Absent, "{name}");
                assert!(info.time_s.len() == 3 && info.time_s.iter().all(|t| t.is_nan()), "{name}");
            }
        }
    }
}

#[test]
fn the_byte_order_is_decided_from_the_data_and_said() {
    let said = |name: &str| open("decode.ser", &good(name)).expect(name).info().notes.join("\n");
    assert!(
        said("mono16_le_flag0.ser").contains("byte-order flag 0 means big-endian, but the samples are little-endian")
    );
    assert!(!said("mono16_le_flag1.ser").contains("byte-order"));
    assert!(!said("mono16_be_flag0.ser").contains("byte-order"));
    let forced =
        open_with("decode.ser", &good("mono16_le_flag1.ser"), &[("byte_order", text("big"))], &Facts::default());
    assert_eq!(stored(&*forced.expect("opens"), 0)[0].round(), f64::from(259u16.swap_bytes()));
}

#[test]
fn a_region_is_the_part_of_the_whole_with_its_own_phase() {
    for (name, _, _, content, _) in GOOD {
        let clip = open("decode.ser", &good(name)).expect(name);
        let planes = clip.info().layout.planes();
        let whole = formula(content, 1);
        for part in [(1, 1, 3, 2), (0, 3, 6, 1), (5, 0, 1, 4), (0, 0, 6, 4)] {
            let (x, y, width, height) = part;
            let mut wanted = Vec::new();
            for row in y..y + height {
                wanted.extend(&whole[(row * 6 + x) * planes..(row * 6 + x + width) * planes]);
            }
            assert_close(&region(&*clip, 1, Region { x, y, width, height }), &wanted, name);
        }
        let mut frame = Frame::empty();
        clip.read(0, Region { x: 1, y: 0, width: 2, height: 2 }, &mut Vec::new(), &mut frame).expect(name);
        assert_eq!(frame.layout, clip.info().layout.shifted(1, 0));
        assert!(clip.read(3, clip.info().region(), &mut Vec::new(), &mut frame).is_err());
        assert!(clip.read(0, Region { x: 1, y: 0, width: 6, height: 1 }, &mut Vec::new(), &mut frame).is_err());
    }
}

#[test]
fn broken_clips_are_refused_in_words_that_help() {
    for (name, word) in [
        ("ser_empty.ser", "the file is empty"),
        ("ser_truncated_header.ser", "the header is cut: 100 of 178 bytes"),
        ("ser_bad_magic.ser", "not a SER clip"),
        ("ser_zero_frames.ser", "no frames"),
        ("ser_huge_dimensions.ser", "larger than the file"),
        ("ser_negative_width.ser", "width -6"),
        ("ser_zero_width.ser", "width 0"),
        ("ser_bad_depth_0.ser", "0 bits per plane"),
        ("ser_bad_depth_33.ser", "33 bits per plane"),
        ("ser_unknown_color.ser", "colour id 42 is unknown"),
    ] {
        let words = refusal("decode.ser", &broken(name));
        assert!(words.contains(word), "{name}: {words}");
    }
}

#[test]
fn damaged_clips_give_what_is_whole_and_say_so() {
    for (name, frames, stamps, word) in [
        ("ser_truncated_frame.ser", 1, false, "cut short: the header says 3 frames, the file holds 1"),
        ("ser_zero_count_with_data.ser", 3, false, "says 0 frames, as after an interrupted capture"),
        ("ser_negative_count.ser", 3, false, "says -1 frames"),
        ("ser_huge_count.ser", 3, false, "says 2147483647 frames"),
        ("ser_count_too_big.ser", 3, false, "says 10 frames"),
        ("ser_count_too_small.ser", 2, false, "not a list of frame times"),
        ("ser_partial_trailer.ser", 3, true, "the times of the last 2 of 3 frames are unknown"),
        ("ser_extra_bytes.ser", 3, true, ""),
        ("ser_non_utf8_names.ser", 3, true, ""),
        ("ser_unsorted_timestamps.ser", 3, false, "run backwards"),
    ] {
        let clip = open("decode.auto", &broken(name)).expect(name);
        let info = clip.info();
        assert_eq!(info.frames, frames, "{name}");
        assert_eq!(info.times == TimesOrigin::Stamps, stamps, "{name}: {:?}", info.notes);
        assert!(info.notes.join("\n").contains(word), "{name}: {:?}", info.notes);
        assert_close(&stored(&*clip, frames - 1), &formula("mono8", frames - 1), name);
    }
    let clip = open("decode.ser", &broken("ser_non_utf8_names.ser")).expect("opens");
    assert!(clip.info().header["observer"].contains('\u{fffd}'), "{:?}", clip.info().header);
}

#[test]
fn missing_files_folders_and_pictures_are_named_as_such() {
    let folder = tempfile::tempdir().expect("a folder");
    for method in ["decode.ser", "decode.auto"] {
        assert!(refusal(method, &folder.path().join("no.ser")).contains("no such file"));
        assert!(refusal(method, &broken("ser_empty.ser")).contains("empty"));
    }
    assert!(refusal("decode.ser", folder.path()).contains("is a folder"));
    assert!(refusal("decode.ser", &good("u8.png")).contains("it is a PNG picture"));
    assert!(refusal("decode.ser", &good("u16.tif")).contains("it is a TIFF picture"));
}

#[test]
fn recipe_and_session_overrule_the_header() {
    let mut facts = Facts::default();
    facts.set("camera.pattern", FactValue::Text("GBRG".into()), FactOrigin::Session);
    facts.set("camera.exposure_s", FactValue::Number(0.01), FactOrigin::Session);
    let clip = open_with("decode.auto", &good("mono8.ser"), &[], &facts).expect("opens");
    assert_eq!(clip.info().layout, Layout::Mosaic(Pattern::Gbrg));
    assert_eq!(clip.info().exposure_s, Some(0.01));
    assert!(clip.info().notes.iter().any(|n| n.contains("the session says that the clip is a GBRG")));
    let parameters = [("pattern", text("mono")), ("white_level", ParameterValue::Number(100.0))];
    let clip = open_with("decode.auto", &good("bayer_rggb8.ser"), &parameters, &facts).expect("opens");
    assert_eq!((clip.info().layout, clip.info().white_level), (Layout::Mono, 100.0));
    let unknown = open_with("decode.ser", &broken("ser_unknown_color.ser"), &[("pattern", text("mono"))], &facts);
    assert_eq!(unknown.expect("opens").info().layout, Layout::Mono);
    facts.set("camera.pattern", FactValue::Text("CYYM".into()), FactOrigin::CommandLine);
    let fault = open_with("decode.auto", &good("mono8.ser"), &[], &facts).err().expect("refused");
    assert!(fault.to_string().contains("`CYYM` is not a colour mosaic"), "{fault}");
}

#[test]
fn a_file_that_shrinks_while_it_is_read_names_the_frame() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("shrinks.ser");
    std::fs::copy(good("mono8.ser"), &path).expect("copied");
    let clip = open("decode.auto", &path).expect("opens");
    std::fs::OpenOptions::new().write(true).open(&path).and_then(|f| f.set_len(178 + 30)).expect("cut");
    let (mut frame, mut bytes) = (Frame::empty(), Vec::new());
    assert!(clip.read(0, clip.info().region(), &mut bytes, &mut frame).is_ok());
    let words = clip.read(1, clip.info().region(), &mut bytes, &mut frame).expect_err("refused").to_string();
    assert!(words.contains("frame 1") && words.contains("shrank"), "{words}");
}

#[test]
fn a_window_of_a_wide_frame_is_read_row_by_row_to_the_same_samples() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("wide.ser");
    let (width, height) = (12_000usize, 9usize);
    let mut header = std::fs::read(good("mono8.ser")).expect("read")[..178].to_vec();
    header[26..30].copy_from_slice(&(width as i32).to_le_bytes());
    header[30..34].copy_from_slice(&(height as i32).to_le_bytes());
    header[38..42].copy_from_slice(&1i32.to_le_bytes());
    let pixels: Vec<u8> = (0..width * height).map(|i| (i % 251) as u8).collect();
    let mut file = std::fs::File::create(&path).expect("made");
    file.write_all(&header).and_then(|()| file.write_all(&pixels)).expect("written");
    let clip = open("decode.ser", &path).expect("opens");
    let part = Region { x: 7001, y: 2, width: 5, height: 6 };
    let wanted: Vec<f64> = (0..30).map(|i| ((7001 + i % 5 + (2 + i / 5) * width) % 251) as f64).collect();
    assert_close(&region(&*clip, 0, part), &wanted, "wide");
}

#[test]
fn every_method_keeps_to_its_contract() {
    for method in stillair_decode::plugin().methods {
        let description = method.describe();
        assert_eq!(breaches(&description), Vec::<String>::new());
        assert!(!description.help.is_empty() && !description.source.is_empty());
        assert!(method.create(&description.defaults(), &Facts::default()).is_ok());
    }
}

#[test]
fn frames_that_come_at_another_pace_are_told_with_their_number() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("pace.ser");
    let mut bytes = std::fs::read(good("mono8_no_trailer.ser")).expect("read")[..178].to_vec();
    bytes[38..42].copy_from_slice(&200i32.to_le_bytes());
    bytes.extend((0..200 * 24).map(|i| (i % 251) as u8));
    let ticks = |frame: i64| 637_650_162_000_050_000 + 100_000 * frame.min(120) + 250_000 * (frame - 120).max(0);
    bytes.extend((0..200).flat_map(|frame| ticks(frame).to_le_bytes()));
    std::fs::write(&path, &bytes).expect("written");
    let said = warnings("decode.auto", &path);
    let words = "from frame 120 on frames come every 25.0000 ms instead of every 10.0000 ms";
    assert!(said.iter().any(|w| w.contains(words)), "{said:?}");
    assert!(warnings("decode.auto", &good("mono8.ser")).is_empty());
}
