//! How well the alarms themselves work: the measures of ISA-18.2 / IEC 62682 and EEMUA 191 over a stretch of time.
//!
//! Times of annunciations go in, figures come out. Where the standards leave an edge open: chattering is three annunciations
//! of one alarm that span at most 60 s; a flood begins when more than ten came in the last ten minutes and ends when fewer
//! than five did, looked at each whole minute; an alarm is stale once it has stood for more than 24 h.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use schemars::JsonSchema;
use serde::Serialize;

use super::settings::Priority;
use crate::model::Timestamp;

/// One time an alarm came up.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Activation {
    /// Its name in the shop.
    pub alarm: String,
    /// When it was annunciated.
    pub at: Timestamp,
    /// When its condition ended; none if it still stands.
    pub ended: Option<Timestamp>,
    /// Somebody acknowledged it while it stood.
    pub acknowledged: bool,
    /// Its priority.
    pub priority: Priority,
}

/// How often one alarm came up.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, JsonSchema)]
pub struct Frequent {
    /// Its name in the shop: `lathe-1/ph-low`.
    pub alarm: String,
    /// How often.
    pub count: usize,
}

/// The figures of a stretch of time, each beside what the standard asks for in its documentation.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct Performance {
    /// Days they are taken over.
    pub days: f64,
    /// Annunciations.
    pub annunciated: usize,
    /// A day, on average: about 150 very likely acceptable, 300 the most that can be managed.
    pub per_day: f64,
    /// Percent of hours with more than 30: below 1.
    pub busy_hours_percent: f64,
    /// Percent of ten-minute periods with more than ten: below 1.
    pub busy_periods_percent: f64,
    /// Most in one ten-minute period: at most 10.
    pub most_in_ten_minutes: usize,
    /// Floods.
    pub floods: usize,
    /// Percent of the time in flood: below 1.
    pub flood_percent: f64,
    /// Percent of all annunciations that the ten most frequent alarms make: 1 to 5 in a large plant.
    pub ten_most_frequent_percent: f64,
    /// The most frequent alarms with their counts, most frequent first; at most ten.
    pub most_frequent: Vec<Frequent>,
    /// Alarms that chattered: none.
    pub chattering: Vec<String>,
    /// Alarms that were gone within ten seconds before anybody saw them: none.
    pub fleeting: Vec<String>,
    /// Alarms that have stood for more than a day at the end: fewer than 5.
    pub stale: Vec<String>,
    /// Percent of annunciations of low, medium and high priority: about 80, 15 and 5.
    pub by_priority_percent: [f64; 3],
}

const MINUTE: Duration = Duration::from_secs(60);
const PERIOD: Duration = Duration::from_secs(600);
const HOUR: Duration = Duration::from_secs(3_600);
const DAY: Duration = Duration::from_secs(86_400);

/// Annunciations in ten minutes that make a period busy and begin a flood.
const FLOOD_OVER: usize = 10;
/// Fewer than this in ten minutes end a flood.
const FLOOD_UNDER: usize = 5;
const BUSY_HOUR_OVER: usize = 30;
const CHATTER: (usize, Duration) = (3, Duration::from_secs(60));
const FLEETING: Duration = Duration::from_secs(10);

impl Performance {
    /// The week in a line: how many, how many a day, and what asks for tuning.
    pub fn line(&self) -> String {
        let mut text = format!(
            "{} alarms in {:.0} days, {:.1} a day, at most {} in ten minutes",
            self.annunciated, self.days, self.per_day, self.most_in_ten_minutes
        );
        if self.floods > 0 {
            text.push_str(&format!("; {} floods, {:.1} % of the time", self.floods, self.flood_percent));
        }
        for (what, alarms) in
            [("chattering", &self.chattering), ("fleeting", &self.fleeting), ("stale", &self.stale)]
        {
            if !alarms.is_empty() {
                text.push_str(&format!("; {what}: {}", alarms.join(", ")));
            }
        }
        text
    }

