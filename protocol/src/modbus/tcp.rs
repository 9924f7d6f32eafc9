//! Frames on TCP: MBAP header and PDU (Modbus Messaging on TCP/IP V1.0b, 3.1.3).

use super::PDU_BYTES_MAX;

/// Transaction id, protocol id, length, unit id.
pub const HEADER_BYTES: usize = 7;

/// A frame whose header is right.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Frame<'a> {
    /// The client's number for the request; the reply carries it back.
    pub transaction_id: u16,
    /// Whom it is for or from.
    pub unit_id: u8,
    /// Function code and data.
    pub pdu: &'a [u8],
}

/// Why bytes are no frame. The stream is lost then: nothing tells where the next frame begins.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum FrameError {
    /// Not Modbus.
    #[error("protocol id {0} where 0 stands for Modbus")]
    Protocol(u16),
    /// A length that no PDU has.
    #[error("length field {0}; unit id and PDU take 2 to 254 bytes")]
    Length(usize),
}

/// Appends the frame around `pdu`. Refuses an empty PDU or one longer than the standard allows.
pub fn encode(transaction_id: u16, unit_id: u8, pdu: &[u8], out: &mut Vec<u8>) -> Result<(), FrameError> {
    let length = pdu.len() + 1;
    if pdu.is_empty() || pdu.len() > PDU_BYTES_MAX {
        return Err(FrameError::Length(length));
    }
    out.extend(transaction_id.to_be_bytes());
    out.extend([0, 0]);
    out.extend((length as u16).to_be_bytes());
    out.push(unit_id);
    out.extend_from_slice(pdu);
    Ok(())
}

/// The first frame in `stream` and how many bytes it takes; `None` while it is incomplete.
pub fn decode(stream: &[u8]) -> Result<Option<(Frame<'_>, usize)>, FrameError> {
    if let &[_, _, high, low, ..] = stream
        && (high, low) != (0, 0)
    {
        return Err(FrameError::Protocol(u16::from_be_bytes([high, low])));
    }
    let &[transaction_high, transaction_low, _, _, length_high, length_low, ref rest @ ..] = stream else {
        return Ok(None);
    };
    let length = usize::from(u16::from_be_bytes([length_high, length_low]));
    if !(2..=PDU_BYTES_MAX + 1).contains(&length) {
        return Err(FrameError::Length(length));
    }
    let Some((&unit_id, pdu)) = rest.get(..length).and_then(<[u8]>::split_first) else { return Ok(None) };
    let transaction_id = u16::from_be_bytes([transaction_high, transaction_low]);
    Ok(Some((Frame { transaction_id, unit_id, pdu }, HEADER_BYTES - 1 + length)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn frames_read_back_from_a_stream_cut_anywhere(transaction_id: u16, unit_id: u8, pdu in prop::collection::vec(any::<u8>(), 1..254), tail in prop::collection::vec(any::<u8>(), 0..9), cut: prop::sample::Index) {
            let mut stream = Vec::new();
            encode(transaction_id, unit_id, &pdu, &mut stream).unwrap();
            let whole = stream.len();
            prop_assert_eq!(decode(&stream[..cut.index(whole)]), Ok(None));
            stream.extend(tail);
            prop_assert_eq!(decode(&stream), Ok(Some((Frame { transaction_id, unit_id, pdu: &pdu }, whole))));
        }
    }

    #[test]
    fn what_is_not_modbus_is_refused_as_soon_as_it_shows() {
        assert_eq!(decode(&[0, 1, 0]), Ok(None));
        assert_eq!(decode(&[0, 1, 0, 7]), Err(FrameError::Protocol(7)));
        assert_eq!(decode(b"GET / HTTP/1.1"), Err(FrameError::Protocol(0x5420)));
        assert_eq!(decode(&[0, 1, 0, 0, 0, 1]), Err(FrameError::Length(1)));
        assert_eq!(decode(&[0, 1, 0, 0, 0, 255]), Err(FrameError::Length(255)));
        assert_eq!(decode(&[0, 1, 0, 0, 0, 254]), Ok(None));
    }
}
