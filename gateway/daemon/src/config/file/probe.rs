//! Probes: where their numbers come from, and what the numbers mean.

use schemars::JsonSchema;
use serde::Deserialize;

use super::super::quantity::{Lasting, Measure};
use super::{PriorityWord, Switch, kept};

/// A probe: where its number comes from, and what the number means.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Probe {
    /// What it measures: `ph`, `conductivity`, `level`, …
    #[schemars(schema_with = "kept::quantities")]
    pub quantity: Option<String>,

    /// Name of the Modbus device it is read from.
    pub device: Option<String>,
    /// Address there: "30001", "400001", "input:0", "holding:0", "coil:0", "discrete:0".
    pub register: Option<String>,
    /// `u16 i16 u32 i32 u64 i64 f32 f64 bit` or `bits 4..7`. Default `u16`, and `bit` in the bit tables.
    pub number: Option<String>,
    /// `ABCD CDAB BADC DCBA`. Default `ABCD`.
    #[schemars(schema_with = "kept::orders")]
    pub order: Option<String>,
    /// Raw patterns that mean "no value".
    pub no_value: Option<Vec<u64>>,

    /// Name of the broker its messages come from.
    pub broker: Option<String>,
    /// Topic filter.
    pub topic: Option<String>,
    /// `number`: the message is the number.
    pub payload: Option<PayloadWord>,
    /// JSON pointers (RFC 6901).
    pub json: Option<JsonPointers>,
    /// Name of a SenML record in JSON; any record if empty.
    pub senml: Option<String>,
    /// Name of a SenML record in CBOR; any record if empty.
    pub senml_cbor: Option<String>,
    /// How far a message's own time may lie behind the gateway's clock. From 0 ms to 3650 d. Default 7 d.
    pub late_max: Option<Lasting>,
    /// How far it may lie ahead. From 0 ms to 1 d. Default 1 min.
    pub early_max: Option<Lasting>,

    /// Factor on the device's number. Default 1.
    pub scale: Option<f64>,
    /// Added after the factor. Default 0.
    pub offset: Option<f64>,
    /// Unit of the scaled number (UCUM). Default the unit its sensor needs.
    #[schemars(schema_with = "kept::units")]
    pub unit: Option<String>,
    /// A 4–20 mA loop instead of scale and offset.
    #[serde(rename = "loop")]
    pub current_loop: Option<CurrentLoop>,

    /// A platinum resistor.
    pub rtd: Option<Rtd>,
    /// A pH electrode, mV.
    pub electrode: Option<Electrode>,
    /// A conductivity cell.
    pub cell: Option<Cell>,
    /// A pressure probe under the liquid.
    pub hydrostatic: Option<Hydrostatic>,
    /// A distance sensor above the liquid.
    pub gap: Option<Gap>,
    /// Pulses or a running total.
    pub counter: Option<Counter>,
    /// A contact.
    pub contact: Option<Contact>,
    /// Temperature of the liquid for compensation: a probe of the same sump, or a fixed "22 Cel".
    pub temperature: Option<String>,
    /// Stands in when that probe has no value. From 0 Cel to 100 Cel. Default 22 Cel.
    pub temperature_fallback: Option<Measure>,

    /// How often it is read, or a message is expected. From 1 ms to 1 d. Default 10 s.
    pub every: Option<Lasting>,
    /// Range of the probe.
    pub range: Option<(Measure, Measure)>,
    /// Standard uncertainty in the quantity's unit.
    pub accuracy: Option<Measure>,
    /// Standard uncertainty in percent of the value, added to the above. From 0 to 100.
    pub accuracy_percent: Option<f64>,
    /// How long the last good value stands in for a missing one. From 0 ms to 7 d. Default three periods.
    pub hold: Option<Lasting>,
    /// After how long without a value it is stale. Default five periods.
    pub stale_after: Option<Lasting>,
    /// Frozen check; `frozen = false` turns the default off.
    pub frozen: Option<Switch<Frozen>>,
    /// Spike check; `spike = false` turns the default off.
    pub spike: Option<Switch<Spike>>,
    /// Last day its calibration holds: 2027-03-31.
    pub calibration_due: Option<String>,
    /// How long it must be bad until its instrument alarm. From 0 ms to 7 d. Default 5 min.
    pub fault_on_delay: Option<Lasting>,
    /// Priority of its instrument alarm. Default low.
    pub fault_priority: Option<PriorityWord>,
}

/// What a message is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PayloadWord {
    /// The number itself.
    Number,
}

/// JSON pointers into a message.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct JsonPointers {
    /// To the value.
    pub value: Option<String>,
    /// To its time.
    pub time: Option<String>,
    /// To its unit.
    pub unit: Option<String>,
}

