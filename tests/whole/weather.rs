//! What goes wrong, for how long.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use sumpwarden_sim::rng::Rng;

use super::clock::s;

/// What can go wrong. The number says whose.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum What {
    Bus(usize),
    Device(usize),
    Broker,
    Publisher,
    Database,
    Receiver(usize),
    Disk,
    Clock,
    Asleep,
}

/// Everything that can.
const ALL: [What; 13] = [
    What::Bus(0),
    What::Bus(1),
    What::Device(0),
    What::Device(1),
    What::Device(2),
    What::Broker,
    What::Publisher,
    What::Database,
    What::Receiver(0),
    What::Receiver(1),
    What::Disk,
    What::Clock,
    What::Asleep,
];

/// How many ways each has of going wrong.
const fn ways(what: What) -> u64 {
    match what {
        What::Bus(_) | What::Asleep => 1,
        What::Device(_) => 7,
        What::Broker => 3,
        What::Publisher => 5,
        What::Database => 8,
        What::Receiver(_) => 6,
        What::Disk => 4,
        What::Clock => 3,
    }
}

impl What {
    /// Its sort and the way, in words.
    pub(crate) fn words(self, way: u64) -> String {
        let ways: &[&str] = match self {
            Self::Bus(_) => &["down"],
            Self::Device(_) => {
                &["silent", "slow", "late", "exception 2", "exception 6", "nonsense", "damaged frames"]
            }
            Self::Broker => &["down", "session lost", "drops connections"],
            Self::Publisher => &["silent", "twice", "out of order", "wrong stamps", "garbage"],
            Self::Database => {
                &["500", "429", "401", "413", "422 poison", "reply lost", "unreachable", "400 whole"]
            }
            Self::Receiver(_) => &["503", "429", "404", "413", "reply lost", "unreachable"],
            Self::Disk => &["fails", "slow", "full", "flaky"],
            Self::Clock => &["steps on", "steps back", "jumps far"],
            Self::Asleep => &["suspended"],
        };
        let sort = format!("{self:?}");
        let sort = sort.split('(').next().unwrap_or_default().to_lowercase();
        format!("{sort} {}", ways[way as usize])
    }
}

/// What is wrong now, and in which way.
#[derive(Debug, Default)]
pub(crate) struct Weather {
    now: BTreeMap<What, (u64, u64)>,
    next: u64,
    /// How often each has gone wrong.
    pub(crate) tally: BTreeMap<String, u64>,
}

impl Weather {
    /// The way in which it is wrong now.
    pub(crate) fn of(&self, what: What) -> Option<u64> {
        self.now.get(&what).map(|(way, _)| *way)
    }

    /// When something changes next.
    pub(crate) fn due(&self) -> u64 {
        self.now.values().map(|(_, until)| *until).chain([self.next]).min().unwrap_or(u64::MAX)
    }

    /// Ends what is over and begins what is next; gives what changed.
    pub(crate) fn turn(&mut self, t: u64, calm: bool, rng: &mut Rng) -> Vec<(What, Option<u64>)> {
        let over: Vec<What> =
            self.now.iter().filter(|(_, (_, until))| *until <= t || calm).map(|(what, _)| *what).collect();
        let mut changed: Vec<_> = over.into_iter().map(|what| (what, None)).collect();
        self.now.retain(|what, _| !changed.iter().any(|(over, _)| over == what));
        if calm {
            self.next = u64::MAX;
            return changed;
        }
        if self.next <= t {
            self.next = t + s(20 + rng.below(400));
            let what = ALL[rng.below(ALL.len() as u64) as usize];
            if let Entry::Vacant(place) = self.now.entry(what) {
                let way = rng.below(ways(what));
                let longest = if rng.chance(0.15) { 7_200 } else { 600 };
                place.insert((way, t + s(5 + rng.below(longest))));
                *self.tally.entry(what.words(way)).or_default() += 1;
                changed.push((what, Some(way)));
            }
        }
        changed
    }
}
