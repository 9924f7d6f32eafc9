//! `scan`: what is on a serial line or at some hosts, asked gently, and tables of the configuration for it.
//!
//! [`asked`] reads the command line, [`search`] decides which registers to ask for next, [`guess`] what they may be,
//! [`proposal`] writes it down. Here they meet the wire: one request at a time on a line or host, a pause after each,
//! no function but reading (1 to 4 of Modbus, of which 3 and 4 are used, and Device Identification).

mod asked;
mod guess;
mod proposal;
mod search;

use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use futures_util::StreamExt;
use sumpwarden_core::acquire::settings::BusLink;
use sumpwarden_protocol::modbus::Table;

use self::asked::{Asked, Place};
use self::proposal::{Found, Proposal};
use self::search::Search;
use super::console::plain;
use super::{Exit, block_on, console};
use crate::edge::modbus::{Heard, OpenError, Survey};

/// What damaged replies mean.
const GARBLED: &str = "damaged or late replies: two devices with one id, another rate or parity, a line \
    without \
                       termination, or a device slower than --timeout";
/// What devices mean that answer and never say a value.
const FAILING: &str =
    "answers with failures only: out of order, or a server's way to say that nobody is there; not proposed";

/// Hosts asked at the same time, each one request at a time.
const HOSTS_TOGETHER: usize = 8;
/// Time to think better of it, for somebody at a terminal.
const SECOND_THOUGHTS: Duration = Duration::from_secs(5);

/// What to look at.
#[derive(clap::Args, Debug)]
pub struct Options {
    /// Serial port with a line of devices, as in /dev/serial/by-id/usb-…
    #[arg(long, value_name = "PATH", required_unless_present = "hosts", conflicts_with = "hosts")]
    port: Option<String>,
    /// Hosts with Modbus TCP: 192.0.2.10-20, 192.0.2.0/24 (at most a /24), mixer.example:502, or several
    #[arg(long, value_name = "HOSTS")]
    hosts: Option<String>,
    /// Rates of the line to try, one after the other: 19200,9600
    #[arg(long, value_name = "RATES", default_value = "19200", conflicts_with = "hosts")]
    baud: String,
    /// Parity of the line to try: even, none, odd or all
    #[arg(long, value_name = "PARITY", default_value = "even", conflicts_with = "hosts")]
    parity: String,
    /// Unit ids to ask [default: 1-32 on a line, 1 at hosts]
    #[arg(long, value_name = "IDS")]
    units: Option<String>,
    /// Registers to look at in each device, 0-based
    #[arg(long, value_name = "RANGE", default_value = "0-63")]
    registers: String,
    /// How long a device may take to answer
    #[arg(long, value_name = "TIME", default_value = "300 ms")]
    timeout: String,
    /// Pause after every request
    #[arg(long, value_name = "TIME", default_value = "50 ms")]
    pause: String,
    /// Do not ask devices who they are (function 43/14), which confuses some old ones
    #[arg(long)]
    no_identify: bool,
    /// Name for the bus [default: line-1, net-HOST]
    #[arg(long, value_name = "NAME")]
    bus: Option<String>,
    /// Machine-readable, also for `init --scan`
    #[arg(long)]
    json: bool,
}

