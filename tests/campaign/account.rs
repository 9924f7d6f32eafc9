//! The end of a campaign: everything is let through, then what devices, publisher and alarms gave is compared one by one
//! with what is stored, what the database has and what the receiver heard.

use std::collections::{BTreeMap, BTreeSet};
use std::thread::sleep;
use std::time::{Duration, Instant};

use rusqlite::{Connection, OpenFlags};
use sumpwarden::edge::store::OUTBOX_DONE_MAX;
use sumpwarden_tests::gateway::Stored;

use super::others::{PointKey, raw_point};
use super::plant::{COUNTING, MOMENT, PUBLISHED, Plant};
use super::witness::{WAS_DURABLE, counted};

/// What is said of a number that no device sent whole.
pub(crate) const FOREIGN: &str = "stored and never answered whole";
/// What is said of a point that is stored and not forwarded.
pub(crate) const NEVER_CAME: &str = "never came to the database";
/// What is said of a message that nobody owed.
pub(crate) const NOT_OWED: &str = "was told and is not in the outbox";

/// What was counted, and all that is wrong.
#[derive(Clone, Debug, Default)]
pub(crate) struct Account {
    /// Numbers that devices and broker gave.
    pub(crate) answered: u64,
    /// Numbers stored.
    pub(crate) stored: u64,
    /// Numbers that were never durable: their loss was never promised not to happen.
    pub(crate) volatile: u64,
    /// Points the database has.
    pub(crate) forwarded: u64,
    /// Points set aside with a reason.
    pub(crate) set_aside: u64,
    /// Points that came to the database more than once, with the same stamp.
    pub(crate) twice: u64,
    /// Messages to the receiver: rows owed.
    pub(crate) messages: u64,
    /// Messages that came more than once.
    pub(crate) messages_twice: u64,
    /// What had been promised and is not there: one line each.
    pub(crate) lost: Vec<String>,
    /// Whatever else is not as it was promised.
    pub(crate) wrong: Vec<String>,
}

/// What is said where stamps do not rise with a device's numbers.
pub(crate) const OUT_OF_ORDER: &str = "numbers are not in the order of their stamps";

/// Lets everything through and counts.
pub(crate) fn close(plant: &mut Plant) -> Account {
    let mut account = Account::default();
    if !plant.runs() {
        plant.start();
    }
    wait_for_each(plant);
    plant.calm();
    let published = plant.end_publisher();
    wait_for_messages(plant, &published, &mut account);
    end_well(plant, &mut account);
    // What comes now is only what is owed.
    plant.devices_off();
    let mut command = plant.program();
    let daemon = plant.installation.run_as(&mut command);
    drain(plant, &mut account);
    let (status, log) = daemon.terminate();
    if status.code() != Some(0) {
        account.wrong.push(format!("it ended with {status}: {}", log.last().cloned().unwrap_or_default()));
    }
    match plant.witness.soundness() {
        Ok(word) if word == "ok" => {}
        other => account.wrong.push(format!("the file is damaged: {other:?}")),
    }
    count(plant, &published, &mut account);
    account
}

/// So that there is something to account for, however short the campaign was.
fn wait_for_each(plant: &mut Plant) {
    let deadline = Instant::now() + MOMENT;
    let missing = |plant: &Plant| {
        (plant.parts.alarms && plant.durable.outbox.is_empty())
            || (plant.parts.broker && plant.published().is_empty())
    };
    while missing(plant) && Instant::now() < deadline {
        plant.pass(Duration::from_millis(100));
    }
}

fn end_well(plant: &mut Plant, account: &mut Account) {
    let asked = Instant::now();
    let (status, log) = plant.take().terminate();
    if status.code() != Some(0) || log.iter().any(|line| line.contains("left behind")) {
        account.wrong.push(format!("a clean stop took {:?} and ended with {status}", asked.elapsed()));
    }
}

