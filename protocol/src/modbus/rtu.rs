//! Frames on a serial line: unit id, PDU, check sum (Modbus over Serial Line V1.02, 2.5.1).

use super::{PDU_BYTES_MAX, RTU_ADU_BYTES_MAX};

/// Unit id and check sum around a PDU.
pub const FRAME_EXTRA_BYTES: usize = 3;
/// Bytes of every read request on the wire.
pub const REQUEST_BYTES: usize = FRAME_EXTRA_BYTES + super::pdu::REQUEST_BYTES;

/// A frame with a right check sum.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Frame<'a> {
    /// Whom it is for or from.
    pub unit_id: u8,
    /// Function code and data.
    pub pdu: &'a [u8],
}

/// Why bytes are no frame.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum FrameError {
    /// Too short for any frame, or longer than the standard allows.
    #[error("{0} bytes; a frame has 4 to 256")]
    Length(usize),
    /// The check sum does not fit the bytes before it.
    #[error("check sum {found:04X} where the bytes give {expected:04X}")]
    Crc {
        /// Of the bytes.
        expected: u16,
        /// In the frame.
        found: u16,
    },
}

/// CRC-16 of the serial line guide (V1.02, 6.2.2): start 0xFFFF, polynomial 0xA001 reflected. Goes low byte first.
pub fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, &byte| crc >> 8 ^ CRC_TABLE[usize::from(crc as u8 ^ byte)])
}

const CRC_TABLE: [u16; 256] = {
    let mut table = [0; 256];
    let mut byte = 0;
    while byte < table.len() {
        let mut crc = byte as u16;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 };
            bit += 1;
        }
        table[byte] = crc;
        byte += 1;
    }
    table
};

/// Appends the frame around `pdu`. Refuses an empty PDU or one longer than the standard allows.
pub fn encode(unit_id: u8, pdu: &[u8], out: &mut Vec<u8>) -> Result<(), FrameError> {
    if pdu.is_empty() || pdu.len() > PDU_BYTES_MAX {
        return Err(FrameError::Length(pdu.len() + FRAME_EXTRA_BYTES));
    }
    let start = out.len();
    out.push(unit_id);
    out.extend_from_slice(pdu);
    let crc = crc16(&out[start..]);
    out.extend(crc.to_le_bytes());
    Ok(())
}

/// The frame that `bytes` are, all of them: on the wire silence ends a frame, not its content.
pub fn decode(bytes: &[u8]) -> Result<Frame<'_>, FrameError> {
    if bytes.len() > RTU_ADU_BYTES_MAX {
        return Err(FrameError::Length(bytes.len()));
    }
    let &[unit_id, ref pdu @ .., crc_low, crc_high] = bytes else {
        return Err(FrameError::Length(bytes.len()));
    };
    if pdu.is_empty() {
        return Err(FrameError::Length(bytes.len()));
    }
    let expected = crc16(&bytes[..bytes.len() - 2]);
    let found = u16::from_le_bytes([crc_low, crc_high]);
    if expected != found {
        return Err(FrameError::Crc { expected, found });
    }
    Ok(Frame { unit_id, pdu })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn frames_read_back_and_no_single_bit_error_passes(unit_id: u8, pdu in prop::collection::vec(any::<u8>(), 1..254), flip: prop::sample::Index) {
            let mut bytes = Vec::new();
            encode(unit_id, &pdu, &mut bytes).unwrap();
            prop_assert_eq!(decode(&bytes), Ok(Frame { unit_id, pdu: &pdu }));
            let bit = flip.index(8 * bytes.len());
            bytes[bit / 8] ^= 1 << (bit % 8);
            let damaged = matches!(decode(&bytes), Err(FrameError::Crc { .. }));
            prop_assert!(damaged);
        }
    }

    #[test]
    fn lengths_are_the_standards() {
        assert_eq!(decode(&[1, 2, 3]), Err(FrameError::Length(3)));
        assert_eq!(encode(1, &[], &mut Vec::new()), Err(FrameError::Length(3)));
        assert_eq!(encode(1, &[0; 254], &mut Vec::new()), Err(FrameError::Length(257)));
        let mut bytes = Vec::new();
        encode(1, &[0; 253], &mut bytes).unwrap();
        assert_eq!(bytes.len(), RTU_ADU_BYTES_MAX);
        assert!(decode(&bytes).is_ok());
        bytes.push(0);
        assert_eq!(decode(&bytes), Err(FrameError::Length(257)));
    }
}
