//! 16-bit words to numbers and back.
//!
//! A word is what one register holds, its two bytes already put together high byte first, as the specification sends
//! them. [`Encoding`] says how a number lies in one, two or four of them. It knows no unit, no scale and no address.

use std::fmt;
use std::str::FromStr;

use crate::number::{EXACT_INTEGER_MAX, Number};

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
///
/// The name says two things, and so it serves every width: whether the words come low one first, and whether the two
/// bytes of each word are swapped. The bytes of 0xAABBCCDDEEFFGGHH go AABB CCDD EEFF GGHH, GGHH EEFF CCDD AABB,
/// BBAA DDCC FFEE HHGG and HHGG FFEE DDCC BBAA. In a single word only the second counts.
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

/// Why words could not be read: our own request or settings are wrong, not the device's number.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum WordError {
    /// The field has another width.
    #[error("{kind} lies in {expected} word(s), {found} given", expected = kind.word_count())]
    Count {
        /// What was to be read.
        kind: NumberKind,
        /// Words given.
        found: usize,
    },
    /// The bit field does not lie within one word.
    #[error("bit field of {width} bit(s) from bit {low} does not lie within bits 0 to 15 of one word")]
    BitField {
        /// Lowest bit.
        low: u8,
        /// Number of bits.
        width: u8,
    },
    /// A single bit is 0 or 1.
    #[error("a single bit is 0 or 1, not {0}")]
    NotABit(u16),
    /// A "no value" pattern with more bits than the field, which could never match.
    #[error("no-value pattern {pattern:#x} has more bits than {kind}, which holds up to {max:#x}", max = kind.bits_max())]
    Pattern {
        /// The pattern.
        pattern: u64,
        /// The field.
        kind: NumberKind,
    },
}

/// Why a number cannot be put into words.
#[derive(Clone, Copy, PartialEq, Debug, thiserror::Error)]
pub enum EncodeError {
    /// Outside what the field holds, or a fraction where it holds integers.
    #[error("{value} cannot be held exactly in {kind}")]
    Range {
        /// The number.
        value: f64,
        /// The field.
        kind: NumberKind,
    },
    /// The number's bits are a pattern that means "no value".
    #[error("{value} in {kind} is the pattern that means no value")]
    MeansNoValue {
        /// The number.
        value: f64,
        /// The field.
        kind: NumberKind,
    },
    /// The encoding itself is wrong.
    #[error(transparent)]
    Words(#[from] WordError),
}

/// One to four words, in the order of their registers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Words {
    words: [u16; 4],
    count: usize,
}

impl Words {
    /// The words.
    pub fn as_slice(&self) -> &[u16] {
        &self.words[..self.count]
    }
}

impl Encoding {
    /// In the specification's order, with no "no value" pattern.
    pub fn of(kind: NumberKind) -> Self {
        Self { kind, order: Order::Abcd, no_value: Vec::new() }
    }

    /// Checks that the bit field lies within its word and that every "no value" pattern can occur.
    pub fn check(&self) -> Result<(), WordError> {
        self.kind.check()?;
        match self.no_value.iter().find(|&&pattern| pattern > self.kind.bits_max()) {
            Some(&pattern) => Err(WordError::Pattern { pattern, kind: self.kind }),
            None => Ok(()),
        }
    }

    /// How many registers (or coils) the number lies in: 1, 2 or 4.
    pub const fn word_count(&self) -> u16 {
        self.kind.word_count()
    }

    /// The number in `words`, which are the registers in the order of their addresses, exactly
    /// [`word_count`](Self::word_count) of them. A coil or discrete input is the word 0 or 1.
    pub fn decode(&self, words: &[u16]) -> Result<Number, WordError> {
        let bits = self.bits(words)?;
        if self.no_value.contains(&bits) {
            return Ok(Number::NoValue);
        }
        Ok(match self.kind {
            NumberKind::Bit
            | NumberKind::U16
            | NumberKind::U32
            | NumberKind::U64
            | NumberKind::BitField { .. } => Number::from_unsigned(bits),
            NumberKind::I16 => Number::from_signed(i64::from(bits as u16 as i16)),
            NumberKind::I32 => Number::from_signed(i64::from(bits as u32 as i32)),
            NumberKind::I64 => Number::from_signed(bits as i64),
            NumberKind::F32 => Number::from_float(f64::from(f32::from_bits(bits as u32))),
            NumberKind::F64 => Number::from_float(f64::from_bits(bits)),
        })
    }

