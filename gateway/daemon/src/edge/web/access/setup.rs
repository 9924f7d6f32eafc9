//! The first person: there is no password that everybody knows, but a code that whoever reads the daemon's log or terminal can
//! type in, once, within an hour of the start.

use std::time::Duration;

use sumpwarden_core::acquire::settings::Secret;
use tokio::time::Instant;

use super::stickers::letters;
use crate::edge::web::key::{Lock, random};

/// How long the code holds.
const HOLDS: Duration = Duration::from_hours(1);
/// What the code is drawn from: twelve letters of five bits, guessed at against the brake of the gate.
const CODE_BYTES: usize = 8;

/// The code, while nobody is there.
pub(in super::super) struct Setup {
    waiting: Option<(String, Instant)>,
}

impl Setup {
    /// With a code if `wanted`, and if the system gives random numbers.
    pub(in super::super) fn new(wanted: bool) -> Self {
        let drawn = wanted.then(|| random::<CODE_BYTES>().ok()).flatten();
        let code = drawn.map(|bytes| letters(&bytes));
        Self { waiting: code.map(|code| (code, Instant::now() + HOLDS)) }
    }

    /// The code, while it holds.
    pub(in super::super) fn code(&self) -> Option<String> {
        self.waiting.as_ref().filter(|(_, until)| Instant::now() < *until).map(|(code, _)| code.clone())
    }

    /// Whether `guess` is it.
    pub(in super::super) fn opens(&self, guess: &str) -> bool {
        let code = self.code();
        code.is_some_and(|code| Lock::new(&Secret::new(code)).is_ok_and(|lock| lock.opens(guess.trim())))
    }

    /// Somebody is there now.
    pub(in super::super) fn close(&mut self) {
        self.waiting = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn the_code_holds_for_an_hour_and_for_nobody_once_somebody_is_there() {
        let mut setup = Setup::new(true);
        let code = setup.code().unwrap();
        assert!(setup.opens(&format!(" {code}\n")) && !setup.opens("") && !setup.opens(&code[1..]));
        assert_ne!(Setup::new(true).code().unwrap(), code);
        tokio::time::advance(HOLDS).await;
        assert!(!setup.opens(&code), "too late");
        let mut other = Setup::new(true);
        let code = other.code().unwrap();
        other.close();
        assert!(!other.opens(&code));
        setup.close();
        assert_eq!(Setup::new(false).code(), None);
    }
}
