//! Queries and dashboard against what the gateway really writes: the daemon reads probes, forwards to both databases, which
//! also collect its health, and every query of `deploy/dashboards` finds rows. The dashboard asks nothing but these queries.

use std::collections::BTreeSet;
use std::fs;
use std::process::Command;
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden_tests::broker::{Entrance, Mosquitto, publisher};
use sumpwarden_tests::database::{InfluxDb, OtherPath, http};
use sumpwarden_tests::gateway::{Installation, counting_devices, program, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{Peer, TempDir, free_port, tool, wait_for};

use crate::{deployed, text_of};

const MOMENT: Duration = Duration::from_secs(90);
/// A row of the dashboard: title, unit as the dashboard names it, and the queries with what their lines are called.
type Panel = (&'static str, &'static str, &'static [(&'static str, &'static str)]);
/// The panels, two in a row.
const PANELS: &[Panel] = &[
    (
        "Concentration, with the ends of its 90 % interval",
        "percent",
        &[
            ("concentration", "{{sump}}"),
            ("concentration-low", "{{sump}} low"),
            ("concentration-high", "{{sump}} high"),
        ],
    ),
    ("pH", "none", &[("ph", "{{sump}} {{probe}}")]),
    ("Hardness as CaCO3, mg/L", "none", &[("hardness", "{{sump}}")]),
    ("Temperature", "celsius", &[("temperature", "{{sump}} {{probe}}")]),
    ("Level above the floor", "lengthmm", &[("level", "{{sump}} {{probe}}")]),
    ("Room under the fill mark", "litre", &[("room", "{{sump}}")]),
    ("Chips in the tank", "litre", &[("chips", "{{sump}}")]),
    ("Lost a day, L", "none", &[("losses", "{{sump}} {{quantity}}")]),
    ("Probes that give no value", "none", &[("bad", "{{sump}} {{probe}}")]),
    ("Since the last word of a probe", "s", &[("silent", "{{sump}} {{probe}}")]),
    ("How late polls start, 99 of a hundred", "s", &[("gateway-poll-lateness", "late")]),
    (
        "The gateway itself",
        "none",
        &[
            ("gateway-reduced", "left away after crashes"),
            ("gateway-panics", "panics a day"),
            ("gateway-deeds-unwritten", "deeds not recorded"),
        ],
    ),
];

/// The queries in one language: name and text.
fn queries(language: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(deployed("dashboards/queries")).expect("a directory") {
        let path = entry.expect("an entry").path();
        if path.extension().is_some_and(|end| end == language) {
            let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
            found.push((name, fs::read_to_string(&path).expect("text").trim().to_owned()));
        }
    }
    found.sort();
    assert!(found.len() > 9, "{language}: {found:?}");
    found
}

/// A victoria-metrics with the files of `deploy/database`, so that it collects the health of the gateway at `page`.
struct Database {
    port: u16,
    _peer: Peer,
    _folder: TempDir,
}

impl Database {
    fn start(page: u16) -> Self {
        let (folder, port) = (TempDir::new("victoria"), free_port());
        let scrape = text_of("database/scrape.yml");
        assert!(scrape.contains("127.0.0.1:8480") && scrape.contains("scrape_interval: 15s"), "{scrape}");
        let scrape = scrape.replace(":8480", &format!(":{page}")).replace("15s", "1s");
        fs::write(folder.file("scrape.yml"), scrape).expect("a file");
        let mut command = Command::new(tool("victoria-metrics"));
        command.args([
            format!("-storageDataPath={}", folder.file("data")),
            "-retentionPeriod=5y".to_owned(),
            format!("-httpListenAddr=127.0.0.1:{port}"),
            format!("-promscrape.config={}", folder.file("scrape.yml")),
            "-memory.allowedBytes=134217728".to_owned(),
            // What was just written may be asked for at once.
            "-search.latencyOffset=0s".to_owned(),
        ]);
        let mut peer = Peer::start("victoria-metrics", &mut command);
        peer.wait_for_port(port);
        Self { port, _peer: peer, _folder: folder }
    }

    /// The rows that a query finds now.
    fn rows(&self, query: &str) -> usize {
        let path = format!("/api/v1/query?query={}", encoded(query));
        let answer = http(self.port, "GET", &path, "");
        assert_eq!(answer.status, 200, "{query}: {}", answer.body);
        let found: Value = serde_json::from_str(&answer.body).expect("JSON");
        found["data"]["result"].as_array().expect("rows").len()
    }
}

/// The rows that a query finds in InfluxDB.
fn influx_rows(influx: &InfluxDb, query: &str) -> usize {
    let path = format!("/query?db={}&q={}", InfluxDb::DATABASE, encoded(query));
    let answer = http(influx.port, "GET", &path, "");
    assert_eq!(answer.status, 200, "{query}: {}", answer.body);
    let found: Value = serde_json::from_str(&answer.body).expect("JSON");
    assert!(found["results"][0]["error"].is_null(), "{query}: {found}");
    let series = found["results"][0]["series"].as_array().map_or(&[][..], Vec::as_slice);
    series.iter().map(|one| one["values"].as_array().map_or(0, Vec::len)).sum()
}

/// For a place in an address.
fn encoded(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02X}")).collect()
}

/// A sump of whose probes four speak by the broker, one on a bus and one never, with a limit that is crossed at once;
/// forwarded to both databases.
fn shop(page: u16, (broker, bus): (u16, u16), databases: [u16; 2]) -> Installation {
    let mut tables = format!("\n[broker.shop]\naddress = \"127.0.0.1:{broker}\"\n") + &sump("lathe-3");
    tables += &(tcp_bus("net", bus) + &counting_devices("net", "lathe-3", &[(1, 200)]));
    for (name, port) in ["victoria", "influx"].iter().zip(databases) {
        tables += &format!(
            "\n[forward.{name}]\nurl = \"http://127.0.0.1:{port}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n"
        );
    }
    for (quantity, unit, _) in PROBES {
        tables += &format!(
            "\n[sump.lathe-3.probe.{quantity}]\nquantity = \"{quantity}\"\n{unit}broker = \"shop\"\ntopic = \"hall/{quantity}\"\n\
             payload = \"number\"\nevery = \"1 s\"\nspike = false\nfrozen = false\nstale_after = \"1 h\"\n"
        );
    }
    tables += "\n[sump.lathe-3.probe.spare]\nquantity = \"temperature\"\nunit = \"Cel\"\nbroker = \"shop\"\n\
               topic = \"hall/spare\"\npayload = \"number\"\nevery = \"1 s\"\nhold = \"2 s\"\nstale_after = \"3 s\"\n";
    tables += "\n[sump.lathe-3.limit.too-warm]\nof = \"temperature\"\nhigh = 20\non_delay = \"0 s\"\npriority = \"high\"\n";
    Installation::with_page(page, &tables)
}

/// Quantity, unit, and what is published.
const PROBES: [(&str, &str, &str); 4] = [
    ("ph", "", "9.1"),
    ("level", "unit = \"mm\"\n", "300"),
    ("conductivity", "unit = \"uS/cm\"\n", "1600"),
    ("temperature", "unit = \"Cel\"\n", "22.5"),
];

/// The four probes, twice a second.
fn speak(broker: u16) -> Vec<Peer> {
    let one = |(quantity, _, value): &(&str, &str, &str)| {
        let topic = format!("hall/{quantity}");
        publisher(broker, &["--topic", &topic, "--raw", value, "--count", "1000", "--every-ms", "500"])
    };
    PROBES.iter().map(one).collect()
}

#[test]
fn every_query_finds_what_the_gateway_writes() {
    let page = free_port();
    let (broker, influx, victoria) =
        (Mosquitto::start(Entrance::Open), InfluxDb::start(), Database::start(page));
    let before = OtherPath::before(&influx);
    let devices = ModbusTcp::start(&[1]);
    let shop = shop(page, (broker.port, devices.port), [victoria.port, before.port]);
    // Ten hours of a sump pass in a minute: estimates take some hours of readings.
    let daemon = shop.run_program(
        program(),
        &[("SUMPWARDEN__STORE__ESTIMATES_EVERY", "1 s"), ("SUMPWARDEN__SITE__PACE", "600")],
    );
    let _speaking = speak(broker.port);
    for (name, query) in queries("promql") {
        let query = query.replace("$sump", ".*");
        wait_for(&format!("a row of {name}.promql: {query}"), MOMENT, || {
            (victoria.rows(&query) > 0).then_some(())
        });
    }
    for (name, query) in queries("influxql") {
        wait_for(&format!("a row of {name}.influxql: {query}"), MOMENT, || {
            (influx_rows(&influx, &query) > 0).then_some(())
        });
    }
    assert_eq!(
        victoria.rows("probe_value{quantity=\"oil\"}"),
        0,
        "a query for what is not there finds nothing"
    );
    assert_eq!(influx_rows(&influx, "SELECT \"oil\" FROM \"probe\""), 0);
    let (status, log) = daemon.terminate();
    assert!(status.success(), "{log:#?}");
}

/// Words in double quotes.
fn quoted(query: &str) -> impl Iterator<Item = &str> {
    query.split('"').skip(1).step_by(2)
}

/// No machine here runs Flux. Its queries stand beside those in InfluxQL, which were run, and name the same things.
#[test]
fn the_queries_in_flux_name_what_those_in_influxql_name() {
    let (flux, influxql) = (queries("flux"), queries("influxql"));
    let names = |list: &[(String, String)]| list.iter().map(|(name, _)| name.clone()).collect::<Vec<_>>();
    assert_eq!(names(&flux), names(&influxql));
    // Words of the language, the bucket, and the column of time.
    let its_own = ["coolant", "_field", "_value", "_time"];
    for ((name, flux), (_, influxql)) in flux.iter().zip(&influxql) {
        let known: BTreeSet<&str> = influxql
            .split(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))
            .filter(|word| !word.is_empty())
            .collect();
        for word in quoted(flux) {
            assert!(
                known.contains(word) || its_own.contains(&word),
                "{name}.flux names {word}, {name}.influxql does not"
            );
        }
        let ranges: Vec<&str> = flux.lines().filter(|line| line.contains("range(start: -")).collect();
        assert_eq!(ranges.len(), 1, "{name}.flux");
    }
}

