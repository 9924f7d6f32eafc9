//! The calibration of a probe as it leaves the process. Field names carry their unit where it is fixed.

use schemars::JsonSchema;
use serde::Serialize;

use super::{Done, Engine, OfProbe};
use crate::model::{Now, ProbeIndex, Quantity};
use crate::signal::calibration::{
    Calibrated, IDLE_MAX, Judgement, POINTS_APART_MAX_K, POINTS_MAX, Point, Refusal, Session, Setup,
    Standard, Unsteady, Verdict, judge, steady,
};
use crate::signal::ph::{BUFFER_DISTANCE_PH_MIN, SLOPE_PERCENT, ZERO_DEVIATION_PH_MAX};

/// What to mind. Each is common practice, no source, but for the second: safety data sheets say so themselves.
pub const CAUTIONS: [&str; 4] = [
    "Stop the machine before you reach for the probe; its limits do not watch the sump meanwhile.",
    "Wear gloves and eye protection and follow the safety data sheets of coolant, buffers and standards.",
    "Rinse the probe with clean water before each liquid and dab it dry; do not rub the glass.",
    "Use fresh buffer in a clean beaker, never pour it back; the thermometer stands in the same liquid.",
];

/// How the calibration of a probe stands.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct ProbeCalibrationView {
    /// Name of the sump.
    pub sump: String,
    /// Name of the probe.
    pub probe: String,
    /// What it measures: `ph` or `conductivity`.
    pub quantity: &'static str,
    /// Unit of the signal before calibration: `mV`, `uS` or `uS/cm`.
    pub signal_unit: &'static str,
    /// The calibration in force.
    pub current: CurrentCalibrationView,
    /// By what a signal and a calibration are judged.
    pub limits: CalibrationLimitsView,
    /// The calibration that goes on; none where nobody calibrates.
    pub session: Option<CalibrationSessionView>,
    /// What to mind, a sentence each.
    pub cautions: [&'static str; 4],
}

/// A calibration.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CalibratedView {
    /// Of a pH electrode; none for a cell.
    pub electrode: Option<ElectrodeView>,
    /// Cell constant, 1/cm, or the factor on a device that delivers conductivity; none for an electrode.
    pub cell_constant_per_cm: Option<f64>,
    /// In words.
    pub text: String,
}

/// Calibration of a pH electrode.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct ElectrodeView {
    /// Slope below the middle buffer, percent of Nernst's.
    pub slope_percent: f64,
    /// Slope above the middle buffer of three, percent of Nernst's; the same with fewer.
    pub slope_alkaline_percent: f64,
    /// Where the two slopes meet, pH.
    pub knee_ph: f64,
    /// pH at 0 mV.
    pub zero_ph: f64,
    /// Asymmetry: voltage at pH 7, mV.
    pub offset_mv: f64,
    /// pH at which temperature does not matter.
    pub isopotential_ph: f64,
    /// Temperature of the calibration, °C.
    pub temperature_c: f64,
}

/// The calibration in force and where it comes from.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CurrentCalibrationView {
    /// `configuration`, or `calibration` where one was finished since.
    pub from: &'static str,
    /// When it was finished, RFC 3339; none for the configuration's.
    pub at: Option<String>,
    /// Who finished it; untrusted text; none for the configuration's.
    pub by: Option<String>,
    /// What it is.
    #[serde(flatten)]
    pub calibrated: CalibratedView,
    /// What was thought of it; none for the configuration's.
    pub judgement: Option<CalibrationJudgementView>,
    /// The points it was made from; empty for the configuration's.
    pub points: Vec<CalibrationPointView>,
}

/// By what a signal and a calibration are judged. Figures without a source are common practice.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CalibrationLimitsView {
    /// Over how long a signal must be steady, seconds.
    pub window_s: f64,
    /// Fastest drift of a steady signal, in `steady_unit` per minute.
    pub drift_max_per_min: f64,
    /// Greatest span of a steady signal in the window, in `steady_unit`.
    pub spread_max: f64,
    /// `mV`, or `%` of the signal.
    pub steady_unit: &'static str,
    /// How far the temperature may move in the window, K.
    pub warms_max_k: f64,
    /// Lowest and highest slope fit for use, percent; none for a cell.
    pub slope_percent: Option<[f64; 2]>,
    /// Lowest and highest pH at 0 mV fit for use; none for a cell.
    pub zero_ph: Option<[f64; 2]>,
    /// Buffers lie further apart than this, pH; none for a cell.
    pub buffers_apart_min_ph: Option<f64>,
    /// Farthest a cell constant fit for use moves, percent; none for an electrode.
    pub constant_moved_max_percent: Option<f64>,
    /// Liquids of one calibration are no further apart in temperature, K.
    pub points_apart_max_k: f64,
    /// Most points.
    pub points_max: usize,
    /// A session is abandoned when nobody does anything for so long, seconds.
    pub idle_max_s: f64,
}

