//! A daemon with something to see, and a browser before it.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use serde_json::{Value, json};
use sumpwarden_tests::gateway::program;
use sumpwarden_tests::process::{Peer, TempDir, free_port, peer_script, python, tool};

/// The demo's sump that stories are about.
pub(crate) const SUMP: &str = "lathe-1";
/// What people call it.
pub(crate) const TITLE: &str = "Lathe 1, by the door";

/// The demo, which ends when this is dropped.
pub(crate) struct Demo {
    _peer: Peer,
    /// Where its page is.
    pub(crate) base: String,
    /// The code that makes the first person.
    pub(crate) code: String,
    /// Its data directory.
    pub(crate) kept: TempDir,
}

impl Demo {
    /// Runs until its sumps have something to tell.
    pub(crate) fn start() -> Self {
        let (port, kept) = (free_port(), TempDir::new("page"));
        let listen = format!("127.0.0.1:{port}");
        let mut command = Command::new(program());
        command.args(["demo", "--speed", "600", "--listen", &listen, "--keep"]).arg(kept.path());
        let mut peer = Peer::start("demo", &mut command);
        let (output, mut code) = (peer.shared_output(), None);
        peer.wait_until("says the code of the first login", || {
            let lines = output.lock().expect("nobody panics with it");
            code = lines.iter().find_map(|line| {
                let mut words = line.trim().strip_prefix("first login")?.split_whitespace();
                words.next().map(str::to_owned)
            });
            code.is_some()
        });
        Self { _peer: peer, base: format!("http://{listen}"), code: code.expect("waited for"), kept }
    }

    /// What programs show.
    pub(crate) fn key(&self) -> String {
        let file = self.kept.path().join("data").join("note-key");
        std::fs::read_to_string(file).expect("made at the start").trim().to_owned()
    }

    /// Plays a story of `tests/e2e/peers/browser.py`; what came of it.
    pub(crate) fn story(&self, story: &str, given: &Value) -> Value {
        let mut all = json!({"base": self.base, "code": self.code, "sump": SUMP, "title": TITLE});
        for (key, value) in given.as_object().into_iter().flatten() {
            all[key] = value.clone();
        }
        play(story, &all, None)
    }
}

/// Plays a story; what came of it. Screenshots go to `screens`.
pub(crate) fn play(story: &str, given: &Value, screens: Option<&Path>) -> Value {
    let mut command = Command::new(python());
    command.arg(peer_script("browser.py")).arg(story).arg("--chromium").arg(tool("chromium"));
    command.arg("--given").arg(given.to_string());
    if let Some(screens) = screens {
        command.arg("--screens").arg(screens);
    }
    let peer = Peer::start("browser", &mut command);
    let (status, lines) = peer.end(Duration::from_secs(240));
    assert!(status.success(), "{story}: {}", lines.join("\n"));
    let came = lines.iter().rev().find_map(|line| serde_json::from_str::<Value>(line).ok());
    let came = came.unwrap_or_else(|| panic!("{story}: {}", lines.join("\n")));
    assert!(came["wrong"].as_array().is_none_or(Vec::is_empty), "{story}: {}", came["wrong"]);
    came
}
