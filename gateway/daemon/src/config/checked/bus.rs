//! Buses, their devices, and brokers, still without what is read from them.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

use sumpwarden_core::acquire::settings::{
    BrokerSettings, BusLink, BusSettings, DeviceSettings, Parity, SerialLine, TlsSettings,
};
use sumpwarden_protocol::modbus::{READ_REGISTERS_MAX, TCP_PORT, UNIT_ID_MAX, UNIT_ID_MIN};

use super::super::file::{Broker, Bus, Device, Link, ParityWord, Shop, Tls};
use super::super::quantity::Lasting;
use super::SiteSettings;
use super::notes::{At, Notes, name};
use super::secret::{SecretKeys, secret};

const MILLISECOND: Duration = Duration::from_millis(1);
const SECOND: Duration = Duration::from_secs(1);
const HOUR: Duration = Duration::from_secs(3600);

/// Rates that serial ports offer, bits per second.
pub(crate) const BAUDS: &[u32] = &[1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400];

/// Buses by name, each with its devices by name, and where each device is.
pub(super) struct Buses {
    pub(super) buses: Vec<BusSettings>,
    /// Place of each device: bus, place on it. Devices with a mistake are missing.
    pub(super) devices: BTreeMap<String, (usize, usize)>,
}

pub(super) fn buses(notes: &mut Notes<'_>, shop: &Shop) -> Buses {
    let mut buses = Vec::new();
    let mut places = BTreeMap::new();
    let mut peers: BTreeMap<String, At> = BTreeMap::new();
    for (key, table) in &shop.bus {
        let at = At::root().key("bus").key(key);
        let Some(bus) = bus(notes, &at, key, table) else { continue };
        note_shared_peer(notes, &at, &bus.link, &mut peers);
        places.insert(key.as_str(), buses.len());
        buses.push(bus);
    }
    let devices = devices(notes, shop, &mut buses, &places);
    for (key, place) in &places {
        let at = At::root().key("bus").key(key);
        if buses[*place].devices.is_empty() && !notes.doubtful(&At::root().key("device")) {
            notes.warn(
                &at,
                format!("no device is on bus \"{key}\""),
                "delete it, or add a table [device.NAME] with this bus",
            );
        }
    }
    Buses { buses, devices }
}

/// One port cannot be opened twice; one Modbus TCP server may take one connection only.
fn note_shared_peer(notes: &mut Notes<'_>, at: &At, link: &BusLink, peers: &mut BTreeMap<String, At>) {
    let (key, text) = match link {
        BusLink::Rtu { port, .. } => ("port", port),
        BusLink::Tcp { address } | BusLink::RtuOverTcp { address, .. } => ("address", address),
    };
    let here = at.key(key);
    let Some(first) = peers.insert(text.clone(), here.clone()) else { return };
    let cure = "put all its devices on one bus";
    if key == "port" {
        notes.clash(&here, format!("two buses use the serial port {text}"), cure, (&first, "also used here"));
    } else {
        let what = format!("two buses connect to {text}, and some devices take one connection only");
        notes.warn_clash(&here, what, cure, (&first, "also used here"));
    }
}

fn bus(notes: &mut Notes<'_>, at: &At, key: &str, table: &Bus) -> Option<BusSettings> {
    let link = notes.require(at, "link", table.link, "\"modbus-tcp\" (or modbus-rtu, modbus-rtu-over-tcp)");
    let first =
        notes.time(at, "reconnect_after", table.reconnect_after, 500 * MILLISECOND, (10 * MILLISECOND, HOUR));
    let longest = longest_wait(notes, at, table.reconnect_after_max, first, 30 * SECOND);
    let connect_timeout =
        notes.time(at, "connect_timeout", table.connect_timeout, 3 * SECOND, (10 * MILLISECOND, 60 * SECOND));
    let link = bus_link(notes, at, link?, table)?;
    Some(BusSettings {
        name: name(key),
        link,
        connect_timeout,
        reconnect: (first, longest),
        devices: Vec::new(),
    })
}

