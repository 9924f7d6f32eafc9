//! The sheet of a sump.

use serde::Serialize;
use sumpwarden_core::alarm::settings::{Side, Terms};
use sumpwarden_core::alarm::wording::{noun, noun_of_estimate, unit_text};
use sumpwarden_core::book::{
    CalibrationDue, Chapter, CheckLine, LimitLine, Noted, Pour, PourKind, Reading, RecordRow, Series, Sheet,
    WaterLine,
};
use sumpwarden_core::checks::verdict::Judgement;
use sumpwarden_core::estimate::guidance::NO_SAFETY_SYSTEM;
use sumpwarden_core::estimate::note::NoteKind;
use sumpwarden_core::model::Quantity;

use super::super::plot::Plot;
use super::{
    AlarmView, Field, LineView, NOT_KNOWN, NOT_NOTED, Table, Words, alarms, cautions, consumed, count,
    figure, lines, litres, loss, span_words, text, with_unit,
};

/// The sheet of a sump in a month.
#[derive(Debug, Serialize)]
pub(in crate::report) struct ChapterView {
    file: String,
    title: String,
    days: String,
    so_far: String,
    head: Vec<Field>,
    figures: Vec<Field>,
    record: Table<RecordView>,
    checks: Vec<CheckView>,
    alarms_of_sump: Table<AlarmView>,
    limits: Vec<LimitView>,
    poured: Table<PourView>,
    removed: Table<RemovedView>,
    cleanouts: Table<LineView>,
    calibrated: Table<ReadingView>,
    calibrations: Vec<String>,
    found: Table<LineView>,
    readings: Table<ReadingView>,
    people: Vec<PersonView>,
    plots: Vec<Plot>,
    series: Vec<SeriesView>,
    cautions: Vec<&'static str>,
    no_safety_system: &'static str,
}

#[derive(Debug, Serialize)]
struct RecordView {
    when: String,
    cells: [String; 7],
}

#[derive(Debug, Serialize)]
struct CheckView {
    name: &'static str,
    every: String,
    source: &'static str,
    done: String,
    missed: String,
}

#[derive(Debug, Serialize)]
struct LimitView {
    name: String,
    of: String,
    from: String,
    priority: &'static str,
    source: &'static str,
}

#[derive(Debug, Serialize)]
struct PourView {
    at: String,
    what: &'static str,
    litres: String,
    strength: String,
    noted: String,
}

#[derive(Debug, Serialize)]
struct RemovedView {
    at: String,
    text: String,
    litres: String,
}

#[derive(Debug, Serialize)]
struct ReadingView {
    at: String,
    what: &'static str,
    value: String,
    meaning: String,
    by: String,
    text: String,
}

#[derive(Debug, Serialize)]
struct PersonView {
    who: String,
    did: String,
}

#[derive(Debug, Serialize)]
struct SeriesView {
    title: String,
    columns: &'static [&'static str],
    rows: Vec<DayView>,
}

#[derive(Debug, Serialize)]
struct DayView {
    day: String,
    cells: Vec<String>,
    why: String,
}

/// The sheet in words.
pub(in crate::report) fn chapter(
    words: &Words<'_>,
    chapter: &Chapter,
    file: &str,
    plots: Vec<Plot>,
) -> ChapterView {
    let of_calibrations = |reading: &&Reading| reading.kind == NoteKind::Calibrated;
    let calibrated: Vec<&Reading> = chapter.readings.iter().filter(of_calibrations).collect();
    let so_far = match chapter.known {
        None => "these days lie ahead".to_owned(),
        Some(known) if known.last < chapter.span.last => {
            format!("written before they were over, on {}", words.day(known.last))
        }
        Some(_) => String::new(),
    };
    ChapterView {
        file: file.to_owned(),
        title: text(&chapter.title),
        days: span_words(chapter.span),
        so_far,
        head: head(words, chapter),
        figures: figures(words, chapter),
        record: Table::of(chapter.record.iter().map(|row| record(words, row))),
        checks: chapter.checks.iter().map(|line| check(words, line)).collect(),
        alarms_of_sump: alarms(words, &chapter.alarms),
        limits: chapter.limits.iter().map(limit).collect(),
        poured: Table::of(chapter.poured.iter().map(|one| pour(words, one))),
        removed: Table::of(chapter.removed.iter().map(|removed| RemovedView {
            at: words.time(removed.at),
            text: text(&removed.text),
            litres: litres(removed.litres),
        })),
        cleanouts: lines(words, &chapter.cleanouts),
        calibrated: Table::of(calibrated.into_iter().map(|one| reading(words, one))),
        calibrations: chapter.calibrations.iter().map(|due| calibration(words, due)).collect(),
        found: lines(words, &chapter.found),
        readings: Table::of(chapter.readings.iter().map(|one| reading(words, one))),
        people: people(chapter),
        plots,
        series: chapter.series.iter().map(series).collect(),
        cautions: cautions(),
        no_safety_system: NO_SAFETY_SYSTEM,
    }
}

