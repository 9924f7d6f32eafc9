//! Tracks to what they come to: added up over sumps and seeds, and over scenarios.

use sumpwarden_sim::Stamp;

use crate::forecast::{self, Judgement};
use crate::judged::{Hour, Judged, RIVALS};
use crate::score::{Tally, TopUps, as_topups, crossing, daily_means};
use crate::track::{Told, Track};

/// An estimator may find its feet for this long before it is judged, ms.
const WARM_UP_MS: i64 = 3 * 86_400_000;
/// A dump or clean-out is found if it is told within this time of its end, ms.
const EXCHANGE_MS: i64 = 3 * 3_600_000;
/// A leak that was mended is still told rightly for this long: what it took is seen in the day after.
const LEAK_MS: i64 = 24 * 3_600_000;
/// Words by which a dump or clean-out is told.
const EXCHANGE_WORDS: [&str; 2] = ["dump", "fill"];
/// Days before a limit is crossed at which the forecast is judged.
pub(crate) const AHEAD_DAYS: [f64; 2] = [14.0, 7.0];

const HOUR_MS: f64 = 3_600_000.0;

/// Everything that is counted.
#[derive(Clone, Debug, Default)]
pub(crate) struct Account {
    pub(crate) quantities: [Tally; Judged::COUNT],
    /// Concentration, hardness and chips of each rival.
    pub(crate) rivals: [[Tally; 3]; RIVALS.len()],
    pub(crate) topups: TopUps,
    /// Hours to tell each leak; none where it was never told.
    pub(crate) leaks: Vec<Option<f64>>,
    /// Leaks told where none was.
    pub(crate) false_leaks: usize,
    /// Hours to tell each frozen probe.
    pub(crate) frozen: Vec<Option<f64>>,
    /// Dumps and clean-outs: told in time, and all.
    pub(crate) exchanges: (usize, usize),
    /// Told where none was.
    pub(crate) false_exchanges: usize,
    /// At each of [`AHEAD_DAYS`]; none where nothing was forecast.
    pub(crate) forecasts: [Vec<Option<Judgement>>; AHEAD_DAYS.len()],
    pub(crate) alarms: usize,
    pub(crate) false_alarms: usize,
    /// False alarms by name, for the curious.
    pub(crate) false_names: Vec<String>,
    pub(crate) sump_days: f64,
}

impl Account {
    /// What one sump comes to.
    pub(crate) fn of(track: &Track, quiet: bool, limit_mg_l: f64) -> Self {
        let mut account = Self::default();
        let from = Stamp(track.start.0 + WARM_UP_MS);
        let judged: Vec<&Hour> = track.hours.iter().filter(|hour| hour.at > from && !hour.left_out).collect();
        account.hours(&judged, track.tank_l);
        let since: Vec<&Hour> = track.hours.iter().filter(|hour| hour.at > from).collect();
        account.days(&since, track.tank_l);
        account.topups(track, from);
        account.events(track);
        account.forecasts(track, limit_mg_l);
        account.alarms(track, quiet);
        account.sump_days = track.hours.len() as f64 / 24.0;
        account
    }

    pub(crate) fn merge(&mut self, other: &Self) {
        self.quantities.iter_mut().zip(&other.quantities).for_each(|(a, b)| a.merge(b));
        let rivals = self.rivals.iter_mut().flatten().zip(other.rivals.iter().flatten());
        rivals.for_each(|(a, b)| a.merge(b));
        self.topups.merge(&other.topups);
        self.leaks.extend_from_slice(&other.leaks);
        self.false_leaks += other.false_leaks;
        self.frozen.extend_from_slice(&other.frozen);
        self.exchanges.0 += other.exchanges.0;
        self.exchanges.1 += other.exchanges.1;
        self.false_exchanges += other.false_exchanges;
        self.forecasts.iter_mut().zip(&other.forecasts).for_each(|(a, b)| a.extend_from_slice(b));
        self.alarms += other.alarms;
        self.false_alarms += other.false_alarms;
        self.false_names.extend_from_slice(&other.false_names);
        self.sump_days += other.sump_days;
    }

    fn hours(&mut self, hours: &[&Hour], tank_l: f64) {
        for hour in hours {
            for (place, judged) in Judged::ALL.into_iter().enumerate().filter(|(_, q)| !q.by_day()) {
                let Some(truth) = hour.truth[place] else { continue };
                let scale = judged.scale(truth, tank_l);
                self.quantities[place].add(truth, hour.estimate[place], scale);
                for (rival, values) in self.rivals.iter_mut().zip(hour.rivals) {
                    if let (Some(tally), Some(value)) = (rival.get_mut(place), values.get(place)) {
                        tally.add_bare(truth, *value, scale);
                    }
                }
            }
        }
    }

