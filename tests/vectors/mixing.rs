//! Mixes, build-up, chips and pH drops against closed forms and published examples.

use sumpwarden_core::estimate::acidity::{Hundredths, Judgement, judge};
use sumpwarden_core::estimate::chips::{ChipForm, Metal, solid_share};
use sumpwarden_core::estimate::mixing::{
    Mix, TopUpOutcome, add_concentrate, add_water, percent_of_brix, top_up, with_premix,
};
use sumpwarden_core::estimate::outlook::{Balance, Bound, Losses, Plateau, Spread, crossing, holding_premix};
use sumpwarden_tests::vectors::{Row, Vectors, assert_near};

/// Printed to six decimals.
const PRINTED: f64 = 0.6e-6;

fn vectors() -> Vectors {
    Vectors::read("mixing")
}

fn losses(row: &Row<'_>) -> Losses {
    Losses { evaporation_l_d: row.number("E_l_d"), dragout_l_d: row.number("D_l_d") }
}

#[test]
fn hardness_builds_up() {
    for row in vectors().rows("hardness_build_up") {
        let (now, makeup) = (row.number("H0"), row.number("Hm"));
        let balance = Balance::new(now, row.number("V_l"), losses(&row), makeup).expect("a sump");
        let (days, expected) = (row.number("t_d"), row.number("H"));
        if days > 0.0 {
            let bound = if expected > now { Bound::NotOver } else { Bound::NotUnder };
            // Close to the plateau a printed digit is much time: 1e-6 mg/L over the slope there.
            let poured = makeup * balance_makeup(&row) - expected * row.number("D_l_d");
            let slope = poured.abs() / row.number("V_l");
            let tolerance = 1e-9 * days + PRINTED / slope;
            assert_near(balance.days_until(expected, bound), days, tolerance, &format!("until {expected}"));
        }
        let plateau = match row.number("D_l_d") > 0.0 {
            true => Plateau::At(makeup * balance_makeup(&row) / row.number("D_l_d")),
            false => Plateau::Rises,
        };
        assert_eq!(balance.plateau(), plateau);
    }
}

fn balance_makeup(row: &Row<'_>) -> f64 {
    row.number("E_l_d") + row.number("D_l_d")
}

#[test]
fn concentration_follows_the_top_up() {
    for row in vectors().rows("concentration") {
        let (c0, cm) = (row.number("c0_pct"), row.number("cm_pct"));
        let balance = Balance::new(c0, row.number("V_l"), losses(&row), cm).expect("a sump");
        let (days, reached) = (row.number("t_d"), row.number("c_pct"));
        if reached != c0 {
            let bound = if reached > c0 { Bound::NotOver } else { Bound::NotUnder };
            let poured = cm * balance_makeup(&row) - reached * row.number("D_l_d");
            let tolerance = PRINTED * row.number("V_l") / poured.abs();
            assert_near(balance.days_until(reached, bound), days, tolerance, &format!("until {reached} %"));
        }
        let holding = holding_premix(losses(&row), c0).expect("losses").numbers.premix_percent;
        if row.number("c_pct") == c0 && row.number("t_d") > 0.0 {
            assert_near(holding, cm, 1e-12, "the premix that holds it");
        }
    }
}

#[test]
fn evaporation_leaves_the_concentrate() {
    for row in vectors().rows("evaporation_only") {
        // Read backwards: the water that was lost brings the concentration back.
        let left = Mix { litres: row.number("V0_l") - row.number("V_lost_l"), percent: row.number("c_pct") };
        let filled = with_premix(left, Some(row.number("V0_l")), 0.0, row.number("c0_pct")).expect("numbers");
        assert_near(
            filled.numbers.filled.expect("a mark").reached.percent,
            row.number("c0_pct"),
            PRINTED,
            "filled up with water",
        );
        let back = add_water(left, row.number("c0_pct")).expect("too strong").numbers;
        assert_near(back.neat_l, row.number("V_lost_l"), 1e-4, "the water that was lost");
    }
}

#[test]
fn concentrate_and_water_that_correct_a_sump() {
    for row in vectors().rows("dosing") {
        let now = Mix { litres: row.number("V_l"), percent: row.number("c0_pct") };
        let target = row.number("c1_pct");
        let advice = match row.text("action") {
            "add concentrate" => add_concentrate(now, target),
            "add water" => add_water(now, target),
            other => panic!("{other}: no such action"),
        };
        let numbers = advice.expect("numbers").numbers;
        assert_near(numbers.neat_l, row.number("litres_to_add"), PRINTED, row.text("action"));
        assert_near(numbers.reached.percent, target, 1e-9, "by the premix of the rules");
    }
}

