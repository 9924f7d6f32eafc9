//! A network between gateway and devices that can lose a connection without telling anybody.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::{sleep, spawn};
use std::time::Duration;

/// Passes bytes on, until told to swallow those of the connections there are.
#[derive(Debug)]
pub(crate) struct Relay {
    pub(crate) port: u16,
    /// Connections of an earlier age are swallowed.
    age: Arc<AtomicU64>,
}

impl Relay {
    /// One before this port of the loopback address.
    pub(crate) fn before(behind: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("bound").port();
        let age = Arc::new(AtomicU64::new(0));
        let now = Arc::clone(&age);
        spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                let Ok(far) = TcpStream::connect(("127.0.0.1", behind)) else { continue };
                let born = now.load(Ordering::Relaxed);
                for (from, to) in [(&near, &far), (&far, &near)] {
                    let (Ok(from), Ok(to)) = (from.try_clone(), to.try_clone()) else { continue };
                    let now = Arc::clone(&now);
                    spawn(move || pass(from, to, born, &now));
                }
            }
        });
        Self { port, age }
    }

    /// From now on nothing passes on the connections there are; they stay open. New ones are served.
    pub(crate) fn swallow(&self) {
        self.age.fetch_add(1, Ordering::Relaxed);
    }
}

fn pass(mut from: TcpStream, mut to: TcpStream, born: u64, age: &AtomicU64) {
    let _ = to.set_nodelay(true);
    let mut piece = [0; 4096];
    loop {
        let Ok(length) = from.read(&mut piece) else { return };
        if age.load(Ordering::Relaxed) > born {
            // Both ends stay open for longer than anybody should need to notice.
            sleep(Duration::from_secs(120));
            return;
        }
        if length == 0 || to.write_all(&piece[..length]).is_err() {
            let _ = to.shutdown(std::net::Shutdown::Both);
            return;
        }
    }
}
