//! One repeated request as the schedule keeps it, and how it splits and joins.

use std::collections::BTreeSet;
use std::time::Duration;

use sumpwarden_protocol::modbus::Table;
use sumpwarden_protocol::words::Encoding;

use super::super::decode::decode;
use super::super::plan::{Plan, width};
use super::super::settings::BusSettings;
use super::super::wire;
use super::{Reply, START_SPREAD};
use crate::model::{BusIndex, DeviceIndex, Fault, Now, ProbeIndex, Raw, RawReading, Uptime};

/// How long all pieces of a split request must have been good before they are tried as one; doubles with every failure.
const REJOIN_AFTER: Duration = Duration::from_secs(600);
/// Longest such wait.
const REJOIN_AFTER_MAX: Duration = Duration::from_secs(86_400);

/// One point within its request.
#[derive(Clone, Debug)]
pub(super) struct SlotPoint {
    probe: ProbeIndex,
    address: u16,
    width: u16,
    encoding: Encoding,
}

/// One repeated request.
#[derive(Clone, Debug)]
pub(super) struct Slot {
    pub(super) device: DeviceIndex,
    /// The planned request it is, or is a piece of.
    pub(super) group: usize,
    pub(super) table: Table,
    pub(super) start: u16,
    pub(super) quantity: u16,
    pub(super) period: Duration,
    /// How long one exchange may take; a piece keeps that of the whole.
    pub(super) patience: Duration,
    /// Polls start at this instant and whole periods on.
    grid: Uptime,
    /// When the next poll should start.
    pub(super) due: Uptime,
    /// Failed attempts of the poll that is due.
    pub(super) attempts: u8,
    /// Busy answers to the poll that is due.
    pub(super) busy: u8,
    /// The device does not know this address.
    pub(super) refused: bool,
    /// It is the one a silent device is asked with.
    pub(super) probes: bool,
    points: Vec<SlotPoint>,
}

/// A planned request whose pieces belong together.
#[derive(Clone, Debug, Default)]
pub(super) struct Group {
    /// When it may be tried as one again; `None` while it is whole.
    rejoin_at: Option<Uptime>,
    rejoin_after: Duration,
}

/// The slots of a plan with their first polls spread, and their groups.
pub(super) fn lay_out(
    bus: BusIndex,
    settings: &BusSettings,
    plan: &Plan,
    now: Uptime,
) -> (Vec<Slot>, Vec<Group>) {
    let count = plan.requests.len();
    let slots = plan.requests.iter().enumerate().map(|(group, request)| {
        let device = &settings.devices[request.device.slot()];
        let fraction = phase(bus, group, count);
        let points = request.points.iter().map(|&place| {
            let point = &device.points[place];
            let (probe, address) = (point.probe, point.address.index);
            SlotPoint { probe, address, width: width(point), encoding: point.encoding.clone() }
        });
        Slot {
            device: request.device,
            group,
            table: request.table,
            start: request.start,
            quantity: request.quantity,
            period: request.period,
            patience: wire::patience(device, &settings.link, request.table, request.start, request.quantity),
            grid: now.plus(share(request.period, fraction)),
            due: now.plus(share(request.period.min(START_SPREAD), fraction)),
            attempts: 0,
            busy: 0,
            refused: false,
            probes: false,
            points: points.collect(),
        }
    });
    let mut slots: Vec<_> = slots.collect();
    name_probes(&mut slots);
    (slots, vec![Group { rejoin_at: None, rejoin_after: REJOIN_AFTER }; count])
}

/// Where in its period a request lies, as a fraction of 2⁶⁴: the requests of one bus evenly, those of many buses by the
/// golden ratio, which keeps any number of them apart.
fn phase(bus: BusIndex, request: usize, requests: usize) -> u64 {
    const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;
    let requests = u64::try_from(requests.max(1)).unwrap_or(u64::MAX);
    let step = u64::MAX / requests;
    let shift = u64::from(bus.0).wrapping_mul(GOLDEN) / requests;
    step.wrapping_mul(u64::try_from(request).unwrap_or(0)).wrapping_add(shift)
}

fn share(whole: Duration, fraction: u64) -> Duration {
    Duration::from_nanos_u128((whole.as_nanos().min(u128::from(u64::MAX)) * u128::from(fraction)) >> 64)
}

