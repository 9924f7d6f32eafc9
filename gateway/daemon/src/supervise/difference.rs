//! Two configurations beside each other: what in one is another than in the other, by the names people gave.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::time::Duration;

use sumpwarden_core::alarm::settings::{FaultKey, Priority};
use sumpwarden_core::engine;
use sumpwarden_core::engine::succession::Successors;
use sumpwarden_core::model::{BusIndex, ProbeIndex, SumpIndex};

use crate::config::{Settings, SharedBus};
use crate::edge::web::reload::{Changes, ReloadView};

/// What of a new configuration takes a restart, by its key.
type ByRestart = Vec<String>;

/// The settings that can be put in force while the daemon runs: those `asked` for, with what only a restart changes as it is
/// `before`; and what that is.
pub(super) fn in_force(before: &Settings, asked: Settings) -> (Settings, ByRestart) {
    let (store, web) = ((&before.store, &asked.store), (&before.web, &asked.web));
    let all = [
        ("[site] name", before.site.name == asked.site.name),
        ("[site] box", before.site.box_name == asked.site.box_name),
        ("[site] timezone", before.site.timezone == asked.site.timezone),
        ("[store] directory", store.0.directory == store.1.directory),
        ("how much [store] keeps, and how long", store.0.limits == store.1.limits),
        ("[web] listen", web.0.listen == web.1.listen),
        ("[web] note_key_file", web.0.note_key == web.1.note_key),
        ("[web] public_url", web.0.public_url == web.1.public_url),
        ("[web] tls, certificate or key", web.0.tls == web.1.tls),
        ("[web] reads", web.0.reads_need_login == web.1.reads_need_login),
        ("[web] proxy", web.0.proxy == web.1.proxy),
    ];
    let others = all.iter().filter(|(_, same)| !same).map(|(key, _)| (*key).to_owned());
    let others = others.chain(shared(before, &asked)).collect();
    let (store, web) = (before.store.clone(), before.web.clone());
    (Settings { store, web, ..asked }, others)
}

/// Whether what others go by is another, the gateway's name or who polls a bus: then nothing of the new one can be put in
/// force.
pub(super) fn moves(by_restart: &[String]) -> bool {
    by_restart.iter().any(|key| key.starts_with("[site]") || key.starts_with("[bus."))
}

/// Buses that two boxes share in either, and that are others: the gate before one lasts as long as its lease.
fn shared(before: &Settings, asked: &Settings) -> Vec<String> {
    let successors = Successors::of(&before.engine, &asked.engine);
    let of = |settings: &Settings| -> BTreeMap<String, SharedBus> {
        let name = |bus: &SharedBus| settings.engine.buses[bus.bus.slot()].name.to_string();
        settings.shared.iter().map(|bus| (name(bus), SharedBus { bus: BusIndex(0), ..bus.clone() })).collect()
    };
    let (old, new) = (of(before), of(asked));
    let same_bus = |name: &str| {
        let find =
            |settings: &Settings| settings.engine.buses.iter().find(|bus| bus.name.as_str() == name).cloned();
        find(before).is_some_and(|bus| successors.bus(&bus) == find(asked))
    };
    let names: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    let others = names.into_iter().filter(|&name| old.get(name) != new.get(name) || !same_bus(name));
    others.map(|name| format!("[bus.{name}] with its standby")).collect()
}

/// What `after` has changed.
pub(super) fn between(before: &Settings, after: &Settings) -> ReloadView {
    let (old, new) = (&before.engine, &after.engine);
    let successors = Successors::of(old, new);
    let brokers = |of: &engine::Settings| -> Vec<_> {
        of.brokers.iter().map(|one| (one.name.to_string(), one.clone())).collect()
    };
    let moved = old.brokers.iter().map(|one| (one.name.to_string(), successors.broker(one)));
    let named = |of: &Settings| -> Vec<_> {
        of.forwards.iter().map(|one| (one.name.to_string(), one.clone())).collect()
    };
    let told = |of: &engine::Settings| -> Vec<_> {
        of.receivers.iter().map(|one| (one.name.to_string(), one.clone())).collect()
    };
    let buses = |of: &engine::Settings| -> Vec<_> {
        of.buses.iter().map(|one| (one.name.to_string(), Some(one.clone()))).collect()
    };
    let moved_buses = old.buses.iter().map(|one| (one.name.to_string(), successors.bus(one)));
    let mut others = Vec::new();
    if judged(old, new) != judged(new, old) {
        others.push("[alarm]".to_owned());
    }
    if old.estimate_every != new.estimate_every {
        others.push("how often estimates are written".to_owned());
    }
    if before.edge_nodes != after.edge_nodes {
        others.push("what plant systems are told".to_owned());
    }
    if before.heartbeat != after.heartbeat {
        others.push("[heartbeat]".to_owned());
    }
    ReloadView {
        sumps: changes(sumps(old), sumps(new)),
        buses: changes(moved_buses.collect(), buses(new)),
        brokers: changes(
            moved.collect(),
            brokers(new).into_iter().map(|(name, one)| (name, Some(one))).collect(),
        ),
        forwarders: changes(named(before), named(after)),
        receivers: changes(told(old), told(new)),
        others,
        ..ReloadView::default()
    }
}

