//! `check --explain`, `--defaults` and `--schema`: what can be set, what is set, and where.
//!
//! What is said of a key comes from the configuration's own shapes; what is in force comes from reading it. Nothing is opened.

use std::path::Path;

use serde_json::json;

use super::console::plain;
use super::{Exit, console};
use crate::config::{Explained, Report, Setting, explain, in_force, process_variables, schema};

/// Longest key and value that others are lined up with.
const COLUMNS_MAX: (usize, usize) = (48, 40);

/// The command `check --schema`: the JSON Schema of configurations, to stdout.
pub(super) fn show_schema() -> Exit {
    console::say(&format!("{:#}", schema()));
    Exit::Success
}

/// The command `check --defaults`: every setting in force, to stdout.
pub(super) fn show_settings(path: &Path, json: bool) -> Exit {
    match in_force(path, &process_variables()) {
        Ok(settings) if json => console::say(&format!("{:#}", json!(settings))),
        Ok(settings) => console::say(table(&settings).trim_end()),
        Err(report) => return refused(&report),
    }
    Exit::Success
}

/// The command `check --explain`: what a key means, and what is in force of it where there is a configuration, to stdout.
pub(super) fn show_key(key: &str, path: Option<&Path>, json: bool) -> Exit {
    let explained = match explain(key) {
        Ok(explained) => explained,
        Err(wrong) => {
            console::complain(&format!("{}; {}", plain(&wrong.what), plain(&wrong.cure)));
            return Exit::Usage;
        }
    };
    let settings = match path.map(|path| in_force(path, &process_variables())).transpose() {
        Ok(settings) => settings.map(|all| of_key(all, key)),
        Err(report) => {
            if !json {
                console::say(explanation(&explained, None).trim_end());
            }
            return refused(&report);
        }
    };
    match json {
        true => console::say(&format!("{:#}", json!({ "about": explained, "in_force": settings }))),
        false => console::say(explanation(&explained, settings.as_deref()).trim_end()),
    }
    Exit::Success
}

fn refused(report: &Report) -> Exit {
    console::complain(&report.draw(console::stderr_is_terminal()));
    Exit::Configuration
}

/// Settings that a key with `*` for names stands for, and those below it.
fn of_key(settings: Vec<Setting>, key: &str) -> Vec<Setting> {
    let parts =
        |key: &str| key.replace('[', ".").replace(']', "").split('.').map(str::to_owned).collect::<Vec<_>>();
    let asked = parts(key);
    let fits = |setting: &Setting| {
        let key = parts(&setting.key);
        let same = key.iter().zip(&asked).all(|(key, asked)| asked == "*" || asked == key);
        // A list is one setting, whatever of it was asked for.
        same && (key.len() >= asked.len() || setting.value.starts_with('['))
    };
    settings.into_iter().filter(fits).collect()
}

/// Keys, values and sources in columns.
fn table(settings: &[Setting]) -> String {
    let widest = |of: fn(&Setting) -> &str, most: usize| {
        settings.iter().map(|one| of(one).chars().count()).filter(|width| *width <= most).max().unwrap_or(0)
    };
    let key = widest(|one| &one.key, COLUMNS_MAX.0);
    let value = widest(|one| &one.value, COLUMNS_MAX.1);
    let line = |one: &Setting| {
        let by = one.by.as_ref().map_or_else(String::new, |by| format!(" ({by})"));
        format!("{:<key$}  {:<value$}  {}{by}\n", one.key, plain(&one.value), plain(&one.source))
    };
    settings.iter().map(line).collect()
}

