//! How far a forwarder has read, and what it still owes.
//!
//! Commits are numbered (`seq`). A [`Cursor`] stands before the `position`-th point of commit `seq`; after compaction,
//! of the span that begins with `seq`. Compaction never moves points past a cursor: what it must leave alone, it asks
//! here ([`Pending::cuts`], [`Pending::owes`]).
//!
//! A forwarder that catches up after an outage owes two stretches: the backlog, oldest first, and the live end, so that
//! fresh points are not kept waiting behind a week of old ones. Another outage meanwhile gives a third. [`Pending`] is
//! this list; the last stretch is always the open one.

use std::fmt;

/// Stands before one point.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, Default)]
pub struct Cursor {
    /// Number of the commit.
    pub seq: u64,
    /// Points of it already behind the cursor.
    pub position: u32,
}

impl Cursor {
    /// Before everything in commit `seq`.
    pub const fn before(seq: u64) -> Self {
        Self { seq, position: 0 }
    }
}

/// One stretch that is owed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stretch {
    /// Where it begins.
    pub from: Cursor,
    /// First commit that no longer belongs to it; none for the open end.
    pub until: Option<u64>,
}

/// Everything that is owed: stretches in order, without overlap, the last one open.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Pending {
    closed: Vec<Stretch>,
    live: Cursor,
}

/// Most stretches. Beyond it the live end is not split off again: live points then wait for the backlog.
pub const STRETCHES_MAX: usize = 32;

/// A stored list that is none.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0:?} is no list of pending stretches")]
pub struct PendingError(String);

impl Pending {
    /// Everything from commit `seq` on.
    pub fn since(seq: u64) -> Self {
        Self { closed: Vec::new(), live: Cursor::before(seq) }
    }

    /// The open end.
    pub fn live(&self) -> Stretch {
        Stretch { from: self.live, until: None }
    }

    /// The oldest stretch of the backlog, if there is one.
    pub fn backlog(&self) -> Option<Stretch> {
        self.closed.first().copied()
    }

    /// All stretches, oldest first.
    pub fn stretches(&self) -> impl Iterator<Item = Stretch> {
        self.closed.iter().copied().chain(std::iter::once(self.live()))
    }

    /// Makes what the open end owes before commit `head` a backlog of its own; the open end begins at `head`.
    pub fn split(&mut self, head: u64) {
        if self.live.seq < head && self.closed.len() + 1 < STRETCHES_MAX {
            self.closed.push(Stretch { from: self.live, until: Some(head) });
            self.live = Cursor::before(head);
        }
    }

    /// The stretch that begins at `from` has been delivered up to `to`. False if no stretch begins there, which
    /// happens when retention has taken it away meanwhile.
    pub fn advance(&mut self, from: Cursor, to: Cursor) -> bool {
        if let Some(place) = self.closed.iter().position(|s| s.from == from) {
            if self.closed[place].until.is_some_and(|until| to.seq >= until) {
                self.closed.remove(place);
            } else {
                self.closed[place].from = to;
            }
            true
        } else if self.live == from {
            self.live = to;
            true
        } else {
            false
        }
    }

    /// Nothing before commit `seq` is owed any longer, because it is no longer held.
    pub fn expire(&mut self, seq: u64) {
        self.closed.retain(|s| s.until.is_none_or(|until| until > seq));
        for from in self.closed.iter_mut().map(|s| &mut s.from).chain([&mut self.live]) {
            *from = (*from).max(Cursor::before(seq));
        }
    }

    /// Whether the commits `first..=last` must not become one span, since a stretch begins or ends inside them.
    pub fn cuts(&self, first: u64, last: u64) -> bool {
        let inside = |seq: u64| seq > first && seq <= last;
        self.stretches().any(|s| {
            inside(s.from.seq) || (s.from.seq == first && s.from.position > 0) || s.until.is_some_and(inside)
        })
    }

    /// Whether anything in the commits `first..=last` is still owed.
    pub fn owes(&self, first: u64, last: u64) -> bool {
        self.stretches().any(|s| s.from.seq <= last && s.until.is_none_or(|until| until > first))
    }
}

