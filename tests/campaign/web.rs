//! Visitors of the page who dawdle, flood or never read.

use std::io::Write;
use std::net::TcpStream;
use std::time::Duration;

use super::Around;
use super::account::{close, polls_per_second};
use super::outcome::Outcome;
use super::plant::{Parts, Plant};

/// Half-sent heads, idle connections, huge heads and bodies.
pub(crate) fn visitors(around: &Around) -> Outcome {
    let idle = around.size(200, 900);
    let mut plant = Plant::new(Parts::ALL, &around.build);
    let mut outcome = Outcome::new(0);
    plant.start();
    plant.pass(Duration::from_secs(1));
    let page = plant.daemon().port();
    let connect = || TcpStream::connect(("127.0.0.1", page)).ok();
    let mut guests: Vec<TcpStream> = (0..idle).map_while(|_| connect()).collect();
    for guest in &mut guests {
        let _ = guest.write_all(b"GET /state HTTP/1.1\r\nHost: 127");
    }
    outcome.expect(guests.len() as u64 == idle, format!("{} of {idle} visitors only", guests.len()));
    outcome.injected = guests.len() as u64;
    let long = "x".repeat(10 << 20);
    for text in [
        format!("GET /state HTTP/1.1\r\nX: {long}"),
        format!("POST /notes HTTP/1.1\r\nHost: 127.0.0.1:{page}\r\nContent-Length: 10485760\r\n\r\n{long}"),
    ] {
        if let Some(mut guest) = connect() {
            outcome.injected += 1;
            let _ = guest.set_write_timeout(Some(Duration::from_secs(2)));
            let _ = guest.write_all(text.as_bytes());
        }
    }
    let (before, seconds) = (plant.requests(), around.size(4, 60));
    plant.pass(Duration::from_secs(seconds));
    let polls = plant.requests() - before;
    outcome.expect(polls > polls_per_second() * seconds / 2, format!("{polls} polls beside visitors"));
    outcome.say(format!(
        "{} half-sent heads, 10 MiB heads and bodies: {polls} polls in {seconds} s",
        guests.len()
    ));
    around.step(1, 1);
    drop(guests);
    outcome.with(close(&mut plant))
}
