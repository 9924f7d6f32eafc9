//! Topics of an edge node (Sparkplug 3.0, chapter 4), and the texts that may stand in one.

use std::fmt;

/// First level of every topic.
const NAMESPACE: &str = "spBv1.0";

/// Level in which hosts say whether they are there.
const STATE: &str = "STATE";

/// Longest text of one level, characters: what a topic of four levels can bear and people can read.
const ID_CHARS_MAX: usize = 100;

/// One level of a topic: the name of a group, an edge node, a device or a host.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Id(Box<str>);

/// Why a text is no [`Id`].
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum IdError {
    /// Nothing there.
    #[error("is empty")]
    Empty,
    /// A character that divides topics, stands for others in filters, or cannot be seen.
    #[error("holds {0:?}, which no level of a topic may")]
    Character(char),
    /// Too long.
    #[error("has {0} characters; {max} are allowed", max = ID_CHARS_MAX)]
    TooLong(usize),
    /// The level that belongs to hosts.
    #[error("is the level in which hosts say whether they are there")]
    Reserved,
}

impl Id {
    /// Checks `text` and keeps it.
    ///
    /// # Errors
    /// If it cannot be a level.
    pub fn new(text: &str) -> Result<Self, IdError> {
        let count = text.chars().count();
        let unfit = |c: &char| matches!(c, '+' | '#' | '/') || c.is_control();
        match text.chars().find(unfit) {
            _ if text.is_empty() => Err(IdError::Empty),
            Some(c) => Err(IdError::Character(c)),
            None if count > ID_CHARS_MAX => Err(IdError::TooLong(count)),
            None if text == STATE => Err(IdError::Reserved),
            None => Ok(Self(text.into())),
        }
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// What a message of an edge node, or to one, is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verb {
    /// The node and all of its metrics.
    NBirth,
    /// The node has gone.
    NDeath,
    /// A device and all of its metrics.
    DBirth,
    /// A device has gone.
    DDeath,
    /// Metrics of the node that have changed.
    NData,
    /// Metrics of a device that have changed.
    DData,
    /// Somebody asks the node for something.
    NCmd,
}

impl Verb {
    /// Its level.
    pub const fn word(self) -> &'static str {
        match self {
            Self::NBirth => "NBIRTH",
            Self::NDeath => "NDEATH",
            Self::DBirth => "DBIRTH",
            Self::DDeath => "DDEATH",
            Self::NData => "NDATA",
            Self::DData => "DDATA",
            Self::NCmd => "NCMD",
        }
    }
}

/// An edge node: group and name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct EdgeNode {
    /// Its group.
    pub group: Id,
    /// Its name in the group.
    pub node: Id,
}

impl EdgeNode {
    /// Where a message of the node itself goes.
    pub fn topic(&self, verb: Verb) -> String {
        format!("{NAMESPACE}/{}/{}/{}", self.group, verb.word(), self.node)
    }

    /// Where a message of one of its devices goes.
    pub fn device_topic(&self, verb: Verb, device: &Id) -> String {
        format!("{}/{device}", self.topic(verb))
    }
}

/// Where a host says whether it is there.
pub fn state_topic(host: &Id) -> String {
    format!("{NAMESPACE}/{STATE}/{host}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_divides_and_matches_nothing() {
        assert_eq!(Id::new("Halle 2 – Süd").map(|id| id.as_str().to_owned()), Ok("Halle 2 – Süd".to_owned()));
        for (text, error) in [
            ("", IdError::Empty),
            ("a/b", IdError::Character('/')),
            ("+", IdError::Character('+')),
            ("a#", IdError::Character('#')),
            ("a\0", IdError::Character('\0')),
            ("a\nb", IdError::Character('\n')),
            ("STATE", IdError::Reserved),
        ] {
            assert_eq!(Id::new(text), Err(error), "{text:?}");
        }
        assert_eq!(Id::new(&"ä".repeat(100)).map(|_| ()), Ok(()));
        assert_eq!(Id::new(&"ä".repeat(101)), Err(IdError::TooLong(101)));
    }
}
