//! Points and journal records that were stamped while the clock was not believed, and what becomes of them.
//!
//! They lie in tables of their own, under the boot of the machine they belong to and the zero of its monotonic clock by which
//! they were stamped. Nobody who forwards, packs, reports or draws looks there. Once the clock of that boot is believed, each
//! row becomes a commit like any other, with its stamps put right, in the transaction that takes it away here: after a kill in
//! the middle it stands in one place or in the other. What an earlier boot left behind can never be dated. It is set aside for
//! good, with the two moments between which it must lie; it is counted, exported, and goes by the rules of age and room.
//!
//! Where the clock of a boot has its zero is written down as soon as it is known, in `meta` under `boot` and its name, until
//! nothing is left that needs it: should the machine be switched off before all is dated, the next boot goes on with it.

use std::sync::Arc;
use std::time::{Duration, Instant};

use rusqlite::{Connection, TransactionBehavior, params};
use sumpwarden_core::model::{Timestamp, Uptime, Zero};
use sumpwarden_core::store::batch::{self, Batch};
use sumpwarden_core::store::{JournalRecord, Point, RecordKind};

use super::super::clock::Clock;
use super::inbox::Row;
use super::locked;
use super::records::append_journal;
use super::writer::{Writer, body_of, insert_batch};
use crate::faults;

/// Since version 3. `not_after` is set where the boot is over; then nothing here moves any more.
pub(super) const TABLES: &str = "
CREATE TABLE undated(
    id INTEGER PRIMARY KEY AUTOINCREMENT, boot TEXT NOT NULL, zero INTEGER NOT NULL, first_at INTEGER NOT NULL,
    last_at INTEGER NOT NULL, count INTEGER NOT NULL, not_after INTEGER, body BLOB NOT NULL);
CREATE TABLE undated_journal(
    id INTEGER PRIMARY KEY, boot TEXT NOT NULL, zero INTEGER NOT NULL, not_after INTEGER);
";

/// Points that become one commit when they are dated.
const SLICE_POINTS: u64 = 20_000;
/// Journal records that are dated at once.
const SLICE_RECORDS: u32 = 1_000;
/// So long dating goes ahead of what comes in: in order it is quick, and behind newer points it is not.
const AHEAD_FOR: Duration = Duration::from_secs(2);

/// A clock that is not believed: how what comes in meanwhile is stamped.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Doubted {
    /// The boot of the machine.
    pub boot: Arc<str>,
    /// Where its monotonic clock's zero was laid.
    pub zero: Zero,
    /// When that began, under this zero: what carries an earlier stamp was dated by somebody else.
    pub since: Timestamp,
}

/// A clock that is believed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Believed {
    /// The boot of the machine.
    pub boot: Arc<str>,
    /// Where its monotonic clock's zero lies.
    pub zero: Zero,
}

/// A batch on its way into the table.
#[derive(Debug)]
pub(super) struct Undated {
    pub(super) batch: Batch,
    pub(super) of: Doubted,
}

/// How many points lie here.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct UndatedPoints {
    /// They are dated once the clock is believed.
    pub waiting: u64,
    /// They never can be.
    pub aside: u64,
}

pub(super) fn count(connection: &Connection) -> rusqlite::Result<UndatedPoints> {
    connection.query_row(
        "SELECT coalesce(sum(count) FILTER (WHERE not_after IS NULL), 0),
                coalesce(sum(count) FILTER (WHERE not_after IS NOT NULL), 0) FROM undated",
        [],
        |row| Ok(UndatedPoints { waiting: row.get(0)?, aside: row.get(1)? }),
    )
}

/// The latest moment that is known from what lies here: its stamps are the earliest they can be.
pub(super) fn newest(connection: &Connection) -> rusqlite::Result<Option<Timestamp>> {
    let at: Option<i64> = connection.query_row("SELECT max(last_at) FROM undated", [], |row| row.get(0))?;
    Ok(at.map(Timestamp::from_nanos))
}

pub(super) fn insert(connection: &Connection, undated: &Undated) -> rusqlite::Result<()> {
    let Undated { batch, of } = undated;
    connection
        .prepare_cached(
            "INSERT INTO undated(boot, zero, first_at, last_at, count, body) VALUES(?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            &*of.boot,
            of.zero.as_nanos(),
            batch.first_at.as_nanos(),
            batch.last_at.as_nanos(),
            batch.count,
            batch.body
        ])?;
    Ok(())
}

