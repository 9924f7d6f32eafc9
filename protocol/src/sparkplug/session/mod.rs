//! What an edge node says when (Sparkplug 3.0, chapters 4 to 6), as a machine that is handed time and values.
//!
//! ```text
//!            connect: next bdSeq, a will            accepted: subscribe
//!   Away ──────────────────────────────▶ Away ─────────────────────────▶ Waiting
//!     ▲                                                                     │ tell, and the primary host is there (or none is asked for):
//!     │ cut: the broker publishes the will                                  ▼ NBIRTH (seq 0), DBIRTH of every device that is there
//!     └──────────── end: NDEATH ◀──────────────────────────────────────── Alive ──┐ tell: NDATA, DDATA, DBIRTH, DDEATH, seq + 1 each;
//!                                                                           ▲     │ all births anew after a rebirth command, or when
//!                                                                           └─────┘ there is a metric that was in no birth
//! ```
//!
//! Reported is by exception: a metric goes out when its value has moved by more than the deadband, or its quality has. Nothing
//! is remembered of what could not be sent: after an absence the births say how things stand, so nothing is ever historical.
//! What a metric means, and whether a device is there, is for whoever hands over the [`Picture`].

mod host;

use std::collections::BTreeMap;

use super::topic::{EdgeNode, Id, Verb, state_topic};
use super::{DataType, Metric, Payload, Property, Value};
use host::HostState;

/// Metric of births and deaths that says which death belongs to which birth.
const BD_SEQ: &str = "bdSeq";

/// Metric by which a host asks for all births.
const REBIRTH: &str = "Node Control/Rebirth";

/// Counts connections, 0 to 255 and again 0 (chapter 6, "every new CONNECT increments"), also over restarts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct BdSeq(pub u8);

impl BdSeq {
    /// The next one.
    pub const fn next(self) -> Self {
        Self(self.0.wrapping_add(1))
    }
}

/// Counts messages from the birth of the node on, 0 to 255 and again 0.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Seq(pub u8);

impl Seq {
    /// That of the next message.
    pub const fn next(self) -> Self {
        Self(self.0.wrapping_add(1))
    }
}

/// One metric as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct Standing {
    /// Levels divided by `/`; the same for as long as the session lasts.
    pub name: String,
    /// Of what time the value is, ms since 1970.
    pub at: u64,
    /// Its type.
    pub kind: DataType,
    /// The value; none where there is nothing to use.
    pub value: Option<Value>,
    /// Unit, quality, and the like.
    pub properties: Vec<(String, Property)>,
    /// What it is, in words, for births.
    pub description: Option<&'static str>,
}

/// One device as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct Device {
    /// Which.
    pub id: Id,
    /// Whether anything is heard of it.
    pub is_there: bool,
    /// All that will ever be said of it.
    pub metrics: Vec<Standing>,
}

/// Everything as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct Picture {
    /// When, ms since 1970.
    pub at: u64,
    /// Metrics of the node.
    pub node: Vec<Standing>,
    /// Its devices.
    pub devices: Vec<Device>,
}

/// A message on its way out. Never retained.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Outgoing {
    /// Where to.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
}

/// What came of a message that was heard.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Heard {
    /// All births are to go out with the next [`Session::tell`].
    Rebirth,
    /// The primary host is there: births may go out.
    HostOnline,
    /// The primary host has gone: the connection is to be ended and a new one begun.
    HostOffline,
    /// Nothing, and why.
    Ignored(&'static str),
}

/// What a session is told once.
#[derive(Clone, PartialEq, Debug)]
pub struct SessionSettings {
    /// Who we are.
    pub edge_node: EdgeNode,
    /// The host without which nothing is said.
    pub primary_host: Option<Id>,
    /// A number goes out again when it has moved by more than this part of the one that went out last.
    pub deadband: f64,
}

/// How far it has come.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Stage {
    Away,
    Waiting,
    Alive,
}

/// A metric as it went out last.
#[derive(Clone, PartialEq, Debug)]
struct Sent {
    name: String,
    kind: DataType,
    alias: u64,
    value: Option<Value>,
    properties: Vec<(String, Property)>,
}

