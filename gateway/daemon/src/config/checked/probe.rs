//! Probes: the input stage, and what is asked of the value.

use std::time::Duration;

use sumpwarden_core::alarm::settings::{InstrumentSettings, Priority};
use sumpwarden_core::model::{ProbeIndex, Quantity, SumpIndex, Timestamp, Unit};
use sumpwarden_core::signal::settings::{
    Accuracy, FrozenCheck, InputStage, Line, LoopBands, ProbeSettings, SpikeCheck,
};

use super::super::file::{CurrentLoop, Frozen, Named, PriorityWord, Probe, Shop, Spike, Switch};
use super::super::nearest::did_you_mean;
use super::super::quantity::{Measure, lasting_text, suggest_unit, units_text};
use super::notes::{At, Notes, name, number};
use super::sensor::{Sensor, sensor};

const SECOND: Duration = Duration::from_secs(1);
const MINUTE: Duration = Duration::from_secs(60);
const DAY: Duration = Duration::from_secs(86_400);
/// Shortest period: stamps are whole milliseconds. What a bus cannot keep up with is left out and counted.
const PERIOD_MIN: Duration = Duration::from_millis(1);

/// What a probe is checked against.
pub(super) struct Context<'a> {
    pub(super) sump: SumpIndex,
    pub(super) sump_key: &'a str,
    pub(super) shop: &'a Shop,
    pub(super) indices: &'a std::collections::BTreeMap<(&'a str, &'a str), ProbeIndex>,
    /// None where the tank has a mistake.
    pub(super) tank_height: Option<f64>,
}

impl<'a> Context<'a> {
    /// Probes of the same sump.
    pub(super) fn probes(&self) -> Option<&'a Named<Probe>> {
        self.shop.sump.get(self.sump_key).map(|sump| &sump.probe)
    }

    /// Index of a probe of the same sump.
    pub(super) fn index(&self, probe: &str) -> Option<ProbeIndex> {
        self.indices
            .iter()
            .find(|((sump, name), _)| *sump == self.sump_key && *name == probe)
            .map(|(_, i)| *i)
    }
}

pub(super) fn probe(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    table: &Probe,
    context: &Context<'_>,
) -> Option<ProbeSettings> {
    let quantity = quantity(notes, at, table);
    let by_message = table.broker.is_some();
    let default = if by_message { MINUTE } else { 10 * SECOND };
    let period = notes.time(at, "every", table.every, default, (PERIOD_MIN, DAY));
    // Three missed readings are tolerated, five are not: common practice, no source.
    let hold = notes.time(at, "hold", table.hold, (period * 3).max(30 * SECOND), (Duration::ZERO, 7 * DAY));
    let stale_after =
        notes.time(at, "stale_after", table.stale_after, (period * 5).max(hold), (period, 14 * DAY));
    if stale_after < hold {
        let other = (&at.key("hold"), "held that long");
        notes.clash(
            &at.key("stale_after"),
            "`stale_after` is less than `hold`",
            "make it at least as long",
            other,
        );
    }
    let calibration_due =
        table.calibration_due.as_deref().map(|text| due(notes, &at.key("calibration_due"), text));
    let quantity = quantity?;
    let sensor = sensor(notes, at, table, quantity, context);
    let unit = unit(notes, at, table, sensor.as_ref());
    let range = range(notes, at, table, quantity, context.tank_height);
    let accuracy = accuracy(notes, at, table, quantity);
    let frozen = frozen(notes, at, table, quantity, period);
    let spike = spike(notes, at, table, quantity);
    let (sensor, unit) = (sensor?, unit?);
    let input = input(notes, at, table, &sensor, unit);
    Some(ProbeSettings {
        name: name(key),
        sump: context.sump,
        quantity,
        input_unit: unit.or(sensor.signal),
        input: input?,
        sensor: sensor.stage,
        range: range?,
        accuracy: accuracy?,
        period,
        hold,
        stale_after,
        frozen: frozen?,
        spike: spike?,
        calibration_due: match calibration_due {
            Some(due) => Some(due?),
            None => None,
        },
    })
}

