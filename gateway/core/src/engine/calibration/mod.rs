//! Calibrations of probes: what somebody does about one, how it takes effect, and what of it outlasts a restart.
//!
//! While a session runs the probe's numbers are stored as they came and make no value of the sump; a finished calibration
//! holds from then on, until the configuration's own is changed. What people did stands in the journal under
//! `calibration/<probe>`, and a finished one counts for the test plan.

pub mod view;

use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Engine, restart};
use crate::estimate::note::{Note, NoteKind};
use crate::model::{Line, Measurement, Name, Now, ProbeIndex, SumpIndex, Timestamp, Uptime};
use crate::signal::calibration::{
    Calibrated, Choice, IDLE_MAX, Judgement, Kept, Outcome, Point, Refusal, Seen, Session, Setup, Take,
    Verdict,
};
use crate::signal::settings::ProbeSettings;
use crate::store::record::JournalRecord;

pub use view::ProbeCalibrationView;

/// What somebody does about a calibration.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Deed {
    /// Takes the probe out of its sump.
    Begin,
    /// Takes a point in the liquid the probe stands in.
    Take,
    /// Has the new calibration take effect.
    Finish,
    /// Leaves the old one in force.
    Abandon,
}

/// What somebody wants done about the calibration of a probe.
#[derive(Clone, PartialEq, Debug)]
pub struct Step {
    /// What.
    pub deed: Deed,
    /// Who.
    pub by: Line,
    /// Which liquids, in words: see [`Choice`].
    pub standard: Option<String>,
    /// Temperature of the liquid by a thermometer in it, °C; none where the probe's own goes.
    pub celsius: Option<f64>,
    /// A point is to be taken although the signal is not steady.
    pub even_if_unstable: bool,
    /// The calibration is to take effect although it is not fit for use.
    pub even_if_unfit: bool,
}

/// Why nothing was done about a calibration.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum CalibrationFor {
    /// There is no such sump.
    #[error("there is no sump \"{0}\"; there is: {1}")]
    UnknownSump(String, String),
    /// There is no such probe.
    #[error("there is no probe \"{0}\" in {1}; there is: {2}")]
    UnknownProbe(String, Name, String),
    /// It cannot be done now.
    #[error(transparent)]
    Refused(#[from] Refusal),
}

/// A calibration that was finished here.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
struct Done {
    calibrated: Calibrated,
    at: Timestamp,
    by: Line,
    judgement: Judgement,
    points: Vec<Point>,
}

/// What is kept of one probe.
#[derive(Serialize, Deserialize)]
struct Saved {
    /// Line of the calibration that the configuration had then.
    configured: String,
    done: Option<Done>,
    session: Option<Kept>,
}

/// One probe that can be calibrated.
#[derive(Debug)]
struct OfProbe {
    configured: Calibrated,
    done: Option<Done>,
    session: Option<Session>,
}

impl OfProbe {
    fn in_force(&self) -> Calibrated {
        self.done.as_ref().map_or(self.configured, |done| done.calibrated)
    }
}

/// Calibrations of all probes.
#[derive(Debug)]
pub(super) struct Calibrations {
    /// Boxed: most probes have nothing that is calibrated here.
    of: Vec<Option<Box<OfProbe>>>,
    /// Probes with a session, mostly none: this is asked at every turn of the engine.
    running: Vec<ProbeIndex>,
}

impl Calibrations {
    pub(super) fn new(probes: &[ProbeSettings]) -> Self {
        let of = |probe: &ProbeSettings| {
            let configured = Calibrated::configured(&probe.sensor)?;
            Some(Box::new(OfProbe { configured, done: None, session: None }))
        };
        Self { of: probes.iter().map(of).collect(), running: Vec::new() }
    }

    fn of(&self, probe: ProbeIndex) -> Result<&OfProbe, Refusal> {
        self.of[probe.slot()].as_deref().ok_or(Refusal::NotHere)
    }

    /// Whether a probe has something that is calibrated here.
    pub(super) fn has(&self, probe: ProbeIndex) -> bool {
        self.of(probe).is_ok()
    }