/// Remembers that the journal record that was appended last carries a stamp of this doubted clock.
pub(super) fn mark_record(connection: &Connection, of: &Doubted) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT INTO undated_journal(id, boot, zero) VALUES(last_insert_rowid(), ?, ?)")?
        .execute(params![&*of.boot, of.zero.as_nanos()])?;
    Ok(())
}

/// Whether the newest row here is this one.
pub(super) fn is_newest(connection: &Connection, undated: &Undated) -> rusqlite::Result<bool> {
    connection.query_row(
        "SELECT EXISTS(SELECT 1 FROM undated WHERE id = (SELECT max(id) FROM undated) AND body = ?)",
        [&undated.batch.body],
        |row| row.get(0),
    )
}

/// Dates what can be dated, once the clock is believed.
#[derive(Debug, Default)]
pub(super) struct Dater {
    believed: Option<Believed>,
    stage: Stage,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum Stage {
    #[default]
    Idle,
    EarlierBoots,
    Points,
    Journal,
}

impl Dater {
    /// The clock is believed from now on.
    pub(super) fn begin(&mut self, believed: Believed) {
        *self = Self { believed: Some(believed), stage: Stage::EarlierBoots };
    }

    /// Another file is open: it may hold something.
    pub(super) fn begin_again(&mut self) {
        if self.believed.is_some() {
            self.stage = Stage::EarlierBoots;
        }
    }

    /// One slice; true if there is more.
    fn work(&mut self, writer: &mut Writer) -> rusqlite::Result<bool> {
        let Some(believed) = &self.believed else { return Ok(false) };
        match self.stage {
            Stage::Idle => return Ok(false),
            Stage::EarlierBoots => {
                write_down(&writer.connection, believed)?;
                set_aside(writer, believed)?;
                self.stage = Stage::Points;
            }
            Stage::Points => {
                if !date_points(writer)? {
                    self.stage = Stage::Journal;
                }
            }
            Stage::Journal => {
                if !date_records(writer)? {
                    forget(&writer.connection)?;
                    tell(writer)?;
                    self.stage = Stage::Idle;
                }
            }
        }
        Ok(self.stage != Stage::Idle)
    }
}

/// What has been dated and not been told yet, counted with every commit of it: whoever is killed in between tells it later.
const DATED: [&str; 2] = ["dated samples", "dated records"];

fn count_dated(connection: &Connection, what: &str, more: u64) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO meta(name, value) VALUES(?1, ?2) ON CONFLICT(name) DO UPDATE SET value = value + ?2",
        )?
        .execute(params![what, more])?;
    Ok(())
}

fn tell(writer: &mut Writer) -> rusqlite::Result<()> {
    let counted = |what: &str| {
        let select = "SELECT coalesce((SELECT value FROM meta WHERE name = ?), 0)";
        writer.connection.query_row(select, [what], |row| row.get::<_, u64>(0))
    };
    let (points, records) = (counted(DATED[0])?, counted(DATED[1])?);
    if points + records == 0 {
        return Ok(());
    }
    tracing::info!(points, records, "what came while the clock was not set is dated");
    let text = format!(
        "{points} samples and {records} records that came while the clock was not set have their true time"
    );
    // In one commit: neither never nor twice.
    let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let at = append_journal(&transaction, &of_the_clock("dated", text), writer.last_journal_at)?;
    let id = transaction.last_insert_rowid();
    transaction.execute("DELETE FROM meta WHERE name IN (?, ?)", DATED)?;
    transaction.commit()?;
    (writer.last_journal_at, writer.last_journal) = (at, id);
    Ok(())
}

impl Writer {
    /// Dates for a while what waits for it, before anything newer is written.
    pub(super) fn date(&mut self) {
        if !self.is_attached() || !self.reserve.hold() {
            return;
        }
        let until = Instant::now() + AHEAD_FOR;
        let mut dater = std::mem::take(&mut self.dater);
        let outcome = loop {
            self.shared.alive.beat();
            match dater.work(self) {
                Ok(true) if Instant::now() < until => {}
                other => break other,
            }
        };
        self.dater = dater;
        if let Err(error) = outcome {
            self.face(error);
        }
    }
}

