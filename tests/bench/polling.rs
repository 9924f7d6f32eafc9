//! The gateway's own acquisition and conversion, and nothing after them: the daemon's bus actors on one thread as in the
//! daemon, their readings converted and let go.

use std::error::Error;
use std::rc::Rc;
use std::time::Duration;

use sumpwarden::edge::clock::{Clock, PreciseTimer};
use sumpwarden::edge::modbus::{BUS_REPORTS_MAX, BusCounters, BusReport, run_bus};
use sumpwarden_core::acquire::plan::plan;
use sumpwarden_core::acquire::settings::{BusLink, BusSettings, DeviceSettings, Point};
use sumpwarden_core::model::{BusIndex, Name, ProbeIndex, Quantity, Severity, SumpIndex};
use sumpwarden_core::signal::Signals;
use sumpwarden_core::signal::settings::{Accuracy, InputStage, Line, ProbeSettings, SensorStage};
use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_protocol::words::{Encoding, NumberKind};
use tokio::sync::{mpsc, watch};
use tokio::task::LocalSet;

use crate::wire::{REGISTERS, UNIT_ID};

/// Reports taken at once.
const REPORTS_AT_ONCE: usize = 64;

/// Polls the devices behind `ports` every `period` until it is killed.
pub(crate) fn poll_for_ever(ports: &[u16], period: Duration) -> Result<(), Box<dyn Error>> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    LocalSet::new().block_on(&runtime, async move {
        let timer = PreciseTimer::start(Clock)?;
        let (reports, mut received) = mpsc::channel(BUS_REPORTS_MAX);
        // Never sent on: the process is killed when enough is known.
        let (_stop, shutdown) = watch::channel(false);
        let probes = (0..ports.len()).flat_map(|d| (0..REGISTERS).map(move |r| (d, r)));
        let probes = probes.map(|(d, r)| probe(d, r, period)).collect::<Result<Vec<_>, _>>()?;
        for (index, &port) in (0..).zip(ports) {
            let bus = bus(index, port, period)?;
            let plan = plan(&bus).map_err(|errors| format!("{errors:?}"))?;
            let (timer, reports, shutdown) = (timer.clone(), reports.clone(), shutdown.clone());
            let counters = Rc::new(BusCounters::default());
            tokio::task::spawn_local(async move {
                run_bus(BusIndex(index), &bus, &plan, &timer, reports, &counters, shutdown).await;
            });
        }
        let mut signals = Signals::new(&probes);
        let mut waiting = Vec::with_capacity(REPORTS_AT_ONCE);
        while received.recv_many(&mut waiting, REPORTS_AT_ONCE).await > 0 {
            let now = Clock.now();
            for report in waiting.drain(..) {
                if let BusReport::Readings { readings, .. } = report {
                    for reading in &readings {
                        let measurement = signals.convert(now, reading);
                        if measurement.measured.quality().severity() == Severity::Bad {
                            return Err(format!("a bad value: {measurement:?}").into());
                        }
                    }
                }
            }
        }
        Ok(())
    })
}

fn bus(index: u32, port: u16, period: Duration) -> Result<BusSettings, Box<dyn Error>> {
    let name = Name::new(&format!("d{index}"))?;
    Ok(BusSettings {
        name: name.clone(),
        link: BusLink::Tcp { address: format!("127.0.0.1:{port}") },
        connect_timeout: Duration::from_secs(3),
        reconnect: (Duration::from_secs(1), Duration::from_secs(10)),
        devices: vec![device(name, index, period)],
    })
}

/// A device whose registers are read in one request; it is the `index`th of all, which its probes are counted by.
pub(crate) fn device(name: Name, index: u32, period: Duration) -> DeviceSettings {
    let point = |register: u16| Point {
        probe: ProbeIndex(index * u32::from(REGISTERS) + u32::from(register)),
        address: Address::new(Table::InputRegister, register),
        encoding: Encoding::of(NumberKind::U16),
        period,
    };
    DeviceSettings {
        name,
        unit_id: UNIT_ID,
        timeout: Duration::from_secs(1),
        retries: 1,
        turnaround: Duration::ZERO,
        silent_interval: None,
        worst_reply: Duration::from_secs(1),
        registers_max: 125,
        gap_max: 4,
        points: (0..REGISTERS).map(point).collect(),
    }
}

fn probe(device: usize, register: u16, period: Duration) -> Result<ProbeSettings, Box<dyn Error>> {
    Ok(ProbeSettings {
        name: Name::new(&format!("p{register}"))?,
        sump: SumpIndex(u32::try_from(device)?),
        quantity: Quantity::Temperature,
        input_unit: None,
        input: InputStage::Scaled(Line { scale: 0.01, offset: 0.0 }),
        sensor: SensorStage::Direct,
        range: None,
        accuracy: Accuracy::default(),
        period,
        hold: Duration::from_secs(30),
        stale_after: Duration::from_secs(60),
        frozen: None,
        spike: None,
        calibration_due: None,
    })
}
