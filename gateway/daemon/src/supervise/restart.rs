//! What the engine left in the store before a restart.

use std::collections::BTreeMap;

use sumpwarden_core::engine::Engine;
use sumpwarden_core::model::{Now, ProbeIndex, Timestamp};

use crate::edge::store::{Store, StoreError};

/// Puts the engine's alarms back to where they stood. An entry that cannot be read is named in the log.
pub(super) fn restore(now: Now, engine: &mut Engine, store: &Store) -> Result<(), StoreError> {
    let mut reader = store.reader()?;
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
    failed.map_or(Ok(()), Err)
}

/// Times of the readings that were stored last of every probe that comes by message. After a kill the broker does not
/// know of them and sends them again.
pub(super) fn heard(
    engine: &Engine,
    store: &Store,
) -> Result<BTreeMap<ProbeIndex, Vec<Timestamp>>, StoreError> {
    let mut reader = store.reader()?;
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
