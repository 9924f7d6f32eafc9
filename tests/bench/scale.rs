//! What grows with what: cost against devices, sumps, days in the store, standing alarms and page clients, each over a wide
//! range with everything else as it was.

use std::error::Error;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::thread::sleep;
use std::time::{Duration, Instant};

use rustix::net::{AddressFamily, SocketType, bind, connect, socket};
use serde::Serialize;

use crate::alone::figures;
use crate::beat::{self, PERIOD};
use crate::contest::await_polls;
use crate::devices::Devices;
use crate::gateway::{self, Job};
use crate::process::Process;
use crate::quantiles::median;
use crate::rows::Stage;
use crate::starts::Told;

/// One curve: what was measured against how much of what.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Curve {
    pub(crate) title: String,
    /// What is on the horizontal axis.
    pub(crate) of: String,
    pub(crate) points: Vec<(f64, f64)>,
}

/// How far a curve goes.
struct Reach {
    warm_up: Duration,
    window: Duration,
}

/// All curves; where it is short, few points of each.
pub(crate) fn measure(stage: &Stage, short: bool) -> Result<Vec<Curve>, Box<dyn Error>> {
    let seconds = |s| Duration::from_secs(s);
    let reach = if short {
        Reach { warm_up: seconds(2), window: seconds(3) }
    } else {
        Reach { warm_up: seconds(6), window: seconds(12) }
    };
    let few = |all: &[usize]| if short { vec![all[0], all[all.len() / 2]] } else { all.to_vec() };
    // Five thousand would be more than the 50,000 keys that a configuration may have.
    let mut curves = devices(stage, &reach, &few(&[1, 10, 100, 500, 1_000, 2_500, 4_000]))?.to_vec();
    curves.extend(sumps(stage, &few(&[1, 5, 20, 50, 200, 500]))?);
    curves.extend(days(stage, &few(&[30, 90, 365, 730, 1_825]))?);
    curves.extend(alarms(stage, &reach, &few(&[0, 10, 100, 500, 1_000, 2_000]))?);
    curves.push(clients(stage, &reach, &few(&[0, 1, 4, 16, 60]))?);
    Ok(curves)
}

/// Devices of one probe each, polled once a second and forwarded, ten of them a sump.
fn devices(stage: &Stage, reach: &Reach, counts: &[usize]) -> Result<[Curve; 3], Box<dyn Error>> {
    let (mut cpu, mut memory, mut late) = (Vec::new(), Vec::new(), Vec::new());
    for &count in counts {
        eprintln!("{count} devices at 1 Hz");
        let mut devices = Devices::start(count)?;
        let ports = devices.ports.clone();
        let job = Job { probes: 1, devices_a_sump: 10, ..Job::all(&ports, "1 s", &stage.sink.url) };
        let mut ready = gateway::prepare(&stage.binary, &stage.folder, &job)?;
        let told = Told::Metrics(ready.page);
        let beat =
            beat::run(&mut ready.command, told, &mut devices, &stage.sink, reach.warm_up, reach.window)?;
        let x = count as f64;
        cpu.push((x, beat.cpu_percent));
        memory.push((x, beat.rss_steady as f64 / 1024.0 / 1024.0));
        late.extend(beat.starts.map(|starts| (x, starts.p99)));
    }
    let of = "devices, one poll a second each";
    Ok([
        curve("processor, % of a core", of, cpu),
        curve("memory, MiB", of, memory),
        curve("poll start late, p99, ms", of, late),
    ])
}

/// Sumps of five probes, one reading a minute, in simulated time.
fn sumps(stage: &Stage, counts: &[usize]) -> Result<[Curve; 2], Box<dyn Error>> {
    const DAYS: &str = "3";
    let (mut cpu, mut memory) = (Vec::new(), Vec::new());
    let folder = stage.folder.to_string_lossy().into_owned();
    for &count in counts {
        eprintln!("{count} sumps");
        let found = figures(&stage.bench, &["month", &folder, &count.to_string(), DAYS])?;
        cpu.push((count as f64, found["cpu_us_per_sump_hour"] * 24.0 * count as f64 / 1e6));
        memory.push((count as f64, found["last_mib"]));
    }
    let of = "sumps, five probes once a minute";
    Ok([curve("processor, s a day", of, cpu), curve("memory, MiB", of, memory)])
}

/// Days of six probes, one reading a minute, in the store.
fn days(stage: &Stage, counts: &[usize]) -> Result<[Curve; 3], Box<dyn Error>> {
    let (mut whole, mut day, mut open) = (Vec::new(), Vec::new(), Vec::new());
    let folder = stage.folder.to_string_lossy().into_owned();
    for &count in counts {
        eprintln!("{count} days in the store");
        let found = figures(&stage.bench, &["days", &folder, &count.to_string()])?;
        let x = count as f64;
        whole.push((x, found["trend_ms"]));
        day.push((x, found["trend_of_a_day_ms"]));
        open.push((x, found["open_ms"]));
    }
    let of = "days in the store";
    Ok([
        curve("trend of all of it, 1 000 points, ms", of, whole),
        curve("trend of the last day, ms", of, day),
        curve("opening, ms", of, open),
    ])
}

