//! Estimates of many sumps are written out one after the other, so that polls that fall due meanwhile wait little.

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
fn each_tick_writes_one_sump_and_all_have_their_turn_once() {
    let mut engine = Engine::new(shop_of(SMALL_SHOP + 2)).expect("sound settings");
    engine.handle(at(0), Input::Readings(&[level(at(0))]));
    engine.handle(at(1), Input::Tick);
    assert!(written(&mut engine).is_empty(), "the grid has not come round");
    // Readings that come thick do not carry the round on: each of them would hold up those behind it.
    for _ in 0..50 {
        engine.handle(at(600), Input::Readings(&[level(at(600))]));
    }
    assert!(written(&mut engine).is_empty());
    let mut all = Vec::new();
    for _ in 0..SMALL_SHOP + 2 {
        assert!(engine.poll_timeout().is_some_and(|due| due <= at(600).uptime), "it wants to go on at once");
        engine.handle(at(600), Input::Tick);
        let now = written(&mut engine);
        assert_eq!(now.len(), 1, "{now:?}");
        all.extend(now);
    }
    let names: Vec<String> = engine.settings().sumps.iter().map(|sump| sump.name.to_string()).collect();
    assert_eq!(all, names);
    engine.handle(at(601), Input::Tick);
    assert!(written(&mut engine).is_empty(), "the round is over");
}

#[test]
fn few_sumps_are_written_with_whatever_comes() {
    let mut engine = Engine::new(shop_of(SMALL_SHOP)).expect("sound settings");
    engine.handle(at(0), Input::Readings(&[level(at(0))]));
    engine.handle(at(600), Input::Readings(&[level(at(600))]));
    assert_eq!(written(&mut engine).len(), SMALL_SHOP);
}

#[test]
fn a_snapshot_in_parts_tells_each_sump_once_and_as_it_stands_then() {
    let mut engine = Engine::new(shop_of(3)).expect("sound settings");
    let mut begun = engine.snapshot_part(Vec::new()).expect_err("there are more");
    assert_eq!(begun.len(), 1);
    let waiting = begun[0].probes.clone();
    engine.handle(at(0), Input::Readings(&[level(at(0))]));
    begun = engine.snapshot_part(begun).expect_err("one is missing");
    assert_eq!(begun.len(), 2);
    assert_eq!(begun[0].probes, waiting, "told before the reading came");
    let whole = engine.snapshot_part(begun).expect("all are there");
    let names: Vec<&str> = whole.sumps.iter().map(|sump| sump.name.as_str()).collect();
    let settings: Vec<String> = engine.settings().sumps.iter().map(|sump| sump.name.to_string()).collect();
    assert_eq!(names, settings);
    let at_once = engine.snapshot();
    assert_eq!((&whole.sumps[1..], &whole.alarms), (&at_once.sumps[1..], &at_once.alarms));
    assert_ne!(whole.sumps[0], at_once.sumps[0], "the reading came in between");
}
