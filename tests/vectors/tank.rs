//! Tanks against the volumes of closed forms and of the library `fluids`, both ways; and what holds for every tank.

use proptest::prelude::*;
use sumpwarden_core::estimate::settings::{BoxPart, Heads, TankShape};
use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_tests::vectors::{Row, Vectors, assert_near};

/// Volumes are printed to 1e-6 L; the integrated heads of 38 to 113 L are within 1e-6 of their volume.
const LITRES: f64 = 1e-5;
/// Levels are printed to 1e-6 mm.
const MILLIMETRES: f64 = 1e-3;

fn vectors() -> Vectors {
    Vectors::read("tanks")
}

fn tank(shape: &TankShape) -> Tank {
    Tank::new(shape).unwrap_or_else(|e| panic!("{shape:?}: {e}"))
}

fn plain_box(length_mm: f64, width_mm: f64, height_mm: f64) -> TankShape {
    TankShape::Boxes(vec![BoxPart { length_mm, width_mm, floor_mm: 0.0, top_mm: height_mm }])
}

/// Both directions at one published point.
fn check(tank: &Tank, row: &Row<'_>) {
    let (level_mm, litres) = (row.number("h_m") * 1000.0, row.number("litres"));
    assert_near(tank.volume_l(level_mm), litres, LITRES, &format!("volume at {level_mm} mm"));
    // Near an empty or full cylinder a litre is much level: there the volume's rounding decides.
    let tolerance = MILLIMETRES + LITRES / tank.area_at(level_mm).max(1e-3);
    assert_near(tank.level_mm(litres), level_mm, tolerance, &format!("level of {litres} L"));
}

#[test]
fn boxes_and_steps() {
    for row in vectors().rows("box") {
        check(&tank(&plain_box(row.number("L_m") * 1e3, row.number("W_m") * 1e3, 600.0)), &row);
    }
    // Any length and width with the published plan areas.
    let part = |area_m2: f64, floor_mm, top_mm| BoxPart {
        length_mm: area_m2 * 1e3,
        width_mm: 1e3,
        floor_mm,
        top_mm,
    };
    let stacked =
        TankShape::Boxes(vec![part(0.30, 0.0, 100.0), part(0.72, 100.0, 300.0), part(0.96, 300.0, 400.0)]);
    let beside =
        TankShape::Boxes(vec![part(0.24, 300.0, 400.0), part(0.30, 0.0, 400.0), part(0.42, 100.0, 400.0)]);
    for row in vectors().rows("stepped") {
        check(&tank(&stacked), &row);
        check(&tank(&beside), &row);
    }
}

#[test]
fn a_strapping_table_gives_back_its_rows() {
    let vectors = vectors();
    let rows: Vec<_> = vectors.rows("stepped").collect();
    let table = rows.iter().map(|r| (r.number("h_m") * 1e3, r.number("litres"))).collect();
    let tank = tank(&TankShape::Strapping(table));
    rows.iter().for_each(|row| check(&tank, row));
}

#[test]
fn sloped_floors() {
    for row in vectors().rows("sloped_floor") {
        let shape = TankShape::SlopedFloor {
            length_mm: row.number("L_m") * 1e3,
            width_mm: row.number("W_m") * 1e3,
            drop_mm: row.number("slope_drop_m") * 1e3,
            height_mm: 300.0,
        };
        check(&tank(&shape), &row);
    }
}

fn lying(row: &Row<'_>, heads: Heads) -> Tank {
    let (diameter_mm, length_mm) = (row.number("D_m") * 1e3, row.number("L_m") * 1e3);
    tank(&TankShape::LyingCylinder { diameter_mm, length_mm, heads })
}

#[test]
fn lying_cylinders_with_flat_ends() {
    for row in vectors().rows("cylinder_flat") {
        check(&lying(&row, Heads::Flat), &row);
    }
    for row in vectors().rows("cylinder_inverse") {
        let (litres, level_mm) = (row.number("litres"), row.number("h_m") * 1e3);
        let tank = lying(&row, Heads::Flat);
        // The library solves to 7e-4 mm only: its levels put back into its own closed form are up to 3e-4 L off.
        assert_near(tank.level_mm(litres), level_mm, MILLIMETRES, &format!("level of {litres} L"));
        assert_near(tank.volume_l(tank.level_mm(litres)), litres, 1e-9, "and back");
    }
}

