//! Litres: what was poured in, what that was, what left.

use std::time::Duration;

use super::series::within;
use super::{Hours, Material, Reading, Span};
use crate::estimate::note::NoteKind;
use crate::model::Timestamp;
use crate::store::JournalEntry;

/// What somebody notes within a shift of a top-up that the probes found is of that one (common practice, no source).
const SAME_POUR: Duration = Duration::from_hours(8);

/// Litres and strength of one note apart from each other are of the same top-up.
const SAME_NOTE: Duration = Duration::from_mins(30);

/// The journal gives every record a stamp of its own: what was found at once lies this close together.
const AT_ONCE: Duration = Duration::from_secs(1);

/// What was poured in at once.
#[derive(Clone, PartialEq, Debug)]
pub struct Pour {
    /// When it was over.
    pub at: Timestamp,
    /// A top-up, or the fill of an emptied sump.
    pub kind: PourKind,
    /// What probes showed.
    pub found: Option<Poured>,
    /// What somebody noted.
    pub noted: Option<Poured>,
    /// Who noted it; untrusted text.
    pub by: Option<String>,
    /// How sure the strength is, in words; empty where nobody knows.
    pub strength: String,
}

/// What pouring does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PourKind {
    /// Adds to what is there.
    TopUp,
    /// Fills an emptied sump.
    Fill,
}

/// Litres and strength.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Poured {
    /// Litres.
    pub litres: Option<f64>,
    /// Percent by volume.
    pub percent: Option<f64>,
}

impl Pour {
    /// Litres that count: those the probes showed, where they did.
    pub fn litres(&self) -> Option<f64> {
        let of = |poured: Option<Poured>| poured.and_then(|poured| poured.litres);
        of(self.found).or(of(self.noted))
    }

    /// Strength that counts. What was noted is in what the probes showed already.
    pub fn percent(&self) -> Option<f64> {
        let of = |poured: Option<Poured>| poured.and_then(|poured| poured.percent);
        of(self.found).or(of(self.noted))
    }
}

/// What all of it comes to.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Consumption {
    /// Top-ups and fills.
    pub pours: (u32, u32),
    /// Litres of concentrate, of those whose strength is known.
    pub concentrate_l: Option<f64>,
    /// Litres of water, of those.
    pub water_l: Option<f64>,
    /// Litres of which nobody knows how strong they were.
    pub unknown_l: Option<f64>,
    /// Times of which nobody knows how much it was.
    pub unknown: u32,
}

impl Consumption {
    /// Volumes add up, and concentrate counts as 100 %.
    pub fn of(poured: &[Pour]) -> Self {
        let mut all = Self::default();
        let add = |sum: &mut Option<f64>, litres: f64| *sum = Some(sum.unwrap_or(0.0) + litres);
        for pour in poured {
            match pour.kind {
                PourKind::TopUp => all.pours.0 += 1,
                PourKind::Fill => all.pours.1 += 1,
            }
            match (pour.litres(), pour.percent()) {
                (Some(litres), Some(percent)) => {
                    let concentrate = litres * percent / 100.0;
                    add(&mut all.concentrate_l, concentrate);
                    add(&mut all.water_l, litres - concentrate);
                }
                (Some(litres), None) => add(&mut all.unknown_l, litres),
                (None, _) => all.unknown += 1,
            }
        }
        all
    }
}

/// What was taken out.
#[derive(Clone, PartialEq, Debug)]
pub struct Removed {
    /// When.
    pub at: Timestamp,
    /// Litres.
    pub litres: f64,
    /// In words.
    pub text: String,
}

/// What left, summed over the hours in which it is known.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Loss {
    /// Litres.
    pub litres: f64,
    /// The sums of the ends of the 90 % intervals: wider than that of the sum, as if every hour erred the same way.
    pub between: Option<(f64, f64)>,
    /// Hours it is known of.
    pub hours: f64,
    /// Hours there were.
    pub of_hours: f64,
}

/// What was poured, by probes and by people, in order of time.
pub(super) fn poured<'a>(entries: impl Iterator<Item = &'a JournalEntry>, readings: &[Reading]) -> Vec<Pour> {
    let mut pours = found(entries);
    for noted in noted(readings) {
        let apart = |pour: &Pour| pour.at.since(noted.at).max(noted.at.since(pour.at));
        let same = (pours.iter_mut())
            .filter(|pour| pour.found.is_some() && pour.noted.is_none() && apart(pour) <= SAME_POUR)
            .min_by_key(|pour| apart(pour));
        match same {
            Some(pour) => (pour.noted, pour.by) = (noted.noted, noted.by),
            None => pours.push(noted),
        }
    }
    pours.sort_by_key(|pour| pour.at);
    pours
}

