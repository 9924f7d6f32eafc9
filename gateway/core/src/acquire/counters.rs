//! Every poll ends in exactly one bucket.

/// What became of the polls of one device since the bus started.
///
/// A poll is counted once it is over, so at any moment
/// `polls_sent = replies_ok + exceptions + timeouts + frame_errors + unmatched` ([`Self::balanced`]).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct DeviceCounters {
    /// Requests that went out, repeats included.
    pub polls_sent: u64,
    /// Replies that were what was asked for.
    pub replies_ok: u64,
    /// Modbus exceptions of any code.
    pub exceptions: u64,
    /// No reply, or only part of one, within the time-out, or the connection was closed before the first byte came.
    pub timeouts: u64,
    /// A whole reply came damaged, of the wrong length, or was cut off by the connection.
    pub frame_errors: u64,
    /// A valid frame that answers something else: other unit, function or transaction.
    pub unmatched: u64,
    /// Polls that fell due while the bus was not connected: never sent, not in `polls_sent`.
    pub not_connected: u64,
    /// Polls that were left out because the one before was still due a whole period later.
    pub skipped: u64,
    /// Exceptions by code; place 0 holds every code that is not 1 to 11.
    pub exceptions_by_code: [u64; 12],
}

impl DeviceCounters {
    /// Whether every poll sent is in exactly one bucket.
    pub fn balanced(&self) -> bool {
        self.polls_sent
            == self.replies_ok + self.exceptions + self.timeouts + self.frame_errors + self.unmatched
            && self.exceptions == self.exceptions_by_code.iter().sum::<u64>()
    }

    /// Counts one exception.
    pub(super) fn exception(&mut self, code: u8) {
        let place = if usize::from(code) < self.exceptions_by_code.len() { usize::from(code) } else { 0 };
        self.exceptions += 1;
        self.exceptions_by_code[place] += 1;
    }
}
