//! Accounts as tables for people, as tables for the README, and as JSON.

use std::collections::BTreeMap;
use std::fmt::Write;

use serde::Serialize;

use crate::account::{AHEAD_DAYS, Account};
use crate::case::Notes;
use crate::judged::{Judged, RIVALS};
use crate::score::{Figures, Tally, quantile};

/// Place among [`RIVALS`] of the account that is told every litre.
const BOOKS: usize = RIVALS.len() - 1;

/// One line of the tables.
#[derive(Clone, Debug)]
pub(crate) struct Group {
    /// Scenario; none for all of them.
    pub(crate) scenario: Option<&'static str>,
    /// What people wrote down; none for all.
    pub(crate) notes: Option<Notes>,
    pub(crate) account: Account,
}

impl Group {
    fn name(&self) -> (&'static str, &'static str) {
        (self.scenario.unwrap_or("all"), self.notes.map_or("all", Notes::word))
    }
}

/// A table that is not drawn yet.
struct Table {
    title: String,
    head: Vec<String>,
    rows: Vec<Vec<String>>,
}

/// Every table as text of fixed width.
pub(crate) fn text(groups: &[Group]) -> String {
    tables(groups).iter().map(Table::text).collect::<Vec<_>>().join("\n")
}

/// Every table as Markdown.
pub(crate) fn markdown(groups: &[Group]) -> String {
    tables(groups).iter().map(Table::markdown).collect::<Vec<_>>().join("\n")
}

/// One line a scenario and one for all, as the README shows it: rms error with the share of truth inside the 90 % interval,
/// beside what simpler ways would have given.
pub(crate) fn summary(groups: &[Group]) -> String {
    let head = [
        "scenario",
        "notes",
        "concentration, points",
        "bare line / plain filter / last reading",
        "hardness, %",
        "every litre told",
        "chips, % of tank",
        "top-ups F1",
        "volume error, %",
    ];
    let with_share = |tally: &Tally| match tally.figures() {
        Some(f) => {
            let share = f.coverage_percent.map_or(String::new(), |c| format!(" ({c:.0} %)"));
            format!("{}{share}", number(Some(f.rms)))
        }
        None => "–".to_owned(),
    };
    let row = |group: &Group| {
        let (scenario, notes) = group.name();
        let account = &group.account;
        let [bare, held, plain] = [0, 1, 2].map(|i| number(rms(&account.rivals[i][0])));
        vec![
            scenario.to_owned(),
            notes.to_owned(),
            with_share(&account.quantities[0]),
            format!("{bare} / {plain} / {held}"),
            with_share(&account.quantities[1]),
            number(rms(&account.rivals[BOOKS][1])),
            with_share(&account.quantities[2]),
            number(account.topups.f1()),
            number(quantile(&account.topups.volume_errors, 0.5)),
        ]
    };
    let head = head.into_iter().map(str::to_owned).collect();
    Table { title: "What came of it".to_owned(), head, rows: groups.iter().map(row).collect() }.markdown()
}

fn tables(groups: &[Group]) -> Vec<Table> {
    let mut tables: Vec<Table> = Judged::ALL.into_iter().map(|judged| quantity(groups, judged)).collect();
    tables.push(topups(groups));
    tables.push(events(groups));
    tables
}

fn quantity(groups: &[Group], judged: Judged) -> Table {
    let place = judged as usize;
    let rivals = place < 3;
    let mut head =
        ["scenario", "notes", "hours", "missing", "rms", "bias", "p95", "coverage %", "width"].to_vec();
    if rivals {
        head.extend(RIVALS);
    }
    let row = |group: &Group| {
        let (scenario, notes) = group.name();
        let mut row = vec![scenario.to_owned(), notes.to_owned()];
        row.extend(cells(group.account.quantities[place].figures()));
        if rivals {
            row.extend(group.account.rivals.iter().map(|rival| number(rms(&rival[place]))));
        }
        row
    };
    let days = if judged.by_day() { "; by the day, intervals by the hour" } else { "" };
    Table {
        title: format!(
            "{} (errors in {}{days}{})",
            judged.noun(),
            judged.error_unit(),
            if rivals { "; rms of rivals" } else { "" }
        ),
        head: head.into_iter().map(str::to_owned).collect(),
        rows: groups.iter().map(row).collect(),
    }
}

