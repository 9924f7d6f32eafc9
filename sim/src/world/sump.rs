//! One sump, stepped through time by volume and amounts.

use std::collections::VecDeque;

use super::acidity::Buffer;
use super::air::{Air, evaporation_kg_h_m2};
use super::care::Procedure;
use super::content::{Content, Ledger};
use super::ions::{Water, obstruction, temperature_factor};
use super::screen::Clogging;
use super::setup::{Mixing, SumpSetup};
use super::tank::level_with_chips_mm;
use super::work::Job;
use super::{Event, QUANTUM, Truth};
use crate::rng::Rng;
use crate::stamp::Stamp;

mod people;

use people::Pour;

/// How often slow things are looked at anew: air, life, surface, pH, the operator's glance, in steps of [`QUANTUM`].
const SLOW_EVERY: u64 = 6;
/// How fast coolant goes out into the machine and comes back from it: time constants, hours.
const HOLDUP_OUT_H: f64 = 0.01;
const HOLDUP_BACK_H: f64 = 0.06;
/// Largest number of bacteria a coolant feeds, per mL; smallest that hides in slime.
const CFU_MAX: f64 = 3.0e8;
const LOG_CFU_LEAST: f64 = 2.0;
/// Hardness gone to scum: g per L and hour, per percent of concentrate and (mg/L over 120)^1.5. Chosen so that a hard
/// sump (400 mg/L, 7 %) loses 0.3 % of its hardness a day; no source.
const SCUM_RATE: f64 = 1.5e-9;
const SCUM_FROM_MG_L: f64 = 120.0;
/// Active concentrate a gram of hardness takes with it, L.
const SCUM_CONCENTRATE_L_G: f64 = 0.006;

/// Coolant that leaves with each litre of metal shovelled out of the sump: 5 to 10 % of the mass; common practice, no source.
const CLINGS_L_PER_L: f64 = 0.5;

/// Part of the tramp oil that is emulsified; the rest floats.
pub const TRAMP_EMULSIFIED: f64 = 0.3;
/// What a full coat of slime does: part of the kill it keeps off, decades of bacteria it sheds over the least number. How fast
/// slime spreads and how fast running cleaner takes it off, per hour: 20 min leave a third, 2 h next to nothing; no source.
const SLIME_SHELTERS: f64 = 0.9;
const SLIME_SHEDS_LOG: f64 = 3.5;
const SLIME_SPREADS_H: f64 = 0.012;
const SLIME_DISSOLVES_H: f64 = 3.3;

/// Fall of an ethanolamine's pKa with temperature, per kelvin (handbooks: 0.02 to 0.025).
const AMINE_PKA_PER_K: f64 = 0.02;

/// A sump with its machine and its people.
#[derive(Clone, Debug)]
pub struct Sump {
    setup: SumpSetup,
    content: Content,
    ledger: Ledger,
    /// A litre of what is around the conductivity probe.
    met: Content,
    follows: Follows,
    /// Evaporation from a square metre of the tank's surface, running and standing, and the air over it.
    thirst_kg_h_m2: (f64, f64),
    air_c: f64,
    clogging: Clogging,
    slime: f64,
    chips_l: f64,
    tramp_oil_l: f64,
    holdup_l: f64,
    temperature_c: f64,
    log_cfu: f64,
    ph: f64,
    /// Level and surface at the last slow look.
    slow_level_mm: f64,
    surface_m2: f64,
    pump: bool,
    job: Job,
    meter_l: f64,
    leak_l_h: f64,
    /// Somebody waits with the hose for the pump to switch.
    armed: bool,
    pours: VecDeque<Pour>,
    procedure: Option<Procedure>,
    rates: Rates,
    steps: u64,
    rng: Rng,
}

/// How far a value goes towards its aim in one step, 0 to 1.
#[derive(Clone, Copy, Debug)]
struct Follows {
    /// What the conductivity probe meets, towards the whole.
    mixed_running: f64,
    mixed_standing: f64,
    /// Hold-up.
    out: f64,
    back: f64,
    /// Temperature.
    warmth: f64,
}

/// Rates of the last step, for the truth.
#[derive(Clone, Copy, Debug, Default)]
struct Rates {
    evaporation_l_h: f64,
    dragout_l_h: f64,
}

