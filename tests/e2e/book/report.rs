//! The log book, as a browser would see it.

use std::collections::BTreeSet;
use std::fs;

use sumpwarden::edge::store::{Store, StoreEvent};
use sumpwarden::report::{Asked, report};
use sumpwarden_core::book::Span;
use sumpwarden_core::model::Timestamp;
use sumpwarden_tests::vectors::Vectors;

use super::filled::{NASTY, WHO, shop};
use super::text;

/// What stands between `<tag …>` and `</tag>`, with the marks taken out and the escapes of HTML taken back.
fn inside<'a>(html: &'a str, tag: &'a str) -> impl Iterator<Item = String> + 'a {
    let (open, close) = (format!("<{tag}"), format!("</{tag}>"));
    let pieces = html.match_indices(&open).filter_map({
        let open = open.len();
        move |(at, _)| {
            let rest = &html[at + open..];
            let rest = rest.starts_with(['>', ' ']).then_some(rest)?;
            let begin = rest.find('>')? + 1;
            Some(plain(&rest[begin..begin + rest[begin..].find(&close)?]))
        }
    });
    pieces.collect::<Vec<_>>().into_iter()
}

fn plain(html: &str) -> String {
    let mut text = String::new();
    let mut mark = false;
    for c in html.chars() {
        match c {
            '<' => mark = true,
            '>' if mark => mark = false,
            c if !mark => text.push(c),
            _ => {}
        }
    }
    let pairs = [
        ("&lt;", "<"),
        ("&gt;", ">"),
        ("&quot;", "\""),
        ("&#x27;", "'"),
        ("&#x2f;", "/"),
        ("&shy;", ""),
        ("&nbsp;", " "),
        ("&amp;", "&"),
    ];
    pairs.iter().fold(text, |text, (from, to)| text.replace(from, to))
}

fn january() -> String {
    static HTML: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    HTML.get_or_init(|| {
        let file = shop().path("january.html");
        let output = file.to_str().expect("text");
        let written = shop().command("report", &["--month", "2024-01", "--output", output]);
        assert_eq!(written.status.code(), Some(0), "{}", text(&written));
        fs::read_to_string(file).expect("written")
    })
    .clone()
}

#[test]
fn every_field_of_the_sample_sheets_is_there() {
    let html = january();
    let lower = |text: String| text.trim().to_lowercase();
    let heads: BTreeSet<String> = inside(&html, "th").chain(inside(&html, "dt")).map(lower).collect();
    let vectors = Vectors::read("book");
    let mut fields = 0;
    for list in ["head", "per_check"] {
        for field in vectors.value("record_sheet_fields", list).as_array().expect("a list") {
            let field = field.as_str().expect("a text").to_lowercase();
            assert!(heads.contains(&field), "{field:?} is not in {heads:?}");
            fields += 1;
        }
    }
    assert_eq!(fields, 18);
}

#[test]
fn the_page_is_whole_in_itself_and_takes_no_orders() {
    let html = january();
    for never in ["<script", "src=", "url(", "@import", "<link", "<iframe", "onload", "javascript:", "<b>"] {
        assert!(!html.contains(never), "{never}");
    }
    let outside = html.match_indices("://").map(|(at, _)| &html[at.saturating_sub(8)..at + 20]);
    assert_eq!(outside.collect::<Vec<_>>(), Vec::<&str>::new(), "nothing comes from elsewhere");
    assert!(html.contains("default-src 'none'"));
    let cells: Vec<String> = inside(&html, "td").collect();
    assert!(cells.iter().any(|cell| cell == NASTY), "it stands there as it was written");
    assert!(cells.iter().any(|cell| cell == WHO));
    assert!(!html.contains("NaN") && !html.contains("inf "), "no number that is none");
    assert!(html.contains("This is advice, not a safety system"));
}

#[test]
fn what_was_done_and_measured_stands_in_it() {
    let html = january();
    let all = plain(&html);
    for said in [
        "January 2024",
        "Days are those of Europe/Vienna",
        "to act on: Nitrite in the fluid over 20 mg/L",
        "skimmed oil off",
        "calibration of ph",
        "18 mg/L (Fri 5 Jan 01:00, Laboratory)",
        "floating oil: plainly",
        "not noted",
    ] {
        assert!(all.contains(said), "{said:?} is missing");
    }
    let sumps = shop().settings.engine.sumps.len();
    assert_eq!(html.matches("<section class=\"sheet\"").count(), sumps + 1, "one of the shop, one a sump");
    assert!(html.matches("<svg").count() >= 10 * sumps, "a curve for each probe and estimate");
    let days = inside(&html, "td").filter(|cell| cell == "Wed 31").count();
    assert!(days >= 10 * sumps, "every series has its last day");
}