/// The broker delivers what it holds; until the last number that it took is stored.
fn wait_for_messages(plant: &mut Plant, published: &[u32], account: &mut Account) {
    let deadline = Instant::now() + MOMENT;
    let missing = |plant: &Plant| -> Vec<u32> {
        let none = BTreeSet::new();
        let held = plant.durable.numbers.get(PUBLISHED).unwrap_or(&none);
        published.iter().filter(|number| !held.contains(number)).copied().collect()
    };
    plant.look();
    loop {
        let missing = missing(plant);
        let Some(first) = missing.first() else { return };
        if Instant::now() > deadline {
            account.wrong.push(format!(
                "{} of {} messages that the broker has did not become durable in a minute: {:?}; {first} {}; \
                 logs: {}",
                missing.len(),
                published.len(),
                &missing[..missing.len().min(5)],
                plant.story(PUBLISHED, *first),
                plant.keep_logs().display(),
            ));
            return;
        }
        plant.pass(Duration::from_millis(300));
    }
}

/// Until outbox and forwarder owe nothing.
fn drain(plant: &mut Plant, account: &mut Account) {
    let deadline = Instant::now() + MOMENT;
    loop {
        let there = arrived(plant);
        sleep(Duration::from_secs(1));
        plant.look();
        let pending = plant.witness.pending();
        let still = arrived(plant) == there;
        let missing = plant.durable.len().saturating_sub(there + set_aside(plant).len() as u64);
        if matches!(pending, Ok(0)) && still && missing == 0 {
            return;
        }
        if Instant::now() > deadline {
            account.wrong.push(format!("owed for a minute: {pending:?} messages, {missing} points"));
            return;
        }
    }
}

/// Identities that the database has.
fn arrived(plant: &Plant) -> u64 {
    plant.database.points().keys().filter(|key| ours(key)).count() as u64
}

/// Whether a point of the database is an identity.
fn ours((probe, _): &PointKey) -> bool {
    counted(&format!("probe/s/{probe}")).is_some()
}

/// Points that the forwarder set aside.
fn set_aside(plant: &Plant) -> BTreeSet<PointKey> {
    let file = plant.installation.path("data").join("store.sqlite");
    let read = || -> rusqlite::Result<BTreeSet<PointKey>> {
        let connection = Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        let mut statement = connection.prepare("SELECT line FROM parked")?;
        let lines = statement.query_map([], |row| row.get::<_, String>(0))?;
        Ok(lines.flatten().filter_map(|line| Some(raw_point(&line)?.0)).collect())
    };
    read().unwrap_or_default()
}

fn count(plant: &Plant, published: &[u32], account: &mut Account) {
    let aside = set_aside(plant);
    let outbox = outbox(plant);
    let stored = plant.installation.stored();
    compare_answered(plant, &stored, published, account);
    compare_forwarded(plant, &stored, &aside, account);
    compare_told(plant, &outbox, account);
    refuse_emptiness(plant, account);
}

/// Where nothing was given, stored, forwarded or told, nothing is shown.
fn refuse_emptiness(plant: &Plant, account: &mut Account) {
    let parts = [
        ("stored", account.stored, true),
        ("forwarded", account.forwarded, true),
        ("told", account.messages, plant.parts.alarms),
    ];
    for (what, count, wanted) in parts {
        if wanted && count == 0 {
            account.wrong.push(format!("nothing was {what}: this shows nothing"));
        }
    }
}

/// Everything that was seen durable is there; nothing is there that nobody gave; in order; messages each once.
fn compare_answered(plant: &Plant, stored: &Stored, published: &[u32], account: &mut Account) {
    let mut given = plant.answered();
    if plant.broker.is_some() {
        given.insert(PUBLISHED.to_owned(), published.to_vec());
    }
    for (probe, given) in &given {
        if given.is_empty() {
            account.wrong.push(format!("{probe} gave nothing: this shows nothing"));
        }
        let in_order = stored.raw(&format!("probe/s/{probe}"));
        let held: BTreeSet<u32> = in_order.iter().copied().collect();
        let all: BTreeSet<u32> = given.iter().copied().collect();
        account.answered += all.len() as u64;
        account.stored += held.len() as u64;
        let durable = plant.durable.numbers.get(probe).cloned().unwrap_or_default();
        account.lost.extend(
            durable
                .difference(&held)
                .map(|number| format!("{probe} {number} {}", plant.story(probe, *number))),
        );
        if held.len() != in_order.len() {
            account.wrong.push(format!("{probe}: not each number once"));
        }
        if probe != PUBLISHED && !in_order.is_sorted() {
            account.wrong.push(format!("{probe}: {OUT_OF_ORDER}"));
        }
        if probe == PUBLISHED {
            // At least once from the broker, once by their time.
            let missing = all.difference(&held);
            account.lost.extend(missing.map(|number| {
                format!("message {number}, which the broker had, {}", plant.story(probe, *number))
            }));
        } else {
            account.volatile += all.difference(&held).count() as u64;
            let foreign: Vec<_> = held.difference(&all).take(3).collect();
            if !foreign.is_empty() {
                account.wrong.push(format!("{probe}: {FOREIGN}: {foreign:?}"));
            }
        }
    }
}

