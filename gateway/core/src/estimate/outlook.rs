//! Constant rates to days until a limit, and where it all leads.
//!
//! One balance serves hardness and concentration: a sump of constant volume V loses water by evaporation E and coolant as
//! it is by drag-out D, and is topped up with E + D of something that carries `makeup` of the quantity. With A the amount
//! per litre, dA/dt = ((E + D) · makeup − D · A) / V, so A(t) = P + (A0 − P) · exp(−D t / V) with the plateau
//! P = makeup · (E + D) / D. For hardness this is an upper bound: real sumps lose some calcium and magnesium to soap and
//! deposits. What the rates are is not known here; how unsure they are comes in and goes out again as an interval.

use std::sync::LazyLock;

use serde::Serialize;

use super::guidance::{Advice, Caution, Rule};
use super::mixing::{Input, MixError, WEAKEST_PREMIX_PERCENT, WaterBlend, blend_advice, blend_to, checked};
use super::trend::normal_quantile;

/// Why there is no outlook.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum OutlookError {
    /// A number that makes no sump.
    #[error("{what} is {value} {unit}; {cure}")]
    Wrong {
        /// Which.
        what: &'static str,
        /// What it was.
        value: f64,
        /// Its unit.
        unit: &'static str,
        /// What would be right.
        cure: &'static str,
    },
    /// The spread of the inputs is no spread.
    #[error(
        "the covariance of {first} and {second} makes no spread; each pair's lies within the product of both deviations"
    )]
    NoCovariance {
        /// One input.
        first: &'static str,
        /// The other.
        second: &'static str,
    },
    /// A water.
    #[error(transparent)]
    Water(#[from] MixError),
}

/// Litres a day that leave a sump.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Losses {
    /// Water that evaporates, L/d.
    pub evaporation_l_d: f64,
    /// Coolant that is carried off as it is, L/d.
    pub dragout_l_d: f64,
}

impl Losses {
    /// Top-up that holds the volume, L/d.
    pub fn makeup_l_d(self) -> f64 {
        self.evaporation_l_d + self.dragout_l_d
    }

    /// What top-ups may carry so that the quantity tends to `level`: level · D / (E + D). Nothing where no coolant leaves;
    /// `level` itself where nothing leaves.
    pub fn makeup_that_holds(self, level: f64) -> f64 {
        let makeup = self.makeup_l_d();
        if makeup > 0.0 { level * self.dragout_l_d / makeup } else { level }
    }

    fn checked(self) -> Result<Self, OutlookError> {
        not_negative("evaporation", self.evaporation_l_d, "L/d")?;
        not_negative("drag-out", self.dragout_l_d, "L/d")?;
        Ok(self)
    }
}

/// Names of the inputs, in the order of a covariance.
const INPUTS: [(&str, &str); 5] = [
    ("the amount now", "per L"),
    ("volume", "L"),
    ("evaporation", "L/d"),
    ("drag-out", "L/d"),
    ("the amount in the top-up", "per L"),
];

fn not_negative(what: &'static str, value: f64, unit: &'static str) -> Result<f64, OutlookError> {
    let cure = "it must be a finite number, 0 or more";
    let fits = value.is_finite() && value >= 0.0;
    if fits { Ok(value) } else { Err(OutlookError::Wrong { what, value, unit, cure }) }
}

fn positive(what: &'static str, value: f64, unit: &'static str) -> Result<f64, OutlookError> {
    let cure = "it must be a finite number over 0";
    let fits = value.is_finite() && value > 0.0;
    if fits { Ok(value) } else { Err(OutlookError::Wrong { what, value, unit, cure }) }
}

/// Where a quantity tends to.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind", content = "value")]
pub enum Plateau {
    /// To this amount.
    At(f64),
    /// It rises without end: no coolant is carried off and every top-up brings more.
    Rises,
}

/// Which side of a limit is the bad one.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bound {
    /// Too much is bad, as for hardness.
    NotOver,
    /// Too little is bad, as for concentration.
    NotUnder,
}

/// A quantity in a sump of constant volume with constant rates.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Balance {
    now: f64,
    volume_l: f64,
    losses: Losses,
    makeup: f64,
}

