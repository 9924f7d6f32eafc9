//! The course of time, and what must hold at every step and at the end.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use sumpwarden_core::alarm::order::Order;
use sumpwarden_core::estimate::note::draft::{Draft, Given};
use sumpwarden_core::model::{Now, ProbeIndex};
use sumpwarden_core::notify::RowState;
use sumpwarden_sim::rng::Rng;

use super::books::{Asked, Books};
use super::clock::{Clocks, ms, s};
use super::disk::Disk;
use super::peers::{Broker, Database, Hearer, Published, is_poison};
use super::process::Process;
use super::shop::{self, PROBES, Plant};
use super::weather::{Weather, What};
use super::{Mutation, Outcome, SETTLE};

const TOPICS: [&str; 3] = ["hall/level", "hall/ph", "hall/temperature"];
/// More complaints than these say nothing new.
const COMPLAINTS_MAX: usize = 5;

/// Everything.
pub(crate) struct World {
    pub(crate) mutation: Mutation,
    pub(crate) rng: Rng,
    pub(crate) weather: Weather,
    pub(crate) plant: Plant,
    pub(crate) disk: Disk,
    pub(crate) broker: Broker,
    pub(crate) database: Database,
    pub(crate) hearers: Vec<Hearer>,
    pub(crate) books: Books,
    clocks: Clocks,
    t: u64,
    calm_from: u64,
    next: Next,
    /// Samples have gone from a full memory: messages may have been told to be forgotten with them.
    overflowed: bool,
    people: u64,
    /// Messages held back by an unruly publisher.
    held: Option<Published>,
    looked: Looked,
    trace: Option<Vec<String>>,
}

/// When each thing happens next.
struct Next {
    publish: u64,
    person: u64,
    turn: u64,
    kill: u64,
    start: u64,
    look: u64,
}

/// How far the checks have come.
#[derive(Default)]
struct Looked {
    heard: Vec<usize>,
    /// Rows heard by receiver and key: greatest number, and all of them.
    rows: BTreeMap<(usize, String), BTreeSet<u32>>,
}

impl World {
    pub(crate) fn new(seed: u64, mutation: Mutation, trace: bool) -> Self {
        let mut rng = Rng::new(seed);
        let clocks = Clocks::new(rng.below(80), rng.chance(0.3));
        let calm_from = s(3_600 + rng.below(4 * 3_600));
        let next = Next { publish: s(3), person: s(200), turn: s(300), kill: s(900), start: 0, look: s(60) };
        Self {
            mutation,
            weather: Weather::default(),
            plant: Plant::new(),
            disk: Disk::new(),
            broker: Broker::default(),
            database: Database::default(),
            hearers: vec![Hearer::default(), Hearer::default()],
            books: Books::new(),
            clocks,
            t: 0,
            calm_from,
            next,
            overflowed: false,
            people: 0,
            held: None,
            looked: Looked { heard: vec![0; 2], ..Looked::default() },
            trace: trace.then(Vec::new),
            rng,
        }
    }

    /// Complains unless `right`.
    pub(crate) fn check(&mut self, right: bool, why: impl FnOnce() -> String) {
        if !right && self.books.complaints.len() < COMPLAINTS_MAX {
            let line = format!("{:.3} s: {}", self.t as f64 / 1e9, why());
            self.say(|| format!("VIOLATION {line}"));
            self.books.complaints.push(line);
        }
    }

    /// Complains of an error.
    pub(crate) fn hold(&mut self, done: Result<(), String>) {
        if let Err(why) = done {
            self.check(false, || why);
        }
    }

    fn say(&mut self, what: impl FnOnce() -> String) {
        if let Some(trace) = &mut self.trace {
            trace.push(format!("{:>12.3} s  {}", self.t as f64 / 1e9, what()));
        }
    }

    fn calm(&self) -> bool {
        self.t >= self.calm_from
    }

