//! A payload with its metrics, to bytes and back (Sparkplug 3.0, chapter 6, "Google Protocol Buffer Schema").
//!
//! Written is what an edge node needs. Read is what a stranger may send: bounded, strict about widths and types, and deaf to
//! what an edge node has no use for (data sets, templates, files, properties within properties), which is read over.

use super::wire::{Content, Fields, put_bytes, put_fixed32, put_fixed64, put_varint};
use super::{DataType, DecodeError};

/// Longest payload that is read, bytes.
pub const PAYLOAD_BYTES_MAX: usize = 64 * 1024;

/// Most metrics of a payload that is read.
pub const METRICS_MAX: usize = 1_000;

/// Most properties of one metric that are read.
pub const PROPERTIES_MAX: usize = 64;

/// A payload.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Payload {
    /// When it was sent, ms since 1970 in UTC.
    pub timestamp: Option<u64>,
    /// What it says.
    pub metrics: Vec<Metric>,
    /// Its place in the session.
    pub seq: Option<u64>,
}

/// A metric.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Metric {
    /// Levels divided by `/`; where there is an alias only in births.
    pub name: Option<String>,
    /// Number that stands for the name.
    pub alias: Option<u64>,
    /// Of what time the value is, ms since 1970 in UTC.
    pub timestamp: Option<u64>,
    /// Code of its [`DataType`].
    pub datatype: Option<u32>,
    /// It is no current value.
    pub is_historical: bool,
    /// It is not to be kept.
    pub is_transient: bool,
    /// There is no value.
    pub is_null: bool,
    /// What it is, in words; one field of the metadata.
    pub description: Option<String>,
    /// Properties with their keys.
    pub properties: Vec<(String, Property)>,
    /// The value.
    pub value: Option<Value>,
}

/// A property of a metric.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Property {
    /// Code of its [`DataType`].
    pub datatype: Option<u32>,
    /// There is no value.
    pub is_null: bool,
    /// The value.
    pub value: Option<Value>,
}

/// A value as it lies in the payload; which numbers are signed is its data type's to say.
#[derive(Clone, PartialEq, Debug)]
pub enum Value {
    /// Integers of up to 32 bits, signed ones as two's complement.
    Int(u32),
    /// Integers of 64 bits, signed ones as two's complement; times.
    Long(u64),
    /// Single precision.
    Float(f32),
    /// Double precision.
    Double(f64),
    /// A truth value.
    Boolean(bool),
    /// A text.
    Text(String),
}

impl Value {
    /// A signed integer of 32 bits.
    pub const fn int32(value: i32) -> Self {
        Self::Int(value.cast_unsigned())
    }

    /// A signed integer of 64 bits.
    pub const fn int64(value: i64) -> Self {
        Self::Long(value.cast_unsigned())
    }

    /// Its field in a message whose first value field is `first`: they come in the same order in metrics and properties.
    fn put(&self, first: u32, out: &mut Vec<u8>) {
        match self {
            Self::Int(value) => put_varint(first, u64::from(*value), out),
            Self::Long(value) => put_varint(first + 1, *value, out),
            Self::Float(value) => put_fixed32(first + 2, value.to_le_bytes(), out),
            Self::Double(value) => put_fixed64(first + 3, value.to_le_bytes(), out),
            Self::Boolean(value) => put_varint(first + 4, u64::from(*value), out),
            Self::Text(value) => put_bytes(first + 5, value.as_bytes(), out),
        }
    }

    /// The value of the field that stands `place` behind the first one; none where it is of no use here.
    fn read(place: u32, field: u32, content: Content<'_>) -> Result<Option<Self>, DecodeError> {
        Ok(Some(match place {
            0 => Self::Int(word(field, content)?),
            1 => Self::Long(long(field, content)?),
            2 => match content {
                Content::Fixed32(bytes) => Self::Float(f32::from_le_bytes(bytes)),
                _ => return Err(DecodeError::Mismatch(field)),
            },
            3 => match content {
                Content::Fixed64(bytes) => Self::Double(f64::from_le_bytes(bytes)),
                _ => return Err(DecodeError::Mismatch(field)),
            },
            4 => Self::Boolean(truth(field, content)?),
            5 => Self::Text(text(field, content)?),
            _ => {
                bytes(field, content)?;
                return Ok(None);
            }
        }))
    }
}

