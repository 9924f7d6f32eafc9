//! The rules of the specification, one after the other, as a host sees them.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use super::*;

const GROUP: &str = "hall-2";
const NODE: &str = "box-1";

fn id(text: &str) -> Id {
    Id::new(text).unwrap()
}

fn settings(primary_host: Option<&str>) -> SessionSettings {
    let edge_node = EdgeNode { group: id(GROUP), node: id(NODE) };
    SessionSettings { edge_node, primary_host: primary_host.map(id), deadband: 0.0 }
}

fn standing(name: &str, value: impl Into<Option<f64>>) -> Standing {
    Standing {
        name: name.to_owned(),
        at: 1000,
        kind: DataType::Double,
        value: value.into().map(Value::Double),
        properties: vec![("Quality".to_owned(), Property::int32(192))],
        description: None,
    }
}

fn device(name: &str, is_there: bool, ph: f64) -> Device {
    Device {
        id: id(name),
        is_there,
        metrics: vec![standing("Probes/ph", ph), standing("Probes/level", 310.0)],
    }
}

fn picture(at: u64, devices: Vec<Device>) -> Picture {
    Picture { at, node: vec![standing("Sumps", devices.len() as f64)], devices }
}

/// Two sumps whose pH is this.
fn two(at: u64, ph: f64) -> Picture {
    picture(at, vec![device("lathe-1", true, ph), device("mill-1", true, ph)])
}

/// A message as a host reads it: verb and device, and the payload.
fn read(out: &Outgoing) -> (String, Payload) {
    let prefix = format!("spBv1.0/{GROUP}/");
    let rest = out.topic.strip_prefix(&prefix).expect("our group");
    (rest.replace(&format!("/{NODE}"), ""), Payload::decode(&out.payload).expect("a payload"))
}

fn topics(out: &[Outgoing]) -> Vec<String> {
    out.iter().map(|out| read(out).0).collect()
}

fn named<'a>(payload: &'a Payload, name: &str) -> &'a Metric {
    payload.metrics.iter().find(|metric| metric.name.as_deref() == Some(name)).expect(name)
}

fn bd_seq_of(payload: &Payload) -> &Metric {
    named(payload, "bdSeq")
}

/// A session that is connected and accepted.
fn connected(primary_host: Option<&str>, last: Option<u8>) -> Session {
    let mut session = Session::new(settings(primary_host), last.map(BdSeq));
    session.connect(500);
    session.accepted();
    session
}

fn command(metric: Metric) -> Vec<u8> {
    Payload { timestamp: Some(1), metrics: vec![metric], seq: None }.to_bytes()
}

fn rebirth() -> Metric {
    Metric {
        name: Some("Node Control/Rebirth".to_owned()),
        value: Some(Value::Boolean(true)),
        ..Metric::default()
    }
}

const NCMD: &str = "spBv1.0/hall-2/NCMD/box-1";

#[test]
fn the_first_message_is_a_node_birth_with_sequence_number_zero_and_every_device_birth_follows() {
    let mut session = connected(None, None);
    let out = session.tell(&two(1000, 9.1));
    assert_eq!(topics(&out), ["NBIRTH", "DBIRTH/lathe-1", "DBIRTH/mill-1"]);
    let payloads: Vec<Payload> = out.iter().map(|out| read(out).1).collect();
    assert_eq!(payloads.iter().map(|p| p.seq).collect::<Vec<_>>(), [Some(0), Some(1), Some(2)]);
    for payload in &payloads {
        assert_eq!(payload.timestamp, Some(1000));
        for metric in &payload.metrics {
            assert!(
                metric.name.is_some() && metric.alias.is_some(),
                "births carry name and alias: {metric:?}"
            );
            assert!(metric.timestamp.is_some() && metric.datatype.is_some(), "{metric:?}");
        }
    }
    let rebirth = named(&payloads[0], "Node Control/Rebirth");
    assert_eq!((rebirth.datatype, &rebirth.value), (Some(11), &Some(Value::Boolean(false))));
    assert_eq!(session.tell(&two(2000, 9.1)), [], "what has not changed is not said again");
}

