//! What stands at the hub's address: passes bytes on to a server on its loopback address, and writes down who asked when, so that
//! a serial server's log can be read afterwards.

use std::io::{Read, Write};
use std::net::{IpAddr, Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread::spawn;
use std::time::Instant;

use crate::net::HUB;

/// What was seen at the serial server.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum What {
    /// A box has connected.
    Connected,
    /// It asks.
    Request,
    /// It is answered.
    Reply,
    /// Its connection has ended.
    Closed,
}

/// One line of the log.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Entry {
    pub(crate) at: Instant,
    pub(crate) from: IpAddr,
    pub(crate) what: What,
}

/// Passes on, and remembers.
#[derive(Clone, Debug, Default)]
pub(crate) struct Relay {
    log: Arc<Mutex<Vec<Entry>>>,
}

impl Relay {
    /// One at this port of the hub, before the same port of its loopback address.
    pub(crate) fn before(port: u16) -> Self {
        let relay = Self::default();
        let listener = TcpListener::bind((HUB, port)).expect("the hub's own address");
        let log = Arc::clone(&relay.log);
        spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                let (Ok(from), Ok(far)) = (near.peer_addr(), TcpStream::connect(("127.0.0.1", port))) else {
                    continue;
                };
                let log = Book { log: Arc::clone(&log), from: from.ip() };
                log.note(What::Connected);
                for (from, to, what) in [(&near, &far, What::Request), (&far, &near, What::Reply)] {
                    let (Ok(from), Ok(to)) = (from.try_clone(), to.try_clone()) else { continue };
                    let log = log.clone();
                    spawn(move || pass(from, to, what, &log));
                }
            }
        });
        relay
    }

    /// What was seen so far.
    pub(crate) fn log(&self) -> Vec<Entry> {
        self.log.lock().expect("nobody panics with it").clone()
    }
}

#[derive(Clone)]
struct Book {
    log: Arc<Mutex<Vec<Entry>>>,
    from: IpAddr,
}

impl Book {
    fn note(&self, what: What) {
        let mut log = self.log.lock().expect("nobody panics with it");
        log.push(Entry { at: Instant::now(), from: self.from, what });
    }
}

fn pass(mut from: TcpStream, mut to: TcpStream, what: What, log: &Book) {
    to.set_nodelay(true).ok();
    let mut piece = [0; 4096];
    loop {
        let length = from.read(&mut piece).unwrap_or(0);
        if length > 0 {
            log.note(what);
        }
        if length == 0 || to.write_all(&piece[..length]).is_err() {
            if what == What::Request {
                log.note(What::Closed);
            }
            to.shutdown(Shutdown::Both).ok();
            return;
        }
    }
}
