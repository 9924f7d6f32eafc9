//! One hand-made sump whose every reading a test says itself.
//!
//! [`lathe`] describes it; [`Bench`] plays a few minutes or days of it, with everything that is poured, drawn off or done to
//! a probe on the way. Its conductivity is the coolant's own curve, so nothing here judges that curve: what a bench is for
//! is steps, gaps, faults and what is told of them. Histories with a truth of their own come from the simulator.

use std::time::Duration;

use sumpwarden_core::engine::Settings;
use sumpwarden_core::estimate::coolant::Coolant;
use sumpwarden_core::estimate::fluid::JarTest;
use sumpwarden_core::estimate::note::{Note, NoteKind};
use sumpwarden_core::estimate::settings::{
    BoxPart, EstimateKind, FluidSettings, SumpAccuracy, SumpProbes, SumpSettings, TankShape, WaterSettings,
};
use sumpwarden_core::estimate::sump::{Estimate, Estimates, Event, Sump};
use sumpwarden_core::model::{
    DeviceStatus, Measured, Measurement, Name, Now, ProbeIndex, Quality, Quantity, Reason, Status, SumpIndex,
    Timestamp,
};
use sumpwarden_core::signal::settings::{Accuracy, InputStage, Line, ProbeSettings, SensorStage};

/// Level above the floor, mm.
pub const LEVEL: ProbeIndex = ProbeIndex(0);
/// Conductivity at 25 °C, uS/cm.
pub const CONDUCTIVITY: ProbeIndex = ProbeIndex(1);
/// Temperature, °C.
pub const TEMPERATURE: ProbeIndex = ProbeIndex(2);
/// pH.
pub const PH: ProbeIndex = ProbeIndex(3);
/// Pump contact.
pub const PUMP: ProbeIndex = ProbeIndex(4);
/// Total of the make-up meter, L.
pub const METER: ProbeIndex = ProbeIndex(5);

/// Every probe with its name and quantity, by index.
pub const PROBES: [(&str, Quantity); 6] = [
    ("level", Quantity::Level),
    ("conductivity", Quantity::Conductivity),
    ("temperature", Quantity::Temperature),
    ("ph", Quantity::Ph),
    ("pump", Quantity::PumpRunning),
    ("meter", Quantity::FlowTotal),
];

/// Litres of the tank per mm of level.
pub const LITRES_PER_MM: f64 = 0.84;

/// What is out in lines and machine while the pumps run, L.
pub const HOLDUP_L: f64 = 25.0;

fn name(text: &str) -> Name {
    Name::new(text).expect("allowed characters")
}

/// A sump of 1200 × 700 mm, filled to 310 mm (260 L), with all probes.
pub fn lathe() -> SumpSettings {
    SumpSettings {
        name: name("lathe-1"),
        title: "Lathe 1".to_owned(),
        tank: TankShape::Boxes(vec![BoxPart {
            length_mm: 1200.0,
            width_mm: 700.0,
            floor_mm: 0.0,
            top_mm: 400.0,
        }]),
        fill_mark_mm: 310.0,
        pump_minimum_mm: Some(100.0),
        holdup_l: HOLDUP_L,
        fluid: FluidSettings {
            name: name("semi"),
            refractometer_factor: 1.4,
            conductivity_curve: vec![
                (0.0, 560.0),
                (3.0, 1010.0),
                (5.0, 1290.0),
                (8.0, 1690.0),
                (12.0, 2190.0),
            ],
        },
        water: WaterSettings { name: name("mains"), hardness_mg_l: 240.0, conductivity_us_cm: Some(560.0) },
        fill_water: None,
        makeup_percent: None,
        chip_solid_percent: None,
        target_percent: 7.0,
        probes: SumpProbes {
            level: [Some(LEVEL), None],
            conductivity: Some(CONDUCTIVITY),
            ph: Some(PH),
            temperature: Some(TEMPERATURE),
            pump: Some(PUMP),
            makeup_total: Some(METER),
        },
    }
}

