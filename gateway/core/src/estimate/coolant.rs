//! Conductivity of a coolant at 25 °C from what is in it: concentrate, and minerals that came with the water.
//!
//! Ions are counted by what they would conduct if they did not hinder each other (their *ideal* conductivity, additive),
//! then damped as the cloud they make together grows (Kohlrausch's square root), and obstructed by oil droplets. A jar test says
//! how much ideal conductivity the concentrate brings; the water's minerals are counted in litres of the jar test's
//! water, so that they are known without an analysis and grow with what evaporates, not with concentration.
//!
//! It refuses to know where minerals come from, and what a probe makes of the conductivity.

use super::fluid::JarTest;

/// How ions hinder each other: `exp(−damping·root / (1 + LEVELS_OFF·root))`, with the root of the ionic strength in mmol/L. It
/// levels off as equivalent conductivities of NaCl do up to 0.1 mol/L (CRC Handbook, from memory: within 0.3 %). A concentrate's
/// single charges lie between NaCl (0.020 to 0.022) and NaHCO3 (0.026) of up to 10 mmol/L computed with PHREEQC.
///
/// That of a natural water's minerals is what single and double charges of such a water have without pairs (0.022 a single one,
/// 0.050 a double one in CaCl2 of 10 meq/L; the handbook; a third of what they conduct are single ones). The pairs that calcium
/// makes with the water's own sulphate and bicarbonate come on top, by their own strength alone: fitted to hard waters computed with
/// PHREEQC (50 to 1000 mg/L CaCO3, within 3 %).
mod damping {
    pub(super) const MINERALS: f64 = 0.041;
    pub(super) const PAIRS: f64 = 0.020;
    pub(super) const CONCENTRATE: f64 = 0.0235;
    pub(super) const LEVELS_OFF: f64 = 0.033;
}

/// Ionic strength behind an ideal conductivity, mmol/L per uS/cm: of those waters, and of salts of single charges (0.008 for
/// NaCl, 0.011 for NaHCO3, 0.014 for large organic ions).
mod strength {
    pub(super) const MINERALS: f64 = 0.0138;
    pub(super) const CONCENTRATE: f64 = 0.0105;
}

/// Part of a natural water's ideal conductivity that calcium and magnesium bring: nearly all of its positive charges, which are
/// nearly half of what conducts. Where it is less a softener has put sodium in their place.
const NATURAL_HARD_SHARE: f64 = 0.45;

/// How the ions of a water's minerals hinder each other and those beside them.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Minerals {
    damping: f64,
    pairs: f64,
    strength: f64,
}

impl Minerals {
    /// Of a water whose part `hard` (0 to 1) is as hard as natural waters are; the rest are salts of single charges.
    fn new(hard: f64) -> Self {
        let between = |single: f64, natural: f64| single + hard * (natural - single);
        Self {
            damping: between(damping::CONCENTRATE, damping::MINERALS),
            pairs: between(0.0, damping::PAIRS),
            strength: between(strength::CONCENTRATE, strength::MINERALS),
        }
    }

    /// Of a water of this conductivity and hardness; where that is not known, a natural one.
    fn of_water(us_cm: f64, hardness_mg_l: Option<f64>) -> Self {
        let natural = Self::new(1.0);
        let Some(mg_l) = hardness_mg_l else { return natural };
        let ideal = natural.ideal_of_water(us_cm).max(1.0);
        Self::new((HARDNESS_US_CM * mg_l / 1000.0 / ideal / NATURAL_HARD_SHARE).min(1.0))
    }

    /// What ideal conductivities of minerals and of concentrate come to together, uS/cm.
    fn damp(&self, minerals: f64, concentrate: f64) -> f64 {
        let water = (self.strength * minerals).max(0.0);
        let root = (water + (strength::CONCENTRATE * concentrate).max(0.0)).sqrt();
        let cloud = root / (1.0 + damping::LEVELS_OFF * root);
        minerals * libm::exp(-self.damping * cloud - self.pairs * water.sqrt())
            + concentrate * libm::exp(-damping::CONCENTRATE * cloud)
    }

    /// Ideal conductivity of a water of this conductivity.
    fn ideal_of_water(&self, us_cm: f64) -> f64 {
        rising_root(us_cm.max(0.0), |ideal| self.damp(ideal, 0.0))
    }

