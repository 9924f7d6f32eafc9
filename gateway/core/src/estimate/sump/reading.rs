//! What is asked for, read off the belief: values with 90 % intervals and a quality.

use super::{Belief, EstimateKind, Now, Quality, Reason, Status, Sump, at, both};
use crate::estimate::trend::{Confidence, normal_quantile};
use crate::model::DeviceStatus;

/// Two-sided 90 % point of the normal distribution.
pub(super) const Z90: f64 = Confidence::NINETY.z();

/// How far evaporation and drag-out of one moment lie from their hour-to-hour mean, logarithmic (jobs and air differ;
/// common practice, no source).
const MOMENT: (f64, f64) = (0.2, 0.35);

/// A source that has been silent for this long is missed, hours.
const MISSED_H: f64 = 2.0;

/// An estimate with its 90 % interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Estimate {
    /// Value in the unit of its kind.
    pub value: f64,
    /// Lower end of the 90 % interval.
    pub low90: f64,
    /// Upper end of the 90 % interval.
    pub high90: f64,
    /// How good and why.
    pub quality: Quality,
}

/// What is believed of a sump at one instant, for all that is read off it.
#[derive(Clone, PartialEq, Debug)]
pub struct Look {
    pub(super) now: Now,
    /// None before anything is believed.
    pub(super) belief: Option<Box<Belief>>,
}

/// Every estimate of a sump, in the order of [`EstimateKind::ALL`], or why there is none.
pub type Estimates = [Result<Estimate, Quality>; EstimateKind::ALL.len()];

impl Sump {
    /// Every estimate as of `now`.
    pub fn estimates(&self, now: Now) -> Estimates {
        self.estimates_in(&self.look(now))
    }

    /// Every estimate as of a look at it.
    pub fn estimates_in(&self, look: &Look) -> Estimates {
        let Some(belief) = &look.belief else {
            return [Err(self.nothing_yet()); EstimateKind::ALL.len()];
        };
        let now_h = self.hours(look.now.uptime);
        std::array::from_fn(|i| {
            let kind = EstimateKind::ALL[i];
            let (value, low90, high90) = self.interval(kind, belief);
            let quality = self.quality_of(kind, now_h).worst(self.beyond_jar(kind, value));
            Ok(Estimate { value, low90, high90, quality })
        })
    }

    /// Every estimate as of the latest reading.
    pub fn latest(&self) -> Estimates {
        self.estimates_in(&self.latest_look())
    }

    fn nothing_yet(&self) -> Quality {
        if self.settings.probes.level[0].is_none() && self.settings.probes.conductivity.is_none() {
            return Quality::new(Status::BadNoData, DeviceStatus::Normal, Reason::FewerSources);
        }
        Quality::WAITING
    }

    /// What it lacks (the conductivity for what is dissolved, the level for what is there), or the worst of what it rests on.
    fn quality_of(&self, kind: EstimateKind, now_h: f64) -> Quality {
        const FEWER: Quality =
            Quality::new(Status::UncertainSubNormal, DeviceStatus::Normal, Reason::FewerSources);
        let missed = |seen_h: f64| now_h - seen_h > MISSED_H;
        let level = missed(self.tracker.seen.level_h);
        let conductivity = missed(self.tracker.seen.conductivity_h);
        let by_level_only = matches!(kind, EstimateKind::Liquid | EstimateKind::Room | EstimateKind::Holdup);
        let lacks = level || (conductivity && !by_level_only);
        let heard = self.heard.conductivity.filter(|_| !by_level_only);
        let in_use = self.heard.level.into_iter().chain([heard]).flatten();
        in_use
            .filter(|(at_h, _)| !missed(*at_h))
            .fold(if lacks { FEWER } else { Quality::GOOD }, |worst, (_, quality)| worst.worst(quality))
    }

    /// Whether a concentration lies where nobody has tested how the fluid conducts.
    fn beyond_jar(&self, kind: EstimateKind, value: f64) -> Quality {
        const BEYOND: Quality = Quality::new(
            Status::UncertainEngineeringUnitsExceeded,
            DeviceStatus::Normal,
            Reason::OutsideCurve,
        );
        let [least, most] = self.plant.jar_percent;
        let beyond = kind == EstimateKind::Concentration && !(least..=most).contains(&value);
        if beyond { BEYOND } else { Quality::GOOD }
    }