/// How faults are judged that both know; what came or went shows by itself.
fn judged<'s>(
    settings: &'s engine::Settings,
    other: &engine::Settings,
) -> BTreeMap<&'s FaultKey, (Duration, Duration, Priority)> {
    let known = |key: &FaultKey| other.alarms.faults.iter().any(|fault| fault.key == *key);
    let both = settings.alarms.faults.iter().filter(|fault| known(&fault.key));
    both.map(|fault| (&fault.key, (fault.on_delay, fault.off_delay, fault.priority))).collect()
}

fn changes<T: PartialEq>(before: Vec<(String, T)>, after: Vec<(String, T)>) -> Changes {
    let old: BTreeMap<_, _> = before.into_iter().collect();
    let mut found = Changes::default();
    for (name, new) in &after {
        match old.get(name) {
            None => found.added.push(name.clone()),
            Some(old) if old == new => found.kept += 1,
            Some(_) => found.changed.push(name.clone()),
        }
    }
    found.removed = old.into_keys().filter(|name| after.iter().all(|(other, _)| other != name)).collect();
    found
}

/// Everything that is told of each sump, as a text in which sumps and probes have their names.
fn sumps(settings: &engine::Settings) -> Vec<(String, String)> {
    let of = |sump: SumpIndex| {
        let mut text = String::new();
        let mut put =
            |what: &dyn std::fmt::Debug| write!(text, "{what:?};").expect("a String takes everything");
        put(&settings.sumps[sump.slot()]);
        put(&settings.plans.get(sump.slot()));
        settings.probes_of(sump).for_each(|(_, probe)| put(probe));
        let limits = settings.alarms.limits.iter().filter(|limit| limit.sump == sump);
        limits.for_each(|limit| put(limit));
        let own = |probe: ProbeIndex| settings.probes[probe.slot()].sump == sump;
        settings.alarms.instruments.iter().filter(|of| own(of.probe)).for_each(|of| put(of));
        settings.alarms.conditions.iter().filter(|of| of.sump == sump).for_each(|of| put(of));
        for point in settings.buses.iter().flat_map(|bus| &bus.devices).flat_map(|device| &device.points) {
            if own(point.probe) {
                put(point);
            }
        }
        named(&text, settings)
    };
    let all = settings.sumps.iter().zip(0..);
    all.map(|(sump, place)| (sump.name.to_string(), of(SumpIndex(place)))).collect()
}

/// `text` with the names of probes in the place of their indices; which sump it is of is known.
fn named(text: &str, settings: &engine::Settings) -> String {
    const PROBE: &str = "ProbeIndex(";
    const SUMP: &str = "SumpIndex(";
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.find(PROBE).map(|at| at + PROBE.len()) {
        out.push_str(&rest[..at]);
        rest = &rest[at..];
        let end = rest.find(')').unwrap_or(rest.len());
        let probe = rest[..end].parse::<usize>().ok().and_then(|place| settings.probes.get(place));
        out.push_str(probe.map_or("?", |probe| probe.name.as_str()));
        rest = &rest[end..];
    }
    out.push_str(rest);
    let mut sumps = String::with_capacity(out.len());
    for (number, piece) in out.split(SUMP).enumerate() {
        let piece = if number == 0 { piece } else { piece.trim_start_matches(|c: char| c.is_ascii_digit()) };
        sumps.push_str(piece);
    }
    sumps
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// A shop whose line two boxes share, after `alter`.
    fn shop(name: &str, alter: impl Fn(String) -> String) -> Settings {
        let nameless = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/config/standby-nameless.toml");
        let text = std::fs::read_to_string(nameless).expect("of the corpus");
        let file =
            std::env::temp_dir().join(format!("sumpwarden-difference-{}-{name}.toml", std::process::id()));
        let text = alter(text.replacen("name = \"hall-2\"", "name = \"hall-2\"\nbox = \"box-1\"", 1));
        std::fs::write(&file, text).expect("a temporary file");
        let loaded = crate::config::load_with(&file, &[]).unwrap_or_else(|report| panic!("{report}"));
        std::fs::remove_file(&file).expect("ours");
        loaded.settings
    }

    #[test]
    fn a_bus_that_two_boxes_share_and_the_box_change_only_by_a_restart() {
        let before = shop("before", |text| text);
        let refused = |name: &str, alter: &dyn Fn(String) -> String| {
            let (_, by_restart) = in_force(&before, shop(name, alter));
            assert_eq!(moves(&by_restart), !by_restart.is_empty(), "{by_restart:?}");
            by_restart
        };
        // A sump that comes first moves every place, and the line is still the same.
        let more = |text: String| {
            let sump = text.find("[sump.lathe]").expect("it is there");
            let end = text.find("[sump.lathe.probe.ph]").expect("it is there");
            let another = text[sump..end].replace("[sump.lathe]", "[sump.edm]");
            let probe = "[sump.edm.probe.warmth]\nquantity = \"temperature\"\nbroker = \"shop\"\ntopic = \"edm\"\npayload = \"number\"\n";
            text + "\n" + &another + probe
        };
        assert_eq!(refused("same", &|text| text), Vec::<String>::new());
        assert_eq!(refused("more", &more), Vec::<String>::new());

        let of_the_bus = ["[bus.line-1] with its standby"];
        assert_eq!(refused("term", &|text| text + "term = \"20 s\"\n"), of_the_bus);
        assert_eq!(refused("rate", &|text| text.replace("19200", "9600")), of_the_bus);
        let alone = |text: String| text.replace("[bus.line-1.standby]\nbroker = \"shop\"\n", "");
        assert_eq!(refused("alone", &alone), of_the_bus);
        assert_eq!(refused("box", &|text| text.replace("box-1", "box-3"))[0], "[site] box");
    }
}