/// What the sample sheets of agencies ask for at the head. What nobody can know here is left to the pen.
fn head(words: &Words<'_>, chapter: &Chapter) -> Vec<Field> {
    let sheet: &Sheet = &chapter.sheet;
    let field = |label, lines| Field { label, lines };
    let fill = match sheet.fill_l {
        Some(fill) => format!("{} to the fill mark", litres(fill)),
        None => NOT_KNOWN.to_owned(),
    };
    let mut water = water(words, &sheet.water);
    if let Some(fill) = &sheet.fill_water {
        water.push(format!("filled with {}: hardness {}", text(&fill.name), hardness(fill.hardness_mg_l)));
    }
    vec![
        field("Machine name and number", vec![format!("{} ({})", text(&chapter.title), chapter.sump)]),
        field("Fill volume", vec![fill, format!("and {} in lines and machine", litres(sheet.holdup_l))]),
        field("Make-up water source with nitrate, nitrite, hardness", water),
        field("Fluid product", vec![text(&sheet.fluid)]),
        field("Target concentration", vec![with_unit(Quantity::Concentration, sheet.target_percent)]),
        field("Refractometer factor", vec![format!("{}", sheet.refractometer_factor)]),
        field("Titration factor", Vec::new()),
        field("Machining type", Vec::new()),
        field("Biocide and its concentration", Vec::new()),
        field("Responsible person", Vec::new()),
    ]
}

fn hardness(mg_l: f64) -> String {
    format!("{mg_l:.0} mg/L as CaCO3")
}

fn water(words: &Words<'_>, water: &WaterLine) -> Vec<String> {
    let noted = |noted: &Option<Noted>| match noted {
        Some(noted) => {
            let by = noted.by.as_ref().map(|by| format!(", {}", text(by))).unwrap_or_default();
            format!("{} ({}{by})", text(&noted.text), words.time(noted.at))
        }
        None => NOT_NOTED.to_owned(),
    };
    let [hard, nitrate, nitrite] = &water.noted;
    let measured = hard.as_ref().map(|_| format!("; last noted {}", noted(hard))).unwrap_or_default();
    vec![
        text(&water.name),
        format!("hardness {} by the configuration{measured}", hardness(water.hardness_mg_l)),
        format!("nitrate {}", noted(nitrate)),
        format!("nitrite {}", noted(nitrite)),
    ]
}

fn figures(words: &Words<'_>, chapter: &Chapter) -> Vec<Field> {
    let summary = chapter.summary(words.calendar);
    let field = |label, lines| Field { label, lines };
    let consumption = &chapter.consumption;
    let (top_ups, fills) = consumption.pours;
    let mut poured =
        vec![format!("{}, {}", count(top_ups, "top-up", "top-ups"), count(fills, "fill", "fills"))];
    poured.extend(consumption.unknown_l.map(|l| format!("{} of them of unknown strength", litres(l))));
    if consumption.unknown > 0 {
        poured.push(format!("{} of unknown litres", count(consumption.unknown, "of them is", "of them are")));
    }
    let came: u32 = summary.alarms.values().sum();
    let mut alarms = vec![match came {
        0 => "none came".to_owned(),
        came => {
            let by: Vec<String> =
                summary.alarms.iter().map(|(word, n)| format!("{n} {}", text(word))).collect();
            format!("{came} came ({})", by.join(", "))
        }
    }];
    if summary.standing > 0 {
        alarms.push(format!("{} still stood at the end", summary.standing));
    }
    let (due, missed) = summary.checks;
    let checks = match (chapter.checks.is_empty(), due, missed) {
        (true, ..) => "none is asked for".to_owned(),
        (false, 0, _) => "none fell due".to_owned(),
        (false, due, 0) => format!("{due} fell due, all of them done in time so far"),
        (false, due, missed) => format!("{due} fell due, {missed} done late or missed"),
    };
    let removed = summary.removed_l.map_or_else(|| "nothing was seen to be".to_owned(), litres);
    vec![
        field("Concentrate used", vec![consumed(consumption, consumption.concentrate_l)]),
        field("Water used", vec![consumed(consumption, consumption.water_l)]),
        field("Poured in", poured),
        field("Evaporated", vec![loss(chapter.evaporation.as_ref())]),
        field("Dragged out on chips and parts", vec![loss(chapter.drag_out.as_ref())]),
        field("Taken out", vec![removed]),
        field("Alarms", alarms),
        field("Checks of the test plan", vec![checks]),
        field(
            "Readings by hand",
            vec![match chapter.readings.len() {
                0 => "none".to_owned(),
                number => format!("{number}"),
            }],
        ),
    ]
}

