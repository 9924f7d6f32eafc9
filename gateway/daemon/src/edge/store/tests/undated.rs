//! What comes while the clock is not believed: kept apart, dated once, by identity.

use std::collections::BTreeSet;

use sumpwarden_core::model::{Now, Uptime, Zero};

use super::super::extract::{Holding, Whole};
use super::super::undated::{Believed, Doubted};
use super::*;

const SECOND: u64 = 1_000_000_000;

fn up(seconds: u64) -> Uptime {
    Uptime::from_nanos(seconds * SECOND)
}

/// A start of the machine: when it was by the sun, and where the gateway lays its own zero.
#[derive(Clone)]
struct Boot {
    name: Arc<str>,
    truth: Zero,
    own: Zero,
}

impl Boot {
    fn new(name: &str, true_millis: i64, own_millis: i64) -> Self {
        let zero = |millis| Zero::of(Now { uptime: up(10), utc: at(millis) });
        Self { name: name.into(), truth: zero(true_millis), own: zero(own_millis) }
    }

    fn doubted(&self) -> Doubted {
        Doubted { boot: Arc::clone(&self.name), zero: self.own, since: self.own.at(up(10)) }
    }

    fn believed(&self) -> Believed {
        Believed { boot: Arc::clone(&self.name), zero: self.truth }
    }
}

/// The n-th answer of the device, with its number as the raw value.
fn answer(zero: Zero, second: u64, number: u64) -> Sample {
    Sample { at: zero.at(up(second)).floor_to_millis(), ..sample(0, 0, number as f64) }
}

fn held(store: &Store) -> Vec<(u64, Timestamp)> {
    let mut reader = store.reader().unwrap();
    let points =
        reader.samples(SeriesId(1), Timestamp::from_nanos(i64::MIN), Timestamp::from_nanos(i64::MAX));
    let mut held: Vec<_> =
        points.map(|point| point.unwrap()).map(|p| (p.raw.unwrap() as u64, p.at)).collect();
    held.sort_unstable();
    held
}

fn assert_right(held: &[(u64, Timestamp)], number: u64, right: Timestamp) {
    let found: Vec<_> = held.iter().filter(|(of, _)| *of == number).collect();
    assert_eq!(found.len(), 1, "answer {number}: {found:?}");
    let off = found[0].1.as_nanos().abs_diff(right.as_nanos());
    assert!(off < 2_000_000, "answer {number} is off by {} s", off / SECOND);
}

