//! `[broker.NAME.sparkplug]`: what plant systems see of the shop.

use std::collections::BTreeMap;
use std::time::Duration;

use sumpwarden_core::acquire::settings::BrokerSettings;
use sumpwarden_protocol::sparkplug::topic::{EdgeNode, Id};

use super::super::file::{Shop, Sparkplug};
use super::SiteSettings;
use super::notes::{At, Notes};
use crate::edge::mqtt::sparkplug::{CLIENT_ID_SUFFIX, SparkplugSettings};

const SECOND: Duration = Duration::from_secs(1);

/// Largest deadband, percent: beyond it a sump could be empty before anybody hears.
const DEADBAND_MAX: f64 = 20.0;

/// One edge node for each broker that has one; `brokers` are those that could be worked out.
pub(super) fn edge_nodes(
    notes: &mut Notes<'_>,
    shop: &Shop,
    site: Option<&SiteSettings>,
    brokers: &[(String, BrokerSettings)],
) -> Vec<SparkplugSettings> {
    let mut seen: BTreeMap<(String, u16, Id, Id), At> = BTreeMap::new();
    let mut all = Vec::new();
    for (key, table) in &shop.broker {
        let Some(table) = &table.sparkplug else { continue };
        let at = At::root().key("broker").key(key).key("sparkplug");
        let broker = brokers.iter().find(|(name, _)| name == key).map(|(_, broker)| broker);
        let Some(settings) = edge_node(notes, &at, table, site, broker) else { continue };
        let EdgeNode { group, node } = settings.edge_node.clone();
        let place = (settings.broker.host.clone(), settings.broker.port, group.clone(), node.clone());
        if let Some(first) = seen.insert(place, at.clone()) {
            let what = format!("two tables are edge node \"{node}\" of group \"{group}\" at one broker");
            notes.clash(&at, what, "delete one, or give each its node", (&first, "the other one"));
        }
        all.push(settings);
    }
    all
}

fn edge_node(
    notes: &mut Notes<'_>,
    at: &At,
    table: &Sparkplug,
    site: Option<&SiteSettings>,
    broker: Option<&BrokerSettings>,
) -> Option<SparkplugSettings> {
    let group =
        level(notes, &at.key("group"), table.group.as_deref().or(site.map(|site| site.name.as_str())));
    let node =
        level(notes, &at.key("node"), table.node.as_deref().or(site.map(|site| site.box_name.as_str())));
    let primary_host = level(notes, &at.key("primary_host"), table.primary_host.as_deref());
    let every = notes.time(at, "every", table.every, 5 * SECOND, (SECOND, 3600 * SECOND));
    let percent = table.deadband_percent.unwrap_or(0.0);
    let percent = notes.within(&at.key("deadband_percent"), percent, (0.0, DEADBAND_MAX), "%");
    let broker = broker?.clone();
    // A client id of its own: two connections with one would kick each other.
    let client_id = format!("{}{CLIENT_ID_SUFFIX}", broker.client_id);
    Some(SparkplugSettings {
        broker: BrokerSettings { client_id, topics: Vec::new(), notes: None, ..broker },
        edge_node: EdgeNode { group: group?, node: node? },
        primary_host,
        every,
        deadband: percent? / 100.0,
    })
}

/// A text that is one level of a topic.
fn level(notes: &mut Notes<'_>, at: &At, text: Option<&str>) -> Option<Id> {
    match Id::new(text?) {
        Ok(id) => Some(id),
        Err(why) => {
            let what = format!("`{}` {why}", at.last_key());
            let cure = "it is one level of a topic: write a name without / + and #, as in \"hall-2\"";
            notes.wrong(at, what, cure);
            None
        }
    }
}
