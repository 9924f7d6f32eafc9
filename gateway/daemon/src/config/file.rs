//! What the configuration files say, table by table, before anything is checked but types.
//!
//! Every key is optional here: what must be there is decided where its meaning is known, so that one missing key does
//! not hide the next mistake. Units are part of the text ("310 mm"); the name of a key carries the unit where a plain
//! number is the custom (`target_percent`).

mod kept;
mod plan;
mod probe;
mod receiver;
mod sparkplug;
mod standby;
mod web;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

use kept::Kept;
pub use plan::{BrokerNotes, CheckTable, CountryWord, DayWord, Plan};

use super::quantity::{Hardness, Lasting, Measure, Size};

pub use probe::{
    BuffersWord, Cell, CompensationWord, Contact, Counter, CurrentLoop, Electrode, Frozen, Gap, Hydrostatic,
    JsonPointers, PayloadWord, Probe, Rtd, Spike,
};
pub use receiver::{
    Escalate, Heartbeat, MailSecurityWord, MailTable, MqttTable, Quiet, Receiver, UnitsWord, WebhookTable,
};
pub use sparkplug::Sparkplug;
pub use standby::{AloneWord, Standby};
pub use web::{PageTls, Reads, Web};

/// A table keyed by names people give, in the order of the names.
pub type Named<T> = BTreeMap<String, T>;

/// All files and variables together.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Shop {
    /// `[site]`: where the gateway stands.
    #[serde(default)]
    pub site: Site,
    /// `[store]`: what is kept, where and how long.
    #[serde(default)]
    pub store: Store,
    /// `[web]`: the page and its interface.
    #[serde(default)]
    pub web: Web,
    /// `[forward.NAME]`: time-series databases to forward to.
    #[serde(default)]
    pub forward: Named<Forward>,
    /// `[receiver.NAME]`: who is told of alarms, and how.
    #[serde(default)]
    pub receiver: Named<Receiver>,
    /// `[heartbeat]`: a watcher outside that speaks up when it hears nothing.
    pub heartbeat: Option<Heartbeat>,
    /// `[bus.NAME]`: serial lines, and connections to Modbus TCP devices.
    #[serde(default)]
    pub bus: Named<Bus>,
    /// `[device.NAME]`: Modbus devices on the buses.
    #[serde(default)]
    pub device: Named<Device>,
    /// `[device_type.NAME]`: what devices of a type have in common, with the probes that are read from each.
    #[serde(default)]
    pub device_type: Named<Device>,
    /// `[broker.NAME]`: MQTT brokers to listen to.
    #[serde(default)]
    pub broker: Named<Broker>,
    /// `[water.NAME]`: waters to top up with.
    #[serde(default)]
    pub water: Named<Water>,
    /// `[fluid.NAME]`: coolant concentrates.
    #[serde(default)]
    pub fluid: Named<Fluid>,
    /// `[plan]`: the test plan of every sump.
    #[serde(default)]
    pub plan: Plan,
    /// `[sump.NAME]`: the sumps, each with its probes and limits.
    #[serde(default)]
    pub sump: Named<Sump>,
    /// `[sump_type.NAME]`: what sumps of a type have in common.
    #[serde(default)]
    pub sump_type: Named<Sump>,
    /// `[alarm.NAME]`: faults of the gateway, its lines and its peers, by their words.
    #[serde(default)]
    #[schemars(schema_with = "kept::faults")]
    pub alarm: Named<Switch<AlarmTable>>,
}

/// Where the gateway stands.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Site {
    /// Tag on everything that is forwarded.
    pub name: Option<String>,
    /// Which of the boxes of this site it is; a tag as well. Default the host's name and digits of its hardware.
    #[serde(rename = "box")]
    pub box_name: Option<String>,
    /// IANA name of the time zone; what people read is written in it. Default UTC.
    pub timezone: Option<String>,
    /// Hours that pass in the sumps in one hour of the clock; more than 1 only for demonstrations. From 1 to 10000. Default 1.
    pub pace: Option<f64>,
    /// A file that is there once the clock is right since the machine was started, such as
    /// `/run/systemd/timesync/synchronized`; until then numbers are kept without a date. Default none: the clock is right where it
    /// is not long behind what is stored.
    pub clock_set_file: Option<String>,
}

