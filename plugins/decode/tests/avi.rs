//! AVI clips: good ones give the pixels of their formula (tests/data/SOURCE.md), broken ones the right words.

use std::io::{Seek, SeekFrom, Write};

use crate::common::{assert_close, broken, formula, good, open, open_with, refusal, region, stored, text};
use stillair_api::{Facts, Frame, Layout, ParameterValue, Pattern, Region, TimesOrigin};

const GOOD: &[(&str, Layout, &str)] = &[
    ("ffmpeg_bgr24.avi", Layout::Rgb, "rgb8"),
    ("ffmpeg_y800.avi", Layout::Mono, "mono8"),
    ("own_rgb24_bottom_up.avi", Layout::Rgb, "rgb8"),
    ("own_rgb24_top_down.avi", Layout::Rgb, "rgb8"),
    ("own_gray8_palette.avi", Layout::Mono, "mono8"),
    ("own_y800_no_index.avi", Layout::Mono, "mono8"),
];

#[test]
fn every_good_clip_gives_its_pixels() {
    for method in ["decode.avi", "decode.auto"] {
        for (name, layout, content) in GOOD {
            let clip = open(method, &good(name)).expect(name);
            let info = clip.info();
            assert_eq!((info.frames, info.width, info.height, info.layout), (3, 6, 4, *layout), "{name}");
            assert_eq!(info.times, TimesOrigin::Rate, "{name}");
            assert_eq!(info.time_s[0], 0.0);
            for frame in [2, 0, 1] {
                assert_close(&stored(&*clip, frame), &formula(content, frame), &format!("{name} frame {frame}"));
            }
            let planes = layout.planes();
            let wanted: Vec<f64> = formula(content, 1)[(6 + 2) * planes..(6 + 5) * planes].to_vec();
            assert_close(&region(&*clip, 1, Region { x: 2, y: 1, width: 3, height: 1 }), &wanted, name);
        }
    }
}

#[test]
fn luma_and_chroma_become_rgb_by_bt_601() {
    // Row 0 of frame 0 by the limited-range matrix, clamped and rounded (ffmpeg_yuy2.avi holds Y 16, 36, 56, ...).
    let wanted = [[35, 0, 0], [58, 16, 0], [69, 42, 10], [92, 66, 34], [103, 91, 77], [126, 115, 100]];
    let clip = open("decode.auto", &good("ffmpeg_yuy2.avi")).expect("opens");
    assert_eq!((clip.info().frames, clip.info().layout), (3, Layout::Rgb));
    let row = region(&*clip, 0, Region { x: 0, y: 0, width: 6, height: 1 });
    for (found, wanted) in row.iter().zip(wanted.as_flattened()) {
        assert_eq!(found.clamp(0.0, 255.0).round(), f64::from(*wanted));
    }
    let part = region(&*clip, 0, Region { x: 3, y: 0, width: 2, height: 1 });
    assert_close(&part, &row[9..15], "a window that begins within a pair");
}

/// An AVI file of one video stream with the given format and frames.
fn avi(bits: u16, compression: &[u8; 4], width: i32, height: i32, palette: &[u8], frames: &[Vec<u8>]) -> Vec<u8> {
    let chunk = |id: &[u8; 4], body: &[u8]| {
        let mut all = [id.as_slice(), &(body.len() as u32).to_le_bytes(), body].concat();
        all.resize(all.len().next_multiple_of(2), 0);
        all
    };
    let list = |kind: &[u8; 4], body: &[u8]| chunk(b"LIST", &[kind.as_slice(), body].concat());
    let words = |all: &[u32]| all.iter().flat_map(|w| w.to_le_bytes()).collect::<Vec<u8>>();
    let avih = words(&[40_000, 0, 0, 0, frames.len() as u32, 0, 1, 0, width as u32, height as u32, 0, 0, 0, 0]);
    let strh =
        [b"vids".to_vec(), compression.to_vec(), words(&[0, 0, 0, 1, 25, 0, frames.len() as u32, 0, 0, 0])].concat();
    let planes_and_bits = (u32::from(bits) << 16) | 1;
    let strf = [
        words(&[40, width as u32, height as u32, planes_and_bits]),
        compression.to_vec(),
        words(&[0, 0, 0, palette.len() as u32 / 4, 0]),
        palette.to_vec(),
    ]
    .concat();
    let strl = list(b"strl", &[chunk(b"strh", &strh), chunk(b"strf", &strf)].concat());
    let hdrl = list(b"hdrl", &[chunk(b"avih", &avih), strl].concat());
    let movi = list(b"movi", &frames.iter().flat_map(|f| chunk(b"00db", f)).collect::<Vec<u8>>());
    chunk(b"RIFF", &[b"AVI ".to_vec(), hdrl, movi].concat())
}

