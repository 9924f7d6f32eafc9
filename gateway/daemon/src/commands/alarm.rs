//! `alarm`: what stands, and what somebody does about it, through the running daemon.

use serde_json::Value;

use super::running::OfDaemon;
use super::{Exit, console, load, note, running};
use crate::config::Settings;
use crate::config::quantity::Lasting;
use crate::edge::web::orders::{OrderDraft, What};

/// What the command is told.
#[derive(clap::Args, Debug)]
pub struct Options {
    #[command(flatten)]
    daemon: OfDaemon,
    #[command(subcommand)]
    deed: Option<Deed>,
}

/// What can be done about an alarm, by its name as the list shows it: lathe-1/ph-low.
#[derive(clap::Subcommand, Clone, Debug)]
enum Deed {
    /// Somebody has seen it
    Acknowledge(Which),
    /// It is silent for a time, one minute to seven days; say why
    Shelve {
        #[command(flatten)]
        which: Which,
        /// For how long: "8 h", "2 d"
        #[arg(long = "for", value_name = "TIME")]
        time: String,
    },
    /// It is no longer silent
    Unshelve(Which),
    /// It is out of service, for maintenance; say why
    Remove(Which),
    /// It is back in service
    Return(Which),
    /// A latched alarm may go
    Reset(Which),
    /// How well the alarms themselves work
    Performance {
        /// Over how many days, up to a year
        #[arg(long, default_value_t = 7)]
        days: u32,
    },
}

#[derive(clap::Args, Clone, Debug)]
struct Which {
    /// Name of the alarm
    alarm: String,
    /// Who; by default the user who runs this
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Why, in your own words
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
}

/// Lists alarms, or does something about one.
pub fn run(options: &Options) -> Exit {
    let settings = match load(&options.daemon.config) {
        Ok(settings) => settings,
        Err(exit) => return exit,
    };
    let done = match &options.deed {
        None => list(&settings, options.daemon.json),
        Some(Deed::Performance { days }) => performance(&settings, *days, options.daemon.json),
        Some(deed) => order(&settings, deed),
    };
    done.map_or_else(|exit| exit, |()| Exit::Success)
}

fn order(settings: &Settings, deed: &Deed) -> Result<(), Exit> {
    let (what, which, minutes) = match deed {
        Deed::Acknowledge(which) => (What::Acknowledge, which, None),
        Deed::Shelve { which, time } => (What::Shelve, which, Some(minutes(time)?)),
        Deed::Unshelve(which) => (What::Unshelve, which, None),
        Deed::Remove(which) => (What::Remove, which, None),
        Deed::Return(which) => (What::Return, which, None),
        Deed::Reset(which) => (What::Reset, which, None),
        Deed::Performance { .. } => return Ok(()),
    };
    let Some(by) = which.by.clone().or_else(note::user) else {
        console::complain("say who: --by NAME");
        return Err(Exit::Usage);
    };
    let (alarm, why) = (which.alarm.clone(), which.why.clone());
    let draft = OrderDraft { alarm, what, by: Some(by), why, minutes, occurrence: None };
    let body = serde_json::to_value(&draft).expect("texts and numbers always serialise");
    running::hand_in(settings, "/alarms", &body, "look at the list of alarms")?;
    let state = running::look_up(settings, "/state")?;
    let now = standing(&state).into_iter().find(|one| one["id"] == which.alarm.as_str());
    console::say(&now.map_or_else(|| format!("{}: normal", which.alarm), line));
    Ok(())
}

fn minutes(text: &str) -> Result<u32, Exit> {
    let time = Lasting::parse(text).map_err(|error| {
        console::complain(&error.to_string());
        Exit::Usage
    })?;
    Ok(u32::try_from(time.0.as_secs() / 60).unwrap_or(u32::MAX))
}

fn list(settings: &Settings, json: bool) -> Result<(), Exit> {
    let state = running::look_up(settings, "/state")?;
    let standing = standing(&state);
    if json {
        let all: Value = standing.into_iter().cloned().collect();
        console::say(&all.to_string());
    } else if standing.is_empty() {
        console::say("no alarm stands");
    } else {
        standing.into_iter().for_each(|alarm| console::say(&line(alarm)));
    }
    Ok(())
}

/// Every alarm that is not normal: the gateway's own first.
fn standing(state: &Value) -> Vec<&Value> {
    let sumps = state["sumps"].as_array().into_iter().flatten();
    std::iter::once(state)
        .chain(sumps)
        .flat_map(|holder| holder["alarms"].as_array().into_iter().flatten())
        .collect()
}

fn line(alarm: &Value) -> String {
    let text = |key: &str| console::plain(alarm[key].as_str().unwrap_or_default());
    format!("{:<5} {:<6} {:<32} {}", text("state"), text("priority"), text("id"), text("message"))
}

fn performance(settings: &Settings, days: u32, json: bool) -> Result<(), Exit> {
    let found = running::look_up(settings, &format!("/alarms/performance?days={days}"))?;
    if json {
        console::say(&found.to_string());
        return Ok(());
    }
    let number = |key: &str| found[key].as_f64().unwrap_or(0.0);
    let names = |key: &str| {
        let names: Vec<&str> =
            found[key].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        if names.is_empty() { "none".to_owned() } else { console::plain(&names.join(", ")) }
    };
    for (what, value, target) in [
        ("alarms a day", format!("{:.1}", number("per_day")), "about 150, at most 300"),
        ("ten-minute periods with over ten", format!("{:.2} %", number("busy_periods_percent")), "under 1 %"),
        ("most in ten minutes", format!("{:.0}", number("most_in_ten_minutes")), "at most 10"),
        ("time in flood", format!("{:.2} %", number("flood_percent")), "under 1 %"),
        ("chattering", names("chattering"), "none"),
        ("fleeting", names("fleeting"), "none"),
        ("stale", names("stale"), "fewer than 5"),
    ] {
        console::say(&format!("{what:<34} {value:<24} target: {target}"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn the_list_holds_the_gateways_own_first_and_nothing_drives_the_terminal() {
        let alarm =
            |id: &str| json!({"id": id, "state": "UNACK", "priority": "high", "message": "low\u{1b}[2J"});
        let state = json!({
            "alarms": [alarm("gateway/bus/hall")],
            "sumps": [{"alarms": []}, {"alarms": [alarm("lathe-1/ph-low")]}],
        });
        let lines: Vec<String> = standing(&state).into_iter().map(line).collect();
        assert_eq!(lines.len(), 2);
        assert!(lines[0].starts_with("UNACK high   gateway/bus/hall "), "{lines:?}");
        assert!(lines[1].ends_with("low\\u{1b}[2J"), "{lines:?}");
    }
}
