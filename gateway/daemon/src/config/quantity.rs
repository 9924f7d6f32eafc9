//! Texts with a unit: "250 ms", "8 GiB", "310 mm", "13.4 °dH".
//!
//! Each type reads one kind of text and says what is wrong with it and what would be right. Numbers are decimal with a
//! point; a space before the unit may be left out. What a quantity is for is not known here.

use std::fmt;
use std::time::Duration;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::{self, Deserialize, Deserializer, Visitor};
use sumpwarden_core::model::{Unit, hardness_mg_l};

use super::nearest::did_you_mean;

/// What is wrong with a text, and what would be right.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Unreadable {
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub cure: String,
}

impl Unreadable {
    fn new(what: impl Into<String>, cure: impl Into<String>) -> Self {
        Self { what: what.into(), cure: cure.into() }
    }
}

impl fmt::Display for Unreadable {
    /// Two lines: what, cure. The reader of the layered tree takes them apart again.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}\n{}", self.what, self.cure)
    }
}

/// Splits "12.5 mm" into number and unit. The unit may be empty.
fn split(text: &str, example: &str) -> Result<(f64, String), Unreadable> {
    let text = text.trim();
    let number_len = text
        .char_indices()
        .find(|&(i, c)| {
            let exponent = matches!(c, 'e' | 'E') && has_exponent(&text[i + 1..]) && i > 0;
            let sign = matches!(c, '+' | '-') && (i == 0 || matches!(text.as_bytes()[i - 1], b'e' | b'E'));
            !(c.is_ascii_digit() || matches!(c, '.' | ',' | '_') || sign || exponent)
        })
        .map_or(text.len(), |(i, _)| i);
    let (number, unit) = text.split_at(number_len);
    if number.contains(',') {
        return Err(Unreadable::new(
            format!("`{text}` has a comma in its number"),
            format!("write a decimal point, as in \"{example}\""),
        ));
    }
    let value: f64 = number.parse().map_err(|_| {
        Unreadable::new(
            format!("`{text}` does not start with a number"),
            format!("write a number and a unit, as in \"{example}\""),
        )
    })?;
    if !value.is_finite() {
        return Err(Unreadable::new(format!("`{text}` is too large"), format!("as in \"{example}\"")));
    }
    // Both code points that look like a micro sign, and superscripts people paste from data sheets.
    Ok((value, unit.trim().replace('\u{3bc}', "\u{b5}").replace('³', "3")))
}

/// Whether digits follow, so that the "e" before belongs to a number and not to a unit.
fn has_exponent(rest: &str) -> bool {
    rest.trim_start_matches(['+', '-']).starts_with(|c: char| c.is_ascii_digit())
}

/// A length of time: "250 ms", "10 s", "5 min", "2 h", "7 d".
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Lasting(pub Duration);

/// Units of time, with their seconds.
const LASTING_UNITS: &[(&str, f64)] =
    &[("ms", 0.001), ("s", 1.0), ("min", 60.0), ("h", 3600.0), ("d", 86_400.0)];

/// Longest time anything here can be told to take: ten years.
const LASTING_MAX: Duration = Duration::from_secs(3653 * 86_400);

impl Lasting {
    /// Reads a length of time.
    pub fn parse(text: &str) -> Result<Self, Unreadable> {
        const CURE: &str = "write a number and one of ms, s, min, h, d, as in \"250 ms\" or \"5 min\"";
        let (value, unit) = split(text, "10 s")?;
        let Some((_, part)) = LASTING_UNITS.iter().find(|(word, _)| *word == unit) else {
            return Err(match unit.as_str() {
                "" => Unreadable::new(format!("`{text}` has no unit of time"), CURE),
                "m" => {
                    Unreadable::new(format!("`{text}`: `m` is no unit of time"), "write `min` for minutes")
                }
                other => Unreadable::new(format!("`{text}`: `{other}` is no unit of time"), CURE),
            });
        };
        let seconds = value * part;
        if seconds < 0.0 {
            return Err(Unreadable::new(format!("`{text}` is negative"), "a length of time is zero or more"));
        }
        if seconds > LASTING_MAX.as_secs_f64() {
            return Err(Unreadable::new(
                format!("`{text}` is longer than ten years"),
                "write a shorter time",
            ));
        }
        // Whole microseconds: 0.1 s must not come out as 100000001 ns.
        Ok(Self(Duration::from_micros((seconds * 1e6).round() as u64)))
    }
}

