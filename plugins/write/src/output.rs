//! What the writers share: names, checks of a picture, errors.

use std::io;

use stillair_api::{Fault, Image, Outcome, OutputFile, Parameter, Parameters};

/// The parameter `name`.
pub(crate) fn name_parameter(default: &str) -> Parameter {
    Parameter::text("name", default, "name of the file without its extension")
}

/// Reads the parameter `name`: a plain name that is safe on every system, no path.
pub(crate) fn stem(parameters: &Parameters) -> Outcome<String> {
    let name = parameters.text("name")?;
    let forbidden = |c: char| c.is_control() || "/\\:*?\"<>|".contains(c);
    let device = ["con", "prn", "aux", "nul"].contains(&name.to_ascii_lowercase().as_str());
    let padded = name.starts_with('.') || name.ends_with('.') || name.trim() != name;
    if name.is_empty() || name.len() > 120 || name.contains(forbidden) || device || padded {
        return Err(Fault::request(format!("name = {name:?} is not a plain file name"))
            .remedy("use letters, digits, `-` and `_`: no folder, no extension, no leading dot, at most 120 bytes"));
    }
    Ok(name.into())
}

/// Refuses a picture that has no pixels, or whose samples do not fit its shape.
pub(crate) fn check(image: &Image) -> Outcome<()> {
    if image.width == 0 || image.height == 0 {
        return Err(Fault::data("the picture has no pixels").remedy("look at the steps that made it"));
    }
    if !matches!(image.channels, 1 | 3) || image.data.len() != image.area() * image.channels {
        return Err(Fault::internal(format!(
            "a picture of {}x{} px and {} channels has {} samples",
            image.width,
            image.height,
            image.channels,
            image.data.len()
        )));
    }
    Ok(())
}

/// Columns and rows as a format of 32-bit sizes takes them, up to `most`.
pub(crate) fn size(image: &Image, most: u32, format: &str) -> Outcome<(u32, u32)> {
    let side = |side: usize| u32::try_from(side).ok().filter(|s| *s <= most);
    match (side(image.width), side(image.height)) {
        (Some(width), Some(height)) => Ok((width, height)),
        _ => Err(Fault::request(format!(
            "a {format} file holds at most {most} px a side, the picture has {}x{}",
            image.width, image.height
        ))
        .remedy("write a FITS or TIFF file instead")),
    }
}

/// The error of a file that cannot be written.
pub(crate) fn unwritable(error: &io::Error) -> Fault {
    let remedy = match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "free some space on that disk, then run again",
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => "choose another folder with --out",
        io::ErrorKind::FileTooLarge => "that disk's file system cannot hold so large a file: choose another disk",
        _ => "check the disk that holds the output folder",
    };
    Fault::resource(format!("the file cannot be written: {error}")).remedy(remedy)
}

/// A file that remembers why writing to it failed, for encoders that wrap the reason until it cannot be told any more.
pub(crate) struct Remembering<'a> {
    file: &'a mut dyn OutputFile,
    failure: Option<io::Error>,
}

impl<'a> Remembering<'a> {
    /// Lends the file to `work`; if writing failed, that is the fault, whatever `work` makes of it.
    pub(crate) fn run(file: &'a mut dyn OutputFile, work: impl FnOnce(&mut Self) -> Outcome<()>) -> Outcome<()> {
        let mut remembering = Self { file, failure: None };
        let result = work(&mut remembering);
        match remembering.failure {
            Some(error) => Err(unwritable(&error)),
            None => result,
        }
    }
}

impl io::Write for Remembering<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes).map_err(|error| {
            let kind = error.kind();
            if kind != io::ErrorKind::Interrupted {
                self.failure.get_or_insert(error);
            }
            kind.into()
        })
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// The text in ASCII, other characters as JSON escapes (`\u00e9`), NUL dropped: for formats that hold ASCII only.
pub(crate) fn ascii(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    let mut units = [0u16; 2];
    for c in text.chars().filter(|c| *c != '\0') {
        if c.is_ascii() {
            plain.push(c);
        } else {
            for unit in c.encode_utf16(&mut units) {
                plain.push_str(&format!("\\u{unit:04x}"));
            }
        }
    }
    plain
}

#[cfg(test)]
mod tests {
    use stillair_api::ParameterValue;

    use super::*;

    fn read(name: &str) -> Outcome<String> {
        stem(&Parameters([("name".to_owned(), ParameterValue::Text(name.into()))].into()))
    }

    #[test]
    fn only_plain_names_are_taken() {
        for name in ["picture", "jupiter_2031-05-02", "Mars 2", "Näherung"] {
            assert_eq!(read(name), Ok(name.into()));
        }
        for name in ["", ".", "..", ".hidden", "a/b", "a\\b", "c:x", "a\0b", " x", "x.", "nul", &"x".repeat(121)] {
            let fault = read(name).expect_err("refused");
            assert!(fault.to_string().contains("not a plain file name"), "{fault}");
        }
    }

    #[test]
    fn text_beyond_ascii_is_escaped_as_json_does() {
        // RFC 8259, section 7: U+1D11E is \ud834\udd1e.
        assert_eq!(ascii("a\u{e9}\u{1d11e}\0b"), "a\\u00e9\\ud834\\udd1eb");
    }

    #[test]
    fn a_full_disk_is_said_with_the_remedy() {
        let fault = unwritable(&io::Error::from(io::ErrorKind::StorageFull));
        assert!(fault.to_string().contains("free some space"), "{fault}");
    }
}
