#!/bin/sh
# The check before a merge: exits with 2 if a file has an error. Run it by hand, from a Git hook, or let the forge run it.
# The machine needs stationkeep on its PATH.
set -eu
cd "$(dirname "$0")/.."
stationkeep check
