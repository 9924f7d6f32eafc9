//! One fill of a sump: its pH from reading to verdict, its clean-out, and what both tell the journal.
//!
//! Readings become moments for [`Cleanout`] and, hour by hour, medians for [`Acidity`]. Both run on hours of the sump that
//! never go back: they count from 1970 by the monotonic clock, after a restart on from where they stood.

pub(super) mod view;
pub(super) mod words;

use serde::{Deserialize, Serialize};

use crate::estimate::acidity::{Acidity, AciditySettings, HourMedian, Judgement, SavedAcidity, Verdict};
use crate::estimate::cleanout::{Cleanout, Event, Figures, Hour, Outcome, SavedCleanout, Seen, Step, Vessel};
use crate::estimate::fluid::JarTest;
use crate::estimate::settings::SumpSettings;
use crate::estimate::sump::{Source, Sources, SumpError, What, content_of};
use crate::estimate::tank::Tank;
use crate::estimate::trend::median;
use crate::model::{HOUR_NS, KeptAt, Measurement, Now, Timestamp};

/// Readings of pH that make an hour, and the most that are kept of one (common practice, no source).
const HOUR_READINGS: (usize, usize) = (3, 720);

/// Part of a full sump under which its probes may hang in air (common practice, no source).
const WET_SHARE: f64 = 0.3;

/// How far pH must come back up before a drop is told anew (common practice, no source).
const RETOLD_PH: f64 = 0.10;

/// Hours without the pattern after which it is told anew (common practice, no source).
const RETOLD_H: f64 = 48.0;

/// How often a clean-out under way is kept for a restart, h.
const KEPT_EVERY_H: f64 = 1.0 / 60.0;

/// What happened, for the journal.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Told {
    /// Of a clean-out.
    Cleanout(Event),
    /// Limits rest from now on, or are judged again.
    Suppression(bool),
    /// pH lies further under its baseline than a mark.
    Drop { judgement: Judgement, drop: f64 },
    /// Fall, warmth and standing still together.
    LikelyBiological { fall: f64 },
}

/// The latest usable readings.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
struct Latest {
    level_mm: [Option<f64>; 2],
    us_cm: Option<f64>,
    ph: Option<f64>,
    pump: Option<bool>,
}

/// Readings that came since the last moment was taken: each counts once in its hour.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
struct Fresh {
    ph: Option<f64>,
    celsius: Option<f64>,
}

/// One hour being gathered.
#[derive(Clone, PartialEq, Debug, Default)]
struct Gathered {
    hour: i64,
    ph: Vec<f64>,
    celsius: Vec<f64>,
    /// Hours with the pump running, and with it known.
    pump_h: (f64, f64),
}

/// What has been told of a fill, so that it is told once.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize, Deserialize)]
struct AlreadyTold {
    /// Marks passed: 0.5, 1.0.
    marks: u8,
    /// When the pattern was seen last.
    biological_h: Option<f64>,
}

/// What the fill shows that somebody may have to act on.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Signs {
    /// How far its pH lies under its baseline, and whether that asks for action, or for replacing it; none before there is a
    /// baseline.
    pub(super) drop: Option<(f64, bool, bool)>,
    /// Fall of the pH, where with warmth and standing still it is likely biological.
    pub(super) likely: Option<f64>,
    /// Fall of the pH soon after a clean-out.
    pub(super) regrowth: Option<f64>,
    /// Hours the pumps have stood still; none where nobody knows.
    pub(super) still_h: Option<f64>,
}

/// A state as it is kept, with the two clocks at that moment.
#[derive(Serialize, Deserialize)]
struct Kept<T> {
    at_h: f64,
    #[serde(flatten)]
    at: KeptAt,
    state: T,
}

#[derive(Serialize, Deserialize)]
struct KeptAcidity {
    acidity: SavedAcidity,
    told: AlreadyTold,
    /// Since which hour the pumps have stood still.
    #[serde(default)]
    still_since_h: Option<f64>,
}

