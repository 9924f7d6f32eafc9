//! Who is logged in: a token of 256 random bits in the browser's cookie, its hash here. In memory only: after a restart of
//! the daemon people log in again.
//!
//! A session of somebody who may change something ends 15 min after their last deed and 12 h after the login, whichever is
//! first (OWASP ASVS 5.0, 7.3). One that may only look stays, so that a display in the hall does.

use std::collections::BTreeMap;
use std::time::Duration;

use ring::digest::{SHA256, digest};
use sumpwarden_core::model::Name;
use tokio::time::Instant;

use super::Role;
use crate::edge::hex::hex;
use crate::edge::web::key::random;

/// Without a deed.
const IDLE_MAX: Duration = Duration::from_mins(15);
/// Since the login.
const AGE_MAX: Duration = Duration::from_hours(12);
/// Sessions at once; full: the one that was quiet for longest ends.
const SESSIONS_MAX: usize = 256;
/// Of one person.
const OF_ONE_MAX: usize = 16;

/// What the browser keeps. Never shown, never logged.
pub(in super::super) struct Token(String);

impl Token {
    /// As the cookie holds it.
    pub(in super::super) fn reveal(&self) -> &str {
        &self.0
    }
}

/// One login.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(in super::super) struct Session {
    pub(in super::super) person: Name,
    made: Instant,
    seen: Instant,
}

/// Every login.
#[derive(Debug, Default)]
pub(in super::super) struct Sessions {
    by_hash: BTreeMap<[u8; 32], Session>,
}

impl Sessions {
    /// A new one, under a token that nobody had before.
    ///
    /// # Errors
    /// If the system gives no random numbers.
    pub(in super::super) fn begin(&mut self, person: &Name, now: Instant) -> std::io::Result<Token> {
        let token = hex(&random::<32>()?);
        self.make_room(person);
        let session = Session { person: person.clone(), made: now, seen: now };
        self.by_hash.insert(hash(&token), session);
        Ok(Token(token))
    }

    /// Whose session `token` is, if it still holds for a person with that role. `deed` says whether somebody does something,
    /// or a page only looks by itself.
    pub(in super::super) fn find(
        &mut self,
        token: &str,
        now: Instant,
        deed: bool,
        role: impl FnOnce(&Name) -> Option<Role>,
    ) -> Option<(Name, Role)> {
        let key = hash(token);
        let session = self.by_hash.get_mut(&key)?;
        let role = role(&session.person);
        let quiet = now.saturating_duration_since(session.seen);
        let age = now.saturating_duration_since(session.made);
        let holds = role.is_some_and(|role| role == Role::Look || (quiet <= IDLE_MAX && age <= AGE_MAX));
        if !holds {
            self.by_hash.remove(&key);
            return None;
        }
        if deed {
            session.seen = now;
        }
        Some((session.person.clone(), role?))
    }

    /// Ends one.
    pub(in super::super) fn end(&mut self, token: &str) {
        self.by_hash.remove(&hash(token));
    }

    /// Ends all of a person.
    pub(in super::super) fn end_all_of(&mut self, person: &str) {
        self.by_hash.retain(|_, session| session.person.as_str() != person);
    }

    fn make_room(&mut self, person: &Name) {
        let of_one = self.by_hash.values().filter(|session| session.person == *person).count();
        let quietest = |mine: bool| {
            let all = self.by_hash.iter().filter(|(_, session)| !mine || session.person == *person);
            all.min_by_key(|(_, session)| session.seen).map(|(key, _)| *key)
        };
        let leaves = if of_one >= OF_ONE_MAX {
            quietest(true)
        } else if self.by_hash.len() >= SESSIONS_MAX {
            quietest(false)
        } else {
            None
        };
        if let Some(key) = leaves {
            self.by_hash.remove(&key);
        }
    }
}

fn hash(token: &str) -> [u8; 32] {
    let mut out = [0; 32];
    out.copy_from_slice(digest(&SHA256, token.as_bytes()).as_ref());
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kim() -> Name {
        Name::new("kim").unwrap()
    }

    #[test]
    fn a_session_ends_when_nothing_is_done_and_at_the_end_of_the_day() {
        let (mut sessions, start) = (Sessions::default(), Instant::now());
        let at = |minutes: u64| start + Duration::from_mins(minutes);
        let log = |_: &Name| Some(Role::Log);
        let token = sessions.begin(&kim(), start).unwrap();
        assert!(sessions.find(token.reveal(), at(15), true, log).is_some());
        assert!(sessions.find(token.reveal(), at(29), false, log).is_some(), "a page looks by itself");
        assert!(sessions.find(token.reveal(), at(31), true, log).is_none(), "which is no deed");
        assert!(sessions.find(token.reveal(), at(16), true, log).is_none(), "what has ended stays so");
        let token = sessions.begin(&kim(), start).unwrap();
        for minutes in (10..=720).step_by(10) {
            assert!(sessions.find(token.reveal(), at(minutes), true, log).is_some(), "{minutes}");
        }
        assert!(sessions.find(token.reveal(), at(721), true, log).is_none(), "twelve hours");
        let display = sessions.begin(&kim(), start).unwrap();
        let look = |_: &Name| Some(Role::Look);
        assert!(sessions.find(display.reveal(), at(100_000), false, look).is_some());
        assert!(
            sessions.find(display.reveal(), at(100_000), false, |_| None).is_none(),
            "gone with the person"
        );
    }

    #[test]
    fn tokens_are_never_the_same_and_whoever_logs_out_is_out() {
        let (mut sessions, now) = (Sessions::default(), Instant::now());
        let first = sessions.begin(&kim(), now).unwrap();
        let second = sessions.begin(&kim(), now).unwrap();
        assert_ne!(first.reveal(), second.reveal());
        assert_eq!(first.reveal().len(), 64);
        sessions.end(first.reveal());
        let log = |_: &Name| Some(Role::Log);
        assert!(sessions.find(first.reveal(), now, true, log).is_none());
        assert!(sessions.find(second.reveal(), now, true, log).is_some());
        sessions.end_all_of("kim");
        assert!(sessions.find(second.reveal(), now, true, log).is_none());
    }

    #[test]
    fn logins_do_not_grow_it() {
        let (mut sessions, now) = (Sessions::default(), Instant::now());
        for n in 0..100 {
            sessions.begin(&kim(), now + Duration::from_secs(n)).unwrap();
        }
        assert_eq!(sessions.by_hash.len(), OF_ONE_MAX);
        for n in 0..500 {
            let name = Name::new(&format!("worker-{n}")).unwrap();
            sessions.begin(&name, now + Duration::from_secs(n)).unwrap();
        }
        assert_eq!(sessions.by_hash.len(), SESSIONS_MAX);
    }
}
