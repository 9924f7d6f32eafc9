//! Read requests and their replies, without framing (Modbus Application Protocol V1.1b3, 6.1 to 6.4 and 7).
//!
//! Strict: a reply that does not fit its request to the byte is refused, because a late or foreign reply that happens
//! to parse is a wrong value.

use super::{Address, ExceptionCode, Table};

/// Bytes of every read request: function code, address, count.
pub const REQUEST_BYTES: usize = 5;
/// Bytes of an exception reply: function code with the top bit set, code.
pub const EXCEPTION_BYTES: usize = 2;

const EXCEPTION_BIT: u8 = 0x80;

/// A request to read neighbouring bits or registers of one table.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct ReadRequest {
    first: Address,
    count: u16,
}

/// Why a request or a reply is refused.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PduError {
    /// Not the length that the function code asks for.
    #[error("{found} bytes where {expected} belong")]
    Length {
        /// Bytes that belong there.
        expected: usize,
        /// Bytes there are.
        found: usize,
    },
    /// No read function.
    #[error("function code {0} reads none of the four tables")]
    Function(u8),
    /// A reply to another function than the one asked for.
    #[error("function code {found} answers {expected}")]
    OtherFunction {
        /// Asked for.
        expected: u8,
        /// Came.
        found: u8,
    },
    /// The byte count within the reply does not fit what was asked for.
    #[error("byte count {found} where {expected} was asked for")]
    ByteCount {
        /// Bytes asked for.
        expected: usize,
        /// Byte count of the reply.
        found: u8,
    },
    /// Nothing, or more than one request may ask for.
    #[error("{count} where 1 to {max} may be asked for at once")]
    Count {
        /// How many.
        count: u16,
        /// How many may be.
        max: u16,
    },
    /// Runs past the end of the table.
    #[error("{count} from address {index} on runs past 65535, the last address")]
    PastEnd {
        /// First address.
        index: u16,
        /// How many.
        count: u16,
    },
    /// The unused bits of the last byte are not zero.
    #[error("unused bits of the last byte are not zero (V1.1b3, 6.1)")]
    Padding,
}

impl ReadRequest {
    /// Asks for `count` bits or registers from `first` on. Refuses more than the specification allows.
    pub const fn new(first: Address, count: u16) -> Result<Self, PduError> {
        let max = first.table.count_max();
        if count == 0 || count > max {
            return Err(PduError::Count { count, max });
        }
        if first.index as u32 + count as u32 > 65_536 {
            return Err(PduError::PastEnd { index: first.index, count });
        }
        Ok(Self { first, count })
    }

    /// First address.
    pub const fn first(self) -> Address {
        self.first
    }

    /// How many bits or registers.
    pub const fn count(self) -> u16 {
        self.count
    }

    /// Data bytes of the reply: two a register, or one for each eight bits begun.
    pub const fn data_bytes(self) -> usize {
        if self.first.table.is_bits() { (self.count as usize).div_ceil(8) } else { 2 * self.count as usize }
    }

    /// Bytes of the reply: function code, byte count, data.
    pub const fn reply_bytes(self) -> usize {
        2 + self.data_bytes()
    }

    /// As it goes over the wire.
    pub const fn encode(self) -> [u8; REQUEST_BYTES] {
        let [index_high, index_low] = self.first.index.to_be_bytes();
        let [count_high, count_low] = self.count.to_be_bytes();
        [self.first.table.function_code(), index_high, index_low, count_high, count_low]
    }

    /// What a device is asked. The address and count it refuses come back as the matching error, so that a simulated
    /// device can answer exception 1, 2 or 3.
    pub fn decode(pdu: &[u8]) -> Result<Self, PduError> {
        let length = PduError::Length { expected: REQUEST_BYTES, found: pdu.len() };
        let table =
            Table::from_function_code(*pdu.first().ok_or(length)?).ok_or(PduError::Function(pdu[0]))?;
        let &[_, index_high, index_low, count_high, count_low] = pdu else { return Err(length) };
        let first = Address::new(table, u16::from_be_bytes([index_high, index_low]));
        Self::new(first, u16::from_be_bytes([count_high, count_low]))
    }