fn longest_wait(
    notes: &mut Notes<'_>,
    at: &At,
    value: Option<Lasting>,
    first: Duration,
    default: Duration,
) -> Duration {
    notes.time(at, "reconnect_after_max", value, default.max(first), (first, HOUR))
}

fn bus_link(notes: &mut Notes<'_>, at: &At, link: Link, table: &Bus) -> Option<BusLink> {
    let serial_keys = [
        ("baud", table.baud.is_some()),
        ("parity", table.parity.is_some()),
        ("stop_bits", table.stop_bits.is_some()),
    ];
    let unfit = match link {
        Link::ModbusTcp => [&[("port", table.port.is_some())], &serial_keys[..]].concat(),
        Link::ModbusRtu => vec![("address", table.address.is_some())],
        Link::ModbusRtuOverTcp => vec![("port", table.port.is_some())],
    };
    for (key, _) in unfit.into_iter().filter(|(_, written)| *written) {
        let cure = match key {
            "port" => "write address = \"host:502\" for a bus on TCP",
            "address" => "write port = \"/dev/serial/by-id/…\" for a serial port",
            _ => "delete it: Modbus TCP has no serial line",
        };
        notes.wrong(&at.key(key), format!("`{key}` does not belong to this kind of link"), cure);
    }
    match link {
        Link::ModbusTcp => {
            Some(BusLink::Tcp { address: host_and_port(notes, at, table.address.as_deref(), TCP_PORT)? })
        }
        Link::ModbusRtu => {
            let port = notes.require(at, "port", table.port.as_deref(), "\"/dev/serial/by-id/…\"");
            let line = serial_line(notes, at, table);
            Some(BusLink::Rtu { port: serial_port(notes, &at.key("port"), port?)?, line: line? })
        }
        Link::ModbusRtuOverTcp => {
            let address = host_and_port(notes, at, table.address.as_deref(), TCP_PORT);
            let line = serial_line(notes, at, table);
            Some(BusLink::RtuOverTcp { address: address?, line: line? })
        }
    }
}

fn serial_port(notes: &mut Notes<'_>, at: &At, port: &str) -> Option<String> {
    if !port.starts_with('/') || port.contains('\0') {
        notes.wrong(
            at,
            format!("\"{port}\" is no serial port"),
            "write its path, as in \"/dev/serial/by-id/usb-…\"",
        );
        return None;
    }
    if port.starts_with("/dev/ttyUSB") || port.starts_with("/dev/ttyACM") {
        let cure = "use its stable path under /dev/serial/by-id";
        notes.warn(at, format!("{port} may be another adapter after the next start"), cure);
    }
    Some(port.to_owned())
}

fn serial_line(notes: &mut Notes<'_>, at: &At, table: &Bus) -> Option<SerialLine> {
    // Modbus over Serial Line V1.02, 2.2.3 and 2.5.1: 19200 and even parity by default, two stop bits without parity.
    let baud = table.baud.unwrap_or(19_200);
    notes.default(at, "baud", table.baud.is_some(), baud);
    notes.default(at, "parity", table.parity.is_some(), "\"even\"");
    if !BAUDS.contains(&baud) {
        let cure =
            format!("write one of {}", BAUDS.iter().map(u32::to_string).collect::<Vec<_>>().join(", "));
        notes.wrong(&at.key("baud"), format!("`baud` is {baud}"), cure);
    }
    let parity = match table.parity.unwrap_or(ParityWord::Even) {
        ParityWord::Even => Parity::Even,
        ParityWord::Odd => Parity::Odd,
        ParityWord::None => Parity::None,
    };
    let stop_bits = table.stop_bits.unwrap_or(if parity == Parity::None { 2 } else { 1 });
    notes.default(at, "stop_bits", table.stop_bits.is_some(), stop_bits);
    if !(1..=2).contains(&stop_bits) {
        notes.wrong(&at.key("stop_bits"), format!("`stop_bits` is {stop_bits}"), "write 1 or 2");
    }
    Some(SerialLine { baud, parity, stop_bits })
}

