//! What runs, part by part: each bus, broker, forwarder and receiver can be stopped by itself, while everything else goes on.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use sumpwarden_core::acquire::Plan;
use sumpwarden_core::acquire::settings::{BrokerSettings, BusSettings};
use sumpwarden_core::engine::succession::Successors;
use sumpwarden_core::model::{Name, ProbeIndex};
use sumpwarden_core::notify::ReceiverSettings;
use sumpwarden_core::store::settings::ForwardSettings;
use tokio::sync::watch;
use tokio::time::timeout;

use super::acquisition::Route;
use super::standby::Stands;
use crate::edge::modbus::BusCounters;
use crate::edge::mqtt::BrokerStatus;
use crate::edge::notify::ReceiverStatus;
use crate::edge::pulse::{Progress, Pulse};
use crate::edge::uplink::UplinkStatus;

/// How a part is told to stop, and shows that it has.
#[derive(Debug)]
pub(super) struct Part {
    stop: watch::Sender<bool>,
    ended: watch::Receiver<()>,
}

/// Held by a part for as long as it runs.
#[derive(Debug)]
pub(super) struct PartHeld(#[expect(dead_code, reason = "it tells by being dropped")] watch::Sender<()>);

impl Part {
    /// A new one, with where it hears that it is to stop: by itself, or with everything, as `all` says. Must be called inside a
    /// runtime that lives as long.
    pub(super) fn new(all: &watch::Receiver<bool>) -> (Self, watch::Receiver<bool>, PartHeld) {
        let (stop, stopping) = watch::channel(false);
        let (held, ended) = watch::channel(());
        let (mut all, relayed) = (all.clone(), stop.clone());
        tokio::spawn(async move {
            tokio::select! {
                // Who could tell has gone: that is an end as well.
                _ = all.wait_for(|stop| *stop) => drop(relayed.send_replace(true)),
                () = relayed.closed() => {}
            }
        });
        (Self { stop, ended }, stopping, PartHeld(held))
    }

    /// Tells it to stop.
    pub(super) fn stop(&self) {
        self.stop.send_replace(true);
    }

    /// Waits until it has stopped; false if it has not `within` that.
    pub(super) async fn ended(mut self, within: Duration) -> bool {
        // It ends by dropping its sender.
        timeout(within, self.ended.changed()).await.is_ok()
    }
}

/// A bus that runs.
pub(super) struct BusPart {
    /// With the places that its probes have now.
    pub(super) settings: BusSettings,
    pub(super) plan: Plan,
    pub(super) counters: Arc<BusCounters>,
    /// What its reports are known by, and the places of its probes when it was started: where they are now.
    pub(super) actor: u32,
    pub(super) places: BTreeMap<ProbeIndex, ProbeIndex>,
    pub(super) part: Part,
}

/// A broker that is listened to.
pub(super) struct BrokerPart {
    pub(super) settings: BrokerSettings,
    pub(super) status: watch::Receiver<BrokerStatus>,
    pub(super) actor: u32,
    pub(super) places: BTreeMap<ProbeIndex, ProbeIndex>,
    pub(super) part: Part,
}

/// A forwarder.
pub(super) struct ForwardPart {
    pub(super) settings: ForwardSettings,
    pub(super) status: watch::Receiver<UplinkStatus>,
    pub(super) part: Part,
}

/// A receiver of messages.
pub(super) struct ReceiverPart {
    pub(super) settings: ReceiverSettings,
    pub(super) status: watch::Receiver<ReceiverStatus>,
    pub(super) part: Part,
}

/// Everything that runs in parts, each list in the order of the settings.
#[derive(Default)]
pub(super) struct Roster {
    pub(super) buses: Vec<BusPart>,
    pub(super) brokers: Vec<BrokerPart>,
    pub(super) forwards: Vec<ForwardPart>,
    pub(super) receivers: Vec<ReceiverPart>,
    /// Edge nodes that plant systems see, with the names of their loops.
    pub(super) nodes: Vec<(String, Part)>,
    /// How the buses stand that another box may poll.
    pub(super) stands: Stands,
    /// The sign of life.
    pub(super) heartbeat: Option<Part>,
    next_actor: u32,
}

impl Roster {
    /// A number that no part's reports were known by before.
    pub(super) fn actor(&mut self) -> u32 {
        self.next_actor += 1;
        self.next_actor
    }

    /// Where the reports of buses belong, each list by what they are known by.
    pub(super) fn routes(&self) -> Routes {
        let buses = self.buses.iter().zip(0..).map(|(bus, at)| (bus.actor, Route::new(at, &bus.places)));
        let brokers = self.brokers.iter().zip(0..).map(|(of, at)| (of.actor, Route::new(at, &of.places)));
        Routes { buses: buses.collect(), brokers: brokers.collect() }
    }
}

/// Where reports belong, by what they are known by.
#[derive(Clone, Debug, Default)]
pub(super) struct Routes {
    pub(super) buses: BTreeMap<u32, Route>,
    pub(super) brokers: BTreeMap<u32, Route>,
}

/// The places of a bus's probes, which are those of its settings while it is new.
pub(super) fn own_places(probes: impl Iterator<Item = ProbeIndex>) -> BTreeMap<ProbeIndex, ProbeIndex> {
    probes.map(|probe| (probe, probe)).collect()
}

/// The same places in the next configuration.
pub(super) fn moved(places: &mut BTreeMap<ProbeIndex, ProbeIndex>, successors: &Successors) {
    for place in places.values_mut() {
        *place = *successors.probes.get(place).expect("a part goes on only where all of its probes do");
    }
}

/// The roster, for whoever starts, stops or shows parts.
#[derive(Clone, Default)]
pub(super) struct Shared(Arc<Mutex<Roster>>);

impl Shared {
    pub(super) fn lock(&self) -> MutexGuard<'_, Roster> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What is on it, by kind and name.
    pub(super) fn names(&self) -> BTreeSet<(&'static str, Name)> {
        let roster = self.lock();
        let buses = roster.buses.iter().map(|one| ("bus", one.settings.name.clone()));
        let brokers = roster.brokers.iter().map(|one| ("broker", one.settings.name.clone()));
        let forwards = roster.forwards.iter().map(|one| ("forwarder", one.settings.name.clone()));
        let receivers = roster.receivers.iter().map(|one| ("receiver", one.settings.name.clone()));
        buses.chain(brokers).chain(forwards).chain(receivers).collect()
    }

    /// Forwarders by name, with how each is.
    pub(super) fn forwards(&self) -> Vec<(Name, UplinkStatus)> {
        let roster = self.lock();
        roster.forwards.iter().map(|one| (one.settings.name.clone(), one.status.borrow().clone())).collect()
    }

    /// Brokers by name, with how things stand with each.
    pub(super) fn brokers(&self) -> Vec<(Name, BrokerStatus)> {
        let roster = self.lock();
        roster.brokers.iter().map(|one| (one.settings.name.clone(), one.status.borrow().clone())).collect()
    }

    /// Receivers by name, with how each is.
    pub(super) fn receivers(&self) -> Vec<(Name, ReceiverStatus)> {
        let roster = self.lock();
        roster.receivers.iter().map(|one| (one.settings.name.clone(), one.status.borrow().clone())).collect()
    }
}

/// Loops that must go on. One that is no more leaves its place to the next, so that the others keep theirs.
#[derive(Clone, Default)]
pub(super) struct Watched(Arc<Mutex<Vec<Progress>>>);

impl Watched {
    /// One more.
    pub(super) fn add(&self, progress: Progress) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match all.iter_mut().find(|one| one.name.is_empty()) {
            Some(free) => *free = progress,
            None => all.push(progress),
        }
    }

    /// The one of this name is no more.
    pub(super) fn remove(&self, name: &str) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let pulse = Pulse::default();
        pulse.rest();
        all.iter_mut().filter(|one| one.name == name).for_each(|one| *one = Progress::of("", &pulse));
    }

    /// All of them.
    pub(super) fn all(&self) -> Vec<Progress> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}