fn record(words: &Words<'_>, row: &RecordRow) -> RecordView {
    let cell = |cell: &Option<String>| cell.as_ref().map_or_else(|| NOT_NOTED.to_owned(), |cell| text(cell));
    // The unit stands in the head of the column.
    let nitrite = row.nitrite.as_ref().map(|nitrite| nitrite.replace(" mg/L", ""));
    let cells =
        [&row.perceptible, &row.ph, &row.refractometer, &row.titration, &nitrite, &row.remarks, &row.checker];
    RecordView { when: format!("{}, {}", row.week, words.day(row.date)), cells: cells.map(cell) }
}

fn check(words: &Words<'_>, line: &CheckLine) -> CheckView {
    let done: Vec<String> = (line.done.iter())
        .map(|(day, by)| {
            let by = by.as_ref().map(|by| format!(" ({})", text(by))).unwrap_or_default();
            words.day(*day) + &by
        })
        .collect();
    let missed: Vec<String> = (line.missed())
        .map(|asked| match asked.done {
            Some(done) => {
                let late = (done - asked.due).get_days();
                format!(
                    "due {}, done {} late",
                    words.day(asked.due),
                    count(late.unsigned_abs(), "day", "days")
                )
            }
            None => format!("due {}, not done", words.day(asked.due)),
        })
        .collect();
    let by_probe = line.done.is_empty() && line.asked.iter().any(|asked| asked.done.is_some());
    CheckView {
        name: line.check.noun(),
        every: match line.every_days {
            1 => "every working day".to_owned(),
            days => format!("every {days} days"),
        },
        source: line.source,
        done: match (done.is_empty(), by_probe) {
            (false, _) => done.join(", "),
            (true, true) => "by its probe".to_owned(),
            (true, false) => "not once".to_owned(),
        },
        missed: match (missed.is_empty(), line.asked.is_empty()) {
            (false, _) => missed.join("; "),
            (true, true) => "did not fall due".to_owned(),
            (true, false) => "none".to_owned(),
        },
    }
}

fn limit(limit: &LimitLine) -> LimitView {
    let side = match limit.side {
        Side::Low => "at or under",
        Side::High => "at or over",
    };
    let terms = match limit.terms {
        Terms::Value => String::new(),
        Terms::Probability(share) => format!(", once that is {:.0} % sure", 100.0 * share),
        Terms::WithinDays(days) => format!(", or on the way there within {days:.0} days"),
    };
    LimitView {
        name: limit.name.clone(),
        of: limit.of.clone(),
        from: format!("{side} {}{terms}", with_unit(limit.quantity, limit.setpoint)),
        priority: limit.priority.word(),
        source: limit.source.unwrap_or("the shop's configuration"),
    }
}

fn pour(words: &Words<'_>, pour: &Pour) -> PourView {
    let noted = pour.noted.map(|noted| {
        let parts = [noted.litres.map(litres), noted.percent.map(|p| with_unit(Quantity::Concentration, p))];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        let by = pour.by.as_ref().map(|by| format!(" by {}", text(by))).unwrap_or_default();
        parts.join(" at ") + &by
    });
    let strength = match (pour.strength.is_empty(), pour.percent()) {
        (false, _) => text(&pour.strength),
        (true, Some(percent)) => with_unit(Quantity::Concentration, percent),
        (true, None) => NOT_KNOWN.to_owned(),
    };
    PourView {
        at: words.time(pour.at),
        what: match (pour.kind, pour.found.is_some()) {
            (PourKind::Fill, _) => "fill",
            (PourKind::TopUp, true) => "top-up",
            (PourKind::TopUp, false) => "top-up, not seen by the probes",
        },
        litres: pour.litres().map_or_else(|| NOT_KNOWN.to_owned(), litres),
        strength,
        noted: noted.unwrap_or_else(|| NOT_NOTED.to_owned()),
    }
}

