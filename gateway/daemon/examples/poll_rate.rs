//! What polling costs: the gateway's bus actors against bare sockets, and how late polls start.
//!
//! `cargo run --release --example poll_rate -- rate 200 10` compares reads per CPU second of 200 devices, asked as fast as
//! they answer, for 10 s each; `-- jitter 500 20` polls 500 devices at 1 Hz for 20 s and says what that costs and how late
//! polls start; `-- serial 19200 20` keeps a line with 31 devices full for 20 s and says how much of what the wire allows
//! was used. Only the polling thread's CPU time is counted; the devices run on another thread.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "a measuring tool for developers")]

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rustix::event::epoll;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::time::{ClockId, clock_gettime};
use sumpwarden::edge::clock::{Clock, PreciseTimer};
use sumpwarden::edge::modbus::{BUS_REPORTS_MAX, BusCounters, BusReport, run_bus};
use sumpwarden_core::acquire::plan;
use sumpwarden_core::acquire::settings::{BusLink, BusSettings, DeviceSettings, Parity, Point, SerialLine};
use sumpwarden_core::model::{BusIndex, Name, ProbeIndex, Raw};
use sumpwarden_protocol::modbus::rtu::crc16;
use sumpwarden_protocol::modbus::{Address, Table};
use sumpwarden_protocol::words::{Encoding, NumberKind};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, watch};
use tokio::task::LocalSet;

const REGISTERS: u16 = 10;
const REPLY_BYTES: usize = 9 + 2 * REGISTERS as usize;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mode = arguments.next().unwrap_or_else(|| "rate".to_owned());
    let mut number = |default: u64| arguments.next().map_or(default, |text| text.parse().unwrap());
    match mode.as_str() {
        "rate" => rate(number(200), number(10)),
        "jitter" => jitter(number(500), number(20)),
        "serial" => serial(u32::try_from(number(19_200)).unwrap(), number(20)),
        other => println!("{other:?} is none of rate, jitter and serial"),
    }
}

fn rate(devices: u64, seconds: u64) {
    let address = serve();
    let bare = bare(address, devices, seconds);
    let ours = poll(tcp_buses(address, devices, Duration::from_micros(100)), seconds);
    println!("bare sockets {bare:>10.0} reads per CPU second");
    println!(
        "bus actors   {:>10.0} reads per CPU second, {:.1} %",
        ours.per_cpu,
        100.0 * ours.per_cpu / bare
    );
}

fn jitter(devices: u64, seconds: u64) {
    let mut measured = poll(tcp_buses(serve(), devices, Duration::from_secs(1)), seconds);
    measured.late.sort_unstable();
    let at = |share: f64| measured.late[((measured.late.len() - 1) as f64 * share) as usize];
    println!("{} polls, {:.2} % of a core", measured.late.len(), measured.cpu_percent);
    println!("late p50 {:?} p99 {:?} p99.9 {:?} max {:?}", at(0.5), at(0.99), at(0.999), at(1.0));
}

/// Devices on a pseudo terminal that take the time a real line would: request, t3.5, their own 5 ms, reply.
fn serial(baud: u32, seconds: u64) {
    let line = SerialLine { baud, parity: Parity::Even, stop_bits: 1 };
    let timing = line.timing().unwrap();
    let thinking = Duration::from_millis(5);
    let before_reply =
        timing.characters(8) + timing.t3_5() + thinking + timing.characters(5 + 2 * usize::from(REGISTERS));
    let (path, answered) = serve_line(before_reply);
    let mut settings = settings(BusLink::Rtu { port: path, line }, 1, Duration::from_millis(1));
    let one = settings.devices.remove(0);
    settings.devices = (1..=31).map(|unit_id| DeviceSettings { unit_id, ..one.clone() }).collect();
    let measured = poll(vec![settings], seconds);
    let full = before_reply + timing.t3_5();
    let wire = full.as_secs_f64() * measured.late.len() as f64 / seconds as f64;
    println!("{} polls of {full:?}: {:.2} % of what the line allows", measured.late.len(), 100.0 * wire);
    // What is lost elsewhere: devices woken late, and the terminal's own hand-over, which no real line has.
    let own: Vec<_> = measured.pauses.iter().map(|pause| pause.saturating_sub(timing.t3_5())).collect();
    println!("a reply seen to the next request: {:?} more than t3.5 on the median", median(own));
    println!("devices answered {:?} late on the median", median(answered.lock().unwrap().clone()));
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

/// Path of the terminal, and how much too late each reply was sent because this thread was woken late.
fn serve_line(before_reply: Duration) -> (String, Arc<Mutex<Vec<Duration>>>) {
    use std::io::{Read, Write};
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let path = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
    let late = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&late);
    let held = std::fs::File::options().read(true).write(true).open(&path).unwrap();
    std::thread::spawn(move || {
        let _held = held;
        let mut terminal = std::fs::File::from(master);
        let mut request = [0; 8];
        while terminal.read_exact(&mut request).is_ok() {
            let at = Clock.uptime().plus(before_reply);
            std::thread::sleep(before_reply.saturating_sub(Duration::from_micros(200)));
            while Clock.uptime() < at {
                std::hint::spin_loop();
            }
            let mut reply = vec![request[0], 4, 2 * REGISTERS as u8];
            reply.extend([7; 2 * REGISTERS as usize]);
            reply.extend(crc16(&reply).to_le_bytes());
            seen.lock().unwrap().push(Clock.uptime().since(at));
            terminal.write_all(&reply).unwrap();
        }
    });
    (path, late)
}

struct Measured {
    per_cpu: f64,
    cpu_percent: f64,
    late: Vec<Duration>,
    /// From one reply to the next request, whichever bus.
    pauses: Vec<Duration>,
}