#[test]
fn what_comes_before_the_clock_is_set_is_dated_once_and_forwarded_then() {
    let scratch = Scratch::new();
    let boot = Boot::new("b", 900_000_000, 0);
    let (store, _told) = open(&scratch, settings());
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    runtime.block_on(store.forward_begin("tsdb")).unwrap();
    store.doubt(boot.doubted());
    let came = |second| boot.own.at(up(second));
    store.submit(Commit {
        samples: (20..40).map(|second| answer(boot.own, second, second)).collect(),
        own_time: vec![Sample { at: at(5_000), ..sample(1, 0, 7.0) }],
        journal: vec![
            record(came(30), "a"),
            record(came(30), "b"),
            record(at(-5_000), "noted: of yesterday"),
        ],
        ..Commit::default()
    });
    store.flush().unwrap();
    assert_eq!(store.status().undated, UndatedPoints { waiting: 20, aside: 0 });
    assert_eq!(store.status().counters.stored, 21);
    assert!(held(&store).is_empty());
    let mut reader = store.reader().unwrap();
    assert_eq!(all(&mut reader, SeriesId(2)).len(), 1, "whose time came with it is there at once");
    assert!(reader.journal_after(0, 10).unwrap().is_empty(), "nothing of the journal is forwarded either");
    assert_identity(&mut reader, "tsdb");
    store.close();
    drop((reader, store));

    // Killed, and started again on the same boot; then the clock is set.
    let (store, _told) = open(&scratch, settings());
    assert_eq!(store.status().undated.waiting, 20);
    store.doubt(boot.doubted());
    store.submit(Commit { journal: vec![record(came(50), "c")], ..samples(vec![answer(boot.own, 50, 50)]) });
    store.believe(boot.believed());
    store.submit(samples(vec![answer(boot.truth, 60, 60)]));
    store.flush().unwrap();
    wait_until("all is dated", || store.status().undated == UndatedPoints::default());
    let held = held(&store);
    for number in (20..40).chain([50, 60]) {
        assert_right(&held, number, boot.truth.at(up(number)));
    }
    assert_eq!(held.len(), 22);
    let mut reader = store.reader().unwrap();
    wait_until("the journal is dated", || reader.journal_after(0, 10).unwrap().len() == 5);
    let told = reader.journal_after(0, 10).unwrap();
    let right = |second, nanos: i64| boot.truth.at(up(second)).as_nanos() + nanos;
    let stamp_of =
        |message: &str| told.iter().find(|entry| entry.message == message).map(|of| of.at.as_nanos());
    assert_eq!(stamp_of("noted: of yesterday"), Some(at(-5_000).as_nanos()), "it said so itself");
    assert_eq!([stamp_of("a"), stamp_of("b")], [Some(right(30, 0)), Some(right(30, 1))]);
    assert_eq!(stamp_of("c"), Some(right(50, 0)));
    // The last of them may have been written before the clock was set, or not.
    let said = ["20 samples and 2 records", "21 samples and 3 records"]
        .map(|what| format!("{what} that came while the clock was not set have their true time"));
    assert!(said.iter().any(|said| stamp_of(said).is_some()), "{told:?}");
    assert_eq!(reader.owed("tsdb").unwrap().unwrap().1, 23);
    assert_identity(&mut reader, "tsdb");
}

#[test]
fn whoever_was_killed_between_the_last_date_and_saying_so_says_it_after_the_next_start() {
    let scratch = Scratch::new();
    let boot = Boot::new("b", 900_000_000, 0);
    open(&scratch, settings()).0.close();
    let connection = rusqlite::Connection::open(scratch.file()).unwrap();
    connection
        .execute_batch("INSERT INTO meta(name, value) VALUES('dated samples', 20), ('dated records', 3)")
        .unwrap();
    drop(connection);
    // Once, however often it is started then.
    for _ in 0..2 {
        let (store, _told) = open(&scratch, settings());
        store.believe(boot.believed());
        store.flush().unwrap();
        let mut reader = store.reader().unwrap();
        wait_until("it is told", || reader.journal_after(0, 10).unwrap().len() == 1);
        let told = reader.journal_after(0, 10).unwrap();
        assert_eq!(told[0].state, "dated");
        assert!(told[0].message.starts_with("20 samples and 3 records that came"), "{told:?}");
        store.close();
    }
}

