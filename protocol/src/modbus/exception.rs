//! What a device says when it refuses (Modbus Application Protocol V1.1b3, section 7).

use std::fmt;

/// Code of an exception reply.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum ExceptionCode {
    /// 1: the device does not know the function.
    IllegalFunction,
    /// 2: an address asked for does not exist.
    IllegalDataAddress,
    /// 3: the quantity or a value is not allowed.
    IllegalDataValue,
    /// 4: the device failed while it tried.
    ServerDeviceFailure,
    /// 5: accepted, and it takes long.
    Acknowledge,
    /// 6: busy with a long job.
    ServerDeviceBusy,
    /// 8: its extended memory failed the parity check.
    MemoryParityError,
    /// 10: a gateway has no path to the device.
    GatewayPathUnavailable,
    /// 11: the device behind a gateway did not answer.
    GatewayTargetDeviceFailedToRespond,
    /// Any other code, which the specification does not define.
    Unknown(u8),
}

impl ExceptionCode {
    /// Those the specification defines.
    pub const DEFINED: [Self; 9] = [
        Self::IllegalFunction,
        Self::IllegalDataAddress,
        Self::IllegalDataValue,
        Self::ServerDeviceFailure,
        Self::Acknowledge,
        Self::ServerDeviceBusy,
        Self::MemoryParityError,
        Self::GatewayPathUnavailable,
        Self::GatewayTargetDeviceFailedToRespond,
    ];

    /// As it comes over the wire.
    pub const fn from_code(code: u8) -> Self {
        match code {
            1 => Self::IllegalFunction,
            2 => Self::IllegalDataAddress,
            3 => Self::IllegalDataValue,
            4 => Self::ServerDeviceFailure,
            5 => Self::Acknowledge,
            6 => Self::ServerDeviceBusy,
            8 => Self::MemoryParityError,
            10 => Self::GatewayPathUnavailable,
            11 => Self::GatewayTargetDeviceFailedToRespond,
            other => Self::Unknown(other),
        }
    }

    /// As it goes over the wire.
    pub const fn code(self) -> u8 {
        match self {
            Self::IllegalFunction => 1,
            Self::IllegalDataAddress => 2,
            Self::IllegalDataValue => 3,
            Self::ServerDeviceFailure => 4,
            Self::Acknowledge => 5,
            Self::ServerDeviceBusy => 6,
            Self::MemoryParityError => 8,
            Self::GatewayPathUnavailable => 10,
            Self::GatewayTargetDeviceFailedToRespond => 11,
            Self::Unknown(code) => code,
        }
    }

    /// The specification's name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::IllegalFunction => "ILLEGAL FUNCTION",
            Self::IllegalDataAddress => "ILLEGAL DATA ADDRESS",
            Self::IllegalDataValue => "ILLEGAL DATA VALUE",
            Self::ServerDeviceFailure => "SERVER DEVICE FAILURE",
            Self::Acknowledge => "ACKNOWLEDGE",
            Self::ServerDeviceBusy => "SERVER DEVICE BUSY",
            Self::MemoryParityError => "MEMORY PARITY ERROR",
            Self::GatewayPathUnavailable => "GATEWAY PATH UNAVAILABLE",
            Self::GatewayTargetDeviceFailedToRespond => "GATEWAY TARGET DEVICE FAILED TO RESPOND",
            Self::Unknown(_) => "NOT DEFINED",
        }
    }

    /// What it means to a person who reads a probe.
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::IllegalFunction => "the device cannot read this kind of register; try another table",
            Self::IllegalDataAddress => {
                "the device has no register at this address; check it against the manual"
            }
            Self::IllegalDataValue => "the device does not give that many registers at once; ask for fewer",
            Self::ServerDeviceFailure => "the device reports a failure of its own",
            Self::Acknowledge => "the device needs longer for this request",
            Self::ServerDeviceBusy => "the device is busy; asked again later",
            Self::MemoryParityError => "the device found its memory damaged",
            Self::GatewayPathUnavailable => "the gateway has no way to the device; check its set-up or load",
            Self::GatewayTargetDeviceFailedToRespond => "the device behind the gateway does not answer",
            Self::Unknown(_) => "a code of the maker's own; its manual may explain it",
        }
    }
}

impl fmt::Display for ExceptionCode {
    /// `exception 2 (ILLEGAL DATA ADDRESS): the device has no register at …`
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "exception {} ({}): {}", self.code(), self.name(), self.meaning())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_reads_back() {
        for code in 0..=u8::MAX {
            let exception = ExceptionCode::from_code(code);
            assert_eq!(exception.code(), code);
            let defined = ExceptionCode::DEFINED.contains(&exception);
            assert_eq!(defined, !matches!(exception, ExceptionCode::Unknown(_)), "{exception}");
        }
    }
}
