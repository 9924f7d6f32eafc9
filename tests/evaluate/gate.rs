//! The figures to reach, each held against what was found.

use crate::account::Account;
use crate::judged::Judged;
use crate::score::quantile;

/// One figure to reach.
#[derive(Clone, PartialEq, Debug, serde::Serialize)]
pub(crate) struct Check {
    pub(crate) what: String,
    pub(crate) reach: String,
    /// None where nothing could be judged, which reaches nothing.
    pub(crate) found: Option<f64>,
    pub(crate) reached: bool,
}

impl Check {
    fn at_most(what: &str, found: Option<f64>, most: f64) -> Self {
        let reached = found.is_some_and(|found| found <= most);
        Self { what: what.to_owned(), reach: format!("≤ {most}"), found, reached }
    }

    fn at_least(what: &str, found: Option<f64>, least: f64) -> Self {
        let reached = found.is_some_and(|found| found >= least);
        Self { what: what.to_owned(), reach: format!("≥ {least}"), found, reached }
    }

    fn between(what: &str, found: Option<f64>, low: f64, high: f64) -> Self {
        let reached = found.is_some_and(|found| (low..=high).contains(&found));
        Self { what: what.to_owned(), reach: format!("{low} to {high}"), found, reached }
    }

    /// For a person.
    pub(crate) fn line(&self) -> String {
        let found = self.found.map_or("nothing".to_owned(), |found| format!("{found:.3}"));
        let verdict = if self.reached { "reached" } else { "MISSED" };
        format!("{verdict:8} {}: {found}, to reach {}", self.what, self.reach)
    }
}

/// What the checks look at.
#[derive(Debug, Default)]
pub(crate) struct Accounts {
    pub(crate) all: Account,
    pub(crate) without_readings: Account,
    pub(crate) read_weekly: Account,
    pub(crate) mix_known: Account,
    /// Scenarios in which nothing is to be told.
    pub(crate) quiet: Account,
}

/// Every check.
pub(crate) fn checks(accounts: &Accounts) -> Vec<Check> {
    let rms = |account: &Account, judged: Judged| {
        account.quantities[judged as usize].figures().map(|figures| figures.rms)
    };
    let Accounts { all, without_readings, read_weekly, mix_known, quiet } = accounts;
    let unread = rms(without_readings, Judged::Concentration);
    let read = rms(read_weekly, Judged::Concentration);
    let mut checks = vec![
        Check::at_most("concentration without manual readings, rms points", unread, 0.4),
        Check::at_most("concentration with weekly manual readings, rms points", read, 0.25),
        Check::at_most("hardness, rms %", rms(all, Judged::Hardness), 4.0),
        Check::at_most("chips with the mix known, rms % of the tank", rms(mix_known, Judged::Chips), 2.0),
    ];
    for judged in Judged::ALL {
        let covered = all.quantities[judged as usize].figures().and_then(|figures| figures.coverage_percent);
        let what = format!("90 % interval of {} holds the truth, %", judged.noun());
        checks.push(Check::between(&what, covered, 85.0, 97.0));
    }
    checks.push(Check::at_least("top-ups found, F1", all.topups.f1(), 0.98));
    let volume = quantile(&all.topups.volume_errors, 0.5);
    checks.push(Check::at_most("volume of a top-up, median error %", volume, 5.0));
    let falsely = (quiet.sump_days > 0.0).then_some(quiet.false_alarms as f64);
    checks.push(Check::at_most("process alarms in the quiet scenarios", falsely, 0.0));
    checks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_found_reaches_nothing() {
        let checks = checks(&Accounts::default());
        assert!(checks.iter().all(|check| !check.reached), "{checks:?}");
    }

    #[test]
    fn a_check_holds_at_its_edge_and_fails_beyond() {
        assert!(Check::at_most("", Some(0.4), 0.4).reached && !Check::at_most("", Some(0.41), 0.4).reached);
        assert!(
            Check::at_least("", Some(0.98), 0.98).reached && !Check::at_least("", Some(0.97), 0.98).reached
        );
        let coverage = |found| Check::between("", Some(found), 85.0, 97.0).reached;
        assert!(coverage(90.0) && !coverage(84.9) && !coverage(97.1), "too wide fails as too narrow does");
    }
}
