//! The interface, once: each route with its handler, what it takes and what it answers. The router and the OpenAPI 3.1
//! description (`GET /openapi.json`) are made from the same list and the same types, so the one cannot say what the other does not do.

use std::sync::Arc;

use axum::Router;
use axum::handler::Handler;
use axum::routing::{MethodFilter, on};
use schemars::generate::{SchemaGenerator, SchemaSettings};
use schemars::{JsonSchema, Schema};
use serde_json::{Map, Value, json};

use super::Page;
use super::desk::ProblemView;

const JSON: &str = "application/json";
const PROBLEM: &str = "application/problem+json";

/// How a route is asked for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Method {
    Get,
    Post,
    Put,
    Delete,
}

impl Method {
    const fn word(self) -> &'static str {
        match self {
            Self::Get => "get",
            Self::Post => "post",
            Self::Put => "put",
            Self::Delete => "delete",
        }
    }

    const fn filter(self) -> MethodFilter {
        match self {
            Self::Get => MethodFilter::GET,
            Self::Post => MethodFilter::POST,
            Self::Put => MethodFilter::PUT,
            Self::Delete => MethodFilter::DELETE,
        }
    }
}

/// Who may ask.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Open {
    /// Anybody, always: without it nobody could log in.
    Always,
    /// Whoever may look; the configuration says whether that takes a login.
    ToLookers,
    /// Whoever may do it; the handler asks.
    ToThoseWhoMay,
}

/// What one route takes and answers, in words and schemas.
pub(super) struct About {
    summary: &'static str,
    query: Vec<Value>,
    body: Option<Schema>,
    answer: (u16, Vec<(&'static str, Value)>),
}

impl About {
    /// What it is for, in a sentence; answers nothing (204) unless something else is said.
    pub(super) const fn new(summary: &'static str) -> Self {
        Self { summary, query: Vec::new(), body: None, answer: (204, Vec::new()) }
    }
}

/// Routes, and what is said of them.
pub(super) struct Interface {
    always: Router<Arc<Page>>,
    lookers: Router<Arc<Page>>,
    paths: Map<String, Value>,
    schemas: SchemaGenerator,
}

/// One route that is being put together.
pub(super) struct Route<'i> {
    interface: &'i mut Interface,
    method: Method,
    path: &'static str,
    open: Open,
    about: About,
}

impl Interface {
    pub(super) fn new() -> Self {
        let settings = SchemaSettings::draft2020_12()
            .with(|settings| settings.definitions_path = "/components/schemas".into());
        let mut schemas = settings.into_generator();
        schemas.subschema_for::<ProblemView>();
        Self { always: Router::new(), lookers: Router::new(), paths: Map::new(), schemas }
    }

    pub(super) fn route(
        &mut self,
        method: Method,
        path: &'static str,
        open: Open,
        summary: &'static str,
    ) -> Route<'_> {
        Route { interface: self, method, path, open, about: About::new(summary) }
    }

    /// Routes for everybody, routes for whoever may look, and the description of both.
    pub(super) fn finish(mut self) -> (Router<Arc<Page>>, Router<Arc<Page>>, Value) {
        let schemas = self.schemas.take_definitions(true);
        let description = json!({
            "openapi": "3.1.0",
            "info": {
                "title": "Sumpwarden",
                "version": env!("CARGO_PKG_VERSION"),
                "description": "The shop's sumps: what is, what was, what is to be done, and what people write down. Times are \
                    RFC 3339, units are UCUM codes, problems are problem details (RFC 9457).",
            },
            "paths": self.paths,
            "components": {
                "schemas": schemas,
                "responses": {"Problem": {
                    "description": "What is wrong, and what would be right.",
                    "content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/ProblemView"}}},
                }},
                "securitySchemes": {
                    "key": {"type": "http", "scheme": "bearer", "description": "The key in note-key in the data directory."},
                    "session": {"type": "apiKey", "in": "cookie", "name": "__Host-sumpwarden-session"},
                    "sticker": {
                        "type": "apiKey", "in": "header", "name": "Authorization",
                        "description": "Sticker SUMP:CODE, as the link on a machine holds them.",
                    },
                },
            },
        });
        (self.always, self.lookers, description)
    }
}

