//! A stream that lets no oversized message through.
//!
//! The client library breaks the connection at a packet over its limit; the broker then sends the same packet again
//! after every reconnect, for ever, and nothing behind it arrives. So the sieve sits between socket and library: of a
//! PUBLISH longer than the limit it passes on the topic and the packet id with a [`Mark`] for a payload, and drops the
//! payload as it comes, in constant memory. The message is then refused, counted and acknowledged like any other.
//!
//! It knows the fixed header and the head of a PUBLISH (MQTT 3.1.1, 2.2 and 3.3) and nothing else of the protocol.

use std::collections::hash_map::RandomState;
use std::hash::{BuildHasher, Hasher};
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

/// Longest head of a PUBLISH: length of the topic, a topic of 65 535 bytes, packet id.
const PUBLISH_HEAD_MAX: usize = 2 + u16::MAX as usize + 2;

/// Read from the socket at once.
const READ_BYTES: usize = 16 * 1024;

/// What stands in for a payload that was dropped. Drawn anew for each connection, so that no publisher can forge it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Mark([u8; 16]);

impl Mark {
    /// A new one.
    pub(super) fn draw() -> Self {
        // The standard library's only source of random numbers; two of them make 128 bits.
        let word = |n: u8| {
            let mut hasher = RandomState::new().build_hasher();
            hasher.write_u8(n);
            hasher.finish().to_be_bytes()
        };
        let mut bytes = [0; 16];
        bytes[..8].copy_from_slice(&word(0));
        bytes[8..].copy_from_slice(&word(1));
        Self(bytes)
    }

    /// Whether this payload stands for one that was dropped.
    pub(super) fn is(self, payload: &[u8]) -> bool {
        payload == self.0
    }
}

/// Where the sieve stands in the stream.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum State {
    /// Before a fixed header.
    Header,
    /// In a packet that goes through: bytes left.
    Pass(usize),
    /// In a PUBLISH that is too long, its head not yet whole: first byte and remaining length.
    Head(u8, usize),
    /// In a payload that is dropped: bytes left.
    Drop(usize),
    /// Something that is no MQTT came: all goes through, the library will say so.
    Open,
}

/// The stream with oversized messages cut.
pub(super) struct Sieve<S> {
    inner: S,
    mark: Mark,
    payload_max: usize,
    state: State,
    /// Read but not yet looked at.
    raw: Vec<u8>,
    /// Written anew and not yet handed out.
    out: Vec<u8>,
}

impl<S> Sieve<S> {
    /// Packets whose remaining length is over `packet_bytes_max` are cut and marked.
    pub(super) fn new(inner: S, packet_bytes_max: usize, mark: Mark) -> Self {
        Self {
            inner,
            mark,
            payload_max: packet_bytes_max,
            state: State::Header,
            raw: Vec::new(),
            out: Vec::new(),
        }
    }

    /// Most that a packet can have left after the sieve, for the library's own limit.
    pub(super) fn remaining_max(packet_bytes_max: usize) -> usize {
        packet_bytes_max.max(PUBLISH_HEAD_MAX + 16)
    }

    /// Moves on as far as the bytes at hand allow; true if there is something to hand out.
    fn advance(&mut self, room: usize) -> bool {
        loop {
            if !self.out.is_empty() {
                return true;
            }
            match self.state {
                State::Header => match fixed_header(&self.raw) {
                    Header::Short => return false,
                    Header::Broken => self.state = State::Open,
                    Header::Whole { first, remaining, len } => {
                        if first >> 4 == 3 && remaining > self.payload_max {
                            self.raw.drain(..len);
                            self.state = State::Head(first, remaining);
                        } else {
                            self.state = State::Pass(len + remaining);
                        }
                    }
                },
                State::Pass(left) => {
                    if left == 0 {
                        self.state = State::Header;
                        continue;
                    }
                    let n = left.min(self.raw.len()).min(room);
                    if n == 0 {
                        return false;
                    }
                    self.out.extend(self.raw.drain(..n));
                    self.state = State::Pass(left - n);
                }
                State::Head(first, remaining) => match publish_head_len(first, &self.raw) {
                    None => return false,
                    // The library will find the packet malformed, and say so.
                    Some(len) if len > remaining => self.state = State::Open,
                    Some(len) => {
                        self.out.push(first);
                        push_length(&mut self.out, len + self.mark.0.len());
                        self.out.extend(self.raw.drain(..len));
                        self.out.extend_from_slice(&self.mark.0);
                        self.state = State::Drop(remaining - len);
                    }
                },
                State::Drop(left) => {
                    if left == 0 {
                        self.state = State::Header;
                        continue;
                    }
                    let n = left.min(self.raw.len());
                    if n == 0 {
                        return false;
                    }
                    self.raw.drain(..n);
                    self.state = State::Drop(left - n);
                }
                State::Open => {
                    self.out.append(&mut self.raw);
                    return !self.out.is_empty();
                }
            }
        }
    }
}

/// A fixed header at the start of some bytes.
enum Header {
    /// Not all there yet.
    Short,
    /// A length of more than four bytes.
    Broken,
    /// First byte, remaining length, and how long the header itself is.
    Whole { first: u8, remaining: usize, len: usize },
}

fn fixed_header(bytes: &[u8]) -> Header {
    let mut remaining = 0;
    for n in 0..4 {
        let Some(byte) = bytes.get(1 + n) else { return Header::Short };
        remaining |= usize::from(byte & 0x7F) << (7 * n);
        if byte & 0x80 == 0 {
            return Header::Whole { first: bytes[0], remaining, len: 2 + n };
        }
    }
    Header::Broken
}