impl Sump {
    /// A sump as its setup describes it, at `at`.
    pub fn new(setup: SumpSetup, at: Stamp, air: Air, seed: u64) -> Self {
        let at_mark = setup.tank.volume_l(setup.fill_mark_mm) + setup.holdup_l;
        let start = &setup.start;
        let liquid = (at_mark - start.chip_solids_l) * start.fullness;
        let water = setup.fill_water.unwrap_or(setup.water);
        let minerals =
            if water.hardness_mg_l() > 0.0 { start.hardness_mg_l / water.hardness_mg_l() } else { 0.0 };
        let mut content = Content::mix(liquid, start.percent, &water, setup.fluid.amine_mmol_l_percent);
        let scale = minerals * liquid / (liquid - content.concentrate_l);
        content.hardness_g *= scale;
        content.sodium_mmol *= scale;
        content.bicarbonate_mmol *= scale;
        content.sulphate_mmol *= scale;
        content.chloride_mmol *= scale;
        content.acid_mmol = start.acid_mmol_l * liquid;
        let mixing = setup.mixing;
        let mut sump = Self {
            met: content.scaled(1.0 / liquid),
            follows: Follows {
                mixed_running: followed(mixing.running_min / 60.0),
                mixed_standing: followed(mixing.standing_h),
                out: followed(HOLDUP_OUT_H),
                back: followed(HOLDUP_BACK_H),
                warmth: followed(setup.machine.thermal_h),
            },
            thirst_kg_h_m2: (0.0, 0.0),
            air_c: air.temperature_c,
            clogging: Clogging::default(),
            slime: start.slime,
            ledger: Ledger { started: content, ..Ledger::default() },
            content,
            chips_l: start.chip_solids_l,
            tramp_oil_l: 0.4,
            holdup_l: 0.0,
            temperature_c: air.temperature_c,
            log_cfu: start.log_cfu_ml,
            ph: 0.0,
            slow_level_mm: 0.0,
            surface_m2: 0.0,
            pump: false,
            job: Job::none(at),
            meter_l: 0.0,
            leak_l_h: 0.0,
            armed: false,
            pours: VecDeque::new(),
            procedure: None,
            rates: Rates::default(),
            steps: 0,
            rng: Rng::of(seed, setup.name),
            setup,
        };
        sump.look_slowly();
        sump
    }

    /// Its setup.
    pub fn setup(&self) -> &SumpSetup {
        &self.setup
    }

    /// Its books.
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// What is in it now.
    pub fn content(&self) -> &Content {
        &self.content
    }

    /// Opens (or with 0 closes) a leak, L/h.
    pub fn leak(&mut self, litres_h: f64) {
        self.leak_l_h = litres_h.max(0.0);
    }

    /// Somebody starts to pour `litres` at `percent`; what was being poured stops.
    pub fn pour(&mut self, at: Stamp, litres: f64, percent: f64) {
        self.pours = [Pour::new(at, litres, percent, true)].into();
    }

    /// Starts a dump or a clean-out.
    pub fn begin(&mut self, procedure: Procedure) {
        self.procedure = Some(procedure);
    }

    /// Shovels the chips out but for a part; the coolant that clings to them goes too. Returns litres of metal.
    pub fn empty_chips(&mut self, left: f64) -> f64 {
        let metal_l = self.chips_l * (1.0 - left.clamp(0.0, 1.0));
        self.chips_l -= metal_l;
        let wet = self.content.portion(CLINGS_L_PER_L * metal_l);
        self.content -= wet;
        self.ledger.carried_out += wet;
        metal_l
    }

    /// Whether somebody is there to look after it.
    pub fn is_attended(&self, at: Stamp) -> bool {
        let away = |rest: &&super::work::Rest| rest.holiday && rest.from <= at && at < rest.to;
        self.setup.machine.calendar.is_working(at) && !self.setup.rests.iter().any(|rest| away(&rest))
    }

    /// Whether the coolant pump runs.
    pub fn pump_runs(&self) -> bool {
        self.pump
    }

    /// Brushes the chip screen off.
    pub fn brush_screen(&mut self) {
        self.clogging.clean();
    }

    /// One step of [`QUANTUM`] that ends at `at`.
    ///
    /// `air` says what the air is, given whether people are there; it is asked as seldom as air changes.
    pub(super) fn step(&mut self, at: Stamp, air: impl FnOnce(bool) -> Air, events: &mut Vec<Event>) {
        let hours = QUANTUM.as_secs_f64() / 3600.0;
        if self.steps.is_multiple_of(SLOW_EVERY) {
            self.breathe(air(self.is_attended(at)));
            self.live(SLOW_EVERY as f64 * hours);
            self.deplete(SLOW_EVERY as f64 * hours);
        }
        self.run_pump(at, hours);
        self.evaporate(hours);
        self.carry_out(hours);
        self.warm();
        self.care(at, events);
        self.be_poured(at, QUANTUM, events);
        self.mix();
        self.steps += 1;
        if self.steps.is_multiple_of(SLOW_EVERY) {
            self.look_slowly();
            self.consider_topping_up(at);
        }
    }

