//! Words into the page, by templates that escape whatever is put into them.

use std::sync::LazyLock;

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, UndefinedBehavior, context};
use serde::Serialize;

use super::view::{ChapterView, FrontView};

const STYLE: &str = include_str!("book.css");

/// The templates, all of which make HTML.
static TEMPLATES: LazyLock<Environment<'static>> = LazyLock::new(|| {
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    for (name, text) in [
        ("page", include_str!("page.html.j2")),
        ("front", concat!(include_str!("parts.html.j2"), include_str!("front.html.j2"))),
        ("chapter", concat!(include_str!("parts.html.j2"), include_str!("chapter.html.j2"))),
    ] {
        environment.add_template(name, text).expect("templates of our own are tried in tests");
    }
    environment
});

/// Head and foot around what is HTML already.
pub(super) fn page(title: &str, body: &str) -> String {
    let template = TEMPLATES.get_template("page").expect("added above");
    template.render(context! { title, body, style => STYLE }).expect("every name in it is given")
}

pub(super) fn front(view: &FrontView) -> String {
    rendered("front", view)
}

pub(super) fn chapter(view: &ChapterView) -> String {
    rendered("chapter", view)
}

fn rendered(name: &str, view: &impl Serialize) -> String {
    let template = TEMPLATES.get_template(name).expect("added above");
    template.render(Serde(view)).expect("every name in it is a field of the view")
}