/// pH and clean-outs of one sump.
#[derive(Debug)]
pub(super) struct Fill {
    tank: Tank,
    full_l: f64,
    sources: Sources,
    pace: f64,
    latest: Latest,
    fresh: Fresh,
    acidity: Acidity,
    cleanout: Cleanout,
    told: AlreadyTold,
    /// A clean-out has come to its end.
    cleaned: bool,
    gathered: Gathered,
    /// Own hours at an uptime; none before the first moment.
    clock: Option<(f64, Now)>,
    /// Own hours of what a restart goes on from, and when that was.
    resumed: Option<(f64, KeptAt)>,
    /// A moment whose readings may still come.
    pending: Option<Now>,
    /// Since which hour the pumps have stood still.
    still_since_h: Option<f64>,
    /// Drop and likely biological fall, as last worked out; none once the pH has changed since.
    judged: Option<[Option<f64>; 2]>,
    now_h: f64,
    kept_h: f64,
    changed: Changed,
    out: Vec<Told>,
    events: Vec<Event>,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
struct Changed {
    acidity: bool,
    cleanout: bool,
}

impl Fill {
    pub(super) fn new(settings: &SumpSettings, pace: f64) -> Result<Self, SumpError> {
        let tank = Tank::new(&settings.tank)?;
        let full_l = tank.volume_l(settings.fill_mark_mm);
        let jar = JarTest::new(&settings.fluid.conductivity_curve)?;
        let vessel = Vessel { full_l, target_percent: settings.target_percent, jar };
        Ok(Self {
            tank,
            full_l,
            sources: Sources::new(&settings.probes),
            pace,
            latest: Latest::default(),
            fresh: Fresh::default(),
            acidity: Acidity::new(AciditySettings::default()).expect("the defaults are within their limits"),
            cleanout: Cleanout::new(vessel, Figures::default()),
            told: AlreadyTold::default(),
            cleaned: false,
            gathered: Gathered::default(),
            clock: None,
            resumed: None,
            pending: None,
            still_since_h: None,
            judged: None,
            now_h: 0.0,
            kept_h: f64::NEG_INFINITY,
            changed: Changed::default(),
            out: Vec::new(),
            events: Vec::new(),
        })
    }

    /// Steps that the last clean-out cut short, once regrowth was found.
    pub(super) fn causes(&self) -> Vec<(Step, Outcome)> {
        self.cleanout.regrowth().map(|(_, causes)| causes).unwrap_or_default()
    }

    /// What it shows that somebody may have to act on.
    pub(super) fn signs(&mut self) -> Signs {
        let acidity = &self.acidity;
        let [drop, likely] = *self.judged.get_or_insert_with(|| {
            let verdict = acidity.verdict().numbers;
            [verdict.drop.map(|drop| drop.ph()), verdict.suspicion.map(|suspicion| suspicion.fall.ph())]
        });
        Signs {
            // A mark that was told holds until the pH has come back some way.
            drop: drop.map(|drop| (drop, self.told.marks >= 1, self.told.marks >= 2)),
            likely,
            regrowth: self.cleanout.regrowth().map(|(found, _)| found.fall),
            still_h: self.latest.pump.map(|running| match self.still_since_h {
                Some(since_h) if !running => self.now_h - since_h,
                Some(_) | None => 0.0,
            }),
        }
    }

    /// Whether limits of this sump rest.
    pub(super) fn suppresses(&self) -> bool {
        self.cleanout.suppresses()
    }

    /// A new measurement of one of the sump's probes.
    pub(super) fn observe(&mut self, now: Now, measurement: &Measurement) {
        let Some((source, value)) = self.sources.read(measurement) else { return };
        self.advance(now);
        self.pending = Some(now);
        match source {
            Source::Level(which) => self.latest.level_mm[which] = value,
            Source::Conductivity => self.latest.us_cm = value,
            Source::Ph => {
                self.latest.ph = value;
                self.fresh.ph = value;
            }
            Source::Temperature => self.fresh.celsius = value,
            Source::Pump => self.latest.pump = value.map(|running| running != 0.0),
            Source::Meter => {}
        }
    }

    /// A person begins a clean-out, or gives it up.
    pub(super) fn note_cleanout(&mut self, now: Now, begins: bool) {
        self.advance(now);
        let passed_h = self.pass_to(now);
        self.gather(passed_h);
        let (at_h, baseline) = (self.now_h, self.baseline_ph());
        self.around_cleanout(|cleanout| cleanout.note(at_h, begins, baseline));
    }

    /// The estimator found that the sump was emptied or filled anew.
    pub(super) fn found(&mut self, what: &What) {
        if matches!(what, What::Fill { .. } | What::Dump { .. }) && !self.suppresses() {
            self.refilled();
        }
    }

    /// Time has come to `now`: the readings of the moment before are complete.
    pub(super) fn advance(&mut self, now: Now) {
        let Some(moment) = self.pending.take_if(|moment| moment.uptime < now.uptime) else { return };
        self.take_moment(moment);
    }

    /// Time passes with nothing new: what was read last still stands, as long as nobody says otherwise.
    pub(super) fn tick(&mut self, now: Now) {
        self.advance(now);
        if self.pending.is_none() && self.clock.is_some() {
            self.take_moment(now);
        }
    }

