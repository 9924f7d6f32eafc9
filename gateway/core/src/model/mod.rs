//! F1: the vocabulary. What a probe said, how good it is, when, and of which sump.
//!
//! Nothing here behaves beyond construction, ordering, packing and display; it imports nothing of ours, and every
//! higher floor speaks in these words.

pub mod doubt;
pub mod hardness;
pub mod ident;
pub mod line;
pub mod quality;
pub mod reading;
pub mod time;
pub mod unit;

pub use doubt::{Doubt, Zero};
pub use hardness::hardness_mg_l;
pub use ident::{BrokerIndex, BusIndex, DeviceIndex, Name, NameError, ProbeIndex, SeriesIndex, SumpIndex};
pub use line::{Line, LineError};
pub use quality::{DeviceStatus, Quality, Reason, Severity, Status};
pub use reading::{Ack, Batch, Fault, Measured, Measurement, Raw, RawReading, Sample};
pub use time::{HOUR_NS, KeptAt, Now, Timestamp, TimestampError, Uptime};
pub use unit::{Quantity, Unit};
