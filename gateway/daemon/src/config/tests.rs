//! Examples, a corpus of broken files, variables, and things that are no configuration at all.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use proptest::prelude::*;

use super::report::Report;
use super::{Loaded, load_with};

pub(super) fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A directory of its own for one test, gone when dropped.
pub(crate) struct Scratch(pub(super) PathBuf);

impl Scratch {
    pub(crate) fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("sumpwarden-config-{name}-{}", std::process::id()));
        fs::create_dir_all(path.join("conf.d")).unwrap();
        Self(path)
    }

    pub(crate) fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.join(name);
        fs::write(&path, content).unwrap();
        path
    }

    pub(super) fn load(&self, variables: &[(&str, &str)]) -> Result<Loaded, Report> {
        let variables: Vec<_> = variables.iter().map(|(n, t)| ((*n).to_owned(), (*t).to_owned())).collect();
        load_with(&self.0.join("shop.toml"), &variables)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// What is complained of, one line each, with file names instead of paths.
pub(super) fn complaints(result: &Result<Loaded, Report>, directory: &Path) -> String {
    let report = match result {
        Ok(loaded) => &loaded.warnings,
        Err(report) => report,
    };
    report.to_string().replace(&format!("{}/", directory.display()), "")
}

/// The smallest shop of the corpus that is right.
fn sound() -> String {
    fs::read_to_string(repository().join("tests/config/sound.toml")).unwrap()
}

#[test]
fn the_example_of_a_small_shop_loads_without_a_warning() {
    let path = repository().join("deploy/examples/small-shop.toml");
    let loaded = load_with(&path, &[]).unwrap_or_else(|report| panic!("{}", report.draw(false)));
    assert_eq!(loaded.warnings.mistakes, [], "{}", loaded.warnings);
    assert_eq!(loaded.settings.engine.sumps.len(), 2);
    assert_eq!(loaded.settings.engine.probes.len(), 8);
}

/// 12.2 in = 309.88 mm; 27648 counts over 16 mA; mS/cm = 1000 uS/cm; tenths of an ohm; 30003 is index 2.
#[test]
fn the_example_means_what_it_says() {
    use sumpwarden_core::signal::settings::{InputStage, SensorStage};

    let loaded = load_with(&repository().join("deploy/examples/small-shop.toml"), &[]).unwrap();
    let engine = &loaded.settings.engine;
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} instead of {b}");
    near(engine.sumps[1].fill_mark_mm, 309.88);
    let probe = |sump: &str, name: &str| {
        engine
            .probes
            .iter()
            .find(|p| p.name.as_str() == name && engine.sumps[p.sump.slot()].name.as_str() == sump)
            .unwrap()
    };
    let InputStage::Loop { to_ma, points, .. } = &probe("lathe-3", "level").input else { panic!("a loop") };
    near(to_ma.at(0.0), 4.0);
    near(to_ma.at(27_648.0), 20.0);
    assert_eq!(points, &[(4.0, 0.0), (20.0, 500.0)]);
    let InputStage::Scaled(line) = probe("lathe-3", "conductivity").input else { panic!("scaled") };
    near(line.at(1.29), 1290.0);
    let InputStage::Scaled(line) = probe("mill-1", "temperature").input else { panic!("scaled") };
    near(line.at(10_779.0), 1077.9);
    assert_eq!(probe("mill-1", "temperature").sensor, SensorStage::Rtd { r0_ohm: 1000.0, lead_ohm: 0.0 });
    let lathe =
        engine.buses.iter().flat_map(|b| &b.devices).find(|d| d.name.as_str() == "lathe-3-head").unwrap();
    let mut indices: Vec<u16> = lathe.points.iter().map(|p| p.address.index).collect();
    indices.sort_unstable();
    assert_eq!(indices, [0, 0, 1, 2], "discrete input 0, and input registers 30001 to 30003");
    assert_eq!(lathe.timeout, Duration::from_millis(300));
}

/// Every broken file is refused, or warned of, in the very words that stand beside it. With UPDATE_EXPECTED set the words
/// are written anew, to be read before they are committed.
#[test]
fn every_file_of_the_corpus_is_answered_in_the_words_beside_it() {
    let directory = repository().join("tests/config");
    let update = std::env::var_os("UPDATE_EXPECTED").is_some();
    let mut files: Vec<PathBuf> = fs::read_dir(&directory)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "toml"))
        .collect();
    files.sort();
    let mut broken = 0;
    let mut different = String::new();
    for file in files {
        let result = load_with(&file, &[]);
        let found = complaints(&result, &directory);
        broken += usize::from(result.is_err());
        let beside = file.with_extension("expected");
        if update {
            fs::write(&beside, &found).unwrap();
        }
        let expected = fs::read_to_string(&beside).unwrap_or_default();
        if found != expected {
            different.push_str(&format!("--- {}\nexpected:\n{expected}found:\n{found}", file.display()));
        }
    }
    assert!(different.is_empty(), "{different}");
    assert!(broken >= 200, "only {broken} files are broken");
}

