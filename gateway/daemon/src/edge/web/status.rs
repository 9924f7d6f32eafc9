//! How the gateway itself is: `GET /status` on one screen, `GET /health` and `GET /ready` for supervisors, who ask without a
//! login and look at the status code.

use std::pin::Pin;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;

use super::buses::BusView;
use super::desk::Problem;
use super::{Page, ReceiverView};

/// Alarm states in which somebody is to look.
const STANDING: [&str; 3] = ["UNACK", "ACKED", "RTNUN"];

/// How the gateway is, asked of whoever knows.
pub type Standing = Arc<dyn Fn() -> Pin<Box<dyn Future<Output = StatusView> + Send>> + Send + Sync>;

/// Loops that stand still, asked of whoever watches them: this is quick, and waits for nothing.
pub type Still = Arc<dyn Fn() -> Vec<String> + Send + Sync>;

/// How the gateway is.
#[derive(Clone, PartialEq, Debug, Default, Serialize, JsonSchema)]
pub struct StatusView {
    /// Its version.
    pub version: String,
    /// Since when it runs, RFC 3339.
    pub started_at: String,
    /// When this was put together, RFC 3339.
    pub at: String,
    /// What is not up yet; empty once it is ready.
    pub not_ready: Vec<String>,
    /// What somebody should look at, in words; empty while all is well.
    pub look_at: Vec<String>,
    /// Its configuration.
    pub configuration: ConfigurationView,
    /// Buses with their devices.
    pub buses: Vec<BusView>,
    /// Brokers.
    pub brokers: Vec<BrokerView>,
    /// Forwarders.
    pub forwarders: Vec<ForwarderView>,
    /// Receivers of messages.
    pub receivers: Vec<ReceiverView>,
    /// The store.
    pub store: StoreView,
    /// What is left away after crashes, and why.
    pub reduced: Vec<String>,
    /// What is wrong with the clock; nothing while it is right.
    pub clock: Option<String>,
    /// Alarms that stand.
    pub alarms: AlarmCounts,
}

/// The configuration in force.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, JsonSchema)]
pub struct ConfigurationView {
    /// Where it lies.
    pub file: Option<String>,
    /// Since when it is in force, RFC 3339.
    pub in_force_since: String,
    /// How often it was read anew and put in force since the start.
    pub reloaded: u64,
    /// How often a new one was refused.
    pub refused: u64,
    /// Why the last one was refused, unless one was put in force since.
    pub last_refused: Option<String>,
}

/// One broker.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, JsonSchema)]
pub struct BrokerView {
    /// Name in the configuration.
    pub name: String,
    /// Whether it is connected.
    pub connected: bool,
    /// How things stand, in words.
    pub words: String,
    /// Since when, RFC 3339.
    pub since: String,
    /// Messages that came.
    pub received: u64,
    /// Values taken over.
    pub accepted: u64,
    /// Values and notes refused, for whatever reason.
    pub refused: u64,
}

/// One forwarder.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, JsonSchema)]
pub struct ForwarderView {
    /// Name in the configuration.
    pub name: String,
    /// `starting`, `delivering`, `retrying` or `not allowed`.
    pub state: &'static str,
    /// What was said last, unless all is well. Untrusted text.
    pub error: Option<String>,
    /// Points taken by the other side, ever.
    pub forwarded: u64,
    /// Points set aside, ever.
    pub parked: u64,
    /// Points dropped before they were forwarded, ever.
    pub expired: u64,
    /// Points it still owes; none where the store cannot be read.
    pub waiting: Option<u64>,
    /// Stamp of the oldest of them, RFC 3339.
    pub oldest_waiting: Option<String>,
    /// Whether a backlog is being drained.
    pub backlog: bool,
}

/// The store.
#[derive(Clone, PartialEq, Debug, Default, Serialize, JsonSchema)]
pub struct StoreView {
    /// Where it lies.
    pub directory: String,
    /// Why it cannot be written; nothing while it can.
    pub trouble: Option<String>,
    /// Bytes in use.
    pub bytes: u64,
    /// Bytes free on its disk.
    pub free_bytes: u64,
    /// Part of what it may use that is in use, percent.
    pub full_percent: f64,
    /// Stamp of the oldest sample, RFC 3339; none where there is none.
    pub oldest: Option<String>,
    /// Samples submitted since the start.
    pub acquired: u64,
    /// Samples made durable since the start.
    pub stored: u64,
    /// Samples that will never be, since the start.
    pub dropped: u64,
    /// Samples that wait.
    pub waiting: u64,
    /// Samples kept without a date until the clock is set.
    pub undated: u64,
    /// Samples of earlier starts of the machine whose clock was never set: set aside without a date.
    pub undatable: u64,
}

/// Alarms that stand, by priority.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, JsonSchema)]
pub struct AlarmCounts {
    /// Of high priority.
    pub high: u64,
    /// Of medium priority.
    pub medium: u64,
    /// Of low priority.
    pub low: u64,
    /// Of all of them, those that nobody has seen.
    pub unseen: u64,
}

/// What `GET /health` and `GET /ready` answer where all is well.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, JsonSchema)]
pub(super) struct Well {
    /// `healthy` or `ready`.
    status: &'static str,
}

/// How it is, whole.
pub(super) async fn show(State(page): State<Arc<Page>>) -> Json<StatusView> {
    Json(whole(&page).await)
}