#[test]
fn what_an_earlier_start_left_is_set_aside_between_two_moments_and_nothing_is_lost() {
    let scratch = Scratch::new();
    let (first, second) = (Boot::new("first", 50_000, 0), Boot::new("second", 900_000_000, 40_000));
    let (store, _told) = open(&scratch, settings());
    store.doubt(first.doubted());
    store.submit(Commit {
        journal: vec![record(first.own.at(up(12)), "a")],
        ..samples(vec![answer(first.own, 12, 12)])
    });
    store.flush().unwrap();
    store.close();
    let (store, _told) = open(&scratch, settings());
    store.believe(second.believed());
    store.submit(samples(vec![answer(second.truth, 20, 20)]));
    store.flush().unwrap();
    wait_until("it is set aside", || store.status().undated == UndatedPoints { waiting: 0, aside: 1 });
    assert_eq!(held(&store).len(), 1, "no date is made up for it");
    let told = store.reader().unwrap().journal_after(0, 10).unwrap();
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(
        told[0].message,
        format!(
            "1 samples and 1 records of an earlier start of the machine, whose clock was never set, cannot be dated: they lie \
             between {} and {}. They are set aside and can be exported",
            first.own.at(up(12)),
            second.truth.at(up(0))
        )
    );
    store.close();
    let mut salvage = Salvage::look(&scratch.file(), &|_, _, _| {}).unwrap();
    for holding in [&mut Whole::open(&scratch.file()).unwrap() as &mut dyn Holding, &mut salvage] {
        let mut out = Vec::new();
        holding.undated(&mut |one| out.push(one)).unwrap();
        let [one] = &out[..] else { panic!("one point can be exported: {out:?}") };
        assert_eq!(
            (one.boot.as_str(), one.uptime_ns, one.point.raw),
            ("first", 12 * SECOND as i64, Some(12.0))
        );
        assert_eq!((one.not_before, one.not_after), (first.own.at(up(12)), Some(second.truth.at(up(0)))));
    }
    let (store, _told) = open(&scratch, settings());
    store.believe(second.believed());
    store.flush().unwrap();
    assert_eq!(store.status().undated.aside, 1);
    assert_eq!(store.reader().unwrap().journal_after(0, 10).unwrap().len(), 1, "told once");
}

/// Starts, kills and clocks that are set by lot: each answer is there once, rightly dated, or set aside.
#[test]
fn whatever_happens_in_between_each_answer_is_there_once() {
    for seed in 1..=12_u64 {
        let scratch = Scratch::new();
        let mut draw = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut lot = |n: u64| {
            draw ^= draw << 13;
            draw ^= draw >> 7;
            draw ^= draw << 17;
            draw % n
        };
        let (mut number, mut own_millis, mut true_millis) = (0, 0_i64, 1_000_000_i64);
        let mut dated: Vec<(u64, Timestamp)> = Vec::new();
        let mut aside = BTreeSet::new();
        for machine in 0..4 {
            let boot = Boot::new(&format!("boot {machine}"), true_millis, own_millis);
            let (mut uptime, mut is_set) = (10_u64, false);
            let mut waiting = Vec::new();
            for process in 0..1 + lot(3) {
                let (store, _told) = open(&scratch, if lot(2) == 0 { packing() } else { settings() });
                if is_set {
                    store.believe(boot.believed())
                } else {
                    store.doubt(boot.doubted())
                }
                for _ in 0..1 + lot(4) {
                    let zero = if is_set { boot.truth } else { boot.own };
                    let count = 1 + lot(30);
                    let answers = (0..count).map(|step| answer(zero, uptime + step, number + step)).collect();
                    store.submit(samples(answers));
                    for step in 0..count {
                        let one = (number + step, boot.truth.at(up(uptime + step)));
                        if is_set { dated.push(one) } else { waiting.push(one) }
                    }
                    (number, uptime) = (number + count, uptime + count);
                    if lot(2) == 0 {
                        store.flush().unwrap();
                    }
                    if !is_set && lot(4) == 0 {
                        store.believe(boot.believed());
                        is_set = true;
                    }
                }
                if is_set {
                    dated.append(&mut waiting);
                }
                // Dating may be cut short.
                if process > 0 || lot(2) == 0 {
                    store.flush().unwrap();
                }
                store.close();
            }
            aside.extend(waiting.into_iter().map(|(number, _)| number));
            own_millis += 1_000 * uptime as i64 + 1;
            true_millis += 1_000 * (uptime + lot(100_000)) as i64 + 60_000;
        }
        let (store, _told) = open(&scratch, settings());
        store.believe(Boot::new("the last one", true_millis, 0).believed());
        wait_until("nothing waits", || store.status().undated.waiting == 0);
        let found = held(&store);
        assert_eq!(found.len(), dated.len(), "seed {seed}");
        dated.iter().for_each(|(number, right)| assert_right(&found, *number, *right));
        let status = store.status().undated;
        assert_eq!((status.waiting, status.aside), (0, aside.len() as u64), "seed {seed}");
    }
}
