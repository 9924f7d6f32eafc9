//! What both ends of the load share: one epoll set over blocking-free sockets, and the size of a poll.

use std::io;
use std::net::TcpStream;
use std::os::fd::{AsFd, OwnedFd};

use rustix::event::epoll;

/// Registers read from a device in one request.
pub(crate) const REGISTERS: u16 = 10;
/// Unit id of every device.
pub(crate) const UNIT_ID: u8 = 1;
/// Most readiness events taken from the kernel at once.
const EVENTS_MAX: usize = 256;

/// An epoll set that hands out the numbers its members were added with.
pub(crate) struct Ready {
    set: OwnedFd,
    events: Vec<epoll::Event>,
}

impl Ready {
    pub(crate) fn new() -> io::Result<Self> {
        let set = epoll::create(epoll::CreateFlags::CLOEXEC)?;
        Ok(Self { set, events: Vec::with_capacity(EVENTS_MAX) })
    }

    /// Reports `source` under `number` whenever there is something to read.
    pub(crate) fn add(&self, source: impl AsFd, number: u64) -> io::Result<()> {
        Ok(epoll::add(&self.set, source, epoll::EventData::new_u64(number), epoll::EventFlags::IN)?)
    }

    /// Waits until something can be read and gives the numbers.
    pub(crate) fn wait(&mut self) -> io::Result<impl Iterator<Item = u64> + use<'_>> {
        self.events.clear();
        epoll::wait(&self.set, rustix::buffer::spare_capacity(&mut self.events), None)?;
        Ok(self.events.iter().map(|event| event.data.u64()))
    }
}

/// Makes a connection ready for an epoll loop: no waiting, no gathering of small frames.
pub(crate) fn prepare(stream: &TcpStream) -> io::Result<()> {
    stream.set_nonblocking(true)?;
    stream.set_nodelay(true)
}
