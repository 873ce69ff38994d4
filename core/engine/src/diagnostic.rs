//! Complaints about a text a person wrote: where, what, why, and what to do.

use std::fmt;
use std::ops::Range;

use serde::Serialize;

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Nothing can be done until it is mended.
    Error,
    /// Work goes on.
    Warning,
}

/// A complaint about a place in a text. It holds the line it points at, so that it can be shown without the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Diagnostic {
    /// How bad it is.
    pub severity: Severity,
    /// Path of the file, or the command-line option that the text came with.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column, from 1, in characters.
    pub column: usize,
    /// The line's text, without its end.
    pub text: String,
    /// The part of `text` that is meant, in bytes; may be empty.
    pub span: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// Why it is wrong, "" where the message says it all.
    pub cause: String,
    /// What can be done, "" where nothing is known.
    pub remedy: String,
}

impl Diagnostic {
    /// Adds why it is wrong.
    pub fn cause(&mut self, cause: impl Into<String>) -> &mut Self {
        self.cause = cause.into();
        self
    }

    /// Adds what can be done.
    pub fn remedy(&mut self, remedy: impl Into<String>) -> &mut Self {
        self.remedy = remedy.into();
        self
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: {}", self.file, self.line, self.column, self.message)?;
        if !self.cause.is_empty() {
            write!(f, ": {}", self.cause)?;
        }
        if !self.remedy.is_empty() {
            write!(f, "; {}", self.remedy)?;
        }
        Ok(())
    }
}

/// All complaints about a request, errors and warnings, in the order of their places.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
#[serde(transparent)]
pub struct Diagnostics {
    /// The complaints.
    pub list: Vec<Diagnostic>,
}

impl Diagnostics {
    /// Only the errors.
    pub fn errors(&self) -> impl Iterator<Item = &Diagnostic> {
        self.list.iter().filter(|d| d.severity == Severity::Error)
    }

    /// Only the warnings.
    pub fn warnings(&self) -> impl Iterator<Item = &Diagnostic> {
        self.list.iter().filter(|d| d.severity == Severity::Warning)
    }
}

impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (number, diagnostic) in self.list.iter().enumerate() {
            if number > 0 {
                f.write_str("\n")?;
            }
            diagnostic.fmt(f)?;
        }
        Ok(())
    }
}

impl std::error::Error for Diagnostics {}

/// A text with a name, as read from a file or given on the command line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceText {
    /// Path or option, as the user knows it.
    pub path: String,
    /// The text.
    pub text: String,
}

/// A place in one of several texts.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Place {
    /// Which text.
    pub file: usize,
    /// Byte range.
    pub span: Range<usize>,
}

/// Gathers complaints about several texts.
#[derive(Debug, Default)]
pub(crate) struct Log {
    files: Vec<SourceText>,
    list: Vec<(Place, Diagnostic)>,
}

impl Log {
    /// Adds a text that places may point into.
    pub fn add_file(&mut self, source: SourceText) -> usize {
        self.files.push(source);
        self.files.len() - 1
    }

    /// The text behind a place.
    pub fn text(&self, place: &Place) -> &str {
        self.files.get(place.file).and_then(|f| f.text.get(place.span.clone())).unwrap_or_default()
    }

    /// Line, from 1, of a place.
    pub fn line(&self, place: &Place) -> usize {
        self.files.get(place.file).map_or(1, |f| locate(&f.text, &place.span).0)
    }

    /// Complains; the caller may add cause and remedy to what comes back.
    pub fn error(&mut self, place: &Place, message: impl Into<String>) -> &mut Diagnostic {
        self.push(Severity::Error, place, message.into())
    }

    /// Warns; the caller may add cause and remedy to what comes back.
    pub fn warning(&mut self, place: &Place, message: impl Into<String>) -> &mut Diagnostic {
        self.push(Severity::Warning, place, message.into())
    }

    fn push(&mut self, severity: Severity, place: &Place, message: String) -> &mut Diagnostic {
        let (path, text) = self.files.get(place.file).map_or(("", ""), |f| (f.path.as_str(), f.text.as_str()));
        let (line, column, line_text, span) = locate(text, &place.span);
        let diagnostic = Diagnostic {
            severity,
            file: path.into(),
            line,
            column,
            text: line_text.into(),
            span,
            message,
            cause: String::new(),
            remedy: String::new(),
        };
        self.list.push((place.clone(), diagnostic));
        let last = self.list.len() - 1;
        &mut self.list[last].1
    }

    /// Number of errors so far.
    pub fn errors(&self) -> usize {
        self.list.iter().filter(|(_, d)| d.severity == Severity::Error).count()
    }

