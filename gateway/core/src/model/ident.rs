//! Names people give, and the dense indices the gateway counts by.
//!
//! A [`Name`] comes from the configuration and is what the store, the log and the page show. Inside a run every probe,
//! sump, bus and series also has an index: its place in the list that the checked configuration built. Indices change
//! when the configuration changes, so nothing that outlives a run may hold one; the store keeps names.

use std::fmt;

/// A name from the configuration: 1 to 48 of `A-Z a-z 0-9 _ -`, so that it is safe in a tag, a topic, a file name and a
/// page without escaping. People's own wording goes into a `title`, which is untrusted text everywhere.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Name(Box<str>);

/// Why a text is no [`Name`].
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NameError {
    /// Nothing there.
    #[error("a name needs at least one character")]
    Empty,
    /// Longer than [`Name::LEN_MAX`].
    #[error("a name has at most 48 characters, this one has {0}")]
    TooLong(usize),
    /// A character outside the allowed set.
    #[error("a name is made of letters A-Z a-z, digits, '-' and '_'; {0:?} is none of them")]
    Character(char),
}

impl Name {
    /// Longest name, in characters.
    pub const LEN_MAX: usize = 48;

    /// Checks `text` and keeps it.
    pub fn new(text: &str) -> Result<Self, NameError> {
        if text.is_empty() {
            return Err(NameError::Empty);
        }
        if let Some(c) = text.chars().find(|c| !(c.is_ascii_alphanumeric() || *c == '-' || *c == '_')) {
            return Err(NameError::Character(c));
        }
        if text.len() > Self::LEN_MAX {
            return Err(NameError::TooLong(text.len()));
        }
        Ok(Self(text.into()))
    }

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl serde::Serialize for Name {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.0)
    }
}

impl<'de> serde::Deserialize<'de> for Name {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = <std::borrow::Cow<'de, str>>::deserialize(deserializer)?;
        Self::new(&text).map_err(serde::de::Error::custom)
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

macro_rules! index {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub struct $name(pub u32);

        impl $name {
            /// Place in the list, for indexing.
            pub fn slot(self) -> usize {
                self.0 as usize
            }
        }
    };
}

index!(
    /// A bus (one serial line or one TCP connection), by its place in `Settings::buses`.
    BusIndex
);
index!(
    /// A Modbus device on its bus, by its place in `BusSettings::devices`.
    DeviceIndex
);
index!(
    /// A broker, by its place in `Settings::brokers`.
    BrokerIndex
);
index!(
    /// A probe, by its place in `Settings::probes`.
    ProbeIndex
);
index!(
    /// A sump, by its place in `Settings::sumps`.
    SumpIndex
);
index!(
    /// A stored series, by its place in `Settings::series`.
    SeriesIndex
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_safe_everywhere_it_is_shown() {
        assert_eq!(Name::new("lathe-3_b").expect("allowed characters").as_str(), "lathe-3_b");
        assert_eq!(Name::new(""), Err(NameError::Empty));
        for (text, offending) in [("a b", ' '), ("a,b", ','), ("a/b", '/'), ("Säge", 'ä'), ("a\n", '\n')] {
            assert_eq!(Name::new(text), Err(NameError::Character(offending)));
        }
        assert_eq!(Name::new(&"x".repeat(49)), Err(NameError::TooLong(49)));
    }
}
