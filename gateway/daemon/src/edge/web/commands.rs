//! What comes in from outside for the engine to do.

use sumpwarden_core::alarm::order::Order;
use sumpwarden_core::engine::calibration::{CalibrationFor, ProbeCalibrationView, Step};
use sumpwarden_core::engine::notes::NoteView;
use sumpwarden_core::estimate::note::draft::{Draft, Refused};
use tokio::sync::{mpsc, oneshot};

/// Commands on their way to the engine. Full: whoever asks waits, and gives up with its own time-out.
pub const COMMANDS_MAX: usize = 16;

/// Where commands go.
pub type Commands = mpsc::Sender<Command>;

/// Something to do, with where the answer goes. An answer comes once what was done is durable; one that never comes was
/// lost with the store's memory or with the daemon, and may or may not have been done.
#[derive(Debug)]
pub enum Command {
    /// Take a note.
    Note {
        /// As it was sent.
        draft: Box<Draft>,
        /// What it came to.
        answer: oneshot::Sender<Result<NoteView, Refused>>,
    },
    /// Do something about an alarm.
    Order {
        /// Which: `lathe-1/ph-low`.
        alarm: String,
        /// What.
        order: Order,
        /// Who. Untrusted text on one line.
        by: String,
        /// Why. Untrusted text on one line.
        why: Option<String>,
        /// Done, or why not, in words for the person.
        answer: oneshot::Sender<Result<(), String>>,
    },
    /// Do something about the calibration of a probe, or only look.
    Calibration {
        /// Name of the sump, as it was sent.
        sump: String,
        /// Name of the probe, as it was sent.
        probe: String,
        /// What; none where somebody only looks, who is answered at once.
        step: Option<Box<Step>>,
        /// How it stands then.
        answer: oneshot::Sender<Result<Box<ProbeCalibrationView>, CalibrationFor>>,
    },
}