/// A calibration that goes on.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CalibrationSessionView {
    /// Who began it; untrusted text.
    pub by: String,
    /// When it began, RFC 3339.
    pub begun: String,
    /// When it is abandoned if nobody does anything, RFC 3339.
    pub expires: String,
    /// Which liquids it goes by: `din-19266`, `jis-z-8802`, `technical`, a pH, `kcl-0.01`, or a label; none where bottles are
    /// recognised.
    pub standard: Option<String>,
    /// The signal now, in `signal_unit`; none where there is none.
    pub signal: Option<f64>,
    /// Temperature of the liquid, °C; none where there is no signal.
    pub temperature_c: Option<f64>,
    /// Where that comes from: `given` by a person, `probe`, `fixed`, `missing` (a stand-in for a probe without a value), or
    /// `device` (it gives its values at 25 °C).
    pub temperature_from: &'static str,
    /// Whether a point can be taken now.
    pub stable: bool,
    /// Why not yet, in words; none where it is stable.
    pub unstable_because: Option<String>,
    /// Drift over the window, in `signal_unit` per minute; none before there is a window.
    pub drift_per_min: Option<f64>,
    /// From the least to the greatest signal in the window, in `signal_unit`.
    pub spread: Option<f64>,
    /// The liquid it stands in; none where that cannot be told.
    pub recognised: Option<StandardView>,
    /// Why that cannot be told, with what would be right.
    pub unrecognised_because: Option<String>,
    /// Points so far.
    pub points: Vec<CalibrationPointView>,
    /// What it would come to with these points; none before there are enough.
    pub would_be: Option<CalibrationOutcomeView>,
    /// Why the points give nothing, with what to do; none where they do or there are none.
    pub would_be_nothing_because: Option<String>,
    /// What to do next, in words.
    pub next: String,
}

/// A liquid.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct StandardView {
    /// Its name.
    pub name: String,
    /// Its value at its temperature.
    pub value: f64,
    /// Unit of that: `pH` or `uS/cm`.
    pub unit: &'static str,
}

/// A point that was taken.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CalibrationPointView {
    /// The liquid.
    pub standard: StandardView,
    /// The signal in it, in `signal_unit`.
    pub signal: f64,
    /// Temperature of the liquid, °C.
    pub temperature_c: f64,
    /// Whether the signal was stable.
    pub stable: bool,
    /// When, RFC 3339.
    pub at: String,
    /// Who; untrusted text.
    pub by: String,
}

/// What a calibration comes to.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct CalibrationOutcomeView {
    /// The calibration.
    #[serde(flatten)]
    pub calibrated: CalibratedView,
    /// What is to be thought of it.
    pub judgement: CalibrationJudgementView,
}

/// What is to be thought of a calibration.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, JsonSchema)]
pub struct CalibrationJudgementView {
    /// `fit`, `doubtful` (fit, and something is to be done) or `unfit`.
    pub verdict: &'static str,
    /// Why, each with what to do, the worst first.
    pub findings: Vec<String>,
}

impl From<&Judgement> for CalibrationJudgementView {
    fn from(judgement: &Judgement) -> Self {
        Self { verdict: judgement.verdict.word(), findings: judgement.findings.clone() }
    }
}

/// Unit of the signal of a probe.
pub(super) const fn signal_unit(setup: &Setup) -> &'static str {
    match (&setup.before, setup.is_conductivity) {
        (Calibrated::Ph(_), _) => "mV",
        (Calibrated::Cell { .. }, false) => "uS",
        (Calibrated::Cell { .. }, true) => "uS/cm",
    }
}

/// A calibration in words.
pub(super) fn in_words(calibrated: &Calibrated) -> String {
    match calibrated {
        Calibrated::Ph(c) => {
            let (acid, alkaline) = (c.slope_percent, c.slope_alkaline_percent);
            let slope = match acid == alkaline {
                true => format!("slope {acid:.1} %"),
                false => format!("slopes {acid:.1} % and {alkaline:.1} % from pH {:.2} on", c.knee_ph),
            };
            let (zero, offset, celsius) = (c.zero_ph, c.mv(7.0, c.temperature_c), c.temperature_c);
            format!("{slope}, zero point pH {zero:.2} ({offset:+.1} mV at pH 7), at {celsius:.1} °C")
        }
        Calibrated::Cell { constant_per_cm } => format!("cell constant {constant_per_cm:.4} 1/cm"),
    }
}