/// The probe's instrument alarm.
pub(super) fn instrument(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Probe,
    probe: ProbeIndex,
) -> InstrumentSettings {
    // A replugged adapter or a restarted switch is back within minutes: common practice, no source.
    let on_delay =
        notes.time(at, "fault_on_delay", table.fault_on_delay, 5 * MINUTE, (Duration::ZERO, 7 * DAY));
    let priority = table.fault_priority.map_or(Priority::Low, priority);
    notes.default(at, "fault_priority", table.fault_priority.is_some(), "\"low\"");
    InstrumentSettings { probe, on_delay, off_delay: MINUTE, priority, behind: Vec::new() }
}

/// The word's priority.
pub(super) fn priority(word: PriorityWord) -> Priority {
    match word {
        PriorityWord::Low => Priority::Low,
        PriorityWord::Medium => Priority::Medium,
        PriorityWord::High => Priority::High,
    }
}

fn quantity(notes: &mut Notes<'_>, at: &At, table: &Probe) -> Option<Quantity> {
    let text =
        notes.require(at, "quantity", table.quantity.as_deref(), "\"ph\", \"level\", \"conductivity\", …")?;
    let found = Quantity::from_word(text);
    if found.is_none() {
        let words: Vec<&str> = Quantity::ALL.iter().map(|q| q.word()).collect();
        let near = did_you_mean(text, words.iter().copied());
        let what = format!("there is no quantity \"{}\"", super::super::reader::shortened(text));
        notes.wrong(&at.key("quantity"), what, format!("{near}quantities are {}", words.join(", ")));
    }
    found
}

/// Midnight after the last day, in UTC: calibrations do not run out by the hour.
fn due(notes: &mut Notes<'_>, at: &At, text: &str) -> Option<Timestamp> {
    let day = text.parse::<jiff::civil::Date>().ok().and_then(|date| date.tomorrow().ok());
    let instant = day.and_then(|day| jiff::tz::TimeZone::UTC.to_timestamp(day.at(0, 0, 0, 0)).ok());
    let nanos = instant.and_then(|midnight| i64::try_from(midnight.as_nanosecond()).ok());
    if nanos.is_none() {
        let what = format!("\"{}\" is no day", super::super::reader::shortened(text));
        notes.wrong(at, what, "write the last day it holds, as in \"2027-03-31\"");
    }
    nanos.map(Timestamp::from_nanos)
}

/// The unit as written. Outer none: a mistake.
fn unit(notes: &mut Notes<'_>, at: &At, table: &Probe, sensor: Option<&Sensor>) -> Option<Option<Unit>> {
    let Some(text) = table.unit.as_deref() else { return Some(None) };
    let at = at.key("unit");
    let Some(unit) = Unit::parse(&text.replace('\u{3bc}', "\u{b5}")) else {
        let what = format!("there is no unit \"{}\"", super::super::reader::shortened(text));
        notes.wrong(&at, what, format!("{}units are {}", suggest_unit(text), units_text()));
        return None;
    };
    match sensor?.signal {
        Some(signal) if unit.line_to(signal).is_none() => {
            let what =
                format!("the unit `{text}` does not fit this probe, whose signal is in {}", signal.ucum());
            notes.wrong(&at, what, format!("write {} or a unit that turns into it", signal.ucum()));
            None
        }
        Some(_) => Some(Some(unit)),
        None => {
            notes.wrong(
                &at,
                "counts and contacts have no unit",
                "delete it; litres_per_count gives a count its litres",
            );
            None
        }
    }
}

fn input(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Probe,
    sensor: &Sensor,
    unit: Option<Unit>,
) -> Option<InputStage> {
    let to_signal = match (unit, sensor.signal) {
        (Some(from), Some(to)) => from.line_to(to).map(|(scale, offset)| Line { scale, offset })?,
        _ => Line::IDENTITY,
    };
    if let Some(current_loop) = &table.current_loop {
        for (key, written) in [("scale", table.scale.is_some()), ("offset", table.offset.is_some())] {
            if written {
                let other = (&at.key("loop"), "the loop scales");
                notes.clash(
                    &at.key(key),
                    format!("`{key}` and `loop` exclude each other"),
                    "delete one of them",
                    other,
                );
            }
        }
        return current_loop_stage(notes, &at.key("loop"), current_loop, sensor, to_signal);
    }
    let scale = table.scale.unwrap_or(1.0);
    notes.default(at, "scale", table.scale.is_some(), scale);
    notes.default(at, "offset", table.offset.is_some(), 0);
    if scale == 0.0 {
        notes.wrong(
            &at.key("scale"),
            "a scale of 0 makes every reading the same",
            "write the factor, as in scale = 0.01",
        );
    }
    if table.json.as_ref().is_some_and(|json| json.unit.is_some())
        && (table.scale.is_some() || table.offset.is_some())
    {
        let key = if table.scale.is_some() { "scale" } else { "offset" };
        let other = (&at.key("json").key("unit"), "its unit comes with it");
        let what = format!("a message that names its unit needs no `{key}`");
        notes.clash(&at.key(key), what, "delete one of them", other);
    }
    Some(InputStage::Scaled(Line { scale, offset: table.offset.unwrap_or(0.0) }.then(to_signal)))
}

