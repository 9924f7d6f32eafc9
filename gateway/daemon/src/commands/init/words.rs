//! Answers as people write them to texts that the configuration reads: decimal commas, gallons, inches, grades of hardness.
//!
//! Whether an answer can be is the configuration's to say; here only spellings change.

/// What kind of answer is expected.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Form {
    /// As it is.
    Text,
    /// One of these words.
    OneOf(&'static [&'static str]),
    /// Several of these words.
    SomeOf(&'static [&'static str]),
    /// A plain number.
    Number,
    /// A number with a unit.
    Measure,
    /// A hardness with its unit.
    Hardness,
    /// Pairs of numbers.
    Pairs,
}

/// Everyday words for units, as the configuration spells them.
const UNITS: &[(&str, &str)] = &[
    ("gal", "[gal_us]"),
    ("gals", "[gal_us]"),
    ("gallon", "[gal_us]"),
    ("gallons", "[gal_us]"),
    ("\"", "in"),
    ("inch", "in"),
    ("inches", "in"),
    ("l", "L"),
    ("ltr", "L"),
    ("liter", "L"),
    ("liters", "L"),
    ("litre", "L"),
    ("litres", "L"),
    ("millimetres", "mm"),
    ("centimetres", "cm"),
    ("µs", "uS/cm"),
    ("us", "uS/cm"),
    ("µs/cm", "uS/cm"),
    ("us/cm", "uS/cm"),
    ("ms", "mS/cm"),
    ("ms/cm", "mS/cm"),
];

/// Everyday words for grades of hardness.
const GRADES: &[(&str, &str)] = &[
    ("dh", "°dH"),
    ("°dh", "°dH"),
    ("fh", "°fH"),
    ("°fh", "°fH"),
    ("°f", "°fH"),
    ("ppm", "mg/L"),
    ("mg/l", "mg/L"),
    ("gpg", "gpg"),
    ("grains", "gpg"),
];

/// The answer as the configuration spells it, or what is wrong and what would be right.
pub(super) fn tidy(form: Form, text: &str) -> Result<String, (String, String)> {
    let text = text.trim();
    match form {
        Form::Text => Ok(text.to_owned()),
        Form::OneOf(words) => one_of(words, text),
        Form::SomeOf(words) => {
            let mut found = Vec::new();
            for part in text.split([',', ' ', ';']).filter(|part| !part.is_empty()) {
                let word = one_of(words, part)?;
                if !found.contains(&word) {
                    found.push(word);
                }
            }
            if found.is_empty() {
                return Err(("nothing is named".to_owned(), format!("write some of {}", words.join(", "))));
            }
            Ok(found.join(", "))
        }
        Form::Number => {
            let plain = pointed(text);
            let plain = plain.strip_suffix('%').unwrap_or(&plain).trim();
            match plain.parse::<f64>() {
                Ok(number) if number.is_finite() => Ok(number.to_string()),
                _ => Err((format!("\"{text}\" is no number"), "write a number, as in 7.5".to_owned())),
            }
        }
        Form::Measure => Ok(with_unit(text, UNITS)),
        Form::Hardness => Ok(with_unit(text, GRADES)),
        Form::Pairs => pairs(text)
            .map(|pairs| pairs.iter().map(|(a, b)| format!("{a} {b}")).collect::<Vec<_>>().join("; ")),
    }
}

fn one_of(words: &[&str], text: &str) -> Result<String, (String, String)> {
    let folded = text.to_lowercase();
    let exact = words.iter().find(|word| **word == folded);
    let mut begun = words.iter().filter(|word| word.starts_with(&folded) && !folded.is_empty());
    let begun = match (begun.next(), begun.next()) {
        (Some(word), None) => Some(word),
        _ => None,
    };
    exact.or(begun).map(|word| (*word).to_owned()).ok_or_else(|| {
        (format!("\"{text}\" is none of the answers"), format!("write one of {}", words.join(", ")))
    })
}

/// A comma between two digits is a decimal point.
fn pointed(text: &str) -> String {
    let letters: Vec<char> = text.chars().collect();
    let digit = |at: Option<usize>| at.and_then(|at| letters.get(at)).is_some_and(char::is_ascii_digit);
    letters
        .iter()
        .enumerate()
        .map(|(at, &c)| if c == ',' && digit(at.checked_sub(1)) && digit(Some(at + 1)) { '.' } else { c })
        .collect()
}

fn with_unit(text: &str, units: &[(&str, &str)]) -> String {
    let text = pointed(text);
    let end =
        text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))).unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    let unit = unit.trim();
    let folded = unit.to_lowercase().replace('\u{3bc}', "µ");
    let known = units.iter().find(|(word, _)| *word == folded).map_or(unit, |(_, code)| code);
    format!("{number} {known}").trim().to_owned()
}

/// "0 560; 3 1010" or one pair a comma: numbers two by two.
pub(super) fn pairs(text: &str) -> Result<Vec<(f64, f64)>, (String, String)> {
    let cure = || "write pairs with a semicolon between them, as in \"0 560; 3 1010; 5 1290\"".to_owned();
    let mut found = Vec::new();
    for part in
        text.split(';').flat_map(|part| part.split(", ")).map(str::trim).filter(|part| !part.is_empty())
    {
        let plain = pointed(part);
        let numbers: Vec<f64> = plain
            .split_whitespace()
            .filter_map(|word| word.parse().ok())
            .filter(|n: &f64| n.is_finite())
            .collect();
        match numbers.as_slice() {
            [first, second] if plain.split_whitespace().count() == 2 => found.push((*first, *second)),
            _ => return Err((format!("\"{part}\" is no pair of numbers"), cure())),
        }
    }
    if found.is_empty() { Err(("there is no pair of numbers".to_owned(), cure())) } else { Ok(found) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_of_the_trade_become_those_of_the_configuration() {
        for (form, typed, written) in [
            (Form::Measure, "12.2 in", "12.2 in"),
            (Form::Measure, "12,2\"", "12.2 in"),
            (Form::Measure, "9 gal", "9 [gal_us]"),
            (Form::Measure, "35 l", "35 L"),
            (Form::Measure, "1,3 mS", "1.3 mS/cm"),
            (Form::Measure, "560 µS/cm", "560 uS/cm"),
            (Form::Measure, "310mm", "310 mm"),
            (Form::Hardness, "13,4 dH", "13.4 °dH"),
            (Form::Hardness, "14 gpg", "14 gpg"),
            (Form::Hardness, "240 ppm", "240 mg/L"),
            (Form::Number, "7,5 %", "7.5"),
            (Form::OneOf(&["box", "strapping"]), "Str", "strapping"),
            (Form::SomeOf(&["ph", "level", "temperature"]), "level ph, ph", "level, ph"),
            (Form::Pairs, "0 560; 3,5 1010", "0 560; 3.5 1010"),
        ] {
            assert_eq!(tidy(form, typed).as_deref(), Ok(written), "{typed}");
        }
    }

    #[test]
    fn what_is_no_answer_is_said_with_what_would_be() {
        for (form, typed, cure) in [
            (Form::Number, "seven", "write a number"),
            (Form::OneOf(&["uk", "us"]), "u", "write one of uk, us"),
            (Form::SomeOf(&["ph", "level"]), "", "write some of ph, level"),
            (Form::Pairs, "0 560 3", "write pairs"),
            (Form::Pairs, "", "write pairs"),
        ] {
            let (_, said) = tidy(form, typed).unwrap_err();
            assert!(said.contains(cure), "{typed}: {said}");
        }
    }
}