/// Rows whose clock is known by now, with its zero.
const DATABLE: &str = "JOIN meta ON meta.name = 'boot ' || boot WHERE not_after IS NULL";
/// Rows whose clock nobody knows.
const UNKNOWN: &str =
    "not_after IS NULL AND NOT EXISTS (SELECT 1 FROM meta WHERE meta.name = 'boot ' || boot)";

fn write_down(connection: &Connection, believed: &Believed) -> rusqlite::Result<()> {
    let waits: bool = connection.query_row(
        "SELECT EXISTS (SELECT 1 FROM undated WHERE not_after IS NULL)
             OR EXISTS (SELECT 1 FROM undated_journal WHERE not_after IS NULL)",
        [],
        |row| row.get(0),
    )?;
    if waits {
        connection.execute(
            "INSERT OR REPLACE INTO meta(name, value) VALUES('boot ' || ?, ?)",
            params![&*believed.boot, believed.zero.as_nanos()],
        )?;
    }
    Ok(())
}

/// Nothing is left that needs them.
fn forget(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM meta WHERE name LIKE 'boot %'", [])?;
    Ok(())
}

/// What boots left whose clock was never set is out of reach: it lies before this one began.
fn set_aside(writer: &mut Writer, believed: &Believed) -> rusqlite::Result<()> {
    let began = believed.zero.at(Uptime::default());
    let found: (u64, u64, Option<i64>) = writer.connection.query_row(
        &format!("SELECT count(*), coalesce(sum(count), 0), min(first_at) FROM undated WHERE {UNKNOWN}"),
        [],
        |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
    )?;
    let count = format!("SELECT count(*) FROM undated_journal WHERE {UNKNOWN}");
    let records: u64 = writer.connection.query_row(&count, [], |row| row.get(0))?;
    if found.0 + records == 0 {
        return Ok(());
    }
    let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for table in ["undated", "undated_journal"] {
        transaction
            .execute(&format!("UPDATE {table} SET not_after = ? WHERE {UNKNOWN}"), [began.as_nanos()])?;
    }
    transaction.commit()?;
    let points = found.1;
    tracing::warn!(points, records, "what an earlier start of the machine left undated cannot be dated");
    let from = found.2.map_or(began, Timestamp::from_nanos);
    let text = format!(
        "{points} samples and {records} records of an earlier start of the machine, whose clock was never set, cannot be dated: \
         they lie between {} and {}. They are set aside and can be exported",
        from.floor_to_millis(),
        began.floor_to_millis()
    );
    let record = of_the_clock("not dated", text);
    writer.last_journal_at = append_journal(&writer.connection, &record, writer.last_journal_at)?;
    writer.last_journal = writer.connection.last_insert_rowid();
    recount(writer)
}

fn moved(own: Zero, at: Timestamp, right: Zero) -> Timestamp {
    if faults::broken("unmoved@clock") { at } else { own.moved(at, right) }
}

/// A journal record of the writer's own.
fn of_the_clock(state: &str, message: String) -> JournalRecord {
    JournalRecord {
        at: Clock.wall(),
        kind: RecordKind::Instrument,
        sump: None,
        subject: "clock".to_owned(),
        state: state.to_owned(),
        priority: None,
        value: None,
        message,
    }
}

fn recount(writer: &Writer) -> rusqlite::Result<()> {
    locked(&writer.shared.status).undated = count(&writer.connection)?;
    Ok(())
}

/// Rows that can be dated, oldest first, as many as make one commit.
struct Slice {
    ids: Vec<i64>,
    damaged: Vec<i64>,
    rows: Vec<Row>,
}

fn slice(connection: &Connection) -> rusqlite::Result<Slice> {
    let mut slice = Slice { ids: Vec::new(), damaged: Vec::new(), rows: Vec::new() };
    let mut select = connection
        .prepare_cached(&format!("SELECT id, zero, meta.value, body FROM undated {DATABLE} ORDER BY id"))?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (id, own) = (row.get(0)?, Zero::from_nanos(row.get(1)?));
        let right = Zero::from_nanos(row.get(2)?);
        match batch::decode(row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?) {
            Ok(points) => {
                slice.ids.push(id);
                slice.rows.extend(points.map(|(series, point)| {
                    let at = moved(own, point.at, right);
                    Row { series, point: Point { at, ..point }, dated: true }
                }));
            }
            Err(_) => slice.damaged.push(id),
        }
        if slice.rows.len() as u64 >= SLICE_POINTS {
            break;
        }
    }
    Ok(slice)
}

