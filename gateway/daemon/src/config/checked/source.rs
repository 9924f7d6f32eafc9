//! Where each probe's number comes from: a point of a device, or a topic of a broker.

use std::time::Duration;

use sumpwarden_core::acquire::settings::{BrokerSettings, BusSettings, PayloadFormat, Point, TopicPoint};
use sumpwarden_core::model::ProbeIndex;
use sumpwarden_protocol::modbus::Address;
use sumpwarden_protocol::payload::topic::Filter;
use sumpwarden_protocol::words::{Encoding, NumberKind, Order};

use super::super::file::{Probe, Shop};
use super::super::sources::path_text;
use super::bus::Buses;
use super::notes::{At, Notes, note_two_parts};
use super::overlap;

/// Buses and brokers while probes are attached to them.
pub(super) struct Wiring<'s> {
    buses: Buses,
    brokers: Vec<(String, BrokerSettings)>,
    shop: &'s Shop,
    /// The probe's key of every point, by bus, device and point.
    origins: Vec<(usize, usize, At)>,
    /// The probe's key of every topic, by broker.
    topic_origins: Vec<(usize, At)>,
}

const MINUTE: Duration = Duration::from_secs(60);
const DAY: Duration = Duration::from_secs(86_400);

impl<'s> Wiring<'s> {
    pub(super) fn new(buses: Buses, brokers: Vec<(String, BrokerSettings)>, shop: &'s Shop) -> Self {
        Self { buses, brokers, shop, origins: Vec::new(), topic_origins: Vec::new() }
    }

    /// Attaches a probe to its device or broker.
    pub(super) fn attach(
        &mut self,
        notes: &mut Notes<'_>,
        at: &At,
        table: &Probe,
        probe: ProbeIndex,
        period: Duration,
    ) {
        match (&table.device, &table.broker) {
            (Some(device), None) => {
                note_unfit(notes, at, &topic_keys(table), "a probe that is read from a device");
                self.attach_point(notes, at, table, device, probe, period);
            }
            (None, Some(broker)) => {
                note_unfit(notes, at, &register_keys(table), "a probe that comes by messages");
                self.attach_topic(notes, at, table, broker, probe);
            }
            (Some(_), Some(_)) => {
                let other = (&at.key("device"), "also set here");
                notes.clash(
                    &at.key("broker"),
                    "a probe has one source, this one has two",
                    "keep one of them",
                    other,
                );
            }
            (None, None) => {
                if !notes.doubtful(&at.key("broker")) {
                    notes.require(
                        at,
                        "device",
                        None::<()>,
                        "\"lathe-3-head\" and a register, or a broker and a topic",
                    );
                }
            }
        }
    }

    fn attach_point(
        &mut self,
        notes: &mut Notes<'_>,
        at: &At,
        table: &Probe,
        device: &str,
        probe: ProbeIndex,
        period: Duration,
    ) {
        let names = self.shop.device.keys().map(|k| (k.as_str(), self.buses.devices.get(k).copied()));
        let place = notes.refer(&at.key("device"), "device", device, names).flatten();
        let address = address(notes, at, table);
        let encoding = encoding(notes, at, table, address);
        let (Some((bus, device)), Some(address), Some(encoding)) = (place, address, encoding) else { return };
        let words = encoding.word_count();
        if u32::from(address.index) + u32::from(words) > 65_536 {
            let what =
                format!("the {words} registers from `{}` on run past the last address", address.manual());
            notes.wrong(&at.key("register"), what, "write the register of its first word");
            return;
        }
        let settings = &mut self.buses.buses[bus].devices[device];
        if !address.table.is_bits() && words > settings.registers_max {
            let what = format!(
                "this number takes {words} registers, and the device gives {} at once",
                settings.registers_max
            );
            let limit = At::root().key("device").key(settings.name.as_str()).key("registers_max");
            notes.clash(
                &at.key("register"),
                what,
                format!("set registers_max to at least {words}"),
                (&limit, "limited here"),
            );
        }
        settings.points.push(Point { probe, address, encoding, period });
        self.origins.push((bus, device, at.clone()));
    }

    fn attach_topic(
        &mut self,
        notes: &mut Notes<'_>,
        at: &At,
        table: &Probe,
        broker: &str,
        probe: ProbeIndex,
    ) {
        let brokers = &self.brokers;
        let place = |key: &str| brokers.iter().position(|(name, _)| name == key);
        let names = self.shop.broker.keys().map(|k| (k.as_str(), place(k)));
        let place = notes.refer(&at.key("broker"), "broker", broker, names).flatten();
        let filter = notes.require(at, "topic", table.topic.as_deref(), "\"hall2/lathe3/coolant\"");
        let filter = filter.and_then(|text| topic_filter(notes, &at.key("topic"), text));
        let payload = payload(notes, at, table);
        let late = notes.time(at, "late_max", table.late_max, 7 * DAY, (Duration::ZERO, 3650 * DAY));
        let early = notes.time(at, "early_max", table.early_max, MINUTE, (Duration::ZERO, DAY));
        let (Some(place), Some(filter), Some(payload)) = (place, filter, payload) else { return };
        self.topic_origins.push((place, at.clone()));
        self.brokers[place].1.topics.push(TopicPoint { probe, filter, payload, time_window: (late, early) });
    }