/// What the probes showed: a record of litres, and one of the strength at the same moment.
fn found<'a>(entries: impl Iterator<Item = &'a JournalEntry>) -> Vec<Pour> {
    let mut pours: Vec<Pour> = Vec::new();
    for entry in entries.filter(|entry| entry.kind == "event") {
        let kind = match entry.subject.as_str() {
            "topup" => PourKind::TopUp,
            "fill" => PourKind::Fill,
            _ => continue,
        };
        let near = |pour: &&mut Pour| pour.kind == kind && entry.at.since(pour.at) <= AT_ONCE;
        match entry.state.as_str() {
            "litres" => pours.push(Pour {
                at: entry.at,
                kind,
                found: Some(Poured { litres: entry.value, percent: None }),
                noted: None,
                by: None,
                strength: String::new(),
            }),
            "percent" => {
                if let Some(pour) = pours.last_mut().filter(near) {
                    pour.strength = entry.message.rsplit_once(" at ").map_or("", |(_, how)| how).to_owned();
                    if let Some(found) = &mut pour.found {
                        found.percent = entry.value;
                    }
                }
            }
            _ => {}
        }
    }
    pours
}

/// What people noted, litres and strength brought together.
fn noted(readings: &[Reading]) -> Vec<Pour> {
    let mut pours: Vec<Pour> = Vec::new();
    for reading in readings {
        let poured = match reading.kind {
            NoteKind::TopUpLitres => Poured { litres: reading.value, percent: None },
            NoteKind::TopUpPercent => Poured { litres: None, percent: reading.value },
            _ => continue,
        };
        let lacks = |had: &Poured| match reading.kind {
            NoteKind::TopUpLitres => had.litres.is_none(),
            _ => had.percent.is_none(),
        };
        let last = pours.last_mut().filter(|pour| {
            reading.at.since(pour.at) <= SAME_NOTE
                && pour.by == reading.by
                && pour.noted.as_ref().is_some_and(lacks)
        });
        match last.and_then(|pour| pour.noted.as_mut()) {
            Some(had) => {
                had.litres = had.litres.or(poured.litres);
                had.percent = had.percent.or(poured.percent);
            }
            None => pours.push(Pour {
                at: reading.at,
                kind: PourKind::TopUp,
                found: None,
                noted: Some(poured),
                by: reading.by.clone(),
                strength: String::new(),
            }),
        }
    }
    pours
}

/// What was pumped out or drawn off.
pub(super) fn removed<'a>(entries: impl Iterator<Item = &'a JournalEntry>) -> Vec<Removed> {
    entries
        .filter(|entry| entry.kind == "event" && matches!(entry.subject.as_str(), "dump" | "drawoff"))
        .filter_map(|entry| Some(Removed { at: entry.at, litres: entry.value?, text: entry.message.clone() }))
        .collect()
}

/// A rate in L/h summed over the days; none where nothing is known of it.
pub(super) fn loss(material: &Material<'_>, span: Span, hours: &Hours) -> Option<Loss> {
    let (from, until) = material.calendar.bounds(span);
    let until = until.min(material.now);
    let every_h = material.settings.estimate_every.as_secs_f64() / 3_600.0;
    let pace = material.settings.pace.0;
    // A value stands for the time to the next one, and no hour for more than itself.
    let sum = |hours: &[super::Hour]| {
        let known = within(hours, from, until).iter().filter_map(|hour| hour.bucket.values);
        known.fold((0.0, 0.0), |(litres, hours), values| {
            let covers = (values.count as f64 * every_h).min(1.0);
            (litres + values.mean() * covers * pace, hours + covers)
        })
    };
    let (litres, known) = sum(&hours.values);
    let [(low, low_hours), (high, high_hours)] = [&hours.ends[0], &hours.ends[1]].map(|end| sum(end));
    (known > 0.0).then(|| Loss {
        litres,
        between: (low_hours > 0.0 && high_hours > 0.0).then_some((low, high)),
        hours: known,
        of_hours: until.since(from).as_secs_f64() / 3_600.0,
    })
}
