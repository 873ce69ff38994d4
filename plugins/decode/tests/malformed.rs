//! Every broken file of tests/data gives the kind of error, or the number of whole frames, that it should, in words that
//! say what is wrong; and none of them, however its header lies, costs memory.

use crate::common::{broken, data, open};
use stillair_api::{FaultKind, Frame};

/// What is to come of a file.
enum Outcome {
    /// An error of this kind.
    Refused(FaultKind),
    /// So many frames.
    Kept(usize),
}
use FaultKind::{Data, Request};
use Outcome::{Kept, Refused};

/// File, what is to come of it, and what is said.
const EXPECTED: &[(&str, Outcome, &str)] = &[
    ("avi_bad_chunk_size.avi", Refused(Data), "cut short before its first whole frame"),
    ("avi_empty.avi", Refused(Data), "the file is empty"),
    ("avi_huge_dimensions.avi", Refused(Data), "the largest frame chunk has"),
    ("avi_no_video_stream.avi", Refused(Data), "no video stream"),
    ("avi_not_avi.avi", Refused(Request), "not an AVI clip"),
    ("avi_short_chunk.avi", Kept(1), "too short"),
    ("avi_truncated_header.avi", Refused(Data), "cut short"),
    ("avi_truncated_movi.avi", Kept(1), "cut short"),
    ("avi_unsupported_codec.avi", Refused(Request), "H264"),
    ("avi_wrong_count.avi", Kept(3), "1000 frames, the file holds 3"),
    ("avi_zero_frames.avi", Refused(Data), "no frames"),
    ("fits_bad_bitpix.fits", Refused(Data), "BITPIX is 17"),
    ("fits_huge_axes.fits", Refused(Data), "cut short"),
    ("fits_naxis_0.fits", Refused(Data), "holds no picture"),
    ("fits_no_end.fits", Refused(Data), "no END card"),
    ("fits_not_fits.fits", Refused(Request), "not a FITS file"),
    ("fits_truncated_data.fits", Refused(Data), "the data are cut short"),
    ("fits_truncated_header.fits", Refused(Data), "the header is cut short"),
    ("ser_bad_depth_0.ser", Refused(Data), "0 bits per plane"),
    ("ser_bad_depth_33.ser", Refused(Data), "33 bits per plane"),
    ("ser_bad_magic.ser", Refused(Request), "not a SER clip"),
    ("ser_count_too_big.ser", Kept(3), "cut short"),
    ("ser_count_too_small.ser", Kept(2), "not a list of frame times"),
    ("ser_empty.ser", Refused(Data), "the file is empty"),
    ("ser_extra_bytes.ser", Kept(3), ""),
    ("ser_huge_count.ser", Kept(3), "cut short"),
    ("ser_huge_dimensions.ser", Refused(Data), "larger than the file"),
    ("ser_negative_count.ser", Kept(3), "interrupted"),
    ("ser_negative_width.ser", Refused(Data), "width -6"),
    ("ser_non_utf8_names.ser", Kept(3), ""),
    ("ser_partial_trailer.ser", Kept(3), "cut short"),
    ("ser_truncated_frame.ser", Kept(1), "cut short"),
    ("ser_truncated_header.ser", Refused(Data), "the header is cut"),
    ("ser_unknown_color.ser", Refused(Data), "colour id 42"),
    ("ser_unsorted_timestamps.ser", Kept(3), "backwards"),
    ("ser_zero_count_with_data.ser", Kept(3), "interrupted"),
    ("ser_zero_frames.ser", Refused(Data), "no frames"),
    ("ser_zero_width.ser", Refused(Data), "width 0"),
    ("tiff_bad_magic.tif", Refused(Data), "damaged"),
    ("tiff_big_unknown_kind.tif", Refused(Data), "its tag 0 is of the kind 0"),
    ("tiff_countless_strips.tif", Refused(Data), "promises 6x469762052 px of 39 samples"),
    ("tiff_ifd_beyond_end.tif", Refused(Data), "damaged"),
    ("tiff_truncated.tif", Refused(Data), "damaged"),
];

fn method(name: &str) -> &'static str {
    match name.rsplit('.').next() {
        Some("ser") => "decode.ser",
        Some("avi") => "decode.avi",
        Some("fits") => "decode.fits",
        _ => "decode.tiff",
    }
}

#[test]
fn every_broken_file_gives_its_kind_of_error_and_costs_no_memory() {
    let mut files: Vec<String> = std::fs::read_dir(data("broken"))
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().into_string().expect("a name"))
        .collect();
    files.sort();
    let mut named: Vec<&str> = EXPECTED.iter().map(|(name, ..)| *name).collect();
    named.sort_unstable();
    assert_eq!(files, named, "every file has a line here");
    for (name, expected, words) in EXPECTED {
        match (open(method(name), &broken(name)), expected) {
            (Err(fault), Refused(kind)) => {
                assert_eq!(fault.kind, *kind, "{name}: {fault}");
                assert!(fault.message.contains(words) && fault.message.contains(name), "{name}: {fault}");
                assert!(fault.remedy.is_some(), "{name}: {fault}");
            }
            (Ok(clip), Kept(frames)) => {
                assert_eq!(clip.info().frames, *frames, "{name}");
                assert!(clip.info().notes.join(" ").contains(words), "{name}: {:?}", clip.info().notes);
                for index in 0..*frames {
                    clip.read(index, clip.info().region(), &mut Vec::new(), &mut Frame::empty()).expect(name);
                }
            }
            (Ok(clip), Refused(_)) => panic!("{name} gave {} frames", clip.info().frames),
            (Err(fault), Kept(_)) => panic!("{name} was refused: {fault}"),
        }
    }
    // The most that this process ever held, the test's own included.
    if let Ok(status) = std::fs::read_to_string("/proc/self/status") {
        let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a peak");
        let kib: u64 = peak.split_whitespace().next().and_then(|n| n.parse().ok()).expect("a number");
        assert!(kib * 1024 < 100_000_000, "{kib} KiB were held");
    }
}
