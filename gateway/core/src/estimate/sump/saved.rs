//! What a sump needs to go on where it stood after a restart, as bytes: a version, the UTC moment, and numbers.
//!
//! Little-endian doubles in a fixed order. Of a top-up that is still to be settled only the time and the litres are kept;
//! its ways are kept as the one belief they come to.

use super::Sump;
use super::mixing::{Branch, Habits, Poured, Way};
use super::steps::Step;
use super::tracker::{Resumed, Waves, WithStop};
use crate::estimate::belief::{Belief, WARMTH, at, scum_over_usual};
use crate::model::Timestamp;

/// Changes with the meaning of the numbers. The four before are read as well: version 5 let the conductivity rise in a line with
/// the fall of the pH; version 4 took it for certain how evaporation follows warmth; version 3 knew nothing of waves; version 2 one
/// rate of scum for soft and hard water alike, and nothing of steps that came with the pumps' last stop.
const VERSION: u8 = 6;
const ACID_IN_A_LINE: u8 = 5;
const SURE_OF_WARMTH: u8 = 4;
const WITHOUT_WAVES: u8 = 3;
const ONE_SCUM: u8 = 2;

/// Numbers behind the belief's own, and what stands there of those that a version before did not have.
const MORE: usize = 22;
const NO_STOP: [f64; 2] = [-1.0, 0.0];
const NO_WAVES: [f64; 4] = [0.0; 4];
const NUMBERS: usize = at::COUNT * (at::COUNT + 1) + MORE;

/// What a sump did in longer than this is as unknown as what it did in this.
const AGE_MAX_H: f64 = 60.0 * 24.0;

impl Sump {
    /// What is to be kept, if it has changed since the last call.
    pub fn save(&mut self) -> Option<Vec<u8>> {
        if !std::mem::take(&mut self.tracker.changed) {
            return None;
        }
        let belief = self.tracker.belief()?;
        let mut numbers = Vec::with_capacity(NUMBERS);
        numbers.extend(belief.mean);
        numbers.extend(belief.cov.iter().flatten());
        numbers.extend(self.tracker.habits.numbers());
        numbers.push(self.tracker.pump.duty);
        let kept = self.tracker.resumed();
        numbers.extend(match kept.poured {
            None => [0.0; 7],
            Some(poured) => [
                1.0,
                -poured.step.from_h,
                -poured.step.to_h,
                poured.step.litres,
                poured.stirred_h,
                f64::from(u8::from(poured.unknown)),
                f64::from(u8::from(poured.is_fill)),
            ],
        });
        numbers.push(kept.emptied_h.map_or(-1.0, |at_h| -at_h));
        numbers.push(self.tracker.acidity.first.unwrap_or(-1.0));
        numbers.push(-kept.started_h);
        numbers.push(kept.renewed_h.map_or(-1.0, |at_h| -at_h));
        numbers.push(f64::from(u8::from(kept.leaking)));
        numbers.extend(kept.with_stop.map_or(NO_STOP, |stop| [-stop.at_h, stop.more_l]));
        numbers.extend(self.tracker.waves.numbers());
        let mut bytes = vec![VERSION];
        bytes.extend(self.latest.utc.as_nanos().to_le_bytes());
        bytes.extend(numbers.iter().flat_map(|number| number.to_le_bytes()));
        Some(bytes)
    }

    /// What is to be kept, whether or not it has changed; nothing while nothing is believed.
    pub fn save_whole(&mut self) -> Option<Vec<u8>> {
        self.tracker.changed = true;
        self.save()
    }

