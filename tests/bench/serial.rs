//! How full a serial line is kept: a pseudo-terminal with devices behind it that take the time a real line would.
//!
//! A poll of N registers takes T = 8c + t3.5 + slave + (5 + 2N)c + t3.5, c = 11 / baud (Modbus over serial line V1.02, 2.5.1: eleven
//! bits a character; 3.5 characters of silence, 1.750 ms above 19 200 baud). What the line allows is one poll after the other;
//! a dead device's time-outs count as loss, while the gateway finds out and later on, when it asks seldom. What is lost elsewhere
//! than in the gateway is told beside it: a terminal has a hand-over that no wire has, and the devices of the bench are woken late.

use std::error::Error;
use std::fs::File;
use std::io::{Read, Write};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use sumpwarden::edge::clock::{Clock, PreciseTimer};
use sumpwarden::edge::modbus::{BUS_REPORTS_MAX, BusCounters, BusReport, run_bus};
use sumpwarden_core::acquire::plan::plan;
use sumpwarden_core::acquire::settings::{BusLink, BusSettings, DeviceSettings, Parity, SerialLine};
use sumpwarden_core::model::{BusIndex, Name, Raw};
use sumpwarden_protocol::modbus::rtu::crc16;
use tokio::sync::{mpsc, watch};
use tokio::task::LocalSet;

use crate::alone::{Figures, named};
use crate::polling::device;
use crate::quantiles::median;
use crate::wire::REGISTERS;

/// Devices on the line.
const DEVICES: u8 = 32;
/// How long a device thinks before it answers.
const THINKING: Duration = Duration::from_millis(5);
/// The usual time-outs, as a configuration has them that says nothing.
const TIMEOUT: Duration = Duration::from_millis(500);
const WORST_REPLY: Duration = Duration::from_millis(1000);
/// In no window: the port is opened, the line is quiet for a while.
const WARM_UP: Duration = Duration::from_millis(1500);

/// Polls [`DEVICES`] devices, of which the last `dead` never answer, and looks at two windows of `window`: from the start, and
/// from `settle` on.
pub(crate) fn measure(
    baud: u32,
    dead: u8,
    settle: Duration,
    window: Duration,
) -> Result<Figures, Box<dyn Error>> {
    let line = SerialLine { baud, parity: Parity::Even, stop_bits: 1 };
    let timing = line.timing().ok_or("a baud rate without timing")?;
    let reply = timing.characters(5 + 2 * usize::from(REGISTERS));
    let before_reply = timing.characters(8) + timing.t3_5() + THINKING + reply;
    let (port, late) = serve(before_reply, DEVICES - dead)?;
    let name = |i: u8| Name::new(&format!("d{i}"));
    let settings = BusSettings {
        name: Name::new("line")?,
        link: BusLink::Rtu { port, line },
        connect_timeout: Duration::from_secs(3),
        reconnect: (Duration::from_secs(1), Duration::from_secs(10)),
        devices: (1..=DEVICES)
            .map(|unit_id| {
                let settings = device(name(unit_id)?, u32::from(unit_id) - 1, Duration::from_millis(1));
                Ok(DeviceSettings { unit_id, timeout: TIMEOUT, worst_reply: WORST_REPLY, ..settings })
            })
            .collect::<Result<_, Box<dyn Error>>>()?,
    };
    let polls = poll(settings, settle + window)?;
    let full = before_reply + timing.t3_5();
    let used = |from: Duration| {
        let within = polls.iter().filter(|poll| (from..from + window).contains(&poll.at)).count();
        100.0 * full.as_secs_f64() * within as f64 / window.as_secs_f64()
    };
    let beyond = |poll: &Poll| poll.pause.saturating_sub(timing.t3_5()).as_secs_f64();
    let pause = median(polls.iter().map(beyond).collect());
    let late = median(late.lock().expect("whole").clone());
    Ok(named([
        ("percent", used(settle)),
        ("percent_at_first", used(Duration::ZERO)),
        ("poll_ms", full.as_secs_f64() * 1e3),
        ("pause_us", 1e6 * pause.ok_or("no poll")?),
        ("device_late_us", 1e6 * late.ok_or("no reply")?),
    ]))
}

/// An answered poll.
struct Poll {
    /// When its request went out, from the start of the first window.
    at: Duration,
    /// From the reply before to its request.
    pause: Duration,
}

/// Every answered poll of `window`.
fn poll(settings: BusSettings, window: Duration) -> Result<Vec<Poll>, Box<dyn Error>> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    LocalSet::new().block_on(&runtime, async move {
        let timer = PreciseTimer::start(Clock)?;
        let (reports, mut received) = mpsc::channel(BUS_REPORTS_MAX);
        let (stop, shutdown) = watch::channel(false);
        let plan = plan(&settings).map_err(|errors| format!("{errors:?}"))?;
        tokio::task::spawn_local(async move {
            let counters = Arc::new(BusCounters::default());
            run_bus(BusIndex(0), &settings, &plan, &timer, reports, &counters, shutdown).await;
        });
        let start = Clock.uptime().plus(WARM_UP);
        let end = start.plus(window);
        let (mut polls, mut replied) = (Vec::new(), start);
        while let Some(report) = received.recv().await {
            let BusReport::Readings { sent, readings, .. } = report else { continue };
            // A poll that was not answered is told by readings without a number.
            let answered = readings.iter().all(|reading| matches!(reading.raw, Raw::Number(_)));
            if sent < start || !answered {
                continue;
            }
            if sent > end {
                break;
            }
            polls.push(Poll { at: sent.since(start), pause: sent.since(replied) });
            replied = readings.first().map_or(replied, |reading| reading.received);
        }
        stop.send(true)?;
        Ok(polls)
    })
}

/// How much too late each reply was sent, s.
type Late = Arc<Mutex<Vec<f64>>>;

/// Devices 1 to `alive` on a terminal: its path, and how much too late each reply was sent because this thread was woken
/// late, s.
fn serve(before_reply: Duration, alive: u8) -> Result<(String, Late), Box<dyn Error>> {
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let path = ptsname(&master, Vec::new())?.into_string()?;
    let late = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&late);
    // Held open, so that the other end may come and go.
    let held = File::options().read(true).write(true).open(&path)?;
    std::thread::spawn(move || {
        let _held = held;
        let mut terminal = File::from(master);
        let mut request = [0; 8];
        while terminal.read_exact(&mut request).is_ok() {
            if request[0] > alive {
                continue;
            }
            let at = Clock.uptime().plus(before_reply);
            std::thread::sleep(before_reply.saturating_sub(Duration::from_micros(200)));
            while Clock.uptime() < at {
                std::hint::spin_loop();
            }
            let mut reply = vec![request[0], 4, 2 * REGISTERS as u8];
            reply.extend([7; 2 * REGISTERS as usize]);
            reply.extend(crc16(&reply).to_le_bytes());
            seen.lock().expect("whole").push(Clock.uptime().since(at).as_secs_f64());
            if terminal.write_all(&reply).is_err() {
                return;
            }
        }
    });
    Ok((path, late))
}