fn saved(bytes: &[u8]) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::new().expect("a file");
    file.write_all(bytes).expect("written");
    file
}

#[test]
fn odd_widths_paddings_and_pixel_formats_are_read() {
    // 5x3 pixels; rows of 32-bit BGR need no padding, 24-bit ones 1 byte, grey ones 3.
    let pixel = |x: usize, y: usize| [(40 * x + y) as u8, (70 * y + x) as u8, (250 - 9 * x - y) as u8];
    let wanted: Vec<f64> = (0..15).flat_map(|i| pixel(i % 5, i / 5).map(f64::from)).collect();
    for (bits, height, step, padding) in [(32, 3, 4, 0), (32, -3, 4, 0), (24, 3, 3, 1), (24, -3, 3, 1), (24, -3, 3, 0)]
    {
        let mut frame = Vec::new();
        for row in 0..3 {
            for x in 0..5 {
                let [r, g, b] = pixel(x, if height > 0 { 2 - row } else { row });
                frame.extend(&[b, g, r, 77][..step]);
            }
            frame.resize(frame.len() + padding, 99);
        }
        let file = saved(&avi(bits, &[0; 4], 5, height, &[], &[frame]));
        let clip = open("decode.auto", file.path()).expect("opens");
        assert_close(&stored(&*clip, 0), &wanted, &format!("{bits} bits, height {height}, {padding} bytes of padding"));
    }
    let grey: Vec<f64> = (0..15).map(|i| f64::from(pixel(i % 5, i / 5)[0])).collect();
    for (compression, padding) in [(b"Y800", 0), (b"GREY", 3), (b"Y8  ", 3)] {
        let rows = (0..3).flat_map(|y| (0..5 + padding).map(move |x| if x < 5 { pixel(x, y)[0] } else { 1 }));
        let file = saved(&avi(8, compression, 5, 3, &[], &[rows.collect()]));
        assert_close(&stored(&*open("decode.auto", file.path()).expect("opens"), 0), &grey, "grey");
    }
}

#[test]
fn all_orders_of_luma_and_chroma_give_one_picture() {
    // 5x3 pixels with chroma that is constant, so that its repetition does not matter.
    let luma = |x: usize, y: usize| (16 + 12 * x + 40 * y) as u8;
    let (u, v) = (90u8, 170u8);
    let packed = |order: [usize; 4]| -> Vec<u8> {
        (0..9)
            .flat_map(|i| {
                let (x, y) = (i % 3 * 2, i / 3);
                let all = [luma(x, y), u, luma(x + 1, y), v];
                order.map(|k| all[k])
            })
            .collect()
    };
    let plane: Vec<u8> = (0..15).map(|i| luma(i % 5, i / 5)).collect();
    let planar = |first: u8, second: u8| [plane.clone(), vec![first; 6], vec![second; 6]].concat();
    let kinds: [(&[u8; 4], Vec<u8>); 5] = [
        (b"YUY2", packed([0, 1, 2, 3])),
        (b"UYVY", packed([1, 0, 3, 2])),
        (b"I420", planar(u, v)),
        (b"YV12", planar(v, u)),
        (b"NV12", [plane.clone(), [u, v].repeat(6)].concat()),
    ];
    // ITU-R BT.601, limited range, in double precision.
    let wanted: Vec<f64> = (0..15)
        .flat_map(|i| {
            let y = 1.164_383 * (f64::from(luma(i % 5, i / 5)) - 16.0);
            let (u, v) = (f64::from(u) - 128.0, f64::from(v) - 128.0);
            [y + 1.596_027 * v, y - 0.391_762 * u - 0.812_968 * v, y + 2.017_232 * u]
        })
        .collect();
    for (compression, frame) in kinds {
        let file = saved(&avi(12, compression, 5, 3, &[], &[frame]));
        let clip = open("decode.auto", file.path()).expect("opens");
        let found = stored(&*clip, 0);
        let close = found.iter().zip(&wanted).all(|(a, b)| (a - b).abs() < 1e-4);
        assert!(close, "{}: {found:?}", compression.escape_ascii());
        let part = region(&*clip, 0, Region { x: 1, y: 1, width: 3, height: 2 });
        let cut: Vec<f64> = (1..3).flat_map(|y| found[(y * 5 + 1) * 3..(y * 5 + 4) * 3].to_vec()).collect();
        assert_close(&part, &cut, "a window that begins within chroma cells");
    }
}

