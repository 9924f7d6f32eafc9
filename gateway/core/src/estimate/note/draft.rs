//! What somebody sends, over HTTP, MQTT or the command line, into a [`Note`], or why not and what would be right.
//!
//! Everything in a [`Draft`] is a stranger's text. The form is one flat JSON object:
//!
//! ```json
//! {"sump": "lathe-3", "kind": "brix", "value": "3,7", "by": "Kim", "at": "2026-03-02T08:00:00Z", "text": "from the nozzle"}
//! ```
//!
//! A value may be a number or a text; a text may carry a unit, a decimal comma and powers of ten ("13,4 °dH", "10^4").

use std::fmt;
use std::time::Duration;

use schemars::JsonSchema;
use serde::de::{Deserializer, Visitor};
use serde::{Deserialize, Serialize};

use super::{Gauge, Note, NoteKind, number};
use crate::model::{Line, LineError, Name, ProbeIndex, SumpIndex, Timestamp, Unit, hardness_mg_l};

/// Largest draft, bytes.
pub const DRAFT_BYTES_MAX: usize = 64 << 10;
/// How far a note's own time may lie ahead of the gateway's clock: the clocks of two machines differ.
pub const AHEAD_MAX: Duration = Duration::from_secs(5 * 60);
/// How old a note may be when it comes: five weeks, so that last month's sheet can still be typed in.
pub const AGE_MAX: Duration = Duration::from_secs(35 * 86_400);
/// How old a reading may be to move what is believed of a sump now (common practice, no source).
pub const NEWS_MAX: Duration = Duration::from_secs(2 * 3600);

/// A note as somebody sends it.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Draft {
    /// Name of the sump.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sump: Option<String>,
    /// Word of the kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Number or text with a number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Given>,
    /// Unit of a value that carries none; the kind's own by default.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// RFC 3339; now by default.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// Who.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// In their words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Name of the probe that was calibrated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub probe: Option<String>,
}

/// A value as somebody sends it.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Given {
    /// A JSON number.
    Number(f64),
    /// A text.
    Text(String),
}

impl<'de> Deserialize<'de> for Given {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader;
        impl Visitor<'_> for Reader {
            type Value = Given;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number, or a text with one")
            }

            fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<Given, E> {
                Ok(Given::Number(value as f64))
            }

            fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<Given, E> {
                Ok(Given::Number(value as f64))
            }

            fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Given, E> {
                Ok(Given::Number(value))
            }

            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Given, E> {
                Ok(Given::Text(text.to_owned()))
            }
        }
        deserializer.deserialize_any(Reader)
    }
}