    fn run_pump(&mut self, at: Stamp, hours: f64) {
        let wanted = match &self.procedure {
            Some(procedure) => procedure.pump_runs(),
            None => {
                let rests = self.setup.rests.iter().any(|rest| rest.from <= at && at < rest.to);
                self.job.pump_runs(at, &self.setup.machine.calendar, QUANTUM, &mut self.rng) && !rests
            }
        };
        let before = self.pump;
        self.pump = wanted && self.content.liquid_l > self.setup.holdup_l;
        if self.pump != before && self.procedure.is_none() {
            self.notice_switch(at);
        }
        if let Some(screen) = &self.setup.screen {
            let load = if self.procedure.is_none() { self.job.load } else { 0.0 };
            self.clogging.step(screen, self.pump, load, hours);
        }
        let (aim, part) =
            if self.pump { (self.setup.holdup_l, self.follows.out) } else { (0.0, self.follows.back) };
        self.holdup_l += (aim - self.holdup_l) * part;
        // The last of it ends at zero: numbers that fade for ever are slow to compute with.
        self.holdup_l = if self.holdup_l < 1e-9 { 0.0 } else { self.holdup_l.min(self.content.liquid_l) };
    }

    /// What the air takes at the moment, running and standing.
    fn breathe(&mut self, air: Air) {
        let machine = &self.setup.machine;
        let thirst = |factor: f64, speed| factor * evaporation_kg_h_m2(self.temperature_c, air, speed);
        self.thirst_kg_h_m2 = (thirst(machine.spray_factor, 0.15), thirst(machine.film_factor, 0.06));
        self.air_c = air.temperature_c;
    }

    fn evaporate(&mut self, hours: f64) {
        let thirst = if self.pump { self.thirst_kg_h_m2.0 } else { self.thirst_kg_h_m2.1 };
        // One litre of water at 20 to 40 °C has 0.992 to 0.998 kg.
        self.rates.evaporation_l_h = self.surface_m2 * thirst / 0.996;
        let water_l = self.content.liquid_l - self.content.concentrate_l;
        let gone = Content::water((self.rates.evaporation_l_h * hours).min(0.5 * water_l));
        self.content -= gone;
        self.ledger.evaporated += gone;
    }

    fn carry_out(&mut self, hours: f64) {
        let machine = &self.setup.machine;
        let load = if self.pump && self.procedure.is_none() { self.job.load } else { 0.0 };
        let chips_kg_h = machine.chips_kg_h * load;
        let leaving = chips_kg_h * (1.0 - machine.chips_kept_share);
        // Mass share is of the wet swarf.
        let on_chips = leaving * machine.dragout_share / (1.0 - machine.dragout_share);
        self.rates.dragout_l_h = on_chips + machine.mist_l_h * load;
        let dragged = self.content.portion(self.rates.dragout_l_h * hours);
        self.content -= dragged;
        self.ledger.carried_out += dragged;
        let leaked = self.content.portion(self.leaking_l_h() * hours);
        self.content -= leaked;
        self.ledger.leaked += leaked;
        self.chips_l += 1000.0 * chips_kg_h * machine.chips_kept_share / machine.metal_kg_m3 * hours;
        self.tramp_oil_l += machine.tramp_oil_l_h * load * hours;
    }

    /// The seal that leaks sits where the pump draws: under that level nothing runs out.
    fn leaking_l_h(&self) -> f64 {
        if self.slow_level_mm > self.setup.pump_minimum_mm { self.leak_l_h } else { 0.0 }
    }

