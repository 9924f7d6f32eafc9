//! A shop whose store holds five simulated weeks, as a daemon would have filled it: the same engine, the same store.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;
use std::time::Duration;

use sumpwarden::config::{self, Settings};
use sumpwarden::edge::store::{Commit, Store};
use sumpwarden_core::alarm::order::{Order, Said};
use sumpwarden_core::engine::{Engine, Input, Outbound};
use sumpwarden_core::estimate::note::{Note, NoteKind};
use sumpwarden_core::model::{Line, Now, ProbeIndex, Raw, RawReading, SumpIndex, Timestamp};
use sumpwarden_sim::scenario::{ConfigurationOptions, Endpoints, HistoryOptions, Row, Scenario};
use sumpwarden_tests::gateway::program;
use sumpwarden_tests::process::TempDir;

/// What people write that must come out as they wrote it.
pub(crate) const NASTY: &str = "=HYPERLINK(\"x\"), <script>alert(1)</script> & 'so' on";
/// Somebody with a name of that kind.
pub(crate) const WHO: &str = "@Kim <b>";

const EVERY: Duration = Duration::from_secs(600);
const DAYS: u32 = 36;

/// The shop's time zone, as the environment sets it.
pub(crate) const ZONE: (&str, &str) = ("SUMPWARDEN__SITE__TIMEZONE", "Europe/Vienna");

pub(crate) struct Shop {
    folder: TempDir,
    kept: Option<PathBuf>,
    pub(crate) config: PathBuf,
    /// As configured.
    pub(crate) settings: Settings,
}

impl Shop {
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.kept.as_deref().unwrap_or(self.folder.path()).join(name)
    }

    /// Runs one command of the program.
    pub(crate) fn command(&self, command: &str, arguments: &[&str]) -> Output {
        let mut run = Command::new(program());
        run.arg(command).arg("--config").arg(&self.config).args(arguments).env(ZONE.0, ZONE.1);
        run.output().expect("it can be started")
    }
}

/// The one shop of these tests.
pub(crate) fn shop() -> &'static Shop {
    static SHOP: OnceLock<Shop> = OnceLock::new();
    SHOP.get_or_init(|| {
        let kept = std::env::var_os("SUMPWARDEN_BOOK").map(PathBuf::from);
        let folder = TempDir::new("book");
        let place = kept.clone().unwrap_or_else(|| folder.path().to_owned());
        std::fs::create_dir_all(&place).expect("writable");
        let scenario = Scenario::named("quarter-quiet-pair", 7).expect("a known scenario");
        let options = ConfigurationOptions {
            every: EVERY,
            appended: "\n[plan]\ncountry = \"de\"\n[web]\npublic_url = \"https://sumps.example\"\n"
                .to_owned(),
            ..ConfigurationOptions::default()
        };
        let config = scenario.configuration(&Endpoints::new(), &options).write(&place).expect("written");
        let zone = (ZONE.0.to_owned(), ZONE.1.to_owned());
        let loaded = config::load_with(&config, &[zone]);
        let settings = loaded.unwrap_or_else(|report| panic!("{}", report.draw(false))).settings;
        fill(&scenario, &settings, &place);
        Shop { folder, kept, config, settings }
    })
}

fn fill(scenario: &Scenario, settings: &Settings, place: &Path) {
    let mut engine = Engine::new(settings.engine.clone()).expect("settings of a sound shop");
    let events = tokio::sync::mpsc::unbounded_channel().0;
    let directory = place.join("data");
    assert!(settings.store.directory == directory, "the store lies beside the configuration");
    let store = Store::open(&directory, engine.series(), settings.store.limits, events).expect("it opens");
    let mut outbound = Outbound::default();
    let mut latest = None;
    let mut day = 0;
    let options = HistoryOptions { every: EVERY, ..HistoryOptions::default() };
    let end = scenario.start.plus_days(f64::from(DAYS));
    for row in scenario.history(options) {
        let at = match &row {
            Row::Sample { at, .. } | Row::Note { at, .. } => *at,
            Row::Truth { .. } => continue,
        };
        if at >= end {
            break;
        }
        let now = Now::simulated(Timestamp::from_millis(at.0));
        if latest.is_some_and(|latest| latest < now.utc) {
            pass_time(&mut engine, now);
        }
        latest = Some(now.utc);
        take(&mut engine, scenario, now, &row);
        let today = at.since(scenario.start).as_secs() / 86_400;
        if today != day {
            day = today;
            daily(&mut engine, now, day);
        }
        engine.drain(&mut outbound);
        if outbound.samples.len() > 5_000 || !outbound.journal.is_empty() {
            let Outbound { samples, journal, saved, .. } = std::mem::take(&mut outbound);
            store.submit(Commit { samples, journal, saved, ..Commit::default() });
        }
    }
    let Outbound { samples, journal, saved, .. } = outbound;
    store.submit(Commit { samples, journal, saved, ..Commit::default() });
    store.flush().expect("it is written");
    store.close();
}

