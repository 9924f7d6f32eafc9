//! The command's text and JSON for a command line, and what it complains of.

use std::path::Path;

use clap::Parser;
use serde_json::Value;

use super::*;
use crate::config::load_with;

#[derive(Parser)]
struct Line {
    #[command(flatten)]
    options: Options,
}

fn options(words: &[&str]) -> Options {
    Line::try_parse_from(["mix"].iter().chain(words)).expect("a command line").options
}

/// The sumps of the example configuration.
fn sumps() -> Vec<SumpSettings> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/examples/small-shop.toml");
    load_with(&path, &[]).expect("a sound configuration").settings.engine.sumps
}

fn answered(words: &[&str]) -> Reply {
    reply(&options(words), &[]).unwrap_or_else(|wrong| panic!("{words:?}: {wrong:?}"))
}

/// Complaints as one text.
fn refused(words: &[&str], sumps: &[SumpSettings]) -> String {
    let wrong = reply(&options(words), sumps).expect_err("something is wrong");
    wrong.iter().map(|w| format!("{w}\n")).collect()
}

#[track_caller]
fn holds(text: &str, parts: &[&str]) {
    // Lines may be broken anywhere between words.
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in parts {
        assert!(flat.contains(part), "{part:?} is not in\n{text}");
    }
}

#[test]
fn a_top_up_says_what_to_pour_first_and_why_last() {
    let reply = answered(&["--volume", "260 L", "--now", "5.2", "--target", "7", "--fill-to", "320 L"]);
    // (320 · 7 − 260 · 5.2) / 60 = 14.8 %; 60 L · 14.8 % = 8.88 L.
    assert!(
        reply.reached && reply.text.starts_with("Pour in 60.0 L of a premix of 14.80 %"),
        "{}",
        reply.text
    );
    let parts = [
        "8.88 L of concentrate into 51.1 L of water",
        "1. Put 51.1 L of water",
        "2. Stir 8.88 L of concentrate into it. Never pour water into concentrate.",
        "afterwards 320 L at 7.00 %",
        "never with neat concentrate. [company instruction built on BG rule 143]",
        "Wear gloves and eye protection",
        "not a safety system: the fluid's safety data sheet",
    ];
    holds(&reply.text, &parts);
    let longest = reply.text.lines().map(|line| line.chars().count()).max();
    assert!(longest <= Some(100), "{longest:?}\n{}", reply.text);
}

#[test]
fn where_pouring_is_not_enough_it_says_so_and_how_much_to_drain() {
    let strong = answered(&["--volume", "300 L", "--now", "9.5", "--target", "7", "--fill-to", "320 L"]);
    assert!(!strong.reached);
    // Best: (300 · 9.5 + 20 · 1) / 320 = 8.97 %. Kept: 320 · (7 − 1) / (9.5 − 1) = 225.88 L.
    holds(
        &strong.text,
        &[
            "Too strong for the room there is",
            "premix it would take none could",
            "brings it to 8.97 %",
            "drain 74.1 L first",
        ],
    );
    let full = answered(&["--volume", "330 L", "--now", "7", "--target", "7", "--fill-to", "320 L"]);
    holds(&full.text, &["10.0 L too much in it", "drain 10.0 L."]);
}

#[test]
fn without_a_mark_the_concentration_is_corrected_by_the_rules() {
    let weak = answered(&["--volume", "200 L", "--brix", "2.5", "--factor", "2", "--target", "7"]);
    // 200 · 2 / 23 = 17.39 L of 30 %; neat 200 · 2 / 93 = 4.30 L.
    holds(
        &weak.text,
        &["2.5 Brix × 2 = 5.00 %", "17.4 L of a premix of 30.00 %", "neat, not to be poured 4.30 L"],
    );
    let strong = answered(&["--volume", "200 L", "--now", "9.5 %", "--target", "7"]);
    holds(&strong.text, &["Pour in 83.3 L of a premix of 1.00 %"]);
    let right = answered(&["--volume", "200 L", "--now", "7", "--target", "7"]);
    assert!(right.reached);
    holds(&right.text, &["Nothing to pour"]);
}

