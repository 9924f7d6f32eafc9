//! The hall's air, and what it takes from an open surface.

use crate::rng::Rng;
use crate::stamp::Stamp;

/// Climate of the hall: a daily wave around a mean, and weekends without heating.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Hall {
    /// Mean air temperature on a working day, °C.
    pub mean_c: f64,
    /// Half the difference between afternoon and early morning, K.
    pub swing_k: f64,
    /// How much colder it is without shifts, K.
    pub idle_drop_k: f64,
    /// Relative humidity at the mean temperature, 0 to 1.
    pub humidity: f64,
    /// Air speed over the sump while nothing runs, m/s.
    pub draught_m_s: f64,
    /// Standard deviation of a day's mean temperature, K.
    pub weather_k: f64,
    /// Standard deviation of the log of a day's moisture.
    pub weather_moisture: f64,
}

/// Air at one moment.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Air {
    /// °C.
    pub temperature_c: f64,
    /// 0 to 1.
    pub humidity: f64,
}

impl Hall {
    /// A heated hall with open doors.
    pub const MILD: Self = Self {
        mean_c: 21.0,
        swing_k: 2.5,
        idle_drop_k: 3.0,
        humidity: 0.45,
        draught_m_s: 0.06,
        weather_k: 0.0,
        weather_moisture: 0.0,
    };

    /// Air at `at` in this weather; warmest at 16:00. `working` is whether shifts run.
    pub fn air(&self, at: Stamp, working: bool, change: Change) -> Air {
        let wave = libm::cos((at.hour() - 16.0) / 24.0 * std::f64::consts::TAU);
        let temperature_c = self.mean_c + change.warmer_k + self.swing_k * wave
            - if working { 0.0 } else { self.idle_drop_k };
        // The same moisture in warmer air is a lower relative humidity.
        let moisture = change.damper * self.humidity * saturation_pa(self.mean_c);
        Air { temperature_c, humidity: (moisture / saturation_pa(temperature_c)).min(0.98) }
    }
}

/// How a moment's weather differs from the mean.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Change {
    /// K.
    pub warmer_k: f64,
    /// Factor on the air's moisture.
    pub damper: f64,
}

/// What is left of a day's difference from the mean on the next day (autocorrelation of daily means in a temperate climate,
/// rounded; common practice, no source).
const KEPT_BY_TOMORROW: f64 = 0.75;

/// Weather that wanders from day to day, and evenly between two midnights.
#[derive(Clone, Debug)]
pub struct Weather {
    day: i64,
    /// Standard normal numbers of temperature and moisture at the day's start and at its end.
    from: (f64, f64),
    to: (f64, f64),
    rng: Rng,
}

impl Weather {
    /// Weather from `at` on.
    pub fn new(at: Stamp, seed: u64) -> Self {
        let mut rng = Rng::of(seed, "weather");
        let (from, to) = ((rng.normal(), rng.normal()), (rng.normal(), rng.normal()));
        Self { day: day_of(at), from, to, rng }
    }

    /// The weather at `at`, which must not lie before what was asked for last.
    pub fn at(&mut self, at: Stamp, hall: &Hall) -> Change {
        while self.day < day_of(at) {
            self.day += 1;
            self.from = self.to;
            let new = (1.0 - KEPT_BY_TOMORROW * KEPT_BY_TOMORROW).sqrt();
            self.to = (
                KEPT_BY_TOMORROW * self.from.0 + new * self.rng.normal(),
                KEPT_BY_TOMORROW * self.from.1 + new * self.rng.normal(),
            );
        }
        let part = at.hour() / 24.0;
        let between = |from: f64, to: f64| from + (to - from) * part;
        Change {
            warmer_k: hall.weather_k * between(self.from.0, self.to.0),
            damper: libm::exp(hall.weather_moisture * between(self.from.1, self.to.1)),
        }
    }
}

fn day_of(at: Stamp) -> i64 {
    at.0.div_euclid(86_400_000)
}