/// How it is, with what the engine knows of the alarms.
pub(super) async fn whole(page: &Page) -> StatusView {
    let mut view = (page.writes.standing)().await;
    match page.shop().await {
        Some(shop) => {
            let sumps = shop.snapshot.sumps.iter().flat_map(|sump| &sump.alarms);
            for alarm in shop.snapshot.alarms.iter().chain(sumps) {
                view.count(alarm.state, alarm.priority);
                if alarm.id == "gateway/clock" && STANDING.contains(&alarm.state) {
                    view.clock = Some(alarm.message.clone());
                }
            }
        }
        None => view.look_at.push("the engine does not answer".to_owned()),
    }
    view.judge();
    view
}

/// Whether every loop that must go on goes on.
pub(super) async fn health(State(page): State<Arc<Page>>, request: Request) -> Response {
    let still = (page.writes.still)();
    if still.is_empty() {
        return well(request.headers(), "healthy");
    }
    let detail =
        format!("{} does not go on; the daemon ends by itself and is started anew", still.join(", "));
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, "still", detail).into_response()
}

/// Whether store, buses and brokers are up, or known not to be.
pub(super) async fn ready(State(page): State<Arc<Page>>, request: Request) -> Response {
    let not_ready = (page.writes.not_ready)();
    if not_ready.is_empty() {
        return well(request.headers(), "ready");
    }
    let detail = format!("not yet: {}; ask again in a second", not_ready.join(", "));
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, "not_ready", detail).into_response()
}

/// In one word: as JSON unless a text is asked for.
fn well(headers: &HeaderMap, status: &'static str) -> Response {
    let accepts = headers.get(header::ACCEPT).and_then(|accept| accept.to_str().ok()).unwrap_or_default();
    if accepts.starts_with("text/plain") {
        format!("{status}\n").into_response()
    } else {
        Json(Well { status }).into_response()
    }
}

impl StatusView {
    fn count(&mut self, state: &str, priority: &str) {
        if !STANDING.contains(&state) {
            return;
        }
        let alarms = &mut self.alarms;
        match priority {
            "high" => alarms.high += 1,
            "medium" => alarms.medium += 1,
            _ => alarms.low += 1,
        }
        alarms.unseen += u64::from(state != "ACKED");
    }

    /// Puts what somebody should look at into words.
    fn judge(&mut self) {
        let mut look = std::mem::take(&mut self.look_at);
        look.extend(self.not_ready.iter().map(|what| format!("not up yet: {what}")));
        look.extend(self.reduced.iter().cloned());
        look.extend(self.store.trouble.iter().map(|why| format!("the store cannot be written: {why}")));
        if self.store.dropped > 0 {
            look.push(format!("{} samples were dropped for want of room", self.store.dropped));
        }
        if self.store.undated > 0 {
            look.push(format!("{} samples wait for the clock to be set", self.store.undated));
        }
        for bus in &self.buses {
            if !bus.connected {
                look.push(format!("bus {} is not open", bus.name));
            }
            let silent = bus.devices.iter().filter(|device| device.asked > 0 && device.answered == 0);
            look.extend(silent.map(|device| format!("device {} has never answered", device.name)));
        }
        let away = self.brokers.iter().filter(|broker| !broker.connected);
        look.extend(away.map(|broker| format!("broker {}: {}", broker.name, broker.words)));
        for one in self.forwarders.iter().filter(|one| matches!(one.state, "retrying" | "not allowed")) {
            look.push(format!(
                "forwarder {} {}: {}",
                one.name,
                one.state,
                one.error.as_deref().unwrap_or("no answer")
            ));
        }
        for one in self.receivers.iter().filter(|one| matches!(one.state, "retrying" | "refused")) {
            look.push(format!(
                "receiver {} {}: {}",
                one.name,
                one.state,
                one.error.as_deref().unwrap_or("no answer")
            ));
        }
        look.extend(self.configuration.last_refused.iter().cloned());
        look.extend(self.clock.iter().cloned());
        if self.alarms.unseen > 0 {
            look.push(format!("{} alarms that nobody has seen", self.alarms.unseen));
        }
        self.look_at = look;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_well_has_nothing_to_look_at_and_each_trouble_is_named() {
        let mut well = StatusView::default();
        well.count("NORM", "high");
        well.count("SHLVD", "high");
        well.count("ACKED", "low");
        well.judge();
        assert_eq!((well.look_at.clone(), well.alarms.low, well.alarms.unseen), (Vec::new(), 1, 0));
        let broker =
            BrokerView { name: "hall".to_owned(), words: "refused".to_owned(), ..BrokerView::default() };
        let forwarder =
            ForwarderView { name: "db".to_owned(), state: "retrying", ..ForwarderView::default() };
        let mut ill = StatusView {
            brokers: vec![broker],
            forwarders: vec![forwarder],
            store: StoreView { dropped: 3, ..StoreView::default() },
            ..StatusView::default()
        };
        ill.count("UNACK", "high");
        ill.judge();
        let expected = [
            "3 samples were dropped for want of room",
            "broker hall: refused",
            "forwarder db retrying: no answer",
            "1 alarms that nobody has seen",
        ];
        assert_eq!(ill.look_at, expected);
    }
}