    pub(crate) fn play(mut self) -> Outcome {
        let end = self.calm_from + SETTLE.as_nanos() as u64;
        let mut process: Option<Process> = None;
        let mut due = u64::MAX;
        let mut said = 0;
        while self.t < end && self.books.complaints.is_empty() {
            let asleep = self.weather.of(What::Asleep).is_some();
            if !asleep {
                if process.is_none() && self.t >= self.next.start {
                    let now = self.now();
                    self.say(|| format!("starts at {}", now.utc));
                    let started = Process::start(&mut self, now);
                    self.after_start(&started);
                    process = Some(started);
                }
                if let Some(running) = &mut process {
                    let now = self.now();
                    let until = running.run(&mut self, now);
                    due = self.clocks.at(until).max(self.t + 1);
                }
            }
            self.journal(&mut said);
            let wake = match (&process, asleep) {
                (_, true) => u64::MAX,
                (Some(_), false) => due,
                (None, false) => self.next.start,
            };
            let Next { publish, person, turn, kill, look, .. } = self.next;
            let others = [publish, person, turn, kill, look, self.weather.due()];
            self.t = others.into_iter().chain([wake, end]).min().unwrap_or(end).max(self.t + 1);
            self.turn_weather();
            self.happen(&mut process, asleep);
        }
        if let Some(running) = process.as_ref().filter(|_| self.books.complaints.is_empty()) {
            self.look(Some(running));
            self.settle(running);
        }
        self.outcome(end)
    }

    fn now(&self) -> Now {
        self.clocks.now(self.t)
    }

    /// What the journal has become, for the trace.
    fn journal(&mut self, said: &mut usize) {
        if self.trace.is_some() {
            let fresh: Vec<String> = (self.disk.journal[*said..].iter())
                .filter(|entry| entry.kind != "event")
                .map(|e| {
                    format!(
                        "{}/{} {}: {}",
                        e.sump.as_deref().unwrap_or("gateway"),
                        e.subject,
                        e.state,
                        e.message
                    )
                })
                .collect();
            fresh.into_iter().for_each(|line| self.say(|| line));
        }
        *said = self.disk.journal.len();
    }

    fn turn_weather(&mut self) {
        if self.weather.due() > self.t && !self.calm() {
            return;
        }
        let calm = self.calm();
        for (what, way) in self.weather.turn(self.t, calm, &mut self.rng) {
            self.say(|| match way {
                Some(way) => format!("fault: {}", what.words(way)),
                None => format!("over: {what:?}"),
            });
            match (what, way) {
                (What::Broker, Some(0)) => self.broker.cut(),
                (What::Broker, Some(1)) => self.broker.forget(),
                (What::Clock, Some(way)) => {
                    let seconds = 2 + self.rng.below(600) as i64;
                    let days = 86_405 * (1 + self.rng.below(30) as i64);
                    let far = if self.rng.chance(0.5) { days } else { -days };
                    self.clocks.set([seconds, -seconds, far][way as usize]);
                }
                (What::Clock, None) => self.clocks.set(0),
                _ => {}
            }
        }
    }

    fn happen(&mut self, process: &mut Option<Process>, asleep: bool) {
        if self.t >= self.next.publish {
            self.next.publish = self.t + s(10);
            self.publish();
        }
        if self.t >= self.next.turn {
            self.next.turn = if self.calm() { u64::MAX } else { self.t + s(60 + self.rng.below(1_200)) };
            if !self.calm() {
                let (probe, ill) = self.plant.turn(&mut self.rng);
                self.say(|| format!("probe {probe} is {}", if ill { "past its limit" } else { "well" }));
            }
        }
        if self.t >= self.next.person {
            let more = s(60 + self.rng.below(400));
            self.next.person = if self.t + s(1_300) >= self.calm_from { u64::MAX } else { self.t + more };
            if let Some(running) = process.as_mut().filter(|_| !asleep) {
                self.person(running);
            }
        }
        if self.t >= self.next.kill {
            self.next.kill = if self.calm() { u64::MAX } else { self.t + s(30 + self.rng.below(2_400)) };
            if !self.calm() {
                self.end(process, asleep);
            }
        }
        if self.t >= self.next.look {
            self.next.look = self.t + s(60);
            self.look(process.as_ref());
        }
        let now = self.now();
        self.books.at(now, asleep);
    }

    /// The process is killed, or stops as it is told.
    fn end(&mut self, process: &mut Option<Process>, asleep: bool) {
        let Some(running) = process.take() else { return };
        self.overflowed |= running.inbox.dropped > 0;
        let stops = !asleep && self.rng.chance(0.25);
        let word = if stops { "stop" } else { "kill" };
        *self.weather.tally.entry(word.to_owned()).or_default() += 1;
        self.say(|| word.to_owned());
        if stops {
            let now = self.now();
            running.stop(self, now);
        } else {
            running.killed(self);
        }
        self.broker.cut();
        self.next.start = self.t + s(1 + self.rng.below(40));
    }

