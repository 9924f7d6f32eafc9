//! How the gateway itself is, put together from whoever knows a part of it.

use std::sync::Arc;

use sumpwarden_core::model::{Name, Timestamp};
use tokio::sync::watch;

use super::keeper::Ledger;
use super::parts::Shared;
use super::{page, receivers, reload};
use crate::edge::clock::Clock;
use crate::edge::mqtt::{BrokerStatus, Link};
use crate::edge::store::{Reader, Store, StoreError};
use crate::edge::uplink::{UplinkState, UplinkStatus};
use crate::edge::web::status::{
    BrokerView, ConfigurationView, ForwarderView, Standing, StatusView, Still, StoreView,
};

/// Whoever knows a part of it.
#[derive(Clone)]
pub(super) struct Witnesses {
    pub(super) version: &'static str,
    pub(super) started_at: Timestamp,
    pub(super) file: Option<String>,
    pub(super) configuration: watch::Receiver<reload::Standing>,
    pub(super) roster: Shared,
    pub(super) store: Store,
    pub(super) ledger: Ledger,
}

/// What of a forwarder only the store knows: points that wait, and the oldest of them.
type Owed = (Option<u64>, Option<Timestamp>);

impl Witnesses {
    /// How it is, for the page.
    pub(super) fn standing(&self) -> Standing {
        let witnesses = self.clone();
        Arc::new(move || {
            let witnesses = witnesses.clone();
            Box::pin(async move { witnesses.look().await })
        })
    }

    /// What is not up yet, for the page.
    pub(super) fn not_ready(&self) -> Still {
        let witnesses = self.clone();
        Arc::new(move || witnesses.missing())
    }

    async fn look(&self) -> StatusView {
        let forwards = self.roster.forwards();
        let names: Vec<Name> = forwards.iter().map(|(name, _)| name.clone()).collect();
        let read = self.store.read(move |reader| owed(reader, &names)).await;
        // A store that cannot be read shows as its own trouble.
        let (oldest, owed) = read.unwrap_or_else(|_| (None, vec![(None, None); forwards.len()]));
        let brokers = self.roster.brokers();
        StatusView {
            version: self.version.to_owned(),
            started_at: text(self.started_at),
            at: text(Clock.utc()),
            not_ready: self.missing(),
            configuration: self.configuration(),
            buses: page::bus_views(&self.roster),
            brokers: brokers.iter().map(|(name, status)| broker(name, status)).collect(),
            forwarders: forwards
                .iter()
                .zip(owed)
                .map(|((name, of), owed)| forwarder(name, of, owed))
                .collect(),
            receivers: self.roster.receivers().iter().map(|(name, of)| receivers::view(name, of)).collect(),
            store: self.store(oldest),
            reduced: self.ledger.view().reduced,
            ..StatusView::default()
        }
    }

    fn configuration(&self) -> ConfigurationView {
        let reload::Standing { since, reloaded, refused, last_refused } = self.configuration.borrow().clone();
        ConfigurationView { file: self.file.clone(), in_force_since: since, reloaded, refused, last_refused }
    }

    fn store(&self, oldest: Option<Timestamp>) -> StoreView {
        let status = self.store.status();
        StoreView {
            directory: self.store.directory().display().to_string(),
            trouble: status.trouble,
            bytes: status.bytes,
            free_bytes: self.store.free_bytes(),
            full_percent: 100.0 * status.fullness,
            oldest: oldest.map(text),
            acquired: status.counters.acquired,
            stored: status.counters.stored,
            dropped: status.counters.dropped,
            waiting: status.counters.pending,
            undated: status.undated.waiting,
            undatable: status.undated.aside,
        }
    }

    /// A bus or a broker that cannot be reached has been tried: waiting longer for it changes nothing.
    fn missing(&self) -> Vec<String> {
        let mut missing = Vec::new();
        if !self.store.has_file() && self.store.status().trouble.is_none() {
            missing.push("store".to_owned());
        }
        let roster = self.roster.lock();
        let untried =
            roster.buses.iter().filter(|bus| bus.counters.connects() + bus.counters.open_failures() == 0);
        missing.extend(untried.map(|bus| format!("bus {}", bus.settings.name)));
        let untried =
            roster.brokers.iter().filter(|broker| broker.status.borrow().since == Timestamp::default());
        missing.extend(untried.map(|broker| format!("broker {}", broker.settings.name)));
        missing
    }
}

fn text(at: Timestamp) -> String {
    at.floor_to_millis().to_string()
}

fn owed(reader: &mut Reader, names: &[Name]) -> Result<(Option<Timestamp>, Vec<Owed>), StoreError> {
    let oldest = reader.oldest()?;
    let one = |name: &Name| {
        let waiting = reader.owed(name.as_str())?.map(|(_, waiting)| waiting);
        Ok((waiting, if waiting == Some(0) { None } else { reader.oldest_owed(name.as_str())? }))
    };
    let owed = names.iter().map(one).collect::<Result<_, StoreError>>()?;
    Ok((oldest, owed))
}

fn broker(name: &Name, status: &BrokerStatus) -> BrokerView {
    BrokerView {
        name: name.to_string(),
        connected: status.link == Link::Connected,
        words: status.words.clone(),
        since: text(status.since),
        received: status.counters.received,
        accepted: status.counters.accepted,
        refused: status.counters.refused_in_all(),
    }
}

fn forwarder(name: &Name, status: &UplinkStatus, (waiting, oldest): Owed) -> ForwarderView {
    ForwarderView {
        name: name.to_string(),
        state: match status.state {
            UplinkState::Starting => "starting",
            UplinkState::Delivering => "delivering",
            UplinkState::Retrying => "retrying",
            UplinkState::NotAllowed => "not allowed",
        },
        error: status.error.clone(),
        forwarded: status.forwarded,
        parked: status.parked,
        expired: status.expired,
        waiting,
        oldest_waiting: oldest.map(text),
        backlog: status.backlog,
    }
}