    fn take_moment(&mut self, now: Now) {
        let passed_h = self.pass_to(now);
        self.gather(passed_h);
        let litres = self.litres();
        let Latest { us_cm, ph, pump, .. } = self.latest;
        let still_since_h = match pump {
            Some(false) => self.still_since_h.or(Some(self.now_h)),
            Some(true) => None,
            None => self.still_since_h,
        };
        self.changed.acidity |= still_since_h != self.still_since_h;
        self.still_since_h = still_since_h;
        let seen = Seen { at_h: self.now_h, litres, ph, us_cm, pump, baseline_ph: self.baseline_ph() };
        self.around_cleanout(|cleanout| cleanout.observe(&seen));
    }

    /// Time has come to `now`; hours since it last came to something.
    fn pass_to(&mut self, now: Now) -> f64 {
        let before_h = self.clock.map(|_| self.now_h);
        self.now_h = self.hours(now);
        if before_h.is_none() && *self.acidity.saved() == SavedAcidity::default() {
            // Nobody knows how old the fill is: its first hours here are what it is held against.
            self.refilled();
        }
        before_h.map_or(0.0, |before_h| (self.now_h - before_h).max(0.0))
    }

    /// Whatever a step of the clean-out brings about.
    fn around_cleanout(&mut self, step: impl FnOnce(&mut Cleanout)) {
        let before = self.suppresses();
        step(&mut self.cleanout);
        let after = self.suppresses();
        let mut events = std::mem::take(&mut self.events);
        self.cleanout.drain_events(&mut events);
        if !before && after {
            self.out.push(Told::Suppression(true));
        }
        self.changed.cleanout |= !events.is_empty() || (after && self.now_h - self.kept_h >= KEPT_EVERY_H);
        self.out.extend(events.drain(..).map(Told::Cleanout));
        self.events = events;
        if before && !after {
            self.out.push(Told::Suppression(false));
        }
        if self.cleanout.take_refilled() {
            // Otherwise it was no more than a dump.
            self.cleaned |= before && !after;
            self.refilled();
        }
    }

    /// Whether a clean-out has come to its end since this was asked last.
    pub(super) fn take_cleaned(&mut self) -> bool {
        std::mem::take(&mut self.cleaned)
    }

    /// What was known of the old fill's pH says nothing of the new one.
    fn refilled(&mut self) {
        self.judged = None;
        self.acidity.refilled(timestamp(self.now_h));
        self.told = AlreadyTold::default();
        self.changed.acidity = self.sources.has(Source::Ph);
    }

    /// Own hours at `now`.
    fn hours(&mut self, now: Now) -> f64 {
        if self.clock.is_none() {
            let begun_h = match self.resumed.take() {
                Some((at_h, kept)) => at_h + self.pace * kept.passed(now).as_nanos() as f64 / HOUR_NS,
                None => now.utc.as_nanos() as f64 / HOUR_NS,
            };
            self.clock = Some((begun_h, now));
        }
        let (begun_h, begun) = self.clock.expect("set above");
        begun_h + self.pace * now.uptime.since(begun.uptime).as_nanos() as f64 / HOUR_NS
    }

    fn litres(&self) -> Option<f64> {
        content_of(&self.tank, self.latest.level_mm)
    }

    fn baseline_ph(&self) -> Option<f64> {
        self.acidity.saved().baseline().map(|baseline| baseline.ph.ph())
    }

    /// Adds the moment to its hour; ends the hour before.
    fn gather(&mut self, passed_h: f64) {
        let hour = self.now_h.floor() as i64;
        if hour != self.gathered.hour {
            let over = std::mem::replace(&mut self.gathered, Gathered { hour, ..Gathered::default() });
            self.close_hour(&over);
        }
        let wet = self.litres().is_none_or(|litres| litres >= WET_SHARE * self.full_l);
        let Fresh { ph, celsius } = std::mem::take(&mut self.fresh);
        let pump = self.latest.pump;
        let gathered = &mut self.gathered;
        let room = gathered.ph.len() < HOUR_READINGS.1;
        if wet && room && !self.cleanout.suppresses() {
            gathered.ph.extend(ph);
            gathered.celsius.extend(celsius);
        }
        if let Some(running) = pump {
            gathered.pump_h.0 += if running { passed_h } else { 0.0 };
            gathered.pump_h.1 += passed_h;
        }
    }

    fn close_hour(&mut self, over: &Gathered) {
        self.changed.cleanout = true;
        let Some(ph) = median(&over.ph).filter(|_| over.ph.len() >= HOUR_READINGS.0) else { return };
        let celsius = median(&over.celsius);
        let pump = (over.pump_h.1 > 0.0).then_some(over.pump_h.0 >= 0.5 * over.pump_h.1);
        let at = timestamp(over.hour as f64 + 0.5);
        let median = HourMedian { at, ph, temperature_c: celsius, pump_running: pump };
        // A pH outside 0 to 14 or an hour twice says nothing.
        if self.acidity.observe(&median).is_err() {
            return;
        }
        self.changed.acidity = true;
        self.judged = None;
        let verdict = self.acidity.verdict().numbers;
        let at_h = over.hour as f64 + 1.0;
        self.tell(at_h, &verdict);
        let hour = Hour { at_h, ph, celsius, pump, suspected: verdict.suspicion.is_some() };
        self.around_cleanout(|cleanout| cleanout.hour(&hour));
    }