    /// Reads the reply to this request, to the byte.
    pub fn decode_reply(self, pdu: &[u8]) -> Result<Reply<'_>, PduError> {
        let function_code = self.first.table.function_code();
        match *pdu {
            [found, code] if found == function_code | EXCEPTION_BIT => {
                Ok(Reply::Exception(ExceptionCode::from_code(code)))
            }
            [found, ..] if found == function_code | EXCEPTION_BIT => {
                Err(PduError::Length { expected: EXCEPTION_BYTES, found: pdu.len() })
            }
            [found, ..] if found != function_code => {
                Err(PduError::OtherFunction { expected: function_code, found })
            }
            [_, found, ..] if usize::from(found) != self.data_bytes() => {
                Err(PduError::ByteCount { expected: self.data_bytes(), found })
            }
            [_, _, ref data @ ..] if data.len() == self.data_bytes() => self.decode_data(data),
            _ => Err(PduError::Length { expected: self.reply_bytes(), found: pdu.len() }),
        }
    }

    fn decode_data(self, data: &[u8]) -> Result<Reply<'_>, PduError> {
        if !self.first.table.is_bits() {
            return Ok(Reply::Registers(Registers { data }));
        }
        let used = self.count % 8;
        let last = data.last().copied().expect("a request asks for one bit at least");
        if used != 0 && last >> used != 0 {
            return Err(PduError::Padding);
        }
        Ok(Reply::Bits(Bits { data, count: self.count }))
    }
}

/// What a device answered.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Reply<'a> {
    /// Registers, as many as asked for.
    Registers(Registers<'a>),
    /// Coils or discrete inputs, as many as asked for.
    Bits(Bits<'a>),
    /// A refusal.
    Exception(ExceptionCode),
}

/// Registers of a reply.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Registers<'a> {
    data: &'a [u8],
}

impl<'a> Registers<'a> {
    /// In the order of their addresses.
    pub fn iter(self) -> impl ExactSizeIterator<Item = u16> + 'a {
        self.data.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
    }
}

/// Coils or discrete inputs of a reply.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Bits<'a> {
    data: &'a [u8],
    count: u16,
}

impl<'a> Bits<'a> {
    /// In the order of their addresses.
    pub fn iter(self) -> impl ExactSizeIterator<Item = bool> + 'a {
        (0..self.count).map(move |i| self.data[usize::from(i / 8)] >> (i % 8) & 1 == 1)
    }
}

/// Why a reply cannot be built.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum ReplyError {
    /// Bits from a register table or the other way about.
    #[error("{table:?} does not hold what was given")]
    WrongKind {
        /// The table of the reply.
        table: Table,
    },
    /// Nothing, or more than fits one reply.
    #[error("{found} value(s) where 1 to {max} fit one reply")]
    Count {
        /// How many were given.
        found: usize,
        /// How many fit.
        max: u16,
    },
}

fn check_reply(table: Table, is_bits: bool, found: usize) -> Result<(), ReplyError> {
    if table.is_bits() != is_bits {
        return Err(ReplyError::WrongKind { table });
    }
    if found == 0 || found > usize::from(table.count_max()) {
        return Err(ReplyError::Count { found, max: table.count_max() });
    }
    Ok(())
}

/// Appends the reply that carries these registers.
pub fn encode_registers(table: Table, registers: &[u16], out: &mut Vec<u8>) -> Result<(), ReplyError> {
    check_reply(table, false, registers.len())?;
    out.extend([table.function_code(), (2 * registers.len()) as u8]);
    out.extend(registers.iter().flat_map(|register| register.to_be_bytes()));
    Ok(())
}

/// Appends the reply that carries these bits, the first in the lowest bit of the first byte.
pub fn encode_bits(table: Table, bits: &[bool], out: &mut Vec<u8>) -> Result<(), ReplyError> {
    check_reply(table, true, bits.len())?;
    out.extend([table.function_code(), bits.len().div_ceil(8) as u8]);
    let byte = |chunk: &[bool]| chunk.iter().rev().fold(0, |byte, &bit| byte << 1 | u8::from(bit));
    out.extend(bits.chunks(8).map(byte));
    Ok(())
}

