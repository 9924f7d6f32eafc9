//! A sump by other rules than the estimator's, and than the simulator's: conductivity is a straight line over minerals and concentrate,
//! evaporation and drag-out are so much an hour, a little more in warmth; everything is stirred at once. It is read as small gateways
//! read: each minute with a contact, each quarter of an hour, each hour, without a contact, from a pump that holds nothing up; and
//! where bacteria make acid in it.
//!
//! Its figures are invented. What is asked: nothing is told that did not happen, what is told of concentration and hardness
//! is near the truth, and its 90 % intervals hold that in most hours.

use std::ops::AddAssign;

use sumpwarden_core::estimate::settings::{
    BoxPart, EstimateKind, SumpAccuracy, SumpProbes, SumpSettings, TankShape,
};
use sumpwarden_core::estimate::sump::{Event, Sump, What};
use sumpwarden_core::model::Quality;
use sumpwarden_sim::rng::Rng;
use sumpwarden_tests::shop::{CONDUCTIVITY, LEVEL, PH, PUMP, TEMPERATURE, at, lathe, reading};

const DAYS: u64 = 60;
const SEEDS: std::ops::Range<u64> = 1..4;
/// An estimator may find its feet for so many hours before it is judged.
const WARM_UP_H: u64 = 48;

const FULL_L: f64 = 250.0;
const TARGET_PERCENT: f64 = 6.0;
const LITRES_PER_MM: f64 = 1.0;
const WATER_MG_L: f64 = 200.0;
const WATER_US_CM: f64 = 480.0;
const US_CM_PER_PERCENT: f64 = 140.0;

/// Two amines, half of each, that take up acid: pKa of ethanolamine and of triethanolamine (CRC Handbook, from memory), mmol/L a percent.
const PKAS: [f64; 2] = [9.5, 7.8];
const AMINE_MMOL_L_PERCENT: f64 = 4.0;
const FRESH_PH: f64 = 9.1;
/// What a mmol/L of amine and acid conducts once they are ions: of ions of that size, at such strength.
const US_CM_PER_MMOL_L: f64 = 58.0;
/// Acid made in an hour, mmol/L, and the pH at which who makes it starves.
const ACID_MMOL_L_H: f64 = 0.12;
const STARVES_PH: f64 = 7.2;

/// How it is read.
#[derive(Clone, Copy, Debug)]
struct Reads {
    every_min: u64,
    contact: bool,
    holdup_l: f64,
    /// Bacteria make acid in it from this day on.
    sours_from: Option<u64>,
}

/// What came of it.
#[derive(Clone, Debug, Default)]
struct Told {
    events: Vec<Event>,
    topups: usize,
    concentration: Errors,
    hardness: Errors,
}

/// Errors of one quantity, hour by hour.
#[derive(Clone, Copy, Debug, Default)]
struct Errors {
    squares: f64,
    held: f64,
    hours: f64,
}

impl AddAssign for Errors {
    fn add_assign(&mut self, other: Self) {
        self.squares += other.squares;
        self.held += other.held;
        self.hours += other.hours;
    }
}

impl Errors {
    fn rms(&self) -> f64 {
        (self.squares / self.hours).sqrt()
    }

    fn held_percent(&self) -> f64 {
        100.0 * self.held / self.hours
    }
}

/// The true sump.
struct Straight {
    liquid_l: f64,
    concentrate_l: f64,
    /// Minerals, in litres of tap water.
    minerals_l: f64,
    acid_mmol: f64,
    out_l: f64,
    celsius: f64,
    running: bool,
    evaporation_l_h: f64,
    dragout_l_h: f64,
    mix_percent: f64,
    poured_at: u64,
    topups: usize,
}

fn us_cm(percent: f64, minerals: f64) -> f64 {
    WATER_US_CM * minerals + US_CM_PER_PERCENT * percent
}

impl Straight {
    fn new(rng: &mut Rng) -> Self {
        let (evaporation_l_h, dragout_l_h) = (0.375 * rng.between(0.7, 1.4), 0.125 * rng.between(0.6, 1.6));
        let part = dragout_l_h / (evaporation_l_h + dragout_l_h);
        let percent = TARGET_PERCENT * rng.between(0.85, 1.15);
        Self {
            liquid_l: FULL_L,
            concentrate_l: FULL_L * percent / 100.0,
            minerals_l: FULL_L * (1.0 - percent / 100.0),
            acid_mmol: 0.0,
            out_l: 0.0,
            celsius: 20.0,
            running: false,
            evaporation_l_h,
            dragout_l_h,
            mix_percent: TARGET_PERCENT * part * rng.between(0.8, 1.3),
            poured_at: 0,
            topups: 0,
        }
    }

