//! What the engine left in the store before a restart.

use std::collections::BTreeMap;

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

/// Times of the readings that were stored last of every probe that comes by message. After a kill the broker does not
/// know of them and sends them again.
pub(super) fn heard(
    engine: &Engine,
    store: &Store,
) -> Result<BTreeMap<ProbeIndex, Vec<Timestamp>>, StoreError> {
    let Some(mut reader) = reader(store)?.filter(|_| store.has_file()) else { return Ok(BTreeMap::new()) };
    let mut series = BTreeMap::new();
    for (probe, key) in engine.by_message() {
        if let Some(id) = reader.find(&key.to_string())? {
            series.insert(probe, id);
        }
    }
    let ids: Vec<_> = series.values().copied().collect();
    let mut stamps = reader.recent_stamps(&ids)?;
    Ok(series.into_iter().filter_map(|(probe, id)| Some((probe, stamps.remove(&id)?))).collect())
}
