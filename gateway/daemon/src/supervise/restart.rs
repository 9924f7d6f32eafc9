//! What the engine left in the store before a restart.

use std::collections::BTreeMap;

use sumpwarden_core::acquire::settings::BrokerSettings;
use sumpwarden_core::engine::Engine;
use sumpwarden_core::model::{Now, ProbeIndex, Timestamp};

use crate::edge::store::{Reader, Store, StoreError};

/// Puts the engine's alarms back to where they stood. An entry that cannot be read is named in the log; a store that has no
/// file yet may be read all the same, or has nothing to say.
pub(super) fn restore(now: Now, engine: &mut Engine, store: &Store) -> Result<(), StoreError> {
    let Some(mut reader) = reader(store)? else { return Ok(()) };
    let mut failed = None;
    let unreadable = engine.restore(now, |key| match reader.saved(key) {
        Ok(saved) => saved,
        Err(error) => {
            failed = Some(error);
            None
        }
    });
    for key in unreadable {
        tracing::warn!(key, "saved state cannot be read; this alarm starts as normal");
    }
    match failed {
        Some(error) if store.has_file() => Err(error),
        Some(error) => {
            tracing::error!(%error, "not all saved state can be read");
            Ok(())
        }
        None => Ok(()),
    }
}

fn reader(store: &Store) -> Result<Option<Reader>, StoreError> {
    match store.reader() {
        Err(error) if !store.has_file() => {
            tracing::error!(%error, "no saved state can be read; everything begins anew");
            Ok(None)
        }
        found => found.map(Some),
    }
}

/// Probes that come by message, with the text of their series.
pub(super) type Listened = Vec<(ProbeIndex, String)>;

/// Times of readings by probe.
pub(super) type Heard = BTreeMap<ProbeIndex, Vec<Timestamp>>;

/// Probes that come by message from a broker.
pub(super) fn listened(engine: &Engine, broker: &BrokerSettings) -> Listened {
    let keys = engine.by_message();
    let probes = broker.topics.iter().map(|topic| topic.probe);
    probes.filter_map(|probe| Some((probe, keys.get(&probe)?.to_string()))).collect()
}

/// As [`heard`], at the start; nothing while the store has no file.
pub(super) fn heard_before(store: &Store, listened: &Listened) -> Result<Heard, StoreError> {
    match reader(store)?.filter(|_| store.has_file()) {
        Some(mut reader) => heard(&mut reader, listened),
        None => Ok(Heard::new()),
    }
}

/// Times of the readings that were stored last of every probe that comes by message. After a kill the broker does not
/// know of them and sends them again.
pub(super) fn heard(reader: &mut Reader, listened: &Listened) -> Result<Heard, StoreError> {
    let mut series = BTreeMap::new();
    for (probe, text) in listened {
        if let Some(id) = reader.find(text)? {
            series.insert(*probe, id);
        }
    }
    let ids: Vec<_> = series.values().copied().collect();
    let mut times = reader.recent_times(&ids)?;
    Ok(series.into_iter().filter_map(|(probe, id)| Some((probe, times.remove(&id)?))).collect())
}