    /// All bits of the field in `words`, as "no value" patterns are written.
    fn bits(&self, words: &[u16]) -> Result<u64, WordError> {
        self.kind.check()?;
        if words.len() != usize::from(self.word_count()) {
            return Err(WordError::Count { kind: self.kind, found: words.len() });
        }
        let put = |bits: u64, &word: &u16| bits << 16 | u64::from(self.order.turn_bytes(word));
        match self.kind {
            NumberKind::Bit if words[0] > 1 => Err(WordError::NotABit(words[0])),
            NumberKind::Bit => Ok(u64::from(words[0])),
            NumberKind::BitField { low, .. } => {
                Ok(u64::from(self.order.turn_bytes(words[0])) >> low & self.kind.bits_max())
            }
            _ if self.order.is_low_word_first() => Ok(words.iter().rev().fold(0, put)),
            _ => Ok(words.iter().fold(0, put)),
        }
    }

    /// The words that decode to `value`. Bits of the word outside a bit field are left 0.
    ///
    /// Integers must be whole and in range, a single takes the nearest float. Fails where [`decode`](Self::decode) would not
    /// give the number back.
    pub fn encode(&self, value: f64) -> Result<Words, EncodeError> {
        let kind = self.kind;
        let whole = |low: f64, high: f64| {
            let fits = value.fract() == 0.0 && (low..=high).contains(&value);
            if fits { Ok(value as i64 as u64) } else { Err(EncodeError::Range { value, kind }) }
        };
        let exact = EXACT_INTEGER_MAX as f64;
        let bits = match kind {
            NumberKind::I16 => whole(f64::from(i16::MIN), f64::from(i16::MAX))?,
            NumberKind::I32 => whole(f64::from(i32::MIN), f64::from(i32::MAX))?,
            NumberKind::I64 => whole(-exact, exact)?,
            NumberKind::U64 => whole(0.0, exact)?,
            NumberKind::Bit | NumberKind::U16 | NumberKind::U32 | NumberKind::BitField { .. } => {
                whole(0.0, kind.bits_max() as f64)?
            }
            NumberKind::F32 if (value as f32).is_finite() => u64::from((value as f32).to_bits()),
            NumberKind::F64 if value.is_finite() => value.to_bits(),
            NumberKind::F32 | NumberKind::F64 => return Err(EncodeError::Range { value, kind }),
        };
        let bits = bits & kind.bits_max();
        if self.no_value.contains(&bits) {
            return Err(EncodeError::MeansNoValue { value, kind });
        }
        Ok(self.place(bits)?)
    }

    /// The words that hold these raw bits, "no value" patterns and NaN included. Bits beyond the field are refused.
    pub fn place(&self, bits: u64) -> Result<Words, WordError> {
        self.kind.check()?;
        if bits > self.kind.bits_max() {
            return Err(WordError::Pattern { pattern: bits, kind: self.kind });
        }
        let count = usize::from(self.word_count());
        let mut words = [0; 4];
        if let NumberKind::BitField { low, .. } = self.kind {
            words[0] = self.order.turn_bytes((bits << low) as u16);
        } else if self.kind == NumberKind::Bit {
            words[0] = bits as u16;
        } else {
            for (place, word) in words[..count].iter_mut().enumerate() {
                let from_low = if self.order.is_low_word_first() { place } else { count - 1 - place };
                *word = self.order.turn_bytes((bits >> (16 * from_low)) as u16);
            }
        }
        Ok(Words { words, count })
    }
}