    /// Bacteria, the acid they make, and the slime that shelters them.
    fn live(&mut self, hours: f64) {
        let percent = self.content.percent();
        let life = &self.setup.biology;
        // Best between 25 and 38 °C, slower to both sides.
        let off = ((self.temperature_c - 31.0) / 14.0).abs().min(2.0);
        let warmth = (1.0 - 0.35 * off * off).max(0.05);
        let food = 0.35 + (self.tramp_oil_l / self.content.liquid_l.max(1.0) * 60.0).min(1.0);
        let stillness = if self.pump { 0.4 } else { 1.0 };
        let alkali = 1.0 / (1.0 + libm::exp(1.8 * (self.ph - 9.4)));
        let count = libm::exp(std::f64::consts::LN_10 * self.log_cfu);
        let growth = life.growth_h * warmth * food * stillness * alkali * (1.0 - count / CFU_MAX);
        let caustic = self.ph > 10.3;
        let kill = life.kill_h_percent * percent * (1.0 - SLIME_SHELTERS * self.slime)
            + if caustic { 3.0 } else { 0.0 };
        self.log_cfu = (self.log_cfu + (growth - kill) * hours / std::f64::consts::LN_10)
            .max(LOG_CFU_LEAST + SLIME_SHEDS_LOG * self.slime);
        let dissolving = if caustic && self.pump { SLIME_DISSOLVES_H } else { 0.0 };
        let spreading = SLIME_SPREADS_H * (1.0 - self.slime) * ((self.log_cfu - 3.0) / 3.0).clamp(0.0, 1.0);
        if self.slime > 0.0 {
            self.slime *= libm::exp((spreading - dissolving) * hours);
        }
        // Those that make acid starve in it: a sour sump stays near 7.
        let comfort = 1.0 / (1.0 + libm::exp(4.0 * (7.3 - self.ph)));
        let made = Content {
            acid_mmol: life.acid_mmol_l_h * count / (count + 3.0e7)
                * warmth
                * comfort
                * self.content.liquid_l
                * hours,
            ..Content::default()
        };
        self.content += made;
        self.ledger.made += made;
    }

    /// Hardness that falls out as scum, and concentrate used up.
    fn deplete(&mut self, hours: f64) {
        let (percent, hardness) = (self.content.percent(), self.content.hardness_mg_l());
        let over = (hardness - SCUM_FROM_MG_L).max(0.0);
        let scum_g = SCUM_RATE * over * over.sqrt() * percent * self.content.liquid_l * hours;
        let depleted = self.content.concentrate_l * self.setup.fluid.depletion_per_day / 24.0 * hours;
        let used = Content {
            concentrate_l: depleted + SCUM_CONCENTRATE_L_G * scum_g,
            hardness_g: scum_g,
            amine_mmol: self.content.amine_mmol * self.setup.fluid.depletion_per_day / 48.0 * hours,
            ..Content::default()
        };
        self.content -= used;
        self.ledger.used_up += used;
    }

    fn warm(&mut self) {
        let aim = self.air_c + if self.pump { self.setup.machine.warming_k * self.job.load } else { 0.0 };
        self.temperature_c += (aim - self.temperature_c) * self.follows.warmth;
    }

    fn care(&mut self, at: Stamp, events: &mut Vec<Event>) {
        let Some(mut procedure) = self.procedure.take() else { return };
        let change = procedure.step(QUANTUM, self.content.liquid_l);
        let out = self.content.portion(change.out_l);
        self.content -= out;
        self.ledger.pumped_out += out;
        if change.out_l > 0.0 {
            self.tramp_oil_l *=
                (1.0 - change.out_l / (self.content.liquid_l + change.out_l).max(1e-9)).max(0.0);
        }
        if change.in_l > 0.0 {
            let mut fill = Content::mix(
                change.in_l,
                change.in_percent,
                &self.fill_water(),
                self.setup.fluid.amine_mmol_l_percent,
            );
            fill.acid_mmol = -change.alkali_mmol_l * change.in_l;
            self.content += fill;
            self.ledger.added += fill;
        }
        if change.chips_out {
            self.chips_l *= 0.03;
            self.clogging.clean();
            self.log_cfu = (self.log_cfu - 1.0).max(LOG_CFU_LEAST);
        }
        events.extend(change.event.map(|kind| Event { at, sump: 0, kind }));
        self.procedure = (!procedure.is_over()).then_some(procedure);
    }

    /// What the conductivity probe meets follows the whole, quickly while the pump stirs.
    fn mix(&mut self) {
        if self.setup.mixing == Mixing::AT_ONCE {
            return;
        }
        let whole = self.content.scaled(1.0 / self.content.liquid_l.max(1e-3));
        if self.procedure.is_some() {
            self.met = whole;
            return;
        }
        let part = if self.pump { self.follows.mixed_running } else { self.follows.mixed_standing };
        let mut met = self.met.scaled(1.0 - part);
        met += whole.scaled(part);
        self.met = met;
    }

    fn fill_water(&self) -> Water {
        self.setup.fill_water.unwrap_or(self.setup.water)
    }

    fn look_slowly(&mut self) {
        self.slow_level_mm = self.level_mm();
        self.surface_m2 = self.setup.tank.surface_m2(self.slow_level_mm);
        self.ph = self.buffer().ph();
    }