impl fmt::Display for Pending {
    /// `3.0-17,40.12-`: what [`Pending::parse`] reads.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for s in &self.closed {
            let until = s.until.expect("only the live stretch is open");
            write!(f, "{}.{}-{until},", s.from.seq, s.from.position)?;
        }
        write!(f, "{}.{}-", self.live.seq, self.live.position)
    }
}

impl Pending {
    /// Reads what `Display` wrote.
    pub fn parse(text: &str) -> Result<Self, PendingError> {
        let fail = || PendingError(text.to_owned());
        let mut stretches = Vec::new();
        for part in text.split(',').take(STRETCHES_MAX) {
            let (from, until) = part.split_once('-').ok_or_else(fail)?;
            let (seq, position) = from.split_once('.').ok_or_else(fail)?;
            let number = |text: &str| text.parse::<u64>().map_err(|_| fail());
            let position = position.parse().map_err(|_| fail())?;
            let until = if until.is_empty() { None } else { Some(number(until)?) };
            stretches.push(Stretch { from: Cursor { seq: number(seq)?, position }, until });
        }
        let live = stretches.pop().filter(|s| s.until.is_none()).ok_or_else(fail)?.from;
        let mut end = 0;
        for s in &stretches {
            let until = s.until.ok_or_else(fail)?;
            if s.from.seq < end || s.from.seq >= until {
                return Err(fail());
            }
            end = until;
        }
        if live.seq < end { Err(fail()) } else { Ok(Self { closed: stretches, live }) }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn an_outage_splits_and_a_drained_backlog_closes() {
        let mut pending = Pending::since(10);
        pending.split(500);
        assert_eq!(pending.backlog(), Some(Stretch { from: Cursor::before(10), until: Some(500) }));
        assert_eq!(pending.live().from, Cursor::before(500));
        assert!(
            pending.advance(Cursor::before(500), Cursor { seq: 501, position: 7 }),
            "live goes on meanwhile"
        );
        assert!(pending.advance(Cursor::before(10), Cursor { seq: 20, position: 3 }));
        assert_eq!(pending.to_string(), "20.3-500,501.7-");
        assert!(!pending.advance(Cursor::before(10), Cursor::before(30)), "nobody stands there any more");
        assert!(pending.advance(Cursor { seq: 20, position: 3 }, Cursor::before(500)));
        assert_eq!(pending.backlog(), None);
        assert_eq!(pending.to_string(), "501.7-");
    }

    #[test]
    fn compaction_is_told_where_not_to_join() {
        let pending = Pending::parse("20.3-30,40.0-").unwrap();
        assert!(pending.cuts(20, 25), "position 3 of commit 20 would move");
        assert!(pending.cuts(19, 20) && pending.cuts(29, 30) && pending.cuts(39, 40));
        assert!(
            !pending.cuts(10, 19) && !pending.cuts(21, 29) && !pending.cuts(30, 39) && !pending.cuts(40, 90)
        );
        assert!(pending.owes(10, 20) && pending.owes(25, 26) && pending.owes(29, 35) && pending.owes(35, 40));
        assert!(!pending.owes(10, 19) && !pending.owes(30, 39));
    }

    #[test]
    fn what_is_dropped_is_no_longer_owed() {
        let mut pending = Pending::parse("20.3-30,35.0-38,40.0-").unwrap();
        pending.expire(36);
        assert_eq!(pending.to_string(), "36.0-38,40.0-");
        pending.expire(90);
        assert_eq!(pending.to_string(), "90.0-");
    }

    #[test]
    fn hundreds_of_outages_stay_a_short_list() {
        let mut pending = Pending::since(0);
        (1..1_000).for_each(|head| pending.split(head * 10));
        assert_eq!(pending.stretches().count(), STRETCHES_MAX);
        assert_eq!(Pending::parse(&pending.to_string()), Ok(pending));
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "[0-9.,-]{0,40}") {
            if let Ok(pending) = Pending::parse(&text) {
                prop_assert_eq!(Pending::parse(&pending.to_string()), Ok(pending));
            }
        }
    }
}
