//! `status`: whether the box is well, on one screen, from the running daemon.

use serde_json::Value;

use super::running::OfDaemon;
use super::{Exit, console, load, running};

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    #[command(flatten)]
    daemon: OfDaemon,
}

/// Says how it is; the exit code says whether somebody should look.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.daemon.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let view = match running::look_up(&settings, "/status") {
        Ok(view) => view,
        Err(Exit::Outside) => return Exit::NotRunning,
        Err(exit) => return exit,
    };
    if options.daemon.json {
        console::say(&view.to_string());
    } else {
        screen(&view).iter().for_each(|line| console::say(&console::plain(line)));
    }
    if list(&view["look_at"]).next().is_none() { Exit::Success } else { Exit::Negative }
}

fn list(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

/// The whole of it, line by line.
pub(super) fn screen(view: &Value) -> Vec<String> {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let mut lines =
        vec![format!("sumpwarden {} runs since {}", text(&view["version"]), text(&view["started_at"]))];
    let configuration = &view["configuration"];
    lines.push(format!(
        "configuration  {}, in force since {}; read anew {} times, refused {} times",
        configuration["file"].as_str().unwrap_or("(none)"),
        text(&configuration["in_force_since"]),
        configuration["reloaded"],
        configuration["refused"]
    ));
    list(&view["buses"]).for_each(|bus| bus_lines(bus, &mut lines));
    for broker in list(&view["brokers"]) {
        lines.push(format!(
            "broker         {}: {}; {} messages, {} values taken, {} refused",
            text(&broker["name"]),
            text(&broker["words"]),
            broker["received"],
            broker["accepted"],
            broker["refused"]
        ));
    }
    for one in list(&view["forwarders"]) {
        let waiting = one["waiting"].as_u64().map_or("?".to_owned(), |waiting| waiting.to_string());
        let oldest =
            one["oldest_waiting"].as_str().map_or(String::new(), |at| format!(", the oldest of {at}"));
        lines.push(format!(
            "forwarder      {}: {}; {waiting} points wait{oldest}; {} forwarded, {} set aside",
            text(&one["name"]),
            text(&one["state"]),
            one["forwarded"],
            one["parked"]
        ));
    }
    for one in list(&view["receivers"]) {
        let last = one["delivered_at"]
            .as_str()
            .map_or("nothing delivered yet".to_owned(), |at| format!("delivered last {at}"));
        lines.push(format!(
            "receiver       {}: {}; {last}; {} messages wait",
            text(&one["name"]),
            text(&one["state"]),
            one["waiting"]
        ));
    }
    lines.extend([store_line(&view["store"]), alarm_line(&view["alarms"])]);
    lines
        .push(format!("clock          {}", view["clock"].as_str().unwrap_or("right, as far as can be told")));
    let look: Vec<String> = list(&view["look_at"]).map(text).collect();
    if look.is_empty() {
        lines.push("all is well".to_owned());
    }
    lines.extend(look.into_iter().map(|what| format!("LOOK AT        {what}")));
    lines
}

fn bus_lines(bus: &Value, lines: &mut Vec<String>) {
    let open = if bus["connected"] == true { "open" } else { "not open" };
    let load =
        bus["line_load_percent"].as_f64().map_or(String::new(), |load| format!(", line {load:.0} % full"));
    lines.push(format!("bus            {}: {open}{load}", bus["name"].as_str().unwrap_or_default()));
    for device in list(&bus["devices"]) {
        let count = |key: &str| device[key].as_u64().unwrap_or(0);
        let share = match count("asked") {
            0 => "not asked yet".to_owned(),
            asked => format!("{:.1} % of {asked} answered", 100.0 * count("answered") as f64 / asked as f64),
        };
        lines.push(format!(
            "  device       {}: {share}, last {}; {} time-outs, {} refused, {} damaged",
            device["name"].as_str().unwrap_or_default(),
            device["last_reply_at"].as_str().unwrap_or("never"),
            count("silent"),
            count("refused"),
            count("damaged")
        ));
    }
}

fn store_line(store: &Value) -> String {
    let mib = |key: &str| store[key].as_f64().unwrap_or(0.0) / f64::from(1 << 20);
    let oldest =
        store["oldest"].as_str().map_or("no sample yet".to_owned(), |at| format!("oldest sample {at}"));
    let number = |key: &str| store[key].as_u64().unwrap_or(0);
    let undated = match number("undated") + number("undatable") {
        0 => String::new(),
        _ => format!("; {} wait for the clock, {} have no date", number("undated"), number("undatable")),
    };
    format!(
        "store          {:.1} MiB, {:.0} MiB free, {:.0} % of what it may use; {oldest}; {} stored since the start, {} wait, {} dropped{undated}",
        mib("bytes"),
        mib("free_bytes"),
        store["full_percent"].as_f64().unwrap_or(0.0),
        store["stored"],
        store["waiting"],
        store["dropped"]
    )
}

fn alarm_line(alarms: &Value) -> String {
    let count = |key: &str| alarms[key].as_u64().unwrap_or(0);
    format!(
        "alarms         {} high, {} medium, {} low; {} of them nobody has seen",
        count("high"),
        count("medium"),
        count("low"),
        count("unseen")
    )
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn one_screen_says_what_to_look_at_last() {
        let view = json!({
            "version": "1.2", "started_at": "2026-03-02T06:00:00Z",
            "configuration": {"file": "shop.toml", "in_force_since": "2026-03-02T07:00:00Z", "reloaded": 1, "refused": 0},
            "buses": [{"name": "hall", "connected": true, "line_load_percent": 41.6, "devices": [
                {"name": "head", "asked": 200, "answered": 199, "silent": 1, "refused": 0, "damaged": 0,
                 "last_reply_at": "2026-03-02T08:00:00Z"}]}],
            "store": {"bytes": 3145728, "free_bytes": 104857600, "full_percent": 2.4, "stored": 5, "waiting": 0, "dropped": 0},
            "alarms": {"high": 1, "medium": 0, "low": 0, "unseen": 1},
            "look_at": ["1 alarms that nobody has seen"],
        });
        let lines = screen(&view);
        assert_eq!(lines[0], "sumpwarden 1.2 runs since 2026-03-02T06:00:00Z");
        assert_eq!(lines[2], "bus            hall: open, line 42 % full");
        assert!(lines[3].starts_with(
            "  device       head: 99.5 % of 200 answered, last 2026-03-02T08:00:00Z; 1 time-outs"
        ));
        assert!(
            lines.iter().any(|line| line.starts_with("store          3.0 MiB, 100 MiB free, 2 %")),
            "{lines:?}"
        );
        assert_eq!(lines.last().unwrap(), "LOOK AT        1 alarms that nobody has seen");
    }
}
