//! What a host sees of a shop that runs: births first, data in order, values as in `/state`, commands, sumps that go and come.

use rustix::process::Signal;
use serde_json::{Value, json};
use sumpwarden_tests::broker::{Entrance, Mosquitto};
use sumpwarden_tests::gateway::{Daemon, Installation, program};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{free_port, wait_for};

use super::host::{Metrics, PlantHost, bd_seq, complaints};
use super::{MOMENT, shop};

fn verbs(messages: &[Value]) -> Vec<String> {
    let word = |said: &Value| {
        let verb = said["verb"].as_str().expect("a verb");
        said["device"].as_str().map_or(verb.to_owned(), |device| format!("{verb} {device}"))
    };
    messages.iter().map(word).collect()
}

const BIRTHS: [&str; 3] = ["NBIRTH", "DBIRTH lathe-1", "DBIRTH mill-1"];

#[test]
fn births_come_first_then_what_has_changed_and_values_are_those_of_the_state() {
    let broker = Mosquitto::start(Entrance::Open);
    let (lathe, mill) = (ModbusTcp::start(&[1]), ModbusTcp::start(&[1]));
    let host = PlantHost::listen(broker.port);
    let tables = shop(broker.port, lathe.port, mill.port, "");
    let installation = Installation::with_page(free_port(), &tables);
    // What the broker keeps would be obeyed at every connection.
    host.send("retained-rebirth");
    // Hours in seconds, so that something is estimated before anybody loses patience.
    let daemon = installation.run_program(program(), &[("SUMPWARDEN__SITE__PACE", "600")]);
    host.wait_for(0, "DBIRTH", Some("lathe-1"));
    host.wait_for(0, "DBIRTH", Some("mill-1"));
    host.wait("data", 0, |all| (all.iter().filter(|said| said["verb"] == "DDATA").count() > 6).then_some(()));
    let births: Vec<usize> =
        (0..).zip(host.messages()).filter(|(_, s)| s["verb"] == "NBIRTH").map(|(n, _)| n).collect();
    assert_eq!(births, [0], "first, and once");
    says_what_the_state_says(&host, &daemon);

    let note =
        installation.command("note", &["lathe-1", "brix", "3.7", "--by", "Kim", "--text", "from the nozzle"]);
    assert!(note.status.success(), "{note:?}");
    let words = wait_for("the note", MOMENT, || {
        host.view(Some("lathe-1"))["Last note/Text"]["value"].as_str().map(str::to_owned)
    });
    assert!(words.contains("from the nozzle") && !words.contains("Kim"), "{words}");

    obeys_one_command_only(&host);
    goes_and_comes(&host, &mill);
    host.complains_of_nothing();
    proves_that_the_host_would_complain(&host.messages());
    daemon.terminate();
    let (mut dead, all) =
        (0, host.wait("the end", 0, |all| (all.last()?["verb"] == "NDEATH").then(|| all.to_vec())));
    all.iter().for_each(|said| dead += usize::from(said["verb"] == "NDEATH"));
    assert_eq!(dead, 1);
}

/// Compares what a host knows with `/state` until both are of the same moment.
#[track_caller]
fn says_what_the_state_says(host: &PlantHost, daemon: &Daemon) {
    let mut compared = Compared::default();
    for _ in 0..240 {
        let state = daemon.state();
        compared = Compared::default();
        for sump in state["sumps"].as_array().expect("a list") {
            compared.sump(sump, &host.view(sump["name"].as_str()));
        }
        if compared.differences.is_empty() && compared.probes == 6 && compared.estimates >= 12 {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(250));
    }
    panic!("{compared:#?}");
}

/// What of a sump is the same in `/state` and in the metrics.
#[derive(Debug, Default)]
struct Compared {
    differences: Vec<String>,
    /// Numbers among the probes.
    probes: usize,
    /// Numbers among the estimates.
    estimates: usize,
}

impl Compared {
    fn sump(&mut self, sump: &Value, view: &Metrics) {
        let list = |key: &str| sump[key].as_array().expect("a list").iter();
        let text = |of: &Value| of.as_str().expect("text").to_owned();
        for probe in list("probes").filter(|probe| probe["name"] != "counter") {
            self.same(view, &format!("Probes/{}", text(&probe["name"])), &probe["value"], Some(probe), 0.0);
            self.probes += usize::from(probe["value"].is_number());
        }
        for estimate in list("estimates") {
            for (bound, key) in [("Value", "value"), ("Low90", "low90"), ("High90", "high90")] {
                let name = format!("Estimates/{}/{bound}", text(&estimate["quantity"]));
                // They move on between the two looks.
                self.same(view, &name, &estimate[key], Some(estimate), 0.02);
                self.estimates += usize::from(estimate[key].is_number());
            }
        }
        for alarm in list("alarms") {
            self.same(view, &format!("Alarms/{}/State", text(&alarm["name"])), &alarm["state"], None, 0.0);
        }
        self.same(view, "Advice/Count", &json!(list("advice").count()), None, 0.0);
        self.same(view, "Properties/Target concentration", &sump["target_percent"], None, 0.0);
        self.same(view, "Properties/Volume at fill mark", &sump["fill_mark_l"], None, 0.0);
    }

