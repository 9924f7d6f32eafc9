//! Readings of one sump, instant by instant, into the belief about it.
//!
//! Once an hour the medians of a window are taken: an hour's waves, foam and wild readings leave nothing in them, and what
//! is wrong for longer is no noise. Within the window losses that are already known are put back, so that a median stands
//! for the whole hour. A step in the content (see [`super::steps`]) closes the window before it begins; readings in between
//! belong to nobody; afterwards the conductivity waits until the pumps have stirred the sump.
//!
//! Times are hours since an arbitrary start, on the monotonic clock.

mod conductivity;
mod content;
mod memory;
mod pumps;
mod told;
mod waves;

use super::super::acidity::ph_at_25;
use super::super::belief::{Belief, Interval, at};
use super::median::{Middle, Window};
use super::mixing::{Branch, Habits, Poured, Way};
use super::plant::Plant;
use super::steps::{Step, Steps};
use super::{Happened, What};
use conductivity::Surprise;
use memory::{Bias, Flows, Meter, Seen, Turn, Unpoured, Warmth, drying};
use told::Said;

pub(crate) use content::content_of;
pub(super) use memory::{Acidity, Pump, WithStop};
pub(super) use told::Told;
pub(super) use waves::Waves;

/// How long a window is, hours.
const WINDOW_H: f64 = 1.0;

/// Time over which the share of running pumps is averaged, hours.
const DUTY_H: f64 = 7.0 * 24.0;

/// How far back the conductivity is looked at where no contact tells whether the pumps run, hours.
const LATELY_H: f64 = 3.0;

/// How far apart those are at least, hours: readings once a second would leave no room for what was before.
const LATELY_EVERY_H: f64 = 30.0 / 3600.0;

/// How long readings are gathered until something is believed, hours.
const START_H: f64 = 10.0 / 60.0;

/// How long a level is waited for before the conductivity has to do, hours.
const LEVEL_WAIT_H: f64 = 2.0;

/// How long coolant takes to fill lines and machine after the pumps start, and to run back after they stop, hours (common
/// practice, no source).
const FILL_H: f64 = 3.0 / 60.0;
const RUN_BACK_H: f64 = 15.0 / 60.0;

/// Without readings for longer than this nobody knows what went on, hours.
const GAP_H: f64 = 1.0;

/// After so many hours of silence somebody will have topped up, hours.
const SILENT_H: f64 = 96.0;

/// A strength that is not settled by then is taken as it is believed, hours.
const SETTLE_MAX_H: f64 = 20.0;

/// Everything read in one instant.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Instant {
    pub(super) at_h: f64,
    pub(super) level_mm: [Option<f64>; 2],
    pub(super) us_cm: Option<f64>,
    pub(super) celsius: Option<f64>,
    pub(super) ph: Option<f64>,
    /// What the contact says; `None` in `Some` where it has become unknown.
    pub(super) pump: Option<Option<bool>>,
    pub(super) meter_l: Option<f64>,
}

/// What goes on after a restart, its times counted from the moment it was kept.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Resumed {
    pub(super) poured: Option<Poured>,
    pub(super) emptied_h: Option<f64>,
    /// When the sump was seen first.
    pub(super) started_h: f64,
    pub(super) renewed_h: Option<f64>,
    pub(super) leaking: bool,
    pub(super) with_stop: Option<WithStop>,
}

