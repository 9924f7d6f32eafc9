//! The payload is the number.
//!
//! Taken: an optional sign, digits, optionally a point and digits, optionally an exponent, with ASCII white space around
//! it; `nan` and `inf` in any case are read and stand for a number that is not finite. A decimal comma is refused: 1,234
//! is a different number on either side of the Channel. So are units, hexadecimal digits and words such as `on`.

use super::{PayloadError, excerpt};
use crate::number::Number;

/// Longest text taken for a number; a double written out in full has 1079 characters at most.
pub const NUMBER_BYTES_MAX: usize = 1100;

/// The number that the whole payload is.
pub fn decode(payload: &[u8]) -> Result<Number, PayloadError> {
    match str::from_utf8(payload) {
        Ok(text) => decode_text(text),
        Err(_) => Err(PayloadError::NotANumber {
            text: excerpt(&String::from_utf8_lossy(&payload[..payload.len().min(64)])),
            why: "not UTF-8 text",
        }),
    }
}

/// The number that the whole text is.
pub fn decode_text(text: &str) -> Result<Number, PayloadError> {
    let number = text.trim_matches([' ', '\t', '\r', '\n']);
    if number.is_empty() {
        return Err(PayloadError::Empty);
    }
    let refuse = |why| PayloadError::NotANumber { text: excerpt(number), why };
    if number.len() > NUMBER_BYTES_MAX {
        return Err(refuse("too long"));
    }
    if is_decimal(number) {
        let value: f64 = number.parse().map_err(|_| refuse("not a decimal number"))?;
        return Ok(if value.is_infinite() { Number::TooLarge } else { Number::from_written(value) });
    }
    let word = number.strip_prefix(['+', '-']).unwrap_or(number);
    if ["nan", "inf", "infinity"].iter().any(|name| word.eq_ignore_ascii_case(name)) {
        return Ok(Number::NotFinite);
    }
    let is_comma = number.contains(',') && is_decimal(&number.replacen(',', ".", 1));
    Err(refuse(if is_comma {
        "decimal comma; send a point"
    } else {
        "send digits, a point and an exponent only"
    }))
}

/// Whether `text` is `[sign] digits [. digits] [e [sign] digits]` and nothing else.
pub(crate) fn is_decimal(text: &str) -> bool {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (unsigned, None),
    };
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    let mantissa = mantissa.split_once('.').map_or_else(|| digits(mantissa), |(a, b)| digits(a) && digits(b));
    mantissa && exponent.is_none_or(|e| digits(e.strip_prefix(['+', '-']).unwrap_or(e)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn numbers_with_white_space_around_them_are_taken() {
        for (text, value) in [
            ("8.71", 8.71),
            (" -3\r\n", -3.0),
            ("+1.5e-3", 0.0015),
            ("007", 7.0),
            ("1E2", 100.0),
            ("-0.0", 0.0),
        ] {
            assert_eq!(decode(text.as_bytes()), Ok(Number::Value(value)), "{text:?}");
        }
        assert_eq!(decode(b"NaN"), Ok(Number::NotFinite));
        assert_eq!(decode(b"-inf"), Ok(Number::NotFinite));
        assert_eq!(decode(b"1e400"), Ok(Number::TooLarge));
        assert_eq!(decode(b"9007199254740992"), Ok(Number::Value(9_007_199_254_740_992.0)), "2^53");
        assert_eq!(decode("9".repeat(400).as_bytes()), Ok(Number::TooLarge));
        assert_eq!(decode(b"1e-400"), Ok(Number::Value(0.0)));
    }

    #[test]
    fn everything_else_is_refused_with_a_reason() {
        let says = |payload: &[u8]| decode(payload).unwrap_err().to_string();
        assert!(says(b"8,71").contains("decimal comma"), "{}", says(b"8,71"));
        assert_eq!(says(b" \n"), "empty message");
        assert!(says(b"\xFF8").contains("UTF-8"));
        for wrong in [
            "8.71 pH",
            "0x1F",
            ".5",
            "5.",
            "1e",
            "--1",
            "1 2",
            "on",
            "null",
            "8\0",
            "1_000",
            "٨",
            "\u{a0}8",
            "1,234,567",
        ] {
            assert!(decode(wrong.as_bytes()).is_err(), "{wrong:?}");
        }
        assert!(says("<script>alert(1)\u{1b}[2J</script>".repeat(100).as_bytes()).len() < 200);
    }

    proptest! {
        #[test]
        fn every_double_up_to_2_to_the_53rd_reads_back(bits: u64) {
            let value = f64::from_bits(bits);
            let found = decode(format!("{value:e}").as_bytes()).unwrap();
            match found {
                Number::Value(found) => prop_assert_eq!(found.to_bits(), bits),
                Number::TooLarge => prop_assert!(value.abs() > 9_007_199_254_740_992.0),
                _ => prop_assert!(!value.is_finite()),
            }
        }
    }
}