/// The node or a device as hosts know it.
#[derive(Clone, PartialEq, Debug, Default)]
struct Known {
    is_alive: bool,
    metrics: Vec<Sent>,
}

/// The machine.
#[derive(Clone, PartialEq, Debug)]
pub struct Session {
    settings: SessionSettings,
    bd_seq: BdSeq,
    seq: Seq,
    stage: Stage,
    /// Newest word of the primary host.
    host: Option<HostState>,
    rebirth: bool,
    aliases: Aliases,
    node: Known,
    devices: BTreeMap<Id, Known>,
}

/// Numbers that stand for names: one for each metric of the node and its devices, the same for as long as the daemon runs.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
struct Aliases {
    given: BTreeMap<(Option<Id>, String), u64>,
}

impl Aliases {
    fn of(&mut self, device: Option<&Id>, name: &str) -> u64 {
        let next = self.given.len() as u64 + 1;
        *self.given.entry((device.cloned(), name.to_owned())).or_insert(next)
    }
}

impl Session {
    /// A session after one whose last connection was counted by `last`; none where there was none.
    pub fn new(settings: SessionSettings, last: Option<BdSeq>) -> Self {
        Self {
            settings,
            // So that the first connection of all is number 0.
            bd_seq: last.unwrap_or(BdSeq(u8::MAX)),
            seq: Seq(0),
            stage: Stage::Away,
            host: None,
            rebirth: false,
            aliases: Aliases::default(),
            node: Known::default(),
            devices: BTreeMap::new(),
        }
    }

    /// Number of the connection that [`Session::connect`] began last.
    pub fn bd_seq(&self) -> BdSeq {
        self.bd_seq
    }

    /// Whether hosts know of us.
    pub fn is_alive(&self) -> bool {
        self.stage == Stage::Alive
    }

    /// A connection is about to be asked for: the will to ask with, at QoS 1.
    pub fn connect(&mut self, now_ms: u64) -> Outgoing {
        self.bd_seq = self.bd_seq.next();
        self.cut();
        self.death(now_ms)
    }

    /// The broker has accepted it: filters to subscribe to, at QoS 1.
    pub fn accepted(&mut self) -> Vec<String> {
        self.stage = Stage::Waiting;
        let commands = self.settings.edge_node.topic(Verb::NCmd);
        [commands].into_iter().chain(self.settings.primary_host.as_ref().map(state_topic)).collect()
    }

    /// The connection is no more.
    pub fn cut(&mut self) {
        self.stage = Stage::Away;
        self.rebirth = false;
    }

    /// The connection is to be ended on purpose: what goes out before, at QoS 1, if hosts know of us.
    pub fn end(&mut self, now_ms: u64) -> Option<Outgoing> {
        let death = self.is_alive().then(|| self.death(now_ms));
        self.cut();
        death
    }

    /// A message has come.
    pub fn heard(&mut self, topic: &str, payload: &[u8], is_retained: bool) -> Heard {
        if topic == self.settings.edge_node.topic(Verb::NCmd) {
            return self.command(payload, is_retained);
        }
        if self.settings.primary_host.as_ref().is_some_and(|host| topic == state_topic(host)) {
            return self.host_says(payload);
        }
        Heard::Ignored("nothing that was subscribed to")
    }

    fn command(&mut self, payload: &[u8], is_retained: bool) -> Heard {
        if is_retained {
            return Heard::Ignored("a command that the broker keeps would be obeyed at every connection");
        }
        let Ok(payload) = Payload::decode(payload) else {
            return Heard::Ignored("a command that is no payload of Sparkplug B");
        };
        let alias = self.node.metrics.iter().find(|sent| sent.name == REBIRTH).map(|sent| sent.alias);
        let asks = |metric: &Metric| {
            let meant = match &metric.name {
                Some(name) => name == REBIRTH,
                None => metric.alias.is_some() && metric.alias == alias,
            };
            meant && metric.value == Some(Value::Boolean(true)) && !metric.is_null
        };
        if !payload.metrics.iter().any(asks) {
            return Heard::Ignored("a command that does not ask for a rebirth; no other one is obeyed");
        }
        self.rebirth = self.is_alive();
        Heard::Rebirth
    }

