//! Lines on their way to a database: in portions it takes, until each is taken or refused for good.
//!
//! ```text
//!   all lines ──too many, too large──▶ halves ──▶ one portion ── taken ──▶ gone
//!                                        ▲            ├── too large ──▶ remembered: smaller from now on
//!                                        └────────────┴── refused ──▶ halves, until one line is left to set aside
//! ```

use std::collections::VecDeque;
use std::fmt::Display;
use std::ops::Range;

use super::Origin;
use super::forward::Parked;
use super::lines::{Catalogue, write_journal};
use super::{JournalEntry, Point, SeriesId};
use crate::model::Timestamp;

/// Most points of one read, and lines of one request.
pub const LINES_MAX: usize = 5_000;
/// Most bytes of one request, before packing.
pub const REQUEST_BYTES_MAX: usize = 1 << 20;

/// What an answer means for the lines that were sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Answer {
    /// Taken.
    Taken,
    /// Some line among them will never be taken (400, 422).
    Refused(String),
    /// Too much at once (413).
    TooLarge,
    /// Wrong address, token or bucket: people have to act, the lines are good (401, 403, 404 and the like).
    NotAllowed(String),
    /// Try again later.
    Later(String),
}

impl Answer {
    /// What a refusal with this HTTP status means; `reason` is what the other side says about it.
    pub fn of_status(status: u16, reason: String) -> Self {
        match status {
            400 | 422 => Self::Refused(reason),
            413 => Self::TooLarge,
            408 | 425 | 429 | 500.. => Self::Later(reason),
            // Other successes did not come from a database that writes, redirections and the rest of 4xx from a wrong
            // address, token or bucket.
            _ => Self::NotAllowed(reason),
        }
    }

    /// Whether the same lines need not be sent again.
    pub const fn is_final(&self) -> bool {
        matches!(self, Self::Taken | Self::Refused(_) | Self::TooLarge)
    }
}

/// Lines of one read: their text and where each one begins in it.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Lines {
    text: String,
    /// Of each line: where it begins, and its point's stamp.
    starts: Vec<(usize, Timestamp)>,
    unwritable: Vec<Parked>,
}

impl Lines {
    /// Of points, as `catalogue` writes them.
    pub fn of_points(catalogue: &Catalogue, points: &[(SeriesId, Point)]) -> Self {
        let mut lines = Self::default();
        for (series, point) in points {
            let start = lines.text.len();
            let written = catalogue.write(*series, point, &mut lines.text);
            lines.push(point.at, || format!("{series:?} {point:?}"), written, start);
        }
        lines
    }

    /// Of journal records, of the box that is `origin`.
    pub fn of_journal(origin: &Origin, entries: &[JournalEntry]) -> Self {
        let mut lines = Self::default();
        for entry in entries {
            let start = lines.text.len();
            let written = write_journal(origin, entry, &mut lines.text);
            lines.push(entry.at, || format!("{entry:?}"), written.map(|()| true), start);
        }
        lines
    }

    fn bytes(&self, lines: &Range<usize>) -> Range<usize> {
        let start = |line: usize| self.starts.get(line).map_or(self.text.len(), |s| s.0);
        start(lines.start)..start(lines.end)
    }

    /// A line was appended to the text from byte `start` on, or there was nothing to say, or it cannot be written:
    /// then `what` says what it was about.
    fn push<E: Display>(
        &mut self,
        at: Timestamp,
        what: impl FnOnce() -> String,
        written: Result<bool, E>,
        start: usize,
    ) {
        match written {
            Ok(true) => self.starts.push((start, at)),
            Ok(false) => {}
            Err(error) => self.unwritable.push(Parked { at, line: what(), reason: error.to_string() }),
        }
    }
}

/// Lines and bytes that the other side is known to take at once.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Sizes {
    /// Lines.
    pub lines_max: usize,
    /// Bytes.
    pub bytes_max: usize,
}

impl Default for Sizes {
    fn default() -> Self {
        Self { lines_max: LINES_MAX, bytes_max: REQUEST_BYTES_MAX }
    }
}

/// What an answer has led to, for the log.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Settled {
    /// These lines are there.
    Taken,
    /// Smaller portions from now on.
    Smaller,
    /// They are asked about in halves.
    Halved,
    /// A line was set aside, for this reason.
    SetAside(String),
}

/// Lines being sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Parcel {
    lines: Lines,
    todo: VecDeque<Range<usize>>,
    parked: Vec<Parked>,
}

impl Parcel {
    /// All of `lines` to send.
    pub fn new(mut lines: Lines) -> Self {
        let parked = std::mem::take(&mut lines.unwritable);
        let all = 0..lines.starts.len();
        let todo = if all.is_empty() { VecDeque::new() } else { VecDeque::from([all]) };
        Self { lines, todo, parked }
    }

