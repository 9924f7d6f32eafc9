//! What the level says: content of the tank, its steps, and losses that are not what is believed.

use super::super::median::Middle;
use super::super::mixing::{self, Branch, Poured};
use super::super::plant::Plant;
use super::super::steps::{Change, Reading, Step, Threshold};
use super::super::{What, both};
use super::memory::Unpoured;
use super::{Acidity, RUN_BACK_H, Tracker, WINDOW_H};
use crate::estimate::belief::{Belief, at};
use crate::estimate::gaussian::Innovation;
use crate::estimate::tank::Tank;

/// A level that was away for this long may have missed a top-up, hours.
const LEVEL_AWAY_H: f64 = 20.0 / 60.0;

/// Content so many of its standard deviations off is doubted once.
const FAR_OFF: f64 = 4.0;

/// How slowly the last of what runs back follows, hours (common practice, no source).
const RUN_BACK_TAIL_H: f64 = 10.0 / 60.0;

/// Noise of a single level where pumps run, mm (common practice, no source).
const WAVES_MM: f64 = 1.5;

/// Where no contact tells, the median of an hour may have pauses of the pumps in it and be off by this part of the hold-up (common
/// practice, no source).
const PAUSES: f64 = 0.05;

/// Content this part of the full tank off, beside the hold-up, is no matter of pumps.
const FAR: f64 = 0.2;

/// Where so many times the least step left and more came back in one go, coolant was drawn off and poured in. Where no contact
/// tells what pumps do that start and stop meanwhile, it has to be this part of the full tank.
const AGAIN: f64 = 3.0;
const DEEP: f64 = 0.3;

/// What leaves slower than this part of the full tank an hour is a loss, not a step.
const SLOW_H: f64 = 0.03;

/// A sump from which this part has gone was emptied.
const EMPTIED: f64 = 0.5;

/// More than this part of the full tank an hour is drawn off, not leaked.
const LEAK_H_MAX: f64 = 0.02;

/// How long a sump's rates take to be known roughly, hours.
const YOUNG_H: f64 = 24.0;

/// A leak is told when it is this many of its standard deviations, and this part of the full tank a day.
const LEAK_SURE: f64 = 3.5;
const LEAK_DAY: f64 = 0.012;

/// What is poured in over days that nobody saw, as a part of what is lost in them, and its standard deviation; that of the loss
/// itself; and that of what is drawn off or spilt, as a part of the full tank (common practice, no source).
const UNSEEN_POURED: (f64, f64) = (0.7, 0.7);
const UNSEEN_LOST: f64 = 0.3;
const UNSEEN_DRAWN: f64 = 0.05;

/// How long a note about a top-up waits for it, hours.
const SAID_H: f64 = 12.0;

/// Content by one level or the mean of two, L; none for a level that no tank can have.
pub(crate) fn content_of(tank: &Tank, levels_mm: [Option<f64>; 2]) -> Option<f64> {
    let mm = match levels_mm {
        [Some(a), Some(b)] => 0.5 * (a + b),
        [one, other] => one.or(other)?,
    };
    (mm.is_finite()).then(|| tank.volume_l(mm))
}

/// Variance of what the tank should hold.
fn content_variance(belief: &Belief, running: f64) -> f64 {
    let weights = [(at::LIQUID, 1.0), (at::CHIPS, 1.0), (at::HOLDUP, -running)];
    let pairs = weights.iter().flat_map(|&(i, a)| weights.iter().map(move |&(j, b)| (i, j, a * b)));
    pairs.map(|(i, j, weight)| weight * belief.cov[i][j]).sum()
}

/// Two independent opinions as one: value and deviation.
fn fused((a, deviation_a): (f64, f64), (b, deviation_b): (f64, f64)) -> (f64, f64) {
    let (wa, wb) = (1.0 / (deviation_a * deviation_a), 1.0 / (deviation_b * deviation_b));
    ((a * wa + b * wb) / (wa + wb), 1.0 / (wa + wb).sqrt())
}

