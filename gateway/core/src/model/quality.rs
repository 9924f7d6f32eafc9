//! How good a value is, and why, in words a person can act on.
//!
//! Three fields that are never merged: the OPC UA status of the *value* (Part 4 and Part 8 codes), the NAMUR NE 107
//! status of the *device*, and our own [`Reason`]. The usual pairing (OPC 30142 table 13) is Failure and Function check
//! → Bad, Out of specification → Uncertain, Maintenance required → still Good.

/// OPC UA severity: the top two bits of a status code (Part 4, 7.39).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Severity {
    /// Use it.
    Good,
    /// Use it with care.
    Uncertain,
    /// Do not use it.
    Bad,
}

macro_rules! coded {
    ($(#[$doc:meta])* $name:ident: $repr:ty { $($(#[$vdoc:meta])* $variant:ident = $code:literal, $text:literal;)+ }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        #[repr($repr)]
        pub enum $name {
            $($(#[$vdoc])* $variant = $code,)+
        }

        impl $name {
            /// Every value, in code order.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// The code that is stored and sent. Never reused for another meaning.
            pub const fn code(self) -> $repr {
                self as $repr
            }

            /// The value of a stored code.
            pub fn from_code(code: $repr) -> Option<Self> {
                Self::ALL.iter().copied().find(|v| v.code() == code)
            }

            /// The text shown for it.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$variant => $text,)+ }
            }
        }
    };
}

coded! {
    /// OPC UA status codes the gateway gives (IEC 62541-4 and -8; values as in the foundation's StatusCode.csv).
    Status: u32 {
        /// The value is good.
        Good = 0x0000_0000, "Good";
        /// Uncertain for no more special cause.
        Uncertain = 0x4000_0000, "Uncertain";
        /// No reply now, the last value is still within its hold time.
        UncertainNoCommunicationLastUsableValue = 0x408F_0000, "UncertainNoCommunicationLastUsableValue";
        /// Not renewed as planned, the last value is still within its hold time.
        UncertainLastUsableValue = 0x4090_0000, "UncertainLastUsableValue";
        /// The sensor is known not to be accurate now.
        UncertainSensorNotAccurate = 0x4093_0000, "UncertainSensorNotAccurate";
        /// Outside the range the sensor was made or set for.
        UncertainEngineeringUnitsExceeded = 0x4094_0000, "UncertainEngineeringUnitsExceeded";
        /// From fewer sources than planned.
        UncertainSubNormal = 0x4095_0000, "UncertainSubNormal";
        /// Calibration is outside its limits.
        UncertainSensorCalibration = 0x420A_0000, "UncertainSensorCalibration";
        /// Bad for no more special cause.
        Bad = 0x8000_0000, "Bad";
        /// A reply came that was no valid reply.
        BadCommunicationError = 0x8005_0000, "BadCommunicationError";
        /// No reply, and the last value is too old.
        BadNoCommunication = 0x8031_0000, "BadNoCommunication";
        /// Nothing has been read yet.
        BadWaitingForInitialData = 0x8032_0000, "BadWaitingForInitialData";
        /// Outside what is physically possible or plausible.
        BadOutOfRange = 0x803C_0000, "BadOutOfRange";
        /// Our configuration does not fit the device.
        BadConfigurationError = 0x8089_0000, "BadConfigurationError";
        /// The device reports a fault of its own.
        BadDeviceFailure = 0x808B_0000, "BadDeviceFailure";
        /// The sensor or its wire has failed.
        BadSensorFailure = 0x808C_0000, "BadSensorFailure";
        /// Being calibrated, cleaned or replaced.
        BadOutOfService = 0x808D_0000, "BadOutOfService";
        /// The device says that it has no value.
        BadNoData = 0x809B_0000, "BadNoData";
    }
}

impl Status {
    /// Severity, from the top two bits.
    pub const fn severity(self) -> Severity {
        match self.code() >> 30 {
            0 => Severity::Good,
            1 => Severity::Uncertain,
            _ => Severity::Bad,
        }
    }
}

coded! {
    /// NAMUR NE 107 status of the device, weakest first so that the worst is the greatest (F > C > S > M).
    DeviceStatus: u8 {
        /// No diagnostic message.
        Normal = 0, "normal";
        /// Still valid, wear reserve nearly used up.
        MaintenanceRequired = 1, "maintenance required";
        /// Outside its specified conditions.
        OutOfSpecification = 2, "out of specification";
        /// Temporarily invalid because someone works on it.
        FunctionCheck = 3, "function check";
        /// Invalid because of a fault in the device or its periphery.
        Failure = 4, "failure";
    }
}

coded! {
    /// Why, in words a person can act on.
    Reason: u8 {
        /// Nothing to say.
        None = 0, "";
        /// Nothing has been read yet.
        NotYetRead = 1, "not read yet";
        /// Device silent.
        NoReply = 2, "no reply";
        /// Bus or broker cannot be reached.
        NotConnected = 3, "bus or broker not connected";
        /// Reply damaged on the way.
        BadFrame = 4, "damaged reply: check wiring, termination and baud rate";
        /// Exception 1, 2 or 3: the register map in the configuration does not fit the device.
        RegisterMap = 5, "device refuses this address or function: check the register map";
        /// Exception 4 or 8.
        DeviceFault = 6, "device reports a fault of its own";
        /// Exception 5 or 6.
        DeviceBusy = 7, "device busy";
        /// Exception 10 or 11.
        BehindGateway = 8, "device behind the bus gateway does not answer";
        /// The device's sentinel.
        NoValue = 9, "device says it has no value";
        /// NaN or infinity.
        NotFinite = 10, "not a number";
        /// Integer over 2^53.
        TooLarge = 11, "number too large to hold exactly";
        /// Payload is not what was configured.
        Malformed = 12, "message does not hold what was configured";
        /// Payload over the limit.
        Oversized = 13, "message too large";
        /// Payload in a unit that does not fit.
        WrongUnit = 14, "message in a unit that does not fit";
        /// Payload stamped too far off.
        TimeRefused = 15, "time stamp too far from the gateway's clock";
        /// Loop current at or below the lower failure limit (NAMUR NE 43).
        WireBreak = 16, "loop current at or below the lower failure limit: wire break?";
        /// Loop current at or above the upper failure limit (NAMUR NE 43).
        ShortCircuit = 17, "loop current at or above the upper failure limit: short circuit?";
        /// Loop current between valid and failure (NAMUR NE 43).
        LoopBetween = 18, "loop current neither valid nor a clear failure";
        /// Beyond the probe's configured range.
        OutsideRange = 19, "outside the probe's range";
        /// No change where noise is expected.
        Frozen = 20, "frozen: no change where noise is expected";
        /// A jump no sump can make.
        Spike = 21, "spike: faster than this quantity can change";
        /// Slope or zero outside limits.
        OutOfCalibration = 22, "electrode slope or zero outside its limits: calibrate or replace";
        /// Calibration past its date.
        CalibrationOverdue = 23, "calibration overdue";
        /// Not renewed in time.
        Stale = 24, "stale: not renewed in time";
        /// The temperature that compensation needs is missing; a fixed one was used.
        TemperatureMissing = 25, "temperature for compensation missing, fixed one used";
        /// The compensation is not defined at this temperature (ISO 7888: 0 to 35.9 °C).
        CompensationRange = 26, "compensation not defined at this temperature";
        /// Outside what the conversion can turn into a value.
        NotConvertible = 27, "outside what the conversion is defined for";
        /// Someone took the probe out of service.
        OutOfService = 28, "out of service";
        /// An estimate that lacks some of its sources.
        FewerSources = 29, "from fewer sources than planned";
        // 30 was never given; it stays free.
        /// Resistance beyond the element's span: open or shorted sensor.
        SensorOpen = 31, "resistance outside the element's span: open or shorted sensor?";
        /// The counter went backwards in a way that no roll-over explains.
        CounterReset = 32, "counter restarted";
        /// Level beyond the tank, and not only by the probe's uncertainty.
        OutsideTank = 33, "outside the tank's measures";
        /// A concentration beyond the ends of the fluid's jar test.
        OutsideCurve = 34, "beyond the ends of the calibration curve";
        /// Somebody has the probe in a buffer or a standard.
        BeingCalibrated = 35, "being calibrated";
        /// Two boxes share the bus, and this one does not poll it now.
        StandingBy = 36, "another box polls this bus";
    }
}

/// Status of the value, status of the device, and why.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Quality {
    /// OPC UA status of the value.
    pub status: Status,
    /// NE 107 status of the device.
    pub device: DeviceStatus,
    /// Why, for a person.
    pub reason: Reason,
}

impl Quality {
    /// A good value from a device with nothing to say.
    pub const GOOD: Self = Self::new(Status::Good, DeviceStatus::Normal, Reason::None);

    /// Nothing read yet.
    pub const WAITING: Self =
        Self::new(Status::BadWaitingForInitialData, DeviceStatus::Normal, Reason::NotYetRead);

    /// Puts the three together.
    pub const fn new(status: Status, device: DeviceStatus, reason: Reason) -> Self {
        Self { status, device, reason }
    }

    /// Severity of the value.
    pub const fn severity(self) -> Severity {
        self.status.severity()
    }

    /// The worse of two: by severity of the value, then by status of the device; the first on a tie.
    pub fn worst(self, other: Self) -> Self {
        if (other.severity(), other.device) > (self.severity(), self.device) { other } else { self }
    }

    /// One number that holds all three, for storage: status in the top 16 bits, then device, then reason.
    pub const fn pack(self) -> u32 {
        // Every status code we give has its low 16 bits clear (tested), so they are free for the other two.
        self.status.code() | ((self.device.code() as u32) << 8) | self.reason.code() as u32
    }

    /// The quality of a packed number; `None` if some part of it is unknown to this version.
    pub fn unpack(packed: u32) -> Option<Self> {
        let [high, low, device, reason] = packed.to_be_bytes();
        Some(Self {
            status: Status::from_code(u32::from_be_bytes([high, low, 0, 0]))?,
            device: DeviceStatus::from_code(device)?,
            reason: Reason::from_code(reason)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packing_loses_nothing() {
        for &status in Status::ALL {
            assert_eq!(status.code() & 0xFFFF, 0, "{status:?} leaves no room for device and reason");
            for &device in DeviceStatus::ALL {
                for &reason in Reason::ALL {
                    let quality = Quality::new(status, device, reason);
                    assert_eq!(Quality::unpack(quality.pack()), Some(quality));
                }
            }
        }
        assert_eq!(Quality::unpack(0x0001_0000), None);
    }

    #[test]
    fn worst_looks_at_the_value_first() {
        let failing =
            Quality::new(Status::Good, DeviceStatus::MaintenanceRequired, Reason::CalibrationOverdue);
        let outside = Quality::new(
            Status::UncertainEngineeringUnitsExceeded,
            DeviceStatus::OutOfSpecification,
            Reason::OutsideRange,
        );
        assert_eq!(failing.worst(outside), outside);
        assert_eq!(Quality::GOOD.worst(failing), failing);
        assert_eq!(outside.worst(Quality::GOOD), outside);
    }
}
