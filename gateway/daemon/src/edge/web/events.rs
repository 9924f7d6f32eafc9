//! `GET /events`: the shop as it changes, as server-sent events.
//!
//! One task asks for the shop once a second while anybody listens, and cuts it into parts: `shop` (site, alarms of the gateway,
//! receivers) and one `sump` each. A listener gets every part once, and from then on those that have changed, at most
//! once a second; after each round comes `at` with the time it is of. A part is written out once, however many listen.
//! Whoever reads slowly misses rounds, not parts: what is sent is always the newest.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::StatusCode;
use axum::http::request::Parts;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde_json::json;
use tokio::sync::watch;
use tokio::time::{MissedTickBehavior, interval};

use super::access::Reads;
use super::desk::{self, Need, Problem};
use super::{Page, Shop};

/// How often it is looked for changes.
const EVERY: Duration = Duration::from_secs(1);
/// Listeners at once; a browser that finds no place asks `GET /state` now and then.
const LISTENERS_MAX: usize = 8;

/// One round of the shop: each part by its key, written out, with the round in which it last changed.
#[derive(Clone, Default)]
struct Round {
    n: u64,
    at: String,
    parts: BTreeMap<String, (u64, Arc<str>)>,
}

/// Where rounds come from.
pub(super) struct Rounds {
    newest: watch::Sender<Arc<Round>>,
    listeners: Arc<AtomicUsize>,
}

impl Default for Rounds {
    fn default() -> Self {
        Self { newest: watch::Sender::new(Arc::default()), listeners: Arc::default() }
    }
}

/// One listener's place.
struct Place(Arc<AtomicUsize>);

impl Drop for Place {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Rounds {
    fn place(&self) -> Option<Place> {
        let take = |held: usize| (held < LISTENERS_MAX).then_some(held + 1);
        self.listeners.fetch_update(Ordering::Relaxed, Ordering::Relaxed, take).ok()?;
        Some(Place(Arc::clone(&self.listeners)))
    }

    /// Asks for the shop while anybody listens. Runs until it is dropped.
    pub(super) async fn run(page: Arc<Page>) {
        let mut ticks = interval(EVERY);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
        loop {
            ticks.tick().await;
            if page.rounds.newest.receiver_count() == 0 {
                continue;
            }
            if let Some(shop) = page.shop().await {
                let next = page.rounds.newest.borrow().next(&shop);
                page.rounds.newest.send_replace(Arc::new(next));
            }
        }
    }
}

impl Round {
    fn next(&self, shop: &Shop) -> Self {
        let n = self.n + 1;
        let mut parts = BTreeMap::new();
        let mut put = |key: String, part: String| {
            let changed = match self.parts.get(&key) {
                Some((changed, before)) if **before == *part => (*changed, Arc::clone(before)),
                _ => (n, Arc::from(part)),
            };
            parts.insert(key, changed);
        };
        let names: Vec<&str> = shop.snapshot.sumps.iter().map(|sump| sump.name.as_str()).collect();
        let whole = json!({
            "site": shop.site, "timezone": shop.timezone, "alarms": shop.snapshot.alarms, "receivers": shop.receivers, "reduced": shop.reduced,
            "sumps": names,
        });
        put("shop".to_owned(), whole.to_string());
        for sump in &shop.snapshot.sumps {
            put(format!("sump/{}", sump.name), serde_json::to_string(sump).unwrap_or_default());
        }
        Self { n, at: shop.at.clone(), parts }
    }

    /// What changed after round `seen`, and the time.
    fn since(&self, seen: u64) -> Vec<Event> {
        let changed = self.parts.iter().filter(|(_, (changed, _))| *changed > seen);
        let event = |(key, (_, part)): (&String, &(u64, Arc<str>))| {
            Event::default().event(key.split('/').next().unwrap_or(key)).data(&**part)
        };
        let at = Event::default().event("at").data(json!({"at": self.at}).to_string());
        changed.map(event).chain(std::iter::once(at)).collect()
    }
}

/// The shop as it changes.
pub(super) async fn listen(State(page): State<Arc<Page>>, request: Request) -> Response {
    let (parts, _) = request.into_parts();
    let Some(place) = page.rounds.place() else {
        let detail = format!("{LISTENERS_MAX} pages listen already; ask GET /state every few seconds");
        return Problem::new(StatusCode::SERVICE_UNAVAILABLE, "listeners", detail).into_response();
    };
    let newest = page.rounds.newest.subscribe();
    let looker = (Arc::clone(&page), parts);
    let state = (newest, 0, Vec::new().into_iter(), place, looker);
    let events = stream::unfold(state, async |(mut newest, mut seen, mut waiting, place, looker)| {
        loop {
            if let Some(event) = waiting.next() {
                return Some((Ok::<Event, Infallible>(event), (newest, seen, waiting, place, looker)));
            }
            newest.changed().await.ok()?;
            if !still_looks(&looker.0, &looker.1) {
                return None;
            }
            let round = Arc::clone(&newest.borrow_and_update());
            waiting = round.since(seen).into_iter();
            seen = round.n;
        }
    });
    Sse::new(events).into_response()
}

/// Whether whoever listens may still look: where that takes a login, it ends with the login.
fn still_looks(page: &Page, parts: &Parts) -> bool {
    page.access.reads() == Reads::Open || desk::permitted(page, &Need::Look, parts, false).is_ok()
}