    /// How much was gathered so far, for [`Log::tag_since`].
    pub fn mark(&self) -> usize {
        self.list.len()
    }

    /// Puts a prefix before what was told since a mark, and drops what had been told before it.
    pub fn tag_since(&mut self, mark: usize, prefix: &str) {
        let late = self.list.split_off(mark);
        for (place, mut diagnostic) in late {
            if !self.list.iter().any(|(_, old)| *old == diagnostic) {
                diagnostic.message.insert_str(0, prefix);
                self.list.push((place, diagnostic));
            }
        }
    }

    /// Everything gathered, each complaint once, in the order of places (the text given last first, since that is the
    /// one in the user's hands).
    pub fn finish(self) -> Diagnostics {
        let mut list = self.list;
        list.sort_by_key(|(place, d)| (d.severity, place.file, place.span.start));
        let mut kept: Vec<Diagnostic> = Vec::with_capacity(list.len());
        for (_, diagnostic) in list {
            if !kept.contains(&diagnostic) {
                kept.push(diagnostic);
            }
        }
        Diagnostics { list: kept }
    }
}

/// Line and column from 1, the line's text, and the span within it (cut at the line's end).
fn locate<'a>(text: &'a str, span: &Range<usize>) -> (usize, usize, &'a str, Range<usize>) {
    let mut start = span.start.min(text.len());
    while !text.is_char_boundary(start) {
        start -= 1;
    }
    let line_start = text[..start].rfind('\n').map_or(0, |n| n + 1);
    let line_end = text[start..].find('\n').map_or(text.len(), |n| start + n);
    let line_text = text[line_start..line_end].trim_end_matches('\r');
    let line = text[..start].matches('\n').count() + 1;
    let column = text[line_start..start].chars().count() + 1;
    let mut end = span.end.clamp(start, line_start + line_text.len().max(start - line_start));
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    let from = (start - line_start).min(line_text.len());
    (line, column, line_text, from..(end - line_start).clamp(from, line_text.len()))
}

/// The nearest of several names, if one is near enough to be what was meant.
pub fn nearest<'a>(name: &str, of: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    nearest_and_how(name, of).map(|(near, _)| near)
}

/// The nearest of several names, if one is near enough to be what was meant, and how alike they are: 1 = the same.
pub(crate) fn nearest_and_how<'a>(name: &str, of: impl IntoIterator<Item = &'a str>) -> Option<(&'a str, f64)> {
    let alike = |other: &str| strsim::normalized_damerau_levenshtein(name, other);
    let best = of.into_iter().map(|other| (other, alike(other))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    (best.1 >= 0.5).then_some(best)
}

/// "did you mean `x`?" or, where none is near, the names that there are.
pub(crate) fn suggest<'a>(name: &str, of: impl IntoIterator<Item = &'a str> + Clone, kind: &str) -> String {
    if let Some(near) = nearest(name, of.clone()) {
        return format!("did you mean `{near}`?");
    }
    let names: Vec<String> = of.into_iter().map(|n| format!("`{n}`")).collect();
    match names.len() {
        0 => format!("there is no {kind} at all"),
        1 => format!("the only {kind} is {}", names[0]),
        2..=16 => format!("the {kind}s are {}", names.join(", ")),
        more => format!("there are {more} {kind}s, such as {}", names[..8].join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_given_by_line_and_character() {
        let mut log = Log::default();
        let file = log.add_file(SourceText { path: "r.toml".into(), text: "a = 1\r\nkey = \"ä\" # x\nend".into() });
        log.error(&Place { file, span: 13..30 }, "no");
        let found = log.finish().list.remove(0);
        assert_eq!((found.line, found.column, found.text.as_str()), (2, 7, "key = \"ä\" # x"));
        assert_eq!(&found.text[found.span.clone()], "\"ä\" # x");
    }

    #[test]
    fn a_place_past_the_end_is_at_the_end() {
        assert_eq!(locate("ab", &(7..9)), (1, 3, "ab", 2..2));
        assert_eq!(locate("", &(0..0)), (1, 1, "", 0..0));
        assert_eq!(locate("ab\n", &(3..3)), (2, 1, "", 0..0));
    }

    #[test]
    fn near_names_are_found_and_far_ones_are_not() {
        let names = ["sharpen.starlet", "sharpen.wiener", "stack.mean"];
        assert_eq!(nearest("sharpen.starlt", names), Some("sharpen.starlet"));
        assert_eq!(nearest("zzz", names), None);
        // One letter of fourteen and fifteen is missing: 1 - 1/15.
        let (near, alike) = nearest_and_how("sharpen.starlt", names).unwrap();
        assert!(near == "sharpen.starlet" && (alike - 14.0 / 15.0).abs() < 1e-12, "{alike}");
    }
}
