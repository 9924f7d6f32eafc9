//! An engine that estimates nothing.

use super::*;

/// Readings every minute: level in tenths of a millimetre, and a conductivity that means three percent.
fn run(story: &mut Story, from: u64, minutes: u64, level: f64) {
    for second in (0..minutes).map(|minute| from + 60 * minute) {
        story.read(second, LEVEL, Raw::Number(level));
        story.read(second + 1, CONDUCTIVITY, Raw::Number(1010.0));
    }
}

/// The engine that `make` makes, put back to where `before` stood.
fn after(
    before: &Story,
    second: u64,
    make: impl FnOnce(Settings) -> Result<Engine, EngineError>,
) -> (Story, Vec<String>) {
    let mut engine = make(before.engine.settings().clone()).expect("sound settings");
    let mut asked = Vec::new();
    let unreadable = engine.restore(at(second), |key| {
        asked.push(key.to_owned());
        before.out.saved.iter().rev().find(|(k, _)| k == key).map(|(_, bytes)| bytes.clone())
    });
    assert!(unreadable.is_empty(), "{unreadable:?}");
    (Story { engine, out: Outbound::default() }, asked)
}

#[test]
fn limits_on_probes_come_and_go_and_alarms_on_estimates_are_withheld() {
    let mut full = with_conditions(|_| {});
    run(&mut full, 0, 240, 2000.0);
    assert!(full.states().contains(&("concentration-low", "UNACK")), "{:?}", full.states());

    let (mut reduced, asked) = after(&full, 14_400, Engine::without_estimates);
    let beliefs = ["estimate/", "acidity/", "cleanout/"];
    let read = asked.iter().find(|key| beliefs.iter().any(|belief| key.starts_with(belief)));
    assert_eq!(read, None, "what may have brought it down is not read");
    reduced.engine.handle(at(14_400), Input::Tick);
    reduced.engine.drain(&mut reduced.out);
    assert_eq!(reduced.states(), [("concentration-low", "DSUPR")], "withheld, not ended");
    run(&mut reduced, 14_460, 30, 1490.0);
    run(&mut reduced, 16_260, 30, 2000.0);
    let level: Vec<_> = reduced.states().into_iter().skip(1).collect();
    assert_eq!(level, [("level-low", "UNACK"), ("level-low", "RTNUN")], "and of estimates nothing more");
    let series = reduced.engine.settings().series_of_estimate(SUMP, EstimateKind::Concentration);
    assert!(reduced.out.samples.iter().all(|sample| !series.contains(&sample.series)));
    let kept = reduced.out.saved.iter().find(|(key, _)| beliefs.iter().any(|b| key.starts_with(b)));
    assert_eq!(kept, None, "what was believed stays as it was");
    assert!(reduced.engine.advice(SUMP).is_empty());

    let mut all = full.out.saved.clone();
    all.extend(reduced.out.saved.clone());
    reduced.out.saved = all;
    let (mut again, _) = after(&reduced, 18_060, Engine::new);
    run(&mut again, 18_060, 60, 2000.0);
    assert!(again.states().contains(&("concentration-low", "UNACK")), "{:?}", again.states());
}

#[test]
fn a_fault_of_the_gateway_itself_comes_and_goes_without_estimates() {
    let full = with_conditions(|_| {});
    let (mut reduced, _) = after(&full, 0, Engine::without_estimates);
    let key = FaultKey::own(condition::Fault::Clock);
    reduced.engine.handle(at(1), Input::Fault(&key, true, "it was set"));
    reduced.pass(2);
    reduced.engine.handle(at(700), Input::Fault(&key, false, ""));
    reduced.engine.handle(at(800), Input::Tick);
    reduced.engine.drain(&mut reduced.out);
    let clock: Vec<_> = reduced.states().into_iter().filter(|(subject, _)| *subject == "clock").collect();
    assert_eq!(clock, [("clock", "UNACK"), ("clock", "RTNUN")]);
}

#[test]
fn a_note_says_that_it_moves_no_estimate() {
    let full = with_conditions(|_| {});
    let (mut reduced, _) = after(&full, 0, Engine::without_estimates);
    reduced.read(0, LEVEL, Raw::Number(2000.0));
    let note = Note::of(SUMP, at(5).utc, NoteKind::Brix, 3.7);
    reduced.engine.handle(at(10), Input::Note(&note));
    reduced.engine.drain(&mut reduced.out);
    assert_eq!(reduced.states(), [("note", "brix")], "it stands in the journal");
    assert!(!reduced.engine.note_view(at(10), &note, false).moves_estimate);
}