impl NumberKind {
    /// Every kind but the bit fields.
    const NAMED: [(&'static str, Self); 9] = [
        ("bit", Self::Bit),
        ("u16", Self::U16),
        ("i16", Self::I16),
        ("u32", Self::U32),
        ("i32", Self::I32),
        ("u64", Self::U64),
        ("i64", Self::I64),
        ("f32", Self::F32),
        ("f64", Self::F64),
    ];

    /// How many registers (or coils) it lies in: 1, 2 or 4.
    pub const fn word_count(self) -> u16 {
        match self {
            Self::Bit | Self::U16 | Self::I16 | Self::BitField { .. } => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
            Self::U64 | Self::I64 | Self::F64 => 4,
        }
    }

    /// The field with all its bits set; 0 for a bit field outside its word.
    pub const fn bits_max(self) -> u64 {
        match self {
            Self::Bit => 1,
            Self::U16 | Self::I16 => u16::MAX as u64,
            Self::U32 | Self::I32 | Self::F32 => u32::MAX as u64,
            Self::U64 | Self::I64 | Self::F64 => u64::MAX,
            Self::BitField { width, .. } if width <= 16 => (1 << width) - 1,
            Self::BitField { .. } => 0,
        }
    }

    fn check(self) -> Result<(), WordError> {
        match self {
            Self::BitField { low, width } if width == 0 || u16::from(low) + u16::from(width) > 16 => {
                Err(WordError::BitField { low, width })
            }
            _ => Ok(()),
        }
    }
}

impl Order {
    const NAMED: [(&'static str, Self); 4] =
        [("ABCD", Self::Abcd), ("CDAB", Self::Cdab), ("BADC", Self::Badc), ("DCBA", Self::Dcba)];

    const fn is_low_word_first(self) -> bool {
        matches!(self, Self::Cdab | Self::Dcba)
    }

    const fn turn_bytes(self, word: u16) -> u16 {
        match self {
            Self::Abcd | Self::Cdab => word,
            Self::Badc | Self::Dcba => word.swap_bytes(),
        }
    }
}

/// Why a text names no kind of number.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NumberKindError {
    /// No such name.
    #[error(
        "{0:?} is no kind of number; write u16, i16, u32, i32, u64, i64, f32, f64, bit, \"bit 3\" or \"bits 4..7\""
    )]
    Name(String),
    /// Bits that do not lie in a register.
    #[error(
        "{0:?}: the bits of a register are 0 (least significant) to 15, the lower one first, both ends counted"
    )]
    Bits(String),
}

impl FromStr for NumberKind {
    type Err = NumberKindError;

    /// `u16` … `f64`, `bit` (a coil or discrete input), `bit 3` (of a register), `bits 4..7` (of a register; both ends
    /// count, as manuals write it: four bits).
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if let Some((_, kind)) = Self::NAMED.iter().find(|(name, _)| *name == text) {
            return Ok(*kind);
        }
        let (low, high) = if let Some(bits) = text.strip_prefix("bits ") {
            bits.split_once("..").ok_or_else(|| NumberKindError::Name(text.to_owned()))?
        } else if let Some(bit) = text.strip_prefix("bit ") {
            (bit, bit)
        } else {
            return Err(NumberKindError::Name(text.to_owned()));
        };
        match (bit_number(low), bit_number(high)) {
            (Some(low), Some(high)) if low <= high => Ok(Self::BitField { low, width: high - low + 1 }),
            _ => Err(NumberKindError::Bits(text.to_owned())),
        }
    }
}

fn bit_number(text: &str) -> Option<u8> {
    let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    text.parse().ok().filter(|&bit: &u8| digits && bit <= 15)
}

impl fmt::Display for NumberKind {
    /// As it is parsed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self, Self::NAMED.iter().find(|(_, kind)| kind == self)) {
            (_, Some((name, _))) => f.write_str(name),
            (Self::BitField { low, width: 1 }, _) => write!(f, "bit {low}"),
            (Self::BitField { low, width }, _) => {
                write!(f, "bits {low}..{}", i16::from(*low) + i16::from(*width) - 1)
            }
            _ => unreachable!("every other kind is named"),
        }
    }
}

/// Why a text names no order.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error(
    "{0:?} is no order of bytes; write ABCD (the standard's), CDAB (low word first), BADC (bytes of each word swapped) or DCBA (both)"
)]
pub struct OrderError(String);

impl FromStr for Order {
    type Err = OrderError;

    /// `ABCD`, `CDAB`, `BADC`, `DCBA`.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let named = Self::NAMED.iter().find(|(name, _)| *name == text);
        named.map(|(_, order)| *order).ok_or_else(|| OrderError(text.to_owned()))
    }
}

impl fmt::Display for Order {
    /// As it is parsed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let named = Self::NAMED.iter().find(|(_, order)| order == self);
        f.write_str(named.expect("all four orders are named").0)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn encoding(kind: &str, order: &str) -> Encoding {
        Encoding { kind: kind.parse().unwrap(), order: order.parse().unwrap(), no_value: Vec::new() }
    }

    fn value(kind: &str, order: &str, words: &[u16]) -> Number {
        encoding(kind, order).decode(words).unwrap()
    }

