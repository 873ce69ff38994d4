//! What stands in the files that are written.

use std::io::Cursor;
use std::sync::Arc;

use crate::common::{PROVENANCE, clip, picture, sink, text, write, write_clip, write_image};
use stillair_api::contract::breaches;
use stillair_api::testing::TestContext;
use stillair_api::{Bound, ColumnSpec, Facts, FaultKind, Image, Layout, ParameterValue, Pattern, Table, Value};

/// IEC 61966-2-1 in double precision, to 16 bits.
fn srgb_16(light: f32) -> u16 {
    let light = if light.is_finite() { f64::from(light.clamp(0.0, 1.0)) } else { 0.0 };
    let encoded = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
    (encoded * 65_535.0).round() as u16
}

fn interleaved(image: &Image) -> Vec<f32> {
    (0..image.data.len()).map(|i| image.channel(i % image.channels)[i / image.channels]).collect()
}

fn read_png(bytes: &[u8]) -> (png::Info<'static>, Vec<u16>) {
    let mut reader = png::Decoder::new(Cursor::new(bytes)).read_info().expect("a PNG");
    let mut samples = vec![0; reader.output_buffer_size().expect("a size")];
    reader.next_frame(&mut samples).expect("pixels");
    reader.finish().expect("whole");
    let values = samples.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect();
    (reader.info().clone(), values)
}

#[test]
fn a_png_holds_16_bits_on_the_srgb_curve_and_its_provenance() {
    for channels in [1, 3] {
        let image = picture(37, 21, channels);
        let (info, values) = read_png(&write_image("write.png", &[], &image));
        assert_eq!((info.width, info.height, info.bit_depth), (37, 21, png::BitDepth::Sixteen));
        assert!(info.srgb.is_some());
        let said = info.utf8_text.first().expect("a text");
        assert_eq!((said.keyword.as_str(), said.get_text().expect("text").as_str()), ("Description", PROVENANCE));
        for (found, light) in values.iter().zip(interleaved(&image)) {
            let wanted = srgb_16(light);
            assert!(found.abs_diff(wanted) <= 1, "{light} is {found}, not {wanted}");
        }
        let exact = values.iter().zip(interleaved(&image)).filter(|(v, l)| **v == srgb_16(*l)).count();
        assert!(exact * 100 >= values.len() * 98, "{exact} of {} are exact", values.len());
    }
}

#[test]
fn a_linear_png_is_linear_and_says_so() {
    let image = picture(10, 10, 1);
    let (info, values) = read_png(&write_image("write.png", &[("transfer", text("linear"))], &image));
    assert_eq!((values[50], values[1], values[2], values[0]), ((image.data[50] * 65_535.0).round() as u16, 0, 0, 0));
    assert_eq!(info.gama_chunk.map(png::ScaledFloat::into_value), Some(1.0));
}

#[test]
fn a_float_tiff_keeps_every_value() {
    for (width, height, channels) in [(37, 21, 1), (37, 21, 3), (300, 301, 3), (70_001, 2, 1)] {
        let image = picture(width, height, channels);
        let bytes = write_image("write.tiff", &[], &image);
        let mut reader = tiff::decoder::Decoder::new(Cursor::new(&bytes)).expect("a TIFF");
        assert_eq!(reader.dimensions().expect("a size"), (width as u32, height as u32));
        let said = reader.get_tag_ascii_string(tiff::tags::Tag::ImageDescription).expect("a text");
        assert_eq!(said, PROVENANCE.replace('é', "\\u00e9"));
        let tiff::decoder::DecodingResult::F32(values) = reader.read_image().expect("pixels") else { panic!("float") };
        let bits = |values: &[f32]| values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        assert_eq!(bits(&values), bits(&interleaved(&image)));
    }
}

