//! The gateway's own program on a configuration file, as its users run it, and what it has stored.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Output};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;

use rustix::process::Signal;
use serde_json::Value;
use sumpwarden::edge::store::{Reader, Store};
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::settings::StoreSettings;
use sumpwarden_core::store::{JournalEntry, Point};

use crate::database::http;
use crate::process::{Peer, TempDir};

/// How long a clean stop may take, with the time the process itself needs on a busy machine.
pub const STOP_MAX: Duration = Duration::from_secs(6);

/// The program, built as this test was.
///
/// # Panics
/// If it cannot be built.
pub fn program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| build("sumpwarden-as-tested", None))
}

/// The same with the points at which faults can be injected.
///
/// # Panics
/// If it cannot be built.
pub fn program_with_faults() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| build("sumpwarden-with-faults", Some("faults")))
}

/// Cargo builds the programs of a package for that package's own tests only, so the first test to ask builds it; where
/// it is built already, that takes a moment. Cargo says where it lies; there the next build, with other features, puts
/// its own, so it is kept under `name` beside it.
fn build(name: &str, feature: Option<&str>) -> PathBuf {
    static BUILDING: Mutex<()> = Mutex::new(());
    let _one_at_a_time = BUILDING.lock().unwrap_or_else(PoisonError::into_inner);
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    // With this package beside it, libraries have the features that the test has them with, and are built once.
    command.args(["build", "--locked", "--package", "sumpwarden", "--package", "sumpwarden-tests"]);
    command.args(["--bin", "sumpwarden"]);
    if let Some(feature) = feature {
        command.arg("--features").arg(format!("sumpwarden/{feature}"));
    }
    command.args(["--message-format", "json-render-diagnostics"]).current_dir(env!("CARGO_MANIFEST_DIR"));
    // Cargo tells a test about the test's package. Build scripts of libraries look at the same variables, and would
    // see a change where there is none and build everything anew.
    let of_this_package = |name: &str| name.starts_with("CARGO_PKG_") || name.starts_with("CARGO_MANIFEST_");
    for (name, _) in std::env::vars().filter(|(name, _)| of_this_package(name)) {
        command.env_remove(name);
    }
    if !cfg!(debug_assertions) {
        command.arg("--release");
    }
    let built = command.output().expect("cargo runs");
    let said = String::from_utf8_lossy(&built.stdout);
    let mut path = said.lines().filter_map(|line| {
        let message: Value = serde_json::from_str(line).ok()?;
        Some(PathBuf::from(message["executable"].as_str()?))
    });
    let path = path.next_back();
    let path = path.unwrap_or_else(|| panic!("not built:\n{}", String::from_utf8_lossy(&built.stderr)));
    let kept = path.with_file_name(name);
    fs::remove_file(&kept).ok();
    fs::hard_link(&path, &kept).expect("beside the program");
    kept
}

/// What every configuration needs: a place for the store, a free port for the page, a fluid and a water.
const SITE: &str = r#"
[site]
name = "hall-2"
box = "box-1"
[store]
directory = "data"
free_bytes_min = "1 MiB"
[web]
listen = "127.0.0.1:0"
[water.mains]
hardness = "240 mg/L"
conductivity = "560 uS/cm"
[fluid.semi-synthetic]
refractometer_factor = 1.4
conductivity_curve = [[0, 560], [3, 1010], [5, 1290], [8, 1690], [12, 2190]]
"#;

/// The table of a sump of this name, without probes.
pub fn sump(name: &str) -> String {
    format!(
        r#"
[sump.{name}]
fluid = "semi-synthetic"
water = "mains"
target_percent = 7.5
fill_mark = "310 mm"
pump_minimum = "120 mm"
tank = {{ shape = "box", length = "1200 mm", width = "700 mm", height = "400 mm" }}
"#
    )
}

/// The table of a probe whose value is the device's number whatever it is: a temperature without any check.
pub fn plain_probe(sump: &str, name: &str, source: &str) -> String {
    format!(
        "\n[sump.{sump}.probe.{name}]\nquantity = \"temperature\"\nspike = false\nfrozen = false\n{source}\n"
    )
}