/// Value of a liquid with its unit.
pub(super) fn standard_text(standard: &Standard, before: &Calibrated) -> String {
    match before {
        Calibrated::Ph(_) => format!("pH {:.3}", standard.value),
        Calibrated::Cell { .. } => format!("{:.1} µS/cm", standard.value),
    }
}

fn calibrated_view(calibrated: &Calibrated) -> CalibratedView {
    let text = in_words(calibrated);
    match *calibrated {
        Calibrated::Ph(c) => {
            let electrode = ElectrodeView {
                slope_percent: c.slope_percent,
                slope_alkaline_percent: c.slope_alkaline_percent,
                knee_ph: c.knee_ph,
                zero_ph: c.zero_ph,
                offset_mv: c.mv(7.0, c.temperature_c),
                isopotential_ph: c.isopotential_ph,
                temperature_c: c.temperature_c,
            };
            CalibratedView { electrode: Some(electrode), cell_constant_per_cm: None, text }
        }
        Calibrated::Cell { constant_per_cm } => {
            CalibratedView { electrode: None, cell_constant_per_cm: Some(constant_per_cm), text }
        }
    }
}

fn standard_view(standard: &Standard, quantity: Quantity) -> StandardView {
    let unit = if quantity == Quantity::Ph { "pH" } else { "uS/cm" };
    StandardView { name: standard.name.clone(), value: standard.value, unit }
}

fn point_view(point: &Point, quantity: Quantity) -> CalibrationPointView {
    CalibrationPointView {
        standard: standard_view(&point.standard, quantity),
        signal: point.signal,
        temperature_c: point.celsius,
        stable: point.steady,
        at: point.at.to_string(),
        by: point.by.to_string(),
    }
}

fn current_view(of: &OfProbe, quantity: Quantity) -> CurrentCalibrationView {
    let calibrated = calibrated_view(&of.in_force());
    match &of.done {
        None => CurrentCalibrationView {
            from: "configuration",
            at: None,
            by: None,
            calibrated,
            judgement: None,
            points: Vec::new(),
        },
        Some(Done { at, by, judgement, points, .. }) => CurrentCalibrationView {
            from: "calibration",
            at: Some(at.floor_to_millis().to_string()),
            by: Some(by.to_string()),
            calibrated,
            judgement: Some(judgement.into()),
            points: points.iter().map(|point| point_view(point, quantity)).collect(),
        },
    }
}

fn limits_view(setup: &Setup) -> CalibrationLimitsView {
    let criteria = setup.criteria();
    let isopotential_ph = match &setup.before {
        Calibrated::Ph(before) => Some(before.isopotential_ph),
        Calibrated::Cell { .. } => None,
    };
    CalibrationLimitsView {
        window_s: setup.window().as_secs_f64(),
        drift_max_per_min: criteria.drift_per_min,
        spread_max: criteria.spread,
        steady_unit: if criteria.in_percent { "%" } else { "mV" },
        warms_max_k: steady::WARMS_MAX_K,
        slope_percent: isopotential_ph.map(|_| [*SLOPE_PERCENT.start(), *SLOPE_PERCENT.end()]),
        zero_ph: isopotential_ph.map(|ph| [ph - ZERO_DEVIATION_PH_MAX, ph + ZERO_DEVIATION_PH_MAX]),
        buffers_apart_min_ph: isopotential_ph.map(|_| BUFFER_DISTANCE_PH_MIN),
        constant_moved_max_percent: match isopotential_ph {
            Some(_) => None,
            None => Some(judge::CONSTANT_MOVED_PERCENT),
        },
        points_apart_max_k: POINTS_APART_MAX_K,
        points_max: if isopotential_ph.is_some() { POINTS_MAX } else { 1 },
        idle_max_s: IDLE_MAX.as_secs_f64(),
    }
}

fn temperature_from(session: &Session) -> &'static str {
    let setup = session.setup();
    if setup.at_reference {
        "device"
    } else if session.given_celsius().is_some() {
        "given"
    } else if setup.celsius_is_fixed {
        "fixed"
    } else if session.latest().is_some_and(|latest| latest.stands_in) {
        "missing"
    } else {
        "probe"
    }
}

