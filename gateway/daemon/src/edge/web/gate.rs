//! How often one address may knock: so many requests a second, and ever longer pauses after wrong keys. How often a password may
//! be tried for one name, from wherever: a person under attack waits for seconds, never longer.
//!
//! A wrong key is forgotten after an hour, not by a right one: whoever has a key of their own could go on guessing
//! another's for ever.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::time::Duration;

use tokio::time::Instant;

/// Requests a second from one address, and as many at once.
const REQUESTS_PER_S: f64 = 20.0;
/// Wrong keys that cost nothing.
const WRONG_KEYS_FREE: u32 = 5;
/// Longest pause after a wrong key; the first one lasts a second, each further one twice as long.
const PAUSE_MAX: Duration = Duration::from_secs(60);
/// Passwords for one name that cost nothing, whoever tries them.
const TRIES_OF_NAME_FREE: u32 = 20;
/// Longest pause of a name.
const PAUSE_OF_NAME_MAX: Duration = Duration::from_secs(10);
/// Wrong keys are forgotten after so long without another.
const FORGOTTEN_AFTER: Duration = Duration::from_secs(3600);
/// Names remembered. Full: the one tried longest ago is forgotten.
const NAMES_MAX: usize = 1024;
/// Addresses remembered. Full: whoever was quiet for longest is forgotten.
const ADDRESSES_MAX: usize = 1024;

/// Who has knocked.
#[derive(Debug, Default)]
pub(super) struct Gate {
    visitors: BTreeMap<IpAddr, Visitor>,
    names: BTreeMap<String, Wrong>,
}

#[derive(Clone, Copy, Debug)]
struct Visitor {
    /// Requests it may make at once at `seen`.
    tokens: f64,
    seen: Instant,
    wrong: Wrong,
}

/// What was wrong, and what that costs.
#[derive(Clone, Copy, Default, Debug)]
struct Wrong {
    count: u32,
    last: Option<Instant>,
    paused_until: Option<Instant>,
}

impl Wrong {
    /// Whether another try may be made now.
    ///
    /// # Errors
    /// The time until then.
    fn may(&mut self, now: Instant) -> Result<(), Duration> {
        if self.last.is_some_and(|last| now.saturating_duration_since(last) > FORGOTTEN_AFTER) {
            *self = Self::default();
        }
        self.paused_until.filter(|until| *until > now).map_or(Ok(()), |until| Err(until - now))
    }

    fn add(&mut self, now: Instant, free: u32, pause_max: Duration) {
        (self.count, self.last) = (self.count.saturating_add(1), Some(now));
        if let Some(beyond) = self.count.checked_sub(free + 1) {
            self.paused_until = Some(now + Duration::from_secs(1 << beyond.min(6)).min(pause_max));
        }
    }

    /// It was right after all: as if it had not been.
    fn take_back(&mut self) {
        self.count = self.count.saturating_sub(1);
        self.paused_until = None;
    }
}

impl Gate {
    /// Lets one request in, or says how long to wait.
    ///
    /// # Errors
    /// The time until the next request is let in.
    pub(super) fn enter(&mut self, address: IpAddr, now: Instant) -> Result<(), Duration> {
        let address = of_one_owner(address);
        if !self.visitors.contains_key(&address) {
            self.make_room();
        }
        let fresh = Visitor { tokens: REQUESTS_PER_S, seen: now, wrong: Wrong::default() };
        let visitor = self.visitors.entry(address).or_insert(fresh);
        let passed = now.saturating_duration_since(visitor.seen);
        visitor.tokens = (visitor.tokens + passed.as_secs_f64() * REQUESTS_PER_S).min(REQUESTS_PER_S);
        visitor.seen = now;
        visitor.wrong.may(now)?;
        if visitor.tokens < 1.0 {
            return Err(Duration::from_secs_f64((1.0 - visitor.tokens) / REQUESTS_PER_S));
        }
        visitor.tokens -= 1.0;
        Ok(())
    }

    /// The key that came with it was wrong.
    pub(super) fn wrong_key(&mut self, address: IpAddr, now: Instant) {
        if let Some(visitor) = self.visitors.get_mut(&of_one_owner(address)) {
            visitor.wrong.add(now, WRONG_KEYS_FREE, PAUSE_MAX);
        }
    }

    /// A password for `name` is about to be tried: counted as wrong at once, whatever becomes of whoever tries it.
    ///
    /// # Errors
    /// The time until one may be tried.
    pub(super) fn try_password(&mut self, address: IpAddr, name: &str, now: Instant) -> Result<(), Duration> {
        if !self.names.contains_key(name) && self.names.len() >= NAMES_MAX {
            let oldest = self.names.iter().min_by_key(|(_, wrong)| wrong.last).map(|(name, _)| name.clone());
            oldest.map(|name| self.names.remove(&name));
        }
        let of_name = self.names.entry(name.to_owned()).or_default();
        of_name.may(now)?;
        of_name.add(now, TRIES_OF_NAME_FREE, PAUSE_OF_NAME_MAX);
        self.wrong_key(address, now);
        Ok(())
    }

