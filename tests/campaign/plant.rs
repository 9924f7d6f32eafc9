//! A shop that runs for a campaign: counting devices, a broker with a numbered publisher, a database, a receiver of
//! messages, and the gateway's own program in the middle, which may be killed and started again at will.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{JoinHandle, sleep, spawn};
use std::time::{Duration, Instant};

use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_sim::device::{Bank, Server, ServerOptions, Unit};
use sumpwarden_tests::broker::{Entrance, Mosquitto, publisher};
use sumpwarden_tests::gateway::{Daemon, Installation, plain_probe, sump, tcp_bus};
use sumpwarden_tests::process::{Peer, TempDir};
use sumpwarden_tests::receiver::Receiver;
use tokio::runtime::Runtime;

use super::others::Database;
use super::relay::Relay;
use super::witness::{Mark, Seen, WAS_DURABLE, Witness};

/// Counting devices: unit id and period of its probe in ms.
pub(crate) const COUNTING: [(u8, u32); 4] = [(1, 40), (2, 60), (3, 90), (4, 130)];
/// The device whose values go up and down and raise alarms.
const RESTLESS: u8 = 9;
/// Probes on it.
const RESTLESS_PROBES: u16 = 6;
/// Time between two of its changes.
const RESTLESS_EVERY: Duration = Duration::from_millis(500);
/// The probe that numbered messages are for.
pub(crate) const PUBLISHED: &str = "hall-a";
/// Time between two numbered messages.
const MESSAGE_EVERY_MS: u32 = 25;
/// How long anything may take on a busy machine.
pub(crate) const MOMENT: Duration = Duration::from_secs(60);

/// What a plant has.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Parts {
    /// A broker and a publisher.
    pub(crate) broker: bool,
    /// Alarms that come and go, and somebody who is told.
    pub(crate) alarms: bool,
    /// A network before the devices that can swallow what is sent.
    pub(crate) relay: bool,
    /// Whether a device that says nothing is given a third of a second instead of four.
    pub(crate) brisk: bool,
}

impl Parts {
    pub(crate) const ALL: Self = Self { broker: true, alarms: true, relay: false, brisk: false };
    pub(crate) const DEVICES: Self = Self { broker: false, alarms: false, relay: false, brisk: false };
    pub(crate) const BROKER: Self = Self { broker: true, ..Self::DEVICES };
    pub(crate) const BRISK: Self = Self { brisk: true, ..Self::DEVICES };
    pub(crate) const RELAY: Self = Self { relay: true, ..Self::BRISK };
}

/// A shop at work.
pub(crate) struct Plant {
    pub(crate) installation: Installation,
    pub(crate) bank: Bank,
    pub(crate) database: Database,
    pub(crate) receiver: Receiver,
    pub(crate) broker: Option<Mosquitto>,
    pub(crate) witness: Witness,
    pub(crate) relay: Option<Relay>,
    publisher: Option<Peer>,
    server: Option<Server>,
    runtime: Runtime,
    restless: Option<(Arc<AtomicBool>, JoinHandle<()>)>,
    daemon: Option<Daemon>,
    /// All that was ever seen durable.
    pub(crate) durable: Seen,
    mark: Mark,
    /// The same since the last check after a fault.
    fresh: Seen,
    fresh_from: Mark,
    /// From a start to its first poll.
    pub(crate) starts: Vec<Duration>,
    ends: Vec<End>,
    since: Instant,
    build: Build,
    /// What it has.
    pub(crate) parts: Parts,
}

/// The gateway was ended without being asked: when and how, and what had been given and seen durable until then, as the
/// last number of each probe.
#[derive(Debug)]
struct End {
    at: Duration,
    how: &'static str,
    given: BTreeMap<String, u32>,
    durable: BTreeMap<String, u32>,
}

/// Which build of the program runs, and under what.
#[derive(Clone, Debug, Default)]
pub(crate) struct Build {
    /// Another program than the one built as this one was.
    pub(crate) program: Option<PathBuf>,
    /// Environment.
    pub(crate) variables: Vec<(String, String)>,
}

fn holding(index: u16) -> Address {
    Address { table: Table::HoldingRegister, index }
}

