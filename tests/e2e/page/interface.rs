//! The interface against its own description, by schemathesis: every operation with requests that fit the description and with
//! ones that do not.

use std::process::Command;
use std::time::Duration;

use sumpwarden_tests::process::{Peer, python};

use super::browser::Demo;

/// No answer that the description does not know, no answer of another shape, no fault of the server, and nothing taken that the
/// description forbids.
const CHECKS: &str = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,\
                      negative_data_rejection";

#[test]
fn the_interface_does_what_its_description_says() {
    let demo = Demo::start();
    let mut command = Command::new(python().with_file_name("schemathesis"));
    command.arg("run").arg(format!("{}/openapi.json", demo.base));
    command.args(["--checks", CHECKS, "--max-examples", "15", "--seed", "7", "--no-color"]);
    command.args(["--header", &format!("Authorization: Bearer {}", demo.key())]);
    // An endless answer, and one that ends the run's own access.
    command.args(["--exclude-path", "/events", "--rate-limit", "18/s"]);
    command.args(["--generation-database", "none"]);
    command.current_dir(demo.kept.path());
    let (status, lines) = Peer::start("schemathesis", &mut command).end(Duration::from_secs(300));
    let text = lines.join("\n");
    assert!(status.success(), "{text}");
    let tested =
        lines.iter().find_map(|line| line.trim().strip_prefix("Tested:")?.trim().parse::<u32>().ok());
    assert!(tested.is_some_and(|tested| tested >= 25), "operations tried: {text}");
}
