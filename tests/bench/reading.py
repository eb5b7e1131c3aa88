#!/usr/bin/env python3
"""The bench's other reading of a fleet: PyYAML, json and dicts, as someone would write it in an afternoon.

    python3 reading.py FOLDER

Reads the folder that the bench wrote, lays the layers over each other, keeps the last value that reports tell of each
setting, compares, and prints one JSON object: {"yaml": loader, "stages": [[name, CPU seconds]], "stations", "reports",
"drifts": [[station, setting]]}. It checks nothing, keeps no places for messages, and computes no script.
"""

import json
import sys
import time
from pathlib import Path

import yaml

LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
CALLING = {"GB": "44", "FR": "33", "US": "1"}
NATIONAL = {"GB": "0", "FR": "0", "US": ""}
ABROAD = {"GB": "00", "FR": "00", "US": "011"}


def dialled(number, line):
    if line["kind"] == "ringdown":
        return "000"
    digits, country = number.lstrip("+"), line["country"]
    code = CALLING[country]
    public = NATIONAL[country] + digits[len(code) :] if digits.startswith(code) else ABROAD[country] + digits
    return (line.get("outside", "") if line["kind"] == "pbx" else "") + public


def value(wish, line, contacts):
    if isinstance(wish, dict) and "to" in wish:
        return dialled(contacts[wish["to"]]["calls"], line)
    if isinstance(wish, dict) and "from" in wish:
        return line["kind"]
    return sorted(wish) if isinstance(wish, list) else wish


def main():
    folder = Path(sys.argv[1])
    stages, last = [], time.process_time()

    def end(name):
        nonlocal last
        now = time.process_time()
        stages.append([name, now - last])
        last = now

    models = {}
    for path in sorted(folder.glob("keybooks/*.yaml")):
        book = yaml.load(path.read_bytes(), LOADER)
        models[book["model"]] = book["settings"]
    end("keybooks")

    files = [yaml.load(path.read_bytes(), LOADER) for path in sorted(folder.glob("inventory/**/*.yaml"))]
    end("inventory read")

    fleet, contacts, profiles, sites = {}, {}, {}, {}
    for one in files:
        fleet.update(one.get("settings", {}))
        contacts.update(one.get("contacts", {}))
        profiles.update(one.get("profiles", {}))
        sites.update(one.get("sites", {}))
    wanted = {}
    for site in sites.values():
        for name, station in site["stations"].items():
            own = [profiles[profile] for profile in station["profiles"]]
            known = models[own[-1]["model"]]
            layers = [{k: v for k, v in layer.items() if k in known} for layer in (fleet, site.get("settings", {}))]
            layers += [profile["settings"] for profile in own] + [station["settings"]]
            merged = {}
            for layer in layers:
                merged.update(layer)
            wanted[name] = {k: value(v, site["line"], contacts) for k, v in merged.items() if v is not None}
    end("inventory resolved")

    reports = {}
    with open(folder / "ledger.jsonl", encoding="utf-8") as lines:
        count = 0
        for line in lines:
            report = json.loads(line)
            reports.setdefault(report["station"], []).append(report)
            count += 1
    end("reports read")

    held = {}
    for name, own in reports.items():
        record = held[name] = {}
        for report in sorted(own, key=lambda report: (report["at"], report["id"])):
            record.update(report.get("found", {}))
            record.update(report.get("left", {}))
    end("records folded")

    drifts = []
    for name, settings in wanted.items():
        record = held.get(name, {})
        if settings != record:
            drifts += [[name, key] for key, wish in settings.items() if record.get(key) != wish]
    end("drift")

    answer = {"yaml": LOADER.__name__, "stages": stages, "stations": len(wanted), "reports": count, "drifts": drifts}
    json.dump(answer, sys.stdout)


main()