    /// What the verdict crosses is told once.
    fn tell(&mut self, at_h: f64, verdict: &Verdict) {
        if let Some(drop) = verdict.drop.map(|drop| drop.ph()) {
            let marks = match verdict.judgement {
                Judgement::NoBaseline | Judgement::Fine => 0,
                Judgement::CorrectiveAction => 1,
                Judgement::Replace => 2,
            };
            if marks > self.told.marks {
                self.told.marks = marks;
                self.out.push(Told::Drop { judgement: verdict.judgement, drop });
            }
            let still = 0.5 * f64::from(self.told.marks);
            if drop <= still - RETOLD_PH {
                self.told.marks = marks;
            }
        }
        if let Some(suspicion) = verdict.suspicion {
            if self.told.biological_h.is_none_or(|seen| at_h - seen > RETOLD_H) {
                self.out.push(Told::LikelyBiological { fall: suspicion.fall.ph() });
            }
            self.told.biological_h = Some(at_h);
        }
    }

    /// Moves what happened since the last call into `into`.
    pub(super) fn drain(&mut self, into: &mut Vec<Told>) {
        into.append(&mut self.out);
    }

    /// What is to be kept, where it has changed since the last call: of pH and of the clean-out.
    pub(super) fn save(&mut self, now: Now) -> [Option<Vec<u8>>; 2] {
        let changed = std::mem::take(&mut self.changed);
        let (at_h, at) = (self.now_h, KeptAt::of(now));
        if changed.cleanout {
            self.kept_h = at_h;
        }
        let acidity = || {
            let state = KeptAcidity {
                acidity: self.acidity.saved().clone(),
                told: self.told,
                still_since_h: self.still_since_h,
            };
            serde_json::to_vec(&Kept { at_h, at, state }).ok()
        };
        let cleanout = || serde_json::to_vec(&Kept { at_h, at, state: self.cleanout.saved() }).ok();
        [changed.acidity.then(acidity).flatten(), changed.cleanout.then(cleanout).flatten()]
    }

    /// Both, whether or not they have changed.
    pub(super) fn save_whole(&mut self, now: Now) -> [Option<Vec<u8>>; 2] {
        self.changed = Changed { acidity: true, cleanout: true };
        self.save(now)
    }

    /// The same fill of a sump whose settings say the same; only places of its probes may be others.
    pub(super) fn rewired(self, settings: &SumpSettings) -> Self {
        Self { sources: Sources::new(&settings.probes), ..self }
    }

    /// Goes on from the kept pH. False, and nothing changed, if that cannot be read.
    pub(super) fn restore_acidity(&mut self, bytes: &[u8]) -> bool {
        let Ok(kept) = serde_json::from_slice::<Kept<KeptAcidity>>(bytes) else { return false };
        let Ok(acidity) = Acidity::restored(AciditySettings::default(), kept.state.acidity) else {
            return false;
        };
        if !self.resume(kept.at_h, kept.at) {
            return false;
        }
        self.judged = None;
        (self.acidity, self.told) = (acidity, kept.state.told);
        self.still_since_h = kept.state.still_since_h.filter(|since_h| *since_h <= kept.at_h);
        true
    }

    /// Goes on from the kept clean-out. False, and nothing changed, if that cannot be read.
    pub(super) fn restore_cleanout(&mut self, bytes: &[u8]) -> bool {
        let Ok(kept) = serde_json::from_slice::<Kept<SavedCleanout>>(bytes) else { return false };
        let Ok(cleanout) = self.cleanout.continued(kept.state) else { return false };
        if !self.resume(kept.at_h, kept.at) {
            return false;
        }
        self.cleanout = cleanout;
        true
    }

    /// The clock goes on from the later of what was kept.
    fn resume(&mut self, at_h: f64, at: KeptAt) -> bool {
        let year_2262_h = i64::MAX as f64 / HOUR_NS;
        if !(0.0..year_2262_h).contains(&at_h) {
            return false;
        }
        if self.resumed.is_none_or(|(before_h, _)| before_h < at_h) {
            self.resumed = Some((at_h, at));
        }
        true
    }
}

fn timestamp(hours: f64) -> Timestamp {
    Timestamp::from_nanos((hours * HOUR_NS) as i64)
}