    /// Ideal conductivity of the concentrate in a mix of the jar test; 0 if the mix conducts less than its water alone.
    fn brought_by(&self, percent: f64, us_cm: f64, water_ideal: f64) -> f64 {
        let minerals = water_ideal * (1.0 - percent / 100.0);
        rising_root(us_cm / obstruction(percent), |concentrate| self.damp(minerals, concentrate))
    }
}

/// Share of the concentrate that ends as droplets, where the product's sheet was not asked (common practice, no source:
/// 0.1 to 0.7 for semi-synthetics and emulsions).
const OIL_SHARE: f64 = 0.4;

/// Conductivity of unsoftened natural water per mg/L CaCO3, uS/cm (field rule of a state university's watershed extension).
pub const US_CM_PER_MG_L: f64 = 2.0;

/// Ideal conductivity of the calcium and magnesium of 1 g/L CaCO3, uS/cm: 20 mmol/L of charges of 59 and 53 S cm2/mol (CRC
/// Handbook, from memory), mostly calcium. The anions stay.
const HARDNESS_US_CM: f64 = 1_160.0;

/// Up to this a conductivity has to rise with the strength, percent by volume: otherwise it stood for two of them.
const PERCENT_MAX: f64 = 40.0;

/// A concentrate in one water, by its jar test.
#[derive(Clone, PartialEq, Debug)]
pub struct Coolant {
    /// The jar test's water, and its ideal conductivity, uS/cm.
    minerals: Minerals,
    water_ideal: f64,
    concentrate: Concentrate,
    /// Logarithm of the conductivity in the middle of the jar test, and how well it knows how steep the curve is.
    middle: f64,
    bend_deviation: f64,
}

/// What is in a coolant.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Brew {
    /// Concentrate, percent.
    pub percent: f64,
    /// Minerals, in litres of the jar test's water a litre.
    pub waters: f64,
    /// Logarithm of how much more the minerals conduct than the model says, beyond those the jar test itself contained.
    pub departure: f64,
}

/// Ideal conductivity of the concentrate over its percentage.
#[derive(Clone, PartialEq, Debug)]
enum Concentrate {
    /// `first·c + second·c²`, where that fits every point of the jar test.
    Parabola { first: f64, second: f64 },
    /// Straight lines between the points otherwise.
    Points(Vec<(f64, f64)>),
}

/// Standard uncertainty of one point of a jar test, part of its conductivity (common practice, no source). A slope at one place of
/// the curve is half as well known as that of all of it.
const POINT: f64 = 0.01;
const LOCAL: f64 = 2.0;

/// How much steeper or flatter than this model a coolant may be between the points, as a part: where a parabola goes through
/// them, and where only straight lines do.
const MODEL: [f64; 2] = [0.02, 0.04];

/// How far a point of the jar test may lie beside the parabola, part of its conductivity. More is no reading error.
const MISFIT_MAX: f64 = 0.03;

impl Coolant {
    /// From a jar test. `water_us_cm` is the conductivity of its water, where the jar test has no point at 0 %; its hardness tells
    /// a softened water from a natural one.
    pub fn new(jar: &JarTest, water_us_cm: f64, hardness_mg_l: Option<f64>) -> Self {
        let points = jar.points();
        let water_us_cm = if points[0].0 == 0.0 { points[0].1 } else { water_us_cm.min(0.95 * points[0].1) };
        let minerals = Minerals::of_water(water_us_cm, hardness_mg_l);
        let water_ideal = minerals.ideal_of_water(water_us_cm);
        let brought: Vec<(f64, f64)> = points
            .iter()
            .filter(|(percent, _)| *percent > 0.0)
            .map(|&(percent, us_cm)| (percent, minerals.brought_by(percent, us_cm, water_ideal)))
            .collect();
        let curve = parabola(&brought, points, &minerals, water_ideal);
        let model = MODEL[usize::from(curve.is_none())];
        let concentrate =
            curve.unwrap_or_else(|| Concentrate::Points([&[(0.0, 0.0)], &brought[..]].concat()));
        let logs = || points.iter().map(|(_, us_cm)| libm::log(us_cm.max(1.0)));
        let middle = logs().sum::<f64>() / points.len() as f64;
        let apart = logs().map(|log| (log - middle) * (log - middle)).sum::<f64>().sqrt();
        let slope = LOCAL * POINT / apart.max(LOCAL * POINT);
        let bend_deviation = (model * model + slope * slope).sqrt();
        Self { minerals, water_ideal, concentrate, middle, bend_deviation }
    }