#[test]
fn a_16_bit_tiff_is_clamped_and_linear() {
    let image = picture(37, 21, 3);
    let bytes = write_image("write.tiff", &[("samples", text("uint16"))], &image);
    let mut reader = tiff::decoder::Decoder::new(Cursor::new(&bytes)).expect("a TIFF");
    let tiff::decoder::DecodingResult::U16(values) = reader.read_image().expect("pixels") else { panic!("16 bits") };
    for (found, light) in values.iter().zip(interleaved(&image)) {
        let wanted = if light.is_finite() { (light.clamp(0.0, 1.0) * 65_535.0).round() as u16 } else { 0 };
        assert_eq!(*found, wanted);
    }
}

#[test]
fn a_jpeg_has_its_markers_comment_and_quality() {
    let image = picture(64, 48, 3);
    let small = write_image("write.jpeg", &[("quality", ParameterValue::Integer(20))], &image);
    let large = write_image("write.jpeg", &[], &image);
    assert!(small.len() < large.len());
    assert_eq!(large[..4], [0xff, 0xd8, 0xff, 0xfe]);
    let length = usize::from(u16::from_be_bytes([large[4], large[5]]));
    assert_eq!(&large[6..4 + length], PROVENANCE.as_bytes());
    assert_eq!(large[4 + length], 0xff);
    assert_eq!(large[large.len() - 2..], [0xff, 0xd9]);
}

#[test]
fn a_fits_picture_has_whole_blocks_its_values_and_its_facts() {
    for channels in [1, 3] {
        let image = picture(37, 21, channels);
        let bytes = write_image("write.fits", &[], &image);
        // FITS Standard 4.0: blocks of 2880 bytes, cards of 80, mandatory keywords first and in this order.
        assert_eq!(bytes.len() % 2880, 0);
        let header = bytes.chunks_exact(80).take_while(|card| !card.starts_with(b"END "));
        let cards: Vec<String> = header.map(|card| String::from_utf8(card.into()).expect("ASCII")).collect();
        let keys: Vec<&str> = cards.iter().map(|c| c[..8].trim_end()).collect();
        let axes: &[&str] = if channels == 3 { &["NAXIS1", "NAXIS2", "NAXIS3"] } else { &["NAXIS1", "NAXIS2"] };
        assert_eq!(keys[..3], ["SIMPLE", "BITPIX", "NAXIS"]);
        assert_eq!(keys[3..3 + axes.len()], *axes);
        let end = cards.len();
        let value = |key: &str| cards[keys.iter().position(|k| *k == key).expect(key)][10..].to_owned();
        // 2021-08-20T00:30:00Z is 1629419400 s after 1970 (Python datetime). FITS Standard 4.0, 9.5.
        for (key, date) in [
            ("DATE-OBS", "'2021-08-20T00:29:00.005'"),
            ("DATE-BEG", "'2021-08-20T00:29:00.005'"),
            ("DATE-AVG", "'2021-08-20T00:30:00.005'"),
            ("DATE-END", "'2021-08-20T00:31:05.255'"),
            ("TIMESYS", "'UTC     '"),
        ] {
            assert!(value(key).starts_with(date), "{key}: {}", value(key));
        }
        assert_eq!(value("TELAPSE")[..20].trim(), "1.2525E2");
        for key in ["EXPTIME", "XPOSURE"] {
            assert_eq!(value(key)[..20].trim(), "1.25E1");
        }
        assert_eq!(value("CRPIX1")[..20].trim(), "1.15E1");
        let history: String = cards[..end]
            .iter()
            .filter(|c| c.starts_with("HISTORY"))
            .map(|c| c[8..].trim_end())
            .collect::<Vec<_>>()
            .join(" ");
        assert!(history.contains("longer than one card") && history.starts_with("stack.mean "), "{history}");
        let data = &bytes[((end + 1) * 80usize).next_multiple_of(2880)..];
        let values = data.as_chunks::<4>().0.iter().map(|b| u32::from_be_bytes(*b));
        assert!(values.zip(&image.data).all(|(found, wanted)| found == wanted.to_bits()));
        assert_eq!(data.len(), (image.data.len() * 4).next_multiple_of(2880));
    }
}

/// The samples of a frame of a SER file of one byte a sample.
fn ser_frame(bytes: &[u8], frame_bytes: usize, frame: usize) -> &[u8] {
    &bytes[178 + frame * frame_bytes..178 + (frame + 1) * frame_bytes]
}