    #[test]
    fn the_four_orders_of_a_double_word_and_a_quadruple_word() {
        // 0x0102030405060708 = 72623859790382856 is over 2^53; 0x0002… = 564054967389960 is not (computed by hand).
        let number = Number::Value(0x0002_0102_0304_0708_u64 as f64);
        assert_eq!(value("u64", "ABCD", &[0x0002, 0x0102, 0x0304, 0x0708]), number);
        assert_eq!(value("u64", "CDAB", &[0x0708, 0x0304, 0x0102, 0x0002]), number);
        assert_eq!(value("u64", "BADC", &[0x0200, 0x0201, 0x0403, 0x0807]), number);
        assert_eq!(value("u64", "DCBA", &[0x0807, 0x0403, 0x0201, 0x0200]), number);
        let number = Number::Value(f64::from(0xAABB_CCDD_u32));
        assert_eq!(value("u32", "ABCD", &[0xAABB, 0xCCDD]), number);
        assert_eq!(value("u32", "CDAB", &[0xCCDD, 0xAABB]), number);
        assert_eq!(value("u32", "BADC", &[0xBBAA, 0xDDCC]), number);
        assert_eq!(value("u32", "DCBA", &[0xDDCC, 0xBBAA]), number);
        assert_eq!(value("u16", "CDAB", &[0x0102]), Number::Value(258.0));
        assert_eq!(value("u16", "BADC", &[0x0102]), Number::Value(513.0));
    }

    #[test]
    fn signs_are_kept_at_every_width() {
        assert_eq!(value("i16", "ABCD", &[0xFFFF]), Number::Value(-1.0));
        assert_eq!(value("i16", "ABCD", &[0x8000]), Number::Value(-32768.0));
        assert_eq!(value("i32", "ABCD", &[0xFFFF, 0xFFFE]), Number::Value(-2.0));
        assert_eq!(value("i64", "ABCD", &[0xFFFF, 0xFFFF, 0xFFFF, 0xFFFD]), Number::Value(-3.0));
        assert_eq!(value("u16", "ABCD", &[0xFFFF]), Number::Value(65535.0));
    }

    #[test]
    fn bit_fields_count_from_the_least_significant_bit_and_both_ends() {
        assert_eq!("bits 4..7".parse(), Ok(NumberKind::BitField { low: 4, width: 4 }));
        assert_eq!(value("bits 4..7", "ABCD", &[0xABCD]), Number::Value(12.0));
        assert_eq!(value("bits 0..15", "ABCD", &[0xABCD]), Number::Value(43981.0));
        assert_eq!(value("bit 15", "ABCD", &[0x8000]), Number::Value(1.0));
        assert_eq!(
            value("bit 7", "BADC", &[0x8000]),
            Number::Value(1.0),
            "bytes are turned before bits are counted"
        );
        for wrong in
            ["bits 7..4", "bits 4..16", "bit 16", "bits +4..7", "bits 4..=7", "bits ..7", "bits 4-7", "U16"]
        {
            assert!(wrong.parse::<NumberKind>().is_err(), "{wrong}");
        }
        let outside = Encoding::of(NumberKind::BitField { low: 15, width: 2 });
        assert_eq!(outside.decode(&[0]), Err(WordError::BitField { low: 15, width: 2 }));
        assert!(Encoding::of(NumberKind::BitField { low: 255, width: 255 }).decode(&[0]).is_err());
    }

    #[test]
    fn no_value_patterns_are_compared_on_the_raw_bits() {
        let mut field = encoding("i16", "ABCD");
        field.no_value = vec![0x8000, 0x7FFF];
        assert_eq!(field.decode(&[0x8000]), Ok(Number::NoValue));
        assert_eq!(field.decode(&[0x7FFF]), Ok(Number::NoValue));
        assert_eq!(field.decode(&[0x7FFE]), Ok(Number::Value(32766.0)));
        assert!(matches!(field.encode(-32768.0), Err(EncodeError::MeansNoValue { .. })));
        assert_eq!(field.place(0x8000).unwrap().as_slice(), [0x8000]);
        let mut float = encoding("f32", "CDAB");
        float.no_value = vec![0x7FC0_0000];
        assert_eq!(
            float.decode(&[0x0000, 0x7FC0]),
            Ok(Number::NoValue),
            "this NaN is a sign, any other is not"
        );
        assert_eq!(float.decode(&[0x0001, 0x7FC0]), Ok(Number::NotFinite));
        field.no_value = vec![0x1_0000];
        assert_eq!(field.check(), Err(WordError::Pattern { pattern: 0x1_0000, kind: NumberKind::I16 }));
    }