    /// It was right: that one try is taken back.
    pub(super) fn right_password(&mut self, address: IpAddr, name: &str) {
        if let Some(visitor) = self.visitors.get_mut(&of_one_owner(address)) {
            visitor.wrong.take_back();
        }
        self.names.remove(name);
    }

    fn make_room(&mut self) {
        if self.visitors.len() >= ADDRESSES_MAX
            && let Some(quiet) =
                self.visitors.iter().min_by_key(|(_, v)| (v.wrong.count > 0, v.seen)).map(|(a, _)| *a)
        {
            self.visitors.remove(&quiet);
        }
    }
}

/// One subscriber of IPv6 has a whole /64.
fn of_one_owner(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() >> 64 << 64)),
        v4 => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOST: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 7));

    #[test]
    fn twenty_a_second_and_no_more() {
        let (mut gate, start) = (Gate::default(), Instant::now());
        let in_second = |gate: &mut Gate, s: u64| {
            let from = start + Duration::from_secs(s);
            (0..100).filter(|n| gate.enter(HOST, from + Duration::from_millis(10 * n)).is_ok()).count()
        };
        assert_eq!(in_second(&mut gate, 0), 39, "twenty at once, and those that come back meanwhile");
        assert_eq!(in_second(&mut gate, 1), 20);
        assert!(gate.enter(IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), start).is_ok(), "another one is free");
    }

    #[test]
    fn wrong_keys_cost_ever_more_time_up_to_a_minute() {
        let (mut gate, mut now) = (Gate::default(), Instant::now());
        let mut waits = Vec::new();
        for _ in 0..14 {
            gate.enter(HOST, now).unwrap();
            gate.wrong_key(HOST, now);
            let wait = gate.enter(HOST, now).err().unwrap_or_default();
            waits.push(wait.as_secs());
            now += wait;
        }
        assert_eq!(waits, [0, 0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 60, 60, 60]);
        now += FORGOTTEN_AFTER + Duration::from_secs(1);
        gate.enter(HOST, now).unwrap();
        gate.wrong_key(HOST, now);
        assert!(gate.enter(HOST, now).is_ok(), "forgotten after an hour");
    }

    /// A thousand tries in ten minutes, as fast as may be, each with a right one of the guesser's own in between.
    #[test]
    fn ones_own_right_password_does_not_pay_for_guesses_at_anothers() {
        let (mut gate, start) = (Gate::default(), Instant::now());
        let (mut tried, mut now) = (0, start);
        while now < start + Duration::from_secs(600) {
            let own = gate.enter(HOST, now).and_then(|()| gate.try_password(HOST, "eve", now));
            if own.is_ok() {
                gate.right_password(HOST, "eve");
            }
            let guess = gate.enter(HOST, now).and_then(|()| gate.try_password(HOST, "kim", now));
            tried += u32::from(guess.is_ok());
            now += Duration::from_millis(300);
        }
        assert!((10..=30).contains(&tried), "{tried} passwords tried");
        let elsewhere = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);
        now += PAUSE_OF_NAME_MAX;
        gate.enter(elsewhere, now).unwrap();
        assert!(gate.try_password(elsewhere, "kim", now).is_ok(), "the owner gets in from another address");
    }

    #[test]
    fn many_addresses_guess_one_name_at_the_pace_of_one() {
        let (mut gate, start) = (Gate::default(), Instant::now());
        let tried = (0..6000_u32).filter(|n| {
            let (address, now) =
                (IpAddr::V4((*n).into()), start + Duration::from_millis(100 * u64::from(*n)));
            gate.enter(address, now).and_then(|()| gate.try_password(address, "kim", now)).is_ok()
        });
        assert!((60..=100).contains(&tried.count()));
        assert!(gate.names.len() <= NAMES_MAX);
    }

    #[test]
    fn strangers_do_not_grow_it_and_do_not_push_out_a_guesser() {
        let (mut gate, now) = (Gate::default(), Instant::now());
        for _ in 0..=WRONG_KEYS_FREE {
            gate.enter(HOST, now).unwrap();
            gate.wrong_key(HOST, now);
        }
        for n in 0..3 * ADDRESSES_MAX as u32 {
            gate.enter(IpAddr::V4(n.into()), now + Duration::from_millis(1)).unwrap();
        }
        assert_eq!(gate.visitors.len(), ADDRESSES_MAX);
        assert!(gate.enter(HOST, now + Duration::from_millis(2)).is_err());
        let one: IpAddr = "2001:db8::1".parse().unwrap();
        let same_owner: IpAddr = "2001:db8::2:1".parse().unwrap();
        for _ in 0..20 {
            gate.enter(one, now).unwrap();
        }
        assert!(gate.enter(same_owner, now).is_err());
    }
}
