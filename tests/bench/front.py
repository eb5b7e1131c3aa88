#!/usr/bin/env python3
"""What `check` takes: CPU seconds beside a bare parse of the same bytes in the same run, and peak memory a station.

    python3 front.py FLEET-PROGRAM STATIONKEEP FOLDER SMALL-FOLDER

SMALL-FOLDER holds a fleet of one station: what the program needs by itself.
"""

import json
import os
import subprocess
import sys

fleet, program, folder, small = sys.argv[1:]


def checked(folder):
    """CPU seconds and peak KiB of a whole `check`."""
    words = [program, "--config", f"{folder}/stationkeep.yaml", "check"]
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if status != 0:
        sys.exit(f"`check` of {folder} ended with {status}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss


found = json.loads(subprocess.run([fleet, "front", folder], check=True, stdout=subprocess.PIPE).stdout)
whole = [checked(folder) for _ in range(3)]
alone = [checked(small) for _ in range(3)]
peak = min(peak for _, peak in whole)
print(f"check of {found['stations']} stations in {found['files']} files, {found['bytes']} bytes, {found['events']} events")
print(f"  bare event parse    {found['bare_s']:.3f} s CPU")
print(f"  check               {found['check_s']:.3f} s CPU, {found['check_s'] / found['bare_s']:.2f} times the bare parse")
print(f"  whole process       {min(s for s, _ in whole):.3f} s CPU, of a fleet of one station {min(s for s, _ in alone):.3f} s")
print(f"  peak memory         {peak} KiB, {(peak - min(peak for _, peak in alone)) / found['stations']:.2f} KiB a station")