#[test]
fn aliases_are_unique_over_the_node_and_its_devices_and_data_carries_nothing_else() {
    let mut session = connected(None, None);
    let births = session.tell(&two(1000, 9.1));
    let aliases: Vec<u64> =
        births.iter().flat_map(|out| read(out).1.metrics).map(|metric| metric.alias.unwrap()).collect();
    assert_eq!(aliases.iter().collect::<BTreeSet<_>>().len(), aliases.len(), "{aliases:?}");
    let out = session.tell(&picture(2000, vec![device("lathe-1", true, 9.0), device("mill-1", true, 9.1)]));
    assert_eq!(topics(&out), ["DDATA/lathe-1"], "by exception");
    let (_, data) = read(&out[0]);
    let born = read(&births[1]).1;
    assert_eq!(data.metrics.len(), 1);
    assert_eq!((&data.metrics[0].name, data.metrics[0].alias), (&None, named(&born, "Probes/ph").alias));
    assert_eq!(data.metrics[0].value, Some(Value::Double(9.0)));
    session.heard(NCMD, &command(rebirth()), false);
    assert_eq!(
        read(&session.tell(&two(3000, 9.0))[1]).1.metrics[0].alias,
        born.metrics[0].alias,
        "they stay"
    );
}

#[test]
fn each_message_adds_one_to_the_sequence_number_and_after_255_comes_0() {
    let mut session = connected(None, None);
    session.tell(&two(1000, 9.0));
    let mut expected = 3;
    for n in 0..600 {
        let out = session.tell(&two(2000 + n, 9.0 + (n + 1) as f64));
        for out in &out {
            assert_eq!(read(out).1.seq, Some(expected));
            expected = if expected == 255 { 0 } else { expected + 1 };
        }
        assert_eq!(out.len(), 2);
    }
}

#[test]
fn the_birth_says_the_number_of_the_will_and_every_connect_counts_on_to_255_and_0() {
    for (last, number) in [(None, 0), (Some(0), 1), (Some(41), 42), (Some(254), 255), (Some(255), 0)] {
        let mut session = Session::new(settings(None), last.map(BdSeq));
        let (topic, will) = read(&session.connect(500));
        assert_eq!((topic.as_str(), will.seq, will.metrics.len()), ("NDEATH", None, 1), "no seq in a death");
        let said = bd_seq_of(&will);
        assert_eq!((said.datatype, &said.value, said.alias), (Some(4), &Some(Value::Long(number)), None));
        assert_eq!(u64::from(session.bd_seq().0), number);
        session.accepted();
        let birth = read(&session.tell(&two(1000, 9.1))[0]).1;
        assert_eq!(bd_seq_of(&birth).value, Some(Value::Long(number)));
        session.heard(NCMD, &command(rebirth()), false);
        let again = read(&session.tell(&two(2000, 9.1))[0]).1;
        assert_eq!(bd_seq_of(&again).value, Some(Value::Long(number)), "a rebirth is no new connection");
        let death = read(&session.end(3000).expect("hosts know of us")).1;
        assert_eq!(bd_seq_of(&death).value, Some(Value::Long(number)), "on purpose as by the will");
        session.connect(4000);
        assert_eq!(u64::from(session.bd_seq().0), (number + 1) % 256);
    }
}

#[test]
fn nothing_goes_out_before_the_broker_has_accepted_and_nothing_after_the_end() {
    let mut session = Session::new(settings(None), None);
    assert_eq!(session.tell(&two(1000, 9.1)), []);
    session.connect(1000);
    assert_eq!(session.tell(&two(1000, 9.1)), []);
    assert_eq!(session.end(1500), None, "no host knows of us");
    session.connect(2000);
    assert_eq!(session.accepted(), [NCMD]);
    assert_eq!(session.tell(&two(2000, 9.1)).len(), 3);
    session.cut();
    assert_eq!(session.tell(&two(3000, 9.2)), []);
    session.connect(4000);
    session.accepted();
    let out = session.tell(&two(4000, 9.3));
    assert_eq!(topics(&out)[0], "NBIRTH", "what was missed is in the births");
    assert_eq!((read(&out[0]).1.seq, named(&read(&out[1]).1, "Probes/ph").is_historical), (Some(0), false));
}