/// A gateway with that sump and no limits; its probes deliver engineering values.
pub fn engine_settings() -> Settings {
    let ordinary = SumpAccuracy::default();
    let probe = |(of, quantity): (&str, Quantity)| ProbeSettings {
        name: name(of),
        sump: SumpIndex(0),
        quantity,
        input_unit: None,
        input: InputStage::Scaled(Line::IDENTITY),
        sensor: SensorStage::Direct,
        range: None,
        accuracy: match quantity {
            Quantity::Conductivity => ordinary.conductivity,
            Quantity::Level => Accuracy { absolute: ordinary.level_mm, relative: 0.0 },
            _ => Accuracy { absolute: 0.1, relative: 0.0 },
        },
        period: Duration::from_secs(60),
        hold: Duration::from_secs(180),
        stale_after: Duration::from_secs(180),
        frozen: None,
        spike: None,
        calibration_due: None,
    };
    Settings {
        probes: PROBES.map(probe).to_vec(),
        sumps: vec![lathe()],
        estimate_every: Duration::from_secs(600),
        ..Settings::default()
    }
}

/// Both clocks, this many seconds after the start of the gateway.
pub fn at(second: u64) -> Now {
    Now::simulated(Timestamp::from_millis(i64::try_from(second).unwrap_or(i64::MAX).saturating_mul(1000)))
}

/// A reading of one probe as the signal floor hands it on.
pub fn reading(now: Now, probe: ProbeIndex, value: f64, quality: Quality) -> Measurement {
    let measured = Measured::new(value, quality);
    Measurement { probe, at: now.utc, received: now.uptime, raw: Some(value), measured }
}

/// A value that has not moved for longer than it may.
pub const FROZEN: Quality = Quality::new(Status::Uncertain, DeviceStatus::OutOfSpecification, Reason::Frozen);

/// An estimate by its kind.
pub fn estimate(sump: &Sump, kind: EstimateKind) -> Estimate {
    sump.latest()[kind.place()].unwrap_or_else(|quality| panic!("{kind:?}: no estimate, {quality:?}"))
}

/// Half the width of its interval.
pub fn half_width(estimate: &Estimate) -> f64 {
    0.5 * (estimate.high90 - estimate.low90)
}

/// The hand-made sump being played, a reading of every probe a minute.
#[derive(Clone, Debug)]
pub struct Bench {
    /// What watches it.
    pub sump: Sump,
    /// What it has told so far.
    pub events: Vec<Event>,
    /// What it gave last to be kept for a restart, with its estimates at that instant.
    pub kept: Option<(Vec<u8>, Estimates)>,
    /// Time, seconds.
    pub now_s: u64,
    /// What is in it: liquid, L.
    pub liquid_l: f64,
    /// Concentrate in it, L.
    pub concentrate_l: f64,
    /// Minerals in it, in litres of the jar test's water.
    pub minerals_l: f64,
    /// Evaporation running and idle, drag-out while running, leak, all L/h.
    pub losses_l_h: [f64; 4],
    /// Total of the meter, L.
    pub metered_l: f64,
    /// Probes that give nothing.
    pub silent: Vec<ProbeIndex>,
    /// Part of the waves and of the noise of the level that is there while the pumps stand.
    pub idle_waves: f64,
    /// A conductivity that is read instead of the true one, with its quality.
    pub false_us_cm: Option<(f64, Quality)>,
    out_l: f64,
    coolant: Coolant,
}

impl Bench {
    /// A sump filled with fresh coolant of this strength, of which nothing has been read yet.
    pub fn new(settings: &SumpSettings, percent: f64) -> Self {
        let jar = JarTest::new(&settings.fluid.conductivity_curve).expect("a jar test");
        let liquid_l = 250.0;
        Self {
            sump: Sump::new(settings, &SumpAccuracy::default(), 1.0).expect("sound settings"),
            events: Vec::new(),
            kept: None,
            now_s: 0,
            liquid_l,
            concentrate_l: liquid_l * percent / 100.0,
            minerals_l: liquid_l * (1.0 - percent / 100.0),
            losses_l_h: [0.35, 0.1, 0.1, 0.0],
            metered_l: 1000.0,
            silent: Vec::new(),
            idle_waves: 1.0,
            false_us_cm: None,
            out_l: 0.0,
            coolant: Coolant::new(&jar, 560.0, None),
        }
    }

