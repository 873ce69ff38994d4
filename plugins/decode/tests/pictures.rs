//! FITS, TIFF and PNG pictures, alone and in folders: the pixels of their formula (tests/data/SOURCE.md).

use std::path::Path;

use crate::common::{assert_close, broken, formula, good, open, refusal, region, stored, warnings};
use stillair_api::{Frame, FrameReader, Layout, Pattern, Region, TimesOrigin};

/// Pixels of a file, whole and in part, read by its own method and by the one that looks at content.
fn check(method: &str, name: &str, wanted: &[f64], layout: Layout) {
    for method in [method, "decode.auto"] {
        let clip = open(method, &good(name)).expect(name);
        let info = clip.info();
        assert_eq!((info.frames, info.width, info.height, info.layout), (1, 6, 4, layout), "{name}");
        assert_close(&stored(&*clip, 0), wanted, name);
        let planes = layout.planes();
        let part: Vec<f64> = (1..3).flat_map(|y| wanted[(y * 6 + 2) * planes..(y * 6 + 5) * planes].to_vec()).collect();
        assert_close(&region(&*clip, 0, Region { x: 2, y: 1, width: 3, height: 2 }), &part, name);
    }
}

fn scaled(values: Vec<f64>, factor: f64, offset: f64) -> Vec<f64> {
    values.into_iter().map(|v| v * factor + offset).collect()
}

#[test]
fn every_fits_picture_gives_its_pixels() {
    let mono16 = formula("mono16", 0);
    check("decode.fits", "u8.fits", &formula("mono8", 0), Layout::Mono);
    check("decode.fits", "u16_bzero.fits", &mono16, Layout::Mono);
    // First row -241, -234, ... (astropy): 500 less than the unsigned one.
    check("decode.fits", "i16.fits", &scaled(mono16.clone(), 1.0, -500.0), Layout::Mono);
    // First row 0.259, 0.266, ... (astropy).
    check("decode.fits", "f32.fits", &scaled(mono16, 0.001, 0.0), Layout::Mono);
    check("decode.fits", "rgb_cube_u16.fits", &formula("rgb16", 0), Layout::Rgb);
    check("decode.fits", "rgb_cube_u8.fits", &formula("rgb8", 0), Layout::Rgb);
}

#[test]
fn every_tiff_picture_gives_its_pixels() {
    let (mono16, rgb16) = (formula("mono16", 0), formula("rgb16", 0));
    check("decode.tiff", "u8.tif", &formula("mono8", 0), Layout::Mono);
    for name in ["u16.tif", "u16_be.tif", "u16_deflate.tif"] {
        check("decode.tiff", name, &mono16, Layout::Mono);
    }
    check("decode.tiff", "rgb8.tif", &formula("rgb8", 0), Layout::Rgb);
    for name in ["rgb16.tif", "rgb16_planar.tif"] {
        check("decode.tiff", name, &rgb16, Layout::Rgb);
    }
    // First samples 0.00395208690315485 = 259 / 65535 and 0.7843137 = 200 / 255 (tifffile).
    check("decode.tiff", "f32.tif", &scaled(mono16, 1.0 / 65_535.0, 0.0), Layout::Mono);
    check("decode.tiff", "rgb_f32.tif", &scaled(formula("rgb8", 0), 1.0 / 255.0, 0.0), Layout::Rgb);
}

/// mono16 on any number of pixels.
fn mono16(width: usize, height: usize) -> Vec<f64> {
    (0..width * height).map(|i| (7 * (i % width) + 300 * (i / width) + 259) as f64).collect()
}

