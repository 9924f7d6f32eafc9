//! What acquisition is told by the checked configuration.

use std::path::PathBuf;
use std::time::Duration;

use sumpwarden_protocol::modbus::Address;
use sumpwarden_protocol::words::Encoding;

use crate::model::{Name, ProbeIndex};

/// One bus: a serial line, or one connection to a Modbus TCP device or gateway. One actor owns it.
#[derive(Clone, PartialEq, Debug)]
pub struct BusSettings {
    /// Name in the configuration.
    pub name: Name,
    /// How it is reached.
    pub link: BusLink,
    /// How long connecting may take.
    pub connect_timeout: Duration,
    /// First and longest wait between attempts to connect; the waits double and are jittered.
    pub reconnect: (Duration, Duration),
    /// Devices on it.
    pub devices: Vec<DeviceSettings>,
}

/// How a bus is reached.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum BusLink {
    /// Modbus TCP: `host:port`.
    Tcp {
        /// `host:port`; a name is resolved anew at every connect.
        address: String,
    },
    /// Modbus RTU on a serial port.
    Rtu {
        /// Path of the port, a stable one (`/dev/serial/by-id/…`) where there is one.
        port: String,
        /// Line settings.
        line: SerialLine,
    },
    /// RTU frames through a serial server on TCP.
    RtuOverTcp {
        /// `host:port`.
        address: String,
        /// Settings of the line behind the server; they give the silent intervals.
        line: SerialLine,
    },
}

/// Settings of a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SerialLine {
    /// Bits per second.
    pub baud: u32,
    /// Parity; with none the standard asks for two stop bits.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

/// Parity of a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Parity {
    /// Even, the standard's default.
    Even,
    /// Odd.
    Odd,
    /// None.
    None,
}

/// One Modbus device (unit) on a bus.
#[derive(Clone, PartialEq, Debug)]
pub struct DeviceSettings {
    /// Name in the configuration.
    pub name: Name,
    /// Unit id, 0 to 255 on TCP, 1 to 247 on a serial line.
    pub unit_id: u8,
    /// How long a reply may take after the request is out.
    pub timeout: Duration,
    /// How often a request that timed out or came back damaged is repeated at once.
    pub retries: u8,
    /// Pause this device needs between its reply and the next request on the bus, beyond the silent interval.
    pub turnaround: Duration,
    /// Silent interval on a serial line where the device needs more than t3.5.
    pub silent_interval: Option<Duration>,
    /// Worst time after which a late reply may still come: the bus stays quiet that long after a time-out, counted
    /// from the request, and on a serial line as long as both frames are on the wire besides.
    pub worst_reply: Duration,
    /// Most registers this device gives in one reply (the standard allows 125).
    pub registers_max: u16,
    /// Widest gap of registers nobody asked for that a merged request may read across.
    pub gap_max: u16,
    /// What is read from it.
    pub points: Vec<Point>,
}

/// One value at one address.
#[derive(Clone, PartialEq, Debug)]
pub struct Point {
    /// Whose it is.
    pub probe: ProbeIndex,
    /// Where it lies.
    pub address: Address,
    /// How it lies there.
    pub encoding: Encoding,
    /// How often it is read.
    pub period: Duration,
}

/// One broker to listen to.
#[derive(Clone, PartialEq, Debug)]
pub struct BrokerSettings {
    /// Name in the configuration.
    pub name: Name,
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Client id; a persistent session belongs to it.
    pub client_id: String,
    /// User name, with the password the daemon read from its file or environment.
    pub user: Option<(String, Secret)>,
    /// TLS, where wanted.
    pub tls: Option<TlsSettings>,
    /// Keep-alive.
    pub keep_alive: Duration,
    /// Largest packet accepted, bytes.
    pub packet_bytes_max: u32,
    /// First and longest wait between attempts to connect.
    pub reconnect: (Duration, Duration),
    /// What is listened to.
    pub topics: Vec<TopicPoint>,
    /// Where people's notes come from.
    pub notes: Option<NotesTopic>,
}

/// Topics that carry people's notes.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NotesTopic {
    /// Topic filter, wildcards allowed.
    pub filter: String,
    /// Place of the level that names the sump, counted from 0, where the message does not.
    pub sump_level: Option<usize>,
    /// Place of the level that says who, where the message does not.
    pub by_level: Option<usize>,
}

/// TLS towards a peer.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct TlsSettings {
    /// File with the certificate authorities to trust (PEM); the system's where absent.
    pub ca_file: Option<String>,
    /// Client certificate and key files (PEM).
    pub client: Option<(String, String)>,
}

/// A secret that does not show itself in a log or an error, with the file it was read from.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret {
    text: String,
    file: Option<SecretFile>,
}

/// A file that holds a secret, and may hold another one tomorrow.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SecretFile {
    /// Where it lies.
    pub path: PathBuf,
    /// It is a credential that the service manager hands over.
    pub handed: bool,
}

impl Secret {
    /// Keeps `text`.
    pub fn new(text: String) -> Self {
        Self { text, file: None }
    }

    /// The same, read from `file`.
    pub fn read_from(self, file: SecretFile) -> Self {
        Self { file: Some(file), ..self }
    }

    /// The secret itself, for the one place that sends it.
    pub fn reveal(&self) -> &str {
        &self.text
    }

    /// Where it was read from; none where it was in no file.
    pub fn file(&self) -> Option<&SecretFile> {
        self.file.as_ref()
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// One value in the messages of a topic.
#[derive(Clone, PartialEq, Debug)]
pub struct TopicPoint {
    /// Whose it is.
    pub probe: ProbeIndex,
    /// Topic filter, wildcards allowed.
    pub filter: String,
    /// Where in the payload it lies.
    pub payload: PayloadFormat,
    /// How far the payload's own time may lie behind and ahead of the gateway's clock.
    pub time_window: (Duration, Duration),
}

/// Where in a payload the value lies.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PayloadFormat {
    /// The payload is the number.
    Plain,
    /// JSON, by RFC 6901 pointers.
    Json {
        /// Pointer to the value.
        value: String,
        /// Pointer to its time: RFC 3339 text, or Unix seconds, milliseconds or nanoseconds by size.
        time: Option<String>,
        /// Pointer to its unit (UCUM).
        unit: Option<String>,
    },
    /// SenML JSON (RFC 8428): the record of this full name; any record if empty.
    SenmlJson {
        /// Resolved name.
        name: String,
    },
    /// SenML CBOR (RFC 8428).
    SenmlCbor {
        /// Resolved name.
        name: String,
    },
}
