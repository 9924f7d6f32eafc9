//! Books from shelves that hold little, or cannot be read.

use std::path::Path;

use sumpwarden_core::model::Quality;
use sumpwarden_core::store::rollup::Bucket;
use sumpwarden_core::store::{Point, SeriesId, StoredSeries};

use super::*;
use crate::config;
use crate::edge::store::{HourlyFigures, TrendPoint};

/// A store of a test's own.
#[derive(Default)]
struct Made {
    series: Vec<StoredSeries>,
    figures: HourlyFigures,
    damaged: bool,
    journal: Vec<JournalEntry>,
}

impl Shelf for Made {
    fn series(&mut self) -> Result<Vec<StoredSeries>, StoreError> {
        Ok(self.series.clone())
    }

    fn hours(&mut self, _: &[SeriesId], _: Timestamp, _: Timestamp) -> Result<HourlyFigures, StoreError> {
        if self.damaged {
            let code = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT);
            return Err(rusqlite::Error::SqliteFailure(code, None).into());
        }
        Ok(self.figures.clone())
    }

    fn records(
        &mut self,
        from: Timestamp,
        until: Timestamp,
        see: &mut dyn FnMut(JournalEntry),
    ) -> Result<(), StoreError> {
        let inside = |entry: &&JournalEntry| entry.at >= from && entry.at < until;
        self.journal.iter().filter(inside).cloned().for_each(see);
        Ok(())
    }
}

fn example() -> Settings {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/examples/small-shop.toml");
    config::load_with(&file, &[]).unwrap_or_else(|report| panic!("{}", report.draw(false))).settings
}

fn at(text: &str) -> Timestamp {
    Timestamp::parse(text).expect("RFC 3339")
}

fn november(sump: Option<&str>) -> Asked {
    let sump = sump.map(|name| Name::new(name).expect("a name"));
    Asked { sump, span: Span::month_of(jiff::civil::date(2026, 11, 1)) }
}

fn book(shelf: &mut Made, asked: &Asked) -> Result<Report, ReportError> {
    report(shelf, &example(), asked, at("2026-11-20T12:00:00Z"), &|_, _, _| {})
}

#[test]
fn an_empty_store_gives_a_book_that_says_so() {
    let report = book(&mut Made::default(), &november(None)).expect("readable");
    assert_eq!(report.unread, Vec::<String>::new());
    for said in [
        "Nothing was ever stored of this sump",
        "written before they were over, on Fri 20 Nov",
        "Lathe 3, bay B",
    ] {
        assert!(report.html.contains(said), "{said}");
    }
    assert!(!report.html.contains("<svg"));
}

#[test]
fn what_cannot_be_read_is_named_and_the_rest_goes_on() {
    let mut shelf = Made { damaged: true, ..Made::default() };
    let report = book(&mut shelf, &november(Some("lathe-3"))).expect("the rest can be read");
    let [line] = &report.unread[..] else { panic!("{:?}", report.unread) };
    assert!(line.starts_with("hourly figures of lathe-3 from 2026-10-31T23:00:00Z"), "{line}");
    assert!(report.html.contains("hourly figures of lathe-3"), "it stands in the page too");
}

#[test]
fn nothing_that_was_stored_becomes_a_mark() {
    let nasty = "</td><script>\"'&";
    let entry = |kind: &str, sump: Option<&str>, priority: Option<&str>, state: &str| JournalEntry {
        id: 1,
        at: at("2026-11-05T12:00:00Z"),
        kind: kind.to_owned(),
        sump: sump.map(str::to_owned),
        subject: if state == "ph" { "note".to_owned() } else { nasty.to_owned() },
        state: state.to_owned(),
        priority: priority.map(str::to_owned),
        value: Some(9.0),
        message: format!("{nasty}, noted by {nasty}: {nasty}\u{202e}\n"),
    };
    let series =
        |text: &str| StoredSeries { id: SeriesId(1), text: text.to_owned(), quantity: "ph".to_owned() };
    let point = Point { at: at("2026-11-05T12:00:00Z"), raw: None, value: Some(9.0), quality: Quality::GOOD };
    let hour = TrendPoint { start: point.at, bucket: Bucket::of(&point) };
    let mut shelf = Made {
        series: vec![series(&format!("probe/lathe-3/{nasty}"))],
        figures: HourlyFigures { of: [(SeriesId(1), vec![hour])].into(), skipped: Vec::new() },
        journal: vec![
            entry("alarm", Some("lathe-3"), Some("high"), "UNACK"),
            entry("instrument", None, Some("low"), "UNACK"),
            entry("instrument", None, None, "connected"),
            entry("event", Some("lathe-3"), None, "ph"),
        ],
        ..Made::default()
    };
    let html = book(&mut shelf, &november(None)).expect("readable").html;
    assert!(html.matches("&lt;script&gt;").count() >= 6, "{}", html.matches("&lt;script").count());
    assert!(!html.contains("<script") && !html.contains('\u{202e}'));
}

#[test]
fn what_is_asked_for_has_to_be_there_and_not_too_much() {
    let refused = book(&mut Made::default(), &november(Some("mill-9"))).expect_err("no such sump");
    assert!(refused.to_string().contains("there is no sump \"mill-9\"; there are lathe-3"), "{refused}");
    let first = jiff::civil::date(2020, 1, 1);
    let span = Span::new(first, jiff::civil::date(2026, 1, 1)).expect("in order");
    let refused = book(&mut Made::default(), &Asked { sump: None, span }).expect_err("too long");
    assert_eq!(refused.to_string(), "73 months are too many for one book; ask for 60 at most");
}

#[test]
fn a_loss_says_of_how_much_of_the_time_it_is_known() {
    let loss = |hours| book::Loss { litres: 2.54, between: Some((0.5, 11.2)), hours, of_hours: 720.0 };
    for (hours, says) in [
        (719.6, "2.5 L (90 %: 0.5 L to 11 L)"),
        (600.0, "2.5 L (90 %: 0.5 L to 11 L), known for 600 of 720 h"),
        (0.3, "2.5 L (90 %: 0.5 L to 11 L), known for less than one of 720 h"),
    ] {
        assert_eq!(view::loss(Some(&loss(hours))), says);
    }
    assert_eq!(view::loss(None), "not known");
}
