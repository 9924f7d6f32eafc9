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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use sumpwarden_protocol::words::NumberKind;

    use super::super::testing::{bus, device, inputs, ms, point, tcp};
    use super::*;

    fn requests(points: Vec<Point>) -> Vec<(Table, u16, u16, Vec<usize>)> {
        let plan = plan(&bus(tcp(), vec![device(1, points)])).unwrap();
        plan.requests.into_iter().map(|r| (r.table, r.start, r.quantity, r.points)).collect()
    }

    #[test]
    fn neighbours_and_small_gaps_ride_together() {
        use Table::InputRegister as In;
        let second = ms(1000);
        assert_eq!(requests(inputs([0, 1, 2], second)), [(In, 0, 3, vec![0, 1, 2])]);
        assert_eq!(
            requests(inputs([7, 0, 2], second)),
            [(In, 0, 8, vec![1, 2, 0])],
            "gaps of 1 and 4, any order"
        );
        assert_eq!(
            requests(inputs([0, 6], second)),
            [(In, 0, 1, vec![0]), (In, 6, 1, vec![1])],
            "a gap of 5"
        );
        let wide = vec![
            point(0, In, 10, NumberKind::F32, second),
            point(1, In, 12, NumberKind::F64, second),
            point(2, In, 10, NumberKind::BitField { low: 0, width: 4 }, second),
        ];
        assert_eq!(requests(wide), [(In, 10, 6, vec![2, 0, 1])], "fields of one register may overlap");
    }

    #[test]
    fn table_period_and_device_keep_requests_apart() {
        let second = ms(1000);
        let mut points = inputs([0], second);
        points.push(point(1, Table::HoldingRegister, 1, NumberKind::U16, second));
        points.extend(inputs([1], second * 10));
        assert_eq!(requests(points).len(), 3);
        let two = bus(tcp(), vec![device(1, inputs([0], second)), device(2, inputs([1], second))]);
        assert_eq!(plan(&two).unwrap().requests.len(), 2);
    }

    #[test]
    fn limits_of_device_and_standard_hold() {
        let second = ms(1000);
        let mut small = device(1, inputs(0..40, second));
        small.registers_max = 16;
        let plan_of = |device| plan(&bus(tcp(), vec![device])).unwrap().requests;
        assert_eq!(plan_of(small.clone()).iter().map(|r| r.quantity).collect::<Vec<_>>(), [16, 16, 8]);
        small.registers_max = 999;
        small.points = inputs(0..300, second);
        assert_eq!(plan_of(small.clone()).iter().map(|r| r.quantity).collect::<Vec<_>>(), [125, 125, 50]);
        small.registers_max = 1;
        small.points = (0..2100).map(|i| point(0, Table::Coil, i, NumberKind::Bit, second)).collect();
        assert_eq!(plan_of(small).iter().map(|r| r.quantity).collect::<Vec<_>>(), [2000, 100]);
    }

    #[test]
    fn a_value_is_never_torn_between_two_requests() {
        let points: Vec<_> = (0..20)
            .map(|i| point(i, Table::HoldingRegister, 2 * i as u16, NumberKind::F32, ms(1000)))
            .collect();
        let mut odd = device(1, points);
        odd.registers_max = 7;
        let plan = plan(&bus(tcp(), vec![odd])).unwrap();
        assert!(plan.requests.iter().all(|r| r.quantity == 6 || r.quantity == 4), "{plan:?}");
    }

    #[test]
    fn what_cannot_be_read_is_refused_all_at_once() {
        let points = vec![
            point(0, Table::InputRegister, 65_535, NumberKind::U32, ms(1000)),
            point(1, Table::InputRegister, 0, NumberKind::F64, ms(1000)),
            point(2, Table::InputRegister, 0, NumberKind::U16, Duration::ZERO),
            point(3, Table::InputRegister, 65_534, NumberKind::U32, ms(1000)),
        ];
        let mut narrow = device(1, points);
        narrow.registers_max = 2;
        let errors = plan(&bus(tcp(), vec![narrow])).unwrap_err();
        assert!(matches!(
            errors[..],
            [
                PlanError::PastTheEnd { start: 65_535, width: 2, .. },
                PlanError::WiderThanReply { width: 4, registers_max: 2, .. },
                PlanError::NoPeriod { start: 0, .. }
            ]
        ));
        assert!(errors[1].to_string().contains("raise registers_max to at least 4"));
    }

    proptest! {
        #[test]
        fn every_point_is_read_once_within_the_limits(
            addresses in proptest::collection::vec((0u16..400, 0u8..2, 1u64..3), 1..80),
            registers_max in 2u16..130, gap_max in 0u16..20,
        ) {
            let kinds = [NumberKind::U16, NumberKind::I32];
            let points = addresses.iter().enumerate().map(|(i, &(index, kind, s))| {
                point(i as u32, Table::InputRegister, index, kinds[usize::from(kind)], ms(1000 * s))
            });
            let mut device = device(1, points.collect());
            device.registers_max = registers_max;
            device.gap_max = gap_max;
            let plan = plan(&bus(tcp(), vec![device.clone()])).unwrap();
            let mut served: Vec<_> = plan.requests.iter().flat_map(|r| r.points.clone()).collect();
            served.sort_unstable();
            prop_assert_eq!(served, (0..device.points.len()).collect::<Vec<_>>());
            for request in &plan.requests {
                prop_assert!(request.quantity <= registers_max.min(125));
                let mut wanted = vec![false; request.quantity.into()];
                for &place in &request.points {
                    let point = &device.points[place];
                    prop_assert_eq!(point.period, request.period);
                    let from = usize::from(point.address.index - request.start);
                    wanted[from..from + usize::from(width(point))].fill(true);
                }
                prop_assert!(wanted[0] && wanted[wanted.len() - 1], "reads no more than needed");
                let widest = wanted.split(|w| *w).map(<[bool]>::len).max().unwrap_or(0);
                prop_assert!(widest <= usize::from(gap_max));
            }
        }
    }
}
