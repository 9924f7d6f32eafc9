//! `POST /reload`: reads the configuration anew, for whoever may manage. What became of it is answered; where the new one has
//! mistakes, all of them, and that the old one stays in force.

use std::pin::Pin;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Request, State};
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::Serialize;

use super::Page;
use super::access::Role;
use super::desk::{self, Need, Problem};

/// What changed in one kind of thing, by name.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, JsonSchema)]
pub struct Changes {
    /// New ones.
    pub added: Vec<String>,
    /// Those that are told something else now.
    pub changed: Vec<String>,
    /// Those that are no more.
    pub removed: Vec<String>,
    /// How many go on untouched.
    pub kept: usize,
}

/// What became of reading the configuration anew.
#[derive(Clone, PartialEq, Debug, Default, Serialize, JsonSchema)]
pub struct ReloadView {
    /// When it was put in force, RFC 3339.
    pub at: String,
    /// Sumps, with their probes, limits and test plans.
    pub sumps: Changes,
    /// Buses, with their devices.
    pub buses: Changes,
    /// Brokers.
    pub brokers: Changes,
    /// Forwarders.
    pub forwarders: Changes,
    /// Receivers of messages.
    pub receivers: Changes,
    /// What else changed, by its table.
    pub others: Vec<String>,
    /// What is written otherwise and takes a restart; until then the old holds.
    pub only_by_restart: Vec<String>,
    /// What somebody should look at, each with place and cure.
    pub warnings: Vec<String>,
    /// How long no reading was handled, ms.
    pub paused_ms: f64,
    /// How long parts that changed did not run, ms.
    pub parts_ms: f64,
}

/// What reading it anew comes to, or why the old one stays in force, in lines.
pub type Reloading = Pin<Box<dyn Future<Output = Result<ReloadView, String>> + Send>>;

/// Reads the configuration anew, asked of whoever can.
pub type Reload = Arc<dyn Fn() -> Reloading + Send + Sync>;

/// Takes the order.
pub(super) async fn take(
    State(page): State<Arc<Page>>,
    request: Request,
) -> Result<Json<ReloadView>, Problem> {
    let admitted = desk::admitted(&page, &Need::Role(Role::Manage), request).await?;
    let _: Nothing = admitted.parse("order to reload", "{}")?;
    let done = (page.writes.reload)().await;
    page.forget_latest().await;
    let view = done.map_err(|why| Problem::new(StatusCode::CONFLICT, "configuration", why))?;
    admitted.on_record(view.to_string());
    Ok(Json(view))
}

/// The body: an object with nothing in it.
#[derive(Debug, serde::Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Nothing {}

impl std::fmt::Display for ReloadView {
    /// On one line.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mut parts = Vec::new();
        for (kind, changes) in self.kinds() {
            let each =
                [("added", &changes.added), ("changed", &changes.changed), ("removed", &changes.removed)];
            let named = each.iter().filter(|(_, names)| !names.is_empty());
            parts.extend(named.map(|(what, names)| format!("{kind} {what}: {}", names.join(", "))));
        }
        if !self.others.is_empty() {
            parts.push(format!("changed: {}", self.others.join(", ")));
        }
        if parts.is_empty() {
            parts.push("nothing has changed".to_owned());
        }
        if !self.only_by_restart.is_empty() {
            parts.push(format!("changes only by a restart: {}", self.only_by_restart.join(", ")));
        }
        f.write_str(&parts.join("; "))
    }
}

impl ReloadView {
    /// Each kind of thing with its word, plural.
    pub fn kinds(&self) -> [(&'static str, &Changes); 5] {
        [
            ("sumps", &self.sumps),
            ("buses", &self.buses),
            ("brokers", &self.brokers),
            ("forwarders", &self.forwarders),
            ("receivers", &self.receivers),
        ]
    }

    /// Whether anything in force is another than before.
    pub fn is_change(&self) -> bool {
        let changed = |changes: &Changes| {
            !(changes.added.is_empty() && changes.changed.is_empty() && changes.removed.is_empty())
        };
        !self.others.is_empty() || self.kinds().iter().any(|(_, changes)| changed(changes))
    }
}
