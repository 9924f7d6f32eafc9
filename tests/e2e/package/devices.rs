//! The rule for serial adapters, by the real device manager on a device that pretends to be one. Device nodes and its
//! lists are those of a mount namespace, which is gone with the process.

use std::fs;
use std::process::Command;

use sumpwarden_tests::process::{TempDir, run, tool};

use crate::{is_root, text_of};

const RULES: &str = "udev/61-sumpwarden.rules";
const SOCKET: &str = "pci-0000_00_14_0-usb-0_2_1_0";

/// What the device manager makes of tty0, were it an adapter in this socket with this number of port.
fn made_of(folder: &TempDir, socket: &str, port: &str) -> String {
    let text = text_of(RULES);
    assert!(text.contains("SUBSYSTEMS==\"usb\", "), "{text}");
    // tty0 hangs on no bus; who is meant is said by a rule before it, as 60-serial.rules does.
    let before = format!("KERNEL==\"tty0\", ENV{{ID_PATH_TAG}}=\"{socket}\", ENV{{.ID_PORT}}=\"{port}\"\n");
    fs::write(folder.file("60-zz.rules"), before).expect("a file");
    fs::write(folder.file("61-sumpwarden.rules"), text.replace("SUBSYSTEMS==\"usb\", ", "")).expect("a file");
    let script = format!(
        "set -e\nmount -t tmpfs none /run\nmount -t tmpfs none /dev\nmknod -m 666 /dev/null c 1 3\n\
         mknod -m 600 /dev/tty0 c 4 0\nmkdir -p /run/udev\ncp -r {} /run/udev/rules.d\n\
         udevadm test --action=add /sys/class/tty/tty0 2>&1\nstat -c 'node %a %G' /dev/tty0\n\
         if [ -d /dev/sumpwarden ]; then cd /dev/sumpwarden; for link in *; do echo \"link $link $(readlink $link)\"; done; fi\n",
        folder.path().display()
    );
    tool("udevadm");
    run(Command::new(tool("unshare")).args(["--mount", "--propagation", "private", "sh", "-c", &script]))
}

fn lines<'a>(said: &'a str, start: &str) -> Vec<&'a str> {
    said.lines().filter_map(|line| line.strip_prefix(start)).collect()
}

#[test]
fn an_adapter_has_the_name_of_its_socket_and_the_group_of_serial_ports() {
    if !is_root("the rule for serial adapters") {
        return;
    }
    let folder = TempDir::new("rules");
    let said = made_of(&folder, SOCKET, "");
    assert_eq!(lines(&said, "node "), ["660 dialout"], "{said}");
    assert_eq!(lines(&said, "link "), [format!("at-{SOCKET} ../tty0")], "{said}");
    let complaints: Vec<&str> = said
        .lines()
        .filter(|line| line.contains("61-sumpwarden") && line.to_lowercase().contains("invalid"))
        .collect();
    assert!(complaints.is_empty(), "{complaints:?}");
    let several = made_of(&folder, SOCKET, "1");
    assert_eq!(lines(&several, "link "), [format!("at-{SOCKET}-port1 ../tty0")], "{several}");
    let none = made_of(&folder, "", "");
    assert_eq!(
        (lines(&none, "link "), lines(&none, "node ")),
        (vec![], vec!["620 tty"]),
        "a line that is no adapter"
    );
}
