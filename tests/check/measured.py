"""Runs a command and prints what it took as JSON: {"code", "seconds", "peak_kib", "out", "err"}; texts up to 16 MiB.

    python3 measured.py FOLDER COMMAND…
"""

import json
import resource
import subprocess
import sys
import tempfile
import time

MOST = 16 << 20
start = time.monotonic()
with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
    done = subprocess.run(sys.argv[2:], cwd=sys.argv[1], stdin=subprocess.DEVNULL, stdout=out, stderr=err, timeout=300)
    seconds = time.monotonic() - start
    texts = {}
    for name, file in (("out", out), ("err", err)):
        texts[name + "_bytes"] = file.tell()
        file.seek(0)
        texts[name] = file.read(MOST).decode("utf-8", "replace")
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
json.dump({"code": done.returncode, "seconds": seconds, "peak_kib": peak, **texts}, sys.stdout)