impl Balance {
    /// A sump of `volume_l` with `now` of a quantity (mg/L of hardness, percent of concentrate), topped up with `makeup` of
    /// it in the same unit.
    pub fn new(now: f64, volume_l: f64, losses: Losses, makeup: f64) -> Result<Self, OutlookError> {
        not_negative(INPUTS[0].0, now, INPUTS[0].1)?;
        positive(INPUTS[1].0, volume_l, INPUTS[1].1)?;
        not_negative(INPUTS[4].0, makeup, INPUTS[4].1)?;
        Ok(Self { now, volume_l, losses: losses.checked()?, makeup })
    }

    /// What comes in a day, per litre of the sump.
    fn gain(&self) -> f64 {
        self.losses.makeup_l_d() * self.makeup / self.volume_l
    }

    /// Share of the sump that is carried off a day.
    fn carried_off(&self) -> f64 {
        self.losses.dragout_l_d / self.volume_l
    }

    /// Change a day, at the start.
    pub fn rate_now(&self) -> f64 {
        self.gain() - self.carried_off() * self.now
    }

    /// Where it tends to.
    pub fn plateau(&self) -> Plateau {
        match (self.losses.dragout_l_d > 0.0, self.gain() > 0.0) {
            (true, _) => Plateau::At(self.makeup * self.losses.makeup_l_d() / self.losses.dragout_l_d),
            (false, true) => Plateau::Rises,
            (false, false) => Plateau::At(self.now),
        }
    }

    /// Days until `limit` is reached: 0 where it is passed already, infinite where it never is.
    pub fn days_until(&self, limit: f64, bound: Bound) -> f64 {
        let (away, rate) = match bound {
            Bound::NotOver => (limit - self.now, self.rate_now()),
            Bound::NotUnder => (self.now - limit, -self.rate_now()),
        };
        if away <= 0.0 {
            return 0.0;
        }
        if rate <= 0.0 {
            return f64::INFINITY;
        }
        // Days at the rate of the start, stretched by −ln(1 − u)/u: u is the way to the limit over that to the plateau.
        let straight = away / rate;
        let u = self.carried_off() * straight;
        if u >= 1.0 {
            return f64::INFINITY;
        }
        if u == 0.0 { straight } else { straight * (-libm::log1p(-u) / u) }
    }
}

/// The least share of low-mineral water in top-ups that keeps the plateau of hardness at or under a limit.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct PlateauWater {
    /// Losses it is reckoned with.
    pub losses: Losses,
    /// Limit, mg/L as CaCO3.
    pub limit_mg_l: f64,
    /// Where the water at hand alone leads to.
    pub plateau_untreated: Plateau,
    /// The waters and their share.
    pub blend: WaterBlend,
    /// Where the blend leads to.
    pub plateau: Plateau,
}

/// The share for waters of (hardness at hand, hardness of the low-mineral one), mg/L as CaCO3.
pub fn plateau_water(
    losses: Losses,
    limit_mg_l: f64,
    waters: (f64, f64),
) -> Result<Advice<PlateauWater>, OutlookError> {
    positive("the limit", limit_mg_l, "mg/L")?;
    let losses = losses.checked()?;
    let blend = blend_to(waters.0, waters.1, losses.makeup_that_holds(limit_mg_l))?;
    // The plateau depends on neither volume nor start, unless nothing leaves: then the sump stays as filled.
    let plateau = |mg_l: f64| Balance { now: mg_l, volume_l: 1.0, losses, makeup: mg_l }.plateau();
    let numbers = PlateauWater {
        losses,
        limit_mg_l,
        plateau_untreated: plateau(blend.water_mg_l),
        blend,
        plateau: plateau(blend.blend_mg_l),
    };
    Ok(blend_advice(numbers, blend, Rule::Plateau))
}

/// The premix that holds a concentration with these losses.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct HoldingPremix {
    /// Losses it is reckoned with.
    pub losses: Losses,
    /// Concentration to hold, percent.
    pub target_percent: f64,
    /// Premix that holds it, percent; the weakest one where less than that would do.
    pub premix_percent: f64,
    /// Whether it does, or even the weakest one lets it rise.
    pub holds: bool,
}

