//! What the demo tells, in plain words, as it happens: what people in the simulated shop do, what the daemon says to it,
//! and now and then how every sump stands.

use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use sumpwarden_core::engine::snapshot::{EstimateView, ProbeView, SumpView};
use sumpwarden_core::store::{JournalRecord, RecordKind};
use sumpwarden_sim::scenario::Endpoint;
use sumpwarden_sim::shop::Shop;
use sumpwarden_sim::world::EventKind;
use tokio::sync::broadcast::error::RecvError;

use crate::commands::console;
use crate::supervise::Running;

/// How often the shop is looked at for what people did.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// Looks between two full accounts.
const ACCOUNT_AFTER_LOOKS: u32 = 20;

/// As the simulator counts them, Monday first.
const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

pub(super) struct Story<'a> {
    shop: &'a Shop,
    running: &'a Running,
    speed: f64,
}

impl<'a> Story<'a> {
    pub(super) fn new(shop: &'a Shop, running: &'a Running, speed: f64) -> Self {
        Self { shop, running, speed }
    }

    /// What runs, and where to look.
    pub(super) fn open(&self, configuration: &Path, broker: SocketAddr) {
        let scenario = self.shop.scenario();
        console::say(&format!(
            "{} simulated sumps, {} times faster than real ones, seed {}. Ctrl-C ends it.\n",
            scenario.sumps.len(),
            self.speed,
            scenario.seed
        ));
        console::say(&format!(
            "  page           http://{}/  (its interface: /openapi.json)",
            self.running.web
        ));
        if let Some(code) = self.running.access.first_code() {
            let words = "to make the first person there, who may log and manage";
            console::say(&format!("  first login    {code}  ({words})"));
        }
        for (name, endpoint) in self.shop.endpoints() {
            let place = match endpoint {
                Endpoint::Socket(address) => address.to_string(),
                Endpoint::Port(path) => path.display().to_string(),
            };
            console::say(&format!("  bus {name:<10} {place}"));
        }
        console::say(&format!("  broker         {broker} (embedded)"));
        console::say(&format!("  configuration  {}\n", configuration.display()));
    }

    /// Tells until it is dropped.
    pub(super) async fn tell(&self) {
        let mut journal = self.running.journal();
        let mut look = tokio::time::interval(LOOK_EVERY);
        let (mut looks, mut told) = (0_u32, 0);
        loop {
            tokio::select! {
                record = journal.recv() => self.tell_of(record),
                _ = look.tick() => {
                    told = self.tell_of_people(told);
                    looks += 1;
                    if looks.is_multiple_of(ACCOUNT_AFTER_LOOKS) {
                        self.account().await;
                    }
                }
            }
        }
    }

    fn tell_of(&self, record: Result<JournalRecord, RecvError>) {
        match record {
            Ok(record) => {
                let whose = record.sump.as_ref().map_or_else(|| "gateway".to_owned(), ToString::to_string);
                let words = console::plain(&record.message);
                // What was found in the readings speaks for itself; an alarm's state does not.
                if record.kind == RecordKind::Event && !words.is_empty() {
                    return self.line(&whose, &format!("found: {words}"));
                }
                let why = if words.is_empty() { "" } else { ": " };
                self.line(&whose, &format!("{} {}{why}{words}", record.state, record.subject));
            }
            Err(RecvError::Lagged(missed)) => {
                self.line("gateway", &format!("{missed} journal entries went by too fast to show"));
            }
            Err(RecvError::Closed) => {}
        }
    }

    /// What people did since the last look; how much has been told now.
    fn tell_of_people(&self, told: usize) -> usize {
        let events = self.shop.events();
        for event in events.iter().skip(told) {
            let sump = self.shop.scenario().sumps[event.sump].name;
            let what = match event.kind {
                EventKind::TopUp { litres, percent, .. } => {
                    format!("(somebody poured in {litres:.0} L at {percent:.1} % and told nobody)")
                }
                EventKind::Dump { .. } => "(somebody dumped it and filled it anew)".to_owned(),
                EventKind::CleanOut { .. } => "(somebody cleaned it out and charged it anew)".to_owned(),
                EventKind::LeakBegun { litres_h } => {
                    format!("(a seal gives way: {litres_h:.1} L an hour run out, and nobody sees it)")
                }
                EventKind::LeakEnded => "(the leak is closed)".to_owned(),
                EventKind::ChipsEmptied { solids_l } => {
                    format!("(somebody shovelled out {solids_l:.0} L of chips)")
                }
                EventKind::ScreenBrushed
                | EventKind::ProbeFrozen { .. }
                | EventKind::ProbeTroubled { .. }
                | EventKind::ProbeSwapped { .. }
                | EventKind::ProbeWiped { .. } => continue,
            };
            self.line(sump, &what);
        }
        events.len()
    }

    async fn account(&self) {
        let Some(snapshot) = self.running.snapshot().await else { return };
        console::say("");
        for sump in &snapshot.sumps {
            self.line(&sump.name, &standing(sump));
        }
        let counters = self.running.store.status().counters;
        self.line(
            "store",
            &format!("{} samples durable, {} on their way", counters.stored, counters.pending),
        );
        console::say("");
    }

    fn line(&self, whose: &str, what: &str) {
        let now = self.shop.now();
        let minutes = (now.hour() * 60.0) as u32;
        let day = WEEKDAYS[now.weekday() as usize % WEEKDAYS.len()];
        console::say(&format!("{day} {:02}:{:02}  {whose:<10} {what}", minutes / 60, minutes % 60));
    }
}

/// One line on how a sump stands.
fn standing(sump: &SumpView) -> String {
    let estimate = |word: &str| sump.estimates.iter().find(|e| e.quantity == word);
    let probe = |word: &str| sump.probes.iter().find(|p| p.quantity == word);
    let worst = match sump.alarms.iter().filter(|alarm| alarm.state != "RTNUN").count() {
        0 => sump.advice.first().map_or_else(|| "nothing to do".to_owned(), |advice| advice.text.clone()),
        1 => "1 alarm".to_owned(),
        count => format!("{count} alarms"),
    };
    let parts = [
        figure("pH", probe("ph").and_then(value), 2, ""),
        figure("liquid", estimate("liquid_l").and_then(estimated), 0, " L"),
        room(estimate("room_l").and_then(estimated)),
        figure("concentration", estimate("concentration_percent").and_then(estimated), 1, " %"),
        figure("hardness", estimate("hardness_mg_l").and_then(estimated), 0, " mg/L"),
        figure("temperature", probe("temperature").and_then(value), 1, " °C"),
        worst,
    ];
    parts.join(", ")
}

/// Room is negative where stopped pumps would let the liquid rise over the fill mark.
fn room(litres: Option<f64>) -> String {
    match litres {
        Some(litres) if litres < 0.0 => format!("{:.0} L over the fill mark once the pumps stop", -litres),
        litres => figure("room", litres, 0, " L"),
    }
}

fn value(probe: &ProbeView) -> Option<f64> {
    probe.value
}

fn estimated(estimate: &EstimateView) -> Option<f64> {
    estimate.value
}

fn figure(what: &str, value: Option<f64>, decimals: usize, unit: &str) -> String {
    match value {
        Some(value) => format!("{what} {value:.decimals$}{unit}"),
        None => format!("{what} not known"),
    }
}