#[test]
fn every_way_to_lay_out_a_tiff_picture_is_read() {
    check("decode.tiff", "u16_big.tif", &formula("mono16", 0), Layout::Mono);
    // First samples 0.1265 0.1299 0.1333 (numpy, float16).
    let halves = stored(&*open("decode.auto", &good("f16.tif")).expect("opens"), 0);
    for (found, wanted) in halves.iter().zip(formula("mono16", 0)) {
        // 11 bits of mantissa: half a step is 2^-12 of the value.
        assert!((found - wanted / 2048.0).abs() <= wanted / 2048.0 / 4096.0, "{found} {wanted}");
    }
    for name in ["u16_tiles.tif", "u16_deflate_predictor.tif"] {
        let clip = open("decode.auto", &good(name)).expect(name);
        assert_eq!((clip.info().width, clip.info().height, clip.info().layout), (40, 20, Layout::Mono), "{name}");
        assert_close(&stored(&*clip, 0), &mono16(40, 20), name);
        let part: Vec<f64> = (15..18).flat_map(|y| mono16(40, 20)[y * 40 + 14..y * 40 + 34].to_vec()).collect();
        assert_close(&region(&*clip, 0, Region { x: 14, y: 15, width: 20, height: 3 }), &part, name);
    }
    let clip = open("decode.auto", &good("u8_tiles_planar.tif")).expect("opens");
    assert_eq!((clip.info().width, clip.info().height, clip.info().layout), (18, 20, Layout::Rgb));
    let wanted: Vec<f64> = mono16(18, 20).iter().flat_map(|v| [v % 251.0, v % 241.0, v % 239.0]).collect();
    assert_close(&stored(&*clip, 0), &wanted, "tiles of planes");
}

#[test]
fn the_pages_of_a_tiff_file_are_the_frames_of_a_clip() {
    for (name, frames) in [("pages.tif", 5), ("pages_big_be.tif", 3)] {
        for method in ["decode.tiff", "decode.auto"] {
            let clip = open(method, &good(name)).expect(name);
            let info = clip.info();
            assert_eq!((info.frames, info.width, info.height), (frames, 6, 4), "{name}");
            assert_eq!((info.time_s.len(), info.times, info.white_level), (frames, TimesOrigin::Absent, 65_535.0));
            for frame in (0..frames).rev() {
                assert_close(&stored(&*clip, frame), &formula("mono16", frame), &format!("{name}, page {frame}"));
            }
            assert!(!info.notes.iter().any(|n| n.contains("single picture")), "{:?}", info.notes);
        }
    }
    // A page, a preview of it, a page, a page of another size.
    let clip = open("decode.auto", &good("pages_odd.tif")).expect("opens");
    assert_eq!(clip.info().frames, 2);
    assert!(clip.info().notes.iter().any(|n| n.contains("1 pages of another size")), "{:?}", clip.info().notes);
    assert_close(&stored(&*clip, 1), &formula("mono16", 1), "the second page");
    // Cut within the chain of pages, those before are used.
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cut.tif");
    let whole = std::fs::read(good("pages.tif")).expect("read");
    let mut found = Vec::new();
    for length in (0..whole.len()).step_by(7) {
        std::fs::write(&path, &whole[..length.max(1)]).expect("written");
        if let Ok(clip) = open("decode.auto", &path) {
            found.push(clip.info().frames);
            let read = clip.read(0, clip.info().region(), &mut Vec::new(), &mut Frame::empty());
            assert!(read.is_ok() || clip.info().frames > 0);
        }
    }
    assert!(found.iter().all(|frames| *frames <= 5), "{found:?}");
    // A file that shrinks names the frame.
    std::fs::write(&path, &whole).expect("written");
    let clip = open("decode.auto", &path).expect("opens");
    std::fs::OpenOptions::new().write(true).open(&path).and_then(|f| f.set_len(60)).expect("cut");
    let words = clip.read(4, clip.info().region(), &mut Vec::new(), &mut Frame::empty()).expect_err("gone").to_string();
    assert!(words.contains("frame 4") && words.contains("cut.tif") && words.contains("cut short"), "{words}");
}

