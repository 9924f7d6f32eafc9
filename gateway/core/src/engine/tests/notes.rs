//! Notes on their way through the engine.

use super::*;
use crate::checks::settings::{Country, PlanSettings};
use crate::engine::notes::{NoteWords, said};
use crate::model::Line;

fn two_sumps_with_one_water() -> Settings {
    let mut settings = shop();
    let mut other = settings.sumps[0].clone();
    (other.name, other.probes) = (name("mill-1"), SumpProbes::default());
    settings.sumps.push(other);
    settings.plans = vec![PlanSettings::of(Country::De); 2];
    settings
}

fn story(settings: Settings) -> Story {
    Story { engine: Engine::new(settings).expect("sound settings"), out: Outbound::default() }
}

fn by_kim(kind: NoteKind, value: f64, second: u64) -> Note {
    let line = |text| Some(Line::new(text, 80).expect("a line"));
    Note {
        by: line("Kim"),
        text: line("<i>from</i> the nozzle"),
        ..Note::of(SUMP, at(second).utc, kind, value)
    }
}

#[test]
fn a_note_stands_in_the_journal_with_who_and_text_and_the_plan_beside_it() {
    let mut story = story(two_sumps_with_one_water());
    story.engine.handle(at(5), Input::Note(&by_kim(NoteKind::Brix, 3.7, 5)));
    story.engine.handle(at(7205), Input::Note(&by_kim(NoteKind::Action, 1.0, 5)));
    story.engine.drain(&mut story.out);
    let told: Vec<_> =
        story.out.journal.iter().map(|r| (r.state.as_str(), r.value, r.message.as_str())).collect();
    assert_eq!(
        told,
        [
            (
                "brix",
                Some(3.7),
                "concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %, noted by Kim: <i>from</i> the nozzle"
            ),
            ("action", None, "action, noted by Kim on 1970-01-01T02:00:05Z: <i>from</i> the nozzle"),
        ]
    );
    for (record, meaning) in
        story.out.journal.iter().zip(["concentration 5.18 % (Brix 3.7 × 1.4), target 7.5 %", "action"])
    {
        let expected = NoteWords { meaning, by: Some("Kim"), text: Some("<i>from</i> the nozzle") };
        assert_eq!(said(&record.message), expected, "it is read back");
    }
    assert!(story.out.saved.iter().any(|(key, _)| key == "checks/lathe-3"));
    let view = story.engine.note_view(at(5), &by_kim(NoteKind::Brix, 3.7, 5), false);
    assert_eq!(
        view.next.iter().map(|n| (n.check, n.due.as_str())).collect::<Vec<_>>(),
        [("concentration", "1970-01-08")]
    );
    assert!(view.moves_estimate && story.engine.knows_note(&by_kim(NoteKind::Brix, 3.7, 5), Duration::ZERO));
}

#[test]
fn an_analysis_of_the_water_holds_for_every_sump_that_gets_it() {
    let mut settings = two_sumps_with_one_water();
    let mut third = settings.sumps[1].clone();
    (third.name, third.water.name) = (name("saw"), name("well"));
    settings.sumps.push(third);
    settings.plans.push(PlanSettings::of(Country::De));
    let mut story = story(settings);
    story.engine.handle(at(5), Input::Note(&by_kim(NoteKind::MakeupNitrate, 60.0, 5)));
    story.engine.handle(at(6), Input::Note(&by_kim(NoteKind::Nitrite, 5.0, 6)));
    story.engine.drain(&mut story.out);
    assert_eq!(story.out.journal.len(), 2, "each stands in the journal once");
    let noted = |check: &str| -> Vec<bool> {
        let sumps = story.engine.snapshot().sumps.into_iter();
        sumps.map(|s| s.plan.checks.iter().any(|c| c.check == check && c.last.is_some())).collect()
    };
    assert_eq!(noted("makeup_nitrate"), [true, true, false]);
    assert_eq!(noted("nitrite"), [true, false, false], "what is in the fluid is its own");
}

#[test]
fn a_reading_of_last_week_does_not_move_what_is_believed_today() {
    let believed = |note: Option<&Note>| {
        let mut story = some_hours();
        let now = at(60 * 240 + 2);
        if let Some(note) = note {
            story.engine.handle(now, Input::Note(note));
        }
        story.engine.handle(at(60 * 250), Input::Tick);
        story.engine.sumps[0].estimates(at(60 * 250)).map(|e| e.ok().map(|e| e.value))
    };
    let untouched = believed(None);
    assert_eq!(believed(Some(&by_kim(NoteKind::Brix, 6.0, 60))), untouched);
    assert_ne!(believed(Some(&by_kim(NoteKind::Brix, 6.0, 60 * 230))), untouched);
    assert_eq!(
        believed(Some(&by_kim(NoteKind::OilLayer, 3.0, 60 * 230))),
        untouched,
        "no number of the belief"
    );
}

#[test]
fn the_plan_goes_on_after_a_restart() {
    let mut before = story(two_sumps_with_one_water());
    before.engine.handle(at(5), Input::Note(&by_kim(NoteKind::Nitrite, 5.0, 5)));
    before.engine.drain(&mut before.out);
    let kept = |key: &str| before.out.saved.iter().rfind(|(k, _)| k == key).map(|(_, bytes)| bytes.clone());
    let mut after = story(two_sumps_with_one_water());
    assert!(after.engine.restore(at(10), kept).is_empty());
    after.read(9 * 86_400, LEVEL, Raw::Number(2000.0));
    let plan = &after.engine.snapshot().sumps[0].plan;
    assert_eq!(plan.nitrite_low_in_a_row, 1);
    let nitrite = plan.checks.iter().find(|check| check.check == "nitrite").expect("asked for");
    assert_eq!((nitrite.state, nitrite.overdue_days), ("overdue", 2), "at the first reading already");
    assert!(after.engine.knows_note(&by_kim(NoteKind::Nitrite, 5.0, 5), Duration::ZERO));
}