#[test]
fn a_rebirth_command_by_name_or_alias_is_answered_by_all_births_and_before_any_data() {
    let mut session = connected(None, None);
    let births = session.tell(&two(1000, 9.1));
    let alias = named(&read(&births[0]).1, "Node Control/Rebirth").alias;
    for metric in [rebirth(), Metric { name: None, alias, ..rebirth() }] {
        assert_eq!(session.heard(NCMD, &command(metric), false), Heard::Rebirth);
        let out = session.tell(&two(2000, 9.7));
        assert_eq!(topics(&out), ["NBIRTH", "DBIRTH/lathe-1", "DBIRTH/mill-1"]);
        assert_eq!(read(&out[0]).1.seq, Some(0));
        assert_eq!(named(&read(&out[1]).1, "Probes/ph").value, Some(Value::Double(9.7)), "current values");
        assert_eq!(session.tell(&two(2500, 9.7)), [], "once");
    }
}

#[test]
fn no_other_command_is_obeyed() {
    let mut session = connected(None, None);
    session.tell(&two(1000, 9.1));
    let value = |value| Metric { value, ..rebirth() };
    let other = Metric { name: Some("Node Control/Reboot".to_owned()), ..rebirth() };
    for metric in [
        value(Some(Value::Boolean(false))),
        value(None),
        value(Some(Value::Int(1))),
        value(Some(Value::Text("true".to_owned()))),
        Metric { is_null: true, ..rebirth() },
        Metric { name: None, alias: None, ..rebirth() },
        Metric { name: None, alias: Some(1), ..rebirth() },
        other,
    ] {
        assert!(
            matches!(session.heard(NCMD, &command(metric.clone()), false), Heard::Ignored(_)),
            "{metric:?}"
        );
    }
    let wanted = command(rebirth());
    for (topic, payload, retained) in [
        (NCMD, &wanted[..], true),
        (NCMD, &wanted[..wanted.len() - 1], false),
        (NCMD, b"", false),
        ("spBv1.0/hall-2/NCMD/box-2", &wanted, false),
        ("spBv1.0/hall-2/DCMD/box-1/lathe-1", &wanted, false),
    ] {
        assert!(matches!(session.heard(topic, payload, retained), Heard::Ignored(_)), "{topic}");
    }
    assert_eq!(session.tell(&two(2000, 9.1)), []);
}

#[test]
fn a_device_that_is_silent_dies_and_is_born_again_when_it_speaks() {
    let mut session = connected(None, None);
    let with = |mill| picture(1000, vec![device("lathe-1", true, 9.1), device("mill-1", mill, 9.1)]);
    assert_eq!(topics(&session.tell(&with(false))), ["NBIRTH", "DBIRTH/lathe-1"], "not there yet");
    assert_eq!(topics(&session.tell(&with(true))), ["DBIRTH/mill-1"]);
    let out = session.tell(&with(false));
    assert_eq!(topics(&out), ["DDEATH/mill-1"]);
    assert_eq!((read(&out[0]).1.seq, read(&out[0]).1.timestamp), (Some(3), Some(1000)));
    assert_eq!(session.tell(&with(false)), [], "dead once");
    assert_eq!(topics(&session.tell(&with(true))), ["DBIRTH/mill-1"]);
    let removed = picture(2000, vec![device("lathe-1", true, 9.1)]);
    assert_eq!(topics(&session.tell(&removed)), ["NDATA", "DDEATH/mill-1"], "one sump less");
}

#[test]
fn a_metric_that_no_birth_has_told_of_comes_with_new_births() {
    let mut session = connected(None, None);
    session.tell(&two(1000, 9.1));
    let mut more = two(2000, 9.1);
    more.devices[1].metrics.push(standing("Probes/temperature", 21.5));
    assert_eq!(topics(&session.tell(&more)), ["NBIRTH", "DBIRTH/lathe-1", "DBIRTH/mill-1"]);
    more.devices[1].metrics[2].kind = DataType::String;
    assert_eq!(session.tell(&more).len(), 3, "another type as well");
    more.devices[1].metrics.pop();
    assert_eq!(session.tell(&more).len(), 3, "and one that is no more");
    more.devices[1].is_there = false;
    more.devices[1].metrics.pop();
    assert_eq!(topics(&session.tell(&more)), ["DDEATH/mill-1"], "but not of a device that has gone");
}

