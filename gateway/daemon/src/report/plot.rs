//! Curves as inline SVG. Nothing of what people or probes wrote goes in: only numbers, days and our own words.

use std::fmt::Write as _;
use std::time::Duration;

use serde::Serialize;
use sumpwarden_core::alarm::settings::Terms;
use sumpwarden_core::alarm::wording::{decimals, unit_text};
use sumpwarden_core::book::{Chapter, Hour, Hours, Series};
use sumpwarden_core::model::{Quantity, Timestamp};

use super::view::{Words, title};

/// Size of a plot and of the room around it, in its own units.
const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 84.0;
const LEFT: f64 = 40.0;
const RIGHT: f64 = 34.0;
const TOP: f64 = 6.0;
const BOTTOM: f64 = 16.0;

/// Hours further apart than this are not joined.
const JOINED: Duration = Duration::from_mins(150);

/// A curve with its words.
#[derive(Debug, Serialize)]
pub(super) struct Plot {
    title: String,
    /// Lowest and highest, for who does not see it.
    words: String,
    svg: String,
}

/// Where things lie.
struct Frame {
    from: Timestamp,
    seconds: f64,
    low: f64,
    high: f64,
}

impl Frame {
    fn x(&self, at: Timestamp) -> f64 {
        LEFT + at.since(self.from).as_secs_f64() / self.seconds * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        TOP + (self.high - value) / (self.high - self.low) * (HEIGHT - TOP - BOTTOM)
    }
}

/// A curve for each series that has values.
pub(super) fn all(
    words: &Words<'_>,
    chapter: &Chapter,
    hours: &[Hours],
    (from, until): (Timestamp, Timestamp),
) -> Vec<Plot> {
    let curve = |(series, hours): (&Series, &Hours)| plot(words, chapter, series, hours, (from, until));
    chapter.series.iter().zip(hours).filter_map(curve).collect()
}

/// Begin of an hour's middle, mean, and what lies around it.
type Spot = (Timestamp, f64, f64, f64);

fn spots(hours: &Hours) -> Vec<Spot> {
    let end = |end: &[Hour], start: Timestamp| {
        let at = end.binary_search_by_key(&start, |hour| hour.start).ok()?;
        Some(end[at].bucket.values?.mean())
    };
    let [low, high] = &hours.ends;
    let spot = |hour: &Hour| {
        let values = hour.bucket.values?;
        let (mut least, mut most) = (values.min, values.max);
        if hours.estimated {
            least = end(low, hour.start).unwrap_or(least);
            most = end(high, hour.start).unwrap_or(most);
        }
        Some((hour.start.plus(Duration::from_mins(30)), values.mean(), least, most))
    };
    let spots = hours.values.iter().filter_map(spot);
    spots.filter(|(_, mean, low, high)| mean.is_finite() && low.is_finite() && high.is_finite()).collect()
}

