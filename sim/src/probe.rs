//! What a probe in a sump delivers: the truth with lag, fouling, noise and faults, as counts, words or contacts.
//!
//! It knows one sump's truth and its own state. What becomes of the number afterwards is the gateway's affair; the
//! delivery says only what the device's manual would.

use std::time::Duration;

use crate::rng::Rng;
use crate::stamp::Stamp;
use crate::world::Truth;

/// What a probe measures.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Measures {
    /// pH.
    Ph,
    /// Conductivity, uS/cm.
    Conductivity,
    /// Level above the lowest point of the floor, mm.
    Level,
    /// Temperature of the liquid, °C.
    Temperature,
    /// Whether the pump runs.
    Pump,
    /// Total of the make-up line, L.
    Meter,
}

/// How the device turns it into a number.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Delivery {
    /// Integer register of 16 bits: value / scale, sentinel 0x8000.
    Scaled {
        /// Value of one count.
        scale: f64,
    },
    /// Counts of a 4–20 mA card: 0 at 4 mA, 27648 at 20 mA, as signed 16 bits; current within 3.8 to 20.5 mA unless the loop
    /// fails (NAMUR NE 43).
    Loop {
        /// Value at 4 mA and at 20 mA.
        signal: (f64, f64),
    },
    /// IEEE 754 single in two registers, low word first; NaN as sentinel.
    Float,
    /// Voltage of a pH electrode in 0.1 mV, signed 16 bits.
    Electrode {
        /// Slope in percent of Nernst's.
        slope_percent: f64,
        /// pH at 0 mV, also the point that does not depend on temperature.
        zero_ph: f64,
    },
    /// Conductance of a cell in uS as IEEE 754 single, low word first.
    Conductance {
        /// Cell constant, 1/cm.
        constant_per_cm: f64,
    },
    /// Resistance of a Pt100 in 0.01 ohm, unsigned 16 bits.
    Pt100,
    /// Distance in 0.1 mm from a sensor down to the liquid, unsigned 16 bits.
    Gap {
        /// Height of the sensor above the lowest point of the floor, mm.
        sensor_height_mm: f64,
    },
    /// A contact.
    Contact,
    /// Pulses since the device was made, unsigned 32 bits, rolling over.
    Pulses {
        /// Litres per pulse.
        litres: f64,
        /// Where the count stood at the start.
        from: u32,
    },
}

/// Something wrong with a probe for a while.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Trouble {
    /// The wire or the element is broken: 0 mA, open resistor, sentinel.
    WireBreak,
    /// The last number again and again.
    Frozen,
    /// The device says that it has no value.
    NoValue,
    /// Nothing comes at all: a message is not sent. In a register the last number stays.
    Stale,
    /// With this chance each sample is off by this much.
    Spikes {
        /// 0 to 1.
        chance: f64,
        /// In the measured unit.
        by: f64,
    },
    /// Reads this much too high.
    Offset(f64),
    /// The electrode or float hangs in air: level reads what it read, conductivity nearly nothing, pH drifts to 7.
    Dry,
}

/// Place of a level probe.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Side {
    /// Behind the chip screen, where the pump draws; anywhere in a sump without one.
    Clean,
    /// Before it.
    Dirty,
}

/// What people do to a probe.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Attention {
    /// Wiped: this part of what it has lost or drifted comes back, 0 to 1.
    Wiped(f64),
    /// Replaced by one with this gain and no drift yet.
    Swapped(f64),
}

/// One probe.
#[derive(Clone, PartialEq, Debug)]
pub struct ProbeSetup {
    /// Name, unique in its sump.
    pub name: &'static str,
    /// What it measures.
    pub measures: Measures,
    /// How it says so.
    pub delivery: Delivery,
    /// Standard deviation of its noise, in the measured unit.
    pub noise: f64,
    /// Time constant of its own lag.
    pub lag: Duration,
    /// Gain of the conductivity probe or of the meter, 1 as adjusted at the works.
    pub gain: f64,
    /// Fouling: part of its gain lost a day (conductivity), or drift in the measured unit a day (all others).
    pub drift_per_day: f64,
    /// Wander beside the drift: standard deviation after a day, growing with the root of time, in the same measure.
    pub wander_per_day: f64,
    /// Temperature coefficient by which a head that delivers uS/cm compensates, percent per kelvin.
    pub compensation_percent_per_k: f64,
    /// How much too warm that head takes the liquid to be, K.
    pub head_warmer_k: f64,
    /// On which side of a chip screen a level probe sits.
    pub side: Side,
    /// How much of a layer of oil a level probe takes for liquid: 1 seen from above, 0.88 weighed.
    pub sees_oil: f64,
    /// What people do to it, and when; in order of time.
    pub attentions: Vec<(Stamp, Attention)>,
    /// What goes wrong with it, from when until when.
    pub troubles: Vec<(Stamp, Stamp, Trouble)>,
}

