"""Whether a list of parts is CycloneDX 1.6: by the format's own schema, and by libraries that read licences and package addresses.

Ends with 0 where it is, with 1 and the reasons where it is not.
"""

import json
import sys
from importlib.resources import files

import jsonschema_rs
from cyclonedx.model.bom import Bom
from license_expression import get_spdx_licensing
from packageurl import PackageURL


def schema(name):
    return json.loads((files("cyclonedx.schema._res") / f"{name}.SNAPSHOT.schema.json").read_text())


def complaints(text):
    bom = json.loads(text)
    others = ("spdx", "jsf-0.82", "cryptography-defs")
    at = "http://cyclonedx.org/schema/{}.SNAPSHOT.schema.json"
    registry = jsonschema_rs.Registry([(at.format(name), schema(name)) for name in others])
    validator = jsonschema_rs.validator_for(schema("bom-1.6"), registry=registry, validate_formats=True)
    wrong = [f"{'/'.join(map(str, error.instance_path))}: {error.message}" for error in validator.iter_errors(bom)]
    if wrong:
        yield from wrong
        return
    licensing = get_spdx_licensing()
    refs = [bom["metadata"]["component"]["bom-ref"]]
    for component in bom["components"]:
        refs.append(component["bom-ref"])
        address = PackageURL.from_string(component["purl"])
        if (address.name, address.version) != (component["name"], component["version"]):
            yield f"{component['purl']} is not {component['name']} {component['version']}"
        for licence in component["licenses"]:
            yield from licensing.validate(licence["expression"]).errors
    if len(set(refs)) < len(refs):
        yield "two parts have one reference"
    if sorted(refs) != sorted(dependency["ref"] for dependency in bom["dependencies"]):
        yield "parts and dependencies speak of different parts"
    for dependency in bom["dependencies"]:
        yield from (f"{ref} is no part" for ref in dependency["dependsOn"] if ref not in refs)
    read = Bom.from_json(bom)
    if len(read.components) != len(bom["components"]):
        yield f"only {len(read.components)} components are read"


found = list(complaints(sys.stdin.read()))
for complaint in found:
    print(complaint)
sys.exit(1 if found else 0)
