"""Solves a folder of PDDL problems with Fast Downward (A* with LM-cut) and compares the costs with those expected.

Usage: python compare.py FOLDER [SECONDS]   (a Python that has the package up-fast-downward, 1.0.0 or later)

FOLDER holds NAME.domain.pddl, NAME.problem.pddl and expected.txt with a line "NAME COST" or "NAME none" each.
One process for all problems; the planner proper is run once a problem. Prints a line for each problem that differs and a
summary; leaves 0 where all agree, 1 where one does not. With SECONDS, a problem may take the planner that much CPU
time and is left out where it takes more. What each took is in FOLDER/taken.json, in seconds; null where it was left out.
"""

import contextlib
import importlib.util
import io
import json
import pathlib
import re
import resource
import signal
import subprocess
import sys
import tempfile
import time

from fast_downward.translate import main as translate
from fast_downward.translate import options as translate_options

# Found, not imported: importing it asks for a further package that is not needed here.
PACKAGE = importlib.util.find_spec("up_fast_downward").submodule_search_locations[0]
PLANNER = pathlib.Path(PACKAGE) / "downward/builds/release/bin/downward"


def to_sas(domain: pathlib.Path, problem: pathlib.Path, sas: pathlib.Path) -> None:
    """Translates one problem into the planner's own form."""
    # The search for invariants takes most of a minute on a reset, and changes no cost.
    arguments = [str(domain), str(problem), "--sas-file", str(sas), "--invariant-generation-max-candidates", "0"]
    translate_options.set_options(arguments)
    with contextlib.redirect_stdout(io.StringIO()):
        translate.main()


def solve(sas: pathlib.Path, folder: str, limit: int | None) -> tuple[str, float] | None:
    """The optimal cost ("none" where there is no plan), and the planner's own search time in seconds; None past the limit."""
    run = subprocess.run(
        [str(PLANNER), "--search", "astar(lmcut())", "--internal-plan-file", f"{folder}/plan"],
        stdin=sas.open("rb"), capture_output=True, text=True, check=False,
        timeout=120 if limit is None else None,
        preexec_fn=None if limit is None else lambda: resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 1)),
    )
    cost = re.search(r"Plan cost: (\d+)", run.stdout)
    spent = re.search(r"Search time: ([0-9.]+)s", run.stdout)
    if cost:
        return cost.group(1), float(spent.group(1)) if spent else 0.0
    if run.returncode in (10, 11, 12):
        return "none", float(spent.group(1)) if spent else 0.0
    # 23: it noticed that its time was up; else the system ended it.
    if limit is not None and run.returncode in (23, -signal.SIGXCPU, -signal.SIGKILL):
        return None
    raise RuntimeError(f"planner left {run.returncode}: {run.stdout[-500:]} {run.stderr[-500:]}")


def main() -> int:
    folder = pathlib.Path(sys.argv[1])
    began = time.monotonic()
    limit = int(sys.argv[2]) if len(sys.argv) > 2 else None
    differing, searches, reached, taken = 0, [], 0, {}
    with tempfile.TemporaryDirectory() as scratch:
        for line in (folder / "expected.txt").read_text().splitlines():
            name, expected = line.split()
            sas = pathlib.Path(scratch) / "task.sas"
            sas.unlink(missing_ok=True)
            try:
                to_sas(folder / f"{name}.domain.pddl", folder / f"{name}.problem.pddl", sas)
            except SystemExit as left:
                if left.code not in (None, 0):
                    raise RuntimeError(f"translator left {left.code} on {name}") from left
            answer = solve(sas, scratch, limit)
            taken[name] = answer and answer[1]
            if answer is None:
                continue
            found, spent = answer
            searches.append(spent)
            reached += found != "none"
            if found != expected:
                differing += 1
                print(f"{name}: planner {found}, expected {expected}")
    (folder / "taken.json").write_text(json.dumps(taken))
    searches.sort()
    if not searches:
        print("0 problems")
        return 1
    print(f"{len(searches)} problems, {reached} with a plan, {differing} differ; "
          f"{time.monotonic() - began:.1f} s in all, planner's search {sum(searches):.2f} s, "
          f"median {searches[len(searches) // 2] * 1e3:.2f} ms, most {searches[-1] * 1e3:.1f} ms")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
