//! What the book says, in words and figures as they are printed: all texts, none of them escaped yet.
//!
//! What is not known has words of its own ([`NOT_KNOWN`], [`NOT_NOTED`]); an empty list of lines is a blank for the pen.

mod chapter;

use jiff::civil::Date;
use serde::Serialize;
use sumpwarden_core::alarm::wording::{decimals, unit_text};
use sumpwarden_core::book::{Calendar, Chapter, Consumption, Gateway, Line, Loss, Occurrence, Span};
use sumpwarden_core::estimate::guidance::{Caution, NO_SAFETY_SYSTEM};
use sumpwarden_core::estimate::settings::EstimateKind;
use sumpwarden_core::model::line::clean;
use sumpwarden_core::model::{Quantity, Timestamp};

pub(super) use chapter::{ChapterView, chapter, title};

const NOT_KNOWN: &str = "not known";
const NOT_NOTED: &str = "not noted";

/// Longest text of a cell, in characters.
const CHARS_MAX: usize = 1_200;
/// Most rows of a table: a chattering alarm must not make a book of its own.
const ROWS_MAX: usize = 400;

/// What stands in the foot of every sheet.
const CAUTIONS: [Caution; 7] = [
    Caution::DataSheetFirst,
    Caution::GlovesAndEyes,
    Caution::LockOut,
    Caution::LicensedWaste,
    Caution::CheckByHand,
    Caution::NotABacteriaCount,
    Caution::BiocidesByThoseAllowed,
];

/// A table that is cut off where it gets too long.
#[derive(Debug, Serialize)]
pub(super) struct Table<T> {
    rows: Vec<T>,
    more: usize,
}

impl<T> Table<T> {
    fn of(all: impl ExactSizeIterator<Item = T>) -> Self {
        let more = all.len().saturating_sub(ROWS_MAX);
        Self { rows: all.take(ROWS_MAX).collect(), more }
    }
}

/// A named field; without lines it is a blank for the pen.
#[derive(Debug, Serialize)]
pub(super) struct Field {
    label: &'static str,
    lines: Vec<String>,
}

/// An alarm.
#[derive(Debug, Serialize)]
pub(super) struct AlarmView {
    came: String,
    name: String,
    priority: String,
    text: String,
    seen: String,
    went: String,
}

/// Something that happened.
#[derive(Debug, Serialize)]
pub(super) struct LineView {
    at: String,
    text: String,
}

/// A sump in the table of the shop.
#[derive(Debug, Serialize)]
pub(super) struct RowView {
    file: String,
    title: String,
    days: String,
    concentration: String,
    ph: String,
    concentrate: String,
    water: String,
    evaporation: String,
    drag_out: String,
    removed: String,
    alarms: String,
    checks: String,
}

/// The page of the shop.
#[derive(Debug, Serialize)]
pub(super) struct FrontView {
    site: String,
    days: String,
    zone: String,
    now: String,
    rows: Vec<RowView>,
    alarms_of_gateway: Table<AlarmView>,
    events: Table<LineView>,
    unread: Vec<String>,
    whole_hours: bool,
    cautions: Vec<&'static str>,
    no_safety_system: &'static str,
}

/// How days and times are written in a stretch of days.
pub(super) struct Words<'a> {
    pub(super) calendar: &'a Calendar,
    year: i16,
}

impl<'a> Words<'a> {
    pub(super) fn new(calendar: &'a Calendar, span: Span) -> Self {
        Self { calendar, year: span.last.year() }
    }

    /// `Tue 3 Nov 08:05`, with the year where it is another one.
    fn time(&self, at: Timestamp) -> String {
        let wall = self.calendar.wall(at);
        let form = if wall.year() == self.year { "%a %-d %b %H:%M" } else { "%a %-d %b %Y %H:%M" };
        wall.strftime(form).to_string()
    }

    /// `Tue 3 Nov`.
    fn day(&self, day: Date) -> String {
        day.strftime(if day.year() == self.year { "%a %-d %b" } else { "%a %-d %b %Y" }).to_string()
    }
}

/// `November 2026`, `3 to 17 November 2026`, `30 October 2026 to 3 November 2026`.
pub(super) fn span_words(span: Span) -> String {
    let Span { first, last } = span;
    if span.is_month() {
        first.strftime("%B %Y").to_string()
    } else if first == last {
        first.strftime("%-d %B %Y").to_string()
    } else if (first.year(), first.month()) == (last.year(), last.month()) {
        format!("{} to {}", first.day(), last.strftime("%-d %B %Y"))
    } else {
        format!("{} to {}", first.strftime("%-d %B %Y"), last.strftime("%-d %B %Y"))
    }
}

/// `2026-11`, `2026-11-03_2026-11-17`.
pub(super) fn span_file(span: Span) -> String {
    if span.is_month() {
        span.first.strftime("%Y-%m").to_string()
    } else {
        format!("{}_{}", span.first, span.last)
    }
}

/// Untrusted text, on one line and not too long.
fn text(text: &str) -> String {
    clean(text, CHARS_MAX)
}

fn figure(quantity: Quantity, value: f64) -> String {
    let digits = decimals(quantity);
    format!("{value:.digits$}")
}

fn with_unit(quantity: Quantity, value: f64) -> String {
    figure(quantity, value) + unit_text(quantity)
}

fn litres(litres: f64) -> String {
    if litres.abs() < 10.0 { format!("{litres:.1} L") } else { format!("{litres:.0} L") }
}

fn known(value: Option<String>) -> String {
    value.unwrap_or_else(|| NOT_KNOWN.to_owned())
}

