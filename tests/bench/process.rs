//! A process under measurement: its CPU time and memory from /proc, all threads counted.

use std::error::Error;
use std::fs;
use std::io;
use std::os::unix::process::ExitStatusExt;
use std::process::{Child, Command, Output, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

/// Ticks a second in /proc/PID/stat: sysconf(_SC_CLK_TCK), 100 on every architecture Linux runs Rust's std on.
const TICKS_PER_SECOND: u64 = 100;
/// How long a process may take to end once told to.
const STOP_MAX: Duration = Duration::from_secs(20);

/// A running process.
pub(crate) struct Process {
    child: Option<Child>,
    pid: u32,
}

/// Memory that is resident, in bytes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Memory {
    pub(crate) now: u64,
    pub(crate) peak: u64,
}

impl Process {
    /// Starts `command`, its standard output kept for [`Self::stop`].
    pub(crate) fn start(command: &mut Command) -> Result<Self, Box<dyn Error>> {
        let child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|e| format!("{}: {e}", command.get_program().display()))?;
        Ok(Self { pid: child.id(), child: Some(child) })
    }

    /// User and system time so far, of every thread that is or was.
    pub(crate) fn cpu(&self) -> Result<Duration, Box<dyn Error>> {
        let stat = fs::read_to_string(format!("/proc/{}/stat", self.pid))?;
        // The name in brackets may hold anything; fields are counted from behind it (proc(5): 14 and 15 of all).
        let (_, fields) = stat.rsplit_once(") ").ok_or("no name in /proc/PID/stat")?;
        let ticks: u64 = fields.split(' ').skip(11).take(2).map(str::parse::<u64>).sum::<Result<_, _>>()?;
        if fields.starts_with('Z') {
            return Err(format!("process {} has ended of itself", self.pid).into());
        }
        Ok(Duration::from_millis(ticks * 1000 / TICKS_PER_SECOND))
    }

    /// Waits until it has ended of itself and gives the processor time it took; an end in failure is an error.
    pub(crate) fn run_to_its_end(mut self) -> Result<Duration, Box<dyn Error>> {
        let before = of_ended_children()?;
        let status = self.child.take().expect("not taken yet").wait()?;
        if !status.success() {
            return Err(format!("process {} ended with {status}", self.pid).into());
        }
        Ok(of_ended_children()? - before)
    }

    /// Memory resident now and at its peak.
    pub(crate) fn memory(&self) -> Result<Memory, Box<dyn Error>> {
        memory_of(self.pid)
    }

    /// Asks it to end and gives what it wrote.
    pub(crate) fn stop(mut self) -> Result<Output, Box<dyn Error>> {
        let child = self.child.as_mut().expect("taken below only");
        kill_process(Pid::from_child(child), Signal::TERM)?;
        let asked = Instant::now();
        while child.try_wait()?.is_none() {
            if asked.elapsed() > STOP_MAX {
                return Err(
                    io::Error::other(format!("process {} did not end when asked to", self.pid)).into()
                );
            }
            sleep(Duration::from_millis(20));
        }
        let output = self.child.take().expect("not taken yet").wait_with_output()?;
        let told = output.status.signal() == Some(Signal::TERM.as_raw());
        if output.status.success() || told {
            Ok(output)
        } else {
            Err(format!("process {} ended with {}", self.pid, output.status).into())
        }
    }
}

/// Memory of the process with this id, resident now and at its peak.
pub(crate) fn memory_of(pid: u32) -> Result<Memory, Box<dyn Error>> {
    let status = fs::read_to_string(format!("/proc/{pid}/status"))?;
    let field = |name: &str| -> Result<u64, Box<dyn Error>> {
        let line = status.lines().find(|l| l.starts_with(name)).ok_or("memory of a process that ended")?;
        let kib: u64 = line.split_ascii_whitespace().nth(1).ok_or("no number")?.parse()?;
        Ok(kib * 1024)
    };
    Ok(Memory { now: field("VmRSS:")?, peak: field("VmHWM:")? })
}

/// User and system time of all children that have ended and were waited for.
fn of_ended_children() -> Result<Duration, Box<dyn Error>> {
    let stat = fs::read_to_string("/proc/self/stat")?;
    let (_, fields) = stat.rsplit_once(") ").ok_or("no name in /proc/self/stat")?;
    // proc(5): 16 and 17 of all.
    let ticks: u64 = fields.split(' ').skip(13).take(2).map(str::parse::<u64>).sum::<Result<_, _>>()?;
    Ok(Duration::from_millis(ticks * 1000 / TICKS_PER_SECOND))
}

impl Drop for Process {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            // It may be gone already; then there is nothing to stop.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
