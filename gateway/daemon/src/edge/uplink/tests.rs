//! Forwarding against a fake database that answers in every way a real one, or the net before it, has been seen to.
//!
//! The outbox is a list in memory; the real store behind the same trait is tested where the two meet.

use std::sync::{Arc, Mutex};

use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::{Quality, Timestamp};
use sumpwarden_core::store::cursor::Pending;
use sumpwarden_core::store::{Point, SeriesId};

use super::fake::{Fake, QUICK, Reply, settings};
use super::*;

type Points = Vec<(SeriesId, Point)>;

/// Commits of points, in memory.
#[derive(Clone, Debug)]
struct List {
    commits: Arc<Mutex<Vec<Points>>>,
    totals: Arc<Mutex<ForwardTotals>>,
    parked: Arc<Mutex<Vec<Parked>>>,
    journal: Arc<Mutex<Vec<JournalEntry>>>,
}

impl List {
    fn new() -> Self {
        let totals = ForwardTotals {
            pending: Pending::since(1),
            journal_from: 1,
            forwarded: 0,
            parked: 0,
            expired: 0,
        };
        Self {
            commits: Arc::default(),
            totals: Arc::new(Mutex::new(totals)),
            parked: Arc::default(),
            journal: Arc::default(),
        }
    }

    fn with(points: u32) -> Self {
        let list = Self::new();
        (0..points.div_ceil(700))
            .for_each(|commit| list.commit(commit * 700, 700.min(points - commit * 700)));
        list
    }

    fn commit(&self, first: u32, count: u32) {
        let point = |i: u32| Point {
            at: Timestamp::from_millis(1_772_000_000_000 + i64::from(i)),
            raw: Some(f64::from(i)),
            value: Some(f64::from(i) * 0.01),
            quality: Quality::GOOD,
        };
        let points = (first..first + count).map(|i| (SeriesId(i % 3), point(i))).collect();
        self.commits.lock().unwrap().push(points);
    }

    fn change(&self, change: impl FnOnce(&mut ForwardTotals)) -> ForwardTotals {
        let mut totals = self.totals.lock().unwrap();
        change(&mut totals);
        totals.clone()
    }
}

impl Outbox for List {
    type Error = String;

    async fn begin(&self, _: &str) -> Result<ForwardTotals, String> {
        Ok(self.change(|_| {}))
    }

    async fn split(&self, _: &str) -> Result<ForwardTotals, String> {
        let head = self.commits.lock().unwrap().len() as u64 + 1;
        Ok(self.change(|totals| totals.pending.split(head)))
    }

    async fn delivered(&self, _: &str, done: Delivered) -> Result<ForwardTotals, String> {
        self.parked.lock().unwrap().extend(done.parked.iter().cloned());
        Ok(self.change(|totals| {
            assert!(totals.pending.advance(done.from, done.to));
            totals.forwarded += done.forwarded;
            totals.parked += done.parked.len() as u64;
        }))
    }

    async fn journal_delivered(
        &self,
        _: &str,
        to: i64,
        parked: Vec<Parked>,
    ) -> Result<ForwardTotals, String> {
        self.parked.lock().unwrap().extend(parked);
        Ok(self.change(|totals| totals.journal_from = to))
    }

    async fn series(&self) -> Result<Vec<StoredSeries>, String> {
        let named = |(id, name): (u32, &str)| StoredSeries {
            id: SeriesId(id),
            text: format!("probe/lathe-1/{name}"),
            quantity: name.to_owned(),
        };
        Ok([(0, "ph"), (1, "level"), (2, "temperature")].map(named).into())
    }

    async fn read(&self, stretch: Stretch, max: usize) -> Result<Read, String> {
        Ok(Read::of_commits(&self.commits.lock().unwrap(), stretch, max))
    }

    async fn journal_after(&self, id: i64, limit: u32) -> Result<Vec<JournalEntry>, String> {
        let journal = self.journal.lock().unwrap();
        Ok(journal.iter().filter(|e| e.id >= id).take(limit as usize).cloned().collect())
    }
}

