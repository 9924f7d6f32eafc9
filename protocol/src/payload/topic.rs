//! Which topics a filter takes in (MQTT 3.1.1 and 5.0, section 4.7).

use std::fmt;
use std::str::FromStr;

/// MQTT 4.7.3: longest topic name or filter, in bytes of UTF-8.
pub const TOPIC_BYTES_MAX: usize = 65_535;

/// What a shared subscription begins with (MQTT 5.0, 4.8.2).
const SHARE: &str = "$share/";

/// A topic filter, wildcards in their places.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub struct Filter {
    text: String,
    /// Where the filter proper begins, past the group of a shared subscription.
    start: usize,
}

/// Why a text is no topic filter or topic name.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum TopicError {
    /// Nothing.
    #[error("an empty topic; it has one character at least")]
    Empty,
    /// Too long for the protocol.
    #[error("a topic of {0} bytes; the protocol ends at 65535")]
    TooLong(usize),
    /// U+0000 is not allowed.
    #[error("a topic with the character U+0000")]
    Null,
    /// A + beside other characters.
    #[error("{0:?}: + stands for one whole level, alone between slashes: shop/+/ph")]
    Plus(String),
    /// A # beside other characters or not at the end.
    #[error("{0:?}: # stands for all levels from here on, alone after the last slash: shop/#")]
    Hash(String),
    /// Wildcards in a name.
    #[error("{0:?}: a topic to publish to has no + and no #")]
    Wildcard(String),
    /// A shared subscription without a group or a filter.
    #[error("{0:?}: a shared subscription is written $share/group/filter, the group without + and #")]
    Share(String),
}

fn check_text(text: &str) -> Result<(), TopicError> {
    if text.is_empty() {
        return Err(TopicError::Empty);
    }
    if text.len() > TOPIC_BYTES_MAX {
        return Err(TopicError::TooLong(text.len()));
    }
    if text.contains('\0') { Err(TopicError::Null) } else { Ok(()) }
}

/// Checks that a message may be published to `topic`.
pub fn check_name(topic: &str) -> Result<(), TopicError> {
    check_text(topic)?;
    if topic.contains(['+', '#']) { Err(TopicError::Wildcard(topic.to_owned())) } else { Ok(()) }
}

impl Filter {
    /// Whether messages of `topic` come in under this filter.
    pub fn matches(&self, topic: &str) -> bool {
        let filter = &self.text[self.start..];
        // 4.7.2: a filter that begins with a wildcard takes no topic that begins with a dollar sign
        if topic.starts_with('$') && filter.starts_with(['+', '#']) {
            return false;
        }
        let mut levels = topic.split('/');
        for level in filter.split('/') {
            match (level, levels.next()) {
                ("#", _) => return true,
                ("+", Some(_)) => {}
                (level, Some(found)) if level == found => {}
                _ => return false,
            }
        }
        levels.next().is_none()
    }

    /// As it is subscribed to.
    pub fn as_str(&self) -> &str {
        &self.text
    }
}

impl FromStr for Filter {
    type Err = TopicError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        check_text(text)?;
        let start = match text.strip_prefix(SHARE) {
            Some(shared) => match shared.split_once('/') {
                Some((group, filter))
                    if !group.is_empty() && !group.contains(['+', '#']) && !filter.is_empty() =>
                {
                    text.len() - filter.len()
                }
                _ => return Err(TopicError::Share(text.to_owned())),
            },
            None => 0,
        };
        let mut levels = text[start..].split('/').peekable();
        while let Some(level) = levels.next() {
            if level.contains('#') && (level != "#" || levels.peek().is_some()) {
                return Err(TopicError::Hash(text.to_owned()));
            }
            if level.contains('+') && level != "+" {
                return Err(TopicError::Plus(text.to_owned()));
            }
        }
        Ok(Self { text: text.to_owned(), start })
    }
}

impl fmt::Display for Filter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_shared_subscription_matches_by_its_filter() {
        let filter: Filter = "$share/gateways/shop/+/ph".parse().unwrap();
        assert!(filter.matches("shop/7/ph"));
        assert!(!filter.matches("$share/gateways/shop/7/ph"));
        for wrong in ["$share/", "$share/g", "$share/g/", "$share//shop", "$share/+/shop", "$share/g/a+"] {
            assert!(wrong.parse::<Filter>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_name_has_no_wildcards() {
        assert!(check_name("shop/7/ph").is_ok());
        for wrong in ["", "shop/+", "#", "a\0b"] {
            assert!(check_name(wrong).is_err(), "{wrong:?}");
        }
        assert!(check_name(&"a".repeat(65_536)).is_err());
        assert!("a".repeat(65_536).parse::<Filter>().is_err());
    }

    proptest! {
        #[test]
        fn wildcards_put_into_a_topic_still_match_it(
            levels in prop::collection::vec("[a-c]{0,2}", 2..6), plus: prop::sample::Index, hash: prop::sample::Index,
        ) {
            let topic = levels.join("/");
            let mut with_plus = levels.clone();
            with_plus[plus.index(levels.len())] = "+".to_owned();
            prop_assert!(with_plus.join("/").parse::<Filter>().unwrap().matches(&topic));
            let mut with_hash = levels[..hash.index(levels.len())].to_vec();
            with_hash.push("#".to_owned());
            prop_assert!(with_hash.join("/").parse::<Filter>().unwrap().matches(&topic));
            let longer: Filter = format!("{topic}/more").parse().unwrap();
            prop_assert!(!longer.matches(&topic));
        }
    }
}