    fn session_mut(&mut self, probe: ProbeIndex) -> Result<&mut Session, Refusal> {
        let of = self.of[probe.slot()].as_mut().ok_or(Refusal::NotHere)?;
        of.session.as_mut().ok_or(Refusal::NotRunning)
    }

    /// When the next session is abandoned if nobody does anything.
    pub(super) fn poll_timeout(&self) -> Option<Uptime> {
        let sessions = self.running.iter().filter_map(|probe| self.of(*probe).ok()?.session.as_ref());
        sessions.map(Session::expires).min()
    }
}

impl Engine {
    /// Does what somebody wants done about the calibration of a probe, and says how it stands then.
    pub fn calibrate(
        &mut self,
        now: Now,
        sump: &str,
        probe: &str,
        step: &Step,
    ) -> Result<ProbeCalibrationView, CalibrationFor> {
        let probe = self.probe_named(sump, probe)?;
        match step.deed {
            Deed::Begin => self.begin_calibration(now, probe, step)?,
            Deed::Take => self.take_point(now, probe, step)?,
            Deed::Finish => self.finish_calibration(now, probe, step)?,
            Deed::Abandon => {
                self.calibrations.session_mut(probe)?;
                self.end_session(now, probe, "abandoned", format!("abandoned by {}", step.by));
            }
        }
        self.save_calibration(now, probe);
        Ok(self.view_of(now, probe)?)
    }

    /// How the calibration of a probe stands.
    pub fn calibration_view(
        &self,
        now: Now,
        sump: &str,
        probe: &str,
    ) -> Result<ProbeCalibrationView, CalibrationFor> {
        let probe = self.probe_named(sump, probe)?;
        Ok(self.view_of(now, probe)?)
    }

    fn probe_named(&self, sump: &str, probe: &str) -> Result<ProbeIndex, CalibrationFor> {
        let listed =
            |names: &mut dyn Iterator<Item = &Name>| names.map(Name::as_str).collect::<Vec<_>>().join(", ");
        let sumps = &self.settings.sumps;
        let Some(slot) = sumps.iter().position(|of| of.name.as_str() == sump) else {
            let known = listed(&mut sumps.iter().map(|of| &of.name));
            return Err(CalibrationFor::UnknownSump(shortened(sump), known));
        };
        let index = SumpIndex(u32::try_from(slot).expect("fewer sumps than 2^32: each has a table"));
        let found = self.settings.probes_of(index).find(|(_, of)| of.name.as_str() == probe);
        found.map(|(index, _)| index).ok_or_else(|| {
            let known = listed(&mut self.settings.probes_of(index).map(|(_, of)| &of.name));
            CalibrationFor::UnknownProbe(shortened(probe), sumps[slot].name.clone(), known)
        })
    }

    fn begin_calibration(&mut self, now: Now, probe: ProbeIndex, step: &Step) -> Result<(), Refusal> {
        let of = self.calibrations.of(probe)?;
        if let Some(session) = &of.session {
            return Err(Refusal::Running { by: session.by().clone(), since: session.begun() });
        }
        let settings = &self.settings.probes[probe.slot()];
        let setup = Setup::of(settings, of.in_force()).ok_or(Refusal::NotHere)?;
        let choice = choice_of(step, &setup.before)?;
        let session = Session::begin(setup, now, step.by.clone(), choice, step.celsius)?;
        self.set_session(probe, Some(session));
        let words = format!("begun by {}; its values are no values of the sump until it ends", step.by);
        self.journal_calibration(now, probe, "begun", None, words);
        Ok(())
    }

    fn take_point(&mut self, now: Now, probe: ProbeIndex, step: &Step) -> Result<(), Refusal> {
        let session = self.calibrations.session_mut(probe)?;
        let take = Take {
            by: step.by.clone(),
            standard: choice_of(step, &session.setup().before)?,
            celsius: step.celsius,
            even_if_unsteady: step.even_if_unstable,
        };
        let (unit, before) = (view::signal_unit(session.setup()), session.setup().before);
        let point = session.take(now, take)?;
        let steady = if point.steady { "steady" } else { "taken although it was not steady" };
        let Point { standard, signal, celsius, .. } = point;
        let (name, value) = (&standard.name, view::standard_text(standard, &before));
        let words =
            format!("{name}: {value} at {celsius:.1} °C gives {signal:.2} {unit}, {steady}; by {}", step.by);
        let signal = *signal;
        self.journal_calibration(now, probe, "point", Some(signal), words);
        Ok(())
    }