impl Property {
    /// A signed integer of 32 bits.
    pub fn int32(value: i32) -> Self {
        Self::of(DataType::Int32, Value::int32(value))
    }

    /// A text.
    pub fn text(value: impl Into<String>) -> Self {
        Self::of(DataType::String, Value::Text(value.into()))
    }

    fn of(datatype: DataType, value: Value) -> Self {
        Self { datatype: Some(datatype.code()), is_null: false, value: Some(value) }
    }

    /// First of the fields that hold a value, and the last one that is known.
    const VALUES: (u32, u32) = (3, 11);

    fn encode(&self, out: &mut Vec<u8>) {
        put_opt(1, self.datatype.map(u64::from), out);
        put_flag(2, self.is_null, out);
        if let Some(value) = &self.value {
            value.put(Self::VALUES.0, out);
        }
    }

    fn decode(message: &[u8]) -> Result<Self, DecodeError> {
        let (mut fields, mut property) = (Fields::of(message), Self::default());
        while let Some((field, content)) = fields.next()? {
            match field {
                1 => property.datatype = Some(word(field, content)?),
                2 => property.is_null = truth(field, content)?,
                // Of a value that is said twice the last one holds, whatever its type.
                3..=11 => property.value = Value::read(field - Self::VALUES.0, field, content)?,
                _ => {}
            }
        }
        Ok(property)
    }
}

impl Metric {
    /// First of the fields that hold a value.
    const VALUES: u32 = 10;

    fn encode(&self, out: &mut Vec<u8>) {
        put_text(1, self.name.as_deref(), out);
        put_opt(2, self.alias, out);
        put_opt(3, self.timestamp, out);
        put_opt(4, self.datatype.map(u64::from), out);
        put_flag(5, self.is_historical, out);
        put_flag(6, self.is_transient, out);
        put_flag(7, self.is_null, out);
        let mut part = Vec::new();
        if let Some(description) = &self.description {
            put_bytes(8, description.as_bytes(), &mut part);
            put_bytes(8, &part, out);
        }
        if !self.properties.is_empty() {
            part.clear();
            self.properties.iter().for_each(|(key, _)| put_bytes(1, key.as_bytes(), &mut part));
            let mut one = Vec::new();
            for (_, property) in &self.properties {
                one.clear();
                property.encode(&mut one);
                put_bytes(2, &one, &mut part);
            }
            put_bytes(9, &part, out);
        }
        if let Some(value) = &self.value {
            value.put(Self::VALUES, out);
        }
    }

    fn decode(message: &[u8]) -> Result<Self, DecodeError> {
        let (mut fields, mut metric) = (Fields::of(message), Self::default());
        while let Some((field, content)) = fields.next()? {
            match field {
                1 => metric.name = Some(text(field, content)?),
                2 => metric.alias = Some(long(field, content)?),
                3 => metric.timestamp = Some(long(field, content)?),
                4 => metric.datatype = Some(word(field, content)?),
                5 => metric.is_historical = truth(field, content)?,
                6 => metric.is_transient = truth(field, content)?,
                7 => metric.is_null = truth(field, content)?,
                8 => metric.description = description(bytes(field, content)?)?,
                9 => metric.properties = properties(bytes(field, content)?)?,
                10..=19 => metric.value = Value::read(field - Self::VALUES, field, content)?,
                _ => {}
            }
        }
        Ok(metric)
    }
}

impl Payload {
    /// Appends it to `out`, fields in the order of their numbers.
    pub fn encode(&self, out: &mut Vec<u8>) {
        put_opt(1, self.timestamp, out);
        let mut one = Vec::new();
        for metric in &self.metrics {
            one.clear();
            metric.encode(&mut one);
            put_bytes(2, &one, out);
        }
        put_opt(3, self.seq, out);
    }

