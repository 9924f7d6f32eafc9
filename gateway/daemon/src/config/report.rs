//! Mistakes, each with its place, what is wrong there and what would be right, and how they are shown.
//!
//! A report holds any number of mistakes and warnings over several files. It knows nothing of what the keys mean.

use std::fmt;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;

use miette::{GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource, SourceSpan};

/// Most mistakes that are listed; beyond it a count says how many more there are.
pub const SHOWN_MAX: usize = 100;

/// One file as it is shown: path, and text in which the values of secret keys are starred out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Shown {
    /// Path as the user gave it, or found beside it.
    pub path: PathBuf,
    /// Text with as many bytes as the file, secrets starred out.
    pub text: Arc<str>,
}

/// Where a mistake lies.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Place {
    /// In a file that could be read: its place in [`Report::files`] and the bytes.
    Text {
        /// Place in [`Report::files`].
        file: usize,
        /// First byte.
        start: usize,
        /// One past the last byte.
        end: usize,
    },
    /// A file or directory as a whole.
    Path(PathBuf),
    /// An environment variable.
    Variable(String),
}

/// Whether it stops the start.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Weight {
    /// The configuration is refused.
    Mistake,
    /// The configuration is taken; somebody should look at it.
    Warning,
}

/// One mistake or warning.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Mistake {
    /// Where.
    pub place: Place,
    /// Whether it stops the start.
    pub weight: Weight,
    /// What is wrong, with the offending text.
    pub what: String,
    /// What would be right.
    pub cure: String,
    /// The other place, where two do not fit together, with its label.
    pub other: Option<(Place, String)>,
}

/// Mistakes and warnings over the files they lie in.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub struct Report {
    /// Files that could be read, in the order in which they were.
    pub files: Vec<Shown>,
    /// Mistakes and warnings in the order of their places.
    pub mistakes: Vec<Mistake>,
}

impl Report {
    /// Whether something in it stops the start.
    pub fn refuses(&self) -> bool {
        self.mistakes.iter().any(|m| m.weight == Weight::Mistake)
    }

    /// File name, line and column of a place, both counted from 1; `environment NAME` for a variable.
    pub fn locate(&self, place: &Place) -> String {
        match place {
            Place::Text { file, start, .. } => {
                let shown = &self.files[*file];
                let (line, column) = line_and_column(&shown.text, *start);
                format!("{}:{line}:{column}", shown.path.display())
            }
            Place::Path(path) => path.display().to_string(),
            Place::Variable(name) => format!("environment {name}"),
        }
    }

    /// The mistakes drawn beside the text they lie in, in colour or plain.
    pub fn draw(&self, colour: bool) -> String {
        let theme = if colour { GraphicalTheme::unicode() } else { GraphicalTheme::none() };
        let handler = GraphicalReportHandler::new_themed(theme).with_width(100).with_links(false);
        let mut out = String::new();
        for mistake in self.mistakes.iter().take(SHOWN_MAX) {
            let drawn = Drawn { report: self, mistake, sources: self.sources(mistake) };
            if handler.render_report(&mut out, &drawn).is_err() {
                out.push_str(&self.line(mistake));
            }
            out.push('\n');
        }
        out.push_str(&self.beyond());
        out
    }

    /// One mistake on one line.
    pub fn line(&self, mistake: &Mistake) -> String {
        let warning = if mistake.weight == Weight::Warning { "warning: " } else { "" };
        let other = match &mistake.other {
            Some((place, label)) => format!(" ({label}: {})", self.locate(place)),
            None => String::new(),
        };
        format!("{}: {warning}{}{other}; {}", self.locate(&mistake.place), mistake.what, mistake.cure)
    }

    fn beyond(&self) -> String {
        match self.mistakes.len().saturating_sub(SHOWN_MAX) {
            0 => String::new(),
            more => format!("and {more} more\n"),
        }
    }

