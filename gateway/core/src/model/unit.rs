//! What is measured, and in which unit. Units are written in UCUM codes.

/// What a probe or an estimate speaks of. Inside the gateway each quantity has one unit.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum Quantity {
    /// pH.
    Ph,
    /// Electrolytic conductivity, at 25 °C once compensated.
    Conductivity,
    /// Height of the liquid above the tank floor.
    Level,
    /// Temperature of the liquid.
    Temperature,
    /// Rate of flow in the make-up line.
    Flow,
    /// Running total of a flow meter.
    FlowTotal,
    /// Whether the pump runs: 0 or 1.
    PumpRunning,
    /// Volume of liquid.
    Volume,
    /// Concentration of coolant concentrate by volume.
    Concentration,
    /// Total hardness as CaCO3.
    Hardness,
    /// Rate at which water or coolant leaves a sump.
    Loss,
}

impl Quantity {
    /// Every quantity.
    pub const ALL: &'static [Self] = &[
        Self::Ph,
        Self::Conductivity,
        Self::Level,
        Self::Temperature,
        Self::Flow,
        Self::FlowTotal,
        Self::PumpRunning,
        Self::Volume,
        Self::Concentration,
        Self::Hardness,
        Self::Loss,
    ];

    /// The unit it is held in.
    pub const fn unit(self) -> Unit {
        match self {
            Self::Ph => Unit::Ph,
            Self::Conductivity => Unit::MicrosiemensPerCm,
            Self::Level => Unit::Millimetre,
            Self::Temperature => Unit::Celsius,
            Self::Flow => Unit::LitrePerMinute,
            Self::FlowTotal | Self::Volume => Unit::Litre,
            Self::PumpRunning => Unit::One,
            Self::Concentration => Unit::Percent,
            Self::Hardness => Unit::MilligramPerLitre,
            Self::Loss => Unit::LitrePerHour,
        }
    }

    /// The word for it in configuration, store and page: `ph`, `conductivity`, …
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ph => "ph",
            Self::Conductivity => "conductivity",
            Self::Level => "level",
            Self::Temperature => "temperature",
            Self::Flow => "flow",
            Self::FlowTotal => "flow_total",
            Self::PumpRunning => "pump_running",
            Self::Volume => "volume",
            Self::Concentration => "concentration",
            Self::Hardness => "hardness",
            Self::Loss => "loss",
        }
    }

    /// The quantity of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|q| q.word() == word)
    }
}