#[test]
fn a_daemons_own_reader_gives_the_same_book() {
    let html = january();
    let asked = Asked { sump: None, span: Span::month_of("2024-01-01".parse().expect("a day")) };
    let copy = shop().path("copy");
    fs::create_dir_all(&copy).expect("writable");
    fs::copy(shop().path("data/store.sqlite"), copy.join("store.sqlite")).expect("there");
    let events = tokio::sync::mpsc::unbounded_channel::<StoreEvent>().0;
    let limits = shop().settings.store.limits;
    let store = Store::open(&copy, &shop().settings.engine.series(), limits, events).expect("it opens");
    let now = Timestamp::parse("2025-01-01T00:00:00Z").expect("RFC 3339");
    let mut reader = store.reader().expect("open");
    let book = report(&mut reader, &shop().settings, &asked, now, &|_, _, _| {}).expect("readable");
    store.close();
    assert_eq!(book.unread, Vec::<String>::new());
    let without_date = |html: &str| {
        let (before, after) = html.split_once("Written ").expect("it says when");
        before.to_owned() + after.split_once("</p>").expect("a paragraph").1
    };
    assert!(without_date(&book.html) == without_date(&html), "the two differ");
}

#[test]
fn a_directory_gets_a_page_for_the_shop_and_one_for_each_sump_and_month() {
    let directory = shop().path("pages/");
    let output = directory.to_str().expect("text");
    let name = shop().settings.engine.sumps[0].name.to_string();
    let arguments = ["--sump", &name, "--from", "2024-01-20", "--until", "2024-02-04", "--output", output];
    let written = shop().command("report", &arguments);
    assert_eq!(written.status.code(), Some(0), "{}", text(&written));
    let mut names: Vec<String> = fs::read_dir(&directory)
        .expect("made")
        .map(|file| file.expect("readable").file_name().into_string().expect("text"))
        .collect();
    names.sort_unstable();
    let part = |days: &str| format!("{name}-{days}.html");
    let expected = [part("2024-01-20_2024-01-31"), part("2024-02-01_2024-02-04"), "shop.html".to_owned()];
    assert_eq!(names, expected);
    let shop_page = fs::read_to_string(directory.join("shop.html")).expect("written");
    for page in &expected[..2] {
        assert!(shop_page.contains(&format!("href=\"{page}\"")), "{page}");
    }
    let again = shop().command("report", &arguments);
    assert_eq!(again.status.code(), Some(74), "{}", text(&again));
    assert!(text(&again).contains("there already"), "{}", text(&again));
}

#[test]
fn what_is_asked_wrongly_is_refused_with_what_would_be_right() {
    let output = shop().path("never.html");
    let output = output.to_str().expect("text");
    let known = shop().settings.engine.sumps[0].name.to_string();
    for (arguments, code, says) in [
        (&["--sump", "mill-9"][..], 64, known.as_str()),
        (&["--month", "November"], 2, "2026-11"),
        (&["--from", "2024-01-05", "--until", "2024-01-04"], 64, "after --until"),
        (&["--from", "2024-01-05"], 2, "--until"),
        (&["--from", "2000-01-01", "--until", "2024-01-04"], 64, "60 at most"),
    ] {
        let refused = shop().command("report", &[arguments, &["--output", output]].concat());
        assert_eq!(refused.status.code(), Some(code), "{arguments:?}: {}", text(&refused));
        assert!(text(&refused).contains(says), "{arguments:?}: {}", text(&refused));
    }
    assert!(!fs::exists(output).expect("readable"));
}

#[test]
fn days_without_anything_are_said_in_words() {
    let file = shop().path("empty.html");
    let output = file.to_str().expect("text");
    let written = shop().command("report", &["--month", "2023-06", "--output", output]);
    assert_eq!(written.status.code(), Some(0), "{}", text(&written));
    let all = plain(&fs::read_to_string(file).expect("written"));
    for said in
        ["nothing was read in these days", "Nobody noted anything", "not known", "None stood in these days"]
    {
        assert!(all.contains(said), "{said:?} is missing");
    }
    assert!(!all.contains(" 0 L") && !all.contains("0.0 L"), "what is not known is no zero");
}