/// Makes one commit of the oldest rows; false where nothing is left.
fn date_points(writer: &mut Writer) -> rusqlite::Result<bool> {
    let mut slice = slice(&writer.connection)?;
    if slice.ids.is_empty() && slice.damaged.is_empty() {
        recount(writer)?;
        return Ok(false);
    }
    writer.stamp(&mut slice.rows);
    let batch = body_of(&slice.rows);
    let seq = writer.next_seq;
    let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    if let Some(batch) = &batch {
        insert_batch(&transaction, seq, batch)?;
        count_dated(&transaction, DATED[0], u64::from(batch.count))?;
    }
    for id in &slice.ids {
        transaction.prepare_cached("DELETE FROM undated WHERE id = ?")?.execute([id])?;
    }
    for id in &slice.damaged {
        // It stays, under a name that no boot has.
        transaction.execute("UPDATE undated SET boot = boot || ' damaged' WHERE id = ?", [id])?;
        tracing::error!(id, "a commit that waited for the clock is damaged; it is kept as it is");
    }
    transaction.commit()?;
    if let Some(batch) = batch {
        writer.count_stored(u64::from(batch.count));
    }
    recount(writer)?;
    Ok(true)
}

/// Dates some of the journal; false where nothing is left.
fn date_records(writer: &mut Writer) -> rusqlite::Result<bool> {
    let transaction = writer.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let found: Vec<(i64, i64, i64, Option<i64>)> = transaction
        .prepare_cached(&format!(
            "SELECT undated_journal.id, zero, meta.value, at FROM undated_journal LEFT JOIN journal USING (id) {DATABLE}
             ORDER BY undated_journal.id DESC LIMIT ?"
        ))?
        .query_map([SLICE_RECORDS], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?
        .collect::<Result<_, _>>()?;
    for (id, own, right, at) in &found {
        if let Some(at) = at {
            let [own, right] = [*own, *right].map(Zero::from_nanos);
            let right = own.moved(Timestamp::from_nanos(*at), right);
            move_record(&transaction, *id, right)?;
        }
        transaction.prepare_cached("DELETE FROM undated_journal WHERE id = ?")?.execute([id])?;
    }
    if !found.is_empty() {
        count_dated(&transaction, DATED[1], found.len() as u64)?;
    }
    transaction.commit()?;
    Ok(!found.is_empty())
}

/// No two records share a stamp.
fn move_record(connection: &Connection, id: i64, mut at: Timestamp) -> rusqlite::Result<()> {
    let mut update = connection.prepare_cached("UPDATE OR IGNORE journal SET at = ? WHERE id = ?")?;
    while update.execute(params![at.as_nanos(), id])? == 0 {
        at = at.plus(Duration::from_nanos(1));
    }
    Ok(())
}

/// The number that the next one of these may not reach: a forwarder leaves alone what waits for its date.
pub(super) const OPEN_RECORDS_FROM: &str =
    "coalesce((SELECT min(id) FROM undated_journal WHERE not_after IS NULL), 9223372036854775807)";

/// Drops the oldest rows that were set aside, those not later than `before` if there is one; gives what went.
pub(super) fn drop_oldest(
    connection: &Connection,
    before: Option<Timestamp>,
    waiting_too: bool,
) -> rusqlite::Result<Option<(u64, Timestamp, Timestamp)>> {
    const ROWS: u32 = 500;
    let which =
        "SELECT id FROM undated WHERE (not_after <= ?1 OR ?2 AND not_after IS NULL) ORDER BY id LIMIT ?3";
    let before = before.map_or(i64::MAX, Timestamp::as_nanos);
    let args = params![before, waiting_too, ROWS];
    let found: (u64, Option<i64>, Option<i64>) = connection.query_row(
        &format!(
            "SELECT coalesce(sum(count), 0), min(first_at), max(last_at) FROM undated WHERE id IN ({which})"
        ),
        args,
        |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
    )?;
    let (count, Some(first), Some(last)) = found else { return Ok(None) };
    connection.execute(&format!("DELETE FROM undated WHERE id IN ({which})"), args)?;
    Ok(Some((count, Timestamp::from_nanos(first), Timestamp::from_nanos(last))))
}
