//! What was found to tables of the configuration, to JSON and to lines for people.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden_core::acquire::settings::{BusLink, Parity, SerialLine};
use sumpwarden_core::model::{Name, Quantity};
use sumpwarden_protocol::modbus::Table;

use super::super::console::plain;
use super::asked::Asked;
use super::guess::{self, Candidate};
use super::search::Search;
use super::stable_port;
use crate::edge::modbus::Identity;

/// Quantities that are proposed, in the order of their tables.
const PROPOSED: [Quantity; 4] =
    [Quantity::Ph, Quantity::Conductivity, Quantity::Level, Quantity::Temperature];
/// Unit ids that all answer alike from which on it looks like one device that answers to any.
const ANY_UNIT: usize = 8;
/// Longest text of a device that is shown.
const IDENTITY_MAX: usize = 60;

/// A device that answered.
#[derive(Clone, Debug)]
pub(super) struct Found {
    pub(super) bus: Name,
    pub(super) link: BusLink,
    pub(super) unit: u8,
    pub(super) identity: Option<Identity>,
    /// Input registers, then holding registers.
    pub(super) tables: [(Table, Search); 2],
    /// Longest time to a reply.
    pub(super) slowest: Duration,
}

impl Found {
    fn name(&self) -> String {
        let tail = format!("-unit-{}", self.unit);
        let mut head = self.bus.to_string();
        head.truncate(Name::LEN_MAX - tail.len());
        head + &tail
    }

    /// Whether it answers with nothing but failures (V1.1b3, 7: 4 and more), none of which says what is there.
    pub(super) fn only_fails(&self) -> bool {
        self.tables.iter().all(|(_, search)| search.exception().is_some_and(|code| code >= 4))
    }

    /// One line for people.
    pub(super) fn line(&self) -> String {
        let who = self.who().map_or_else(String::new, |who| format!("  ({who})"));
        let tables: Vec<String> = self.tables.iter().map(|(table, search)| ranges(*table, search)).collect();
        format!("{}: unit {}{who}: {}", setting(&self.link), self.unit, tables.join("; "))
    }

    /// What it says of itself, safe for a terminal and a comment.
    fn who(&self) -> Option<String> {
        let Identity { vendor, product, revision } = self.identity.as_ref()?;
        let said: Vec<String> = [vendor, product, revision]
            .iter()
            .filter(|text| !text.is_empty())
            .map(|text| plain(text).chars().take(IDENTITY_MAX).collect())
            .collect();
        Some(said.join(", "))
    }

    fn registers_max(&self) -> Option<u16> {
        self.tables.iter().filter_map(|(_, search)| search.registers_max()).min()
    }
}

/// `host:port` or the path of a port.
pub(super) fn peer(link: &BusLink) -> String {
    match link {
        BusLink::Tcp { address } | BusLink::RtuOverTcp { address, .. } => address.clone(),
        BusLink::Rtu { port, .. } => port.clone(),
    }
}

/// The same with the settings of a line.
pub(super) fn setting(link: &BusLink) -> String {
    match link {
        BusLink::Tcp { address } => plain(address),
        BusLink::Rtu { port: peer, line } | BusLink::RtuOverTcp { address: peer, line } => {
            format!("{} at {} {}", plain(peer), line.baud, parity(line.parity))
        }
    }
}

fn parity(parity: Parity) -> &'static str {
    match parity {
        Parity::Even => "even",
        Parity::Odd => "odd",
        Parity::None => "none",
    }
}

fn table_word(table: Table) -> &'static str {
    match table {
        Table::Coil => "coil",
        Table::DiscreteInput => "discrete",
        Table::HoldingRegister => "holding",
        Table::InputRegister => "input",
    }
}

fn ranges(table: Table, search: &Search) -> String {
    let word = table_word(table);
    let found: Vec<String> = search
        .ranges()
        .iter()
        .map(|(first, last)| if first == last { first.to_string() } else { format!("{first}-{last}") })
        .collect();
    match (found.is_empty(), search.exception(), search.cut()) {
        (false, _, false) => format!("{word} {}", found.join(", ")),
        (false, _, true) => format!("{word} {}, then no answer", found.join(", ")),
        (true, Some(code), _) => format!("no {word} registers there (exception {code})"),
        (true, None, _) => format!("no answer for {word} registers"),
    }
}

