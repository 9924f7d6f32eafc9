//! Words of the command line to who is asked and how, or what would be right.

use std::net::Ipv4Addr;

use sumpwarden_core::acquire::settings::{BusLink, Parity, SerialLine};
use sumpwarden_core::model::Name;
use sumpwarden_protocol::modbus::{TCP_PORT, UNIT_ID_MAX, UNIT_ID_MIN};

use super::Options;
use crate::config::quantity::{Lasting, Unreadable};
use crate::edge::modbus::Manners;

/// Most hosts of one scan: a network of 24 bits.
pub(super) const HOSTS_MAX: usize = 256;
/// Most registers looked at in each table of a device.
const REGISTERS_MAX: u32 = 1024;
/// How long a host may take to let somebody in.
const CONNECT: std::time::Duration = std::time::Duration::from_secs(1);

/// What is asked for.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Asked {
    pub(super) places: Vec<Place>,
    pub(super) units: Vec<u8>,
    /// First and last register that is looked at.
    pub(super) registers: (u16, u16),
    pub(super) manners: Manners,
    pub(super) identify: bool,
}

/// A line or a host, with the settings to try on it.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Place {
    /// Name for its bus in the configuration.
    pub(super) bus: Name,
    /// At least one; each of the same port or host.
    pub(super) links: Vec<BusLink>,
}

fn wrong(what: impl Into<String>, cure: impl Into<String>) -> Unreadable {
    Unreadable { what: what.into(), cure: cure.into() }
}

impl Asked {
    /// Reads the options.
    pub(super) fn of(options: &Options) -> Result<Self, Unreadable> {
        let serial = options.port.is_some();
        let (least, most, default) =
            if serial { (UNIT_ID_MIN, UNIT_ID_MAX, "1-32") } else { (0, u8::MAX, "1") };
        let units = options.units.as_deref().unwrap_or(default);
        let units = numbers("--units", units, (least.into(), most.into()))?;
        let manners = Manners {
            connect: CONNECT,
            reply: time("--timeout", &options.timeout, (10, 10_000))?,
            pause: time("--pause", &options.pause, (0, 10_000))?,
        };
        Ok(Self {
            places: places(options)?,
            units: units.into_iter().filter_map(|unit| u8::try_from(unit).ok()).collect(),
            registers: registers(&options.registers)?,
            manners,
            identify: !options.no_identify,
        })
    }
}

fn places(options: &Options) -> Result<Vec<Place>, Unreadable> {
    let given = options.bus.as_deref().map(|text| {
        Name::new(text)
            .map_err(|error| wrong(format!("--bus \"{text}\": {error}"), "write it as in \"line-1\""))
    });
    let given = given.transpose()?;
    if let Some(port) = &options.port {
        let port = absolute(port)?;
        let links = lines(&options.baud, &options.parity)?;
        let links = links.into_iter().map(|line| BusLink::Rtu { port: port.clone(), line }).collect();
        let bus = given.unwrap_or_else(|| Name::new("line-1").expect("letters, a digit and a dash"));
        return Ok(vec![Place { bus, links }]);
    }
    let addresses = hosts(options.hosts.as_deref().unwrap_or_default())?;
    let alone = addresses.len() == 1;
    let place = |address: String| {
        let bus = given.clone().filter(|_| alone).unwrap_or_else(|| bus_name(&address));
        Place { bus, links: vec![BusLink::Tcp { address }] }
    };
    Ok(addresses.into_iter().map(place).collect())
}

/// `net-192-0-2-10` for `192.0.2.10:502`; a port of its own stands in it.
fn bus_name(address: &str) -> Name {
    let host = address.strip_suffix(&format!(":{TCP_PORT}")).unwrap_or(address);
    let plain: String = host.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    let mut name = format!("net-{}", plain.trim_matches('-'));
    name.truncate(Name::LEN_MAX);
    Name::new(&name).expect("letters, digits and dashes")
}

fn absolute(port: &str) -> Result<String, Unreadable> {
    let cure =
        "write its path, as in \"/dev/serial/by-id/usb-…\"; `ls /dev/serial/by-id` lists what is there";
    let path =
        std::path::absolute(port).map_err(|error| wrong(format!("--port \"{port}\": {error}"), cure))?;
    path.to_str().map(str::to_owned).ok_or_else(|| wrong("--port is no Unicode text", cure))
}