/// `host:port`, `[::1]:port`; nothing else.
fn host_and_port(notes: &mut Notes<'_>, table: &At, text: Option<&str>, port: u16) -> Option<String> {
    let text = notes.require(table, "address", text, &format!("\"192.0.2.10:{port}\""))?;
    let at = table.key("address");
    match split_address(text) {
        Ok(_) => Some(text.to_owned()),
        Err(what) => {
            let cure = format!("write host and port, as in \"192.0.2.10:{port}\"");
            notes.wrong(&at, format!("\"{}\" {what}", super::super::reader::shortened(text)), cure);
            None
        }
    }
}

pub(super) fn split_address(text: &str) -> Result<(&str, u16), &'static str> {
    if text.contains('/') {
        return Err("is no host and port");
    }
    let (host, port) = text.rsplit_once(':').ok_or("has no port")?;
    let port: u16 = port.parse().map_err(|_| "has a port that is no number from 1 to 65535")?;
    let bare = host.strip_prefix('[').and_then(|h| h.strip_suffix(']'));
    let host = bare.unwrap_or(host);
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_');
    let fits = match bare {
        Some(ip) => ip.parse::<std::net::Ipv6Addr>().is_ok(),
        None => !host.is_empty() && host.len() <= 253 && host.chars().all(plain),
    };
    match (fits, port) {
        (false, _) => Err("has no host name or address before the port"),
        (true, 0) => Err("has port 0"),
        (true, _) => Ok((host, port)),
    }
}

fn devices(
    notes: &mut Notes<'_>,
    shop: &Shop,
    buses: &mut [BusSettings],
    places: &BTreeMap<&str, usize>,
) -> BTreeMap<String, (usize, usize)> {
    let mut devices = BTreeMap::new();
    let mut units: BTreeMap<(usize, u8), At> = BTreeMap::new();
    for (key, table) in &shop.device {
        let at = At::root().key("device").key(key);
        let bus = notes.require(&at, "bus", table.bus.as_deref(), "\"line-1\", the name of its bus");
        let names = shop.bus.keys().map(|k| (k.as_str(), places.get(k.as_str()).copied()));
        let place = bus.and_then(|bus| notes.refer(&at.key("bus"), "bus", bus, names)).flatten();
        let serial = place.map(|place| !matches!(buses[place].link, BusLink::Tcp { .. }));
        let device = device(notes, &at, key, table, serial);
        let (Some(place), Some(device)) = (place, device) else { continue };
        if let Some(first) = units.insert((place, device.unit_id), at.key("unit_id")) {
            let what =
                format!("two devices on bus \"{}\" have unit id {}", buses[place].name, device.unit_id);
            notes.clash(
                &at.key("unit_id"),
                what,
                "make it one device, or give each its own unit id",
                (&first, "also here"),
            );
        }
        devices.insert(key.clone(), (place, buses[place].devices.len()));
        buses[place].devices.push(device);
    }
    devices
}

