//! `check`: what the gateway would do with a configuration, or everything that is wrong with it. Nothing is opened.
//!
//! Warnings do not change the exit code: 0 when the configuration may be put in force, 78 (EX_CONFIG of `sysexits.h`)
//! when it is refused.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sumpwarden_core::acquire::plan::plan;
use sumpwarden_core::acquire::settings::{BrokerSettings, BusLink, BusSettings};
use sumpwarden_core::acquire::wire::{PlanDescription, describe};
use sumpwarden_core::alarm::settings::{LimitSettings, Side, Subject, Terms};
use sumpwarden_core::checks::settings::CheckSettings;
use sumpwarden_core::engine;
use sumpwarden_core::estimate::settings::SumpSettings;
use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_core::model::{ProbeIndex, SumpIndex};
use sumpwarden_protocol::modbus::Address;

use super::console::plain;
use super::store::Which;
use super::{Exit, console};
use crate::config::quantity::lasting_text;
use crate::config::report::Weight;
use crate::config::{Loaded, Report, load_with, process_variables};

/// What a check found, ready to be written out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Checked {
    /// For stdout.
    pub text: String,
    /// The configuration is refused.
    pub refused: bool,
}

/// How the result is written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Form {
    /// For people, without colour.
    Plain,
    /// For people, in colour.
    Colour,
    /// For machines.
    Json,
}

/// What is to be checked, or told.
#[derive(clap::Args, Debug)]
pub struct Options {
    /// Configuration file (TOML); fragments beside it in `conf.d/` belong to it
    #[arg(long, short, value_name = "FILE", required_unless_present_any = ["store_at", "explain", "schema"])]
    config: Option<PathBuf>,
    /// Look through the store of the configuration, also while the daemon runs; nothing is changed
    #[arg(long)]
    store: bool,
    /// Look through the store there, a data directory or a file, without a configuration
    #[arg(long, value_name = "PATH", conflicts_with_all = ["config", "store"])]
    store_at: Option<PathBuf>,
    /// What a key means, as in `sump.lathe-3.fill_mark` or `sump.*.fill_mark`; with a configuration, what is in force and from where
    #[arg(long, value_name = "KEY", conflicts_with_all = ["store", "store_at"])]
    explain: Option<String>,
    /// Every setting in force, with where it comes from: a file, a type, a variable, a default
    #[arg(long, conflicts_with_all = ["store", "store_at", "explain"])]
    defaults: bool,
    /// The JSON Schema of configurations, for editors
    #[arg(long, conflicts_with_all = ["config", "store", "store_at", "explain", "defaults"])]
    schema: bool,
    /// Machine-readable
    #[arg(long)]
    json: bool,
}

/// The command: writes what was asked for to stdout.
pub fn run(options: &Options) -> Exit {
    let Options { config, store, store_at, explain, defaults, schema, json } = options;
    match (config, store_at, explain) {
        _ if *schema => super::explain::show_schema(),
        (_, Some(path), _) => super::store::check(Which::At(path), *json),
        (config, None, Some(key)) => super::explain::show_key(key, config.as_deref(), *json),
        (Some(config), None, None) if *defaults => super::explain::show_settings(config, *json),
        (Some(config), None, None) if *store => super::store::check(Which::Configured(config), *json),
        (Some(config), None, None) => show(config, *json),
        (None, None, None) => unreachable!("one of them is required"),
    }
}

/// Writes what `check` finds to stdout.
fn show(path: &Path, json: bool) -> Exit {
    let form = match (json, console::stdout_is_terminal()) {
        (true, _) => Form::Json,
        (false, true) => Form::Colour,
        (false, false) => Form::Plain,
    };
    let checked = check(path, &process_variables(), form);
    console::say(checked.text.trim_end());
    if checked.refused { Exit::Configuration } else { Exit::Success }
}