    fn level_mm(&self) -> f64 {
        let in_tank = self.content.liquid_l - self.holdup_l;
        let share = self.chips_share();
        let porosity = self.setup.machine.chip_porosity;
        level_with_chips_mm(&self.setup.tank, in_tank, self.chips_l, porosity, share)
    }

    /// Conductivity of some of what is in it, uS/cm at 25 °C.
    fn conductivity_25(&self, content: &Content) -> f64 {
        let fluid = &self.setup.fluid;
        let ions = content.ions(self.fill_water().ions.magnesium_share, fluid.organic_mmol_l_percent);
        let oil = content.percent() / 100.0 * fluid.oil_share
            + TRAMP_EMULSIFIED * self.tramp_oil_l / self.content.liquid_l.max(1.0);
        ions.conductivity_us_cm() * obstruction(oil)
    }

    fn buffer(&self) -> Buffer {
        let per_l = 1.0 / self.content.liquid_l.max(1e-3);
        let fluid = &self.setup.fluid;
        Buffer {
            amine: self.content.amine_mmol * per_l,
            amine_pka: fluid.amine_pka - AMINE_PKA_PER_K * (self.temperature_c - 25.0),
            amine_free_share: fluid.amine_free_share,
            bicarbonate: self.content.bicarbonate_mmol * per_l,
            acid: self.content.acid_mmol * per_l,
        }
    }

    /// What is true now.
    pub(super) fn truth(&self, at: Stamp) -> Truth {
        let percent = self.content.percent();
        let conductivity_25 = self.conductivity_25(&self.content);
        let met_25 = if self.setup.mixing == Mixing::AT_ONCE {
            conductivity_25
        } else {
            self.conductivity_25(&self.met)
        };
        let warmth = temperature_factor(self.temperature_c);
        let level_mm = self.level_mm();
        let (level_dirty_mm, level_clean_mm) =
            self.setup.screen.map_or((level_mm, level_mm), |s| self.clogging.levels_mm(&s, level_mm));
        Truth {
            at,
            liquid_l: self.content.liquid_l,
            percent,
            hardness_mg_l: self.content.hardness_mg_l(),
            chip_solids_l: self.chips_l,
            holdup_l: self.holdup_l,
            level_mm,
            level_dirty_mm,
            level_clean_mm,
            conductivity_25_us_cm: conductivity_25,
            conductivity_us_cm: conductivity_25 * warmth,
            met_25_us_cm: met_25,
            met_us_cm: met_25 * warmth,
            ph: self.ph,
            temperature_c: self.temperature_c,
            pump: self.pump,
            meter_l: self.meter_l,
            evaporation_l_h: self.rates.evaporation_l_h,
            dragout_l_h: self.rates.dragout_l_h,
            leak_l_h: self.leaking_l_h(),
            log_cfu_ml: self.log_cfu,
            tramp_oil_l: self.tramp_oil_l,
            oil_layer_mm: (1.0 - TRAMP_EMULSIFIED) * self.tramp_oil_l / self.surface_m2.max(0.05),
            slime: self.slime,
            waves_mm: if self.pump { self.setup.machine.waves_mm } else { 0.05 },
            foam: self.foam(),
            chip_depth_mm: self.chip_depth_mm(),
        }
    }

    /// Soft water and a strong mix foam while the pump stirs; the 70 mg/L is a glass shop's figure (trade article).
    fn foam(&self) -> f64 {
        if !self.pump {
            return 0.0;
        }
        let soft = ((90.0 - self.content.hardness_mg_l()) / 60.0).clamp(0.0, 1.0);
        soft * (self.content.percent() / 10.0).min(1.0)
    }

    /// Behind a screen there is nothing to find, so people push the stick in before it.
    fn chip_depth_mm(&self) -> f64 {
        let bulk_l = self.chips_l / (1.0 - self.setup.machine.chip_porosity);
        self.setup.tank.level_mm(bulk_l / self.chips_share())
    }

    /// Part of the plan area on which chips lie.
    fn chips_share(&self) -> f64 {
        self.setup.screen.map_or(1.0, |screen| screen.dirty_share)
    }
}

/// Part of the way to an aim in one step, with a time constant in hours; all of it where that is zero.
fn followed(constant_h: f64) -> f64 {
    if constant_h > 0.0 { 1.0 - libm::exp(-QUANTUM.as_secs_f64() / 3600.0 / constant_h) } else { 1.0 }
}
