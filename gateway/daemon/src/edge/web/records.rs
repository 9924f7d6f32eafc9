//! What has been: trends, the journal and the log book, read from the store for whoever looks at the page.
//!
//! `GET /sumps/SUMP/trend` gives every series asked for over the same stretch in the same buckets, so that they can be drawn
//! on one time axis; `GET /journal` gives what happened, newest first, a page at a time. Both are bounded, whatever is asked.

use std::pin::Pin;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sumpwarden_core::estimate::cleanout::Sheet;
use sumpwarden_core::estimate::guidance::Advice;
use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_core::store::JournalEntry;

use super::Page;
use super::desk::Problem;
use crate::edge::spreadsheet::cell;

/// Most buckets of a series.
const BUCKETS_MAX: u32 = 2_000;
/// Buckets where nobody says how many.
const BUCKETS: u32 = 500;
/// Most series at once.
const SERIES_MAX: usize = 24;
/// Most journal records at once.
const RECORDS_MAX: u32 = 1_000;
/// Journal records where nobody says how many.
const RECORDS: u32 = 100;
/// What is shown where nobody says from when.
const DAY: Duration = Duration::from_hours(24);

/// A stretch of a sump's series.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TrendAsked {
    /// Whose.
    pub sump: Name,
    /// Which: names of probes, words of estimates. None: all there are.
    pub of: Option<Vec<String>>,
    /// From when.
    pub from: Timestamp,
    /// Until when, itself not.
    pub until: Timestamp,
    /// At most so many buckets.
    pub buckets_max: u32,
}

/// One series over a stretch of time.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Trend {
    /// Name of the probe, or word of the estimate.
    pub of: String,
    /// Whether it is an estimate.
    pub estimated: bool,
    /// What is measured.
    pub quantity: String,
    /// UCUM code of its values; none where this program no longer knows the quantity.
    pub unit: Option<&'static str>,
    /// Begin of the bucket in milliseconds since 1970 (UTC), mean, and what lies around it: lowest and highest reading of a
    /// probe, the ends of an estimate's 90 % interval: four numbers a bucket.
    #[schemars(with = "Vec<[f64; 4]>")]
    pub points: Vec<(i64, f64, f64, f64)>,
}

/// A stretch of the journal.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct JournalAsked {
    /// Whose; none for all.
    pub sump: Option<Name>,
    /// From when.
    pub from: Timestamp,
    /// Until when, itself not.
    pub until: Timestamp,
    /// At most so many.
    pub limit: u32,
}

/// Something found later; none if the store cannot be read now.
pub type Finding<T> = Pin<Box<dyn Future<Output = Option<T>> + Send>>;

/// The log book of one sump or all, of a month or this one, as HTML; or what is wrong with the month.
pub type Book = Arc<dyn Fn(Option<Name>, Option<String>) -> Finding<Result<String, String>> + Send + Sync>;

/// Where to look, asked of whoever keeps the store.
#[derive(Clone)]
pub struct Records {
    /// The sumps of this shop.
    pub known: KnownSumps,
    /// Series over a stretch of time.
    pub trends: Arc<dyn Fn(TrendAsked) -> Finding<Vec<Trend>> + Send + Sync>,
    /// Journal records, newest first.
    pub journal: Arc<dyn Fn(JournalAsked) -> Finding<Vec<JournalEntry>> + Send + Sync>,
    /// The printed log book.
    pub book: Book,
    /// The time of day.
    pub utc: fn() -> Timestamp,
}

/// The sumps of the shop; another configuration may have others.
#[derive(Clone, Default)]
pub struct KnownSumps(Arc<RwLock<Arc<Known>>>);

/// Sumps, and what a clean-out of each takes, in the same order.
#[derive(Default)]
pub(super) struct Known {
    pub(super) names: Vec<Name>,
    pub(super) cleanouts: Vec<Advice<Sheet>>,
}

impl KnownSumps {
    /// From now on it is these, with the clean-out of each.
    pub fn set(&self, names: Vec<Name>, cleanouts: Vec<Advice<Sheet>>) {
        *self.0.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(Known { names, cleanouts });
    }

    /// Those there are now.
    pub(super) fn now(&self) -> Arc<Known> {
        Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner))
    }
}

/// How an answer is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(super) enum Format {
    /// JSON.
    Json,
    /// Comma-separated values (RFC 4180), with a line of names.
    Csv,
}

/// What may stand behind the `?` of a trend.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct TrendQuery {
    of: Option<String>,
    from: Option<String>,
    until: Option<String>,
    /// At most so many buckets, 1 to 2000; 500 where nobody says.
    points: Option<u32>,
    /// `json`, or `csv` with one line a bucket.
    format: Option<Format>,
}