/// Picks for each device the slot that it is asked with while it is silent: its first. Any answer to it will do.
pub(super) fn name_probes(slots: &mut [Slot]) {
    let mut named = BTreeSet::new();
    for slot in slots {
        slot.probes = named.insert(slot.device);
    }
}

impl Slot {
    /// Leaves out the polls that are a whole period late; says how many.
    pub(super) fn skip_late(&mut self, now: Uptime) -> u64 {
        let period = nanos(self.period);
        let late = nanos(now.since(self.due)) / period;
        self.due = self.due.plus(Duration::from_nanos(late * period));
        late
    }

    /// This poll is over; the next one is due at the next instant of its grid.
    pub(super) fn over(&mut self, now: Uptime) {
        self.attempts = 0;
        self.busy = 0;
        let period = nanos(self.period);
        let done = self.due.min(now);
        self.due = if done < self.grid {
            self.grid
        } else {
            let periods = nanos(done.since(self.grid)) / period + 1;
            self.grid.plus(Duration::from_nanos(period.saturating_mul(periods)))
        };
    }

    /// This poll brought values.
    pub(super) fn good(&mut self, now: Uptime) {
        self.refused = false;
        self.over(now);
    }

    /// Splits by points: keeps the first half and hands out the second. `None` if there is only one point.
    pub(super) fn split(&mut self) -> Option<Self> {
        if self.points.len() < 2 {
            return None;
        }
        let mut second = self.clone();
        second.points = self.points.split_off(self.points.len() / 2);
        second.probes = false;
        self.fit();
        second.fit();
        Some(second)
    }

    /// Takes the points of `pieces` in and becomes one request again.
    pub(super) fn absorb<'a>(&mut self, pieces: impl Iterator<Item = &'a Self>) {
        self.points = pieces.flat_map(|s| s.points.iter().cloned()).collect();
        self.points.sort_by_key(|p| (p.address, p.width));
        self.fit();
    }

    /// Start and quantity that just hold the points.
    fn fit(&mut self) {
        let start = self.points.iter().map(|p| p.address).min().expect("a slot has at least one point");
        let last = self.points.iter().map(|p| p.address + (p.width - 1)).max().expect("at least one point");
        self.start = start;
        self.quantity = last - start + 1;
    }

    /// Words or bits to one reading a point, stamped with `now` cut to whole milliseconds.
    pub(super) fn decode(&self, reply: Reply<'_>, now: Now, readings: &mut Vec<RawReading>) {
        let at = now.utc.floor_to_millis();
        readings.reserve(self.points.len());
        for point in &self.points {
            let from = usize::from(point.address - self.start);
            let raw = match reply {
                Reply::Words(words) => {
                    let field = words.get(from..from + usize::from(point.width));
                    field.map_or(Raw::Fault(Fault::BadFrame), |field| decode(&point.encoding, field))
                }
                Reply::Bits(bits) => {
                    let field = bits.get(from).map(|&bit| [u16::from(bit)]);
                    field.map_or(Raw::Fault(Fault::BadFrame), |field| decode(&point.encoding, &field))
                }
            };
            readings.push(RawReading { probe: point.probe, at, received: now.uptime, raw });
        }
    }

    /// The same fault for every point.
    pub(super) fn report(&self, fault: Fault, now: Now, readings: &mut Vec<RawReading>) {
        let at = now.utc.floor_to_millis();
        let raw = Raw::Fault(fault);
        readings.extend(self.points.iter().map(|p| RawReading {
            probe: p.probe,
            at,
            received: now.uptime,
            raw,
        }));
    }
}

impl Group {
    /// It does not work as one.
    pub(super) fn failed_again(&mut self, now: Uptime) {
        self.rejoin_at = Some(now.plus(self.rejoin_after));
    }

    pub(super) fn may_rejoin(&self, now: Uptime) -> bool {
        self.rejoin_at.is_some_and(|at| now >= at)
    }

    /// It is tried as one; should that fail, the next try comes later.
    pub(super) fn rejoined(&mut self) {
        self.rejoin_at = None;
        self.rejoin_after = self.rejoin_after.saturating_mul(2).min(REJOIN_AFTER_MAX);
    }
}

fn nanos(duration: Duration) -> u64 {
    u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)
}