    /// Buses and brokers with everything attached, once overlapping registers and idle devices are noted.
    pub(super) fn finish(self, notes: &mut Notes<'_>) -> (Vec<BusSettings>, Vec<BrokerSettings>) {
        let Self { buses, brokers, origins, topic_origins, shop } = self;
        for (number, bus) in buses.buses.iter().enumerate() {
            for (place, device) in bus.devices.iter().enumerate() {
                let points: Vec<(&Point, &At)> = device
                    .points
                    .iter()
                    .zip(origins.iter().filter(|(b, d, _)| (*b, *d) == (number, place)).map(|(_, _, at)| at))
                    .collect();
                overlap::note_overlaps(notes, &points);
                let at = At::root().key("device").key(device.name.as_str());
                if points.is_empty() && !notes.doubtful(&At::root().key("sump")) {
                    let what = format!("nothing is read from device \"{}\"", device.name);
                    notes.warn(&at, what, "delete it, or add a probe with this device");
                }
            }
        }
        for (number, (key, broker)) in brokers.iter().enumerate() {
            note_shared_topic(notes, key, broker);
            let of_broker = topic_origins.iter().filter(|(place, _)| *place == number).map(|(_, at)| at);
            note_same_messages(notes, &broker.topics.iter().zip(of_broker).collect::<Vec<_>>());
            let publishes = shop.broker.get(key).is_some_and(|table| table.sparkplug.is_some());
            let used = publishes || !broker.topics.is_empty() || broker.notes.is_some();
            if !used && !notes.doubtful(&At::root().key("sump")) {
                let what = format!("nothing is listened to at broker \"{key}\"");
                notes.warn(
                    &At::root().key("broker").key(key),
                    what,
                    "delete it, or add a probe with this broker",
                );
            }
        }
        (buses.buses, brokers.into_iter().map(|(_, broker)| broker).collect())
    }
}

/// A message is a note or a reading; where both are listened to under one topic, readings would be lost.
fn note_shared_topic(notes: &mut Notes<'_>, key: &str, broker: &BrokerSettings) {
    let Some(of_notes) = &broker.notes else { return };
    let Ok(filter) = of_notes.filter.parse::<Filter>() else { return };
    let shared = |topic: &&TopicPoint| topic.filter == of_notes.filter || filter.matches(&topic.filter);
    if let Some(topic) = broker.topics.iter().find(shared) {
        let at = At::root().key("broker").key(key).key("notes").key("topic");
        let what = format!("notes and readings come by one topic: \"{}\"", topic.filter);
        notes.wrong(&at, what, "give notes a topic of their own, as in \"sumpwarden/{sump}/note\"");
    }
}

/// Two probes that take the very same number out of the same messages.
fn note_same_messages(notes: &mut Notes<'_>, topics: &[(&TopicPoint, &At)]) {
    for (number, (topic, at)) in topics.iter().enumerate() {
        let same =
            |other: &&(&TopicPoint, &At)| other.0.filter == topic.filter && other.0.payload == topic.payload;
        let Some((_, first)) = topics[..number].iter().find(same) else { continue };
        let what = format!(
            "`{}` takes the same number out of the same messages as `{}`",
            path_text(&at.0),
            path_text(&first.0)
        );
        let cure = match notes.written(at) == notes.written(first) {
            true => "write {sump} for a level of the topic: in a type it stands for the sump's name",
            false => "check the topic",
        };
        notes.warn_clash(&at.key("topic"), what, cure, (&first.key("topic"), "taken here as well"));
    }
}