    /// It as bytes.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut out = Vec::new();
        self.encode(&mut out);
        out
    }

    /// Reads one. Fields that are not known are read over, as in every protocol buffer.
    ///
    /// # Errors
    /// If it is too long, no protocol buffer, or a known field holds what it cannot hold.
    pub fn decode(bytes_of_it: &[u8]) -> Result<Self, DecodeError> {
        if bytes_of_it.len() > PAYLOAD_BYTES_MAX {
            return Err(DecodeError::TooLong(bytes_of_it.len()));
        }
        let (mut fields, mut payload) = (Fields::of(bytes_of_it), Self::default());
        while let Some((field, content)) = fields.next()? {
            match field {
                1 => payload.timestamp = Some(long(field, content)?),
                2 if payload.metrics.len() == METRICS_MAX => return Err(DecodeError::TooMany("metrics")),
                2 => payload.metrics.push(Metric::decode(bytes(field, content)?)?),
                3 => payload.seq = Some(long(field, content)?),
                _ => {}
            }
        }
        Ok(payload)
    }
}

/// The description among metadata.
fn description(message: &[u8]) -> Result<Option<String>, DecodeError> {
    let (mut fields, mut found) = (Fields::of(message), None);
    while let Some((field, content)) = fields.next()? {
        if field == 8 {
            found = Some(text(field, content)?);
        }
    }
    Ok(found)
}

/// A set of properties: as many keys as values.
fn properties(message: &[u8]) -> Result<Vec<(String, Property)>, DecodeError> {
    let (mut keys, mut values) = (Vec::new(), Vec::new());
    let mut fields = Fields::of(message);
    while let Some((field, content)) = fields.next()? {
        match field {
            1 => keys.push(text(field, content)?),
            2 => values.push(Property::decode(bytes(field, content)?)?),
            _ => {}
        }
        if keys.len().max(values.len()) > PROPERTIES_MAX {
            return Err(DecodeError::TooMany("properties"));
        }
    }
    if keys.len() != values.len() {
        return Err(DecodeError::Properties { keys: keys.len(), values: values.len() });
    }
    Ok(keys.into_iter().zip(values).collect())
}

fn put_opt(field: u32, value: Option<u64>, out: &mut Vec<u8>) {
    if let Some(value) = value {
        put_varint(field, value, out);
    }
}

fn put_flag(field: u32, flag: bool, out: &mut Vec<u8>) {
    put_opt(field, flag.then_some(1), out);
}

fn put_text(field: u32, text: Option<&str>, out: &mut Vec<u8>) {
    if let Some(text) = text {
        put_bytes(field, text.as_bytes(), out);
    }
}

fn long(field: u32, content: Content<'_>) -> Result<u64, DecodeError> {
    match content {
        Content::Varint(value) => Ok(value),
        _ => Err(DecodeError::Mismatch(field)),
    }
}

fn word(field: u32, content: Content<'_>) -> Result<u32, DecodeError> {
    u32::try_from(long(field, content)?).map_err(|_| DecodeError::TooLarge(field))
}

fn truth(field: u32, content: Content<'_>) -> Result<bool, DecodeError> {
    Ok(long(field, content)? != 0)
}

fn bytes(field: u32, content: Content<'_>) -> Result<&[u8], DecodeError> {
    match content {
        Content::Bytes(bytes) => Ok(bytes),
        _ => Err(DecodeError::Mismatch(field)),
    }
}

fn text(field: u32, content: Content<'_>) -> Result<String, DecodeError> {
    let text = str::from_utf8(bytes(field, content)?).map_err(|_| DecodeError::Text(field))?;
    Ok(text.to_owned())
}

#[cfg(test)]
mod tests {
    use proptest::option;
    use proptest::prelude::*;

    use super::*;

    fn value() -> impl Strategy<Value = Option<Value>> {
        option::of(prop_oneof![
            any::<u32>().prop_map(Value::Int),
            any::<u64>().prop_map(Value::Long),
            (-1e30_f32..1e30).prop_map(Value::Float),
            (-1e300_f64..1e300).prop_map(Value::Double),
            any::<bool>().prop_map(Value::Boolean),
            ".{0,20}".prop_map(Value::Text),
        ])
    }

    fn property() -> impl Strategy<Value = (String, Property)> {
        (".{0,10}", option::of(any::<u32>()), any::<bool>(), value())
            .prop_map(|(key, datatype, is_null, value)| (key, Property { datatype, is_null, value }))
    }

