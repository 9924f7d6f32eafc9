//! The state machine of one bus: which request goes out when, and what follows from its outcome.
//!
//! ```text
//!               next() = Exchange                   finished(reply)
//!   waiting ───────────────────────► in flight ───────────────────────► waiting, bus free after the silent interval
//!      ▲  next() = Wait(until)           │ finished(no reply, damaged, unmatched)
//!      └── quiet until the worst reply ──┘
//! ```
//!
//! Words:
//! - *due*: when a poll should start. A poll that is a whole period late is left out and counted as skipped.
//! - *quiet*: nothing is sent on the bus, because a late reply could be taken for the next one.
//! - *silent device*: its polls failed [`SILENT_AFTER`] times running, repeats included. It is then asked with a single
//!   request at growing intervals, so that waiting for it costs the others at most its own share of the bus, and later
//!   a twentieth of it, or where the polls fill a serial line half a percent of the line. Its first reply brings it back to full rate.
//! - *refused*: the device answers with exception 1, 2 or 3, so the register map is wrong. A request for several points
//!   is halved until the point is found that is to blame; that one is reported and asked again once a minute. When all
//!   pieces of a request have been good for a while they are tried as one again.
//! - *busy*: exception 5 or 6; the device is left alone for a moment and asked again.
//!
//! One request is in flight at a time on every kind of bus. An exception is an answer: it never costs the connection.

mod slot;

use std::time::Duration;

use sumpwarden_protocol::modbus::Table;

use self::slot::{Group, Slot};
use super::counters::DeviceCounters;
use super::plan::Plan;
use super::settings::{BusSettings, DeviceSettings};
use super::wire::{self, Pace};
use crate::model::{BusIndex, DeviceIndex, Fault, Now, RawReading, Uptime};

/// Polls of one device that fail running before it counts as silent.
pub const SILENT_AFTER: u32 = 2;
/// Longest pause between two questions to a silent device, unless its own share or a full line asks for a longer one.
pub const PROBE_WAIT_MAX: Duration = Duration::from_secs(60);
/// Pause before a refused point is asked again.
pub const REFUSED_WAIT: Duration = Duration::from_secs(60);
/// Pause before a busy device is asked again.
pub const BUSY_WAIT: Duration = Duration::from_millis(500);
/// How often a busy device is asked again before the poll counts as failed.
pub const BUSY_TRIES: u8 = 3;
/// Polls are first spread over this much time, so that a start shows values soon, and then over their period.
pub const START_SPREAD: Duration = Duration::from_millis(250);

/// One request to carry out now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Exchange {
    /// Which device, by its place in `BusSettings::devices`.
    pub device: DeviceIndex,
    /// Its unit id.
    pub unit_id: u8,
    /// Which table.
    pub table: Table,
    /// First address, 0-based.
    pub start: u16,
    /// Number of registers or bits.
    pub quantity: u16,
    /// When it should have started.
    pub due: Uptime,
    /// How long the whole exchange may take from now, time on the wire included.
    pub patience: Duration,
}

/// What to do now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Next {
    /// Send this, then tell [`Schedule::finished`].
    Exchange(Exchange),
    /// A poll fell due while the bus was not connected; its points were reported so. Ask again at once.
    NotConnected(DeviceIndex),
    /// Nothing before this instant.
    Wait(Uptime),
}

/// What came back, length checked: as many words or bits as were asked for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Reply<'a> {
    /// Registers.
    Words(&'a [u16]),
    /// Coils or discrete inputs.
    Bits(&'a [bool]),
}

/// How an exchange ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outcome<'a> {
    /// With the reply.
    Reply(Reply<'a>),
    /// With a Modbus exception.
    Exception(u8),
    /// Nothing, or not all of it, came in time.
    NoReply,
    /// A reply came that was damaged or of the wrong length.
    BadFrame,
    /// A valid frame that answers something else.
    Unmatched,
    /// The connection was lost while waiting.
    Lost {
        /// Whether a part of the reply had come.
        partial: bool,
    },
    /// The connection turned out to be closed before anything was sent: no poll.
    NotSent,
}

/// Device as the schedule sees it.
#[derive(Clone, Debug)]
struct Device {
    unit_id: u8,
    retries: u8,
    pace: Pace,
    /// Polls that failed running.
    failures: u32,
    /// When a silent device is asked next, and the pause before that.
    probe: Option<(Uptime, Duration)>,
    /// A busy device is left alone until then.
    held_until: Uptime,
    counters: DeviceCounters,
}

#[derive(Clone, Copy, Debug)]
struct InFlight {
    slot: usize,
    sent: Uptime,
}

/// Whether the silence on a connection looks like a dead connection.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum Silence {
    #[default]
    None,
    /// One device, this often.
    One(usize, u32),
    /// Several devices.
    Several,
}

