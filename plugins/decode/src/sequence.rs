//! A folder of pictures as a clip: one file a frame, in natural order of their names (`frame-9` before `frame-10`).

use std::path::{Path, PathBuf};
use std::sync::Arc;

use stillair_api::{ClipInfo, Context, Fault, Frame, FrameReader, Outcome, Region, TimesOrigin};

use crate::file::unreadable;
use crate::options::Options;
use crate::picture::{PictureClip, PictureFormat, decoding_bytes, read_picture};
use crate::stored::{MAX_FRAMES, check_request, few};

/// A format of pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// FITS.
    Fits,
    /// TIFF or PNG.
    Picture(PictureFormat),
}

/// All formats of pictures.
pub(crate) const KINDS: &[Kind] = &[Kind::Fits, Kind::Picture(PictureFormat::Tiff), Kind::Picture(PictureFormat::Png)];

impl Kind {
    fn extensions(self) -> &'static [&'static str] {
        match self {
            Kind::Fits => &["fits", "fit", "fts"],
            Kind::Picture(PictureFormat::Tiff) => &["tif", "tiff"],
            Kind::Picture(PictureFormat::Png) => &["png"],
        }
    }

    fn of(path: &Path, kinds: &[Kind]) -> Option<Kind> {
        let extension = path.extension()?.to_str()?.to_ascii_lowercase();
        kinds.iter().copied().find(|kind| kind.extensions().contains(&extension.as_str()))
    }

    /// Opens one file.
    pub(crate) fn open(self, path: &Path, options: &Options) -> Outcome<Box<dyn FrameReader>> {
        match self {
            Kind::Fits => Ok(Box::new(crate::fits::open(path, options)?)),
            Kind::Picture(format) => Ok(Box::new(PictureClip::open(path, format, options)?)),
        }
    }

    /// Opens one file that is the whole clip; a picture where a clip is wanted is often a mistake, so that it is said.
    pub(crate) fn open_alone(self, path: &Path, options: &Options) -> Outcome<Box<dyn FrameReader>> {
        let Kind::Picture(format) = self else { return self.open(path, options) };
        let mut clip = PictureClip::open(path, format, options)?;
        if clip.info().frames == 1 {
            clip.note(format!(
                "this is a single picture ({}), taken as one frame: a clip has many frames",
                format.name()
            ));
        }
        Ok(Box::new(clip))
    }
}

/// Opens a file of the first of `kinds`, or a folder of files of one of them.
pub(crate) fn open_path(
    context: &dyn Context,
    path: &Path,
    kinds: &[Kind],
    options: &Options,
) -> Outcome<Box<dyn FrameReader>> {
    if path.is_dir() {
        Ok(Box::new(Sequence::open(context, path, kinds, options)?))
    } else {
        kinds[0].open_alone(path, options)
    }
}

/// A folder of pictures.
#[derive(Debug)]
pub(crate) struct Sequence {
    paths: Vec<PathBuf>,
    kind: Kind,
    options: Options,
    info: ClipInfo,
}

/// The pictures of a folder in order, and their format.
fn list(folder: &Path, kinds: &[Kind]) -> Outcome<(Vec<PathBuf>, Kind)> {
    let mut found: Vec<(PathBuf, Kind)> = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(|e| unreadable(folder, &e))? {
        let path = entry.map_err(|e| unreadable(folder, &e))?.path();
        let hidden = path.file_name().is_none_or(|name| name.to_string_lossy().starts_with('.'));
        if let Some(kind) = Kind::of(&path, kinds).filter(|_| !hidden && path.is_file()) {
            found.push((path, kind));
        }
    }
    let name = folder.display();
    let Some(&(_, kind)) = found.first() else {
        let words: Vec<&str> = kinds.iter().flat_map(|kind| kind.extensions()).copied().collect();
        return Err(Fault::request(format!("{name}: the folder holds no pictures (.{})", words.join(", .")))
            .remedy("name a clip, or a folder of numbered pictures"));
    };
    if let Some((other, _)) = found.iter().find(|(_, k)| *k != kind) {
        return Err(Fault::request(format!(
            "{name}: the folder holds pictures of several formats: {} and {}",
            found[0].0.display(),
            other.display()
        ))
        .remedy("keep one sequence of one format in a folder"));
    }
    if found.len() > MAX_FRAMES {
        return Err(Fault::request(format!(
            "{name}: the folder holds {} pictures; at most {MAX_FRAMES} can be read",
            found.len()
        ))
        .remedy("split the folder"));
    }
    let mut paths: Vec<PathBuf> = found.into_iter().map(|(path, _)| path).collect();
    paths.sort_by(|a, b| natord::compare(&a.to_string_lossy(), &b.to_string_lossy()).then_with(|| a.cmp(b)));
    Ok((paths, kind))
}