/// The embedded store.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Store {
    /// Directory, relative to the main configuration file. Default `data`.
    pub directory: Option<String>,
    /// How many days raw samples are kept. From 1 to 36500. Default 400.
    pub keep_raw_days: Option<u32>,
    /// How many days the journal and the hourly and daily figures are kept. From 1 to 36500. Default 1830, five years.
    pub keep_journal_days: Option<u32>,
    /// Most disk the store may use. Default 8 GiB.
    pub keep_bytes_max: Option<Size>,
    /// Disk left free whatever happens. Default 1 GiB.
    pub free_bytes_min: Option<Size>,
    /// How often estimates are stored. From 1 s to 1 d. Default 1 min.
    pub estimates_every: Option<Lasting>,
}

/// A time-series database to forward to.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Forward {
    /// `http://` or `https://` address without a path.
    pub url: Option<String>,
    /// Organisation there.
    pub organisation: Option<String>,
    /// Bucket there.
    pub bucket: Option<String>,
    /// File with the token, where the database wants one.
    pub token_file: Option<String>,
    /// The token itself: by environment variable only.
    pub token: Option<String>,
}

/// A serial line, or a connection to a Modbus TCP device or gateway.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Bus {
    /// `modbus-tcp`, `modbus-rtu` or `modbus-rtu-over-tcp`.
    pub link: Option<Link>,
    /// `host:port`.
    pub address: Option<String>,
    /// Path of the serial port.
    pub port: Option<String>,
    /// Bits per second. Default 19200.
    pub baud: Option<u32>,
    /// Parity of the line. Default even.
    pub parity: Option<ParityWord>,
    /// Stop bits, 1 or 2. Default 1, and 2 where there is no parity.
    pub stop_bits: Option<u8>,
    /// How long connecting may take. From 10 ms to 1 min. Default 3 s.
    pub connect_timeout: Option<Lasting>,
    /// First wait before connecting again. From 10 ms to 1 h. Default 500 ms.
    pub reconnect_after: Option<Lasting>,
    /// Longest wait before connecting again. Default 30 s.
    pub reconnect_after_max: Option<Lasting>,
    /// A second box that may poll it.
    pub standby: Option<Standby>,
}

/// How a bus is reached.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Link {
    /// Modbus TCP.
    ModbusTcp,
    /// Modbus RTU on a serial port.
    ModbusRtu,
    /// RTU frames through a serial server on TCP.
    ModbusRtuOverTcp,
}

/// Parity of a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ParityWord {
    /// Even.
    Even,
    /// Odd.
    Odd,
    /// None.
    None,
}

/// A Modbus device on a bus.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Device {
    /// Name of its type, whose keys and probes it takes over where it says nothing else.
    #[serde(rename = "type")]
    pub kind: Option<String>,
    /// Name of its bus.
    pub bus: Option<String>,
    /// Its unit id: 1 to 247 on a serial line, 0 to 255 on TCP. Default 1 on TCP.
    pub unit_id: Option<u8>,
    /// How long a reply may take. From 10 ms to 1 min. Default 500 ms on a serial line, 1 s on TCP.
    pub timeout: Option<Lasting>,
    /// Repeats after a time-out or a damaged reply. From 0 to 10. Default 1.
    pub retries: Option<u8>,
    /// Pause after its reply beyond the silent interval. From 0 ms to 10 s. Default 0 ms.
    pub turnaround: Option<Lasting>,
    /// Silent interval where it needs more than 3.5 characters. From 0.1 ms to 1 s.
    pub silent_interval: Option<Lasting>,
    /// After what time no late reply comes any more, counted from the request like `timeout`: what both are on the wire comes
    /// on top. Default twice the time-out.
    pub worst_reply: Option<Lasting>,
    /// Most registers in one reply. From 1 to 125. Default 125.
    pub registers_max: Option<u16>,
    /// Widest gap a merged request may read across. From 0 to 124. Default 4.
    pub gap_max: Option<u16>,
    /// Probes that every sump with this device has; `NAME = false` leaves out one of its type.
    #[serde(default)]
    #[schemars(with = "Named<Kept<Probe>>")]
    pub probe: Named<Probe>,
}

/// A broker to listen to.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Broker {
    /// `host:port`.
    pub address: Option<String>,
    /// Client id. Default `sumpwarden-SITE-BOX`.
    pub client_id: Option<String>,
    /// User name.
    pub user: Option<String>,
    /// File with the password.
    pub password_file: Option<String>,
    /// The password itself: by environment variable only.
    pub password: Option<String>,
    /// TLS; an empty table trusts the system's authorities.
    pub tls: Option<Tls>,
    /// How often a quiet connection is tried. From 5 s to 1 h. Default 30 s.
    pub keep_alive: Option<Lasting>,
    /// Largest message accepted. From 1 KiB to 16 MiB. Default 256 KiB.
    pub message_size_max: Option<Size>,
    /// First wait before connecting again. From 10 ms to 1 h. Default 1 s.
    pub reconnect_after: Option<Lasting>,
    /// Longest wait before connecting again. Default 1 min.
    pub reconnect_after_max: Option<Lasting>,
    /// Notes that come by it.
    pub notes: Option<BrokerNotes>,
    /// What plant systems see at it.
    pub sparkplug: Option<Sparkplug>,
}