impl ProbeSetup {
    /// A sound probe.
    pub fn new(name: &'static str, measures: Measures, delivery: Delivery) -> Self {
        let (noise, lag_s) = match measures {
            Measures::Ph => (0.012, 20),
            Measures::Conductivity => (4.0, 10),
            Measures::Level => (0.4, 4),
            Measures::Temperature => (0.04, 30),
            Measures::Pump | Measures::Meter => (0.0, 0),
        };
        Self {
            name,
            measures,
            delivery,
            noise,
            lag: Duration::from_secs(lag_s),
            gain: 1.0,
            drift_per_day: 0.0,
            wander_per_day: 0.0,
            compensation_percent_per_k: 2.0,
            head_warmer_k: 0.0,
            side: Side::Clean,
            // Tramp oils have 0.87 to 0.90 of water's density (handbooks).
            sees_oil: if matches!(delivery, Delivery::Gap { .. }) { 1.0 } else { 0.88 },
            attentions: Vec::new(),
            troubles: Vec::new(),
        }
    }

    /// With fouling or drift.
    pub fn drifting(mut self, per_day: f64) -> Self {
        self.drift_per_day = per_day;
        self
    }

    /// With something wrong for a while.
    pub fn troubled(mut self, from: Stamp, to: Stamp, trouble: Trouble) -> Self {
        self.troubles.push((from, to, trouble));
        self
    }
}

/// What a device delivers for a probe at one moment.
#[derive(Clone, PartialEq, Debug)]
pub enum Raw {
    /// One or two registers.
    Words(Vec<u16>),
    /// One bit.
    Bit(bool),
}

/// One sample.
#[derive(Clone, PartialEq, Debug)]
pub struct RawSample {
    /// As registers or bit.
    pub raw: Raw,
    /// The same as a number, as whoever reads the registers as the manual says would have it: an integer count, a float, 0
    /// or 1. A float's sentinel is NaN, an integer's -32768.
    pub number: f64,
}

/// A probe with its state.
#[derive(Clone, Debug)]
pub struct Probe {
    setup: ProbeSetup,
    /// Lost so far: of the log of the gain, or of the measured unit.
    lost: f64,
    gain: f64,
    /// Attentions paid so far.
    attended: usize,
    last_at: Stamp,
    lagged: Option<f64>,
    last: Option<RawSample>,
    rng: Rng,
}

impl Probe {
    /// A probe put in at `at`.
    pub fn new(setup: ProbeSetup, at: Stamp, seed: u64) -> Self {
        let gain = setup.gain;
        Self {
            setup,
            lost: 0.0,
            gain,
            attended: 0,
            last_at: at,
            lagged: None,
            last: None,
            rng: Rng::new(seed),
        }
    }

    /// Its setup.
    pub fn setup(&self) -> &ProbeSetup {
        &self.setup
    }

    /// What it delivers at `at` with this truth around it; `None` where nothing comes.
    pub fn sample(&mut self, at: Stamp, truth: &Truth) -> Option<RawSample> {
        let trouble =
            self.setup.troubles.iter().find(|(from, to, _)| *from <= at && at < *to).map(|entry| entry.2);
        // The state moves on whatever is wrong, and the same numbers are drawn, so that healing finds the truth.
        let value = self.measure(at, truth, trouble);
        let sample = match trouble {
            Some(Trouble::Stale) => return None,
            Some(Trouble::Frozen) => {
                self.last.clone().unwrap_or_else(|| self.deliver(value, truth.temperature_c))
            }
            Some(Trouble::WireBreak) => self.broken(),
            Some(Trouble::NoValue) => self.no_value(),
            _ => self.deliver(value, truth.temperature_c),
        };
        if trouble.is_none() {
            self.last = Some(sample.clone());
        }
        Some(sample)
    }

