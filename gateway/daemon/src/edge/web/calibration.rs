//! `GET /sumps/SUMP/probes/PROBE/calibration`: the calibration in force and the one that goes on, with the live signal.
//! `POST` there: a step of a calibration, as JSON, from whoever may; answered with the same, once it is durable.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Request, State};
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sumpwarden_core::engine::calibration::{CalibrationFor, Deed, ProbeCalibrationView, Step};
use sumpwarden_core::estimate::note::draft::Given;
use sumpwarden_core::model::Line;

use super::Page;
use super::access::Role;
use super::commands::Command;
use super::desk::{self, Need, Problem};

/// Where the calibration of a probe is.
pub(super) const PATH: &str = "/sumps/{sump}/probes/{probe}/calibration";

/// What somebody wants done about the calibration of a probe.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CalibrationDraft {
    /// What: `begin`, `take` (a point), `finish` or `abandon`.
    #[serde(rename = "do")]
    pub what: Deed,
    /// Who; whoever is logged in leaves it out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Which liquids, to begin with; or which one, on taking a point. For pH: `din-19266`, `jis-z-8802`, `technical`, or the
    /// pH of the buffer. For conductivity: the label of the bottle in µS/cm at 25 °C, or `kcl-0.01`, `kcl-0.1`, `kcl-1`.
    /// Without it the configuration's buffers count, and each is recognised by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub standard: Option<Given>,
    /// Temperature of the liquid by a thermometer in it, °C, where the probe's own thermometer does not stand in the same
    /// liquid. It counts from then on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Take the point although the signal is not stable; that is written down.
    #[serde(default)]
    pub even_if_unstable: bool,
    /// Finish although the calibration is not fit for use; its values are then uncertain.
    #[serde(default)]
    pub even_if_unfit: bool,
}

impl CalibrationDraft {
    fn step(self, by: Line) -> Step {
        Step {
            deed: self.what,
            by,
            standard: self.standard.map(|standard| match standard {
                Given::Number(number) => number.to_string(),
                Given::Text(text) => text,
            }),
            celsius: self.temperature_c,
            even_if_unstable: self.even_if_unstable,
            even_if_unfit: self.even_if_unfit,
        }
    }
}

/// How the calibration of a probe stands.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Path((sump, probe)): Path<(String, String)>,
) -> Result<Json<ProbeCalibrationView>, Problem> {
    let command = |answer| Command::Calibration { sump, probe, step: None, answer };
    Ok(Json(*desk::done(&page, command, "ask again").await??))
}

/// Takes a step of a calibration.
pub(super) async fn take(
    State(page): State<Arc<Page>>,
    Path((sump, probe)): Path<(String, String)>,
    request: Request,
) -> Result<Json<ProbeCalibrationView>, Problem> {
    let admitted = desk::admitted(&page, &Need::Role(Role::Log), request).await?;
    let example = r#"{"do": "begin", "by": "Kim", "standard": "technical"}"#;
    let draft: CalibrationDraft = admitted.parse("step of a calibration", example)?;
    let by = admitted.by_name(draft.by.as_deref())?;
    admitted.on_record(format!("{:?} {sump}/{probe}", draft.what));
    let step = Some(Box::new(draft.step(by)));
    let command = |answer| Command::Calibration { sump, probe, step, answer };
    let done = desk::done(&page, command, "look how the calibration stands before sending it again").await?;
    page.forget_latest().await;
    Ok(Json(*done?))
}

impl From<CalibrationFor> for Problem {
    fn from(refused: CalibrationFor) -> Self {
        let detail = refused.to_string();
        match refused {
            CalibrationFor::UnknownSump(..) => Self::new(StatusCode::NOT_FOUND, "unknown_sump", detail),
            CalibrationFor::UnknownProbe(..) => Self::new(StatusCode::NOT_FOUND, "unknown_probe", detail),
            CalibrationFor::Refused(why) if why.is_of_words() => {
                Self::new(StatusCode::UNPROCESSABLE_ENTITY, why.word(), detail)
            }
            CalibrationFor::Refused(why) => Self::new(StatusCode::CONFLICT, why.word(), detail),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_what_was_sent_and_nothing_else() {
        let read = |text: &str| serde_json::from_str::<CalibrationDraft>(text);
        let draft = read(r#"{"do": "take", "by": " Kim ", "standard": 7.02, "temperature_c": 21.5}"#);
        let step = draft.expect("a step").step(Line::new("Kim", 10).expect("a line"));
        assert_eq!((step.deed, step.by.as_str()), (Deed::Take, "Kim"));
        assert_eq!((step.standard.as_deref(), step.celsius), (Some("7.02"), Some(21.5)));
        assert!(!step.even_if_unstable && !step.even_if_unfit, "only if somebody says so");
        assert!(read(r#"{"do": "take", "by": "Kim", "even_if": true}"#).is_err(), "an unknown word");
        assert!(read(r#"{"do": "takes", "by": "Kim"}"#).is_err());
    }
}