/// Checks the configuration at `path` with these environment variables.
pub fn check(path: &Path, variables: &[(String, String)], form: Form) -> Checked {
    let result = load_with(path, variables);
    let refused = result.is_err();
    let text = match form {
        Form::Json => format!("{:#}\n", as_json(&result)),
        Form::Plain | Form::Colour => {
            let colour = form == Form::Colour;
            match &result {
                Ok(loaded) => loaded.warnings.draw(colour) + &plan_text(loaded),
                Err(report) => report.draw(colour) + &count(report),
            }
        }
    };
    Checked { text, refused }
}

/// "3 mistakes, 1 warning".
fn count(report: &Report) -> String {
    let warnings = report.mistakes.iter().filter(|m| m.weight == Weight::Warning).count();
    let mistakes = report.mistakes.len() - warnings;
    let noun = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
    format!("{}, {}\n", noun(mistakes, "mistake"), noun(warnings, "warning"))
}

/// The plan of every bus. They were planned once already, when the configuration was checked.
fn plans(settings: &engine::Settings) -> impl Iterator<Item = (&BusSettings, PlanDescription)> {
    settings.buses.iter().map(|bus| {
        let plan = plan(bus).expect("what cannot be planned is a mistake of the configuration");
        (bus, describe(bus, &plan))
    })
}