impl Tracker {
    pub(super) fn take_content(&mut self, plant: &Plant, content_l: f64) {
        let away_h = self.now_h - self.seen.level_h;
        if away_h > LEVEL_AWAY_H.max(3.0 * self.spacing_h) && away_h.is_finite() && !self.branches.is_empty()
        {
            self.level_gap.get_or_insert(self.seen.level_h);
            self.steps.forget();
        }
        self.seen.level_h = self.now_h;
        if !plant.pump_known {
            self.waves.take(self.now_h, content_l + self.put_back);
            self.guess_pumps(plant, content_l);
            if let Some(step) = self.doubt_turn(plant) {
                self.begin_step(plant, step.from_h);
                return self.end_step(plant, step);
            }
        }
        let far = |belief: &Belief| {
            let off = content_l - belief.content(f64::from(u8::from(self.pump.running == Some(true))));
            off.abs() > belief.mean[at::HOLDUP] + FAR * plant.expected.full_l
        };
        // So much cannot be what still runs out or back: somebody drains or fills.
        let unsettled = self.heaviest().is_some_and(far).then_some(self.pump.running == Some(true));
        let Some(running) = self.settled(plant).or(unsettled) else { return };
        let Some(belief) = self.heaviest() else {
            self.content[usize::from(running)].push(self.now_h, content_l);
            return;
        };
        let (holdup, holdup_deviation) = (belief.mean[at::HOLDUP], belief.deviation(at::HOLDUP));
        let litres = content_l + self.put_back;
        let standing =
            Reading { at_h: self.now_h, litres: litres + if running { holdup } else { 0.0 }, running };
        let stood_h = self.now_h - self.pump.turned_h - RUN_BACK_H;
        let tail = if running || stood_h > 6.0 * RUN_BACK_TAIL_H {
            0.0
        } else {
            0.3 * holdup * libm::exp(-stood_h / RUN_BACK_TAIL_H)
        };
        let threshold = Threshold {
            litres: plant.step_l() * if plant.pump_known { 1.0 } else { 2.0 },
            holdup: 3.0 * holdup_deviation,
            tail: tail.min(0.3 * holdup),
            slow_h: SLOW_H * plant.expected.full_l,
            deep: if plant.pump_known { AGAIN * plant.step_l() } else { DEEP * plant.expected.full_l },
        };
        let was_moving = self.steps.is_moving();
        match self.steps.push(standing, threshold) {
            Change::None if was_moving => {}
            Change::None => self.content[usize::from(running)].push(self.now_h, litres),
            Change::Begun(calm_h) => self.begin_step(plant, calm_h),
            Change::Nothing => {}
            Change::Over(step) => self.end_step(plant, step),
        }
    }

    /// Over so many hours without readings somebody will have kept the sump filled, as people here do it; how much it took the
    /// level tells when it is back. All that evaporated went on adding minerals to it.
    pub(super) fn top_up_unseen(&mut self, plant: &Plant, hours: f64) {
        let (share, full) = (self.share_running(hours), plant.expected.full_l);
        let [idle, running] = self.flows.lost;
        let lost = (hours * (share * running + (1.0 - share) * idle)).clamp(0.0, full);
        for Branch { belief, .. } in &mut self.branches {
            // Whether they worked at all nobody saw.
            belief.shake(&[(at::LIQUID, UNSEEN_LOST * lost)]);
            for (part, mix) in mixing::ways_unseen(plant, &self.habits) {
                let litres = part * lost;
                belief.top_up(UNSEEN_POURED.0 * litres, UNSEEN_POURED.1 * litres, mix, &plant.water);
            }
            belief.unsettle(UNSEEN_DRAWN * full);
            belief.keep_possible();
        }
    }

    /// What must have been poured in or drawn off while the level was away.
    pub(super) fn missed_step(&mut self, plant: &Plant) -> Option<Step> {
        let from_h = self.level_gap?;
        let running = usize::from(self.content[0].is_empty());
        let middle = self.content[running].middle()?;
        self.level_gap = None;
        let share = running as f64;
        let belief = self.belief()?;
        let litres = middle.value - self.put_back - belief.content(share);
        let unsure = content_variance(&belief, share).max(0.0).sqrt();
        let threshold = 1.5 * plant.step_l() + 3.0 * unsure;
        (litres.abs() > threshold).then_some(Step { from_h, to_h: self.now_h, litres, lowest: None })
    }

