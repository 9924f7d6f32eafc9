//! The points of a bus merged into requests.
//!
//! Points of one device, one table and one period are read together where they lie close enough: over gaps of at most
//! `gap_max` addresses, in requests of at most `registers_max` registers or 2000 bits. Points of different periods never
//! share a request, also where one period is a multiple of the other: the slow ones would have to be cut out of most
//! replies, and what that saves is one small request per slow period.

use std::time::Duration;

use sumpwarden_protocol::modbus::Table;

use super::settings::{BusSettings, DeviceSettings, Point};
use crate::model::{DeviceIndex, Name};

/// One read request that the plan repeats.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PlannedRequest {
    /// Which device, by its place in `BusSettings::devices`.
    pub device: DeviceIndex,
    /// Which table.
    pub table: Table,
    /// First address, 0-based.
    pub start: u16,
    /// Number of registers or bits.
    pub quantity: u16,
    /// How often.
    pub period: Duration,
    /// Places in `DeviceSettings::points` that it serves, by address.
    pub points: Vec<usize>,
}

/// All requests of one bus, by device, table, period and address.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Plan {
    /// The requests.
    pub requests: Vec<PlannedRequest>,
}

/// Why a point cannot be read.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PlanError {
    /// It starts inside the table and ends outside.
    #[error(
        "device {device}: a value of {width} registers at address {start} runs past the last address, 65535"
    )]
    PastTheEnd {
        /// Whose.
        device: Name,
        /// Its first address.
        start: u16,
        /// Its width.
        width: u16,
    },
    /// One value is wider than the device gives in one reply.
    #[error(
        "device {device}: the value at address {start} takes {width} registers, but registers_max is {registers_max}; \
         a value read in two requests could be torn, so raise registers_max to at least {width}"
    )]
    WiderThanReply {
        /// Whose.
        device: Name,
        /// Its first address.
        start: u16,
        /// Its width.
        width: u16,
        /// The device's limit.
        registers_max: u16,
    },
    /// Read without pause.
    #[error(
        "device {device}: the value at address {start} has a period of zero; give it one, such as every = \"10 s\""
    )]
    NoPeriod {
        /// Whose.
        device: Name,
        /// Its first address.
        start: u16,
    },
}

/// Merges the points of `bus` into requests, or says all that cannot be read.
pub fn plan(bus: &BusSettings) -> Result<Plan, Vec<PlanError>> {
    let errors: Vec<_> = bus
        .devices
        .iter()
        .flat_map(|device| device.points.iter().filter_map(|p| refuse(device, p)))
        .collect();
    if !errors.is_empty() {
        return Err(errors);
    }
    let mut requests = Vec::new();
    for (index, device) in (0..).map(DeviceIndex).zip(&bus.devices) {
        let mut order: Vec<usize> = (0..device.points.len()).collect();
        order.sort_by_key(|&i| {
            let point = &device.points[i];
            (point.address.table, point.period, point.address.index, width(point), i)
        });
        for place in order {
            let point = &device.points[place];
            match requests.last_mut() {
                Some(open) if joins(open, index, device, point) => extend(open, place, point),
                _ => requests.push(PlannedRequest {
                    device: index,
                    table: point.address.table,
                    start: point.address.index,
                    quantity: width(point),
                    period: point.period,
                    points: vec![place],
                }),
            }
        }
    }
    Ok(Plan { requests })
}

/// How many registers or bits a point takes.
pub(super) fn width(point: &Point) -> u16 {
    if point.address.table.is_bits() { 1 } else { point.encoding.word_count() }
}

/// Most registers or bits of `table` in one request to `device`.
fn quantity_max(device: &DeviceSettings, table: Table) -> u16 {
    if table.is_bits() { table.count_max() } else { device.registers_max.min(table.count_max()) }
}

fn refuse(device: &DeviceSettings, point: &Point) -> Option<PlanError> {
    let (start, width) = (point.address.index, width(point));
    let name = || device.name.clone();
    if point.period.is_zero() {
        return Some(PlanError::NoPeriod { device: name(), start });
    }
    if u32::from(start) + u32::from(width) > 0x1_0000 {
        return Some(PlanError::PastTheEnd { device: name(), start, width });
    }
    let registers_max = quantity_max(device, point.address.table);
    (width > registers_max).then(|| PlanError::WiderThanReply { device: name(), start, width, registers_max })
}

/// Whether `point`, which does not start before `open`, may ride in the same request.
fn joins(open: &PlannedRequest, index: DeviceIndex, device: &DeviceSettings, point: &Point) -> bool {
    let end_open = u32::from(open.start) + u32::from(open.quantity);
    let start = u32::from(point.address.index);
    let end = start + u32::from(width(point));
    let quantity = end.max(end_open) - u32::from(open.start);
    open.device == index
        && open.table == point.address.table
        && open.period == point.period
        && start.saturating_sub(end_open) <= u32::from(device.gap_max)
        && quantity <= u32::from(quantity_max(device, point.address.table))
}

fn extend(open: &mut PlannedRequest, place: usize, point: &Point) {
    let reach = point.address.index - open.start + width(point);
    open.quantity = open.quantity.max(reach);
    open.points.push(place);
}