fn rms(tally: &Tally) -> Option<f64> {
    tally.figures().map(|figures| figures.rms)
}

fn cells(figures: Option<Figures>) -> Vec<String> {
    let Some(f) = figures else { return vec!["–".to_owned(); 7] };
    vec![
        f.judged.to_string(),
        f.missing.to_string(),
        number(Some(f.rms)),
        number(Some(f.bias)),
        number(Some(f.p95)),
        f.coverage_percent.map_or("–".to_owned(), |c| format!("{c:.1}")),
        number(f.width),
    ]
}

fn topups(groups: &[Group]) -> Table {
    let head = [
        "scenario",
        "notes",
        "found",
        "missed",
        "false",
        "F1",
        "volume error % median",
        "p95",
        "mix error rms",
        "bias",
    ];
    let row = |group: &Group| {
        let (scenario, notes) = group.name();
        let topups = &group.account.topups;
        let volume = |part| number(quantile(&topups.volume_errors, part));
        let mix = &topups.mix_errors;
        let n = mix.len() as f64;
        let of_mix = |value: f64| number((n > 0.0).then_some(value));
        vec![
            scenario.to_owned(),
            notes.to_owned(),
            topups.found.to_string(),
            topups.missed.to_string(),
            topups.falsely.to_string(),
            number(topups.f1()),
            volume(0.5),
            volume(0.95),
            of_mix((mix.iter().map(|error| error * error).sum::<f64>() / n).sqrt()),
            of_mix(mix.iter().sum::<f64>() / n),
        ]
    };
    Table {
        title: "top-ups".to_owned(),
        head: head.map(str::to_owned).to_vec(),
        rows: groups.iter().map(row).collect(),
    }
}

fn events(groups: &[Group]) -> Table {
    let head = [
        "scenario",
        "notes",
        "leaks told",
        "hours",
        "false leaks",
        "frozen told",
        "hours",
        "exchanges told",
        "false",
        "forecast 14 d: days off",
        "inside",
        "7 d: days off",
        "inside",
        "process alarms",
        "false",
        "a sump-month",
    ];
    let row = |group: &Group| {
        let account = &group.account;
        let (scenario, notes) = group.name();
        let mut row = vec![scenario.to_owned(), notes.to_owned()];
        row.extend(delays(&account.leaks));
        row.push(account.false_leaks.to_string());
        row.extend(delays(&account.frozen));
        row.push(of(account.exchanges.0, account.exchanges.1));
        row.push(account.false_exchanges.to_string());
        for told in &account.forecasts {
            let known: Vec<_> = told.iter().flatten().collect();
            let errors: Vec<f64> = known.iter().map(|judgement| judgement.error_days).collect();
            row.push(number(quantile(&errors, 0.5)));
            row.push(of(known.iter().filter(|judgement| judgement.inside).count(), told.len()));
        }
        row.push(account.alarms.to_string());
        row.push(account.false_alarms.to_string());
        row.push(number(account.false_alarms_a_month()));
        row
    };
    Table {
        title: "events, forecasts (medians) and alarms".to_owned(),
        head: head.map(str::to_owned).to_vec(),
        rows: groups.iter().map(row).collect(),
    }
}

/// How many were told of how many, and the median of the hours it took.
fn delays(told: &[Option<f64>]) -> [String; 2] {
    let known: Vec<f64> = told.iter().flatten().copied().collect();
    [of(known.len(), told.len()), number(quantile(&known, 0.5))]
}

fn of(some: usize, all: usize) -> String {
    if all == 0 { "–".to_owned() } else { format!("{some}/{all}") }
}

/// Three decimals, fewer where it is large; or a dash.
fn number(value: Option<f64>) -> String {
    let Some(value) = value.filter(|value| value.is_finite()) else { return "–".to_owned() };
    let decimals = match value.abs() {
        size if size < 10.0 => 3,
        size if size < 100.0 => 1,
        _ => 0,
    };
    format!("{value:.decimals$}")
}