macro_rules! units {
    ($($(#[$doc:meta])* $variant:ident $ucum:literal, $family:ident, $factor:expr, $offset:expr;)+) => {
        /// A unit of measure that a probe or a message may use.
        #[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
        pub enum Unit { $($(#[$doc])* $variant,)+ }

        impl Unit {
            /// Every unit.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// UCUM code (case sensitive).
            pub const fn ucum(self) -> &'static str {
                match self { $(Self::$variant => $ucum,)+ }
            }

            /// Family and the line that turns this unit into the family's own: `value · factor + offset`.
            const fn line(self) -> (Family, f64, f64) {
                match self { $(Self::$variant => (Family::$family, $factor, $offset),)+ }
            }
        }
    };
}

/// Units that can be turned into one another.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Family {
    Ph,
    Conductivity,
    Length,
    Temperature,
    Flow,
    Volume,
    Ratio,
    MassConcentration,
    Current,
    Voltage,
    Resistance,
    Conductance,
    Pressure,
}

units! {
    /// pH.
    Ph "[pH]", Ph, 1.0, 0.0;
    /// Microsiemens per centimetre.
    MicrosiemensPerCm "uS/cm", Conductivity, 1.0, 0.0;
    /// Millisiemens per centimetre.
    MillisiemensPerCm "mS/cm", Conductivity, 1000.0, 0.0;
    /// Siemens per metre.
    SiemensPerMetre "S/m", Conductivity, 10_000.0, 0.0;
    /// Millimetre.
    Millimetre "mm", Length, 1.0, 0.0;
    /// Centimetre.
    Centimetre "cm", Length, 10.0, 0.0;
    /// Metre.
    Metre "m", Length, 1000.0, 0.0;
    /// International inch.
    Inch "[in_i]", Length, 25.4, 0.0;
    /// Degree Celsius.
    Celsius "Cel", Temperature, 1.0, 0.0;
    /// Degree Fahrenheit.
    Fahrenheit "[degF]", Temperature, 5.0 / 9.0, -160.0 / 9.0;
    /// Kelvin.
    Kelvin "K", Temperature, 1.0, -273.15;
    /// Litre per minute.
    LitrePerMinute "L/min", Flow, 1.0, 0.0;
    /// Litre per hour.
    LitrePerHour "L/h", Flow, 1.0 / 60.0, 0.0;
    /// Cubic metre per hour.
    CubicMetrePerHour "m3/h", Flow, 1000.0 / 60.0, 0.0;
    /// Litre.
    Litre "L", Volume, 1.0, 0.0;
    /// Cubic metre.
    CubicMetre "m3", Volume, 1000.0, 0.0;
    /// US liquid gallon.
    GallonUs "[gal_us]", Volume, 3.785_411_784, 0.0;
    /// Pure number.
    One "1", Ratio, 1.0, 0.0;
    /// Percent; of a concentration, by volume. Not turned into a pure number by itself: 8 % is held as 8.
    Percent "%", Ratio, 0.01, 0.0;
    /// Milligram per litre.
    MilligramPerLitre "mg/L", MassConcentration, 1.0, 0.0;
    /// Milliampere.
    Milliampere "mA", Current, 1.0, 0.0;
    /// Ampere.
    Ampere "A", Current, 1000.0, 0.0;
    /// Millivolt.
    Millivolt "mV", Voltage, 1.0, 0.0;
    /// Volt.
    Volt "V", Voltage, 1000.0, 0.0;
    /// Ohm.
    Ohm "Ohm", Resistance, 1.0, 0.0;
    /// Microsiemens.
    Microsiemens "uS", Conductance, 1.0, 0.0;
    /// Millisiemens.
    Millisiemens "mS", Conductance, 1000.0, 0.0;
    /// Pascal.
    Pascal "Pa", Pressure, 1.0, 0.0;
    /// Hectopascal.
    Hectopascal "hPa", Pressure, 100.0, 0.0;
    /// Kilopascal.
    Kilopascal "kPa", Pressure, 1000.0, 0.0;
    /// Millibar.
    Millibar "mbar", Pressure, 100.0, 0.0;
    /// Bar.
    Bar "bar", Pressure, 100_000.0, 0.0;
}

impl Unit {
    /// The unit of a UCUM code, or of the SenML and everyday spellings that are unambiguous beside it.
    pub fn parse(text: &str) -> Option<Self> {
        let also = match text {
            "pH" => Some(Self::Ph),
            "l" => Some(Self::Litre),
            "l/min" => Some(Self::LitrePerMinute),
            "l/h" => Some(Self::LitrePerHour),
            "°C" => Some(Self::Celsius),
            "°F" => Some(Self::Fahrenheit),
            "µS/cm" => Some(Self::MicrosiemensPerCm),
            "µS" => Some(Self::Microsiemens),
            "/" => Some(Self::One),
            "in" => Some(Self::Inch),
            "Ω" => Some(Self::Ohm),
            _ => None,
        };
        also.or_else(|| Self::ALL.iter().copied().find(|u| u.ucum() == text))
    }

    /// `value` of this unit in `to`; `None` if the two measure different things.
    pub fn convert(self, value: f64, to: Self) -> Option<f64> {
        let (factor, offset) = self.line_to(to)?;
        Some(value * factor + offset)
    }

    /// Factor and offset of the line that turns this unit into `to`; `None` if the two measure different things.
    pub fn line_to(self, to: Self) -> Option<(f64, f64)> {
        if self == to {
            return Some((1.0, 0.0));
        }
        let (family, factor, offset) = self.line();
        let (family_to, factor_to, offset_to) = to.line();
        (family == family_to).then(|| (factor / factor_to, (offset - offset_to) / factor_to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_turn_into_each_other() {
        let near = |a: Option<f64>, b: f64| assert!((a.expect("same family") - b).abs() < 1e-9, "{a:?} {b}");
        near(Unit::Fahrenheit.convert(212.0, Unit::Celsius), 100.0);
        near(Unit::Celsius.convert(-40.0, Unit::Fahrenheit), -40.0);
        near(Unit::SiemensPerMetre.convert(0.1, Unit::MillisiemensPerCm), 1.0);
        near(Unit::Bar.convert(0.05, Unit::Pascal), 5000.0);
        assert_eq!(Unit::Bar.convert(1.0, Unit::Celsius), None);
    }

    #[test]
    fn every_code_reads_back() {
        for &unit in Unit::ALL {
            assert_eq!(Unit::parse(unit.ucum()), Some(unit));
        }
        for &quantity in Quantity::ALL {
            assert_eq!(Quantity::from_word(quantity.word()), Some(quantity));
        }
    }
}