/// The strength of daily top-ups that holds `target_percent`.
pub fn holding_premix(losses: Losses, target_percent: f64) -> Result<Advice<HoldingPremix>, OutlookError> {
    let target_percent = checked(Input::Target, target_percent)?;
    let losses = losses.checked()?;
    let holds = losses.makeup_that_holds(target_percent);
    let premix_percent = holds.max(WEAKEST_PREMIX_PERCENT.min(target_percent));
    let numbers = HoldingPremix { losses, target_percent, premix_percent, holds: premix_percent <= holds };
    let mut rules = vec![Rule::WeakerThanFill];
    rules.extend((!numbers.holds).then_some(Rule::WeakestPremix));
    Ok(Advice::new(numbers, &rules, &[Caution::DataSheetFirst, Caution::GlovesAndEyes]))
}

/// When a limit is reached, with how unsure that is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Crossing {
    /// Days by the means of the inputs; infinite is never.
    pub days: f64,
    /// Lower end of the 90 % interval, days.
    pub low90: f64,
    /// Upper end of the 90 % interval, days; infinite is never.
    pub high90: f64,
    /// Share of what the inputs may be with which it never happens.
    pub never_share: f64,
}

/// How unsure the inputs are: the covariance of (amount now, volume, evaporation, drag-out, amount in the top-up).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Spread([[f64; 5]; 5]);

impl Spread {
    /// Inputs that hang together, as a filter knows them. Only the lower triangle is read.
    pub fn covariance(covariance: [[f64; 5]; 5]) -> Result<Self, OutlookError> {
        for i in 0..5 {
            not_negative(INPUTS[i].0, covariance[i][i], "squared")?;
            for j in 0..i {
                let most = (covariance[i][i] * covariance[j][j]).sqrt();
                // A filter's rounding may pass the bound by a little.
                let fits = covariance[i][j].abs() <= most * (1.0 + 1e-6);
                if !fits {
                    return Err(OutlookError::NoCovariance { first: INPUTS[i].0, second: INPUTS[j].0 });
                }
            }
        }
        Ok(Self(covariance))
    }

    /// Lower triangular root. A direction without spread, or one that rounding made negative, gets none.
    fn root(&self) -> [[f64; 5]; 5] {
        let mut root = [[0.0_f64; 5]; 5];
        for i in 0..5 {
            for j in 0..=i {
                let known: f64 = (0..j).map(|k| root[i][k] * root[j][k]).sum();
                let rest = self.0[i][j] - known;
                root[i][j] = match i == j {
                    true => rest.max(0.0).sqrt(),
                    false if root[j][j] > 0.0 => rest / root[j][j],
                    false => 0.0,
                };
            }
        }
        root
    }
}

/// Points along each input, a prime; one less are used.
const POINTS: usize = 509;

/// Steps of the lattice for the five inputs: powers of 215, one of the multipliers with which the inputs hang together
/// least (no two correlate by more than 0.013).
const STEPS: [usize; 5] = {
    let mut steps = [1; 5];
    let mut i = 1;
    while i < steps.len() {
        steps[i] = steps[i - 1] * 215 % POINTS;
        i += 1;
    }
    steps
};

/// The balance's volume stays over this share of its mean when the inputs are spread.
const VOLUME_SHARE_MIN: f64 = 0.05;

/// When `balance` reaches `limit`, with the interval that `spread` leaves: 508 balances, spread evenly over what the inputs
/// may be (a lattice, the same every time), each with its own answer. Their 5 % and 95 % points are the interval, so it
/// may end at never. Amounts and rates that would come out below 0 count as 0.
pub fn crossing(balance: &Balance, spread: &Spread, limit: f64, bound: Bound) -> Crossing {
    let root = spread.root();
    let means = [
        balance.now,
        balance.volume_l,
        balance.losses.evaporation_l_d,
        balance.losses.dragout_l_d,
        balance.makeup,
    ];
    let mut days: Vec<f64> = LATTICE
        .iter()
        .map(|z| {
            let mut at = means;
            for (value, row) in at.iter_mut().zip(&root) {
                // Right of the diagonal it is zero: to go over that as well costs less than to find out where it begins.
                let mut off = 0.0;
                for (r, z) in row.iter().zip(z) {
                    off += r * z;
                }
                *value += off;
            }
            let losses = Losses { evaporation_l_d: at[2].max(0.0), dragout_l_d: at[3].max(0.0) };
            let volume_l = at[1].max(VOLUME_SHARE_MIN * balance.volume_l);
            Balance { now: at[0].max(0.0), volume_l, losses, makeup: at[4].max(0.0) }.days_until(limit, bound)
        })
        .collect();
    let mean = balance.days_until(limit, bound);
    let count = days.len() as f64;
    let never = days.iter().filter(|d| d.is_infinite()).count() as f64;
    let mut ranked = |share: f64| *days.select_nth_unstable_by((share * count) as usize, f64::total_cmp).1;
    Crossing {
        days: mean,
        low90: ranked(0.05).min(mean),
        high90: ranked(0.95).max(mean),
        never_share: never / count,
    }
}

