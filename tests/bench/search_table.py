#!/usr/bin/env python3
"""Prints what the search for the best script takes, and sets Fast Downward (A* with LM-cut) beside it.

    python3 search_table.py PROGRAM FOLDER [ORDINARY] [HARD]

The planner gets a few of the problems, written as PDDL into FOLDER, and ten seconds for each; it must find the costs that
the search found. Its time is that of its own search, without reading and translating.
"""

import json
import statistics
import subprocess
import sys
from pathlib import Path

# Problems of each sort for the planner, and the seconds it has for one.
SAMPLE = 20
LIMIT = 10


def run(words):
    done = subprocess.run(words, check=True, stdout=subprocess.PIPE)
    return json.loads(done.stdout)


def main():
    program, folder = sys.argv[1], sys.argv[2]
    ordinary = sys.argv[3] if len(sys.argv) > 3 else "10000"
    hard = sys.argv[4] if len(sys.argv) > 4 else "1000"
    measured = run([program, "measure", ordinary, hard])
    print(f"{'':14} {'problems':>8} {'a second':>9} {'median ms':>10} {'99th ms':>9} {'proven':>8} {'no script':>10} {'no answer':>10}")
    for group in measured["groups"]:
        settled = group["proven"] + group["none"]
        print(f"{group['name']:14} {group['problems']:8} {group['a_second']:9.0f} {group['median_us'] / 1e3:10.3f} "
              f"{group['p99_us'] / 1e3:9.2f} {settled / max(group['problems'], 1):8.1%} {group['none']:10} {group['nothing']:10}")
    print("proven: the best script, or that there is none; no answer: the budget ran out before any script was found")
    print(f"peak memory {measured['peak_kib'] / 1024:.0f} MiB")

    ours = run([program, "write", folder, str(SAMPLE)])
    compare = Path(__file__).parent.parent / "planner/compare.py"
    said = subprocess.run([sys.executable, compare, folder, str(LIMIT)], stdout=subprocess.PIPE, text=True)
    if said.returncode != 0:
        sys.exit(f"the planner does not agree:\n{said.stdout}")
    theirs = json.loads((Path(folder) / "taken.json").read_text())
    print(f"\n{'beside Fast Downward':22} {'sample':>7} {'it solves':>10} {'its median ms':>14} {'ours ms':>9} {'ratio':>9}")
    for sort, name in [("ordinary", "ordinary"), ("hard", "hard, no lifelines")]:
        names = [name for name in theirs if name.startswith(sort)]
        solved = [name for name in names if theirs[name] is not None]
        if not solved:
            print(f"{name:22} {len(names):7} {0:10}")
            continue
        its = statistics.median(theirs[name] * 1e3 for name in solved)
        own = statistics.median(ours[name] / 1e3 for name in solved)
        print(f"{name:22} {len(names):7} {len(solved):10} {its:14.2f} {own:9.3f} {its / own:9.0f}")


main()
