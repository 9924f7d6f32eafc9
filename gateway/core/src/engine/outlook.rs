//! What lies ahead of a sump, held against the limits it was given.

use super::Engine;
use crate::alarm::settings::{Side, Subject, Terms};
use crate::estimate::outlook::{Bound, Crossing};
use crate::estimate::settings::EstimateKind;
use crate::estimate::sump::advice::Suggestion;
use crate::estimate::sump::prospect::Prospect;
use crate::model::SumpIndex;

/// Hardness not to be passed where no limit is configured, mg/L as CaCO3: past it many emulsions split and leave scum
/// (common practice, no source).
pub const HARDNESS_LIMIT_MG_L: f64 = 400.0;

/// A limit and when it is reached. Days are those of the sump.
#[derive(Clone, PartialEq, Debug)]
pub struct LimitAhead {
    /// Name of the configured limit; `None` for the hardness limit that holds where none is configured.
    pub name: Option<String>,
    /// On what.
    pub kind: EstimateKind,
    /// Which side is the bad one.
    pub bound: Bound,
    /// The limit, in the unit of the kind.
    pub limit: f64,
    /// When.
    pub crossing: Crossing,
}

/// What lies ahead of a sump.
#[derive(Clone, PartialEq, Debug)]
pub struct Outlook {
    /// State and rates it follows from.
    pub prospect: Prospect,
    /// Limits on hardness and concentration, hardness first.
    pub limits: Vec<LimitAhead>,
}

impl Engine {
    /// What lies ahead of a sump as of its latest reading, by the losses of the last week; `None` before anything is believed
    /// of it.
    pub fn outlook(&self, sump: SumpIndex) -> Option<Outlook> {
        let prospect = self.prospect(sump)?;
        let mut limits = vec![self.hardness_ahead(sump, &prospect)];
        limits.extend(self.limits_on(sump, EstimateKind::Concentration).map(|(name, side, limit)| {
            let bound = bound(side);
            LimitAhead {
                name: Some(name.to_owned()),
                kind: EstimateKind::Concentration,
                bound,
                limit,
                crossing: prospect.days_to_concentration(limit, bound),
            }
        }));
        Some(Outlook { prospect, limits })
    }

    /// What to do about a sump now, most urgent first, as of its latest reading; nothing before anything is believed of it.
    pub fn advice(&self, sump: SumpIndex) -> Vec<Suggestion> {
        let Some(prospect) = self.prospect(sump) else { return Vec::new() };
        let (name, limit_mg_l) = self.hardness_limit(sump);
        self.sumps[sump.slot()].advice(&prospect, limit_mg_l, name.is_some())
    }

    /// State and rates of a sump as of its latest reading.
    pub(super) fn prospect(&self, sump: SumpIndex) -> Option<Prospect> {
        let watched = &self.sumps[sump.slot()];
        watched.prospect_in(&watched.latest_look(), &self.drying[sump.slot()])
    }

    /// Hardness not to be passed in a sump, mg/L as CaCO3, with the name of the configured limit: the lowest of several.
    pub(super) fn hardness_limit(&self, sump: SumpIndex) -> (Option<&str>, f64) {
        self.limits_on(sump, EstimateKind::Hardness)
            .filter(|(_, side, _)| *side == Side::High)
            .min_by(|a, b| a.2.total_cmp(&b.2))
            .map_or((None, HARDNESS_LIMIT_MG_L), |(name, _, limit)| (Some(name), limit))
    }

    fn hardness_ahead(&self, sump: SumpIndex, prospect: &Prospect) -> LimitAhead {
        let (name, limit) = self.hardness_limit(sump);
        LimitAhead {
            name: name.map(str::to_owned),
            kind: EstimateKind::Hardness,
            bound: Bound::NotOver,
            limit,
            crossing: prospect.days_to_hardness(limit),
        }
    }

    fn limits_on(&self, sump: SumpIndex, kind: EstimateKind) -> impl Iterator<Item = (&str, Side, f64)> {
        (self.alarms.limits_on(sump))
            // What looks ahead speaks of the same setpoint that another limit holds now.
            .filter(move |limit| !matches!(limit.terms, Terms::WithinDays(_)))
            .filter(move |limit| limit.subject == Subject::Estimate(kind))
            .map(|limit| (limit.name.as_str(), limit.side, limit.setpoint))
    }
}

pub(super) fn bound(side: Side) -> Bound {
    match side {
        Side::Low => Bound::NotUnder,
        Side::High => Bound::NotOver,
    }
}
