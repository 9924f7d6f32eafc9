//! Where messages may go: the configured host and nowhere else (server-side request forgery).
//!
//! A host's name is looked up once for each message, and the connection goes to an address from that look. Addresses that
//! no receiver can have (link-local ones, where the metadata services of hosted machines live, and the like) are refused
//! whatever is configured; private ones are taken only where the configuration names them.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use reqwest::Url;

/// What kind of address it is, for this purpose.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Kind {
    /// On the public net.
    Public,
    /// Of this machine or the shop's own net.
    Private,
    /// Nobody's receiver.
    Forbidden,
}

/// Addresses that `url` may be reached at now. `private` allows a name to lead into private nets; a private address that
/// stands in the address itself is configured and therefore allowed.
pub(super) async fn resolve(url: &Url, private: bool) -> Result<Vec<SocketAddr>, String> {
    let host = url.host_str().unwrap_or_default().trim_matches(['[', ']']).to_owned();
    let port = url.port_or_known_default().unwrap_or(443);
    if let Ok(ip) = host.parse::<IpAddr>() {
        return match kind(ip) {
            Kind::Forbidden => Err(format!("{ip} is no address for messages")),
            Kind::Public | Kind::Private => Ok(vec![SocketAddr::new(ip, port)]),
        };
    }
    let private = private || host.eq_ignore_ascii_case("localhost");
    let found = tokio::net::lookup_host((host.as_str(), port))
        .await
        .map_err(|error| format!("the name cannot be looked up: {error}"))?;
    choose(&host, found, private)
}

fn choose(
    host: &str,
    found: impl Iterator<Item = SocketAddr>,
    private: bool,
) -> Result<Vec<SocketAddr>, String> {
    let mut refused = None;
    let allowed: Vec<SocketAddr> = found
        .filter(|address| {
            let allowed = match kind(address.ip()) {
                Kind::Public => true,
                Kind::Private => private,
                Kind::Forbidden => false,
            };
            if !allowed {
                refused = Some(address.ip());
            }
            allowed
        })
        .collect();
    match (allowed.is_empty(), refused) {
        (false, _) => Ok(allowed),
        (true, Some(ip)) => Err(format!(
            "{host} leads to {ip}, where messages do not go; where it is a machine of your own, set private_network = true"
        )),
        (true, None) => Err(format!("{host} has no address")),
    }
}

fn kind(ip: IpAddr) -> Kind {
    match ip {
        IpAddr::V4(ip) => kind_v4(ip),
        IpAddr::V6(ip) => kind_v6(ip),
    }
}

/// By the registry of special-purpose addresses (RFC 6890 and its successors).
fn kind_v4(ip: Ipv4Addr) -> Kind {
    let [a, b, c, _] = ip.octets();
    let forbidden = ip.is_link_local()
        || ip.is_broadcast()
        || ip.is_multicast()
        || a == 0
        || a >= 240
        // The metadata service of one hoster lies in the shared space that is allowed otherwise.
        || ip == Ipv4Addr::new(100, 100, 100, 200)
        || (a, b, c) == (192, 0, 0);
    let shared = a == 100 && (64..128).contains(&b);
    match () {
        () if forbidden => Kind::Forbidden,
        () if ip.is_private() || ip.is_loopback() || shared => Kind::Private,
        () => Kind::Public,
    }
}

fn kind_v6(ip: Ipv6Addr) -> Kind {
    let segments = ip.segments();
    // IPv4 inside: mapped, compatible, translated (64:ff9b::/96), 6to4 (2002::/16).
    let inside = match segments {
        [0, 0, 0, 0, 0, 0xffff | 0, high, low] if high != 0 => Some((high, low)),
        [0x64, 0xff9b, 0, 0, 0, 0, high, low] | [0x2002, high, low, ..] => Some((high, low)),
        _ => None,
    };
    if let Some((high, low)) = inside {
        let [[a, b], [c, d]] = [high.to_be_bytes(), low.to_be_bytes()];
        // Nobody configures an address so: what is private behind it is hidden, not named.
        return match kind_v4(Ipv4Addr::new(a, b, c, d)) {
            Kind::Public => Kind::Public,
            Kind::Private | Kind::Forbidden => Kind::Forbidden,
        };
    }
    let metadata = Ipv6Addr::new(0xfd00, 0xec2, 0, 0, 0, 0, 0, 0x254);
    match segments[0] {
        _ if ip.is_loopback() => Kind::Private,
        _ if ip.is_unspecified() || ip.is_multicast() || ip == metadata => Kind::Forbidden,
        0xfe80..=0xfeff => Kind::Forbidden,
        0xfc00..=0xfdff => Kind::Private,
        _ => Kind::Public,
    }
}