/// The state machine of one bus.
#[derive(Clone, Debug)]
pub struct Schedule {
    devices: Vec<Device>,
    slots: Vec<Slot>,
    groups: Vec<Group>,
    in_flight: Option<InFlight>,
    quiet_until: Uptime,
    /// It is a serial line, whose replies do not say which request they are to.
    is_line: bool,
    connected: bool,
    /// The first request after connecting may fail without being held against the device: one free repeat for every
    /// connection that followed a working one.
    grace: bool,
    grace_left: bool,
    silence: Silence,
}

impl Schedule {
    /// Starts at `now`, not connected. `bus` spreads the polls of many buses over their periods.
    pub fn new(bus: BusIndex, settings: &BusSettings, plan: &Plan, now: Uptime) -> Self {
        let line_is_full = wire::line_is_full(settings, plan);
        let devices = settings.devices.iter().map(|d| Device::new(d, settings, line_is_full)).collect();
        let (slots, groups) = slot::lay_out(bus, settings, plan, now);
        Self {
            devices,
            slots,
            groups,
            in_flight: None,
            quiet_until: now,
            is_line: settings.link.timing().is_some(),
            connected: false,
            grace: true,
            grace_left: false,
            silence: Silence::None,
        }
    }

    /// The bus is connected; requests may go out.
    pub fn connected(&mut self) {
        self.connected = true;
        self.grace_left = std::mem::take(&mut self.grace);
        self.silence = Silence::None;
    }

    /// The bus is gone; polls that fall due are reported as not connected.
    pub fn disconnected(&mut self) {
        self.connected = false;
    }

    /// The bus was left to somebody else and is ours again: what fell due meanwhile was theirs, and what was known of silent
    /// devices is old.
    pub fn resume(&mut self, now: Uptime) {
        for slot in &mut self.slots {
            slot.skip_late(now);
        }
        for device in &mut self.devices {
            (device.failures, device.probe, device.held_until) = (0, None, now);
        }
    }

    /// Before when a reply to what was asked last may still come.
    pub fn quiet_until(&self) -> Uptime {
        self.quiet_until
    }

    /// Whether nobody answers on this connection, so that it may be dead without saying so: two polls running, of
    /// different devices where there are several.
    pub fn looks_dead(&self) -> bool {
        match self.silence {
            Silence::None => false,
            Silence::One(_, polls) => polls >= 2 && self.devices.len() == 1,
            Silence::Several => true,
        }
    }

    /// Counters of the devices, by their place in `BusSettings::devices`.
    pub fn counters(&self) -> impl ExactSizeIterator<Item = &DeviceCounters> {
        self.devices.iter().map(|d| &d.counters)
    }

    /// Counters of one device.
    pub fn counters_of(&self, device: DeviceIndex) -> &DeviceCounters {
        &self.devices[device.slot()].counters
    }

    /// Least time from the end of a device's reply to the next request on the bus.
    pub fn gap(&self, device: DeviceIndex) -> Duration {
        self.devices[device.slot()].pace.gap
    }

    /// Devices that are silent now.
    pub fn silent(&self) -> impl Iterator<Item = DeviceIndex> {
        (0..).map(DeviceIndex).zip(&self.devices).filter(|(_, d)| d.probe.is_some()).map(|(i, _)| i)
    }

    /// What to do at `now`. Readings of polls that could not be sent are added to `readings`.
    ///
    /// Must not be called while a request is in flight.
    pub fn next(&mut self, now: Now, readings: &mut Vec<RawReading>) -> Next {
        assert!(self.in_flight.is_none(), "one request at a time: finished() comes before next()");
        let Some((place, ready_at)) = self.choose(now.uptime) else {
            return Next::Wait(Uptime::from_nanos(u64::MAX));
        };
        if self.connected && self.quiet_until > now.uptime {
            return Next::Wait(self.quiet_until.max(ready_at));
        }
        if ready_at > now.uptime {
            return Next::Wait(ready_at);
        }
        let slot = &mut self.slots[place];
        let device = &mut self.devices[slot.device.slot()];
        let mut due = ready_at;
        if device.probe.is_none() {
            device.counters.skipped += slot.skip_late(now.uptime);
            due = slot.due;
        }
        if !self.connected {
            device.counters.not_connected += 1;
            slot.report(Fault::NotConnected, now, readings);
            slot.over(now.uptime);
            return Next::NotConnected(slot.device);
        }
        self.in_flight = Some(InFlight { slot: place, sent: now.uptime });
        Next::Exchange(Exchange {
            device: slot.device,
            unit_id: device.unit_id,
            table: slot.table,
            start: slot.start,
            quantity: slot.quantity,
            due,
            patience: slot.patience,
        })
    }

