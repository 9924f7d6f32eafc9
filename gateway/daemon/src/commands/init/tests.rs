//! Conversations as they are typed, and what comes of them.

use std::collections::BTreeMap;
use std::io::Cursor;

use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_core::model::Quantity;

use super::answers::Answers;
use super::check::check;
use super::dialog::{Dialog, Stopped};
use super::draft::draft;
use super::scanned::Scanned;
use crate::config::Loaded;

/// Types these lines; what was answered, and what was said.
fn typed(lines: &str, terminal: bool) -> (Result<Answers, Stopped>, String) {
    with(lines, terminal, BTreeMap::new(), &Scanned::default())
}

fn with(
    lines: &str,
    terminal: bool,
    given: BTreeMap<String, String>,
    scanned: &Scanned,
) -> (Result<Answers, Stopped>, String) {
    let mut output = Vec::new();
    let mut dialog = Dialog {
        input: Cursor::new(lines.as_bytes()),
        output: &mut output,
        terminal,
        lines: true,
        given,
        before: BTreeMap::new(),
        scanned,
        keep: None,
    };
    let answers = dialog.run();
    (answers, String::from_utf8(output).unwrap())
}

fn loaded(answers: &Answers) -> Loaded {
    check(answers, &Scanned::default()).unwrap_or_else(|wrong| panic!("{wrong:?}"))
}

/// Up to the first sump: a shop with a serial line.
const SHOP: &str = "hall-2\nEurope/Vienna\nde\nmetric\nserial\n/dev/serial/by-id/usb-EXAMPLE\n19200\neven\n\
                    13,4 dH\n560 µS\nsemi-synthetic\n1,4\n7,5 %\n0 560; 3 1010; 5 1290; 8 1690; 12 2190\n";
/// A sump with a tank of 1200 × 700 × 400 mm, full at 310 mm.
const SUMP: &str = "lathe-3\nLathe 3, bay B\n3\nbox\n1200 mm\n700 mm\n40 cm\n310 mm\n120 mm\n290 mm; 312 \
    mm\nph, level\n\
                    30001 i16 x0.01\nholding:4 f32 cdab mm\n";

#[test]
fn a_conversation_becomes_a_configuration() {
    let (answers, said) = typed(&format!("{SHOP}{SUMP}-\nnone\n"), true);
    let answers = answers.unwrap_or_else(|stopped| panic!("{stopped:?}: {said}"));
    // 1.2 m × 0.7 m × 0.31 m = 260.4 L and × 0.4 m = 336 L: length × width × height.
    assert!(said.contains("260 L at the fill mark and 336 L to the brim"), "{said}");
    let settings = loaded(&answers).settings;
    let sump = &settings.engine.sumps[0];
    assert_eq!((sump.name.as_str(), sump.title.as_str()), ("lathe-3", "Lathe 3, bay B"));
    assert!((sump.holdup_l - 1.2 * 0.7 * 22.0).abs() < 0.06, "between two marks: {}", sump.holdup_l);
    // 13.4 °dH × 17.848 = 239.2 mg/L as CaCO3 (1 °dH is 10 mg/L of CaO).
    assert!((sump.water.hardness_mg_l - 239.2).abs() < 0.1, "{}", sump.water.hardness_mg_l);
    assert_eq!(sump.fluid.conductivity_curve.len(), 5);
    let device = &settings.engine.buses[0].devices[0];
    assert_eq!((device.unit_id, device.points.len()), (3, 2));
    assert!(!draft(&answers, &Scanned::default()).text.contains("A GUESS"));
}

