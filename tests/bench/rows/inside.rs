//! Rows without a peer: a serial line against its wire, the estimator, replay, the store, the forwarder, messages, starts,
//! memory over a month, and what there is to install.

use std::error::Error;
use std::fs;
use std::process::Command;
use std::thread;
use std::time::Instant;

use super::Stage;
use crate::alone::figures;
use crate::table::{Report, Row};
use crate::{replay, service};

type Done = Result<(), Box<dyn Error>>;

/// Baud rates, and how much of the line is to be in use, %.
const LINES: [(&str, f64); 3] = [("9600", 98.0), ("19200", 98.0), ("115200", 95.0)];

impl Stage {
    /// Thirty-two devices on a line: with one dead, at first and when that is known, and all alive. The lines with a dead device
    /// go side by side, for they take long and little of the processor.
    pub(super) fn serial(&self, report: &mut Report) -> Done {
        // Once found out, the dead one is asked every 200 s: the window holds one such question.
        let (settle, dead_window, window) = if self.short { ("5", "5", "3") } else { ("250", "200", "30") };
        eprintln!("three lines with a dead device each, {settle} s to settle and {dead_window} s to look");
        let one_dead = |baud: &str| {
            let found = figures(&self.bench, &["serial", baud, "1", settle, dead_window]);
            found.map_err(|e| e.to_string())
        };
        let dead: Vec<_> = thread::scope(|scope| {
            let lines = LINES.map(|(baud, _)| scope.spawn(move || one_dead(baud)));
            lines.into_iter().map(|line| line.join().expect("no panic")).collect::<Result<_, _>>()
        })?;
        for ((baud, least), dead) in LINES.into_iter().zip(dead) {
            eprintln!("a line of {baud} baud, all devices alive");
            let alive = figures(&self.bench, &["serial", baud, "0", "0", window])?;
            let what = format!(
                "5  serial line of {baud} baud in use, one of 32 devices dead, % of what its wire allows"
            );
            report.rows.push(Row::new(&what).ours(Some(dead["percent"])).at_least(least));
            for (what, figure) in [
                (format!("     in the first {dead_window} s"), dead["percent_at_first"]),
                ("     all devices alive".to_owned(), alive["percent"]),
                (
                    "     from a reply to the next request, beyond the silence, median, µs".to_owned(),
                    alive["pause_us"],
                ),
                (
                    "     of it the bench's own device answers late, median, µs".to_owned(),
                    alive["device_late_us"],
                ),
            ] {
                report.rows.push(Row::new(&what).ours(Some(figure)));
            }
        }
        Ok(())
    }

    /// How fast the estimator follows, and a replay.
    pub(super) fn history(&self, report: &mut Report) -> Done {
        eprintln!("the estimator");
        let rounds = if self.short { "1" } else { "5" };
        let found = figures(&self.bench, &["estimator", rounds])?;
        report.rows.push(
            Row::new("6  estimator, sump-hours / CPU s; bound: the readings handed over and forgotten")
                .ours(Some(found["sump_hours_per_second"]))
                .bound(Some(found["handing_over"]))
                .at_least(100_000.0),
        );
        eprintln!("a replay");
        let found = replay::measure(&self.binary, &self.folder, if self.short { 1 } else { 3 })?;
        let what = format!("7  replay of 90 days, {:.0} rows, s", found["rows"]);
        report.rows.push(Row::new(&what).ours(Some(found["wall_s"])).at_most(2.0));
        report.rows.push(Row::new("     of it processor, s").ours(Some(found["cpu_s"])));
        Ok(())
    }

    /// What goes into the store, how small it gets, how fast it comes out.
    pub(super) fn store(&self, report: &mut Report) -> Done {
        let folder = self.folder.to_string_lossy();
        eprintln!("the store");
        let found = figures(&self.bench, &["durable", &folder, if self.short { "40" } else { "400" }])?;
        report.rows.push(
            Row::new("8  samples made durable / s").ours(Some(found["per_second"])).at_least(200_000.0),
        );
        report.rows.push(Row::new("     processor a sample, ns").ours(Some(found["cpu_ns_each"])));
        let found = figures(&self.bench, &["days", &folder, if self.short { "30" } else { "365" }])?;
        report
            .rows
            .push(Row::new("     bytes a sample, packed").ours(Some(found["bytes_each"])).at_most(2.0));
        report.rows.push(Row::new("     bytes a sample, whole file").ours(Some(found["file_bytes_each"])));
        report.rows.push(
            Row::new("     trend of a year at 1 000 points, ms").ours(Some(found["trend_ms"])).at_most(50.0),
        );
        report.rows.push(Row::new("     worst of thirty, ms").ours(Some(found["trend_worst_ms"])));
        report.rows.push(Row::new("     opening with a year inside, ms").ours(Some(found["open_ms"])));
        Ok(())
    }

