//! A new configuration takes over from the one before, while readings go on coming.
//!
//! What both have in common, by name, goes on as if nothing had been: a sump whose settings are the same keeps its whole
//! belief, the hour that is being gathered too; one whose settings have changed goes on from what a restart would know. Every
//! alarm of both stands as it stood, with its delays and shelves. What the new one no longer has ends: an alarm that stood is
//! ended in the journal, those who were told of it hear that it is over, and what is known of a sump is kept for the day it
//! comes back.

use std::collections::{BTreeMap, BTreeSet};

use super::{Engine, Settings, restart};
use crate::acquire::settings::{BrokerSettings, BusSettings};
use crate::alarm::AlarmIndex;
use crate::alarm::state::State;
use crate::checks::ByProbe;
use crate::estimate::settings::{SumpAccuracy, SumpProbes};
use crate::model::{BusIndex, Now, ProbeIndex, SumpIndex, Timestamp};
use crate::notify::router;
use crate::store::record::JournalRecord;

/// Where probes and sumps of one configuration stand in the next, by their names.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Successors {
    /// Probes.
    pub probes: BTreeMap<ProbeIndex, ProbeIndex>,
    /// Sumps.
    pub sumps: BTreeMap<SumpIndex, SumpIndex>,
}

impl Successors {
    /// Of `before` in `after`.
    pub fn of(before: &Settings, after: &Settings) -> Self {
        let sumps =
            |of: &Settings| -> Vec<String> { of.sumps.iter().map(|sump| sump.name.to_string()).collect() };
        let probes = |of: &Settings| -> Vec<String> {
            let key = |probe: &crate::signal::settings::ProbeSettings| {
                format!("{}/{}", of.sumps[probe.sump.slot()].name, probe.name)
            };
            of.probes.iter().map(key).collect()
        };
        let (sumps, probes) = (pairs(&sumps(before), &sumps(after)), pairs(&probes(before), &probes(after)));
        Self {
            probes: probes.map(|(from, to)| (ProbeIndex(from), ProbeIndex(to))).collect(),
            sumps: sumps.map(|(from, to)| (SumpIndex(from), SumpIndex(to))).collect(),
        }
    }

    /// A bus as the new configuration would name its probes; none where one of them is gone.
    pub fn bus(&self, bus: &BusSettings) -> Option<BusSettings> {
        let mut bus = bus.clone();
        for point in bus.devices.iter_mut().flat_map(|device| &mut device.points) {
            point.probe = *self.probes.get(&point.probe)?;
        }
        Some(bus)
    }

    /// A broker as the new configuration would name its probes; none where one of them is gone.
    pub fn broker(&self, broker: &BrokerSettings) -> Option<BrokerSettings> {
        let mut broker = broker.clone();
        for topic in &mut broker.topics {
            topic.probe = *self.probes.get(&topic.probe)?;
        }
        Some(broker)
    }

    fn probes_of(&self, probes: SumpProbes) -> Option<SumpProbes> {
        let to = |probe: Option<ProbeIndex>| match probe {
            None => Some(None),
            Some(probe) => self.probes.get(&probe).copied().map(Some),
        };
        Some(SumpProbes {
            level: [to(probes.level[0])?, to(probes.level[1])?],
            conductivity: to(probes.conductivity)?,
            ph: to(probes.ph)?,
            temperature: to(probes.temperature)?,
            pump: to(probes.pump)?,
            makeup_total: to(probes.makeup_total)?,
        })
    }
}

/// Places of what stands in both lists.
fn pairs<'a>(before: &'a [String], after: &'a [String]) -> impl Iterator<Item = (u32, u32)> + use<> {
    let places: BTreeMap<String, u32> = after.iter().cloned().zip(0..).collect();
    let found: Vec<(u32, u32)> =
        before.iter().zip(0..).filter_map(|(name, from)| Some((from, *places.get(name)?))).collect();
    found.into_iter()
}

