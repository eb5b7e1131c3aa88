#!/usr/bin/env python3
"""Runs both readings of a fleet by turns, checks that they find the same drift, and prints a table of CPU seconds.

    python3 table.py PROGRAM FOLDER [ROUNDS]

Each figure is the best of the rounds. "whole process" is user and system time, start and end included. The kernel
brings a stage's time up to date every few milliseconds, so the shortest stages get no ratio.
"""

import json
import os
import subprocess
import sys
from pathlib import Path


# The least CPU seconds that a ratio is worth printing for.
LEAST = 0.02


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
        shown = "-" if beside is None else f"{beside:.3f}"
        ratio = "-" if beside is None or min(taken, beside) < LEAST else f"{beside / taken:.1f}"
        print(f"{name:22} {taken:12.3f} {shown:>12} {ratio:>8}")


main()
