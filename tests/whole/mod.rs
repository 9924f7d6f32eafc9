//! Stories of the whole system, drawn from a seed: the program's own decisions between simulated devices, a broker, a
//! database, receivers, people, clocks and a disk, with faults on every side and kills at any moment.
//!
//! What must always hold is checked at every step. Then the faults end, and within [`SETTLE`] of simulated time
//! everything must agree with what is true. A seed is a story: the same one gives the same steps on every machine.
//!
//! - [`shop`]: the configuration, what truly goes on, what the devices say of it
//! - [`weather`]: what goes wrong, for how long
//! - [`peers`], [`disk`], [`clock`]: the other side of each edge
//! - [`process`]: the program, from start to kill
//! - [`books`]: an account of its own, to check by
//! - [`world`]: the course of time, and what must hold

mod books;
mod clock;
mod disk;
mod peers;
mod process;
mod shop;
mod weather;
mod world;

use std::collections::BTreeMap;
use std::time::Duration;

/// How long after the last fault everything must be right again.
pub const SETTLE: Duration = Duration::from_mins(45);

/// A way in which an edge could be wrong. Each must be found.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mutation {
    /// As the program is.
    None,
    /// The broker is told before what it sent is durable.
    AckEarly,
    /// People are told before what they did is durable.
    AnswerEarly,
    /// What the database did not take counts as forwarded.
    CursorEarly,
    /// Every message has a key of its own.
    RandomKey,
    /// Alarms that were shelved are not restored.
    ForgetShelves,
    /// Stamps are stored as they come.
    SameStamps,
    /// A message is marked as delivered before it is.
    MarkEarly,
}

impl Mutation {
    /// Every one that is wrong.
    pub const WRONG: [Self; 7] = [
        Self::AckEarly,
        Self::AnswerEarly,
        Self::CursorEarly,
        Self::RandomKey,
        Self::ForgetShelves,
        Self::SameStamps,
        Self::MarkEarly,
    ];
}

/// What came of a story.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Simulated hours.
    pub hours: f64,
    /// Faults by sort and way; kills and stops among them.
    pub faults: BTreeMap<String, u64>,
    /// Samples that were handed over.
    pub samples: u64,
    /// Changes of alarms in the journal.
    pub alarms: u64,
    /// Rows that receivers were given, repeats among them.
    pub messages: u64,
    /// Points the database holds.
    pub delivered: u64,
    /// What did not hold, in words.
    pub violations: Vec<String>,
    /// What happened, line by line, where that was asked for.
    pub trace: Vec<String>,
}

/// Plays the story of a seed. A panic on the way is a violation.
pub fn play(seed: u64, mutation: Mutation, trace: bool) -> Outcome {
    let told = std::panic::catch_unwind(|| world::World::new(seed, mutation, trace).play());
    told.unwrap_or_else(|panic| {
        let words = panic.downcast_ref::<String>().map(String::as_str);
        let words = words.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no words");
        Outcome { violations: vec![format!("panicked: {words}")], ..Outcome::default() }
    })
}
