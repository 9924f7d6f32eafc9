//! Steps in what the tank holds: somebody pours in, somebody draws off.
//!
//! It watches the content with known losses put back and the hold-up added, so that it stands still while nothing happens.
//! A step begins when a few readings in a row lie off what stood before, and is over when they stand still again; what lies
//! between belongs to nobody. Waves, foam and single wild readings do not begin one, since medians are compared.

use std::collections::VecDeque;

use crate::estimate::trend::{MAD_TO_SIGMA, median_in_place};

/// How long what stood before is remembered, hours.
const BEFORE_H: f64 = 1.0;
/// How long readings must lie off until a step has begun, hours, and how many they must be.
const SHORT_H: f64 = 4.0 / 60.0;
const SHORT_LEAST: usize = 3;
/// How long they must stand still until it is over, hours.
const STILL_H: f64 = 8.0 / 60.0;
/// A small one must stand longer, hours: foam comes and goes. Small is less than so many thresholds.
const SMALL_STILL_H: f64 = 25.0 / 60.0;
const SMALL: f64 = 2.5;
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
    /// What goes down slower than this is no step, L/h.
    pub(super) slow_h: f64,
    /// Down, and up again by so much, in one go is two steps.
    pub(super) deep: f64,
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
    /// A step has begun at this time.
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
    before: f64,
    threshold: f64,
    deep: f64,
    /// Lowest median of a few readings so far.
    lowest: (f64, f64),
}

impl Steps {
    /// Whether a step has begun and is not over.
    pub(super) fn is_moving(&self) -> bool {
        self.moving.is_some()
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
        let Some(before) = self.before(latest.at_h) else { return Change::None };
        let holdup = if before.ran == latest.running { 0.0 } else { threshold.holdup };
        // What runs out slowly is a loss and no step.
        let slow = if latest.litres < before.litres {
            threshold.slow_h * (latest.at_h - before.middle_h).max(0.0)
        } else {
            0.0
        };
        let limit = threshold.litres + holdup + slow;
        if (latest.litres - before.litres).abs() < limit {
            return Change::None;
        }
        let short = self.last_within(SHORT_H, SHORT_LEAST);
        let earlier = self.readings.len() - short;
        let limit = limit + 2.5 * self.scatter(before.litres, earlier) / (short as f64).sqrt();
        let Some(now) = self.median_of(earlier..self.readings.len()) else { return Change::None };
        if (now - before.litres).abs() < limit || earlier == 0 {
            return Change::None;
        }
        let side = if now > before.litres { 1.0 } else { -1.0 };
        let off = |r: &Reading| (r.litres - before.litres) * side > 0.3 * limit;
        let flank = self.readings.iter().rev().take_while(|r| off(r)).count().max(1);
        let from_h = self.readings[self.readings.len() - flank].at_h;
        let lowest = (latest.at_h, now);
        self.moving =
            Some(Moving { from_h, before: before.litres, threshold: limit, deep: threshold.deep, lowest });
        self.before = None;
        Change::Begun(from_h)
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
        if count < 2 {
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
        let small = !twice && (0.7..SMALL).contains(&(litres.abs() / moving.threshold));
        if small && latest.at_h - moving.from_h < SMALL_STILL_H && !forced {
            return Change::None;
        }
        self.moving = None;
        let lowest = twice.then_some((lowest_h, lowest));
        if litres.abs() < 0.7 * moving.threshold && lowest.is_none() {
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

    /// How many of the last readings lie within `hours`, at least `least` if there are so many.
    fn last_within(&self, hours: f64, least: usize) -> usize {
        let Some(latest) = self.readings.back() else { return 0 };
        let within = self.readings.iter().rev().take_while(|r| r.at_h >= latest.at_h - hours).count();
        within.max(least).min(self.readings.len())
    }

    fn median_of(&self, range: std::ops::Range<usize>) -> Option<f64> {
        let mut values: Vec<f64> = self.readings.range(range).map(|r| r.litres).collect();
        median_in_place(&mut values)
    }

    /// Standard deviation of what stood before, by its median absolute deviation.
    fn scatter(&self, middle: f64, count: usize) -> f64 {
        let mut off: Vec<f64> = self.readings.range(..count).map(|r| (r.litres - middle).abs()).collect();
        MAD_TO_SIGMA * median_in_place(&mut off).unwrap_or(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const THRESHOLD: Threshold = Threshold { litres: 3.0, holdup: 3.0, slow_h: 10.0, deep: 90.0 };

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

    #[test]
    fn pumping_out_is_a_step_down() {
        let step = only_step(&play(|m| 250.0 - 240.0 * ((m - 60.0) / 6.0).clamp(0.0, 1.0), 120));
        assert!((step.litres + 240.0).abs() < 2.0, "{step:?}");
    }
}
