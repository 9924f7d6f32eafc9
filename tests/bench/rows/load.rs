//! Rows against a peer and bare sockets: devices polled at full speed, and five hundred once a second.
//!
//! Contenders of a row take turns round by round, so that whatever else the machine does meets them alike; a row shows
//! the median of the rounds.

use std::error::Error;
use std::process::Command;
use std::time::Duration;

use super::Stage;
use crate::beat::{self, Beat};
use crate::contest::{self, Speed};
use crate::devices::Devices;
use crate::gateway::{self, Job, Ready};
use crate::peer;
use crate::quantiles::median;
use crate::starts::Told;
use crate::table::{Report, Row};
use crate::wire::REGISTERS;

/// Devices polled as fast as possible.
const DEVICES_FAST: usize = 200;
/// Devices polled once a second.
const DEVICES_BEAT: usize = 500;
/// The shortest period the configuration takes: at full speed every poll is late, and late ones are skipped.
const SHORTEST: Duration = Duration::from_millis(1);

impl Stage {
    pub(super) fn written(&self, report: &mut Report) -> Result<(), Box<dyn Error>> {
        let mut devices = Devices::start(DEVICES_FAST)?;
        let (mut ours, mut peer) = (Vec::new(), Vec::new());
        for round in 0..self.plan.pace.rounds {
            eprintln!("full speed with store and sink, round {}", round + 1);
            let ports = devices.ports.clone();
            let mut gateway = self.gateway(&Job::all(&ports, "1 ms", &self.sink.url))?;
            ours.push(contest::run(&mut gateway.command, &mut devices, Some(&self.sink), self.plan.pace)?);
            let mut python = self.peer(&devices, true, None);
            peer.push(contest::run(&mut python, &mut devices, Some(&self.sink), self.plan.pace)?);
        }
        let of = |speeds: &[Speed], figure: fn(&Speed) -> f64| median(speeds.iter().map(figure).collect());
        report.rows.push(
            Row::new("1  registers read, converted, stored, written out / CPU s")
                .ours(of(&ours, Speed::written_per_cpu_second))
                .peer(of(&peer, Speed::written_per_cpu_second))
                .times_the_peer(5.0),
        );
        report.rows.push(
            Row::new("     read requests so served / CPU s")
                .ours(of(&ours, |s| s.written_per_cpu_second() / f64::from(REGISTERS)))
                .peer(of(&peer, |s| s.written_per_cpu_second() / f64::from(REGISTERS))),
        );
        report.rows.push(
            Row::new("     registers read / s of wall time")
                .ours(of(&ours, Speed::registers_per_second))
                .peer(of(&peer, Speed::registers_per_second)),
        );
        report.rows.push(
            Row::new("     lines written / register read")
                .ours(of(&ours, |s| s.lines / s.registers))
                .peer(of(&peer, |s| s.lines / s.registers)),
        );
        Ok(())
    }

    pub(super) fn polled(&self, report: &mut Report) -> Result<(), Box<dyn Error>> {
        let mut devices = Devices::start(DEVICES_FAST)?;
        let ports = devices.port_list();
        let (mut ours, mut peer, mut bound) = (Vec::new(), Vec::new(), Vec::new());
        for round in 0..self.plan.pace.rounds {
            eprintln!("full speed, polling and converting, round {}", round + 1);
            let mut sockets = Command::new(&self.bench);
            sockets.args(["bound", &ports]);
            bound.push(contest::run(&mut sockets, &mut devices, None, self.plan.pace)?);
            let mut polling = Command::new(&self.bench);
            polling.args(["poll", &SHORTEST.as_micros().to_string(), &ports]);
            ours.push(contest::run(&mut polling, &mut devices, None, self.plan.pace)?);
            let mut python = self.peer(&devices, false, None);
            peer.push(contest::run(&mut python, &mut devices, None, self.plan.pace)?);
        }
        let of = |speeds: &[Speed], figure: fn(&Speed) -> f64| median(speeds.iter().map(figure).collect());
        report.rows.push(
            Row::new("2  registers read, converted / CPU s")
                .ours(of(&ours, Speed::registers_per_cpu_second))
                .peer(of(&peer, Speed::registers_per_cpu_second))
                .bound(of(&bound, Speed::registers_per_cpu_second))
                .percent_of_the_bound(60.0),
        );
        report.rows.push(
            Row::new("     registers read / s of wall time")
                .ours(of(&ours, Speed::registers_per_second))
                .peer(of(&peer, Speed::registers_per_second))
                .bound(of(&bound, Speed::registers_per_second)),
        );
        Ok(())
    }

    pub(super) fn beat(&self, report: &mut Report) -> Result<(), Box<dyn Error>> {
        let mut devices = Devices::start(DEVICES_BEAT)?;
        let (warm_up, window) = (self.plan.beat_warm_up, self.plan.beat_window);
        eprintln!("500 devices at 1 Hz, ours");
        let ports = devices.ports.clone();
        let mut gateway = self.gateway(&Job::all(&ports, "1 s", &self.sink.url))?;
        let told = Told::Metrics(gateway.page);
        let ours = beat::run(&mut gateway.command, told, &mut devices, &self.sink, warm_up, window)?;
        eprintln!("500 devices at 1 Hz, the peer");
        let mut python = self.peer(&devices, true, Some(1.0));
        let peer = beat::run(&mut python, Told::AtTheEnd, &mut devices, &self.sink, warm_up, window)?;
        let both = |what: &str, figure: &dyn Fn(&Beat) -> Option<f64>| {
            Row::new(what).ours(figure(&ours)).peer(figure(&peer))
        };
        const MIB: f64 = 1024.0 * 1024.0;
        let rows = &mut report.rows;
        rows.push(
            both("3  CPU at 500 devices × 10 registers at 1 Hz, % of a core", &|b| Some(b.cpu_percent))
                .at_most(4.0),
        );
        rows.push(both("     resident memory, peak, MiB", &|b| Some(b.rss_peak as f64 / MIB)).at_most(25.0));
        rows.push(both("     resident memory at the end, MiB", &|b| Some(b.rss_steady as f64 / MIB)));
        rows.push(both("     polls made / polls due", &|b| Some(b.kept)));
        rows.push(both("     lines written / register read", &|b| Some(b.written)));
        rows.push(both("4  poll start, actual − planned, p99, ms", &|b| Some(b.starts?.p99)).at_most(0.25));
        rows.push(both("     p99.9, ms", &|b| Some(b.starts?.p999)).at_most(1.0));
        rows.push(both("     seen by the devices, behind the beat, p99, ms", &|b| Some(b.on_the_wire?.p99)));
        rows.push(both("     seen by the devices, p99.9, ms", &|b| Some(b.on_the_wire?.p999)));
        Ok(())
    }

    fn gateway(&self, job: &Job<'_>) -> Result<Ready, Box<dyn Error>> {
        gateway::prepare(&self.binary, &self.folder, job)
    }

    fn peer(&self, devices: &Devices, writes: bool, period: Option<f64>) -> Command {
        let sink = writes.then_some(self.sink.url.as_str());
        peer::command(&self.repository, &self.python, &devices.port_list(), sink, period)
    }
}
