//! The broker's rules with the real broker: everybody may do what the list of rights says and nothing else, and with that
//! the gateway hears its probes and notes and says its alarms.

use std::fs;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden_tests::broker::Certificates;
use sumpwarden_tests::gateway::{Installation, plain_probe, sump};
use sumpwarden_tests::process::{Peer, TempDir, free_port, peer_script, python, run, tool, wait_for};

use crate::text_of;

const MOMENT: Duration = Duration::from_secs(60);
/// The users of the list of rights; the witness is the test's own and may do everything.
const USERS: [&str; 5] = ["sumpwarden", "probes", "tablets", "panels", "witness"];
const COOLANT: &str = "hall-2/lathe-3/coolant/ph";
const NOTE: &str = "hall-2/lathe-3/note";
const ALARMS: &str = "hall-2/sump-alarms";
/// Topics beside those that somebody may use, each by one level.
const FORBIDDEN: [&str; 7] = [
    "hall-2/lathe-3",
    "hall-2/lathe-3/oil/ph",
    "hall-2/lathe-3/note/more",
    "hall-2/sump-alarms/more",
    "hall-3/lathe-3/coolant/ph",
    "hall-3/sump-alarms",
    "coolant",
];

/// A mosquitto with the files of `deploy/broker`.
struct Broker {
    port: u16,
    certificates: Certificates,
    _peer: Peer,
    _folder: TempDir,
}

fn password(user: &str) -> String {
    format!("{user}-may-come-in")
}

impl Broker {
    fn start() -> Self {
        let (folder, port) = (TempDir::new("broker"), free_port());
        let certificates = Certificates::make("localhost");
        let [passwords, acl, conf] = ["passwords", "acl", "conf"].map(|name| folder.file(name));
        fs::write(&passwords, "").expect("a file");
        for user in USERS {
            run(Command::new(tool("mosquitto_passwd")).args(["-b", &passwords, user, &password(user)]));
        }
        let rights = text_of("broker/sumpwarden.acl") + "\nuser witness\ntopic readwrite #\n";
        fs::write(&acl, rights).expect("a file");
        let mut text = text_of("broker/sumpwarden.conf");
        for (theirs, ours) in [
            ("/etc/mosquitto/sumpwarden.passwords", passwords.as_str()),
            ("/etc/mosquitto/sumpwarden.acl", &acl),
            ("/etc/mosquitto/certs/broker.pem", &certificates.file("server.pem")),
            ("/etc/mosquitto/certs/broker.key", &certificates.file("server.key")),
            ("listener 8883", &format!("listener {port} 127.0.0.1")),
        ] {
            assert!(text.contains(theirs), "{theirs} stands in it");
            text = text.replace(theirs, ours);
        }
        // Started by root it would turn into a user who cannot read these files.
        fs::write(&conf, format!("user root\nlog_dest stderr\n{text}")).expect("a file");
        let mut peer = Peer::start("mosquitto", Command::new(tool("mosquitto")).args(["-c", &conf]));
        peer.wait_for_port(port);
        Self { port, certificates, _peer: peer, _folder: folder }
    }

    /// What each user can really do with each topic.
    fn rights(&self, topics: &[&str]) -> Value {
        let users: serde_json::Map<String, Value> =
            USERS.iter().map(|user| ((*user).to_owned(), password(user).into())).collect();
        let mut command = Command::new(python());
        command.arg(peer_script("rights.py")).args(["--port", &self.port.to_string()]);
        command
            .args(["--ca", &self.certificates.file("ca.pem")])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped());
        let mut child = command.spawn().expect("it starts");
        let asked = json!({ "users": users, "topics": topics }).to_string();
        child.stdin.take().expect("piped").write_all(asked.as_bytes()).expect("it listens");
        let output = child.wait_with_output().expect("it ends");
        assert!(output.status.success(), "{}", output.status);
        serde_json::from_slice(&output.stdout).expect("JSON")
    }

    fn publish(&self, user: &str, topic: &str, payload: &str) {
        let mut command = Command::new(python());
        command.arg(peer_script("publisher.py")).args(["--port", &self.port.to_string(), "--topic", topic]);
        command.args(["--raw", payload, "--user", user, "--password", &password(user)]);
        run(command.args(["--ca", &self.certificates.file("ca.pem")]));
    }
}

#[test]
fn everybody_may_do_what_the_list_of_rights_says_and_nothing_else() {
    let broker = Broker::start();
    let mut topics = vec![COOLANT, NOTE, ALARMS];
    topics.extend(FORBIDDEN);
    let found = broker.rights(&topics);
    for (user, writes, reads) in [
        ("sumpwarden", vec![ALARMS], vec![COOLANT, NOTE]),
        ("probes", vec![COOLANT], vec![]),
        ("tablets", vec![NOTE], vec![]),
        ("panels", vec![], vec![ALARMS]),
        ("witness", topics.clone(), topics.clone()),
    ] {
        assert_eq!(found[user], json!({ "writes": writes, "reads": reads }), "{user}");
    }
}

#[test]
fn with_these_rights_the_gateway_hears_probes_and_notes_and_says_its_alarms() {
    let broker = Broker::start();
    let (port, ca) = (broker.port, broker.certificates.file("ca.pem"));
    let tables = format!(
        "\n[broker.shop]\naddress = \"localhost:{port}\"\nuser = \"sumpwarden\"\npassword_file = \"shop.password\"\n\
         tls = {{ ca_file = \"{ca}\" }}\nnotes = {{ topic = \"hall-2/{{sump}}/note\" }}\n\
         [receiver.panel]\nmqtt = {{ broker = \"shop\", topic = \"{ALARMS}\" }}\n"
    );
    let source = format!("broker = \"shop\"\ntopic = \"{COOLANT}\"\npayload = \"number\"\nevery = \"1 min\"");
    let limit =
        "\n[sump.lathe-3.limit.too-warm]\nof = \"a\"\nhigh = 20\non_delay = \"0 s\"\npriority = \"high\"\n";
    let shop =
        Installation::new(&(tables + &sump("lathe-3") + &plain_probe("lathe-3", "a", &source) + limit));
    let secret = shop.path("shop.password");
    fs::write(&secret, password("sumpwarden")).expect("a file");
    run(Command::new("chmod").arg("600").arg(&secret));
    let mut listens = Command::new(python());
    listens.arg(peer_script("subscriber.py")).args(["--port", &port.to_string(), "--topic", ALARMS]);
    listens.args(["--user", "panels", "--password", &password("panels"), "--ca", &ca]);
    let mut panel = Peer::start("panel", &mut listens);
    let output = panel.shared_output();
    let heard = |words: &str| output.lock().expect("whole").iter().any(|line| line.contains(words));
    panel.wait_until("listens", || heard("listening"));
    let daemon = shop.run();
    // What comes before the subscription is given to nobody.
    wait_for("the reading", MOMENT, || {
        broker.publish("probes", COOLANT, "21.5");
        (daemon.probe("lathe-3", "a")["raw"] == 21.5).then_some(())
    });
    broker.publish("tablets", NOTE, r#"{"kind": "odour", "value": 1, "by": "Kim"}"#);
    wait_for("the note", MOMENT, || {
        let answer = sumpwarden_tests::database::http(daemon.port(), "GET", "/journal?sump=lathe-3", "");
        answer.body.contains("odour").then_some(())
    });
    wait_for("the alarm at the panel", MOMENT, || heard("too-warm").then_some(()));
    let (status, log) = daemon.terminate();
    assert!(status.success(), "{log:#?}");
}
