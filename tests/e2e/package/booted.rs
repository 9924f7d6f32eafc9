//! The units under a service manager that runs: a Debian with the package is booted in namespaces of its own, and a unit of
//! the test's looks at ours: started with all its walls, given a credential, killed and started anew, copied, stopped.
//!
//! Where nothing can be booted (a container without the rights), that is said and nothing is shown.

use std::fs;
use std::io::Write;
use std::process::Command;

use sumpwarden_tests::process::tool;

use crate::debian::Root;
use crate::install::package;
use crate::is_root;

/// What the test's unit does, each step under a heading; its words are in `/look`.
const LOOK: &str = r#"
say() { echo "== $1"; }
show() { systemctl show sumpwarden -p ActiveState -p SubState -p NRestarts -p WatchdogUSec -p StatusText -p Result; }
note() { runuser -u sumpwarden -- sumpwarden note --config /etc/sumpwarden/shop.toml example odour 1 --by Kim; }
say started; show
say credential; stat -c '%a %U' /run/credentials/sumpwarden.service/shop.password
say noted; note && echo taken
say walls; pid=$(systemctl show sumpwarden -p MainPID --value)
grep -E '^(NoNewPrivs|Seccomp|CapBnd|Groups):' /proc/$pid/status
say copied; systemctl start sumpwarden-backup && ls /var/backups/sumpwarden
say killed; systemctl kill --signal=KILL sumpwarden
for i in $(seq 100); do sleep 0.1; [ "$(systemctl show sumpwarden -p NRestarts --value)" = 1 ] && systemctl -q is-active sumpwarden && break; done; show
say stopped; systemctl stop sumpwarden; show
say log; journalctl --no-pager -o cat -u sumpwarden -u sumpwarden-backup
say end
"#;

/// Prepares a root: the package, a credential for a broker that is not there, and the unit that looks.
fn prepare(root: &Root) {
    let put = |path: &str, text: &str| {
        let path = root.inside(path);
        fs::create_dir_all(path.parent().expect("a directory")).expect("a directory");
        fs::write(path, text).expect("a file");
    };
    root.run(&["dpkg", "--force-unsafe-io", "--install", &package(root, "0.1.0")]);
    put("/etc/sumpwarden/secrets/shop.password", "right\n");
    root.run(&["chmod", "600", "/etc/sumpwarden/secrets/shop.password"]);
    put(
        "/etc/systemd/system/sumpwarden.service.d/override.conf",
        "[Service]\nLoadCredential=shop.password:/etc/sumpwarden/secrets/shop.password\n",
    );
    put(
        "/etc/sumpwarden/conf.d/broker.toml",
        "[broker.shop]\naddress = \"127.0.0.1:1883\"\nuser = \"sumpwarden\"\n\
         password_file = \"$CREDENTIALS_DIRECTORY/shop.password\"\n\
         [sump.example.probe.t]\nquantity = \"temperature\"\nbroker = \"shop\"\ntopic = \"a\"\npayload = \"number\"\nevery = \"1 s\"\n",
    );
    put("/usr/local/bin/look", LOOK);
    put(
        "/etc/systemd/system/look.service",
        "[Unit]\nWants=sumpwarden.service\nAfter=sumpwarden.service\n\
         [Service]\nType=oneshot\nExecStart=/bin/sh -c 'sh /usr/local/bin/look >/look 2>&1; systemctl poweroff'\n\
         [Install]\nWantedBy=multi-user.target\n",
    );
    root.run(&["systemctl", "enable", "sumpwarden.service", "sumpwarden-backup.timer", "look.service"]);
}

/// Boots it until it powers itself off; what the looks found, unless nothing can be booted here.
fn boot(root: &Root) -> Option<String> {
    // What the starter keeps of its own lies in a /run of its own, and is gone with it.
    let script = "mount -t tmpfs none /run && exec timeout --kill-after=5 120 \"$1\" --quiet --register=no --keep-unit \
                  --private-network --console=pipe --boot --directory \"$2\"";
    let mut command = Command::new(tool("unshare"));
    command.args(["--mount", "--propagation", "private", "sh", "-c", script, "sh"]);
    let output = command.arg(tool("systemd-nspawn")).arg(root.inside("")).output().expect("it starts");
    let found = fs::read_to_string(root.inside("/look")).ok();
    if found.is_none() {
        let said =
            [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
        let last: Vec<&str> = said.lines().rev().take(3).collect();
        writeln!(
            std::io::stderr(),
            "NOT TESTED: the units under a service manager: none can be booted here: {last:?}"
        )
        .ok();
    }
    found
}

/// What stands under a heading.
#[track_caller]
fn under<'a>(found: &'a str, heading: &str) -> &'a str {
    let start = format!("== {heading}\n");
    let (_, rest) = found.split_once(&start).unwrap_or_else(|| panic!("nothing under {heading}: {found}"));
    rest.split_once("== ").map_or(rest, |(part, _)| part)
}

#[test]
fn the_units_work_under_a_service_manager_that_runs() {
    if !is_root("the units under a service manager") {
        return;
    }
    let root = Root::fresh();
    prepare(&root);
    let Some(found) = boot(&root) else { return };
    let has = |heading: &str, words: &[&str]| {
        let part = under(&found, heading);
        for word in words {
            assert!(
                part.lines().any(|line| line.contains(word)),
                "{heading}: no {word} in {part}\nall: {found}"
            );
        }
    };
    has(
        "started",
        &["ActiveState=active", "SubState=running", "NRestarts=0", "WatchdogUSec=30s", "StatusText=polling"],
    );
    let credential = under(&found, "credential").trim();
    assert!(["400 sumpwarden", "440 root"].contains(&credential), "{credential}");
    has("noted", &["taken"]);
    has("walls", &["NoNewPrivs:\t1", "Seccomp:\t2", "CapBnd:\t0000000000000000", "Groups:\t20"]);
    assert_eq!(
        under(&found, "copied").lines().filter(|line| line.starts_with("sumpwarden-")).count(),
        2,
        "{found}"
    );
    has("killed", &["ActiveState=active", "NRestarts=1"]);
    has("stopped", &["ActiveState=inactive", "Result=success"]);
    let log = under(&found, "log");
    assert!(!log.contains("cannot be written") && !log.contains("not permitted"), "{log}");
    has("end", &[]);
}