    /// The request that [`Self::next`] handed out left only at `at`: what is late counts from there.
    pub fn sent(&mut self, at: Uptime) {
        if let Some(flight) = &mut self.in_flight {
            flight.sent = flight.sent.max(at);
        }
    }

    /// The exchange that [`Self::next`] handed out ended at `now`. Its readings, or the faults that stand in their
    /// place, are added to `readings`.
    pub fn finished(&mut self, outcome: Outcome<'_>, now: Now, readings: &mut Vec<RawReading>) {
        let InFlight { slot, sent } =
            self.in_flight.take().expect("next() handed out the exchange that is finished");
        self.count(slot, outcome);
        self.keep_quiet(slot, outcome, sent, now.uptime);
        match outcome {
            Outcome::Reply(reply) => {
                self.answered(slot);
                self.slots[slot].decode(reply, now, readings);
                self.slots[slot].good(now.uptime);
                self.rejoin(slot, now.uptime);
            }
            Outcome::Exception(code) => self.excepted(slot, code, now, readings),
            Outcome::NoReply => self.failed(slot, Fault::NoReply, now, readings),
            Outcome::BadFrame | Outcome::Unmatched => self.failed(slot, Fault::BadFrame, now, readings),
            Outcome::Lost { .. } => self.failed(slot, Fault::NotConnected, now, readings),
            Outcome::NotSent => {}
        }
    }

    /// The slot to serve, and from when on: of those that are ready the one due longest, else the one ready first.
    fn choose(&self, now: Uptime) -> Option<(usize, Uptime)> {
        let mut best: Option<(bool, Uptime, usize)> = None;
        for (place, slot) in self.slots.iter().enumerate() {
            let device = &self.devices[slot.device.slot()];
            let due = match device.probe {
                Some((at, _)) if self.connected => {
                    if !slot.probes {
                        continue;
                    }
                    at
                }
                Some(_) | None => slot.due,
            };
            // While there is no connection a poll waits for one as long as it would wait for a reply.
            let ready_at =
                if self.connected { due.max(device.held_until) } else { due.plus(device.pace.timeout) };
            let waits = ready_at > now;
            let key = (waits, if waits { ready_at } else { due }, place);
            if best.is_none_or(|b| key < b) {
                best = Some(key);
            }
        }
        best.map(|(_, at, place)| (place, at))
    }

    fn count(&mut self, slot: usize, outcome: Outcome<'_>) {
        let counters = &mut self.devices[self.slots[slot].device.slot()].counters;
        let bucket = match outcome {
            Outcome::NotSent => return,
            Outcome::Exception(code) => {
                counters.polls_sent += 1;
                counters.exception(code);
                return;
            }
            Outcome::Reply(_) => &mut counters.replies_ok,
            Outcome::NoReply | Outcome::Lost { partial: false } => &mut counters.timeouts,
            Outcome::BadFrame | Outcome::Lost { partial: true } => &mut counters.frame_errors,
            Outcome::Unmatched => &mut counters.unmatched,
        };
        *bucket += 1;
        counters.polls_sent += 1;
    }

    /// When the bus is free again. After anything but a proper answer the real reply may still be on its way.
    fn keep_quiet(&mut self, slot: usize, outcome: Outcome<'_>, sent: Uptime, now: Uptime) {
        let slot = &self.slots[slot];
        let pace = &self.devices[slot.device.slot()].pace;
        let gap = now.plus(pace.gap);
        let waited_out = gap.max(sent.plus(wire::late(pace.worst_reply, pace.timeout, slot.patience)));
        self.quiet_until = match outcome {
            Outcome::Reply(_) | Outcome::Exception(_) => gap,
            Outcome::NoReply | Outcome::BadFrame | Outcome::Unmatched => waited_out,
            // The line behind a serial server goes on, and brings it over the next connection.
            Outcome::Lost { .. } if self.is_line => waited_out,
            Outcome::Lost { .. } | Outcome::NotSent => self.quiet_until,
        };
    }

