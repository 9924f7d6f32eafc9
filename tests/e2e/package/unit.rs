//! The units of systemd: it reads them without a complaint, they are as closed as the README says, and what the program
//! does fits through: no system call that is kept from it, and credentials as the service manager hands them over.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

use sumpwarden_tests::database::http;
use sumpwarden_tests::gateway::{
    Daemon, Installation, counting_devices, plain_probe, program, sump, tcp_bus,
};
use sumpwarden_tests::modbus::{ModbusRtu, ModbusTcp};
use sumpwarden_tests::process::{TempDir, free_port, run, tool, wait_for};

use crate::{deployed, is_root, text_of};

/// The daemon's unit.
const UNIT: &str = "sumpwarden.service";
/// Every unit.
const UNITS: &[&str] = &[UNIT, "backup/sumpwarden-backup.service", "backup/sumpwarden-backup.timer"];
/// Most exposure by the service manager's own reckoning, from 0 (closed) to 10 (open); the README says so too.
const EXPOSURE_MAX: f64 = 1.6;

/// A copy of a unit in `folder` that names this program, since the one it names is not installed here.
fn copy(folder: &TempDir, unit: &str) -> String {
    let (program, backup) =
        (program().to_str().expect("a path in text"), deployed("backup/sumpwarden-backup"));
    let text = text_of(unit).replace("/usr/bin/sumpwarden", program);
    let text =
        text.replace("/usr/lib/sumpwarden/sumpwarden-backup", backup.to_str().expect("a path in text"));
    let path = folder.file(Path::new(unit).file_name().and_then(|name| name.to_str()).expect("a name"));
    fs::write(&path, text).expect("a temporary file");
    path
}

#[test]
fn the_service_manager_has_nothing_to_say_against_the_units() {
    let folder = TempDir::new("units");
    for unit in UNITS {
        let path = copy(&folder, unit);
        let checked = Command::new(tool("systemd-analyze")).args(["verify", "--man=no", &path]).output();
        let checked = checked.expect("it can be started");
        let said = String::from_utf8_lossy(&checked.stderr);
        // Units of this machine that it reads along are not ours to judge.
        let ours: Vec<&str> = said.lines().filter(|line| line.contains("sumpwarden")).collect();
        assert!(checked.status.success() && ours.is_empty(), "{unit}: {said}");
    }
    let broken = folder.file("sumpwarden-broken.service");
    fs::write(&broken, "[Service]\nExecStart=/bin/true\nProtectSystem=very\n").expect("a temporary file");
    let checked = Command::new(tool("systemd-analyze")).args(["verify", "--man=no", &broken]).output();
    let said = checked.expect("it can be started").stderr;
    assert!(String::from_utf8_lossy(&said).contains("protect system"), "a broken unit is found");
}

/// The exposure that the service manager reckons for a unit.
fn exposure(path: &str) -> f64 {
    let said =
        run(Command::new(tool("systemd-analyze")).args(["security", "--offline=true", "--no-pager", path]));
    let line = said.lines().find(|line| line.contains("Overall exposure level")).expect("a sum");
    let figure = line.split(": ").nth(1).and_then(|rest| rest.split(' ').next());
    figure.and_then(|figure| figure.parse().ok()).unwrap_or_else(|| panic!("no figure in {line}"))
}

#[test]
fn the_units_are_as_closed_as_the_readme_says() {
    let folder = TempDir::new("exposure");
    let found = exposure(&copy(&folder, UNIT));
    assert!(found <= EXPOSURE_MAX, "{UNIT}: {found}");
    let readme = Path::new(env!("CARGO_MANIFEST_DIR")).join("../README.md");
    let readme = fs::read_to_string(readme).expect("the README");
    assert!(
        readme.contains(&format!("an exposure of {found:.1}")),
        "the README says another figure than {found}"
    );
    let backup = exposure(&copy(&folder, "backup/sumpwarden-backup.service"));
    assert!(backup <= 1.0, "{backup}");
    let open = folder.file("sumpwarden-open.service");
    fs::write(&open, "[Service]\nExecStart=/bin/true\n").expect("a temporary file");
    assert!(exposure(&open) > 9.0, "a unit without any of it is open");
}

/// The calls in a set of the service manager, with those of the sets in it; a call is one of its own.
fn calls_of(set: &str) -> BTreeSet<String> {
    if !set.starts_with('@') {
        return BTreeSet::from([set.to_owned()]);
    }
    let said = run(Command::new(tool("systemd-analyze")).args(["syscall-filter", set]));
    let mut calls = BTreeSet::new();
    for line in said.lines().skip(1).map(str::trim).filter(|line| !line.starts_with('#')) {
        if line.starts_with('@') {
            calls.extend(calls_of(line));
        } else if !line.is_empty() {
            calls.insert(line.to_owned());
        }
    }
    calls
}

/// The calls that the unit's filter lets through.
fn let_through() -> BTreeSet<String> {
    let text = text_of(UNIT);
    let mut calls = BTreeSet::new();
    for rule in text.lines().filter_map(|line| line.strip_prefix("SystemCallFilter=")) {
        let (away, sets) = rule.strip_prefix('~').map_or((false, rule), |sets| (true, sets));
        for set in sets.split(' ') {
            let named = calls_of(set);
            if away {
                calls = &calls - &named;
            } else {
                calls.extend(named);
            }
        }
    }
    calls
}

