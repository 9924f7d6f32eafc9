//! Why something about a calibration is not done, and what would be right.

use super::steady::Unsteady;
use super::{POINTS_APART_MAX_K, POINTS_MAX, Standard, standard};
use crate::model::{Line, Quality, Timestamp};
use crate::signal::conductivity::CellCalibrationError;
use crate::signal::ph::{BUFFER_DISTANCE_PH_MIN, PhCalibrationError};
use crate::signal::ph_buffers::{BufferFamily, TEMPERATURE_MAX_C, TEMPERATURE_MIN_C};

/// Why not.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum Refusal {
    /// The probe has nothing that is calibrated here.
    #[error(
        "the device of this probe gives finished values: calibrate it at the device, then write that down with a note \
         of the kind calibrated"
    )]
    NotHere,
    /// Nobody calibrates it.
    #[error("nobody is calibrating this probe; begin first")]
    NotRunning,
    /// Somebody does.
    #[error("{by} has been calibrating this probe since {since}; finish or abandon that first")]
    Running {
        /// Who.
        by: Line,
        /// Since when.
        since: Timestamp,
    },
    /// 7.00 and 6.86 look alike to an electrode.
    #[error(
        "say whose buffers: `standard` is din-19266 (4.005, 6.865, 9.180), jis-z-8802 or technical (4.00, 7.00, 10.01), or \
         the pH of each; buffers = \"…\" under electrode in the configuration says it for good"
    )]
    NoFamily,
    /// No such standard.
    #[error("{0:?} is no standard for this probe; {right}", right = right_standard(*.1))]
    Standard(String, bool),
    /// No signal to take.
    #[error("no signal has come from the probe{why}; see that it is connected and polled", why = because(.0))]
    NoSignal(Option<Quality>),
    /// Not yet steady.
    #[error("not steady yet: {0}; or take it all the same (even_if_unstable), which is written down")]
    NotSteady(Unsteady),
    /// No buffer of the family is near.
    #[error(
        "the electrode reads pH {reads:.2}, and no buffer of {family} lies within {within} of that: another buffer, or say \
         which pH it has (standard)", family = .family.word()
    )]
    NoSuchBuffer {
        /// Whose buffers.
        family: BufferFamily,
        /// What it reads.
        reads: f64,
        /// How near one must lie.
        within: f64,
    },
    /// No bottle is near.
    #[error(
        "the cell reads {reads:.0} µS/cm, and none of the usual standards ({known}) lies within a quarter of that: say what \
         stands on the bottle (standard)", known = bottles()
    )]
    NoSuchSolution {
        /// What it reads.
        reads: f64,
    },
    /// No table goes there.
    #[error(
        "the liquid is at {0:.1} °C; standards are used at {min} to {max} °C",
        min = TEMPERATURE_MIN_C,
        max = TEMPERATURE_MAX_C
    )]
    Temperature(f64),
    /// The device has turned its number to 25 °C.
    #[error("the device of this probe gives its values at 25 °C itself; leave temperature_c out")]
    AtReference,
    /// Enough is enough.
    #[error("there are {POINTS_MAX} points already; finish, or take one of them again in its buffer")]
    TooManyPoints,
    /// Two points would not make a slope.
    #[error(
        "{one} and {other} are too close together; take buffers more than {min} pH apart, such as 7.00 and 10.01",
        one = .0.name, other = .1.name, min = BUFFER_DISTANCE_PH_MIN
    )]
    BuffersTooClose(Standard, Standard),
    /// One is cold yet.
    #[error(
        "one buffer is at {0:.1} °C and the other at {1:.1} °C; let them come within {POINTS_APART_MAX_K} K of each other"
    )]
    TemperaturesApart(f64, f64),
    /// Nothing to reckon from.
    #[error("no point has been taken yet; put the probe into a standard and take one")]
    NoPoint,
    /// The points make no line.
    #[error("{0}; take a point again in its buffer, or abandon")]
    Electrode(PhCalibrationError),
    /// The point makes no constant.
    #[error("{0}; take the point again, or abandon")]
    Cell(CellCalibrationError),
    /// What came out is not fit for use.
    #[error("not fit for use: {0}; or finish all the same (even_if_unfit): its values are then uncertain")]
    Unfit(String),
}

impl Refusal {
    /// Stable word.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::NotHere => "not_here",
            Self::NotRunning => "not_running",
            Self::Running { .. } => "running",
            Self::NoFamily => "no_family",
            Self::Standard(..) => "standard",
            Self::NoSignal(_) => "no_signal",
            Self::NotSteady(_) => "not_steady",
            Self::NoSuchBuffer { .. } | Self::NoSuchSolution { .. } => "not_recognised",
            Self::Temperature(_) | Self::AtReference | Self::TemperaturesApart(..) => "temperature",
            Self::TooManyPoints => "too_many_points",
            Self::BuffersTooClose(..) => "too_close",
            Self::NoPoint => "no_point",
            Self::Electrode(_) | Self::Cell(_) => "no_calibration",
            Self::Unfit(_) => "unfit",
        }
    }

    /// Whether what was said is wrong, rather than how things stand.
    pub const fn is_of_words(&self) -> bool {
        matches!(self, Self::NoFamily | Self::Standard(..) | Self::AtReference)
    }
}

fn right_standard(is_ph: bool) -> String {
    if is_ph {
        "give din-19266, jis-z-8802, technical, or the pH of the buffer such as \"7.00\"".to_owned()
    } else {
        format!(
            "give what stands on the bottle in µS/cm at 25 °C ({}), or kcl-0.01, kcl-0.1, kcl-1",
            bottles()
        )
    }
}

fn bottles() -> String {
    standard::BOTTLES_US_CM.map(|label| label.to_string()).join(", ")
}

fn because(why: &Option<Quality>) -> String {
    why.map_or_else(String::new, |why| format!(" ({})", why.reason.text()))
}