    fn percent(&self) -> f64 {
        100.0 * self.concentrate_l / self.liquid_l
    }

    fn us_cm(&self) -> f64 {
        us_cm(self.percent(), self.minerals_l / self.liquid_l)
            + US_CM_PER_MMOL_L * self.acid_mmol / self.liquid_l
    }

    /// pH at 25 °C: where the amines have taken up the acid there is.
    fn ph(&self) -> f64 {
        let amine = AMINE_MMOL_L_PERCENT * self.percent() / PKAS.len() as f64;
        let free = |ph: f64| PKAS.iter().map(|pka| 1.0 / (1.0 + 10_f64.powf(pka - ph))).sum::<f64>();
        let (mut low, mut high) = (4.0, FRESH_PH);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            let taken = amine * (free(FRESH_PH) - free(middle));
            if taken > self.acid_mmol / self.liquid_l { low = middle } else { high = middle }
        }
        low
    }

    fn sour(&mut self) {
        if self.ph() > STARVES_PH {
            self.acid_mmol += ACID_MMOL_L_H / 60.0 * self.liquid_l;
        }
    }

    fn hardness_mg_l(&self) -> f64 {
        WATER_MG_L * self.minerals_l / self.liquid_l
    }

    /// One minute: two shifts on five days, pumps that pause now and then, people who top up when it has sunk by an eighth.
    fn minute(&mut self, minute: u64, holdup_l: f64, rng: &mut Rng) {
        let hours = minute as f64 / 60.0;
        let shift = minute / 1440 % 7 < 5 && (360..1320).contains(&(minute % 1440));
        if minute.is_multiple_of(10) {
            self.running = shift && rng.chance(0.9);
        }
        let day = (std::f64::consts::TAU * (hours - 9.0) / 24.0).sin();
        let season = (std::f64::consts::TAU * hours / (24.0 * 90.0)).sin();
        let around = 20.0 + 4.0 * day + 5.0 * season + if self.running { 6.0 } else { 0.0 };
        self.celsius += (around - self.celsius) / 150.0;
        let wet = if self.running { 1.6 } else { 0.5 };
        self.liquid_l -= self.evaporation_l_h / 60.0 * wet * (1.0 + 0.05 * (self.celsius - 22.0));
        let dragged = if self.running { 2.2 * self.dragout_l_h / 60.0 } else { 0.0 };
        let kept = 1.0 - dragged / self.liquid_l;
        self.liquid_l *= kept;
        self.concentrate_l *= kept;
        self.minerals_l *= kept;
        self.acid_mmol *= kept;
        let out_l = if self.running { holdup_l } else { 0.0 };
        self.out_l += 0.4 * (out_l - self.out_l);
        let low = self.liquid_l < 0.88 * FULL_L;
        if shift && low && minute.is_multiple_of(60) && minute > self.poured_at + 120 {
            let (litres, strength) =
                (FULL_L - self.liquid_l, (self.mix_percent + 0.5 * rng.normal()).max(0.0));
            self.liquid_l += litres;
            self.concentrate_l += litres * strength / 100.0;
            self.minerals_l += litres * (1.0 - strength / 100.0);
            self.poured_at = minute;
            self.topups += 1;
        }
    }
}

fn settings(reads: Reads) -> SumpSettings {
    let lathe = lathe();
    let mut fluid = lathe.fluid.clone();
    fluid.conductivity_curve =
        [0.0, 3.0, 5.0, 8.0, 12.0].map(|percent| (percent, us_cm(percent, 1.0 - percent / 100.0))).to_vec();
    let mut water = lathe.water.clone();
    (water.hardness_mg_l, water.conductivity_us_cm) = (WATER_MG_L, Some(WATER_US_CM));
    SumpSettings {
        tank: TankShape::Boxes(vec![BoxPart {
            length_mm: 1000.0,
            width_mm: 1000.0 * LITRES_PER_MM,
            floor_mm: 0.0,
            top_mm: 330.0,
        }]),
        fill_mark_mm: FULL_L / LITRES_PER_MM,
        pump_minimum_mm: Some(80.0),
        holdup_l: reads.holdup_l,
        target_percent: TARGET_PERCENT,
        probes: SumpProbes { pump: reads.contact.then_some(PUMP), makeup_total: None, ..lathe.probes },
        fluid,
        water,
        ..lathe
    }
}

