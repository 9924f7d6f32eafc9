//! An independent account of what was read, answered and promised, and what must follow from it.

use std::collections::BTreeMap;
use std::time::Duration;

use sumpwarden_core::acquire::Fate;
use sumpwarden_core::alarm::settings::{LimitSettings, Side, Subject};
use sumpwarden_core::engine::HandOver;
use sumpwarden_core::model::{Now, Timestamp, Uptime};

use super::disk::Window;
use super::shop;

/// Somebody who waits for something of theirs to be durable.
#[derive(Clone, Debug)]
pub(crate) struct Asked {
    /// A text that stands in the journal once it is.
    pub(crate) mark: String,
    /// An alarm that is shelved until then.
    pub(crate) shelf: Option<(String, Uptime)>,
}

/// Whether a limit's condition has held for long enough, reckoned anew from all readings.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Guess {
    active: bool,
    since: Option<Uptime>,
}

/// A limit on a Modbus probe with every value it was shown.
#[derive(Debug)]
struct Watched {
    limit: LimitSettings,
    probe: u32,
    key: (String, String),
    /// Value, when, and in which hand-over.
    shown: Vec<(Option<f64>, Uptime, u64)>,
    /// More than one where nobody can tell what was looked at first.
    guesses: Vec<Guess>,
    /// Nothing was shown since the process was away: a delay that ran before ends with the next usable value, if at all.
    away: bool,
}

impl Watched {
    fn delay(&self, active: bool) -> Duration {
        if active { self.limit.off_delay } else { self.limit.on_delay }
    }

    fn show(&mut self, value: Option<f64>, at: Uptime, in_between: bool) {
        let mut next: Vec<Guess> = Vec::new();
        for guess in self.guesses.clone() {
            let ends = guess.since.map(|since| since.plus(self.delay(guess.active)));
            let flipped = Guess { active: !guess.active, since: None };
            // A delay that ended while nobody looked ends with the next look, or with what is seen then.
            let from = match ends {
                Some(ends) if ends < at && !in_between => vec![flipped],
                Some(ends) if ends <= at => vec![guess, flipped],
                _ => vec![guess],
            };
            next.extend(from.into_iter().map(|guess| self.seen(guess, value, at)));
        }
        next.dedup();
        self.guesses = next;
    }

    fn seen(&self, guess: Guess, value: Option<f64>, at: Uptime) -> Guess {
        let Some(value) = value else { return Guess { since: None, ..guess } };
        let back = if guess.active { self.limit.deadband } else { 0.0 };
        let holds = match self.limit.side {
            Side::Low => value <= self.limit.setpoint + back,
            Side::High => value >= self.limit.setpoint - back,
        };
        if holds == guess.active {
            return Guess { since: None, ..guess };
        }
        let since = guess.since.unwrap_or(at);
        match at.since(since) >= self.delay(guess.active) {
            true => Guess { active: holds, since: None },
            false => Guess { since: Some(since), ..guess },
        }
    }

    fn may_be(&self, active: bool, at: Uptime) -> bool {
        self.guesses.iter().any(|guess| {
            guess.active == active
                || guess.since.is_some_and(|since| since.plus(self.delay(guess.active)) <= at)
        })
    }
}

/// The account.
#[derive(Debug)]
pub(crate) struct Books {
    watched: Vec<Watched>,
    hand_overs: u64,
    durable: u64,
    now: Now,
    /// Shelves that were answered for, with their ends.
    pub(crate) shelves: BTreeMap<String, Uptime>,
    /// Who shelved an alarm or took it from its shelf last: what is answered after that may be of before it.
    pub(crate) ordered: BTreeMap<String, String>,
    /// What must be kept before the broker may forget a message with this number, as far as this process has seen it.
    owed: BTreeMap<(usize, u64), u64>,
    /// The number that a probe's reading of this time has. A second one of the same time is the same reading, whatever it
    /// says: a publisher whose clock jumps gives a time twice.
    of_time: BTreeMap<(usize, Timestamp), u64>,
    pub(crate) samples: u64,
    pub(crate) complaints: Vec<String>,
}