    /// The measured unit, with lag, drift, noise and what is wrong.
    fn measure(&mut self, at: Stamp, truth: &Truth, trouble: Option<Trouble>) -> f64 {
        let target = match self.setup.measures {
            Measures::Ph if trouble == Some(Trouble::Dry) => 7.0,
            Measures::Conductivity if trouble == Some(Trouble::Dry) => 2.0,
            Measures::Level if trouble == Some(Trouble::Dry) => self.lagged.unwrap_or(truth.level_clean_mm),
            Measures::Ph => truth.ph,
            Measures::Conductivity => self.own_conductivity(truth),
            Measures::Level => self.own_level(truth),
            Measures::Temperature => truth.temperature_c,
            Measures::Pump => f64::from(u8::from(truth.pump)),
            Measures::Meter => truth.meter_l,
        };
        let step_s = at.since(self.last_at).as_secs_f64();
        self.last_at = at;
        let lag_s = self.setup.lag.as_secs_f64();
        let lagged = match self.lagged {
            Some(before) if lag_s > 0.0 => before + (target - before) * (1.0 - libm::exp(-step_s / lag_s)),
            _ => target,
        };
        self.lagged = Some(lagged);
        self.age(at, step_s / 86_400.0);
        let drifted = match self.setup.measures {
            Measures::Conductivity => self.gain * lagged * libm::exp(-self.lost),
            Measures::Meter => self.gain * lagged,
            _ => lagged - self.lost,
        };
        drifted + self.disturbance(truth) + self.wrong_by(trouble)
    }

    /// Drifts on, and lets people wipe or replace it.
    fn age(&mut self, at: Stamp, days: f64) {
        // A fouling conductivity probe loses, the others drift upward by a positive rate.
        let sign = if self.setup.measures == Measures::Conductivity { 1.0 } else { -1.0 };
        self.lost += sign * self.setup.drift_per_day * days;
        if self.setup.wander_per_day > 0.0 {
            self.lost += self.setup.wander_per_day * days.sqrt() * self.rng.normal();
        }
        while let Some((_, attention)) =
            self.setup.attentions.get(self.attended).filter(|(when, _)| *when <= at)
        {
            match *attention {
                Attention::Wiped(part) => self.lost *= 1.0 - part,
                Attention::Swapped(gain) => (self.lost, self.gain) = (0.0, gain),
            }
            self.attended += 1;
        }
    }

    fn own_level(&self, truth: &Truth) -> f64 {
        let liquid = match self.setup.side {
            Side::Clean => truth.level_clean_mm,
            Side::Dirty => truth.level_dirty_mm,
        };
        liquid + self.setup.sees_oil * truth.oil_layer_mm
    }

    /// A device that delivers uS/cm compensates by itself, 2 %/K, a little wrong for this liquid; one that delivers
    /// conductance leaves that to the gateway.
    fn own_conductivity(&self, truth: &Truth) -> f64 {
        match self.setup.delivery {
            Delivery::Conductance { .. } => truth.met_us_cm,
            _ => {
                let warmer = truth.temperature_c + self.setup.head_warmer_k - 25.0;
                truth.met_us_cm / (1.0 + 0.01 * self.setup.compensation_percent_per_k * warmer)
            }
        }
    }

    fn disturbance(&mut self, truth: &Truth) -> f64 {
        let noise = self.setup.noise * self.rng.normal();
        if self.setup.measures != Measures::Level {
            return noise;
        }
        // Foam is taken for liquid.
        let foam = if truth.foam > 0.0 && self.rng.chance(0.3) {
            self.rng.between(0.0, 15.0 * truth.foam)
        } else {
            0.0
        };
        noise + truth.waves_mm * self.rng.normal() + foam
    }

    fn wrong_by(&mut self, trouble: Option<Trouble>) -> f64 {
        match trouble {
            Some(Trouble::Offset(by)) => by,
            Some(Trouble::Spikes { chance, by }) if self.rng.chance(chance) => by,
            _ => 0.0,
        }
    }

