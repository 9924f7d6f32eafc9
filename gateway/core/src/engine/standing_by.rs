//! Buses that another box polls: their probes have no values here, their alarms are silent by design, their sumps are not
//! estimated, until this box polls them.

use super::{Engine, Input};
use crate::acquire::settings::BusSettings;
use crate::alarm::condition::Fault;
use crate::alarm::settings::FaultKey;
use crate::model::{BusIndex, Fault as Missing, Now, ProbeIndex, Raw, RawReading, SumpIndex, Timestamp};

impl Engine {
    /// Another box polls `bus` from now on, or no longer.
    pub(super) fn stand_by(&mut self, now: Now, bus: BusIndex, stands_by: bool) {
        let before = self.elsewhere.contains_key(&bus);
        if before == stands_by {
            return;
        }
        let settings = &self.settings.buses[bus.slot()];
        let key = FaultKey { fault: Fault::Bus, of: settings.name.to_string() };
        let probes = probes_of(settings);
        if stands_by {
            self.elsewhere.insert(bus, now.utc);
            // Whether it can be reached is the other box's to know.
            self.alarms.observe_fault(now, &key, false, "", &mut self.transitions);
        } else {
            self.elsewhere.remove(&bus);
        }
        self.alarms.read_elsewhere(now, &probes, stands_by, &mut self.transitions);
        for sump in (0..).take(self.sumps.len()) {
            self.rest_limits(now, SumpIndex(sump));
        }
        if stands_by {
            let at = now.utc.floor_to_millis();
            let raw = Raw::Fault(Missing::StandingBy);
            let reading = |probe| RawReading { probe, at, received: now.uptime, raw };
            let readings: Vec<RawReading> = probes.into_iter().map(reading).collect();
            self.handle(now, Input::Readings(&readings));
        }
    }

    /// Since when another box polls probes of this sump; none if this one does.
    pub(super) fn is_elsewhere(&self, sump: SumpIndex) -> Option<Timestamp> {
        let touches = |bus: &&BusIndex| {
            let probes = probes_of(&self.settings.buses[bus.slot()]);
            probes.iter().any(|probe| self.settings.probes[probe.slot()].sump == sump)
        };
        self.elsewhere.keys().find(touches).map(|bus| self.elsewhere[bus])
    }
}

fn probes_of(bus: &BusSettings) -> Vec<ProbeIndex> {
    bus.devices.iter().flat_map(|device| device.points.iter().map(|point| point.probe)).collect()
}
