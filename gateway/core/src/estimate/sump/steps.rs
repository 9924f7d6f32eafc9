//! Steps in what the tank holds: somebody pours in, somebody draws off.
//!
//! It watches the content with known losses put back and the hold-up added, so that it stands still while nothing happens.
//! A step begins when a few readings in a row lie off what stood before, and is over when they stand still again; what lies
//! between belongs to nobody. Waves, foam and single wild readings do not begin one, since medians are compared.

use std::collections::VecDeque;

use super::both;
use super::median::{MEDIANS, median_of};
use crate::estimate::trend::MAD_TO_SIGMA;

/// How long what stood before is remembered, hours.
const BEFORE_H: f64 = 1.0;
/// How many readings of it there must be, unless they are so seldom that fewer cover half of that.
const BEFORE_LEAST: usize = 8;
/// How long readings must lie off until a step has begun, hours, and how many they must be.
const SHORT_H: f64 = 4.0 / 60.0;
const SHORT_LEAST: usize = 3;
/// How long they must stand still until it is over, hours.
const STILL_H: f64 = 8.0 / 60.0;
/// A small one must stand longer, hours: foam comes and goes. Small is less than so many thresholds.
const SMALL_STILL_H: f64 = 25.0 / 60.0;
const SMALL: f64 = 2.5;
/// Less than so many thresholds is nothing.
const NOTHING: f64 = 0.3;
const STILL_LEAST: usize = 4;
/// A step that is still not over by then is taken as it stands, hours.
const LASTS_MAX_H: f64 = 8.0;
/// Most readings kept.
const READINGS_MAX: usize = 512;
/// How often what stood before is looked at anew while nothing happens, hours: a median a reading would cost more than all
/// the rest of the estimator.
const REFRESH_H: f64 = 12.0 / 60.0;

/// One settled reading.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Reading {
    pub(super) at_h: f64,
    /// Content with losses and hold-up put back, L.
    pub(super) litres: f64,
    /// Whether the pumps ran.
    pub(super) running: bool,
}

/// How far off counts, L.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Threshold {
    /// In any case.
    pub(super) litres: f64,
    /// On top, where the pumps did not run before and do now, or the other way round: the hold-up is known no better.
    pub(super) holdup: f64,
    /// On top, where the pumps stood before already or where there is less now: what may still run back.
    pub(super) tail: f64,
    /// What goes down slower than this is no step, L/h.
    pub(super) slow_h: f64,
    /// Down, and up again by so much, in one go is two steps.
    pub(super) deep: f64,
}

impl Threshold {
    /// From what stood before on: `alike` where the pumps do as they did then, `less` where there is less now.
    fn of(&self, before: &Before, alike: bool, less: bool) -> f64 {
        let holdup = if alike { 0.0 } else { self.holdup };
        // What runs back makes it more: from a running sump on it is all the less until then.
        let tail = if less || !before.ran { self.tail } else { 0.0 };
        both(self.litres, holdup) + tail
    }
}

/// A step that is over.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Step {
    pub(super) from_h: f64,
    pub(super) to_h: f64,
    /// What came (or, below zero, went), L.
    pub(super) litres: f64,
    /// Where it went down far and up again without standing still: when it stood lowest, and how far down, L below zero.
    pub(super) lowest: Option<(f64, f64)>,
}

/// What a reading brought about.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Change {
    /// Nothing.
    None,
    /// A step has begun: when what stood before was last read.
    Begun(f64),
    /// What had begun was nothing.
    Nothing,
    /// A step is over.
    Over(Step),
}

/// The watch.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Steps {
    readings: VecDeque<Reading>,
    before: Option<Before>,
    moving: Option<Moving>,
    /// How many of the latest readings in a row lie off what stood before.
    off: usize,
}

/// What stood before, all but the last few readings.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Before {
    at_h: f64,
    litres: f64,
    /// Time in the middle of it.
    middle_h: f64,
    /// Whether the pumps ran for most of it.
    ran: bool,
}