    fn sources(&self, mistake: &Mistake) -> Option<NamedSource<Arc<str>>> {
        match mistake.place {
            Place::Text { file, .. } => {
                let shown = &self.files[file];
                Some(NamedSource::new(shown.path.display().to_string(), Arc::clone(&shown.text)))
            }
            Place::Path(_) | Place::Variable(_) => None,
        }
    }
}

impl fmt::Display for Report {
    /// One line a mistake: place, what, cure.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for mistake in self.mistakes.iter().take(SHOWN_MAX) {
            writeln!(f, "{}", self.line(mistake))?;
        }
        f.write_str(&self.beyond())
    }
}

impl std::error::Error for Report {}

/// Line and column, from 1, of the byte `at`; the column counts characters.
pub fn line_and_column(text: &str, at: usize) -> (usize, usize) {
    let before = &text.as_bytes()[..at.min(text.len())];
    let line_start = before.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
    let line = before.iter().filter(|b| **b == b'\n').count() + 1;
    (line, String::from_utf8_lossy(&before[line_start..]).chars().count() + 1)
}

/// One mistake as the drawing library wants it.
#[derive(Debug)]
struct Drawn<'a> {
    report: &'a Report,
    mistake: &'a Mistake,
    sources: Option<NamedSource<Arc<str>>>,
}

impl fmt::Display for Drawn<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !matches!(self.mistake.place, Place::Text { .. }) {
            write!(f, "{}: ", self.report.locate(&self.mistake.place))?;
        }
        f.write_str(&self.mistake.what)?;
        match &self.mistake.other {
            Some((place, label)) => write!(f, " ({label}: {})", self.report.locate(place)),
            None => Ok(()),
        }
    }
}

impl std::error::Error for Drawn<'_> {}

impl miette::Diagnostic for Drawn<'_> {
    fn severity(&self) -> Option<miette::Severity> {
        Some(match self.mistake.weight {
            Weight::Mistake => miette::Severity::Error,
            Weight::Warning => miette::Severity::Warning,
        })
    }

    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        Some(Box::new(&self.mistake.cure))
    }

    fn source_code(&self) -> Option<&dyn miette::SourceCode> {
        self.sources.as_ref().map(|s| s as &dyn miette::SourceCode)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let Place::Text { file, start, end } = &self.mistake.place else { return None };
        let mut labels =
            vec![LabeledSpan::new_primary_with_span(Some("here".to_owned()), span(*start..*end))];
        if let Some((Place::Text { file: other, start, end }, label)) = &self.mistake.other
            && other == file
        {
            labels.push(LabeledSpan::new_with_span(Some(label.clone()), span(*start..*end)));
        }
        Some(Box::new(labels.into_iter()))
    }
}

fn span(bytes: Range<usize>) -> SourceSpan {
    (bytes.start, bytes.end.saturating_sub(bytes.start)).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_columns_count_from_one_and_in_characters() {
        let text = "a = 1\n°dH = x\n";
        assert_eq!(line_and_column(text, 0), (1, 1));
        assert_eq!(line_and_column(text, text.find('x').expect("is there")), (2, 7));
        assert_eq!(line_and_column(text, 999), (3, 1));
    }

    #[test]
    fn a_drawing_names_place_offence_and_cure_without_colour_codes() {
        let files = vec![Shown { path: "shop.toml".into(), text: "[site]\nnmae = 'x'\n".into() }];
        let mistake = Mistake {
            place: Place::Text { file: 0, start: 7, end: 11 },
            weight: Weight::Mistake,
            what: "unknown key `nmae`".to_owned(),
            cure: "did you mean `name`?".to_owned(),
            other: None,
        };
        let report = Report { files, mistakes: vec![mistake] };
        let drawn = report.draw(false);
        for part in ["shop.toml:2:1", "unknown key `nmae`", "did you mean `name`?", "nmae = 'x'"] {
            assert!(drawn.contains(part), "{part} not in\n{drawn}");
        }
        assert!(!drawn.contains('\u{1b}'), "no colour codes");
        assert!(report.refuses());
    }
}