    /// Of the activations from `from` to `until`, in order of time; those that began earlier count only as stale.
    pub fn of(activations: &[Activation], from: Timestamp, until: Timestamp) -> Self {
        let begun: Vec<&Activation> = activations.iter().filter(|a| a.at > from && a.at <= until).collect();
        let times: Vec<Timestamp> = begun.iter().map(|activation| activation.at).collect();
        let span = until.since(from);
        let days = span.as_secs_f64() / DAY.as_secs_f64();
        let periods = in_windows(&times, from, span, PERIOD);
        let hours = in_windows(&times, from, span, HOUR);
        let floods = floods(&times, from, until);
        let in_flood: Duration = floods.iter().map(|(begin, end)| end.since(*begin)).sum();
        let most_frequent = most_frequent(&begun);
        let of_ten: usize = most_frequent.iter().map(|alarm| alarm.count).sum();
        let of_priority = |priority| {
            percent(begun.iter().filter(|a| a.priority == priority).count() as f64, begun.len() as f64)
        };
        Self {
            days,
            annunciated: begun.len(),
            per_day: if days > 0.0 { begun.len() as f64 / days } else { 0.0 },
            busy_hours_percent: busy_percent(&hours, BUSY_HOUR_OVER),
            busy_periods_percent: busy_percent(&periods, FLOOD_OVER),
            most_in_ten_minutes: periods.iter().copied().max().unwrap_or(0),
            floods: floods.len(),
            flood_percent: percent(in_flood.as_secs_f64(), span.as_secs_f64()),
            ten_most_frequent_percent: percent(of_ten as f64, begun.len() as f64),
            most_frequent,
            chattering: chattering(&begun),
            fleeting: names(begun.iter().filter(|a| is_fleeting(a))),
            stale: names(activations.iter().filter(|a| is_stale(a, until))),
            by_priority_percent: [Priority::Low, Priority::Medium, Priority::High].map(of_priority),
        }
    }
}

fn percent(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { 100.0 * part / whole } else { 0.0 }
}

fn busy_percent(windows: &[usize], over: usize) -> f64 {
    percent(windows.iter().filter(|count| **count > over).count() as f64, windows.len() as f64)
}

/// Counts in windows of `width` that hold their end and not their beginning.
fn in_windows(times: &[Timestamp], from: Timestamp, span: Duration, width: Duration) -> Vec<usize> {
    let windows = usize::try_from(span.as_nanos().div_ceil(width.as_nanos())).unwrap_or(usize::MAX);
    let mut counts = vec![0; windows];
    for at in times {
        let window = at.since(from).as_nanos().div_ceil(width.as_nanos()).saturating_sub(1);
        if let Some(count) = usize::try_from(window).ok().and_then(|window| counts.get_mut(window)) {
            *count += 1;
        }
    }
    counts
}

/// Begin and end of each flood, looked for at each whole minute after `from`; one that still goes on ends at `until`.
pub fn floods(times: &[Timestamp], from: Timestamp, until: Timestamp) -> Vec<(Timestamp, Timestamp)> {
    let mut floods = Vec::new();
    let mut begun: Option<Timestamp> = None;
    let mut recent: VecDeque<Timestamp> = VecDeque::new();
    let mut coming = times.iter().copied().peekable();
    let mut minute = from;
    while minute < until {
        minute = minute.plus(MINUTE);
        if recent.is_empty() && begun.is_none() {
            // Nothing can begin before the next one comes.
            let Some(next) = coming.peek() else { break };
            let ahead = next.since(minute).as_nanos() / MINUTE.as_nanos();
            minute = minute.plus(MINUTE * u32::try_from(ahead).unwrap_or(u32::MAX));
        }
        while let Some(at) = coming.next_if(|at| *at <= minute) {
            recent.push_back(at);
        }
        while recent.front().is_some_and(|at| *at <= minute.minus(PERIOD)) {
            recent.pop_front();
        }
        match begun {
            None if recent.len() > FLOOD_OVER => begun = Some(minute),
            Some(begin) if recent.len() < FLOOD_UNDER => {
                floods.push((begin, minute));
                begun = None;
            }
            None | Some(_) => {}
        }
    }
    floods.extend(begun.map(|begin| (begin, until)));
    floods
}

/// Whether any three of these times, in order, span no more than a minute.
pub fn is_chattering(times: &[Timestamp]) -> bool {
    let (count, within) = CHATTER;
    times.windows(count).any(|some| some[count - 1].since(some[0]) <= within)
}

fn chattering(begun: &[&Activation]) -> Vec<String> {
    let mut times: BTreeMap<&str, Vec<Timestamp>> = BTreeMap::new();
    for activation in begun {
        times.entry(&activation.alarm).or_default().push(activation.at);
    }
    times.into_iter().filter(|(_, times)| is_chattering(times)).map(|(alarm, _)| alarm.to_owned()).collect()
}

fn is_fleeting(activation: &Activation) -> bool {
    !activation.acknowledged && activation.ended.is_some_and(|ended| ended.since(activation.at) <= FLEETING)
}

fn is_stale(activation: &Activation, until: Timestamp) -> bool {
    let stands = activation.ended.is_none_or(|ended| ended > until);
    stands && until.since(activation.at) > DAY
}

fn names<'a>(
    activations: impl Iterator<Item = &'a (impl std::borrow::Borrow<Activation> + 'a)>,
) -> Vec<String> {
    let names: BTreeSet<&str> = activations.map(|activation| activation.borrow().alarm.as_str()).collect();
    names.into_iter().map(str::to_owned).collect()
}

