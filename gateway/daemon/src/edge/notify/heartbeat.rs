//! A sign of life to an outside watcher, so that silence is noticed.
//!
//! It is sent only if everything it is given to watch has gone on since the last one. A gateway whose process lives while its
//! polling is stuck falls silent, and the watcher speaks up.

use std::time::Duration;

use reqwest::header::HeaderMap;
use sumpwarden_core::acquire::settings::Secret;
use tokio::sync::watch;
use tokio::time::MissedTickBehavior;

use super::http::{Target, check_url, post};
use super::{MESSAGE_DEADLINE, Outcome, ReceiverError};
use crate::edge::pulse::Progress;
use crate::edge::secret_file;
use crate::faults;

/// What the checked configuration tells.
#[derive(Clone, PartialEq, Debug)]
pub struct HeartbeatSettings {
    /// Where to. Often secret by itself.
    pub url: Secret,
    /// How often.
    pub every: Duration,
    /// Whether its name may lead to private addresses.
    pub private_network: bool,
}

/// Sends the signs of life; a clone begins to watch where this one stands.
#[derive(Clone)]
pub struct Heartbeat {
    settings: HeartbeatSettings,
    target: Target,
    every: Duration,
    watched: Vec<Progress>,
    /// Counts at the last sign.
    last: Vec<Option<u64>>,
}

impl Heartbeat {
    /// Prepares it.
    pub fn new(settings: &HeartbeatSettings, watched: Vec<Progress>) -> Result<Self, ReceiverError> {
        let (target, last) = (target(settings)?, vec![None; watched.len()]);
        Ok(Self { settings: settings.clone(), target, every: settings.every, watched, last })
    }

    /// Sends until `stop` holds true or its sender is gone.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        // Whatever went on before this began is no sign of life.
        self.stuck();
        let mut ticks = tokio::time::interval(self.every);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        ticks.tick().await;
        let beating = async {
            loop {
                faults::pass("heartbeat").await;
                ticks.tick().await;
                self.beat().await;
            }
        };
        tokio::select! {
            _ = stop.wait_for(|stop| *stop) => {}
            () = beating => {}
        }
    }

    async fn beat(&mut self) {
        let stuck = self.stuck();
        if !stuck.is_empty() {
            tracing::error!(stuck = stuck.join(", "), "no sign of life is sent: this has not gone on");
            return;
        }
        match tokio::time::timeout(MESSAGE_DEADLINE, post(&self.target, HeaderMap::new(), Vec::new())).await {
            Ok(Outcome::Taken) => {}
            Ok(Outcome::Refused(why) | Outcome::Later(why, _)) => {
                tracing::warn!(why, "the watcher does not take the sign of life");
                self.renew().await;
            }
            Ok(Outcome::TooLarge) => tracing::warn!("the watcher finds the sign of life too large"),
            Err(_) => tracing::warn!("the watcher does not answer"),
        }
    }

    /// The next sign goes to another address, where its file holds one by now.
    async fn renew(&mut self) {
        if secret_file::renew(&mut self.settings.url).await {
            match target(&self.settings) {
                Ok(target) => self.target = target,
                Err(error) => tracing::warn!(%error, "the address in the watcher's file"),
            }
        }
    }

    /// What has not gone on since this was asked last.
    fn stuck(&mut self) -> Vec<&str> {
        let mut stuck = Vec::new();
        for (one, last) in self.watched.iter().zip(&mut self.last) {
            let count = (one.count)();
            if count.is_some() && std::mem::replace(last, count) == count {
                stuck.push(one.name.as_str());
            }
        }
        stuck
    }
}

fn target(settings: &HeartbeatSettings) -> Result<Target, ReceiverError> {
    let url = check_url(settings.url.reveal())
        .map_err(|why| ReceiverError::Address(format!("the address cannot be used: {why}")))?;
    Ok(Target { url, private_network: settings.private_network, ca_file: None })
}
