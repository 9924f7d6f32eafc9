//! What can go wrong with a reply, as a list of things to do with its bytes.

use std::collections::VecDeque;
use std::time::Duration;

use sumpwarden_protocol::modbus::rtu::crc16;

use crate::rng::Rng;

/// One thing that goes wrong with a reply.
#[derive(Clone, PartialEq, Debug)]
pub enum Fault {
    /// No reply.
    Silent,
    /// The reply comes that much later; meanwhile the device answers nobody on this connection or line.
    Slow(Duration),
    /// The reply comes that much later; meanwhile the device answers other requests.
    Late(Duration),
    /// The reply comes twice.
    Twice,
    /// The reply names another unit.
    WrongUnit,
    /// The reply names another function.
    WrongFunction,
    /// The byte count in the reply is too great by two.
    WrongByteCount,
    /// The reply carries another transaction id (TCP only).
    WrongTransaction,
    /// The MBAP header says another protocol (TCP only).
    ProtocolId(u16),
    /// The MBAP header says another length (TCP only).
    LengthField(u16),
    /// An exception of this code.
    Exception(u8),
    /// Only the first bytes, then silence.
    Truncated(usize),
    /// Only the first bytes, then the connection closes (on a line: silence).
    CutOff(usize),
    /// One bit of the frame is wrong, counted from its first byte's lowest; the check sum is left as it was (RTU), so
    /// that it no longer fits.
    FlippedBit(usize),
    /// These bytes, then the reply.
    NoiseBefore(Vec<u8>),
    /// The reply, then these bytes.
    NoiseAfter(Vec<u8>),
    /// So many bytes of noise instead of a reply.
    Flood(usize),
    /// The connection is reset (on a line: silence).
    Reset,
    /// The connection closes in good order (on a line: silence).
    Close,
    /// Byte by byte with this pause between two.
    Pieces(Duration),
}

/// How often a fault is played.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Times {
    /// On the next so many requests.
    Next(u32),
    /// On every request until [`super::Bank::heal`].
    Always,
    /// On each request with this chance, drawn from this seed, until [`super::Bank::heal`].
    Chance {
        /// 0 to 1.
        chance: f64,
        /// Seed of the draws.
        seed: u64,
    },
    /// Not on so many requests, then on one.
    After(u32),
}

/// Faults still to be played.
#[derive(Clone, Debug, Default)]
pub(super) struct Script {
    entries: VecDeque<Entry>,
}

#[derive(Clone, Debug)]
struct Entry {
    fault: Fault,
    times: Times,
    rng: Rng,
}

impl Script {
    pub(super) fn push(&mut self, fault: Fault, times: Times) {
        let seed = if let Times::Chance { seed, .. } = times { seed } else { 0 };
        self.entries.push_back(Entry { fault, times, rng: Rng::new(seed) });
    }

    pub(super) fn clear(&mut self) {
        self.entries.clear();
    }

    /// The fault for the next request. Chances stand side by side with the rest of the script: each is drawn until one
    /// strikes; of the others the first is at work.
    pub(super) fn next(&mut self) -> Option<Fault> {
        for entry in &mut self.entries {
            if let Times::Chance { chance, .. } = entry.times
                && entry.rng.chance(chance)
            {
                return Some(entry.fault.clone());
            }
        }
        let index = self.entries.iter().position(|entry| !matches!(entry.times, Times::Chance { .. }))?;
        let entry = &mut self.entries[index];
        let (strikes, left) = match entry.times {
            Times::Next(0) => (false, None),
            Times::Next(count) => (true, (count > 1).then_some(Times::Next(count - 1))),
            Times::After(0) => (true, None),
            Times::After(count) => (false, Some(Times::After(count - 1))),
            Times::Always | Times::Chance { .. } => (true, Some(entry.times)),
        };
        let fault = strikes.then(|| entry.fault.clone());
        match left {
            Some(times) => entry.times = times,
            None => drop(self.entries.remove(index)),
        }
        fault
    }
}