fn current_loop_stage(
    notes: &mut Notes<'_>,
    at: &At,
    table: &CurrentLoop,
    sensor: &Sensor,
    to_signal: Line,
) -> Option<InputStage> {
    let Some(signal) = sensor.signal else {
        notes.wrong(at, "counts and contacts come over no loop", "delete `loop`");
        return None;
    };
    let to_ma = counts_to_ma(notes, at, table);
    let points = match (&table.signal, &table.points) {
        (Some((low, high)), None) => {
            let pair_at = at.key("signal");
            let mut end = |measure: &Measure, index: usize| match measure.unit {
                None => Some(to_signal.at(measure.value)),
                Some(_) => notes.in_unit(&pair_at.item(index), measure, signal, false),
            };
            let (low, high) = (end(low, 0)?, end(high, 1)?);
            if low == high {
                let what = format!("the signal span from {0} to {0} is empty", number(low));
                notes.wrong(
                    &pair_at,
                    what,
                    "write the signal at 4 mA and at 20 mA, as in [\"0 mm\", \"500 mm\"]",
                );
                return None;
            }
            vec![(4.0, low), (20.0, high)]
        }
        (None, Some(points)) => loop_points(notes, &at.key("points"), points, to_signal)?,
        (Some(_), Some(_)) => {
            let other = (&at.key("signal"), "also here");
            notes.clash(
                &at.key("points"),
                "`signal` and `points` exclude each other",
                "keep one of them",
                other,
            );
            return None;
        }
        (None, None) => {
            notes.require(at, "signal", None::<()>, "[\"0 mm\", \"500 mm\"], at 4 mA and at 20 mA")?;
            return None;
        }
    };
    Some(InputStage::Loop { to_ma: to_ma?, bands: LoopBands::default(), points })
}

/// The line from the device's number to milliamperes.
fn counts_to_ma(notes: &mut Notes<'_>, at: &At, table: &CurrentLoop) -> Option<Line> {
    let Some((low, high)) = table.counts else {
        if table.ma.is_some() {
            notes.require(at, "counts", None::<()>, "[0, 27648], the numbers at these currents")?;
        }
        // The device delivers milliamperes.
        return Some(Line::IDENTITY);
    };
    let (ma_low, ma_high) = table.ma.unwrap_or((4.0, 20.0));
    notes.default(at, "ma", table.ma.is_some(), format_args!("[{ma_low}, {ma_high}]"));
    if low == high {
        let what = format!("the span of counts from {0} to {0} is empty", number(low));
        notes.wrong(&at.key("counts"), what, "write the device's numbers at two currents, as in [0, 27648]");
        return None;
    }
    let fits = |ma: f64| (0.0..=24.0).contains(&ma);
    if !fits(ma_low) || !fits(ma_high) || ma_low >= ma_high {
        let what = format!("`ma` runs from {} to {}", number(ma_low), number(ma_high));
        notes.wrong(&at.key("ma"), what, "it rises, and lies within 0 to 24 mA, as in [4, 20]");
        return None;
    }
    let scale = (ma_high - ma_low) / (high - low);
    Some(Line { scale, offset: ma_low - low * scale })
}