/// The tracker of one sump.
#[derive(Clone, Debug)]
pub(super) struct Tracker {
    pub(super) branches: Vec<Branch>,
    pub(super) habits: Habits,
    pub(super) pump: Pump,
    turn: Option<Turn>,
    with_stop: Option<WithStop>,
    unpoured: Option<Unpoured>,
    /// Logarithms of the conductivities of the last hours, where no contact tells whether the pumps run.
    lately: Window,
    /// How the level trembles, where no contact tells.
    pub(super) waves: Waves,
    /// Time the belief stands at, and what has gone by since.
    believed_h: f64,
    believed_put_back: f64,
    gone: Interval,
    pub(super) now_h: f64,
    /// Usual time between two instants, hours.
    spacing_h: f64,
    started_h: Option<f64>,
    window_h: f64,
    flows: Flows,
    /// What is known to have been lost since the start, L, and how much thicker the coolant has become by it.
    put_back: f64,
    thickened: f64,
    /// Where that stood when the window of conductivities began.
    thickened_since: f64,
    /// Content, idle and running, with losses put back.
    content: [Window; 2],
    conductivity: Window,
    warmth: Warmth,
    pub(super) acidity: Acidity,
    steps: Steps,
    poured: Option<Poured>,
    said: Said,
    emptied_h: Option<f64>,
    surprise: Surprise,
    /// On which side the last manual reading lay far off; 0 if it did not.
    hand_side: f64,
    /// When the sump was last emptied or filled anew.
    renewed_h: f64,
    /// On which side the last content lay far off; 0 if it did not.
    content_side: f64,
    content_bias: Bias,
    conductivity_bias: Bias,
    pub(super) leaking: bool,
    meter: Meter,
    /// The level was away: whatever it shows when it is back happened meanwhile.
    level_gap: Option<f64>,
    pub(super) seen: Seen,
    pub(super) happened: Vec<Happened>,
    /// Something is believed that was not when it was last kept.
    pub(super) changed: bool,
}

impl Tracker {
    pub(super) fn new(plant: &Plant) -> Self {
        Self {
            branches: Vec::new(),
            habits: Habits::default(),
            pump: Pump { running: None, turned_h: f64::NEG_INFINITY, lost_h: None, duty: 0.4 },
            turn: None,
            with_stop: None,
            unpoured: None,
            lately: Window::default(),
            waves: Waves::default(),
            believed_h: 0.0,
            believed_put_back: 0.0,
            gone: Interval::default(),
            now_h: 0.0,
            spacing_h: 0.0,
            started_h: None,
            window_h: 0.0,
            flows: Flows::of(plant),
            put_back: 0.0,
            thickened: 0.0,
            thickened_since: 0.0,
            content: [Window::default(), Window::default()],
            conductivity: Window::default(),
            warmth: Warmth::default(),
            acidity: Acidity::default(),
            steps: Steps::default(),
            poured: None,
            said: Said::default(),
            emptied_h: None,
            surprise: Surprise::default(),
            hand_side: 0.0,
            renewed_h: f64::NEG_INFINITY,
            content_side: 0.0,
            content_bias: Bias::default(),
            conductivity_bias: Bias::default(),
            leaking: false,
            meter: Meter::default(),
            seen: Seen { level_h: f64::NEG_INFINITY, conductivity_h: f64::NEG_INFINITY },
            happened: Vec::new(),
            level_gap: None,
            changed: false,
        }
    }

    /// Goes on with the belief there is; its times count from the moment it was kept until the tracker is woken.
    pub(super) fn resume(&mut self, resumed: Resumed) {
        self.started_h = Some(resumed.started_h);
        self.poured = resumed.poured;
        self.emptied_h = resumed.emptied_h;
        self.renewed_h = resumed.renewed_h.unwrap_or(f64::NEG_INFINITY);
        self.leaking = resumed.leaking;
        self.with_stop = resumed.with_stop;
    }

    /// Puts the clock so that what was kept lies at `kept_h`.
    pub(super) fn wake(&mut self, kept_h: f64) {
        (self.now_h, self.believed_h, self.window_h) = (kept_h, kept_h, kept_h);
        self.seen = Seen { level_h: kept_h, conductivity_h: kept_h };
        self.started_h = self.started_h.map(|at_h| at_h + kept_h);
        self.renewed_h += kept_h;
        if let Some(poured) = &mut self.poured {
            poured.step.from_h += kept_h;
            poured.step.to_h += kept_h;
        }
        self.emptied_h = self.emptied_h.map(|at_h| at_h + kept_h);
        self.with_stop = self.with_stop.map(|stop| WithStop { at_h: stop.at_h + kept_h, ..stop });
    }