/// The lattice: what each input is off its mean, in its own deviations. Along each input lie points of the standard normal
/// distribution at the shares i / 509, stretched so that their variance is 1. The same every time, and found once: it takes
/// longer than all else here.
static LATTICE: LazyLock<Vec<[f64; 5]>> = LazyLock::new(|| {
    let normal: Vec<f64> = (1..POINTS).map(|i| normal_quantile(i as f64 / POINTS as f64)).collect();
    let deviation = (normal.iter().map(|z| z * z).sum::<f64>() / (POINTS - 1) as f64).sqrt();
    (1..POINTS).map(|i| STEPS.map(|step| normal[i * step % POINTS - 1] / deviation)).collect()
});

#[cfg(test)]
mod tests {
    use super::*;

    const LOSSES: Losses = Losses { evaporation_l_d: 8.0, dragout_l_d: 2.0 };

    /// The amount after `days`, from the differential equation's solution.
    fn after(balance: &Balance, days: f64) -> f64 {
        let x = balance.carried_off() * days;
        // (1 − exp(−x)) / x, which is 1 without drag-out: one formula holds for both.
        let mean_kept = if x == 0.0 { 1.0 } else { -libm::expm1(-x) / x };
        balance.now * libm::exp(-x) + balance.gain() * days * mean_kept
    }

    fn independent(deviations: [f64; 5]) -> Spread {
        let covariance = std::array::from_fn(|i| {
            std::array::from_fn(|j| if i == j { deviations[i] * deviations[i] } else { 0.0 })
        });
        Spread::covariance(covariance).unwrap()
    }

    fn balance(now: f64, losses: Losses, makeup: f64) -> Balance {
        Balance::new(now, 200.0, losses, makeup).unwrap()
    }

    #[test]
    fn the_day_of_crossing_is_the_day_the_amount_is_at_the_limit() {
        for (now, makeup, limit, bound) in [
            (250.0, 250.0, 700.0, Bound::NotOver),
            (250.0, 10.0, 100.0, Bound::NotUnder),
            (8.0, 0.0, 5.0, Bound::NotUnder),
        ] {
            for dragout_l_d in [1e-12, 1e-3, 2.0] {
                let losses = Losses { dragout_l_d, ..LOSSES };
                let balance = balance(now, losses, makeup);
                let days = balance.days_until(limit, bound);
                if days.is_finite() {
                    assert!(
                        (after(&balance, days) - limit).abs() < 1e-8 * limit,
                        "{now} {dragout_l_d} {days}"
                    );
                }
            }
        }
    }

    #[test]
    fn without_drag_out_hardness_rises_in_a_straight_line_for_ever() {
        let losses = Losses { evaporation_l_d: 5.0, dragout_l_d: 0.0 };
        let balance = balance(180.0, losses, 180.0);
        assert_eq!(balance.plateau(), Plateau::Rises);
        assert!((balance.days_until(630.0, Bound::NotOver) - 100.0).abs() < 1e-9);
        assert_eq!(losses.makeup_that_holds(300.0), 0.0);
        let still = Losses { evaporation_l_d: 0.0, dragout_l_d: 0.0 };
        assert_eq!(self::balance(180.0, still, 180.0).plateau(), Plateau::At(180.0));
        assert_eq!(self::balance(180.0, still, 180.0).days_until(200.0, Bound::NotOver), f64::INFINITY);
    }

    #[test]
    fn over_already_is_now_and_a_plateau_below_is_never() {
        assert_eq!(balance(400.0, LOSSES, 250.0).days_until(350.0, Bound::NotOver), 0.0);
        assert_eq!(
            balance(100.0, LOSSES, 60.0).days_until(300.0, Bound::NotOver),
            f64::INFINITY,
            "plateau 300"
        );
        assert!(balance(100.0, LOSSES, 60.1).days_until(300.0, Bound::NotOver).is_finite());
    }