    fn same(&mut self, view: &Metrics, name: &str, value: &Value, of: Option<&Value>, within: f64) {
        let Some(metric) = view.get(name) else {
            self.differences.push(format!("{name} is not there"));
            return;
        };
        let found = &metric["value"];
        let near = found.as_f64().zip(value.as_f64()).map(|(a, b)| (a - b).abs() <= within * (1.0 + b.abs()));
        let pairs = [("engUnit", "unit"), ("Status", "status"), ("Device", "device"), ("Reason", "reason")];
        let as_good =
            of.is_none_or(|of| pairs.iter().all(|(key, word)| metric["properties"][key] == of[word]));
        if !near.unwrap_or(found == value) || !as_good {
            self.differences.push(format!("{name}: {metric} instead of {value} {of:?}"));
        }
    }
}

fn obeys_one_command_only(host: &PlantHost) {
    let births = |skip: usize| {
        host.wait("all births", skip, |all| {
            let first = all.iter().position(|said| said["verb"] == "NBIRTH")?;
            Some(all.get(first..first + BIRTHS.len())?.to_vec())
        })
    };
    let first = births(0);
    for command in ["rebirth", "rebirth-by-alias"] {
        let before = host.messages().len();
        match command {
            "rebirth-by-alias" => host.send(&format!("{command}={}", alias_of_rebirth(&first[0]))),
            command => host.send(command),
        }
        let again = births(before);
        assert_eq!(verbs(&again), BIRTHS, "{command}");
        assert_eq!((bd_seq(&again[0]), again[0]["seq"].as_i64()), (bd_seq(&first[0]), Some(0)));
    }
    let before = host.messages().len();
    ["other-command", "garbage"].iter().for_each(|what| host.send(what));
    host.wait("data", before, |all| (all.len() > 6).then_some(()));
    assert!(!verbs(&host.messages()[before..]).iter().any(|verb| verb.contains("BIRTH")));
}

fn alias_of_rebirth(birth: &Value) -> &Value {
    let mut metrics = birth["metrics"].as_array().expect("a list").iter();
    &metrics.find(|metric| metric["name"] == "Node Control/Rebirth").expect("every birth has it")["alias"]
}

/// A sump whose only device is silent dies; it is born when that speaks again, and the other one is not touched.
fn goes_and_comes(host: &PlantHost, mill: &ModbusTcp) {
    let before = host.messages().len();
    mill.peer().signal(Signal::STOP);
    let death = host.wait_for(before, "DDEATH", Some("mill-1"));
    assert_eq!(death["metrics"], json!([]));
    let dead = host.messages().len();
    mill.peer().signal(Signal::CONT);
    let birth = host.wait_for(dead, "DBIRTH", Some("mill-1"));
    let metrics = birth["metrics"].as_array().expect("a list");
    let value = metrics.iter().find(|metric| metric["name"] == "Probes/temperature").expect("it is there");
    assert_eq!((&value["value"], &value["properties"]["Quality"]), (&json!(21.5), &json!(192)));
    let touched = verbs(&host.messages()[before..]);
    assert!(!touched.iter().any(|verb| verb.ends_with("BIRTH lathe-1") || verb == "NBIRTH"), "{touched:?}");
}

/// The same rules, over the same messages put together wrongly, complain.
fn proves_that_the_host_would_complain(messages: &[Value]) {
    assert_eq!(complaints(messages), [""; 0], "as they came they are right");
    let place = |verb: &str, device: &str| {
        let is = |said: &Value| said["verb"] == verb && said["device"].as_str().unwrap_or_default() == device;
        messages.iter().position(is).expect("it came")
    };
    let (node, lathe, mill) = (place("NBIRTH", ""), place("DBIRTH", "lathe-1"), place("DBIRTH", "mill-1"));
    let born = lathe.max(mill);
    let of_lathe = |said: &Value| said["verb"] == "DDATA" && said["device"] == "lathe-1";
    let data = born + messages[born..].iter().position(of_lathe).expect("it came");
    let broken = |change: &dyn Fn(&mut Vec<Value>)| {
        let mut all = messages.to_vec();
        change(&mut all);
        complaints(&all).join("\n")
    };
    let says = |what: &str, change: &dyn Fn(&mut Vec<Value>)| {
        let said = broken(change);
        assert!(said.contains(what), "{what:?} is not in:\n{said}");
    };
    says("seq", &|all| drop(all.remove(data)));
    says("seq", &|all| all.insert(data, all[data].clone()));
    says("seq", &|all| all.swap(data, data + 1));
    says("before the node birth", &|all| drop(all.remove(node)));
    says("before the node birth", &|all| all.swap(node, lathe));
    says("data before the birth", &|all| drop(all.remove(lathe)));
    says("is of no birth", &|all| {
        all[data]["topic"] = all[mill]["topic"].as_str().expect("text").replace("DBIRTH", "DDATA").into();
    });
    says("retained", &|all| all[data]["retain"] = true.into());
    says("at QoS", &|all| all[data]["qos"] = 1.into());
    says("no payload", &|all| all[data]["hex"] = "ffff".into());
    says("has not changed", &|all| {
        // The same value under a number that fits: the last byte of a payload is that of its seq.
        let hex = all[data]["hex"].as_str().expect("text").to_owned();
        let seq = all[data]["seq"].as_u64().expect("a number") + 1;
        let again = format!("{}{seq:02x}", &hex[..hex.len() - 2]);
        let mut repeated = all[data].clone();
        repeated["hex"] = again.into();
        all[data + 1] = repeated;
    });
}
