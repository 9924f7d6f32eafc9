//! The file shapes into what is true: settings of all floors, or every mistake.
//!
//! Each part checks one kind of table and notes what it finds; nothing here stops at the first mistake. A setting that
//! cannot be worked out is left away, which only happens together with a mistake, so the settings are handed out only
//! when there is none.

mod alarm;
mod bus;
mod gateway;
mod heirs;
mod limit;
mod notes;
mod overlap;
mod plan;
mod probe;
mod receiver;
mod secret;
mod sensor;
mod source;
mod sparkplug;
mod standby;
mod sump;
mod tank;

use std::collections::BTreeMap;
use std::path::PathBuf;

use sumpwarden_core::acquire::plan::plan as poll_plan;
use sumpwarden_core::acquire::settings::BusSettings;
use sumpwarden_core::acquire::wire::describe;
use sumpwarden_core::engine;
use sumpwarden_core::model::{ProbeIndex, SumpIndex};
use sumpwarden_core::store::settings::ForwardSettings;

pub(crate) use bus::BAUDS;
pub use gateway::{PageTls, SiteSettings, StoreConfig, WebSettings};
pub use standby::{Peer, SharedBus};

use super::file::Shop;
use super::in_force::Facts;
use super::reader::Wrong;
use super::report::{Mistake, Report, Weight};
use super::sources::Layered;
use crate::edge::mqtt::sparkplug::SparkplugSettings;
use crate::edge::notify::HeartbeatSettings;
use notes::{At, Notes};

/// Everything the daemon is told, checked.
#[derive(Clone, PartialEq, Debug)]
pub struct Settings {
    /// What the engine and the floors under it are told.
    pub engine: engine::Settings,
    /// Where the gateway stands.
    pub site: SiteSettings,
    /// The embedded store.
    pub store: StoreConfig,
    /// The page.
    pub web: WebSettings,
    /// Databases to forward to.
    pub forwards: Vec<ForwardSettings>,
    /// The watcher outside.
    pub heartbeat: Option<HeartbeatSettings>,
    /// What plant systems see of the shop, and where.
    pub edge_nodes: Vec<SparkplugSettings>,
    /// Buses that another box may poll.
    pub shared: Vec<SharedBus>,
}

/// Checks what was read. `None` together with at least one mistake in the report. Defaults and ranges are handed out where
/// `record` asks for them.
pub(super) fn check(
    shop: Option<Shop>,
    wrong: Vec<Wrong>,
    layered: &Layered,
    base: PathBuf,
    record: bool,
    report: &mut Report,
) -> (Option<Settings>, Facts) {
    let mut lost = layered.refused_keys();
    lost.extend(layered.inherited.excused.iter().cloned());
    let mut notes = Notes {
        layered,
        report,
        noted: lost.clone(),
        lost,
        base,
        inherited: Vec::new(),
        facts: record.then(Facts::new),
    };
    for mistake in wrong {
        let place = match mistake.key {
            true => layered.key_place(&mistake.path),
            false => layered.value_place(&mistake.path),
        };
        notes.noted.extend(mistake.meant);
        if !mistake.key {
            notes.lost.insert(mistake.path.clone());
        }
        notes.noted.insert(mistake.path);
        let (what, cure) = (mistake.what, mistake.cure);
        notes.report.mistakes.push(Mistake { place, weight: Weight::Mistake, what, cure, other: None });
    }
    let settings = shop.and_then(|shop| settings(&mut notes, &shop));
    let facts = heirs::settle(notes);
    (settings.filter(|_| !report.refuses()), facts)
}

