//! The catalogue of faults is whole, and a few of each that loses data when it goes wrong are injected on every change.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use toml::Value;

/// Campaigns that are run here, with how many faults.
const SHORT: [(&str, &str); 5] =
    [("kill", "5"), ("power", "5"), ("step", "1"), ("database", "6"), ("two", "1")];

fn rows() -> Vec<Value> {
    let whole: Value = toml::from_str(include_str!("catalogue.toml")).expect("TOML");
    whole["row"].as_array().expect("rows").clone()
}

fn texts(row: &Value, key: &str) -> Vec<String> {
    let list = row.get(key).and_then(Value::as_array).into_iter().flatten();
    list.map(|text| text.as_str().expect("a text").to_owned()).collect()
}

#[test]
fn the_catalogue_is_whole_and_every_test_it_names_is_there() {
    let rows = rows();
    let numbers: Vec<i64> = rows.iter().filter_map(|row| row["number"].as_integer()).collect();
    assert_eq!(numbers, (1..=83).collect::<Vec<_>>(), "each number once, in order");
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    for row in &rows {
        let number = &row["number"];
        let (campaigns, tests) = (texts(row, "campaigns"), texts(row, "tests"));
        let why = row.get("not_here").and_then(Value::as_str).unwrap_or_default();
        assert!(
            !campaigns.is_empty() || !tests.is_empty() || why.len() > 20,
            "row {number}: neither injected, nor tested, nor excused"
        );
        for test in tests {
            let (file, name) = test.split_once(' ').expect("file and name");
            let text = std::fs::read_to_string(root.join(file)).unwrap_or_default();
            let found = text.contains(&format!("fn {name}("));
            assert!(found, "row {number}: {file} has no test {name}");
        }
    }
}

#[test]
fn every_campaign_covers_a_row_and_a_wrong_name_is_said() {
    let run = |arguments: &[&str]| {
        let output =
            Command::new(env!("CARGO_BIN_EXE_campaign")).args(arguments).output().expect("it starts");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status, text + &String::from_utf8_lossy(&output.stderr))
    };
    // It refuses a catalogue that names a campaign which is not there.
    let (status, listed) = run(&["--list"]);
    assert!(status.success(), "{listed}");
    let named: BTreeSet<String> = rows().iter().flat_map(|row| texts(row, "campaigns")).collect();
    assert!(
        named.len() > 15 && named.iter().all(|name| listed.contains(&format!("campaign {name}"))),
        "{listed}"
    );
    let (status, said) = run(&["--only", "kil"]);
    assert!(!status.success() && said.contains("no campaign is named kil"), "{said}");
}

#[test]
fn a_few_faults_of_each_kind_lose_nothing() {
    for (name, times) in SHORT {
        let mut command = Command::new(env!("CARGO_BIN_EXE_campaign"));
        let output = command.args(["--short", "--only", name, "--times", times]).output().expect("it starts");
        let text = String::from_utf8_lossy(&output.stdout);
        println!("{text}");
        assert!(output.status.success(), "{name}: {text}\n{}", String::from_utf8_lossy(&output.stderr));
    }
}
