//! The schema against the reader and the checks: one source for what is said of a key.

use std::collections::{BTreeMap, BTreeSet};

use super::super::in_force::{in_force, ranges};
use super::super::tests::repository;
use super::*;

/// Ends that depend on other keys, so that no docstring can say them.
const DEPENDENT: [&str; 11] = [
    "worst_reply",
    "reconnect_after_max",
    "stale_after",
    "after",
    "lead",
    "accuracy",
    "deadband",
    "step",
    "change_per_s",
    "least_change",
    "temperature",
];

/// Configurations that are right.
fn sound() -> Vec<std::path::PathBuf> {
    let corpus = repository().join("tests/config");
    let mut files: Vec<_> = std::fs::read_dir(corpus).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|e| e == "toml"));
    files.push(repository().join("deploy/examples/small-shop.toml"));
    files.sort();
    files
}

#[test]
fn every_key_says_what_it_is_for() {
    let schema = schema();
    let tables = schema["$defs"].as_object().unwrap().values().chain([&schema]);
    let mut keys = 0;
    for table in tables {
        for (key, node) in table["properties"].as_object().into_iter().flatten() {
            keys += 1;
            assert!(!first_sentence(&schema, node).is_empty(), "{key} has no docstring in\n{table:#}");
        }
    }
    assert!(keys > 200, "{keys}");
}

#[test]
fn every_setting_of_a_sound_configuration_can_be_explained() {
    let mut seen = BTreeSet::new();
    for file in sound() {
        for setting in in_force(&file, &[]).unwrap_or_default() {
            if let Err(wrong) = explain(&setting.key) {
                panic!("{}: {}; {}", file.display(), wrong.what, wrong.cure);
            }
            seen.insert(setting.key);
        }
    }
    assert!(seen.len() > 200, "{}", seen.len());
}

#[test]
fn the_ranges_that_docstrings_tell_are_those_that_are_checked() {
    let mut checked: BTreeMap<Vec<String>, BTreeSet<(String, String)>> = BTreeMap::new();
    for file in sound() {
        for (path, range) in ranges(&file) {
            checked.entry(path).or_default().insert(range);
        }
    }
    let mut wrong = BTreeSet::new();
    let mut told = BTreeSet::new();
    for (path, ranges) in checked {
        let named: Vec<&str> =
            path.iter().filter(|part| !part.starts_with('#')).map(String::as_str).collect();
        let key = *named.last().unwrap();
        let Ok(about) = explain(&named.join(".")) else { continue };
        for (low, high) in ranges {
            let same =
                |told: &str, checked: &str| told == checked || told.starts_with(&format!("{checked} "));
            let ends = about.range.as_deref().and_then(|range| range.split_once(" to "));
            match ends {
                Some((from, to)) if same(from, &low) && same(to, &high) => {
                    told.insert(key.to_owned());
                }
                None if DEPENDENT.contains(&key) => {}
                _ => {
                    wrong.insert(format!("{key}: told {:?}, checked {low} to {high}", about.range));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(told.len() > 25, "{told:?}");
}

#[test]
fn the_orders_of_bytes_are_those_that_are_read() {
    use sumpwarden_protocol::words::Order;
    let schema = schema();
    let words = schema["$defs"]["Probe"]["properties"]["order"]["enum"].as_array().unwrap().clone();
    assert_eq!(words.len(), 4);
    assert!(words.iter().all(|word| word.as_str().unwrap().parse::<Order>().is_ok()));
}