/// Vapour pressure over water at `t_c`, Pa: Buck's formula (J. Appl. Meteorol. 20 (1981) 1527, revised 1996), within 0.1 %
/// of IAPWS between 0 and 60 °C.
pub fn saturation_pa(t_c: f64) -> f64 {
    611.21 * libm::exp((18.678 - t_c / 234.5) * (t_c / (257.14 + t_c)))
}

/// Latent heat of water, kJ/kg, a straight line through the IAPWS values between 0 and 60 °C.
pub fn latent_kj_kg(t_c: f64) -> f64 {
    2501.0 - 2.378 * t_c
}

/// Water that leaves a clean open surface, kg/h per m² (Carrier's formula as ASHRAE Applications prints it). Never below 0:
/// a sump colder than the dew point takes no water from this model.
pub fn evaporation_kg_h_m2(water_c: f64, air: Air, speed_m_s: f64) -> f64 {
    let difference_kpa = (saturation_pa(water_c) - air.humidity * saturation_pa(air.temperature_c)) / 1000.0;
    (3600.0 * difference_kpa * (0.089 + 0.0782 * speed_m_s) / latent_kj_kg(water_c)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn vapour_pressure_and_latent_heat_agree_with_iapws() {
        // iapws 1.5.5 (IAPWS-IF97): °C, Pa, kJ/kg.
        for (t, pa, latent) in [
            (10.0, 1228.184, 2477.209),
            (20.0, 2339.215, 2453.55),
            (30.0, 4246.688, 2429.839),
            (40.0, 7384.427, 2406.001),
        ] {
            assert!((saturation_pa(t) / pa - 1.0).abs() < 2e-3, "{t} °C: {}", saturation_pa(t));
            assert!((latent_kj_kg(t) / latent - 1.0).abs() < 5e-4, "{t} °C: {}", latent_kj_kg(t));
        }
    }

    #[test]
    fn weather_wanders_and_remembers_yesterday() {
        let hall = Hall { weather_k: 2.0, weather_moisture: 0.3, ..Hall::MILD };
        let mut weather = Weather::new(Stamp::MONDAY, 1);
        let days: Vec<f64> = (0..4000)
            .map(|day| weather.at(Stamp::MONDAY.plus_days(f64::from(day)), &hall).warmer_k)
            .collect();
        let square = days.iter().map(|x| x * x).sum::<f64>() / 4000.0;
        let product = days.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / 3999.0;
        // 4000 days that each keep 0.75 are worth 4000·(1 − 0.75²)/(1 + 0.75²) = 1120 independent ones: 4.2 % of the variance.
        assert!((square.sqrt() / 2.0 - 1.0).abs() < 0.08, "{square}");
        assert!((product / square - 0.75).abs() < 0.05, "{}", product / square);
        assert_eq!(Weather::new(Stamp::MONDAY, 2).at(Stamp::MONDAY, &Hall::MILD).damper, 1.0);
    }

    #[test]
    fn evaporation_agrees_with_the_published_formula() {
        // ASHRAE/Carrier with IAPWS vapour pressures: water °C, air °C, humidity, m/s, m2, kg/h.
        for (water, air, humidity, speed, area, kg_h) in [
            (25.0, 20.0, 0.5, 0.0, 1.0, 0.262458),
            (25.0, 20.0, 0.5, 0.1, 1.0, 0.285519),
            (30.0, 22.0, 0.45, 0.1, 1.2, 0.526106),
            (35.0, 25.0, 0.4, 0.15, 0.8, 0.523196),
            (20.0, 20.0, 0.6, 0.05, 2.0, 0.255112),
            (28.0, 28.0, 0.6, 0.1, 100.0, 21.66291),
        ] {
            let got = area * evaporation_kg_h_m2(water, Air { temperature_c: air, humidity }, speed);
            assert!((got / kg_h - 1.0).abs() < 5e-3, "{water} °C: {got} kg/h, published {kg_h}");
        }
        assert_eq!(evaporation_kg_h_m2(10.0, Air { temperature_c: 28.0, humidity: 0.9 }, 0.1), 0.0);
    }
}