    fn host_says(&mut self, payload: &[u8]) -> Heard {
        let Some(said) = HostState::decode(payload) else {
            return Heard::Ignored("a STATE that says neither online nor offline");
        };
        if self.host.is_some_and(|last| said.timestamp < last.timestamp) {
            return Heard::Ignored("a STATE that is older than the last one");
        }
        self.host = Some(said);
        if said.online { Heard::HostOnline } else { Heard::HostOffline }
    }

    fn host_is_there(&self) -> bool {
        self.settings.primary_host.is_none() || self.host.is_some_and(|said| said.online)
    }

    /// What has to go out, at QoS 0 and in this order, so that hosts see `picture`.
    pub fn tell(&mut self, picture: &Picture) -> Vec<Outgoing> {
        match self.stage {
            Stage::Away => Vec::new(),
            Stage::Waiting if !self.host_is_there() => Vec::new(),
            Stage::Alive if !self.rebirth && !self.knows_too_little(picture) => self.changes(picture),
            Stage::Waiting | Stage::Alive => self.births(picture),
        }
    }

    /// Whether there is a metric of which no birth has told, or one of another type.
    fn knows_too_little(&self, picture: &Picture) -> bool {
        let own = self.control(picture.at);
        let node = picture.node.iter().chain(&own);
        let differs = |device: &Device| {
            let known = self.devices.get(&device.id).filter(|known| known.is_alive && device.is_there);
            known.is_some_and(|known| !known.is_of(device.metrics.iter()))
        };
        !self.node.is_of(node) || picture.devices.iter().any(differs)
    }

    fn births(&mut self, picture: &Picture) -> Vec<Outgoing> {
        (self.stage, self.rebirth) = (Stage::Alive, false);
        self.devices.values_mut().for_each(|device| device.is_alive = false);
        // Chapter 4 asks for 0, chapter 6 for anything from 0 to 255.
        self.seq = Seq(u8::MAX);
        let mut standings = picture.node.clone();
        standings.extend(self.control(picture.at));
        let (metrics, known) = self.born(None, &standings);
        self.node = known;
        let topic = self.settings.edge_node.topic(Verb::NBirth);
        let mut out = vec![self.message(topic, picture.at, metrics)];
        for device in picture.devices.iter().filter(|device| device.is_there) {
            out.push(self.device_birth(picture.at, device));
        }
        out
    }

    fn changes(&mut self, picture: &Picture) -> Vec<Outgoing> {
        let mut out = Vec::new();
        let deadband = self.settings.deadband;
        let data = self.node.changed(&picture.node, deadband);
        if !data.is_empty() {
            let topic = self.settings.edge_node.topic(Verb::NData);
            out.push(self.message(topic, picture.at, data));
        }
        let there = |id: &Id| picture.devices.iter().any(|device| device.is_there && device.id == *id);
        let alive = self.devices.iter().filter(|(_, known)| known.is_alive);
        let gone: Vec<Id> = alive.map(|(id, _)| id.clone()).filter(|id| !there(id)).collect();
        for id in gone {
            out.push(self.device_death(picture.at, id));
        }
        for device in picture.devices.iter().filter(|device| device.is_there) {
            let Some(known) = self.devices.get_mut(&device.id).filter(|known| known.is_alive) else {
                out.push(self.device_birth(picture.at, device));
                continue;
            };
            let data = known.changed(&device.metrics, deadband);
            if !data.is_empty() {
                let topic = self.settings.edge_node.device_topic(Verb::DData, &device.id);
                out.push(self.message(topic, picture.at, data));
            }
        }
        out
    }

    fn device_birth(&mut self, now_ms: u64, device: &Device) -> Outgoing {
        let (metrics, known) = self.born(Some(&device.id), &device.metrics);
        self.devices.insert(device.id.clone(), known);
        let topic = self.settings.edge_node.device_topic(Verb::DBirth, &device.id);
        self.message(topic, now_ms, metrics)
    }

    fn device_death(&mut self, now_ms: u64, id: Id) -> Outgoing {
        let topic = self.settings.edge_node.device_topic(Verb::DDeath, &id);
        self.devices.entry(id).or_default().is_alive = false;
        self.message(topic, now_ms, Vec::new())
    }

