//! `GET /buses`: what each bus has done, and how full its line is.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use schemars::JsonSchema;
use serde::Serialize;

use super::Page;

/// How the buses are, asked of whoever keeps their counters.
pub type Buses = Arc<dyn Fn() -> Vec<BusView> + Send + Sync>;

/// What `GET /buses` answers.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct BusesView {
    buses: Vec<BusView>,
}

/// One bus.
#[derive(Clone, PartialEq, Debug, Serialize, JsonSchema)]
pub struct BusView {
    /// Name in the configuration.
    pub name: String,
    /// Whether it is open.
    pub connected: bool,
    /// Whether another box is to poll it, of the two that share it.
    pub standing_by: bool,
    /// Which box polls it, as far as is known, of the two that share it; none where there is one box.
    pub polled_by: Option<String>,
    /// How full the plan leaves a serial line, percent; none on TCP.
    pub line_load_percent: Option<f64>,
    /// Its devices.
    pub devices: Vec<DeviceView>,
}

/// What became of the polls of one device since its bus was started.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, JsonSchema)]
pub struct DeviceView {
    /// Name in the configuration.
    pub name: String,
    /// Requests that went out.
    pub asked: u64,
    /// Replies that were what was asked for.
    pub answered: u64,
    /// Replies that the device refused with.
    pub refused: u64,
    /// No reply in time.
    pub silent: u64,
    /// Replies that came damaged, or were of something else.
    pub damaged: u64,
    /// Polls that were left out because the one before was still due.
    pub skipped: u64,
    /// When it last gave what was asked for, RFC 3339; none if it never did.
    pub last_reply_at: Option<String>,
}

/// Every bus.
pub(super) async fn show(State(page): State<Arc<Page>>) -> Json<BusesView> {
    Json(BusesView { buses: (page.buses)() })
}