/// Writes a length of time as people write it here: the largest unit that leaves a whole number.
pub fn lasting_text(time: Duration) -> String {
    let micros = time.as_micros();
    for (unit, size) in [("d", 86_400_000_000), ("h", 3_600_000_000), ("min", 60_000_000), ("s", 1_000_000)] {
        if micros >= size && micros.is_multiple_of(size) {
            return format!("{} {unit}", micros / size);
        }
    }
    format!("{} ms", micros as f64 / 1000.0)
}

/// Units of memory and disk, with their bytes.
const SIZE_UNITS: &[(&str, f64)] = &[
    ("B", 1.0),
    ("kB", 1e3),
    ("MB", 1e6),
    ("GB", 1e9),
    ("TB", 1e12),
    ("KiB", 1024.0),
    ("MiB", 1_048_576.0),
    ("GiB", 1_073_741_824.0),
    ("TiB", 1_099_511_627_776.0),
];

/// An amount of memory or disk: "8 GiB", "256 KiB", "500 MB".
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Size(pub u64);

impl Size {
    /// Reads an amount.
    pub fn parse(text: &str) -> Result<Self, Unreadable> {
        const CURE: &str = "write a number and one of B, KiB, MiB, GiB, TiB, kB, MB, GB, TB, as in \"8 GiB\"";
        let (value, unit) = split(text, "8 GiB")?;
        let Some((_, factor)) = SIZE_UNITS.iter().find(|(word, _)| *word == unit) else {
            let what = match unit.as_str() {
                "" => format!("`{text}` has no unit of size"),
                other => format!("`{text}`: `{other}` is no unit of size"),
            };
            let near = did_you_mean(&unit, SIZE_UNITS.iter().map(|(word, _)| *word));
            return Err(Unreadable::new(what, format!("{near}{CURE}")));
        };
        let bytes = value * factor;
        if bytes < 0.0 {
            return Err(Unreadable::new(format!("`{text}` is negative"), CURE));
        }
        if bytes > 1e15 {
            return Err(Unreadable::new(format!("`{text}` is more than a petabyte"), CURE));
        }
        Ok(Self(bytes.round() as u64))
    }
}

/// A number, with a unit if it was a text.
#[derive(Clone, PartialEq, Debug)]
pub struct Measure {
    /// The number.
    pub value: f64,
    /// Its unit, where the text has one.
    pub unit: Option<Unit>,
}

impl Measure {
    /// Reads a number with or without a unit.
    pub fn parse(text: &str) -> Result<Self, Unreadable> {
        let (value, unit) = split(text, "310 mm")?;
        if unit.is_empty() {
            return Ok(Self { value, unit: None });
        }
        match Unit::parse(&unit) {
            Some(unit) => Ok(Self { value, unit: Some(unit) }),
            None => Err(Unreadable::new(
                format!("`{text}`: `{unit}` is no unit known here"),
                format!("{}units are {}", suggest_unit(&unit), units_text()),
            )),
        }
    }
}

/// What people write for units whose code looks different.
const EVERYDAY: &[(&str, &str)] = &[
    ("celsius", "Cel"),
    ("degc", "Cel"),
    ("c", "Cel"),
    ("fahrenheit", "[degF]"),
    ("degf", "[degF]"),
    ("f", "[degF]"),
    ("inch", "[in_i]"),
    ("inches", "[in_i]"),
    ("gal", "[gal_us]"),
    ("gallon", "[gal_us]"),
    ("gallons", "[gal_us]"),
    ("litre", "L"),
    ("litres", "L"),
    ("liter", "L"),
    ("liters", "L"),
    ("percent", "%"),
];

/// "did you mean `mm`? " for a unit written in another case, in words, or nearly right.
pub fn suggest_unit(text: &str) -> String {
    let folded = text.to_lowercase();
    let same = Unit::ALL.iter().map(|u| u.ucum()).find(|code| code.eq_ignore_ascii_case(text));
    let said = same.or_else(|| EVERYDAY.iter().find(|(word, _)| *word == folded).map(|(_, code)| *code));
    let near = said.or_else(|| super::nearest::nearest(text, Unit::ALL.iter().map(|u| u.ucum())));
    near.map_or_else(String::new, |unit| format!("did you mean `{unit}`? "))
}

