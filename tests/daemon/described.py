"""Checks a running daemon against its own description.

First the answers about every station that it lists, by jsonschema (PyPI); then whatever Schemathesis (PyPI) makes up from the
description, with stations and scripts that there are. What a report must be beside its form no description can say, so that
valid ones may be rejected: `positive_data_acceptance` is left out.

    VENV/bin/python tests/daemon/described.py http://127.0.0.1:PORT

Exit: 0 no fault, 1 faults, which are printed.
"""

import json
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

import jsonschema

AT = sys.argv[1]


def ask(path):
    """Status and body of an answer."""
    try:
        with urllib.request.urlopen(AT + path, timeout=60) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as error:
        return error.code, json.load(error)


def answers():
    """Every address about every station, with its path in the description."""
    _, page = ask("/api/v1/stations?limit=1000")
    yield "/api/v1/stations", "/api/v1/stations?limit=3"
    for query in ("", "?limit=3", "?outcome=rejected"):
        yield "/api/v1/reports", f"/api/v1/reports{query}"
    for station in page["stations"]:
        name = urllib.parse.quote(station["station"], safe="")
        for rest in ("", "/drift", "/script", "/history"):
            yield "/api/v1/stations/{station}" + rest, f"/api/v1/stations/{name}{rest}"
        _, script = ask(f"/api/v1/stations/{name}/script")
        if script.get("script"):
            yield "/api/v1/scripts/{digest}", f"/api/v1/scripts/{script['script']}"


def main():
    _, description = ask("/openapi.json")
    store = {"$id": "urn:description", **description}
    faults, stations, scripts = [], set(), set()
    for described, path in answers():
        status, body = ask(path)
        responses = description["paths"][described]["get"]["responses"]
        content = responses[str(status)]["content"]
        kind = "application/json" if status == 200 else "application/problem+json"
        schema = {**store, "$ref": content[kind]["schema"]["$ref"]}
        wrong = jsonschema.Draft202012Validator(schema).iter_errors(body)
        faults += [f"{path}: {error.json_path}: {error.message[:200]}" for error in wrong]
        if described == "/api/v1/stations/{station}":
            stations.add(body["station"])
        if described.startswith("/api/v1/scripts"):
            scripts.add(body["script"])
    print(f"answers of {len(stations)} stations, {len(faults)} faults")
    print("\n".join(faults))
    # Names and digests that there are, for most of what is made up.
    lists = {"station": sorted(stations), "digest": sorted(scripts)}
    Path("schemathesis.toml").write_text(
        "".join(
            f"[dictionaries.{name}]\nvalues = {json.dumps(values)}\n[parameters.\"path.{name}\"]\n"
            f"dictionary = \"{name}\"\nprobability = 0.9\n"
            for name, values in lists.items()
        )
    )
    # Stateful runs repeat until their time is over; these ends come first.
    run = [Path(sys.executable).with_name("schemathesis"), "run", f"{AT}/openapi.json", "--seed", "20261125", "--no-color"]
    run += ["--phases", "examples,coverage,fuzzing", "--max-examples", "15", "--workers", "2"]
    run += ["--exclude-checks", "positive_data_acceptance", "--request-timeout", "30"]
    made_up = subprocess.run(run, timeout=300, check=False)
    return 1 if faults or made_up.returncode else 0


if __name__ == "__main__":
    sys.exit(main())
