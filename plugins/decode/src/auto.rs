//! `decode.auto`: looks at what a file holds, not at its name, and hands it to the reader of that format.
//!
//! The first bytes decide: each format opens with its own signature. Sources: the formats' own specifications.

use std::path::{Path, PathBuf};

use stillair_api::{
    Context, Description, Facts, Fault, FaultKind, FrameReader, Method, Node, Outcome, Parameters, PortType, Shape,
    Source,
};

use crate::file::ClipFile;
use crate::fits::is_fits;
use crate::options::{Options, describe};
use crate::picture::{PictureFormat, is_png, is_tiff};
use crate::sequence::{KINDS, Kind, open_path};

/// `decode.auto`.
pub struct Auto;

impl Method for Auto {
    fn describe(&self) -> Description {
        describe(
            Description::new("decode.auto", Shape::Source, "reads a clip, picking the reader by the file's content")
                .help(
                    "Looks at the first bytes of the file and hands it to the reader of that format: SER, AVI, FITS, TIFF, PNG; \
                     what is none of these goes to ffmpeg, if it is installed. The extension is not believed. A folder is read \
                     as a sequence of the pictures in it.",
                )
                .source("signatures as the formats' specifications give them")
                .contract("decode")
                .output("frames", PortType::Frames, "the clip"),
        )
    }

    fn create(&self, parameters: &Parameters, facts: &Facts) -> Outcome<Node> {
        Ok(Node::Source(Box::new(AutoSource { options: Options::read(parameters, facts)? })))
    }
}

struct AutoSource {
    options: Options,
}

impl Source for AutoSource {
    fn open(&self, context: &dyn Context, paths: &[PathBuf]) -> Outcome<Box<dyn FrameReader>> {
        let path = single(paths)?;
        if path.is_dir() {
            return open_path(context, path, KINDS, &self.options);
        }
        let file = ClipFile::open(path)?;
        let head = file.read_upto(0, 64)?;
        if head.starts_with(&crate::ser::SIGNATURE) {
            return Ok(Box::new(crate::ser::open(context, file, &self.options)?));
        }
        if crate::avi::is_avi(&head) {
            return match crate::avi::open(file, &self.options) {
                // A compressed one is left to ffmpeg; where that fails, the plain reader's words say more.
                Err(fault) if fault.kind == FaultKind::Request => {
                    crate::ffmpeg::open(context, path, &self.options).map_err(|_| fault)
                }
                other => other,
            };
        }
        for (fits, kind) in [
            (is_fits(&head), Kind::Fits),
            (is_tiff(&head), Kind::Picture(PictureFormat::Tiff)),
            (is_png(&head), Kind::Picture(PictureFormat::Png)),
        ] {
            if fits {
                return kind.open_alone(path, &self.options);
            }
        }
        match (crate::ffmpeg::open(context, path, &self.options), foreign(&head)) {
            (Err(fault), Some(what)) if fault.kind == FaultKind::Request => {
                Err(Fault::request(format!("{}: this is not a clip that can be read: it is {what}", path.display()))
                    .remedy("give a clip (SER, AVI, FITS, or a video with ffmpeg installed) or a folder of pictures"))
            }
            (result, _) => result,
        }
    }
}

/// The one path of a reader of files.
pub(crate) fn single(paths: &[PathBuf]) -> Outcome<&Path> {
    match paths {
        [path] => Ok(path),
        _ => Err(Fault::request(format!("a reader takes one file or folder, not {}", paths.len()))),
    }
}

/// What a file that is no clip is, in words, by its first bytes.
pub(crate) fn foreign(head: &[u8]) -> Option<&'static str> {
    const KNOWN: &[(&[u8], &str)] = &[
        (b"\x89PNG\r\n\x1a\n", "a PNG picture"),
        (b"\xff\xd8\xff", "a JPEG picture"),
        (b"II*\0", "a TIFF picture"),
        (b"MM\0*", "a TIFF picture"),
        (b"SIMPLE  =", "a FITS file"),
        (b"GIF8", "a GIF picture"),
        (b"PK\x03\x04", "a ZIP archive"),
        (b"\x1f\x8b", "a gzip archive"),
        (b"schema", "a text"),
        (b"<!DOCTYPE", "a web page"),
    ];
    KNOWN.iter().find(|(signature, _)| head.starts_with(signature)).map(|(_, what)| *what)
}