#[test]
fn lying_cylinders_with_heads() {
    for row in vectors().rows("cylinder_heads") {
        let heads = match row.text("heads") {
            "torispherical_F1_k0.1" => Heads::Torispherical { dish: 1.0, knuckle: 0.1 },
            "ellipsoidal_2to1" => Heads::Ellipsoidal { depth_mm: row.number("D_m") * 1e3 / 4.0 },
            "conical_0.2" => Heads::Conical { depth_mm: 200.0 },
            "spherical_0.3" => Heads::Spherical { depth_mm: 300.0 },
            other => panic!("{other}: no such head"),
        };
        check(&lying(&row, heads), &row);
    }
}

/// Any tank a person could have; strapping tables of a few rows.
fn shapes() -> impl Strategy<Value = TankShape> {
    let side = || 50.0..3000.0_f64;
    let boxes = prop::collection::vec((side(), side(), 20.0..500.0_f64), 1..5).prop_map(|parts| {
        let mut floor_mm = 0.0;
        let stacked = parts.into_iter().map(|(length_mm, width_mm, height_mm)| {
            let part = BoxPart { length_mm, width_mm, floor_mm, top_mm: floor_mm + height_mm };
            floor_mm = part.top_mm;
            part
        });
        TankShape::Boxes(stacked.collect())
    });
    let sloped =
        (side(), side(), 0.0..1.0_f64, side()).prop_map(|(length_mm, width_mm, share, height_mm)| {
            TankShape::SlopedFloor { length_mm, width_mm, drop_mm: share * height_mm, height_mm }
        });
    let heads = prop_oneof![
        Just(Heads::Flat),
        (0.5..3.0_f64, 0.01..0.49_f64).prop_map(|(dish, knuckle)| Heads::Torispherical { dish, knuckle }),
        side().prop_map(|depth_mm| Heads::Ellipsoidal { depth_mm }),
        side().prop_map(|depth_mm| Heads::Conical { depth_mm }),
        (1.0..25.0_f64).prop_map(|depth_mm| Heads::Spherical { depth_mm }),
    ];
    let cylinder = (side(), side(), heads).prop_map(|(diameter_mm, length_mm, heads)| {
        TankShape::LyingCylinder { diameter_mm, length_mm, heads }
    });
    let strapping = prop::collection::vec((1.0..200.0_f64, 0.1..300.0_f64), 2..8).prop_map(|steps| {
        let rising = steps.into_iter().scan((0.0, 0.0), |(mm, litres), (dmm, dl)| {
            (*mm, *litres) = (*mm + dmm, *litres + dl);
            Some((*mm, *litres))
        });
        TankShape::Strapping(rising.collect())
    });
    prop_oneof![boxes, sloped, cylinder, strapping]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn volume_rises_with_the_level_and_leads_back_to_it(shape in shapes(), shares in prop::collection::vec(0.0..=1.0_f64, 2..20)) {
        let tank = tank(&shape);
        let mut levels: Vec<f64> = shares.iter().map(|s| s * tank.height_mm()).collect();
        levels.sort_by(f64::total_cmp);
        let volumes: Vec<f64> = levels.iter().map(|h| tank.volume_l(*h)).collect();
        prop_assert!(volumes.windows(2).all(|v| v[0] <= v[1]), "{levels:?} {volumes:?}");
        for (level, litres) in levels.iter().zip(&volumes) {
            prop_assert!((0.0..=tank.capacity_l()).contains(litres));
            // Back in volume: where the surface is small a tiny volume is much level.
            let back = tank.volume_l(tank.level_mm(*litres));
            prop_assert!((back - litres).abs() <= 1e-9 * tank.capacity_l(), "{level} mm {litres} L {back} L");
        }
    }

    #[test]
    fn no_question_is_answered_with_nan(shape in shapes(), question in prop::num::f64::ANY) {
        let tank = tank(&shape);
        prop_assert!(tank.volume_l(question).is_finite());
        prop_assert!(tank.level_mm(question).is_finite());
        prop_assert!(tank.area_at(question).is_finite());
    }

    #[test]
    fn no_description_makes_a_tank_that_is_none(length_mm in prop::num::f64::ANY, width_mm in prop::num::f64::ANY, height_mm in prop::num::f64::ANY) {
        let shapes = [
            plain_box(length_mm, width_mm, height_mm),
            TankShape::SlopedFloor { length_mm, width_mm, drop_mm: 0.0, height_mm },
            TankShape::LyingCylinder { diameter_mm: height_mm, length_mm, heads: Heads::Ellipsoidal { depth_mm: width_mm } },
            TankShape::Strapping(vec![(0.0, 0.0), (length_mm, width_mm)]),
        ];
        for tank in shapes.iter().filter_map(|shape| Tank::new(shape).ok()) {
            prop_assert!(tank.capacity_l().is_finite() && tank.height_mm() > 0.0);
        }
    }
}
