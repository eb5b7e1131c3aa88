"""Checks the schema of alerts (standard input: `{"schema": …, "events": […]}`) with PyPI `jsonschema`, draft 2020-12.

The schema must be valid, give at least one example of each event, and hold by all of them and by all the events; every property
must be described; an event with a field more, a field less or a word that is none must not pass.
"""

import copy
import json
import sys

from jsonschema import Draft202012Validator


def undescribed(schema, place=""):
    """Properties that say nothing of themselves."""
    if isinstance(schema, dict):
        for name, inner in schema.get("properties", {}).items():
            if isinstance(inner, dict) and "description" not in inner and "$ref" not in inner:
                yield f"{place}/{name}"
        for name, inner in schema.items():
            yield from undescribed(inner, f"{place}/{name}")
    elif isinstance(schema, list):
        for inner in schema:
            yield from undescribed(inner, place)


def main() -> int:
    given = json.load(sys.stdin)
    schema, events = given["schema"], given["events"]
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    wrong = [f"not described: {place}" for place in undescribed(schema)]
    kinds = schema["properties"]["type"]["enum"]
    for kind in kinds:
        examples = schema["$defs"][kind].get("examples", [])
        if not examples or any(example["type"] != kind for example in examples):
            wrong.append(f"no example of {kind}")
        events.extend(examples)
    for event in events:
        best = min(validator.iter_errors(event), key=lambda error: -len(error.path), default=None)
        if best is not None:
            detail = [f"{list(inner.path)}: {inner.message[:200]}" for inner in best.context or [] if inner.path]
            wrong.append(f"{event.get('type')}: {best.message[:200]} {detail[:6]}")
    missed = 0
    for event in events:
        for change in ("more", "less", "severity", "type"):
            bad = copy.deepcopy(event)
            if change == "more":
                bad["data"]["surprise"] = 1
            elif change == "less":
                del bad["data"]["key"]
            elif change == "severity":
                bad["data"]["severity"] = "dire"
            else:
                bad["type"] = "stationkeep.surprise.v1"
            missed += validator.is_valid(bad)
    if missed:
        wrong.append(f"{missed} bad events pass")
    if len({event["type"] for event in events}) != len(kinds):
        wrong.append("an event of some kind is missing")
    print("\n".join(wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