    fn finish_calibration(&mut self, now: Now, probe: ProbeIndex, step: &Step) -> Result<(), Refusal> {
        let session = self.calibrations.session_mut(probe)?;
        let Outcome { calibrated, judgement } = session.outcome()?;
        if judgement.verdict == Verdict::Unfit && !step.even_if_unfit {
            return Err(Refusal::Unfit(judgement.findings.join("; ")));
        }
        let before = session.setup().before;
        let points = session.points().to_vec();
        let names = points.iter().map(|point| point.standard.name.as_str()).collect::<Vec<_>>().join(", ");
        let words = format!(
            "{} from {names}; {}; by {}; before: {}",
            view::in_words(&calibrated),
            judgement.in_words(),
            step.by,
            view::in_words(&before)
        );
        let value = match &calibrated {
            Calibrated::Ph(calibration) => calibration.slope_percent,
            Calibrated::Cell { constant_per_cm } => *constant_per_cm,
        };
        self.set_session(probe, None);
        self.journal_calibration(now, probe, "finished", Some(value), words);
        let done = Done { calibrated, at: now.utc, by: step.by.clone(), judgement, points };
        self.put_in_force(probe, done);
        self.note_calibrated(now, probe, &step.by);
        Ok(())
    }

    /// The test plan has to know; the journal does already.
    fn note_calibrated(&mut self, now: Now, probe: ProbeIndex, by: &Line) {
        let sump = self.settings.probes[probe.slot()].sump;
        let note = Note {
            probe: Some(probe),
            by: Some(by.clone()),
            ..Note::of(sump, now.utc, NoteKind::Calibrated, 1.0)
        };
        self.note_in_plan(now, &note);
    }

    fn put_in_force(&mut self, probe: ProbeIndex, done: Done) {
        let sump = self.settings.probes[probe.slot()].sump;
        let days = self.plans[sump.slot()].settings().calibrate_every_days;
        let due = done.at.plus(Duration::from_hours(24) * days);
        self.signals.calibrate(probe, &done.calibrated, Some(due));
        if let Some(of) = &mut self.calibrations.of[probe.slot()] {
            of.done = Some(done);
        }
    }

    fn set_session(&mut self, probe: ProbeIndex, session: Option<Session>) {
        self.signals.set_being_calibrated(probe, session.is_some());
        self.calibrations.running.retain(|running| *running != probe);
        if session.is_some() {
            self.calibrations.running.push(probe);
        }
        if let Some(of) = &mut self.calibrations.of[probe.slot()] {
            of.session = session;
        }
    }

    fn end_session(&mut self, now: Now, probe: ProbeIndex, state: &str, words: String) {
        self.set_session(probe, None);
        self.journal_calibration(now, probe, state, None, words + "; the calibration before stays in force");
    }

    /// A session looks at every number of its probe.
    pub(super) fn watch_calibration(&mut self, measurement: &Measurement) {
        let probe = measurement.probe;
        let Ok(session) = self.calibrations.session_mut(probe) else { return };
        let quality = measurement.measured.quality();
        let signal = measurement.raw.ok_or(quality).and_then(|raw| self.signals.signal(probe, raw));
        match signal {
            Ok(signal) => {
                let (celsius, stands_in) = self.signals.liquid(probe, measurement.received);
                session.observe(Seen { received: measurement.received, signal, celsius, stands_in });
            }
            Err(quality) => session.miss(quality),
        }
    }

    /// Sessions in which nobody does anything any more are abandoned.
    pub(super) fn expire_calibrations(&mut self, now: Now) {
        if self.calibrations.poll_timeout().is_none_or(|due| due > now.uptime) {
            return;
        }
        for probe in self.calibrations.running.clone() {
            let Ok(session) = self.calibrations.session_mut(probe) else { continue };
            if session.expires() <= now.uptime {
                let (by, idle) = (session.by(), IDLE_MAX.as_secs() / 60);
                let words = format!("abandoned: begun by {by}, and nobody did anything for {idle} min");
                self.end_session(now, probe, "expired", words);
                self.save_calibration(now, probe);
            }
        }
    }

