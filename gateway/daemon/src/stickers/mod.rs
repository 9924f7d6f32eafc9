//! A sheet of stickers, one a sump: title, name, and the link to its place on the page as a QR code.

mod qr;

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, UndefinedBehavior};
use serde::Serialize;
use sumpwarden_core::estimate::guidance::NO_SAFETY_SYSTEM;
use sumpwarden_core::model::Name;
use sumpwarden_core::model::line::clean;

use crate::config::Settings;

/// Longest title that fits on a sticker, in characters.
const TITLE_CHARS_MAX: usize = 60;

/// Why there are no stickers.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum StickerError {
    /// Nobody knows where the page is reached.
    #[error(
        "stickers need the address of the page: write public_url = \"https://sumps.example\" under [web], with the scheme and \
         host by which phones reach it"
    )]
    NoUrl,
    /// The link does not fit into a code.
    #[error("the link {link} is too long for a code: write a shorter public_url under [web]")]
    TooLong {
        /// Which.
        link: String,
    },
}

#[derive(Debug, Serialize)]
struct Sheet {
    site: String,
    stickers: Vec<Sticker>,
    no_safety_system: &'static str,
}

#[derive(Debug, Serialize)]
struct Sticker {
    title: String,
    name: String,
    link: String,
    qr: String,
}

/// The sheet as HTML that needs nothing beside it. `code` gives what the link of a sump ends with; none where there is none.
pub fn sheet(settings: &Settings, code: impl Fn(&Name) -> Option<String>) -> Result<String, StickerError> {
    let url = settings.web.public_url.as_deref().ok_or(StickerError::NoUrl)?;
    let mut stickers = Vec::with_capacity(settings.engine.sumps.len());
    for sump in &settings.engine.sumps {
        let link = link(url, &sump.name, code(&sump.name).as_deref());
        let Some(qr) = qr::svg(&link) else { return Err(StickerError::TooLong { link }) };
        let title = clean(&sump.title, TITLE_CHARS_MAX);
        stickers.push(Sticker { title, name: sump.name.to_string(), link, qr });
    }
    let site = settings.site.name.to_string();
    let sheet = Sheet { site, stickers, no_safety_system: NO_SAFETY_SYSTEM };
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    let html = environment.render_str(include_str!("stickers.html.j2"), Serde(&sheet));
    Ok(html.expect("every name in the template is a field of the sheet"))
}

/// Where a phone goes.
fn link(url: &str, sump: &Name, code: Option<&str>) -> String {
    match code {
        Some(code) => format!("{url}/#/log/{sump}/{code}"),
        None => format!("{url}/#/log/{sump}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_ends_with_the_code_where_there_is_one() {
        let sump = Name::new("lathe-3").expect("a name");
        let url = "https://sumps.example";
        assert_eq!(link(url, &sump, Some("k7Qx")), "https://sumps.example/#/log/lathe-3/k7Qx");
        assert_eq!(link(url, &sump, None), "https://sumps.example/#/log/lathe-3");
    }
}
