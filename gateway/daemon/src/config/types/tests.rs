//! Types against the same shop written out, from variables and fragments, in numbers, and as bombs.

use std::fs;
use std::time::{Duration, Instant};

use proptest::prelude::*;

use crate::config::tests::{Scratch, complaints, repository};
use crate::config::{Loaded, load_with};

/// The shop of two sumps of one type.
fn sound() -> String {
    fs::read_to_string(repository().join("tests/config/types-sound.toml")).unwrap()
}

/// What stands before its sumps and devices.
fn types() -> String {
    let sound = sound();
    sound[..sound.find("[device.a]").unwrap()].to_owned()
}

/// The tenth sump and its device.
const TENTH: &str =
    "[device]\nj = { type = \"head\", unit_id = 10 }\n[sump.tenth]\ntype = \"small\"\ndevice = \"j\"\n";

fn sound_with(variables: &[(&str, &str)]) -> Loaded {
    let scratch = Scratch::new("types-variables");
    scratch.file("shop.toml", sound());
    scratch.load(variables).unwrap_or_else(|report| panic!("{report}"))
}

#[test]
fn a_shop_of_types_is_the_same_as_one_written_out() {
    let load = |name: &str| load_with(&repository().join("tests/config").join(name), &[]).unwrap();
    assert_eq!(load("types-sound.toml").settings, load("types-sound-longhand.toml").settings);
}

#[test]
fn the_tenth_sump_is_five_lines_and_may_stand_in_a_fragment() {
    assert_eq!(TENTH.lines().count(), 5);
    let scratch = Scratch::new("types-tenth");
    scratch.file("shop.toml", sound());
    scratch.file("conf.d/tenth.toml", TENTH);
    let settings = scratch.load(&[]).unwrap_or_else(|report| panic!("{report}")).settings;
    let of = |name: &str| settings.engine.sumps.iter().position(|s| s.name.as_str() == name).unwrap();
    let (lathe, tenth) = (of("lathe"), of("tenth"));
    let probes = |sump: usize| {
        let of_sump = settings.engine.probes.iter().filter(|probe| probe.sump.slot() == sump);
        of_sump.map(|probe| (probe.name.to_string(), probe.range, probe.accuracy)).collect::<Vec<_>>()
    };
    assert_eq!(probes(tenth), probes(lathe));
    assert_eq!(settings.engine.sumps[tenth].tank, settings.engine.sumps[lathe].tank);
    let units: Vec<u8> = settings.engine.buses[0].devices.iter().map(|d| d.unit_id).collect();
    assert_eq!(units, [3, 4, 10]);
    assert!(settings.engine.buses[0].devices.iter().all(|d| d.points.len() == 2));
}

#[test]
fn variables_set_what_a_type_says_and_what_one_sump_makes_of_it() {
    let timeouts = |loaded: &Loaded| {
        loaded.settings.engine.buses[0].devices.iter().map(|d| d.timeout.as_millis()).collect::<Vec<_>>()
    };
    let marks =
        |loaded: &Loaded| loaded.settings.engine.sumps.iter().map(|s| s.fill_mark_mm).collect::<Vec<_>>();
    let all = sound_with(&[
        ("SUMPWARDEN__DEVICE_TYPE__HEAD__TIMEOUT", "700 ms"),
        ("SUMPWARDEN__SUMP_TYPE__SMALL__FILL_MARK", "300 mm"),
    ]);
    assert_eq!((timeouts(&all), marks(&all)), (vec![700, 700], vec![300.0, 300.0]));
    let one = sound_with(&[
        ("SUMPWARDEN__DEVICE__B__TIMEOUT", "700 ms"),
        ("SUMPWARDEN__SUMP__MILL__FILL_MARK", "300 mm"),
        ("SUMPWARDEN__SUMP__MILL__PROBE__PH__ACCURACY", "0.3"),
    ]);
    assert_eq!((timeouts(&one), marks(&one)), (vec![300, 700], vec![310.0, 300.0]));
    let accuracies: Vec<f64> = one.settings.engine.probes.iter().map(|p| p.accuracy.absolute).collect();
    assert_eq!(accuracies, [2.0, 0.2, 2.0, 0.3]);
    let scratch = Scratch::new("types-wrong-variables");
    scratch.file("shop.toml", sound());
    for (name, text, complaint) in [
        ("SUMPWARDEN__SUMP__MILL__TYPE", "smal", "there is no sump_type \"smal\"; did you mean `small`?"),
        (
            "SUMPWARDEN__SUMP__MILL__PROBE__PHH__SCALE",
            "1",
            "no `phh` in `sump.mill.probe`; did you mean `ph`?",
        ),
        ("SUMPWARDEN__SUMP_TYPE__LARGE__TITLE", "x", "no `large` in `sump_type`"),
        ("SUMPWARDEN__DEVICE_TYPE__HEAD__PROBE__PH__SCALE", "0", "a scale of 0 makes every reading the same"),
    ] {
        let found = scratch.load(&[(name, text)]).expect_err(name).to_string();
        assert!(found.starts_with(&format!("environment {name}: ")) && found.contains(complaint), "{found}");
        assert_eq!(found.lines().count(), 1, "{found}");
    }
}

