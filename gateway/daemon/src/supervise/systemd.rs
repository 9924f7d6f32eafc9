//! Word to the service manager, by the protocol of `sd_notify(3)`: datagrams to the socket that `NOTIFY_SOCKET` names.
//! Without one, nothing is said.

use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};

use sumpwarden_core::model::line::clean;

/// Characters of a status line.
const STATUS_CHARS_MAX: usize = 200;

/// Speaks to the service manager.
#[derive(Debug, Default)]
pub(super) struct Manager {
    socket: Option<(UnixDatagram, SocketAddr)>,
    watchdog: bool,
}

impl Manager {
    /// As the environment says.
    pub(super) fn of_environment() -> Self {
        let variable = |name| std::env::var_os(name);
        let (usec, pid) = (variable("WATCHDOG_USEC"), variable("WATCHDOG_PID"));
        let watchdog = wants_watchdog(usec.as_deref(), pid.as_deref(), std::process::id());
        let Some(name) = variable("NOTIFY_SOCKET") else { return Self::default() };
        match connect(&name) {
            Ok(socket) => Self { socket: Some(socket), watchdog },
            Err(error) => {
                tracing::warn!(%error, "the service manager's socket cannot be used");
                Self::default()
            }
        }
    }

    /// Everything that is to run runs.
    pub(super) fn ready(&self, status: &str) {
        self.say(&format!("READY=1\nSTATUS={}", clean(status, STATUS_CHARS_MAX)));
    }

    /// It has begun to read its configuration anew; [`Manager::ready`] says that it has done so.
    pub(super) fn reloading(&self) {
        let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
        let usec = now.tv_sec * 1_000_000 + now.tv_nsec / 1_000;
        self.say(&format!("RELOADING=1\nMONOTONIC_USEC={usec}\nSTATUS=reading the configuration"));
    }

    /// It goes on. Said only where the manager waits for it.
    pub(super) fn alive(&self) {
        if self.watchdog {
            self.say("WATCHDOG=1");
        }
    }

    /// It has begun to stop.
    pub(super) fn stopping(&self) {
        self.say("STOPPING=1\nSTATUS=stopping");
    }

    /// A manager that does not listen is told again at the next occasion, and never waited for.
    fn say(&self, words: &str) {
        let Some((socket, address)) = &self.socket else { return };
        if let Err(error) = socket.send_to_addr(words.as_bytes(), address) {
            tracing::debug!(%error, "the service manager does not listen");
        }
    }
}

fn connect(name: &OsStr) -> io::Result<(UnixDatagram, SocketAddr)> {
    let address = match name.as_bytes() {
        [b'@', name @ ..] => SocketAddr::from_abstract_name(name)?,
        [b'/', ..] => SocketAddr::from_pathname(name)?,
        _ => return Err(io::Error::new(io::ErrorKind::InvalidInput, "neither a path nor an abstract name")),
    };
    let socket = UnixDatagram::unbound()?;
    socket.set_nonblocking(true)?;
    Ok((socket, address))
}

/// Whether signs of life are waited for, and from this process.
fn wants_watchdog(usec: Option<&OsStr>, pid: Option<&OsStr>, own: u32) -> bool {
    let number = |text: &OsStr| text.to_str().and_then(|text| text.parse::<u64>().ok());
    let waits = usec.and_then(number).is_some_and(|usec| usec > 0);
    waits && pid.is_none_or(|pid| number(pid) == Some(u64::from(own)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_process_that_is_meant_gives_signs_of_life() {
        for (usec, pid, wanted) in [
            (None, None, false),
            (Some("30000000"), None, true),
            (Some("30000000"), Some("7"), true),
            (Some("30000000"), Some("8"), false),
            (Some("0"), Some("7"), false),
            (Some("soon"), None, false),
        ] {
            assert_eq!(
                wants_watchdog(usec.map(OsStr::new), pid.map(OsStr::new), 7),
                wanted,
                "{usec:?} {pid:?}"
            );
        }
    }

    #[test]
    fn words_arrive_by_path_and_by_abstract_name() {
        let path = std::env::temp_dir().join(format!("sumpwarden-notify-{}", std::process::id()));
        let listening = UnixDatagram::bind(&path).expect("bound");
        let name = format!("sumpwarden-test-{}", std::process::id());
        let address = SocketAddr::from_abstract_name(&name).expect("a name");
        let abstractly = UnixDatagram::bind_addr(&address).expect("bound");
        for (socket, name) in [(listening, path.into_os_string()), (abstractly, format!("@{name}").into())] {
            let manager = Manager { socket: Some(connect(&name).expect("it is there")), watchdog: true };
            manager.ready("polling 3 buses\nREADY=0");
            manager.alive();
            let mut said = Vec::new();
            for _ in 0..2 {
                let mut buffer = [0; 256];
                let length = socket.recv(&mut buffer).expect("a datagram");
                said.push(String::from_utf8_lossy(&buffer[..length]).into_owned());
            }
            assert_eq!(said, ["READY=1\nSTATUS=polling 3 buses READY=0", "WATCHDOG=1"]);
        }
        std::fs::remove_file(std::env::temp_dir().join(format!("sumpwarden-notify-{}", std::process::id())))
            .expect("it was there");
        assert!(connect(OsStr::new("notify")).is_err(), "a relative path is none");
    }
}