/// Every rate with every parity, rates first.
fn lines(bauds: &str, parities: &str) -> Result<Vec<SerialLine>, Unreadable> {
    let parities = match parities {
        "even" => vec![Parity::Even],
        "odd" => vec![Parity::Odd],
        "none" => vec![Parity::None],
        "all" => vec![Parity::Even, Parity::None, Parity::Odd],
        other => return Err(wrong(format!("--parity \"{other}\""), "write even, none, odd or all")),
    };
    let mut lines = Vec::new();
    for text in bauds.split(',').map(str::trim) {
        let baud = text.parse().ok().filter(|baud| crate::config::BAUDS.contains(baud));
        let known: Vec<String> = crate::config::BAUDS.iter().map(u32::to_string).collect();
        let cure = || format!("write one or more of {}, as in \"19200,9600\"", known.join(", "));
        let baud =
            baud.ok_or_else(|| wrong(format!("--baud \"{text}\" is no rate of a serial line"), cure()))?;
        for &parity in &parities {
            // Modbus over Serial Line V1.02, 2.5.1: two stop bits take the place of a parity bit.
            let stop_bits = if parity == Parity::None { 2 } else { 1 };
            lines.push(SerialLine { baud, parity, stop_bits });
        }
    }
    lines.dedup();
    Ok(lines)
}

/// "1-32,40": numbers and ranges of them, in order, each once.
pub(super) fn numbers(option: &str, text: &str, limits: (u32, u32)) -> Result<Vec<u32>, Unreadable> {
    let (least, most) = limits;
    let cure = format!("write numbers from {least} to {most}, as in \"1-32,40\"");
    let mut found = std::collections::BTreeSet::new();
    for part in text.split(',').map(str::trim) {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let read = |text: &str| text.trim().parse::<u32>().ok().filter(|n| (least..=most).contains(n));
        match (read(first), read(last)) {
            (Some(first), Some(last)) if first <= last => found.extend(first..=last),
            _ => return Err(wrong(format!("{option} \"{part}\" is no number or range here"), cure)),
        }
    }
    Ok(found.into_iter().collect())
}

fn registers(text: &str) -> Result<(u16, u16), Unreadable> {
    let all = numbers("--registers", text, (0, u16::MAX.into()));
    let cure = "write one range of 0-based addresses, as in \"0-63\"";
    let all = all.map_err(|error| wrong(error.what, cure))?;
    let (Some(&first), Some(&last)) = (all.first(), all.last()) else {
        return Err(wrong("--registers names none", cure));
    };
    if last - first + 1 != all.len() as u32 {
        return Err(wrong(format!("--registers \"{text}\" is more than one range"), cure));
    }
    if last - first >= REGISTERS_MAX {
        let what = format!("--registers \"{text}\" is more than {REGISTERS_MAX} registers");
        return Err(wrong(what, "look at a smaller range; the device's manual says where its values lie"));
    }
    Ok((first as u16, last as u16))
}

fn time(option: &str, text: &str, (least, most): (u64, u64)) -> Result<std::time::Duration, Unreadable> {
    let read = Lasting::parse(text).map_err(|e| wrong(format!("{option}: {}", e.what), e.cure))?.0;
    if !(u128::from(least)..=u128::from(most)).contains(&read.as_millis()) {
        let cure = format!("it lies from {least} ms to {} s", most / 1000);
        return Err(wrong(format!("{option} is \"{text}\""), cure));
    }
    Ok(read)
}

/// "192.0.2.10-20:502,192.0.2.64/28,mixer.example": addresses with their ports, each once.
pub(super) fn hosts(text: &str) -> Result<Vec<String>, Unreadable> {
    let mut found: Vec<String> = Vec::new();
    for part in text.split(',').map(str::trim) {
        for address in host_part(part)? {
            if !found.contains(&address) {
                found.push(address);
            }
            if found.len() > HOSTS_MAX {
                let what = format!("--hosts names more than {HOSTS_MAX} hosts");
                return Err(wrong(what, "scan them in several goes, and only those that are yours"));
            }
        }
    }
    Ok(found)
}