impl Books {
    pub(crate) fn new() -> Self {
        let engine = shop::settings().engine;
        let watched = engine.alarms.limits.iter().filter_map(|limit| match limit.subject {
            // What is published may come out of order: then what is stored is not what is judged.
            Subject::Probe(probe) if probe.0 < 6 => Some(Watched {
                limit: limit.clone(),
                probe: probe.0,
                key: (engine.sumps[limit.sump.slot()].name.to_string(), limit.name.clone()),
                shown: Vec::new(),
                guesses: vec![Guess { active: false, since: None }],
                away: true,
            }),
            _ => None,
        });
        Self {
            watched: watched.collect(),
            hand_overs: 0,
            durable: 0,
            now: Now::default(),
            shelves: BTreeMap::new(),
            ordered: BTreeMap::new(),
            owed: BTreeMap::new(),
            of_time: BTreeMap::new(),
            samples: 0,
            complaints: Vec::new(),
        }
    }

    /// It is so late now, and whether somebody has been looking since the last time.
    pub(crate) fn at(&mut self, now: Now, away: bool) {
        self.now = now;
        self.watched.iter_mut().for_each(|watched| watched.away |= away);
    }

    /// What is handed over: its samples were shown to the alarms, and each change of an alarm must follow from all of them.
    pub(crate) fn submitted(&mut self, over: &HandOver) {
        self.hand_overs += 1;
        self.samples += over.out.samples.len() as u64;
        let (at, hand_over) = (self.now.uptime, self.hand_overs);
        for watched in &mut self.watched {
            let probe = watched.probe;
            for sample in over.out.samples.iter().filter(|sample| sample.series.0 == probe) {
                watched.shown.push((sample.value, at, hand_over));
                let away = std::mem::take(&mut watched.away);
                watched.show(sample.value, at, away);
            }
        }
        for record in &over.out.journal {
            let Some(sump) = &record.sump else { continue };
            let key = (sump.to_string(), record.subject.clone());
            if let Some(watched) = self.watched.iter().find(|watched| watched.key == key) {
                let right = match record.state.as_str() {
                    "UNACK" => watched.may_be(true, at),
                    "RTNUN" | "NORM" => watched.may_be(false, at),
                    _ => true,
                };
                if !right {
                    let tail = &watched.shown[watched.shown.len().saturating_sub(8)..];
                    self.complaints.push(format!(
                        "{}/{} comes to {} against what was read: {:?}, {tail:?}",
                        key.0, key.1, record.state, watched.guesses
                    ));
                }
            }
            let alarm = format!("{}/{}", key.0, key.1);
            let until = self.shelves.get(&alarm).copied();
            if let Some(until) = until.filter(|_| record.state != "SHLVD") {
                if until > at && !record.message.contains(" by p") {
                    self.complaints.push(format!("{alarm} leaves its shelf for {} early", record.state));
                }
                self.shelves.remove(&alarm);
            }
        }
    }

    /// A message with this number of this time came to this.
    pub(crate) fn fate(&mut self, probe: usize, number: u64, at: Timestamp, fate: Fate) {
        match fate {
            Fate::Accepted => {
                self.of_time.insert((probe, at), number);
                self.owed.insert((probe, number), number);
            }
            Fate::Duplicate => {
                // Of nothing that was ever taken over: then this very number is missing.
                let first = self.of_time.get(&(probe, at)).copied().unwrap_or(number);
                self.owed.insert((probe, number), first);
            }
            Fate::RetainedIgnored | Fate::Refused(_) => {}
        }
    }

    /// The number that must be kept before the broker may forget this one; none where this process has taken nothing over.
    pub(crate) fn owed_for(&self, probe: usize, number: u64) -> Option<u64> {
        self.owed.get(&(probe, number)).copied()
    }

    /// How many hand-overs there have been.
    pub(crate) fn hand_overs(&self) -> u64 {
        self.hand_overs
    }

    /// Everything up to this transaction is durable.
    pub(crate) fn durable(&mut self, window: &Window) {
        self.durable = self.durable.max(window.last);
    }

    /// The process is gone, and with it whatever was not durable.
    pub(crate) fn lost(&mut self) {
        let durable = self.durable;
        self.owed.clear();
        for watched in &mut self.watched {
            if watched.shown.last().is_none_or(|(_, _, hand_over)| *hand_over <= durable) {
                continue;
            }
            watched.shown.retain(|(_, _, hand_over)| *hand_over <= durable);
            watched.guesses = vec![Guess { active: false, since: None }];
            for (value, at, _) in watched.shown.clone() {
                watched.show(value, at, true);
            }
        }
        self.watched.iter_mut().for_each(|watched| watched.away = true);
    }
}