#[test]
fn palettes_are_looked_up() {
    let indices: Vec<u8> = (0..3).flat_map(|y| [y, y + 1, y + 2, 0]).collect();
    let inverted: Vec<u8> = (0..=255u8).flat_map(|i| [255 - i, 255 - i, 255 - i, 0]).collect();
    let file = saved(&avi(8, &[0; 4], 3, -3, &inverted, std::slice::from_ref(&indices)));
    let clip = open("decode.auto", file.path()).expect("opens");
    assert_eq!(clip.info().layout, Layout::Mono);
    let wanted: Vec<f64> = (0..9).map(|i| f64::from(255 - (i / 3 + i % 3))).collect();
    assert_close(&stored(&*clip, 0), &wanted, "inverted grey");
    let coloured: Vec<u8> = (0..=255u8).flat_map(|i| [i, 2 * (i % 100), 255 - i, 0]).collect();
    let file = saved(&avi(8, &[0; 4], 3, 3, &coloured, &[indices]));
    let clip = open("decode.auto", file.path()).expect("opens");
    assert_eq!(clip.info().layout, Layout::Rgb);
    let bottom_up = |i: u32| 2 - i / 3 + i % 3;
    let wanted: Vec<f64> = (0..9).map(bottom_up).flat_map(|v| [255 - v, 2 * v, v]).map(f64::from).collect();
    assert_close(&stored(&*clip, 0), &wanted, "colours");
}

#[test]
fn grey_of_16_bits_is_judged_by_its_bits() {
    let frame: Vec<u8> = (0..400u16).flat_map(|i| ((i * 10) << 4).to_le_bytes()).collect();
    let file = saved(&avi(16, b"Y16 ", 20, 20, &[], &[frame]));
    let clip = open("decode.auto", file.path()).expect("opens");
    // 12 bits, left-aligned: 4095 * 16; the steps of 10 leave one more bit unused.
    assert!(clip.info().notes.iter().any(|n| n.contains("left-aligned")), "{:?}", clip.info().notes);
    assert_close(&stored(&*clip, 0)[..3], &[0.0, 160.0, 320.0], "Y16");
}

#[test]
fn a_mosaic_in_a_grey_clip_is_found_and_said() {
    let colour = [200u32, 150, 60];
    let frame: Vec<u8> = (0..64 * 48usize)
        .map(|i| {
            let (x, y) = (i % 64, i / 64);
            let inside = (x as f64 - 31.4).hypot(y as f64 - 23.7) < 18.0;
            let level = if inside { colour[Pattern::Gbrg.colour_at(x, y)] } else { 5 };
            (level + (i as u32).wrapping_mul(2_654_435_761) % 7) as u8
        })
        .collect();
    let file = saved(&avi(8, b"Y800", 64, 48, &[], &[frame]));
    let clip = open("decode.auto", file.path()).expect("opens");
    assert_eq!(clip.info().layout, Layout::Mosaic(Pattern::Gbrg));
    assert!(clip.info().notes.iter().any(|n| n.contains("GBRG fits")), "{:?}", clip.info().notes);
    let forced = open_with("decode.auto", file.path(), &[("pattern", text("mono"))], &Facts::default());
    let forced = forced.expect("opens");
    assert_eq!(forced.info().layout, Layout::Mono);
    assert!(forced.info().notes.iter().any(|n| n.contains("looks like a colour mosaic")));
}

#[test]
fn parts_behind_two_gigabytes_are_read() {
    // A sparse file: a first part with two frames, a huge chunk of nothing, and a further part with one frame.
    let frame = |level: u8| vec![level; 24];
    let first = avi(8, b"Y800", 6, 4, &[], &[frame(1), frame(2)]);
    let mut file = tempfile::NamedTempFile::new().expect("a file");
    let gap = 3_000_000_000u32;
    file.write_all(&first).expect("written");
    file.write_all(b"JUNK").and_then(|()| file.write_all(&gap.to_le_bytes())).expect("written");
    file.seek(SeekFrom::Current(i64::from(gap))).expect("sought");
    file.write_all(b"RIFF\x34\0\0\0AVIXLIST\x24\0\0\0movi00db\x18\0\0\0").expect("written");
    file.write_all(&frame(3)).expect("written");
    let clip = open("decode.auto", file.path()).expect("opens");
    assert_eq!(clip.info().frames, 3);
    for index in 0..3 {
        assert_close(&stored(&*clip, index), &[index as f64 + 1.0; 24], "part");
    }
}

#[test]
fn broken_clips_are_refused_in_words_that_help() {
    for (name, word) in [
        ("avi_empty.avi", "the file is empty"),
        ("avi_truncated_header.avi", "cut short"),
        ("avi_not_avi.avi", "not an AVI clip"),
        ("avi_no_video_stream.avi", "no video stream"),
        ("avi_zero_frames.avi", "no frames"),
        ("avi_huge_dimensions.avi", "1073741824x1073741824"),
        ("avi_unsupported_codec.avi", "H264"),
        ("avi_bad_chunk_size.avi", "cut short before its first whole frame"),
    ] {
        let words = refusal("decode.avi", &broken(name));
        assert!(words.contains(word), "{name}: {words}");
    }
}