#[test]
fn a_value_that_is_no_more_is_null_with_its_quality() {
    let mut session = connected(None, None);
    session.tell(&two(1000, 9.1));
    let mut gone = two(2000, 9.1);
    let metric = &mut gone.devices[0].metrics[0];
    (metric.value, metric.properties[0].1) = (None, Property::int32(0));
    let out = session.tell(&gone);
    let data = read(&out[0]).1;
    assert!(data.metrics[0].is_null && data.metrics[0].value.is_none(), "{data:?}");
    assert_eq!(data.metrics[0].properties, [("Quality".to_owned(), Property::int32(0))]);
    let back = read(&session.tell(&two(3000, 9.1))[0]).1;
    assert_eq!((back.metrics[0].is_null, &back.metrics[0].value), (false, &Some(Value::Double(9.1))));
}

#[test]
fn a_number_goes_out_when_it_has_moved_by_more_than_the_deadband_from_what_went_out_last() {
    let mut session = Session::new(SessionSettings { deadband: 0.01, ..settings(None) }, None);
    session.connect(500);
    session.accepted();
    session.tell(&two(1000, 100.0));
    assert_eq!(session.tell(&two(2000, 100.9)), []);
    assert_eq!(session.tell(&two(3000, 101.0)), [], "exactly the deadband");
    assert_eq!(session.tell(&two(4000, 101.1)).len(), 2, "creeping is noticed");
    assert_eq!(session.tell(&two(5000, 100.2)), []);
    let mut worse = two(6000, 100.2);
    worse.devices[0].metrics[0].properties[0].1 = Property::int32(500);
    assert_eq!(topics(&session.tell(&worse)), ["DDATA/lathe-1"], "quality has no deadband");
}

#[test]
fn values_stand_in_the_order_of_their_times() {
    let mut session = connected(None, None);
    let mut mixed = two(5000, 9.1);
    mixed.devices[0].metrics[0].at = 4000;
    mixed.devices[0].metrics[1].at = 3000;
    for out in session.tell(&mixed) {
        let times: Vec<_> = read(&out).1.metrics.iter().map(|metric| metric.timestamp).collect();
        assert!(times.is_sorted(), "{times:?}");
    }
}

#[test]
fn with_a_primary_host_nothing_is_said_before_it_is_there_and_the_connection_ends_when_it_goes() {
    const STATE: &str = "spBv1.0/STATE/scada-1";
    let mut session = Session::new(settings(Some("scada-1")), None);
    session.connect(500);
    assert_eq!(session.accepted(), [NCMD, STATE]);
    assert_eq!(session.tell(&two(1000, 9.1)), []);
    let state = |online, timestamp| format!("{{\"online\":{online},\"timestamp\":{timestamp}}}").into_bytes();
    assert_eq!(session.heard(STATE, &state(false, 100), true), Heard::HostOffline);
    assert_eq!(session.tell(&two(1000, 9.1)), []);
    for (said, why) in [
        (&b"ONLINE"[..], "a word of an older version"),
        (b"{\"online\":true}", "no time"),
        (b"{\"online\":1,\"timestamp\":200}", "no truth value"),
        (&state(true, 99), "older than the last one"),
        (&[b'['; 2000], "too long"),
    ] {
        assert!(matches!(session.heard(STATE, said, false), Heard::Ignored(_)), "{why}");
    }
    assert!(matches!(session.heard("spBv1.0/STATE/scada-2", &state(true, 900), false), Heard::Ignored(_)));
    assert_eq!(session.tell(&two(1000, 9.1)), []);
    assert_eq!(session.heard(STATE, &state(true, 100), false), Heard::HostOnline, "as new as the last one");
    assert_eq!(session.tell(&two(1000, 9.1)).len(), 3);
    assert_eq!(session.heard(STATE, &state(false, 200), false), Heard::HostOffline);
    assert_eq!(read(&session.end(2000).expect("hosts know of us")).0, "NDEATH");
    session.connect(3000);
    session.accepted();
    assert_eq!(session.tell(&two(3000, 9.1)), [], "until it is there again");
    session.heard(STATE, &state(true, 300), true);
    assert_eq!(session.tell(&two(3000, 9.1)).len(), 3);
}

