//! What a person writes for a register, and the 0-based address it means.
//!
//! Manuals count from 1 and put the table in the first digit; the wire counts from 0 and has the table in the function
//! code. Being off by one reads the neighbour's value without any error, so only unmistakable forms are taken.

use std::fmt;
use std::str::FromStr;

use super::Table;

/// A 0-based protocol address in one table.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Address {
    /// Which table.
    pub table: Table,
    /// 0-based, as it goes over the wire.
    pub index: u16,
}

/// Why a text is no address.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum AddressError {
    /// Neither of the two notations.
    #[error(
        "{0:?} is no register; write it 0-based with its table (input:0, holding:107, coil:0, discrete:0) \
         or in the five or six digits of manuals (30001, 400108)"
    )]
    Form(String),
    /// A bare number that could be meant either way.
    #[error(
        "{text:?} could count from 0 or from 1 and names no table; \
         write holding:{text} if it is the 0-based address of a holding register, or all five or six digits of the manual"
    )]
    Ambiguous {
        /// As written.
        text: String,
    },
    /// A table that does not exist.
    #[error("{text:?}: there is no table {table:?}; the tables are coil, discrete, holding and input")]
    Table {
        /// As written.
        text: String,
        /// What stands before the colon.
        table: String,
    },
    /// Beyond the address space.
    #[error("{text:?}: 0-based addresses are 0 to 65535 (0xFFFF)")]
    Index {
        /// As written.
        text: String,
    },
    /// A first digit that stands for no table.
    #[error(
        "{text:?}: no table has the first digit {digit}; manuals write 0 for coils, 1 for discrete inputs, \
         3 for input registers, 4 for holding registers"
    )]
    Digit {
        /// As written.
        text: String,
        /// Its first digit.
        digit: char,
    },
    /// The right form with a number that does not occur.
    #[error("{text:?}: in this notation the numbers of this table run from {first} to {last}")]
    Range {
        /// As written.
        text: String,
        /// Smallest number of the table in this notation.
        first: String,
        /// Largest number of the table in this notation.
        last: String,
    },
}

impl Address {
    /// From the table and the 0-based index.
    pub const fn new(table: Table, index: u16) -> Self {
        Self { table, index }
    }

    /// Reads `input:0`, `holding:107`, `holding:0x6B`, `coil:3`, `discrete:3` (0-based), or the 1-based notation of
    /// manuals in five digits (`30001`, `40108`, `00001`, `10197`) or six (`300001`, `400108`, `465536`).
    pub fn parse(text: &str) -> Result<Self, AddressError> {
        match text.split_once(':') {
            Some((table, index)) => Self::parse_plain(text, table, index),
            None => Self::parse_manual(text),
        }
    }

    fn parse_plain(text: &str, table: &str, index: &str) -> Result<Self, AddressError> {
        let table = Table::ALL
            .into_iter()
            .find(|t| t.word() == table)
            .ok_or_else(|| AddressError::Table { text: text.to_owned(), table: table.to_owned() })?;
        let (digits, radix) = index.strip_prefix("0x").map_or((index, 10), |hex| (hex, 16));
        if digits.is_empty() || !digits.chars().all(|c| c.is_digit(radix)) {
            return Err(AddressError::Form(text.to_owned()));
        }
        let index = u16::from_str_radix(digits, radix);
        index.map(|index| Self { table, index }).map_err(|_| AddressError::Index { text: text.to_owned() })
    }

    fn parse_manual(text: &str) -> Result<Self, AddressError> {
        if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
            return Err(AddressError::Form(text.to_owned()));
        }
        let numbers_max: u32 = match text.len() {
            5 => 9_999,
            6 => 65_536,
            1..5 => return Err(AddressError::Ambiguous { text: text.to_owned() }),
            _ => return Err(AddressError::Form(text.to_owned())),
        };
        let (digit, number) = text.split_at(1);
        let digit = digit.chars().next().expect("five or six digits");
        let table = Table::ALL.into_iter().find(|t| char::from_digit(t.manual_digit(), 10) == Some(digit));
        let table = table.ok_or_else(|| AddressError::Digit { text: text.to_owned(), digit })?;
        let number: u32 = number.parse().expect("at most five digits");
        if !(1..=numbers_max).contains(&number) {
            let width = text.len() - 1;
            let written = |number: u32| format!("{digit}{number:0width$}");
            return Err(AddressError::Range {
                text: text.to_owned(),
                first: written(1),
                last: written(numbers_max),
            });
        }
        let index = u16::try_from(number - 1).expect("65536 is the largest number");
        Ok(Self { table, index })
    }

    /// In the notation of manuals, 1-based: five digits where they are enough, otherwise six.
    pub fn manual(self) -> String {
        let (digit, number) = (self.table.manual_digit(), u32::from(self.index) + 1);
        if number <= 9_999 { format!("{digit}{number:04}") } else { format!("{digit}{number:05}") }
    }
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::parse(text)
    }
}

impl fmt::Display for Address {
    /// 0-based with its table, as it is parsed: `holding:107`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.table.word(), self.index)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn plain(text: &str) -> String {
        Address::parse(text).unwrap().to_string()
    }

    #[test]
    fn the_notation_of_manuals_counts_from_one() {
        // Modbus Application Protocol V1.1b3, 6.1 to 6.4 (from memory): coil 20 is 0x13, discrete input 197 is 0xC4,
        // holding register 108 is 0x6B, input register 9 is 0x08.
        assert_eq!(plain("00020"), "coil:19");
        assert_eq!(plain("10197"), "discrete:196");
        assert_eq!(plain("40108"), "holding:107");
        assert_eq!(plain("400108"), "holding:107");
        assert_eq!(plain("30009"), "input:8");
        assert_eq!(plain("465536"), "holding:65535");
        assert_eq!(plain("000001"), "coil:0");
        assert_eq!(plain("holding:0x6B"), "holding:107");
    }

    #[test]
    fn what_could_be_meant_two_ways_is_refused_with_what_would_be_right() {
        let says = |text: &str| Address::parse(text).unwrap_err().to_string();
        assert!(says("108").contains("holding:108"), "{}", says("108"));
        assert!(says("40000").contains("from 40001 to 49999"), "{}", says("40000"));
        assert!(says("465537").contains("from 400001 to 465536"), "{}", says("465537"));
        assert!(says("50001").contains("first digit 5"), "{}", says("50001"));
        assert!(says("input:65536").contains("0 to 65535"), "{}", says("input:65536"));
        assert!(says("register:1").contains("no table \"register\""), "{}", says("register:1"));
        for wrong in [
            "",
            ":",
            "input:",
            "input:+1",
            "input:-1",
            "input: 1",
            "4000001",
            "4x0001",
            "input:0x",
            "٤٠٠٠١",
            "40001 ",
        ] {
            assert!(Address::parse(wrong).is_err(), "{wrong:?}");
        }
    }

    proptest! {
        #[test]
        fn both_notations_read_back(table in prop::sample::select(Table::ALL.to_vec()), index: u16) {
            let address = Address { table, index };
            prop_assert_eq!(Address::parse(&address.to_string()), Ok(address));
            prop_assert_eq!(Address::parse(&address.manual()), Ok(address));
        }

        #[test]
        fn no_text_makes_it_panic(text in ".{0,12}", digits in "[0-9]{0,8}") {
            let _ = Address::parse(&text);
            let _ = Address::parse(&digits);
        }
    }
}
