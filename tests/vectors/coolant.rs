//! Conductivity of hard waters and of coolants made with them, against computed waters and against the simulator's ions.
//!
//! The waters come from a model that lies up to 3 % under measured standards, so they are checked to 5 % and no closer.
//! Coolants with known minerals have no published series; the simulator's ion balance, which shares nothing with the
//! gateway's conductivity, stands in for one.

use sumpwarden_core::estimate::coolant::Coolant;
use sumpwarden_core::estimate::fluid::JarTest;
use sumpwarden_sim::world::Fluid;
use sumpwarden_sim::world::ions::{Ions, Water, obstruction};
use sumpwarden_tests::vectors::{Vectors, assert_near};

/// As exact as the waters are.
const MODEL: f64 = 0.05;

/// As near as the gateway's ions come to others that make no pairs, or to the simulator's.
const IONS: f64 = 0.02;

/// A coolant in a water of this conductivity; about the concentrate nothing is asked where this is used.
fn in_water(us_cm: f64) -> Coolant {
    let points: Vec<(f64, f64)> = [0.0, 4.0, 8.0, 12.0].map(|c| (c, us_cm + 140.0 * c)).to_vec();
    Coolant::new(&JarTest::new(&points).expect("rising"), us_cm, None)
}

/// Every water of the series as the jar test's, thickened (or thinned) to the minerals of every other: what they would
/// conduct without hindering each other adds up, so it counts the minerals.
fn assert_series_follows(table: &str, ends: std::ops::RangeInclusive<f64>) -> usize {
    let vectors = Vectors::read("coolant");
    let waters: Vec<[f64; 3]> = vectors
        .rows(table)
        .map(|row| ["hardness_mg_l_caco3", "kappa0", "kappa_phreeqc"].map(|column| row.number(column)))
        .filter(|[hardness, ..]| ends.contains(hardness))
        .collect();
    for [jar_mg_l, jar_ideal, jar_us_cm] in &waters {
        let coolant = in_water(*jar_us_cm);
        for [mg_l, ideal, us_cm] in &waters {
            let got = coolant.us_cm(0.0, ideal / jar_ideal, 0.0);
            assert_near(got / us_cm, 1.0, MODEL, &format!("{table}: {mg_l} mg/L from {jar_mg_l}"));
            assert_near(coolant.waters_in(*us_cm) * jar_ideal / ideal, 1.0, MODEL, "and counted back");
        }
    }
    waters.len()
}

#[test]
fn bicarbonate_waters_thicken_as_computed() {
    assert_eq!(assert_series_follows("tap_water", 50.0..=1000.0), 10);
}

#[test]
fn sulphate_and_chloride_waters_thicken_as_computed() {
    assert_eq!(assert_series_follows("salt_water", 100.0..=1000.0), 6);
}

/// A water without hardness thickens as a salt of single charges does, since it has no ion pairs and no double charges to hinder each
/// other: much more nearly in proportion than a hard one.
#[test]
fn a_softened_water_thickens_as_sodium_chloride_does() {
    let vectors = Vectors::read("coolant");
    let salts: Vec<[f64; 2]> = vectors
        .rows("handbook_salts")
        .map(|row| ["ceq_eq_l", "kappa_us_cm"].map(|column| row.number(column)))
        .collect();
    let points = |us_cm: f64| [0.0, 4.0, 8.0, 12.0].map(|c| (c, us_cm + 140.0 * c));
    for [jar_eq_l, jar_us_cm] in &salts {
        let jar = JarTest::new(&points(*jar_us_cm)).expect("rising");
        let (soft, hard) = (Coolant::new(&jar, *jar_us_cm, Some(0.0)), Coolant::new(&jar, *jar_us_cm, None));
        for [eq_l, us_cm] in &salts {
            let thicker = eq_l / jar_eq_l;
            let got = soft.us_cm(0.0, thicker, 0.0);
            assert_near(got / us_cm, 1.0, IONS, &format!("{eq_l} eq/L from {jar_eq_l}"));
            if thicker >= 2.0 {
                let as_hard = hard.us_cm(0.0, thicker, 0.0);
                assert!(as_hard < got, "{eq_l} eq/L from {jar_eq_l}: {as_hard} as a hard water");
            }
        }
    }
    assert_eq!(salts.len(), 5);
}