/// Each call in a trace, with its line.
fn calls_in(trace: &str) -> impl Iterator<Item = (&str, &str)> {
    trace.lines().filter_map(|line| {
        let call = line.split_once(' ')?.1.trim_start();
        let (name, _) = call.split_once('(')?;
        let plain = name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
        (plain && !name.is_empty()).then_some((name, line))
    })
}

/// Buses of both kinds, a broker and a database that are not there, a page of its own certificate.
fn everything(tcp: &ModbusTcp, rtu: &ModbusRtu) -> Installation {
    let away = free_port();
    let line = format!(
        "\n[bus.line]\nlink = \"modbus-rtu\"\nport = \"{}\"\nbaud = 115200\nparity = \"none\"\n\
         [broker.shop]\naddress = \"127.0.0.1:{away}\"\n\
         [forward.db]\nurl = \"http://localhost:{away}\"\norganisation = \"shop\"\nbucket = \"coolant\"\n",
        rtu.port
    );
    let probe = plain_probe("s", "a", "broker = \"shop\"\ntopic = \"hall/a\"\nevery = \"1 s\"");
    let devices = counting_devices("net", "s", &[(1, 200)]) + &counting_devices("line", "s", &[(2, 200)]);
    Installation::new(&(sump("s") + &tcp_bus("net", tcp.port) + &line + &devices + &probe))
}

fn reads(daemon: &Daemon, probe: &str) {
    wait_for(probe, std::time::Duration::from_secs(60), || daemon.probe("s", probe)["raw"].as_f64());
}

#[test]
fn no_system_call_of_the_program_is_kept_from_it() {
    let (tcp, rtu) = (ModbusTcp::start(&[1]), ModbusRtu::start(&[2], 115_200));
    let shop = everything(&tcp, &rtu);
    let trace = shop.path("trace");
    let mut command = Command::new(tool("strace"));
    command.args(["-f", "-qq", "--signal=none", "-o"]).arg(&trace).arg(program());
    let mut daemon = shop.run_as(&mut command);
    reads(&daemon, "net-1");
    reads(&daemon, "line-2");
    assert_eq!(http(daemon.port(), "GET", "/", "").status, 200);
    // strace passes no SIGTERM on: the program itself is told.
    let tracer = daemon.peer().id();
    let children = fs::read_to_string(format!("/proc/{tracer}/task/{tracer}/children")).expect("its child");
    run(Command::new("kill").args(["-TERM", children.trim()]));
    let (status, log) = daemon.end(std::time::Duration::from_secs(30));
    assert!(status.success(), "{log:#?}");
    let allowed = let_through();
    assert!(
        allowed.contains("openat") && !allowed.contains("chown") && !allowed.contains("mount"),
        "{allowed:?}"
    );
    let trace = fs::read_to_string(&trace).expect("a trace");
    let mut made = BTreeSet::new();
    let mut kept: Vec<&str> = Vec::new();
    for (call, line) in calls_in(&trace) {
        // SQLite hands a file's owner on where it runs as root; the service does not.
        if made.insert(call) && !allowed.contains(call) && call != "fchown" {
            kept.push(line);
        }
    }
    assert!(made.len() > 40 && made.contains("timerfd_create"), "{made:?}");
    assert!(kept.is_empty(), "kept from the program by the unit: {kept:#?}");
}

#[test]
fn a_credential_is_read_as_the_service_manager_hands_it_over() {
    if !is_root("credentials of a service") {
        return;
    }
    let shop = Installation::new(
        &(sump("s")
            + "[broker.shop]\naddress = \"127.0.0.1:1883\"\nuser = \"sumpwarden\"\n\
               password_file = \"$CREDENTIALS_DIRECTORY/shop.password\"\n"
            + &plain_probe("s", "a", "broker = \"shop\"\ntopic = \"hall/a\"\nevery = \"1 s\"")),
    );
    let set_mode =
        |path: &Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).expect("a mode");
    set_mode(shop.path("").as_path(), 0o755);
    // The program lies where only its builder may look; the service's user gets a copy.
    let (copy, directory) = (shop.path("sumpwarden"), shop.path("credentials"));
    fs::copy(program(), &copy).expect("a copy");
    fs::create_dir(&directory).expect("a directory");
    let secret = directory.join("shop.password");
    fs::write(&secret, "right\n").expect("a file");
    set_mode(&secret, 0o400);
    set_mode(&directory, 0o500);
    let check = |handed: bool| {
        let mut command = Command::new(tool("setpriv"));
        command.args(["--reuid=nobody", "--regid=nogroup", "--clear-groups"]).arg(&copy);
        command.args(["check", "--config"]).arg(shop.configuration());
        if handed {
            command.env("CREDENTIALS_DIRECTORY", &directory);
        }
        let output = command.output().expect("it can be started");
        (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let (code, said) = check(false);
    assert_eq!(code, Some(78), "{said}");
    assert!(said.contains("LoadCredential=shop.password:FILE"), "{said}");
    let (code, said) = check(true);
    assert_eq!(code, Some(78), "root's own file is not to be read: {said}");
    // What the manager does: root's file, and an entry for the user in its access list.
    for (path, may) in [(&directory, "user:nobody:rx"), (&secret, "user:nobody:r")] {
        run(Command::new(tool("setfacl")).args(["-m", may]).arg(path));
    }
    let mode = fs::metadata(&secret).expect("a file").permissions().mode() & 0o777;
    assert_eq!(mode, 0o440, "an access list shows as the group's rights");
    let (code, said) = check(true);
    assert_eq!(code, Some(0), "{said}");
    assert!(!said.contains("right"), "{said}");
}