impl Sequence {
    fn open(context: &dyn Context, folder: &Path, kinds: &[Kind], options: &Options) -> Outcome<Self> {
        let (paths, kind) = list(folder, kinds)?;
        let mut options = options.clone();
        let mut info: Option<ClipInfo> = None;
        // The white level is one for all: the highest that any of a few pictures asks for.
        for index in few(paths.len()) {
            let one = kind.open(&paths[index], &options)?;
            match &mut info {
                None => info = Some(one.info().clone()),
                Some(first) if one.info().white_level > first.white_level => {
                    (first.bits, first.white_level) = (one.info().bits, one.info().white_level);
                    first.notes = one.info().notes.clone();
                }
                Some(_) => {}
            }
        }
        let Some(mut info) = info else { return Err(Fault::internal("an empty sequence")) };
        options.fixed = Some((info.bits, info.white_level));
        let mut starts = Vec::with_capacity(paths.len());
        let mut exposures = Vec::with_capacity(paths.len());
        for path in &paths {
            if context.cancelled() {
                return Err(Fault::cancelled());
            }
            let one = kind.open(path, &options)?;
            check_alike(path, one.info(), &info)?;
            starts.push(one.info().start_unix_ns);
            exposures.push(one.info().exposure_s);
        }
        info.frames = paths.len();
        set_times(&mut info, &starts);
        if let Some(words) = set_exposure(&mut info, &exposures) {
            context.warn(&words);
        }
        Ok(Self { paths, kind, options, info })
    }
}

/// Refuses a picture that is not like the others.
fn check_alike(path: &Path, one: &ClipInfo, all: &ClipInfo) -> Outcome<()> {
    if one.frames != 1 {
        return Err(Fault::request(format!("{}: holds {} frames", path.display(), one.frames))
            .remedy("keep only single pictures in the folder, or read the cube alone"));
    }
    if (one.width, one.height, one.layout.planes()) != (all.width, all.height, all.layout.planes()) {
        return Err(Fault::data(format!(
            "{}: is {}x{} px with {} planes, the first picture of the folder {}x{} with {}",
            path.display(),
            one.width,
            one.height,
            one.layout.planes(),
            all.width,
            all.height,
            all.layout.planes()
        ))
        .remedy("keep only pictures of one size in the folder"));
    }
    Ok(())
}

fn set_times(info: &mut ClipInfo, starts: &[Option<i64>]) {
    let unknown: Arc<[f64]> = vec![f64::NAN; starts.len()].into();
    (info.time_s, info.times) = (unknown, TimesOrigin::Absent);
    info.start_unix_ns = starts.first().copied().flatten();
    let known: Option<Vec<i64>> = starts.iter().copied().collect();
    let Some(known) = known else {
        info.notes.push("not all pictures have a time: frame times are unknown".into());
        return;
    };
    if known.len() > 1 && known.windows(2).all(|pair| pair[0] == pair[1]) {
        info.notes.push("all pictures have the same time: frame times are unknown".into());
    } else if let Some(back) = known.windows(2).position(|pair| pair[1] < pair[0]) {
        info.notes.push(format!(
            "the pictures' times run backwards behind frame {back}: the order is that of the names, frame times are unknown"
        ));
        info.start_unix_ns = known.iter().min().copied();
    } else {
        info.time_s = known.iter().map(|ns| (ns - known[0]) as f64 * 1e-9).collect();
        info.times = TimesOrigin::Stamps;
    }
}

/// Takes the exposure that all pictures share; a change is given back in words.
fn set_exposure(info: &mut ClipInfo, exposures: &[Option<f64>]) -> Option<String> {
    let first = exposures.first().copied().flatten()?;
    let differs = |one: &Option<f64>| one.is_none_or(|s| (s - first).abs() > 0.01 * first);
    let index = exposures.iter().position(differs)?;
    info.exposure_s = None;
    Some(format!(
        "the exposure changes within the sequence: {first} s at first, {} at frame {index}; no single exposure is known",
        exposures[index].map_or_else(|| "unknown".into(), |s| format!("{s} s"))
    ))
}

impl FrameReader for Sequence {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn read(&self, index: usize, region: Region, bytes: &mut Vec<u8>, out: &mut Frame) -> Outcome<()> {
        check_request(&self.info, index, region)?;
        let name = |fault: Fault| fault.at(format!("frame {index}"));
        let path = &self.paths[index];
        if let Kind::Picture(format) = self.kind {
            return read_picture((path, format, None), &self.info, (index, region), bytes, out).map_err(name);
        }
        let one = self.kind.open(path, &self.options).map_err(name)?;
        check_alike(path, one.info(), &self.info).map_err(name)?;
        one.read(0, region, bytes, out).map_err(name)?;
        out.index = index;
        out.layout = self.info.layout.shifted(region.x, region.y);
        Ok(())
    }

    fn worker_bytes(&self) -> u64 {
        if self.kind == Kind::Fits { 0 } else { decoding_bytes(&self.info) }
    }
}