#[derive(Clone, Copy, PartialEq, Debug)]
struct Moving {
    from_h: f64,
    /// The last reading before that: readings may have waited meanwhile for pumps to settle.
    calm_h: f64,
    before: f64,
    /// What counts as a step of the first readings, and of ever so many.
    threshold: f64,
    sure: f64,
    /// How far off a reading may lie by waves alone.
    waves: f64,
    deep: f64,
    /// Lowest median of a few readings so far.
    lowest: (f64, f64),
}

impl Steps {
    /// Whether a step has begun and is not over.
    pub(super) fn is_moving(&self) -> bool {
        self.moving.is_some()
    }

    /// Whether the next readings will tell if a step has begun: the latest lie off, and are too few to say so.
    pub(super) fn hesitates(&self) -> bool {
        self.moving.is_none() && (1..=SHORT_LEAST).contains(&self.off)
    }

    /// Starts over: what stood before is no longer comparable.
    pub(super) fn forget(&mut self) {
        *self = Self::default();
    }

    /// All readings since a moment were taken with running pumps, not with idle ones: they lie off by the hold-up. What was
    /// read before is forgotten.
    pub(super) fn run_on(&mut self, since_h: f64, holdup: f64) {
        self.readings.retain(|reading| reading.at_h >= since_h);
        for reading in &mut self.readings {
            reading.litres += holdup;
            reading.running = true;
        }
        self.before = None;
    }

    /// What stands now; none if there are too few readings.
    pub(super) fn standing(&self) -> Option<f64> {
        self.standing_since(f64::NEG_INFINITY)
    }

    /// What has been standing since a moment.
    pub(super) fn standing_since(&self, at_h: f64) -> Option<f64> {
        let earlier = self.readings.iter().take_while(|r| r.at_h < at_h).count();
        let enough = self.readings.len() >= earlier + SHORT_LEAST;
        self.median_of(earlier..self.readings.len()).filter(|_| enough)
    }

    /// The next settled reading.
    pub(super) fn push(&mut self, reading: Reading, threshold: Threshold) -> Change {
        if self.readings.len() >= READINGS_MAX {
            self.readings.pop_front();
        }
        self.readings.push_back(reading);
        match self.moving {
            None => self.look_for_a_begin(reading, threshold),
            Some(moving) => self.look_for_the_end(reading, moving),
        }
    }

    fn look_for_a_begin(&mut self, latest: Reading, threshold: Threshold) -> Change {
        let due = self.before.filter(|before| latest.at_h - before.at_h >= REFRESH_H);
        let hidden = due.and_then(|before| self.risen_meanwhile(&before, threshold));
        let Some(moving) = hidden.or_else(|| self.moved_just_now(latest, threshold)) else {
            return Change::None;
        };
        self.moving = Some(moving);
        self.before = None;
        self.off = 0;
        Change::Begun(moving.calm_h)
    }

    fn moved_just_now(&mut self, latest: Reading, threshold: Threshold) -> Option<Moving> {
        let before = self.before(latest.at_h)?;
        let less = latest.litres < before.litres;
        // What runs out slowly is a loss and no step.
        let slow = if less { threshold.slow_h * (latest.at_h - before.middle_h).max(0.0) } else { 0.0 };
        let sure = threshold.of(&before, before.ran == latest.running, less) + slow;
        if (latest.litres - before.litres).abs() < sure {
            self.off = 0;
            return None;
        }
        self.off += 1;
        let earlier = self.readings.len() - self.last_within(SHORT_H, SHORT_LEAST);
        if earlier == 0 { None } else { self.moved(earlier, &before, sure, threshold.deep) }
    }