/// A 4–20 mA loop.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct CurrentLoop {
    /// Two numbers of the device.
    pub counts: Option<(f64, f64)>,
    /// The currents they stand for, mA. Default [4, 20].
    pub ma: Option<(f64, f64)>,
    /// The signal at 4 mA and at 20 mA.
    pub signal: Option<(Measure, Measure)>,
    /// Or a table: mA, signal in the probe's `unit`.
    pub points: Option<Vec<(f64, f64)>>,
}

/// A platinum resistor (IEC 60751).
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Rtd {
    /// Resistance at 0 °C: "100 Ohm" or "1000 Ohm".
    pub r0: Option<Measure>,
    /// Resistance of the leads. Default none.
    pub lead: Option<Measure>,
}

/// Calibration of a pH electrode.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Electrode {
    /// Slope in percent of Nernst's. From 80 to 110. Default 100.
    pub slope_percent: Option<f64>,
    /// Slope on the alkaline side of a three-point calibration. From 80 to 110. Default the same.
    pub slope_alkaline_percent: Option<f64>,
    /// pH of the middle buffer, where the slopes meet. From 3 to 11. Default 7.
    pub knee_ph: Option<f64>,
    /// pH at 0 mV. From 5 to 9. Default 7.
    pub zero_ph: Option<f64>,
    /// pH at which temperature does not matter. From 0 to 14. Default 7.
    pub isopotential_ph: Option<f64>,
    /// Temperature of the calibration. From 0 Cel to 100 Cel. Default 25 Cel.
    pub calibrated_at: Option<Measure>,
    /// Whose buffers it is calibrated in.
    pub buffers: Option<BuffersWord>,
}

/// Families of buffers.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
pub enum BuffersWord {
    /// DIN 19266: 4.005, 6.865, 9.180, 10.012.
    #[serde(rename = "din-19266")]
    Din19266,
    /// JIS Z 8802: 4.01, 6.86, 9.18, 10.02.
    #[serde(rename = "jis-z-8802")]
    JisZ8802,
    /// Technical: 4.00, 7.00, 10.01.
    #[serde(rename = "technical")]
    Technical,
}

/// A conductivity cell.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Cell {
    /// Cell constant in 1/cm, where the device delivers conductance. From 0.001 to 100.
    pub constant_per_cm: Option<f64>,
    /// How it comes to 25 °C. Default `none`.
    pub compensation: Option<CompensationWord>,
    /// Linear: percent per kelvin. From 0 to 10. Default 2.
    pub percent_per_k: Option<f64>,
    /// Table: °C, factor to 25 °C.
    pub factors: Option<Vec<(f64, f64)>>,
}

/// Conductivity to 25 °C.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CompensationWord {
    /// The device does it.
    None,
    /// By so many percent per kelvin.
    Linear,
    /// Natural waters (ISO 7888).
    NaturalWater,
    /// The product's own factors.
    Table,
}

/// A pressure probe under the liquid.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Hydrostatic {
    /// Fixed density, kg/m3. From 500 to 2000.
    pub density_kg_m3: Option<f64>,
    /// Or water's density at the liquid's temperature times this. From 0.5 to 2. Default 1.
    pub density_over_water: Option<f64>,
    /// Height of the membrane above the tank floor. From 0 mm to 100000 mm. Default 0.
    pub mounting: Option<Measure>,
}

/// A distance sensor above the liquid.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Gap {
    /// Height of its face above the tank floor. From 1 mm to 100000 mm.
    pub sensor_height: Option<Measure>,
}

/// Pulses or a running total.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Counter {
    /// Litres per count. From 0.000001 to 1000000. Default 1.
    pub litres_per_count: Option<f64>,
    /// Count at which it starts over. From 2 to 10000000000000000000. Default by the width of the register.
    pub modulus: Option<f64>,
    /// Greatest flow that can be real. From 0.01 L/min to 100000 L/min. Default 200 L/min.
    pub flow_max: Option<Measure>,
}

/// A contact.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Contact {
    /// Closed means not running. Default false.
    pub inverted: Option<bool>,
}

/// A value that does not move for this long is frozen.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Frozen {
    /// How long.
    pub after: Option<Lasting>,
    /// It must move by more than this. Default 0: by one digit.
    pub least_change: Option<Measure>,
}

/// A value that moves faster than this is a spike.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Spike {
    /// Step that is always allowed.
    pub step: Option<Measure>,
    /// Fastest real change in a second.
    pub change_per_s: Option<Measure>,
    /// Readings in a row that make it real. From 1 to 20. Default 3.
    pub confirm: Option<u8>,
}