fn panel(number: usize, (title, unit, lines): &Panel) -> Value {
    let source = json!({ "type": "prometheus", "uid": "${source}" });
    let target = |(at, (query, legend)): (usize, &(&str, &str))| {
        let letter = char::from(b'A' + u8::try_from(at).expect("a few"));
        let expr = text_of(&format!("dashboards/queries/{query}.promql"));
        json!({ "refId": letter.to_string(), "datasource": source, "expr": expr.trim(), "legendFormat": legend })
    };
    json!({
        "id": number + 1,
        "type": "timeseries",
        "title": title,
        "datasource": source,
        "gridPos": { "x": 12 * (number % 2), "y": 8 * (number / 2), "w": 12, "h": 8 },
        "fieldConfig": { "defaults": { "unit": unit, "custom": { "spanNulls": 600_000 } }, "overrides": [] },
        "options": { "legend": { "displayMode": "list", "placement": "bottom" }, "tooltip": { "mode": "multi" } },
        "targets": lines.iter().enumerate().map(target).collect::<Vec<_>>(),
    })
}

/// The dashboard, from the queries.
fn dashboard() -> Value {
    let panels: Vec<Value> = PANELS.iter().enumerate().map(|(number, one)| panel(number, one)).collect();
    json!({
        "title": "Coolant sumps",
        "uid": "sumpwarden-sumps",
        "schemaVersion": 36,
        "version": 1,
        "editable": true,
        "refresh": "1m",
        "time": { "from": "now-7d", "to": "now" },
        "templating": { "list": [
            { "name": "source", "label": "Database", "type": "datasource", "query": "prometheus" },
            {
                "name": "sump", "label": "Sump", "type": "query", "multi": true, "includeAll": true, "allValue": ".*",
                "datasource": { "type": "prometheus", "uid": "${source}" },
                "query": "label_values(probe_status, sump)", "refresh": 2, "sort": 1,
                "current": { "text": "All", "value": "$__all" },
            },
        ] },
        "panels": panels,
    })
}

#[test]
fn the_dashboard_asks_every_query_and_nothing_else() {
    let text = format!("{:#}\n", dashboard());
    let path = deployed("dashboards/sumps.json");
    if std::env::var_os("UPDATE_EXPECTED").is_some() {
        fs::write(&path, &text).expect("it can be written");
    }
    assert_eq!(text_of("dashboards/sumps.json"), text, "UPDATE_EXPECTED=1 writes it anew");
    let shown: BTreeSet<&str> = PANELS.iter().flat_map(|panel| panel.2).map(|(query, _)| *query).collect();
    let all = queries("promql");
    assert_eq!(shown, all.iter().map(|(name, _)| name.as_str()).collect());
}
