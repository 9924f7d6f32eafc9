//! What a host says of itself (Sparkplug 3.0, chapter 6, "STATE").

use serde::Deserialize;

/// Longest message of a host that is read, bytes.
const STATE_BYTES_MAX: usize = 1024;

/// Whether a host is there.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
pub(super) struct HostState {
    /// It is.
    pub(super) online: bool,
    /// When it began to be, or ceased to, ms since 1970.
    pub(super) timestamp: u64,
}

impl HostState {
    /// None where it says neither.
    pub(super) fn decode(payload: &[u8]) -> Option<Self> {
        (payload.len() <= STATE_BYTES_MAX).then(|| serde_json::from_slice(payload).ok())?
    }
}