#[test]
fn a_picture_of_a_folder_that_shrinks_names_the_frame() {
    for (like, extension) in [("u16.tif", "tif"), ("u16.png", "png"), ("u16_bzero.fits", "fits")] {
        let folder = tempfile::tempdir().expect("a folder");
        let path = |n: usize| folder.path().join(format!("{n}.{extension}"));
        for n in 0..3 {
            std::fs::copy(good(like), path(n)).expect("copied");
        }
        let clip = open("decode.auto", folder.path()).expect("opens");
        std::fs::OpenOptions::new().write(true).open(path(1)).and_then(|f| f.set_len(50)).expect("cut");
        let read = |n: usize| clip.read(n, clip.info().region(), &mut Vec::new(), &mut Frame::empty());
        assert!(read(0).is_ok() && read(2).is_ok());
        let words = read(1).expect_err("gone").to_string();
        assert!(words.contains("frame 1") && words.contains(&format!("1.{extension}")), "{words}");
        assert!(words.contains("cut short") || words.contains("no END"), "{words}");
    }
}

#[test]
fn every_png_picture_gives_its_pixels() {
    check("decode.png", "u8.png", &formula("mono8", 0), Layout::Mono);
    check("decode.png", "u16.png", &formula("mono16", 0), Layout::Mono);
    check("decode.png", "rgb8.png", &formula("rgb8", 0), Layout::Rgb);
    check("decode.png", "rgb16.png", &formula("rgb16", 0), Layout::Rgb);
}

#[test]
fn broken_pictures_are_refused_in_words_that_help() {
    for (method, name, word) in [
        ("decode.fits", "fits_truncated_data.fits", "the data are cut short"),
        ("decode.fits", "fits_no_end.fits", "no END card"),
        ("decode.fits", "fits_not_fits.fits", "not a FITS file"),
        ("decode.fits", "fits_bad_bitpix.fits", "BITPIX is 17"),
        ("decode.fits", "fits_huge_axes.fits", "2147483647x2147483647"),
        ("decode.fits", "fits_naxis_0.fits", "holds no picture"),
        ("decode.fits", "fits_truncated_header.fits", "the header is cut short"),
        ("decode.tiff", "tiff_truncated.tif", "damaged or cut short"),
        ("decode.tiff", "tiff_bad_magic.tif", "damaged or cut short"),
        ("decode.tiff", "tiff_ifd_beyond_end.tif", "damaged or cut short"),
    ] {
        let words = refusal(method, &broken(name));
        assert!(words.contains(word), "{name}: {words}");
    }
}

/// A FITS file made of cards and data.
fn fits(cards: &[&str], samples: &[u8]) -> Vec<u8> {
    let mut bytes: Vec<u8> = cards.iter().chain(&["END"]).flat_map(|card| format!("{card:<80}").into_bytes()).collect();
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes.extend(samples);
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    bytes
}

fn picture_cards(bitpix: i32, axes: &[usize]) -> Vec<String> {
    let mut cards = vec!["SIMPLE  =                    T".to_owned(), format!("BITPIX  = {bitpix:>20}")];
    cards.push(format!("NAXIS   = {:>20}", axes.len()));
    cards.extend(axes.iter().enumerate().map(|(i, len)| format!("NAXIS{:<3}= {len:>20}", i + 1)));
    cards
}

fn save(path: &Path, bitpix: i32, axes: &[usize], more: &[&str], samples: &[u8]) -> Box<dyn FrameReader> {
    let cards = picture_cards(bitpix, axes);
    let all: Vec<&str> = cards.iter().map(String::as_str).chain(more.iter().copied()).collect();
    std::fs::write(path, fits(&all, samples)).expect("written");
    open("decode.auto", path).expect("opens")
}

