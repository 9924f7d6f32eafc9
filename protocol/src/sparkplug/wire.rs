//! Bytes to fields and back: the wire format of protocol buffers (protobuf.dev, "Encoding").
//!
//! Knows tags, varints, fixed widths and length-delimited fields. Groups, which nothing in a payload is, are refused. What a
//! field means is not known here.

use super::DecodeError;

/// Most bytes of a varint: 64 bits, seven in each.
const VARINT_BYTES_MAX: usize = 10;

/// Greatest number of a field.
const FIELD_MAX: u64 = (1 << 29) - 1;

/// One field as it came.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Content<'a> {
    /// Wire type 0.
    Varint(u64),
    /// Wire type 1.
    Fixed64([u8; 8]),
    /// Wire type 2.
    Bytes(&'a [u8]),
    /// Wire type 5.
    Fixed32([u8; 4]),
}

/// The fields of one message, in their order.
#[derive(Clone, Debug)]
pub(super) struct Fields<'a>(&'a [u8]);

impl<'a> Fields<'a> {
    pub(super) fn of(message: &'a [u8]) -> Self {
        Self(message)
    }

    /// Number and content of the next field; none at the end.
    pub(super) fn next(&mut self) -> Result<Option<(u32, Content<'a>)>, DecodeError> {
        if self.0.is_empty() {
            return Ok(None);
        }
        let tag = self.varint()?;
        let (number, wire_type) = (tag >> 3, tag & 7);
        if !(1..=FIELD_MAX).contains(&number) {
            return Err(DecodeError::FieldNumber(number));
        }
        let content = match wire_type {
            0 => Content::Varint(self.varint()?),
            1 => Content::Fixed64(self.fixed()?),
            2 => Content::Bytes(self.bytes()?),
            5 => Content::Fixed32(self.fixed()?),
            other => return Err(DecodeError::WireType(other as u8)),
        };
        Ok(Some((number as u32, content)))
    }

    fn varint(&mut self) -> Result<u64, DecodeError> {
        let mut value = 0_u64;
        for place in 0..VARINT_BYTES_MAX {
            let (&byte, rest) = self.0.split_first().ok_or(DecodeError::Ends)?;
            self.0 = rest;
            let bits = u64::from(byte & 0x7F);
            // Of the tenth byte there is room for one bit.
            if place + 1 == VARINT_BYTES_MAX && bits > 1 {
                return Err(DecodeError::Varint);
            }
            value |= bits << (7 * place);
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(DecodeError::Varint)
    }

    fn bytes(&mut self) -> Result<&'a [u8], DecodeError> {
        let length = usize::try_from(self.varint()?).map_err(|_| DecodeError::Ends)?;
        let (bytes, rest) = self.0.split_at_checked(length).ok_or(DecodeError::Ends)?;
        self.0 = rest;
        Ok(bytes)
    }

    fn fixed<const N: usize>(&mut self) -> Result<[u8; N], DecodeError> {
        let (bytes, rest) = self.0.split_first_chunk().ok_or(DecodeError::Ends)?;
        self.0 = rest;
        Ok(*bytes)
    }
}

/// Appends a varint field.
pub(super) fn put_varint(field: u32, value: u64, out: &mut Vec<u8>) {
    put_tag(field, 0, out);
    put_number(value, out);
}

/// Appends a field of 64 bits.
pub(super) fn put_fixed64(field: u32, bytes: [u8; 8], out: &mut Vec<u8>) {
    put_tag(field, 1, out);
    out.extend(bytes);
}

/// Appends a length-delimited field: a text, bytes, or a message that was written before.
pub(super) fn put_bytes(field: u32, bytes: &[u8], out: &mut Vec<u8>) {
    put_tag(field, 2, out);
    put_number(bytes.len() as u64, out);
    out.extend_from_slice(bytes);
}

/// Appends a field of 32 bits.
pub(super) fn put_fixed32(field: u32, bytes: [u8; 4], out: &mut Vec<u8>) {
    put_tag(field, 5, out);
    out.extend(bytes);
}

fn put_tag(field: u32, wire_type: u32, out: &mut Vec<u8>) {
    put_number(u64::from(field << 3 | wire_type), out);
}

fn put_number(mut value: u64, out: &mut Vec<u8>) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn what_is_put_is_found_in_its_order(
            number in 1_u32..1 << 29, value: u64, bytes in prop::collection::vec(any::<u8>(), 0..200), long: [u8; 8], short: [u8; 4]
        ) {
            let mut out = Vec::new();
            put_varint(number, value, &mut out);
            put_bytes(number, &bytes, &mut out);
            put_fixed64(number, long, &mut out);
            put_fixed32(number, short, &mut out);
            let mut fields = Fields::of(&out);
            for content in
                [Content::Varint(value), Content::Bytes(&bytes), Content::Fixed64(long), Content::Fixed32(short)]
            {
                prop_assert_eq!(fields.next(), Ok(Some((number, content))));
            }
            prop_assert_eq!(fields.next(), Ok(None));
        }

        #[test]
        fn a_message_that_was_cut_ends_or_says_so(number in 1_u32..1 << 29, bytes in prop::collection::vec(any::<u8>(), 1..50)) {
            let mut out = Vec::new();
            put_bytes(number, &bytes, &mut out);
            for cut in 1..out.len() {
                prop_assert_eq!(Fields::of(&out[..cut]).next(), Err(DecodeError::Ends));
            }
        }
    }

    #[test]
    fn the_examples_of_the_encoding() {
        // protobuf.dev, "Encoding": 150 in field 1, "testing" in field 2.
        assert_eq!(Fields::of(&[0x08, 0x96, 0x01]).next(), Ok(Some((1, Content::Varint(150)))));
        let testing = [&[0x12, 0x07], &b"testing"[..]].concat();
        assert_eq!(Fields::of(&testing).next(), Ok(Some((2, Content::Bytes(b"testing")))));
    }

    #[test]
    fn what_no_encoder_writes_is_refused() {
        for (bytes, error) in [
            (&[0x00, 0x01][..], DecodeError::FieldNumber(0)),
            (&[0x0B], DecodeError::WireType(3)),
            (&[0x0C], DecodeError::WireType(4)),
            (&[0x0E], DecodeError::WireType(6)),
            (&[0x80; 11], DecodeError::Varint),
            (&[0x08, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x02], DecodeError::Varint),
            (&[0x12, 0xFF, 0xFF, 0xFF, 0xFF, 0x0F], DecodeError::Ends),
        ] {
            assert_eq!(Fields::of(bytes).next(), Err(error), "{bytes:02X?}");
        }
        let most = [0x08, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x01];
        assert_eq!(Fields::of(&most).next(), Ok(Some((1, Content::Varint(u64::MAX)))));
    }
}