/// Whether the host of an address is an IP address in another dress: decimal, octal, hexadecimal, with parts left away.
pub fn disguised(text: &str, url: &Url) -> bool {
    let Some(host) = url.host_str() else { return false };
    let numeric = host.trim_matches(['[', ']']).parse::<IpAddr>().is_ok();
    numeric && !text.to_ascii_lowercase().contains(host)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_told_apart() {
        for (text, expected) in [
            ("93.184.216.34", Kind::Public),
            ("8.8.8.8", Kind::Public),
            ("2606:2800:220:1::1", Kind::Public),
            ("64:ff9b::808:808", Kind::Public),
            ("127.0.0.1", Kind::Private),
            ("127.8.8.8", Kind::Private),
            ("10.0.0.1", Kind::Private),
            ("172.16.0.1", Kind::Private),
            ("172.31.255.255", Kind::Private),
            ("192.168.1.1", Kind::Private),
            ("100.64.0.1", Kind::Private),
            ("::1", Kind::Private),
            ("fd12::1", Kind::Private),
            ("172.32.0.1", Kind::Public),
            ("100.128.0.1", Kind::Public),
            ("0.0.0.0", Kind::Forbidden),
            ("0.1.2.3", Kind::Forbidden),
            ("169.254.169.254", Kind::Forbidden),
            ("169.254.0.1", Kind::Forbidden),
            ("100.100.100.200", Kind::Forbidden),
            ("192.0.0.192", Kind::Forbidden),
            ("224.0.0.1", Kind::Forbidden),
            ("255.255.255.255", Kind::Forbidden),
            ("240.0.0.1", Kind::Forbidden),
            ("::", Kind::Forbidden),
            ("fe80::1", Kind::Forbidden),
            ("fec0::1", Kind::Forbidden),
            ("ff02::1", Kind::Forbidden),
            ("fd00:ec2::254", Kind::Forbidden),
            ("::ffff:127.0.0.1", Kind::Forbidden),
            ("::ffff:169.254.169.254", Kind::Forbidden),
            ("::ffff:10.0.0.1", Kind::Forbidden),
            ("::127.0.0.1", Kind::Forbidden),
            ("64:ff9b::a9fe:a9fe", Kind::Forbidden),
            ("2002:7f00:1::", Kind::Forbidden),
        ] {
            assert_eq!(kind(text.parse().expect("an address")), expected, "{text}");
        }
    }

    #[test]
    fn a_name_leads_to_private_addresses_only_where_that_is_configured() {
        let found = |texts: &[&str]| -> Vec<SocketAddr> {
            texts.iter().map(|ip| SocketAddr::new(ip.parse().expect("an address"), 443)).collect()
        };
        let both = found(&["10.0.0.7", "93.184.216.34"]);
        assert_eq!(choose("chat.example", both.clone().into_iter(), false), Ok(found(&["93.184.216.34"])));
        assert_eq!(choose("chat.example", both.clone().into_iter(), true), Ok(both));
        let rebound = choose("chat.example", found(&["127.0.0.1"]).into_iter(), false);
        assert!(rebound.is_err_and(|why| why.contains("127.0.0.1") && why.contains("private_network")));
        let metadata = found(&["169.254.169.254"]);
        assert!(choose("chat.example", metadata.into_iter(), true).is_err());
    }

    #[tokio::test]
    async fn an_address_in_the_address_is_configured_unless_nobody_can_have_it() {
        let at = |text: &str| Url::parse(text).expect("an address");
        assert!(resolve(&at("http://127.0.0.1:9/hook"), false).await.is_ok());
        assert!(resolve(&at("http://[::1]:9/hook"), false).await.is_ok());
        for forbidden in ["http://169.254.169.254/", "http://0.0.0.0/", "http://[::ffff:127.0.0.1]/"] {
            assert!(resolve(&at(forbidden), true).await.is_err(), "{forbidden}");
        }
        assert!(resolve(&at("http://localhost:9/hook"), false).await.is_ok());
    }

    #[test]
    fn numbers_in_disguise_are_seen() {
        for text in [
            "http://2130706433/",
            "http://0x7f000001/",
            "http://0177.0.0.1/",
            "http://127.1/",
            "http://0x7f.1/",
            "http://0251.0376.0251.0376/",
            "http://[0:0:0:0:0:0:0:1]/",
        ] {
            assert!(disguised(text, &Url::parse(text).expect("an address")), "{text}");
        }
        for text in ["http://127.0.0.1:80/", "https://chat.example/x", "http://[::1]:8/"] {
            assert!(!disguised(text, &Url::parse(text).expect("an address")), "{text}");
        }
    }
}