    /// What a birth says of each metric, and what is known of them from then on.
    fn born(&mut self, device: Option<&Id>, standings: &[Standing]) -> (Vec<Metric>, Known) {
        let (mut metrics, mut sent) = (Vec::new(), Vec::new());
        for standing in standings {
            let alias = self.aliases.of(device, &standing.name);
            let name = Some(standing.name.clone());
            let description = standing.description.map(str::to_owned);
            metrics.push(Metric { name, description, ..standing.metric(alias) });
            sent.push(standing.sent(alias));
        }
        (metrics, Known { is_alive: true, metrics: sent })
    }

    fn message(&mut self, topic: String, now_ms: u64, mut metrics: Vec<Metric>) -> Outgoing {
        self.seq = self.seq.next();
        // Chapter 5: values stand in the order of their times.
        metrics.sort_by_key(|metric| metric.timestamp);
        let payload = Payload { timestamp: Some(now_ms), metrics, seq: Some(u64::from(self.seq.0)) };
        Outgoing { topic, payload: payload.to_bytes() }
    }

    fn death(&self, now_ms: u64) -> Outgoing {
        let [bd_seq, _] = self.control(now_ms);
        // By name: a death is looked up in no birth.
        let metric = Metric { name: Some(bd_seq.name.clone()), alias: None, ..bd_seq.metric(0) };
        let payload = Payload { timestamp: Some(now_ms), metrics: vec![metric], seq: None };
        Outgoing { topic: self.settings.edge_node.topic(Verb::NDeath), payload: payload.to_bytes() }
    }

    /// What the standard asks of every birth of a node. Neither changes until the next one.
    fn control(&self, now_ms: u64) -> [Standing; 2] {
        let metric = |name: &str, kind, value, description| Standing {
            name: name.to_owned(),
            at: now_ms,
            kind,
            value: Some(value),
            properties: Vec::new(),
            description,
        };
        let bd_seq = Value::int64(i64::from(self.bd_seq.0));
        let rebirth = Some("write true to be told all births anew");
        [
            metric(BD_SEQ, DataType::Int64, bd_seq, None),
            metric(REBIRTH, DataType::Boolean, Value::Boolean(false), rebirth),
        ]
    }
}

impl Standing {
    /// As it goes out under its alias.
    fn metric(&self, alias: u64) -> Metric {
        Metric {
            alias: Some(alias),
            timestamp: Some(self.at),
            datatype: Some(self.kind.code()),
            is_null: self.value.is_none(),
            properties: self.properties.clone(),
            value: self.value.clone(),
            ..Metric::default()
        }
    }

    fn sent(&self, alias: u64) -> Sent {
        Sent {
            name: self.name.clone(),
            kind: self.kind,
            alias,
            value: self.value.clone(),
            properties: self.properties.clone(),
        }
    }
}

impl Known {
    /// Whether these are the metrics that the birth told of, in its order.
    fn is_of<'a>(&self, mut standings: impl Iterator<Item = &'a Standing>) -> bool {
        let same = |sent: &Sent| {
            standings.next().is_some_and(|standing| standing.name == sent.name && standing.kind == sent.kind)
        };
        self.metrics.iter().all(same) && standings.next().is_none()
    }

    /// What has to go out of `standings`, which are those of the birth, in its order; from now on it has.
    fn changed(&mut self, standings: &[Standing], deadband: f64) -> Vec<Metric> {
        let mut metrics = Vec::new();
        for (sent, standing) in self.metrics.iter_mut().zip(standings) {
            if sent.is_told_by(standing, deadband) {
                continue;
            }
            *sent = standing.sent(sent.alias);
            metrics.push(standing.metric(sent.alias));
        }
        metrics
    }
}

impl Sent {
    /// Whether what went out last says as much as `standing`.
    fn is_told_by(&self, standing: &Standing, deadband: f64) -> bool {
        let value = match (&self.value, &standing.value) {
            (Some(Value::Double(last)), Some(Value::Double(now))) => {
                (now - last).abs() <= deadband * last.abs()
            }
            (last, now) => last == now,
        };
        value && self.properties == standing.properties
    }
}

#[cfg(test)]
mod tests;
