//! Mosquitto, an independent broker, and paho, an independent publisher.

use std::fs;
use std::process::Command;
use std::time::Duration;

use rustix::process::Signal;

use crate::process::{Peer, TempDir, free_port, peer_script, python, run, tool};

/// How a broker lets clients in.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Entrance {
    /// Anybody.
    Open,
    /// User `gateway` with password `right`.
    Password,
    /// TLS with a certificate for `localhost`.
    Tls,
    /// TLS, and the client must show a certificate.
    TlsBothWays,
    /// TLS with a certificate for another name.
    TlsOtherName,
    /// TLS with a certificate that has run out.
    TlsExpired,
}

/// A mosquitto with its files.
#[derive(Debug)]
pub struct Mosquitto {
    /// Where it listens, on the loopback address.
    pub port: u16,
    /// Certificates, where it has any.
    pub certificates: Option<Certificates>,
    folder: TempDir,
    peer: Option<Peer>,
}

impl Mosquitto {
    /// Starts one that keeps its sessions over a restart.
    ///
    /// # Panics
    /// If mosquitto does not start.
    pub fn start(entrance: Entrance) -> Self {
        Self::start_with(entrance, &[])
    }

    /// The same with these lines of configuration besides.
    ///
    /// # Panics
    /// If mosquitto does not start.
    pub fn start_with(entrance: Entrance, besides: &[&str]) -> Self {
        let (folder, port) = (TempDir::new("mosquitto"), free_port());
        let mut certificates = None;
        let mut lines = vec![
            // Started by root it would turn into a user who cannot read these files.
            "user root".to_owned(),
            "log_dest stderr".to_owned(),
            "persistence true".to_owned(),
            format!("persistence_location {}/", folder.path().display()),
            "max_queued_messages 0".to_owned(),
            format!("listener {port} 127.0.0.1"),
        ];
        if entrance == Entrance::Password {
            let passwords = folder.file("passwords");
            run(Command::new(tool("mosquitto_passwd")).args(["-b", "-c", &passwords, "gateway", "right"]));
            lines.push("allow_anonymous false".to_owned());
            lines.push(format!("password_file {passwords}"));
        } else {
            lines.push("allow_anonymous true".to_owned());
        }
        if !matches!(entrance, Entrance::Open | Entrance::Password) {
            let made = Certificates::make(match entrance {
                Entrance::TlsOtherName => "broker.elsewhere.example",
                _ => "localhost",
            });
            let server = if entrance == Entrance::TlsExpired { "expired" } else { "server" };
            lines.push(format!("cafile {}", made.file("ca.pem")));
            lines.push(format!("certfile {}", made.file(&format!("{server}.pem"))));
            lines.push(format!("keyfile {}", made.file(&format!("{server}.key"))));
            lines.push(format!("require_certificate {}", entrance == Entrance::TlsBothWays));
            certificates = Some(made);
        }
        lines.extend(besides.iter().map(|&line| line.to_owned()));
        fs::write(folder.file("mosquitto.conf"), lines.join("\n") + "\n").expect("a temporary file");
        let mut broker = Self { port, certificates, folder, peer: None };
        broker.start_again();
        broker
    }

    /// Starts it again on the same port with the same files.
    ///
    /// # Panics
    /// If it does not start.
    pub fn start_again(&mut self) {
        let mut command = Command::new(tool("mosquitto"));
        let mut peer = Peer::start("mosquitto", command.args(["-c", &self.folder.file("mosquitto.conf")]));
        peer.wait_for_port(self.port);
        self.peer = Some(peer);
    }

    /// Ends it; its sessions are written to disk.
    pub fn stop(&mut self) {
        if let Some(peer) = self.peer.take() {
            peer.stop();
        }
    }

    /// Gives the user `gateway` another password, for its next start.
    ///
    /// # Panics
    /// If its tool fails.
    pub fn change_password(&self, password: &str) {
        let passwords = self.folder.file("passwords");
        run(Command::new(tool("mosquitto_passwd")).args(["-b", &passwords, "gateway", password]));
    }