    fn publish(&mut self) {
        let mood = self.weather.of(What::Publisher);
        if self.weather.of(What::Broker) == Some(2) && self.rng.chance(0.3) {
            self.broker.cut();
        }
        let place = (self.t / s(10) % 3) as usize;
        let probe = 6 + place;
        let counts = self.plant.say(probe);
        let mut at = Clocks::truth(self.t).floor_to_millis();
        if mood == Some(3) {
            let about = Duration::from_secs(3_601 + 3_600 * self.rng.below(100));
            at = if self.rng.chance(0.5) { at.plus(about) } else { at.minus(about) };
        }
        let number = Some((probe, f64::from(counts).to_bits()));
        let payload = format!("{{\"v\":{counts},\"ts\":\"{at}\"}}");
        let message = Published { topic: TOPICS[place], payload, number, at };
        match mood {
            Some(0) => return,
            Some(1) => self.broker.publish(message.clone()),
            Some(2) => match self.held.take() {
                None => {
                    self.held = Some(message);
                    return;
                }
                Some(earlier) => {
                    self.broker.publish(message);
                    return self.broker.publish(earlier);
                }
            },
            Some(4) => {
                let payload = ["", "{", "nan", "{\"v\":\"x\"}"][self.rng.below(4) as usize].to_owned();
                return self.broker.publish(Published { payload, number: None, ..message });
            }
            _ => {}
        }
        self.broker.publish(message);
    }

    /// Somebody does something.
    fn person(&mut self, process: &mut Process) {
        self.people += 1;
        let (now, mark) = (self.now(), format!("p{:05}", self.people));
        if self.rng.chance(0.3) {
            let draft = Draft {
                sump: Some("s1".to_owned()),
                kind: Some("brix".to_owned()),
                value: Some(Given::Number(3.0 + self.rng.uniform())),
                by: Some(mark.clone()),
                ..Draft::default()
            };
            self.say(|| format!("{mark} writes a note"));
            return process.note(self, now, &draft, mark);
        }
        let mut alarms: Vec<String> =
            ["s1/ph-low", "s1/level-low", "s2/ph-low", "s3/level-low"].map(str::to_owned).into();
        let snapshot = process.intake.engine().snapshot();
        alarms.extend(snapshot.sumps.iter().flat_map(|sump| &sump.alarms).map(|alarm| alarm.id.clone()));
        let alarm = alarms.swap_remove(self.rng.below(alarms.len() as u64) as usize);
        let order = match self.rng.below(5) {
            0 | 1 => Order::Acknowledge { occurrence: None },
            2 | 3 => Order::Shelve { time: Duration::from_secs(120 + self.rng.below(1_000)) },
            _ => Order::Unshelve,
        };
        let done = process.order(self, now, &alarm, order, mark.clone());
        if done && !matches!(order, Order::Acknowledge { .. }) {
            self.books.shelves.remove(&alarm);
            self.books.ordered.insert(alarm.clone(), mark.clone());
        }
        self.say(|| format!("{mark}: {order:?} {alarm}: {}", if done { "taken" } else { "refused" }));
    }

    /// A person is told that what they did is done.
    pub(crate) fn answered(&mut self, asked: Asked) {
        let kept = self.disk.journal.iter().rev().any(|entry| entry.message.contains(&asked.mark));
        self.check(kept, || format!("{} is answered before it is durable", asked.mark));
        if let Some((alarm, until)) = asked.shelf
            && self.books.ordered.get(&alarm) == Some(&asked.mark)
        {
            self.books.shelves.insert(alarm, until);
        }
    }

    /// The broker is told that it may forget a message.
    pub(crate) fn broker_may_forget(&mut self, what: &Published, dropped: u64) {
        let Some((probe, bits)) = what.number else { return };
        let owed = self.books.owed_for(probe, bits);
        let kept = owed.is_none_or(|owed| self.disk.numbers.contains_key(&(probe as u32, owed)));
        let gone = dropped > 0 || self.overflowed;
        self.check(kept || gone, || format!("the broker may forget {} before it is durable", what.payload));
    }

    /// Right after a start nothing that was answered for has been forgotten.
    fn after_start(&mut self, process: &Process) {
        self.look_at_shelves(process);
    }

    fn look_at_shelves(&mut self, process: &Process) {
        let snapshot = process.intake.engine().snapshot();
        let states: BTreeMap<&str, &str> = (snapshot.sumps.iter())
            .flat_map(|sump| &sump.alarms)
            .map(|alarm| (alarm.id.as_str(), alarm.state))
            .collect();
        let now = self.now().uptime;
        for (alarm, until) in self.books.shelves.clone() {
            let shelved = states.get(alarm.as_str()) == Some(&"SHLVD");
            let left = until.since(now);
            self.check(shelved || left.is_zero(), || format!("{alarm} has lost its shelf, {left:?} early"));
        }
    }