/// Tables of devices on one bus, with a probe each that reads the reply counter: (unit id, period in ms).
pub fn counting_devices(bus: &str, sump: &str, devices: &[(u8, u32)]) -> String {
    let device = |(unit, period): &(u8, u32)| {
        let name = format!("{bus}-{unit}");
        // Long time-outs: a device that this machine has no time for is no lost reply.
        let device = format!(
            "\n[device.{name}]\nbus = \"{bus}\"\nunit_id = {unit}\ntimeout = \"4 s\"\nworst_reply = \"5 s\"\nretries = 0\n"
        );
        let source = format!(
            "device = \"{name}\"\nregister = \"holding:0\"\nnumber = \"u32\"\nevery = \"{period} ms\""
        );
        device + &plain_probe(sump, &name, &source)
    };
    devices.iter().map(device).collect()
}

/// A bus of Modbus TCP on this loopback port.
pub fn tcp_bus(name: &str, port: u16) -> String {
    format!(
        "\n[bus.{name}]\nlink = \"modbus-tcp\"\naddress = \"127.0.0.1:{port}\"\nreconnect_after_max = \"1 s\"\n"
    )
}

/// A configuration in a directory of its own, with the store beside it.
#[derive(Debug)]
pub struct Installation {
    folder: TempDir,
}

impl Installation {
    /// Writes a configuration: what every one needs, and `tables`.
    ///
    /// # Panics
    /// If there is no room for it.
    pub fn new(tables: &str) -> Self {
        Self::with_page(0, tables)
    }

    /// The same, with the page on this port.
    ///
    /// # Panics
    /// If there is no room for it.
    pub fn with_page(port: u16, tables: &str) -> Self {
        let installation = Self { folder: TempDir::new("gateway") };
        let site = SITE.replace("127.0.0.1:0", &format!("127.0.0.1:{port}"));
        fs::write(installation.configuration(), format!("{site}{tables}")).expect("a temporary file");
        installation
    }

    /// The configuration file.
    pub fn configuration(&self) -> PathBuf {
        self.folder.path().join("gateway.toml")
    }

    /// A path beside it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs a command on it to its end: `command --config FILE arguments…`.
    ///
    /// # Panics
    /// If it cannot be started.
    pub fn command(&self, command: &str, arguments: &[&str]) -> Output {
        let mut program = Command::new(program());
        program.args([command, "--config"]).arg(self.configuration()).args(arguments);
        program.output().expect("it can be started")
    }

    /// Starts the daemon and waits until it says where its page is.
    ///
    /// # Panics
    /// If it does not run.
    pub fn run(&self) -> Daemon {
        self.run_program(program(), &[])
    }

    /// The same with the program that has points for faults, and these of them.
    ///
    /// # Panics
    /// If it does not run.
    pub fn run_with_faults(&self, faults: &str) -> Daemon {
        self.run_program(program_with_faults(), &[("SUMPWARDEN_FAULTS", faults)])
    }

    /// Starts the daemon, this program in this environment, and waits until it says where its page is.
    ///
    /// # Panics
    /// If it does not run.
    pub fn run_program(&self, program: &Path, environment: &[(&str, &str)]) -> Daemon {
        self.run_as(Command::new(program).envs(environment.iter().copied()))
    }

    /// The same by another command: the program under other settings, in other surroundings, or another build of it. Its
    /// arguments are appended.
    ///
    /// # Panics
    /// If it does not run.
    pub fn run_as(&self, command: &mut Command) -> Daemon {
        let mut peer = Peer::start("sumpwarden", command.args(["run", "--config"]).arg(self.configuration()));
        let mut page = None;
        // `wait_until` holds the peer; what it wrote is looked at from outside.
        let output = peer.shared_output();
        peer.wait_until("says where its page is", || {
            page = output.lock().expect("nobody panics with it").iter().find_map(|line| page_of(line));
            page.is_some()
        });
        Daemon { peer, page: page.expect("waited for") }
    }

    /// Everything stored; no daemon may run.
    ///
    /// # Panics
    /// If the store cannot be read.
    pub fn stored(&self) -> Stored {
        let events = tokio::sync::mpsc::unbounded_channel().0;
        let settings = StoreSettings { free_min: 0, ..StoreSettings::default() };
        let store = Store::open(&self.path("data"), &[], settings, events).expect("it can be opened");
        let stored = Stored::read(&mut store.reader().expect("it can be read"));
        store.close();
        stored
    }
}