#[test]
fn a_clip_is_written_with_header_frames_and_times() {
    let layout = Layout::Mosaic(Pattern::Gbrg);
    let bytes = write_clip(layout, &[], &clip(layout, 3), &[]);
    let word = |at: usize| i32::from_le_bytes(bytes[at..at + 4].try_into().expect("four"));
    // Offsets of the published layout: colour id, byte order, width, height, bits, frames.
    assert_eq!([18, 22, 26, 30, 34, 38].map(word), [10, 0, 10, 8, 8, 3]);
    assert_eq!(bytes.len(), 178 + 3 * 80 + 3 * 8);
    // The first of three texts of 40 bytes: 72 bits of the recipe's hash.
    let maker = format!("Stillair {} recipe 0123456789abcdef01", env!("CARGO_PKG_VERSION"));
    assert_eq!(&bytes[42..82], maker.as_bytes());
    for frame in 0..3 {
        let wanted: Vec<u8> = (0..80).map(|i| (i + frame) as u8).collect();
        assert_eq!(ser_frame(&bytes, 80, frame), wanted);
    }
    // 1.9e9 s after 1970 in ticks since the year 1, then 10 ms a frame.
    let ticks: Vec<i64> = bytes[178 + 240..].as_chunks::<8>().0.iter().map(|b| i64::from_le_bytes(*b)).collect();
    assert_eq!(ticks, [0, 100_000, 200_000].map(|t| 621_355_968_000_000_000 + 19_000_000_000_000_000 + t));
    let wide = write_clip(Layout::Rgb, &[("bits", text("16"))], &clip(Layout::Rgb, 1), &[]);
    assert_eq!((wide[18], wide[22], wide[34], wide.len()), (100, 1, 16, 178 + 80 * 6 + 8));
    // The second pixel's red, green, blue: 1, 41 and 81 of 255, in 16 bits.
    assert_eq!(wide[178 + 6..178 + 12], [1u16, 41, 81].map(|v| (v * 257).to_le_bytes()).concat());
}

#[test]
fn a_motion_steadies_the_clip_by_whole_pixels() {
    // The window moves by (2, 4) px a frame, the target by (1, 4.4): in the window it moves by (-1, 0.4).
    let frames = clip(Layout::Mono, 3);
    let bytes = write_clip(Layout::Mono, &[], &frames, &[[25.0, 33.0], [26.0, 37.4], [27.0, 41.8]]);
    for (frame, [dx, dy]) in [[0i64, 0], [-1, 0], [-2, 1]].into_iter().enumerate() {
        let wanted: Vec<u8> = (0..80)
            .map(|i| {
                let (x, y) = (i % 10 + dx, i / 10 + dy);
                if (0..10).contains(&x) && (0..8).contains(&y) { (x + 10 * y + frame as i64) as u8 } else { 0 }
            })
            .collect();
        assert_eq!(ser_frame(&bytes, 80, frame), wanted, "frame {frame}");
    }
    let lost = write_clip(Layout::Mono, &[], &frames, &[[25.0, 33.0], [f64::NAN, 0.0], [27.0, 41.0]]);
    assert_eq!(lost[38], 2, "a frame without a place is left out");
    let layout = Layout::Mosaic(Pattern::Rggb);
    let even = write_clip(layout, &[], &clip(layout, 2), &[[25.0, 33.0], [25.6, 37.2]]);
    assert_eq!(
        ser_frame(&even, 80, 1)[..4],
        [0, 0, 1, 2],
        "behind a mosaic the shift is even: 2 px left of the window"
    );
}

