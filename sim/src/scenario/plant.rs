//! A scenario's world and probes together, at one moment.

use std::time::Duration;

use super::Scenario;
use crate::probe::{Attention, Probe, RawSample, Trouble};
use crate::rng::Rng;
use crate::world::{Event, EventKind, World};

/// A running shop without its wires.
#[derive(Clone, Debug)]
pub struct Plant {
    world: World,
    /// Place of the sump, and the probe.
    probes: Vec<(usize, Probe)>,
}

impl Plant {
    /// The shop at its start.
    pub fn new(scenario: &Scenario) -> Self {
        let world = World::new(
            scenario.hall,
            scenario.sumps.clone(),
            scenario.script.clone(),
            scenario.start,
            scenario.seed,
        );
        let probes = scenario.probes.iter().enumerate().map(|(i, plan)| {
            let seed = Rng::of(scenario.seed, &scenario.source(i)).bits();
            (plan.sump, Probe::new(plan.setup.clone(), scenario.start, seed))
        });
        Self { world, probes: probes.collect() }
    }

    /// The world.
    pub fn world(&self) -> &World {
        &self.world
    }

    /// The world, to make things happen in it.
    pub fn world_mut(&mut self) -> &mut World {
        &mut self.world
    }

    /// Moves time on.
    pub fn step(&mut self, dt: Duration) {
        self.world.step(dt);
    }

    /// What happened so far in the sumps and to the probes, in order of time.
    pub fn events(&self) -> Vec<Event> {
        let now = self.world.now();
        let mut events = self.world.events().to_vec();
        for (place, (sump, probe)) in self.probes.iter().enumerate() {
            let troubles = probe.setup().troubles.iter().map(|&(from, to, trouble)| {
                let kind = match trouble {
                    Trouble::Frozen => EventKind::ProbeFrozen { probe: place, to },
                    _ => EventKind::ProbeTroubled { probe: place, to },
                };
                Event { at: from, sump: *sump, kind }
            });
            let attentions = probe.setup().attentions.iter().map(|&(at, attention)| {
                let kind = match attention {
                    Attention::Wiped(_) => EventKind::ProbeWiped { probe: place },
                    Attention::Swapped(_) => EventKind::ProbeSwapped { probe: place },
                };
                Event { at, sump: *sump, kind }
            });
            events.extend(troubles.chain(attentions).filter(|event| event.at <= now));
        }
        events.sort_by_key(|event| event.at);
        events
    }

    /// What every probe delivers now, in the order of [`Scenario::probes`]; `None` where nothing comes.
    pub fn sample(&mut self) -> Vec<Option<RawSample>> {
        let now = self.world.now();
        let truths: Vec<_> = (0..self.world.sumps().len()).map(|sump| self.world.truth(sump)).collect();
        self.probes.iter_mut().map(|(sump, probe)| probe.sample(now, &truths[*sump])).collect()
    }
}