    fn deliver(&self, value: f64, temperature_c: f64) -> RawSample {
        match self.setup.delivery {
            Delivery::Scaled { scale } => signed(value / scale),
            Delivery::Loop { signal: (low, high) } => {
                let milliamperes = (4.0 + 16.0 * (value - low) / (high - low)).clamp(3.8, 20.5);
                loop_counts(milliamperes)
            }
            Delivery::Float => float(value),
            Delivery::Electrode { slope_percent, zero_ph } => {
                signed(10.0 * electrode_mv(value, temperature_c, slope_percent, zero_ph))
            }
            Delivery::Conductance { constant_per_cm } => float(value / constant_per_cm),
            Delivery::Pt100 => unsigned(100.0 * pt100_ohm(value)),
            Delivery::Gap { sensor_height_mm } => unsigned(10.0 * (sensor_height_mm - value)),
            Delivery::Contact => {
                let on = value > 0.5;
                RawSample { raw: Raw::Bit(on), number: f64::from(u8::from(on)) }
            }
            Delivery::Pulses { litres, from } => {
                let count = from.wrapping_add((value / litres) as u64 as u32);
                RawSample {
                    raw: Raw::Words(vec![(count >> 16) as u16, count as u16]),
                    number: f64::from(count),
                }
            }
        }
    }

    fn broken(&self) -> RawSample {
        match self.setup.delivery {
            Delivery::Loop { .. } => loop_counts(0.0),
            Delivery::Pt100 => unsigned(65_535.0),
            Delivery::Electrode { .. } => signed(-32_768.0),
            _ => self.no_value(),
        }
    }

    fn no_value(&self) -> RawSample {
        match self.setup.delivery {
            Delivery::Float | Delivery::Conductance { .. } => float(f64::NAN),
            Delivery::Contact => RawSample { raw: Raw::Bit(false), number: 0.0 },
            Delivery::Pulses { .. } => {
                RawSample { raw: Raw::Words(vec![0xFFFF, 0xFFFF]), number: 4_294_967_295.0 }
            }
            Delivery::Pt100 | Delivery::Gap { .. } => unsigned(65_535.0),
            Delivery::Scaled { .. } | Delivery::Loop { .. } | Delivery::Electrode { .. } => signed(-32_768.0),
        }
    }
}

fn signed(counts: f64) -> RawSample {
    let counts = counts.round().clamp(-32_768.0, 32_767.0) as i16;
    RawSample { raw: Raw::Words(vec![counts as u16]), number: f64::from(counts) }
}

fn unsigned(counts: f64) -> RawSample {
    let counts = counts.round().clamp(0.0, 65_535.0) as u16;
    RawSample { raw: Raw::Words(vec![counts]), number: f64::from(counts) }
}

fn float(value: f64) -> RawSample {
    let single = value as f32;
    let bits = single.to_bits();
    RawSample { raw: Raw::Words(vec![bits as u16, (bits >> 16) as u16]), number: f64::from(single) }
}

fn loop_counts(milliamperes: f64) -> RawSample {
    signed((milliamperes - 4.0) / 16.0 * 27_648.0)
}

/// Voltage of a pH electrode, mV: Nernst's 59.16 mV per pH at 25 °C, in proportion to the absolute temperature.
fn electrode_mv(ph: f64, temperature_c: f64, slope_percent: f64, zero_ph: f64) -> f64 {
    -59.1597 * (temperature_c + 273.15) / 298.15 * slope_percent / 100.0 * (ph - zero_ph)
}