    /// Errors of rates, by the day: one with an hour that is left out is left out. Their intervals are of an hour, and are held
    /// against the hours in which something was lost.
    fn days(&mut self, hours: &[&Hour], tank_l: f64) {
        for (place, judged) in Judged::ALL.into_iter().enumerate().filter(|(_, q)| q.by_day()) {
            let tally = &mut self.quantities[place];
            for hour in hours.iter().filter(|hour| !hour.left_out) {
                let lost = hour.truth[place].filter(|truth| *truth > 0.0);
                if let (Some(truth), Some(estimate)) = (lost, hour.estimate[place]) {
                    tally.add_interval(truth, estimate, judged.scale(truth, tank_l));
                }
            }
            let truths: Vec<_> = (hours.iter())
                .map(|hour| hour.truth[place].filter(|_| !hour.left_out).map(|truth| [truth]))
                .collect();
            let estimates: Vec<_> =
                (hours.iter()).map(|hour| hour.estimate[place].map(|estimate| [estimate.value])).collect();
            for (truth, estimate) in daily_means(&truths).into_iter().zip(daily_means(&estimates)) {
                let Some([truth]) = truth else { continue };
                let estimate = estimate.map(|[value]| value);
                tally.add_bare(truth, estimate, judged.scale(truth, tank_l));
            }
        }
    }

    /// A refill told as a top-up is judged with the exchange it belongs to, not here.
    fn topups(&mut self, track: &Track, from: Stamp) {
        let refill = |at: Stamp| track.exchanges.iter().any(|exchange| exchanged(at, exchange));
        let truth = as_topups(&track.pours);
        let until = track.hours.last().map_or(track.start, |hour| hour.at);
        // One poured right before the end may be told after it.
        let counts = |at: Stamp| at > from && at.0 < until.0 - EXCHANGE_MS && !refill(at);
        self.topups = TopUps::of(&truth, &track.topups, counts);
    }

    fn events(&mut self, track: &Track) {
        let hours = |from: Stamp, at: Stamp| (at.0 - from.0) as f64 / HOUR_MS;
        let told = |subject: &'static str| track.events.iter().filter(move |e| e.subject == subject);
        let leaks = |at: Stamp, &(began, mended): &(Stamp, Option<Stamp>)| {
            began <= at && mended.is_none_or(|mended| at.0 <= mended.0 + LEAK_MS)
        };
        for leak in &track.leaks {
            let first = told("leak").find(|event| leaks(event.at, leak));
            self.leaks.push(first.map(|event| hours(leak.0, event.at)));
        }
        self.false_leaks =
            told("leak").filter(|event| !track.leaks.iter().any(|leak| leaks(event.at, leak))).count();
        self.frozen = track.frozen.iter().map(|f| f.told.map(|told| hours(f.from, told))).collect();
        // One record a quantity: litres stand in each of them.
        let words = || {
            let all = track.events.iter().filter(|e| e.state != "percent");
            all.filter(|e| EXCHANGE_WORDS.contains(&e.subject.as_str()))
        };
        let found = |exchange: &&(Stamp, Stamp)| words().any(|event| exchanged(event.at, exchange));
        self.exchanges = (track.exchanges.iter().filter(found).count(), track.exchanges.len());
        let falsely = |event: &&Told| !track.exchanges.iter().any(|e| exchanged(event.at, e));
        self.false_exchanges = words().filter(falsely).count();
    }

    fn forecasts(&mut self, track: &Track, limit_mg_l: f64) {
        let place = Judged::Hardness as usize;
        let hardness: Vec<(Stamp, f64)> =
            track.hours.iter().filter_map(|hour| Some((hour.at, hour.truth[place]?))).collect();
        let Some(crossed) = crossing(&hardness, limit_mg_l) else { return };
        for (ahead, out) in AHEAD_DAYS.into_iter().zip(&mut self.forecasts) {
            let told_from = track.start.plus_days(ahead + WARM_UP_MS as f64 / 86_400_000.0);
            if crossed >= told_from {
                out.push(forecast::judge(&track.forecasts, crossed, ahead));
            }
        }
    }

    fn alarms(&mut self, track: &Track, quiet: bool) {
        self.alarms = track.alarms.len();
        // Where all is quiet, what the truth does not confirm is false.
        let falsely = track.alarms.iter().filter(|alarm| alarm.false_by_truth.unwrap_or(quiet));
        self.false_names = falsely.map(|alarm| format!("{}/{}", track.sump, alarm.name)).collect();
        self.false_alarms = self.false_names.len();
    }

    /// False process alarms per sump and 30 days.
    pub(crate) fn false_alarms_a_month(&self) -> Option<f64> {
        (self.sump_days > 0.0).then(|| 30.0 * self.false_alarms as f64 / self.sump_days)
    }
}

/// Whether what was told then may be of this exchange.
fn exchanged(at: Stamp, &(begin, end): &(Stamp, Stamp)) -> bool {
    begin <= at && at.0 <= end.0 + EXCHANGE_MS
}

#[cfg(test)]
mod tests;
