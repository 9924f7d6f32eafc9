//! Buses that two boxes share.

use std::net::SocketAddr;
use std::time::Duration;

use sumpwarden_core::acquire::settings::{BrokerSettings, BusSettings};
use sumpwarden_core::acquire::standby::{Alone, StandbySettings};
use sumpwarden_core::model::BusIndex;

use super::super::file::{AloneWord, Shop, Standby};
use super::SiteSettings;
use super::notes::{At, Notes};

/// How this box agrees with another one on a bus.
#[derive(Clone, PartialEq, Debug)]
pub struct SharedBus {
    /// Which.
    pub bus: BusIndex,
    /// The lease.
    pub lease: StandbySettings,
    /// Broker that both hear, on a connection of its own.
    pub broker: BrokerSettings,
    /// Topic of the signs.
    pub topic: String,
    /// Where the other box is asked, and where this one is.
    pub peer: Option<Peer>,
}

/// Where two boxes ask each other.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Peer {
    /// The other box.
    pub ask: SocketAddr,
    /// This one.
    pub listen: SocketAddr,
}

const SECOND: Duration = Duration::from_secs(1);

/// An exchange that begins at the end of a term must be over well before the other box begins, a term later less two hundredths
/// for clocks that run apart by one percent each: three quarters of a term are left to it.
const EXCHANGE_SHARE: (u32, u32) = (3, 4);

pub(super) fn shared(
    notes: &mut Notes<'_>,
    shop: &Shop,
    site: Option<&SiteSettings>,
    buses: &[BusSettings],
    brokers: &[BrokerSettings],
) -> Vec<SharedBus> {
    let mut all: Vec<SharedBus> = Vec::new();
    for (bus, index) in buses.iter().zip(0..) {
        let Some(table) = shop.bus.get(bus.name.as_str()).and_then(|table| table.standby.as_ref()) else {
            continue;
        };
        let at = At::root().key("bus").key(bus.name.as_str()).key("standby");
        all.extend(one(notes, &at, table, (shop, site), (BusIndex(index), bus), brokers));
    }
    all
}

fn one(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Standby,
    (shop, site): (&Shop, Option<&SiteSettings>),
    (index, bus): (BusIndex, &BusSettings),
    brokers: &[BrokerSettings],
) -> Option<SharedBus> {
    let broker =
        notes.require(at, "broker", table.broker.as_deref(), "\"shop\", a broker that both boxes hear");
    let names = shop.broker.keys().map(|name| (name.as_str(), name.as_str()));
    let broker = broker.and_then(|broker| notes.refer(&at.key("broker"), "broker", broker, names));
    if shop.site.box_name.is_none() {
        let cure = "write box = \"box-1\" under [site], and \"box-2\" in the configuration of the other one";
        notes.wrong(at, "boxes that share a bus must have names", cure);
    }
    let term = notes.time(at, "term", table.term, 10 * SECOND, (SECOND, 300 * SECOND));
    note_slow_device(notes, at, term, bus);
    let peer = peer(notes, at, table);
    let broker = brokers.iter().find(|of| Some(of.name.as_str()) == broker)?;
    let client_id = format!("{}-standby-{}", broker.client_id, bus.name);
    let broker = BrokerSettings { client_id, topics: Vec::new(), notes: None, ..broker.clone() };
    let alone = match table.alone.unwrap_or(AloneWord::Stop) {
        AloneWord::Stop => Alone::Stop,
        AloneWord::Poll => Alone::Poll,
    };
    let preferred = table.preferred.unwrap_or(false);
    let peer = peer?;
    Some(SharedBus {
        bus: index,
        lease: StandbySettings { term, preferred, alone, has_peer: peer.is_some() },
        broker,
        topic: format!("sumpwarden/{}/standby/{}", site?.name, bus.name),
        peer,
    })
}

fn note_slow_device(notes: &mut Notes<'_>, at: &At, term: Duration, bus: &BusSettings) {
    let Some(slowest) = bus.devices.iter().max_by_key(|device| device.worst_reply) else { return };
    let longest = term * EXCHANGE_SHARE.0 / EXCHANGE_SHARE.1;
    if slowest.worst_reply > longest {
        let least = slowest.worst_reply * EXCHANGE_SHARE.1 / EXCHANGE_SHARE.0;
        let what = format!(
            "device \"{}\" may answer {} s after it was asked, too late for a term of {} s",
            slowest.name,
            slowest.worst_reply.as_secs_f64(),
            term.as_secs_f64()
        );
        let cure = format!(
            "make `term` at least {} s, or `worst_reply` of the device shorter",
            least.as_secs_f64().ceil()
        );
        notes.wrong(&at.key("term"), what, cure);
    }
}

/// None where there is a mistake; none in it where the boxes do not ask each other.
#[expect(clippy::option_option, reason = "a mistake is not the same as no peer")]
fn peer(notes: &mut Notes<'_>, at: &At, table: &Standby) -> Option<Option<Peer>> {
    let mut address = |key: &str, text: &Option<String>| {
        let text = text.as_deref()?;
        let found = text.parse::<SocketAddr>().ok().filter(|address| address.port() != 0);
        if found.is_none() {
            let cure = "write an IP address and a port, as in \"192.0.2.12:8481\"";
            notes.wrong(
                &at.key(key),
                format!("\"{}\" is no address of a box", super::super::reader::shortened(text)),
                cure,
            );
        }
        found
    };
    let (ask, listen) = (address("peer", &table.peer), address("listen", &table.listen));
    match (&table.peer, &table.listen) {
        (None, None) => Some(None),
        (Some(_), Some(_)) => Some(Some(Peer { ask: ask?, listen: listen? })),
        (Some(_), None) => {
            notes.require(at, "listen", None::<()>, "\"192.0.2.11:8481\", where the other box asks this one");
            None
        }
        (None, Some(_)) => {
            notes.require(at, "peer", None::<()>, "\"192.0.2.12:8481\", where this box asks the other one");
            None
        }
    }
}
