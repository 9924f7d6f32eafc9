//! Faults that are found off the acquisition thread: of the store and of what reads from it. Looked at twice a second, told
//! to the engine where something has changed.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use sumpwarden_core::alarm::condition::Fault;
use sumpwarden_core::alarm::settings::FaultKey;
use sumpwarden_core::model::Name;
use tokio::sync::{mpsc, watch};

use super::acquisition::FaultNews;
use super::parts::Shared;
use crate::config::Settings;
use crate::edge::store::{Counters, Store, StoreStatus};
use crate::edge::uplink::{UplinkState, UplinkStatus};

const FAULTS_EVERY: Duration = Duration::from_millis(500);

/// Part of what the store may use from which its fault holds, and under which it is over.
const NEARLY_FULL: (f64, f64) = (0.8, 0.75);

/// What holds now, with how it shows.
type Standing = BTreeMap<FaultKey, String>;

/// Looks until it is told to stop, or nobody listens any more. Whenever `settings` change, everything is told anew.
pub(super) async fn watch(
    store: Store,
    roster: Shared,
    mut settings: watch::Receiver<Arc<Settings>>,
    news: mpsc::Sender<FaultNews>,
    mut stop: watch::Receiver<bool>,
) {
    // What an alarm was restored to may be over since: at first everything is told.
    let mut told: Option<Standing> = None;
    let mut before = store.status().counters;
    let mut troubles = 0;
    let mut pulse = tokio::time::interval(FAULTS_EVERY);
    loop {
        tokio::select! {
            _ = pulse.tick() => {}
            _ = stop.wait_for(|stop| *stop) => return,
        }
        crate::faults::pass("fault-watch").await;
        // The sender lives as long as the daemon.
        if settings.has_changed().unwrap_or(false) {
            settings.mark_unchanged();
            told = None;
        }
        let forwards = roster.forwards();
        let status = store.status();
        let mut standing = store_faults(&status, was(&told, &key(Fault::StoreSpace, "")));
        if let Some(gone) = gone(&before, &status.counters) {
            standing.insert(key(Fault::StoreSpace, ""), gone);
            before = status.counters;
        }
        // What was over between two looks is told as well: nobody is to wonder where the history has gone.
        if status.troubles > troubles {
            let over = || "it could not be written for a moment".to_owned();
            let of = status.last_trouble.clone();
            standing.entry(key(Fault::Store, "")).or_insert_with(|| of.unwrap_or_else(over));
            troubles = status.troubles;
        }
        for (name, status) in &forwards {
            let fault = forwarder_fault(status);
            standing.extend(fault.map(|shows| (key(Fault::Forwarder, name.as_str()), shows)));
        }
        let news_now = match &told {
            Some(told) => changes(told, &standing),
            None => {
                let of = |(name, _): &(Name, UplinkStatus)| key(Fault::Forwarder, name.as_str());
                let own = [key(Fault::Store, ""), key(Fault::StoreSpace, "")];
                let keys = own.into_iter().chain(forwards.iter().map(of));
                keys.map(|key| FaultNews { shows: standing.get(&key).cloned(), key }).collect()
            }
        };
        for change in news_now {
            if news.send(change).await.is_err() {
                return;
            }
        }
        told = Some(standing);
    }
}

fn was(told: &Option<Standing>, key: &FaultKey) -> bool {
    told.as_ref().is_some_and(|told| told.contains_key(key))
}

fn key(fault: Fault, of: &str) -> FaultKey {
    FaultKey { fault, of: of.to_owned() }
}

fn store_faults(status: &StoreStatus, was_full: bool) -> Standing {
    let mut standing = Standing::new();
    if let Some(why) = &status.trouble {
        standing.insert(key(Fault::Store, ""), why.clone());
    }
    let from = if was_full { NEARLY_FULL.1 } else { NEARLY_FULL.0 };
    if status.fullness >= from {
        let text = format!("{:.0} % of what it may use is in use", 100.0 * status.fullness);
        standing.insert(key(Fault::StoreSpace, ""), text);
    }
    standing
}

/// What was dropped between two looks.
fn gone(before: &Counters, now: &Counters) -> Option<String> {
    match (now.dropped - before.dropped, now.journal_dropped - before.journal_dropped) {
        (0, 0) => None,
        (samples, 0) => Some(format!("{samples} samples are no longer held")),
        (0, records) => Some(format!("{records} records of the journal are no longer held")),
        (samples, records) => {
            Some(format!("{samples} samples and {records} records of the journal are no longer held"))
        }
    }
}

fn forwarder_fault(status: &UplinkStatus) -> Option<String> {
    match status.state {
        UplinkState::Starting | UplinkState::Delivering => None,
        UplinkState::Retrying | UplinkState::NotAllowed => {
            Some(status.error.clone().unwrap_or_else(|| "no answer".to_owned()))
        }
    }
}

/// What has come up and what is over. That the same fault shows otherwise is no news.
fn changes(told: &Standing, standing: &Standing) -> Vec<FaultNews> {
    let over = told.keys().filter(|key| !standing.contains_key(key));
    let over = over.map(|key| FaultNews { key: key.clone(), shows: None });
    let begun = standing.iter().filter(|(key, _)| !told.contains_key(key));
    let begun = begun.map(|(key, shows)| FaultNews { key: key.clone(), shows: Some(shows.clone()) });
    over.chain(begun).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_dropped_is_told_once() {
        let counts = |dropped, journal_dropped| Counters { dropped, journal_dropped, ..Counters::default() };
        let told = |now| gone(&counts(5, 2), &now);
        assert_eq!(told(counts(5, 2)), None);
        assert_eq!(told(counts(8, 2)).unwrap(), "3 samples are no longer held");
        assert_eq!(told(counts(5, 3)).unwrap(), "1 records of the journal are no longer held");
        assert_eq!(told(counts(6, 4)).unwrap(), "1 samples and 2 records of the journal are no longer held");
    }

    #[test]
    fn only_what_changes_is_told() {
        let full = |fullness, was| store_faults(&StoreStatus { fullness, ..StoreStatus::default() }, was);
        assert!(full(0.79, false).is_empty() && full(0.74, true).is_empty());
        let standing = full(0.81, false);
        let [FaultNews { key: found, shows: Some(text) }] = &changes(&Standing::new(), &standing)[..] else {
            panic!("one fault: {standing:?}")
        };
        assert_eq!(
            (found, text.as_str()),
            (&key(Fault::StoreSpace, ""), "81 % of what it may use is in use")
        );
        assert!(changes(&standing, &full(0.76, true)).is_empty(), "still, if less");
        assert_eq!(changes(&standing, &Standing::new())[0].shows, None);
    }

    #[test]
    fn a_forwarder_that_fails_says_why() {
        let status = |state, error: Option<&str>| UplinkStatus {
            state,
            error: error.map(str::to_owned),
            ..UplinkStatus::default()
        };
        assert_eq!(forwarder_fault(&status(UplinkState::Delivering, Some("late"))), None);
        assert_eq!(forwarder_fault(&status(UplinkState::NotAllowed, Some("401"))).as_deref(), Some("401"));
    }
}
