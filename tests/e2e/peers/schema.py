"""Validates TOML files against a JSON Schema: `schema.py SCHEMA FILE…` prints what is wrong with each, as JSON."""

import datetime
import json
import sys
import tomllib

import jsonschema_rs


def plain(value):
    """TOML's dates are texts to the schema, as they are to the daemon."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [plain(item) for item in value]
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    return value


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        schema = json.load(file)
    jsonschema_rs.meta.validate(schema)
    validator = jsonschema_rs.Draft202012Validator(schema)
    found = {}
    for path in sys.argv[2:]:
        with open(path, "rb") as file:
            shop = plain(tomllib.load(file))
        found[path] = [
            "/".join(map(str, error.instance_path)) + ": " + error.message for error in validator.iter_errors(shop)
        ]
    json.dump(found, sys.stdout)


main()
