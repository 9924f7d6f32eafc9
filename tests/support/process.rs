//! Foreign programs under test: started on free ports, stopped by their own process id when dropped.

use std::fs::{self, File};
use std::io::{BufRead, BufReader};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{sleep, spawn};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

/// How long a program may take to be ready or to end.
const MOMENT: Duration = Duration::from_secs(20);

/// A directory that is gone when this is dropped.
#[derive(Debug)]
pub struct TempDir(PathBuf);

impl TempDir {
    /// An empty one; `name` is for people who look into it.
    ///
    /// # Panics
    /// If there is no room for it.
    pub fn new(name: &str) -> Self {
        static MADE: AtomicU32 = AtomicU32::new(0);
        let made = MADE.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("sumpwarden-{name}-{}-{made}", std::process::id()));
        fs::create_dir_all(&path).expect("a temporary directory");
        Self(path)
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// A file in it, as text.
    ///
    /// # Panics
    /// If the path is no text.
    pub fn file(&self, name: &str) -> String {
        self.0.join(name).to_str().expect("a temporary path is text").to_owned()
    }
}

impl Drop for TempDir {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).ok();
    }
}

/// Looks until `found` gives something.
///
/// # Panics
/// If nothing comes within `most`.
#[track_caller]
pub fn wait_for<T>(what: &str, most: Duration, mut found: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + most;
    loop {
        if let Some(found) = found() {
            return found;
        }
        assert!(Instant::now() < deadline, "{what} never came");
        sleep(Duration::from_millis(50));
    }
}

/// A port nobody listens on at this moment.
///
/// # Panics
/// If there is none.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.local_addr().expect("a bound socket has an address").port()
}

/// The program `name`.
///
/// # Panics
/// If it is not there: a test is never passed over because its peer is missing.
pub fn tool(name: &str) -> PathBuf {
    let path = std::env::var("PATH").unwrap_or_default();
    let folders =
        std::env::split_paths(&path).chain(["/usr/sbin", "/usr/local/sbin", "/sbin"].map(PathBuf::from));
    folders
        .map(|folder| folder.join(name))
        .find(|file| file.is_file())
        .unwrap_or_else(|| panic!("{name} is not installed: tests/run --prepare installs it"))
}

/// The Python with the pinned peers in it.
///
/// # Panics
/// If it is not there.
pub fn python() -> PathBuf {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/peers/bin/python");
    assert!(python.is_file(), "{} is not there: tests/run --prepare installs it", python.display());
    python
}

/// A Python peer of `tests/e2e/peers`.
pub fn peer_script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("e2e/peers").join(name)
}

/// A running program.
#[derive(Debug)]
pub struct Peer {
    name: String,
    child: Child,
    output: Arc<Mutex<Vec<String>>>,
}

impl Peer {
    /// Starts it with no input; what it writes is kept.
    ///
    /// # Panics
    /// If it cannot be started.
    pub fn start(name: &str, command: &mut Command) -> Self {
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("{name} cannot be started: {error}"));
        let output = Arc::new(Mutex::new(Vec::new()));
        let readers: [Box<dyn std::io::Read + Send>; 2] = [
            Box::new(child.stdout.take().expect("asked for")),
            Box::new(child.stderr.take().expect("asked for")),
        ];
        for reader in readers {
            let output = Arc::clone(&output);
            spawn(move || {
                for line in BufReader::new(reader).lines().map_while(Result::ok) {
                    output.lock().expect("nobody panics with it").push(line);
                }
            });
        }
        Self { name: name.to_owned(), child, output }
    }

    /// What it has written so far, lines of both streams in order of arrival.
    ///
    /// # Panics
    /// Never.
    pub fn output(&self) -> Vec<String> {
        self.output.lock().expect("nobody panics with it").clone()
    }

    /// The same, for a look while the program is waited for.
    pub fn shared_output(&self) -> Arc<Mutex<Vec<String>>> {
        Arc::clone(&self.output)
    }

    /// Waits until something listens on `port`.
    ///
    /// # Panics
    /// If it takes too long or the program ends.
    pub fn wait_for_port(&mut self, port: u16) {
        self.wait_until("listens", || TcpStream::connect(("127.0.0.1", port)).is_ok());
    }

    /// Waits until `ready`.
    ///
    /// # Panics
    /// If it takes too long or the program ends.
    pub fn wait_until(&mut self, what: &str, mut ready: impl FnMut() -> bool) {
        let deadline = Instant::now() + MOMENT;
        while !ready() {
            let ended = self.child.try_wait().expect("it is our child");
            let output = || self.output().join("\n");
            assert!(ended.is_none(), "{} ended ({ended:?}) before it {what}:\n{}", self.name, output());
            assert!(Instant::now() < deadline, "{} never {what}:\n{}", self.name, output());
            sleep(Duration::from_millis(20));
        }
    }

    /// Waits until it ends by itself; what it has written.
    ///
    /// # Panics
    /// If it fails, or takes longer than `most`.
    pub fn finish(self, most: Duration) -> Vec<String> {
        let name = self.name.clone();
        let (status, output) = self.end(most);
        assert!(status.success(), "{name} failed ({status}):\n{}", output.join("\n"));
        output
    }

    /// Waits until it has ended, however; what it has written.
    ///
    /// # Panics
    /// If it takes longer than `most`.
    pub fn end(mut self, most: Duration) -> (ExitStatus, Vec<String>) {
        let deadline = Instant::now() + most;
        loop {
            if let Some(status) = self.child.try_wait().expect("it is our child") {
                // The readers see the end of the streams a moment later.
                sleep(Duration::from_millis(50));
                return (status, self.output());
            }
            assert!(Instant::now() < deadline, "{} does not end:\n{}", self.name, self.output().join("\n"));
            sleep(Duration::from_millis(20));
        }
    }

    /// Sends a signal to it.
    ///
    /// # Panics
    /// If it is gone.
    pub fn signal(&self, signal: Signal) {
        let pid = Pid::from_child(&self.child);
        kill_process(pid, signal).unwrap_or_else(|error| panic!("{}: {error}", self.name));
    }

    /// Asks it to end, and waits.
    ///
    /// # Panics
    /// If it does not.
    pub fn stop(mut self) {
        self.signal(Signal::TERM);
        let deadline = Instant::now() + MOMENT;
        while self.child.try_wait().expect("it is our child").is_none() {
            assert!(Instant::now() < deadline, "{} does not end", self.name);
            sleep(Duration::from_millis(10));
        }
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

/// Runs a program to its end.
///
/// # Panics
/// If it fails.
pub fn run(command: &mut Command) -> String {
    let output = command.stdin(Stdio::null()).output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Resident memory of this process, in bytes.
///
/// # Panics
/// Where there is no `/proc`.
pub fn resident_bytes() -> u64 {
    let status = File::open("/proc/self/status").expect("Linux has it");
    BufReader::new(status)
        .lines()
        .map_while(Result::ok)
        .find_map(|line| line.strip_prefix("VmRSS:")?.trim().strip_suffix(" kB")?.trim().parse::<u64>().ok())
        .expect("every process has a VmRSS")
        * 1024
}
