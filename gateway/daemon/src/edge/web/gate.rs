//! How often one address may knock: so many requests a second, and ever longer pauses after wrong keys.

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
/// Wrong keys are forgotten after so long without another.
const FORGOTTEN_AFTER: Duration = Duration::from_secs(3600);
/// Addresses remembered. Full: whoever was quiet for longest is forgotten.
const ADDRESSES_MAX: usize = 1024;

/// Who has knocked.
#[derive(Debug, Default)]
pub(super) struct Gate {
    visitors: BTreeMap<IpAddr, Visitor>,
}

#[derive(Clone, Copy, Debug)]
struct Visitor {
    /// Requests it may make at once at `seen`.
    tokens: f64,
    seen: Instant,
    wrong_keys: u32,
    paused_until: Option<Instant>,
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
        let fresh = Visitor { tokens: REQUESTS_PER_S, seen: now, wrong_keys: 0, paused_until: None };
        let visitor = self.visitors.entry(address).or_insert(fresh);
        let passed = now.saturating_duration_since(visitor.seen);
        visitor.tokens = (visitor.tokens + passed.as_secs_f64() * REQUESTS_PER_S).min(REQUESTS_PER_S);
        visitor.seen = now;
        if passed > FORGOTTEN_AFTER {
            visitor.wrong_keys = 0;
        }
        if let Some(until) = visitor.paused_until.filter(|until| *until > now) {
            return Err(until - now);
        }
        if visitor.tokens < 1.0 {
            return Err(Duration::from_secs_f64((1.0 - visitor.tokens) / REQUESTS_PER_S));
        }
        visitor.tokens -= 1.0;
        Ok(())
    }

    /// The key that came with it was wrong.
    pub(super) fn wrong_key(&mut self, address: IpAddr, now: Instant) {
        let Some(visitor) = self.visitors.get_mut(&of_one_owner(address)) else { return };
        visitor.wrong_keys = visitor.wrong_keys.saturating_add(1);
        if let Some(beyond) = visitor.wrong_keys.checked_sub(WRONG_KEYS_FREE + 1) {
            let pause = Duration::from_secs(1 << beyond.min(6)).min(PAUSE_MAX);
            visitor.paused_until = Some(now + pause);
        }
    }

    /// The key that came with it was right.
    pub(super) fn right_key(&mut self, address: IpAddr) {
        if let Some(visitor) = self.visitors.get_mut(&of_one_owner(address)) {
            visitor.wrong_keys = 0;
        }
    }

    fn make_room(&mut self) {
        if self.visitors.len() >= ADDRESSES_MAX
            && let Some(quiet) =
                self.visitors.iter().min_by_key(|(_, v)| (v.wrong_keys > 0, v.seen)).map(|(a, _)| *a)
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
        gate.enter(HOST, now).unwrap();
        gate.right_key(HOST);
        gate.wrong_key(HOST, now);
        assert!(gate.enter(HOST, now).is_ok(), "forgiven by the right one");
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
