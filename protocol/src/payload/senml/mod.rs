//! Sensor Measurement Lists (RFC 8428), as JSON and as CBOR.
//!
//! Both formats are read into the same fields, and one place resolves them, so a pack means the same in either. Records
//! come in the order of the pack. Names and units are limited in length, because a short record repeats a long base name.

mod cbor;
mod text;

use super::PayloadError;
use crate::number::Number;

pub use cbor::decode_cbor;
pub use text::decode_json;

/// RFC 8428, 4.4: the version this RFC defines. A pack of a later one is refused.
pub const VERSION_MAX: u64 = 10;
/// RFC 8428, 4.5.3: sums of base time and time below 2^28 seconds count from now.
pub const RELATIVE_TIME_BELOW_S: f64 = 268_435_456.0;
/// Longest resolved name taken. Our own bound; the RFC has none.
pub const NAME_BYTES_MAX: usize = 256;
/// Longest unit taken. Our own bound; registered ones have a dozen characters at most.
pub const UNIT_BYTES_MAX: usize = 64;

/// One resolved record.
#[derive(Clone, PartialEq, Debug)]
pub struct Record {
    /// Base name and name.
    pub name: String,
    /// Unit, or the base unit.
    pub unit: Option<String>,
    /// The value; a record with a sum may have none.
    pub value: Option<Value>,
    /// Base sum and sum, in the unit times seconds.
    pub sum: Option<Number>,
    /// Base time and time, in nanoseconds since 1970. Rounded to whole microseconds.
    pub time_nanos: i64,
    /// Longest time until the next reading, in seconds.
    pub update_time_s: Option<f64>,
}

/// Value of a record.
#[derive(Clone, PartialEq, Debug)]
pub enum Value {
    /// Base value and value.
    Number(Number),
    /// Text.
    Text(String),
    /// True or false.
    Boolean(bool),
    /// Bytes.
    Data(Vec<u8>),
}

impl Record {
    /// Its value as a number: true is 1 and false is 0. Text and bytes are none, nor is a record that has a sum only.
    pub fn number(&self) -> Option<Number> {
        match self.value {
            Some(Value::Number(number)) => Some(number),
            Some(Value::Boolean(value)) => Some(Number::Value(f64::from(u8::from(value)))),
            Some(Value::Text(_) | Value::Data(_)) | None => None,
        }
    }
}