/// What somebody should know about what was found.
pub(super) fn remarks(asked: &Asked, found: &[Found]) -> Vec<String> {
    let mut remarks = Vec::new();
    for place in &asked.places {
        let here: Vec<&Found> = found.iter().filter(|f| f.bus == place.bus).collect();
        let Some(first) = here.first() else { continue };
        let alike = |f: &&Found| (0..2).all(|t| f.tables[t].1.ranges() == first.tables[t].1.ranges());
        if here.len() >= ANY_UNIT && here.len() == asked.units.len() && here.iter().all(alike) {
            remarks.push(format!(
                "{}: every unit id that was asked answers alike, so this is probably one device that \
                 answers to any; \
                 keep the first and delete the others",
                plain(&peer(&first.link))
            ));
        }
        for other in here.iter().filter(|f| f.link != first.link) {
            remarks.push(format!(
                "unit {} answers at {}, unit {} at {}: a line has one setting, set the devices alike",
                first.unit,
                setting(&first.link),
                other.unit,
                setting(&other.link)
            ));
        }
        if let BusLink::Rtu { port, .. } = &first.link
            && let Some(stable) = stable_port(port).filter(|stable| stable != port)
        {
            remarks.push(format!(
                "{port} may be another adapter after the next start; {stable} is the same port"
            ));
        }
    }
    remarks
}

/// Everything found, ready to be written.
pub(super) struct Proposal {
    found: Vec<Found>,
    remarks: Vec<String>,
    registers: (u16, u16),
}

impl Proposal {
    /// Sorted by bus and unit id.
    pub(super) fn new(asked: &Asked, mut found: Vec<Found>, remarks: Vec<String>) -> Self {
        let place = |bus: &Name| asked.places.iter().position(|place| place.bus == *bus);
        found.sort_by_key(|found| (place(&found.bus), found.unit));
        Self { found, remarks, registers: asked.registers }
    }

    /// Whether anything answered.
    pub(super) fn found_any(&self) -> bool {
        !self.found.is_empty()
    }

    /// For stderr.
    pub(super) fn summary(&self) -> Vec<String> {
        let devices = match self.found.len() {
            0 => {
                "nobody answered: check power, wires A and B, rate and parity, unit ids, and the port number"
                    .to_owned()
            }
            1 => "1 device answered".to_owned(),
            more => format!("{more} devices answered"),
        };
        self.remarks.iter().map(|remark| format!("note: {remark}")).chain([devices]).collect()
    }

    /// Tables of the configuration, with probes in comments.
    pub(super) fn toml(&self) -> String {
        let mut out = String::from(
            "# What a scan found. Put it into conf.d/ beside the configuration, or into the file itself; \
             `check` says\n\
             # whether it fits. Probes stand in comments: take those you know, with a name of your own for SUMP.\n",
        );
        for remark in &self.remarks {
            let _ = writeln!(out, "# NOTE: {}", plain(remark));
        }
        let mut buses: BTreeMap<&str, &BusLink> = BTreeMap::new();
        for found in &self.found {
            let link = *buses.entry(found.bus.as_str()).or_insert_with(|| {
                out.push_str(&bus_table(found));
                &found.link
            });
            // A line has one setting; what answers at another one is shown, and not in force.
            out.push_str(&device_table(found, link == &found.link));
        }
        out
    }