/// `serial` is unknown where the bus is.
fn device(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    table: &Device,
    serial: Option<bool>,
) -> Option<DeviceSettings> {
    let unit_id = match (table.unit_id, serial) {
        (None, Some(false)) => {
            notes.default(at, "unit_id", false, UNIT_ID_MIN);
            Some(UNIT_ID_MIN)
        }
        (None, None) => None,
        (unit_id, _) => notes.require(at, "unit_id", unit_id, "1, as set on the device"),
    };
    if let (Some(unit_id), Some(true)) = (unit_id, serial)
        && !(UNIT_ID_MIN..=UNIT_ID_MAX).contains(&unit_id)
    {
        let cure =
            format!("on a serial line it lies from {UNIT_ID_MIN} to {UNIT_ID_MAX}; 0 is for everybody");
        notes.wrong(&at.key("unit_id"), format!("`unit_id` is {unit_id}"), cure);
    }
    // Modbus over Serial Line V1.02, 2.4.1: one second at 9600 is the usual time-out for a reply.
    let default = if serial == Some(true) { 500 * MILLISECOND } else { SECOND };
    let timeout = notes.time(at, "timeout", table.timeout, default, (10 * MILLISECOND, 60 * SECOND));
    let worst = notes.time(at, "worst_reply", table.worst_reply, timeout * 2, (timeout, 300 * SECOND));
    let turnaround =
        notes.time(at, "turnaround", table.turnaround, Duration::ZERO, (Duration::ZERO, 10 * SECOND));
    if table.silent_interval.is_some() && serial == Some(false) {
        let what = "`silent_interval` does not belong to a device on Modbus TCP";
        notes.wrong(&at.key("silent_interval"), what, "delete it: only serial lines have silent intervals");
    }
    let silent = table.silent_interval.map(|silent| {
        notes.time(at, "silent_interval", Some(silent), Duration::ZERO, (Duration::from_micros(100), SECOND))
    });
    let retries = table.retries.unwrap_or(1);
    notes.default(at, "retries", table.retries.is_some(), retries);
    if retries > 10 {
        notes.wrong(&at.key("retries"), format!("`retries` is {retries}"), "it lies from 0 to 10");
    }
    let registers_max = table.registers_max.unwrap_or(READ_REGISTERS_MAX);
    notes.default(at, "registers_max", table.registers_max.is_some(), registers_max);
    if !(1..=READ_REGISTERS_MAX).contains(&registers_max) {
        let cure = format!("a reply holds 1 to {READ_REGISTERS_MAX} registers");
        notes.wrong(&at.key("registers_max"), format!("`registers_max` is {registers_max}"), cure);
    }
    let gap_max = table.gap_max.unwrap_or(4);
    notes.default(at, "gap_max", table.gap_max.is_some(), gap_max);
    if gap_max >= READ_REGISTERS_MAX {
        let cure = format!("it is less than the {READ_REGISTERS_MAX} registers of a reply");
        notes.wrong(&at.key("gap_max"), format!("`gap_max` is {gap_max}"), cure);
    }
    Some(DeviceSettings {
        name: name(key),
        unit_id: unit_id?,
        timeout,
        retries,
        turnaround,
        silent_interval: silent,
        worst_reply: worst,
        registers_max,
        gap_max,
        points: Vec::new(),
    })
}

pub(super) fn brokers(
    notes: &mut Notes<'_>,
    shop: &Shop,
    site: Option<&SiteSettings>,
) -> Vec<(String, BrokerSettings)> {
    let mut client_ids: BTreeMap<(String, u16, String), At> = BTreeMap::new();
    let mut brokers = Vec::new();
    for (key, table) in &shop.broker {
        let at = At::root().key("broker").key(key);
        let Some(broker) = broker(notes, &at, key, table, site) else { continue };
        let session = (broker.host.clone(), broker.port, broker.client_id.clone());
        if let Some(first) = client_ids.insert(session, at.clone()) {
            let what = format!(
                "two tables connect to one broker as client \"{}\", and would kick each other",
                broker.client_id
            );
            notes.clash(&at, what, "make them one, or give each its client_id", (&first, "the other one"));
        }
        brokers.push((key.clone(), broker));
    }
    brokers
}

fn broker(
    notes: &mut Notes<'_>,
    at: &At,
    key: &str,
    table: &Broker,
    site: Option<&SiteSettings>,
) -> Option<BrokerSettings> {
    /// Ports registered for MQTT and for MQTT over TLS.
    const PORTS: (u16, u16) = (1883, 8883);
    let port = if table.tls.is_some() { PORTS.1 } else { PORTS.0 };
    let address = host_and_port(notes, at, table.address.as_deref(), port);
    let first = notes.time(at, "reconnect_after", table.reconnect_after, SECOND, (10 * MILLISECOND, HOUR));
    let longest = longest_wait(notes, at, table.reconnect_after_max, first, 60 * SECOND);
    let keep_alive = notes.time(at, "keep_alive", table.keep_alive, 30 * SECOND, (5 * SECOND, HOUR));
    let size = table.message_size_max.map_or(256 << 10, |size| size.0);
    notes.default(
        at,
        "message_size_max",
        table.message_size_max.is_some(),
        format_args!("\"{} KiB\"", size >> 10),
    );
    if !(1024..=16 << 20).contains(&size) {
        let cure = "it lies from 1 KiB to 16 MiB";
        notes.wrong(&at.key("message_size_max"), format!("`message_size_max` is {size} bytes"), cure);
    }
    let keys = SecretKeys { file: "password_file", direct: "password" };
    let password = secret(notes, at, keys, table.password_file.as_deref(), table.password.as_deref());
    let given = table.password.is_some() || table.password_file.is_some();
    if table.user.is_some() && !given && !notes.doubtful(&at.key("password")) {
        notes.require(at, "password_file", None::<()>, "\"shop.password\", a file of mode 0600");
    }
    if table.user.is_none() && given {
        notes.require(at, "user", None::<()>, "\"sumpwarden\", whose password it is");
    }
    let user = table.user.clone().zip(password);
    let client_id = client_id(notes, at, table.client_id.as_deref(), site);
    let tls = table.tls.as_ref().map(|tls| tls_settings(notes, &at.key("tls"), tls));
    let broker_notes =
        table.notes.as_ref().and_then(|table| super::plan::notes_topic(notes, &at.key("notes"), table));
    let address = address?;
    let (host, port) = split_address(&address).expect("an address that was checked");
    note_in_the_clear(notes, at, table, host, port);
    Some(BrokerSettings {
        name: name(key),
        host: host.to_owned(),
        port,
        client_id: client_id?,
        user,
        tls,
        keep_alive,
        packet_bytes_max: u32::try_from(size).unwrap_or(u32::MAX),
        reconnect: (first, longest),
        topics: Vec::new(),
        notes: broker_notes,
    })
}

