//! What a bus costs in time: silent intervals, patience with a reply, and the load of a whole plan.

use std::time::Duration;

use sumpwarden_protocol::modbus::wire::{SerialTiming, load, reply_bytes};
use sumpwarden_protocol::modbus::{Address, ReadRequest, Table, rtu};

use super::plan::{Plan, PlannedRequest};
use super::schedule::PROBE_WAIT_MAX;
use super::settings::{BusLink, BusSettings, DeviceSettings, Parity, SerialLine};
use crate::model::Name;

/// First pause before a silent device is asked again, at least.
const PROBE_WAIT_MIN: Duration = Duration::from_secs(1);
/// By how much that pause may grow beyond the one that costs the device's own share of the bus.
const PROBE_GROWTH_MAX: u32 = 20;

impl SerialLine {
    /// Its times; `None` for a rate or stop bits that no line has.
    pub fn timing(self) -> Option<SerialTiming> {
        SerialTiming::new(self.baud, self.parity != Parity::None, self.stop_bits).ok()
    }
}

impl BusLink {
    /// Times of the serial line, where one is part of the link.
    pub fn timing(&self) -> Option<SerialTiming> {
        match self {
            Self::Tcp { .. } => None,
            Self::Rtu { line, .. } | Self::RtuOverTcp { line, .. } => line.timing(),
        }
    }
}

/// Least time from the end of one of the device's replies to the next request on the bus.
pub fn gap(device: &DeviceSettings, link: &BusLink) -> Duration {
    let silent = link.timing().map_or(Duration::ZERO, |line| device.silent_interval.unwrap_or(line.t3_5()));
    silent.saturating_add(device.turnaround)
}

/// How long an exchange may take: the device's time-out, and on a serial line both frames on the wire.
pub fn patience(
    device: &DeviceSettings,
    link: &BusLink,
    table: Table,
    start: u16,
    quantity: u16,
) -> Duration {
    let frames = match (link.timing(), ReadRequest::new(Address::new(table, start), quantity)) {
        (Some(line), Ok(request)) => line.characters(rtu::REQUEST_BYTES + reply_bytes(request)),
        (_, _) => Duration::ZERO,
    };
    device.timeout.saturating_add(frames)
}

/// Times that belong to one device.
#[derive(Clone, Debug)]
pub(super) struct Pace {
    /// How long a reply may take once the request is out.
    pub(super) timeout: Duration,
    /// From the end of a reply to the next request.
    pub(super) gap: Duration,
    /// From a request that failed to the next one.
    pub(super) worst_reply: Duration,
    /// First pause before a silent device is asked again.
    pub(super) probe_wait: Duration,
    /// Longest such pause.
    pub(super) probe_wait_max: Duration,
}

impl Pace {
    pub(super) fn new(settings: &DeviceSettings, link: &BusLink, devices: usize) -> Self {
        // A device that does not answer takes the bus this long; asked once in as many of these as there are devices, it
        // costs its own share.
        let cost = settings.worst_reply.max(settings.timeout);
        let share = cost.saturating_mul(u32::try_from(devices).unwrap_or(u32::MAX));
        let probe_wait = share.max(PROBE_WAIT_MIN);
        let probe_wait_max = share.saturating_mul(PROBE_GROWTH_MAX).min(PROBE_WAIT_MAX).max(probe_wait);
        Self {
            timeout: settings.timeout,
            gap: gap(settings, link),
            worst_reply: settings.worst_reply,
            probe_wait,
            probe_wait_max,
        }
    }
}

/// One request of a plan, for people.
#[derive(Clone, PartialEq, Debug)]
pub struct RequestLine {
    /// Which device.
    pub device: Name,
    /// Which table.
    pub table: Table,
    /// First address, 0-based.
    pub start: u16,
    /// Number of registers or bits.
    pub quantity: u16,
    /// How often.
    pub period: Duration,
    /// How many probes it serves.
    pub points: usize,
    /// How long it takes a serial line from the first bit to when the line is free again, the device's own thinking
    /// time not counted; `None` on TCP.
    pub wire_time: Option<Duration>,
}

/// The plan of one bus, for people.
#[derive(Clone, PartialEq, Debug)]
pub struct PlanDescription {
    /// Which bus.
    pub bus: Name,
    /// Its requests.
    pub requests: Vec<RequestLine>,
    /// How full the plan leaves the serial line, in percent, the devices' own thinking time not counted; over 100 the
    /// polls cannot all be made. `None` on TCP.
    pub line_load_percent: Option<f64>,
}

/// Describes `plan`, which was made of `bus`.
pub fn describe(bus: &BusSettings, plan: &Plan) -> PlanDescription {
    let line = bus.link.timing();
    let requests: Vec<_> = plan.requests.iter().map(|request| describe_request(bus, request, line)).collect();
    let line_load_percent = line
        .map(|_| 100.0 * load(requests.iter().filter_map(|r| r.wire_time.map(|taken| (taken, r.period)))));
    PlanDescription { bus: bus.name.clone(), requests, line_load_percent }
}

fn describe_request(bus: &BusSettings, request: &PlannedRequest, line: Option<SerialTiming>) -> RequestLine {
    let device = &bus.devices[request.device.slot()];
    let wire_time = line.and_then(|line| {
        let read = ReadRequest::new(Address::new(request.table, request.start), request.quantity).ok()?;
        let silent = device.silent_interval.unwrap_or(line.t3_5()).saturating_sub(line.t3_5());
        Some(line.transaction(read, device.turnaround.saturating_add(silent)))
    });
    RequestLine {
        device: device.name.clone(),
        table: request.table,
        start: request.start,
        quantity: request.quantity,
        period: request.period,
        points: request.points.len(),
        wire_time,
    }
}
