//! The shape of a tank: which keys belong to it, and sizes that can be.

use sumpwarden_core::estimate::settings::{BoxPart, Heads, TankShape};
use sumpwarden_core::estimate::tank::{Tank, TankError};

use super::super::file::{BoxTable, HeadsWord, Shape, TankTable};
use super::super::quantity::Measure;
use super::notes::{At, Notes, note_two_parts};

/// Smallest length that can be meant, mm.
const LENGTH_MIN: f64 = 1.0;

/// The shape and the tank of it.
pub(super) fn tank(notes: &mut Notes<'_>, at: &At, table: &TankTable) -> Option<(TankShape, Tank)> {
    let word = notes.require(at, "shape", table.shape, "\"box\"")?;
    let (name, belonging) = keys_of(word);
    for (key, written) in written_keys(table) {
        if written && !belonging.contains(&key) {
            let what = format!("`{key}` does not belong to a tank of shape \"{name}\"");
            notes.wrong(&at.key(key), what, format!("its keys are {}", belonging.join(", ")));
        }
    }
    let shape = shape(notes, at, table, word)?;
    match Tank::new(&shape) {
        Ok(tank) => Some((shape, tank)),
        Err(error) => {
            note_two_parts(notes, &offending(at, &error), &error.to_string());
            None
        }
    }
}

fn shape(notes: &mut Notes<'_>, at: &At, table: &TankTable, word: Shape) -> Option<TankShape> {
    Some(match word {
        Shape::Box => {
            let [length_mm, width_mm, top_mm] = lengths(notes, at, table, ["length", "width", "height"])?;
            TankShape::Boxes(vec![BoxPart { length_mm, width_mm, floor_mm: 0.0, top_mm }])
        }
        Shape::Boxes => {
            const PARTS: &str =
                "[{ length = \"1200 mm\", width = \"700 mm\", floor = \"0 mm\", top = \"400 mm\" }]";
            let parts = notes.require(at, "parts", table.parts.as_deref(), PARTS)?;
            TankShape::Boxes(boxes(notes, &at.key("parts"), parts)?)
        }
        Shape::SlopedFloor => {
            let keys = ["length", "width", "height", "drop"];
            let [length_mm, width_mm, height_mm, drop_mm] = lengths(notes, at, table, keys)?;
            TankShape::SlopedFloor { length_mm, width_mm, drop_mm, height_mm }
        }
        Shape::LyingCylinder => cylinder(notes, at, table)?,
        Shape::Strapping => {
            let example = "[[0, 0], [100, 84], [400, 336]]: mm and litres, both rising";
            TankShape::Strapping(notes.require(at, "table", table.table.clone(), example)?)
        }
    })
}

/// The key that a tank's mistake lies in.
fn offending(at: &At, error: &TankError) -> At {
    match error {
        TankError::NotPositive { .. } | TankError::TooLong { .. } => at.clone(),
        TankError::NoParts | TankError::LowestFloor { .. } | TankError::Gap { .. } => at.key("parts"),
        TankError::PartUpsideDown { part, .. } => at.key("parts").item(*part).key("top"),
        TankError::Drop { .. } => at.key("drop"),
        TankError::Dish { .. } => at.key("dish"),
        TankError::Knuckle { .. } => at.key("knuckle"),
        TankError::HeadDepth { .. } => at.key("depth"),
        TankError::TooFewRows { .. } => at.key("table"),
        TankError::NotRising { row, .. } => at.key("table").item(*row),
        TankError::Negative { .. } | TankError::FullAtFloor { .. } => at.key("table").item(0),
    }
}