    pub(super) fn see_content(&mut self, plant: &Plant, running: bool, middle: &Middle) {
        let content_l = middle.value;
        let mut side = 0.0;
        // Of several ways the likeliest counts: how surprising it is there tells of losses.
        let (mut foremost, mut innovation) = (f64::NEG_INFINITY, None);
        let Some(heaviest) = self.heaviest() else { return };
        let (share, deviation) = self.content_noise(plant, heaviest, running, middle);
        let variance = deviation * deviation;
        for branch in &mut self.branches {
            let belief = &mut branch.belief;
            let off = content_l - belief.content(share);
            let expected = (content_variance(belief, share) + variance).sqrt();
            let mut far = (off.abs() / (FAR_OFF * expected)).max(1.0);
            if far > 1.0 {
                side = off.signum();
            }
            if far > 1.0 && side == self.content_side {
                // Twice on the same side: it is so, whatever it was. More (or less) of the same, since no step was seen.
                belief.unsettle(off);
                far = 1.0;
            }
            // What lies far off once is believed less the further it lies.
            let seen = belief.see_content(content_l, share, deviation * far);
            if branch.weight > foremost {
                (foremost, innovation) = (branch.weight, Some(seen));
            }
        }
        self.content_side = side;
        if let Some(innovation) = innovation {
            self.doubt_losses(plant.expected.full_l, &innovation);
        }
    }

    /// Part of the hold-up that is out during a window of contents, and the standard deviation of its median, L.
    pub(super) fn content_noise(
        &self,
        plant: &Plant,
        belief: &Belief,
        running: bool,
        middle: &Middle,
    ) -> (f64, f64) {
        let area = plant.tank.area_at(plant.tank.level_mm(middle.value));
        let floor = plant.level_noise_mm(running) * area;
        let waves = middle.deviation_of(WAVES_MM * area);
        let (share, unknown) = match self.pump.running {
            None => (self.pump.duty, 0.5),
            Some(_) if running && !plant.pump_known => (1.0, PAUSES),
            Some(_) => (f64::from(u8::from(running)), 0.0),
        };
        (share, both(both(floor, waves), unknown * belief.mean[at::HOLDUP]))
    }

    /// Losses that stay off the same way are not what is believed: more (or less) evaporates, or something leaks. Which of
    /// them the conductivity will tell.
    pub(super) fn doubt_losses(&mut self, full_l: f64, innovation: &Innovation) {
        self.content_bias.take(innovation);
        // A shift looks like a leak to whom nobody tells of the pumps; what is believed of losses roves anyway then.
        if !self.content_bias.is_off() || self.pump.is_unheard() {
            return;
        }
        let most = LEAK_H_MAX * full_l;
        let litres_h = (innovation.residual / WINDOW_H).clamp(-most, most);
        // Of a sump that is new to us no rate is known yet.
        let young = [(at::EVAPORATION_RUNNING, 0.3), (at::EVAPORATION_IDLE, 0.3), (at::DRAGOUT, 0.3)];
        let known = [(at::EVAPORATION_RUNNING, 0.1), (at::EVAPORATION_IDLE, 0.1)];
        let rates: &[(usize, f64)] = if self.is_young() { &young } else { &known };
        for Branch { belief, .. } in &mut self.branches {
            belief.widen(at::LEAK, 0.25 * litres_h * litres_h);
            rates.iter().for_each(|&(i, by)| belief.widen(i, by * by));
        }
    }

    /// Whether less than a day has been seen of the sump.
    fn is_young(&self) -> bool {
        self.started_h.is_none_or(|at_h| self.now_h - at_h < YOUNG_H)
    }

    /// Tells of coolant that leaves all the time, once it is beyond doubt, and again only after it had stopped.
    pub(super) fn look_for_a_leak(&mut self, plant: &Plant) {
        let [one] = &self.branches[..] else { return };
        let (litres_h, deviation) = (one.belief.mean[at::LEAK], one.belief.deviation(at::LEAK));
        let sure = litres_h / deviation;
        if self.leaking {
            self.leaking = sure > 1.0;
        } else if !self.is_young() && sure > LEAK_SURE && 24.0 * litres_h > LEAK_DAY * plant.expected.full_l {
            self.leaking = true;
            self.tell(What::Leak { litres_h, deviation }, self.now_h);
        }
    }

    /// Takes what the window holds up to a moment: what was read since belongs to nobody.
    pub(super) fn begin_step(&mut self, plant: &Plant, calm_h: f64) {
        self.content.iter_mut().for_each(|window| window.keep_until(calm_h));
        self.conductivity.keep_until(calm_h);
        let meter = self.meter.window_l;
        self.close_window(plant);
        self.meter.window_l = meter;
        self.forget_conductivity();
    }