macro_rules! refusals {
    ($($(#[$doc:meta])* $variant:ident $word:literal;)+) => {
        /// Why a note is not taken.
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub enum NoteRefusal { $($(#[$doc])* $variant,)+ }

        impl NoteRefusal {
            /// Every reason.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// Stable word, for counters and for machines.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }
        }
    };
}

refusals! {
    /// Larger than allowed.
    Oversized "oversized";
    /// Not one flat JSON object of the known names.
    Malformed "malformed";
    /// Something that must be there is not.
    Missing "missing";
    /// There is no such sump.
    UnknownSump "unknown_sump";
    /// There is no such kind.
    UnknownKind "unknown_kind";
    /// The sump has no such probe.
    UnknownProbe "unknown_probe";
    /// No number where one must be, or one where none may be.
    BadValue "bad_value";
    /// A number that cannot be meant.
    OutOfRange "out_of_range";
    /// A unit that is unknown or measures something else.
    WrongUnit "wrong_unit";
    /// No time with an offset.
    BadTime "bad_time";
    /// Too far in the future or in the past.
    TimeRefused "time_refused";
    /// A name or remark that is empty, too long or no text.
    BadText "bad_text";
    /// Kept by a broker and without a time of its own: nobody knows whether it is news.
    Retained "retained";
}

/// A refused note, in words. What a stranger wrote is escaped in them and cut.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{what}; {cure}")]
pub struct Refused {
    /// Why, as data.
    pub why: NoteRefusal,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub cure: String,
}

impl Refused {
    /// Refused because of `why`.
    pub fn new(why: NoteRefusal, what: impl Into<String>, cure: impl Into<String>) -> Self {
        Self { why, what: what.into(), cure: cure.into() }
    }
}

impl Draft {
    /// Reads a draft.
    ///
    /// # Errors
    /// [`NoteRefusal::Oversized`] or [`NoteRefusal::Malformed`]: larger than [`DRAFT_BYTES_MAX`], not one flat JSON
    /// object, a name that is unknown or stands there twice, a value of the wrong type.
    pub fn parse(json: &[u8]) -> Result<Self, Refused> {
        if json.len() > DRAFT_BYTES_MAX {
            let what = format!("the note has {} bytes", json.len());
            return Err(Refused::new(NoteRefusal::Oversized, what, "it has at most 65536"));
        }
        serde_json::from_slice(json).map_err(|error| {
            let what = format!("this is no note: {}", shown(&error.to_string()));
            Refused::new(NoteRefusal::Malformed, what, EXAMPLE)
        })
    }
}

const EXAMPLE: &str = "send one JSON object, as in {\"sump\": \"lathe-3\", \"kind\": \"brix\", \"value\": 3.7, \"by\": \"Kim\"}";

/// Sumps and probes that notes may be of.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct NoteBook {
    sumps: Vec<(Name, Probes)>,
}

/// Probes of a sump.
type Probes = Vec<(Name, ProbeIndex)>;

impl NoteBook {
    /// Of these sumps in order, each with its probes.
    pub fn new(sumps: Vec<(Name, Vec<(Name, ProbeIndex)>)>) -> Self {
        Self { sumps }
    }

    /// Names of the sumps, in order.
    pub fn sumps(&self) -> impl Iterator<Item = &str> {
        self.sumps.iter().map(|(name, _)| name.as_str())
    }

    /// The note that `draft` is, received at `received` by the gateway's clock.
    ///
    /// # Errors
    /// The first thing that is wrong with it.
    pub fn check(&self, draft: &Draft, received: Timestamp) -> Result<Note, Refused> {
        let (sump, probes) = self.sump(draft.sump.as_deref())?;
        let kind = kind_of(draft.kind.as_deref())?;
        let probe = match kind {
            NoteKind::Calibrated => Some(probe_of(draft.probe.as_deref(), probes)?),
            _ if draft.probe.is_some() => {
                let what = format!("a note of `{}` is of no probe", kind.word());
                return Err(Refused::new(NoteRefusal::UnknownProbe, what, "leave `probe` away"));
            }
            _ => None,
        };
        let value = value_of(kind, draft.value.as_ref(), draft.unit.as_deref())?;
        let at = time_of(kind, draft.at.as_deref(), received)?;
        let by = require(draft.by.as_deref(), "by", "say who: \"by\": \"Kim\"")?;
        let by = line(by, "by", Line::NAME_CHARS_MAX)?;
        let text =
            draft.text.as_deref().map(|text| line(text, "text", Line::REMARK_CHARS_MAX)).transpose()?;
        if kind == NoteKind::Action && text.is_none() {
            let cure = "say what was done: \"text\": \"skimmed the oil off\"";
            return Err(Refused::new(NoteRefusal::Missing, "an action without `text`", cure));
        }
        Ok(Note { sump, at, kind, value, probe, by: Some(by), text })
    }

    fn sump(&self, name: Option<&str>) -> Result<(SumpIndex, &Probes), Refused> {
        let name = require(name, "sump", "name the sump: \"sump\": \"lathe-3\"")?;
        let found = self.sumps.iter().zip(0..).find(|((known, _), _)| known.as_str() == name);
        let ((_, probes), index) = found.ok_or_else(|| {
            let what = format!("there is no sump \"{}\"", shown(name));
            Refused::new(NoteRefusal::UnknownSump, what, format!("there is: {}", listed(self.sumps())))
        })?;
        Ok((SumpIndex(index), probes))
    }
}

fn require<'d>(field: Option<&'d str>, name: &str, cure: &str) -> Result<&'d str, Refused> {
    field.ok_or_else(|| Refused::new(NoteRefusal::Missing, format!("`{name}` is missing"), cure))
}

fn kind_of(word: Option<&str>) -> Result<NoteKind, Refused> {
    let word = require(word, "kind", "say what it is: \"kind\": \"brix\"")?;
    NoteKind::from_word(word).ok_or_else(|| {
        let all = NoteKind::ALL.iter().map(|kind| kind.word()).collect::<Vec<_>>().join(", ");
        let what = format!("there is no kind \"{}\"", shown(word));
        Refused::new(NoteRefusal::UnknownKind, what, format!("the kinds are: {all}"))
    })
}

fn probe_of(name: Option<&str>, probes: &[(Name, ProbeIndex)]) -> Result<ProbeIndex, Refused> {
    let name = require(name, "probe", "say which was calibrated: \"probe\": \"ph\"")?;
    probes.iter().find(|(known, _)| known.as_str() == name).map(|(_, index)| *index).ok_or_else(|| {
        let cure = format!("there is: {}", listed(probes.iter().map(|(known, _)| known.as_str())));
        let what = format!("the sump has no probe \"{}\"", shown(name));
        Refused::new(NoteRefusal::UnknownProbe, what, cure)
    })
}

fn line(text: &str, name: &str, chars_max: usize) -> Result<Line, Refused> {
    Line::new(text, chars_max).map_err(|error| {
        let cure = match &error {
            LineError::Empty => format!("write something, or leave `{name}` away"),
            LineError::TooLong { .. } => format!("it has at most {chars_max}"),
            LineError::Character(_) => "write it in one line of plain text".to_owned(),
        };
        Refused::new(NoteRefusal::BadText, format!("`{name}` {error}"), cure)
    })
}

fn time_of(kind: NoteKind, text: Option<&str>, received: Timestamp) -> Result<Timestamp, Refused> {
    let Some(text) = text else { return Ok(received.floor_to_millis()) };
    let at = Timestamp::parse(text).map_err(|_| {
        let what = format!("`at` is \"{}\"", shown(text));
        let cure =
            "write RFC 3339 with an offset, as in \"2026-03-02T08:00:00Z\" or \"2026-03-02T09:00:00+01:00\"";
        Refused::new(NoteRefusal::BadTime, what, cure)
    })?;
    let refused = |what: String, cure: &str| Err(Refused::new(NoteRefusal::TimeRefused, what, cure));
    let clock = format!("the gateway's clock says {}", received.floor_to_millis());
    if at.since(received) > AHEAD_MAX {
        return refused(format!("`at` lies in the future; {clock}"), "at most 5 minutes ahead are taken");
    }
    if received.since(at) > AGE_MAX {
        return refused(format!("`at` is too long ago; {clock}"), "notes are taken for 35 days");
    }
    if kind == NoteKind::Cleanout && received.since(at) > NEWS_MAX {
        let cure = "it is noted when it begins; to write down an earlier one use kind `action` with a text";
        return refused(format!("a clean-out that began {at} can no longer be followed; {clock}"), cure);
    }
    Ok(at)
}

fn value_of(kind: NoteKind, given: Option<&Given>, unit: Option<&str>) -> Result<f64, Refused> {
    let bad = |what: String, cure: String| Err(Refused::new(NoteRefusal::BadValue, what, cure));
    let example = example(kind);
    if !kind.is_number() {
        let cure = "leave `value` and `unit` away".to_owned();
        return match (given, unit) {
            (None, None) => Ok(1.0),
            _ => bad(format!("a note of `{}` has no number", kind.word()), cure),
        };
    }
    let (value, carried) = match given {
        None if kind == NoteKind::Inspected => (1.0, ""),
        None => return bad(format!("a note of `{}` needs a value", kind.word()), example),
        Some(Given::Number(value)) => (*value, ""),
        Some(Given::Text(text)) => number_and_unit(text)
            .map_err(|what| Refused::new(NoteRefusal::BadValue, what, example.clone()))?,
    };
    let unit = match (carried, unit.map(str::trim)) {
        (carried, None) => carried,
        ("", Some(unit)) => unit,
        (carried, Some(unit)) if carried == unit => carried,
        (carried, Some(unit)) => {
            let what = format!("the value is in `{}`, `unit` says `{}`", shown(carried), shown(unit));
            return Err(Refused::new(NoteRefusal::WrongUnit, what, "keep one of them"));
        }
    };
    let value = in_own_unit(kind.gauge(), value, unit).ok_or_else(|| {
        let what = format!("`{}` is no unit of `{}`", shown(unit), kind.word());
        Refused::new(NoteRefusal::WrongUnit, what, example.clone())
    })?;
    let (low, high) = kind.range();
    if !(low..=high).contains(&value) {
        let what = format!("{} {} cannot be meant", kind.noun(), number(value) + kind.gauge().suffix());
        let cure = format!("it lies from {} to {}{}", number(low), number(high), kind.gauge().suffix());
        return Err(Refused::new(NoteRefusal::OutOfRange, what, cure));
    }
    if kind.gauge().is_whole() && value.fract() != 0.0 {
        return bad(format!("`{}` is {}", kind.word(), number(value)), example);
    }
    Ok(value)
}

fn example(kind: NoteKind) -> String {
    match kind.gauge() {
        Gauge::Grade => "give it a grade: 0 none, 1 a little, 2 plainly, 3 much".to_owned(),
        Gauge::Begun => "write 1 to begin it, 0 to abandon it".to_owned(),
        Gauge::Done => "write 1, or leave the value away".to_owned(),
        Gauge::Percent => "write percent by volume, as in 5.2 or \"5.2 %\"".to_owned(),
        Gauge::Brix => "write what the refractometer shows, as in 3.7".to_owned(),
        Gauge::Hardness => {
            "write it as in \"240 mg/L\" (as CaCO3) or \"13.4 °dH\"; mmol/L, °fH, °e and gpg are known too"
                .to_owned()
        }
        Gauge::MilligramPerLitre => "write mg/L, as in 10 or \"10 mg/L\"".to_owned(),
        Gauge::Ph => "write it as in 9.1".to_owned(),
        Gauge::CfuPerMl => "write colonies per mL, as in 10000 or \"10^4\"".to_owned(),
        Gauge::Millimetre => "write it as in \"45 mm\" or \"1.8 in\"".to_owned(),
        Gauge::Litre => "write it as in \"60 L\" or \"5 gal\" (US)".to_owned(),
    }
}

/// `value` in the unit its kind is held in; `None` if `unit` is none for it. No unit means the kind's own.
fn in_own_unit(gauge: Gauge, value: f64, unit: &str) -> Option<f64> {
    if unit.is_empty() {
        return Some(value);
    }
    let convert = |to: Unit| {
        let from = if unit == "gal" { Some(Unit::GallonUs) } else { Unit::parse(unit) };
        from.and_then(|from| from.convert(value, to))
    };
    match gauge {
        Gauge::Percent => (unit == "%").then_some(value),
        Gauge::Brix => matches!(unit, "°Bx" | "°Brix" | "Bx" | "Brix" | "%").then_some(value),
        Gauge::Hardness => hardness_mg_l(value, unit),
        Gauge::MilligramPerLitre => matches!(unit, "mg/L" | "mg/l" | "ppm").then_some(value),
        Gauge::Ph => convert(Unit::Ph),
        Gauge::CfuPerMl => {
            matches!(unit, "CFU/mL" | "CFU/ml" | "cfu/mL" | "cfu/ml" | "KBE/ml").then_some(value)
        }
        Gauge::Millimetre => convert(Unit::Millimetre),
        Gauge::Litre => convert(Unit::Litre),
        Gauge::Grade | Gauge::Begun | Gauge::Done => None,
    }
}

/// Number and unit of "5,2", "13.4 °dH", "1e4", "10^4 CFU/mL"; or what is wrong with it.
fn number_and_unit(text: &str) -> Result<(f64, &str), String> {
    let text = text.trim();
    let no_number = || format!("\"{}\" does not begin with a number", shown(text));
    if let Some(power) = text.strip_prefix("10^") {
        let digits = power.find(|c: char| !c.is_ascii_digit()).unwrap_or(power.len());
        let exponent: u8 = power[..digits].parse().ok().filter(|n| *n <= 12).ok_or_else(no_number)?;
        let value = format!("1e{exponent}").parse().expect("a one and a small exponent are a number");
        return Ok((value, power[digits..].trim()));
    }
    let follows_digit =
        |rest: &str| rest.trim_start_matches(['+', '-']).starts_with(|c: char| c.is_ascii_digit());
    let end = text.char_indices().find(|&(i, c)| {
        let exponent = matches!(c, 'e' | 'E') && i > 0 && follows_digit(&text[i + 1..]);
        let sign = matches!(c, '+' | '-') && (i == 0 || matches!(text.as_bytes()[i - 1], b'e' | b'E'));
        !(c.is_ascii_digit() || matches!(c, '.' | ',') || sign || exponent)
    });
    let (figures, unit) = text.split_at(end.map_or(text.len(), |(i, _)| i));
    if let Some((whole, part)) = figures.split_once(',') {
        let leading = whole.trim_start_matches(['+', '-']);
        let grouped = part.len() == 3 && (1..=3).contains(&leading.len()) && leading != "0";
        if part.contains([',', '.']) || whole.contains('.') || grouped {
            return Err(format!("in \"{}\" the comma can mean two things; write a point", shown(text)));
        }
    }
    let value: f64 = figures.replace(',', ".").parse().map_err(|_| no_number())?;
    if value.is_finite() {
        Ok((value, unit.trim()))
    } else {
        Err(format!("\"{}\" is too large", shown(text)))
    }
}

/// A stranger's text, escaped and cut.
fn shown(text: &str) -> String {
    const SHOWN_CHARS_MAX: usize = 120;
    let mut escaped = text.chars().flat_map(|c| c.escape_debug().collect::<Vec<_>>());
    let mut cut: String = escaped.by_ref().take(SHOWN_CHARS_MAX).collect();
    if escaped.next().is_some() {
        cut.push('…');
    }
    cut
}

/// Up to ten names, and how many more.
fn listed<'n>(names: impl Iterator<Item = &'n str>) -> String {
    const SHOWN: usize = 10;
    let all: Vec<&str> = names.collect();
    let more = all.len().saturating_sub(SHOWN);
    let shown = all[..all.len() - more].join(", ");
    if more > 0 { format!("{shown} and {more} more") } else { shown }
}

#[cfg(test)]
mod tests;