impl Engine {
    /// Goes on from where `before` stands, whose output has been drained. `stored` is what the store keeps, for what `before`
    /// did not have. Gives the keys of entries that cannot be read.
    pub fn take_over(
        &mut self,
        now: Now,
        mut before: Self,
        stored: &BTreeMap<String, Vec<u8>>,
    ) -> Vec<String> {
        self.estimating = before.estimating;
        before.end_all_but(now, |alarm| self.alarms.find(alarm).is_some());
        let (held, kept) = (before.keys(), before.keep(now));
        let unreadable = self.restore(now, |key| match held.contains(key) {
            true => kept.get(key).cloned(),
            false => stored.get(key).cloned(),
        });
        let successors = Successors::of(&before.settings, &self.settings);
        self.carry_signals(&successors, &before);
        let places = (&successors.sumps, &successors.probes);
        self.alarms.carry_over(now, &before.alarms, places, &mut self.transitions);
        self.clock = before.clock.clone();
        self.next_estimates = before.next_estimates.map(|due| {
            let same = self.settings.estimate_every == before.settings.estimate_every;
            if same { due } else { self.estimates_due_after(now.uptime) }
        });
        self.out.journal.append(&mut before.out.journal);
        let gone = kept.into_iter().filter(|(key, _)| !self.keys().contains(key));
        let gone: Vec<_> = gone.collect();
        self.out.saved.extend(gone);
        let elsewhere = self.elsewhere_after(&before);
        self.carry_sumps(now, &successors, before);
        for (bus, since) in elsewhere {
            self.stand_by(now, bus, true);
            self.elsewhere.insert(bus, since);
        }
        self.journal_transitions(now);
        unreadable
    }

    /// Buses that another box polled before and that are still there, with since when.
    fn elsewhere_after(&self, before: &Self) -> Vec<(BusIndex, Timestamp)> {
        let name = |bus: &BusIndex| &before.settings.buses[bus.slot()].name;
        let place = |bus: &BusIndex| {
            let mut after = (0..).map(BusIndex).zip(&self.settings.buses);
            after.find(|(_, of)| of.name == *name(bus)).map(|(place, _)| place)
        };
        before.elsewhere.iter().filter_map(|(bus, since)| Some((place(bus)?, *since))).collect()
    }

    /// Keys under which it keeps something, or would.
    fn keys(&self) -> BTreeSet<String> {
        let alarms = self.alarms.iter().map(|(alarm, ..)| restart::alarm_key(self.alarms.key(alarm)));
        let sumps = self.settings.sumps.iter().flat_map(|sump| {
            [restart::estimate_key, restart::acidity_key, restart::cleanout_key, restart::checks_key]
                .map(|key| key(&sump.name))
        });
        let probes =
            self.settings.probes.iter().map(|probe| {
                restart::calibration_key(&self.settings.sumps[probe.sump.slot()].name, &probe.name)
            });
        alarms.chain(sumps).chain(probes).chain([router::SAVED_KEY.to_owned()]).collect()
    }

    /// Everything a restart at `now` would go on from, whether or not it has changed.
    fn keep(&mut self, now: Now) -> BTreeMap<String, Vec<u8>> {
        let mut kept = BTreeMap::new();
        self.alarms.save_all(now, |alarm, bytes| {
            kept.insert(restart::alarm_key(alarm), bytes);
        });
        let probes = u32::try_from(self.settings.probes.len()).expect("probes are counted by u32");
        (0..probes).for_each(|probe| self.save_calibration(now, ProbeIndex(probe)));
        kept.extend(self.out.saved.drain(..));
        let (key, bytes) = self.router.save_whole(now);
        kept.insert(key, bytes);
        let estimates = self.estimates();
        for ((sump, fill), plan) in self.sumps.iter_mut().zip(&mut self.fills).zip(&mut self.plans) {
            let name = sump.settings().name.clone();
            let [acidity, cleanout] = fill.save_whole(now);
            // Without estimates what was believed of the sumps stays in the store as it was.
            let believed = [
                (restart::estimate_key(&name), sump.save_whole()),
                (restart::acidity_key(&name), acidity),
                (restart::cleanout_key(&name), cleanout),
            ];
            let believed = believed.into_iter().filter(|_| estimates);
            let all = believed.chain([(restart::checks_key(&name), plan.save_whole())]);
            kept.extend(all.filter_map(|(key, bytes)| Some((key, bytes?))));
        }
        kept
    }