fn plot(
    words: &Words<'_>,
    chapter: &Chapter,
    series: &Series,
    hours: &Hours,
    (from, until): (Timestamp, Timestamp),
) -> Option<Plot> {
    let spots = spots(hours);
    let low = spots.iter().map(|spot| spot.2).reduce(f64::min)?;
    let high = spots.iter().map(|spot| spot.3).reduce(f64::max)?;
    let limits = limits(chapter, hours, low, high);
    let low = limits.iter().copied().fold(low, f64::min);
    let high = limits.iter().copied().fold(high, f64::max);
    // A line that never moves lies in the middle.
    let room = ((high - low) * 0.06).max(0.1 * 0.1f64.powi(decimals(series.quantity) as i32));
    let seconds = until.since(from).as_secs_f64().max(1.0);
    let frame = Frame { from, seconds, low: low - room, high: high + room };
    let mut svg = format!("<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"curve\">");
    grid(&mut svg, words, chapter, &frame, series.quantity);
    for stretch in spots.chunk_by(|a, b| b.0.since(a.0) <= JOINED) {
        draw(&mut svg, &frame, stretch);
    }
    for limit in limits {
        let y = frame.y(limit);
        let (right, text) = (WIDTH - RIGHT, number(series.quantity, limit));
        put(
            &mut svg,
            format_args!(r#"<line class="limit" x1="{LEFT}" x2="{right}" y1="{y:.1}" y2="{y:.1}"/>"#),
        );
        let (x, y) = (right + 3.0, y + 3.0);
        put(&mut svg, format_args!(r#"<text class="limit-number" x="{x}" y="{y:.1}">{text}</text>"#));
    }
    svg.push_str("</svg>");
    let least = spots.iter().map(|spot| spot.1).fold(f64::INFINITY, f64::min);
    let most = spots.iter().map(|spot| spot.1).fold(f64::NEG_INFINITY, f64::max);
    let unit = unit_text(series.quantity);
    let (least, most) = (number(series.quantity, least), number(series.quantity, most));
    Some(Plot { title: title(series), words: format!("hourly means from {least} to {most}{unit}"), svg })
}

/// Limits on the value itself that lie near enough to be shown.
fn limits(chapter: &Chapter, hours: &Hours, low: f64, high: f64) -> Vec<f64> {
    let reach = (high - low).max(0.1 * high.abs());
    let of_this = chapter.limits.iter().filter(|limit| limit.series == (hours.of.clone(), hours.estimated));
    let near =
        of_this.filter(|limit| !matches!(limit.terms, Terms::WithinDays(_))).map(|limit| limit.setpoint);
    near.filter(|limit| (low - reach..=high + reach).contains(limit)).collect()
}

fn grid(svg: &mut String, words: &Words<'_>, chapter: &Chapter, frame: &Frame, quantity: Quantity) {
    let (bottom, right) = (HEIGHT - BOTTOM, WIDTH - RIGHT);
    for day in chapter.span.days() {
        let x = frame.x(words.calendar.begin(day));
        put(svg, format_args!(r#"<line class="grid" x1="{x:.1}" x2="{x:.1}" y1="{TOP}" y2="{bottom}"/>"#));
        let many = chapter.span.len() > 10;
        if !many || day.day() == 1 || day.day() % 5 == 0 {
            let (x, y) = (x + 2.0, HEIGHT - 5.0);
            put(svg, format_args!(r#"<text x="{x:.1}" y="{y}">{}</text>"#, day.day()));
        }
    }
    put(svg, format_args!(r#"<line class="axis" x1="{LEFT}" x2="{right}" y1="{bottom}" y2="{bottom}"/>"#));
    for pour in &chapter.poured {
        let x = frame.x(pour.at);
        let end = bottom - 6.0;
        put(svg, format_args!(r#"<line class="tick" x1="{x:.1}" x2="{x:.1}" y1="{bottom}" y2="{end}"/>"#));
    }
    for (value, y) in [(frame.high, TOP + 7.0), (frame.low, bottom)] {
        let (x, text) = (LEFT - 4.0, number(quantity, value));
        put(svg, format_args!(r#"<text x="{x}" y="{y}" text-anchor="end">{text}</text>"#));
    }
}

/// The line in its band.
fn draw(svg: &mut String, frame: &Frame, stretch: &[Spot]) {
    let mut band = String::new();
    for (at, _, _, high) in stretch {
        put(&mut band, format_args!("{:.1},{:.1} ", frame.x(*at), frame.y(*high)));
    }
    for (at, _, low, _) in stretch.iter().rev() {
        put(&mut band, format_args!("{:.1},{:.1} ", frame.x(*at), frame.y(*low)));
    }
    put(svg, format_args!(r#"<polygon class="band" points="{}"/>"#, band.trim_end()));
    let mut line = String::new();
    for (at, mean, ..) in stretch {
        put(&mut line, format_args!("{:.1},{:.1} ", frame.x(*at), frame.y(*mean)));
    }
    if let [(at, mean, ..)] = stretch {
        // A lone hour would be a line without length.
        put(&mut line, format_args!("{:.1},{:.1} ", frame.x(*at) + 1.0, frame.y(*mean)));
    }
    put(svg, format_args!(r#"<polyline class="line" points="{}"/>"#, line.trim_end()));
}

fn number(quantity: Quantity, value: f64) -> String {
    let digits = decimals(quantity);
    format!("{value:.digits$}")
}

fn put(out: &mut String, what: std::fmt::Arguments<'_>) {
    out.write_fmt(what).expect("writing to a String cannot fail");
}