    /// What must hold at any time.
    fn look(&mut self, process: Option<&Process>) {
        for (receiver, counts) in self.disk.counts.clone() {
            self.check(counts.add_up(), || format!("rows of {receiver} do not add up: {counts:?}"));
        }
        if let Some(totals) = self.disk.forward.clone() {
            let (owed, stored) = (self.disk.owed(), self.disk.points);
            let sum = totals.forwarded + totals.parked + totals.expired + owed;
            self.check(sum == stored, || format!("{stored} points stored, but {totals:?} and {owed} owed"));
        }
        for (receiver, hearer) in self.hearers.iter().enumerate() {
            for row in
                &hearer.heard[std::mem::replace(&mut self.looked.heard[receiver], hearer.heard.len())..]
            {
                let heard = self.looked.rows.entry((receiver, row.key.clone())).or_default();
                let given_up = |other: &super::disk::Row| {
                    let entry = &other.row.entry;
                    entry.key == row.key
                        && entry.receiver == row.receiver
                        && matches!(other.state, RowState::Failed | RowState::Expired)
                };
                let fresh = heard.insert(row.sequence);
                let why = if fresh && heard.last() != Some(&row.sequence) {
                    "overtaken"
                } else if heard.len() == 1
                    && fresh
                    && !row.action.asks()
                    && !self.disk.rows.iter().any(given_up)
                {
                    "told before it was raised"
                } else {
                    continue;
                };
                self.books
                    .complaints
                    .push(format!("{} {:?} {} was {why}", row.key, row.action, row.sequence));
            }
        }
        let Some(process) = process else { return };
        let (inbox, pending) = (&process.inbox, process.pending());
        let sum = inbox.stored + inbox.dropped + pending;
        let acquired = inbox.acquired;
        self.check(acquired == sum, || format!("{acquired} samples acquired, {sum} accounted for"));
        if self.weather.of(What::Asleep).is_none() {
            self.look_at_shelves(process);
        }
    }

    /// Long after the last fault all is right.
    fn settle(&mut self, process: &Process) {
        let engine = process.intake.engine();
        let snapshot = engine.snapshot();
        for (place, probe) in snapshot.sumps.iter().flat_map(|sump| &sump.probes).enumerate() {
            let truth = self.plant.truth(ProbeIndex(place as u32));
            let right = probe.value.is_some_and(|value| (value - truth).abs() < 0.2)
                && probe.quality.status == "Good";
            self.check(right, || {
                format!("probe {place} reads {:?} ({}), true is {truth}", probe.value, probe.quality.reason)
            });
        }
        let active = |state: &str| matches!(state, "UNACK" | "ACKED");
        let standing: BTreeMap<&str, &str> = (snapshot.sumps.iter().flat_map(|sump| &sump.alarms))
            .chain(&snapshot.alarms)
            .map(|alarm| (alarm.id.as_str(), alarm.state))
            .collect();
        for (place, (sump, limit)) in (0..PROBES)
            .zip(["s1", "s2", "s3"].iter().flat_map(|sump| ["level-low", "ph-low", ""].map(|l| (sump, l))))
        {
            let (ill, id) = (self.plant.is_ill(ProbeIndex(place as u32)), format!("{sump}/{limit}"));
            let stands = standing.get(id.as_str()).is_some_and(|state| active(state));
            let state = standing.get(id.as_str()).copied().unwrap_or("NORM");
            self.check(limit.is_empty() || stands == ill, || {
                format!("{id} is {state}, past its limit: {ill}")
            });
        }
        let of_instruments = |id: &&str| id.starts_with("gateway/") || id.contains("/instrument/");
        let left: Vec<_> =
            standing.iter().filter(|(id, state)| of_instruments(id) && active(state)).collect();
        let left = left.iter().map(|(id, state)| format!("{id} {state}")).collect::<Vec<_>>().join(", ");
        // A receiver that has had nothing to be told since it was not reached is not known to be.
        let faults: Vec<&str> =
            left.split(", ").filter(|one| !one.is_empty() && !one.contains("gateway/receiver/")).collect();
        self.check(faults.is_empty(), || format!("nothing is wrong, but: {}", faults.join(", ")));
        let shelved: Vec<_> =
            standing.iter().filter(|(_, state)| **state == "SHLVD").map(|(id, _)| *id).collect();
        self.check(shelved.is_empty(), || format!("still shelved: {}", shelved.join(", ")));
        self.settle_rows();
        self.settle_points();
        let waiting = self.broker.waiting();
        self.check(waiting <= 3, || format!("{waiting} messages wait with the broker"));
    }