/// A port that belongs to the other way of connecting, and a password for everybody to read.
fn note_in_the_clear(notes: &mut Notes<'_>, at: &At, table: &Broker, host: &str, port: u16) {
    match (&table.tls, port) {
        (None, 8883) => {
            let cure = "write tls = {}, or the port of the broker without TLS, mostly 1883";
            notes.warn(&at.key("address"), "port 8883 is that of MQTT over TLS, and there is no `tls`", cure);
        }
        (Some(_), 1883) => {
            let cure = "write the port of the broker with TLS, mostly 8883, or leave `tls` away";
            notes.warn(&at.key("address"), "port 1883 is that of MQTT without TLS, and there is `tls`", cure);
        }
        _ => {}
    }
    if table.tls.is_none() && table.user.is_some() && !is_this_machine(host) {
        notes.warn(
            &at.key("user"),
            "the password goes over the wire for everybody to read",
            "write tls = {}",
        );
    }
}

/// Whether nothing leaves the machine on the way to this host.
pub(super) fn is_this_machine(host: &str) -> bool {
    let bare = host.trim_matches(['[', ']']);
    host == "localhost" || bare.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// Two boxes with one client id would kick each other: it holds the box's name.
fn client_id(
    notes: &mut Notes<'_>,
    at: &At,
    text: Option<&str>,
    site: Option<&SiteSettings>,
) -> Option<String> {
    let Some(text) = text else {
        let site = site?;
        let id = format!("sumpwarden-{}-{}", site.name, site.box_name);
        notes.default(at, "client_id", false, format_args!("\"{id}\""));
        return Some(id);
    };
    // MQTT 3.1.1, 3.1.3.1: the 2-byte length bounds it; an empty one has no session.
    if text.is_empty() || text.len() > 128 || text.chars().any(char::is_control) {
        let cure = "write 1 to 128 characters, as in \"sumpwarden-hall-2-box-1\"";
        notes.wrong(&at.key("client_id"), "`client_id` is empty, too long or holds control characters", cure);
        return None;
    }
    Some(text.to_owned())
}

fn tls_settings(notes: &mut Notes<'_>, at: &At, table: &Tls) -> TlsSettings {
    let mut file = |key: &str, text: &Option<String>| {
        let text = text.as_deref()?;
        Some(notes.pem_file(&at.key(key), text))
    };
    let ca_file = file("ca_file", &table.ca_file);
    let certificate = file("certificate_file", &table.certificate_file);
    let key_file = file("key_file", &table.key_file);
    if certificate.is_some() != key_file.is_some() {
        let missing = if certificate.is_some() { "key_file" } else { "certificate_file" };
        notes.require(at, missing, None::<()>, "\"client.pem\": certificate and key belong together");
    }
    TlsSettings { ca_file, client: certificate.zip(key_file) }
}
