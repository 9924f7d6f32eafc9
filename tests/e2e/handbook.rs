//! The handbook is true: its commands do what it says in a shop as it describes one, its links lead somewhere, and what belongs
//! to a box with a service manager has the form it must have.
//!
//! A block headed `sh` is run line by line, in the order of its page, beside a running daemon; `sh may end with 1` may end with
//! 1 as well, which commands use to say that something is to be looked at. `sh on the box` is only read by the shell, and its
//! `sumpwarden` commands are compared with what the program says it takes.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_sim::device::{Bank, Server, ServerOptions, Unit};
use sumpwarden_tests::gateway::{Daemon, Installation, program, tcp_bus};
use sumpwarden_tests::process::{free_port, wait_for};
use tokio::runtime::Runtime;

/// What the pages take for granted: one lathe with everything that is talked of.
const LATHE: &str = r#"
[device.head]
bus = "net"
[sump.lathe-3]
title = "Lathe 3"
fluid = "semi-synthetic"
water = "mains"
target_percent = 7.5
fill_mark = "310 mm"
pump_minimum = "120 mm"
holdup = "25 L"
tank = { shape = "box", length = "1200 mm", width = "700 mm", height = "400 mm" }
[sump.lathe-3.probe.ph]
quantity = "ph"
device = "head"
register = "holding:0"
number = "f32"
every = "200 ms"
frozen = false
electrode = { buffers = "technical" }
[sump.lathe-3.probe.temperature]
quantity = "temperature"
device = "head"
register = "holding:2"
number = "f32"
every = "1 s"
frozen = false
[sump.lathe-3.probe.level]
quantity = "level"
device = "head"
register = "holding:4"
number = "f32"
unit = "mm"
every = "1 s"
frozen = false
[sump.lathe-3.probe.conductivity]
quantity = "conductivity"
device = "head"
register = "holding:6"
number = "f32"
unit = "uS/cm"
every = "1 s"
frozen = false
[sump.lathe-3.limit.ph-low]
of = "ph"
low = 8.6
on_delay = "0 s"
"#;

/// A block of a page.
struct Block {
    /// What stands behind the three marks.
    head: String,
    /// Its lines, continued ones joined.
    lines: Vec<String>,
}

/// The lathe's devices, its configuration and the daemon on it.
struct Shop {
    installation: Installation,
    _daemon: Daemon,
    _server: Server,
    _runtime: Runtime,
}

impl Shop {
    fn open() -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let bank = Bank::new().with_unit(1, Unit::new().with_holding_registers(8));
        // An electrode at pH 8.2, 24 °C, 290 mm, 1,400 µS/cm.
        for (place, number) in [(0, -70.8_f32), (2, 24.0), (4, 290.0), (6, 1400.0)] {
            let bits = number.to_bits();
            bank.set_words(
                1,
                Address::new(Table::HoldingRegister, place),
                &[(bits >> 16) as u16, bits as u16],
            );
        }
        let server = runtime.block_on(Server::tcp(bank, ServerOptions::default())).expect("a port");
        let tables = LATHE.to_owned() + &tcp_bus("net", server.address().port());
        let installation = Installation::with_page(free_port(), &tables);
        let site = fs::read_to_string(installation.configuration()).expect("written");
        // Stickers lead to a name that people use.
        let site = site.replace("[web]\n", "[web]\npublic_url = \"https://sumps.example\"\n");
        fs::write(installation.configuration(), &site).expect("ours");
        std::os::unix::fs::symlink(installation.configuration(), installation.path("shop.toml"))
            .expect("ours");
        let tools = installation.path("bin");
        fs::create_dir(&tools).expect("ours");
        std::os::unix::fs::symlink(program(), tools.join("sumpwarden")).expect("ours");
        let daemon = installation.run();
        wait_for("the alarm the pages talk of", Duration::from_secs(40), || {
            let alarms = daemon.state()["sumps"][0]["alarms"].clone();
            alarms.as_array()?.iter().any(|alarm| alarm["name"] == "ph-low").then_some(())
        });
        Self { installation, _daemon: daemon, _server: server, _runtime: runtime }
    }

    /// Runs a line as somebody who stands in the shop's directory.
    fn run(&self, line: &str) -> Output {
        let folder = self.installation.path("");
        let path = format!("{}:/usr/bin:/bin", self.installation.path("bin").display());
        let mut shell = Command::new("/bin/sh");
        shell.args(["-c", line]).current_dir(folder).env("PATH", path).env("COLUMNS", "100");
        shell.output().expect("a shell")
    }
}

