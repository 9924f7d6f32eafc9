//! The host application (`tests/e2e/peers/plant_host.py`): what it heard, what it complains of, and commands.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use sumpwarden_tests::process::{Peer, TempDir, peer_script, python, run, wait_for};

use super::MOMENT;

/// Metrics by name.
pub(crate) type Metrics = BTreeMap<String, Value>;

/// One that listens.
pub(crate) struct PlantHost {
    port: u16,
    peer: Peer,
}

fn script() -> Command {
    let mut command = Command::new(python());
    let vectors = Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors/sparkplug.toml");
    command.arg(peer_script("plant_host.py")).arg("--vectors").arg(vectors);
    command
}

impl PlantHost {
    pub(crate) fn listen(port: u16) -> Self {
        let mut peer = Peer::start("plant host", script().args(["--port", &port.to_string()]));
        let output = peer.shared_output();
        peer.wait_until("listens", || output.lock().expect("whole").iter().any(|line| line == "listening"));
        Self { port, peer }
    }

    /// Every message so far.
    pub(crate) fn messages(&self) -> Vec<Value> {
        let lines = self.peer.output();
        let strange: Vec<&String> =
            lines.iter().filter(|line| !line.starts_with('{') && *line != "listening").collect();
        assert!(strange.is_empty(), "{strange:#?}");
        lines.iter().filter_map(|line| serde_json::from_str(line).ok()).collect()
    }

    /// Waits until `found` gives something of the messages after the first `skip`.
    #[track_caller]
    pub(crate) fn wait<T>(&self, what: &str, skip: usize, found: impl Fn(&[Value]) -> Option<T>) -> T {
        wait_for(what, MOMENT, || found(self.messages().get(skip..)?))
    }

    /// Waits for a message of this verb and device after the first `skip`.
    #[track_caller]
    pub(crate) fn wait_for(&self, skip: usize, verb: &str, device: Option<&str>) -> Value {
        let is = |said: &&Value| said["verb"] == verb && said["device"].as_str() == device;
        self.wait(&format!("{verb} {device:?}"), skip, |all| all.iter().find(is).cloned())
    }

    /// Fails if a message breaks a rule.
    #[track_caller]
    pub(crate) fn complains_of_nothing(&self) {
        for (number, said) in self.messages().iter().enumerate() {
            let complaints = said["complaints"].as_array().expect("a list");
            assert!(complaints.is_empty(), "{number}: {}: {complaints:#?}", said["topic"]);
        }
    }

    /// What it knows of the node, or of a device, by now: of births and what came after them.
    pub(crate) fn view(&self, device: Option<&str>) -> Metrics {
        let mut view = Metrics::new();
        for said in self.messages().iter().filter(|said| said["device"].as_str() == device) {
            let verb = said["verb"].as_str().expect("a verb");
            if verb.ends_with("BIRTH") || verb.ends_with("DEATH") {
                view.clear();
            }
            for metric in said["metrics"].as_array().expect("a list") {
                view.insert(metric["name"].as_str().expect("a name").to_owned(), metric.clone());
            }
        }
        view
    }

    /// Publishes one message.
    pub(crate) fn send(&self, what: &str) {
        run(script().args(["--port", &self.port.to_string(), "--send", what]));
    }
}

/// What the same rules complain of in `messages`, put together otherwise.
pub(crate) fn complaints(messages: &[Value]) -> Vec<String> {
    let folder = TempDir::new("plant");
    let lines: Vec<String> = messages.iter().map(Value::to_string).collect();
    fs::write(folder.path().join("lines"), lines.join("\n")).expect("a temporary file");
    let checked = script().arg("--check").arg(folder.path().join("lines")).output().expect("it runs");
    let said = String::from_utf8_lossy(&checked.stdout);
    let complaints: Vec<String> = said.lines().map(str::to_owned).collect();
    assert_eq!(checked.status.code(), Some(i32::from(!complaints.is_empty())), "{checked:?}");
    complaints
}

/// The number of the connection that a birth or a death of the node says.
pub(crate) fn bd_seq(said: &Value) -> i64 {
    let metrics = said["metrics"].as_array().expect("a list");
    let found = metrics.iter().find(|metric| metric["name"] == "bdSeq").expect("each has one");
    found["value"].as_i64().expect("a number")
}
