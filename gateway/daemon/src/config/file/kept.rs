//! Words and forms that the shapes cannot say by their types, for the schema.

use std::borrow::Cow;
use std::marker::PhantomData;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use sumpwarden_core::alarm::condition::{Condition, Fault};
use sumpwarden_core::model::{Quantity, Unit};

use super::{AlarmTable, Switch};
use crate::edge::notify::template::RECIPES;

/// A table, or `false` to leave out an inherited one: what is left of it when types are expanded is the table.
pub(super) struct Kept<T>(PhantomData<T>);

impl<T: JsonSchema> JsonSchema for Kept<T> {
    fn schema_name() -> Cow<'static, str> {
        format!("{}OrLeftOut", T::schema_name()).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        json_schema!({ "anyOf": [generator.subschema_for::<T>(), { "const": false }] })
    }
}

/// Words for what a probe measures.
pub(super) fn quantities(_: &mut SchemaGenerator) -> Schema {
    let words: Vec<&str> = Quantity::ALL.iter().map(|quantity| quantity.word()).collect();
    json_schema!({ "type": "string", "enum": words })
}

/// Codes of units, and other spellings.
pub(super) fn units(_: &mut SchemaGenerator) -> Schema {
    let codes: Vec<&str> = Unit::ALL.iter().map(|unit| unit.ucum()).collect();
    json_schema!({ "type": "string", "examples": codes })
}

/// Alarms on what is worked out about a sump, by their words.
pub(super) fn conditions(generator: &mut SchemaGenerator) -> Schema {
    alarms(generator, Condition::ALL.iter().map(|condition| condition.word()).collect())
}

/// Faults of the gateway, its lines and its peers, by their words.
pub(super) fn faults(generator: &mut SchemaGenerator) -> Schema {
    alarms(generator, Fault::ALL.iter().map(|fault| fault.word()).collect())
}

fn alarms(generator: &mut SchemaGenerator, words: Vec<&str>) -> Schema {
    let alarm = generator.subschema_for::<Switch<AlarmTable>>();
    json_schema!({ "type": "object", "additionalProperties": alarm, "propertyNames": { "enum": words } })
}

/// Names of the ready recipes for bodies of messages.
pub(super) fn recipes(_: &mut SchemaGenerator) -> Schema {
    let names: Vec<&str> = RECIPES.iter().map(|(name, _)| *name).collect();
    json_schema!({ "type": "string", "enum": names })
}

/// Orders of bytes.
pub(super) const ORDERS: [&str; 4] = ["ABCD", "CDAB", "BADC", "DCBA"];

/// The schema of an order of bytes.
pub(super) fn orders(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "type": "string", "enum": ORDERS })
}