    /// What has to be kept beside the belief, its times counted from now.
    pub(super) fn resumed(&self) -> Resumed {
        let ago = |at_h: f64| at_h - self.now_h;
        let poured = self.poured.map(|poured| {
            let step = Step { from_h: ago(poured.step.from_h), to_h: ago(poured.step.to_h), ..poured.step };
            Poured { step, ..poured }
        });
        Resumed {
            poured,
            emptied_h: self.emptied_h.map(ago),
            started_h: self.started_h.map_or(0.0, ago),
            renewed_h: Some(ago(self.renewed_h)).filter(|at_h| at_h.is_finite()),
            leaking: self.leaking,
            with_stop: self.with_stop.map(|stop| WithStop { at_h: ago(stop.at_h), ..stop }),
        }
    }

    /// The belief as it stands, all ways of an unsettled top-up together.
    pub(super) fn belief(&self) -> Option<Belief> {
        match &self.branches[..] {
            [] => None,
            [one] => Some(one.belief.clone()),
            several => {
                let parts: Vec<(f64, &Belief)> = several.iter().map(|b| (b.weight, &b.belief)).collect();
                Some(Belief::merge(&parts))
            }
        }
    }

    /// The likeliest of the ways of an unsettled top-up.
    fn heaviest(&self) -> Option<&Belief> {
        self.branches.iter().max_by(|a, b| a.weight.total_cmp(&b.weight)).map(|branch| &branch.belief)
    }

    /// Whether the pumps run.
    pub(super) fn is_running(&self) -> Option<bool> {
        self.pump.running
    }

    /// Evaporation over the usual at the liquid's temperature.
    pub(super) fn drying(&self) -> f64 {
        self.heaviest().map_or(1.0, |belief| belief.dries(self.flows.drying))
    }

    /// Takes everything of one instant, later than the last.
    pub(super) fn take(&mut self, plant: &Plant, seen: &Instant) {
        self.go_on(plant, seen.at_h);
        self.hear_pump(seen.pump);
        if let Some(celsius) = seen.celsius {
            self.warmth.latest_c = Some(celsius);
        }
        if let Some(ph) = seen.ph {
            self.acidity.take(ph_at_25(ph, self.warmth.latest_c), self.now_h);
        }
        if let Some(total) = seen.meter_l {
            self.meter.total_l = Some(total);
            self.meter.window_l.get_or_insert(total);
        }
        if let Some(us_cm) = seen.us_cm {
            if !plant.pump_known && us_cm > 0.0 && self.lately.is_due(LATELY_EVERY_H, seen.at_h) {
                self.lately.push_within(LATELY_H, self.now_h, libm::log(us_cm) - self.thickened);
            }
            self.take_conductivity(us_cm);
        }
        if let Some(content) = content_of(&plant.tank, seen.level_mm) {
            self.take_content(plant, content);
        }
        if self.branches.is_empty() {
            self.try_to_start(plant);
        } else if seen.at_h - self.window_h >= WINDOW_H && !self.steps.is_moving() && !self.steps.hesitates()
        {
            self.close_window(plant);
        }
    }

