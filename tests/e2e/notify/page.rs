//! The gateway's own program: what waited in the outbox goes out after a start, with a link, and the link acknowledges.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::Value;
use sumpwarden::edge::clock::Clock;
use sumpwarden::edge::store::Commit;
use sumpwarden_core::alarm::notice::{Change, Facts, Notice};
use sumpwarden_core::alarm::settings::Priority;
use sumpwarden_core::notify::{Action, OutboxEntry};
use sumpwarden_tests::gateway::{Daemon, Installation, plain_probe, sump};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::free_port;
use sumpwarden_tests::server::serve;

use super::{MOMENT, name, open};

/// Takes every message and hands its body on; a sign of life has none.
fn other_side() -> (u16, Receiver<Value>) {
    let (bodies, taken) = channel();
    let port = serve(move |request, stream| {
        if let Ok(body) = serde_json::from_slice(&request.body) {
            // The test may be over.
            let _ = bodies.send(body);
        }
        stream.write_all(b"HTTP/1.1 204 x\r\n\r\n").map(|()| true)
    });
    (port, taken)
}

/// A row that a gateway left behind when it was killed.
fn left_behind(data: &Path) {
    let notice = Notice {
        alarm: "s/instrument/gone".to_owned(),
        occurrence: 1,
        sequence: 1,
        change: Change::Raised,
        at_ns: Clock.utc().as_nanos(),
        priority: Priority::High,
        sump: Some("s".to_owned()),
        title: "Sump S".to_owned(),
        by: None,
        why: None,
        facts: Facts::Probe { probe: "gone".to_owned(), reason: "no reply".to_owned() },
    };
    let store = open(data);
    let row = |receiver: &str| OutboxEntry {
        receiver: name(receiver),
        key: "hall-2/s/instrument/gone#1".to_owned(),
        sequence: 1,
        action: Action::Raise,
        priority: Priority::High,
        at: Clock.utc(),
        body: serde_json::to_string(&notice).expect("JSON"),
    };
    store.submit(Commit { outbox: vec![row("setter"), row("no-longer-here")], ..Commit::default() });
    store.close();
}

fn page(daemon: &Daemon, method: &str, path: &str, body: &str) -> String {
    let mut socket = TcpStream::connect(("127.0.0.1", daemon.port())).expect("it listens");
    let length = body.len();
    write!(
        socket,
        "{method} {path} HTTP/1.1\r\nHost: sumps.example\r\nConnection: close\r\nContent-Length: {length}\r\n\
         Content-Type: application/x-www-form-urlencoded\r\n\r\n{body}"
    )
    .expect("taken");
    let mut answer = String::new();
    socket.read_to_string(&mut answer).expect("answered");
    answer
}

