//! The other sides a gateway talks to over HTTP, as badly behaved as they are told to be: a time-series database that
//! keeps what it took, and a receiver of messages that writes them down.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::net::TcpStream;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::sleep;
use std::time::Duration;

use sumpwarden_tests::server::{Request, serve};

/// How a database behaves.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Mood {
    /// Takes everything.
    Well,
    /// Refuses with this status, `Retry-After: 1` where asked for, and takes nothing.
    Refuses(u16, bool),
    /// Takes bodies of so many lines at most; 413 for others.
    Narrow(usize),
    /// 400 for every body with a number that this divides in it.
    Choosy(u32),
    /// Takes the body, then resets the connection.
    LosesReply,
    /// Takes the body and answers after this time.
    Slow(Duration),
    /// Takes the body and breaks off within the answer.
    BreaksOff,
    /// Takes the body and answers without an end.
    Endless,
    /// Closes without a word.
    Hangs,
}

/// Probe and stamp of a point.
pub(crate) type PointKey = (String, i64);

#[derive(Debug, Default)]
struct Taken {
    /// Raw numbers, and how often each came.
    points: BTreeMap<PointKey, (f64, u32)>,
    mood: Option<Mood>,
    /// Requests answered otherwise than well.
    disturbed: u64,
}

/// A time-series database by its write API.
#[derive(Clone, Debug)]
pub(crate) struct Database {
    pub(crate) port: u16,
    taken: Arc<Mutex<Taken>>,
}

impl Database {
    pub(crate) fn start() -> Self {
        let taken: Arc<Mutex<Taken>> = Arc::default();
        let inner = Arc::clone(&taken);
        let port = serve(move |request, stream| answer(&request, stream, &inner));
        Self { port, taken }
    }

    pub(crate) fn behave(&self, mood: Mood) {
        locked(&self.taken).mood = Some(mood);
    }

    /// Requests answered otherwise than well so far.
    pub(crate) fn disturbed(&self) -> u64 {
        locked(&self.taken).disturbed
    }

    /// Raw numbers by probe and stamp.
    pub(crate) fn points(&self) -> BTreeMap<PointKey, f64> {
        locked(&self.taken).points.iter().map(|(key, (raw, _))| (key.clone(), *raw)).collect()
    }

    /// Points that came more than once.
    pub(crate) fn twice(&self) -> u64 {
        locked(&self.taken).points.values().filter(|(_, times)| *times > 1).count() as u64
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Probe, stamp and raw number of a line of line protocol; none for other series. Names here need no escapes.
pub(crate) fn raw_point(line: &str) -> Option<(PointKey, f64)> {
    let mut words = line.split(' ');
    let (tags, fields, stamp) = (words.next()?, words.next()?, words.next()?);
    let probe = tags.strip_prefix("probe,")?.split(',').find_map(|tag| tag.strip_prefix("probe="))?;
    let raw = fields.split(',').find_map(|field| field.strip_prefix("raw="))?;
    Some(((probe.to_owned(), stamp.parse().ok()?), raw.parse().ok()?))
}

fn answer(request: &Request, stream: &mut TcpStream, taken: &Mutex<Taken>) -> io::Result<bool> {
    let text = String::from_utf8_lossy(&request.body);
    let mood = locked(taken).mood.unwrap_or(Mood::Well);
    let points: Vec<_> = text.lines().filter_map(raw_point).collect();
    let status = match mood {
        Mood::Refuses(status, _) => status,
        Mood::Narrow(lines) if text.lines().count() > lines => 413,
        Mood::Choosy(number) if points.iter().any(|(_, raw)| (*raw as u32).is_multiple_of(number)) => 400,
        _ => 204,
    };
    let mut state = locked(taken);
    state.disturbed +=
        u64::from(status != 204 || !matches!(mood, Mood::Well | Mood::Narrow(_) | Mood::Choosy(_)));
    if status == 204 && mood != Mood::Hangs {
        for (key, raw) in points {
            state.points.entry(key).or_insert((raw, 0)).1 += 1;
        }
    }
    drop(state);
    match mood {
        Mood::Hangs | Mood::LosesReply => return Ok(false),
        Mood::BreaksOff => return stream.write_all(b"HTTP/1.1 204 No Con").map(|()| false),
        Mood::Slow(time) => sleep(time),
        Mood::Endless => {
            stream.write_all(b"HTTP/1.1 500 x\r\nTransfer-Encoding: chunked\r\n\r\n")?;
            loop {
                stream.write_all(b"5\r\nagain\r\n")?;
                sleep(Duration::from_millis(1));
            }
        }
        _ => {}
    }
    let wait = if matches!(mood, Mood::Refuses(_, true)) { "Retry-After: 1\r\n" } else { "" };
    let body = if status == 204 { "" } else { "{\"code\":\"refused\",\"message\":\"as told\"}" };
    write!(stream, "HTTP/1.1 {status} x\r\n{wait}Content-Length: {}\r\n\r\n{body}", body.len())?;
    Ok(true)
}