/// Length of topic and packet id at the start of a PUBLISH, if all of it is there.
fn publish_head_len(first: u8, bytes: &[u8]) -> Option<usize> {
    let topic = usize::from(u16::from_be_bytes([*bytes.first()?, *bytes.get(1)?]));
    let packet_id = if first & 0b0110 == 0 { 0 } else { 2 };
    let len = 2 + topic + packet_id;
    (bytes.len() >= len).then_some(len)
}

fn push_length(out: &mut Vec<u8>, mut length: usize) {
    loop {
        let byte = (length & 0x7F) as u8;
        length >>= 7;
        if length == 0 {
            return out.push(byte);
        }
        out.push(byte | 0x80);
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Sieve<S> {
    fn poll_read(self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let sieve = self.get_mut();
        loop {
            if sieve.advance(buf.remaining()) {
                let n = sieve.out.len().min(buf.remaining());
                buf.put_slice(&sieve.out[..n]);
                sieve.out.drain(..n);
                return Poll::Ready(Ok(()));
            }
            let mut chunk = [0; READ_BYTES];
            let mut read = ReadBuf::new(&mut chunk);
            ready!(Pin::new(&mut sieve.inner).poll_read(cx, &mut read))?;
            if read.filled().is_empty() {
                return Poll::Ready(Ok(()));
            }
            sieve.raw.extend_from_slice(read.filled());
        }
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Sieve<S> {
    fn poll_write(self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.get_mut().inner).poll_write(cx, bytes)
    }

    fn poll_flush(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().inner).poll_flush(cx)
    }

    fn poll_shutdown(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().inner).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    use super::*;

    /// MQTT 3.1.1, 3.3: a PUBLISH of this QoS, packet id 7.
    fn publish(qos: u8, topic: &[u8], payload: &[u8]) -> Vec<u8> {
        let mut body = (topic.len() as u16).to_be_bytes().to_vec();
        body.extend_from_slice(topic);
        if qos > 0 {
            body.extend_from_slice(&[0, 7]);
        }
        body.extend_from_slice(payload);
        let mut packet = vec![0x30 | qos << 1];
        push_length(&mut packet, body.len());
        packet.extend(body);
        packet
    }

    /// What comes out when `stream` comes in pieces of `piece` bytes.
    fn sifted(stream: &[u8], piece: usize, packet_bytes_max: usize, mark: Mark) -> Vec<u8> {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        runtime.block_on(async {
            let (mut near, far) = duplex(piece);
            let mut sieve = Sieve::new(far, packet_bytes_max, mark);
            let stream = stream.to_vec();
            let writer = tokio::spawn(async move {
                for part in stream.chunks(piece) {
                    near.write_all(part).await.unwrap();
                }
            });
            let mut out = Vec::new();
            sieve.read_to_end(&mut out).await.unwrap();
            writer.await.unwrap();
            assert!(sieve.raw.capacity() <= 4 * (READ_BYTES + PUBLISH_HEAD_MAX), "memory stays bounded");
            out
        })
    }

    #[test]
    fn a_long_message_becomes_a_marked_one_and_the_next_goes_through() {
        let mark = Mark::draw();
        for qos in [0, 1] {
            let next = publish(qos, b"a/c", b"3.5");
            let stream = [publish(qos, b"a/b", &[b'9'; 5_000]), next.clone()].concat();
            let expected = [publish(qos, b"a/b", &mark.0), next].concat();
            for piece in [1, 7, 4096] {
                assert_eq!(sifted(&stream, piece, 1000, mark), expected, "QoS {qos}, pieces of {piece}");
            }
        }
        assert!(mark.is(&mark.0) && !mark.is(b"") && mark != Mark::draw());
    }

    #[test]
    fn a_topic_longer_than_the_limit_is_kept_whole() {
        let mark = Mark::draw();
        let topic = vec![b't'; usize::from(u16::MAX)];
        let out = sifted(&publish(1, &topic, &[0; 100]), 4096, 10, mark);
        assert_eq!(out, publish(1, &topic, &mark.0));
        assert!(out.len() - 4 <= Sieve::<()>::remaining_max(10));
    }

    #[test]
    fn what_is_no_mqtt_goes_through_for_the_library_to_refuse() {
        let nonsense = [0x30, 0xFF, 0xFF, 0xFF, 0xFF, 1, 2, 3];
        assert_eq!(sifted(&nonsense, 3, 10, Mark::draw()), nonsense);
        // A PUBLISH whose topic is longer than the packet.
        let lie = [vec![0x30, 100, 0xFF, 0xFF], vec![b'x'; 70_000]].concat();
        assert_eq!(sifted(&lie, 4096, 10, Mark::draw()).len(), lie.len() - 2);
    }

    proptest! {
        #[test]
        fn nothing_under_the_limit_is_changed(
            packets in prop::collection::vec((0u8..2, prop::collection::vec(any::<u8>(), 0..300)), 0..20),
            piece in 1usize..500,
        ) {
            let stream: Vec<u8> = packets.iter().flat_map(|(qos, p)| publish(*qos, b"x", p)).collect();
            prop_assert_eq!(sifted(&stream, piece, 400, Mark::draw()), stream);
        }

        #[test]
        fn no_bytes_make_it_panic(stream in prop::collection::vec(any::<u8>(), 0..3000), piece in 1usize..100) {
            sifted(&stream, piece, 50, Mark::draw());
        }
    }
}