    /// Forgets all sessions; it must be stopped.
    ///
    /// # Panics
    /// If the file cannot be removed.
    pub fn forget(&self) {
        assert!(self.peer.is_none(), "a running broker would write them again");
        fs::remove_file(self.folder.path().join("mosquitto.db"))
            .expect("it was written when the broker ended");
    }

    /// Freezes it: connections stay and nothing answers.
    pub fn freeze(&self) {
        self.signal(Signal::STOP);
    }

    /// Lets it go on.
    pub fn thaw(&self) {
        self.signal(Signal::CONT);
    }

    fn signal(&self, signal: Signal) {
        self.peer.as_ref().expect("it runs").signal(signal);
    }

    /// What it has logged.
    pub fn log(&self) -> Vec<String> {
        self.peer.as_ref().map(Peer::output).unwrap_or_default()
    }
}

/// Certificates made by openssl: an authority, a server, an expired server, a client, and a stranger's authority.
#[derive(Debug)]
pub struct Certificates(TempDir);

impl Certificates {
    /// Makes them; the server's are for `name`.
    ///
    /// # Panics
    /// If openssl fails.
    pub fn make(name: &str) -> Self {
        let made = Self(TempDir::new("certificates"));
        made.authority("ca");
        made.authority("stranger");
        made.sign("server", name, 30);
        made.sign("client", "gateway", 30);
        // Valid for no day at all: it has run out by the second after.
        made.sign("expired", name, 0);
        std::thread::sleep(Duration::from_millis(1100));
        made
    }

    /// `ca.pem`, `server.pem`, `server.key`, `client.pem`, `client.key`, `stranger.pem`, …
    pub fn file(&self, name: &str) -> String {
        self.0.file(name)
    }

    fn key(&self, who: &str) -> String {
        let key = self.file(&format!("{who}.key"));
        openssl(&["ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", &key]);
        key
    }

    fn authority(&self, who: &str) {
        let (key, certificate) = (self.key(who), self.file(&format!("{who}.pem")));
        let subject = format!("/CN={who}");
        openssl(&[
            "req",
            "-x509",
            "-new",
            "-key",
            &key,
            "-subj",
            &subject,
            "-days",
            "30",
            "-out",
            &certificate,
        ]);
    }

    fn sign(&self, who: &str, name: &str, days: u32) {
        let (key, days) = (self.key(who), days.to_string());
        let [request, extensions, certificate] =
            ["csr", "ext", "pem"].map(|end| self.file(&format!("{who}.{end}")));
        openssl(&["req", "-new", "-key", &key, "-subj", &format!("/CN={name}"), "-out", &request]);
        fs::write(&extensions, format!("subjectAltName=DNS:{name}\nbasicConstraints=CA:FALSE\n"))
            .expect("a file");
        let (ca, ca_key) = (self.file("ca.pem"), self.file("ca.key"));
        openssl(&[
            "x509",
            "-req",
            "-in",
            &request,
            "-CA",
            &ca,
            "-CAkey",
            &ca_key,
            "-CAcreateserial",
            "-days",
            &days,
            "-extfile",
            &extensions,
            "-out",
            &certificate,
        ]);
    }
}

fn openssl(arguments: &[&str]) {
    run(Command::new(tool("openssl")).args(arguments));
}

/// Starts the paho publisher on `port` with further arguments (`tests/e2e/peers/publisher.py`).
pub fn publisher(port: u16, arguments: &[&str]) -> Peer {
    let mut command = Command::new(python());
    command.arg(peer_script("publisher.py")).args(["--port", &port.to_string()]).args(arguments);
    Peer::start("publisher", &mut command)
}

/// Publishes and waits until the broker has acknowledged everything.
///
/// # Panics
/// If it does not.
pub fn publish(port: u16, arguments: &[&str]) {
    publisher(port, arguments).finish(Duration::from_secs(120));
}