fn count(number: u32, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

fn alarm(words: &Words<'_>, alarm: &Occurrence) -> AlarmView {
    let seen = match &alarm.seen {
        Some((at, Some(by))) => format!("{}, {}", words.time(*at), text(by)),
        Some((at, None)) => words.time(*at),
        None => "by nobody".to_owned(),
    };
    let went = match (&alarm.went, &alarm.silenced) {
        (Some(at), _) => words.time(*at),
        (None, Some((at, how))) => format!("silenced {}: {}", words.time(*at), text(how)),
        (None, None) => "still stood at the end".to_owned(),
    };
    let again = match alarm.again {
        0 => String::new(),
        times => format!(" (told again {})", count(times, "time", "times")),
    };
    AlarmView {
        came: words.time(alarm.came),
        name: text(&alarm.alarm),
        priority: text(&alarm.priority),
        text: text(&alarm.text) + &again,
        seen,
        went,
    }
}

fn alarms(words: &Words<'_>, alarms: &[Occurrence]) -> Table<AlarmView> {
    Table::of(alarms.iter().map(|one| alarm(words, one)))
}

fn lines(words: &Words<'_>, lines: &[Line]) -> Table<LineView> {
    Table::of(lines.iter().map(|line| LineView { at: words.time(line.at), text: text(&line.text) }))
}

/// Litres lost, how sure, and of how much of the time that is.
pub(super) fn loss(loss: Option<&Loss>) -> String {
    let Some(loss) = loss else { return NOT_KNOWN.to_owned() };
    let between = loss.between.map(|(low, high)| format!(" (90 %: {} to {})", litres(low), litres(high)));
    let share = match loss.of_hours - loss.hours {
        missing if missing < 1.0 => String::new(),
        _ if loss.hours < 1.0 => format!(", known for less than one of {:.0} h", loss.of_hours),
        _ => format!(", known for {:.0} of {:.0} h", loss.hours, loss.of_hours),
    };
    format!("{}{}{share}", litres(loss.litres), between.unwrap_or_default())
}

/// Litres of concentrate or water, and what is missing in them.
fn consumed(consumption: &Consumption, part: Option<f64>) -> String {
    match (part, consumption.pours) {
        (Some(part), _) => litres(part),
        (None, (0, 0)) => "nothing was seen or noted".to_owned(),
        (None, _) => NOT_KNOWN.to_owned(),
    }
}

/// Mean over the days of an estimate or a probe.
fn mean(chapter: &Chapter, wanted: impl Fn(&sumpwarden_core::book::Series) -> bool) -> Option<String> {
    let series = chapter.series.iter().find(|series| wanted(series))?;
    let (mut sum, mut days) = (0.0, 0.0);
    for figures in series.days.iter().filter_map(|day| day.figures) {
        sum += figures.mean;
        days += 1.0;
    }
    (days > 0.0).then(|| with_unit(series.quantity, sum / days))
}

/// A sump in the table of the shop.
pub(super) fn row(words: &Words<'_>, chapter: &Chapter, file: &str) -> RowView {
    let summary = chapter.summary(words.calendar);
    let came: Vec<String> =
        summary.alarms.iter().map(|(priority, number)| format!("{number} {}", text(priority))).collect();
    let stands = match summary.standing {
        0 => String::new(),
        standing => format!("; {standing} still stood"),
    };
    let short = |loss: Option<&Loss>| known(loss.map(|loss| litres(loss.litres)));
    let (due, missed) = summary.checks;
    RowView {
        file: file.to_owned(),
        title: text(&chapter.title),
        days: span_words(chapter.span),
        concentration: known(mean(chapter, |series| series.estimate == Some(EstimateKind::Concentration))),
        ph: known(mean(chapter, |series| series.estimate.is_none() && series.quantity == Quantity::Ph)),
        concentrate: consumed(&chapter.consumption, chapter.consumption.concentrate_l),
        water: consumed(&chapter.consumption, chapter.consumption.water_l),
        evaporation: short(chapter.evaporation.as_ref()),
        drag_out: short(chapter.drag_out.as_ref()),
        removed: summary.removed_l.map_or_else(|| "nothing was seen".to_owned(), litres),
        alarms: if came.is_empty() { format!("none{stands}") } else { came.join(", ") + &stands },
        checks: match (chapter.checks.is_empty(), due) {
            (true, _) => "no plan".to_owned(),
            (false, 0) => "none fell due".to_owned(),
            (false, due) => format!("{due} due, {missed} late or missed"),
        },
    }
}

/// What the page of the shop says beside its sumps.
pub(super) struct Shop<'a> {
    pub(super) site: &'a str,
    pub(super) span: Span,
    pub(super) now: Timestamp,
    pub(super) gateway: &'a Gateway,
    pub(super) unread: &'a [String],
    /// Whether hours of UTC are hours of the shop.
    pub(super) whole_hours: bool,
}

/// The page of the shop.
pub(super) fn front(words: &Words<'_>, shop: &Shop<'_>, rows: Vec<RowView>) -> FrontView {
    FrontView {
        site: text(shop.site),
        days: span_words(shop.span),
        zone: words.calendar.name().to_owned(),
        now: words.calendar.wall(shop.now).strftime("%A %-d %B %Y, %H:%M").to_string(),
        rows,
        alarms_of_gateway: alarms(words, &shop.gateway.alarms),
        events: lines(words, &shop.gateway.events),
        unread: shop.unread.iter().map(|line| text(line)).collect(),
        whole_hours: shop.whole_hours,
        cautions: cautions(),
        no_safety_system: NO_SAFETY_SYSTEM,
    }
}

fn cautions() -> Vec<&'static str> {
    CAUTIONS.iter().map(|caution| caution.text()).collect()
}