fn keys_of(shape: Shape) -> (&'static str, &'static [&'static str]) {
    match shape {
        Shape::Box => ("box", &["length", "width", "height"]),
        Shape::Boxes => ("boxes", &["parts"]),
        Shape::SlopedFloor => ("sloped-floor", &["length", "width", "height", "drop"]),
        Shape::LyingCylinder => {
            ("lying-cylinder", &["diameter", "length", "heads", "dish", "knuckle", "depth"])
        }
        Shape::Strapping => ("strapping", &["table"]),
    }
}

fn written_keys(table: &TankTable) -> [(&'static str, bool); 11] {
    [
        ("length", table.length.is_some()),
        ("width", table.width.is_some()),
        ("height", table.height.is_some()),
        ("drop", table.drop.is_some()),
        ("diameter", table.diameter.is_some()),
        ("heads", table.heads.is_some()),
        ("dish", table.dish.is_some()),
        ("knuckle", table.knuckle.is_some()),
        ("depth", table.depth.is_some()),
        ("parts", table.parts.is_some()),
        ("table", table.table.is_some()),
    ]
}

/// Lengths that all must be there; every missing or wrong one is noted.
fn lengths<const N: usize>(
    notes: &mut Notes<'_>,
    at: &At,
    table: &TankTable,
    keys: [&str; N],
) -> Option<[f64; N]> {
    let found = keys.map(|key| {
        let measure = match key {
            "length" => &table.length,
            "width" => &table.width,
            "height" => &table.height,
            "drop" => &table.drop,
            "diameter" => &table.diameter,
            _ => unreachable!("only the keys above are lengths that must be there"),
        };
        required_length(notes, at, key, measure.as_ref(), LENGTH_MIN)
    });
    let mut out = [0.0; N];
    for (slot, found) in out.iter_mut().zip(found) {
        *slot = found?;
    }
    Some(out)
}

fn required_length(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    measure: Option<&Measure>,
    least: f64,
) -> Option<f64> {
    let measure = notes.require(at, key, measure, "\"400 mm\"")?;
    notes.length(&at.key(key), measure, least)
}

/// Boxes with all their lengths; every missing or wrong one is noted.
fn boxes(notes: &mut Notes<'_>, at: &At, parts: &[BoxTable]) -> Option<Vec<BoxPart>> {
    let read: Vec<Option<BoxPart>> = parts
        .iter()
        .enumerate()
        .map(|(index, part)| {
            let at = at.item(index);
            let length = required_length(notes, &at, "length", part.length.as_ref(), LENGTH_MIN);
            let width = required_length(notes, &at, "width", part.width.as_ref(), LENGTH_MIN);
            let floor = required_length(notes, &at, "floor", part.floor.as_ref(), 0.0);
            let top = required_length(notes, &at, "top", part.top.as_ref(), LENGTH_MIN);
            Some(BoxPart { length_mm: length?, width_mm: width?, floor_mm: floor?, top_mm: top? })
        })
        .collect();
    read.into_iter().collect()
}

fn cylinder(notes: &mut Notes<'_>, at: &At, table: &TankTable) -> Option<TankShape> {
    let sizes = lengths(notes, at, table, ["diameter", "length"]);
    let heads = notes.require(at, "heads", table.heads, "\"flat\"")?;
    let unfit = match heads {
        HeadsWord::Flat => vec![
            ("dish", table.dish.is_some()),
            ("knuckle", table.knuckle.is_some()),
            ("depth", table.depth.is_some()),
        ],
        HeadsWord::Torispherical => vec![("depth", table.depth.is_some())],
        HeadsWord::Ellipsoidal => vec![("dish", table.dish.is_some()), ("knuckle", table.knuckle.is_some())],
    };
    for (key, _) in unfit.into_iter().filter(|(_, written)| *written) {
        notes.wrong(&at.key(key), format!("`{key}` does not belong to these heads"), "delete it");
    }
    let [diameter_mm, length_mm] = sizes?;
    let heads = match heads {
        HeadsWord::Flat => Heads::Flat,
        // Dish radius = diameter, knuckle radius = a tenth of it: the common head (DIN 28011).
        HeadsWord::Torispherical => {
            Heads::Torispherical { dish: table.dish.unwrap_or(1.0), knuckle: table.knuckle.unwrap_or(0.1) }
        }
        HeadsWord::Ellipsoidal => Heads::Ellipsoidal {
            depth_mm: match &table.depth {
                Some(depth) => notes.length(&at.key("depth"), depth, LENGTH_MIN)?,
                None => diameter_mm / 4.0,
            },
        },
    };
    Some(TankShape::LyingCylinder { diameter_mm, length_mm, heads })
}