macro_rules! labels {
    ($($(#[$doc:meta])* $variant:ident $json:literal $cbor:literal;)+) => {
        /// The labels of RFC 8428, 4.3 and table 4.
        #[derive(Clone, Copy, PartialEq, Eq, Debug)]
        enum Label { $($(#[$doc])* $variant,)+ }

        impl Label {
            const ALL: &'static [Self] = &[$(Self::$variant,)+];

            const fn json(self) -> &'static str {
                match self { $(Self::$variant => $json,)+ }
            }

            const fn cbor(self) -> i128 {
                match self { $(Self::$variant => $cbor,)+ }
            }
        }
    };
}

labels! {
    BaseVersion "bver" -1;
    BaseName "bn" -2;
    BaseTime "bt" -3;
    BaseUnit "bu" -4;
    BaseValue "bv" -5;
    BaseSum "bs" -6;
    Name "n" 0;
    Unit "u" 1;
    Value "v" 2;
    StringValue "vs" 3;
    BooleanValue "vb" 4;
    Sum "s" 5;
    Time "t" 6;
    UpdateTime "ut" 7;
    DataValue "vd" 8;
}

impl Label {
    fn from_json(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|label| label.json() == name)
    }

    fn from_cbor(key: i128) -> Option<Self> {
        Self::ALL.iter().copied().find(|label| label.cbor() == key)
    }
}

/// RFC 8428, 4.4: a label that ends so must be understood; every other unknown one is passed over.
fn must_be_understood(label: &str) -> bool {
    label.ends_with('_')
}

/// Fields of one record as they stand in the pack.
#[derive(Clone, PartialEq, Debug, Default)]
struct Fields {
    version: Option<u64>,
    base_name: Option<String>,
    base_time: Option<f64>,
    base_unit: Option<String>,
    base_value: Option<Number>,
    base_sum: Option<Number>,
    name: Option<String>,
    unit: Option<String>,
    value: Option<Value>,
    sum: Option<Number>,
    time: Option<f64>,
    update_time: Option<f64>,
}

/// One field's content, read from either format.
#[derive(Clone, PartialEq, Debug)]
enum Content {
    Number(Number),
    Text(String),
    Boolean(bool),
    Data(Vec<u8>),
}

impl Fields {
    /// Puts `content` under `label`. Refuses a second one, a second value, or one of another type.
    fn put(&mut self, label: Label, content: Content) -> Result<(), String> {
        match (label, content) {
            (Label::BaseName, Content::Text(text)) => put_once(&mut self.base_name, text),
            (Label::BaseUnit, Content::Text(text)) => put_once(&mut self.base_unit, text),
            (Label::Name, Content::Text(text)) => put_once(&mut self.name, text),
            (Label::Unit, Content::Text(text)) => put_once(&mut self.unit, text),
            (Label::BaseValue, Content::Number(number)) => put_once(&mut self.base_value, number),
            (Label::BaseSum, Content::Number(number)) => put_once(&mut self.base_sum, number),
            (Label::Sum, Content::Number(number)) => put_once(&mut self.sum, number),
            (Label::Value, Content::Number(number)) => put_once(&mut self.value, Value::Number(number)),
            (Label::StringValue, Content::Text(text)) => put_once(&mut self.value, Value::Text(text)),
            (Label::BooleanValue, Content::Boolean(value)) => {
                put_once(&mut self.value, Value::Boolean(value))
            }
            (Label::DataValue, Content::Data(data)) => put_once(&mut self.value, Value::Data(data)),
            (Label::BaseTime, Content::Number(Number::Value(time))) => put_once(&mut self.base_time, time),
            (Label::Time, Content::Number(Number::Value(time))) => put_once(&mut self.time, time),
            (Label::UpdateTime, Content::Number(Number::Value(time))) => {
                put_once(&mut self.update_time, time)
            }
            (Label::BaseVersion, Content::Number(Number::Value(version)))
                if version >= 1.0 && version.fract() == 0.0 =>
            {
                put_once(&mut self.version, version as u64)
            }
            (Label::BaseTime | Label::Time | Label::UpdateTime | Label::BaseVersion, Content::Number(_)) => {
                Err("holds a number out of reach")
            }
            _ => Err("holds the wrong type"),
        }
        .map_err(|why| format!("field {:?} {why}", label.json()))
    }

    /// Whether it does nothing but set base fields.
    fn is_base_only(&self) -> bool {
        let Self { name, unit, value, sum, time, update_time, .. } = self;
        (name.is_none() && unit.is_none() && value.is_none() && sum.is_none())
            && time.is_none()
            && update_time.is_none()
    }
}

fn put_once<T>(slot: &mut Option<T>, content: T) -> Result<(), &'static str> {
    match slot.replace(content) {
        None => Ok(()),
        Some(_) => Err("occurs twice, or beside another value"),
    }
}

/// Resolves the records of a pack, each from its own fields and the base fields before it.
fn resolve(pack: Vec<Fields>, now_nanos: i64) -> Result<Vec<Record>, PayloadError> {
    let mut base = Fields::default();
    let mut records = Vec::new();
    for (index, mut fields) in pack.into_iter().enumerate() {
        let refuse = |why: String| PayloadError::Senml { record: index + 1, why };
        base.take_bases(&mut fields).map_err(refuse)?;
        let carries_sum = base.base_sum.is_some() || fields.sum.is_some();
        if fields.is_base_only() && !carries_sum {
            continue;
        }
        if fields.value.is_none() && !carries_sum {
            return Err(refuse("holds neither a value nor a sum".to_owned()));
        }
        records.push(base.resolve(fields, now_nanos).map_err(refuse)?);
    }
    Ok(records)
}

impl Fields {
    /// Takes over the base fields of the next record.
    fn take_bases(&mut self, next: &mut Self) -> Result<(), String> {
        if let Some(version) = next.version.take() {
            if version > VERSION_MAX {
                return Err(format!("version {version} is later than {VERSION_MAX}, the last one known"));
            }
            if self.version.is_some_and(|before| before != version) {
                return Err("the version changes within the pack".to_owned());
            }
            self.version = Some(version);
        }
        let unit_bytes = next.base_unit.as_ref().map_or(0, String::len);
        let name_bytes = next.base_name.as_ref().map_or(0, String::len);
        check_length("base unit", unit_bytes, UNIT_BYTES_MAX)?;
        check_length("base name", name_bytes, NAME_BYTES_MAX)?;
        self.base_name = next.base_name.take().or_else(|| self.base_name.take());
        self.base_unit = next.base_unit.take().or_else(|| self.base_unit.take());
        self.base_time = next.base_time.or(self.base_time);
        self.base_value = next.base_value.or(self.base_value);
        self.base_sum = next.base_sum.or(self.base_sum);
        Ok(())
    }

    fn resolve(&self, own: Self, now_nanos: i64) -> Result<Record, String> {
        let value = own.value.map(|value| match (value, self.base_value) {
            (Value::Number(number), Some(base)) => Value::Number(add(base, number)),
            (value, _) => value,
        });
        let sum = match (self.base_sum, own.sum) {
            (Some(base), Some(sum)) => Some(add(base, sum)),
            (base, sum) => base.or(sum),
        };
        let unit = own.unit.or_else(|| self.base_unit.clone());
        check_length("unit", unit.as_ref().map_or(0, String::len), UNIT_BYTES_MAX)?;
        Ok(Record {
            name: join_name(self.base_name.as_deref().unwrap_or(""), own.name.as_deref().unwrap_or(""))?,
            unit,
            value,
            sum,
            time_nanos: resolve_time(self.base_time.unwrap_or(0.0) + own.time.unwrap_or(0.0), now_nanos)?,
            update_time_s: own.update_time,
        })
    }
}

fn check_length(what: &str, bytes: usize, bytes_max: usize) -> Result<(), String> {
    if bytes <= bytes_max {
        Ok(())
    } else {
        Err(format!("{what} of {bytes} bytes; up to {bytes_max} are taken"))
    }
}

/// Adds a base value; what is no number on either side is none in the sum.
fn add(base: Number, own: Number) -> Number {
    match (base, own) {
        (Number::Value(base), Number::Value(own)) => Number::from_written(base + own),
        (Number::Value(_), no_number) | (no_number, _) => no_number,
    }
}

/// RFC 8428, 4.5.1: letters, digits and - : . / _ only, with a letter or digit first.
fn join_name(base: &str, own: &str) -> Result<String, String> {
    check_length("name", base.len() + own.len(), NAME_BYTES_MAX)?;
    let name = format!("{base}{own}");
    let is_allowed = |b: u8| b.is_ascii_alphanumeric() || b"-:./_".contains(&b);
    if name.is_empty() {
        return Err("has no name".to_owned());
    }
    if !name.starts_with(|c: char| c.is_ascii_alphanumeric()) || !name.bytes().all(is_allowed) {
        let name = super::excerpt(&name);
        return Err(format!(
            "name {name}: letters, digits and - : . / _ are allowed, a letter or digit first"
        ));
    }
    Ok(name)
}

fn resolve_time(seconds: f64, now_nanos: i64) -> Result<i64, String> {
    let refused = || format!("time of {seconds} s is out of reach");
    // i64 nanoseconds end in 2262, 9.2e9 s after 1970
    if seconds.is_nan() || seconds.abs() > 9.2e9 {
        return Err(refused());
    }
    let nanos = (seconds * 1e6).round() as i64 * 1000;
    if seconds < RELATIVE_TIME_BELOW_S { now_nanos.checked_add(nanos).ok_or_else(refused) } else { Ok(nanos) }
}

#[cfg(test)]
mod tests {
    use ciborium::Value as Item;
    use proptest::prelude::*;

    use super::*;

    const NOW: i64 = 1_700_000_000_000_000_000;

    fn records(pack: &str) -> Vec<Record> {
        decode_json(pack.as_bytes(), NOW).unwrap()
    }

    fn says(pack: &str) -> String {
        decode_json(pack.as_bytes(), NOW).unwrap_err().to_string()
    }

    #[test]
    fn times_below_2_to_the_28th_count_from_now() {
        let times = records(
            r#"[{"bn":"a","v":1},{"v":1,"t":-5},{"v":1,"t":268435455},{"v":1,"t":268435456},{"v":1,"bt":1e9,"t":-0.25}]"#,
        );
        let seconds: Vec<f64> = times.iter().map(|r| r.time_nanos as f64 / 1e9).collect();
        assert_eq!(seconds, [1.7e9, 1_699_999_995.0, 1_968_435_455.0, 268_435_456.0, 999_999_999.75]);
        assert!(says(r#"[{"n":"a","v":1,"t":1e18}]"#).contains("field \"t\" holds a number out of reach"));
        assert!(
            says(r#"[{"n":"a","v":1,"t":9e9,"bt":9e9}]"#).contains("time of 18000000000 s is out of reach")
        );
    }

    #[test]
    fn rules_that_a_pack_may_break() {
        for (pack, why) in [
            ("[]", "no record"),
            ("{}", "an array"),
            ("[1]", "record 1: a number where an object belongs"),
            (r#"[{"n":"a"}]"#, "neither a value nor a sum"),
            (r#"[{"n":"a","v":1,"vb":true}]"#, "beside another value"),
            (r#"[{"n":"a","v":"1"}]"#, "field \"v\" holds the wrong type"),
            (r#"[{"n":"a","v":null}]"#, "field \"v\" holds the wrong type"),
            (r#"[{"v":1}]"#, "has no name"),
            (r#"[{"n":"_a","v":1}]"#, "a letter or digit first"),
            (r#"[{"n":"a b","v":1}]"#, "letters, digits"),
            (r#"[{"n":"ä","v":1}]"#, "letters, digits"),
            (r#"[{"bver":11,"n":"a","v":1}]"#, "version 11 is later"),
            (r#"[{"bver":10,"n":"a","v":1},{"bver":9,"n":"a","v":1}]"#, "record 2: the version changes"),
            (r#"[{"bver":0,"n":"a","v":1}]"#, "field \"bver\" holds a number out of reach"),
            (r#"[{"n":"a","v":1,"new_":1}]"#, "must be understood"),
            (r#"[{"n":"a","vd":"a"}]"#, "base64url"),
            (r#"[{"n":"a","vd":"aGkgCg=="}]"#, "base64url"),
            (r#"[{"n":"a","vd":"aGkgCh"}]"#, "base64url"),
            (r#"[{"n":"a","v":1,"u":"x","u":"y"}]"#, "occurs twice"),
        ] {
            assert!(says(pack).contains(why), "{pack}: {}", says(pack));
        }
        assert_eq!(
            records(r#"[{"n":"a","v":1,"new":{"x":[1]}}]"#).len(),
            1,
            "unknown fields are passed over"
        );
        assert_eq!(
            records(r#"[{"bn":"a","bver":10},{"v":1}]"#).len(),
            1,
            "a record may set base fields only"
        );
    }

    #[test]
    fn a_sum_may_stand_alone_and_a_number_may_be_none() {
        let found = records(
            r#"[{"n":"a","s":2.5},{"n":"b","v":9007199254740993},{"n":"c","vs":"x"},{"n":"d","vb":false}]"#,
        );
        assert_eq!((found[0].sum, found[0].number()), (Some(Number::Value(2.5)), None));
        assert_eq!(found[1].number(), Some(Number::TooLarge));
        assert_eq!(found[2].number(), None);
        assert_eq!(found[3].number(), Some(Number::Value(0.0)));
    }

    #[test]
    fn a_long_base_name_does_not_multiply() {
        let pack = format!(r#"[{{"bn":"{}","v":1}}]"#, "a".repeat(257));
        assert!(says(&pack).contains("base name of 257 bytes"), "{}", says(&pack));
        let pack = format!(r#"[{{"bu":"{}","n":"a","v":1}}]"#, "a".repeat(65));
        assert!(says(&pack).contains("base unit of 65 bytes"), "{}", says(&pack));
    }

    /// One field of a record: its label and what stands there, in both formats.
    fn any_field() -> impl Strategy<Value = (Label, serde_json::Value, Item)> {
        let number = prop_oneof![
            20 => (-4_000_000_000_i64..4_000_000_000).prop_map(|i| (i.into(), i.into())),
            20 => (-4e9..4e9_f64).prop_map(|x| (x.into(), x.into())),
            1 => any::<i64>().prop_map(|i| (i.into(), i.into())),
        ];
        let text = prop_oneof![40 => "[a-z][a-z0-9:._/-]{0,8}", 1 => any::<String>()]
            .prop_map(|s| (s.as_str().into(), s.into()));
        let other = prop_oneof![
            any::<bool>().prop_map(|b| (b.into(), b.into())),
            Just((serde_json::Value::Null, Item::Null)),
            Just((serde_json::json!([1]), Item::Array(vec![1.into()]))),
        ];
        let bytes = Just((serde_json::json!("aGkgCg"), Item::Bytes(b"hi \n".to_vec())));
        let right = (prop::sample::select(Label::ALL), number, text, any::<bool>(), bytes);
        let right = right.prop_map(|(label, number, text, truth, bytes)| match label {
            Label::BaseVersion => (label, 10.into(), 10.into()),
            Label::BaseName | Label::BaseUnit | Label::Name | Label::Unit | Label::StringValue => {
                (label, text.0, text.1)
            }
            Label::BooleanValue => (label, truth.into(), truth.into()),
            Label::DataValue => (label, bytes.0, bytes.1),
            _ => (label, number.0, number.1),
        });
        // text under the label of bytes is base64 in one format and wrong in the other
        let wrong =
            (prop::sample::select(Label::ALL), other).prop_map(|(label, (json, cbor))| (label, json, cbor));
        prop_oneof![60 => right, 1 => wrong]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(1000))]

        #[test]
        fn json_and_cbor_agree(
            mut pack in prop::collection::vec(prop::collection::vec(any_field(), 1..6), 1..6), sound: bool,
        ) {
            for fields in &mut pack {
                fields.sort_by_key(|(label, ..)| label.cbor());
                fields.dedup_by_key(|(label, ..)| label.cbor());
                if sound {
                    let values = [Label::Value, Label::StringValue, Label::BooleanValue, Label::DataValue];
                    fields.retain(|(label, ..)| !values.contains(label) && *label != Label::Name);
                    fields.extend([(Label::Name, "n".into(), "n".into()), (Label::Value, 7.into(), 7.into())]);
                }
            }
            let record = |fields: &Vec<(Label, serde_json::Value, Item)>| -> (serde_json::Value, Item) {
                let json: serde_json::Map<_, _> =
                    fields.iter().map(|(label, json, _)| (label.json().to_owned(), json.clone())).collect();
                let key = |label: &Label| Item::from(i64::try_from(label.cbor()).unwrap());
                (json.into(), Item::Map(fields.iter().map(|(label, _, cbor)| (key(label), cbor.clone())).collect()))
            };
            let (json, cbor): (Vec<_>, Vec<_>) = pack.iter().map(record).unzip();
            let mut bytes = Vec::new();
            ciborium::into_writer(&cbor, &mut bytes).unwrap();
            let from_json = decode_json(&serde_json::to_vec(&json).unwrap(), NOW);
            let from_cbor = decode_cbor(&bytes, NOW);
            prop_assert_eq!(from_json.as_ref().ok(), from_cbor.as_ref().ok(), "{:?} {:?}", from_json, from_cbor);
        }
    }
}