/// How a frame is built around a PDU.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Framing {
    /// MBAP header.
    Tcp,
    /// Unit id and check sum.
    Rtu,
}

/// Something to do with the wire.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Step {
    Send(Vec<u8>),
    Close,
    Reset,
}

/// What is done for one reply: each step at its time after the request was complete.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Play {
    pub(super) steps: Vec<(Duration, Step)>,
    /// The device answers others before this is over.
    pub(super) aside: bool,
}

/// What a fault makes of the frame of a reply. Without a fault, the frame at once.
pub(super) fn play(frame: Vec<u8>, framing: Framing, fault: Option<&Fault>) -> Play {
    let now = Duration::ZERO;
    let pdu_at = match framing {
        Framing::Tcp => 7,
        Framing::Rtu => 1,
    };
    let steps = match fault {
        None | Some(Fault::Exception(_)) => vec![(now, Step::Send(frame))],
        Some(Fault::Silent) => Vec::new(),
        Some(Fault::Slow(by) | Fault::Late(by)) => vec![(*by, Step::Send(frame))],
        Some(Fault::Twice) => vec![(now, Step::Send(frame.clone())), (now, Step::Send(frame))],
        Some(Fault::WrongUnit) => vec![(now, Step::Send(changed(frame, framing, pdu_at - 1, |b| b ^ 0x40)))],
        Some(Fault::WrongFunction) => vec![(now, Step::Send(changed(frame, framing, pdu_at, |b| b ^ 0x07)))],
        Some(Fault::WrongByteCount) => {
            vec![(now, Step::Send(changed(frame, framing, pdu_at + 1, |b| b.wrapping_add(2))))]
        }
        Some(Fault::WrongTransaction) => vec![(now, Step::Send(header(frame, framing, 0, None)))],
        Some(Fault::ProtocolId(id)) => vec![(now, Step::Send(header(frame, framing, 2, Some(*id))))],
        Some(Fault::LengthField(length)) => vec![(now, Step::Send(header(frame, framing, 4, Some(*length))))],
        Some(Fault::Truncated(bytes)) => vec![(now, Step::Send(first(frame, *bytes)))],
        Some(Fault::CutOff(bytes)) => vec![(now, Step::Send(first(frame, *bytes))), (now, Step::Close)],
        Some(Fault::FlippedBit(bit)) => vec![(now, Step::Send(flipped(frame, *bit)))],
        Some(Fault::NoiseBefore(noise)) => vec![(now, Step::Send([noise.clone(), frame].concat()))],
        Some(Fault::NoiseAfter(noise)) => vec![(now, Step::Send([frame, noise.clone()].concat()))],
        Some(Fault::Flood(bytes)) => vec![(now, Step::Send(noise(*bytes)))],
        Some(Fault::Reset) => vec![(now, Step::Reset)],
        Some(Fault::Close) => vec![(now, Step::Close)],
        Some(Fault::Pieces(pause)) => frame
            .into_iter()
            .enumerate()
            .map(|(i, byte)| (*pause * i as u32, Step::Send(vec![byte])))
            .collect(),
    };
    Play { steps, aside: matches!(fault, Some(Fault::Late(_))) }
}

/// One byte changed, the check sum made to fit again: what a device that answers wrongly sends, not what a bad line makes.
fn changed(mut frame: Vec<u8>, framing: Framing, at: usize, change: impl Fn(u8) -> u8) -> Vec<u8> {
    if let Some(byte) = frame.get_mut(at) {
        *byte = change(*byte);
    }
    if framing == Framing::Rtu && frame.len() > 2 {
        frame.truncate(frame.len() - 2);
        let crc = crc16(&frame);
        frame.extend(crc.to_le_bytes());
    }
    frame
}