    /// Cuts what comes first until the other side takes so much at once; false if nothing is left to send.
    pub fn cut(&mut self, sizes: Sizes) -> bool {
        while let Some(range) = self.todo.front().cloned() {
            let bytes = self.lines.bytes(&range).len();
            if range.len() < 2 || (range.len() <= sizes.lines_max && bytes <= sizes.bytes_max) {
                return true;
            }
            self.todo.pop_front();
            self.halve(&range);
        }
        false
    }

    /// The portion that goes next, once [`Self::cut`] has said that there is one.
    pub fn portion(&self) -> &str {
        self.todo.front().map_or("", |range| &self.lines.text[self.lines.bytes(range)])
    }

    /// The other side has given a final answer about the portion.
    pub fn answered(&mut self, answer: Answer, sizes: &mut Sizes) -> Settled {
        let Some(range) = self.todo.pop_front() else { return Settled::Taken };
        match answer {
            Answer::Taken => Settled::Taken,
            Answer::TooLarge if range.len() > 1 => {
                sizes.lines_max = range.len().div_ceil(2);
                sizes.bytes_max = self.lines.bytes(&range).len() - 1;
                self.todo.push_front(range);
                Settled::Smaller
            }
            Answer::Refused(_) if range.len() > 1 => {
                self.halve(&range);
                Settled::Halved
            }
            Answer::TooLarge => self.set_aside(&range, "413: too large by itself".to_owned()),
            Answer::Refused(why) => self.set_aside(&range, why),
            Answer::NotAllowed(_) | Answer::Later(_) => {
                self.todo.push_front(range);
                Settled::Halved
            }
        }
    }

    /// Lines that will never be taken, once nothing is left to send.
    pub fn parked(self) -> Vec<Parked> {
        self.parked
    }

    fn halve(&mut self, range: &Range<usize>) {
        let middle = range.start.midpoint(range.end);
        self.todo.push_front(middle..range.end);
        self.todo.push_front(range.start..middle);
    }

    fn set_aside(&mut self, range: &Range<usize>, reason: String) -> Settled {
        let line = self.lines.text[self.lines.bytes(range)].trim_end().to_owned();
        self.parked.push(Parked { at: self.lines.starts[range.start].1, line, reason: reason.clone() });
        Settled::SetAside(reason)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(count: usize) -> Lines {
        let mut lines = Lines::default();
        for n in 0..count {
            let start = lines.text.len();
            lines.text += &format!("line{n:03}\n");
            lines.push::<String>(Timestamp::from_millis(n as i64), String::new, Ok(true), start);
        }
        lines
    }

    /// Sends to a server that takes `at_most` lines and no line that ends in 7; gives what it took.
    fn send(parcel: &mut Parcel, sizes: &mut Sizes, at_most: usize) -> Vec<String> {
        let mut taken = Vec::new();
        while parcel.cut(*sizes) {
            let portion: Vec<String> = parcel.portion().lines().map(str::to_owned).collect();
            let answer = if portion.len() > at_most {
                Answer::of_status(413, String::new())
            } else if portion.iter().any(|line| line.ends_with('7')) {
                Answer::of_status(422, "no".to_owned())
            } else {
                taken.extend(portion);
                Answer::Taken
            };
            assert!(answer.is_final());
            parcel.answered(answer, sizes);
        }
        taken
    }

    #[test]
    fn every_line_is_taken_once_in_order_or_set_aside() {
        let (mut parcel, mut sizes) = (Parcel::new(lines(100)), Sizes::default());
        let taken = send(&mut parcel, &mut sizes, 30);
        let mut expected: Vec<String> = (0..100).map(|n| format!("line{n:03}")).collect();
        expected.retain(|line| !line.ends_with('7'));
        assert_eq!(taken, expected);
        let parked = parcel.parked();
        assert_eq!(parked.len(), 10);
        assert!(parked.iter().all(|one| one.line.ends_with('7') && one.reason == "no"));
        assert!(sizes.lines_max <= 50 && sizes.lines_max >= 15, "remembered: {sizes:?}");
    }

    #[test]
    fn one_line_alone_that_is_too_large_is_set_aside_and_teaches_nothing() {
        let (mut parcel, mut sizes) = (Parcel::new(lines(1)), Sizes::default());
        assert_eq!(send(&mut parcel, &mut sizes, 0), Vec::<String>::new());
        assert_eq!(parcel.parked()[0].reason, "413: too large by itself");
        assert_eq!(sizes, Sizes::default());
        assert!(!Parcel::new(lines(0)).cut(sizes));
    }

    #[test]
    fn statuses_mean_what_they_mean() {
        let of = |status| Answer::of_status(status, String::new());
        for status in [408, 425, 429, 500, 503, 599] {
            assert_eq!(of(status), Answer::Later(String::new()), "{status}");
        }
        for status in [200, 301, 401, 403, 404, 405] {
            assert_eq!(of(status), Answer::NotAllowed(String::new()), "{status}");
        }
    }
}
