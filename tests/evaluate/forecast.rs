//! How the forecast of the hardness limit is asked for and judged.

use sumpwarden_core::engine::Engine;
use sumpwarden_core::model::SumpIndex;
use sumpwarden_sim::Stamp;

use crate::track::Forecast;

const DAY_MS: f64 = 86_400_000.0;

/// Days until the hardness of a sump reaches `limit_mg_l`, with both ends of the 90 % interval, as the engine sees it now.
pub(crate) fn forecast_days(engine: &Engine, sump: SumpIndex, limit_mg_l: f64) -> Option<(f64, f64, f64)> {
    let crossing = engine.outlook(sump)?.prospect.days_to_hardness(limit_mg_l);
    Some((crossing.days, crossing.low90, crossing.high90))
}

/// A forecast held against what came.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Judgement {
    /// Size of the error, days.
    pub(crate) error_days: f64,
    /// Whether the interval held the day it came.
    pub(crate) inside: bool,
}

/// The forecast made `ahead_days` before the limit was crossed at `crossed`; none where nobody said anything then.
pub(crate) fn judge(forecasts: &[Forecast], crossed: Stamp, ahead_days: f64) -> Option<Judgement> {
    let asked = crossed.0 as f64 - ahead_days * DAY_MS;
    let forecast = forecasts.iter().min_by(|a, b| {
        let apart = |forecast: &Forecast| (forecast.at.0 as f64 - asked).abs();
        apart(a).total_cmp(&apart(b))
    })?;
    if (forecast.at.0 as f64 - asked).abs() > DAY_MS {
        return None;
    }
    let true_days = (crossed.0 - forecast.at.0) as f64 / DAY_MS;
    Some(Judgement {
        error_days: (forecast.days - true_days).abs(),
        inside: (forecast.low90..=forecast.high90).contains(&true_days),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn daily(days: std::ops::Range<i64>, wrong_by: f64) -> Vec<Forecast> {
        let told = |day: i64| {
            let days = 60.0 - day as f64 + wrong_by;
            Forecast { at: Stamp(day * 86_400_000), days, low90: days - 2.0, high90: days + 2.0 }
        };
        days.map(told).collect()
    }

    #[test]
    fn the_forecast_of_that_day_is_judged() {
        let crossed = Stamp(60 * 86_400_000);
        let late = judge(&daily(0..60, 3.0), crossed, 14.0).expect("a forecast a day");
        assert!((late.error_days - 3.0).abs() < 1e-9 && !late.inside);
        let good = judge(&daily(0..60, -1.0), crossed, 7.0).expect("a forecast a day");
        assert!((good.error_days - 1.0).abs() < 1e-9 && good.inside);
    }

    #[test]
    fn silence_is_no_forecast() {
        let crossed = Stamp(60 * 86_400_000);
        assert_eq!(judge(&daily(0..20, 0.0), crossed, 14.0), None);
        assert_eq!(judge(&[], crossed, 14.0), None);
    }
}
