//! The shape of a tank: which keys belong to it, and sizes that can be.

use sumpwarden_core::estimate::settings::{BoxPart, Heads, TankShape};

use super::super::file::{BoxTable, HeadsWord, Shape, TankTable};
use super::super::quantity::Measure;
use super::notes::{At, Notes, number};

/// Smallest length that can be meant, mm.
const LENGTH_MIN: f64 = 1.0;

pub(super) fn tank(notes: &mut Notes<'_>, at: &At, table: &TankTable) -> Option<TankShape> {
    let shape = notes.require(at, "shape", table.shape, "\"box\"")?;
    let (word, belonging) = keys_of(shape);
    for (key, written) in written_keys(table) {
        if written && !belonging.contains(&key) {
            let what = format!("`{key}` does not belong to a tank of shape \"{word}\"");
            notes.wrong(&at.key(key), what, format!("its keys are {}", belonging.join(", ")));
        }
    }
    match shape {
        Shape::Box => {
            let [length_mm, width_mm, top_mm] = lengths(notes, at, table, ["length", "width", "height"])?;
            Some(TankShape::Boxes(vec![BoxPart { length_mm, width_mm, floor_mm: 0.0, top_mm }]))
        }
        Shape::Boxes => {
            let parts = required_parts(notes, at, table)?;
            boxes(notes, &at.key("parts"), parts)
        }
        Shape::SlopedFloor => {
            let keys = ["length", "width", "height", "drop"];
            let [length_mm, width_mm, height_mm, drop_mm] = lengths(notes, at, table, keys)?;
            if drop_mm >= height_mm {
                let what = format!(
                    "the floor rises by {} mm, the walls stand {} mm",
                    number(drop_mm),
                    number(height_mm)
                );
                notes.wrong(&at.key("drop"), what, "`drop` is less than `height`");
            }
            Some(TankShape::SlopedFloor { length_mm, width_mm, drop_mm, height_mm })
        }
        Shape::LyingCylinder => cylinder(notes, at, table),
        Shape::Strapping => strapping(notes, at, table),
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

fn required_parts<'t>(notes: &mut Notes<'_>, at: &At, table: &'t TankTable) -> Option<&'t [BoxTable]> {
    let example = "[{ length = \"1200 mm\", width = \"700 mm\", floor = \"0 mm\", top = \"400 mm\" }]";
    let parts = notes.require(at, "parts", table.parts.as_deref(), example)?;
    if parts.is_empty() {
        notes.wrong(&at.key("parts"), "`parts` is empty", format!("write parts = {example}"));
        return None;
    }
    Some(parts)
}

fn boxes(notes: &mut Notes<'_>, at: &At, parts: &[BoxTable]) -> Option<TankShape> {
    let read: Vec<Option<BoxPart>> = parts
        .iter()
        .enumerate()
        .map(|(index, part)| {
            let at = at.item(index);
            let length = required_length(notes, &at, "length", part.length.as_ref(), LENGTH_MIN);
            let width = required_length(notes, &at, "width", part.width.as_ref(), LENGTH_MIN);
            let floor = required_length(notes, &at, "floor", part.floor.as_ref(), 0.0);
            let top = required_length(notes, &at, "top", part.top.as_ref(), LENGTH_MIN);
            let (floor, top) = (floor?, top?);
            if floor >= top {
                let what = format!("the box stands from {} mm to {} mm", number(floor), number(top));
                notes.wrong(&at.key("top"), what, "`top` lies above `floor`");
                return None;
            }
            Some(BoxPart { length_mm: length?, width_mm: width?, floor_mm: floor, top_mm: top })
        })
        .collect();
    let parts: Vec<BoxPart> = read.into_iter().collect::<Option<_>>()?;
    // From the floor up there must be a box at every height, or the level would have no volume there.
    let mut sorted = parts.clone();
    sorted.sort_by(|a, b| a.floor_mm.total_cmp(&b.floor_mm));
    let mut covered = 0.0_f64;
    for part in &sorted {
        if part.floor_mm > covered {
            let what = format!(
                "no box covers the heights from {} mm to {} mm",
                number(covered),
                number(part.floor_mm)
            );
            notes.wrong(
                at,
                what,
                "the lowest `floor` is 0 mm, and each next box starts at or below the top of another",
            );
            return None;
        }
        covered = covered.max(part.top_mm);
    }
    Some(TankShape::Boxes(parts))
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
        HeadsWord::Torispherical => {
            // Klöpper head: dish radius = diameter, knuckle radius = a tenth of it (DIN 28011).
            let dish =
                notes.within(&at.key("dish"), table.dish.unwrap_or(1.0), (0.5, 2.0), "times the diameter")?;
            let knuckle = table.knuckle.unwrap_or(0.1);
            Heads::Torispherical {
                dish,
                knuckle: notes.within(&at.key("knuckle"), knuckle, (0.0, 0.5), "times the diameter")?,
            }
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

fn strapping(notes: &mut Notes<'_>, at: &At, table: &TankTable) -> Option<TankShape> {
    const EXAMPLE: &str = "[[0, 0], [100, 84], [400, 336]]: mm and litres, both rising";
    let points = notes.require(at, "table", table.table.as_ref(), EXAMPLE)?;
    let at = at.key("table");
    if points.len() < 2 {
        notes.wrong(&at, "the table has fewer than two points", format!("write table = {EXAMPLE}"));
        return None;
    }
    if points[0].0 < 0.0 || points[0].1 < 0.0 || points[points.len() - 1].0 > 100_000.0 {
        notes.wrong(&at, "the table reaches below 0 or above 100 m", format!("write table = {EXAMPLE}"));
        return None;
    }
    rising(notes, &at, points, "mm", "L").then(|| TankShape::Strapping(points.clone()))
}

/// Whether both columns rise from row to row; notes the first row that does not.
pub(super) fn rising(notes: &mut Notes<'_>, at: &At, points: &[(f64, f64)], x: &str, y: &str) -> bool {
    for (index, pair) in points.windows(2).enumerate() {
        let (before, after) = (pair[0], pair[1]);
        if after.0 <= before.0 || after.1 <= before.1 {
            let row = |p: (f64, f64)| format!("[{}, {}]", number(p.0), number(p.1));
            let what = format!("{} does not rise from {} in `{}`", row(after), row(before), at.text());
            notes.wrong(
                &at.item(index + 1),
                what,
                format!("each row has more {x} and more {y} than the one before"),
            );
            return false;
        }
    }
    true
}