    pub(super) fn end_step(&mut self, plant: &Plant, step: Step) {
        let step = if plant.pump_known { Some(step) } else { self.read_again(plant, step) };
        let Some(step) = step else { return self.open_window(plant) };
        let no_step = if plant.pump_known {
            self.is_the_holdup(plant, &step)
        } else {
            self.starts_after_a_pause(plant, &step)
        };
        if no_step {
            self.forget_conductivity();
            return self.open_window(plant);
        }
        if let Some(poured) = self.poured {
            // The next one came before the last was stirred: what is believed of it has to do.
            self.settle(&poured);
        }
        self.catch_up();
        if let Some((at_h, litres)) = step.lowest {
            // It went down and up again without standing still: two steps.
            self.draw_off(Step { to_h: at_h, litres, ..step });
            self.top_up(plant, Step { from_h: at_h, litres: step.litres - litres, ..step });
        } else if step.litres > 0.0 {
            self.top_up(plant, step);
        } else {
            self.draw_off(step);
        }
        self.forget_conductivity();
        self.open_window(plant);
    }

    pub(super) fn top_up(&mut self, plant: &Plant, step: Step) {
        let metered = self.meter.total_l.zip(self.meter.window_l).map(|(now, before)| now - before);
        let by_level = (step.litres, 1.0 + 0.03 * step.litres);
        // A can that was poured past the meter leaves it far behind the level.
        let litres = match metered {
            Some(metered) if (metered / step.litres - 1.0).abs() < 0.3 => (metered, 0.3 + 0.015 * metered),
            _ => by_level,
        };
        // A can or two may come before the fill itself.
        let is_fill = self.emptied_h.is_some_and(|at| step.from_h - at < 48.0)
            && step.litres > 0.4 * plant.expected.full_l;
        let recent = |said: Option<(f64, f64)>| said.filter(|(at_h, _)| step.to_h - at_h < SAID_H);
        let said = recent(self.said.percent.take()).map(|(_, percent)| percent);
        let said_litres = recent(self.said.litres.take()).map(|(_, litres)| litres);
        self.said.nothing_of_h = said_litres.is_none().then_some(step.to_h);
        let litres = match said_litres {
            Some(said) if (said / litres.0 - 1.0).abs() < 0.3 => fused(litres, (said, 0.08 * said)),
            _ => litres,
        };
        if is_fill {
            self.emptied_h = None;
            self.acidity = Acidity::default();
        }
        mixing::merge(&mut self.branches);
        let told = said.is_some() || said_litres.is_some();
        self.unpoured = (!plant.pump_known && !told)
            .then(|| Unpoured { at_h: self.now_h, branches: self.branches.clone() });
        if is_fill {
            self.branches.iter_mut().for_each(|branch| branch.belief.doubt_gain(plant.expected.gain));
        }
        mixing::fork(&mut self.branches, plant, &self.habits, litres, said, is_fill);
        let unknown = said.is_none() && plant.known_mix.is_none();
        let step = Step { litres: litres.0, ..step };
        self.poured = Some(Poured { step, stirred_h: 0.0, unknown, is_fill });
    }

    /// The sump was cleaned out, and the chips went with it.
    pub(in crate::estimate::sump) fn clear_chips(&mut self) {
        self.catch_up();
        self.branches.iter_mut().for_each(|branch| branch.belief.clear_chips());
        self.changed = true;
    }

    pub(super) fn draw_off(&mut self, step: Step) {
        let litres = -step.litres;
        let Some(before) = self.belief().map(|b| b.mean[at::LIQUID]) else { return };
        let emptied = litres > EMPTIED * before;
        for branch in &mut self.branches {
            let belief = &mut branch.belief;
            let chips = belief.mean[at::CHIPS];
            if emptied {
                belief.draw_off(litres, 3.0 + 0.02 * litres);
                // Whether the chips went with it nobody saw.
                belief.mean[at::CHIPS] = 0.5 * chips;
                belief.mean[at::LIQUID] += 0.5 * chips;
                belief.shake(&[(at::CHIPS, 0.5 * chips), (at::LIQUID, -0.5 * chips)]);
            } else {
                // Coolant drawn off, or chips taken out: the level does not tell.
                let chips = (0.5 * litres).min(chips + belief.deviation(at::CHIPS));
                belief.draw_off(litres - chips, 1.0 + 0.03 * litres);
                belief.mean[at::CHIPS] -= chips;
                belief.shake(&[(at::CHIPS, chips), (at::LIQUID, -chips)]);
            }
            belief.keep_possible();
        }
        if emptied || self.emptied_h.is_some() {
            self.emptied_h = Some(step.to_h);
            self.renewed_h = step.to_h;
        }
        let what = if emptied { What::Dump { litres } } else { What::DrawOff { litres } };
        self.tell(what, step.to_h);
    }
}