    prop_compose! {
        fn metric()(
            name in option::of(".{0,30}"), alias in any::<Option<u64>>(), timestamp in any::<Option<u64>>(),
            datatype in any::<Option<u32>>(),
            (is_historical, is_transient, is_null) in any::<(bool, bool, bool)>(), description in option::of(".{0,30}"),
            properties in prop::collection::vec(property(), 0..5), value in value()
        ) -> Metric {
            Metric {
                name, alias, timestamp, datatype, is_historical, is_transient, is_null, description, properties, value
            }
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(
            timestamp: Option<u64>, seq: Option<u64>, metrics in prop::collection::vec(metric(), 0..6)
        ) {
            let payload = Payload { timestamp, metrics, seq };
            prop_assert_eq!(Payload::decode(&payload.to_bytes()), Ok(payload));
        }

        #[test]
        fn foreign_bytes_are_read_or_refused_in_words(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            if let Err(error) = Payload::decode(&bytes) {
                prop_assert!(error.to_string().len() < 100, "{}", error);
            }
        }

        #[test]
        fn fields_of_later_versions_are_read_over(metrics in prop::collection::vec(metric(), 0..3), number in 20_u32..100_000, more: u64) {
            let payload = Payload { timestamp: Some(7), metrics, seq: Some(1) };
            let mut bytes = Vec::new();
            put_varint(number, more, &mut bytes);
            payload.encode(&mut bytes);
            put_bytes(number, b"later", &mut bytes);
            prop_assert_eq!(Payload::decode(&bytes), Ok(payload));
        }
    }

    fn metric_of(fields: impl FnOnce(&mut Vec<u8>)) -> Result<Metric, DecodeError> {
        let (mut message, mut bytes) = (Vec::new(), Vec::new());
        fields(&mut message);
        put_bytes(2, &message, &mut bytes);
        Payload::decode(&bytes).map(|payload| payload.metrics[0].clone())
    }

    #[test]
    fn of_values_that_are_said_twice_the_last_one_holds() {
        let read = |fields: fn(&mut Vec<u8>)| metric_of(fields).unwrap().value;
        let first_true = |out: &mut Vec<u8>| put_varint(14, 1, out);
        assert_eq!(read(first_true), Some(Value::Boolean(true)));
        assert_eq!(
            read(|out| {
                put_varint(14, 1, out);
                put_varint(10, 3, out);
            }),
            Some(Value::Int(3))
        );
        assert_eq!(
            read(|out| {
                put_varint(14, 1, out);
                put_bytes(17, b"a data set", out);
            }),
            None,
            "a data set is no truth value"
        );
    }

    #[test]
    fn what_a_field_cannot_hold_is_refused() {
        let refused = |fields: fn(&mut Vec<u8>)| metric_of(fields).unwrap_err();
        assert_eq!(refused(|out| put_bytes(1, &[0xFF], out)), DecodeError::Text(1));
        assert_eq!(refused(|out| put_varint(1, 1, out)), DecodeError::Mismatch(1));
        assert_eq!(refused(|out| put_varint(4, 1 << 32, out)), DecodeError::TooLarge(4));
        assert_eq!(refused(|out| put_fixed64(14, [0; 8], out)), DecodeError::Mismatch(14));
        assert_eq!(refused(|out| put_varint(13, 1, out)), DecodeError::Mismatch(13));
        assert_eq!(
            refused(|out| put_bytes(9, &[0x0A, 1, b'k'], out)),
            DecodeError::Properties { keys: 1, values: 0 }
        );
    }

    #[test]
    fn hostile_counts_and_lengths_are_bounded() {
        let most = [0x12, 0x00].repeat(METRICS_MAX);
        assert_eq!(Payload::decode(&most).unwrap().metrics.len(), METRICS_MAX);
        assert_eq!(
            Payload::decode(&[&most[..], &[0x12, 0x00]].concat()),
            Err(DecodeError::TooMany("metrics"))
        );
        assert_eq!(
            metric_of(|out| put_bytes(9, &[0x0A, 0x00].repeat(PROPERTIES_MAX + 1), out)),
            Err(DecodeError::TooMany("properties"))
        );
        let long = vec![0; PAYLOAD_BYTES_MAX + 1];
        assert_eq!(Payload::decode(&long), Err(DecodeError::TooLong(PAYLOAD_BYTES_MAX + 1)));
        // A length that the bytes do not bear out sets nothing aside.
        assert_eq!(Payload::decode(&[0x12, 0xFF, 0xFF, 0xFF, 0xFF, 0x07]), Err(DecodeError::Ends));
    }
}
