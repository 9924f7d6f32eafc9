//! Bodies made by a template of the operator's: for chat services and whatever else wants its own shape.
//!
//! A template is text from a file the configuration names, or one of the ready recipes. It is compiled once, when the
//! configuration is read; data is only ever put into its places, as JSON values, and never compiled. What comes out must be
//! JSON, whatever a sump is called. A template can neither load another one nor run for long.

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, UndefinedBehavior};
use sumpwarden_core::notify::Action;
use sumpwarden_core::notify::words::{Composed, Item};

/// Ready recipes by name, as they lie in `deploy/recipes`.
pub const RECIPES: [(&str, &str); 4] = [
    ("text-field", include_str!("../../../../../deploy/recipes/text-field.json.j2")),
    ("content-field", include_str!("../../../../../deploy/recipes/content-field.json.j2")),
    ("blocks", include_str!("../../../../../deploy/recipes/blocks.json.j2")),
    ("card-sections", include_str!("../../../../../deploy/recipes/card-sections.json.j2")),
];

/// Most bytes a template may make.
const BODY_BYTES_MAX: usize = 256 * 1024;
/// Largest template.
pub const TEMPLATE_BYTES_MAX: u64 = 64 * 1024;

/// The one template in its environment.
const NAME: &str = "body.json";

/// A compiled template.
#[derive(Debug)]
pub struct Template(Environment<'static>);

impl Template {
    /// Compiles `text` and tries it on sample messages.
    pub fn new(text: &str) -> Result<Self, String> {
        let mut environment = Environment::new();
        environment.set_auto_escape_callback(|_| AutoEscape::Json);
        environment.set_undefined_behavior(UndefinedBehavior::Strict);
        environment.set_fuel(Some(500_000));
        environment.add_template_owned(NAME, text.to_owned()).map_err(|error| told(&error))?;
        let template = Self(environment);
        for sample in samples() {
            template.render(&sample)?;
        }
        Ok(template)
    }

    /// The body for a message: JSON.
    pub(super) fn render(&self, message: &Composed) -> Result<String, String> {
        let template = self.0.get_template(NAME).map_err(|error| told(&error))?;
        let body = template.render(Serde(message)).map_err(|error| told(&error))?;
        if body.len() > BODY_BYTES_MAX {
            return Err(format!("it makes more than {BODY_BYTES_MAX} bytes"));
        }
        serde_json::from_str::<serde::de::IgnoredAny>(&body)
            .map_err(|error| format!("what it makes is no JSON: {error}"))?;
        Ok(body)
    }
}

fn told(error: &minijinja::Error) -> String {
    let place = error.line().map(|line| format!("line {line}: ")).unwrap_or_default();
    let detail = error.detail().map(|detail| format!(" ({detail})")).unwrap_or_default();
    format!("{place}{}{detail}", error.kind())
}

/// A full message, one without anything optional, and the test message: a template must do for all of them. Their texts
/// hold whatever breaks careless templates.
fn samples() -> [Composed; 3] {
    let nasty = "\"'\\ {{7*7}} ${x} %n <b>&amp;</b> \u{2028} @here".to_owned();
    let full = Item {
        site: "hall-2".to_owned(),
        key: "hall-2/lathe-1/ph-low#7".to_owned(),
        sequence: 1,
        action: Action::Raise,
        priority: sumpwarden_core::alarm::settings::Priority::High,
        sump: Some("lathe-1".to_owned()),
        title: nasty.clone(),
        headline: nasty.clone(),
        sure: Some(nasty.clone()),
        what_to_do: nasty.clone(),
        by_when: Some(nasty.clone()),
        cautions: vec![nasty.clone(), nasty.clone()],
        at: "2026-03-01T08:00:00Z".to_owned(),
        link: Some("https://sumps.example/acknowledge/TOKEN".to_owned()),
    };
    let bare = Item {
        action: Action::End,
        sump: None,
        sure: None,
        what_to_do: String::new(),
        by_when: None,
        cautions: Vec::new(),
        link: None,
        ..full.clone()
    };
    let message = |items: Vec<Item>, rest, test| Composed {
        site: "hall-2".to_owned(),
        receiver: "chat".to_owned(),
        subject: nasty.clone(),
        text: format!("{nasty}\n{nasty}"),
        priority: full.priority,
        latest: items.clone(),
        items,
        rest,
        test,
    };
    [
        message(vec![full.clone(), bare.clone()], 3, false),
        message(vec![bare], 0, false),
        message(Vec::new(), 0, true),
    ]
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::{RECIPES, Template, samples};

    #[test]
    fn every_recipe_makes_json_of_every_message_and_says_what_it_says() {
        for (name, text) in RECIPES {
            let template = Template::new(text).unwrap_or_else(|why| panic!("{name}: {why}"));
            for sample in samples() {
                let body = template.render(&sample).expect("tried");
                let value: Value = serde_json::from_str(&body).expect("JSON");
                let mut texts = Vec::new();
                gather(&value, &mut texts);
                let all = texts.join("\n");
                let mut wanted = vec![sample.subject.as_str()];
                if !sample.test {
                    wanted = sample.latest.iter().map(|one| one.headline.as_str()).collect();
                }
                // A message with a text field only has its words in it.
                wanted
                    .retain(|one| !sample.text.contains(one) || name == "blocks" || name == "card-sections");
                wanted.iter().for_each(|one| assert!(all.contains(one), "{name}: {one} in {body}"));
                assert!(!all.contains("49"), "{name}: data was computed: {body}");
            }
        }
    }

    fn gather(value: &Value, texts: &mut Vec<String>) {
        match value {
            Value::String(text) => texts.push(text.clone()),
            Value::Array(all) => all.iter().for_each(|one| gather(one, texts)),
            Value::Object(all) => all.values().for_each(|one| gather(one, texts)),
            Value::Null | Value::Bool(_) | Value::Number(_) => {}
        }
    }

    #[test]
    fn a_template_that_cannot_work_is_refused_when_it_is_read() {
        for (text, why) in [
            ("{\"text\": {{ txt }}}", "undefined"),
            ("{\"text\": \"{{ text }}\"}", "no JSON"),
            ("{\"text\": {{ text }}", "no JSON"),
            ("{% for x in %}", "line 1"),
            ("{% include \"other\" %}", "line 1"),
            ("{% for a in range(9999) %}{% for b in range(9999) %}{% endfor %}{% endfor %}1", "fuel"),
        ] {
            let found = Template::new(text).expect_err(text);
            assert!(found.contains(why), "{text}: {found}");
        }
    }
}
