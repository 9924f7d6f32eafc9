//! Test plans: what the country's agencies ask for, what the shop has differently, and what each sump has differently.

use std::time::Duration;

use sumpwarden_core::acquire::settings::NotesTopic;
use sumpwarden_core::checks::Check;
use sumpwarden_core::checks::settings::{CheckSettings, Country, PlanSettings, SHOP, Workdays};
use sumpwarden_core::checks::verdict::Bands;
use sumpwarden_core::estimate::guidance::Rule;

use super::super::file::{BrokerNotes, CheckTable, CountryWord, Plan, Sump, Switch};
use super::super::quantity::{Lasting, lasting_text};
use super::notes::{At, Notes, number};
use super::source::topic_filter;

const DAY: Duration = Duration::from_secs(86_400);
/// Longest interval of a check: a year.
const EVERY_DAYS_MAX: u32 = 366;

/// What one table has differently.
#[derive(Debug, Default)]
pub(super) struct Different {
    country: Option<Country>,
    workdays: Option<Workdays>,
    bands: Option<Bands>,
    calibrate_every_days: Option<u32>,
    checks: Vec<(Check, At, Changed)>,
}

/// What becomes of one check.
#[derive(Clone, Copy, Debug)]
enum Changed {
    /// Not asked for.
    Off,
    /// Asked for; as the country asks for it where nothing is said.
    On { every_days: Option<u32>, by_probe: Option<bool> },
}

/// Reads one table.
pub(super) fn read(notes: &mut Notes<'_>, at: &At, table: &Plan) -> Different {
    let switches = [
        (Check::Look, &table.look),
        (Check::Concentration, &table.concentration),
        (Check::Ph, &table.ph),
        (Check::Nitrite, &table.nitrite),
        (Check::DipSlide, &table.dip_slide),
        (Check::TrampOil, &table.tramp_oil),
        (Check::MakeupHardness, &table.makeup_hardness),
        (Check::MakeupNitrate, &table.makeup_nitrate),
    ];
    let mut different = Different {
        country: table.country.map(country),
        workdays: table.workdays.as_ref().and_then(|days| workdays(notes, &at.key("workdays"), days)),
        calibrate_every_days: every(notes, at, "calibrate_every", table.calibrate_every),
        ..Different::default()
    };
    for (check, switch) in switches {
        let at = at.key(check.word());
        let changed = match switch {
            None => continue,
            Some(Switch::Plain(false)) => Changed::Off,
            Some(Switch::Plain(true)) => Changed::On { every_days: None, by_probe: None },
            Some(Switch::Table(table)) => {
                different.bands = bands(notes, &at, check, table).or(different.bands);
                by_probe(notes, &at, check, table);
                let every_days = every(notes, &at, "every", table.every);
                Changed::On { every_days, by_probe: table.by_probe }
            }
        };
        different.checks.push((check, at, changed));
    }
    different
}

const fn country(word: CountryWord) -> Country {
    match word {
        CountryWord::Uk => Country::Uk,
        CountryWord::De => Country::De,
        CountryWord::Us => Country::Us,
        CountryWord::None => Country::None,
    }
}

fn workdays(notes: &mut Notes<'_>, at: &At, days: &[super::super::file::DayWord]) -> Option<Workdays> {
    let mut works = [false; 7];
    days.iter().for_each(|day| works[*day as usize] = true);
    let workdays = Workdays::new(works);
    if workdays.is_none() {
        notes.wrong(
            at,
            "`workdays` names no day",
            "write those on which somebody works, as in [\"mon\", \"tue\", \"wed\", \"thu\", \"fri\"]",
        );
    }
    workdays
}

/// Whole days from one day to a year.
fn every(notes: &mut Notes<'_>, at: &At, key: &str, written: Option<Lasting>) -> Option<u32> {
    let Lasting(time) = written?;
    let days = time.as_nanos() / DAY.as_nanos();
    match u32::try_from(days) {
        Ok(days @ 1..=EVERY_DAYS_MAX) if DAY * days == time => Some(days),
        _ => {
            let what = format!("`{key}` is {}", lasting_text(time));
            notes.wrong(&at.key(key), what, "checks are counted in whole days: write \"1 d\" to \"366 d\"");
            None
        }
    }
}

fn bands(notes: &mut Notes<'_>, at: &At, check: Check, table: &CheckTable) -> Option<Bands> {
    let (reasonable_from, poor_from) = table.bands?;
    let at = at.key("bands");
    if check != Check::DipSlide {
        notes.wrong(&at, format!("`{}` has no bands", check.word()), "delete them; they belong to dip_slide");
        return None;
    }
    if !(reasonable_from > 0.0 && reasonable_from < poor_from && poor_from <= 1e12) {
        let what = format!("the bands {} and {} do not rise", number(reasonable_from), number(poor_from));
        notes.wrong(
            &at,
            what,
            "write CFU/mL from which control is reasonable, then poor, as in [10000, 1000000]",
        );
        return None;
    }
    Some(Bands { reasonable_from, poor_from, rule: Rule::DipSlideShopBands })
}

/// No probe reads nitrite, bacteria or a smell.
fn by_probe(notes: &mut Notes<'_>, at: &At, check: Check, table: &CheckTable) {
    if table.by_probe == Some(true) && quantity_of(check).is_none() {
        let what = format!("no probe does the check `{}`", check.word());
        notes.wrong(&at.key("by_probe"), what, "delete it; probes can stand in for ph and concentration");
    }
}

