//! F7: the order of the hops. One [`Settings`] for all floors.

use std::time::Duration;

use crate::acquire::settings::{BrokerSettings, BusSettings};
use crate::alarm::settings::{InstrumentSettings, LimitSettings};
use crate::estimate::settings::SumpSettings;
use crate::signal::settings::ProbeSettings;

/// Everything the gateway is told, checked. Indices in it are places in these lists.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Settings {
    /// Buses with their devices.
    pub buses: Vec<BusSettings>,
    /// Brokers with their topics.
    pub brokers: Vec<BrokerSettings>,
    /// Probes of all sumps.
    pub probes: Vec<ProbeSettings>,
    /// Sumps.
    pub sumps: Vec<SumpSettings>,
    /// Limits of all sumps.
    pub limits: Vec<LimitSettings>,
    /// Instrument alarms, one a probe.
    pub instruments: Vec<InstrumentSettings>,
    /// How often estimates are stored and written out.
    pub estimate_every: Duration,
}
