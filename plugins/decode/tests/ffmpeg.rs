//! Clips through the installed ffmpeg. Where it is not installed, the test holds the reader to saying so.

use std::process::Command;

use crate::common::{assert_close, formula, good, open, refusal, region, stored};
use stillair_api::{Layout, Region, TimesOrigin};

fn installed() -> bool {
    ["ffmpeg", "ffprobe"].iter().all(|program| Command::new(program).arg("-version").output().is_ok())
}

#[test]
fn clips_come_through_ffmpeg_with_their_pixels_and_times() {
    if !installed() {
        assert!(refusal("decode.ffmpeg", &good("ffmpeg_bgr24.avi")).contains("which is not installed"));
        return;
    }
    for (name, layout, content) in [
        ("ffmpeg_bgr24.avi", Layout::Rgb, "rgb8"),
        ("ffmpeg_y800.avi", Layout::Mono, "mono8"),
        ("rgb16.ser", Layout::Rgb, "rgb16"),
    ] {
        let clip = open("decode.ffmpeg", &good(name)).expect(name);
        let info = clip.info();
        assert_eq!((info.frames, info.width, info.height, info.layout), (3, 6, 4, layout), "{name}");
        for frame in [0, 2, 1] {
            assert_close(&stored(&*clip, frame), &formula(content, frame), name);
        }
        let planes = layout.planes();
        let row = formula(content, 1)[(6 + 1) * planes..(6 + 4) * planes].to_vec();
        assert_close(&region(&*clip, 1, Region { x: 1, y: 1, width: 3, height: 1 }), &row, name);
        assert!(info.notes.iter().any(|n| n.contains("decoded by ffmpeg")), "{:?}", info.notes);
    }
    let clip = open("decode.ffmpeg", &good("ffmpeg_bgr24.avi")).expect("opens");
    assert_eq!(clip.info().times, TimesOrigin::Stamps);
    assert!(clip.info().time_s[1] > 0.0 && (clip.info().time_s[2] - 2.0 * clip.info().time_s[1]).abs() < 1e-4);
}

#[test]
fn a_compressed_clip_goes_to_ffmpeg_by_itself() {
    if !installed() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    for (name, codec) in [("clip.mkv", "ffv1"), ("clip.avi", "mjpeg"), ("clip.mp4", "mpeg4")] {
        let path = folder.path().join(name);
        let made = Command::new("ffmpeg")
            .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=size=64x48:rate=25:duration=0.4", "-c:v", codec])
            .arg(&path)
            .status()
            .expect("ffmpeg runs");
        assert!(made.success());
        let clip = open("decode.auto", &path).expect(name);
        assert_eq!((clip.info().frames, clip.info().width, clip.info().layout), (10, 64, Layout::Rgb), "{name}");
        let (first, last) = (stored(&*clip, 0), stored(&*clip, 9));
        assert!(first != last && first.iter().any(|v| *v > 200.0), "{name}");
        assert!((clip.info().time_s[9] - 0.36).abs() < 1e-3, "{name}: {:?}", clip.info().time_s);
    }
}

#[test]
fn no_file_name_means_anything_to_the_programs() {
    if !installed() {
        return;
    }
    // An absolute path is what a host hands over; what the names would mean as arguments or addresses is in ffmpeg's
    // documentation (options, image sequences, protocols).
    let folder = tempfile::tempdir().expect("a folder");
    let names = [
        "-i.mkv",
        "-version",
        "%03d.mkv",
        "concat:a|b.mkv",
        "http:evil.mkv",
        "pipe:0",
        "a;touch hacked.mkv",
        "$(touch hacked).mkv",
        "`touch hacked`.mkv",
        "line\nbreak.mkv",
        "file:x.mkv",
    ];
    let sound = folder.path().join("sound.mkv");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=size=32x24:rate=25:duration=0.2", "-c:v", "ffv1"])
        .arg(&sound)
        .status()
        .expect("ffmpeg runs");
    assert!(made.success());
    for name in names {
        let path = folder.path().join(name);
        std::fs::copy(&sound, &path).expect("copied");
        let clip = open("decode.auto", &path).unwrap_or_else(|fault| panic!("{name}: {fault}"));
        assert_eq!((clip.info().frames, clip.info().width), (5, 32), "{name}");
        assert_eq!(stored(&*clip, 4).len(), 32 * 24 * 3, "{name}");
    }
    let left = std::fs::read_dir(folder.path()).expect("a folder").count();
    assert_eq!(left, names.len() + 1, "nothing else was made");
}