    #[test]
    fn the_interval_holds_the_answer_and_widens_with_what_is_unsure() {
        let balance = balance(250.0, LOSSES, 250.0);
        let limit = 600.0;
        let at = |deviations| crossing(&balance, &independent(deviations), limit, Bound::NotOver);
        let sure = at([0.0; 5]);
        assert!(sure.low90 == sure.days && sure.high90 == sure.days && sure.never_share == 0.0, "{sure:?}");
        let unsure = at([10.0, 10.0, 0.8, 0.4, 10.0]);
        assert!(unsure.low90 < unsure.days && unsure.days < unsure.high90, "{unsure:?}");
        let more = at([20.0, 20.0, 1.6, 0.8, 20.0]);
        assert!(more.low90 < unsure.low90 && more.high90 > unsure.high90, "{more:?}");
        // Plateau 1250 at the means; with twice the drag-out it lies near 750 and never below 600 within reason.
        assert_eq!(unsure.never_share, 0.0);
        let near = crossing(&balance, &independent([10.0, 10.0, 0.8, 0.4, 10.0]), 1250.0, Bound::NotOver);
        assert!(near.high90.is_infinite() && (0.4..0.6).contains(&near.never_share), "{near:?}");
    }

    /// There the answer is one monotone function of one normal input.
    #[test]
    fn with_one_unsure_input_the_ends_are_those_of_that_input() {
        let balance = balance(250.0, LOSSES, 250.0);
        let spread = independent([20.0, 0.0, 0.0, 0.0, 0.0]);
        let got = crossing(&balance, &spread, 600.0, Bound::NotOver);
        let at = |z: f64| {
            Balance::new(250.0 + 20.0 * z, 200.0, LOSSES, 250.0).unwrap().days_until(600.0, Bound::NotOver)
        };
        assert!((got.low90 - at(1.645)).abs() < 0.3 && (got.high90 - at(-1.645)).abs() < 0.3, "{got:?}");
    }

    #[test]
    fn inputs_that_hang_together_count_together() {
        let balance = balance(250.0, LOSSES, 250.0);
        let mut covariance = [[0.0; 5]; 5];
        (covariance[2][2], covariance[3][3]) = (1.0, 0.25);
        let width = |c| {
            let got = crossing(&balance, &Spread::covariance(c).unwrap(), 600.0, Bound::NotOver);
            got.high90 - got.low90
        };
        let apart = width(covariance);
        covariance[3][2] = 0.5;
        let opposed = {
            let mut c = covariance;
            c[3][2] = -0.5;
            width(c)
        };
        // More evaporation hurries the rise and more drag-out slows it: opposed, both pull the same way.
        assert!(width(covariance) < apart && apart < opposed, "{} {apart} {opposed}", width(covariance));
        covariance[3][2] = 0.6;
        assert!(matches!(Spread::covariance(covariance), Err(OutlookError::NoCovariance { .. })));
    }

    #[test]
    fn low_mineral_water_keeps_the_plateau_where_it_can() {
        let advice = plateau_water(LOSSES, 350.0, (220.0, 10.0)).unwrap();
        let Plateau::At(plateau) = advice.numbers.plateau else { panic!("{advice:?}") };
        assert!((plateau - 350.0).abs() < 1e-9 && advice.numbers.blend.enough, "{advice:?}");
        assert!(plateau_water(LOSSES, 40.0, (220.0, 10.0)).is_ok_and(|a| !a.numbers.blend.enough));
        let untouched = plateau_water(LOSSES, 1100.0, (220.0, 10.0)).unwrap().numbers;
        assert_eq!(untouched.blend.soft_share, 0.0);
        assert!((holding_premix(LOSSES, 8.0).unwrap().numbers.premix_percent - 1.6).abs() < 1e-12);
    }

    #[test]
    fn nonsense_names_its_input() {
        let wrong = Balance::new(250.0, 0.0, LOSSES, 250.0).unwrap_err().to_string();
        assert_eq!(wrong, "volume is 0 L; it must be a finite number over 0");
        let losses = Losses { evaporation_l_d: f64::NAN, ..LOSSES };
        assert!(Balance::new(250.0, 200.0, losses, 250.0).is_err());
        let mut negative = [[0.0; 5]; 5];
        negative[1][1] = -1.0;
        assert!(Spread::covariance(negative).is_err());
        assert!(matches!(plateau_water(LOSSES, 350.0, (10.0, 220.0)), Err(OutlookError::Water(_))));
    }
}