fn reading(words: &Words<'_>, reading: &Reading) -> ReadingView {
    let verdict = reading.verdict.map(|verdict| match verdict.judgement {
        Judgement::Fine => "fine".to_owned(),
        Judgement::Watch => format!("to watch: {}", verdict.rule.text()),
        Judgement::Act => format!("to act on: {}", verdict.rule.text()),
    });
    // What only says value and unit again says nothing.
    let plain = format!("{} {}", reading.kind.noun(), reading.written().unwrap_or_default());
    let meaning = Some(text(&reading.meaning)).filter(|meaning| !meaning.is_empty() && *meaning != plain);
    let parts: Vec<String> = [meaning, verdict].into_iter().flatten().collect();
    ReadingView {
        at: words.time(reading.at),
        what: reading.kind.noun(),
        value: reading.written().unwrap_or_else(|| "done".to_owned()),
        meaning: if parts.is_empty() { "no rule of this plan says".to_owned() } else { parts.join("; ") },
        by: reading.by.as_ref().map_or_else(|| "nobody is named".to_owned(), |by| text(by)),
        text: reading.text.as_ref().map(|words| text(words)).unwrap_or_default(),
    }
}

fn calibration(words: &Words<'_>, due: &CalibrationDue) -> String {
    let last = due.last.map_or_else(|| "none is known".to_owned(), |day| format!("last {}", words.day(day)));
    let overdue = match due.overdue_days {
        0 => String::new(),
        days => format!(", overdue for {}", count(days, "day", "days")),
    };
    format!("{}: {last}, holds to {}{overdue}", text(&due.probe), words.day(due.due))
}

fn people(chapter: &Chapter) -> Vec<PersonView> {
    let person = |(who, did): (&String, &std::collections::BTreeMap<&'static str, u32>)| PersonView {
        who: text(who),
        did: did.iter().map(|(what, times)| format!("{what} × {times}")).collect::<Vec<_>>().join(", "),
    };
    chapter.people.iter().map(person).collect()
}

/// What a series is called: "concentration, % (estimate)", "pH (probe ph-2)".
pub(in crate::report) fn title(series: &Series) -> String {
    let unit = unit_text(series.quantity).trim_start();
    let comma = if unit.is_empty() { "" } else { ", " };
    match series.estimate {
        Some(kind) => format!("{}{comma}{unit} (estimate)", noun_of_estimate(kind)),
        None => format!("{}{comma}{unit} (probe {})", noun(series.quantity), text(&series.of)),
    }
}

fn series(series: &Series) -> SeriesView {
    let pump = series.quantity == Quantity::PumpRunning;
    let columns: &[&str] = match (pump, series.estimate.is_some()) {
        (true, _) => &["ran, share of the time"],
        (false, true) => &["low", "mean", "high", "90 %:", "to"],
        (false, false) => &["lowest", "mean", "highest"],
    };
    let show = |value| figure(series.quantity, value);
    let cells = |figures: sumpwarden_core::book::Figures| {
        if pump {
            return vec![format!("{:.0} %", 100.0 * figures.mean)];
        }
        let mut cells = vec![show(figures.lowest), show(figures.mean), show(figures.highest)];
        if series.estimate.is_some() {
            let ends = figures.interval.map(|(low, high)| [show(low), show(high)]);
            cells.extend(ends.unwrap_or_else(|| [NOT_KNOWN, ""].map(str::to_owned)));
        }
        cells
    };
    let rows = series.days.iter().map(|day| DayView {
        day: day.date.strftime("%a %-d").to_string(),
        cells: day.figures.map(cells).unwrap_or_default(),
        why: if day.why.is_empty() { "nothing was read".to_owned() } else { day.why.to_owned() },
    });
    let any = series.days.iter().any(|day| day.figures.is_some());
    SeriesView { title: title(series), columns, rows: if any { rows.collect() } else { Vec::new() } }
}
