//! Kept points and journal records to lines. Tags and stamps depend on nothing but the point itself, so that a point
//! sent twice is the same point.
//!
//! - `probe` with tags site, box, sump, probe, quantity; fields value (absent when there is none to use), raw, status (the
//!   OPC UA code as an integer), reason (absent when there is nothing to say)
//! - `estimate` with tags site, box, sump, quantity; fields value, low90 or high90 by the series, status and reason with
//!   the value
//! - `journal` with tags site, box, sump, kind, subject; fields state, message, priority, value

use std::collections::BTreeMap;

use sumpwarden_protocol::line::{FieldValue, Line, LineError, Series};

use super::{JournalEntry, Origin, Point, SeriesId, StoredSeries};

/// Longest message forwarded, characters.
const MESSAGE_CHARS_MAX: usize = 1_024;

/// Fields of a probe's line.
const PROBE_FIELDS: &[&str] = &["value", "raw", "status", "reason"];
/// Fields of an estimate's line.
const ESTIMATE_FIELDS: &[&str] = &["value", "status", "reason"];

/// What the lines of a series hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Kind {
    Probe,
    Estimate,
    /// One end of an estimate's interval.
    Bound,
}

/// Series by number, with the part of their lines that never changes.
#[derive(Debug, Default)]
pub struct Catalogue {
    series: BTreeMap<SeriesId, Result<(Kind, Series), LineError>>,
}

impl Catalogue {
    /// Reads the keys of `series`, of the box that is `origin`.
    pub fn new(origin: &Origin, series: &[StoredSeries]) -> Self {
        Self { series: series.iter().filter_map(|s| Some((s.id, head_of(origin, s)?))).collect() }
    }

    /// Whether it can write points of `series`.
    pub fn knows(&self, series: SeriesId) -> bool {
        self.series.contains_key(&series)
    }

    /// Appends the line of `point`; false if it has nothing to say.
    pub fn write(&self, series: SeriesId, point: &Point, out: &mut String) -> Result<bool, LineError> {
        let (kind, head) = match self.series.get(&series) {
            None => return Ok(false),
            Some(head) => head.as_ref().map_err(LineError::clone)?,
        };
        let value = point.value.map(FieldValue::Float);
        let status = Some(FieldValue::Integer(i64::from(point.quality.status.code())));
        let reason = Some(point.quality.reason.text()).filter(|text| !text.is_empty()).map(FieldValue::Text);
        let at = point.at.as_nanos();
        match kind {
            Kind::Probe => {
                head.write(&[value, point.raw.map(FieldValue::Float), status, reason], at, out)?;
            }
            Kind::Estimate => head.write(&[value, status, reason], at, out)?,
            Kind::Bound if value.is_none() => return Ok(false),
            Kind::Bound => head.write(&[value], at, out)?,
        }
        Ok(true)
    }
}

/// What never changes in the lines of a series: `probe/SUMP/NAME`, `estimate/SUMP/WORD`, `estimate/SUMP/WORD/low90`.
fn head_of(origin: &Origin, series: &StoredSeries) -> Option<Result<(Kind, Series), LineError>> {
    let parts: Vec<&str> = series.text.split('/').collect();
    let estimate = |sump, word| of("estimate", origin).tag("sump", sump).tag("quantity", word);
    let (kind, line, fields) = match parts.as_slice() {
        ["probe", sump, probe] => {
            let line = of("probe", origin).tag("sump", sump).tag("probe", probe);
            (Kind::Probe, line.tag("quantity", &series.quantity), PROBE_FIELDS)
        }
        ["estimate", sump, word] => (Kind::Estimate, estimate(sump, word), ESTIMATE_FIELDS),
        ["estimate", sump, word, "low90"] => (Kind::Bound, estimate(sump, word), &["low90"][..]),
        ["estimate", sump, word, "high90"] => (Kind::Bound, estimate(sump, word), &["high90"][..]),
        _ => return None,
    };
    Some(line.series(fields).map(|head| (kind, head)))
}

/// What every line begins with.
fn of<'a>(measurement: &'a str, origin: &'a Origin) -> Line<'a> {
    Line::new(measurement).tag("site", origin.site.as_str()).tag("box", origin.box_name.as_str())
}

/// Appends the line of a journal record.
pub fn write_journal(origin: &Origin, entry: &JournalEntry, out: &mut String) -> Result<(), LineError> {
    let message: String =
        entry.message.chars().map(|c| if c.is_control() { ' ' } else { c }).take(MESSAGE_CHARS_MAX).collect();
    let mut line = of("journal", origin).tag("kind", &entry.kind).tag("subject", &entry.subject);
    if let Some(sump) = &entry.sump {
        line = line.tag("sump", sump);
    }
    line = line.field("state", FieldValue::Text(&entry.state)).field("message", FieldValue::Text(&message));
    if let Some(priority) = &entry.priority {
        line = line.field("priority", FieldValue::Text(priority));
    }
    if let Some(value) = entry.value {
        line = line.field("value", FieldValue::Float(value));
    }
    line.timestamp(entry.at.as_nanos()).write(out)
}

#[cfg(test)]
mod tests {
    use crate::model::{DeviceStatus, Name, Quality, Reason, Status, Timestamp};

    use super::*;

    fn catalogue() -> Catalogue {
        let texts =
            ["probe/lathe-1/ph", "estimate/lathe-1/liquid_l", "estimate/lathe-1/liquid_l/low90", "else/x/y"];
        let series = |(i, text): (usize, &&str)| StoredSeries {
            id: SeriesId(i as u32),
            text: (*text).to_owned(),
            quantity: "ph".to_owned(),
        };
        let origin = Origin { site: Name::new("hall-2").unwrap(), box_name: Name::new("box-1").unwrap() };
        Catalogue::new(&origin, &texts.iter().enumerate().map(series).collect::<Vec<_>>())
    }

    fn line(series: u32, raw: Option<f64>, value: Option<f64>, quality: Quality) -> Option<String> {
        let point = Point { at: Timestamp::from_nanos(1_772_000_000_000_000_001), raw, value, quality };
        let mut out = String::new();
        catalogue().write(SeriesId(series), &point, &mut out).unwrap().then_some(out)
    }

    #[test]
    fn each_series_has_its_line() {
        let wire = Quality::new(Status::BadSensorFailure, DeviceStatus::Failure, Reason::WireBreak);
        let good = line(0, Some(871.0), Some(8.71), Quality::GOOD).unwrap();
        assert_eq!(
            good,
            "probe,box=box-1,probe=ph,quantity=ph,site=hall-2,sump=lathe-1 value=8.71,raw=871.0,status=0i 1772000000000000001\n"
        );
        let bad = line(0, Some(0.0), None, wire).unwrap();
        assert!(bad.contains(" raw=0.0,status=2156658688i,reason=\"loop current"), "{bad}");
        assert!(!bad.contains("value="), "{bad}");
        let value = line(1, None, Some(380.0), Quality::GOOD).unwrap();
        let expected = "estimate,box=box-1,quantity=liquid_l,site=hall-2,sump=lathe-1 value=380.0,status=0i 1772000000000000001\n";
        assert_eq!(value, expected);
        let low = line(2, None, Some(370.0), Quality::GOOD).unwrap();
        let expected =
            "estimate,box=box-1,quantity=liquid_l,site=hall-2,sump=lathe-1 low90=370.0 1772000000000000001\n";
        assert_eq!(low, expected);
        assert_eq!(line(2, None, None, wire), None);
        assert!(!catalogue().knows(SeriesId(3)));
    }
}