impl Table {
    fn text(&self) -> String {
        let all = || std::iter::once(&self.head).chain(&self.rows);
        let width = |column: usize| all().map(|row| row[column].chars().count()).max().unwrap_or(0);
        let widths: Vec<usize> = (0..self.head.len()).map(width).collect();
        let mut out = format!("{}\n", self.title);
        for row in all() {
            for (place, (cell, width)) in row.iter().zip(&widths).enumerate() {
                let _ =
                    if place < 2 { write!(out, "  {cell:width$}") } else { write!(out, "  {cell:>width$}") };
            }
            out.push('\n');
        }
        out
    }

    fn markdown(&self) -> String {
        let line = |row: &[String]| format!("| {} |\n", row.join(" | "));
        let rule: Vec<String> =
            (0..self.head.len()).map(|place| if place < 2 { "---" } else { "---:" }.to_owned()).collect();
        let rows: String = self.rows.iter().map(|row| line(row)).collect();
        format!("**{}**\n\n{}{}{rows}", self.title, line(&self.head), line(&rule))
    }
}

/// A group as JSON.
#[derive(Debug, Serialize)]
pub(crate) struct Written {
    scenario: &'static str,
    notes: &'static str,
    quantities: BTreeMap<&'static str, Option<Figures>>,
    rivals: BTreeMap<&'static str, BTreeMap<&'static str, Option<Figures>>>,
    topups: WrittenTopUps,
    leak_hours: Vec<Option<f64>>,
    false_leaks: usize,
    frozen_hours: Vec<Option<f64>>,
    exchanges_told: usize,
    exchanges: usize,
    false_exchanges: usize,
    forecasts: Vec<WrittenForecast>,
    process_alarms: usize,
    false_process_alarms: usize,
    false_process_alarms_a_sump_month: Option<f64>,
    false_process_alarm_names: Vec<String>,
    sump_days: f64,
}

#[derive(Debug, Serialize)]
struct WrittenTopUps {
    found: usize,
    missed: usize,
    falsely: usize,
    f1: Option<f64>,
    volume_error_percent_median: Option<f64>,
    volume_error_percent_p95: Option<f64>,
    mix_errors_points: Vec<f64>,
}

#[derive(Debug, Serialize)]
struct WrittenForecast {
    ahead_days: f64,
    error_days: Option<f64>,
    inside: Option<bool>,
}

impl From<&Group> for Written {
    fn from(group: &Group) -> Self {
        let (account, (scenario, notes)) = (&group.account, group.name());
        let by_word = |tallies: &[Tally]| {
            Judged::ALL.iter().zip(tallies).map(|(judged, tally)| (judged.word(), tally.figures())).collect()
        };
        let forecast = |(ahead_days, told): (f64, &Vec<Option<crate::forecast::Judgement>>)| {
            let written = |judgement: &Option<crate::forecast::Judgement>| WrittenForecast {
                ahead_days,
                error_days: judgement.map(|j| j.error_days),
                inside: judgement.map(|j| j.inside),
            };
            told.iter().map(written).collect::<Vec<_>>()
        };
        Self {
            scenario,
            notes,
            quantities: by_word(&account.quantities),
            rivals: RIVALS.into_iter().zip(&account.rivals).map(|(name, t)| (name, by_word(t))).collect(),
            topups: WrittenTopUps {
                found: account.topups.found,
                missed: account.topups.missed,
                falsely: account.topups.falsely,
                f1: account.topups.f1(),
                volume_error_percent_median: quantile(&account.topups.volume_errors, 0.5),
                volume_error_percent_p95: quantile(&account.topups.volume_errors, 0.95),
                mix_errors_points: account.topups.mix_errors.clone(),
            },
            leak_hours: account.leaks.clone(),
            false_leaks: account.false_leaks,
            frozen_hours: account.frozen.clone(),
            exchanges_told: account.exchanges.0,
            exchanges: account.exchanges.1,
            false_exchanges: account.false_exchanges,
            forecasts: AHEAD_DAYS.into_iter().zip(&account.forecasts).flat_map(forecast).collect(),
            process_alarms: account.alarms,
            false_process_alarms: account.false_alarms,
            false_process_alarms_a_sump_month: account.false_alarms_a_month(),
            false_process_alarm_names: account.false_names.clone(),
            sump_days: account.sump_days,
        }
    }
}
