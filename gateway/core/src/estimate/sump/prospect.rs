//! The belief about a sump to what lies ahead of it: days until a limit, and where it all leads.
//!
//! The rates of the last week are taken to go on: evaporation and drag-out at the week's share of running pumps and at its
//! temperatures, top-ups of the strength people usually mix, with the water at hand. What is believed of them, and what
//! ties them together, goes into the interval to first order. Top-ups are taken to come evenly, though they come in lots;
//! over days that is the same. What people will do otherwise is not known here.

use super::super::belief::{Belief, at};
use super::super::outlook::{Balance, Bound, Crossing, Losses, Plateau, Spread, crossing};
use super::reading::Z90;
use super::{Look, Now, Sump};

/// How far the losses of the weeks to come lie from those of the last one: evaporation and drag-out, as a part of them
/// (jobs and weather; common practice, no source).
const AHEAD: [f64; 2] = [0.1, 0.15];

/// How long [`Drying`] remembers, hours.
const WEEK_H: f64 = 7.0 * 24.0;

/// A mean with its standard deviation.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Known {
    /// Mean.
    pub value: f64,
    /// Standard deviation.
    pub deviation: f64,
}

impl Known {
    /// Both ends of the 90 % interval, not under 0.
    pub fn interval(self) -> (f64, f64) {
        let within = self.within();
        ((self.value - within).max(0.0), self.value + within)
    }

    /// Half the width of the 90 % interval.
    pub fn within(self) -> f64 {
        Z90 * self.deviation
    }
}

/// How fast the surface dried over about a week, over the usual: while the pumps ran and while they stood. A sump is warmer
/// at work, and a forecast made at night would know only the night.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Drying {
    seen_h: Option<f64>,
    /// Sums of hours, and of hours times drying, fading.
    hours: [f64; 2],
    dried: [f64; 2],
}

impl Drying {
    fn see(&mut self, now_h: f64, shares: [f64; 2], drying: f64) {
        let hours = self.seen_h.map_or(0.0, |before| (now_h - before).clamp(0.0, 1.0));
        self.seen_h = Some(now_h);
        let fading = libm::exp(-hours / WEEK_H);
        for (i, share) in shares.into_iter().enumerate() {
            self.hours[i] = self.hours[i] * fading + share * hours;
            self.dried[i] = self.dried[i] * fading + share * hours * drying;
        }
    }

    /// Running and idle; what was not seen yet is taken from the other, and from `present` before anything was seen.
    fn means(&self, present: f64) -> [f64; 2] {
        let mean = |i: usize| (self.hours[i] > 0.0).then(|| self.dried[i] / self.hours[i]);
        [0, 1].map(|i| mean(i).or(mean(1 - i)).unwrap_or(present))
    }
}

/// What the belief does not hold of a sump's days.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Days {
    /// Share of the time the pumps run.
    duty: f64,
    /// Evaporation over the usual, running and idle.
    drying: [f64; 2],
    full_l: f64,
    /// Hardness of the top-up water by its analysis, mg/L.
    water_mg_l: f64,
    /// Concentrate used up, part a day.
    depletion_day: f64,
}

/// What lies ahead of a sump.
#[derive(Clone, PartialEq, Debug)]
pub struct Prospect {
    /// Concentration now, percent.
    pub percent: Known,
    /// Hardness now, mg/L as CaCO3.
    pub hardness_mg_l: Known,
    /// Liquid in tank, lines and machine, L.
    pub liquid_l: Known,
    /// Litres that fit under the fill mark once the pumps stand; under 0 where there is too much.
    pub room_l: Known,
    /// Runs back when the pumps stop, L.
    pub holdup_l: Known,
    /// Coolant that nobody accounts for, L/d; part of the drag-out below.
    pub leak_l_d: Known,
    /// Water that evaporates, L/d.
    pub evaporation_l_d: Known,
    /// Coolant that leaves as it is, L/d.
    pub dragout_l_d: Known,
    /// Strength of top-ups, percent.
    pub makeup_percent: Known,
    /// Hardness of the water they are made with, mg/L as CaCO3.
    pub water_mg_l: Known,
    hardness: Ahead,
    concentration: Ahead,
}

/// One quantity's balance and how unsure it is.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Ahead {
    balance: Balance,
    losses: Losses,
    spread: Spread,
}

