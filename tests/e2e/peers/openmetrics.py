"""Reads an OpenMetrics text on standard input as a collector does, and prints every sample: name, labels, value."""

import json
import sys

from prometheus_client.openmetrics.parser import text_string_to_metric_families

for family in text_string_to_metric_families(sys.stdin.read()):
    for sample in family.samples:
        print(json.dumps({"family": family.name, "type": family.type, "name": sample.name,
                          "labels": sample.labels, "value": sample.value}))