    /// The belief as of `now_h`, with what the window holds of the content so far, for whoever looks at it. What the
    /// conductivity of a part of an hour would add is not worth its cost; a silence is gone over as it would be in earnest.
    pub(super) fn looked_at(&self, plant: &Plant, now_h: f64) -> Option<Box<Belief>> {
        let hours = (now_h - self.now_h).max(0.0);
        if hours > self.gap_h() && !self.branches.is_empty() {
            let mut ahead = self.clone();
            ahead.go_on(plant, now_h);
            return ahead.belief().map(Box::new);
        }
        let mut belief = Box::new(self.belief()?);
        let share = self.share_running(hours);
        let (running_h, idle_h) = (share * hours, (1.0 - share) * hours);
        let gone = self.flows.interval(self.gone.running_h + running_h, self.gone.idle_h + idle_h);
        belief.pass(&gone);
        belief.keep_possible();
        let put_back = self.put_back + self.flows.lost[1] * running_h + self.flows.lost[0] * idle_h;
        for running in [false, true] {
            let Some(middle) = self.content[usize::from(running)].middle() else { continue };
            if self.level_gap.is_none() {
                let content = Middle { value: middle.value - put_back, ..middle };
                let (share, deviation) = self.content_noise(plant, &belief, running, &content);
                belief.see_content(content.value, share, deviation);
            }
        }
        Some(belief)
    }

    /// Part of some coming hours in which the pumps run.
    fn share_running(&self, hours: f64) -> f64 {
        match self.pump.running {
            Some(running) if hours <= self.gap_h() => f64::from(u8::from(running)),
            _ => self.pump.duty,
        }
    }

    /// Time goes on to `now_h`.
    pub(super) fn go_on(&mut self, plant: &Plant, now_h: f64) {
        if self.started_h.is_none() {
            self.started_h = Some(now_h);
            self.now_h = now_h;
        }
        let hours = now_h - self.now_h;
        if hours <= 0.0 {
            return;
        }
        let gap_h = self.gap_h();
        self.spacing_h += 0.1 * (hours.min(gap_h) - self.spacing_h);
        let share = self.share_running(hours);
        self.pump.duty += (share - self.pump.duty) * hours / (hours + DUTY_H);
        let (running, idle) = (share * hours, (1.0 - share) * hours);
        self.gone.running_h += running;
        self.gone.idle_h += idle;
        self.put_back += self.flows.lost[1] * running + self.flows.lost[0] * idle;
        self.thickened += self.flows.thickening[1] * running + self.flows.thickening[0] * idle;
        if let Some(poured) = &mut self.poured {
            poured.stirred_h += running;
        }
        self.now_h = now_h;
        if hours > self.gap_h() && !self.branches.is_empty() {
            self.bridge(plant, hours);
        }
    }

    /// After a gap nothing in a window is comparable any more: what came before it is taken, and the watch starts over.
    fn bridge(&mut self, plant: &Plant, hours: f64) {
        self.close_window(plant);
        if hours > SILENT_H {
            self.top_up_unseen(plant, hours);
        }
        self.steps.forget();
        self.pump.turned_h = self.pump.turned_h.max(self.now_h - FILL_H);
    }

    fn try_to_start(&mut self, plant: &Plant) {
        let Some(started_h) = self.started_h else { return };
        if self.now_h - started_h < START_H {
            return;
        }
        let content = [1, 0].iter().find_map(|&i| self.content[i].middle().map(|m| (m.value, i as f64)));
        let seen = self.conductivity.middle().map(|middle| self.seen_conductivity(&middle));
        // Where there is a level, it is waited for: lines and machine have to fill or to run back first.
        let patient = plant.level_known && self.now_h - started_h < LEVEL_WAIT_H;
        if content.is_none() && (patient || seen.is_none()) {
            return;
        }
        let conductivity = seen.map(|seen| (&plant.coolant, seen));
        let mut belief = Belief::start(&plant.expected, content, conductivity);
        if let Some((litres, running)) = content {
            let ripples = plant.level_noise_mm(false) * plant.tank.area_at(plant.tank.level_mm(litres));
            belief.see_content(litres, running, ripples.max(0.003 * plant.expected.full_l));
        }
        self.branches.push(Branch { weight: 1.0, way: Way::Usual, belief });
        if seen.is_some() {
            self.seen.conductivity_h = self.now_h;
        }
        (self.believed_h, self.gone) = (self.now_h, Interval::default());
        self.open_window(plant);
    }

