//! What a sump, its machine and its people are like: everything a scenario chooses.

use super::ions::Water;
use super::screen::Screen;
use super::tank::Tank;
use super::work::{Calendar, Rest};

/// One sump and all around it.
#[derive(Clone, PartialEq, Debug)]
pub struct SumpSetup {
    /// Name, of `A-Z a-z 0-9 _ -`.
    pub name: &'static str,
    /// What people call it.
    pub title: &'static str,
    /// Its tank.
    pub tank: Tank,
    /// Level people fill to with the pump running, mm.
    pub fill_mark_mm: f64,
    /// Level under which the pump draws air, mm.
    pub pump_minimum_mm: f64,
    /// What is out in the machine while the pump runs, L.
    pub holdup_l: f64,
    /// What is in it.
    pub fluid: Fluid,
    /// What it is topped up with.
    pub water: Water,
    /// What it was filled with and is filled with anew after a dump or a clean-out; `None`: the same.
    pub fill_water: Option<Water>,
    /// Concentration people aim at, percent.
    pub target_percent: f64,
    /// State at the start.
    pub start: Start,
    /// Machine on it.
    pub machine: Machine,
    /// People around it.
    pub people: People,
    /// Life in it.
    pub biology: Biology,
    /// How long a top-up takes to reach the conductivity probe.
    pub mixing: Mixing,
    /// Screen that keeps the chips on one side.
    pub screen: Option<Screen>,
    /// When it stands beside the weekends.
    pub rests: Vec<Rest>,
}

/// Time constants with which what the conductivity probe meets follows the whole; zero: at once.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Mixing {
    /// While the pump runs, minutes.
    pub running_min: f64,
    /// While it stands, hours.
    pub standing_h: f64,
}

impl Mixing {
    /// A sump that is always well mixed.
    pub const AT_ONCE: Self = Self { running_min: 0.0, standing_h: 0.0 };
}

/// A concentrate.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Fluid {
    /// Name in a configuration.
    pub name: &'static str,
    /// Percent = Brix × factor.
    pub refractometer_factor: f64,
    /// Organic salt per percent, mmol/L.
    pub organic_mmol_l_percent: f64,
    /// Share of the concentrate that ends as oil droplets, 0 to 1.
    pub oil_share: f64,
    /// Buffering amine per percent, mmol/L.
    pub amine_mmol_l_percent: f64,
    /// Its pKa at 25 °C.
    pub amine_pka: f64,
    /// Part of it free in a fresh mix.
    pub amine_free_share: f64,
    /// Active concentrate used up on chips and in the air, part per day.
    pub depletion_per_day: f64,
}

impl Fluid {
    /// An invented semi-synthetic: a third oil, strong buffer.
    pub const SEMI_SYNTHETIC: Self = Self {
        name: "semi-synthetic",
        refractometer_factor: 1.4,
        organic_mmol_l_percent: 2.3,
        oil_share: 0.30,
        amine_mmol_l_percent: 4.5,
        amine_pka: 8.9,
        amine_free_share: 0.68,
        depletion_per_day: 0.003,
    };

    /// An invented emulsion: mostly oil, weaker buffer.
    pub const EMULSION: Self = Self {
        name: "emulsion",
        refractometer_factor: 1.0,
        organic_mmol_l_percent: 1.5,
        oil_share: 0.65,
        amine_mmol_l_percent: 2.6,
        amine_pka: 9.0,
        amine_free_share: 0.62,
        depletion_per_day: 0.004,
    };
}

/// State at the start.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Start {
    /// Part of the way from empty to the fill mark by volume, 0 to 1.
    pub fullness: f64,
    /// Concentration, percent.
    pub percent: f64,
    /// Hardness, mg/L; other minerals are in the top-up water's proportions.
    pub hardness_mg_l: f64,
    /// Chips on the floor, litres of solid metal.
    pub chip_solids_l: f64,
    /// log10 of bacteria per mL.
    pub log_cfu_ml: f64,
    /// Acid already made, mmol/L.
    pub acid_mmol_l: f64,
    /// Slime on walls and in lines, 0 to 1: it shelters bacteria and survives a dump.
    pub slime: f64,
}