/// Resistance of a Pt100 from 0 °C up, ohm: IEC 60751's polynomial.
fn pt100_ohm(t_c: f64) -> f64 {
    100.0 * (1.0 + 3.9083e-3 * t_c - 5.775e-7 * t_c * t_c)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn truth(at: Stamp) -> Truth {
        Truth {
            at,
            liquid_l: 300.0,
            percent: 7.0,
            hardness_mg_l: 250.0,
            chip_solids_l: 0.0,
            holdup_l: 0.0,
            level_mm: 250.0,
            conductivity_25_us_cm: 1500.0,
            conductivity_us_cm: 1500.0,
            met_25_us_cm: 1500.0,
            met_us_cm: 1500.0,
            level_dirty_mm: 250.0,
            level_clean_mm: 250.0,
            oil_layer_mm: 0.0,
            slime: 0.0,
            ph: 9.0,
            temperature_c: 25.0,
            pump: true,
            meter_l: 12.3,
            evaporation_l_h: 0.0,
            dragout_l_h: 0.0,
            leak_l_h: 0.0,
            log_cfu_ml: 3.0,
            tramp_oil_l: 0.0,
            waves_mm: 0.0,
            foam: 0.0,
            chip_depth_mm: 0.0,
        }
    }

    fn quiet(measures: Measures, delivery: Delivery) -> ProbeSetup {
        ProbeSetup { noise: 0.0, ..ProbeSetup::new("p", measures, delivery) }
    }

    fn first(setup: ProbeSetup) -> RawSample {
        Probe::new(setup, Stamp::MONDAY, 1).sample(Stamp::MONDAY, &truth(Stamp::MONDAY)).unwrap()
    }

    #[test]
    fn numbers_are_what_the_manual_says() {
        // Pt100 at 25 °C: 109.735 ohm (IEC 60751 table); 4–20 mA over 0 to 500 mm at 250 mm: 12 mA, half of 27648.
        assert_eq!(first(quiet(Measures::Temperature, Delivery::Pt100)).number, 10_973.0);
        assert_eq!(first(quiet(Measures::Level, Delivery::Loop { signal: (0.0, 500.0) })).number, 13_824.0);
        // Nernst at 25 °C: -59.16 mV per pH, two pH over the zero point; at 97 % slope -114.8 mV.
        let electrode = Delivery::Electrode { slope_percent: 97.0, zero_ph: 7.0 };
        assert_eq!(first(quiet(Measures::Ph, electrode)).number, -1148.0);
        // 25.5 is 41CC0000 (IEEE 754), low word first.
        let conductance = Delivery::Conductance { constant_per_cm: 1500.0 / 25.5 };
        assert_eq!(first(quiet(Measures::Conductivity, conductance)).raw, Raw::Words(vec![0, 0x41CC]));
        assert_eq!(first(quiet(Measures::Level, Delivery::Gap { sensor_height_mm: 600.0 })).number, 3500.0);
        let pulses = Delivery::Pulses { litres: 0.1, from: u32::MAX };
        assert_eq!(first(quiet(Measures::Meter, pulses)).number, 122.0, "rolled over");
        assert_eq!(first(quiet(Measures::Pump, Delivery::Contact)).raw, Raw::Bit(true));
    }

    #[test]
    fn troubles_show_and_end() {
        let (from, to) = (Stamp::MONDAY.plus_days(1.0), Stamp::MONDAY.plus_days(2.0));
        let level = |trouble| {
            let setup = ProbeSetup::new("p", Measures::Level, Delivery::Loop { signal: (0.0, 500.0) });
            let mut probe = Probe::new(setup.troubled(from, to, trouble), Stamp::MONDAY, 1);
            [0.5, 0.9, 1.1, 1.2, 2.5].map(|day| {
                let at = Stamp::MONDAY.plus_days(day);
                probe.sample(at, &truth(at)).map(|sample| sample.number)
            })
        };
        let broken = level(Trouble::WireBreak);
        assert_eq!(broken[2..4], [Some(-6912.0); 2], "0 mA");
        assert!((broken[4].unwrap() - 13_824.0).abs() < 120.0);
        let frozen = level(Trouble::Frozen);
        assert!(
            frozen[0] != frozen[1]
                && frozen[1] == frozen[2]
                && frozen[2] == frozen[3]
                && frozen[3] != frozen[4]
        );
        assert_eq!(level(Trouble::Stale)[2..4], [None; 2]);
        assert_eq!(level(Trouble::NoValue)[2], Some(-32_768.0));
        assert!(level(Trouble::Offset(50.0))[2].unwrap() > 16_000.0);
    }

    #[test]
    fn a_lagging_probe_follows_and_a_fouling_one_fades() {
        let setup = ProbeSetup {
            lag: Duration::from_secs(10),
            ..quiet(Measures::Ph, Delivery::Scaled { scale: 0.001 })
        };
        let mut probe = Probe::new(setup, Stamp::MONDAY, 1);
        probe.sample(Stamp::MONDAY, &truth(Stamp::MONDAY));
        let at = Stamp::MONDAY + Duration::from_secs(10);
        // One time constant after a step: 1 - 1/e = 63.2 %.
        let sample = probe.sample(at, &Truth { ph: 10.0, ..truth(at) }).unwrap();
        assert_eq!(sample.number, 9632.0);
        let fouling = quiet(Measures::Conductivity, Delivery::Scaled { scale: 0.1 }).drifting(0.01);
        let mut probe = Probe::new(fouling, Stamp::MONDAY, 1);
        let at = Stamp::MONDAY.plus_days(10.0);
        // exp(-0.1) = 0.90484.
        assert_eq!(probe.sample(at, &truth(at)).unwrap().number, 13_573.0);
    }

    #[test]
    fn wiping_brings_back_a_part_and_a_new_probe_has_a_gain_of_its_own() {
        let day = |count| Stamp::MONDAY.plus_days(count);
        let setup = ProbeSetup {
            attentions: vec![(day(10.0), Attention::Wiped(0.5)), (day(20.0), Attention::Swapped(1.04))],
            ..quiet(Measures::Conductivity, Delivery::Scaled { scale: 0.1 }).drifting(0.01)
        };
        let mut probe = Probe::new(setup, Stamp::MONDAY, 1);
        let mut read = |at| probe.sample(at, &truth(at)).unwrap().number;
        // 15000·exp(-0.0999), 15000·exp(-0.05), 15000·exp(-0.1499), 15000·1.04.
        let got = [9.99, 10.0, 19.99, 20.0].map(|count| read(day(count)));
        assert_eq!(got, [13_574.0, 14_268.0, 12_912.0, 15_600.0]);
    }

    #[test]
    fn oil_is_weighed_or_seen_and_the_screen_has_two_sides() {
        let oily = |setup: ProbeSetup| {
            let truth = Truth {
                oil_layer_mm: 5.0,
                level_dirty_mm: 262.0,
                level_clean_mm: 240.0,
                ..truth(Stamp::MONDAY)
            };
            Probe::new(setup, Stamp::MONDAY, 1).sample(Stamp::MONDAY, &truth).unwrap().number
        };
        let weighs = quiet(Measures::Level, Delivery::Scaled { scale: 0.1 });
        assert_eq!(oily(weighs.clone()), 2444.0);
        assert_eq!(oily(ProbeSetup { side: Side::Dirty, ..weighs }), 2664.0);
        let looks = quiet(Measures::Level, Delivery::Gap { sensor_height_mm: 600.0 });
        assert_eq!(oily(looks), 10.0 * (600.0 - 245.0));
    }

    #[test]
    fn a_head_compensates_by_its_own_coefficient_and_thermometer() {
        let setup = ProbeSetup {
            compensation_percent_per_k: 1.8,
            head_warmer_k: 0.5,
            ..quiet(Measures::Conductivity, Delivery::Scaled { scale: 0.1 })
        };
        let warm = Truth { temperature_c: 35.0, met_us_cm: 1813.5, ..truth(Stamp::MONDAY) };
        let got = Probe::new(setup, Stamp::MONDAY, 1).sample(Stamp::MONDAY, &warm).unwrap().number;
        // 18135 / (1 + 0.018·10.5).
        assert_eq!(got, 15_252.0);
    }

    #[test]
    fn wander_grows_with_the_root_of_time() {
        let ends: Vec<f64> = (0..400)
            .map(|seed| {
                let setup = ProbeSetup {
                    wander_per_day: 0.004,
                    ..quiet(Measures::Conductivity, Delivery::Scaled { scale: 0.1 })
                };
                let mut probe = Probe::new(setup, Stamp::MONDAY, seed);
                let at = |day: u32| Stamp::MONDAY.plus_days(f64::from(day));
                (1..=25).map(|day| probe.sample(at(day), &truth(at(day))).unwrap().number).last().unwrap()
            })
            .map(|number| libm::log(number / 15_000.0))
            .collect();
        let spread = (ends.iter().map(|x| x * x).sum::<f64>() / 400.0).sqrt();
        // 0.4 % after a day, 2 % after twenty-five; the spread of 400 draws is known to 3.5 %.
        assert!((spread / 0.02 - 1.0).abs() < 0.14, "{spread}");
    }
}