/// What a probe must measure to stand in for a check.
const fn quantity_of(check: Check) -> Option<&'static str> {
    match check {
        Check::Ph => Some("ph"),
        Check::Concentration => Some("conductivity"),
        _ => None,
    }
}

/// The plan of one sump.
pub(super) fn plan(notes: &mut Notes<'_>, sump: &Sump, shop: &Different, own: &Different) -> PlanSettings {
    let country = own.country.or(shop.country).unwrap_or_default();
    let mut plan = PlanSettings::of(country);
    for different in [shop, own] {
        plan.workdays = different.workdays.unwrap_or(plan.workdays);
        plan.bands = different.bands.or(plan.bands);
        plan.calibrate_every_days = different.calibrate_every_days.unwrap_or(plan.calibrate_every_days);
        for (check, at, changed) in &different.checks {
            let before = plan.checks.iter().position(|asked| asked.check == *check);
            let before = before.map(|place| plan.checks.remove(place));
            if let Changed::On { every_days, by_probe } = *changed {
                let asked = asked(notes, at, before, *check, every_days);
                plan.checks.extend(
                    asked
                        .map(|asked| CheckSettings { by_probe: by_probe.unwrap_or(asked.by_probe), ..asked }),
                );
            }
        }
    }
    for (check, at, changed) in &own.checks {
        warn_if_seldom(notes, at, &plan, *check);
        refuse_missing_probe(notes, at, sump, *check, *changed);
    }
    shop.checks.iter().for_each(|(check, at, _)| warn_if_seldom(notes, at, &plan, *check));
    plan.checks.sort_by_key(|asked| asked.check);
    // Where one table allows a probe and this sump has none, the check stays with the people.
    let has = |quantity| sump.probe.values().any(|probe| probe.quantity.as_deref() == Some(quantity));
    for asked in &mut plan.checks {
        asked.by_probe &= quantity_of(asked.check).is_some_and(has);
    }
    plan
}

/// A check as it was asked for before, or as the shop asks for it now. An interval of the shop's own knows no memory.
fn asked(
    notes: &mut Notes<'_>,
    at: &At,
    before: Option<CheckSettings>,
    check: Check,
    every_days: Option<u32>,
) -> Option<CheckSettings> {
    let fresh =
        |every_days| CheckSettings { check, every_days, relaxed_days: None, by_probe: false, source: SHOP };
    match (before, every_days) {
        (None, Some(every_days)) => Some(fresh(every_days)),
        (None, None) => {
            if !notes.doubtful(at) {
                let what = format!("nobody says how often `{}` is to be checked", check.word());
                notes.wrong(at, what, "write { every = \"7 d\" }, or a country that asks for it");
            }
            None
        }
        (Some(before), None) => Some(before),
        (Some(before), Some(every_days)) => {
            Some(CheckSettings { by_probe: before.by_probe, ..fresh(every_days) })
        }
    }
}

/// Notes a check that is left away, or comes less often than the country's agencies ask for.
fn warn_if_seldom(notes: &mut Notes<'_>, at: &At, plan: &PlanSettings, check: Check) {
    let Some((most, source)) = plan.longest(check) else { return };
    let word = check.word();
    match plan.checks.iter().find(|asked| asked.check == check) {
        Some(asked) if asked.every_days > most => {
            let what = format!("`{word}` every {} days is less often than asked for", asked.every_days);
            notes.warn(at, what, source);
        }
        Some(_) => {}
        None => notes.warn(at, format!("`{word}` is left away, and is asked for"), source),
    }
}

fn refuse_missing_probe(notes: &mut Notes<'_>, at: &At, sump: &Sump, check: Check, changed: Changed) {
    let Changed::On { by_probe: Some(true), .. } = changed else { return };
    let Some(quantity) = quantity_of(check) else { return };
    if !sump.probe.values().any(|probe| probe.quantity.as_deref() == Some(quantity)) {
        let what = format!("this sump has no probe of {quantity} that could do it");
        notes.wrong(&at.key("by_probe"), what, "delete it: somebody has to check by hand");
    }
}

/// Levels of a topic that say what the message does not.
const SUMP_LEVEL: &str = "{sump}";
const BY_LEVEL: &str = "{by}";

/// Where notes come from at a broker.
pub(super) fn notes_topic(notes: &mut Notes<'_>, at: &At, table: &BrokerNotes) -> Option<NotesTopic> {
    const EXAMPLE: &str = "\"sumpwarden/{sump}/note\"";
    let text = notes.require(at, "topic", table.topic.as_deref(), EXAMPLE)?;
    let at = at.key("topic");
    let levels: Vec<&str> = text.split('/').collect();
    let mut level = |word: &str| {
        let mut places =
            levels.iter().enumerate().filter(|(_, level)| **level == word).map(|(place, _)| place);
        let first = places.next();
        if places.next().is_some() || levels.iter().any(|level| level.contains(word) && *level != word) {
            let what = format!("`{word}` stands twice in the topic, or beside other text in its level");
            notes.wrong(&at, what, format!("let it stand for one whole level, as in {EXAMPLE}"));
        }
        first
    };
    let (sump_level, by_level) = (level(SUMP_LEVEL), level(BY_LEVEL));
    let filter = topic_filter(notes, &at, &text.replace(SUMP_LEVEL, "+").replace(BY_LEVEL, "+"))?;
    Some(NotesTopic { filter, sump_level, by_level })
}