    #[test]
    fn what_a_double_cannot_hold_is_no_number() {
        assert_eq!(value("f32", "ABCD", &[0x7FC0, 0]), Number::NotFinite);
        assert_eq!(value("f32", "ABCD", &[0xFF80, 0]), Number::NotFinite);
        assert_eq!(value("f32", "ABCD", &[0, 1]), Number::Value(f64::from(f32::from_bits(1))), "subnormal");
        assert_eq!(value("u64", "ABCD", &[0x0020, 0, 0, 0]), Number::Value(9_007_199_254_740_992.0));
        assert_eq!(value("u64", "ABCD", &[0x0020, 0, 0, 1]), Number::TooLarge);
        assert_eq!(value("i64", "ABCD", &[0x8000, 0, 0, 0]), Number::TooLarge);
        assert_eq!(value("i64", "ABCD", &[0xFFE0, 0, 0, 0]), Number::Value(-9_007_199_254_740_992.0));
    }

    #[test]
    fn a_wrong_count_is_our_mistake_and_says_so() {
        let error = encoding("f32", "ABCD").decode(&[1]).unwrap_err();
        assert_eq!(error.to_string(), "f32 lies in 2 word(s), 1 given");
        assert_eq!(encoding("bit", "ABCD").decode(&[2]), Err(WordError::NotABit(2)));
        assert_eq!(encoding("bit", "DCBA").decode(&[1]), Ok(Number::Value(1.0)));
    }

    #[test]
    fn names_read_back() {
        for name in [
            "u16",
            "i16",
            "u32",
            "i32",
            "u64",
            "i64",
            "f32",
            "f64",
            "bit",
            "bit 3",
            "bits 4..7",
            "bits 0..15",
        ] {
            assert_eq!(name.parse::<NumberKind>().unwrap().to_string(), name);
        }
        for name in ["ABCD", "CDAB", "BADC", "DCBA"] {
            assert_eq!(name.parse::<Order>().unwrap().to_string(), name);
        }
        assert!("abcd".parse::<Order>().is_err());
    }

    fn any_kind() -> impl Strategy<Value = NumberKind> {
        let named = prop::sample::select(NumberKind::NAMED.map(|(_, kind)| kind).to_vec());
        let field = (0_u8..16, 0_u8..16)
            .prop_map(|(a, b)| NumberKind::BitField { low: a.min(b), width: a.abs_diff(b) + 1 });
        prop_oneof![3 => named, 1 => field]
    }

    fn any_order() -> impl Strategy<Value = Order> {
        prop::sample::select(Order::NAMED.map(|(_, order)| order).to_vec())
    }

    proptest! {
        #[test]
        fn raw_bits_placed_are_the_bits_found(kind in any_kind(), order in any_order(), bits: u64) {
            let field = Encoding { kind, order, no_value: Vec::new() };
            let bits = bits & kind.bits_max();
            let words = field.place(bits).unwrap();
            prop_assert_eq!(words.as_slice().len(), usize::from(kind.word_count()));
            prop_assert_eq!(field.bits(words.as_slice()), Ok(bits));
        }

        #[test]
        fn what_decodes_encodes_to_what_decodes_alike(kind in any_kind(), order in any_order(), bits: u64) {
            let field = Encoding { kind, order, no_value: Vec::new() };
            let words = field.place(bits & kind.bits_max()).unwrap();
            if let Number::Value(value) = field.decode(words.as_slice()).unwrap() {
                prop_assert!(value.is_finite());
                let again = field.encode(value).unwrap();
                prop_assert_eq!(field.decode(again.as_slice()), Ok(Number::Value(value)));
            }
        }

        #[test]
        fn what_encodes_decodes_to_itself(kind in any_kind(), order in any_order(), value in prop_oneof![
            any::<f64>(), any::<i16>().prop_map(f64::from), any::<u32>().prop_map(f64::from), 0.0..20.0,
        ]) {
            let field = Encoding { kind, order, no_value: vec![0xFFFF] };
            if let Ok(words) = field.encode(value) {
                let expected = if kind == NumberKind::F32 { f64::from(value as f32) } else { value };
                prop_assert_eq!(field.decode(words.as_slice()), Ok(Number::Value(expected)));
            }
        }
    }
}
