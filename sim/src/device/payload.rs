//! What a publishing device puts into its messages.

use ciborium::Value;
use serde_json::json;

use crate::stamp::Stamp;

/// Form of a payload.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PayloadFormat {
    /// The number as text.
    Number,
    /// A JSON object with members `name`, `value`, `unit`, `time` (RFC 3339) and `seq`.
    Json,
    /// SenML in JSON (RFC 8428): a base record, the value, and a record named `seq`.
    SenmlJson,
    /// The same in CBOR.
    SenmlCbor,
}

/// One reading to publish.
#[derive(Clone, PartialEq, Debug)]
pub struct Reading {
    /// Name of the device: the base name of a SenML pack, ending in `:`.
    pub base_name: String,
    /// Name of the value within it.
    pub name: String,
    /// UCUM code, which is also SenML's for degrees Celsius.
    pub unit: String,
    /// The value. NaN and infinities appear as a bare word in text and are left out of JSON and SenML.
    pub value: f64,
    /// When it was taken.
    pub at: Stamp,
    /// Number of the message from this device, from 1 on.
    pub sequence: u64,
}

impl Reading {
    /// The payload in this form.
    pub fn encode(&self, format: PayloadFormat) -> Vec<u8> {
        match format {
            PayloadFormat::Number => self.value.to_string().into_bytes(),
            PayloadFormat::Json => json!({
                "name": self.name, "value": self.finite(), "unit": self.unit,
                "time": self.at.to_string(), "seq": self.sequence,
            })
            .to_string()
            .into_bytes(),
            PayloadFormat::SenmlJson => {
                let base = json!({
                    "bn": self.base_name, "bt": self.at.unix_s(), "n": self.name, "u": self.unit, "v": self.finite(),
                });
                json!([base, { "n": "seq", "v": self.sequence }]).to_string().into_bytes()
            }
            PayloadFormat::SenmlCbor => self.senml_cbor(),
        }
    }

    fn finite(&self) -> Option<f64> {
        self.value.is_finite().then_some(self.value)
    }

    /// Labels of RFC 8428, table 4: base name -2, base time -3, name 0, unit 1, value 2.
    fn senml_cbor(&self) -> Vec<u8> {
        let label = |label: i64| Value::Integer(label.into());
        let mut base = vec![
            (label(-2), Value::Text(self.base_name.clone())),
            (label(-3), Value::Float(self.at.unix_s())),
            (label(0), Value::Text(self.name.clone())),
            (label(1), Value::Text(self.unit.clone())),
        ];
        base.extend(self.finite().map(|value| (label(2), Value::Float(value))));
        let sequence =
            vec![(label(0), Value::Text("seq".into())), (label(2), Value::Integer(self.sequence.into()))];
        let mut out = Vec::new();
        ciborium::into_writer(&Value::Array(vec![Value::Map(base), Value::Map(sequence)]), &mut out)
            .expect("writing to memory does not fail");
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading() -> Reading {
        Reading {
            base_name: "urn:dev:mac:0024befffe804ff1:".into(),
            name: "t".into(),
            unit: "Cel".into(),
            value: 23.5,
            at: Stamp(1_704_067_200_250),
            sequence: 7,
        }
    }

    #[test]
    fn every_form_carries_value_time_and_number() {
        let text = |format| String::from_utf8(reading().encode(format)).unwrap();
        assert_eq!(text(PayloadFormat::Number), "23.5");
        let json: serde_json::Value = serde_json::from_str(&text(PayloadFormat::Json)).unwrap();
        assert_eq!((&json["value"], &json["time"]), (&json!(23.5), &json!("2024-01-01T00:00:00.250Z")));
        let pack: serde_json::Value = serde_json::from_str(&text(PayloadFormat::SenmlJson)).unwrap();
        assert_eq!(pack[0]["bt"], json!(1_704_067_200.25));
        assert_eq!(pack[1], json!({ "n": "seq", "v": 7 }));
    }

    #[test]
    fn cbor_has_the_labels_of_rfc_8428() {
        // RFC 8949 by hand: array of 2; map of 5: -2 (0x21) text, -3 (0x22) double, 0 text, 1 text, 2 half 23.5 (0xF94DE0);
        // map of 2: 0 "seq", 2 unsigned 7.
        let bytes = Reading { base_name: "d:".into(), ..reading() }.encode(PayloadFormat::SenmlCbor);
        let mut want = vec![0x82, 0xA5, 0x21, 0x62, b'd', b':', 0x22, 0xFB];
        want.extend(1_704_067_200.25_f64.to_be_bytes());
        want.extend([0x00, 0x61, b't', 0x01, 0x63, b'C', b'e', b'l', 0x02, 0xF9, 0x4D, 0xE0]);
        want.extend([0xA2, 0x00, 0x63, b's', b'e', b'q', 0x02, 0x07]);
        assert_eq!(bytes, want);
    }

    #[test]
    fn no_form_but_text_carries_what_is_no_number() {
        let nan = Reading { value: f64::NAN, ..reading() };
        assert_eq!(nan.encode(PayloadFormat::Number), b"NaN");
        let json: serde_json::Value = serde_json::from_slice(&nan.encode(PayloadFormat::Json)).unwrap();
        assert_eq!(json["value"], json!(null));
    }
}