#[test]
fn premixes_that_bring_volume_and_concentration_together() {
    for row in vectors().rows("topup_premix") {
        let now = Mix { litres: row.number("V0_l"), percent: row.number("c0_pct") };
        let target = Mix { litres: row.number("V1_l"), percent: row.number("c1_pct") };
        let numbers = top_up(now, target).expect("numbers").numbers;
        assert_eq!(numbers.outcome, TopUpOutcome::Reached);
        let pour = numbers.pour.expect("there is room");
        assert_near(pour.litres, row.number("topup_l"), 1e-9, "litres");
        assert_near(pour.premix_percent, row.number("premix_pct"), PRINTED, "premix");
        assert_near(numbers.reached.percent, target.percent, 1e-9, "reached");
    }
}

#[test]
fn refractometer_readings() {
    for row in vectors().rows("refractometer") {
        let advice = percent_of_brix(row.number("brix"), row.number("factor")).expect("numbers");
        assert_near(advice.numbers, row.number("concentration_pct"), 1e-12, "percent");
    }
}

#[test]
fn drops_of_ph_are_judged_in_hundredths() {
    for row in vectors().rows("ph_drop") {
        let of = |column| Hundredths::of_ph(row.number(column)).expect("a pH");
        let drop = of("ph").drop_from(of("first_fill_ph"));
        assert_eq!(drop.ph(), row.number("drop"));
        let verdict = match row.text("verdict") {
            "ok" => Judgement::Fine,
            "corrective action" => Judgement::CorrectiveAction,
            "replace or thorough action" => Judgement::Replace,
            other => panic!("{other}: no such verdict"),
        };
        assert_eq!(judge(drop), verdict, "{drop}");
    }
}

/// Random draws of the same inputs against 508 points: ends within a fiftieth, the share within 0.02.
#[test]
fn the_interval_of_a_crossing_is_that_of_random_draws() {
    for row in vectors().rows("crossing") {
        let balance = Balance::new(row.number("H0"), row.number("V_l"), losses(&row), row.number("Hm"));
        let balance = balance.expect("a sump");
        let mut covariance = [[0.0; 5]; 5];
        for (i, column) in ["s_H0", "s_V", "s_E", "s_D", "s_Hm"].into_iter().enumerate() {
            covariance[i][i] = row.number(column) * row.number(column);
        }
        let spread = Spread::covariance(covariance).expect("deviations");
        let got = crossing(&balance, &spread, row.number("limit"), Bound::NotOver);
        assert_near(got.days, row.number("days"), 1e-4, "by the means");
        assert_near(got.low90, row.number("low90"), 0.02 * row.number("low90"), "low90");
        match row.number("high90").is_infinite() {
            true => assert!(got.high90.is_infinite(), "{got:?}"),
            false => assert_near(got.high90, row.number("high90"), 0.02 * row.number("high90"), "high90"),
        }
        assert_near(got.never_share, row.number("never_share"), 0.02, "never");
    }
}

fn metal(row: &Row<'_>) -> Metal {
    match row.text("metal") {
        "steel" => Metal::Steel,
        "cast iron" => Metal::CastIron,
        "brass" => Metal::Brass,
        "aluminium" => Metal::Aluminium,
        other => panic!("{other}: no such metal"),
    }
}

#[test]
fn chips_lie_loosely() {
    let vectors = vectors();
    let mut seen = 0;
    for row in vectors.rows("bulk_density") {
        let form = match row.text("form") {
            "fine chips" => ChipForm::Fine,
            "broken chips" => ChipForm::Broken,
            "light turnings (loose)" => ChipForm::LooseTurnings,
            "heavy turnings (tight)" => ChipForm::TightTurnings,
            other => panic!("{other}: no such form"),
        };
        let share = solid_share(form, metal(&row)).expect("in the table");
        // Ratios are printed to two decimals at most, porosities to four.
        assert_near(1.0 / share.high, row.number("R_low"), 0.006, "R_low");
        assert_near(1.0 / share.low, row.number("R_high"), 0.06, "R_high");
        assert_near(1.0 - share.high, row.number("porosity_low"), 1e-4, "porosity_low");
        assert_near(1.0 - share.low, row.number("porosity_high"), 1e-4, "porosity_high");
        seen += 1;
    }
    assert_eq!(seen, 14);
}