/// What `GET /sumps/SUMP/trend` answers.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Trends {
    sump: String,
    from: String,
    until: String,
    series: Vec<Trend>,
}

/// Series of a sump.
pub(super) async fn trend(
    State(page): State<Arc<Page>>,
    Path(sump): Path<String>,
    query: Result<Query<TrendQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(query) = query.map_err(|error| bad("query", &error.to_string()))?;
    let sump = known(&page, &sump)?;
    let (from, until) = stretch(&page, query.from.as_deref(), query.until.as_deref())?;
    let of = query.of.map(|of| of.split(',').map(|one| one.trim().to_owned()).collect::<Vec<_>>());
    if of.as_ref().is_some_and(|of| of.len() > SERIES_MAX) {
        return Err(bad("of", &format!("`of` names at most {SERIES_MAX} series")));
    }
    let buckets_max = within("points", query.points.unwrap_or(BUCKETS), BUCKETS_MAX)?;
    let asked = TrendAsked { sump: sump.clone(), of, from, until, buckets_max };
    let series = Page::found(&page.reading, (page.records.trends)(asked)).await.ok_or_else(unreadable)?;
    let (sump, from, until) = (sump.to_string(), from.to_string(), until.to_string());
    Ok(match query.format {
        Some(Format::Csv) => trends_as_csv(&series)?.into_response(),
        _ => Json(Trends { sump, from, until, series }).into_response(),
    })
}

/// Amounts, rules and cautions of a clean-out.
pub(super) async fn cleanout_sheet(
    State(page): State<Arc<Page>>,
    Path(sump): Path<String>,
) -> Result<Json<Advice<Sheet>>, Problem> {
    let sump = known(&page, &sump)?;
    let known = page.records.known.now();
    let place = known.names.iter().position(|name| *name == sump);
    let found = place.and_then(|place| known.cleanouts.get(place));
    found.cloned().map(Json).ok_or_else(unreadable)
}

/// What may stand behind the `?` of the journal.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct JournalQuery {
    sump: Option<String>,
    from: Option<String>,
    until: Option<String>,
    /// At most so many, 1 to 1000; 100 where nobody says.
    limit: Option<u32>,
    /// `json`, or `csv` with one line a record.
    format: Option<Format>,
}

/// What `GET /journal` answers.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct JournalPage {
    /// Newest first.
    records: Vec<JournalEntry>,
    /// What to ask for as `until` to go on; none at the end. No two records have the same stamp.
    next_until: Option<String>,
}

/// What happened.
pub(super) async fn journal(
    State(page): State<Arc<Page>>,
    query: Result<Query<JournalQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(query) = query.map_err(|error| bad("query", &error.to_string()))?;
    let sump = query.sump.map(|sump| known(&page, &sump)).transpose()?;
    // The journal goes back for years: without `from`, all of it.
    let from =
        query.from.as_deref().map_or(Ok(Timestamp::from_nanos(i64::MIN)), |text| time("from", text))?;
    let until = query.until.as_deref().map_or(Ok(page.now().plus(DAY)), |text| time("until", text))?;
    let limit = within("limit", query.limit.unwrap_or(RECORDS), RECORDS_MAX)?;
    let asked = JournalAsked { sump, from, until, limit };
    let records = Page::found(&page.reading, (page.records.journal)(asked)).await;
    let records = records.ok_or_else(unreadable)?;
    let more = records.len() as u32 == limit;
    let next_until = records.last().filter(|_| more).map(|record| record.at.to_string());
    Ok(match query.format {
        Some(Format::Csv) => journal_as_csv(&records)?.into_response(),
        _ => Json(JournalPage { records, next_until }).into_response(),
    })
}