fn most_frequent(begun: &[&Activation]) -> Vec<Frequent> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for activation in begun {
        *counts.entry(&activation.alarm).or_default() += 1;
    }
    let frequent = |(alarm, count): (&str, usize)| Frequent { alarm: alarm.to_owned(), count };
    let mut counts: Vec<Frequent> = counts.into_iter().map(frequent).collect();
    counts.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.alarm.cmp(&b.alarm)));
    counts.truncate(10);
    counts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(at: f64) -> Timestamp {
        Timestamp::from_nanos((at * 60e9) as i64)
    }

    fn every(step: f64, first: f64, count: usize) -> Vec<f64> {
        (0..count).map(|i| first + step * i as f64).collect()
    }

    fn activation(alarm: &str, at: f64, ended: Option<f64>) -> Activation {
        Activation {
            alarm: alarm.to_owned(),
            at: minutes(at),
            ended: ended.map(minutes),
            acknowledged: false,
            priority: Priority::Low,
        }
    }

    /// Worked by hand from the definitions at the head of this file (more than ten in ten minutes; fewer than five).
    #[test]
    fn floods_begin_and_end_at_the_worked_minutes() {
        let first_ten = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 9.5, 10.0];
        for (times, counts, expected) in [
            (first_ten.to_vec(), &[11, 0][..], &[(10.0, 17.0)][..]),
            (every(0.5, 0.5, 40), &[20, 20, 0], &[(6.0, 28.0)]),
            (every(2.0, 1.0, 30), &[5, 5, 5, 5, 5, 5], &[]),
            (every(0.5, 0.5, 10), &[10], &[]),
        ] {
            let times: Vec<Timestamp> = times.into_iter().map(minutes).collect();
            let span = PERIOD * u32::try_from(counts.len()).expect("few");
            assert_eq!(in_windows(&times, minutes(0.0), span, PERIOD), counts);
            let found = floods(&times, minutes(0.0), minutes(100.0));
            let expected: Vec<_> = expected.iter().map(|(a, b)| (minutes(*a), minutes(*b))).collect();
            assert_eq!(found, expected);
        }
    }

    /// Three activations within 60 s: ISA-18.2 (the edge at exactly 60 s counts here).
    #[test]
    fn three_within_a_minute_chatter() {
        for (seconds, expected) in [
            (&[0.0, 20.0, 45.0][..], true),
            (&[0.0, 30.0, 60.0], true),
            (&[0.0, 30.0, 61.0], false),
            (&[0.0, 200.0, 400.0], false),
            (&[10.0, 15.0, 300.0, 305.0, 310.0], true),
        ] {
            let times: Vec<_> = seconds.iter().map(|s| minutes(s / 60.0)).collect();
            assert_eq!(is_chattering(&times), expected, "{seconds:?}");
        }
    }

    #[test]
    fn a_week_is_summed_up() {
        let week = 7.0 * 24.0 * 60.0;
        let mut activations = vec![activation("lathe-1/ph-low", -3000.0, None)];
        activations.extend(
            every(0.25, 60.5, 3).into_iter().map(|at| activation("mill-2/level-low", at, Some(at + 0.1))),
        );
        activations.push(activation("lathe-1/hardness-high", 5000.0, Some(5100.0)));
        let found = Performance::of(&activations, minutes(0.0), minutes(week));
        assert_eq!(found.annunciated, 4, "what began before does not count");
        assert_eq!(found.chattering, ["mill-2/level-low"]);
        assert_eq!(found.fleeting, ["mill-2/level-low"]);
        assert_eq!(found.stale, ["lathe-1/ph-low"]);
        assert_eq!(found.most_frequent[0], Frequent { alarm: "mill-2/level-low".to_owned(), count: 3 });
        assert_eq!(found.by_priority_percent, [100.0, 0.0, 0.0]);
        assert_eq!((found.floods, found.most_in_ten_minutes), (0, 3));
        assert!((found.per_day - 4.0 / 7.0).abs() < 1e-12);
        let line = found.line();
        assert!(
            line.starts_with("4 alarms in 7 days, 0.6 a day, at most 3 in ten minutes; chattering: mill-2"),
            "{line}"
        );
        assert!(line.ends_with("; stale: lathe-1/ph-low"), "{line}");
    }

    #[test]
    fn a_flood_that_lasts_counts_to_the_end() {
        let times: Vec<_> = every(0.5, 100.5, 400).into_iter().map(minutes).collect();
        assert_eq!(floods(&times, minutes(0.0), minutes(150.0)), [(minutes(106.0), minutes(150.0))]);
    }
}