fn loop_points(
    notes: &mut Notes<'_>,
    at: &At,
    points: &[(f64, f64)],
    to_signal: Line,
) -> Option<Vec<(f64, f64)>> {
    const CURE: &str =
        "write rows of mA and signal with mA rising within 4 to 20, as in [[4, 0], [12, 240], [20, 500]]";
    if points.len() < 2 {
        notes.wrong(at, "the table has fewer than two points", CURE);
        return None;
    }
    for (row, (ma, _)) in points.iter().enumerate() {
        let rises = row == 0 || *ma > points[row - 1].0;
        if !rises || !(4.0..=20.0).contains(ma) {
            notes.wrong(&at.item(row), format!("row {} has {} mA", row + 1, number(*ma)), CURE);
            return None;
        }
    }
    Some(points.iter().map(|(ma, signal)| (*ma, to_signal.at(*signal))).collect())
}

/// What can be measured of a quantity at all, in its unit.
pub(super) fn possible(quantity: Quantity) -> (f64, f64) {
    match quantity {
        Quantity::Ph => (0.0, 14.0),
        Quantity::Conductivity => (0.0, 1e6),
        Quantity::Level => (0.0, 100_000.0),
        Quantity::Temperature => (-50.0, 200.0),
        Quantity::Flow => (0.0, 100_000.0),
        Quantity::FlowTotal => (0.0, 1e12),
        Quantity::PumpRunning => (0.0, 1.0),
        Quantity::Volume => (0.0, 1e6),
        Quantity::Concentration => (0.0, 100.0),
        Quantity::Hardness => (0.0, 10_000.0),
        Quantity::Loss => (0.0, 10_000.0),
    }
}

/// Range of the probe. Outer none: a mistake.
fn range(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Probe,
    quantity: Quantity,
    tank_height: Option<f64>,
) -> Option<Option<(f64, f64)>> {
    let Some((low, high)) = &table.range else {
        let default = match quantity {
            Quantity::Ph | Quantity::Concentration => Some(possible(quantity)),
            Quantity::Level => tank_height.map(|height| (0.0, height)),
            _ => None,
        };
        if let Some((low, high)) = default {
            notes.default(at, "range", false, format_args!("[{}, {}]", number(low), number(high)));
        }
        return Some(default);
    };
    let at = at.key("range");
    let low = notes.in_unit(&at.item(0), low, quantity.unit(), true)?;
    let high = notes.in_unit(&at.item(1), high, quantity.unit(), true)?;
    let unit = quantity.unit().ucum();
    if low >= high {
        let what = format!("the range from {} to {} {unit} is empty", number(low), number(high));
        notes.wrong(&at, what, "write the lower end first, as in [4, 12]");
        return None;
    }
    let (least, most) = possible(quantity);
    if low < least || high > most {
        let what = format!("no {} reaches from {} to {} {unit}", quantity.word(), number(low), number(high));
        notes.wrong(&at, what, format!("it lies within {} to {} {unit}", number(least), number(most)));
        return None;
    }
    Some(Some((low, high)))
}

/// Standard uncertainty. The defaults are those of ordinary shop instruments: common practice, no source.
fn accuracy(notes: &mut Notes<'_>, at: &At, table: &Probe, quantity: Quantity) -> Option<Accuracy> {
    let (absolute, relative) = match quantity {
        Quantity::Ph => (0.1, 0.0),
        Quantity::Conductivity => (5.0, 0.02),
        Quantity::Level => (2.0, 0.0),
        Quantity::Temperature => (0.5, 0.0),
        Quantity::Flow => (0.1, 0.02),
        Quantity::FlowTotal => (0.1, 0.01),
        Quantity::PumpRunning => (0.0, 0.0),
        Quantity::Volume => (1.0, 0.02),
        Quantity::Concentration => (0.2, 0.0),
        Quantity::Hardness => (5.0, 0.05),
        Quantity::Loss => (0.1, 0.05),
    };
    if table.accuracy.is_none() && table.accuracy_percent.is_none() {
        notes.default(at, "accuracy", false, absolute);
        notes.default(at, "accuracy_percent", false, number(relative * 100.0));
        return Some(Accuracy { absolute, relative });
    }
    let absolute = match &table.accuracy {
        Some(measure) => width(notes, &at.key("accuracy"), measure, quantity)?,
        None => 0.0,
    };
    let percent = table.accuracy_percent.unwrap_or(0.0);
    let percent = notes.within(&at.key("accuracy_percent"), percent, (0.0, 100.0), "percent")?;
    if absolute == 0.0 && percent == 0.0 {
        notes.wrong(
            &at.key("accuracy"),
            "no probe is exact",
            "write its standard uncertainty, as in accuracy = 0.1",
        );
        return None;
    }
    Some(Accuracy { absolute, relative: percent / 100.0 })
}

