//! `init` as it is met: at a terminal with slips, help, Ctrl-C and a second start; through a pipe; from a file of answers;
//! and with the devices of a scan.

use std::fs::{self, File};
use std::io::{Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use sumpwarden::config::load_with;
use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_sim::device::{Bank, Line, LineOptions, Unit};
use sumpwarden_tests::gateway::program;
use sumpwarden_tests::process::{TempDir, tool, wait_for};

const MOMENT: Duration = Duration::from_secs(20);

/// The program at a terminal of its own.
struct Terminal {
    keyboard: File,
    screen: Arc<Mutex<String>>,
    /// How much of the screen was read.
    read: usize,
    child: Child,
}

impl Terminal {
    fn open(arguments: &[&str]) -> Self {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)
            .expect("a pseudo-terminal");
        grantpt(&master).and_then(|()| unlockpt(&master)).expect("ours");
        let name = ptsname(&master, Vec::new()).expect("it has a name");
        let end = || {
            File::from(
                rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())
                    .expect("ours"),
            )
        };
        // A session of its own with this terminal, so that Ctrl-C arrives as at a real one.
        let mut command = Command::new(tool("setsid"));
        // Whoever runs the tests in the background may have had Ctrl-C ignored, which children would inherit.
        command.args(["--ctty", "--wait", "env", "--default-signal=INT"]).arg(program());
        command.arg("init").args(arguments);
        let child = command.stdin(end()).stdout(end()).stderr(end()).spawn().expect("it can be started");
        let keyboard = File::from(master);
        let mut eyes = keyboard.try_clone().expect("one more handle");
        let screen = Arc::new(Mutex::new(String::new()));
        let shown = Arc::clone(&screen);
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            // The other end is gone: an error on Linux.
            while let Ok(count @ 1..) = eyes.read(&mut bytes) {
                shown
                    .lock()
                    .expect("nobody panics with it")
                    .push_str(&String::from_utf8_lossy(&bytes[..count]));
            }
        });
        Self { keyboard, screen, read: 0, child }
    }

    /// Waits until this is on the screen, after what was waited for before.
    #[track_caller]
    fn sees(&mut self, text: &str) {
        let screen = Arc::clone(&self.screen);
        let from = self.read;
        let what = format!("{text:?} on the screen");
        let mut last = String::new();
        let found = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            wait_for(&what, MOMENT, || {
                last = screen.lock().expect("nobody panics with it").clone();
                last.get(from..)?.find(text).map(|at| from + at + text.len())
            })
        }));
        self.read = found.unwrap_or_else(|_| panic!("{what}:\n{last}"));
    }

    /// Waits for a question and answers it.
    #[track_caller]
    fn answers(&mut self, question: &str, answer: &str) {
        self.sees(question);
        self.sees(": ");
        self.keyboard.write_all(format!("{answer}\n").as_bytes()).expect("the terminal is there");
    }

    #[track_caller]
    fn ends(&mut self) -> ExitStatus {
        wait_for("the end", MOMENT, || self.child.try_wait().expect("our child"))
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

fn pipe(arguments: &[&str], lines: &str) -> Output {
    let mut command = Command::new(program());
    command.arg("init").args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("it can be started");
    // One that ends early closes its side; what it says tells why.
    let _ = child.stdin.take().expect("asked for").write_all(lines.as_bytes());
    child.wait_with_output().expect("it ends")
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn checked(file: &Path) -> sumpwarden::config::Settings {
    let output = Command::new(program()).args(["check", "-c"]).arg(file).output().expect("it can be started");
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    load_with(file, &[]).expect("accepted").settings
}

/// A shop with one sump by network; mail needs a password.
const LINES: &str = "hall-2\nEurope/Vienna\nde\nmetric\nnetwork\n240 mg/L\n560 uS/cm\nsemi-synthetic\n1.4\n7.5\n\
                     0 560; 3 1010; 5 1290; 8 1690; 12 2190\nmill-1\nMill 1\n192.0.2.10/3\nlying-cylinder\n600 mm\n1 m\nflat\n\
                     300 mm\n80 mm\n35 L\nph, level\n30001 i16 x0.01\n30002 u16 mm\n-\nmail\nmail.example:587\nsumps\n\
                     sumps@shop.example\nlead@shop.example\n";

#[test]
fn through_a_pipe_it_writes_a_file_that_the_program_takes_and_secrets_for_their_owner() {
    let folder = TempDir::new("init");
    let file = folder.path().join("shop.toml");
    let written = pipe(&["--output", &folder.file("shop.toml")], LINES);
    assert_eq!(written.status.code(), Some(0), "{}", said(&written));
    let settings = checked(&file);
    let sump = &settings.engine.sumps[0];
    // A lying cylinder half full: π·r²·L/2 = π × 30² × 100 / 2 cm³ = 141.4 L.
    let full = Tank::new(&sump.tank).expect("sound").volume_l(sump.fill_mark_mm);
    assert!((full - 141.4).abs() < 0.05, "{full}");
    assert!(said(&written).contains("141 L at the fill mark"), "{}", said(&written));
    let password = folder.path().join("mail.password");
    assert_eq!(fs::metadata(&password).expect("made").permissions().mode() & 0o7777, 0o600);
    assert_eq!(fs::metadata(&file).expect("made").permissions().mode() & 0o7777, 0o600);
    assert!(said(&written).contains("mail.password (made with a stand-in)"), "{}", said(&written));
    // Once more: not over it, unless told so; a secret that is there stays.
    fs::write(&password, "the right one").expect("written");
    let again = pipe(&["--output", &folder.file("shop.toml")], LINES);
    assert_eq!(again.status.code(), Some(64), "{}", said(&again));
    assert!(
        said(&again).contains("is there already") && said(&again).contains("--force"),
        "{}",
        said(&again)
    );
    let forced = pipe(&["--force", "--output", &folder.file("shop.toml")], LINES);
    assert_eq!(forced.status.code(), Some(0), "{}", said(&forced));
    assert_eq!(fs::read_to_string(&password).expect("there"), "the right one");
    // A wrong answer ends it by name, and nothing is written.
    let wrong = pipe(&["--output", &folder.file("other.toml")], &LINES.replace("300 mm", "700 mm"));
    assert_eq!(wrong.status.code(), Some(78), "{}", said(&wrong));
    assert!(
        said(&wrong).contains("sump.1.fill_mark") && said(&wrong).contains("600 mm high"),
        "{}",
        said(&wrong)
    );
    assert!(!folder.path().join("other.toml").exists());
    let left: Vec<_> =
        fs::read_dir(folder.path()).expect("there").map(|e| e.expect("there").file_name()).collect();
    assert_eq!(left.len(), 2, "{left:?}");
}

#[test]
fn at_a_terminal_slips_are_told_and_ctrl_c_loses_nothing() {
    let folder = TempDir::new("init");
    let output = folder.file("shop.toml");
    let mut terminal = Terminal::open(&["--output", &output]);
    terminal.sees("Enter takes what stands in brackets");
    terminal.answers("Short name of the shop", "hall 2");
    terminal.sees("a name is made of letters");
    terminal.answers("Short name of the shop", "hall-2");
    terminal.answers("Time zone", "?");
    terminal.sees("Europe/Vienna, America/Chicago");
    terminal.answers("Time zone", "Europe/Vienna");
    terminal.answers("Whose rules", "uk");
    terminal.answers("Units of messages", "back");
    terminal.answers("Whose rules for checks by hand: uk, de, us or none [uk]", "de");
    terminal.sees("Units of messages");
    terminal.keyboard.write_all(b"\x03").expect("the terminal is there");
    assert!(!terminal.ends().success(), "Ctrl-C ends it");
    assert!(!folder.path().join("shop.toml").exists());
    drop(terminal);

    let mut terminal = Terminal::open(&["--output", &output]);
    terminal.sees("3 answers are there already");
    terminal.answers("Units of messages", "");
    terminal.answers("Where the probes are read", "mqtt");
    terminal.answers("Address and port of the MQTT broker", "");
    terminal.answers("TLS", "");
    terminal.answers("User name at the broker", "");
    terminal.answers("Hardness of the make-up water", "");
    terminal.sees("an answer is needed here");
    terminal.answers("Hardness of the make-up water", "13,4 dH");
    terminal.answers("Conductivity of the make-up water", "");
    terminal.answers("Short name of the coolant", "");
    terminal.answers("Refractometer factor", "1,4");
    terminal.answers("Concentration to be held", "7.5");
    terminal.answers("Jar test", "");
    terminal.answers("Short name of the first sump", "lathe-3");
    terminal.answers("What people call it [lathe-3]", "Lathe 3");
    terminal.answers("base topic", "hall2/lathe3");
    terminal.answers("Shape of the tank", "");
    terminal.answers("Length", "47.25 in");
    terminal.answers("Width", "700 mm");
    terminal.answers("Height to the brim", "40 cm");
    terminal.answers("fill mark", "500 mm");
    terminal.sees("lies above the tank, which is 400 mm high");
    terminal.answers("fill mark", "310 mm");
    // 1200.15 mm × 700 mm × 310 mm = 260.4 L.
    terminal.sees("260 L at the fill mark and 336 L to the brim");
    terminal.answers("draws air", "120 mm");
    terminal.answers("Hold-up", "290 mm; 312 mm");
    terminal.answers("Probes in it", "level, ph");
    terminal.answers("Topic of level", "level mm");
    terminal.answers("Topic of ph", "");
    terminal.answers("next sump", "lathe-4");
    terminal.answers("Its base topic (hall2/lathe3); or `new`", "hall2/lathe4");
    terminal.answers("next sump", "");
    terminal.answers("Who is told", "chat");
    terminal.answers("What the chat service wants", "");
    terminal.sees("written:");
    terminal.sees("chat.url (made with a stand-in)");
    assert!(terminal.ends().success());
    let settings = checked(&folder.path().join("shop.toml"));
    assert_eq!(settings.engine.sumps.len(), 2);
    assert_eq!(settings.engine.probes.len(), 4);
    assert_eq!(settings.site.name.as_str(), "hall-2");
    assert!(!folder.path().join("shop.toml.answers").exists(), "it has done its service");
}

#[test]
fn a_file_of_answers_needs_nobody() {
    let folder = TempDir::new("init");
    let answers = folder.path().join("answers.toml");
    let text = "[shop]\nname = \"hall-2\"\n[water]\nhardness = \"14 gpg\"\n[fluid]\nfactor = 1.4\ntarget = 7.5\n\
                [[sump]]\nname = \"a\"\nlength = \"48 in\"\nwidth = \"28 in\"\nheight = \"15.5 in\"\nfill_mark = \"12.2 in\"\n\
                [[sump]]\nname = \"b\"\n";
    fs::write(&answers, text).expect("written");
    let arguments = ["--output", &folder.file("shop.toml"), "--answers", &folder.file("answers.toml")];
    let written = pipe(&arguments, "");
    assert_eq!(written.status.code(), Some(0), "{}", said(&written));
    let settings = checked(&folder.path().join("shop.toml"));
    let units: Vec<u8> = settings.engine.buses[0].devices.iter().map(|device| device.unit_id).collect();
    assert_eq!(units, [1, 2], "the second is like the first, at the next unit id");
    // 48 × 28 × 12.2 in³ of 16.387064 mL = 268.7 L.
    let sump = &settings.engine.sumps[1];
    let full = Tank::new(&sump.tank).expect("sound").volume_l(sump.fill_mark_mm);
    assert!((full - 268.7).abs() < 0.05, "{full}");
    fs::write(&answers, text.replace("target = 7.5", "targte = 7.5")).expect("written");
    let wrong = pipe(&[&arguments[..], &["--force"]].concat(), "");
    assert_eq!(wrong.status.code(), Some(78), "{}", said(&wrong));
    assert!(said(&wrong).contains("fluid.target"), "{}", said(&wrong));
}

#[test]
fn devices_of_a_scan_become_sumps_whose_registers_are_proposed() {
    let bank = Bank::new()
        .with_unit(3, Unit::new().with_input_registers(4))
        .with_unit(4, Unit::new().with_input_registers(4));
    for unit in [3, 4] {
        bank.set_words(unit, Address::new(Table::InputRegister, 0), &[871, 1290, 310, 215]);
    }
    let line = Line::open(bank, LineOptions::default()).expect("a pseudo-terminal");
    let port = line.path().to_str().expect("text").to_owned();
    let mut scan = Command::new(program());
    scan.args(["scan", "--port", &port, "--units", "3-4", "--timeout", "100 ms", "--json"]);
    let found = scan.output().expect("it can be started");
    assert_eq!(found.status.code(), Some(0), "{}", said(&found));
    let folder = TempDir::new("init");
    fs::write(folder.path().join("found.json"), &found.stdout).expect("written");
    let lines = "hall-2\nUTC\n\n\n\n240 mg/L\n\n\n1.4\n7.5\n\nlathe-3\n\n\n\n1200 mm\n700 mm\n400 mm\n310 mm\n\n\n\n\n\n\n\nlathe-4\n\n-\n\n";
    let arguments = ["--output", &folder.file("shop.toml"), "--scan", &folder.file("found.json")];
    let written = pipe(&arguments, lines);
    assert_eq!(written.status.code(), Some(0), "{}", said(&written));
    let settings = checked(&folder.path().join("shop.toml"));
    assert_eq!((settings.engine.sumps.len(), settings.engine.probes.len()), (2, 8));
    // It reads what the scan saw.
    let mut read = Command::new(program());
    let read =
        read.args(["read", "-c", &folder.file("shop.toml"), "lathe-4", "--json"]).output().expect("started");
    let read: serde_json::Value = serde_json::from_slice(&read.stdout).expect("JSON");
    let value = |name: &str| {
        let list = read.as_array().expect("a list");
        list.iter()
            .find(|one| one["probe"] == format!("lathe-4/{name}"))
            .and_then(|one| one["value"].as_f64())
    };
    let near = |name: &str, right: f64| {
        assert!(value(name).is_some_and(|value| (value - right).abs() < 1e-6), "{name}: {read:#}");
    };
    near("ph", 8.71);
    near("level", 310.0);
    near("temperature", 21.5);
    near("conductivity", 1290.0);
    let wrong = pipe(&["--output", &folder.file("x.toml"), "--scan", &folder.file("shop.toml")], lines);
    assert_eq!(wrong.status.code(), Some(64), "{}", said(&wrong));
    assert!(said(&wrong).contains("scan … --json"), "{}", said(&wrong));
}