    /// Conductivity at 25 °C, uS/cm, of a fresh coolant.
    pub fn us_cm(&self, percent: f64, waters: f64, departure: f64) -> f64 {
        self.soured_us_cm(&Brew { percent, waters, departure }, 0.0)
    }

    /// The same, where acid makes the concentrate conduct `more` than when it was fresh, as a part of it.
    pub fn soured_us_cm(&self, brew: &Brew, more: f64) -> f64 {
        let percent = brew.percent.clamp(0.0, 100.0);
        let in_jar = 1.0 - percent / 100.0;
        let as_tested = self.damped(percent, in_jar, more);
        let now = self.damped(percent, brew.waters.max(0.0), more);
        (as_tested + libm::exp(brew.departure) * (now - as_tested)).max(0.5)
    }

    /// Logarithm of the conductivity, uS/cm, in the middle of what the jar test covers: there this model is best known.
    pub fn middle(&self) -> f64 {
        self.middle
    }

    /// How much steeper or flatter the conductivity may follow dilution and thickening than this model says, standard uncertainty
    /// as a part of it: few points, or points close together, know a slope badly.
    pub fn bend_deviation(&self) -> f64 {
        self.bend_deviation
    }

    /// How many litres of the jar test's water bring the minerals that a litre of a water of this conductivity brings.
    pub fn waters_in(&self, us_cm: f64) -> f64 {
        self.minerals.ideal_of_water(us_cm) / self.water_ideal.max(1e-3)
    }

    /// How many litres of the jar test's water conduct what a gram of hardness does, as CaCO3, that turns to scum.
    pub fn waters_a_gram(&self) -> f64 {
        HARDNESS_US_CM / self.water_ideal.max(1.0)
    }

    /// Conductivity of the jar test's water, uS/cm.
    pub fn water_us_cm(&self) -> f64 {
        self.minerals.damp(self.water_ideal, 0.0)
    }

    fn damped(&self, percent: f64, waters: f64, more: f64) -> f64 {
        let concentrate = self.concentrate.ideal(percent) * (1.0 + more).max(0.0);
        obstruction(percent) * self.minerals.damp(waters * self.water_ideal, concentrate)
    }
}

impl Concentrate {
    fn ideal(&self, percent: f64) -> f64 {
        match self {
            Self::Parabola { first, second } => percent * (first + second * percent),
            Self::Points(points) => {
                let last_piece = points.len() - 2;
                let piece = points[1..=last_piece].partition_point(|&(c, _)| c <= percent);
                let ((c0, k0), (c1, k1)) = (points[piece], points[piece + 1]);
                k0 + (k1 - k0) * (percent - c0) / (c1 - c0)
            }
        }
        .max(0.0)
    }
}

/// What is left of the conductivity between oil droplets (Bruggeman, volume share to the power 1.5).
fn obstruction(percent: f64) -> f64 {
    let open = 1.0 - OIL_SHARE * percent / 100.0;
    open * open.sqrt()
}