/// All units, for an error text.
pub fn units_text() -> String {
    Unit::ALL.iter().map(|u| u.ucum()).collect::<Vec<_>>().join(", ")
}

/// Total hardness, mg/L as CaCO3, from the units in use for it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Hardness(pub f64);

impl Hardness {
    /// Reads a hardness.
    pub fn parse(text: &str) -> Result<Self, Unreadable> {
        const CURE: &str = "write a number and one of mg/L (as CaCO3), mmol/L, °dH, °fH, °e, gpg, as in \"240 mg/L\" or \"13.4 °dH\"";
        let (value, unit) = split(text, "240 mg/L")?;
        let Some(mg_l) = hardness_mg_l(value, &unit) else {
            let what = match unit.as_str() {
                "" => format!("`{text}` has no unit of hardness"),
                _ => format!("`{text}`: `{unit}` is no unit of hardness"),
            };
            return Err(Unreadable::new(what, CURE));
        };
        if !(0.0..=10_000.0).contains(&mg_l) {
            return Err(Unreadable::new(
                format!("`{text}` is {mg_l:.0} mg/L as CaCO3, which no water has"),
                "a hardness lies between 0 and 10000 mg/L as CaCO3",
            ));
        }
        Ok(Self(mg_l))
    }
}

/// Spellings of units of hardness.
const HARDNESS_UNITS: &[&str] =
    &["mg/L", "mg/l", "ppm", "mmol/L", "mmol/l", "°dH", "dH", "°fH", "fH", "°e", "°Clark", "gpg"];

/// Spellings of units beside their codes.
const ALSO_UNITS: &[&str] =
    &["pH", "l", "l/min", "l/h", "°C", "°F", "µS/cm", "μS/cm", "µS", "μS", "/", "in", "Ω", "m³", "m³/h"];

/// A regular expression for a number with one of these units behind it.
fn pattern<'u>(units: impl IntoIterator<Item = &'u str>, sign: &str) -> String {
    let special = |c: char| "\\^$.|?*+()[]{}/".contains(c) && c != '/';
    let escaped = |unit: &str| {
        let letters = unit.chars().map(|c| if special(c) { format!("\\{c}") } else { c.to_string() });
        letters.collect::<String>()
    };
    let units: Vec<String> = units.into_iter().map(escaped).collect();
    format!(r"^\s*{sign}([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*({})\s*$", units.join("|"))
}

/// What a text with a unit is, for the schema.
fn text_schema(description: &str, pattern: &str) -> Schema {
    json_schema!({ "type": "string", "description": description, "pattern": pattern })
}

impl JsonSchema for Measure {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Measure".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let units = Unit::ALL.iter().map(|unit| unit.ucum()).chain(ALSO_UNITS.iter().copied());
        let pattern = pattern(units.chain([""]), "[+-]?");
        json_schema!({ "type": ["number", "string"], "description": MEASURE, "pattern": pattern })
    }
}

macro_rules! read_text {
    ($type:ident, $units:expr, $expecting:literal) => {
        impl JsonSchema for $type {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($type).into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                text_schema($expecting, &pattern($units, r"\+?"))
            }
        }

        impl<'de> Deserialize<'de> for $type {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct Reader;
                impl Visitor<'_> for Reader {
                    type Value = $type;

                    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                        f.write_str($expecting)
                    }

                    fn visit_str<E: de::Error>(self, text: &str) -> Result<$type, E> {
                        $type::parse(text).map_err(E::custom)
                    }
                }
                deserializer.deserialize_str(Reader)
            }
        }
    };
}

read_text!(
    Lasting,
    LASTING_UNITS.iter().map(|(unit, _)| *unit),
    "a length of time in quotes, as in \"10 s\""
);
read_text!(Size, SIZE_UNITS.iter().map(|(unit, _)| *unit), "a size in quotes, as in \"8 GiB\"");
read_text!(
    Hardness,
    HARDNESS_UNITS.iter().copied(),
    "a hardness in quotes, as in \"240 mg/L\" or \"13.4 °dH\""
);

const MEASURE: &str = "a number, or a number with its unit in quotes, as in \"310 mm\"";

