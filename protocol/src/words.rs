//! 16-bit words to numbers.

/// How a number lies in its registers.
#[derive(Clone, PartialEq, Debug)]
pub struct Encoding {
    /// Width, sign, float or bit field.
    pub kind: NumberKind,
    /// Order of bytes and words on the wire.
    pub order: Order,
    /// Raw patterns that mean "no value", compared with all bits of the field, low bits last.
    pub no_value: Vec<u64>,
}

/// Width, sign, float or bit field.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum NumberKind {
    /// One bit of a coil or discrete input.
    Bit,
    /// Unsigned 16 bit, one word.
    U16,
    /// Signed 16 bit, one word.
    I16,
    /// Unsigned 32 bit, two words.
    U32,
    /// Signed 32 bit, two words.
    I32,
    /// Unsigned 64 bit, four words.
    U64,
    /// Signed 64 bit, four words.
    I64,
    /// IEEE 754 single, two words.
    F32,
    /// IEEE 754 double, four words.
    F64,
    /// Bits `low..low + width` of one word, bit 0 the least significant; unsigned.
    BitField {
        /// Lowest bit, 0 to 15.
        low: u8,
        /// Number of bits, 1 to 16.
        width: u8,
    },
}

/// Order of bytes and words, named by where the bytes of 0xAABBCCDD go.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum Order {
    /// High word first, high byte first: the specification's own order (AB CD).
    #[default]
    Abcd,
    /// Low word first, high byte first (CD AB).
    Cdab,
    /// High word first, low byte first (BA DC).
    Badc,
    /// Low word first, low byte first (DC BA).
    Dcba,
}