/// `count` sumps of a type, each with its device, ten to a line.
fn many(count: usize) -> String {
    let mut text = types();
    for n in 0..count {
        if n % 10 == 0 {
            text.push_str(&format!(
                "[bus.extra-{n}]\nlink = \"modbus-tcp\"\naddress = \"192.0.2.{}:502\"\n",
                n / 10 + 1
            ));
        }
        let (bus, unit) = (n / 10 * 10, n % 10 + 1);
        text.push_str(&format!(
            "[device.d{n}]\ntype = \"head\"\nbus = \"extra-{bus}\"\nunit_id = {unit}\n\
             [sump.s{n}]\ntype = \"small\"\ndevice = \"d{n}\"\n"
        ));
    }
    let line = "[bus.line-1]\nlink = \"modbus-rtu\"\nport = \"/dev/serial/by-id/usb-0\"\n";
    assert!(text.contains(line), "{text}");
    text.replace(line, "").replace("[device_type.head]\nbus = \"line-1\"\n", "[device_type.head]\n")
}

#[test]
fn forty_sumps_of_one_type_load_soon() {
    let scratch = Scratch::new("types-forty");
    for count in [40, 200] {
        scratch.file("shop.toml", many(count));
        let started = Instant::now();
        let loaded = scratch.load(&[]).unwrap_or_else(|report| panic!("{report}"));
        let taken = started.elapsed();
        assert_eq!(loaded.settings.engine.probes.len(), 2 * count);
        eprintln!("{count} sumps of one type: {taken:?}");
        assert!(taken < Duration::from_secs(20), "{count} took {taken:?}");
    }
}

/// One mistake of a type that forty sumps use is one line.
#[test]
fn a_mistake_in_a_type_of_forty_sumps_is_told_once() {
    let scratch = Scratch::new("types-forty-wrong");
    let wrong = many(40)
        .replace("register = \"30001\"", "register = \"3000\"")
        .replace("low = \"140 mm\"", "low = \"14 C\"");
    scratch.file("shop.toml", wrong);
    let found = complaints(&scratch.load(&[]), &scratch.0);
    assert_eq!(found.lines().count(), 2, "{found}");
    assert!(found.lines().all(|line| !line.contains("used by")), "{found}");
}

#[test]
fn what_grows_too_large_by_its_types_is_refused_soon() {
    let scratch = Scratch::new("types-bomb");
    let mut wide = types();
    for n in 0..1_000 {
        wide.push_str(&format!("[sump_type.small.limit.l{n}]\nof = \"level\"\nlow = \"1{n} mm\"\n"));
    }
    let long = types()
        .replace("fluid = \"semi\"", &format!("fluid = \"semi\"\ntitle = \"{}\"", "x".repeat(500_000)));
    for (name, shop, complaint) in [
        ("keys", wide, "with what its types bring, the shop has over 50000 keys and list items"),
        ("bytes", long, "with what its types bring, the shop has over 8 MiB"),
    ] {
        let users: String = (0..2_000).map(|n| format!("[sump.s{n}]\ntype = \"small\"\n")).collect();
        scratch.file("shop.toml", shop + &users);
        let started = Instant::now();
        let found = scratch.load(&[]).expect_err(name).to_string();
        let taken = started.elapsed();
        assert!(found.contains(complaint), "{name}: {}", &found[..found.len().min(500)]);
        assert!(found.matches("with what its types bring").count() == 1, "{name}");
        assert!(taken < Duration::from_secs(20), "{name} took {taken:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn damaged_types_are_answered_without_a_panic(
        at in any::<prop::sample::Index>(),
        cut in 0usize..60,
        word in prop::sample::select(vec!["", "type = 3", "= false", "[device.a]", "[]", "{}", "\"a\"", "[device_type.head.probe]", "\n", "1e999"]),
    ) {
        let scratch = Scratch::new("types-damaged");
        let mut bytes = sound().into_bytes();
        let at = at.index(bytes.len());
        let end = (at + cut).min(bytes.len());
        bytes.splice(at..end, word.bytes());
        scratch.file("shop.toml", bytes);
        if let Err(report) = scratch.load(&[]) {
            prop_assert!(report.refuses(), "refused without a mistake");
            prop_assert!(!report.draw(false).is_empty());
        }
    }
}
