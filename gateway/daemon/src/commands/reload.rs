//! `reload`: the running daemon reads its configuration anew.

use serde_json::{Value, json};

use super::running::OfDaemon;
use super::{Exit, console, load, running};

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    #[command(flatten)]
    daemon: OfDaemon,
}

/// Asks for it, and says what became of it.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.daemon.config) {
        Ok(settings) => settings,
        Err(exit) => {
            console::complain("the daemon was not asked: what it runs with stays in force");
            return exit;
        }
    };
    match running::hand_in(&settings, "/reload", &json!({}), "look with sumpwarden status") {
        Ok(view) if options.daemon.json => console::say(&view.to_string()),
        Ok(view) => lines(&view).iter().for_each(|line| console::say(&console::plain(line))),
        Err(exit) => return exit,
    }
    Exit::Success
}

/// What became of it, a line a kind of thing.
fn lines(view: &Value) -> Vec<String> {
    let names = |list: &Value| -> Vec<String> {
        list.as_array().into_iter().flatten().filter_map(Value::as_str).map(str::to_owned).collect()
    };
    let mut lines = vec![format!("read anew and in force since {}", view["at"].as_str().unwrap_or_default())];
    for kind in ["sumps", "buses", "brokers", "forwarders", "receivers"] {
        let mut parts = Vec::new();
        for what in ["added", "changed", "removed"] {
            let names = names(&view[kind][what]);
            if !names.is_empty() {
                parts.push(format!("{what} {}", names.join(", ")));
            }
        }
        let kept = view[kind]["kept"].as_u64().unwrap_or(0);
        if kept > 0 {
            parts.push(format!("{kept} untouched"));
        }
        if !parts.is_empty() {
            lines.push(format!("{kind:<10}  {}", parts.join("; ")));
        }
    }
    let others = names(&view["others"]);
    if !others.is_empty() {
        lines.push(format!("changed     {}", others.join(", ")));
    }
    for key in names(&view["only_by_restart"]) {
        lines.push(format!("not yet     {key}: it changes only when the daemon is started anew"));
    }
    lines.extend(names(&view["warnings"]).into_iter().map(|warning| format!("look at     {warning}")));
    let ms = |key: &str| view[key].as_f64().unwrap_or(0.0);
    if ms("parts_ms") > 0.0 {
        lines.push(format!(
            "paused      {:.1} ms for everything, {:.0} ms for what has changed",
            ms("paused_ms"),
            ms("parts_ms")
        ));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changed_is_said_by_name_and_what_takes_a_restart_too() {
        let none = json!({"added": [], "changed": [], "removed": [], "kept": 2});
        let view = json!({
            "at": "2026-03-02T08:00:00Z",
            "sumps": {"added": ["mill-9"], "changed": [], "removed": ["lathe-1", "lathe-2"], "kept": 3},
            "buses": none, "brokers": none, "forwarders": none, "receivers": none,
            "others": ["[alarm]"], "only_by_restart": ["[web] listen"], "warnings": [],
            "paused_ms": 1.25, "parts_ms": 12.6,
        });
        let lines = lines(&view);
        assert_eq!(lines[1], "sumps       added mill-9; removed lathe-1, lathe-2; 3 untouched");
        assert_eq!(lines[2], "buses       2 untouched");
        assert!(lines.contains(
            &"not yet     [web] listen: it changes only when the daemon is started anew".to_owned()
        ));
        assert_eq!(lines.last().unwrap(), "paused      1.2 ms for everything, 13 ms for what has changed");
    }
}
