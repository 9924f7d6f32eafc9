//! What came out of a field or a payload: a number, or the reason there is none.

/// 2^53: up to here every integer has a double of its own, beyond it some share one.
pub const EXACT_INTEGER_MAX: u64 = 1 << 53;

/// A number that may be used, or why there is none although the frame or the message was sound.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Number {
    /// Finite, and exactly what the sender holds wherever the sender holds an integer.
    Value(f64),
    /// The sender's own sign for "no value".
    NoValue,
    /// NaN or an infinity.
    NotFinite,
    /// Beyond 2^53, where a double no longer tells neighbouring integers apart.
    TooLarge,
}

impl Number {
    /// The number, where there is one.
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            Self::NoValue | Self::NotFinite | Self::TooLarge => None,
        }
    }

    /// Of a double as it is: any finite one.
    pub fn from_float(value: f64) -> Self {
        if value.is_finite() { Self::Value(value) } else { Self::NotFinite }
    }

    /// Of an unsigned integer, if a double holds it exactly.
    pub fn from_unsigned(value: u64) -> Self {
        if value <= EXACT_INTEGER_MAX { Self::Value(value as f64) } else { Self::TooLarge }
    }

    /// Of a signed integer, if a double holds it exactly.
    pub fn from_signed(value: i64) -> Self {
        if value.unsigned_abs() <= EXACT_INTEGER_MAX { Self::Value(value as f64) } else { Self::TooLarge }
    }

    /// Of a number written as text, where "3" and "3.0" and "3e0" are the same: any finite one up to 2^53.
    ///
    /// The bound holds for every way of writing, so that an integer does not slip through as a rounded double.
    pub fn from_written(value: f64) -> Self {
        match Self::from_float(value) {
            Self::Value(value) if value.abs() > EXACT_INTEGER_MAX as f64 => Self::TooLarge,
            other => other,
        }
    }
}