    fn journal_calibration(
        &mut self,
        now: Now,
        probe: ProbeIndex,
        state: &str,
        value: Option<f64>,
        words: String,
    ) {
        let settings = &self.settings.probes[probe.slot()];
        let (sump, subject) =
            (&self.settings.sumps[settings.sump.slot()].name, format!("calibration/{}", settings.name));
        let record = JournalRecord::event(now.utc, sump, (&subject, state), value, words);
        self.out.journal.push(record);
    }

    fn key_of(&self, probe: ProbeIndex) -> String {
        let settings = &self.settings.probes[probe.slot()];
        restart::calibration_key(&self.settings.sumps[settings.sump.slot()].name, &settings.name)
    }

    pub(super) fn save_calibration(&mut self, now: Now, probe: ProbeIndex) {
        let Ok(of) = self.calibrations.of(probe) else { return };
        let saved = Saved {
            configured: of.configured.fingerprint(),
            done: of.done.clone(),
            session: of.session.as_ref().map(|session| session.keep(now)),
        };
        let bytes = serde_json::to_vec(&saved).expect("texts and finite numbers always serialise");
        let key = self.key_of(probe);
        self.out.saved.push((key, bytes));
    }

    /// Puts calibrations and sessions back to where they stood. Gives the keys of what cannot be read.
    pub(super) fn restore_calibrations(
        &mut self,
        now: Now,
        lookup: &mut dyn FnMut(&str) -> Option<Vec<u8>>,
    ) -> Vec<String> {
        let mut unreadable = Vec::new();
        for probe in (0..).take(self.calibrations.of.len()).map(ProbeIndex) {
            let Ok(of) = self.calibrations.of(probe) else { continue };
            let configured = of.configured.fingerprint();
            let key = self.key_of(probe);
            let Some(bytes) = lookup(&key) else { continue };
            match serde_json::from_slice::<Saved>(&bytes) {
                Ok(saved) if saved.configured == configured => {
                    if !self.resume_calibration(now, probe, saved) {
                        unreadable.push(key);
                    }
                }
                Ok(saved) => self.drop_calibration(now, probe, &saved),
                Err(_) => unreadable.push(key),
            }
        }
        unreadable
    }

    fn resume_calibration(&mut self, now: Now, probe: ProbeIndex, saved: Saved) -> bool {
        let Ok(of) = self.calibrations.of(probe) else { return false };
        let configured = of.configured;
        if let Some(done) = saved.done {
            let fits = std::mem::discriminant(&done.calibrated) == std::mem::discriminant(&configured);
            if !fits {
                return false;
            }
            self.put_in_force(probe, done);
        }
        let Some(kept) = saved.session else { return true };
        let before = self.calibrations.of(probe).map_or(configured, OfProbe::in_force);
        let setup = Setup::of(&self.settings.probes[probe.slot()], before);
        let session = setup.and_then(|setup| Session::resume(setup, now, kept));
        let resumed = session.is_some();
        self.set_session(probe, session);
        resumed
    }

    /// The shop has changed the configuration's own calibration since: that one was meant to hold.
    fn drop_calibration(&mut self, now: Now, probe: ProbeIndex, saved: &Saved) {
        if let Some(done) = &saved.done {
            let words = format!(
                "that of {} by {} ({}) no longer holds: the configuration's own was changed since, and holds from now on",
                done.at.floor_to_millis(),
                done.by,
                view::in_words(&done.calibrated)
            );
            self.journal_calibration(now, probe, "replaced", None, words);
        }
        if saved.session.is_some() {
            let words = "abandoned: the configuration's own calibration was changed meanwhile".to_owned();
            self.journal_calibration(now, probe, "abandoned", None, words);
        }
        self.save_calibration(now, probe);
    }
}

fn choice_of(step: &Step, before: &Calibrated) -> Result<Option<Choice>, Refusal> {
    let is_ph = matches!(before, Calibrated::Ph(_));
    step.standard.as_deref().map(|text| Choice::parse(text, is_ph)).transpose()
}

/// What somebody sent, no longer than a name can be.
fn shortened(text: &str) -> String {
    text.chars().take(64).collect()
}