impl Plant {
    /// Starts everything but the gateway.
    pub(crate) fn new(parts: Parts, build: &Build) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let runtime = runtime.expect("a runtime");
        let unit = || Unit::new().with_holding_registers(32);
        let counting =
            |bank: Bank, (id, _): (u8, u32)| bank.with_unit(id, unit().with_counter_at(holding(0)));
        let bank = COUNTING.into_iter().fold(Bank::new(), counting).with_unit(RESTLESS, unit());
        let listen = ServerOptions::default();
        let server = runtime.block_on(Server::tcp(bank.clone(), listen)).expect("a free port");
        let (database, receiver) = (Database::start(), Receiver::new());
        let broker = parts.broker.then(|| Mosquitto::start_with(Entrance::Open, &["log_type all"]));
        let relay = parts.relay.then(|| Relay::before(server.address().port()));
        let devices = relay.as_ref().map_or(server.address().port(), |relay| relay.port);
        let tables = tables(parts, devices, &database, &receiver, broker.as_ref());
        let installation = Installation::new(&tables);
        let witness = Witness::of(&installation.path("data"));
        let restless = parts.alarms.then(|| restless(bank.clone()));
        Self {
            installation,
            bank,
            database,
            receiver,
            broker,
            witness,
            relay,
            publisher: None,
            server: Some(server),
            runtime,
            restless,
            daemon: None,
            durable: Seen::default(),
            mark: Mark::default(),
            fresh: Seen::default(),
            fresh_from: Mark::default(),
            starts: Vec::new(),
            ends: Vec::new(),
            since: Instant::now(),
            build: build.clone(),
            parts,
        }
    }

    /// The program as it is to be run, without arguments.
    pub(crate) fn program(&self) -> Command {
        self.dressed(Command::new(self.path()))
    }

    /// The program's file.
    pub(crate) fn path(&self) -> PathBuf {
        self.build.program.clone().unwrap_or_else(|| sumpwarden_tests::gateway::program().to_owned())
    }

    /// A command with the build's environment.
    pub(crate) fn dressed(&self, mut command: Command) -> Command {
        command.envs(self.build.variables.iter().map(|(name, value)| (name, value)));
        command
    }

    /// Starts the gateway and waits for its first poll.
    pub(crate) fn start(&mut self) {
        let command = self.program();
        self.start_as(command);
    }

    /// The same by another command, to which the arguments are appended.
    pub(crate) fn start_as(&mut self, command: Command) {
        self.start_with(command, true);
    }

    /// Starts the gateway for so short a time that it may not come to subscribe: nobody publishes yet.
    pub(crate) fn start_briefly(&mut self) {
        let command = self.program();
        self.start_with(command, false);
    }

    fn start_with(&mut self, mut command: Command, publishing: bool) {
        let (bank, before, started) = (self.bank.clone(), self.requests(), Instant::now());
        let first = spawn(move || {
            while requests(&bank) == before {
                if started.elapsed() > MOMENT {
                    return None;
                }
                sleep(Duration::from_millis(1));
            }
            Some(started.elapsed())
        });
        let daemon = self.installation.run_as(&mut command);
        let first = first.join().expect("it only waits");
        self.starts.push(first.unwrap_or_else(|| panic!("no poll within {MOMENT:?}")));
        self.daemon = Some(daemon);
        // A broker keeps messages for those who have subscribed, so not before the gateway has had the time to.
        if let (Some(broker), None, true) = (&self.broker, &self.publisher, publishing) {
            let every = MESSAGE_EVERY_MS.to_string();
            let given = ["--topic", "hall/a", "--count", "100000000", "--every-ms", &every];
            self.publisher = Some(publisher(broker.port, &given));
        }
    }

    /// Requests the devices have had.
    pub(crate) fn requests(&self) -> u64 {
        requests(&self.bank)
    }

    /// The running gateway.
    pub(crate) fn daemon(&mut self) -> &mut Daemon {
        self.daemon.as_mut().expect("it runs")
    }

    /// Takes the gateway out of the plant's care.
    pub(crate) fn take(&mut self) -> Daemon {
        self.daemon.take().expect("it runs")
    }

    /// Whether there is one that runs.
    pub(crate) fn runs(&self) -> bool {
        self.daemon.is_some()
    }

    /// Looks at what has become durable since the last look. What cannot be read at the moment is looked at later.
    pub(crate) fn look(&mut self) {
        if let Ok((seen, mark)) = self.witness.look(self.mark) {
            self.mark = mark;
            self.durable.extend(&seen);
            self.fresh.extend(&seen);
        }
    }

    /// Lets time pass, looking.
    pub(crate) fn pass(&mut self, time: Duration) {
        let until = Instant::now() + time;
        loop {
            self.look();
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            sleep(left.min(Duration::from_millis(200)));
        }
    }

    /// Lets time pass until a line of the gateway's log is `wanted`, at most so long; whether it came.
    pub(crate) fn pass_until(&mut self, most: Duration, wanted: impl Fn(&str) -> bool) -> bool {
        let until = Instant::now() + most;
        loop {
            if self.daemon().peer().output().iter().any(|line| wanted(line)) {
                return true;
            }
            if Instant::now() > until {
                return false;
            }
            self.pass(Duration::from_millis(100));
        }
    }

    /// Kills the gateway, right after a last look where `looking`.
    pub(crate) fn kill(&mut self, looking: bool) {
        if looking {
            self.look();
        }
        self.end_by("a kill");
    }

    /// Kills the gateway, and remembers what had been given and promised until then.
    pub(crate) fn end_by(&mut self, how: &'static str) {
        self.take().kill();
        let given = self.given().into_iter().filter_map(|(probe, all)| Some((probe, *all.last()?)));
        let durable = &self.durable.numbers;
        let durable = durable.iter().filter_map(|(probe, all)| Some((probe.clone(), *all.last()?)));
        let end = End { at: self.since.elapsed(), how, given: given.collect(), durable: durable.collect() };
        self.ends.push(end);
    }

    /// What is known of a number: whether it was promised, and between which ends of the gateway it was given.
    pub(crate) fn story(&self, probe: &str, number: u32) -> String {
        let durable = self.durable.numbers.get(probe).is_some_and(|held| held.contains(&number));
        let promised = if durable { WAS_DURABLE } else { "was never seen durable" };
        let before = |end: &&End| end.given.get(probe).is_some_and(|last| *last >= number);
        let end = self.ends.iter().position(|end| before(&end));
        let told = |place: usize| {
            let End { at, how, given, durable } = &self.ends[place];
            let last = |of: &BTreeMap<String, u32>| of.get(probe).map_or("none".to_owned(), u32::to_string);
            format!(
                "{how} {:.1} s after the beginning, number {} of {}, when {} had been given and {} was durable",
                at.as_secs_f64(),
                place + 1,
                self.ends.len(),
                last(given),
                last(durable)
            )
        };
        let given = match end {
            Some(place) => format!("given before {}", told(place)),
            None => format!("given after {} ends of the gateway", self.ends.len()),
        };
        format!("{promised}; {given}")
    }

    /// Writes down what gateway and broker have logged since they were last started; gives where, for people to look into.
    pub(crate) fn keep_logs(&mut self) -> PathBuf {
        let folder =
            std::env::temp_dir().join(format!("campaign-logs-{}-{}", std::process::id(), self.ends.len()));
        let broker = self.broker.as_ref().map(Mosquitto::log).unwrap_or_default();
        let gateway = self.daemon().peer().output();
        std::fs::create_dir_all(&folder).expect("a temporary directory");
        for (name, lines) in [("broker.log", broker), ("gateway.log", gateway)] {
            std::fs::write(folder.join(name), lines.join("\n") + "\n").expect("room for a log");
        }
        folder
    }

    /// What had been seen durable since the last check and is no longer there. The gateway runs again.
    pub(crate) fn check(&mut self) -> Vec<String> {
        let deadline = Instant::now() + Duration::from_secs(10);
        loop {
            match self.witness.look(self.fresh_from) {
                Ok((now, mark)) => {
                    let missing = self.fresh.missing_in(&now, |probe, number| self.story(probe, number));
                    (self.fresh, self.fresh_from, self.mark) = (Seen::default(), mark, mark);
                    self.durable.extend(&now);
                    return missing;
                }
                Err(error) if Instant::now() > deadline => return vec![format!("unreadable: {error}")],
                Err(_) => sleep(Duration::from_millis(50)),
            }
        }
    }

    /// Takes the devices off the network.
    pub(crate) fn devices_off(&mut self) {
        self.server = None;
    }

    /// Brings them back where they were; the port is that of the server that is gone.
    pub(crate) fn devices_on(&mut self, port: u16) {
        let options = ServerOptions { listen: ([127, 0, 0, 1], port).into(), ..ServerOptions::default() };
        self.server = Some(self.runtime.block_on(Server::tcp(self.bank.clone(), options)).expect("its port"));
    }

    /// Port of the devices.
    pub(crate) fn device_port(&self) -> u16 {
        self.server.as_ref().expect("they are there").address().port()
    }

    /// Ends the alarms' coming and going.
    pub(crate) fn calm(&mut self) {
        if let Some((stop, thread)) = self.restless.take() {
            stop.store(true, Ordering::Relaxed);
            thread.join().expect("it only waits");
        }
    }

    /// Numbers of the messages the broker has acknowledged to the publisher so far.
    pub(crate) fn published(&self) -> Vec<u32> {
        let lines = self.publisher.iter().flat_map(|publisher| publisher.output());
        lines.filter_map(|line| line.strip_prefix("acknowledged ")?.parse().ok()).collect()
    }

    /// Ends the publisher; numbers of the messages the broker has acknowledged to it.
    pub(crate) fn end_publisher(&mut self) -> Vec<u32> {
        let published = self.published();
        self.publisher = None;
        published
    }

    /// What devices and broker have given, by probe.
    fn given(&self) -> BTreeMap<String, Vec<u32>> {
        let mut given = self.answered();
        given.insert(PUBLISHED.to_owned(), self.published());
        given
    }

    /// What each counting device has answered, by probe.
    pub(crate) fn answered(&self) -> BTreeMap<String, Vec<u32>> {
        let of = |(unit, _): (u8, u32)| {
            (format!("net-{unit}"), self.bank.answered(unit).into_iter().flatten().collect())
        };
        COUNTING.into_iter().map(of).collect()
    }

    /// A directory for what a campaign needs beside the installation.
    pub(crate) fn scratch() -> TempDir {
        TempDir::new("campaign")
    }
}