fn plan_text(loaded: &Loaded) -> String {
    let settings = &loaded.settings;
    let engine = &settings.engine;
    let mut out = String::new();
    let files: Vec<String> = loaded.files.iter().map(|f| f.display().to_string()).collect();
    let (site, own) = (&settings.site.name, &settings.site.box_name);
    line(&mut out, &format!("site {site}, box {own}, from {}", plain(&files.join(", "))));
    let limits = &settings.store.limits;
    line(
        &mut out,
        &format!(
            "store {}: raw samples for {}, at most {} MiB",
            plain(&settings.store.directory.display().to_string()),
            lasting_text(limits.keep_raw),
            limits.bytes_max >> 20
        ),
    );
    line(&mut out, &format!("page http://{}", settings.web.listen));
    for forward in &settings.forwards {
        line(
            &mut out,
            &format!("forward {} to {}, bucket {}", forward.name, forward.url, plain(&forward.bucket)),
        );
    }
    for (bus, plan) in plans(engine) {
        bus_text(&mut out, bus, &plan);
    }
    for shared in &settings.shared {
        let (bus, term) = (&engine.buses[shared.bus.slot()].name, lasting_text(shared.lease.term));
        let asks = shared.peer.map_or_else(String::new, |peer| format!(", asks {}", peer.ask));
        let broker = &shared.broker.name;
        let text = format!("shared with a second box through broker {broker}{asks}, term {term}");
        line(&mut out, &format!("\nbus {bus}: {text}"));
    }
    for broker in &engine.brokers {
        broker_text(&mut out, engine, broker);
    }
    for (index, sump) in (0..).map(SumpIndex).zip(&engine.sumps) {
        sump_text(&mut out, engine, index, sump);
    }
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

fn bus_text(out: &mut String, bus: &BusSettings, plan: &PlanDescription) {
    let full = plan.line_load_percent.map_or_else(String::new, |load| format!(", line {load:.1} % full"));
    line(out, &format!("\nbus {}: {}{full}", bus.name, plain(&link_text(&bus.link))));
    for request in &plan.requests {
        let device = bus.devices.iter().find(|d| d.name == request.device).map_or(0, |d| d.unit_id);
        let first = Address { table: request.table, index: request.start };
        let wire = request
            .wire_time
            .map_or_else(String::new, |time| format!("  {:>7.1} ms", time.as_secs_f64() * 1e3));
        let text = format!(
            "  {:<20} unit {device:>3}  {:<8} from {:>6} ({:>6})  count {:>3}  every {:<7} probes {}{wire}",
            request.device.as_str(),
            request.table.word(),
            request.start,
            first.manual(),
            request.quantity,
            lasting_text(request.period),
            request.points,
        );
        line(out, &text);
    }
}

fn link_text(link: &BusLink) -> String {
    match link {
        BusLink::Tcp { address } => format!("Modbus TCP, {address}"),
        BusLink::Rtu { port, line } => format!("Modbus RTU, {port}, {} baud", line.baud),
        BusLink::RtuOverTcp { address, line } => {
            format!("Modbus RTU over TCP, {address}, {} baud", line.baud)
        }
    }
}

fn broker_text(out: &mut String, engine: &engine::Settings, broker: &BrokerSettings) {
    let tls = if broker.tls.is_some() { ", TLS" } else { "" };
    let address = format!("{}:{}", broker.host, broker.port);
    line(out, &format!("\nbroker {}: {address}{tls}, client {}", broker.name, plain(&broker.client_id)));
    for topic in &broker.topics {
        line(out, &format!("  {:<40} {}", plain(&topic.filter), probe_text(engine, topic.probe)));
    }
    if let Some(notes) = &broker.notes {
        line(out, &format!("  {:<40} notes", plain(&notes.filter)));
    }
}

/// `lathe-3/ph`.
fn probe_text(engine: &engine::Settings, index: ProbeIndex) -> String {
    let probe = &engine.probes[index.slot()];
    format!("{}/{}", engine.sumps[probe.sump.slot()].name, probe.name)
}

/// Litres at the fill mark and to the brim.
fn volumes_l(sump: &SumpSettings) -> (f64, f64) {
    let tank = Tank::new(&sump.tank).expect("a shape that is no tank is a mistake of the configuration");
    (tank.volume_l(sump.fill_mark_mm), tank.capacity_l())
}

fn sump_text(out: &mut String, engine: &engine::Settings, index: SumpIndex, sump: &SumpSettings) {
    let (full, brim) = volumes_l(sump);
    line(
        out,
        &format!(
            "\nsump {} ({}): {full:.0} L at the fill mark, {brim:.0} L to the brim, {} at {} %, topped up with {}",
            sump.name,
            plain(&sump.title),
            sump.fluid.name,
            sump.target_percent,
            sump.water.name,
        ),
    );
    for probe in engine.probes.iter().filter(|p| p.sump == index) {
        let range = probe.range.map_or_else(String::new, |(low, high)| format!("  {low} to {high}"));
        let unit = probe.quantity.unit().ucum();
        let every = lasting_text(probe.period);
        line(
            out,
            &format!(
                "  probe {:<20} {:<14} every {every:<7}{range} {unit}",
                probe.name.as_str(),
                probe.quantity.word()
            ),
        );
    }
    for limit in engine.alarms.limits.iter().filter(|l| l.sump == index) {
        line(out, &limit_text(engine, limit));
    }
    for asked in checks_of(engine, index) {
        let by = if asked.by_probe { "by probe" } else { "by hand" };
        let (word, days) = (asked.check.word(), asked.every_days);
        line(out, &format!("  check {word:<20} {by:<14} every {days} d  {}", asked.source));
    }
}

/// What the test plan of a sump asks for.
fn checks_of(engine: &engine::Settings, sump: SumpIndex) -> &[CheckSettings] {
    engine.plans.get(sump.slot()).map_or(&[], |plan| &plan.checks)
}

fn limit_text(engine: &engine::Settings, limit: &LimitSettings) -> String {
    let (subject, unit) = subject(engine, limit);
    let side = side_word(limit.side);
    let mut text = format!("  limit {:<20} {subject} {side} {} {unit}", limit.name, limit.setpoint);
    write!(
        text,
        ", deadband {}, after {}, priority {}",
        limit.deadband,
        lasting_text(limit.on_delay),
        limit.priority.word()
    )
    .expect("writing to a text cannot fail");
    match limit.terms {
        Terms::Value => Ok(()),
        Terms::Probability(share) => write!(text, ", once {:.0} % sure", 100.0 * share),
        Terms::WithinDays(days) => write!(text, ", {days} days ahead"),
    }
    .expect("writing to a text cannot fail");
    if let Some(source) = limit.source {
        write!(text, " (default: {source})").expect("writing to a text cannot fail");
    }
    text
}

fn side_word(side: Side) -> &'static str {
    match side {
        Side::Low => "low",
        Side::High => "high",
    }
}