fn host_part(part: &str) -> Result<Vec<String>, Unreadable> {
    const CURE: &str = "write as in \"192.0.2.10\", \"192.0.2.10-20:502\", \"192.0.2.0/24\" (at most a /24) \
        or \"mixer.example:502\"";
    let bad = || wrong(format!("--hosts \"{part}\" is no host, range or network"), CURE);
    let (host, port) = match part.rsplit_once(':') {
        None => (part, TCP_PORT),
        Some((host, port)) => (host, port.parse().ok().filter(|port| *port > 0).ok_or_else(bad)?),
    };
    let with_port = |ip: Ipv4Addr| format!("{ip}:{port}");
    if let Some((network, bits)) = host.split_once('/') {
        let network: Ipv4Addr = network.parse().map_err(|_| bad())?;
        let bits: u32 = bits.parse().ok().filter(|bits| *bits <= 32).ok_or_else(bad)?;
        if bits < 24 {
            return Err(wrong(format!("--hosts \"{part}\" is a larger network than a /24"), CURE));
        }
        let size = 1_u32 << (32 - bits);
        let first = u32::from(network) & !(size - 1);
        // The first address names the network and the last one everybody in it, where it has more than two.
        let inner = if size > 2 { first + 1..first + size - 1 } else { first..first + size };
        return Ok(inner.map(|ip| with_port(ip.into())).collect());
    }
    if let Some((first, last)) = host.split_once('-')
        && let Ok(first) = first.parse::<Ipv4Addr>()
    {
        let last: u8 = last.parse().map_err(|_| bad())?;
        let [a, b, c, least] = first.octets();
        if last < least {
            return Err(bad());
        }
        return Ok((least..=last).map(|d| with_port(Ipv4Addr::new(a, b, c, d))).collect());
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_');
    // Digits and dots alone are an address, and must be a right one.
    let numeric = host.chars().all(|c| c.is_ascii_digit() || c == '.');
    if host.is_empty() || !host.chars().all(plain) || (numeric && host.parse::<Ipv4Addr>().is_err()) {
        return Err(bad());
    }
    Ok(vec![format!("{host}:{port}")])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hosts_are_those_named_and_no_others() {
        let ten = hosts("192.0.2.10-12:1502, 192.0.2.11:1502").unwrap();
        assert_eq!(ten, ["192.0.2.10:1502", "192.0.2.11:1502", "192.0.2.12:1502"]);
        assert_eq!(hosts("192.0.2.64/30").unwrap(), ["192.0.2.65:502", "192.0.2.66:502"]);
        assert_eq!(hosts("192.0.2.0/24").unwrap().len(), 254);
        assert_eq!(hosts("my-mixer.example").unwrap(), ["my-mixer.example:502"]);
        for refused in [
            "",
            "192.0.2.0/23",
            "192.0.2.300",
            "192.0.2.20-10",
            "192.0.2.10-300",
            "192.0.2.10:0",
            "a b",
            "192.0.2.1:x",
            "192.0.2.0/24,198.51.100.0/24",
        ] {
            assert!(hosts(refused).is_err(), "{refused}");
        }
    }

    #[test]
    fn units_registers_and_rates_are_read_or_refused_with_a_cure() {
        assert_eq!(numbers("--units", "3,1-2,2", (1, 247)).unwrap(), [1, 2, 3]);
        for refused in ["0", "248", "4-1", "x", "1,,2", ""] {
            assert!(
                numbers("--units", refused, (1, 247)).unwrap_err().cure.contains("1 to 247"),
                "{refused}"
            );
        }
        assert_eq!(registers("0-63").unwrap(), (0, 63));
        assert_eq!(registers("100").unwrap(), (100, 100));
        assert!(registers("0-5,9").is_err() && registers("0-2000").is_err() && registers("70000").is_err());
        let tried = lines("19200,9600", "all").unwrap();
        assert_eq!(tried.len(), 6);
        assert_eq!(tried[1], SerialLine { baud: 19_200, parity: Parity::None, stop_bits: 2 });
        assert!(lines("19201", "even").is_err() && lines("9600", "both").is_err());
    }

    #[test]
    fn a_bus_is_named_after_its_host() {
        assert_eq!(bus_name("192.0.2.10:502").as_str(), "net-192-0-2-10");
        assert_eq!(bus_name("192.0.2.10:1502").as_str(), "net-192-0-2-10-1502");
    }
}