/// Looks, and writes what it found to stdout: tables for a file in `conf.d`, or JSON. What it does goes to stderr.
pub fn run(options: &Options) -> Exit {
    let asked = match Asked::of(options) {
        Ok(asked) => asked,
        Err(wrong) => {
            console::complain(&format!("{}\n  {}", plain(&wrong.what), plain(&wrong.cure)));
            return Exit::Usage;
        }
    };
    warn(&asked);
    let notebook = Notebook::default();
    let ended = block_on(async {
        if console::stderr_is_terminal() {
            console::complain(&format!("It begins in {} s; Ctrl-C stops it.", SECOND_THOUGHTS.as_secs()));
        }
        tokio::select! {
            stopped = tokio::signal::ctrl_c() => stopped.map_or(Ended::Through, |()| Ended::Stopped),
            () = all(&asked, &notebook) => Ended::Through,
        }
    });
    let ended = match ended {
        Ok(ended) => ended,
        Err(exit) => return exit,
    };
    console::complain(if ended == Ended::Stopped { "\nstopped; what was found until then:" } else { "" });
    let Notes { found, mut remarks, opened } = notebook.take();
    remarks.extend(proposal::remarks(&asked, &found));
    let proposal = Proposal::new(&asked, found, remarks);
    proposal.summary().iter().for_each(|line| console::complain(line));
    console::say(if options.json { proposal.json() } else { proposal.toml() }.trim_end());
    match (opened, proposal.found_any()) {
        (_, true) => Exit::Success,
        (true, false) => Exit::Negative,
        (false, false) => Exit::Outside,
    }
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Ended {
    Through,
    Stopped,
}

/// What is said before anything is sent.
fn warn(asked: &Asked) {
    let what = match asked.places.as_slice() {
        [Place { links, .. }] if links.len() == 1 => proposal::setting(&links[0]),
        [Place { links, .. }] => format!("{} at {} settings", plain(&proposal::peer(&links[0])), links.len()),
        places => format!("{} hosts", places.len()),
    };
    let units = asked.units.len();
    console::complain(&format!(
        "Scanning {what}, {units} unit ids, one request at a time. It only reads.\n\
         NOTE: a serial line has one master. If a controller, a panel or the daemon polls this line or host now, the\n\
         scan disturbs it and reads nonsense itself: stop the daemon or take the bus out of its configuration first.\n\
         A serial port is opened for this program alone. Scan only what is yours."
    ));
}

/// What has been found so far; kept aside so that Ctrl-C loses none of it.
#[derive(Debug, Default)]
struct Notebook(Mutex<Notes>);

#[derive(Clone, Debug, Default)]
struct Notes {
    found: Vec<Found>,
    remarks: Vec<String>,
    opened: bool,
}

impl Notebook {
    fn note(&self, write: impl FnOnce(&mut Notes)) {
        write(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }

    fn take(&self) -> Notes {
        std::mem::take(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

async fn all(asked: &Asked, notebook: &Notebook) {
    if console::stderr_is_terminal() {
        tokio::time::sleep(SECOND_THOUGHTS).await;
    }
    let several = asked.places.len() > 1;
    futures_util::stream::iter(&asked.places)
        .for_each_concurrent(HOSTS_TOGETHER, |place| async move {
            for link in &place.links {
                if let Err(why) = one(asked, place, link, notebook).await {
                    // Of many hosts most are not there, and that is what was to be found out.
                    if !several || !matches!(why, OpenError::TimedOut { .. } | OpenError::Unreachable { .. })
                    {
                        notebook.note(|notes| notes.remarks.push(why.to_string()));
                    }
                    return;
                }
            }
        })
        .await;
}

/// One line or host at one setting.
async fn one(asked: &Asked, place: &Place, link: &BusLink, notebook: &Notebook) -> Result<(), OpenError> {
    let mut survey = Survey::open(link.clone(), asked.manners).await?;
    notebook.note(|notes| notes.opened = true);
    let peer = proposal::setting(link);
    let (mut garbled, mut failing) = (Vec::new(), Vec::new());
    for (place_of, &unit) in asked.units.iter().enumerate() {
        let known = |notes: &Notes| notes.found.iter().any(|f| f.bus == place.bus && f.unit == unit);
        let mut skip = false;
        notebook.note(|notes| skip = known(notes));
        if skip {
            continue;
        }
        progress(&format!("{peer}: unit {unit} ({} of {})", place_of + 1, asked.units.len()));
        match presence(&mut survey, unit, asked).await? {
            Presence::Nobody => {}
            Presence::Garbled => garbled.push(unit),
            Presence::Somebody => {
                let found = device(&mut survey, asked, place, link, unit).await?;
                progress("");
                console::complain(&found.line());
                if found.only_fails() {
                    failing.push(unit);
                } else {
                    notebook.note(|notes| notes.found.push(found));
                }
            }
        }
    }
    progress("");
    for (units, what) in [(garbled, GARBLED), (failing, FAILING)] {
        if !units.is_empty() {
            let units: Vec<String> = units.iter().map(u8::to_string).collect();
            let remark = format!("{peer}: unit {}: {what}", units.join(", "));
            notebook.note(|notes| notes.remarks.push(remark));
        }
    }
    Ok(())
}

fn progress(line: &str) {
    if console::stderr_is_terminal() {
        console::replace_line(&plain(line));
    }
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Presence {
    Nobody,
    Somebody,
    Garbled,
}

/// Whether a unit answers, be it with an exception; one register of each table is asked for.
async fn presence(survey: &mut Survey, unit: u8, asked: &Asked) -> Result<Presence, OpenError> {
    let mut garbled = false;
    for table in [Table::HoldingRegister, Table::InputRegister] {
        let mut heard = survey.read(unit, table, asked.registers.0, 1).await?;
        if matches!(heard, Heard::Garbage | Heard::Closed) {
            // The tail of something else, perhaps: once more, when that is over.
            tokio::time::sleep(asked.manners.reply).await;
            heard = survey.read(unit, table, asked.registers.0, 1).await?;
        }
        match heard {
            // V1.1b3, 7: a gateway says with 10 and 11 that nobody is there.
            Heard::Exception(10 | 11) => return Ok(Presence::Nobody),
            Heard::Words(_) | Heard::Exception(_) => return Ok(Presence::Somebody),
            Heard::Garbage => garbled = true,
            Heard::Silence | Heard::Closed => {}
        }
    }
    Ok(if garbled { Presence::Garbled } else { Presence::Nobody })
}

/// All of a device: both tables, and who it is; that last, because it confuses some.
async fn device(
    survey: &mut Survey,
    asked: &Asked,
    place: &Place,
    link: &BusLink,
    unit: u8,
) -> Result<Found, OpenError> {
    let mut slowest = Duration::ZERO;
    let mut tables =
        [Table::InputRegister, Table::HoldingRegister].map(|t| (t, Search::new(asked.registers)));
    for (table, search) in &mut tables {
        while let Some((start, count)) = search.next() {
            progress(&format!("{}: unit {unit}: {table:?} {start}, {count}", proposal::setting(link)));
            let before = Instant::now();
            let heard = survey.read(unit, *table, start, count).await?;
            if matches!(heard, Heard::Words(_) | Heard::Exception(_)) {
                slowest = slowest.max(before.elapsed().saturating_sub(asked.manners.pause));
            }
            search.take(&heard);
        }
    }
    let identity = if asked.identify { survey.identify(unit).await? } else { None };
    Ok(Found { bus: place.bus.clone(), link: link.clone(), unit, identity, tables, slowest })
}

/// The stable path of a serial port, where there is one beside that which was named.
fn stable_port(port: &str) -> Option<String> {
    let target = std::fs::canonicalize(port).ok()?;
    let names = std::fs::read_dir(Path::new("/dev/serial/by-id")).ok()?;
    names
        .filter_map(|entry| Some(entry.ok()?.path()))
        .find(|path| std::fs::canonicalize(path).is_ok_and(|found| found == target))
        .and_then(|path| path.to_str().map(str::to_owned))
}