    /// Its true concentration, percent.
    pub fn percent(&self) -> f64 {
        100.0 * self.concentrate_l / self.liquid_l
    }

    /// Its true conductivity, uS/cm.
    pub fn us_cm(&self) -> f64 {
        self.coolant.us_cm(self.percent(), self.minerals_l / self.liquid_l, 0.0)
    }

    /// Minutes go by; the pumps run in the minutes (of those) that `runs` names.
    pub fn go_on(&mut self, minutes: u64, runs: impl Fn(u64) -> bool) {
        for minute in 0..minutes {
            self.minute(runs(minute));
        }
    }

    /// Days go by, with the pumps running from hour 6 to 22 of each.
    pub fn days(&mut self, days: u64) {
        self.go_on(days * 1440, |minute| (360..1320).contains(&(minute % 1440)));
    }

    /// `litres` of this strength go in within three minutes, past the meter or through it; the pumps go on as they are.
    pub fn pour(&mut self, litres: f64, percent: f64, metered: bool, running: bool) {
        for _ in 0..3 {
            let part = litres / 3.0;
            self.liquid_l += part;
            self.concentrate_l += part * percent / 100.0;
            self.minerals_l += part * (1.0 - percent / 100.0);
            self.metered_l += if metered { part } else { 0.0 };
            self.minute(running);
        }
    }

    /// `litres` are pumped out within six minutes.
    pub fn pump_out(&mut self, litres: f64) {
        for _ in 0..6 {
            self.leave(litres / 6.0);
            self.minute(false);
        }
    }

    /// Somebody writes something down.
    pub fn note(&mut self, kind: NoteKind, value: f64) {
        let now = at(self.now_s);
        self.sump.note(now, &Note::of(SumpIndex(0), now.utc, kind, value));
    }

    /// Coolant as it is leaves.
    fn leave(&mut self, litres: f64) {
        let kept = 1.0 - litres / self.liquid_l;
        self.liquid_l *= kept;
        self.concentrate_l *= kept;
        self.minerals_l *= kept;
    }

    fn minute(&mut self, running: bool) {
        let [wet, dry, dragged, leaked] = self.losses_l_h.map(|litres| litres / 60.0);
        self.liquid_l -= if running { wet } else { dry };
        self.leave(leaked + if running { dragged } else { 0.0 });
        // Lines and machine fill within two minutes and run back over ten.
        let target = if running { HOLDUP_L } else { 0.0 };
        let step = if running { HOLDUP_L / 2.0 } else { HOLDUP_L / 10.0 };
        self.out_l += (target - self.out_l).clamp(-step, step);
        self.now_s += 60;
        self.read(running);
    }

    fn read(&mut self, running: bool) {
        let now = at(self.now_s);
        // Waves and noise that repeat, so that every run is the same.
        let wave = [0.3, -0.8, 1.1, -0.2, 0.6, -1.0, 0.1][(self.now_s / 60 % 7) as usize];
        let trembles = if running { wave } else { self.idle_waves * wave };
        let mm = (self.liquid_l - self.out_l).max(0.0) / LITRES_PER_MM + trembles;
        let (us_cm, quality) =
            self.false_us_cm.unwrap_or((self.us_cm() * (1.0 + 0.001 * wave), Quality::GOOD));
        let contact = f64::from(u8::from(running));
        for (probe, value, quality) in [
            (LEVEL, mm, Quality::GOOD),
            (CONDUCTIVITY, us_cm, quality),
            (TEMPERATURE, 24.0, Quality::GOOD),
            (PH, 9.2, Quality::GOOD),
            (PUMP, contact, Quality::GOOD),
            (METER, self.metered_l, Quality::GOOD),
        ] {
            if !self.silent.contains(&probe) {
                self.sump.observe(now, &reading(now, probe, value, quality));
            }
        }
        self.sump.drain_events(&mut self.events);
        if let Some(bytes) = self.sump.save() {
            // The readings of this minute are gathered, not taken.
            self.kept = Some((bytes, self.sump.estimates(at(self.now_s - 60))));
        }
    }
}