/// Name and unit of what a limit watches.
fn subject(engine: &engine::Settings, limit: &LimitSettings) -> (String, &'static str) {
    match limit.subject {
        Subject::Probe(index) => {
            let probe = &engine.probes[index.slot()];
            (probe.name.to_string(), probe.quantity.unit().ucum())
        }
        Subject::Estimate(kind) => (kind.word().to_owned(), kind.quantity().unit().ucum()),
    }
}

fn as_json(result: &Result<Loaded, Report>) -> Value {
    match result {
        Ok(loaded) => json!({
            "accepted": true,
            "mistakes": mistakes_json(&loaded.warnings),
            "plan": plan_json(loaded),
        }),
        Err(report) => json!({ "accepted": false, "mistakes": mistakes_json(report) }),
    }
}

fn mistakes_json(report: &Report) -> Value {
    let one = |mistake: &crate::config::report::Mistake| {
        json!({
            "place": report.locate(&mistake.place),
            "warning": mistake.weight == Weight::Warning,
            "what": mistake.what,
            "cure": mistake.cure,
            "other": mistake.other.as_ref().map(|(place, _)| report.locate(place)),
        })
    };
    report.mistakes.iter().map(one).collect()
}

fn plan_json(loaded: &Loaded) -> Value {
    let engine = &loaded.settings.engine;
    let buses: Vec<Value> = plans(engine)
        .map(|(bus, plan)| {
            let requests: Vec<Value> = plan
                .requests
                .iter()
                .map(|request| {
                    json!({
                        "device": request.device.as_str(),
                        "table": request.table.word(),
                        "start": request.start,
                        "count": request.quantity,
                        "period_s": request.period.as_secs_f64(),
                        "probes": request.points,
                        "wire_time_s": request.wire_time.map(|time| time.as_secs_f64()),
                    })
                })
                .collect();
            json!({
                "name": bus.name.as_str(),
                "link": link_text(&bus.link),
                "line_load_percent": plan.line_load_percent,
                "requests": requests,
            })
        })
        .collect();
    let topics = |broker: &BrokerSettings| -> Vec<Value> {
        let one = |t: &sumpwarden_core::acquire::settings::TopicPoint| json!({ "topic": t.filter, "probe": probe_text(engine, t.probe) });
        broker.topics.iter().map(one).collect()
    };
    let brokers: Vec<Value> = engine
        .brokers
        .iter()
        .map(|b| json!({ "name": b.name.as_str(), "address": format!("{}:{}", b.host, b.port), "topics": topics(b), "notes": b.notes.as_ref().map(|n| &n.filter) }))
        .collect();
    let sumps: Vec<Value> =
        (0..).map(SumpIndex).zip(&engine.sumps).map(|(index, sump)| sump_json(engine, index, sump)).collect();
    json!({ "site": loaded.settings.site.name.as_str(), "buses": buses, "brokers": brokers, "sumps": sumps })
}

