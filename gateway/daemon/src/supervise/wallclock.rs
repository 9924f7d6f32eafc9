//! Whether the wall clock is believed: judged at the start, and each second while it is not.
//!
//! What speaks against it is known from the data directory: the newest moment that is stored there. It is written down each
//! minute, because stamps of samples may be those of whoever sent them.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use sumpwarden_core::model::doubt::{Doubt, at_the_earliest, doubt};
use sumpwarden_core::model::{Now, Timestamp};
use sumpwarden_core::store::dating::Dating;
use tokio::sync::{mpsc, watch};

use super::acquisition::Turn;
use crate::edge::clock::Clock;
use crate::edge::store::{Believed, Commit, Doubted, Reader, Store, StoreError};
use crate::faults;

/// Saved state: the newest moment that is known to have been.
const KEY: &str = "clock";
/// How often that is written down.
const WRITTEN_EVERY: Duration = Duration::from_mins(1);
/// How often a clock that is not believed is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);

#[derive(Serialize, Deserialize)]
struct Mark {
    utc_ns: i64,
}

/// What is to be known to judge the clock.
#[derive(Clone, Debug)]
pub(super) struct Judge {
    known: Option<Timestamp>,
    /// It is there once somebody has said that the clock is right.
    set_file: Option<PathBuf>,
    dating: Option<Dating>,
}

impl Judge {
    /// Judges the clock at the start, before anything is stamped. Where it is not believed, the gateway goes by its own time
    /// from now on.
    pub(super) fn begin(store: &Store, set_file: Option<PathBuf>) -> Self {
        let mut judge = Self { known: known(store), set_file, dating: None };
        let boot = boot();
        match judge.doubt() {
            Some(why) => {
                let own = at_the_earliest(judge.known, Clock.uptime());
                Clock.doubt(own);
                let dating = Dating::new(Clock.now());
                store.doubt(Doubted { boot, zero: dating.own(), since: dating.since() });
                judge.dating = Some(dating);
                tracing::warn!(why = %why, "the clock is not set; numbers are kept and will be dated when it is");
            }
            None => store.believe(Believed { boot, zero: Clock.believe() }),
        }
        judge
    }

    /// What the engine's thread needs to tell stamps apart, where the clock was not believed at the start.
    pub(super) fn dating(&self) -> Option<Dating> {
        self.dating.clone()
    }

    /// Why the clock is not believed; none if it is.
    pub(super) fn doubt(&self) -> Option<Doubt> {
        let said = self.set_file.as_ref().map(|file| file.exists());
        doubt(Clock.wall(), self.known, said)
    }
}

/// The boot of the machine.
pub(super) fn boot() -> Arc<str> {
    Clock.boot().into()
}

/// A store that cannot be read now knows nothing: then the clock is judged by itself.
fn known(store: &Store) -> Option<Timestamp> {
    let read = |reader: &mut Reader| -> Result<Option<Timestamp>, StoreError> {
        let mark = reader.saved(KEY)?.and_then(|bytes| serde_json::from_slice::<Mark>(&bytes).ok());
        reader.newest_known(mark.map(|mark| Timestamp::from_nanos(mark.utc_ns)))
    };
    match store.reader().and_then(|mut reader| read(&mut reader)) {
        Ok(known) => known,
        Err(error) if store.has_file() => {
            tracing::warn!(%error, "what the clock was last is not known");
            None
        }
        Err(_) => None,
    }
}

/// Tells the engine when the clock can be believed, and writes down each minute how late it is.
pub(super) async fn watch(
    judge: Judge,
    store: Store,
    turns: mpsc::Sender<Turn>,
    mut stop: watch::Receiver<bool>,
) {
    let mut told = None;
    let mut written: Option<Now> = None;
    let mut look = tokio::time::interval(LOOK_EVERY);
    loop {
        tokio::select! {
            _ = look.tick() => {}
            _ = stop.wait_for(|stop| *stop) => return,
        }
        faults::pass("clock").await;
        if Clock.doubted().is_some() {
            let turn = match judge.doubt() {
                None => Some(Turn::Believe),
                // A clock that runs says another time each second; that is no news.
                Some(why) if told != Some(std::mem::discriminant(&why)) => {
                    told = Some(std::mem::discriminant(&why));
                    Some(Turn::Doubt(why.to_string()))
                }
                Some(_) => None,
            };
            if let Some(turn) = turn
                && turns.send(turn).await.is_err()
            {
                return;
            }
        }
        let now = Clock.now();
        if written.is_none_or(|written| now.uptime.since(written.uptime) >= WRITTEN_EVERY) {
            written = Some(now);
            let mark = serde_json::to_vec(&Mark { utc_ns: now.utc.as_nanos() });
            let saved = vec![(KEY.to_owned(), mark.expect("a number can be written"))];
            store.submit(Commit { saved, ..Commit::default() });
        }
    }
}