    /// A can that waves hide from the last few readings: all that came since it was last looked at what stood before lie higher by
    /// more than so many of them scatter.
    fn risen_meanwhile(&self, before: &Before, threshold: Threshold) -> Option<Moving> {
        let since = self.since(before);
        let alike = self.readings.range(since..).all(|r| r.running == before.ran);
        if self.readings.len() - since < STILL_LEAST {
            return None;
        }
        self.moved(since, before, threshold.of(before, alike, false), threshold.deep)
            .filter(|moving| moving.lowest.1 > before.litres)
    }

    /// Whether all but the `earlier` first readings together lie off what stood before by more than is `sure` and than waves do.
    fn moved(&self, earlier: usize, before: &Before, sure: f64, deep: f64) -> Option<Moving> {
        // What lies less far off does so with waves all the more, which are dearer to look at.
        if !self.half_lie_off(earlier, before.litres, sure) {
            return None;
        }
        let now = self.median_of(earlier..self.readings.len())?;
        let waves = self.waves(before.litres, earlier);
        let threshold = sure + waves * part_left(earlier, self.readings.len() - earlier);
        if (now - before.litres).abs() < threshold {
            return None;
        }
        let side = if now > before.litres { 1.0 } else { -1.0 };
        let off = |r: &Reading| (r.litres - before.litres) * side > 0.3 * threshold;
        let flank = self.readings.iter().rev().take_while(|r| off(r)).count().max(1);
        // Waves may break it off, so what was read since it was looked at what stood before counts as well.
        let begin = (self.readings.len() - flank).min(self.parted(self.since(before), before.litres, now));
        let (from_h, lowest) = (self.readings[begin].at_h, (self.readings.back()?.at_h, now));
        let calm_h = begin.checked_sub(1).map_or(from_h, |i| self.readings[i].at_h);
        Some(Moving { from_h, calm_h, before: before.litres, threshold, sure, waves, deep, lowest })
    }

    /// Whether enough of all but the `earlier` first readings lie so far to one side that their median may do so: to count is
    /// cheaper than to put in order.
    fn half_lie_off(&self, earlier: usize, middle: f64, by: f64) -> bool {
        let (mut above, mut below) = (0, 0);
        for reading in self.readings.range(earlier..) {
            above += usize::from(reading.litres - middle >= by);
            below += usize::from(middle - reading.litres >= by);
        }
        let count = self.readings.len() - earlier;
        above.max(below) >= count - count / 2
    }

    /// The place of the first reading since it was looked at what stood before.
    fn since(&self, before: &Before) -> usize {
        self.readings.iter().take_while(|r| r.at_h <= before.at_h).count()
    }

    /// From which reading on, at or after one, they lie about `after` and no longer about `base`: where the distances add up to
    /// least.
    fn parted(&self, since: usize, base: f64, after: f64) -> usize {
        let (mut sum, mut least, mut place) = (0.0, 0.0, since);
        for (i, reading) in self.readings.iter().enumerate().skip(since) {
            sum += (reading.litres - base).abs() - (reading.litres - after).abs();
            if sum < least {
                (least, place) = (sum, i + 1);
            }
        }
        place.min(self.readings.len() - 1)
    }

    /// What stood before the last few readings, looked at anew once in a while; none if there are too few.
    fn before(&mut self, now_h: f64) -> Option<Before> {
        if let Some(before) = self.before.filter(|before| now_h - before.at_h < REFRESH_H) {
            return Some(before);
        }
        while self.readings.len() > 8 && self.readings.front().is_some_and(|r| r.at_h < now_h - BEFORE_H) {
            self.readings.pop_front();
        }
        let count = self.readings.len() - self.last_within(SHORT_H, SHORT_LEAST);
        // Few are enough only where they are seldom.
        let seldom = count >= 2 && self.readings[count - 1].at_h - self.readings[0].at_h >= 0.5 * BEFORE_H;
        if count < BEFORE_LEAST && !seldom {
            return None;
        }
        let litres = self.median_of(0..count)?;
        let ran = self.readings.iter().take(count).filter(|r| r.running).count() * 2 > count;
        let middle_h = self.readings[count / 2].at_h;
        self.before = Some(Before { at_h: now_h, litres, middle_h, ran });
        self.before
    }