fn settings(notes: &mut Notes<'_>, shop: &Shop) -> Option<Settings> {
    let root = At::root();
    let site = gateway::site(notes, shop);
    let store = gateway::store(notes, shop);
    let web = gateway::web(notes, shop);
    let forwards = gateway::forwards(notes, shop, site.as_ref());

    let buses = bus::buses(notes, shop);
    let brokers = bus::brokers(notes, shop, site.as_ref());
    let receivers = receiver::receivers(notes, shop, site.as_ref(), &brokers);
    let heartbeat = receiver::heartbeat(notes, shop);
    let edge_nodes = sparkplug::edge_nodes(notes, shop, site.as_ref(), &brokers);
    let mut wiring = source::Wiring::new(buses, brokers, shop);
    let estimate_every = gateway::estimates_every(notes, shop);
    let mut settings = engine::Settings {
        estimate_every,
        receivers,
        site: site.as_ref().map(|site| site.name.to_string()).unwrap_or_default(),
        box_name: site.as_ref().map(|site| site.box_name.to_string()).unwrap_or_default(),
        pace: gateway::pace(notes, shop),
        ..engine::Settings::default()
    };
    let indices = probe_indices(shop);
    let fluids = sump::fluids(notes, shop);
    let waters = sump::waters(notes, shop);
    let shop_plan = plan::read(notes, &root.key("plan"), &shop.plan);
    for (number, (key, table)) in shop.sump.iter().enumerate() {
        let at = root.key("sump").key(key);
        let here = SumpIndex(u32::try_from(number).expect("fewer sumps than items in a file"));
        let sump = sump::sump(notes, &at, key, table, &fluids, &waters);
        let tank_height = sump.as_ref().map(|s| s.tank.height_mm());
        let mut facts = BTreeMap::new();
        for (probe_key, probe_table) in &table.probe {
            let context = probe::Context { sump: here, sump_key: key, shop, indices: &indices, tank_height };
            let at = at.key("probe").key(probe_key);
            let index = indices[&(key.as_str(), probe_key.as_str())];
            let Some(probe) = probe::probe(notes, &at, probe_key, probe_table, &context) else {
                continue;
            };
            settings.alarms.instruments.push(probe::instrument(notes, &at, probe_table, index));
            wiring.attach(notes, &at, probe_table, index, probe.period);
            facts.insert(
                probe_key.as_str(),
                limit::ProbeFacts {
                    index,
                    quantity: probe.quantity,
                    range: probe.range,
                    period: probe.period,
                },
            );
            settings.probes.push(probe);
        }
        sump::note_reach(notes, &at, table, &facts, sump.as_ref());
        settings.alarms.limits.extend(limit::limits(notes, &at, table, here, &facts, sump.as_ref()));
        settings.alarms.conditions.extend(alarm::conditions(notes, &at, &table.alarm, here));
        let own_plan = plan::read(notes, &at.key("plan"), &table.plan);
        settings.plans.push(plan::plan(notes, table, &shop_plan, &own_plan));
        settings.sumps.extend(sump.map(|s| s.finish(&facts)));
    }
    let (buses, brokers) = wiring.finish(notes);
    (settings.buses, settings.brokers) = (buses, brokers);
    let shared = standby::shared(notes, shop, site.as_ref(), &settings.buses, &settings.brokers);
    let forwarders: Vec<String> = forwards.iter().map(|forward| forward.name.to_string()).collect();
    let receivers: Vec<String> =
        settings.receivers.iter().map(|receiver| receiver.name.to_string()).collect();
    let nodes: Vec<String> = edge_nodes.iter().map(|node| node.broker.name.to_string()).collect();
    let of_two: Vec<String> =
        shared.iter().map(|shared| settings.buses[shared.bus.slot()].name.to_string()).collect();
    alarm::faults(notes, &shop.alarm, &mut settings, (&forwarders, &receivers, &nodes, &of_two));
    for bus in &settings.buses {
        note_load(notes, bus);
    }
    if shop.sump.is_empty() && !notes.doubtful(&root.key("sump")) {
        notes.wrong(&root, "there is no sump", "add a table [sump.NAME] with its tank and probes");
    }
    let site = site?;
    Some(Settings { engine: settings, site, store, web: web?, forwards, heartbeat, edge_nodes, shared })
}

/// Every probe's index: sumps in the order of their names, and so their probes.
fn probe_indices(shop: &Shop) -> BTreeMap<(&str, &str), ProbeIndex> {
    let keys = shop
        .sump
        .iter()
        .flat_map(|(sump, table)| table.probe.keys().map(move |p| (sump.as_str(), p.as_str())));
    keys.zip(0..).map(|(key, index)| (key, ProbeIndex(index))).collect()
}

/// Share of a serial line's time from which the polls start to wait for each other, percent: the devices' own thinking
/// time comes on top and is not known here.
const LINE_LOAD_WARN_PERCENT: f64 = 80.0;

/// Notes a serial line that cannot carry its requests, or only just.
fn note_load(notes: &mut Notes<'_>, bus: &BusSettings) {
    let Ok(plan) = poll_plan(bus) else { return };
    let Some(load) = describe(bus, &plan).line_load_percent else { return };
    let at = At::root().key("bus").key(bus.name.as_str());
    let what = format!("the requests fill {load:.0} % of the time of serial line \"{}\"", bus.name);
    let cure = "read some probes less often (every), raise baud, or put devices on a second line";
    if load > 100.0 {
        notes.wrong(&at, what, cure);
    } else if load > LINE_LOAD_WARN_PERCENT {
        notes.warn(&at, what, cure);
    }
}