#[test]
fn what_waited_goes_out_after_a_start_and_its_link_acknowledges_once() {
    let devices = ModbusTcp::start(&[1]);
    let (port, messages) = other_side();
    let mut tables = sump("s");
    tables += &format!("\n[bus.net]\nlink = \"modbus-tcp\"\naddress = \"127.0.0.1:{}\"\n", devices.port);
    tables += "\n[device.head]\nbus = \"net\"\nunit_id = 1\ntimeout = \"4 s\"\nworst_reply = \"5 s\"\n";
    let warm = "device = \"head\"\nregister = \"holding:40\"\nnumber = \"f32\"\nevery = \"500 ms\"";
    tables += &plain_probe("s", "warm", warm);
    tables +=
        "\n[sump.s.limit.too-warm]\nof = \"warm\"\nhigh = 20\non_delay = \"0 s\"\npriority = \"high\"\n";
    tables += &format!("\n[receiver.setter.webhook]\nurl = \"http://127.0.0.1:{port}/hook\"\n");
    tables += &format!("\n[heartbeat]\nurl = \"http://127.0.0.1:{port}/alive\"\nevery = \"30 s\"\n");
    let installation = Installation::with_page(free_port(), &tables);
    let file = installation.configuration();
    let text = std::fs::read_to_string(&file).expect("written");
    let text = text.replace("[web]\n", "[web]\npublic_url = \"https://sumps.example\"\n");
    std::fs::write(&file, text).expect("written");
    left_behind(&installation.path("data"));

    let daemon = installation.run();
    let started = Instant::now();
    let message = messages.recv_timeout(MOMENT).expect("it is sent");
    assert!(started.elapsed() < Duration::from_secs(5), "{:?} after the start", started.elapsed());
    assert_eq!(message["items"][0]["headline"], "Sump S: probe gone: no reply");

    // What comes up now is told as well, with what to do about it.
    let item = told(&messages, "hall-2.box-1/s/too-warm#1", "raise");
    let headline = item["headline"].as_str().expect("words");
    assert!(headline.contains("temperature ") && headline.ends_with("high limit 20.0 °C"), "{headline}");
    assert_eq!((item["by_when"].as_str(), item["priority"].as_str()), (Some("now"), Some("high")));
    let link = item["link"].as_str().expect("a link").strip_prefix("https://sumps.example").expect("ours");

    let receiver = daemon.state()["receivers"][0].clone();
    assert_eq!((&receiver["name"], &receiver["state"]), (&"setter".into(), &"reached".into()));
    assert!(receiver["delivered_at"].is_string(), "so that silence can be trusted: {receiver}");
    assert_eq!(standing(&daemon), "UNACK");
    for _ in 0..2 {
        let shown = page(&daemon, "GET", link, "");
        assert!(shown.starts_with("HTTP/1.1 200") && shown.contains("UNACK"), "{shown}");
    }
    assert_eq!(standing(&daemon), "UNACK", "looking changes nothing");
    let done = page(&daemon, "POST", link, "name=Ada");
    assert!(done.starts_with("HTTP/1.1 200"), "{done}");
    assert_eq!(standing(&daemon), "ACKED");
    assert!(
        told(&messages, "hall-2.box-1/s/too-warm#1", "acknowledge")["headline"]
            .to_string()
            .contains("by Ada")
    );
    let again = page(&daemon, "POST", link, "name=Ada");
    assert!(again.starts_with("HTTP/1.1 409") && again.contains("ACKED now: nothing to do"), "{again}");
    let forged = page(&daemon, "POST", &format!("{}x", &link[..link.len() - 1]), "name=Ada");
    assert!(forged.starts_with("HTTP/1.1 404") || link.ends_with('x'), "{forged}");
    shelved_by_command(&installation, &daemon);

    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
    assert!(!log.iter().any(|line| line.contains("left behind")), "{log:?}");
    let store = open(&installation.path("data"));
    let counts = store.reader().expect("open").outbox_counts().expect("readable");
    assert_eq!((counts["setter"].failed, counts["no-longer-here"].suppressed), (0, 1));
    let by = store.reader().expect("open").journal_after(0, 1_000).expect("readable");
    assert!(by.iter().any(|entry| entry.message.ends_with("by Ada")), "the journal says who");
    let shelved = by.iter().find(|entry| entry.state == "SHLVD").expect("journalled");
    assert!(shelved.message.ends_with(" by Kim (probe in the buffer)"), "{shelved:?}");
    store.close();
}

fn standing(daemon: &Daemon) -> Value {
    let state = daemon.state();
    let alarms = state["sumps"][0]["alarms"].as_array().expect("a list").clone();
    let found = alarms.into_iter().find(|alarm| alarm["id"] == "s/too-warm");
    found.map_or(Value::Null, |alarm| alarm["state"].clone())
}

/// The next item of this key and action.
fn told(messages: &Receiver<Value>, key: &str, action: &str) -> Value {
    loop {
        let message = messages.recv_timeout(MOMENT).expect("it is sent");
        let items = message["items"].as_array().expect("a list").clone();
        if let Some(item) = items.into_iter().find(|item| item["key"] == key && item["action"] == action) {
            return item;
        }
    }
}

/// By the command line: listed, shelved with a reason, and counted.
fn shelved_by_command(installation: &Installation, daemon: &Daemon) {
    let alarm = |arguments: &[&str]| {
        let output = installation.command("alarm", arguments);
        (output.status.code(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
    };
    let (code, said) = alarm(&[]);
    assert!(code == Some(0) && said.starts_with("ACKED high   s/too-warm "), "{said}");
    let (code, said) = alarm(&["shelve", "s/too-warm", "--for", "8 h", "--by", "Kim"]);
    assert!(code == Some(1) && said.contains("say why"), "{said}");
    let (code, said) =
        alarm(&["shelve", "s/too-warm", "--for", "8 h", "--by", "Kim", "--why", "probe in the buffer"]);
    assert!(code == Some(0) && said.starts_with("SHLVD high   s/too-warm "), "{said}");
    assert_eq!(standing(daemon), "SHLVD");
    let (code, said) = alarm(&["reset", "s/nothing", "--by", "Kim"]);
    assert!(code == Some(1) && said.contains("there is no alarm \"s/nothing\""), "{said}");
    let (code, said) = alarm(&["performance"]);
    assert!(code == Some(0) && said.contains("chattering") && said.contains("target: at most 10"), "{said}");
}