    fn settle_rows(&mut self) {
        let old = self.clocks.now(self.t).utc.minus(ms(60_000));
        let waiting: Vec<String> = (self.disk.rows.iter())
            .filter(|row| row.state == RowState::Pending && row.row.entry.at < old)
            .map(|row| format!("{} {:?}", row.row.entry.key, row.row.entry.action))
            .collect();
        self.check(waiting.is_empty(), || format!("messages still wait: {}", waiting.join(", ")));
        for (place, receiver) in ["lead", "setter"].iter().enumerate() {
            let heard: BTreeSet<(&str, u32)> =
                self.hearers[place].heard.iter().map(|row| (row.key.as_str(), row.sequence)).collect();
            let missing = self.disk.rows.iter().find(|row| {
                let entry = &row.row.entry;
                row.state == RowState::Delivered
                    && entry.receiver.as_str() == *receiver
                    && !heard.contains(&(entry.key.as_str(), entry.sequence))
            });
            let missing = missing.map(|row| format!("{} {}", row.row.entry.key, row.row.entry.sequence));
            self.check(missing.is_none(), || {
                format!("marked as delivered to {receiver}, but was not: {missing:?}")
            });
        }
    }

    fn settle_points(&mut self) {
        let keys: Vec<String> = shop::settings().engine.series().iter().map(ToString::to_string).collect();
        let stored: BTreeSet<(String, i64)> = (self.disk.stamps.iter())
            .flat_map(|(id, stamps)| stamps.iter().map(|at| (keys[id.0 as usize].clone(), at.as_nanos())))
            .collect();
        let foreign = self.database.stored.difference(&stored).next().cloned();
        self.check(foreign.is_none(), || format!("the database holds what was never stored: {foreign:?}"));
        let owed = self.disk.owed();
        self.check(owed < 200, || format!("{owed} points are still owed"));
        let innocent = self.disk.parked.iter().find(|parked| !is_poison(&parked.line)).cloned();
        self.check(innocent.is_none(), || format!("set aside without need: {innocent:?}"));
        let parked: BTreeSet<i64> = self.disk.parked.iter().map(|parked| parked.at.as_nanos()).collect();
        let recent = self.disk.commits.len().saturating_sub(40);
        let missing = (self.disk.commits[..recent].iter().flatten()).find(|(id, point)| {
            let key = &keys[id.0 as usize];
            let silent = key.ends_with("90") && point.value.is_none();
            let at = point.at.as_nanos();
            !silent && !self.database.stored.contains(&(key.clone(), at)) && !parked.contains(&at)
        });
        let missing = missing.map(|(id, point)| format!("{} {}", keys[id.0 as usize], point.at));
        self.check(missing.is_none(), || format!("stored and not owed, but not delivered: {missing:?}"));
        let unknown = (self.disk.numbers.iter())
            .find(|((probe, bits), _)| !self.plant.issued.contains_key(&(*probe as usize, *bits)))
            .map(|(number, _)| *number);
        self.check(unknown.is_none(), || format!("stored, but nobody ever said it: {unknown:?}"));
        let twice = self.disk.numbers.iter().find(|(_, often)| **often > 1).map(|(number, _)| *number);
        self.check(twice.is_none(), || format!("stored twice: {twice:?}"));
        self.settle_order();
    }

    /// Modbus readings are stored in the order they were said.
    fn settle_order(&mut self) {
        let mut last = [0; 6];
        let mut back = None;
        for (id, point) in self.disk.commits.iter().flatten().filter(|(id, _)| id.0 < 6) {
            let probe = id.0 as usize;
            let number = point.raw.and_then(|raw| self.plant.issued.get(&(probe, raw.to_bits())));
            if let Some(number) = number {
                if *number <= last[probe] {
                    back = Some((probe, *number));
                }
                last[probe] = *number;
            }
        }
        self.check(back.is_none(), || format!("stored out of order: {back:?}"));
    }

    fn outcome(self, end: u64) -> Outcome {
        let alarms = self.disk.journal.iter().filter(|entry| entry.kind != "event").count() as u64;
        Outcome {
            hours: self.t.min(end) as f64 / 3.6e12,
            faults: self.weather.tally,
            samples: self.books.samples,
            alarms,
            messages: self.hearers.iter().map(|hearer| hearer.heard.len() as u64).sum(),
            delivered: self.database.stored.len() as u64,
            violations: self.books.complaints,
            trace: self.trace.unwrap_or_default(),
        }
    }
}