/// The reply that refuses a request of this function code.
pub const fn encode_exception(function_code: u8, code: ExceptionCode) -> [u8; EXCEPTION_BYTES] {
    [function_code | EXCEPTION_BIT, code.code()]
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const HOLDING_107: Address = Address::new(Table::HoldingRegister, 107);

    #[test]
    fn a_reply_must_fit_its_request_to_the_byte() {
        let request = ReadRequest::new(HOLDING_107, 1).unwrap();
        let refused = |pdu: &[u8]| request.decode_reply(pdu).unwrap_err();
        assert_eq!(refused(&[]), PduError::Length { expected: 4, found: 0 });
        assert_eq!(refused(&[3]), PduError::Length { expected: 4, found: 1 });
        assert_eq!(refused(&[3, 2, 0]), PduError::Length { expected: 4, found: 3 });
        assert_eq!(refused(&[3, 2, 0, 1, 9]), PduError::Length { expected: 4, found: 5 });
        assert_eq!(refused(&[3, 4, 0, 1, 0, 2]), PduError::ByteCount { expected: 2, found: 4 });
        assert_eq!(refused(&[4, 2, 0, 1]), PduError::OtherFunction { expected: 3, found: 4 });
        assert_eq!(refused(&[0x84, 2]), PduError::OtherFunction { expected: 3, found: 0x84 });
        assert_eq!(refused(&[0x83, 2, 0]), PduError::Length { expected: 2, found: 3 });
        let bits = ReadRequest::new(Address::new(Table::Coil, 0), 3).unwrap();
        assert_eq!(bits.decode_reply(&[1, 1, 0b0000_1000]), Err(PduError::Padding));
    }

    #[test]
    fn no_request_asks_for_more_than_the_specification_allows() {
        assert!(ReadRequest::new(HOLDING_107, 125).is_ok());
        assert_eq!(ReadRequest::new(HOLDING_107, 126), Err(PduError::Count { count: 126, max: 125 }));
        assert_eq!(ReadRequest::new(HOLDING_107, 0), Err(PduError::Count { count: 0, max: 125 }));
        let last = Address::new(Table::InputRegister, 65_535);
        assert!(ReadRequest::new(last, 1).is_ok());
        assert_eq!(ReadRequest::new(last, 2), Err(PduError::PastEnd { index: 65_535, count: 2 }));
        assert_eq!(
            ReadRequest::decode(&[6, 0, 1, 0, 3]),
            Err(PduError::Function(6)),
            "write single register"
        );
    }

    fn any_request() -> impl Strategy<Value = ReadRequest> {
        (prop::sample::select(Table::ALL.to_vec()), any::<u16>(), 1_u16..=2000).prop_map(
            |(table, index, count)| {
                let count = count.min(table.count_max()).min(65_535 - index).max(1);
                ReadRequest::new(Address::new(table, index), count).unwrap()
            },
        )
    }

    proptest! {
        #[test]
        fn requests_read_back(request in any_request()) {
            prop_assert_eq!(ReadRequest::decode(&request.encode()), Ok(request));
        }

        #[test]
        fn replies_read_back(request in any_request(), seed: u16) {
            let mut pdu = Vec::new();
            let values = (0..request.count()).map(|i| i.wrapping_mul(40_503) ^ seed);
            if request.first().table.is_bits() {
                let bits: Vec<bool> = values.map(|value| value & 0x100 != 0).collect();
                encode_bits(request.first().table, &bits, &mut pdu).unwrap();
                let Ok(Reply::Bits(found)) = request.decode_reply(&pdu) else { panic!("no bits") };
                prop_assert_eq!(found.iter().collect::<Vec<_>>(), bits);
            } else {
                let registers: Vec<u16> = values.collect();
                encode_registers(request.first().table, &registers, &mut pdu).unwrap();
                let Ok(Reply::Registers(found)) = request.decode_reply(&pdu) else { panic!("no registers") };
                prop_assert_eq!(found.iter().collect::<Vec<_>>(), registers);
            }
            prop_assert_eq!(pdu.len(), request.reply_bytes());
        }
    }
}