fn pass_time(engine: &mut Engine, now: Now) {
    while let Some(due) = engine.poll_timeout().filter(|due| *due < now.uptime) {
        let utc = Timestamp::from_nanos(i64::try_from(due.as_nanos()).expect("before 2262"));
        engine.handle(Now { uptime: due, utc }, Input::Tick);
    }
}

fn take(engine: &mut Engine, scenario: &Scenario, now: Now, row: &Row) {
    match row {
        Row::Sample { probe, raw, .. } => {
            let source = scenario.source(*probe);
            let settings = engine.settings();
            let named = |index: usize| {
                let probe = &settings.probes[index];
                format!("probe/{}/{}", settings.sumps[probe.sump.slot()].name, probe.name)
            };
            let index = (0..settings.probes.len()).find(|index| named(*index) == source).expect("configured");
            let probe = ProbeIndex(u32::try_from(index).expect("few"));
            let reading = RawReading { probe, at: now.utc, received: now.uptime, raw: Raw::Number(*raw) };
            engine.handle(now, Input::Readings(&[reading]));
        }
        Row::Note { sump, kind, value, .. } => {
            let name = scenario.sumps[*sump].name;
            let kind = NoteKind::from_word(kind).expect("a kind of note");
            note(engine, now, name, kind, *value, "Kim", None);
        }
        Row::Truth { .. } => {}
    }
}

fn note(engine: &mut Engine, now: Now, sump: &str, kind: NoteKind, value: f64, by: &str, text: Option<&str>) {
    let sumps = &engine.settings().sumps;
    let place = sumps.iter().position(|settings| settings.name.as_str() == sump).expect("configured");
    let line = |text: &str, most| Line::new(text, most).expect("a line");
    let sump = SumpIndex(u32::try_from(place).expect("few"));
    let probe = (kind == NoteKind::Calibrated).then(|| {
        let ph = engine.settings().sumps[place].probes.ph.expect("it has a pH probe");
        assert_eq!(engine.settings().probes[ph.slot()].sump, sump);
        ph
    });
    let note = Note {
        by: Some(line(by, Line::NAME_CHARS_MAX)),
        text: text.map(|text| line(text, Line::REMARK_CHARS_MAX)),
        probe,
        ..Note::of(sump, now.utc, kind, value)
    };
    engine.handle(now, Input::Note(&note));
}

/// What people do beside what the simulated ones write down, on the first sump.
fn daily(engine: &mut Engine, now: Now, day: u64) {
    let sump = engine.settings().sumps[0].name.to_string();
    let mut did = |kind, value, by: &str, text| note(engine, now, &sump, kind, value, by, text);
    match day {
        2 => did(NoteKind::Nitrite, 7.5, WHO, Some(NASTY)),
        3 => did(NoteKind::Calibrated, 1.0, "Ali", Some("buffers 7 and 9")),
        4 => did(NoteKind::MakeupNitrate, 18.0, "Laboratory", None),
        9 => did(NoteKind::Nitrite, 24.0, "Ali", None),
        10 => did(NoteKind::Action, 1.0, "Ali", Some("skimmed oil off")),
        _ if day.is_multiple_of(3) => did(NoteKind::Inspected, 1.0, "Kim", None),
        _ if day % 7 == 1 => did(NoteKind::OilLayer, 2.0, WHO, Some("by the door")),
        _ => {}
    }
    let standing: Vec<String> = engine.snapshot().alarms.iter().map(|alarm| alarm.id.clone()).collect();
    for alarm in standing.iter().take(1) {
        // One that was seen already is in order.
        let _ = engine.order(
            now,
            alarm,
            Order::Acknowledge { occurrence: None },
            Said::new(WHO, Some("on my way")),
        );
    }
}
