//! What this box calls itself where nobody has given it a name: the host's name, and six digits of its hardware.
//!
//! Boxes made from one image have one host name and one machine id, but not one network interface. So two boxes with default
//! settings neither write one series nor use one client id.

use std::fs;
use std::path::Path;

use sumpwarden_core::model::Name;

/// Digits that are taken of the hardware.
const DIGITS: usize = 6;

/// `gateway-5e0f3a`; without the digits where there is no hardware to be seen, as in a container.
pub fn own_name() -> Name {
    let host = rustix::system::uname();
    name_of(&host.nodename().to_string_lossy(), hardware(Path::new("/sys/class/net")).as_deref())
}

/// The host's name up to its first point, in letters that a name may have.
fn name_of(host: &str, hardware: Option<&str>) -> Name {
    let fits = |c: char| if c.is_ascii_alphanumeric() || c == '-' || c == '_' { c } else { '-' };
    let host: String = host
        .split('.')
        .next()
        .unwrap_or_default()
        .chars()
        .map(fits)
        .take(Name::LEN_MAX - DIGITS - 1)
        .collect();
    let host = if host.is_empty() { "box".to_owned() } else { host };
    let name = hardware.map_or_else(|| host.clone(), |digits| format!("{host}-{digits}"));
    Name::new(&name).expect("made of letters that fit, and short enough")
}

/// The last digits of the address of the first network interface that is a thing, by name.
fn hardware(interfaces: &Path) -> Option<String> {
    let mut found: Vec<_> = fs::read_dir(interfaces).ok()?.flatten().map(|entry| entry.path()).collect();
    found.sort();
    let addresses = found.iter().filter(|path| path.join("device").exists());
    addresses.filter_map(|path| digits(&fs::read_to_string(path.join("address")).ok()?)).next()
}

fn digits(address: &str) -> Option<String> {
    let all: String = address.chars().filter(char::is_ascii_hexdigit).collect();
    let at = all.len().checked_sub(DIGITS)?;
    all.chars().any(|digit| digit != '0').then(|| all[at..].to_ascii_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_boxes_of_one_image_have_two_names() {
        let place = std::env::temp_dir().join(format!("sumpwarden-host-{}", std::process::id()));
        let of = |address: &str| {
            fs::create_dir_all(place.join("eth0/device")).unwrap();
            fs::create_dir_all(place.join("br0")).unwrap();
            fs::write(place.join("eth0/address"), address).unwrap();
            fs::write(place.join("br0/address"), "02:00:00:00:00:01\n").unwrap();
            name_of("gateway.hall.example", hardware(&place).as_deref())
        };
        assert_eq!(of("d8:3a:dd:5E:0f:3a\n").as_str(), "gateway-5e0f3a");
        assert_eq!(of("d8:3a:dd:5e:0f:3b\n").as_str(), "gateway-5e0f3b");
        fs::remove_dir_all(&place).unwrap();
    }

    #[test]
    fn whatever_a_host_is_called_gives_a_name() {
        assert_eq!(name_of("", None).as_str(), "box");
        assert_eq!(name_of("größe 1", Some("00ff00")).as_str(), "gr--e-1-00ff00");
        assert_eq!(name_of(&"x".repeat(300), Some("00ff00")).as_str().len(), Name::LEN_MAX);
        assert_eq!(digits("00:00:00:00:00:00\n"), None);
        assert_eq!(digits("1:2\n"), None);
    }
}