/// A number worked out from the state, with how it changes with each number of the state.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Derived {
    value: f64,
    slopes: [f64; at::COUNT],
    /// Bit i is set where slope i may be other than 0: few of them are, and only those are gone through.
    used: u32,
}

const _: () = assert!(at::COUNT <= 32, "one bit a number of the state");

impl Derived {
    fn new(value: f64, slopes: &[(usize, f64)]) -> Self {
        let mut all = [0.0; at::COUNT];
        let mut used = 0;
        for &(i, slope) in slopes {
            all[i] += slope;
            used |= 1 << i;
        }
        Self { value, slopes: all, used }
    }

    fn plus(mut self, part: f64, other: &Self) -> Self {
        self.value += part * other.value;
        for i in other.places() {
            self.slopes[i] += part * other.slopes[i];
        }
        self.used |= other.used;
        self
    }

    fn covariance(&self, other: &Self, belief: &Belief) -> f64 {
        let row = |line: &[f64; at::COUNT]| other.places().map(|j| line[j] * other.slopes[j]).sum::<f64>();
        self.places().map(|i| self.slopes[i] * row(&belief.cov[i])).sum()
    }

    /// Numbers of the state it changes with, in their order.
    fn places(&self) -> impl Iterator<Item = usize> + use<> {
        let mut left = self.used;
        std::iter::from_fn(move || {
            let place = left.trailing_zeros();
            left &= left.checked_sub(1)?;
            Some(place as usize)
        })
    }

    fn known(&self, belief: &Belief) -> Known {
        Known { value: self.value, deviation: self.covariance(self, belief).max(0.0).sqrt() }
    }
}

/// Amount per litre of the liquid.
fn per_litre(belief: &Belief, of: usize, scale: f64) -> Derived {
    let liquid = belief.mean[at::LIQUID];
    let value = scale * belief.mean[of] / liquid;
    Derived::new(value, &[(of, scale / liquid), (at::LIQUID, -value / liquid)])
}

/// A number of the state itself.
fn plain(belief: &Belief, i: usize) -> Derived {
    Derived::new(belief.mean[i], &[(i, 1.0)])
}

/// Coolant that nobody accounts for, L/d.
fn leak(belief: &Belief) -> Derived {
    Derived::new(24.0 * belief.mean[at::LEAK].max(0.0), &[(at::LEAK, 24.0)])
}

/// Litres that fit under the fill mark once the pumps stand.
fn room(belief: &Belief, full_l: f64) -> Derived {
    Derived::new(full_l - belief.content(0.0), &[(at::LIQUID, -1.0), (at::CHIPS, -1.0)])
}

/// Evaporation, drag-out with any leak, and the leak, L/d.
fn losses(belief: &Belief, days: &Days) -> (Derived, Derived, Derived) {
    let running = 24.0 * days.duty * days.drying[0] * belief.rate(at::EVAPORATION_RUNNING);
    let idle = 24.0 * (1.0 - days.duty) * days.drying[1] * belief.rate(at::EVAPORATION_IDLE);
    let carried = 24.0 * days.duty * belief.rate(at::DRAGOUT);
    let leak = leak(belief);
    (
        Derived::new(running + idle, &[(at::EVAPORATION_RUNNING, running), (at::EVAPORATION_IDLE, idle)]),
        Derived::new(carried, &[(at::DRAGOUT, carried)]).plus(1.0, &leak),
        leak,
    )
}

/// The balance of a quantity of which `lost` (L/d of the liquid's share) goes beside what is carried off, without any liquid
/// going: as if that much more were carried off and less evaporated, for then as much is topped up.
fn ahead(
    belief: &Belief,
    now: &Derived,
    losses: (&Derived, &Derived),
    lost: &Derived,
    makeup: &Derived,
) -> Option<Ahead> {
    let liquid = plain(belief, at::LIQUID);
    let (evaporation, dragout) = (losses.0.plus(-1.0, lost), losses.1.plus(1.0, lost));
    let inputs = [now, &liquid, &evaporation, &dragout, makeup];
    let mut covariance = inputs.map(|a| inputs.map(|b| a.covariance(b, belief)));
    for (i, loss, part) in [(2, losses.0, AHEAD[0]), (3, losses.1, AHEAD[1])] {
        covariance[i][i] += part * part * loss.value * loss.value;
    }
    let losses = Losses { evaporation_l_d: evaporation.value.max(0.0), dragout_l_d: dragout.value.max(0.0) };
    Some(Ahead {
        balance: Balance::new(now.value.max(0.0), liquid.value, losses, makeup.value.max(0.0)).ok()?,
        losses,
        spread: Spread::covariance(covariance).ok()?,
    })
}