#[test]
fn wrong_answers_are_told_with_what_would_be_right_and_asked_again() {
    let shop =
        SHOP.replacen("hall-2", "hall 2\nhall-2", 1).replacen("Europe/Vienna", "Vienna\nEurope/Vienna", 1);
    let sump = SUMP
        .replacen("\n3\n", "\n300\nthree\n3\n", 1)
        .replacen("\n310 mm\n", "\n500 mm\n310\n310 mm\n", 1)
        .replacen("\n120 mm\n", "\n320 mm\n120 mm\n", 1)
        .replacen("30001 i16", "1 i16 x0.01\n30001 i17\n30001 i16", 1);
    let (answers, said) = typed(&format!("{shop}{sump}-\nnone\n"), true);
    let answers = answers.unwrap_or_else(|stopped| panic!("{stopped:?}: {said}"));
    let (right, _) = typed(&format!("{SHOP}{SUMP}-\nnone\n"), true);
    assert_eq!(answers, right.unwrap(), "the right answers count");
    for part in [
        "letters A-Z a-z, digits",
        "500 mm lies above the tank, which is 400 mm high",
        "has no unit",
        "the pump draws air below 320 mm, but the fill mark is at 310 mm",
        "could count from 0 or from 1",
        "write a whole number from 0 to 255",
        "Vienna",
    ] {
        assert!(said.contains(part), "{part:?} is not in\n{said}");
    }
}

#[test]
fn help_is_given_and_back_goes_back_to_the_answer_that_was_given() {
    let lines = format!("?\nfirst\nback\nhall-2\nback\n\nback\n{SHOP}{SUMP}-\nnone\n");
    let (answers, said) = typed(&lines, true);
    let answers = answers.unwrap_or_else(|stopped| panic!("{stopped:?}: {said}"));
    assert!(said.contains("It stands on every message"), "{said}");
    assert!(
        said.contains("Short name of the shop or hall [first]"),
        "the answer before is the default: {said}"
    );
    assert_eq!(answers.get("shop.name"), Some("hall-2"));
    let (_, said) = typed("back\n", true);
    assert!(said.contains("this is the first question"), "{said}");
}

#[test]
fn a_sump_like_the_last_one_is_two_answers() {
    let (answers, said) = typed(&format!("{SHOP}{SUMP}lathe-4\n\nlathe-5\n9\n-\nnone\n"), true);
    let answers = answers.unwrap_or_else(|stopped| panic!("{stopped:?}: {said}"));
    let settings = loaded(&answers).settings;
    let sumps = &settings.engine.sumps;
    assert_eq!(sumps.len(), 3);
    assert!(sumps.iter().all(|s| s.tank == sumps[0].tank && s.holdup_l == sumps[0].holdup_l));
    let units: Vec<u8> = settings.engine.buses[0].devices.iter().map(|d| d.unit_id).collect();
    assert_eq!(units, [3, 4, 9], "the next unit id is the default");
    assert_eq!(settings.engine.probes.len(), 6);
    let text = draft(&answers, &Scanned::default()).text;
    assert!(text.contains("[sump_type.like-lathe-3]") && text.contains("type = \"like-lathe-3\""), "{text}");
    assert_eq!(text.matches("fill_mark").count(), 1, "what they have in common stands once: {text}");
    let (_, said) = typed(&format!("{SHOP}{SUMP}lathe-3\n-\nnone\n"), true);
    assert!(said.contains("there is a sump \"lathe-3\" already"), "{said}");
}

#[test]
fn inches_gallons_and_grains_do_as_well() {
    let lines = "bay-1\nAmerica/Chicago\nus\n\nnetwork\n14 gpg\nnone\nsynthetic\n1.8\n6\nnone\n\
                 mill-1\n\n192.0.2.10:502/7\nlying-cylinder\n24 in\n40 in\nflat\n12 in\n4\"\n9 gal\nlevel \
                     temperature\n\
                 holding:0 u16 x0.1 [in_i]\nholding:1 i16 x0.1 [degF]\n-\nmail\nmail.example:587\nsumps\n\
                 sumps@shop.example\nlead@shop.example\n";
    let (answers, said) = typed(lines, false);
    let answers = answers.unwrap_or_else(|stopped| panic!("{stopped:?}: {said}"));
    let settings = loaded(&answers).settings;
    let sump = &settings.engine.sumps[0];
    // Half of a lying cylinder with flat ends: π·r²·L/2 = π × 30.48² × 101.6 / 2 cm³ = 148.3 L.
    let tank = Tank::new(&sump.tank).unwrap();
    assert!((tank.volume_l(sump.fill_mark_mm) - 148.3).abs() < 0.1, "{}", tank.volume_l(sump.fill_mark_mm));
    // 9 US gallons of 231 in³ are 34.07 L; 14 gpg × 17.118 = 239.7 mg/L.
    assert!((sump.holdup_l - 34.07).abs() < 0.01, "{}", sump.holdup_l);
    assert!((sump.water.hardness_mg_l - 239.7).abs() < 0.1);
    assert_eq!(settings.engine.buses[0].devices[0].unit_id, 7);
    assert_eq!(settings.engine.receivers.len(), 1);
    assert!(draft(&answers, &Scanned::default()).text.contains("A GUESS"), "without a jar test");
}