fn explanation(about: &Explained, settings: Option<&[Setting]>) -> String {
    let mut out = format!("{}\n  {}\n\n", plain(&about.key), about.meaning);
    let mut row = |name: &str, text: &str| out.push_str(&format!("  {name:<10}{text}\n"));
    row("is", &about.kind);
    if let Some(range) = &about.range {
        row("from", range);
    }
    if let Some(default) = &about.default {
        row("default", default);
    }
    for (title, rows) in [("words", &about.words), ("keys", &about.keys)] {
        let widest = rows.iter().map(|(word, _)| word.chars().count()).max().unwrap_or(0);
        for (number, (word, meaning)) in rows.iter().enumerate() {
            let name = if number == 0 { title } else { "" };
            // "odd: Odd." says nothing.
            let meaning = if meaning.trim_end_matches('.').eq_ignore_ascii_case(word) { "" } else { meaning };
            row(name, format!("{word:<widest$}  {meaning}").trim_end());
        }
    }
    match settings {
        None => {}
        Some([]) => out.push_str("\nNothing of it is in force.\n"),
        Some(settings) => out.push_str(&format!("\nIn force:\n{}", table(settings))),
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn types() -> std::path::PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/config/types-sound.toml")
    }

    /// Lines of the settings of a key, with single spaces and file names instead of paths.
    fn lines(key: &str, variables: &[(&str, &str)]) -> Vec<String> {
        let variables: Vec<_> = variables.iter().map(|(n, t)| ((*n).to_owned(), (*t).to_owned())).collect();
        let settings = of_key(in_force(&types(), &variables).unwrap(), key);
        let directory = format!("{}/", types().parent().unwrap().display());
        let line = |line: &str| line.replace(&directory, "").split_whitespace().collect::<Vec<_>>().join(" ");
        table(&settings).lines().map(line).collect()
    }

    #[test]
    fn each_setting_says_whether_a_file_a_type_a_variable_or_a_default_put_it_in_force() {
        let variables = [("SUMPWARDEN__SUMP__MILL__PROBE__PH__SCALE", "0.1")];
        assert_eq!(
            lines("sump.*.probe.ph.scale", &variables),
            [
                "sump.lathe.probe.ph.scale 0.01 types-sound.toml:24:9 (device_type.head)",
                "sump.mill.probe.ph.scale \"0.1\" variable SUMPWARDEN__SUMP__MILL__PROBE__PH__SCALE",
            ]
        );
        assert_eq!(lines("sump.mill.type", &[]), ["sump.mill.type \"small\" types-sound.toml:60:8"]);
        assert_eq!(lines("device.a.retries", &[]), ["device.a.retries 1 default"]);
        // Three readings every 10 s, but half a minute at least.
        assert_eq!(lines("sump.mill.probe.ph.hold", &[]), ["sump.mill.probe.ph.hold \"30 s\" default"]);
        assert!(lines("device_type", &[]).is_empty(), "a type is in force where it is used");
    }

    #[test]
    fn a_key_is_explained_with_kind_range_default_and_words() {
        let text = |key: &str| explanation(&explain(key).unwrap(), None);
        let scale = text("sump.lathe-3.probe.ph.scale");
        assert!(scale.contains("Factor on the device's number.") && scale.contains("default   1"), "{scale}");
        let timeout = text("device.*.timeout");
        assert!(
            timeout.contains("from      10 ms to 1 min") && timeout.contains("a length of time in quotes"),
            "{timeout}"
        );
        let parity = text("bus.line-1.parity");
        assert!(parity.contains("words     even") && parity.contains("default   even"), "{parity}");
        let limit = text("sump.lathe.limit.ph-low");
        assert!(limit.contains("a table, or true or false") && limit.contains("deadband"), "{limit}");
        assert!(text("sump.lathe.tank.parts[0].length").contains("Inner length"));
        let wrong = explain("sump.lathe-3.probe.ph.scal").unwrap_err();
        assert_eq!(wrong.what, "there is no key `scal` in `sump.lathe-3.probe.ph`");
        assert!(wrong.cure.starts_with("did you mean `scale`? keys there: "), "{}", wrong.cure);
    }

    #[test]
    fn secrets_are_starred_out() {
        let scratch = crate::config::tests::Scratch::new("explain");
        let shop = std::fs::read_to_string(types()).unwrap()
            + "[broker.shop]\naddress = \"127.0.0.1:1883\"\nuser = \"x\"\n[heartbeat]\nurl = \"https://w.example/canary\"\n";
        let path = scratch.file("shop.toml", shop);
        let variables = [("SUMPWARDEN__BROKER__SHOP__PASSWORD".to_owned(), "canary".to_owned())];
        let all = table(&in_force(&path, &variables).unwrap());
        assert!(!all.contains("canary"), "{all}");
        assert!(
            all.contains("variable SUMPWARDEN__BROKER__SHOP__PASSWORD")
                && all.contains("https://w.example/***"),
            "{all}"
        );
    }
}