fn cpu() -> f64 {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 / 1e9
}

fn settings(link: BusLink, device: u64, period: Duration) -> BusSettings {
    let point = |i: u16| Point {
        probe: ProbeIndex(u32::from(i)),
        address: Address::new(Table::InputRegister, i),
        encoding: Encoding::of(NumberKind::U16),
        period,
    };
    BusSettings {
        name: Name::new(&format!("bus-{device}")).unwrap(),
        link,
        connect_timeout: Duration::from_secs(5),
        reconnect: (Duration::from_millis(100), Duration::from_secs(30)),
        devices: vec![DeviceSettings {
            name: Name::new(&format!("device-{device}")).unwrap(),
            unit_id: 1,
            timeout: Duration::from_secs(1),
            retries: 1,
            turnaround: Duration::ZERO,
            silent_interval: None,
            worst_reply: Duration::from_secs(1),
            registers_max: 125,
            gap_max: 4,
            points: (0..REGISTERS).map(point).collect(),
        }],
    }
}

fn tcp_buses(address: SocketAddr, devices: u64, period: Duration) -> Vec<BusSettings> {
    let link = || BusLink::Tcp { address: address.to_string() };
    (0..devices).map(|device| settings(link(), device, period)).collect()
}

/// Polls with the gateway's own actors, converting every register, and throws the readings away.
fn poll(buses: Vec<BusSettings>, seconds: u64) -> Measured {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    LocalSet::new().block_on(&runtime, async move {
        let timer = PreciseTimer::start(Clock).unwrap();
        let (reports, mut received) = mpsc::channel(BUS_REPORTS_MAX);
        let (stop, shutdown) = watch::channel(false);
        for (bus, settings) in (0..).map(BusIndex).zip(buses) {
            let (timer, reports, shutdown) = (timer.clone(), reports.clone(), shutdown.clone());
            tokio::task::spawn_local(async move {
                let plan = plan(&settings).unwrap();
                let counters = Arc::new(BusCounters::default());
                run_bus(bus, &settings, &plan, &timer, reports, &counters, shutdown).await;
            });
        }
        drop(reports);
        // Connecting is not measured.
        let start = Clock.uptime().plus(Duration::from_millis(1500));
        let end = start.plus(Duration::from_secs(seconds));
        let (mut reads, mut late, mut sum, mut cpu_start) = (0_u64, Vec::new(), 0.0, None);
        let (mut pauses, mut replied) = (Vec::new(), start);
        while let Some(report) = received.recv().await {
            let BusReport::Readings { due, sent, readings, .. } = report else { continue };
            if sent < start {
                continue;
            }
            cpu_start.get_or_insert_with(cpu);
            if sent > end {
                break;
            }
            reads += 1;
            late.push(sent.since(due));
            pauses.push(sent.since(replied));
            replied = readings[0].received;
            sum += readings
                .iter()
                .map(|r| if let Raw::Number(n) = r.raw { n } else { panic!("{r:?}") })
                .sum::<f64>();
        }
        let used = cpu() - cpu_start.unwrap();
        stop.send(true).unwrap();
        assert!(sum > 0.0);
        Measured { per_cpu: reads as f64 / used, cpu_percent: 100.0 * used / seconds as f64, late, pauses }
    })
}

/// The same frames over non-blocking sockets and epoll, nothing converted: the bound.
fn bare(address: SocketAddr, devices: u64, seconds: u64) -> f64 {
    use std::io::{Read, Write};
    let poll = epoll::create(epoll::CreateFlags::CLOEXEC).unwrap();
    let request = [0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, REGISTERS as u8];
    let mut streams: Vec<_> = (0..devices)
        .map(|i| {
            let stream = std::net::TcpStream::connect(address).unwrap();
            stream.set_nodelay(true).unwrap();
            stream.set_nonblocking(true).unwrap();
            epoll::add(
                &poll,
                &stream,
                epoll::EventData::new_u64(i),
                epoll::EventFlags::IN | epoll::EventFlags::ET,
            )
            .unwrap();
            stream
        })
        .collect();
    streams.iter_mut().for_each(|s| s.write_all(&request).unwrap());
    let end = Clock.uptime().plus(Duration::from_secs(seconds));
    let (start, mut reads) = (cpu(), 0_u64);
    let mut events = Vec::with_capacity(256);
    while Clock.uptime() < end {
        events.clear();
        epoll::wait(&poll, rustix::buffer::spare_capacity(&mut events), None).unwrap();
        for event in &events {
            let stream = &mut streams[event.data.u64() as usize];
            let mut reply = [0; 260];
            assert_eq!(stream.read(&mut reply).unwrap(), REPLY_BYTES);
            reads += 1;
            stream.write_all(&request).unwrap();
        }
    }
    reads as f64 / (cpu() - start)
}

/// Devices that answer at once, on a thread of their own.
fn serve() -> SocketAddr {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    listener.set_nonblocking(true).unwrap();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async move {
            let listener = TcpListener::from_std(listener).unwrap();
            while let Ok((stream, _)) = listener.accept().await {
                tokio::spawn(answer(stream));
            }
        });
    });
    address
}

async fn answer(mut stream: TcpStream) {
    let _ = stream.set_nodelay(true);
    let mut request = [0; 12];
    while stream.read_exact(&mut request).await.is_ok() {
        let mut reply = [7; REPLY_BYTES];
        reply[..9].copy_from_slice(&[
            request[0],
            request[1],
            0,
            0,
            0,
            REPLY_BYTES as u8 - 6,
            request[6],
            4,
            20,
        ]);
        if stream.write_all(&reply).await.is_err() {
            return;
        }
    }
}