    /// The same for machines.
    pub(super) fn json(&self) -> String {
        let devices: Vec<Value> = self.found.iter().map(device_json).collect();
        let (first, last) = self.registers;
        let all = json!({
            "registers": [first, last],
            "devices": devices,
            "notes": self.remarks,
            "toml": self.toml(),
        });
        format!("{all:#}")
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn bus_table(found: &Found) -> String {
    let mut out = format!("\n[bus.{}]\n", found.bus);
    let _ = match &found.link {
        BusLink::Tcp { address } => writeln!(out, "link = \"modbus-tcp\"\naddress = {}", quoted(address)),
        BusLink::Rtu { port, line } | BusLink::RtuOverTcp { address: port, line } => {
            let SerialLine { baud, parity: p, stop_bits } = line;
            let port = quoted(&stable_port(port).unwrap_or_else(|| port.clone()));
            let p = parity(*p);
            writeln!(
                out,
                "link = \"modbus-rtu\"\nport = {port}\nbaud = {baud}\nparity = \"{p}\"\nstop_bits = \
                 {stop_bits}"
            )
        }
    };
    out
}

fn device_table(found: &Found, in_force: bool) -> String {
    let mut out = String::from("\n");
    if let Some(who) = found.who() {
        let _ = writeln!(out, "# {who}");
    }
    for (table, search) in &found.tables {
        let _ = writeln!(out, "# {}", ranges(*table, search));
    }
    let _ = writeln!(out, "# answered within {} ms, {}", found.slowest.as_millis(), setting(&found.link));
    let mut lines = vec![
        format!("[device.{}]", found.name()),
        format!("bus = \"{}\"", found.bus),
        format!("unit_id = {}", found.unit),
    ];
    if let Some(most) = found.registers_max() {
        lines.push(format!("registers_max = {most}               # it refuses more at once"));
    }
    for line in lines {
        let _ = writeln!(out, "{}{line}", if in_force { "" } else { "# " });
    }
    out.push_str(&probes(found));
    out
}

/// Ways to read a quantity, the likeliest first.
struct Ways {
    quantity: Quantity,
    all: Vec<(Table, Candidate)>,
    /// Place of the one that is proposed.
    proposed: Option<usize>,
}

/// Ways to read each of the quantities, and which of them go together best.
fn ways(found: &Found) -> Vec<Ways> {
    // Many devices show the same registers in both tables.
    let [(_, input), (_, holding)] = &found.tables;
    let tables = if input.words() == holding.words() { &found.tables[..1] } else { &found.tables[..] };
    let all = tables.iter().flat_map(|(table, search)| {
        guess::candidates(search.words()).into_iter().map(|candidate| (*table, candidate))
    });
    let all: Vec<(Table, Candidate)> = all.collect();
    let ways = PROPOSED.map(|quantity| {
        let mut of: Vec<_> = all.iter().filter(|(_, c)| c.quantity == quantity).cloned().collect();
        of.sort_by_key(|(_, candidate)| candidate.doubt);
        of
    });
    let together = guess::together(&ways);
    PROPOSED
        .into_iter()
        .zip(ways)
        .zip(together)
        .map(|((quantity, all), proposed)| Ways { quantity, all, proposed })
        .collect()
}

/// The likeliest register of each quantity as a table in comments, with what else it may be.
fn probes(found: &Found) -> String {
    let mut out = String::new();
    for Ways { quantity, all, proposed } in ways(found) {
        let Some((table, first)) = proposed.and_then(|place| all.get(place)) else { continue };
        let _ = writeln!(out, "#\n# [sump.SUMP.probe.{}]\n# quantity = \"{0}\"", quantity.word());
        let _ = writeln!(out, "# device = \"{}\"", found.name());
        for line in source(*table, first) {
            let _ = writeln!(out, "# {line}");
        }
        let others = (0..).zip(&all).filter(|(place, _)| Some(*place) != proposed);
        for (_, (table, other)) in others.take(5) {
            let _ = writeln!(out, "#   or {}", source(*table, other).join(", "));
        }
    }
    out
}

/// Keys of a probe.
fn source(table: Table, candidate: &Candidate) -> Vec<String> {
    let Candidate { register, number, order, scale, unit, value, .. } = candidate;
    let mut lines =
        vec![format!("register = \"{}:{register}\"", table_word(table)), format!("number = \"{number}\"")];
    lines.extend(order.map(|order| format!("order = \"{order}\"")));
    if *scale != 1.0 {
        lines.push(format!("scale = {scale}"));
    }
    lines.push(format!("unit = \"{unit}\""));
    let last = lines.last_mut().expect("three at least");
    let _ = write!(last, "   # reads {} now", rounded(*value));
    lines
}

fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn device_json(found: &Found) -> Value {
    let link = match &found.link {
        BusLink::Tcp { address } => json!({ "link": "modbus-tcp", "address": address }),
        BusLink::Rtu { port, line } | BusLink::RtuOverTcp { address: port, line } => json!({
            "link": "modbus-rtu",
            "port": stable_port(port).unwrap_or_else(|| port.clone()),
            "baud": line.baud,
            "parity": parity(line.parity),
            "stop_bits": line.stop_bits,
        }),
    };
    let identity = found.identity.as_ref().map(|identity| {
        json!({ "vendor": identity.vendor, "product": identity.product, "revision": identity.revision })
    });
    let tables = found.tables.iter().map(|(table, search)| {
        let pairs: Vec<[u16; 2]> = search.ranges().into_iter().map(|(first, last)| [first, last]).collect();
        (table_word(*table).to_owned(), json!(pairs))
    });
    let ranges: serde_json::Map<String, Value> = tables.collect();
    let candidates: Vec<Value> = ways(found)
        .iter()
        .flat_map(|Ways { all, proposed, .. }| {
            (0..).zip(all).map(|(place, (table, way))| candidate_json(*table, way, Some(place) == *proposed))
        })
        .collect();
    let registers: Vec<Value> = found
        .tables
        .iter()
        .flat_map(|(table, search)| {
            let word = table_word(*table);
            search.words().iter().map(move |(at, value)| json!([format!("{word}:{at}"), value]))
        })
        .collect();
    json!({
        "name": found.name(),
        "bus": found.bus.as_str(),
        "at": link,
        "unit_id": found.unit,
        "identity": identity,
        "ranges": ranges,
        "registers_max": found.registers_max(),
        "slowest_ms": found.slowest.as_millis() as u64,
        "registers": registers,
        "candidates": candidates,
    })
}

fn candidate_json(table: Table, candidate: &Candidate, proposed: bool) -> Value {
    json!({
        "quantity": candidate.quantity.word(),
        "register": format!("{}:{}", table_word(table), candidate.register),
        "number": candidate.number,
        "order": candidate.order,
        "scale": candidate.scale,
        "unit": candidate.unit,
        "value": rounded(candidate.value),
        "doubt": candidate.doubt,
        "proposed": proposed,
    })
}