    /// The device said something: it lives, and so does the connection.
    fn answered(&mut self, slot: usize) {
        let slot = &mut self.slots[slot];
        slot.attempts = 0;
        let device = &mut self.devices[slot.device.slot()];
        device.failures = 0;
        device.probe = None;
        self.grace = true;
        self.grace_left = false;
        self.silence = Silence::None;
    }

    fn excepted(&mut self, place: usize, code: u8, now: Now, readings: &mut Vec<RawReading>) {
        match code {
            // The bus gateway's own words about a unit behind it: the unit is silent, the connection is not.
            10 | 11 => {
                self.silence = Silence::None;
                self.grace = true;
                self.failed(place, Fault::Exception(code), now, readings);
            }
            1..=3 => {
                self.answered(place);
                self.refused(place, code, now, readings);
            }
            5 | 6 if self.slots[place].busy < BUSY_TRIES => {
                self.answered(place);
                let slot = &mut self.slots[place];
                slot.busy += 1;
                self.devices[slot.device.slot()].held_until = now.uptime.plus(BUSY_WAIT);
            }
            _ => {
                self.answered(place);
                let slot = &mut self.slots[place];
                slot.report(Fault::Exception(code), now, readings);
                slot.over(now.uptime);
            }
        }
    }

    /// Exception 1, 2 or 3: halve the request, or name the one point that is left.
    fn refused(&mut self, place: usize, code: u8, now: Now, readings: &mut Vec<RawReading>) {
        if let Some(second) = self.slots[place].split() {
            self.groups[second.group].failed_again(now.uptime);
            self.slots.push(second);
            return;
        }
        let slot = &mut self.slots[place];
        slot.refused = true;
        self.groups[slot.group].failed_again(now.uptime);
        slot.report(Fault::Exception(code), now, readings);
        slot.over(now.uptime);
        slot.due = now.uptime.plus(REFUSED_WAIT.max(slot.period));
    }

    /// When all pieces of a split request have been good long enough, they are one request again.
    fn rejoin(&mut self, place: usize, now: Uptime) {
        let group = self.slots[place].group;
        if !self.groups[group].may_rejoin(now) {
            return;
        }
        let pieces = || self.slots.iter().filter(move |s| s.group == group);
        if pieces().any(|s| s.refused) {
            return;
        }
        let Some(mut whole) = pieces().min_by_key(|s| s.start).cloned() else { return };
        whole.absorb(pieces());
        self.groups[group].rejoined();
        self.slots.retain(|s| s.group != group);
        self.slots.push(whole);
        slot::name_probes(&mut self.slots);
    }

    /// Nothing usable came. Repeat, or give up this poll and see whether the device has gone silent.
    fn failed(&mut self, place: usize, fault: Fault, now: Now, readings: &mut Vec<RawReading>) {
        if std::mem::take(&mut self.grace_left) {
            return;
        }
        let index = self.slots[place].device;
        let device = &mut self.devices[index.slot()];
        let slot = &mut self.slots[place];
        if device.probe.is_none() && slot.attempts < device.retries {
            slot.attempts += 1;
            return;
        }
        slot.over(now.uptime);
        device.failures = device.failures.saturating_add(1);
        self.silence = match (self.silence, fault) {
            (silence, Fault::Exception(_)) => silence,
            (Silence::None, _) => Silence::One(index.slot(), 1),
            (Silence::One(one, polls), _) if one == index.slot() => Silence::One(one, polls + 1),
            (Silence::One(..) | Silence::Several, _) => Silence::Several,
        };
        if device.failures < SILENT_AFTER {
            slot.report(fault, now, readings);
            return;
        }
        let wait = match device.probe {
            None => device.pace.probe_wait,
            Some((_, wait)) => wait.saturating_mul(2).min(device.pace.probe_wait_max),
        };
        device.probe = Some((now.uptime.plus(wait), wait));
        for slot in self.slots.iter().filter(|s| s.device == index) {
            slot.report(fault, now, readings);
        }
    }
}

impl Device {
    fn new(settings: &DeviceSettings, bus: &BusSettings, line_is_full: bool) -> Self {
        Self {
            unit_id: settings.unit_id,
            retries: settings.retries,
            pace: Pace::new(settings, bus, line_is_full),
            failures: 0,
            probe: None,
            held_until: Uptime::default(),
            counters: DeviceCounters::default(),
        }
    }
}

#[cfg(test)]
mod tests;