    /// Lets the time since the last look pass in every belief.
    fn catch_up(&mut self) {
        self.pass(1.0);
        self.believed_h = self.now_h;
        self.believed_put_back = self.put_back;
        self.gone = Interval::default();
    }

    /// Lets this part of that time pass.
    fn pass(&mut self, part: f64) {
        let (running_h, idle_h) = (part * self.gone.running_h, part * self.gone.idle_h);
        let gone = self.flows.interval(running_h, idle_h);
        for branch in &mut self.branches {
            branch.belief.pass(&gone);
            branch.belief.keep_possible();
        }
        self.gone.running_h -= running_h;
        self.gone.idle_h -= idle_h;
    }

    /// Takes what the window holds.
    fn close_window(&mut self, plant: &Plant) {
        self.changed = true;
        if !plant.pump_known {
            self.waves.learn(self.window_h, self.now_h);
        }
        if self.level_gap.is_some() {
            self.catch_up();
            if let Some(step) = self.missed_step(plant) {
                self.end_step(plant, step);
                return;
            }
        }
        // A median stands for the middle of its window; taken at the end it would lag behind a loss that has grown.
        let put_back = 0.5 * (self.believed_put_back + self.put_back);
        self.pass(0.5);
        // Whether it stands or runs the conductivity has to tell first.
        let doubted = self.turn.is_some();
        for running in [false, true].into_iter().filter(|_| !doubted) {
            let Some(middle) = self.content[usize::from(running)].middle() else { continue };
            self.see_content(plant, running, &Middle { value: middle.value - put_back, ..middle });
        }
        self.catch_up();
        if !doubted {
            self.try_conductivity(plant);
        }
        self.look_for_a_leak(plant);
        if let Some(poured) = self.poured.filter(|poured| self.now_h - poured.step.to_h > SETTLE_MAX_H) {
            self.settle(&poured);
        }
        self.open_window(plant);
    }

    /// A belief that readings from nowhere have led to nonsense is given up: the next readings start a new one.
    fn give_up_nonsense(&mut self, plant: &Plant) {
        if self.branches.iter().all(|branch| branch.belief.is_sound()) {
            return;
        }
        self.branches.clear();
        self.poured = None;
        self.started_h = Some(self.now_h);
        self.steps.forget();
        self.flows = Flows::of(plant);
    }

    /// Without readings for longer than this nobody knows what went on: where they come seldom, a few of their intervals.
    fn gap_h(&self) -> f64 {
        GAP_H.max(4.0 * self.spacing_h)
    }

    fn open_window(&mut self, plant: &Plant) {
        self.give_up_nonsense(plant);
        self.window_h = self.now_h;
        self.content.iter_mut().for_each(Window::clear);
        if self.poured.is_none() {
            self.forget_conductivity();
        }
        self.warmth.sum = 0.0;
        self.warmth.count = 0.0;
        self.meter.window_l = self.meter.total_l;
        self.flows.unheard = self.pump.is_unheard();
        if let Some(celsius) = self.warmth.latest_c {
            self.flows.drying = drying(celsius);
        } else {
            self.flows.drying = 1.0;
        }
        let Some(heaviest) = self.heaviest() else { return };
        let dries = heaviest.dries(self.flows.drying);
        let water = [at::EVAPORATION_IDLE, at::EVAPORATION_RUNNING].map(|i| heaviest.rate(i) * dries);
        let leak = heaviest.mean[at::LEAK].max(0.0);
        let coolant = [leak, leak + heaviest.rate(at::DRAGOUT) - heaviest.chip_growth()];
        let thickness = 0.9 / heaviest.mean[at::LIQUID].max(plant.least_l).max(1.0);
        self.flows.lost = [0, 1].map(|i| water[i] + coolant[i]);
        self.flows.thickening = water.map(|litres| litres * thickness);
    }

    fn tell(&mut self, what: What, at_h: f64) {
        self.happened.push(Happened { at_h, what });
    }
}
