//! What the engine left in the store before a restart.

use sumpwarden_core::engine::Engine;

use crate::edge::store::{Store, StoreError};

/// Puts the engine's alarms back to where they stood. An entry that cannot be read is named in the log.
pub(super) fn restore(engine: &mut Engine, store: &Store) -> Result<(), StoreError> {
    let mut reader = store.reader()?;
    let mut failed = None;
    let unreadable = engine.restore(|key| match reader.saved(key) {
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
