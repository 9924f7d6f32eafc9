//! Estimates of many sumps are written out a few at a time, so that polls that fall due meanwhile wait little.

use super::*;

/// The shop with sumps beside its own that nothing is read of.
fn shop_of(sumps: usize) -> Settings {
    let mut settings = shop();
    let first = settings.sumps[0].clone();
    settings.sumps.extend((1..sumps).map(|i| SumpSettings {
        name: name(&format!("mill-{i}")),
        probes: SumpProbes::default(),
        ..first.clone()
    }));
    settings
}

/// Sumps whose estimates have come out since the last look, in their order.
fn written(engine: &mut Engine) -> Vec<String> {
    let mut out = Outbound::default();
    engine.drain(&mut out);
    let keys = out.samples.iter().map(|sample| &engine.series()[sample.series.slot()]);
    let mut sumps: Vec<String> = keys
        .filter(|key| matches!(key.source, SeriesSource::Estimate { .. }))
        .map(|key| key.sump.to_string())
        .collect();
    sumps.dedup();
    sumps
}

fn level(now: Now) -> RawReading {
    RawReading { probe: LEVEL, at: now.utc, received: now.uptime, raw: Raw::Number(2500.0) }
}

#[test]
fn each_tick_writes_a_few_sumps_and_all_have_their_turn_once() {
    let mut engine = Engine::new(shop_of(2 * SUMPS_AT_ONCE + 2)).expect("sound settings");
    engine.handle(at(0), Input::Readings(&[level(at(0))]));
    engine.handle(at(1), Input::Tick);
    assert!(written(&mut engine).is_empty(), "the grid has not come round");
    // Readings that come thick do not carry the round on: each of them would hold up those behind it.
    for _ in 0..50 {
        engine.handle(at(600), Input::Readings(&[level(at(600))]));
    }
    assert!(written(&mut engine).is_empty());
    let mut all = Vec::new();
    for part in [SUMPS_AT_ONCE, SUMPS_AT_ONCE, 2] {
        assert!(engine.poll_timeout().is_some_and(|due| due <= at(600).uptime), "it wants to go on at once");
        engine.handle(at(600), Input::Tick);
        let now = written(&mut engine);
        assert_eq!(now.len(), part, "{now:?}");
        all.extend(now);
    }
    let names: Vec<String> = engine.settings().sumps.iter().map(|sump| sump.name.to_string()).collect();
    assert_eq!(all, names);
    engine.handle(at(601), Input::Tick);
    assert!(written(&mut engine).is_empty(), "the round is over");
}

#[test]
fn few_sumps_are_written_with_whatever_comes() {
    let mut engine = Engine::new(shop_of(SUMPS_AT_ONCE)).expect("sound settings");
    engine.handle(at(0), Input::Readings(&[level(at(0))]));
    engine.handle(at(600), Input::Readings(&[level(at(600))]));
    assert_eq!(written(&mut engine).len(), SUMPS_AT_ONCE);
}
