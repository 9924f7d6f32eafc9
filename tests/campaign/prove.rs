//! Campaigns on builds that break a promise on purpose: each must complain of that promise, or it proves nothing.

use std::error::Error;
use std::path::PathBuf;

use sumpwarden_tests::gateway::program_with_faults;

use super::account::{FOREIGN, NEVER_CAME, NOT_OWED};
use super::catalogue::Catalogue;
use super::plant::Build;
use super::witness::WAS_DURABLE;
use super::{Arguments, BROKE_OFF, Run, database, modbus, one, power, process, say};

/// A build that breaks a promise: a name, what is broken, and the campaign that must see it.
struct Broken {
    what: &'static str,
    campaign: (&'static str, Run),
    build: fn() -> Result<Build, Box<dyn Error>>,
    /// Words of the complaint that this promise is broken.
    complaint: &'static str,
}

/// The library that turns syncs into nothing.
fn without_syncs() -> Result<Build, Box<dyn Error>> {
    let places = ["x86_64-linux-gnu", "aarch64-linux-gnu"];
    let mut files = places.iter().map(|place| PathBuf::from(format!("/usr/lib/{place}/libeatmydata.so")));
    let file = files
        .find(|file| file.is_file())
        .ok_or("eatmydata is not installed: tests/run --prepare installs it")?;
    let preload = ("LD_PRELOAD".to_owned(), file.to_str().ok_or("no text")?.to_owned());
    Ok(Build { program: None, variables: vec![preload] })
}

/// The gateway with its feature that breaks promises, and the words that say which.
fn told(words: &str) -> Result<Build, Box<dyn Error>> {
    Ok(Build {
        program: Some(program_with_faults().to_owned()),
        variables: vec![("SUMPWARDEN_FAULTS".to_owned(), words.to_owned())],
    })
}

const BROKEN: [Broken; 5] = [
    Broken {
        what: "syncs do nothing",
        campaign: ("power", power::cut),
        build: without_syncs,
        complaint: WAS_DURABLE,
    },
    Broken {
        what: "the store does not sync",
        campaign: ("power", power::cut),
        build: || told("skip-sync@store"),
        complaint: WAS_DURABLE,
    },
    Broken {
        what: "the cursor moves before the database has answered",
        campaign: ("database", database::moods),
        build: || told("early-cursor@forwarder"),
        complaint: NEVER_CAME,
    },
    Broken {
        what: "messages go under a key of their own",
        campaign: ("kill", process::kill),
        build: || told("random-key@outbox"),
        complaint: NOT_OWED,
    },
    Broken {
        what: "any reply is taken for the one that was asked for",
        campaign: ("device-replies", modbus::replies),
        build: || told("any-reply@modbus"),
        complaint: FOREIGN,
    },
];

/// Runs each; whether all were seen.
pub(crate) fn prove(arguments: &Arguments) -> Result<bool, Box<dyn Error>> {
    let catalogue = Catalogue::read()?;
    let mut all = true;
    for broken in &BROKEN {
        let build = (broken.build)()?;
        let (name, run) = broken.campaign;
        let outcome = one(arguments, name, run, &catalogue, &build);
        // A campaign that broke off has shown nothing.
        let complaint =
            outcome.complaint(broken.complaint).filter(|_| outcome.complaint(BROKE_OFF).is_none());
        let found = complaint.is_some();
        say(&format!(
            "{}: {name} reported {} lost and {} wrong in {} faults: {}",
            broken.what,
            outcome.lost,
            outcome.wrong.len(),
            outcome.injected,
            if found { "it would be seen" } else { "NOT SEEN" }
        ));
        // What it said instead says why it was not seen.
        let instead = outcome.lost_first.iter().chain(&outcome.wrong).filter(|_| !found);
        for what in complaint.into_iter().chain(instead.take(2)) {
            say(&format!("    {what}"));
        }
        all &= found;
    }
    Ok(all)
}