fn played(reads: Reads, seed: u64) -> Told {
    let mut rng = Rng::of(seed, "straight lines");
    let mut truth = Straight::new(&mut rng);
    let mut sump = Sump::new(&settings(reads), &SumpAccuracy::default(), 1.0).expect("sound settings");
    let mut told = Told::default();
    for minute in 0..DAYS * 1440 {
        truth.minute(minute, reads.holdup_l, &mut rng);
        if reads.sours_from.is_some_and(|day| minute >= 1440 * day) {
            truth.sour();
        }
        if minute % reads.every_min == 0 {
            let now = at(60 * minute);
            let waves_mm = if truth.running { 0.9 } else { 0.3 } * rng.normal();
            let contact = f64::from(u8::from(truth.running));
            for (probe, value) in [
                (LEVEL, (truth.liquid_l - truth.out_l) / LITRES_PER_MM + waves_mm),
                (CONDUCTIVITY, truth.us_cm() * (1.0 + 0.003 * rng.normal())),
                (TEMPERATURE, truth.celsius + 0.1 * rng.normal()),
                (PH, truth.ph() - 0.02 * (truth.celsius - 25.0) + 0.02 * rng.normal()),
                (PUMP, contact),
            ] {
                if probe != PUMP || reads.contact {
                    sump.observe(now, &reading(now, probe, value, Quality::GOOD));
                }
            }
            sump.drain_events(&mut told.events);
        }
        if minute % 60 == 59 && minute / 60 >= WARM_UP_H {
            let latest = sump.estimates(at(60 * minute));
            let of = |kind: EstimateKind, truth: f64, scale: f64| {
                let told = latest[kind.place()].expect("believed");
                let off = (told.value - truth) / scale;
                let held = (told.low90..=told.high90).contains(&truth);
                Errors { squares: off * off, held: f64::from(u8::from(held)), hours: 1.0 }
            };
            told.concentration += of(EstimateKind::Concentration, truth.percent(), 1.0);
            let hardness = truth.hardness_mg_l();
            told.hardness += of(EstimateKind::Hardness, hardness, 0.01 * hardness);
        }
    }
    told.topups = truth.topups;
    told
}

/// Plays all seeds; `points` and `percent` are how far concentration and hardness may lie off, root mean square.
fn judge(reads: Reads, points: f64, percent: f64) {
    let (mut concentration, mut hardness) = (Errors::default(), Errors::default());
    for seed in SEEDS {
        let told = played(reads, seed);
        let is_topup = |event: &&Event| matches!(event.what, What::TopUp { .. });
        let topups = told.events.iter().filter(is_topup).count();
        assert_eq!(topups, told.topups, "seed {seed}, {reads:?}: {:?}", told.events);
        let else_told: Vec<&Event> = told.events.iter().filter(|event| !is_topup(event)).collect();
        assert!(else_told.is_empty(), "seed {seed}, {reads:?}: {else_told:?}");
        concentration += told.concentration;
        hardness += told.hardness;
    }
    for (what, errors, most) in [("concentration", concentration, points), ("hardness", hardness, percent)] {
        let (rms, held) = (errors.rms(), errors.held_percent());
        assert!(rms < most, "{reads:?}: {what} off by {rms:.2}");
        assert!(held > 85.0, "{reads:?}: {what} held in {held:.0} % of the hours");
    }
}

#[test]
fn each_minute_with_a_contact() {
    judge(Reads { every_min: 1, contact: true, holdup_l: 12.0, sours_from: None }, 0.6, 12.0);
}

#[test]
fn each_quarter_of_an_hour_with_a_contact() {
    judge(Reads { every_min: 15, contact: true, holdup_l: 12.0, sours_from: None }, 0.6, 12.0);
}

#[test]
fn every_five_minutes_without_a_contact_or_a_hold_up() {
    judge(Reads { every_min: 5, contact: false, holdup_l: 0.0, sours_from: None }, 0.6, 17.0);
}

#[test]
fn each_hour_without_a_contact_or_a_hold_up() {
    judge(Reads { every_min: 60, contact: false, holdup_l: 0.0, sours_from: None }, 0.8, 20.0);
}

#[test]
fn a_sump_that_sours_from_the_third_week_on() {
    judge(Reads { every_min: 1, contact: true, holdup_l: 12.0, sours_from: Some(20) }, 0.5, 10.0);
}