    /// Goes on from what was kept. False, and nothing changed, if that cannot be read.
    pub fn restore(&mut self, bytes: &[u8]) -> bool {
        let Some((at, numbers)) = decode(bytes) else { return false };
        let (mean, rest) = numbers.split_at(at::COUNT);
        let (cov, more) = rest.split_at(at::COUNT * at::COUNT);
        let belief = Belief {
            mean: std::array::from_fn(|i| mean[i]),
            cov: std::array::from_fn(|i| std::array::from_fn(|j| cov[i * at::COUNT + j])),
        };
        let &[usual, plain, variance, duty, waits, from, to, litres, stirred_h, unknown, fill, ref rest @ ..] =
            more
        else {
            return false;
        };
        let &[emptied, ph, age, renewed, leaking, stopped, more_l, ref waves @ ..] = rest else {
            return false;
        };
        let back = |ago_h: f64| (ago_h >= 0.0).then_some(-ago_h);
        if !belief.is_sound() || !(0.0..=1.0).contains(&duty) || belief.mean[at::LIQUID] <= 0.0 {
            return false;
        }
        self.tracker.habits = Habits::of_numbers([usual, plain, variance]);
        self.tracker.waves = Waves::of_numbers(waves);
        self.tracker.pump.duty = duty;
        self.tracker.branches = vec![Branch { weight: 1.0, way: Way::Usual, belief }];
        self.tracker.acidity.first = (ph >= 0.0).then_some(ph);
        // Counted back from the moment it was kept, which lies at 0 until the first reading comes.
        let poured = (waits != 0.0).then(|| Poured {
            step: Step { from_h: -from, to_h: -to, litres, lowest: None },
            stirred_h,
            unknown: unknown != 0.0,
            is_fill: fill != 0.0,
        });
        self.tracker.resume(Resumed {
            poured,
            emptied_h: back(emptied),
            started_h: -age.max(0.0),
            renewed_h: back(renewed),
            leaking: leaking != 0.0,
            with_stop: back(stopped).map(|at_h| WithStop { at_h, more_l }),
        });
        self.kept_at = Some(at);
        true
    }

    /// Hours from what was kept until now; by UTC, since the monotonic clock began anew. A clock that was set back counts as
    /// no time.
    pub(super) fn hours_since_kept(kept: Timestamp, now: Timestamp) -> f64 {
        (now.since(kept).as_secs_f64() / 3600.0).min(AGE_MAX_H)
    }
}

/// Less scum than this part of that at a usual hardness tells nothing of how much there is then.
const SOFT: f64 = 0.25;

/// The numbers of a version that had all of the belief's but the last, which it took for certain.
fn with_warmth(numbers: &[f64]) -> Option<Vec<f64>> {
    const BEFORE: usize = at::WARMTH;
    let (mean, rest) = numbers.split_at_checked(BEFORE)?;
    let (cov, more) = rest.split_at_checked(BEFORE * BEFORE)?;
    let mut all = mean.to_vec();
    all.push(1.0);
    for line in cov.chunks_exact(BEFORE) {
        all.extend(line);
        all.push(0.0);
    }
    all.extend([0.0; BEFORE]);
    all.push(WARMTH.1 * WARMTH.1);
    all.extend(more);
    Some(all)
}

/// What acid made all of the conductivity rise by over what it makes the concentrate's part rise by: that is about half of it.
const CONCENTRATES_PART: f64 = 0.55;

/// The numbers of a version that counted acid by all of the conductivity.
fn count_acid_by_concentrate(numbers: &mut [f64]) {
    numbers[at::ACID] /= CONCENTRATES_PART;
    let cov = &mut numbers[at::COUNT..];
    for i in 0..at::COUNT {
        cov[i * at::COUNT + at::ACID] /= CONCENTRATES_PART;
        cov[at::ACID * at::COUNT + i] /= CONCENTRATES_PART;
    }
}

fn decode(bytes: &[u8]) -> Option<(Timestamp, Vec<f64>)> {
    let (&version, rest) = bytes.split_first()?;
    let (at, rest) = rest.split_first_chunk::<8>()?;
    let (numbers, tail) = rest.as_chunks::<8>();
    let mut numbers: Vec<f64> = numbers.iter().map(|eight| f64::from_le_bytes(*eight)).collect();
    match version {
        VERSION | ACID_IN_A_LINE | SURE_OF_WARMTH => {}
        WITHOUT_WAVES => numbers.extend(NO_WAVES),
        ONE_SCUM => numbers.extend(NO_STOP.iter().chain(&NO_WAVES)),
        _ => return None,
    }
    if version <= SURE_OF_WARMTH {
        numbers = with_warmth(&numbers)?;
    }
    if !tail.is_empty() || numbers.len() != NUMBERS {
        return None;
    }
    if version <= ACID_IN_A_LINE {
        count_acid_by_concentrate(&mut numbers);
    }
    if version == ONE_SCUM {
        // As much scum as it knew, in a sump as hard as it was. What it believed of a soft one says nothing of a hard one.
        let hardness_mg_l = 1000.0 * numbers[at::HARDNESS] / numbers[at::LIQUID];
        numbers[at::SCUM] -= libm::log(scum_over_usual(hardness_mg_l).max(SOFT));
    }
    numbers.iter().all(|n| n.is_finite()).then_some((Timestamp::from_nanos(i64::from_le_bytes(*at)), numbers))
}
