//! Sparkplug B (Sparkplug 3.0, ISO/IEC 20237:2023), the side of an edge node.
//!
//! - [`Payload`], [`Metric`]: what a message holds, to bytes and back
//! - [`topic`]: where it goes, and which texts may stand in a topic
//! - [`session`]: which message goes out when: births, data, deaths, sequence numbers, aliases
//!
//! Protocol buffers are written by hand, as far as they are needed. No socket and no clock; what a metric means is for whoever
//! fills one in.

mod payload;
pub mod session;
pub mod topic;
mod wire;

pub use payload::{METRICS_MAX, Metric, PAYLOAD_BYTES_MAX, PROPERTIES_MAX, Payload, Property, Value};

/// Why bytes are no payload.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum DecodeError {
    /// Something announced is not there.
    #[error("ends within a field")]
    Ends,
    /// Over 64 bits.
    #[error("holds a varint of more than 64 bits")]
    Varint,
    /// No field can have it.
    #[error("holds a field of number {0}")]
    FieldNumber(u64),
    /// A group, or nothing at all.
    #[error("holds a field of wire type {0}")]
    WireType(u8),
    /// Another wire type than this field has.
    #[error("field {0} is of another type than it says")]
    Mismatch(u32),
    /// Over 32 bits.
    #[error("field {0} holds more than 32 bits")]
    TooLarge(u32),
    /// No UTF-8.
    #[error("field {0} is no text")]
    Text(u32),
    /// Keys and values of properties that do not pair up.
    #[error("{keys} keys of properties stand beside {values} values")]
    Properties {
        /// So many keys.
        keys: usize,
        /// So many values.
        values: usize,
    },
    /// More of something than is read.
    #[error("holds too many {0}")]
    TooMany(&'static str),
    /// Longer than is read.
    #[error("is {0} bytes long")]
    TooLong(usize),
}

macro_rules! data_types {
    ($($(#[$doc:meta])* $name:ident = $code:literal,)+) => {
        /// Types of metrics and properties (chapter 6, "Data Types"); arrays are left out.
        #[derive(Clone, Copy, PartialEq, Eq, Debug)]
        #[repr(u32)]
        pub enum DataType { $($(#[$doc])* $name = $code,)+ }

        impl DataType {
            /// Every type.
            pub const ALL: &'static [Self] = &[$(Self::$name,)+];

            /// Its name in the standard.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$name => stringify!($name),)+ }
            }
        }
    };
}

data_types! {
    /// Placeholder.
    Unknown = 0,
    /// Signed, 8 bits.
    Int8 = 1,
    /// Signed, 16 bits.
    Int16 = 2,
    /// Signed, 32 bits.
    Int32 = 3,
    /// Signed, 64 bits.
    Int64 = 4,
    /// Unsigned, 8 bits.
    UInt8 = 5,
    /// Unsigned, 16 bits.
    UInt16 = 6,
    /// Unsigned, 32 bits.
    UInt32 = 7,
    /// Unsigned, 64 bits.
    UInt64 = 8,
    /// Single precision.
    Float = 9,
    /// Double precision.
    Double = 10,
    /// Truth value.
    Boolean = 11,
    /// Text.
    String = 12,
    /// Milliseconds since 1970 in UTC.
    DateTime = 13,
    /// Long text.
    Text = 14,
    /// UUID as text.
    UUID = 15,
    /// A table.
    DataSet = 16,
    /// Bytes.
    Bytes = 17,
    /// A file.
    File = 18,
    /// A template.
    Template = 19,
    /// Properties.
    PropertySet = 20,
    /// Lists of properties.
    PropertySetList = 21,
}

impl DataType {
    /// Its code in a payload.
    pub const fn code(self) -> u32 {
        self as u32
    }
}