/// Alarms that stand on fifty sumps.
fn alarms(stage: &Stage, reach: &Reach, counts: &[usize]) -> Result<[Curve; 2], Box<dyn Error>> {
    const SUMPS: usize = 50;
    let (mut cpu, mut list) = (Vec::new(), Vec::new());
    for &count in counts {
        eprintln!("{count} alarms");
        let mut devices = Devices::start(SUMPS)?;
        let ports = devices.ports.clone();
        let job = Job { crossed: count.div_ceil(SUMPS), ..Job::all(&ports, "1 s", &stage.sink.url) };
        let mut ready = gateway::prepare(&stage.binary, &stage.folder, &job)?;
        let page = ready.page;
        let process = Process::start(&mut ready.command)?;
        await_polls(&mut devices, &process)?;
        sleep(reach.warm_up);
        let spent = percent(&process, reach.window)?;
        let mut times = Vec::new();
        for _ in 0..9 {
            let asked = Instant::now();
            get(page, "/state")?;
            times.push(asked.elapsed().as_secs_f64() * 1e3);
            // The page answers so many looks a second and no more.
            sleep(Duration::from_millis(100));
        }
        process.stop()?;
        let x = (job.crossed * SUMPS) as f64;
        cpu.push((x, spent));
        list.extend(median(times).map(|time| (x, time)));
    }
    let of = "standing alarms on fifty sumps";
    Ok([curve("processor, % of a core", of, cpu), curve("the shop with all its alarms, ms", of, list)])
}

/// Browsers that listen to what changes.
fn clients(stage: &Stage, reach: &Reach, counts: &[usize]) -> Result<Curve, Box<dyn Error>> {
    const SUMPS: usize = 50;
    let mut devices = Devices::start(SUMPS)?;
    let ports = devices.ports.clone();
    let mut ready =
        gateway::prepare(&stage.binary, &stage.folder, &Job::all(&ports, "1 s", &stage.sink.url))?;
    let page = ready.page;
    let process = Process::start(&mut ready.command)?;
    await_polls(&mut devices, &process)?;
    let mut cpu = Vec::new();
    for &count in counts {
        eprintln!("{count} page clients");
        let streams = (0..count).map(|i| listen(page, i)).collect::<Result<Vec<_>, _>>()?;
        sleep(reach.warm_up);
        cpu.push((count as f64, percent(&process, reach.window.max(2 * PERIOD))?));
        for stream in streams {
            stream.end()?;
        }
    }
    process.stop()?;
    Ok(curve("processor, % of a core", "page clients of fifty sumps", cpu))
}

/// Processor time over a window, percent of a core.
fn percent(process: &Process, window: Duration) -> Result<f64, Box<dyn Error>> {
    let (before, began) = (process.cpu()?, Instant::now());
    sleep(window);
    Ok(100.0 * (process.cpu()? - before).as_secs_f64() / began.elapsed().as_secs_f64())
}

fn curve(title: &str, of: &str, points: Vec<(f64, f64)>) -> Curve {
    Curve { title: title.to_owned(), of: of.to_owned(), points }
}

/// A client of the page's stream that reads what comes.
struct Listener {
    stream: TcpStream,
    reading: std::thread::JoinHandle<u64>,
}

impl Listener {
    /// Hangs up; a stream on which nothing came was none.
    fn end(self) -> Result<(), Box<dyn Error>> {
        self.stream.shutdown(std::net::Shutdown::Both)?;
        let bytes = self.reading.join().map_err(|_| "a reader that broke")?;
        if bytes < 200 { Err(format!("{bytes} bytes of the stream came").into()) } else { Ok(()) }
    }
}

/// The `nth` client, from an address of its own for every eight, since one address has a few connections only.
fn listen(page: SocketAddr, nth: usize) -> Result<Listener, Box<dyn Error>> {
    let from = Ipv4Addr::new(127, 0, 1, u8::try_from(1 + nth / 8)?);
    let socket = socket(AddressFamily::INET, SocketType::STREAM, None)?;
    bind(&socket, &SocketAddr::from((from, 0)))?;
    connect(&socket, &page)?;
    let mut stream = TcpStream::from(socket);
    stream.write_all(request(page, "/events").as_bytes())?;
    let mut reader = stream.try_clone()?;
    let reading = std::thread::spawn(move || {
        let (mut bytes, mut piece) = (0, [0; 16 << 10]);
        while let Ok(length @ 1..) = reader.read(&mut piece) {
            bytes += length as u64;
        }
        bytes
    });
    Ok(Listener { stream, reading })
}

/// Body of a page, which must be there.
fn get(page: SocketAddr, path: &str) -> Result<String, Box<dyn Error>> {
    let mut stream = TcpStream::connect(page)?;
    stream.write_all(request(page, path).as_bytes())?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    if answer.starts_with("HTTP/1.1 200") { Ok(answer) } else { Err(format!("{path}: {answer}").into()) }
}

fn request(page: SocketAddr, path: &str) -> String {
    format!("GET {path} HTTP/1.1\r\nHost: {page}\r\nConnection: close\r\n\r\n")
}