/// A text as comma-separated values.
type Csv = ([(header::HeaderName, &'static str); 1], Vec<u8>);

fn csv(names: &[&str], rows: impl Iterator<Item = Vec<Value>>) -> Result<Csv, Problem> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let write = |writer: &mut csv::Writer<Vec<u8>>| {
        writer.write_record(names)?;
        for row in rows {
            writer.write_record(row.iter().map(cell))?;
        }
        writer.flush()
    };
    write(&mut writer).map_err(|_| unreadable())?;
    let text = writer.into_inner().map_err(|_| unreadable())?;
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8")], text))
}

fn trends_as_csv(series: &[Trend]) -> Result<Csv, Problem> {
    let rows = series.iter().flat_map(|trend| {
        trend.points.iter().map(|(at, mean, low, high)| {
            let at = Timestamp::from_millis(*at).to_string();
            vec![
                json!(at),
                json!(trend.of),
                json!(trend.quantity),
                json!(trend.unit),
                json!(mean),
                json!(low),
                json!(high),
            ]
        })
    });
    csv(&["time", "of", "quantity", "unit", "mean", "low", "high"], rows)
}

fn journal_as_csv(records: &[JournalEntry]) -> Result<Csv, Problem> {
    let rows = records.iter().map(|r| {
        vec![
            json!(r.at),
            json!(r.kind),
            json!(r.sump),
            json!(r.subject),
            json!(r.state),
            json!(r.priority),
            json!(r.value),
            json!(r.message),
        ]
    });
    csv(&["time", "kind", "sump", "subject", "state", "priority", "value", "message"], rows)
}

/// What may stand behind the `?` of the log book.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct BookQuery {
    /// Of one sump; of all where nobody says.
    sump: Option<String>,
    /// `2026-11`; this one where nobody says.
    month: Option<String>,
}

/// The log book of a month, to read and to print.
pub(super) async fn book(
    State(page): State<Arc<Page>>,
    query: Result<Query<BookQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(query) = query.map_err(|error| bad("query", &error.to_string()))?;
    let sump = query.sump.map(|sump| known(&page, &sump)).transpose()?;
    let found = Page::found(&page.counting, (page.records.book)(sump, query.month)).await;
    let found = found.ok_or_else(unreadable)?;
    let html = found.map_err(|why| bad("month", &why))?;
    // It brings its own style in the page, and no script.
    let policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
    Ok(([(header::CONTENT_SECURITY_POLICY, policy)], Html(html)).into_response())
}

impl Page {
    pub(super) fn now(&self) -> Timestamp {
        (self.records.utc)()
    }
}

/// A sump of this shop.
pub(super) fn known(page: &Page, sump: &str) -> Result<Name, Problem> {
    let sumps = page.records.known.now();
    sumps.names.iter().find(|name| name.as_str() == sump).cloned().ok_or_else(|| {
        let names: Vec<&str> = sumps.names.iter().map(Name::as_str).collect();
        let detail = format!("there is no such sump; there are {}", names.join(", "));
        Problem::new(StatusCode::NOT_FOUND, "no_sump", detail)
    })
}

/// From when until when; the last day where nobody says.
fn stretch(page: &Page, from: Option<&str>, until: Option<&str>) -> Result<(Timestamp, Timestamp), Problem> {
    let until = until.map_or_else(|| Ok(page.now()), |text| time("until", text))?;
    let from = from.map_or(Ok(until.minus(DAY)), |text| time("from", text))?;
    if from < until { Ok((from, until)) } else { Err(bad("from", "`from` lies before `until`")) }
}

fn time(what: &str, text: &str) -> Result<Timestamp, Problem> {
    Timestamp::parse(text).map_err(|error| bad("time", &format!("`{what}`: {error}")))
}

fn within(what: &'static str, value: u32, max: u32) -> Result<u32, Problem> {
    (1..=max).contains(&value).then_some(value).ok_or_else(|| bad(what, &format!("`{what}` is 1 to {max}")))
}

fn bad(reason: &'static str, detail: &str) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, reason, detail)
}

fn unreadable() -> Problem {
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, "store", "the store cannot be read now; try again")
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::tests::answer_to;
    use super::*;

    /// A store that gives back what was asked.
    pub(in super::super) fn records() -> Records {
        let known = KnownSumps::default();
        known.set(vec![Name::new("lathe-1").expect("a name")], Vec::new());
        Records {
            known,
            trends: Arc::new(|asked| {
                let of = asked.of.map_or("all".to_owned(), |of| of.join("+"));
                let points = vec![(0, f64::from(asked.buckets_max), 1.0, 2.0)];
                let trend =
                    Trend { of, estimated: false, quantity: "ph".to_owned(), unit: Some("[pH]"), points };
                Box::pin(async move { Some(vec![trend]) })
            }),
            journal: Arc::new(|asked| {
                let at = asked.until.minus(Duration::from_secs(1));
                let line = JournalEntry {
                    id: 1,
                    at,
                    kind: "event".to_owned(),
                    sump: asked.sump.map(|sump| sump.to_string()),
                    subject: "topup".to_owned(),
                    state: "litres".to_owned(),
                    priority: None,
                    value: Some(20.0),
                    message: format!("{} at most", asked.limit),
                };
                Box::pin(async move { Some(vec![line]) })
            }),
            book: Arc::new(|sump, month| {
                let month = month
                    .filter(|month| month != "2026-13")
                    .ok_or_else(|| "a month is written 2026-11".to_owned());
                let of = sump.map_or("the shop".to_owned(), |sump| sump.to_string());
                Box::pin(async move { Some(month.map(|month| format!("<h1>{of} {month}</h1>"))) })
            }),
            utc: || Timestamp::parse("2026-03-01T08:00:00Z").expect("RFC 3339"),
        }
    }

    async fn get(path: &str) -> String {
        answer_to(&format!("GET {path} HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\n\r\n")).await
    }

    #[tokio::test]
    async fn a_trend_is_of_the_last_day_unless_somebody_says_otherwise() {
        let answer = get("/sumps/lathe-1/trend").await;
        assert!(
            answer.contains(r#""from":"2026-02-28T08:00:00Z","until":"2026-03-01T08:00:00Z""#),
            "{answer}"
        );
        assert!(
            answer.contains(r#""of":"all""#) && answer.contains(r#""points":[[0,500.0,1.0,2.0]]"#),
            "{answer}"
        );
        let answer = get("/sumps/lathe-1/trend?of=ph,%20level&from=2025-01-01T00:00:00Z&points=2000").await;
        assert!(answer.contains(r#""of":"ph+level""#) && answer.contains("[0,2000.0,"), "{answer}");
    }

    #[tokio::test]
    async fn what_cannot_be_looked_up_is_refused_with_what_would_be_right() {
        for (path, status, says) in [
            ("/sumps/mill/trend", 404, "there is no such sump; there are lathe-1"),
            ("/sumps/..%2Flathe-1/trend", 404, "there is no such sump"),
            ("/sumps/lathe-1/trend?points=0", 400, "`points` is 1 to 2000"),
            ("/sumps/lathe-1/trend?points=many", 400, "points"),
            ("/sumps/lathe-1/trend?from=yesterday", 400, "RFC 3339"),
            ("/sumps/lathe-1/trend?from=2027-01-01T00:00:00Z", 400, "`from` lies before `until`"),
            ("/sumps/lathe-1/trend?form=csv", 400, "form"),
            ("/journal?limit=1001", 400, "`limit` is 1 to 1000"),
            ("/journal?sump=mill", 404, "there is no such sump"),
        ] {
            let answer = get(path).await;
            assert!(answer.starts_with(&format!("HTTP/1.1 {status}")), "{path}: {answer}");
            assert!(answer.contains(says) && answer.contains("application/problem+json"), "{path}: {answer}");
        }
    }

    #[tokio::test]
    async fn spreadsheets_get_lines_and_no_formulas() {
        let answer = get("/sumps/lathe-1/trend?of=ph&points=7&format=csv").await;
        assert!(answer.contains("content-type: text/csv"), "{answer}");
        assert!(
            answer.contains(
                "time,of,quantity,unit,mean,low,high\n1970-01-01T00:00:00Z,ph,ph,[pH],7.0,1.0,2.0\n"
            ),
            "{answer}"
        );
        let answer = get("/journal?limit=3&format=csv").await;
        assert!(answer.contains(",event,,topup,litres,,20.0,3 at most\n"), "{answer}");
        assert_eq!(get("/journal?format=xls").await.split(' ').nth(1), Some("400"));
    }

    #[tokio::test]
    async fn the_log_book_is_a_page_with_its_own_style_and_no_script() {
        let answer = get("/report?sump=lathe-1&month=2026-02").await;
        assert!(answer.contains("<h1>lathe-1 2026-02</h1>") && answer.contains("text/html"), "{answer}");
        let policy =
            answer.lines().find(|line| line.starts_with("content-security-policy")).unwrap_or_default();
        assert!(
            policy.contains("default-src 'none'; style-src 'unsafe-inline'") && !policy.contains("script"),
            "{policy}"
        );
        let answer = get("/report?month=2026-13").await;
        assert!(
            answer.starts_with("HTTP/1.1 400") && answer.contains("a month is written 2026-11"),
            "{answer}"
        );
    }

    #[tokio::test]
    async fn the_journal_goes_on_where_a_page_ended() {
        let answer = get("/journal?limit=1&until=2026-02-01T00:00:00Z&sump=lathe-1").await;
        assert!(answer.contains(r#""sump":"lathe-1""#) && answer.contains("1 at most"), "{answer}");
        assert!(answer.contains(r#""next_until":"2026-01-31T23:59:59Z""#), "{answer}");
        let answer = get("/journal?limit=2").await;
        assert!(answer.contains(r#""next_until":null"#), "one came, two would have: {answer}");
    }
}