#[test]
fn fits_headers_say_mosaic_row_order_time_and_exposure() {
    let folder = tempfile::tempdir().expect("a folder");
    let samples: Vec<u8> = (0..24).collect();
    let more = [
        "BAYERPAT= 'RGGB    '           / pattern",
        "XBAYROFF=                    1",
        "ROWORDER= 'BOTTOM-UP'",
        "DATE-OBS= '2021-08-20T00:30:00.005'",
        "EXPTIME =               1.2D-2 / s",
        "TELESCOP= 'O''Brien''s tube'",
    ];
    let clip = save(&folder.path().join("a.fits"), 8, &[6, 4], &more, &samples);
    let info = clip.info();
    assert_eq!(info.layout, Layout::Mosaic(Pattern::Grbg));
    // 2021-08-20T00:30:00Z is 1629419400 s after 1970 (Python datetime).
    assert_eq!((info.start_unix_ns, info.times), (Some(1_629_419_400_005_000_000), TimesOrigin::Stamps));
    assert_eq!((info.exposure_s, info.header["telescope"].as_str()), (Some(0.012), "O'Brien's tube"));
    let flipped: Vec<f64> = (0..24).map(|i| f64::from((3 - i / 6) * 6 + i % 6)).collect();
    assert_close(&stored(&*clip, 0), &flipped, "bottom up");
}

#[test]
fn numbers_that_are_not_finite_become_zero_and_are_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let values = [0.5f32, f32::NAN, f32::INFINITY, 0.25, f32::NEG_INFINITY, 1.0];
    let samples: Vec<u8> = values.iter().flat_map(|v| v.to_be_bytes()).collect();
    let clip = save(&folder.path().join("a.fits"), -32, &[3, 2], &[], &samples);
    assert_close(&stored(&*clip, 0), &[0.5, 0.0, 0.0, 0.25, 0.0, 1.0], "NaN");
    assert!(clip.info().notes.iter().any(|n| n.contains("3 of the samples tried are not finite")));
}

#[test]
fn all_kinds_of_fits_numbers_and_scales_are_read() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.fits");
    let values = [0i16, 100, 2000, -5, 7, 30_000];
    let wanted: Vec<f64> = values.iter().map(|v| f64::from(*v)).collect();
    let bytes = |f: &dyn Fn(i16) -> Vec<u8>| values.iter().flat_map(|v| f(*v)).collect::<Vec<u8>>();
    let kinds: [(i32, Vec<u8>); 4] = [
        (16, bytes(&|v| v.to_be_bytes().into())),
        (32, bytes(&|v| i32::from(v).to_be_bytes().into())),
        (64, bytes(&|v| i64::from(v).to_be_bytes().into())),
        (-64, bytes(&|v| f64::from(v).to_be_bytes().into())),
    ];
    for (bitpix, samples) in kinds {
        assert_close(&stored(&*save(&path, bitpix, &[3, 2], &[], &samples), 0), &wanted, &format!("BITPIX {bitpix}"));
    }
    let more = ["BSCALE  =                  0.5", "BZERO   =                 10.0"];
    let clip = save(&path, 16, &[3, 2], &more, &bytes(&|v| v.to_be_bytes().into()));
    assert_close(&stored(&*clip, 0), &scaled(wanted, 0.5, 10.0), "BSCALE");
}

#[test]
fn a_cube_is_a_clip_and_a_cut_one_gives_its_whole_frames() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cube.fits");
    let samples: Vec<u8> = (0..5).flat_map(|f| formula("mono8", f)).map(|v| v as u8).collect();
    let clip = save(&path, 8, &[6, 4, 5], &[], &samples);
    assert_eq!((clip.info().frames, clip.info().times), (5, TimesOrigin::Absent));
    for index in 0..5 {
        assert_close(&stored(&*clip, index), &formula("mono8", index), "cube");
    }
    std::fs::OpenOptions::new().write(true).open(&path).and_then(|f| f.set_len(2880 + 60)).expect("cut");
    let mut frame = Frame::empty();
    let words = clip.read(4, clip.info().region(), &mut Vec::new(), &mut frame).expect_err("refused").to_string();
    assert!(words.contains("frame 4") && words.contains("shrank"), "{words}");
    let clip = open("decode.fits", &path).expect("opens");
    assert_eq!(clip.info().frames, 2);
    assert!(clip.info().notes.iter().any(|n| n.contains("the header says 5 frames, 2 whole ones are used")));
}