fn compare_forwarded(plant: &Plant, stored: &Stored, aside: &BTreeSet<PointKey>, account: &mut Account) {
    let arrived = plant.database.points();
    let mut held = BTreeMap::new();
    for (series, points) in &stored.points {
        let Some(probe) = counted(series) else { continue };
        let points = points.iter().filter_map(|point| Some((point.at.as_nanos(), point.raw?)));
        held.extend(points.map(|(at, raw)| ((probe.to_owned(), at), raw)));
    }
    account.set_aside = held.keys().filter(|key| aside.contains(*key)).count() as u64;
    account.forwarded = held.keys().filter(|key| arrived.contains_key(*key)).count() as u64;
    account.twice = plant.database.twice();
    for (key, raw) in &held {
        match arrived.get(key) {
            Some(there) if there == raw => {}
            Some(there) => account.wrong.push(format!("{key:?}: stored {raw}, the database has {there}")),
            None if aside.contains(key) => {}
            None => account.lost.push(format!("{key:?} {raw} {NEVER_CAME}")),
        }
    }
    let foreign: Vec<_> =
        arrived.keys().filter(|key| ours(key)).filter(|key| !held.contains_key(*key)).take(3).collect();
    if !foreign.is_empty() {
        account.lost.push(format!("the database has what the store has lost: {foreign:?}"));
    }
}

/// Rows from which on the oldest of the outbox may be gone. Those done at one moment go together, so a few less may be left
/// than it keeps.
const OUTBOX_FULL: usize = OUTBOX_DONE_MAX as usize - 500;

/// Rows of the outbox: key, number, action.
fn outbox(plant: &Plant) -> Vec<(String, u64, String)> {
    let file = plant.installation.path("data").join("store.sqlite");
    let read = || -> rusqlite::Result<Vec<_>> {
        let connection = Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        let mut statement = connection.prepare("SELECT key, sequence, action FROM outbox ORDER BY id")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        rows.collect()
    };
    read().unwrap_or_default()
}

/// Every row arrived, nothing else did, each alarm's in order.
fn compare_told(plant: &Plant, owed: &[(String, u64, String)], account: &mut Account) {
    let log = plant.receiver.log();
    let arrived: BTreeSet<_> = log.iter().collect();
    let mut rows: BTreeSet<_> = owed.iter().collect();
    if owed.len() > OUTBOX_FULL {
        // The oldest have been swept out on purpose; that each was still there after every fault was checked then.
        rows.extend(&plant.durable.outbox);
    }
    account.messages = rows.len() as u64;
    account.messages_twice = (log.len() - arrived.len()) as u64;
    let seen = plant.durable.outbox.iter().filter(|row| !rows.contains(row));
    account.lost.extend(seen.map(|row| format!("row {row:?} {WAS_DURABLE}")));
    account.lost.extend(rows.difference(&arrived).map(|row| format!("{row:?} was never told")));
    account.lost.extend(arrived.difference(&rows).map(|row| format!("{row:?} {NOT_OWED}")));
    let (mut last, mut told) = (BTreeMap::new(), BTreeSet::new());
    for item @ (key, sequence, _) in &log {
        if told.insert(item) && last.insert(key, *sequence).is_some_and(|before| before > *sequence) {
            account.wrong.push(format!("{item:?} came after a later one"));
        }
    }
}

/// Polls of the counting devices in a second.
pub(crate) fn polls_per_second() -> u64 {
    COUNTING.iter().map(|(_, period)| u64::from(1000 / period)).sum()
}