impl Route<'_> {
    /// What may stand behind the `?`.
    pub(super) fn query<Q: JsonSchema>(mut self) -> Self {
        let schema = Q::json_schema(&mut self.interface.schemas);
        let required: Vec<&str> = schema
            .get("required")
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
            .filter_map(Value::as_str)
            .collect();
        let properties = schema.get("properties").and_then(Value::as_object).into_iter().flatten();
        self.about.query = properties
            .map(|(name, schema)| {
                json!({
                    "name": name, "in": "query", "required": required.contains(&name.as_str()),
                    "description": schema["description"], "schema": schema,
                })
            })
            .collect();
        self
    }

    /// What is sent.
    pub(super) fn takes<B: JsonSchema>(mut self) -> Self {
        self.about.body = Some(self.interface.schemas.subschema_for::<B>());
        self
    }

    /// What comes back, with 200.
    pub(super) fn answers<A: JsonSchema>(self) -> Self {
        self.answers_with::<A>(200)
    }

    /// What comes back.
    pub(super) fn answers_with<A: JsonSchema>(mut self, status: u16) -> Self {
        let schema = self.interface.schemas.subschema_for::<A>();
        self.about.answer = (status, vec![(JSON, schema.to_value())]);
        self
    }

    /// What comes back is a text of this media type.
    pub(super) fn answers_text(mut self, media_type: &'static str) -> Self {
        self.about.answer = (200, Vec::new());
        self.or_text(media_type)
    }

    /// Or a text of this media type, where that is asked for.
    pub(super) fn or_text(mut self, media_type: &'static str) -> Self {
        self.about.answer.1.push((media_type, json!({"type": "string"})));
        self
    }

    /// Answered by `handler`.
    pub(super) fn by<H: Handler<T, Arc<Page>>, T: 'static>(self, handler: H) {
        let Self { interface, method, path, open, about } = self;
        let routes = if open == Open::ToLookers { &mut interface.lookers } else { &mut interface.always };
        *routes = std::mem::take(routes).route(path, on(method.filter(), handler));
        let operation = operation(method, path, open, about);
        let entry = interface.paths.entry(path).or_insert_with(|| json!({}));
        entry[method.word()] = operation;
    }
}

fn operation(method: Method, path: &str, open: Open, about: About) -> Value {
    let (status, content) = about.answer;
    let mut answer = json!({"description": if status == 204 { "Done." } else { "As asked." }});
    for (media_type, schema) in content {
        answer["content"][media_type] = json!({"schema": schema});
    }
    let in_path = path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'));
    let named = in_path
        .map(|name| json!({"name": name, "in": "path", "required": true, "schema": {"type": "string", "minLength": 1}}));
    let parameters: Vec<Value> = named.chain(about.query).collect();
    let words = path.split('/').filter(|part| !part.is_empty()).map(|part| part.trim_matches(['{', '}']));
    let id: Vec<&str> = std::iter::once(method.word()).chain(words).collect();
    let mut operation = json!({
        "operationId": id.join("-").replace('.', "-"),
        "summary": about.summary,
        "parameters": parameters,
        "responses": {status.to_string(): answer, "default": {"$ref": "#/components/responses/Problem"}},
    });
    if let Some(schema) = about.body {
        operation["requestBody"] = json!({"required": true, "content": {JSON: {"schema": schema}}});
    }
    if open != Open::Always {
        let open_to_all = (open == Open::ToLookers).then(|| json!({}));
        let schemes = ["key", "session", "sticker"].map(|name| json!({name: []}));
        operation["security"] = open_to_all.into_iter().chain(schemes).collect();
    }
    operation
}