#[test]
fn a_premix_at_hand_and_gallons() {
    let reply = answered(&[
        "--volume",
        "70 [gal_us]",
        "--now",
        "5.2",
        "--target",
        "7",
        "--fill-to",
        "85 [gal_us]",
        "--premix",
        "10",
    ]);
    holds(
        &reply.text,
        &["Filling up with 15.0 gal of the premix of 10.00 % gives 6.05 %", "42.0 gal of it would lead"],
    );
}

/// A sump past its hardness limit, with one water at hand.
const TOO_HARD: [&str; 14] = [
    "--volume",
    "260 L",
    "--now",
    "6.5",
    "--target",
    "7",
    "--fill-to",
    "320 L",
    "--hardness",
    "420 mg/L",
    "--limit",
    "350 mg/L",
    "--water-hardness",
    "220 mg/L",
];

#[test]
fn hardness_is_answered_with_exchange_dump_share_and_cost() {
    let more = [
        "--soft-hardness",
        "10 mg/L",
        "--waste-price",
        "0.5",
        "--concentrate-price",
        "6",
        "--evaporation",
        "8 L",
        "--dragout",
        "2 L",
    ];
    let reply = answered(&[&TOO_HARD[..], &more].concat());
    let parts = [
        // Kept: 320 · (350 − 220) / (420 − 220) = 208 L, so 52 L go, 112 L come, 7.84 L of concentrate with them.
        "drain 52.0 L and refill with 112 L with the water at hand (220 mg/L)",
        "52.0 L of waste at 26.00 and 47.04 for concentrate, 73.04 in all",
        "a full dump is 260 L of waste at 130.00",
        // 60 L may bring 46.7 mg/L: (220 − 46.7) / 210 = 82.5 %.
        "83 % of low-mineral water in what is filled up keeps it at 350 mg/L",
        // Plateau 220 · 5 = 1100; top-up may have 70: (220 − 70) / 210 = 71.4 %.
        "hardness tends to 1100 mg/L with the water at hand; 72 % of low-mineral water",
        "a premix of 1.40 % holds 7.00 %",
        "Very soft water may foam",
        "only by a licensed route",
    ];
    holds(&reply.text, &parts);
}

#[test]
fn where_something_has_to_be_drained_the_steps_begin_with_it() {
    let reply = answered(&TOO_HARD);
    // 208 L stay at 6.5 %: the refill has (320 · 7 − 208 · 6.5) / 112 = 7.93 %.
    let parts = [
        "drain 52.0 L and refill with 112 L of a premix of 7.93 %",
        "its water of at most 220 mg/L: 7.00 % and 350 mg/L then.",
        "refill after draining 112 L at 7.93 %",
        "Without regard to hardness: Pour in 60.0 L",
        "1. Drain 52.0 L into a waste container. 2. Put 103 L of water",
    ];
    assert!(
        !reply.reached && reply.text.starts_with("For hardness and concentration together, drain 52.0 L")
    );
    holds(&reply.text, &parts);
}

#[test]
fn a_configuration_fills_in_what_is_not_said() {
    let sumps = sumps();
    let with = |words: &[&str]| {
        let words: Vec<&str> = ["--config", "shop.toml"].iter().chain(words).copied().collect();
        reply(&options(&words), &sumps)
    };
    // 1200 mm × 700 mm × 200 mm = 168 L and 35 L in the lines; the mark is at 260.4 L, the target 7.5 %.
    let running = with(&["--sump", "lathe-3", "--level", "200 mm", "--brix", "5"]).unwrap();
    holds(&running.text, &["in the sump 203 L at 7.00 %", "wanted 260 L at 7.50 %", "of it run back 35.0 L"]);
    let standing = with(&["--sump", "lathe-3", "--level", "200 mm", "--standing", "--now", "7"]).unwrap();
    holds(&standing.text, &["in the sump 168 L at 7.00 %"]);
    let over = with(&["--sump", "lathe-3", "--volume", "250 L", "--now", "7", "--fill-to", "340 L"]).unwrap();
    assert!(!over.reached);
    holds(&over.text, &["STOP: the tank does not hold 340 L. It runs over by 4.00 L when the pumps stop."]);
    let wrong = ["--config", "shop.toml", "--sump", "lathe-9", "--level", "900 mm", "--now", "7"];
    holds(&refused(&wrong, &sumps), &["there is no sump \"lathe-9\"", "there is lathe-3"]);
    let deep = ["--config", "shop.toml", "--sump", "lathe-3", "--level", "900 mm", "--now", "7"];
    holds(&refused(&deep, &sumps), &["900 mm lies outside the tank", "from 0 to 400 mm"]);
}