    fn look_for_the_end(&mut self, latest: Reading, mut moving: Moving) -> Change {
        let last = self.readings.len().saturating_sub(SHORT_LEAST);
        if let Some(now) = self.median_of(last..self.readings.len()).filter(|now| *now < moving.lowest.1) {
            moving.lowest = (latest.at_h, now);
            self.moving = Some(moving);
        }
        let still = self.last_within(STILL_H, STILL_LEAST);
        let len = self.readings.len();
        let long_enough = self.readings[len - still].at_h >= moving.from_h - 1e-9 && still >= STILL_LEAST;
        let forced = latest.at_h - moving.from_h > LASTS_MAX_H;
        if !long_enough && !forced {
            return Change::None;
        }
        let half = len - still / 2;
        let (Some(first), Some(second)) = (self.median_of(len - still..half), self.median_of(half..len))
        else {
            return Change::None;
        };
        // The latest reading may be the first of what comes next.
        let goes_on = (latest.litres - second).abs() > moving.threshold;
        if ((second - first).abs() > 0.3 * moving.threshold || goes_on) && !forced {
            return Change::None;
        }
        let after = self.median_of(len - still..len).unwrap_or(second);
        let litres = after - moving.before;
        let (lowest_h, lowest) = (moving.lowest.0, moving.lowest.1 - moving.before);
        // Down by a lot and up again by a lot: drawn off (or emptied) and filled.
        let twice = -lowest > moving.threshold && litres - lowest > moving.deep;
        let since_h = latest.at_h - moving.from_h;
        let small = !twice && (NOTHING..SMALL).contains(&(litres.abs() / moving.threshold));
        if small && since_h < SMALL_STILL_H && !forced {
            return Change::None;
        }
        // A small one stands out of the waves by all that was read since, but for a while in which it may have been poured.
        let stands = self.readings.iter().take_while(|r| r.at_h < moving.from_h + since_h / 3.0).count();
        let (after, least) = if small {
            let waves = moving.waves * part_left(self.readings.len() - still, len - stands);
            (self.median_of(stands..len).unwrap_or(after), moving.sure + waves)
        } else {
            (after, moving.threshold)
        };
        let litres = after - moving.before;
        self.moving = None;
        let lowest = twice
            .then(|| self.turned_about(lowest_h).filter(|(_, litres)| *litres < moving.lowest.1))
            .map(|turned| turned.map_or((lowest_h, lowest), |(at_h, litres)| (at_h, litres - moving.before)));
        if litres.abs() < 0.7 * least && lowest.is_none() {
            return Change::Nothing;
        }
        let (base_h, base) =
            lowest.map_or((moving.from_h, moving.before), |(at_h, l)| (at_h, moving.before + l));
        let to_h = self.reached(base_h, base, after).unwrap_or(latest.at_h).max(moving.from_h);
        self.readings.retain(|r| r.at_h >= to_h);
        self.before = None;
        Change::Over(Step { from_h: moving.from_h, to_h, litres, lowest })
    }

    /// When the readings came from `base` to stand at `after`. Foam may have lifted some as high long before, so that counts only
    /// once no three of them lie nearer to the base any more.
    fn reached(&self, base_h: f64, base: f64, after: f64) -> Option<f64> {
        let part = |i: usize| (self.readings[i].litres - base) / (after - base);
        let of_three = |i: usize| {
            let [a, b, c] = [part(i - 1), part(i), part(i + 1)];
            a.min(b).max(a.max(b).min(c))
        };
        let since = self.readings.iter().take_while(|r| r.at_h < base_h).count();
        let near_base = (since + 1..self.readings.len().saturating_sub(1)).rev().find(|&i| of_three(i) < 0.5);
        let mut rest = near_base.unwrap_or(since)..self.readings.len();
        rest.find(|&i| part(i) >= 0.93).map(|i| self.readings[i].at_h)
    }

