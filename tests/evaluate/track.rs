//! What was seen of one sump while a case was played: everything that judging, drawing and tuning need.

use sumpwarden_sim::Stamp;

use crate::judged::Hour;
use crate::score::TopUp;

/// One sump of one case.
#[derive(Clone, Debug)]
pub(crate) struct Track {
    pub(crate) sump: &'static str,
    pub(crate) tank_l: f64,
    pub(crate) start: Stamp,
    pub(crate) hours: Vec<Hour>,
    /// What people wrote down: when, kind, value.
    pub(crate) notes: Vec<(Stamp, &'static str, f64)>,
    /// Every pour as it was.
    pub(crate) pours: Vec<TopUp>,
    /// Top-ups as the gateway told them.
    pub(crate) topups: Vec<TopUp>,
    /// Other events the gateway told: when, subject, state, value.
    pub(crate) events: Vec<Told>,
    /// Dumps and clean-outs as they were: begin and end. Nothing is judged in between.
    pub(crate) exchanges: Vec<(Stamp, Stamp)>,
    /// Process alarms raised.
    pub(crate) alarms: Vec<Raised>,
    /// Leaks: when one began, and when it was mended if it was.
    pub(crate) leaks: Vec<(Stamp, Option<Stamp>)>,
    /// Probes that froze: when, name, and when that was told.
    pub(crate) frozen: Vec<Frozen>,
    /// Everything else that happened: when, what.
    pub(crate) happened: Vec<(Stamp, String)>,
    /// Forecasts of the hardness limit, one a day.
    pub(crate) forecasts: Vec<Forecast>,
}

impl Track {
    /// A sump of which nothing has been seen yet.
    pub(crate) fn new(sump: &'static str, tank_l: f64, start: Stamp) -> Self {
        Self {
            sump,
            tank_l,
            start,
            hours: Vec::new(),
            notes: Vec::new(),
            pours: Vec::new(),
            topups: Vec::new(),
            events: Vec::new(),
            exchanges: Vec::new(),
            alarms: Vec::new(),
            leaks: Vec::new(),
            frozen: Vec::new(),
            happened: Vec::new(),
            forecasts: Vec::new(),
        }
    }
}

/// Something the gateway wrote into the journal.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Told {
    pub(crate) at: Stamp,
    pub(crate) subject: String,
    pub(crate) state: String,
    pub(crate) value: Option<f64>,
}

/// A process alarm.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Raised {
    pub(crate) at: Stamp,
    pub(crate) name: String,
    /// The truth was on the right side of the limit by more than its deadband; none where the simulator has no such
    /// truth.
    pub(crate) false_by_truth: Option<bool>,
}

/// A probe that froze.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Frozen {
    pub(crate) from: Stamp,
    pub(crate) until: Stamp,
    pub(crate) probe: &'static str,
    pub(crate) told: Option<Stamp>,
}

/// What the gateway thought of the time left, days.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Forecast {
    pub(crate) at: Stamp,
    pub(crate) days: f64,
    pub(crate) low90: f64,
    pub(crate) high90: f64,
}