/// A machine and its work.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Machine {
    /// Its shifts.
    pub calendar: Calendar,
    /// Metal cut at load 1, kg/h.
    pub chips_kg_h: f64,
    /// Density of the metal, kg/m³.
    pub metal_kg_m3: f64,
    /// Part of the chips that stays in the sump.
    pub chips_kept_share: f64,
    /// Part of a chip bed that is empty: 1 − bulk density / solid density.
    pub chip_porosity: f64,
    /// Coolant on chips that leave, mass share.
    pub dragout_share: f64,
    /// Coolant that leaves as mist and on parts at load 1, L/h.
    pub mist_l_h: f64,
    /// Open surface over the tank's own while running: spray, wet ways, warm chips.
    pub spray_factor: f64,
    /// Share of clean-water evaporation that an idle surface under its oil film gives.
    pub film_factor: f64,
    /// Warming at load 1 once settled, K over the hall.
    pub warming_k: f64,
    /// Time constant of the temperature, hours.
    pub thermal_h: f64,
    /// Tramp oil at load 1, L/h.
    pub tramp_oil_l_h: f64,
    /// Height of waves while the pump runs, mm standard deviation.
    pub waves_mm: f64,
}

impl Machine {
    /// A middling lathe that cuts steel.
    pub const LATHE: Self = Self {
        calendar: Calendar::TWO_SHIFTS,
        chips_kg_h: 9.0,
        metal_kg_m3: 7850.0,
        chips_kept_share: 0.012,
        chip_porosity: 0.86,
        dragout_share: 0.04,
        mist_l_h: 0.12,
        spray_factor: 2.2,
        film_factor: 0.5,
        warming_k: 7.0,
        thermal_h: 2.5,
        tramp_oil_l_h: 0.015,
        waves_mm: 1.6,
    };
}

/// How people top up.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct People {
    /// Litres under the fill mark at which somebody reaches for the hose, as a part of the volume at the mark.
    pub low_part: f64,
    /// Mean strength of what they pour, percent.
    pub mix_percent: f64,
    /// Its standard deviation.
    pub mix_spread: f64,
    /// How much stronger they pour for each percent the refractometer shows under the target; 0: they do not look.
    pub corrects: f64,
    /// Chance that it is plain water.
    pub plain_chance: f64,
    /// Rate of the hose, L/min.
    pub hose_l_min: f64,
    /// When they pour.
    pub hose: Hose,
    /// Chance that it is the wrong mix.
    pub wrong_chance: f64,
    /// Strength of the wrong mix, percent.
    pub wrong_percent: f64,
    /// Chance that neat concentrate goes in first and water some minutes later.
    pub neat_chance: f64,
    /// Chance that it comes in buckets, past the meter.
    pub bucket_chance: f64,
    /// In how many pours over some hours it comes.
    pub portions: u32,
    /// Chance that a skimmer visit takes tramp oil off on a working day.
    pub skim_chance: f64,
}

impl People {
    /// They mean well.
    pub const CAREFUL: Self = Self {
        low_part: 0.10,
        mix_percent: 4.0,
        mix_spread: 0.4,
        corrects: 0.0,
        plain_chance: 0.0,
        hose_l_min: 14.0,
        hose: Hose::Running,
        wrong_chance: 0.0,
        wrong_percent: 12.0,
        neat_chance: 0.0,
        bucket_chance: 0.0,
        portions: 1,
        skim_chance: 0.5,
    };
}

/// When somebody pours.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Hose {
    /// While the pump runs.
    Running,
    /// While it stands.
    Standing,
    /// At the moment it starts or stops.
    AtSwitch,
    /// Whenever it looks low.
    Anyhow,
}

/// How bacteria do.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Biology {
    /// Growth with everything in their favour, per hour.
    pub growth_h: f64,
    /// Loss to what preserves the concentrate, per hour and percent of concentrate.
    pub kill_h_percent: f64,
    /// Acid made by a full population, mmol/L per hour.
    pub acid_mmol_l_h: f64,
}

impl Biology {
    /// A fill in good order.
    pub const KEPT: Self = Self { growth_h: 0.12, kill_h_percent: 0.01, acid_mmol_l_h: 0.3 };
    /// An old fill: what preserved it is used up.
    pub const TIRED: Self = Self { growth_h: 0.14, kill_h_percent: 0.0005, acid_mmol_l_h: 0.45 };
}
