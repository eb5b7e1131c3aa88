#!/usr/bin/env python3
"""Runs both readings of a fleet by turns, checks that they find the same drift, and prints a table of CPU seconds.

    python3 table.py PROGRAM FOLDER [ROUNDS]

Each figure is the best of the rounds. "whole" is user and system time of the whole process, start and end included.
"""

import json
import os
import subprocess
import sys
from pathlib import Path


def run(words):
    """The answer of a process, and its CPU seconds."""
    before = os.times()
    done = subprocess.run(words, check=True, stdout=subprocess.PIPE)
    after = os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return json.loads(done.stdout), used


def best(answers):
    stages = {}
    for answer, _ in answers:
        for name, taken in answer["stages"]:
            stages[name] = min(taken, stages.get(name, taken))
    return stages, min(used for _, used in answers)


def main():
    program, folder = sys.argv[1], sys.argv[2]
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    reading = [sys.executable, str(Path(__file__).with_name("reading.py")), folder]
    ours, theirs = [], []
    for _ in range(rounds):
        ours.append(run([program, "measure", folder]))
        theirs.append(run(reading))
    found, other = ours[0][0], theirs[0][0]
    if sorted(found["drifts"]) != sorted(other["drifts"]) or found["stations"] != other["stations"]:
        sys.exit("the two readings do not find the same drift")
    if not found["drifts"]:
        sys.exit("nothing drifts: there was nothing to measure")

    stations = len({station for station, _ in found["drifts"]})
    print(f"{found['stations']} stations, {found['reports']} reports; both find {len(found['drifts'])} settings of {stations} stations adrift")
    print(f"{found['scripts']} scripts, {found['proven']} proved best, {found['script_bytes']} bytes of JSON")
    print(f"CPU seconds, best of {rounds}; Python {sys.version.split()[0]}, PyYAML with {other['yaml']}")
    print(f"{'':22} {'stationkeep':>12} {'Python':>12} {'ratio':>8}")
    (mine, mine_whole), (yours, yours_whole) = best(ours), best(theirs)
    rows = [(name, taken, yours.get(name)) for name, taken in mine.items()]
    sums = [("sum of stages", sum(mine.values()), sum(yours.values())), ("whole process", mine_whole, yours_whole)]
    for name, taken, beside in rows + sums:
        if beside is None:
            print(f"{name:22} {taken:12.3f} {'-':>12} {'-':>8}")
        else:
            print(f"{name:22} {taken:12.3f} {beside:12.3f} {beside / max(taken, 1e-6):8.1f}")


main()
