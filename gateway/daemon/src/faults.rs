//! Faults injected on purpose, for tests of what watches over the daemon. Without the feature `faults` nothing of it is
//! compiled in, and every point is empty.
//!
//! The variable `SUMPWARDEN_FAULTS` names them, separated by commas: `panic@engine:3` panics at the third passing of the
//! point `engine`, `hang@writer` hangs at the first of `writer`. A [`pass`] hangs its own task, a [`point`] its whole
//! thread. Points are `engine`, `writer`, `bus`, `broker`, `forwarder`, `receiver`, `dispatcher`, `page`,
//! `fault-watch`, `weekly-report`, `heartbeat`, `clock`, `sparkplug`, `watchdog` and `runtime`.
//! Six more words break the program for good, so that a test can show that it would notice: `skip-sync@store`,
//! `early-cursor@forwarder`, `random-key@outbox`, `any-reply@modbus`, `old-places@reload`, `unmoved@clock`.

/// Whether this program holds the points at all.
pub const COMPILED_IN: bool = cfg!(feature = "faults");

#[cfg(not(feature = "faults"))]
mod empty {
    /// Passes a point of a thread.
    #[inline(always)]
    pub(crate) const fn point(_name: &str) {}

    /// Passes a point of a task.
    #[inline(always)]
    pub(crate) async fn pass(_name: &str) {}

    /// Whether the program is broken in this way.
    #[inline(always)]
    pub(crate) const fn broken(_word: &str) -> bool {
        false
    }
}

#[cfg(not(feature = "faults"))]
pub(crate) use empty::{broken, pass, point};

#[cfg(feature = "faults")]
pub(crate) use armed::{broken, pass, point};

#[cfg(feature = "faults")]
mod armed {
    use std::collections::BTreeMap;
    use std::sync::{Mutex, OnceLock, PoisonError};
    use std::time::Duration;

    /// Ways to be broken for good.
    const BROKEN: [&str; 6] = [
        "skip-sync@store",
        "early-cursor@forwarder",
        "random-key@outbox",
        "any-reply@modbus",
        "old-places@reload",
        "unmoved@clock",
    ];

    /// What happens at a point.
    #[derive(Clone, Copy, PartialEq, Eq, Debug)]
    pub(super) enum Act {
        Panic,
        Hang,
    }

    /// What the variable asks for.
    #[derive(Clone, PartialEq, Eq, Debug, Default)]
    pub(super) struct Wanted {
        /// Point, and at which passing.
        pub(super) acts: BTreeMap<(String, u64), Act>,
        pub(super) broken: Vec<String>,
    }

    pub(super) fn read(text: &str) -> Result<Wanted, String> {
        let mut wanted = Wanted::default();
        for word in text.split(',').map(str::trim).filter(|word| !word.is_empty()) {
            if BROKEN.contains(&word) {
                wanted.broken.push(word.to_owned());
                continue;
            }
            let (act, place) = word.split_once('@').ok_or_else(|| format!("{word:?}: no `@`"))?;
            let act = match act {
                "panic" => Act::Panic,
                "hang" => Act::Hang,
                _ => return Err(format!("{word:?}: `panic@`, `hang@` or one of {BROKEN:?}")),
            };
            let (point, at) = place.split_once(':').unwrap_or((place, "1"));
            let at = at.parse().map_err(|_| format!("{word:?}: {at:?} is no number"))?;
            wanted.acts.insert((point.to_owned(), at), act);
        }
        Ok(wanted)
    }

    fn wanted() -> &'static Wanted {
        static WANTED: OnceLock<Wanted> = OnceLock::new();
        WANTED.get_or_init(|| {
            let text = std::env::var("SUMPWARDEN_FAULTS").unwrap_or_default();
            read(&text).expect("a test says which faults it wants")
        })
    }

    fn passed(name: &str) -> Option<Act> {
        static PASSED: Mutex<BTreeMap<String, u64>> = Mutex::new(BTreeMap::new());
        if wanted().acts.is_empty() {
            return None;
        }
        let mut passed = PASSED.lock().unwrap_or_else(PoisonError::into_inner);
        let count = passed.entry(name.to_owned()).or_default();
        *count += 1;
        wanted().acts.get(&(name.to_owned(), *count)).copied()
    }

    fn act(name: &str, act: Act) -> ! {
        match act {
            Act::Panic => panic!("fault injected at {name}"),
            Act::Hang => loop {
                std::thread::sleep(Duration::from_secs(3_600));
            },
        }
    }

    pub(crate) fn point(name: &str) {
        if let Some(wanted) = passed(name) {
            act(name, wanted);
        }
    }

    pub(crate) async fn pass(name: &str) {
        match passed(name) {
            Some(Act::Hang) => std::future::pending().await,
            Some(Act::Panic) => act(name, Act::Panic),
            None => {}
        }
    }

    pub(crate) fn broken(word: &str) -> bool {
        debug_assert!(BROKEN.contains(&word), "{word}");
        wanted().broken.iter().any(|one| one == word)
    }
}

#[cfg(all(test, feature = "faults"))]
mod tests {
    use super::armed::{Act, read};

    #[test]
    fn the_variable_is_read_or_refused() {
        let wanted = read("panic@engine:3, hang@writer,skip-sync@store").expect("right");
        let acts: Vec<_> = wanted.acts.into_iter().collect();
        let at = |point: &str, at| (point.to_owned(), at);
        assert_eq!(acts, [(at("engine", 3), Act::Panic), (at("writer", 1), Act::Hang)]);
        assert_eq!(wanted.broken, ["skip-sync@store"]);
        for wrong in ["engine", "kill@engine", "panic@engine:x", "skip-sync@engine"] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}
