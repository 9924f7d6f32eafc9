//! Commands on a page with TLS, and an independent client that trusts its certificate and nothing else.

use std::fs;
use std::io::Write;
use std::process::{Command, Output, Stdio};

use sumpwarden_tests::gateway::{Installation, program, sump};
use sumpwarden_tests::process::{free_port, tool};

const PASSWORD: &str = "harbour lantern gravel";

/// Makes somebody with the password of all stories.
pub(crate) fn add_person(installation: &Installation, name: &str, role: &str) -> Output {
    piped(installation, &["add", name, "--role", role], PASSWORD)
}

fn piped(installation: &Installation, arguments: &[&str], input: &str) -> Output {
    let mut command = Command::new(program());
    command.args(["people", "--config"]).arg(installation.configuration()).args(arguments);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().expect("it can be started");
    let mut stdin = child.stdin.take().expect("piped");
    writeln!(stdin, "{input}").expect("it reads");
    drop(stdin);
    child.wait_with_output().expect("it ends")
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn people_are_made_by_command_over_tls_and_it_goes_on_record() {
    let port = free_port();
    let installation = Installation::with_page(port, &sump("lathe-1"));
    let configuration = fs::read_to_string(installation.configuration()).expect("written");
    let url = format!("[web]\ntls = \"own\"\npublic_url = \"https://sumps.example:{port}\"\n");
    fs::write(installation.configuration(), configuration.replace("[web]\n", &url)).expect("written");
    let daemon = installation.run();

    let common = piped(&installation, &["add", "kim", "--role", "manage"], "password1");
    assert!(!common.status.success() && said(&common).contains("first ones"), "{}", said(&common));
    let made = add_person(&installation, "kim", "manage");
    assert!(made.status.success() && said(&made).contains("kim can log in"), "{}", said(&made));
    let listed = installation.command("people", &[]);
    assert!(
        listed.status.success() && said(&listed).contains("kim") && said(&listed).contains("manage"),
        "{}",
        said(&listed)
    );
    let last = installation.command("people", &["remove", "kim"]);
    assert!(said(&last).contains("the last one who may manage"), "{}", said(&last));

    // OpenSSL trusts this one certificate, by name, and no old TLS.
    let talk = |more: &[&str]| {
        let mut command = Command::new(tool("openssl"));
        command.args([
            "s_client",
            "-connect",
            &format!("127.0.0.1:{port}"),
            "-verify_return_error",
            "-CAfile",
        ]);
        command.arg(installation.path("data/page-certificate.pem")).args(more);
        command.stdin(Stdio::null()).output().expect("openssl runs").status.success()
    };
    assert!(
        talk(&["-verify_hostname", "sumps.example"]) && talk(&["-verify_hostname", "localhost", "-tls1_2"])
    );
    assert!(!talk(&["-verify_hostname", "evil.example"]) && !talk(&["-tls1_1"]));

    let sheet = installation.path("stickers.html");
    let printed = installation.command("labels", &["--output", sheet.to_str().expect("UTF-8")]);
    assert!(printed.status.success() && !said(&printed).contains("no codes"), "{}", said(&printed));
    let checked = said(&installation.command("check", &["--store"]));
    assert!(checked.contains("record of deeds: ") && checked.contains("none missing"), "{checked}");

    let record = installation.path("data/deeds.jsonl");
    let text = fs::read_to_string(&record).expect("kept");
    assert!(text.contains("kim made") && !text.contains(PASSWORD), "{text}");
    fs::write(&record, text.replace("kim made", "eve made")).expect("written");
    let checked = installation.command("check", &["--store"]);
    assert!(
        !checked.status.success() && said(&checked).contains("its seal does not fit"),
        "{}",
        said(&checked)
    );
    drop(daemon);
}