/// Two bytes of an MBAP header changed: to `value`, or, where there is none, to something else.
fn header(mut frame: Vec<u8>, framing: Framing, at: usize, value: Option<u16>) -> Vec<u8> {
    if framing == Framing::Tcp {
        let found = u16::from_be_bytes([frame[at], frame[at + 1]]);
        frame[at..at + 2].copy_from_slice(&value.unwrap_or(found ^ 0x5A5A).to_be_bytes());
    }
    frame
}

fn first(mut frame: Vec<u8>, bytes: usize) -> Vec<u8> {
    frame.truncate(bytes);
    frame
}

fn flipped(mut frame: Vec<u8>, bit: usize) -> Vec<u8> {
    let at = bit % (8 * frame.len());
    frame[at / 8] ^= 1 << (at % 8);
    frame
}

fn noise(bytes: usize) -> Vec<u8> {
    let mut rng = Rng::new(bytes as u64);
    (0..bytes).map(|_| rng.bits() as u8).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Unit 17 reads holding registers 108 to 110 (V1.1b3, 6.3), framed for RTU.
    const RTU: [u8; 11] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0, 0, 0, 0x64, 0xC8, 0xBA];

    fn sent(fault: &Fault) -> Vec<u8> {
        let play = play(RTU.to_vec(), Framing::Rtu, Some(fault));
        play.steps
            .into_iter()
            .flat_map(|(_, step)| if let Step::Send(bytes) = step { bytes } else { vec![] })
            .collect()
    }

    #[test]
    fn a_device_s_wrong_reply_has_a_right_check_sum_and_a_bad_line_s_has_not() {
        for fault in [Fault::WrongUnit, Fault::WrongFunction, Fault::WrongByteCount] {
            let frame = sent(&fault);
            assert_ne!(frame, RTU, "{fault:?}");
            assert!(sumpwarden_protocol::modbus::rtu::decode(&frame).is_ok(), "{fault:?}");
        }
        for bit in 0..88 {
            assert!(sumpwarden_protocol::modbus::rtu::decode(&sent(&Fault::FlippedBit(bit))).is_err());
        }
    }

    #[test]
    fn bytes_come_as_the_fault_says() {
        assert!(sent(&Fault::Silent).is_empty());
        assert_eq!(sent(&Fault::Twice), [RTU, RTU].concat());
        assert_eq!(sent(&Fault::Truncated(4)), RTU[..4]);
        assert_eq!(sent(&Fault::NoiseBefore(vec![0, 0xFF])), [&[0, 0xFF], &RTU[..]].concat());
        assert_eq!(sent(&Fault::NoiseAfter(vec![7])), [&RTU[..], &[7]].concat());
        assert_eq!(sent(&Fault::Flood(1000)).len(), 1000);
        let pieces = play(RTU.to_vec(), Framing::Rtu, Some(&Fault::Pieces(Duration::from_millis(5))));
        assert_eq!(pieces.steps.len(), 11);
        assert_eq!(pieces.steps[10], (Duration::from_millis(50), Step::Send(vec![0xBA])));
        let slow = Fault::Slow(Duration::from_millis(90));
        assert_eq!(play(RTU.to_vec(), Framing::Rtu, Some(&slow)).steps[0].0, Duration::from_millis(90));
    }

    #[test]
    fn a_script_plays_in_order_and_ends() {
        let mut script = Script::default();
        script.push(Fault::Silent, Times::After(1));
        script.push(Fault::Twice, Times::Next(2));
        let played: Vec<_> = (0..6).map(|_| script.next()).collect();
        assert_eq!(played, [None, Some(Fault::Silent), Some(Fault::Twice), Some(Fault::Twice), None, None]);
        script.push(Fault::Reset, Times::Chance { chance: 0.25, seed: 3 });
        let struck = (0..4000).filter(|_| script.next().is_some()).count();
        // Binomial, five standard deviations.
        assert!((struck as f64 - 1000.0).abs() < 137.0, "{struck}");
    }
}
