//! Words of one field to the device's own number, or why there is none.

use sumpwarden_protocol::number::Number;
use sumpwarden_protocol::words::Encoding;

use crate::model::{Fault, Raw};

/// The number that lies in `words` as `encoding` says; a coil or discrete input is the word 0 or 1.
pub fn decode(encoding: &Encoding, words: &[u16]) -> Raw {
    match encoding.decode(words) {
        Ok(Number::Value(value)) => Raw::Number(value),
        Ok(Number::NoValue) => Raw::Fault(Fault::NoValue),
        Ok(Number::NotFinite) => Raw::Fault(Fault::NotFinite),
        Ok(Number::TooLarge) => Raw::Fault(Fault::TooLarge),
        Err(_) => Raw::Fault(Fault::Malformed),
    }
}