#[test]
fn a_picture_in_an_extension_is_found() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.fits");
    let empty = ["SIMPLE  =                    T", "BITPIX  =                    8", "NAXIS   =                    0"];
    let mut bytes = fits(&empty, &[]);
    let mut cards = picture_cards(8, &[6, 4]);
    cards[0] = "XTENSION= 'IMAGE   '".into();
    let samples: Vec<u8> = (0..24).collect();
    bytes.extend(fits(&cards.iter().map(String::as_str).collect::<Vec<_>>(), &samples));
    std::fs::write(&path, bytes).expect("written");
    let wanted: Vec<f64> = (0..24).map(f64::from).collect();
    assert_close(&stored(&*open("decode.auto", &path).expect("opens"), 0), &wanted, "extension");
}

#[test]
fn a_folder_is_a_clip_in_natural_order() {
    for (method, like, extension) in
        [("decode.tiff", "u16.tif", "tif"), ("decode.png", "u16.png", "PNG"), ("decode.fits", "u16_bzero.fits", "fit")]
    {
        let folder = tempfile::tempdir().expect("a folder");
        for number in [1, 2, 10, 9] {
            let name = folder.path().join(format!("frame-{number}.{extension}"));
            let small = like.replace("u16_bzero", "u8").replace("u16", "u8");
            std::fs::copy(good(if number == 10 { like } else { &small }), name).expect("copied");
        }
        std::fs::write(folder.path().join("notes.txt"), "no picture").expect("written");
        std::fs::write(folder.path().join(format!(".hidden.{extension}")), "no picture").expect("written");
        for method in [method, "decode.auto"] {
            let clip = open(method, folder.path()).expect("opens");
            assert_eq!((clip.info().frames, clip.info().width, clip.info().times), (4, 6, TimesOrigin::Absent));
            // Only the last one, number 10, holds 16-bit samples; one white level holds for all.
            assert_eq!(clip.info().white_level, 65_535.0);
            assert_close(&stored(&*clip, 3), &formula("mono16", 0), extension);
            assert_close(&stored(&*clip, 0), &formula("mono8", 0), extension);
        }
    }
}

#[test]
fn a_folder_of_fits_has_times_and_says_where_the_exposure_changes() {
    let folder = tempfile::tempdir().expect("a folder");
    let samples: Vec<u8> = (0..24).collect();
    for index in 0..3 {
        let date = format!("DATE-OBS= '2021-08-20T00:30:0{index}.5'");
        let exposure = format!("EXPTIME = {:>20}", if index == 2 { 0.02 } else { 0.01 });
        save(&folder.path().join(format!("{index}.fits")), 8, &[6, 4], &[&date, &exposure], &samples);
    }
    let clip = open("decode.auto", folder.path()).expect("opens");
    assert_eq!((clip.info().times, &*clip.info().time_s), (TimesOrigin::Stamps, [0.0, 1.0, 2.0].as_slice()));
    assert_eq!(clip.info().exposure_s, None);
    let warnings = warnings("decode.auto", folder.path());
    assert!(warnings.iter().any(|n| n.contains("0.01 s at first, 0.02 s at frame 2")), "{warnings:?}");
}