/// A difference in the quantity's unit, not negative. A difference of temperatures has no offset.
pub(super) fn width(notes: &mut Notes<'_>, at: &At, measure: &Measure, quantity: Quantity) -> Option<f64> {
    let unit = quantity.unit();
    let value = match measure.unit.and_then(|from| from.line_to(unit)) {
        Some((factor, _)) => measure.value * factor,
        None => notes.in_unit(at, measure, unit, true)?,
    };
    let (least, most) = possible(quantity);
    notes.within(at, value, (0.0, most - least), unit.ucum())
}

/// Frozen check. Without a word from the user a value that did not move by a single digit for long is frozen: a day, and
/// three for a level, which may rest over a weekend. Common practice, no source. Outer none: a mistake.
fn frozen(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Probe,
    quantity: Quantity,
    period: Duration,
) -> Option<Option<FrozenCheck>> {
    let window = match quantity {
        Quantity::Ph | Quantity::Conductivity | Quantity::Temperature => Some(DAY),
        Quantity::Level => Some(3 * DAY),
        _ => None,
    };
    let default = window.map(|window| FrozenCheck { window: window.max(period * 10), least_change: 0.0 });
    if let Some(FrozenCheck { window, .. }) = default {
        let text = format!("{{ after = \"{}\" }}", lasting_text(window));
        notes.default(at, "frozen", table.frozen.is_some(), text);
    }
    let at = at.key("frozen");
    let written = match &table.frozen {
        None | Some(Switch::Plain(true)) => return Some(default),
        Some(Switch::Plain(false)) => return Some(None),
        Some(Switch::Table(written)) => written,
    };
    let Frozen { after, least_change } = written;
    notes.require(&at, "after", *after, "\"24 h\"")?;
    let window = notes.time(&at, "after", *after, DAY, (period * 2, 30 * DAY));
    let least_change = match least_change {
        Some(measure) => width(notes, &at.key("least_change"), measure, quantity)?,
        None => 0.0,
    };
    Some(Some(FrozenCheck { window, least_change }))
}

/// Spike check. The defaults let every real change pass, a top-up by hose and a pump start included: common practice, no
/// source. Outer none: a mistake.
fn spike(notes: &mut Notes<'_>, at: &At, table: &Probe, quantity: Quantity) -> Option<Option<SpikeCheck>> {
    let default = match quantity {
        Quantity::Ph => Some((0.5, 0.05)),
        Quantity::Conductivity => Some((300.0, 50.0)),
        Quantity::Level => Some((30.0, 5.0)),
        Quantity::Temperature => Some((5.0, 0.5)),
        _ => None,
    };
    let default = default.map(|(step, rate_per_s)| SpikeCheck { step, rate_per_s, confirm: 3 });
    if let Some(SpikeCheck { step, rate_per_s, confirm }) = default {
        let text = format!("{{ step = {step}, change_per_s = {rate_per_s}, confirm = {confirm} }}");
        notes.default(at, "spike", table.spike.is_some(), text);
    }
    let at = at.key("spike");
    let written = match &table.spike {
        None | Some(Switch::Plain(true)) => return Some(default),
        Some(Switch::Plain(false)) => return Some(None),
        Some(Switch::Table(written)) => written,
    };
    let Spike { step, change_per_s, confirm } = written;
    let example = format!("\"{} {}\"", default.map_or(1.0, |d| d.step), quantity.unit().ucum());
    let step = notes.require(&at, "step", step.as_ref(), &example)?;
    let step = width(notes, &at.key("step"), step, quantity);
    let rate_per_s = match change_per_s {
        Some(measure) => width(notes, &at.key("change_per_s"), measure, quantity)?,
        None => default.map_or(0.0, |d| d.rate_per_s),
    };
    notes.default(&at, "confirm", confirm.is_some(), 3);
    let confirm = confirm.unwrap_or(3);
    notes.within(&at.key("confirm"), f64::from(confirm), (1.0, 20.0), "readings")?;
    Some(Some(SpikeCheck { step: step?, rate_per_s, confirm }))
}
