//! `POST /alarms`: what somebody wants done about an alarm, as JSON, from whoever may; answered once it is durable.
//! `GET /alarms/performance`: how well the alarms themselves work.

use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, Request, State};
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sumpwarden_core::alarm::order::Order;
use sumpwarden_core::alarm::performance::Performance;
use sumpwarden_core::model::Line;

use super::Page;
use super::access::{Caller, Role};
use super::commands::Command;
use super::desk::{self, Need, Problem};

/// What somebody wants done about an alarm.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OrderDraft {
    /// Which: `lathe-1/ph-low`.
    pub alarm: String,
    /// What.
    #[serde(rename = "do")]
    pub what: What,
    /// Who; whoever is logged in leaves it out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Why; shelving and taking out of service ask for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// For how many minutes it is shelved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u32>,
    /// Which time it came up: an acknowledgement of an earlier one is refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub occurrence: Option<u64>,
}

/// Words for what can be done about an alarm.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// They have seen it.
    Acknowledge,
    /// It is silent for `minutes`.
    Shelve,
    /// No longer.
    Unshelve,
    /// Out of service, for maintenance.
    Remove,
    /// Back in service.
    Return,
    /// A latched alarm may go.
    Reset,
}

impl OrderDraft {
    fn order(&self) -> Order {
        match self.what {
            What::Acknowledge => Order::Acknowledge { occurrence: self.occurrence },
            What::Shelve => Order::Shelve { time: Duration::from_secs(60) * self.minutes.unwrap_or(0) },
            What::Unshelve => Order::Unshelve,
            What::Remove => Order::Remove,
            What::Return => Order::Return,
            What::Reset => Order::Reset,
        }
    }
}

/// Takes an order. Whoever writes notes sees to alarms as well; what changes how an alarm is judged takes the role to manage.
pub(super) async fn take(State(page): State<Arc<Page>>, request: Request) -> Result<StatusCode, Problem> {
    let admitted = desk::admitted(&page, &Need::Role(Role::Log), request).await?;
    let draft: OrderDraft =
        admitted.parse("order", r#"{"alarm": "lathe-3/ph-low", "do": "acknowledge", "by": "Kim"}"#)?;
    if let Caller::Person { role, .. } = admitted.caller
        && matches!(draft.what, What::Remove | What::Return)
        && role < Role::Manage
    {
        let detail = "taking an alarm out of service takes the role `manage`; shelve it for a time instead";
        return Err(Problem::new(StatusCode::FORBIDDEN, "role", detail));
    }
    let by = admitted.by_name(draft.by.as_deref())?.to_string();
    let why = draft.why.as_deref().map(|why| desk::line(why, "why", Line::REMARK_CHARS_MAX)).transpose()?;
    let why = why.map(|why| why.to_string());
    admitted.on_record(format!("{:?} {}", draft.what, draft.alarm));
    let (order, alarm) = (draft.order(), draft.alarm);
    let command = |answer| Command::Order { alarm, order, by, why, answer };
    let done = desk::done(&page, command, "look how the alarm stands before sending it again").await?;
    page.forget_latest().await;
    done.map_err(|why| Problem::new(StatusCode::CONFLICT, "not_done", why))?;
    Ok(StatusCode::NO_CONTENT)
}

/// Over how long.
#[derive(Debug, Deserialize, JsonSchema)]
pub(super) struct Span {
    /// 1 to 366; 7 where nobody says.
    days: Option<u32>,
}

/// Most days that can be asked for.
const DAYS_MAX: u32 = 366;

/// The measures of the alarms.
pub(super) async fn performance(
    State(page): State<Arc<Page>>,
    span: Result<Query<Span>, QueryRejection>,
) -> Result<Json<Performance>, Problem> {
    let days = span.map_or(None, |Query(span)| Some(span.days.unwrap_or(7)));
    let days = days.filter(|days| (1..=DAYS_MAX).contains(days)).ok_or_else(|| {
        Problem::new(StatusCode::BAD_REQUEST, "days", format!("ask for ?days=N with N from 1 to {DAYS_MAX}"))
    })?;
    let found = Page::found(&page.counting, (page.writes.performance)(days)).await;
    let unread = "the journal cannot be read now; try again";
    found.map(Json).ok_or_else(|| Problem::new(StatusCode::SERVICE_UNAVAILABLE, "journal", unread))
}

/// Measures over so many days, asked of whoever keeps the journal.
pub type Measures =
    Arc<dyn Fn(u32) -> std::pin::Pin<Box<dyn Future<Output = Option<Performance>> + Send>> + Send + Sync>;
