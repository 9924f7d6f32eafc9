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
/// Where the polls of the others fill the line, a silent device is asked at last once in so many times as long as waiting for
/// it takes: half a percent of the line. Elsewhere the time is there, and a device that is back is found sooner.
const PROBE_SHARE_OF_FULL_LINE: u32 = 200;
/// From this load on a line counts as full, %; the devices' own thinking time comes on top.
const FULL_LINE_PERCENT: f64 = 80.0;

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

/// After what time from the request no late reply comes any more: what both frames are on the wire, by which `patience` is
/// more than the time-out, comes on top of the device's own worst.
pub fn late(worst_reply: Duration, timeout: Duration, patience: Duration) -> Duration {
    worst_reply.saturating_add(patience.saturating_sub(timeout))
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
    pub(super) fn new(settings: &DeviceSettings, bus: &BusSettings, line_is_full: bool) -> Self {
        // A device that does not answer takes the bus this long; asked once in as many of these as there are devices, it
        // costs its own share.
        let cost = settings.worst_reply.max(settings.timeout);
        let share = cost.saturating_mul(u32::try_from(bus.devices.len()).unwrap_or(u32::MAX));
        let probe_wait = share.max(PROBE_WAIT_MIN);
        let probe_wait_max = if line_is_full {
            cost.saturating_mul(PROBE_SHARE_OF_FULL_LINE)
        } else {
            share.saturating_mul(PROBE_GROWTH_MAX).min(PROBE_WAIT_MAX)
        };
        Self {
            timeout: settings.timeout,
            gap: gap(settings, &bus.link),
            worst_reply: settings.worst_reply,
            probe_wait,
            probe_wait_max: probe_wait_max.max(probe_wait),
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
    let requests = plan.requests.iter().map(|request| describe_request(bus, request, line)).collect();
    PlanDescription { bus: bus.name.clone(), requests, line_load_percent: line_load_percent(bus, plan) }
}

/// See [`PlanDescription::line_load_percent`].
fn line_load_percent(bus: &BusSettings, plan: &Plan) -> Option<f64> {
    let line = bus.link.timing()?;
    let polls = plan.requests.iter().filter_map(|r| Some((wire_time(bus, r, line)?, r.period)));
    Some(100.0 * load(polls))
}

/// Whether the polls of `plan`, which was made of `bus`, leave its serial line no time to spare.
pub(super) fn line_is_full(bus: &BusSettings, plan: &Plan) -> bool {
    line_load_percent(bus, plan).is_some_and(|percent| percent >= FULL_LINE_PERCENT)
}

/// See [`RequestLine::wire_time`].
fn wire_time(bus: &BusSettings, request: &PlannedRequest, line: SerialTiming) -> Option<Duration> {
    let device = &bus.devices[request.device.slot()];
    let read = ReadRequest::new(Address::new(request.table, request.start), request.quantity).ok()?;
    let silent = device.silent_interval.unwrap_or(line.t3_5()).saturating_sub(line.t3_5());
    Some(line.transaction(read, device.turnaround.saturating_add(silent)))
}

fn describe_request(bus: &BusSettings, request: &PlannedRequest, line: Option<SerialTiming>) -> RequestLine {
    let wire_time = line.and_then(|line| wire_time(bus, request, line));
    RequestLine {
        device: bus.devices[request.device.slot()].name.clone(),
        table: request.table,
        start: request.start,
        quantity: request.quantity,
        period: request.period,
        points: request.points.len(),
        wire_time,
    }
}

#[cfg(test)]
mod tests {
    use super::super::plan::plan;
    use super::super::testing::{bus, device, inputs, line, ms, tcp};
    use super::*;

    #[test]
    fn a_serial_plan_says_how_full_the_line_is() {
        let settings = bus(line(9600), (1..=3).map(|u| device(u, inputs(0..10, ms(1000)))).collect());
        let described = describe(&settings, &plan(&settings).unwrap());
        // 8 + 5 + 2·10 characters and twice 3.5, of 11 bits each at 9600 baud (Serial Line V1.02, 2.5.1.1).
        let taken = 40.0 * 11.0 / 9600.0;
        assert_eq!(described.requests.len(), 3);
        for request in &described.requests {
            assert!((request.wire_time.unwrap().as_secs_f64() - taken).abs() < 1e-6);
            assert_eq!((request.quantity, request.points), (10, 10));
        }
        assert!((described.line_load_percent.unwrap() - 300.0 * taken).abs() < 1e-3);
    }

    #[test]
    fn pauses_a_device_needs_count_as_load_and_tcp_has_none() {
        let mut slow = device(1, inputs([0], ms(1000)));
        slow.turnaround = ms(20);
        slow.silent_interval = Some(ms(10));
        let settings = bus(line(9600), vec![slow.clone()]);
        let quick = bus(line(9600), vec![device(1, inputs([0], ms(1000)))]);
        let time = |bus| describe(bus, &plan(bus).unwrap()).requests[0].wire_time.unwrap();
        // 20 ms and what 10 ms is more than t3.5 = 4.010 ms.
        assert!((time(&settings) - time(&quick)).as_micros().abs_diff(25_990) <= 1);
        assert_eq!(gap(&slow, &settings.link), ms(30));
        assert_eq!(gap(&slow, &tcp()), ms(20));
        let described = describe(&bus(tcp(), vec![slow]), &plan(&settings).unwrap());
        assert_eq!((described.line_load_percent, described.requests[0].wire_time), (None, None));
    }

    #[test]
    fn a_long_reply_at_a_low_rate_gets_the_time_it_takes() {
        let settings = device(1, vec![]);
        let patience = patience(&settings, &line(1200), Table::InputRegister, 0, 125);
        // 8 + 255 characters of 11 bits at 1200 baud are 2.41 s, far over the time-out of 0.2 s.
        assert_eq!(patience.as_millis(), 2610);
    }
}
