//! Whether the box is well, as people, supervisors and collectors are told, and what leaves it for support: no secret.

use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use serde_json::Value;
use sumpwarden_tests::database::{Answer, http, http_with};
use sumpwarden_tests::gateway::{Installation, counting_devices, program, sump, tcp_bus};
use sumpwarden_tests::modbus::ModbusTcp;
use sumpwarden_tests::process::{self, free_port, peer_script, python, tool};

/// How long anything may take on a busy machine.
const MOMENT: Duration = Duration::from_secs(60);

#[track_caller]
fn wait_for<T>(what: &str, found: impl FnMut() -> Option<T>) -> T {
    process::wait_for(what, MOMENT, found)
}

/// Samples of an OpenMetrics text, as an independent parser reads them.
fn parsed(text: &str) -> Vec<Value> {
    let mut parser = Command::new(python())
        .arg(peer_script("openmetrics.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("it can be started");
    parser.stdin.take().expect("asked for").write_all(text.as_bytes()).expect("it reads");
    let output = parser.wait_with_output().expect("it ends");
    assert!(output.status.success(), "the parser refuses it:\n{text}");
    String::from_utf8_lossy(&output.stdout)
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect()
}

fn value(samples: &[Value], name: &str) -> f64 {
    let found = samples.iter().find(|sample| sample["name"] == name);
    found.unwrap_or_else(|| panic!("no {name} in {samples:#?}"))["value"].as_f64().expect("a number")
}

#[test]
fn people_supervisors_and_collectors_are_told_whether_the_box_is_well() {
    let devices = ModbusTcp::start(&[1]);
    let tables = sump("s") + &tcp_bus("net", devices.port) + &counting_devices("net", "s", &[(1, 200)]);
    let installation = Installation::with_page(free_port(), &tables);
    let absent = installation.command("status", &[]);
    assert_eq!(absent.status.code(), Some(69), "{absent:?}");

    let daemon = installation.run();
    let answered = |path: &str, accept: &str| -> Answer {
        http_with(daemon.port(), "GET", path, &format!("Accept: {accept}\r\n"), "")
    };
    wait_for("ready", || (answered("/ready", "text/plain").status == 200).then_some(()));
    for (path, word) in [("/ready", "ready"), ("/health", "healthy")] {
        assert_eq!(answered(path, "text/plain").body, format!("{word}\n"));
        assert_eq!(answered(path, "application/json").body, format!("{{\"status\":\"{word}\"}}"));
    }
    wait_for("a stored sample in the status", || {
        let view: Value = serde_json::from_str(&http(daemon.port(), "GET", "/status", "").body).ok()?;
        view["store"]["oldest"]
            .as_str()
            .and(view["buses"][0]["devices"][0]["last_reply_at"].as_str())
            .map(drop)
    });
    let well = installation.command("status", &[]);
    let screen = String::from_utf8_lossy(&well.stdout).into_owned();
    assert_eq!(well.status.code(), Some(0), "{screen}");
    for words in [
        "runs since",
        "bus            net: open",
        "100.0 % of",
        "oldest sample",
        "all is well",
        "0 high, 0 medium",
    ] {
        assert!(screen.contains(words), "{words}:\n{screen}");
    }
    let samples = parsed(&http(daemon.port(), "GET", "/metrics", "").body);
    assert!(value(&samples, "sumpwarden_samples_stored_total") > 0.0);
    assert!(value(&samples, "sumpwarden_start_time_seconds") > 1.7e9);
    assert_eq!(value(&samples, "sumpwarden_build_info"), 1.0);
    for name in [
        "samples_dropped_total",
        "alarms_standing",
        "alarms_unseen",
        "bus_connected",
        "polls_total",
        "reloads_total",
    ] {
        value(&samples, &format!("sumpwarden_{name}"));
    }

    // The device is gone: somebody should look, and it is named.
    drop(devices);
    let ill = wait_for("something to look at", || {
        let answer = installation.command("status", &["--json"]);
        (answer.status.code() == Some(1)).then_some(answer)
    });
    let view: Value = serde_json::from_slice(&ill.stdout).expect("JSON");
    assert!(view["look_at"].to_string().contains("bus net is not open"), "{view:#}");
    assert_eq!(http(daemon.port(), "GET", "/health", "").status, 200, "the process itself is well");
    let description: Value =
        serde_json::from_str(&http(daemon.port(), "GET", "/openapi.json", "").body).expect("JSON");
    for path in ["/health", "/ready", "/status", "/reload"] {
        assert!(description["paths"][path].is_object(), "{path} is not described");
    }
    let (status, log) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{log:?}");
}

/// A text that would be found again wherever it went.
fn canary(place: &str) -> String {
    format!("canary-{place}-7d1f0b5e9a3c4286")
}

fn secret(path: &Path, text: &str) {
    fs::write(path, text).expect("there is room");
    fs::set_permissions(path, fs::Permissions::from_mode(0o600)).expect("it is ours");
}

/// Every secret a configuration can have: in files, in variables, in addresses; nobody is there to take them.
fn full_of_secrets(installation: &Installation, closed: u16) -> Vec<String> {
    let in_files = ["note-key", "token", "password", "mail", "header", "signing", "url", "beat"];
    for place in in_files {
        let text = match place {
            "url" | "beat" => format!("http://127.0.0.1:{closed}/{}", canary(place)),
            _ => canary(place),
        };
        secret(&installation.path(place), &format!("{text}\n"));
    }
    let tables = format!(
        r#"
[broker.hall]
address = "127.0.0.1:{closed}"
user = "gateway"
password_file = "password"
[forward.db]
url = "http://127.0.0.1:{closed}"
organisation = "shop"
bucket = "coolant"
token_file = "token"
[forward.other]
url = "http://127.0.0.1:{closed}"
organisation = "shop"
bucket = "another"
[receiver.chat]
webhook = {{ url_file = "url", private_network = true, signing_key_file = "signing", header_files = {{ X-Key = "header" }} }}
[receiver.lead]
mail = {{ server = "127.0.0.1:{closed}", user = "sumps", password_file = "mail", from = "sumps@shop.example", to = ["lead@shop.example"] }}
[receiver.open]
webhook = {{ url = "http://127.0.0.1:{closed}/{}?key={}", private_network = true }}
[heartbeat]
url_file = "beat"
private_network = true
"#,
        canary("path"),
        canary("query"),
    );
    let path = installation.configuration();
    let before = fs::read_to_string(&path).expect("it is there");
    let before = before.replace("[web]\n", "[web]\nnote_key_file = \"note-key\"\n");
    fs::write(path, before + &tables).expect("there is room");
    in_files.into_iter().chain(["path", "query", "variable"]).map(canary).collect()
}

/// Everything that stands under `folder`, byte for byte.
fn whole(folder: &Path) -> Vec<u8> {
    let mut all = Vec::new();
    for entry in fs::read_dir(folder).expect("a directory") {
        let path = entry.expect("readable").path();
        if path.is_dir() { all.extend(whole(&path)) } else { all.extend(fs::read(path).expect("readable")) }
    }
    all
}

fn holds(bytes: &[u8], text: &str) -> bool {
    bytes.windows(text.len()).any(|window| window == text.as_bytes())
}

#[test]
fn no_secret_is_in_the_support_bundle_the_log_or_a_page() {
    let (devices, closed) = (ModbusTcp::start(&[1]), free_port());
    let tables = sump("s") + &tcp_bus("net", devices.port) + &counting_devices("net", "s", &[(1, 200)]);
    let installation = Installation::with_page(free_port(), &tables);
    let canaries = full_of_secrets(&installation, closed);
    let variable = ("SUMPWARDEN__FORWARD__OTHER__TOKEN", canary("variable"));
    let daemon = installation.run_program(program(), &[(variable.0, &variable.1)]);
    wait_for("something stored, and every peer tried", || {
        let view: Value = serde_json::from_str(&http(daemon.port(), "GET", "/status", "").body).ok()?;
        let tried = |list: &str| {
            view[list].as_array().is_some_and(|all| all.iter().all(|one| !one["error"].is_null()))
        };
        (view["store"]["stored"].as_u64()? > 0 && tried("forwarders")).then_some(())
    });
    let pages: String = [
        "/status",
        "/state",
        "/metrics",
        "/journal",
        "/buses",
        "/openapi.json",
        "/session",
        "/health",
        "/ready",
    ]
    .map(|path| http(daemon.port(), "GET", path, "").body)
    .concat();
    // What somebody pasted into the log as well: it is masked all the same.
    let log = installation.path("daemon.log");
    let pasted: String =
        canaries.iter().map(|canary| format!("{{\"message\":\"tried {canary}\"}}\n")).collect();
    fs::write(&log, pasted).expect("there is room");

    let output = installation.path("support.tar.gz");
    let mut command = Command::new(program());
    command.args(["support", "--config"]).arg(installation.configuration()).arg("--output").arg(&output);
    command.arg("--log").arg(&log).args(["--samples", "1"]).env(variable.0, &variable.1);
    let done = command.output().expect("it can be started");
    assert!(done.status.success(), "{done:?}");
    assert_eq!(fs::metadata(&output).expect("written").mode() & 0o7777, 0o600);
    let again = command.output().expect("it can be started");
    assert_eq!(again.status.code(), Some(74), "it overwrites nothing: {again:?}");
    let unpacked = installation.path("unpacked");
    fs::create_dir(&unpacked).expect("there is room");
    process::run(Command::new(tool("tar")).arg("xzf").arg(&output).arg("-C").arg(&unpacked));
    let inside = unpacked.join("sumpwarden-support");
    let list = fs::read_to_string(inside.join("README.txt")).expect("a list");
    for name in [
        "configuration/0-gateway.toml",
        "configuration/variables.txt",
        "check.txt",
        "status.txt",
        "status.json",
        "alarms.json",
        "metrics.txt",
        "log.txt",
        "store/files.txt",
        "store/journal.jsonl",
        "store/samples.csv",
    ] {
        let size = fs::metadata(inside.join(name)).unwrap_or_else(|error| panic!("{name}: {error}")).len();
        assert!(size > 0 && list.contains(name), "{name}: {size} bytes, in the list:\n{list}");
    }
    let (status, said) = daemon.terminate();
    assert_eq!(status.code(), Some(0), "{said:?}");
    let (bundle, said) = (whole(&unpacked), said.join("\n"));
    assert!(holds(&bundle, "password_file") && holds(&bundle, "***"), "what is no secret is there");
    let printed = [done.stdout, done.stderr].concat();
    for canary in &canaries {
        assert!(!holds(&bundle, canary), "{canary} is in the bundle");
        assert!(!holds(&printed, canary), "{canary} was printed");
        assert!(!said.contains(canary.as_str()), "{canary} is in the log");
        assert!(!pages.contains(canary.as_str()), "{canary} is on a page");
    }
    let made = fs::read_to_string(installation.path("data/link-key"));
    assert!(made.is_err() || !holds(&bundle, made.unwrap_or_default().trim()), "the key of links");
}