impl Prospect {
    /// None for a belief that makes no sump.
    fn of(belief: &Belief, days: &Days) -> Option<Self> {
        let (percent, hardness) =
            (per_litre(belief, at::CONCENTRATE, 100.0), per_litre(belief, at::HARDNESS, 1000.0));
        let liquid = plain(belief, at::LIQUID);
        let (evaporation, dragout, leak) = losses(belief, days);
        let mix = plain(belief, at::USUAL_MIX);
        let water_mg_l = days.water_mg_l * libm::exp(belief.mean[at::WATER]);
        let water = Derived::new(water_mg_l, &[(at::WATER, water_mg_l)]);
        let share = (1.0 - mix.value / 100.0).clamp(0.0, 1.0);
        let makeup_mg_l = Derived::new(
            share * water_mg_l,
            &[(at::WATER, share * water_mg_l), (at::USUAL_MIX, -water_mg_l / 100.0)],
        );
        // As hard as the sump is now; a harder one loses a greater part.
        let scum = belief.scum_an_hour();
        let [scum_l_d, more_l_d] = [scum.part, scum.more].map(|part| 24.0 * part * liquid.value);
        let per_g = more_l_d / belief.mean[at::HARDNESS];
        let scum = Derived::new(scum_l_d, &[(at::HARDNESS, per_g), (at::SCUM, scum_l_d)]);
        let used_up = Derived::new(0.0, &[]).plus(days.depletion_day, &liquid);
        let flows = (&evaporation, &dragout);
        let room = room(belief, days.full_l);
        Some(Self {
            hardness: ahead(belief, &hardness, flows, &scum, &makeup_mg_l)?,
            concentration: ahead(belief, &percent, flows, &used_up, &mix)?,
            percent: percent.known(belief),
            hardness_mg_l: hardness.known(belief),
            liquid_l: liquid.known(belief),
            room_l: room.known(belief),
            holdup_l: plain(belief, at::HOLDUP).known(belief),
            leak_l_d: leak.known(belief),
            evaporation_l_d: evaporation.known(belief),
            dragout_l_d: dragout.known(belief),
            makeup_percent: mix.known(belief),
            water_mg_l: water.known(belief),
        })
    }

    /// Days until the hardness rises to a limit, mg/L as CaCO3.
    pub fn days_to_hardness(&self, limit_mg_l: f64) -> Crossing {
        crossing(&self.hardness.balance, &self.hardness.spread, limit_mg_l, Bound::NotOver)
    }

    /// Days until the concentration reaches a limit, percent.
    pub fn days_to_concentration(&self, limit_percent: f64, bound: Bound) -> Crossing {
        crossing(&self.concentration.balance, &self.concentration.spread, limit_percent, bound)
    }

    /// Hardness the sump tends to, mg/L as CaCO3.
    pub fn plateau_mg_l(&self) -> Plateau {
        self.hardness.balance.plateau()
    }

    /// Concentration the sump tends to, percent.
    pub fn plateau_percent(&self) -> Plateau {
        self.concentration.balance.plateau()
    }

    /// Losses as hardness feels them: scum counts as carried off.
    pub fn hardness_losses(&self) -> Losses {
        self.hardness.losses
    }

    /// Losses as concentrate feels them: what is used up counts as carried off.
    pub fn concentrate_losses(&self) -> Losses {
        self.concentration.losses
    }
}

impl Look {
    /// Coolant that nobody accounts for, L/d, if anything is believed yet.
    pub fn leak_l_d(&self) -> Option<Known> {
        self.belief.as_deref().map(|belief| leak(belief).known(belief))
    }
}

impl Sump {
    /// What lies ahead as of a look at it, if anything is believed yet. `drying` is what [`Sump::watch_drying`] gathered.
    pub fn prospect_in(&self, look: &Look, drying: &Drying) -> Option<Prospect> {
        let belief = look.belief.as_deref()?;
        let days = Days {
            duty: self.tracker.pump.duty,
            drying: drying.means(self.tracker.drying()),
            full_l: self.plant.expected.full_l,
            water_mg_l: self.plant.water.hardness_mg_l,
            depletion_day: 24.0 * belief.rate(at::DEPLETION),
        };
        Prospect::of(belief, &days)
    }