    /// Ends what stands of alarms that do not remain.
    fn end_all_but(&mut self, now: Now, remains: impl Fn(&str) -> bool) {
        let alarms: Vec<(AlarmIndex, State)> = (self.alarms.iter())
            .filter(|(alarm, _, standing)| {
                standing.state != State::Normal && !remains(self.alarms.key(*alarm))
            })
            .map(|(alarm, _, standing)| (alarm, standing.state))
            .collect();
        for (alarm, state) in alarms {
            let record = self.record_of_end(now, alarm, state);
            self.out.journal.push(record);
            self.alarms.end(now, alarm);
        }
    }

    fn record_of_end(&self, now: Now, alarm: AlarmIndex, state: State) -> JournalRecord {
        let (definition, _) = self.alarms.get(alarm);
        let sump = definition.sump_among(&self.settings.probes);
        JournalRecord {
            at: now.utc,
            kind: super::annunciation::kind_of(definition),
            sump: sump.map(|sump| self.settings.sumps[sump.slot()].name.clone()),
            subject: definition.name(&self.settings.probes),
            state: State::Normal.word().to_owned(),
            priority: Some(definition.priority().word()),
            value: None,
            message: format!("ended: the new configuration no longer has it; it stood as {}", state.word()),
        }
    }

    fn carry_signals(&mut self, successors: &Successors, before: &Self) {
        for (&from, &to) in &successors.probes {
            let quantity = |engine: &Self, probe: ProbeIndex| engine.settings.probes[probe.slot()].quantity;
            if quantity(before, from) == quantity(self, to) {
                self.signals.carry_over(to, &before.signals, from);
            }
        }
    }

    /// Sumps, fills and plans that are told what they were told before go on whole.
    fn carry_sumps(&mut self, now: Now, successors: &Successors, before: Self) {
        let Self { settings, sumps, fills, plans, drying, .. } = before;
        let same_pace = settings.pace == self.settings.pace;
        let mut carried = BTreeSet::new();
        for (from, ((sump, fill), plan)) in (0..).map(SumpIndex).zip(sumps.into_iter().zip(fills).zip(plans))
        {
            let Some(&to) = successors.sumps.get(&from) else { continue };
            let slot = to.slot();
            let after = &self.settings.sumps[slot];
            let probes = successors.probes_of(sump.settings().probes);
            let same = probes.is_some_and(|probes| {
                let title = after.title.clone();
                let told =
                    crate::estimate::settings::SumpSettings { probes, title, ..sump.settings().clone() };
                told == *after
                    && SumpAccuracy::of(sump.settings(), &settings.probes)
                        == SumpAccuracy::of(after, &self.settings.probes)
            });
            if same && same_pace {
                self.fills[slot] = fill.rewired(after);
                self.sumps[slot] = sump.rewired(after);
                self.drying[slot] = drying[from.slot()];
            }
            if same_pace && let Some(plan) = plan.continued_as(&self.plans[slot]) {
                self.plans[slot] = plan;
                carried.insert(slot);
            }
        }
        if self.next_estimates.is_some() {
            let fresh = self.plans.iter_mut().enumerate().filter(|(slot, _)| !carried.contains(slot));
            fresh.for_each(|(_, plan)| plan.tick(now, ByProbe::default()));
        }
    }
}
