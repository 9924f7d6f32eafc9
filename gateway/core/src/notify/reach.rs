//! Whether a receiver is reached, as its alarm and whoever comes after it have to know.

use std::time::Duration;

use crate::model::Uptime;

/// Without getting through for so long, a receiver is reported.
pub const NOT_REACHED_AFTER: Duration = Duration::from_mins(10);

/// What there is to report of a receiver.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Reached {
    /// Messages get through again, after one of the others.
    Yes,
    /// None has got through for ten minutes.
    No {
        /// Why. Untrusted text.
        why: String,
    },
    /// A message was refused for good.
    Refused {
        /// De-duplication keys of the alarms in it.
        keys: Vec<String>,
        /// Why. Untrusted text.
        why: String,
    },
}

/// What has been reported of a receiver.
#[derive(Clone, Debug, Default)]
pub struct Reach {
    failing_since: Option<Uptime>,
    /// Whether it was reported last as reached; none before anything was.
    told: Option<bool>,
}

impl Reach {
    /// A message got through.
    pub fn reached(&mut self) -> Option<Reached> {
        self.failing_since = None;
        (self.told.replace(true) != Some(true)).then_some(Reached::Yes)
    }

    /// One did not, for now.
    pub fn not_reached(&mut self, now: Uptime, why: String) -> Option<Reached> {
        let since = *self.failing_since.get_or_insert(now);
        if self.told == Some(false) || now.since(since) < NOT_REACHED_AFTER {
            return None;
        }
        self.told = Some(false);
        Some(Reached::No { why })
    }

    /// One with these alarms was refused for good.
    pub fn refused(&mut self, keys: Vec<String>, why: String) -> Reached {
        self.told = Some(false);
        Reached::Refused { keys, why }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_news_is_reported() {
        let at = |minute: u64| Uptime::default().plus(Duration::from_mins(minute));
        let mut reach = Reach::default();
        let no = |reach: &mut Reach, minute| reach.not_reached(at(minute), "away".to_owned()).is_some();
        assert_eq!(reach.reached(), Some(Reached::Yes), "an alarm may stand from before a restart");
        assert_eq!(reach.reached(), None);
        assert!(!no(&mut reach, 0) && !no(&mut reach, 9) && no(&mut reach, 10) && !no(&mut reach, 30));
        assert_eq!(reach.reached(), Some(Reached::Yes));
        assert!(!no(&mut reach, 40), "it got through meanwhile");
        assert!(matches!(reach.refused(Vec::new(), "404".to_owned()), Reached::Refused { .. }));
        assert!(!no(&mut reach, 90), "reported already");
        assert_eq!(reach.reached(), Some(Reached::Yes));
    }
}