impl<'de> Deserialize<'de> for Measure {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl Visitor<'_> for Reader {
            type Value = Measure;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(MEASURE)
            }

            fn visit_i64<E: de::Error>(self, value: i64) -> Result<Measure, E> {
                Ok(Measure { value: value as f64, unit: None })
            }

            fn visit_f64<E: de::Error>(self, value: f64) -> Result<Measure, E> {
                Ok(Measure { value, unit: None })
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Measure, E> {
                Measure::parse(text).map_err(E::custom)
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_sizes_read_as_written() {
        let ms = |text| Lasting::parse(text).map(|t| t.0.as_micros() as f64 / 1000.0);
        assert_eq!(ms("250 ms"), Ok(250.0));
        assert_eq!(ms("0.1s"), Ok(100.0));
        assert_eq!(ms("5 min"), Ok(300_000.0));
        assert_eq!(ms("1.5 h"), Ok(5_400_000.0));
        assert_eq!(ms("7 d"), Ok(604_800_000.0));
        for wrong in ["", "s", "10", "10 m", "-1 s", "1e99 d", "1,5 h", "1 fortnight", "NaN s", "inf d"] {
            assert!(Lasting::parse(wrong).is_err(), "{wrong}");
        }
        assert_eq!(Size::parse("8 GiB"), Ok(Size(8 << 30)));
        assert_eq!(Size::parse("500 MB"), Ok(Size(500_000_000)));
        for wrong in ["8", "8 GiBit", "-1 B", "1e30 TB"] {
            assert!(Size::parse(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_time_is_written_back_in_its_largest_whole_unit() {
        for text in ["250 ms", "10 s", "90 s", "5 min", "2 h", "7 d", "0.5 ms"] {
            assert_eq!(lasting_text(Lasting::parse(text).expect("reads").0), text);
        }
    }

    #[test]
    fn every_unit_of_the_schema_is_read() {
        assert!(HARDNESS_UNITS.iter().all(|unit| Hardness::parse(&format!("1 {unit}")).is_ok()));
        for unit in ALSO_UNITS {
            assert!(Measure::parse(&format!("1 {unit}")).is_ok_and(|m| m.unit.is_some()), "{unit}");
        }
    }

    #[test]
    fn measures_carry_their_unit() {
        assert_eq!(Measure::parse("12.2 in"), Ok(Measure { value: 12.2, unit: Some(Unit::Inch) }));
        assert_eq!(
            Measure::parse("560 μS/cm"),
            Ok(Measure { value: 560.0, unit: Some(Unit::MicrosiemensPerCm) })
        );
        assert_eq!(Measure::parse("-1.5e3 Pa"), Ok(Measure { value: -1500.0, unit: Some(Unit::Pascal) }));
        assert_eq!(Measure::parse("7"), Ok(Measure { value: 7.0, unit: None }));
        assert!(Measure::parse("310 MM").expect_err("UCUM is case sensitive").cure.contains("`mm`"));
    }

    /// Published conversion grid: 1 mmol/L = 100.1 mg/L = 5.608 °dH = 5.847 gpg = 7.022 °e = 10.01 °fH; 1 °dH =
    /// 17.848, 1 gpg = 17.118, 1 °e = 14.254 mg/L as CaCO3 (liquisearch.com, hard water, measurement).
    #[test]
    fn hardness_agrees_with_the_published_factors() {
        let mg_l = |text| Hardness::parse(text).expect("reads").0;
        for (text, published) in [
            ("1 mmol/L", 100.086),
            ("1 °dH", 17.848),
            ("1 gpg", 17.118),
            ("1 °fH", 10.0),
            ("1 °e", 14.254),
            ("5.608 °dH", 100.1),
            ("5.847 gpg", 100.1),
            ("7.022 °e", 100.1),
            ("10.01 °fH", 100.1),
            ("240 mg/l", 240.0),
        ] {
            assert!(
                (mg_l(text) / published - 1.0).abs() < 2e-4,
                "{text}: {} against {published}",
                mg_l(text)
            );
        }
        for wrong in ["240", "13 dg", "-1 mg/L", "99999 mg/L"] {
            assert!(Hardness::parse(wrong).is_err(), "{wrong}");
        }
    }
}