fn topic_keys(table: &Probe) -> [(&'static str, bool); 7] {
    [
        ("topic", table.topic.is_some()),
        ("payload", table.payload.is_some()),
        ("json", table.json.is_some()),
        ("senml", table.senml.is_some()),
        ("senml_cbor", table.senml_cbor.is_some()),
        ("late_max", table.late_max.is_some()),
        ("early_max", table.early_max.is_some()),
    ]
}

fn register_keys(table: &Probe) -> [(&'static str, bool); 4] {
    [
        ("register", table.register.is_some()),
        ("number", table.number.is_some()),
        ("order", table.order.is_some()),
        ("no_value", table.no_value.is_some()),
    ]
}

fn note_unfit(notes: &mut Notes<'_>, at: &At, keys: &[(&str, bool)], what: &str) {
    for (key, _) in keys.iter().filter(|(_, written)| *written) {
        notes.wrong(&at.key(key), format!("`{key}` does not belong to {what}"), "delete it");
    }
}

fn address(notes: &mut Notes<'_>, at: &At, table: &Probe) -> Option<Address> {
    let text = notes.require(at, "register", table.register.as_deref(), "\"30001\" or \"input:0\"")?;
    Address::parse(text).map_err(|error| note_two_parts(notes, &at.key("register"), &error.to_string())).ok()
}

fn encoding(notes: &mut Notes<'_>, at: &At, table: &Probe, address: Option<Address>) -> Option<Encoding> {
    let bits = address.map(|a| a.table.is_bits());
    let default = if bits == Some(true) { NumberKind::Bit } else { NumberKind::U16 };
    notes.default(at, "number", table.number.is_some(), format_args!("\"{default}\""));
    notes.default(at, "order", table.order.is_some(), format_args!("\"{}\"", Order::default()));
    let kind = match table.number.as_deref() {
        None => default,
        Some(text) => match text.parse::<NumberKind>() {
            Ok(kind) => kind,
            Err(error) => {
                note_two_parts(notes, &at.key("number"), &error.to_string());
                return None;
            }
        },
    };
    if let (Some(bits), Some(address)) = (bits, address)
        && bits != (kind == NumberKind::Bit)
    {
        let what = format!("`{kind}` cannot lie in `{}`", address.table.word());
        let cure = match bits {
            true => "coils and discrete inputs hold single bits: number = \"bit\", or leave it away",
            false => "registers hold words: one bit of one is number = \"bit 3\"",
        };
        notes.wrong(&at.key("number"), what, cure);
        return None;
    }
    let order = match table.order.as_deref().map(str::parse::<Order>) {
        None => Order::default(),
        Some(Ok(order)) => order,
        Some(Err(error)) => {
            note_two_parts(notes, &at.key("order"), &error.to_string());
            return None;
        }
    };
    let encoding = Encoding { kind, order, no_value: table.no_value.clone().unwrap_or_default() };
    if let Err(error) = encoding.check() {
        notes.wrong(
            &at.key("no_value"),
            error.to_string(),
            "write the raw pattern as in the manual, such as 0x8000",
        );
        return None;
    }
    Some(encoding)
}

/// MQTT 3.1.1, 4.7: levels parted by `/`, `+` for one whole level, `#` for the rest.
pub(super) fn topic_filter(notes: &mut Notes<'_>, at: &At, text: &str) -> Option<String> {
    if text.starts_with("$share/") {
        let what = format!("\"{}\" is a shared subscription", super::super::reader::shortened(text));
        let cure = "leave away `$share/` and the group: it would give each box some of the readings of a sump, and none could \
                    estimate it; let each box list the sumps it works for";
        notes.wrong(at, what, cure);
        return None;
    }
    let levels: Vec<&str> = text.split('/').collect();
    let wrong = if text.is_empty() {
        Some("is empty")
    } else if text.len() > 65_535 || text.chars().any(char::is_control) {
        Some("is too long or holds control characters")
    } else if levels.iter().any(|l| l.contains('+') && *l != "+") {
        Some("has a `+` that is not a whole level")
    } else if levels.iter().enumerate().any(|(i, l)| l.contains('#') && (*l != "#" || i + 1 != levels.len()))
    {
        Some("has a `#` that is not its last level")
    } else {
        None
    };
    if let Some(wrong) = wrong {
        let what = format!("the topic \"{}\" {wrong}", super::super::reader::shortened(text));
        notes.wrong(at, what, "write it as in \"hall2/lathe3/coolant\" or \"hall2/+/coolant\"");
        return None;
    }
    Some(text.to_owned())
}

fn payload(notes: &mut Notes<'_>, at: &At, table: &Probe) -> Option<PayloadFormat> {
    let written: Vec<&str> =
        topic_keys(table)[1..5].iter().filter(|(_, w)| *w).map(|(key, _)| *key).collect();
    if let [first, second, ..] = written[..] {
        let other = (&at.key(first), "also set here");
        notes.clash(&at.key(second), "a message has one format, this one has two", "keep one of them", other);
        return None;
    }
    if let Some(json) = &table.json {
        let at = at.key("json");
        let value = notes.require(&at, "value", json.value.clone(), "\"/t\", a JSON pointer")?;
        for (key, pointer) in
            [("value", Some(&value)), ("time", json.time.as_ref()), ("unit", json.unit.as_ref())]
        {
            if let Some(pointer) = pointer
                && !is_json_pointer(pointer)
            {
                let what = format!("\"{}\" is no JSON pointer", super::super::reader::shortened(pointer));
                notes.wrong(&at.key(key), what, "start every step with `/`, as in \"/data/0/t\" (RFC 6901)");
            }
        }
        return Some(PayloadFormat::Json { value, time: json.time.clone(), unit: json.unit.clone() });
    }
    Some(match (&table.senml, &table.senml_cbor) {
        (Some(name), _) => PayloadFormat::SenmlJson { name: name.clone() },
        (_, Some(name)) => PayloadFormat::SenmlCbor { name: name.clone() },
        (None, None) => PayloadFormat::Plain,
    })
}

/// RFC 6901, 3: empty, or steps that each start with `/`; `~` only as `~0` and `~1`.
fn is_json_pointer(text: &str) -> bool {
    let escapes = text.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']));
    escapes && (text.is_empty() || text.starts_with('/'))
}
