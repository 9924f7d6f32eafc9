//! What people and machines send, taken or refused in words.

use super::*;

fn book() -> NoteBook {
    let name = |text| Name::new(text).unwrap();
    NoteBook::new(vec![
        (name("lathe-3"), vec![(name("ph"), ProbeIndex(0))]),
        (name("mill-1"), vec![(name("ph"), ProbeIndex(1)), (name("level"), ProbeIndex(2))]),
    ])
}

fn now() -> Timestamp {
    Timestamp::parse("2026-03-02T08:00:00.123456Z").unwrap()
}

fn taken(json: &str) -> Result<Note, Refused> {
    Draft::parse(json.as_bytes()).and_then(|draft| book().check(&draft, now()))
}

fn value(kind: &str, value: &str) -> Result<f64, Refused> {
    taken(&format!(r#"{{"sump":"lathe-3","by":"Kim","kind":"{kind}",{value}}}"#)).map(|note| note.value)
}

fn why(json: &str) -> (NoteRefusal, String) {
    let refused = taken(json).expect_err(json);
    (refused.why, refused.to_string())
}

#[test]
fn a_note_says_what_when_and_who() {
    let note = taken(
        r#"{"sump":"mill-1","kind":"calibrated","probe":"level","by":" Kim ","text":"<b>new</b> electrode",
            "at":"2026-03-02T09:00:00+01:00"}"#,
    )
    .unwrap();
    assert_eq!((note.sump, note.kind, note.probe), (SumpIndex(1), NoteKind::Calibrated, Some(ProbeIndex(2))));
    assert_eq!(note.at, Timestamp::parse("2026-03-02T08:00:00Z").unwrap());
    assert_eq!(note.by.unwrap().as_str(), "Kim");
    assert_eq!(note.text.unwrap().as_str(), "<b>new</b> electrode");
    let plain = taken(r#"{"sump":"lathe-3","kind":"inspected","by":"Kim"}"#).unwrap();
    assert_eq!((plain.value, plain.at), (1.0, now().floor_to_millis()));
}

#[test]
fn numbers_come_as_people_write_them() {
    for (kind, given, expected) in [
        ("brix", r#""value":3.7"#, 3.7),
        ("brix", r#""value":"3,7""#, 3.7),
        ("brix", r#""value":"3.7 °Bx""#, 3.7),
        ("concentration_percent", r#""value":"0,125 %""#, 0.125),
        ("topup_l", r#""value":"60L""#, 60.0),
        ("topup_l", r#""value":"5 gal""#, 18.92705892),
        ("topup_l", r#""value":5,"unit":"[gal_us]""#, 18.92705892),
        ("topup_l", r#""value":"0.06 m3""#, 60.0),
        ("chip_depth_mm", r#""value":"1.5 in""#, 38.1),
        ("dip_slide_cfu_ml", r#""value":"10^4""#, 10_000.0),
        ("dip_slide_cfu_ml", r#""value":"1e6 CFU/mL""#, 1_000_000.0),
        ("odour", r#""value":2"#, 2.0),
        ("cleanout", r#""value":1"#, 1.0),
        ("hardness_mg_l", r#""value":"10 mmol/L""#, 1000.86),
        ("nitrite_mg_l", r#""value":"20 ppm""#, 20.0),
        ("ph", r#""value":"9,1""#, 9.1),
    ] {
        let found = value(kind, given).unwrap_or_else(|refused| panic!("{kind} {given}: {refused}"));
        assert!((found - expected).abs() < 1e-9, "{kind} {given}: {found}");
    }
    // Published: 1 °dH = 17.848 mg/L as CaCO3 (liquisearch.com, hard water, measurement).
    let german = value("hardness_mg_l", r#""value":"23.5 °dH""#).unwrap();
    assert!((german / (23.5 * 17.848) - 1.0).abs() < 2e-4, "{german}");
}

#[test]
fn what_cannot_be_meant_is_refused_with_its_reason() {
    use NoteRefusal::{BadValue, OutOfRange, WrongUnit};
    for (kind, given, expected) in [
        ("ph", r#""value":14.5"#, OutOfRange),
        ("brix", r#""value":-1"#, OutOfRange),
        ("topup_l", r#""value":"200 m3""#, OutOfRange),
        ("odour", r#""value":4"#, OutOfRange),
        ("odour", r#""value":1.5"#, BadValue),
        ("cleanout", r#""value":0.5"#, BadValue),
        ("brix", r#""value":"""#, BadValue),
        ("brix", r#""value":"much""#, BadValue),
        ("brix", r#""value":"NaN""#, BadValue),
        ("brix", r#""value":"1e999""#, BadValue),
        ("topup_l", r#""value":"1,234""#, BadValue),
        ("topup_l", r#""value":"1.234,5""#, BadValue),
        ("brix", r#""text":"no value""#, BadValue),
        ("action", r#""value":1,"text":"x""#, BadValue),
        ("topup_l", r#""value":"60 mm""#, WrongUnit),
        ("topup_l", r#""value":"60 L","unit":"m3""#, WrongUnit),
        ("odour", r#""value":"2 %""#, WrongUnit),
        ("dip_slide_cfu_ml", r#""value":"10^99""#, BadValue),
    ] {
        assert_eq!(value(kind, given).map_err(|refused| refused.why), Err(expected), "{kind} {given}");
    }
    let words = value("topup_l", r#""value":"60 mm""#).unwrap_err().to_string();
    assert_eq!(words, "`mm` is no unit of `topup_l`; write it as in \"60 L\" or \"5 gal\" (US)");
}

#[test]
fn whoever_sends_nonsense_is_told_what_would_be_right() {
    let note = |more: &str| format!(r#"{{"sump":"lathe-3","kind":"brix","value":3.7,{more}}}"#);
    for (json, expected, words) in [
        ("[]", NoteRefusal::Malformed, "send one JSON object"),
        ("{\"sump\":{\"a\":[]}}", NoteRefusal::Malformed, "send one JSON object"),
        (r#"{"sump":"lathe-3","sump":"mill-1"}"#, NoteRefusal::Malformed, "duplicate field"),
        (&note(r#""by":"Kim","colour":"blue""#), NoteRefusal::Malformed, "unknown field `colour`"),
        ("{}", NoteRefusal::Missing, "`sump` is missing"),
        (r#"{"sump":"lathe-4"}"#, NoteRefusal::UnknownSump, "there is: lathe-3, mill-1"),
        (r#"{"sump":"lathe-3"}"#, NoteRefusal::Missing, "`kind` is missing"),
        (r#"{"sump":"lathe-3","kind":"birx"}"#, NoteRefusal::UnknownKind, "brix, hardness_mg_l"),
        (r#"{"sump":"lathe-3","kind":"calibrated","by":"Kim"}"#, NoteRefusal::Missing, "`probe` is missing"),
        (
            r#"{"sump":"lathe-3","kind":"calibrated","probe":"level"}"#,
            NoteRefusal::UnknownProbe,
            "there is: ph",
        ),
        (&note(r#""by":"Kim","probe":"ph""#), NoteRefusal::UnknownProbe, "leave `probe` away"),
        (&note(r#""text":"x""#), NoteRefusal::Missing, "`by` is missing"),
        (&note(r#""by":" ""#), NoteRefusal::BadText, "`by` is empty"),
        (&note(r#""by":"K\u001b[2Jim""#), NoteRefusal::BadText, "U+001B"),
        (&note(r#""by":"K\u202eim""#), NoteRefusal::BadText, "U+202E"),
        (&note(r#""by":"Kim","text":"a\nb""#), NoteRefusal::BadText, "U+000A"),
        (r#"{"sump":"lathe-3","kind":"action","by":"Kim"}"#, NoteRefusal::Missing, "without `text`"),
        (&note(r#""by":"Kim","at":"yesterday""#), NoteRefusal::BadTime, "RFC 3339"),
        (&note(r#""by":"Kim","at":"2026-03-02T08:06:00Z""#), NoteRefusal::TimeRefused, "at most 5 minutes"),
        (&note(r#""by":"Kim","at":"2026-01-20T08:00:00Z""#), NoteRefusal::TimeRefused, "for 35 days"),
        (
            r#"{"sump":"lathe-3","kind":"cleanout","value":1,"by":"Kim","at":"2026-03-01T08:00:00Z"}"#,
            NoteRefusal::TimeRefused,
            "use kind `action`",
        ),
    ] {
        let (found, said) = why(json);
        assert_eq!(found, expected, "{json}: {said}");
        assert!(said.contains(words), "{json}: {said}");
    }
    assert!(taken(&note(r#""by":"Kim","at":"2026-03-02T08:04:00Z""#)).is_ok());
    assert!(taken(&note(r#""by":"Kim","at":"2026-01-27T08:00:01Z""#)).is_ok());
}

#[test]
fn hostile_text_comes_back_escaped_and_short() {
    let name = "\\u001b[31m".repeat(2000);
    let (_, said) = why(&format!(r#"{{"sump":"{name}"}}"#));
    assert!(said.len() < 400 && !said.contains('\u{1b}'), "{said}");
    let (_, said) = why(&format!(r#"{{"{name}":1}}"#));
    assert!(said.len() < 400 && !said.contains('\u{1b}'), "{said}");
    assert_eq!(why(&" ".repeat(DRAFT_BYTES_MAX + 1)).0, NoteRefusal::Oversized);
    let deep = "[".repeat(DRAFT_BYTES_MAX);
    assert_eq!(why(&format!(r#"{{"value":{deep}"#)[..DRAFT_BYTES_MAX]).0, NoteRefusal::Malformed);
}

#[test]
fn a_draft_is_written_as_it_is_read() {
    let json = r#"{"sump":"lathe-3","kind":"brix","value":3.7,"by":"Kim"}"#;
    assert_eq!(serde_json::to_string(&Draft::parse(json.as_bytes()).unwrap()).unwrap(), json);
}