    /// A large store, copied while it is written, and back.
    pub(super) fn restore(&self, report: &mut Report) -> Done {
        eprintln!("back to a copy");
        let folder = self.folder.to_string_lossy();
        let found = figures(&self.bench, &["restore", &folder, if self.short { "64" } else { "1024" }])?;
        let what = format!(
            "14 back to a copy of {:.0} MiB, {:.0} million points, s; bound: the file copied and synced",
            found["file_mib"],
            found["points"] / 1e6
        );
        let row = Row::new(&what).ours(Some(found["restore_s"])).bound(Some(found["plain_s"]));
        report.rows.push(row.at_most(60.0));
        let row = Row::new("     the copy itself, made and looked through while points come in, s");
        report.rows.push(row.ours(Some(found["snapshot_s"])));
        Ok(())
    }

    /// A day without the database.
    pub(super) fn backlog(&self, report: &mut Report) -> Done {
        eprintln!("a day's backlog");
        let minutes = if self.short { 60 } else { 1_440 };
        let found = service::backlog(&self.binary, &self.folder, &self.sink, minutes)?;
        report.rows.push(
            Row::new("9  backlog of a day drained, times faster than it grew")
                .ours(Some(found["times_faster"]))
                .at_least(20.0),
        );
        report.rows.push(Row::new("     points / s").ours(Some(found["per_second"])));
        report.rows.push(
            Row::new("     live points meanwhile, oldest on arrival, s")
                .ours(Some(found["live_age_max_s"]))
                .at_most(5.0),
        );
        Ok(())
    }

    /// From a reading to a receiver.
    pub(super) fn messages(&self, report: &mut Report) -> Done {
        eprintln!("messages");
        let folder = self.folder.to_string_lossy();
        let found = figures(&self.bench, &["notify", &folder, if self.short { "50" } else { "500" }])?;
        report.rows.push(
            Row::new("10 limit crossed to message handed over, p99, ms")
                .ours(Some(found["p99_ms"]))
                .at_most(250.0),
        );
        report.rows.push(Row::new("     median, ms").ours(Some(found["p50_ms"])));
        Ok(())
    }

    /// How long a start takes, and what is installed.
    pub(super) fn start(&self, report: &mut Report) -> Done {
        eprintln!("starts with a year in the store");
        let (days, rounds) = if self.short { (30, 3) } else { (365, 15) };
        let found = service::start(&self.binary, &self.folder, &self.sink, days, rounds)?;
        report.rows.push(
            Row::new("11 start to first poll, a year of forty probes in the store, ms")
                .ours(Some(found["first_poll_ms"]))
                .at_most(300.0),
        );
        report.rows.push(Row::new("     slowest of fifteen, ms").ours(Some(found["worst_ms"])));
        let bytes = fs::metadata(&self.binary)?.len();
        report.rows.push(Row::new("     program, MiB").ours(Some(bytes as f64 / 1024.0 / 1024.0)));
        Ok(())
    }

    /// Memory over a simulated month.
    pub(super) fn month(&self, report: &mut Report) -> Done {
        eprintln!("a month of two hundred sumps");
        let (sumps, days) = if self.short { ("20", "4") } else { ("200", "30") };
        let found = figures(&self.bench, &["month", &self.folder.to_string_lossy(), sumps, days])?;
        report.rows.push(
            Row::new("12 a month of 200 sumps, engine and store: memory, peak, MiB")
                .ours(Some(found["peak_mib"])),
        );
        report.rows.push(Row::new("     at its end, MiB").ours(Some(found["last_mib"])));
        report.rows.push(Row::new("     growth after the first week, MiB").ours(Some(found["growth_mib"])));
        let row = Row::new("     processor a sump-hour, µs");
        report.rows.push(row.ours(Some(found["cpu_us_per_sump_hour"])));
        report.rows.push(Row::new("     samples / CPU s").ours(Some(found["samples_per_second"])));
        report.rows.push(Row::new("     store, kB a sump-day").ours(Some(found["bytes_per_sump_day"] / 1e3)));
        Ok(())
    }

    /// A clean build of the program, as it is released.
    pub(super) fn build(&self, report: &mut Report) -> Done {
        eprintln!("a clean build");
        let target = self.folder.join("target");
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let began = Instant::now();
        let status = Command::new(cargo)
            .args(["build", "--release", "--locked", "--quiet", "-p", "sumpwarden", "--target-dir"])
            .arg(&target)
            .current_dir(&self.repository)
            .status()?;
        let took = began.elapsed().as_secs_f64();
        fs::remove_dir_all(&target)?;
        if !status.success() {
            return Err(format!("cargo build: {status}").into());
        }
        report.rows.push(Row::new("13 clean release build, s").ours(Some(took)));
        Ok(())
    }
}