#[test]
fn variables_override_single_values_and_say_where_they_are_wrong() {
    let scratch = Scratch::new("variables");
    scratch.file("shop.toml", sound());
    let loaded = scratch
        .load(&[
            ("SUMPWARDEN__DEVICE__HEAD__UNIT_ID", "7"),
            ("SUMPWARDEN__SUMP__LATHE__TARGET_PERCENT", "6.5"),
            ("SUMPWARDEN__sump__lathe__fill_mark", "30 cm"),
            ("SUMPWARDEN__SUMP__LATHE__LIMIT__PH_LOW__LOW", "8.7"),
            ("SUMPWARDEN__SUMP__LATHE__PROBE__LEVEL__FROZEN", "false"),
            ("SUMPWARDEN__WEB__LISTEN", "127.0.0.1:9000"),
            ("SUMPWARDEN__BUS__LINE_1__PARITY", "odd"),
            ("HOME", "/"),
        ])
        .unwrap_or_else(|report| panic!("{report}"));
    let engine = &loaded.settings.engine;
    assert_eq!(engine.buses[0].devices[0].unit_id, 7);
    assert_eq!(engine.sumps[0].target_percent, 6.5);
    assert_eq!(engine.sumps[0].fill_mark_mm, 300.0);
    assert_eq!(engine.alarms.limits[0].setpoint, 8.7);
    assert_eq!(engine.probes[0].name.as_str(), "level");
    assert_eq!(engine.probes[0].frozen, None);
    assert_eq!(loaded.settings.web.listen.port(), 9000);

    for (name, text, complaint) in [
        ("SUMPWARDEN__WBE__LISTEN", "x", "unknown key `wbe` in the file; did you mean `web`?"),
        ("SUMPWARDEN__WEB__LISTNE", "x", "unknown key `listne` in `web`; did you mean `listen`?"),
        ("SUMPWARDEN__BUS__LINE_9__BAUD", "9600", "no `line_9` in `bus`; did you mean `line-1`?"),
        ("SUMPWARDEN__SUMP__LATHE__PROBE__PHH__SCALE", "1", "no `phh` in `sump.lathe.probe`"),
        ("SUMPWARDEN__DEVICE__HEAD__UNIT_ID", "three", "the text \"three\" does not belong here"),
        (
            "SUMPWARDEN__DEVICE__HEAD__UNIT_ID",
            "300",
            "`300` is out of range; write a whole number from 0 to 255",
        ),
        ("SUMPWARDEN__DEVICE__HEAD__UNIT_ID", "", "the text \"\" does not belong here"),
        ("SUMPWARDEN__SUMP__LATHE__TARGET_PERCENT", "NaN", "the text \"NaN\" does not belong here"),
        ("SUMPWARDEN__SUMP__LATHE__TANK", "box", "sets `sump.lathe.tank`, which is no single value"),
        ("SUMPWARDEN__SUMP__LATHE__PROBE__PH__RANGE", "4", "which is no single value"),
        ("SUMPWARDEN__SUMP__LATHE__FILL_MARK__MM", "4", "matches no key"),
        ("SUMPWARDEN__", "4", "matches no key"),
        ("SUMPWARDEN__SITE__NAME", "\u{fffd}", "is no Unicode text"),
        ("SUMPWARDEN__SUMP__LATHE__FILL_MARK", "500 mm", "the fill mark at 500 mm lies above the tank"),
    ] {
        let report = scratch.load(&[(name, text)]).expect_err(name);
        let found = report.to_string();
        let place = format!("environment {name}: ");
        assert!(found.starts_with(&place) && found.contains(complaint), "{found}");
        assert_eq!(found.lines().count(), 1, "{found}");
    }
}