#[test]
fn a_table_is_written_as_rfc_4180_says() {
    let mut table = Table::for_frames(&[0.0, 0.1, f64::NAN], Some(0.01));
    table.push(ColumnSpec::number("x_px", "px", "column"), vec![12.5, f64::NAN, -1e-9]);
    let reasons = ColumnSpec::category("reason", &["", "cut off, \"half\"", "cloud"], "why");
    table.push(reasons, vec![1.0, 2.0, f64::NAN]);
    let bytes = write("write.csv", &[], "table", Value::Table(Arc::new(table))).expect("written");
    let (first, bytes) = (bytes.split(|b| *b == b'\n').next().expect("a line").to_vec(), bytes);
    assert_eq!(String::from_utf8(first.clone()).expect("text"), format!("# {PROVENANCE}\r"));
    let bytes = bytes[first.len() + 1..].to_vec();
    let wanted = "index,time_s,exposure_s,x_px,reason\r\n\
                  0,0,0.01,12.5,\"cut off, \"\"half\"\"\"\r\n\
                  1,0.1,0.01,,cloud\r\n\
                  2,,0.01,-0.000000001,\r\n";
    assert_eq!(String::from_utf8(bytes).expect("text"), wanted);
}

#[test]
fn the_same_values_give_the_same_bytes() {
    let image = picture(100, 80, 3);
    for method in ["write.png", "write.tiff", "write.jpeg"] {
        assert_eq!(write_image(method, &[], &image), write_image(method, &[], &image));
    }
}

#[test]
fn what_cannot_be_written_is_refused() {
    for method in ["write.png", "write.tiff", "write.jpeg"] {
        let empty = Value::Image(Arc::new(Image::new(0, 5, 1)));
        let fault = write(method, &[], "image", empty).expect_err("refused");
        assert!(fault.to_string().contains("no pixels"), "{fault}");
        let fault = sink(method, &[("name", text("../picture"))]).err().expect("refused");
        assert!(fault.to_string().contains("not a plain file name"), "{fault}");
    }
    let wide = Value::Image(Arc::new(Image::new(70_000, 1, 1)));
    let fault = write("write.jpeg", &[], "image", wide).expect_err("refused");
    assert!(fault.to_string().contains("at most 65535 px"), "{fault}");
}

#[test]
fn every_method_keeps_to_its_contract() {
    for method in stillair_write::plugin().methods {
        let description = method.describe();
        assert_eq!(breaches(&description), Vec::<String>::new());
        assert!(!description.help.is_empty() && !description.source.is_empty() && !description.extension.is_empty());
        assert!(method.create(&description.defaults(), &Facts::default()).is_ok());
    }
}

/// A disk that is full after so many bytes.
struct Full {
    file: Cursor<Vec<u8>>,
    left: usize,
}

impl std::io::Write for Full {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if self.left == 0 {
            return Err(std::io::ErrorKind::StorageFull.into());
        }
        let fits = bytes.len().min(self.left);
        self.left -= fits;
        self.file.write(&bytes[..fits])
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl std::io::Seek for Full {
    fn seek(&mut self, to: std::io::SeekFrom) -> std::io::Result<u64> {
        self.file.seek(to)
    }
}

#[test]
fn a_disk_that_fills_up_is_said_wherever_it_happens() {
    let context = TestContext::default();
    let image = Value::Image(Arc::new(picture(100, 80, 3)));
    let table = Value::Table(Arc::new(Table::for_frames(&[0.5; 3000], None)));
    for (method, port, value) in [
        ("write.png", "image", &image),
        ("write.tiff", "image", &image),
        ("write.fits", "image", &image),
        ("write.jpeg", "image", &image),
        ("write.csv", "table", &table),
    ] {
        let bound = Bound::default().with(port, value.clone());
        let whole = write(method, &[], port, value.clone()).expect("written").len();
        for left in [0, 3, whole / 2, whole - 200] {
            let mut run = sink(method, &[]).and_then(|s| s.start(&context, &bound, None)).expect("started");
            let mut disk = Full { file: Cursor::new(Vec::new()), left };
            let result = run.begin(&context, &mut disk).and_then(|()| run.end(&context, &mut disk));
            let fault = result.expect_err("the disk is full");
            assert_eq!(fault.kind, FaultKind::Resource, "{method} with {left} bytes left: {fault}");
            assert!(fault.to_string().contains("free some space"), "{method} with {left} bytes left: {fault}");
        }
    }
}