impl Drop for Plant {
    fn drop(&mut self) {
        // The gateway first: what it asks for meanwhile is nobody's loss.
        self.daemon = None;
        self.calm();
    }
}

fn requests(bank: &Bank) -> u64 {
    COUNTING.into_iter().map(|(unit, _)| bank.counts(unit).requests).sum()
}

/// Lets the restless device's values cross their limits together, again and again.
fn restless(bank: Bank) -> (Arc<AtomicBool>, JoinHandle<()>) {
    let stop = Arc::new(AtomicBool::new(false));
    let stopped = Arc::clone(&stop);
    let thread = spawn(move || {
        for high in [false, true].into_iter().cycle() {
            if stopped.load(Ordering::Relaxed) {
                return;
            }
            let words = [if high { 30 } else { 10 }; RESTLESS_PROBES as usize];
            bank.set_words(RESTLESS, holding(10), &words);
            sleep(RESTLESS_EVERY);
        }
    });
    (stop, thread)
}

fn tables(
    parts: Parts,
    devices: u16,
    database: &Database,
    receiver: &Receiver,
    broker: Option<&Mosquitto>,
) -> String {
    let mut tables = sump("s") + &tcp_bus("net", devices);
    // Long time-outs where none is looked at: a device that this machine has no time for is no lost reply.
    let (timeout, worst) = if parts.brisk { ("300 ms", "400 ms") } else { ("4 s", "5 s") };
    let device = |unit: u8| {
        format!(
            "\n[device.net-{unit}]\nbus = \"net\"\nunit_id = {unit}\ntimeout = \"{timeout}\"\nworst_reply = \"{worst}\"\nretries = 0\n"
        )
    };
    for (unit, period) in COUNTING {
        let source = format!(
            "device = \"net-{unit}\"\nregister = \"holding:0\"\nnumber = \"u32\"\nevery = \"{period} ms\""
        );
        tables += &(device(unit) + &plain_probe("s", &format!("net-{unit}"), &source));
    }
    if parts.alarms {
        tables += &device(RESTLESS);
        for n in 0..RESTLESS_PROBES {
            let register = 10 + n;
            let source = format!(
                "device = \"net-{RESTLESS}\"\nregister = \"holding:{register}\"\nnumber = \"u16\"\nevery = \"100 ms\""
            );
            tables += &plain_probe("s", &format!("warm-{n}"), &source);
            tables += &format!(
                "\n[sump.s.limit.too-warm-{n}]\nof = \"warm-{n}\"\nhigh = 20\non_delay = \"0 s\"\noff_delay = \"0 s\"\npriority = \"high\"\n"
            );
        }
        tables += &format!(
            "\n[receiver.setter]\ngather_for = \"50 ms\"\nrate = \"50 ms\"\n[receiver.setter.webhook]\nurl = \"http://127.0.0.1:{}/hook\"\n",
            receiver.port
        );
    }
    if let Some(broker) = broker {
        tables += &format!(
            "\n[broker.shop]\naddress = \"127.0.0.1:{}\"\nreconnect_after = \"200 ms\"\n",
            broker.port
        );
        tables += &plain_probe(
            "s",
            PUBLISHED,
            "broker = \"shop\"\ntopic = \"hall/a\"\njson = { value = \"/v\", time = \"/t\" }\nevery = \"1 s\"",
        );
    }
    tables
        + &format!(
            "\n[forward.database]\nurl = \"http://127.0.0.1:{}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n",
            database.port
        )
}