#[test]
fn fragments_add_tables_and_the_same_key_in_two_files_is_a_mistake() {
    let scratch = Scratch::new("fragments");
    scratch.file("shop.toml", sound());
    scratch.file("conf.d/10-mill.toml", "[device.mill]\nbus = \"line-1\"\nunit_id = 4\n");
    let probe = "[sump.lathe.probe.mill]\nquantity = \"ph\"\ndevice = \"mill\"\nregister = \"input:0\"\n";
    scratch.file("conf.d/20-probe.toml", probe);
    scratch.file("conf.d/ignored.txt", "not TOML at all");
    let loaded = scratch.load(&[]).unwrap_or_else(|report| panic!("{report}"));
    assert_eq!(loaded.files.len(), 3);
    assert_eq!(loaded.settings.engine.buses[0].devices.len(), 2);
    assert_eq!(loaded.settings.engine.probes.len(), 4);

    scratch.file("conf.d/30-again.toml", "[device.mill]\nunit_id = 5\n[bus.line-1]\nbaud = \n");
    scratch.file("conf.d/40-again.toml", "[device.mill]\nunit_id = 6\n");
    let found = complaints(&scratch.load(&[]), &scratch.0);
    assert_eq!(
        found,
        "conf.d/30-again.toml:4:8: not TOML: string values must be quoted, expected literal string; \
         texts stand in straight double quotes on one line, name = \"text\"; switches are true or false\n\
         conf.d/40-again.toml:2:1: `device.mill.unit_id` is set in two files (first set here: conf.d/10-mill.toml:3:1); \
         delete one of them\n"
    );
}

#[test]
fn a_secret_comes_from_a_private_file_or_the_environment_and_is_never_shown() {
    const CANARY: &str = "hunter2-canary";
    let scratch = Scratch::new("secrets");
    let secret = scratch.file("shop.password", format!("{CANARY}\n"));
    let with = |line: &str| {
        let address = "address = \"127.0.0.1:1883\"";
        scratch.file(
            "shop.toml",
            sound().replace(address, &format!("{address}\nuser = \"sumpwarden\"\n{line}")),
        );
    };
    let password =
        |loaded: &Loaded| loaded.settings.engine.brokers[0].user.clone().map(|(_, s)| s.reveal().to_owned());
    with("password_file = \"shop.password\"");
    fs::set_permissions(&secret, fs::Permissions::from_mode(0o600)).unwrap();
    let loaded = scratch.load(&[]).unwrap();
    assert_eq!(password(&loaded).as_deref(), Some(CANARY), "the line end is taken off");
    assert!(!format!("{loaded:?}").contains(CANARY));
    for mode in [0o644, 0o640, 0o602] {
        fs::set_permissions(&secret, fs::Permissions::from_mode(mode)).unwrap();
        let found = scratch.load(&[]).expect_err("others can read it").to_string();
        assert!(found.contains(&format!("has mode {mode:04o}")) && found.contains("chmod 600"), "{found}");
    }
    fs::set_permissions(&secret, fs::Permissions::from_mode(0o600)).unwrap();
    std::os::unix::fs::symlink(&secret, scratch.0.join("link")).unwrap();
    for (name, content, complaint) in [
        ("empty", "\n", "is empty"),
        ("two-lines", "a\nb\n", "more than one line"),
        ("link", "", "is a link"),
    ] {
        if name != "link" {
            let path = scratch.file(name, content);
            fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        }
        with(&format!("password_file = \"{name}\""));
        let found = scratch.load(&[]).expect_err(name).to_string();
        assert!(found.contains(complaint), "{found}");
    }

    with("");
    let variable = ("SUMPWARDEN__BROKER__SHOP__PASSWORD", CANARY);
    assert_eq!(password(&scratch.load(&[variable]).unwrap()).as_deref(), Some(CANARY));
    for line in [
        format!("password = \"{CANARY}\""),
        format!("password = '''\n{CANARY}\n'''"),
        format!("pasword = \"{CANARY}\""),
        format!("password = \"{CANARY}"),
        format!("tls = {{ password = \"{CANARY}\" }}"),
        format!("keep_alive = 3 # was password = \"{CANARY}\""),
    ] {
        with(&line);
        let report = scratch.load(&[]).expect_err(&line);
        for shown in [report.to_string(), report.draw(false), report.draw(true)] {
            assert!(!shown.contains(CANARY), "{line} shows\n{shown}");
        }
    }
}