#[test]
fn every_wrong_input_is_named_at_once_with_what_would_be_right() {
    let wrong = refused(&["--volume", "260", "--now", "5,2", "--target", "7 L", "--fill-to", "12 bar"], &[]);
    let parts = [
        "--volume: `260` has no unit write it as in \"260 L\"",
        "--now: `5,2` has a comma in its number",
        "--target: `7 L` is no percentage",
        "--fill-to: `12 bar` is in a unit of something else",
    ];
    holds(&wrong, &parts);
    holds(&refused(&["--volume", "260 L", "--now", "5"], &[]), &["--target is missing"]);
    holds(&refused(&["--brix", "5"], &[]), &["--factor is missing"]);
    holds(&refused(&[], &[]), &["there is nothing to reckon"]);
    let hard = ["--volume", "1 L", "--hardness", "420 mg/L"];
    holds(&refused(&hard, &[]), &["--limit is missing", "--water-hardness is missing"]);
    let range = ["--volume", "260 L", "--now", "105", "--target", "7", "--fill-to", "320 L"];
    holds(&refused(&range, &[]), &["the concentration in the sump is 105 %; it lies from 0 to 100 %"]);
    assert!(Line::try_parse_from(["mix", "--volume", "1 L", "--level", "1 mm"]).is_err());
}

#[test]
fn json_holds_the_same_numbers_rules_and_the_notice() {
    let words = ["--volume", "260 L", "--now", "5.2", "--target", "7", "--fill-to", "320 L", "--json"];
    let value: Value = serde_json::from_str(&answered(&words).text).unwrap();
    let top_up = &value["advice"]["top_up"];
    let premix = top_up["numbers"]["pour"]["premix_percent"].as_f64().unwrap();
    assert!((premix - 14.8).abs() < 1e-9, "{value:#}");
    assert_eq!(top_up["numbers"]["outcome"], "reached");
    assert_eq!(top_up["rules"][0]["word"], "mass-balance");
    assert_eq!(value["reached"], true);
    assert!(value["notice"].as_str().unwrap().contains("not a safety system"));
    assert!(value["advice"].get("exchange").is_none());
}

#[test]
fn steps_lead_where_the_first_line_says() {
    // 300 L at 4 % with 20 L of room: 30 % of them bring it to 5.6 %, so something has to go first.
    let weak = answered(&["--volume", "300 L", "--now", "4", "--target", "7", "--fill-to", "320 L"]);
    let drained = weak.text.find("drain ").expect("it says what to drain");
    let step = weak.text.find("1. Drain ").expect("the steps begin with the draining");
    assert!(drained < step && !weak.reached, "{}", weak.text);
    let full = answered(&["--volume", "340 L", "--now", "7", "--target", "7", "--fill-to", "320 L"]);
    holds(&full.text, &["drain 20.0 L.", "1. Drain 20.0 L into a waste container."]);
    assert!(!full.text.contains("2."), "nothing is poured: {}", full.text);
}

#[test]
fn a_tank_that_would_run_over_stops_everything() {
    let sumps = sumps();
    let words = [
        "--config",
        "shop.toml",
        "--sump",
        "lathe-3",
        "--volume",
        "200 L",
        "--now",
        "5",
        "--fill-to",
        "900 L",
    ];
    let reply = reply(&options(&words), &sumps).expect("an answer");
    assert!(reply.text.starts_with("STOP: the tank does not hold"), "{}", reply.text);
    assert!(!reply.text.contains("Add it to the sump"), "{}", reply.text);
}

#[test]
fn a_blend_without_soft_water_is_no_minus() {
    let words = [
        "--volume",
        "260 L",
        "--hardness",
        "200 mg/L",
        "--limit",
        "400 mg/L",
        "--water-hardness",
        "100 mg/L",
    ];
    let reply = answered(&[&words[..], &["--soft-hardness", "10 mg/L", "--fill-to", "320 L"]].concat());
    assert!(!reply.text.contains("-0 %") && reply.text.contains("0 % low-mineral"), "{}", reply.text);
}
