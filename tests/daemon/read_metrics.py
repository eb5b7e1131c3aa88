"""Reads metrics on standard input with the Prometheus project's own Python client (PyPI `prometheus-client`).

Prints a JSON object, `name{label="value",...}` to number. Exit 1, with the reasons on standard error, where the text cannot
be read or breaks what Prometheus asks of names ("Metric and label naming"). It never asks the network.
"""

import json
import re
import sys

from prometheus_client.parser import text_string_to_metric_families


def main() -> int:
    wrong, samples = [], {}
    for family in text_string_to_metric_families(sys.stdin.read()):
        if not re.fullmatch(r"stationkeep_[a-z_]+", family.name):
            wrong.append(f"an odd name: {family.name}")
        if family.type not in ("gauge", "counter") or not family.documentation:
            wrong.append(f"{family.name} has no type or help")
        for sample in family.samples:
            if (family.type == "counter") != sample.name.endswith("_total"):
                wrong.append(f"{sample.name} is a {family.type}")
            labels = ",".join(f"{name}={json.dumps(value)}" for name, value in sorted(sample.labels.items()))
            key = f"{sample.name}{{{labels}}}" if labels else sample.name
            if key in samples:
                wrong.append(f"{key} stands there twice")
            samples[key] = sample.value
    for reason in wrong:
        print(reason, file=sys.stderr)
    print(json.dumps(samples))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
