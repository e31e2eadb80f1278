"""Parses OpenMetrics text from standard input with the parser of prometheus-client, and prints each sample as `name{labels} value`."""

import sys

from prometheus_client.openmetrics.parser import text_string_to_metric_families

for family in text_string_to_metric_families(sys.stdin.read()):
    assert family.documentation, f"{family.name} says nothing of itself"
    for sample in family.samples:
        labels = ",".join(f"{key}={value}" for key, value in sorted(sample.labels.items()))
        print(f"{sample.name}{{{labels}}} {sample.value:g}")