fn page_of(line: &str) -> Option<u16> {
    let line: Value = serde_json::from_str(line).ok()?;
    line["fields"]["page"].as_str()?.rsplit_once(':')?.1.parse().ok()
}

/// A running daemon.
#[derive(Debug)]
pub struct Daemon {
    peer: Peer,
    page: u16,
}

impl Daemon {
    /// Where its page is, on the loopback address.
    pub fn port(&self) -> u16 {
        self.page
    }

    /// The shop as it says it stands.
    ///
    /// # Panics
    /// If it does not answer.
    pub fn state(&self) -> Value {
        let answer = http(self.page, "GET", "/state", "");
        assert_eq!(answer.status, 200, "{}", answer.body);
        serde_json::from_str(&answer.body).expect("JSON")
    }

    /// One probe as it says it stands.
    ///
    /// # Panics
    /// If there is no such probe.
    pub fn probe(&self, sump: &str, probe: &str) -> Value {
        let state = self.state();
        let named = |list: &Value, name: &str| {
            let list = list.as_array().expect("a list");
            list.iter()
                .find(|one| one["name"] == name)
                .unwrap_or_else(|| panic!("{name} is not there"))
                .clone()
        };
        named(&named(&state["sumps"], sump)["probes"], probe)
    }

    /// The process.
    pub fn peer(&mut self) -> &mut Peer {
        &mut self.peer
    }

    /// Stops it by SIGTERM; how it ended and its log.
    ///
    /// # Panics
    /// If it takes too long.
    pub fn terminate(self) -> (ExitStatus, Vec<String>) {
        self.peer.signal(Signal::TERM);
        self.peer.end(STOP_MAX)
    }

    /// Waits until it ends by itself; how it ended and its log.
    ///
    /// # Panics
    /// If it takes longer than `most`.
    pub fn end(self, most: Duration) -> (ExitStatus, Vec<String>) {
        self.peer.end(most)
    }

    /// The gateway's own alarm of this name, if it is not normal.
    ///
    /// # Panics
    /// If the page does not answer.
    pub fn alarm(&self, id: &str) -> Option<Value> {
        let state = self.state();
        state["alarms"].as_array().expect("a list").iter().find(|alarm| alarm["id"] == id).cloned()
    }

    /// A line of the metrics, by its beginning.
    ///
    /// # Panics
    /// If the page does not answer.
    pub fn metric(&self, name: &str) -> Option<String> {
        let answer = http(self.page, "GET", "/metrics", "");
        assert_eq!(answer.status, 200, "{}", answer.body);
        answer.body.lines().find_map(|line| line.strip_prefix(name)).map(|value| value.trim().to_owned())
    }

    /// Kills it in its tracks.
    ///
    /// # Panics
    /// If it lives on.
    pub fn kill(self) -> Vec<String> {
        self.peer.signal(Signal::KILL);
        self.peer.end(STOP_MAX).1
    }
}

/// What a store holds.
#[derive(Debug)]
pub struct Stored {
    /// Points by the text of their series, in the order of the reader.
    pub points: BTreeMap<String, Vec<Point>>,
    /// The journal in order of arrival.
    pub journal: Vec<JournalEntry>,
}

impl Stored {
    /// Reads all of it.
    ///
    /// # Panics
    /// If it cannot be read.
    pub fn read(reader: &mut Reader) -> Self {
        let (from, until) = (Timestamp::from_nanos(0), Timestamp::from_nanos(i64::MAX));
        let mut points = BTreeMap::new();
        for series in reader.series().expect("readable") {
            let read = reader.samples(series.id, from, until).collect::<Result<_, _>>().expect("readable");
            points.insert(series.text, read);
        }
        Self { points, journal: reader.journal_after(0, u32::MAX).expect("readable") }
    }

    /// The device's own numbers in a probe's points, in the order of their stamps; points without one left out.
    pub fn raw(&self, series: &str) -> Vec<u32> {
        let points = self.points.get(series).map_or(&[][..], Vec::as_slice);
        points.iter().filter_map(|point| point.raw).map(|raw| raw as u32).collect()
    }
}