/// The simulator's conductivity of a mix with the minerals of `waters` litres of this water a litre.
fn true_us_cm(fluid: &Fluid, water: &Water, percent: f64, waters: f64) -> f64 {
    let ions = Ions {
        hardness: waters * water.ions.hardness,
        sodium: waters * water.ions.sodium,
        bicarbonate: waters * water.ions.bicarbonate,
        sulphate: waters * water.ions.sulphate,
        chloride: waters * water.ions.chloride,
        organic: fluid.organic_mmol_l_percent * percent,
        ..water.ions
    };
    ions.conductivity_us_cm() * obstruction(fluid.oil_share * percent / 100.0)
}

fn jar_test(fluid: &Fluid, water: &Water) -> JarTest {
    let mix = |percent: f64| (percent, true_us_cm(fluid, water, percent, 1.0 - percent / 100.0));
    JarTest::new(&[0.0, 3.0, 5.0, 8.0, 12.0].map(mix)).expect("rising")
}

/// Percent of concentrate that conducts as much with these minerals, 0 to 40 %.
fn read_backwards(coolant: &Coolant, us_cm: f64, waters: f64) -> f64 {
    let (mut low, mut high) = (0.0, 40.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if coolant.us_cm(middle, waters, 0.0) < us_cm { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[test]
fn a_jar_test_in_each_of_the_waters_comes_back() {
    for fluid in [Fluid::SEMI_SYNTHETIC, Fluid::EMULSION] {
        for row in Vectors::read("coolant").rows("tap_water") {
            let water = Water::tap(row.number("hardness_mg_l_caco3"));
            // That the simulator's waters are the published ones.
            assert_near(water.conductivity_us_cm() / row.number("kappa_phreeqc"), 1.0, MODEL, "the water");
            let jar = jar_test(&fluid, &water);
            let coolant = Coolant::new(&jar, 0.0, None);
            for &(percent, us_cm) in jar.points() {
                let waters = 1.0 - percent / 100.0;
                let got = coolant.us_cm(percent, waters, 0.0);
                assert_near(got / us_cm, 1.0, 0.01, &format!("{} at {percent} %", fluid.name));
                assert_near(read_backwards(&coolant, got, waters), percent, 1e-6, "and read backwards");
            }
        }
    }
}

/// The bare line takes built-up minerals for concentrate. With them known what is left is the difference between two models
/// of ions: under 2 % of the conductivity, which is up to 0.4 points where the concentrate conducts well and 0.1 in an emulsion.
#[test]
fn with_threefold_minerals_the_bare_line_is_five_points_off_and_the_coolant_is_not() {
    let water = Water::tap(200.0);
    for (fluid, within) in [(Fluid::SEMI_SYNTHETIC, 0.4), (Fluid::EMULSION, 0.12)] {
        let jar = jar_test(&fluid, &water);
        let coolant = Coolant::new(&jar, 0.0, None);
        for percent in [4.0, 7.0, 10.0] {
            let us_cm = true_us_cm(&fluid, &water, percent, 3.0);
            let bare = jar.percent_at(us_cm).percent;
            assert!(bare - percent > 5.0, "{} {percent} %: the bare line says {bare}", fluid.name);
            let ours = read_backwards(&coolant, us_cm, 3.0);
            assert_near(ours, percent, within, &format!("{} with its minerals known", fluid.name));
            assert_near(coolant.us_cm(percent, 3.0, 0.0) / us_cm, 1.0, IONS, "its conductivity");
        }
    }
}
