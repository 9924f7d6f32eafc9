//! How long a request takes on a serial line (Modbus over Serial Line V1.02, 2.5.1).
//!
//! A character of 11 bits is the standard's: start bit, eight data bits, parity or a second stop bit, stop bit. All times
//! are rounded up to whole nanoseconds, so nothing is ever sent too early.

use std::time::Duration;

use super::ReadRequest;
use super::rtu::{FRAME_EXTRA_BYTES, REQUEST_BYTES};

/// Serial Line V1.02, 2.5.1.1: above this rate the silent intervals stop shrinking.
pub const FIXED_INTERVALS_ABOVE_BAUD: u32 = 19_200;
/// Serial Line V1.02, 2.5.1.1: t1.5 above 19200 baud.
pub const T1_5_FIXED: Duration = Duration::from_micros(750);
/// Serial Line V1.02, 2.5.1.1: t3.5 above 19200 baud.
pub const T3_5_FIXED: Duration = Duration::from_micros(1750);
/// Slowest rate taken; below it a single reply takes minutes.
pub const BAUD_MIN: u32 = 50;
/// Fastest rate taken; beyond it no transceiver of such a bus goes.
pub const BAUD_MAX: u32 = 10_000_000;

/// Speed and character format of a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct SerialTiming {
    baud: u32,
    bits_per_character: u8,
}

/// Why a line cannot be timed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum SerialTimingError {
    /// A rate no line runs at.
    #[error("{0} baud; a serial line runs at 50 to 10000000, usually 9600 or 19200")]
    Baud(u32),
    /// Stop bits that do not exist.
    #[error("{0} stop bits; a serial line has 1 or 2")]
    StopBits(u8),
}

impl SerialTiming {
    /// Of a line with eight data bits, with or without a parity bit, and one or two stop bits.
    pub const fn new(baud: u32, has_parity: bool, stop_bits: u8) -> Result<Self, SerialTimingError> {
        if baud < BAUD_MIN || baud > BAUD_MAX {
            return Err(SerialTimingError::Baud(baud));
        }
        if stop_bits != 1 && stop_bits != 2 {
            return Err(SerialTimingError::StopBits(stop_bits));
        }
        Ok(Self { baud, bits_per_character: 1 + 8 + has_parity as u8 + stop_bits })
    }

    /// Bits of one character on the line, start, parity and stop bits included: 10 to 12.
    pub const fn bits_per_character(self) -> u8 {
        self.bits_per_character
    }

    /// Time that `bytes` characters without a pause take.
    pub const fn characters(self, bytes: usize) -> Duration {
        self.tenths(10 * bytes as u128)
    }

    const fn tenths(self, tenths_of_character: u128) -> Duration {
        let bits = tenths_of_character * self.bits_per_character as u128;
        Duration::from_nanos((bits * 100_000_000).div_ceil(self.baud as u128) as u64)
    }

    /// Longest silence allowed within a frame.
    pub const fn t1_5(self) -> Duration {
        if self.baud > FIXED_INTERVALS_ABOVE_BAUD { T1_5_FIXED } else { self.tenths(15) }
    }

    /// Silence that ends a frame, and the least between two.
    pub const fn t3_5(self) -> Duration {
        if self.baud > FIXED_INTERVALS_ABOVE_BAUD { T3_5_FIXED } else { self.tenths(35) }
    }

    /// Time the line is taken by `request` to a device that answers `device_time` after the frame has ended: request,
    /// t3.5, the device, reply, t3.5.
    pub fn transaction(self, request: ReadRequest, device_time: Duration) -> Duration {
        let characters = self.characters(REQUEST_BYTES + reply_bytes(request));
        characters.saturating_add(2 * self.t3_5()).saturating_add(device_time)
    }
}

/// Bytes of the RTU reply to `request`: five and two a register, or five and one for each eight bits begun.
pub const fn reply_bytes(request: ReadRequest) -> usize {
    FRAME_EXTRA_BYTES + request.reply_bytes()
}

/// Share of a line's time that repeated transactions take, each given as its duration and its period: 1 is full.
pub fn load(transactions: impl IntoIterator<Item = (Duration, Duration)>) -> f64 {
    transactions.into_iter().map(|(taken, period)| taken.as_secs_f64() / period.as_secs_f64()).sum()
}

#[cfg(test)]
mod tests {
    use super::super::{Address, Table};
    use super::*;

    #[test]
    fn a_line_without_parity_has_shorter_characters_unless_it_has_two_stop_bits() {
        let bits = |parity, stop| SerialTiming::new(9600, parity, stop).unwrap().bits_per_character();
        assert_eq!((bits(true, 1), bits(false, 2), bits(false, 1), bits(true, 2)), (11, 11, 10, 12));
        assert!(SerialTiming::new(0, true, 1).is_err());
        assert!(SerialTiming::new(9600, true, 3).is_err());
    }

    #[test]
    fn load_adds_up() {
        let line = SerialTiming::new(9600, true, 1).unwrap();
        let request = ReadRequest::new(Address::new(Table::InputRegister, 0), 1).unwrap();
        let taken = line.transaction(request, Duration::from_millis(20));
        assert_eq!(taken.as_micros(), 45_208);
        let full = load([(taken, Duration::from_secs(1)), (taken, Duration::from_millis(100))]);
        assert!((full - 0.497_29).abs() < 1e-4, "{full}");
    }
}