/// Forwards until `list` owes nothing; gives the status as it was seen, without repeats.
async fn forward_all(list: &List, fake: &Fake) -> Vec<UplinkState> {
    let uplink = Uplink::paced(settings(fake.port), list, QUICK).unwrap();
    let mut status = uplink.status();
    let (stop, stopping) = watch::channel(false);
    let running = tokio::spawn(uplink.run(stopping));
    let mut states = Vec::new();
    let total: usize = list.commits.lock().unwrap().iter().map(Vec::len).sum();
    let journal = list.journal.lock().unwrap().len() as i64;
    let all_done = async {
        loop {
            let _ = tokio::time::timeout(Duration::from_millis(20), status.changed()).await;
            let state = status.borrow_and_update().state;
            if states.last() != Some(&state) {
                states.push(state);
            }
            let totals = list.change(|_| {});
            if totals.forwarded + totals.parked == total as u64 && totals.journal_from == journal + 1 {
                break;
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(20), all_done).await.expect("everything is forwarded in time");
    stop.send(true).unwrap();
    running.await.unwrap();
    states
}

#[tokio::test]
async fn whatever_happens_on_the_way_every_point_arrives_once_in_effect() {
    use Reply::*;
    for script in [
        vec![],
        vec![Status(500), Status(503), Status(429)],
        vec![Cut, StoreAndCut, Cut],
        vec![Silent, StoreAndCut],
        vec![Endless, Status(502)],
        vec![Status(401), Status(403), Status(404)],
        vec![Status(200), Status(302)],
    ] {
        let fake = Fake::start(&script).await;
        let list = List::with(12_345);
        let states = forward_all(&list, &fake).await;
        assert_eq!(fake.points().len(), 12_345, "{script:?}");
        let totals = list.change(|_| {});
        assert_eq!((totals.forwarded, totals.parked), (12_345, 0), "{script:?}");
        assert!(fake.state.lock().unwrap().authorised);
        let held = script.iter().any(|r| matches!(r, Status(401 | 403 | 404 | 200 | 302)));
        assert_eq!(states.contains(&UplinkState::NotAllowed), held, "{script:?}: {states:?}");
    }
}

#[tokio::test]
async fn poison_is_set_aside_with_the_reason_and_the_rest_arrives() {
    for partial in [false, true] {
        let fake = Fake::start(&[]).await;
        fake.state.lock().unwrap().poison = Some(("raw=66.0,", partial));
        let list = List::with(6_000);
        forward_all(&list, &fake).await;
        let parked = list.parked.lock().unwrap().clone();
        assert_eq!(parked.len(), 1, "raw=66 occurs once");
        assert!(parked[0].line.contains("raw=66.0,") && !parked[0].line.contains('\n'), "{parked:?}");
        assert!(parked[0].reason.ends_with("the reason"), "{parked:?}");
        assert_eq!(parked[0].at, Timestamp::from_millis(1_772_000_000_066));
        assert_eq!(fake.points().len(), 5_999);
    }
}

#[tokio::test]
async fn what_is_too_large_is_halved_and_the_size_remembered() {
    let fake = Fake::start(&[]).await;
    fake.state.lock().unwrap().lines_max = Some(700);
    let list = List::with(10_000);
    forward_all(&list, &fake).await;
    assert_eq!(fake.points().len(), 10_000);
    let requests = fake.state.lock().unwrap().requests.len();
    // 5000, 2500, 1250 are refused once each; then 625 at a time.
    assert_eq!(requests, 3 + 10_000 / 625, "the size is found once, not with every batch");
}

#[tokio::test]
async fn live_points_do_not_wait_behind_a_backlog() {
    let fake = Fake::start(&[]).await;
    let list = List::with(200_000);
    let uplink = Uplink::paced(settings(fake.port), &list, QUICK).unwrap();
    let (stop, stopping) = watch::channel(false);
    let running = tokio::spawn(uplink.run(stopping));
    while fake.state.lock().unwrap().stored.is_empty() {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    list.commit(1_000_000, 5);
    let live = format!("{}", Timestamp::from_millis(1_772_001_000_000).as_nanos());
    let committed = Instant::now();
    while !fake.state.lock().unwrap().stored.iter().rev().take(20_000).any(|l| l.ends_with(&live)) {
        assert!(committed.elapsed() < Duration::from_secs(5), "live points are too old");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert!(list.change(|_| {}).pending.backlog().is_some(), "the backlog is still being drained");
    let oldest_first = fake.points().len();
    assert!(oldest_first < 200_000);
    stop.send(true).unwrap();
    running.await.unwrap();
}

#[tokio::test]
async fn the_journal_goes_the_same_way() {
    let fake = Fake::start(&[Reply::Status(503)]).await;
    let list = List::new();
    let entry = JournalEntry {
        id: 1,
        at: Timestamp::from_millis(1),
        kind: "alarm".into(),
        sump: Some("lathe-1".into()),
        subject: "ph-low".into(),
        state: "UNACK".into(),
        priority: Some("medium".into()),
        value: Some(8.5),
        message: "pH 8.5 is \"low\"\nnow".into(),
    };
    *list.journal.lock().unwrap() = vec![entry];
    forward_all(&list, &fake).await;
    let stored = fake.state.lock().unwrap().stored.clone();
    let expected = "journal,box=box-1,kind=alarm,site=hall-2,subject=ph-low,sump=lathe-1 \
                    state=\"UNACK\",message=\"pH 8.5 is \\\"low\\\" now\",priority=\"medium\",value=8.5 1000000";
    assert_eq!(stored, [expected]);
}

#[tokio::test]
async fn a_server_that_asks_for_peace_gets_it() {
    let fake = Fake::start(&[Reply::Status(429)]).await;
    let list = List::with(10);
    forward_all(&list, &fake).await;
    let requests = fake.state.lock().unwrap().requests.clone();
    assert!(requests[1] - requests[0] >= Duration::from_secs(1), "Retry-After: 1");
}

#[tokio::test]
async fn addresses_that_are_none_are_refused_in_words() {
    for url in ["", "127.0.0.1:8086", "ftp://host", "http://"] {
        let settings = ForwardSettings { url: url.into(), ..settings(1) };
        let refused = Uplink::new(settings, &List::new()).unwrap_err();
        assert!(matches!(refused, UplinkError::Url { .. }), "{url}: {refused}");
    }
    let settings = ForwardSettings { token: Secret::new("two\nlines".into()), ..settings(1) };
    let refused = Uplink::new(settings, &List::new()).unwrap_err();
    assert!(matches!(refused, UplinkError::Token), "{refused}");
}