    /// Litres that fit under the fill mark once the pumps stand, if anything is believed yet; under 0 where there is too much.
    pub fn room_in(&self, look: &Look) -> Option<Known> {
        look.belief.as_deref().map(|belief| room(belief, self.plant.expected.full_l).known(belief))
    }

    /// Lets `drying` know how fast the surface dries now. To be called every now and then, at least once an hour.
    pub fn watch_drying(&self, now: Now, drying: &mut Drying) {
        let running =
            self.tracker.is_running().map_or(self.tracker.pump.duty, |runs| f64::from(u8::from(runs)));
        drying.see(self.hours(now.uptime), [running, 1.0 - running], self.tracker.drying());
    }

    /// Whether the pumps run, as far as anybody knows.
    pub fn is_running(&self) -> Option<bool> {
        self.tracker.is_running()
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A sump that is known to the last digit.
    #[derive(Clone, Copy, Debug)]
    pub(in super::super) struct Sample {
        pub(in super::super) full_l: f64,
        pub(in super::super) litres: f64,
        pub(in super::super) evaporation_l_d: f64,
        pub(in super::super) dragout_l_d: f64,
        pub(in super::super) leak_l_d: f64,
        pub(in super::super) water_mg_l: f64,
        pub(in super::super) hardness_mg_l: f64,
        pub(in super::super) percent: f64,
        pub(in super::super) mix_percent: f64,
        pub(in super::super) holdup_l: f64,
    }

    impl Sample {
        fn belief(&self) -> Belief {
            let mut mean = [0.0; at::COUNT];
            mean[at::LIQUID] = self.litres;
            mean[at::HARDNESS] = self.litres * self.hardness_mg_l / 1000.0;
            mean[at::CONCENTRATE] = self.litres * self.percent / 100.0;
            mean[at::EVAPORATION_RUNNING] = libm::log(self.evaporation_l_d / 24.0);
            mean[at::EVAPORATION_IDLE] = mean[at::EVAPORATION_RUNNING];
            mean[at::DRAGOUT] = libm::log(self.dragout_l_d / 12.0);
            mean[at::LEAK] = self.leak_l_d / 24.0;
            mean[at::SCUM] = -1000.0;
            mean[at::USUAL_MIX] = self.mix_percent;
            mean[at::HOLDUP] = self.holdup_l;
            Belief::independent(mean, [0.0; at::COUNT])
        }
    }

    /// What lies ahead of a sample, with these numbers of the state unsure by a standard deviation.
    pub(in super::super) fn sample(of: &Sample, unsure: &[(usize, f64)]) -> Prospect {
        let mut belief = of.belief();
        for &(i, deviation) in unsure {
            belief.widen(i, deviation * deviation);
        }
        Prospect::of(&belief, &Days { full_l: of.full_l, ..days(of.water_mg_l) }).unwrap()
    }

    /// Evaporation and drag-out a day, hardness of the top-up water and of the sump, strength of top-ups and of the sump.
    fn belief(litres: f64, losses: (f64, f64), mg_l: (f64, f64), percent: (f64, f64)) -> Belief {
        let of = Sample {
            full_l: 250.0,
            litres,
            evaporation_l_d: losses.0,
            dragout_l_d: losses.1,
            leak_l_d: 0.0,
            water_mg_l: mg_l.0,
            hardness_mg_l: mg_l.1,
            percent: percent.1,
            mix_percent: percent.0,
            holdup_l: 0.0,
        };
        of.belief()
    }

    fn days(water_mg_l: f64) -> Days {
        Days { duty: 0.5, drying: [1.0; 2], full_l: 250.0, water_mg_l, depletion_day: 0.0 }
    }

    /// Mass balance with constant rates (`tests/vectors/mixing.toml` holds more of the same table).
    #[test]
    fn known_rates_give_the_day_of_the_table() {
        for (litres, losses, makeup, start, at_d, then) in [
            (200.0, (8.0, 2.0), 150.0, 150.0, 28.0, 296.529_755),
            (200.0, (8.0, 2.0), 250.0, 250.0, 7.0, 317.606_18),
            (200.0, (8.0, 2.0), 250.0, 250.0, 90.0, 843.430_34),
            (400.0, (12.0, 6.0), 200.0, 200.0, 56.0, 427.315_791),
        ] {
            let belief = belief(litres, losses, (makeup, start), (0.0, 5.0));
            let prospect = Prospect::of(&belief, &days(makeup)).unwrap();
            let got = prospect.days_to_hardness(then);
            assert!((got.days - at_d).abs() < 1e-5 * at_d, "{got:?}");
            let Plateau::At(plateau) = prospect.plateau_mg_l() else { panic!("{prospect:?}") };
            assert!((plateau - makeup * (losses.0 + losses.1) / losses.1).abs() < 1e-6, "{plateau}");
            assert!(
                got.low90 < got.days && got.days < got.high90,
                "the weeks to come are not the last one: {got:?}"
            );
        }
    }

    #[test]
    fn concentration_falls_with_plain_water_and_rises_with_strong_top_ups() {
        for (mix, at_d, then, bound) in
            [(0.0, 14.0, 6.954_866, Bound::NotUnder), (4.0, 28.0, 10.930_595, Bound::NotOver)]
        {
            let belief = belief(200.0, (8.0, 2.0), (150.0, 150.0), (mix, 8.0));
            let prospect = Prospect::of(&belief, &days(150.0)).unwrap();
            let got = prospect.days_to_concentration(then, bound);
            assert!((got.days - at_d).abs() < 1e-4, "{got:?}");
        }
    }

    #[test]
    fn scum_takes_hardness_but_no_liquid() {
        let mut belief = belief(200.0, (8.0, 2.0), (150.0, 150.0), (0.0, 5.0));
        let without = Prospect::of(&belief, &days(150.0)).unwrap();
        // A quarter of it: from no scum on, so far on the way to the hardness that a rate holds at.
        belief.mean[at::SCUM] = libm::log(0.02 / 24.0);
        let with = Prospect::of(&belief, &days(150.0)).unwrap();
        // 0.5 % of 200 L a day is as much as another litre carried off: 150 · 10 / 3.
        assert_eq!(without.hardness_losses().makeup_l_d(), with.hardness_losses().makeup_l_d());
        let Plateau::At(plateau) = with.plateau_mg_l() else { panic!("{with:?}") };
        assert!((plateau - 500.0).abs() < 1e-6, "{plateau}");
        assert!(with.days_to_hardness(300.0).days > without.days_to_hardness(300.0).days);
    }

    /// First order in logarithms: a rate that is known within a tenth moves the loss by a tenth.
    #[test]
    fn what_is_unsure_of_the_rates_comes_out_again() {
        let mut belief = belief(200.0, (8.0, 2.0), (150.0, 150.0), (0.0, 5.0));
        belief.widen(at::DRAGOUT, 0.1 * 0.1);
        belief.widen(at::LEAK, 0.01 * 0.01);
        let prospect = Prospect::of(&belief, &days(150.0)).unwrap();
        let expected = (0.04 * 1.01 + 0.24 * 0.24_f64).sqrt();
        assert!((prospect.dragout_l_d.deviation - expected).abs() < 2e-3, "{prospect:?}");
        assert!(prospect.evaporation_l_d.deviation < 1e-9);
        let sure =
            Prospect::of(&self::belief(200.0, (8.0, 2.0), (150.0, 150.0), (0.0, 5.0)), &days(150.0)).unwrap();
        let width = |p: &Prospect| p.days_to_hardness(500.0).high90 - p.days_to_hardness(500.0).low90;
        assert!(width(&prospect) > 1.1 * width(&sure), "{} {}", width(&prospect), width(&sure));
    }

    #[test]
    fn a_night_does_not_pass_for_the_week() {
        let mut drying = Drying::default();
        assert_eq!(drying.means(1.3), [1.3, 1.3], "nothing seen yet");
        drying.see(0.0, [1.0, 0.0], 9.0);
        for hour in 1..=24 {
            let running = if hour <= 8 { 1.0 } else { 0.0 };
            drying.see(f64::from(hour), [running, 1.0 - running], if hour <= 8 { 1.6 } else { 0.7 });
        }
        let [running, idle] = drying.means(0.7);
        assert!((running - 1.6).abs() < 1e-9 && (idle - 0.7).abs() < 1e-9, "{running} {idle}");
    }
}
