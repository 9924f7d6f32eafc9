//! What was booked of a sump against what is in it.

use sumpwarden_sim::scenario::Plant;

/// Books against what is there: equal but for rounding, and only acid may be less than none. `name` is for the message.
pub(crate) fn assert_close(plant: &Plant, name: &str) {
    for sump in plant.world().sumps() {
        let (books, there, added) = (sump.ledger().balance(), sump.content(), sump.ledger().added);
        for (what, booked, found, moved) in [
            ("liquid", books.liquid_l, there.liquid_l, added.liquid_l + 300.0),
            ("concentrate", books.concentrate_l, there.concentrate_l, added.concentrate_l + 20.0),
            ("hardness", books.hardness_g, there.hardness_g, added.hardness_g + 100.0),
            ("chloride", books.chloride_mmol, there.chloride_mmol, added.chloride_mmol + 300.0),
            ("sodium", books.sodium_mmol, there.sodium_mmol, added.sodium_mmol + 300.0),
            ("amine", books.amine_mmol, there.amine_mmol, added.amine_mmol + 3000.0),
            ("acid", books.acid_mmol, there.acid_mmol, 1e4),
        ] {
            assert!((booked - found).abs() < 1e-9 * moved, "{name}: {what} {found}, by the books {booked}");
            assert!(found.is_finite() && (what == "acid" || found >= 0.0), "{name}: {what} {found}");
        }
    }
}