fn handbook() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/handbook")
}

/// Pages by name, in order.
fn pages() -> Vec<(String, String)> {
    let files = fs::read_dir(handbook()).expect("a handbook").map(|entry| entry.expect("readable").path());
    let mut pages: Vec<_> = files
        .filter(|path| path.extension().is_some_and(|end| end == "md"))
        .map(|path| {
            let name = path.file_name().expect("a file").to_string_lossy().into_owned();
            (name, fs::read_to_string(&path).expect("readable"))
        })
        .collect();
    pages.sort();
    assert!(pages.len() >= 9, "the handbook has lost pages");
    pages
}

fn blocks(page: &str) -> Vec<Block> {
    let mut blocks = Vec::new();
    let mut lines = page.lines();
    while let Some(line) = lines.next() {
        let Some(head) = line.trim_start().strip_prefix("```") else { continue };
        let inside: Vec<&str> =
            lines.by_ref().map(str::trim).take_while(|line| !line.starts_with("```")).collect();
        let joined = inside.join("\n").replace("\\\n", " ");
        let lines = joined.lines().filter(|line| !line.is_empty()).map(str::to_owned).collect();
        blocks.push(Block { head: head.to_owned(), lines });
    }
    blocks
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

#[test]
fn its_commands_run() {
    let mut run = 0;
    for (name, page) in pages() {
        let blocks = blocks(&page);
        let to_run = |block: &&Block| block.head == "sh" || block.head == "sh may end with 1";
        if !blocks.iter().any(|block| to_run(&block)) {
            continue;
        }
        let shop = Shop::open();
        for block in blocks.iter().filter(to_run) {
            for line in &block.lines {
                let output = shop.run(line);
                let code = output.status.code();
                let fine = code == Some(0) || (code == Some(1) && block.head == "sh may end with 1");
                assert!(fine, "{name}: {line}\nended with {code:?}:\n{}", said(&output));
                run += 1;
            }
        }
    }
    assert!(run > 25, "only {run} commands");
}

#[test]
fn commands_for_the_box_have_their_form() {
    let mut seen = 0;
    for (name, page) in pages() {
        for block in blocks(&page).iter().filter(|block| block.head == "sh on the box") {
            let script = block.lines.join("\n");
            let read = Command::new("/bin/sh").args(["-n", "-c", &script]).output().expect("a shell");
            assert!(read.status.success(), "{name}:\n{script}\n{}", said(&read));
            for line in block.lines.iter().filter(|line| line.contains("sumpwarden ")) {
                let words: Vec<&str> =
                    line.split_whitespace().skip_while(|&word| word != "sumpwarden").skip(1).collect();
                let Some(command) = words.first().filter(|word| !word.starts_with('-')) else { continue };
                let help = Command::new(program()).args([command, "--help"]).output().expect("it runs");
                assert!(help.status.success(), "{name}: {line}: there is no `{command}`");
                let help = said(&help);
                for flag in words.iter().filter(|word| word.starts_with("--")) {
                    let flag = flag.split('=').next().expect("the flag");
                    assert!(help.contains(flag), "{name}: {line}: `{command}` takes no {flag}");
                }
                seen += 1;
            }
        }
    }
    assert!(seen > 0, "no command of ours for the box");
}

#[test]
fn its_examples_of_configuration_are_toml() {
    for (name, page) in pages() {
        for block in blocks(&page).iter().filter(|block| block.head == "toml") {
            let text = block.lines.join("\n");
            toml::from_str::<toml::Table>(&text).unwrap_or_else(|why| panic!("{name}: {why}\n{text}"));
        }
    }
}

#[test]
fn its_links_lead_somewhere() {
    let mut links = 0;
    for (name, page) in pages() {
        for (place, _) in page.match_indices("](") {
            let target = page[place + 2..].split(')').next().expect("the rest");
            if target.contains("://") {
                continue;
            }
            let file = target.split('#').next().expect("the file");
            assert!(file.is_empty() || handbook().join(file).exists(), "{name}: nothing at {target}");
            links += 1;
        }
    }
    assert!(links > 10, "only {links} links");
}

#[test]
fn every_page_is_in_its_contents() {
    let contents = fs::read_to_string(handbook().join("README.md")).expect("readable");
    for (name, _) in pages() {
        assert!(
            name == "README.md" || contents.contains(&format!("({name})")),
            "{name} is not in the contents"
        );
    }
}
