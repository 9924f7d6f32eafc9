//! What the lack of a number says about the value: one place for the whole table.

use crate::model::{DeviceStatus, Fault, Quality, Reason, Status};

/// What a fault does to the probe's value.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Verdict {
    /// Nothing was learnt: the last usable value stands in within its hold time, then this quality holds.
    Silent(Quality),
    /// The device or its configuration speaks against the value: this quality holds at once.
    Refused(Quality),
    /// Somebody else asks: nothing comes here, and that is as it should be.
    Elsewhere(Quality),
}

/// Judges a fault. Exceptions by Modbus V1.1b3 section 7; 7 and unknown codes are the device's own trouble.
pub(super) fn judge(fault: Fault) -> Verdict {
    use Verdict::{Elsewhere, Refused, Silent};
    match fault {
        Fault::NoReply => Silent(failed(Status::BadNoCommunication, Reason::NoReply)),
        Fault::NotConnected => Silent(failed(Status::BadNoCommunication, Reason::NotConnected)),
        Fault::BadFrame => Silent(failed(Status::BadCommunicationError, Reason::BadFrame)),
        Fault::Exception(1..=3) => Refused(failed(Status::BadConfigurationError, Reason::RegisterMap)),
        Fault::Exception(5 | 6) => Silent(failed(Status::BadNoCommunication, Reason::DeviceBusy)),
        Fault::Exception(10 | 11) => Refused(failed(Status::BadNoCommunication, Reason::BehindGateway)),
        Fault::Exception(_) => Refused(failed(Status::BadDeviceFailure, Reason::DeviceFault)),
        Fault::NoValue => Refused(failed(Status::BadNoData, Reason::NoValue)),
        Fault::NotFinite => Refused(failed(Status::BadNoData, Reason::NotFinite)),
        Fault::TooLarge => Refused(failed(Status::BadOutOfRange, Reason::TooLarge)),
        Fault::WrongUnit => Refused(failed(Status::BadConfigurationError, Reason::WrongUnit)),
        // A message that was thrown away says nothing of the liquid, and the next one may be whole.
        Fault::Malformed => Silent(failed(Status::BadCommunicationError, Reason::Malformed)),
        Fault::Oversized => Silent(failed(Status::BadCommunicationError, Reason::Oversized)),
        Fault::StandingBy => Elsewhere(STANDING_BY),
        Fault::TimeRefused => Silent(failed(Status::BadCommunicationError, Reason::TimeRefused)),
    }
}

/// Quality of a value that stands in while `silence` lasts.
pub(super) fn held(silence: Quality) -> Quality {
    Quality { status: Status::UncertainNoCommunicationLastUsableValue, ..silence }
}

/// Silence that nobody explained: nothing arrived, good or bad.
pub(super) const UNEXPLAINED: Quality = failed(Status::BadNoCommunication, Reason::NoReply);

/// Silence beyond the stale time that nobody explained.
pub(super) const STALE: Quality = failed(Status::BadNoCommunication, Reason::Stale);

const STANDING_BY: Quality = Quality::new(Status::BadNoData, DeviceStatus::Normal, Reason::StandingBy);

const fn failed(status: Status, reason: Reason) -> Quality {
    Quality::new(status, DeviceStatus::Failure, reason)
}
