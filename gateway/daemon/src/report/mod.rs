//! The printed log book: what the store holds of some days, as HTML that needs nothing beside it and prints well.
//!
//! [`report`] is the whole book as one page, from whatever can be read as a [`Shelf`]: the daemon's own reader, or the file
//! beside a daemon. [`written`] is the same in parts, for a directory of pages. What the book says is counted in
//! [`sumpwarden_core::book`]; [`gather`] fetches what that needs, [`view`] puts it into words, [`html`] and [`plot`] into
//! the page. Nothing in the page is a script or comes from elsewhere; every text goes through the template's escaping.

mod gather;
mod html;
mod plot;
#[cfg(test)]
mod tests;
mod view;

use jiff::civil::Date;
use sumpwarden_core::book::{self, Calendar, LOOK_BACK_DAYS, Material, Span};
use sumpwarden_core::model::{Name, SumpIndex, Timestamp};
use sumpwarden_core::store::JournalEntry;

use crate::config::Settings;
use crate::edge::store::{Progress, Shelf, StoreError};

/// Longest stretch of one book, in months: what a journal keeps without being told otherwise.
pub const MONTHS_MAX: usize = 60;

/// What is asked for.
#[derive(Clone, PartialEq, Debug)]
pub struct Asked {
    /// One sump; none for all.
    pub sump: Option<Name>,
    /// Days of the shop's time zone.
    pub span: Span,
}

/// A month as people write it: 2026-11.
///
/// # Errors
/// What is right, if it is none.
pub fn month(text: &str) -> Result<Span, String> {
    let first: Result<Date, _> = format!("{text}-01").parse();
    first.map(Span::month_of).map_err(|_| "a month is written 2026-11".to_owned())
}

/// Why there is no book.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// Not a sump of this shop.
    #[error("there is no sump \"{asked}\"; there are {known}")]
    NoSump {
        /// What was asked for.
        asked: Name,
        /// Those there are.
        known: String,
    },
    /// Too many months.
    #[error("{months} months are too many for one book; ask for {MONTHS_MAX} at most")]
    TooLong {
        /// How many.
        months: usize,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A page.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Report {
    /// The whole page.
    pub html: String,
    /// What could not be read, a line each; it stands in the page too.
    pub unread: Vec<String>,
}

/// The book in parts, each without head and foot.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Written {
    site: String,
    front: String,
    chapters: Vec<Part>,
    unread: Vec<String>,
}

#[derive(Clone, PartialEq, Eq, Debug)]
struct Part {
    name: String,
    title: String,
    html: String,
}

/// The book of these days as one page, as it stands at `now`.
pub fn report(
    shelf: &mut dyn Shelf,
    settings: &Settings,
    asked: &Asked,
    now: Timestamp,
    progress: Progress<'_>,
) -> Result<Report, ReportError> {
    Ok(written(shelf, settings, asked, now, progress)?.whole())
}

/// The book of these days in parts.
pub fn written(
    shelf: &mut dyn Shelf,
    settings: &Settings,
    asked: &Asked,
    now: Timestamp,
    progress: Progress<'_>,
) -> Result<Written, ReportError> {
    let sumps = sumps(settings, asked)?;
    let months: Vec<Span> = asked.span.months().collect();
    if months.len() > MONTHS_MAX {
        return Err(ReportError::TooLong { months: months.len() });
    }
    let calendar = Calendar::new(settings.site.timezone.clone());
    progress("journal", 0, 0);
    let journal = journal(shelf, &calendar, asked.span)?;
    let material = Material { settings: &settings.engine, calendar: &calendar, now, journal: &journal };
    let series = shelf.series()?;
    let (mut rows, mut chapters, mut unread) = (Vec::new(), Vec::new(), Vec::new());
    let of = (months.len() * sumps.len()) as u64;
    for (month, sump) in months.iter().flat_map(|month| sumps.iter().map(move |sump| (*month, *sump))) {
        progress("sheet", chapters.len() as u64, of);
        let name = &settings.engine.sumps[sump.slot()].name;
        let wanted = gather::wanted(&series, &settings.engine, name, &mut unread);
        let (hours, skipped) = gather::hours(shelf, &wanted, calendar.bounds(month), name)?;
        unread.extend(skipped);
        let chapter = book::chapter(&material, sump, month, &hours);
        let words = view::Words::new(&calendar, month);
        let (title, file) = (view::span_words(month), format!("{name}-{}", view::span_file(month)));
        rows.push(view::row(&words, &chapter, &file));
        let plots = plot::all(&words, &chapter, &hours, calendar.bounds(month));
        let html = html::chapter(&view::chapter(&words, &chapter, &file, plots));
        chapters.push(Part { name: file, title: format!("{}, {title}", chapter.title), html });
    }
    unread.sort();
    unread.dedup();
    let words = view::Words::new(&calendar, asked.span);
    let gateway = book::gateway(&material, asked.span);
    let whole_hours = calendar.has_whole_hours(asked.span);
    let site = settings.site.name.to_string();
    let shop =
        view::Shop { site: &site, span: asked.span, now, gateway: &gateway, unread: &unread, whole_hours };
    let front = view::front(&words, &shop, rows);
    Ok(Written { site, front: html::front(&front), chapters, unread })
}

impl Written {
    /// All of it as one page.
    pub fn whole(self) -> Report {
        let body: String =
            std::iter::once(self.front).chain(self.chapters.into_iter().map(|part| part.html)).collect();
        let html = html::page(&format!("Log book of {}", self.site), &body);
        Report { html, unread: self.unread }
    }

    /// A page for the shop, `shop`, and one for each sump and month: name without ending, and HTML. Then what could not be
    /// read.
    pub fn pages(self) -> (Vec<(String, String)>, Vec<String>) {
        let title = format!("Log book of {}", self.site);
        // Links of the summary lead to places on one page: here each is a page of its own.
        let linked = (self.chapters.iter()).fold(self.front, |front, part| {
            front.replace(&format!("href=\"#{}\"", part.name), &format!("href=\"{}.html\"", part.name))
        });
        let shop = ("shop".to_owned(), html::page(&title, &linked));
        let chapters = self.chapters.into_iter().map(|part| {
            let html = html::page(&part.title, &part.html);
            (part.name, html)
        });
        (std::iter::once(shop).chain(chapters).collect(), self.unread)
    }
}

fn sumps(settings: &Settings, asked: &Asked) -> Result<Vec<SumpIndex>, ReportError> {
    let all = settings.engine.sumps.iter().zip((0..).map(SumpIndex));
    let wanted = all.filter(|(sump, _)| asked.sump.as_ref().is_none_or(|name| *name == sump.name));
    let found: Vec<SumpIndex> = wanted.map(|(_, index)| index).collect();
    match &asked.sump {
        Some(asked) if found.is_empty() => {
            let known: Vec<&str> = settings.engine.sumps.iter().map(|sump| sump.name.as_str()).collect();
            Err(ReportError::NoSump { asked: asked.clone(), known: known.join(", ") })
        }
        _ => Ok(found),
    }
}

/// Records of these days and of the time before that they may speak of.
fn journal(shelf: &mut dyn Shelf, calendar: &Calendar, span: Span) -> Result<Vec<JournalEntry>, StoreError> {
    let (from, until) = calendar.bounds(span);
    let back = std::time::Duration::from_hours(24) * LOOK_BACK_DAYS.unsigned_abs();
    let mut journal = Vec::new();
    shelf.records(from.minus(back), until, &mut |entry| journal.push(entry))?;
    Ok(journal)
}
