//! The exports, read by Python's own readers and by the line protocol's parser.

use std::fs;
use std::process::Command;

use serde_json::Value;
use sumpwarden_protocol::line::parse::{Value as Field, parse};
use sumpwarden_tests::process::{peer_script, python, run};

use super::filled::{NASTY, WHO, shop};
use super::text;

/// Rows of a file as Python reads them, header of a CSV file taken as names.
fn rows(directory: &str, file: &str) -> Vec<Value> {
    let mut command = Command::new(python());
    let read = run(command.arg(peer_script("table_reader.py")).arg(shop().path(directory).join(file)));
    read.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

fn export(directory: &str, format: &str) {
    let output = shop().path(directory);
    let output = output.to_str().expect("text");
    let until = "2024-01-04T00:00:00Z";
    let written = shop().command("export", &["--output", output, "--format", format, "--to", until]);
    assert_eq!(written.status.code(), Some(0), "{}", text(&written));
}

#[test]
fn three_formats_say_the_same_to_other_readers() {
    for (directory, format) in [("as-csv", "csv"), ("as-jsonl", "jsonl"), ("as-lines", "lines")] {
        export(directory, format);
    }
    let (csv, jsonl) = (rows("as-csv", "points.csv"), rows("as-jsonl", "points.jsonl"));
    assert!(csv.len() > 5_000, "{}", csv.len());
    assert_eq!(csv.len(), jsonl.len());
    for (cells, object) in csv.iter().zip(&jsonl) {
        for name in ["raw", "value"] {
            let cell = cells[name].as_str().expect("CSV has texts");
            assert_eq!((!cell.is_empty()).then(|| cell.parse().expect("a number")), object[name].as_f64());
        }
        for name in ["time", "series", "quantity", "status", "reason"] {
            assert_eq!(cells[name], object[name], "{cells}");
        }
    }
    let lines = fs::read_to_string(shop().path("as-lines/points.line")).expect("written");
    let points = parse(&lines).expect("line protocol");
    let probes: Vec<&Value> = (jsonl.iter())
        .filter(|row| row["series"].as_str().is_some_and(|series| series.starts_with("probe/")))
        .collect();
    let raw = |point: &sumpwarden_protocol::line::parse::Point| {
        point.fields.iter().find(|(key, _)| key == "raw").map(|(_, value)| value.clone())
    };
    let lined: Vec<_> =
        points.iter().filter(|point| point.tags.iter().any(|(key, _)| key == "probe")).collect();
    assert_eq!(lined.len(), probes.len());
    for (point, row) in lined.iter().zip(probes) {
        assert_eq!(raw(point), row["raw"].as_f64().map(Field::Float), "{row}");
    }
}

#[test]
fn what_people_wrote_is_no_formula_and_numbers_stay_numbers() {
    export("texts-csv", "csv");
    export("texts-jsonl", "jsonl");
    let (csv, jsonl) = (rows("texts-csv", "journal.csv"), rows("texts-jsonl", "journal.jsonl"));
    let said = |rows: &[Value]| {
        let of = rows.iter().find(|row| row["state"] == "nitrite_mg_l").expect("it was noted");
        of["message"].as_str().expect("a text").to_owned()
    };
    assert_eq!(said(&csv), said(&jsonl));
    assert!(said(&csv).contains(NASTY) && said(&csv).contains(WHO), "{}", said(&csv));
    for row in &csv {
        for (name, cell) in row.as_object().expect("a row") {
            let cell = cell.as_str().expect("CSV has texts");
            let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
            assert!(!formula || cell.parse::<f64>().is_ok() && name == "value", "{name}: {cell}");
        }
    }
}