fn sump_json(engine: &engine::Settings, index: SumpIndex, sump: &SumpSettings) -> Value {
    let (full, brim) = volumes_l(sump);
    let probes: Vec<Value> = engine
        .probes
        .iter()
        .filter(|p| p.sump == index)
        .map(|p| {
            json!({
                "name": p.name.as_str(),
                "quantity": p.quantity.word(),
                "unit": p.quantity.unit().ucum(),
                "period_s": p.period.as_secs_f64(),
                "range": p.range,
            })
        })
        .collect();
    let limits: Vec<Value> = engine
        .alarms
        .limits
        .iter()
        .filter(|l| l.sump == index)
        .map(|l| {
            let (subject, unit) = subject(engine, l);
            json!({
                "name": l.name,
                "of": subject,
                "side": side_word(l.side),
                "setpoint": l.setpoint,
                "unit": unit,
                "deadband": l.deadband,
                "on_delay_s": l.on_delay.as_secs_f64(),
                "off_delay_s": l.off_delay.as_secs_f64(),
                "priority": l.priority.word(),
                "probability": match l.terms { Terms::Probability(share) => Some(share), _ => None },
                "within_days": match l.terms { Terms::WithinDays(days) => Some(days), _ => None },
                "default_source": l.source,
            })
        })
        .collect();
    let checks = checks_of(engine, index).iter().map(|asked| {
        json!({
            "check": asked.check.word(),
            "every_days": asked.every_days,
            "by_probe": asked.by_probe,
            "source": asked.source,
        })
    });
    let checks: Vec<Value> = checks.collect();
    json!({
        "name": sump.name.as_str(),
        "title": sump.title,
        "litres_at_fill_mark": full,
        "litres_to_brim": brim,
        "target_percent": sump.target_percent,
        "probes": probes,
        "limits": limits,
        "checks": checks,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn repository(path: &str) -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(path)
    }

    #[test]
    fn the_plan_of_the_example_says_what_is_read_how_often_and_how_full_the_line_is() {
        let checked = check(&repository("deploy/examples/small-shop.toml"), &[], Form::Plain);
        assert!(!checked.refused, "{}", checked.text);
        // 1200 mm × 700 mm × 310 mm = 260.4 L, and 336 L at 400 mm.
        for part in [
            "260 L at the fill mark, 336 L to the brim",
            "bus line-1: Modbus RTU",
            "% full",
            "hall2/lathe3/coolant",
            "lathe-3/temperature",
            "ph low 8.6 [pH], deadband 0.1, after 10 min, priority medium",
        ] {
            assert!(checked.text.contains(part), "{part:?} is not in\n{}", checked.text);
        }
        // Three neighbouring values of the lathe's head go in one request: 30001, 30002, and a float at 30003.
        let requests: Vec<&str> = checked.text.lines().filter(|l| l.contains("lathe-3-head")).collect();
        assert_eq!(requests.len(), 2, "{}", checked.text);
        assert!(requests.iter().any(|l| l.contains("count   4") && l.contains("probes 3")), "{requests:#?}");
    }

    #[test]
    fn the_test_plan_stands_in_it_with_who_asks_for_it() {
        let variables = [
            ("SUMPWARDEN__PLAN__COUNTRY".to_owned(), "de".to_owned()),
            ("SUMPWARDEN__SUMP__LATHE_3__PLAN__COUNTRY".to_owned(), "uk".to_owned()),
        ];
        let file = repository("deploy/examples/small-shop.toml");
        let text = check(&file, &variables, Form::Plain).text;
        let of = |word: &str| {
            text.lines().filter(|l| l.trim_start().starts_with(&format!("check {word} "))).count()
        };
        assert_eq!((of("look"), of("dip_slide"), of("nitrite")), (2, 1, 1), "{text}");
        assert!(text.contains("by hand        every 7 d  UK HSE: weekly"), "{text}");
        let json: Value = serde_json::from_str(&check(&file, &variables, Form::Json).text).unwrap();
        assert_eq!(
            json["plan"]["sumps"][0]["checks"][0]["source"], "UK HSE: appearance and odour daily",
            "{json}"
        );
    }

    #[test]
    fn mistakes_come_as_text_with_their_place_and_as_json_for_machines() {
        let path = repository("tests/config/type-many-at-once.toml");
        let plain = check(&path, &[], Form::Plain);
        assert!(plain.refused);
        assert!(
            plain.text.contains("type-many-at-once.toml:8:8")
                && plain.text.contains("4 mistakes, 0 warnings")
        );
        assert!(!plain.text.contains('\u{1b}'));
        let parsed: Value = serde_json::from_str(&check(&path, &[], Form::Json).text).unwrap();
        assert_eq!(parsed["accepted"], json!(false));
        assert_eq!(parsed["mistakes"].as_array().unwrap().len(), 4);
        let parsed: Value =
            serde_json::from_str(&check(&repository("tests/config/sound.toml"), &[], Form::Json).text)
                .unwrap();
        assert_eq!(parsed["accepted"], json!(true));
        assert_eq!(parsed["plan"]["sumps"][0]["litres_to_brim"], json!(336.0));
    }
}
