//! `GET /mix`: what to pour to bring litres and concentration to what is wanted, by the same arithmetic as everywhere.

use axum::Json;
use axum::extract::Query;
use axum::extract::rejection::QueryRejection;
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::Deserialize;
use sumpwarden_core::estimate::guidance::Advice;
use sumpwarden_core::estimate::mixing::{Mix, TopUp, top_up};

use super::desk::Problem;

/// What is in the sump, and what is wanted.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct MixQuery {
    /// In the sump now, L.
    litres: f64,
    /// Its concentration, percent by volume.
    percent: f64,
    /// To fill up to, L.
    to_litres: f64,
    /// Concentration wanted, percent by volume.
    to_percent: f64,
}

/// The top-up.
pub(super) async fn reckon(
    query: Result<Query<MixQuery>, QueryRejection>,
) -> Result<Json<Advice<TopUp>>, Problem> {
    let Query(asked) = query.map_err(|error| {
        let example = "ask for ?litres=150&percent=6&to_litres=200&to_percent=8";
        Problem::new(StatusCode::BAD_REQUEST, "query", format!("{error}; {example}"))
    })?;
    let now = Mix { litres: asked.litres, percent: asked.percent };
    let wanted = Mix { litres: asked.to_litres, percent: asked.to_percent };
    let found = top_up(now, wanted);
    found.map(Json).map_err(|error| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "mix", error.to_string()))
}