/// What a host believes, by the rules alone.
#[derive(Default)]
struct Believes {
    seq: Option<u64>,
    /// Of each device: names and values by alias.
    alive: BTreeMap<String, BTreeMap<u64, (String, Option<Value>)>>,
}

impl Believes {
    fn hears(&mut self, out: &Outgoing) {
        let (topic, payload) = read(out);
        let (verb, device) = topic.split_once('/').unwrap_or((topic.as_str(), ""));
        match verb {
            "NBIRTH" => *self = Self { seq: Some(0), ..Self::default() },
            _ => self.seq = self.seq.map(|seq| (seq + 1) % 256),
        }
        assert_eq!(payload.seq, self.seq, "{topic}");
        assert!(payload.seq.is_some(), "{topic} before the birth of the node");
        let metrics = payload.metrics.into_iter();
        match verb {
            "NBIRTH" | "DBIRTH" => {
                let named = metrics.map(|m| (m.alias.expect("an alias"), (m.name.expect("a name"), m.value)));
                self.alive.insert(device.to_owned(), named.collect());
            }
            "DDEATH" => assert!(self.alive.remove(device).is_some(), "dead before it was born"),
            _ => {
                let known = self.alive.get_mut(device).expect("born before there is data");
                for metric in metrics {
                    known.get_mut(&metric.alias.expect("an alias")).expect("of the birth").1 = metric.value;
                }
            }
        }
    }

    fn value(&self, device: &str, name: &str) -> Option<&Option<Value>> {
        self.alive.get(device)?.values().find(|(of, _)| of == name).map(|(_, value)| value)
    }
}

/// Something that happens.
#[derive(Clone, Debug)]
enum Happens {
    /// Devices with a metric more or fewer and a value, those that are there.
    Look(Vec<Option<(u8, Option<u8>)>>),
    Rebirth,
    Cut,
}

fn happens() -> impl Strategy<Value = Happens> {
    let device = prop::option::weighted(0.8, (0_u8..2, prop::option::weighted(0.8, 0_u8..4)));
    prop_oneof![
        8 => prop::collection::vec(device, 0..4).prop_map(Happens::Look),
        1 => Just(Happens::Rebirth),
        1 => Just(Happens::Cut),
    ]
}

proptest! {
    #[test]
    fn whatever_happens_a_host_that_goes_by_the_rules_sees_what_is(story in prop::collection::vec(happens(), 1..60)) {
        let mut session = connected(None, None);
        let mut host = Believes::default();
        for (at, happens) in (0..).zip(story) {
            let devices = match happens {
                Happens::Rebirth => {
                    session.heard(NCMD, &command(rebirth()), false);
                    continue;
                }
                Happens::Cut => {
                    session.cut();
                    prop_assert_eq!(session.tell(&two(at, 9.0)), []);
                    session.connect(at);
                    session.accepted();
                    continue;
                }
                Happens::Look(devices) => devices,
            };
            let made = devices.iter().enumerate().map(|(n, one)| {
                let (more, value) = one.unwrap_or_default();
                let names = (0..=more).map(|n| standing(&format!("Probes/{n}"), value.map(f64::from)));
                Device { id: id(&format!("s{n}")), is_there: one.is_some(), metrics: names.collect() }
            });
            let shown = picture(at, made.collect());
            session.tell(&shown).iter().for_each(|out| host.hears(out));
            for device in &shown.devices {
                for metric in &device.metrics {
                    let seen = host.value(device.id.as_str(), &metric.name);
                    prop_assert_eq!(seen, device.is_there.then_some(&metric.value));
                }
            }
            let there = shown.devices.iter().filter(|device| device.is_there).count();
            prop_assert_eq!(host.alive.len(), there + 1, "the node and those that are there");
        }
    }
}