    /// Where the content went down and up again without standing still in between, near a moment: when it turned and at how many
    /// litres, if the readings before lie on a line down, those after it on one up, and both meet between two readings. A sump that
    /// is pumped out and filled at once is empty for less than a reading takes.
    fn turned_about(&self, near_h: f64) -> Option<(f64, f64)> {
        let latest = self.readings.iter().rposition(|r| r.at_h <= near_h)?;
        let line = |i: usize| {
            let (one, next) = (self.readings.get(i)?, self.readings.get(i + 1)?);
            let slope = (next.litres - one.litres) / (next.at_h - one.at_h);
            slope.is_finite().then_some((one, next, slope))
        };
        let between = |i: usize| {
            let ((_, down, falls), (up, _, rises)) = (line(i.checked_sub(1)?)?, line(i + 1)?);
            let after_h = (up.litres - down.litres - rises * (up.at_h - down.at_h)) / (falls - rises);
            let turns = falls < 0.0 && rises > 0.0 && (0.0..=up.at_h - down.at_h).contains(&after_h);
            turns.then_some((down.at_h + after_h, down.litres + falls * after_h))
        };
        let near = latest.saturating_sub(SHORT_LEAST)..=latest;
        near.filter_map(between).min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// How many of the last readings lie within `hours`, at least `least` if there are so many.
    fn last_within(&self, hours: f64, least: usize) -> usize {
        let Some(latest) = self.readings.back() else { return 0 };
        let within = self.readings.iter().rev().take_while(|r| r.at_h >= latest.at_h - hours).count();
        within.max(least).min(self.readings.len())
    }

    fn median_of(&self, range: std::ops::Range<usize>) -> Option<f64> {
        median_of(self.readings.range(range).map(|r| r.litres))
    }

    /// How far off the middle of the first ones a reading may lie by waves alone, as a median of them does: twice its standard
    /// deviation, L.
    fn waves(&self, middle: f64, earlier: usize) -> f64 {
        let off = self.readings.range(..earlier).map(|r| (r.litres - middle).abs());
        let scatter = MAD_TO_SIGMA * median_of(off).unwrap_or(0.0);
        // A few readings happen to lie close together.
        2.0 * MEDIANS * scatter * (1.0 + 2.0 / earlier.max(1) as f64)
    }
}

/// What is left of that between a median of so many readings and one of so many later ones.
fn part_left(earlier: usize, later: usize) -> f64 {
    (1.0 / earlier.max(1) as f64 + 1.0 / later.max(1) as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    const THRESHOLD: Threshold = Threshold { litres: 3.0, holdup: 3.0, tail: 0.0, slow_h: 10.0, deep: 90.0 };

    /// Readings a minute apart; noise of a litre that repeats, so that every run is the same.
    fn play(litres: impl Fn(f64) -> f64, minutes: usize) -> Vec<(f64, Change)> {
        play_with(THRESHOLD, litres, minutes)
    }

    fn play_with(threshold: Threshold, litres: impl Fn(f64) -> f64, minutes: usize) -> Vec<(f64, Change)> {
        let mut steps = Steps::default();
        (0..minutes)
            .map(|minute| {
                let noise = [0.3, -0.8, 1.1, -0.2, 0.6, -1.0, 0.1][minute % 7];
                let reading = Reading {
                    at_h: minute as f64 / 60.0,
                    litres: litres(minute as f64) + noise,
                    running: true,
                };
                (minute as f64, steps.push(reading, threshold))
            })
            .filter(|(_, change)| *change != Change::None)
            .collect()
    }

    fn only_step(changes: &[(f64, Change)]) -> Step {
        match changes {
            [(_, Change::Begun(_)), (_, Change::Over(step))] => *step,
            other => panic!("one step expected: {other:?}"),
        }
    }

    #[test]
    fn a_pour_of_two_minutes_is_seen_with_its_litres_and_its_end() {
        let step = only_step(&play(|m| 250.0 + 28.0 * ((m - 90.0) / 2.0).clamp(0.0, 1.0), 150));
        assert!((step.litres - 28.0).abs() < 1.0, "{step:?}");
        assert!((60.0 * step.to_h - 92.0).abs() <= 1.5, "{step:?}");
    }

    /// Where readings are seldom an hour may end between the first of them that lies off and the one that is sure of it.
    #[test]
    fn until_the_next_readings_tell_it_hesitates() {
        let mut steps = Steps::default();
        let mut push = |hour: u8, litres: f64| {
            let reading = Reading { at_h: f64::from(hour), litres, running: false };
            (steps.push(reading, THRESHOLD), steps.hesitates())
        };
        for hour in 0..5 {
            assert_eq!(push(hour, 250.0), (Change::None, false));
        }
        assert_eq!(push(5, 280.0), (Change::None, true));
        for hour in 6..9 {
            assert_eq!(push(hour, 250.0), (Change::None, false), "it was foam");
        }
        assert_eq!(push(9, 280.0), (Change::None, true));
        // What was read since the last calm reading belongs to nobody.
        assert_eq!(push(10, 280.0), (Change::Begun(8.0), false));
    }

    #[test]
    fn a_slow_hose_is_one_step() {
        let step = only_step(&play(|m| 250.0 + 40.0 * ((m - 60.0) / 40.0).clamp(0.0, 1.0), 160));
        assert!((step.litres - 40.0).abs() < 2.0, "{step:?}");
        assert!((60.0 * step.to_h - 100.0).abs() <= 5.0, "{step:?}");
    }

    #[test]
    fn foam_and_single_wild_readings_are_none() {
        let wild = play(|m| 250.0 + if m % 9.0 == 4.0 { 60.0 } else { 0.0 }, 300);
        assert!(wild.is_empty(), "{wild:?}");
    }

    #[test]
    fn a_spell_that_goes_by_is_nothing() {
        let spell = play(|m| 250.0 + if (100.0..107.0).contains(&m) { 12.0 } else { 0.0 }, 200);
        assert!(matches!(spell[..], [(_, Change::Begun(_)), (_, Change::Nothing)]), "{spell:?}");
    }

    #[test]
    fn what_is_drawn_off_just_before_a_top_up_is_a_step_of_its_own() {
        let threshold = Threshold { deep: 9.0, ..THRESHOLD };
        let drawn_and_poured =
            |m: f64| 250.0 - if m >= 60.0 { 15.0 } else { 0.0 } + 42.0 * ((m - 66.0) / 8.0).clamp(0.0, 1.0);
        let step = only_step(&play_with(threshold, drawn_and_poured, 120));
        let (lowest_h, lowest) = step.lowest.expect("two steps");
        assert!((lowest + 15.0).abs() < 1.5 && (step.litres - 27.0).abs() < 1.5, "{step:?}");
        assert!((60.0..68.0).contains(&(60.0 * lowest_h)), "{step:?}");
        // A little less before a pour is none: waves, or what the pump still fills.
        let hardly = |m: f64| {
            250.0 - if (60.0..66.0).contains(&m) { 2.0 } else { 0.0 }
                + 30.0 * ((m - 66.0) / 4.0).clamp(0.0, 1.0)
        };
        assert_eq!(only_step(&play_with(threshold, hardly, 120)).lowest, None);
    }

    #[test]
    fn a_sump_that_is_pumped_out_and_filled_at_once_was_empty_in_between() {
        // 40 L/min out, 30 L/min in, half a minute after a reading.
        let level = |m: f64| 250.0 - 40.0 * (m - 60.5).clamp(0.0, 6.0) + 30.0 * (m - 66.5).clamp(0.0, 7.6);
        let step = only_step(&play(level, 120));
        let (lowest_h, lowest) = step.lowest.expect("two steps");
        assert!((lowest + 240.0).abs() < 3.0, "{step:?}");
        assert!((60.0 * lowest_h - 66.5).abs() < 0.2 && (step.litres + 12.0).abs() < 1.5, "{step:?}");
        // One wild reading while it stands empty is no turn.
        let stands = |m: f64| {
            let wild = if m == 68.0 { 30.0 } else { 0.0 };
            250.0 - 40.0 * (m - 60.5).clamp(0.0, 5.0) + 30.0 * (m - 70.5).clamp(0.0, 6.0) - wild
        };
        let (_, lowest) = only_step(&play(stands, 120)).lowest.expect("two steps");
        assert!((lowest + 200.0).abs() < 3.0, "{lowest}");
    }

    #[test]
    fn foam_before_a_pour_is_no_part_of_it() {
        // Foam as high as what is poured in the end, and pauses of the pumps, so that nothing stands still until then.
        let restless =
            |m: f64| [24.0, 24.0, 24.0, 0.0, 0.0, 0.0, 0.0, 0.0, 9.0, 9.0, 9.0][(m - 60.0) as usize % 11];
        let changes = play(
            |m| match m {
                ..60.0 => 250.0,
                ..115.0 => 250.0 + restless(m),
                _ => 274.0,
            },
            200,
        );
        let step = only_step(&changes);
        assert!((step.litres - 24.0).abs() < 1.0 && (60.0 * step.to_h - 115.0).abs() <= 1.5, "{step:?}");
    }

    /// Waves of running pumps, L.
    fn waves(minute: f64) -> f64 {
        const OFF: [f64; 12] = [2.4, -3.1, 0.4, 3.3, -2.2, -0.6, 2.8, -3.4, 1.3, -1.2, 3.0, -2.7];
        OFF[(minute as usize * 5) % OFF.len()]
    }

    /// A can of 6 L into running pumps, where waves are half as high, one reading a minute.
    #[test]
    fn a_small_can_that_waves_hide_is_seen_within_the_hour() {
        let threshold = Threshold { litres: 2.4, ..THRESHOLD };
        for phase in 0..12 {
            let can = |m: f64| 250.0 + waves(m + f64::from(phase)) + if m >= 65.0 { 6.0 } else { 0.0 };
            let changes = play_with(threshold, can, 125);
            let step = only_step(&changes);
            assert!((step.litres - 6.0).abs() < 1.8, "{phase}: {step:?}");
            assert!((60.0..90.0).contains(&(60.0 * step.from_h)), "{phase}: {step:?}");
            assert!(play_with(threshold, |m| 250.0 + waves(m + f64::from(phase)), 600).is_empty(), "{phase}");
        }
    }

    #[test]
    fn what_is_poured_in_as_the_pumps_stop_is_not_hidden_by_what_may_still_run_back() {
        let play = |poured: f64, missing: f64| {
            let mut steps = Steps::default();
            let changes = (0..110).map(|minute| {
                let stood = f64::from(minute) - 60.0;
                let running = stood < 0.0;
                let tail = if running { 0.0 } else { 8.0 * libm::exp(-stood / 15.0) };
                let litres = 250.0 + if running { waves(f64::from(minute)) } else { poured - missing * tail };
                let reading = Reading { at_h: f64::from(minute) / 60.0, litres, running };
                steps.push(reading, Threshold { litres: 2.4, holdup: 0.5, tail, ..THRESHOLD })
            });
            changes.filter(|change| *change != Change::None).count()
        };
        assert_eq!(play(6.0, 0.0), 2, "begun and over");
        assert_eq!(play(0.0, 1.0), 0, "what still runs back is missing, and then it is back");
    }

    #[test]
    fn pumping_out_is_a_step_down() {
        let step = only_step(&play(|m| 250.0 - 240.0 * ((m - 60.0) / 6.0).clamp(0.0, 1.0), 120));
        assert!((step.litres + 240.0).abs() < 2.0, "{step:?}");
    }
}