    fn interval(&self, kind: EstimateKind, belief: &Belief) -> (f64, f64, f64) {
        let full_l = self.plant.expected.full_l;
        let symmetric = |(value, deviation): (f64, f64)| {
            let value = value.max(0.0);
            (value, (value - Z90 * deviation).max(0.0), value + Z90 * deviation)
        };
        let number = |i: usize| (belief.mean[i], belief.deviation(i));
        match kind {
            EstimateKind::Concentration => symmetric(belief.concentration()),
            EstimateKind::Hardness => skewed(belief.hardness()),
            EstimateKind::Liquid => symmetric(number(at::LIQUID)),
            EstimateKind::ChipSolids => {
                let (value, deviation) = number(at::CHIPS);
                at_least_nothing(value, both(deviation, 0.003 * full_l))
            }
            EstimateKind::Holdup => match self.tracker.is_running() {
                Some(false) => symmetric((0.0, 0.01 * full_l)),
                Some(true) => {
                    let (value, deviation) = number(at::HOLDUP);
                    symmetric((value, both(deviation, 0.015 * value)))
                }
                None => {
                    let (value, deviation) = number(at::HOLDUP);
                    let duty = self.tracker.pump.duty;
                    let bernoulli = value * (duty * (1.0 - duty)).sqrt();
                    symmetric((duty * value, both(deviation, bernoulli)))
                }
            },
            EstimateKind::Evaporation => {
                let (running, idle) = (at::EVAPORATION_RUNNING, at::EVAPORATION_IDLE);
                self.of_rates(belief, [(running, true), (idle, false)], MOMENT.0)
            }
            EstimateKind::DragOut => {
                self.of_rates(belief, [(at::DRAGOUT, true), (at::DRAGOUT, true)], MOMENT.1)
            }
            EstimateKind::Room => {
                let room = full_l - belief.content(0.0);
                let deviation = (belief.variance(at::LIQUID)
                    + belief.variance(at::CHIPS)
                    + 2.0 * belief.cov[at::LIQUID][at::CHIPS])
                    .max(0.0)
                    .sqrt();
                (room, room - Z90 * deviation, room + Z90 * deviation)
            }
        }
    }

    /// A rate of this moment: of those that apply while the pumps run or while they stand.
    fn of_rates(&self, belief: &Belief, rates: [(usize, bool); 2], moment: f64) -> (f64, f64, f64) {
        let running = self.tracker.is_running();
        let share = running.map_or(self.tracker.pump.duty, |running| f64::from(u8::from(running)));
        let only_running = rates[0].0 == rates[1].0;
        let dries = if rates[0].0 == at::DRAGOUT { 1.0 } else { self.tracker.drying() };
        let part = |i: usize, weight: f64| (weight * dries * belief.rate(i), belief.deviation(i));
        let (first, second) =
            (part(rates[0].0, share), part(rates[1].0, if only_running { 0.0 } else { 1.0 - share }));
        let value = first.0 + second.0;
        if value <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        let relative = (first.0 * first.1 + second.0 * second.1) / value;
        let spread = libm::exp(Z90 * both(relative, moment));
        (value, value / spread, value * spread)
    }
}

/// Logarithm of the widest factor an interval is told with.
const SKEW_MAX: f64 = 4.605;

/// An interval that cannot reach zero: the same factor to both sides.
fn skewed((value, deviation): (f64, f64)) -> (f64, f64, f64) {
    // A factor of a hundred says as plainly that nobody knows as an infinite one.
    let factor = libm::exp((Z90 * deviation / value.max(1e-9)).min(SKEW_MAX));
    (value, value / factor, value * factor)
}

/// Mean and 90 % interval of a normal belief cut off at zero.
fn at_least_nothing(mean: f64, deviation: f64) -> (f64, f64, f64) {
    if deviation <= 0.0 {
        return (mean.max(0.0), mean.max(0.0), mean.max(0.0));
    }
    let below = cumulative(-mean / deviation);
    let quantile = |p: f64| mean + deviation * normal_quantile(below + p * (1.0 - below));
    let density = libm::exp(-0.5 * (mean / deviation) * (mean / deviation)) / std::f64::consts::TAU.sqrt();
    let value = mean + deviation * density / (1.0 - below).max(1e-9);
    (value.max(0.0), quantile(0.05).max(0.0), quantile(0.95).max(0.0))
}

/// Standard normal distribution.
fn cumulative(x: f64) -> f64 {
    0.5 * libm::erfc(-x / std::f64::consts::SQRT_2)
}
