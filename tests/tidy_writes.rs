//! Nothing in the gateway writes to a device.

use std::path::Path;

use super::{MadeUp, complains_of, read, repository, rust_files, shown};

/// Requests of the Modbus client that write to a device, and its own ways round them.
const WRITES: [&str; 7] = [
    "Request::Write",
    "Request::MaskWrite",
    "Request::ReadWrite",
    "Request::Custom",
    "client::Writer",
    "ctx.write_",
    "prelude::*",
];

/// Places in the gateway that could write to a device.
fn writes(root: &Path) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in rust_files(&root.join("gateway")) {
        for (number, line) in (1..).zip(read(&file).lines()) {
            for what in WRITES.iter().filter(|what| line.contains(*what)) {
                // Tests of other crates bring preludes of their own.
                if *what != "prelude::*" || line.contains("tokio_modbus") {
                    complaints.push(format!("{}:{number}: `{what}` writes to a device", shown(root, &file)));
                }
            }
        }
    }
    complaints
}

#[test]
fn a_request_that_writes_to_a_device_is_found() {
    let tree = MadeUp::new(
        "writes",
        &[(
            "gateway/daemon/src/edge/modbus.rs",
            "use tokio_modbus::prelude::*;\nuse proptest::prelude::*;\nfn f() { Request::ReadCoils(0, 1); }\n\
             fn g() { Request::WriteSingleCoil(0, true); }\n",
        )],
    );
    complains_of(&writes(&tree.0), &["modbus.rs:1: `prelude::*`", "modbus.rs:4: `Request::Write`"]);
    assert_eq!(writes(repository()), Vec::<String>::new());
}