/// Where a rising function reaches `value`, from 0 on; 0 if it starts above.
fn rising_root(value: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 4.0 * value + 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if f(middle) < value {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Least squares through zero, each point weighed by its conductivity; none with fewer than three points or where the curve
/// misses one of them by more than a reading error, or does not rise over their range.
fn parabola(
    brought: &[(f64, f64)],
    points: &[(f64, f64)],
    water: &Minerals,
    water_ideal: f64,
) -> Option<Concentrate> {
    if brought.len() < 3 {
        return None;
    }
    let measured = || points.iter().filter(|(percent, _)| *percent > 0.0);
    let (mut cc, mut cd, mut dd, mut ck, mut dk) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (&(c, ideal), &(_, us_cm)) in brought.iter().zip(measured()) {
        let weight = 1.0 / (us_cm * us_cm);
        cc += weight * c * c;
        cd += weight * c * c * c;
        dd += weight * c * c * c * c;
        ck += weight * c * ideal;
        dk += weight * c * c * ideal;
    }
    let determinant = cc * dd - cd * cd;
    let first = (ck * dd - dk * cd) / determinant;
    let second = (dk * cc - ck * cd) / determinant;
    let curve = Concentrate::Parabola { first, second };
    let fits = measured().all(|&(percent, us_cm)| {
        let minerals = water_ideal * (1.0 - percent / 100.0);
        let on_curve = obstruction(percent) * water.damp(minerals, curve.ideal(percent));
        (on_curve / us_cm - 1.0).abs() <= MISFIT_MAX
    });
    let last = brought.last()?.0;
    // A parabola that bends over before that stands for two strengths.
    let rises = first > 0.0 && first + 2.0 * second * last.max(PERCENT_MAX) > 0.0;
    (determinant > 0.0 && fits && rises).then_some(curve)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn coolant() -> Coolant {
        let jar = JarTest::new(&[(0.0, 560.0), (3.0, 1010.0), (5.0, 1290.0), (8.0, 1690.0), (12.0, 2190.0)]);
        Coolant::new(&jar.expect("rising"), 0.0, None)
    }

    #[test]
    fn every_point_of_the_jar_test_comes_back() {
        for (percent, us_cm) in [(0.0, 560.0), (3.0, 1010.0), (5.0, 1290.0), (8.0, 1690.0), (12.0, 2190.0)] {
            let waters = 1.0 - percent / 100.0;
            let back = coolant().us_cm(percent, waters, 0.3);
            assert!((back / us_cm - 1.0).abs() < 0.012, "{percent} %: {back}");
        }
    }

    #[test]
    fn a_jar_test_with_a_kink_is_followed_point_by_point() {
        let points = [(0.0, 300.0), (2.0, 500.0), (4.0, 1200.0), (6.0, 1300.0), (9.0, 2000.0)];
        let kinked = Coolant::new(&JarTest::new(&points).expect("rising"), 0.0, None);
        for (percent, us_cm) in points {
            assert!((kinked.us_cm(percent, 1.0 - percent / 100.0, 0.0) / us_cm - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn a_jar_test_of_few_points_close_together_knows_the_slope_badly() {
        let deviation = |points: &[(f64, f64)]| {
            Coolant::new(&JarTest::new(points).expect("rising"), 560.0, None).bend_deviation()
        };
        let wide = coolant().bend_deviation();
        assert!((0.02..0.03).contains(&wide), "{wide}");
        let close = deviation(&[(6.0, 1420.0), (7.0, 1550.0), (8.0, 1690.0)]);
        assert!(close > 2.0 * wide, "{close}");
        let two = deviation(&[(0.0, 560.0), (12.0, 2190.0)]);
        assert!(two > 1.5 * wide, "{two}");
    }

    /// In equivalents calcium (59) stands beside bicarbonate (44.5), chloride (76) and sulphate (80): limiting conductivities of the
    /// CRC Handbook, from memory.
    #[test]
    fn what_turns_to_scum_is_about_half_of_what_a_hard_water_conducts() {
        let grams = 560.0 / US_CM_PER_MG_L / 1000.0;
        let part = coolant().waters_a_gram() * grams;
        assert!((59.0 / (59.0 + 80.0)..59.0 / (59.0 + 44.5)).contains(&part), "{part}");
    }

    #[test]
    fn minerals_add_less_and_less() {
        let us_cm = |waters| coolant().us_cm(7.0, waters, 0.0);
        let (first, second) = (us_cm(2.0) - us_cm(1.0), us_cm(3.0) - us_cm(2.0));
        assert!(first > 300.0 && second > 0.75 * first && second < first, "{first} {second}");
        assert!(coolant().us_cm(7.0, 2.0, 0.1) > us_cm(2.0));
    }

    #[test]
    fn a_water_is_counted_by_its_conductivity() {
        assert!((coolant().waters_in(560.0) - 1.0).abs() < 1e-9);
        assert!((coolant().water_us_cm() - 560.0).abs() < 1e-6);
        assert!(coolant().waters_in(10.0) < 0.02);
    }
}