#[test]
fn other_shapes_and_mqtt_with_json() {
    let lines = "yard\nUTC\nnone\nmetric\nmqtt\nbroker.example:8883\nyes\nsumps\n0 \
        mg/L\nnone\nc\n1\n5\nnone\n\
                 a\n\nhall2/a\nsloped-floor\n1 m\n600 mm\n380 mm\n40 mm\n300 mm\nnone\nnone\nlevel ph\n\
                 level mm\nstatus /coolant/ph\nb\nnew\nThe other\nhall2/b\nstrapping\n0 0; 100 84; 400 336\n200 mm\nnone\n\
                 12 L\nlevel\nlevel mm\n-\nchat\nblocks\n";
    let (answers, said) = typed(lines, false);
    let answers = answers.unwrap_or_else(|stopped| panic!("{stopped:?}: {said}"));
    let settings = loaded(&answers).settings;
    // A wedge under a box: 1000 × 600 × (300 − 40/2) mm = 168 L. Between rows of the table: 84 + 252/3 = 168 L.
    for sump in &settings.engine.sumps {
        let full = Tank::new(&sump.tank).unwrap().volume_l(sump.fill_mark_mm);
        assert!((full - 168.0).abs() < 1e-6, "{}: {full}", sump.name);
    }
    let ph = settings.engine.probes.iter().find(|p| p.quantity == Quantity::Ph).unwrap();
    assert_eq!(settings.engine.sumps[ph.sump.slot()].name.as_str(), "a");
    assert_eq!(settings.engine.brokers[0].topics.len(), 3);
    assert!(settings.engine.brokers[0].topics.iter().any(|t| t.filter == "hall2/a/status"));
}

#[test]
fn from_a_pipe_a_wrong_or_missing_answer_ends_it_by_name() {
    for (lines, parts) in [
        (SHOP.replacen("13,4 dH", "13,4", 1), ["water.hardness", "has no unit of hardness"]),
        (SHOP.replacen("serial", "pigeon", 1), ["from.ways", "write one of serial, network, mqtt"]),
        (SHOP.to_owned(), ["sump.1.name", "Short name of the first sump"]),
    ] {
        match typed(&lines, false) {
            (Err(Stopped::Wrong(why)), _) => {
                assert!(parts.iter().all(|part| why.contains(part)), "{parts:?}: {why}");
            }
            other => panic!("{other:?}"),
        }
    }
    let (left, _) = typed(SHOP, true);
    assert_eq!(left, Err(Stopped::Left), "at a terminal it can be gone on with");
}

#[test]
fn answers_of_a_file_are_taken_first_and_unknown_ones_are_named() {
    let (all, _) = typed(&format!("{SHOP}{SUMP}-\nnone\n"), true);
    let all = all.unwrap();
    let mut given = super::answers::read(&all.to_toml()).unwrap();
    let (again, said) = with("", false, given.clone(), &Scanned::default());
    assert_eq!(again.unwrap_or_else(|s| panic!("{s:?} {said}")), all);
    given.insert("shop.nmae".to_owned(), "x".to_owned());
    match with("", false, given, &Scanned::default()).0 {
        Err(Stopped::Wrong(why)) => assert!(why.contains("did you mean `shop.name`?"), "{why}"),
        other => panic!("{other:?}"),
    }
}