#[test]
fn damaged_clips_give_what_is_whole_and_say_so() {
    for (name, frames, word) in [
        ("avi_truncated_movi.avi", 1, "cut short"),
        ("avi_wrong_count.avi", 3, "the headers say 1000 frames, the file holds 3"),
        ("avi_short_chunk.avi", 1, "too short"),
    ] {
        let clip = open("decode.auto", &broken(name)).expect(name);
        assert_eq!((clip.info().frames, clip.info().time_s.len()), (frames, frames), "{name}");
        assert!(clip.info().notes.join("\n").contains(word), "{name}: {:?}", clip.info().notes);
        assert_close(&stored(&*clip, 0), &formula("rgb8", 0), name);
    }
}

#[test]
fn a_file_that_shrinks_names_the_frame() {
    let file = saved(&std::fs::read(good("ffmpeg_yuy2.avi")).expect("read"));
    let clip = open("decode.auto", file.path()).expect("opens");
    let mut frame = Frame::empty();
    file.as_file().set_len(100).expect("cut");
    let words = clip.read(2, clip.info().region(), &mut Vec::new(), &mut frame).expect_err("refused").to_string();
    assert!(words.contains("frame 2") && words.contains("shrank"), "{words}");
}

#[test]
fn the_white_level_can_be_given() {
    let given = [("white_level", ParameterValue::Number(51.0))];
    let clip = open_with("decode.avi", &good("ffmpeg_y800.avi"), &given, &Facts::default()).expect("opens");
    assert_eq!(clip.info().white_level, 51.0);
    assert_close(&stored(&*clip, 0), &formula("mono8", 0), "another white level");
}

#[test]
fn a_wrong_index_is_not_believed() {
    let frame = |level: u8| vec![level; 24];
    let mut file = avi(8, b"Y800", 6, 4, &[], &[frame(1), frame(2), frame(3)]);
    // An index of four words an entry: id, flags, offset, length; all of it wrong, and more entries than frames.
    let entries: Vec<u8> =
        (0..9u32).flat_map(|i| [*b"00db", [16, 0, 0, 0], (i * 7_777_777).to_le_bytes(), [255; 4]]).flatten().collect();
    file.extend([b"idx1".as_slice(), &(entries.len() as u32).to_le_bytes(), &entries].concat());
    let file = saved(&file);
    let clip = open("decode.auto", file.path()).expect("opens");
    assert_eq!(clip.info().frames, 3);
    for index in 0..3 {
        assert_close(&stored(&*clip, index), &[index as f64 + 1.0; 24], "frame");
    }
}

/// OpenDML AVI file format extensions 1.02: a super index in the stream's headers, standard indexes among the frames,
/// the total number of frames in a list `odml`, further parts in lists `AVIX`.
#[test]
fn open_dml_with_its_indexes_is_read() {
    let chunk = |id: &[u8; 4], body: &[u8]| [id.as_slice(), &(body.len() as u32).to_le_bytes(), body].concat();
    let list = |kind: &[u8; 4], body: &[u8]| chunk(b"LIST", &[kind.as_slice(), body].concat());
    let first = avi(8, b"Y800", 6, 4, &[], &[vec![1; 24], vec![2; 24]]);
    // Within the first part: headers up to the list of frames, as they are.
    let movi = first.windows(4).position(|w| w == b"movi").expect("frames") - 8;
    let odml = list(b"odml", &chunk(b"dmlh", &5u32.to_le_bytes()));
    let index = |frames: u32| {
        let head = [[2u8, 0, 0, 1], frames.to_le_bytes(), *b"00db", [0; 4], [0; 4], [0; 4]].concat();
        chunk(b"ix00", &[head, (0..frames * 2).flat_map(u32::to_le_bytes).collect()].concat())
    };
    let frames = |levels: &[u8]| levels.iter().flat_map(|l| chunk(b"00db", &[*l; 24])).collect::<Vec<u8>>();
    let part = |kind: &[u8; 4], body: Vec<u8>| chunk(b"RIFF", &[kind.as_slice(), &body].concat());
    let head = first[12..movi].to_vec();
    let one = [head, odml, list(b"movi", &[frames(&[1, 2]), index(2)].concat())].concat();
    let two = list(b"movi", &[index(2), frames(&[3, 4])].concat());
    let three = list(b"movi", &list(b"rec ", &frames(&[5])));
    let file = saved(&[part(b"AVI ", one), part(b"AVIX", two), part(b"AVIX", three)].concat());
    let clip = open("decode.auto", file.path()).expect("opens");
    assert_eq!(clip.info().frames, 5, "{:?}", clip.info().notes);
    assert!(!clip.info().notes.iter().any(|n| n.contains("headers say")), "{:?}", clip.info().notes);
    for index in 0..5 {
        assert_close(&stored(&*clip, index), &[index as f64 + 1.0; 24], "part");
    }
}
