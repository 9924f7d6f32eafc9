//! What a probe said, before and after it means something.
//!
//! A [`RawReading`] is the device's own number, or the reason there is none. A [`Measurement`] is an engineering value
//! with its quality; a bad one holds no number, so nobody can average it. A [`Sample`] is either of them as it is kept.

use super::{BrokerIndex, ProbeIndex, Quality, SeriesIndex, Severity, Timestamp, Uptime};

/// Why the device gave no usable number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Fault {
    /// Nothing came within the time-out, on the wire or from the broker.
    NoReply,
    /// The bus itself cannot be opened or was cut.
    NotConnected,
    /// Something came that was no valid reply: check sum, length, unit id or function did not match.
    BadFrame,
    /// The device answered with a Modbus exception of this code (Modbus V1.1b3 section 7).
    Exception(u8),
    /// The device's own sign for "no value" (such as 0x8000).
    NoValue,
    /// NaN or an infinity.
    NotFinite,
    /// An integer too large to be held exactly (over 2^53).
    TooLarge,
    /// A message that does not hold what the configuration says it holds.
    Malformed,
    /// A message larger than allowed.
    Oversized,
    /// A unit the message names that cannot be turned into the configured one.
    WrongUnit,
    /// A timestamp too far from the gateway's clock to be believed.
    TimeRefused,
    /// Another box polls the bus, and this one stands by.
    StandingBy,
}

/// The device's own number, or why there is none.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Raw {
    /// As the device delivers it: counts, milliamperes, a float register. Always finite.
    Number(f64),
    /// No number.
    Fault(Fault),
}

/// What one message brought, and the token to give back once it is durable.
#[derive(Clone, PartialEq, Debug)]
pub struct Batch {
    /// Readings, in the order of the message. None at all where the message only repeats what came before: its token
    /// still goes the whole way, so that it is given back no earlier than that of the first copy.
    pub readings: Vec<RawReading>,
    /// Given back when the readings are in the store; none where the sender waits for nothing.
    pub ack: Option<Ack>,
}

/// Token of a message that its broker may forget once the store has it. It goes with the readings to the store and
/// comes back from there when they are durable.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Ack {
    /// Which broker waits.
    pub broker: BrokerIndex,
    /// Which message; the broker's own task knows.
    pub token: u64,
}

/// One raw reading of one probe.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RawReading {
    /// Whose.
    pub probe: ProbeIndex,
    /// When the reply was complete, or the payload's own time where it carries one.
    pub at: Timestamp,
    /// When the gateway received it, for delays and staleness.
    pub received: Uptime,
    /// What.
    pub raw: Raw,
}

/// An engineering value with its quality. Units are those of the probe's quantity.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Measured {
    /// Use it. The quality may still ask for maintenance.
    Good(f64, Quality),
    /// Use it with care; the quality says why.
    Uncertain(f64, Quality),
    /// There is nothing to use.
    Bad(Quality),
}

impl Measured {
    /// The number, where there is one to use.
    pub fn usable(self) -> Option<f64> {
        match self {
            Self::Good(value, _) | Self::Uncertain(value, _) => Some(value),
            Self::Bad(_) => None,
        }
    }

    /// How good it is and why.
    pub fn quality(self) -> Quality {
        match self {
            Self::Good(_, quality) | Self::Uncertain(_, quality) | Self::Bad(quality) => quality,
        }
    }

    /// Puts a number under the quality it earned: a bad quality drops it.
    pub fn new(value: f64, quality: Quality) -> Self {
        match quality.severity() {
            Severity::Good => Self::Good(value, quality),
            Severity::Uncertain => Self::Uncertain(value, quality),
            Severity::Bad => Self::Bad(quality),
        }
    }
}

/// One converted reading of one probe.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Measurement {
    /// Whose.
    pub probe: ProbeIndex,
    /// Stamp of the reading.
    pub at: Timestamp,
    /// When the gateway received it.
    pub received: Uptime,
    /// The device's own number, kept whatever became of it.
    pub raw: Option<f64>,
    /// What it means.
    pub measured: Measured,
}

/// One point of one series as it is stored and forwarded.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sample {
    /// Which series.
    pub series: SeriesIndex,
    /// Stamp; unique within its series.
    pub at: Timestamp,
    /// The device's own number, if it gave one.
    pub raw: Option<f64>,
    /// The engineering value, if it is usable.
    pub value: Option<f64>,
    /// How good it is and why.
    pub quality: Quality,
}