#[test]
fn what_is_no_configuration_is_refused_soon_and_says_why() {
    let scratch = Scratch::new("hostile");
    let large = 100 << 20;
    let nest = |open: &str, close: &str, n: usize| format!("a = {}{}", open.repeat(n), close.repeat(n));
    let mut wide = String::new();
    for n in 0..70_000 {
        wide.push_str(&format!("k{n}=1\n"));
    }
    let (mut unknown, mut wrong) = (String::new(), String::new());
    for n in 0..29_000 {
        unknown.push_str(&format!("k{n}=1\n"));
    }
    for n in 0..9_000 {
        wrong.push_str(&format!("[sump.s{n}]\ntitle = 1\nfluid = 2\n"));
    }
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("not UTF-8", b"[site]\nname = \"\xff\xfe\"\n".to_vec(), "is no UTF-8 text: byte 15, line 2"),
        ("UTF-16", b"\xff\xfe[\0s\0i\0t\0e\0]\0".to_vec(), "is no UTF-8 text: byte 0, line 1"),
        ("NUL", b"[site]\nname = \"a\0b\"\n".to_vec(), "not TOML"),
        ("100 MiB", vec![b'#'; large], "is larger than 1 MiB"),
        ("lists in lists", nest("[", "]", 29_000).into_bytes(), "recursion"),
        ("tables in tables", nest("{a=", "}", 14_000).into_bytes(), "recursion"),
        ("dotted keys", format!("{}a = 1", "a.".repeat(400_000)).into_bytes(), "recursion"),
        ("dotted header", format!("[{}a]", "a.".repeat(400_000)).into_bytes(), "recursion"),
        ("wide", wide.into_bytes(), "keys and list items"),
        ("wide within limits", unknown.into_bytes(), "unknown key"),
        ("wrong types", wrong.into_bytes(), "does not belong here"),
        ("only mistakes", b":\n".repeat(50_000), "not TOML"),
        (
            "no tables",
            b"\xef\xbb\xbfsite = 3\n".to_vec(),
            "shop.toml:1:8: the number `3` does not belong here",
        ),
    ];
    for (name, content, complaint) in cases {
        scratch.file("shop.toml", content);
        let started = Instant::now();
        let report = scratch.load(&[]).expect_err(name);
        let taken = started.elapsed();
        let found = report.to_string();
        assert!(found.contains(complaint), "{name}: {}", &found[..found.len().min(500)]);
        // One second in a release build; an unoptimised one on a busy machine gets ten.
        assert!(taken < Duration::from_secs(10), "{name} took {taken:?}");
        assert!(report.draw(false).len() < 1 << 20, "{name}");
    }
    fs::remove_file(scratch.0.join("shop.toml")).unwrap();
    assert!(scratch.load(&[]).expect_err("missing").to_string().contains("cannot be read: No such file"));
    fs::create_dir(scratch.0.join("shop.toml")).unwrap();
    assert!(scratch.load(&[]).expect_err("directory").to_string().contains("is no regular file"));
}

#[test]
fn many_large_fragments_together_are_refused() {
    let scratch = Scratch::new("large");
    scratch.file("shop.toml", sound());
    for n in 0..10 {
        scratch.file(&format!("conf.d/{n}.toml"), "#".repeat(1_000_000));
    }
    let found = scratch.load(&[]).expect_err("over 8 MiB").to_string();
    assert!(found.contains("conf.d/8.toml: brings all files together over 8 MiB"), "{found}");
}

/// A sound configuration with some of its bytes changed, some cut away and some words put in.
fn damaged() -> impl Strategy<Value = Vec<u8>> {
    let words = prop::sample::select(vec![
        "\"",
        "[",
        "]",
        "{",
        "}",
        "=",
        ".",
        "-",
        "#",
        "\n",
        "0",
        "9e999",
        "nan",
        "\"310 mm\"",
        "\"-1 d\"",
        "true",
        "ph",
        "[[0,0]]",
        "\u{fffd}",
        "°",
        "1979-05-27",
        "0x8000",
        "[sump.lathe]",
        "sump",
        "'''",
        "\\",
    ]);
    let edit = (any::<prop::sample::Index>(), 0usize..40, words);
    prop::collection::vec(edit, 1..8).prop_map(|edits| {
        let mut bytes = sound().into_bytes();
        for (at, cut, word) in edits {
            let at = at.index(bytes.len());
            let end = (at + cut).min(bytes.len());
            bytes.splice(at..end, word.bytes());
        }
        bytes
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn damaged_configurations_are_answered_without_a_panic(bytes in damaged()) {
        let scratch = Scratch::new("damaged");
        scratch.file("shop.toml", bytes);
        if let Err(report) = scratch.load(&[]) {
            prop_assert!(report.refuses(), "refused without a mistake");
            prop_assert!(report.mistakes.iter().all(|m| !m.what.is_empty() && !m.cure.is_empty()));
            prop_assert!(!report.draw(false).is_empty());
        }
    }

    #[test]
    fn arbitrary_bytes_and_variables_are_answered_without_a_panic(
        bytes in prop::collection::vec(any::<u8>(), 0..200),
        name in "[A-Za-z_0-9.-]{0,40}",
        text in any::<String>(),
    ) {
        let scratch = Scratch::new("arbitrary");
        scratch.file("shop.toml", bytes);
        let report = scratch.load(&[(&format!("SUMPWARDEN__{name}"), &text)]).expect_err("no shop");
        prop_assert!(report.refuses());
        scratch.file("shop.toml", sound());
        let _ = scratch.load(&[(&format!("SUMPWARDEN__{name}"), &text)]);
    }
}
