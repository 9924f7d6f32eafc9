//! Modbus as the specification has it: tables, addresses, limits, exceptions, wire time.
//!
//! - [`address`]: what a person writes for a register, and the 0-based address it means
//! - [`pdu`]: read requests and their replies, without framing
//! - [`rtu`], [`tcp`]: the two framings
//! - [`exception`]: what a device says when it refuses
//! - [`wire`]: how long all that takes on a serial line
//!
//! The four read functions are all there is: no function code that writes to a device exists here.

pub mod address;
pub mod exception;
pub mod pdu;
pub mod rtu;
pub mod tcp;
pub mod wire;

pub use address::{Address, AddressError};
pub use exception::ExceptionCode;
pub use pdu::ReadRequest;

/// Modbus Application Protocol V1.1b3, 4.1: function code and data of one message.
pub const PDU_BYTES_MAX: usize = 253;
/// V1.1b3, 4.1: unit id, PDU and check sum on a serial line.
pub const RTU_ADU_BYTES_MAX: usize = 256;
/// V1.1b3, 4.1: MBAP header and PDU on TCP.
pub const TCP_ADU_BYTES_MAX: usize = 260;
/// V1.1b3, 6.1 and 6.2: 1 to 2000 coils or discrete inputs in one request.
pub const READ_BITS_MAX: u16 = 2000;
/// V1.1b3, 6.3 and 6.4: 1 to 125 registers in one request.
pub const READ_REGISTERS_MAX: u16 = 125;
/// Modbus over Serial Line V1.02, 2.2: the address that goes to all; nobody answers it.
pub const UNIT_ID_BROADCAST: u8 = 0;
/// Serial Line V1.02, 2.2: first address of a single device.
pub const UNIT_ID_MIN: u8 = 1;
/// Serial Line V1.02, 2.2: last address of a single device; 248 to 255 are reserved.
pub const UNIT_ID_MAX: u8 = 247;
/// Messaging on TCP/IP V1.0b, 4.4.1.2: the unit id of a device that is reached by its IP address alone.
pub const UNIT_ID_TCP_ITSELF: u8 = 255;
/// Messaging on TCP/IP V1.0b, 4.3.2: the registered port.
pub const TCP_PORT: u16 = 502;

const _: () = assert!(RTU_ADU_BYTES_MAX == 1 + PDU_BYTES_MAX + 2);
const _: () = assert!(TCP_ADU_BYTES_MAX == tcp::HEADER_BYTES + PDU_BYTES_MAX);
const _: () =
    assert!(2 + 2 * READ_REGISTERS_MAX as usize <= PDU_BYTES_MAX, "function code, byte count, registers");
const _: () =
    assert!(2 + (READ_BITS_MAX as usize).div_ceil(8) <= PDU_BYTES_MAX, "function code, byte count, bits");
const _: () = assert!(2 * READ_REGISTERS_MAX as usize <= u8::MAX as usize, "the byte count is one byte");
const _: () = assert!(
    UNIT_ID_BROADCAST < UNIT_ID_MIN && UNIT_ID_MIN <= UNIT_ID_MAX && UNIT_ID_MAX < UNIT_ID_TCP_ITSELF
);

/// The four tables a device can be read from (Modbus Application Protocol V1.1b3, 4.3).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum Table {
    /// Single bits, read and write; function code 1. The manual's 0xxxx.
    Coil,
    /// Single bits, read only; function code 2. The manual's 1xxxx.
    DiscreteInput,
    /// 16-bit words, read and write; function code 3. The manual's 4xxxx.
    HoldingRegister,
    /// 16-bit words, read only; function code 4. The manual's 3xxxx.
    InputRegister,
}

impl Table {
    /// All four, in the order of their function codes.
    pub const ALL: [Self; 4] = [Self::Coil, Self::DiscreteInput, Self::HoldingRegister, Self::InputRegister];

    /// The function code that reads it (V1.1b3, 6.1 to 6.4).
    pub const fn function_code(self) -> u8 {
        match self {
            Self::Coil => 1,
            Self::DiscreteInput => 2,
            Self::HoldingRegister => 3,
            Self::InputRegister => 4,
        }
    }

    /// The table a function code reads; `None` for every other function.
    pub fn from_function_code(code: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|table| table.function_code() == code)
    }

    /// Whether it holds single bits; otherwise 16-bit words.
    pub const fn is_bits(self) -> bool {
        matches!(self, Self::Coil | Self::DiscreteInput)
    }

    /// Most bits or registers that one request may ask for.
    pub const fn count_max(self) -> u16 {
        if self.is_bits() { READ_BITS_MAX } else { READ_REGISTERS_MAX }
    }

    /// How it is written before the colon of an address.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Coil => "coil",
            Self::DiscreteInput => "discrete",
            Self::HoldingRegister => "holding",
            Self::InputRegister => "input",
        }
    }

    /// The first digit of the manuals' notation.
    const fn manual_digit(self) -> u32 {
        match self {
            Self::Coil => 0,
            Self::DiscreteInput => 1,
            Self::HoldingRegister => 4,
            Self::InputRegister => 3,
        }
    }
}