/// What to do next.
fn next(
    session: &Session,
    recognised: Option<&Standard>,
    comes_to: Result<Option<bool>, &Refusal>,
) -> String {
    let unsteady = session.unsteady();
    let is_ph = matches!(session.setup().before, Calibrated::Ph(_));
    let points = session.points();
    let enough = match comes_to {
        Ok(enough) => enough,
        Err(why) => return why.to_string(),
    };
    if enough == Some(false) {
        return "not fit for use: do what the judgement says and take the points again, or abandon"
            .to_owned();
    }
    // Coolant may read like a buffer: once there is enough, the probe may be back in its sump already.
    if enough == Some(true) && (!is_ph || points.len() >= 2) {
        let third = if is_ph && points.len() < POINTS_MAX {
            "; or put it into a third buffer and take that"
        } else {
            ""
        };
        return format!("rinse the probe, put it back into the sump, then finish{third}");
    }
    let taken = |standard: &Standard| points.iter().any(|point| point.standard.name == standard.name);
    match (recognised, unsteady) {
        (Some(standard), _) if taken(standard) => {
            "rinse the probe and put it into the next buffer; for coolant take about pH 7 and pH 9 to 10"
                .to_owned()
        }
        (Some(standard), None) => format!("take the point in {}", standard.name),
        (Some(standard), Some(why)) => format!("wait, in {}: {why}", standard.name),
        (None, Some(why @ Unsteady::NoSignal(_))) => why.to_string(),
        (None, _) if points.is_empty() => {
            let liquid = if is_ph { "the first buffer, about pH 7" } else { "the standard" };
            format!("rinse the probe and put it into {liquid}")
        }
        (None, _) => "rinse the probe and put it into the next buffer".to_owned(),
    }
}

fn session_view(now: Now, session: &Session, quantity: Quantity) -> CalibrationSessionView {
    let latest = session.latest();
    let figures = session.figures();
    let unsteady = session.unsteady();
    let (recognised, unrecognised) = match session.stands_in() {
        Ok(standard) => (Some(standard), None),
        Err(Refusal::NoSignal(_)) => (None, None),
        Err(why) => (None, Some(why.to_string())),
    };
    let outcome = session.outcome();
    let comes_to = match &outcome {
        Ok(outcome) => Ok(Some(outcome.judgement.verdict != Verdict::Unfit)),
        Err(Refusal::NoPoint) => Ok(None),
        Err(why) => Err(why),
    };
    let next = next(session, recognised.as_ref(), comes_to);
    CalibrationSessionView {
        by: session.by().to_string(),
        begun: session.begun().floor_to_millis().to_string(),
        expires: now.utc.plus(session.expires().since(now.uptime)).floor_to_millis().to_string(),
        standard: session.choice().map(|choice| choice.to_string()),
        signal: latest.map(|latest| latest.signal),
        temperature_c: latest.map(|latest| latest.celsius),
        temperature_from: temperature_from(session),
        stable: unsteady.is_none(),
        unstable_because: unsteady.map(|why| why.to_string()),
        drift_per_min: figures.map(|figures| figures.drift_per_min),
        spread: figures.map(|figures| figures.spread),
        recognised: recognised.map(|standard| standard_view(&standard, quantity)),
        unrecognised_because: unrecognised,
        points: session.points().iter().map(|point| point_view(point, quantity)).collect(),
        would_be_nothing_because: comes_to.err().map(ToString::to_string),
        would_be: outcome.ok().map(|outcome| CalibrationOutcomeView {
            calibrated: calibrated_view(&outcome.calibrated),
            judgement: (&outcome.judgement).into(),
        }),
        next,
    }
}

impl Engine {
    pub(super) fn view_of(&self, now: Now, probe: ProbeIndex) -> Result<ProbeCalibrationView, Refusal> {
        let of = self.calibrations.of(probe)?;
        let settings = &self.settings.probes[probe.slot()];
        let setup = Setup::of(settings, of.in_force()).ok_or(Refusal::NotHere)?;
        Ok(ProbeCalibrationView {
            sump: self.settings.sumps[settings.sump.slot()].name.to_string(),
            probe: settings.name.to_string(),
            quantity: settings.quantity.word(),
            signal_unit: signal_unit(&setup),
            current: current_view(of, settings.quantity),
            limits: limits_view(&setup),
            session: of.session.as_ref().map(|session| session_view(now, session, settings.quantity)),
            cautions: CAUTIONS,
        })
    }
}