#[test]
fn the_time_of_a_fits_picture_is_read_however_it_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.fits");
    let samples: Vec<u8> = (0..24).collect();
    // 2021-08-20T00:30:00Z is 1629419400 s after 1970 (Python datetime); its MJD 59446.0208333... (astropy.time).
    const DAY: i64 = 1_629_419_400_000_000_000;
    let day = Some(DAY);
    let later = |s: f64| Some(DAY + (s * 1e9) as i64);
    let cases: [(&[&str], Option<i64>); 9] = [
        (&["DATE-OBS= '2021-08-20T00:30:00'"], day),
        (&["DATE-OBS= '2021-08-20T00:30:00Z'"], day),
        (&["DATE-OBS= '2021-08-20T00:30:05'", "DATE-BEG= '2021-08-20T00:30:00'"], day),
        (&["DATE-OBS= '2021-08-20'", "TIME-OBS= '00:30:00.5'"], later(0.5)),
        (&["DATE-OBS= '2021-08-20'"], None),
        (&["DATE-OBS= '20/08/21'"], None),
        // Terrestrial time is 69.184 s ahead of UTC since 2017 (IERS Bulletin C; 32.184 s + 37 leap seconds).
        (&["DATE-OBS= '2021-08-20T00:31:09.184'", "TIMESYS = 'TT      '"], day),
        // A picture of several frames shows the middle of its exposures.
        (
            &["DATE-OBS= '2021-08-20T00:29:00'", "DATE-AVG= '2021-08-20T00:30:00'", "NCOMBINE=                   50"],
            day,
        ),
        (&["DATE-OBS= '2021-08-20T00:30:00'", "DATE-AVG= '2021-08-20T00:31:00'"], day),
    ];
    for (cards, wanted) in cases {
        let clip = save(&path, 8, &[6, 4], cards, &samples);
        assert_eq!(clip.info().start_unix_ns, wanted, "{cards:?}");
        let said = clip.info().notes.iter().any(|n| n.contains("no time of day"));
        assert_eq!(said, wanted.is_none(), "{cards:?}: {:?}", clip.info().notes);
    }
    let clip = save(&path, 8, &[6, 4], &["MJD-OBS =     59446.020833333335"], &samples);
    assert!((clip.info().start_unix_ns.expect("a time") - DAY).abs() < 1_000_000);
}

#[test]
fn folders_that_are_no_sequence_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    assert!(refusal("decode.auto", folder.path()).contains("holds no pictures"));
    std::fs::copy(good("u16.tif"), folder.path().join("1.tif")).expect("copied");
    std::fs::copy(good("u16.png"), folder.path().join("2.png")).expect("copied");
    assert!(refusal("decode.auto", folder.path()).contains("several formats"));
    std::fs::remove_file(folder.path().join("2.png")).expect("removed");
    std::fs::copy(good("rgb16.tif"), folder.path().join("2.tif")).expect("copied");
    assert!(refusal("decode.auto", folder.path()).contains("with 3 planes"));
    std::fs::copy(good("u8.tif"), folder.path().join("2.tif")).expect("copied");
    let clip = open("decode.auto", folder.path()).expect("opens");
    std::fs::remove_file(folder.path().join("2.tif")).expect("removed");
    let words = clip.read(1, clip.info().region(), &mut Vec::new(), &mut Frame::empty()).expect_err("gone").to_string();
    assert!(words.contains("frame 1") && words.contains("2.tif"), "{words}");
}

#[test]
fn a_mosaic_in_grey_pictures_is_found_and_holds_for_all_of_them() {
    let folder = tempfile::tempdir().expect("a folder");
    let colour = [200u32, 150, 60];
    let samples: Vec<u8> = (0..64 * 48usize)
        .map(|i| {
            let (x, y) = (i % 64, i / 64);
            let inside = (x as f64 - 31.4).hypot(y as f64 - 23.7) < 18.0;
            let level = if inside { colour[Pattern::Grbg.colour_at(x, y)] } else { 5 };
            (level + (i as u32).wrapping_mul(2_654_435_761) % 7) as u8
        })
        .collect();
    for index in 0..3 {
        save(&folder.path().join(format!("{index}.fits")), 8, &[64, 48], &[], &samples);
    }
    let clip = open("decode.auto", folder.path()).expect("opens");
    assert_eq!(clip.info().layout, Layout::Mosaic(Pattern::Grbg));
    assert!(clip.info().notes.iter().any(|n| n.contains("GRBG fits")), "{:?}", clip.info().notes);
    let mut frame = Frame::empty();
    clip.read(2, Region { x: 1, y: 0, width: 4, height: 4 }, &mut Vec::new(), &mut frame).expect("read");
    assert_eq!(frame.layout, Layout::Mosaic(Pattern::Rggb));
}