/// TLS towards a peer.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Tls {
    /// Certificate authorities to trust (PEM).
    pub ca_file: Option<String>,
    /// Client certificate (PEM).
    pub certificate_file: Option<String>,
    /// Its key (PEM).
    pub key_file: Option<String>,
}

/// A water to top up with.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Water {
    /// Total hardness.
    pub hardness: Option<Hardness>,
    /// Conductivity at 25 °C. From 0 uS/cm to 100000 uS/cm.
    pub conductivity: Option<Measure>,
}

/// A coolant concentrate.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Fluid {
    /// Percent = Brix × factor. From 0.2 to 10.
    pub refractometer_factor: Option<f64>,
    /// Jar test: percent, uS/cm at 25 °C.
    pub conductivity_curve: Option<Vec<(f64, f64)>>,
}

/// A sump.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Sump {
    /// Name of its type, whose keys, probes, limits and alarms it takes over where it says nothing else.
    #[serde(rename = "type")]
    pub kind: Option<String>,
    /// Name of the device whose probes it has, and that its probes are read from where they name none.
    pub device: Option<String>,
    /// Names of its devices, where it has several.
    pub devices: Option<Vec<String>>,
    /// What people call it. Default its name.
    pub title: Option<String>,
    /// Name of its fluid.
    pub fluid: Option<String>,
    /// Name of the water it is topped up with.
    pub water: Option<String>,
    /// Name of the water it is filled with, where that is another one.
    pub fill_water: Option<String>,
    /// Concentration to be held, percent. From 0.5 to 30.
    pub target_percent: Option<f64>,
    /// Strength of every top-up, percent, where a mixing unit makes them. From 0 to 50.
    pub makeup_percent: Option<f64>,
    /// Part of a chip bed that is metal, percent by volume. From 0.5 to 60.
    pub chip_solid_percent: Option<f64>,
    /// Height of the fill mark above the lowest point of the floor. From 1 mm to 100000 mm.
    pub fill_mark: Option<Measure>,
    /// Height under which the pump draws air. From 0 mm to 100000 mm.
    pub pump_minimum: Option<Measure>,
    /// What runs back when the pumps stop. From 0 L to 10000 L. Default none.
    pub holdup: Option<Measure>,
    /// Shape and size.
    pub tank: Option<TankTable>,
    /// Its probes; `NAME = false` leaves out one of its type or device.
    #[serde(default)]
    #[schemars(with = "Named<Kept<Probe>>")]
    pub probe: Named<Probe>,
    /// Its limits; `NAME = false` turns a default one off.
    #[serde(default)]
    pub limit: Named<Switch<Limit>>,
    /// Alarms on what is worked out, by their words; `NAME = false` turns one off.
    #[serde(default)]
    #[schemars(schema_with = "kept::conditions")]
    pub alarm: Named<Switch<AlarmTable>>,
    /// What its test plan has differently.
    #[serde(default)]
    pub plan: Plan,
}

/// Shape and size of a tank; which keys belong together depends on the shape.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct TankTable {
    /// Which shape.
    pub shape: Option<Shape>,
    /// Inner length; of a lying cylinder the straight part. From 1 mm to 100000 mm.
    pub length: Option<Measure>,
    /// Inner width. From 1 mm to 100000 mm.
    pub width: Option<Measure>,
    /// Inner height above the lowest point. From 1 mm to 100000 mm.
    pub height: Option<Measure>,
    /// Rise of the floor over the length. From 1 mm to 100000 mm.
    pub drop: Option<Measure>,
    /// Inner diameter. From 1 mm to 100000 mm.
    pub diameter: Option<Measure>,
    /// Ends of a cylinder.
    pub heads: Option<HeadsWord>,
    /// Torispherical: dish radius over diameter. Default 1.
    pub dish: Option<f64>,
    /// Torispherical: knuckle radius over diameter. Default 0.1.
    pub knuckle: Option<f64>,
    /// Ellipsoidal: depth of one head. From 1 mm to 100000 mm. Default a quarter of the diameter.
    pub depth: Option<Measure>,
    /// Boxes.
    pub parts: Option<Vec<BoxTable>>,
    /// Strapping table: height in mm, litres.
    pub table: Option<Vec<(f64, f64)>>,
}

