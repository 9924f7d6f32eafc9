//! `/people`: who may log in, for whoever manages. The first one is made with the code from the daemon's log, or with the key
//! of the data directory. `/sumps/SUMP/sticker`: the code that sticks on a machine.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Request, State};
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::model::Name;

use super::Page;
use super::access::{Access, Caller, Hashed, PasswordError, Person, Role, Units};
use super::desk::{self, Need, Problem};
use super::login::PersonView;

/// Everybody who may log in.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct PeopleView {
    people: Vec<PersonView>,
}

/// Somebody who is to be made.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct NewPerson {
    /// 1 to 48 of `A-Z a-z 0-9 _ -`.
    name: String,
    role: Role,
    /// At least 8 characters.
    password: String,
}

/// What changes of somebody.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct PersonChange {
    #[serde(default)]
    role: Option<Role>,
    #[serde(default)]
    password: Option<String>,
}

/// The code of a sump's stickers.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct StickerView {
    sump: String,
    /// As the link on the sticker holds it.
    code: String,
    /// Path and fragment of the page that it opens.
    link: String,
}

const MANAGE: Need = Need::Role(Role::Manage);

/// Everybody.
pub(super) async fn list(
    State(page): State<Arc<Page>>,
    request: Request,
) -> Result<Json<PeopleView>, Problem> {
    desk::permitted(&page, &MANAGE, &request.into_parts().0, false)?;
    Ok(Json(PeopleView { people: page.access.people().all().iter().map(PersonView::from).collect() }))
}

/// One more.
pub(super) async fn add(
    State(page): State<Arc<Page>>,
    request: Request,
) -> Result<(StatusCode, Json<PersonView>), Problem> {
    let admitted = desk::admitted(&page, &Need::FirstPerson, request).await?;
    let new: NewPerson = desk::private(&admitted.body, r#"{"name": "kim", "role": "log", "password": ...}"#)?;
    let name = Name::new(&new.name).map_err(|error| {
        let detail = format!("`name`: {error}; take letters, digits, - and _, as in kim or k-lee");
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "text", detail)
    })?;
    let first = page.access.people().is_empty();
    if first && new.role != Role::Manage {
        let detail = "the first one has to have the role `manage`: they make the others";
        return Err(Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "last_manager", detail));
    }
    let password = page.access.hashed(&new.password, name.as_str()).await?;
    let person = Person { name, role: new.role, units: Units::default(), password };
    let view = PersonView::from(&person);
    admitted.on_record(format!("{} made, role {:?}", person.name, person.role));
    let mut people = page.access.people();
    // Hashing takes a while: somebody may have come first, by the same code.
    if admitted.caller == Caller::FirstStart && !people.is_empty() {
        let detail = "somebody was made already; whoever manages makes the others";
        return Err(Problem::new(StatusCode::CONFLICT, "taken", detail));
    }
    people.add(person)?;
    page.access.setup().close();
    Ok((StatusCode::CREATED, Json(view)))
}

/// Another role or password; their sessions end.
pub(super) async fn change(
    State(page): State<Arc<Page>>,
    Path(name): Path<String>,
    request: Request,
) -> Result<Json<PersonView>, Problem> {
    let admitted = desk::admitted(&page, &MANAGE, request).await?;
    let change: PersonChange = desk::private(&admitted.body, r#"{"role": "log"} or {"password": ...}"#)?;
    let password = match &change.password {
        Some(password) => Some(page.access.hashed(password, &name).await?),
        None => None,
    };
    let before = page.access.people().find(&name).map(|person| person.role);
    let role = |role: Option<Role>| role.map_or("-".to_owned(), |role| format!("{role:?}"));
    let secret = if password.is_some() { ", new password" } else { "" };
    admitted.on_record(format!("{name}: role {} to {}{secret}", role(before), role(change.role.or(before))));
    page.access.people().change(&name, |person| {
        person.role = change.role.unwrap_or(person.role);
        if let Some(password) = password {
            person.password = password;
        }
    })?;
    page.access.sessions().end_all_of(&name);
    let people = page.access.people();
    let person = people.find(&name).ok_or(super::access::PeopleError::Nobody)?;
    Ok(Json(PersonView::from(person)))
}

/// Somebody leaves.
pub(super) async fn remove(
    State(page): State<Arc<Page>>,
    Path(name): Path<String>,
    request: Request,
) -> Result<StatusCode, Problem> {
    desk::permitted(&page, &MANAGE, &request.into_parts().0, true)?;
    page.access.people().remove(&name)?;
    page.access.sessions().end_all_of(&name);
    Ok(StatusCode::NO_CONTENT)
}

/// The code of a sump.
pub(super) async fn sticker(
    State(page): State<Arc<Page>>,
    Path(sump): Path<String>,
    request: Request,
) -> Result<Json<StickerView>, Problem> {
    desk::permitted(&page, &MANAGE, &request.into_parts().0, false)?;
    Ok(Json(sticker_of(&page, &super::records::known(&page, &sump)?)))
}

/// Makes the stickers of a sump void; the new code.
pub(super) async fn void(
    State(page): State<Arc<Page>>,
    Path(sump): Path<String>,
    request: Request,
) -> Result<Json<StickerView>, Problem> {
    desk::permitted(&page, &MANAGE, &request.into_parts().0, true)?;
    let sump = super::records::known(&page, &sump)?;
    page.access.people().void(&sump)?;
    Ok(Json(sticker_of(&page, &sump)))
}

fn sticker_of(page: &Page, sump: &Name) -> StickerView {
    let code = page.access.stickers().code(sump, page.access.people().voided(sump));
    StickerView { sump: sump.to_string(), link: format!("/#/log/{sump}/{code}"), code }
}

impl Access {
    /// A new password of somebody, hashed.
    pub(super) async fn hashed(&self, password: &str, name: &str) -> Result<Hashed, Problem> {
        let refused = |error: PasswordError| {
            let status = match error {
                PasswordError::System => StatusCode::SERVICE_UNAVAILABLE,
                _ => StatusCode::UNPROCESSABLE_ENTITY,
            };
            Problem::new(status, "password", error.to_string())
        };
        super::access::check_password(password, name).map_err(refused)?;
        self.hasher().hash(Secret::new(password.to_owned())).await.map_err(refused)
    }
}
