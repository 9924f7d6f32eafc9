//! pH of buffer solutions by family and temperature.
//!
//! Families differ in the last digits (phthalate at 25 °C is 4.005, 4.006 or 4.008), so a buffer always belongs to one.
//! Between the tables' rows a cubic is laid; outside 0 to 50 °C there is no value.

use super::interpolate::EvenTable;

/// Lowest temperature of the tables, °C.
pub const TEMPERATURE_MIN_C: f64 = 0.0;
/// Highest temperature of the tables, °C.
pub const TEMPERATURE_MAX_C: f64 = 50.0;

/// Whose buffers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BufferFamily {
    /// DIN 19266 / NIST / IUPAC 2002 reference buffers. From memory, agrees with JIS Z 8802 within 0.012 pH.
    Din19266,
    /// JIS Z 8802.
    JisZ8802,
    /// Technical buffers of nominal pH 4.00, 7.00 and 10.01.
    Technical4710,
}

/// One buffer.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Buffer {
    /// Name on the bottle.
    pub name: &'static str,
    table: EvenTable,
}

impl Buffer {
    /// pH at a temperature in °C; `None` where the table has none.
    pub fn ph_at(&self, temperature_c: f64) -> Option<f64> {
        self.table.cubic(temperature_c)
    }
}

impl BufferFamily {
    /// Every family.
    pub const ALL: &'static [Self] = &[Self::Din19266, Self::JisZ8802, Self::Technical4710];

    /// Stable word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Din19266 => "din-19266",
            Self::JisZ8802 => "jis-z-8802",
            Self::Technical4710 => "technical",
        }
    }

    /// The one of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|family| family.word() == word)
    }

    /// The buffer on whose bottle stands about this pH, which it has at 25 °C.
    pub fn labelled(self, ph: f64) -> Option<Buffer> {
        let apart = |buffer: &Buffer| buffer.ph_at(25.0).map_or(f64::INFINITY, |own| (own - ph).abs());
        self.buffers().iter().copied().find(|buffer| apart(buffer) <= LABEL_WITHIN_PH)
    }

    /// Its buffers, rising in pH.
    pub const fn buffers(self) -> &'static [Buffer] {
        match self {
            Self::Din19266 => &DIN_19266,
            Self::JisZ8802 => &JIS_Z_8802,
            Self::Technical4710 => &TECHNICAL,
        }
    }

    /// The buffer that an electrode which reads about `ph` stands in; `None` if none is within [`RECOGNISED_WITHIN_PH`].
    pub fn recognise(self, ph: f64, temperature_c: f64) -> Option<Buffer> {
        let apart = |buffer: &Buffer| buffer.ph_at(temperature_c).map(|own| (own - ph).abs());
        let near = self.buffers().iter().filter_map(|b| apart(b).map(|d| (d, b)));
        near.filter(|(d, _)| *d <= RECOGNISED_WITHIN_PH).min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, b)| *b)
    }
}

/// A buffer with its pH at 0 °C and every 5 °C on.
const fn buffer(name: &'static str, ph: &'static [f64]) -> Buffer {
    Buffer { name, table: EvenTable::new(0.0, 5.0, ph) }
}

/// An uncalibrated electrode is off by less than this, and no two buffers of a family are nearer than twice it
/// (common practice, no source).
pub const RECOGNISED_WITHIN_PH: f64 = 0.4;

/// Labels round: 4.005, 4.01 and 4.0 are the same bottle of a family.
const LABEL_WITHIN_PH: f64 = 0.02;

// DIN 19266 / NIST / IUPAC 2002 tables, from memory; 25 °C of borax and carbonate from J. Res. NBS 73A (1969) 37.
const DIN_19266: [Buffer; 4] = [
    buffer("phthalate 4.005", &[4.000, 3.998, 3.997, 3.998, 4.001, 4.005, 4.011, 4.018, 4.027, 4.038, 4.050]),
    buffer("phosphate 6.865", &[6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.838, 6.834, 6.833]),
    buffer("borax 9.180", &[9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.068, 9.038, 9.011]),
    buffer(
        "carbonate 10.012",
        &[10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.925, 9.889, 9.856, 9.828],
    ),
];

// JIS Z 8802, as an instrument maker reprints it.
const JIS_Z_8802: [Buffer; 4] = [
    buffer("phthalate 4.01", &[4.01, 4.01, 4.00, 4.00, 4.00, 4.01, 4.01, 4.02, 4.03, 4.04, 4.06]),
    buffer("phosphate 6.86", &[6.98, 6.95, 6.92, 6.90, 6.88, 6.86, 6.85, 6.84, 6.84, 6.83, 6.83]),
    buffer("borate 9.18", &[9.46, 9.39, 9.33, 9.27, 9.22, 9.18, 9.14, 9.10, 9.07, 9.04, 9.01]),
    buffer("carbonate 10.02", &[10.32, 10.25, 10.18, 10.12, 10.07, 10.02, 9.97, 9.93]),
];

// Common technical buffers (phthalate, 0.041/0.026 M phosphate, carbonate), as an analyser's manual of 2005 lists them.
const TECHNICAL: [Buffer; 3] = [
    buffer("4.00", &[4.00, 4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.02, 4.03, 4.04, 4.06]),
    buffer("7.00", &[7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98, 6.98, 6.97]),
    buffer("10.01", &[10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89, 9.86, 9.83]),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_buffer_is_recognised_or_not_at_all() {
        let name = |ph| BufferFamily::Din19266.recognise(ph, 25.0).map(|b| b.name);
        assert_eq!(name(6.7), Some("phosphate 6.865"));
        assert_eq!(name(9.3), Some("borax 9.180"));
        assert_eq!(name(8.0), None, "halfway is anybody's guess");
        assert_eq!(BufferFamily::Din19266.recognise(6.9, 60.0).map(|b| b.name), None, "no table at 60 °C");
    }

    #[test]
    fn buffers_of_a_family_cannot_be_mistaken_for_each_other() {
        for family in BufferFamily::ALL {
            for pair in family.buffers().windows(2) {
                for t in (0..=35).map(f64::from) {
                    let apart = pair[1].ph_at(t).expect("table") - pair[0].ph_at(t).expect("table");
                    assert!(apart > 2.0 * RECOGNISED_WITHIN_PH, "{} {t}: {apart}", pair[0].name);
                }
            }
        }
    }
}