/// Shape of a tank.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// One box.
    Box,
    /// Several boxes.
    Boxes,
    /// A box with a floor that rises over its length.
    SlopedFloor,
    /// A lying cylinder.
    LyingCylinder,
    /// A table of heights and volumes.
    Strapping,
}

/// Ends of a lying cylinder.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum HeadsWord {
    /// Flat.
    Flat,
    /// Torispherical.
    Torispherical,
    /// Half ellipsoid.
    Ellipsoidal,
}

/// One box of a tank.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct BoxTable {
    /// Inner length. From 1 mm to 100000 mm.
    pub length: Option<Measure>,
    /// Inner width. From 1 mm to 100000 mm.
    pub width: Option<Measure>,
    /// Height of its floor above the lowest point of the tank. From 0 mm to 100000 mm.
    pub floor: Option<Measure>,
    /// Height of its top above the lowest point of the tank. From 1 mm to 100000 mm.
    pub top: Option<Measure>,
}

/// A check with its figures, or `false` to turn its default off.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Switch<T> {
    /// `false`: no such check. `true`: the default figures.
    Plain(bool),
    /// These figures.
    Table(T),
}

/// A limit.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Limit {
    /// What it watches: a probe of the sump, or an estimate: `concentration`, `hardness`, `liquid`, `chip_solids`, `holdup`, `evaporation`,
    /// `dragout`, `room`.
    pub of: Option<String>,
    /// Too low at or under this.
    pub low: Option<Measure>,
    /// Too high at or over this.
    pub high: Option<Measure>,
    /// How far it must come back. Default by quantity.
    pub deadband: Option<Measure>,
    /// How long it must hold. From 0 ms to 7 d. Default 60 s, 15 s for a flow, but three readings at least.
    pub on_delay: Option<Lasting>,
    /// How long it must have ended. From 0 ms to 7 d. Default as `on_delay`.
    pub off_delay: Option<Lasting>,
    /// How urgent it is. Default medium.
    pub priority: Option<PriorityWord>,
    /// Only once it is so probable, percent: for estimates. Default none: the value decides. From 50 to 99.9.
    pub probability_percent: Option<f64>,
    /// Ahead of time: once the limit is reached within so many days as things go. For concentration and hardness. From 0.5 to 365.
    pub within_days: Option<f64>,
    /// Somebody must reset it after it has returned. Default false.
    pub latching: Option<bool>,
    /// It is told anew when it has stood acknowledged for this long. From 1 min to 30 d. Default never.
    pub realarm_after: Option<Lasting>,
}

/// How an alarm behaves whose condition is not a limit.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct AlarmTable {
    /// How long it must hold. From 0 ms to 7 d.
    pub on_delay: Option<Lasting>,
    /// How long it must have ended. From 0 ms to 7 d.
    pub off_delay: Option<Lasting>,
    /// How urgent it is. Default by condition.
    pub priority: Option<PriorityWord>,
    /// Somebody must reset it after it has returned. Default false.
    pub latching: Option<bool>,
    /// It is told anew when it has stood acknowledged for this long. From 1 min to 30 d. Default never.
    pub realarm_after: Option<Lasting>,
}

/// Priority of an alarm.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PriorityWord {
    /// Within a week.
    Low,
    /// Within the day.
    Medium,
    /// Now.
    High,
}

impl<T: JsonSchema> JsonSchema for Switch<T> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("{}OrNot", T::schema_name()).into()
    }

    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "anyOf": [generator.subschema_for::<T>(), { "type": "boolean" }] })
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Switch<T> {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reader<T>(std::marker::PhantomData<T>);

        impl<'de, T: Deserialize<'de>> serde::de::Visitor<'de> for Reader<T> {
            type Value = Switch<T>;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("true, false or a table with the figures")
            }

            fn visit_bool<E>(self, on: bool) -> Result<Switch<T>, E> {
                Ok(Switch::Plain(on))
            }

            fn visit_newtype_struct<D: serde::Deserializer<'de>>(
                self,
                table: D,
            ) -> Result<Switch<T>, D::Error> {
                T::deserialize(table).map(Switch::Table)
            }
        }

        // The reader of the layered tree calls back with a plain value or, for a table, with itself.
        deserializer.deserialize_newtype_struct("Switch", Reader(std::marker::PhantomData))
    }
}
