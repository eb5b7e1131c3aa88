"""Compares digits of other scripts (`CODE DIGIT` a line, on standard input) with the Unicode Character Database, in the
version that Python's `unicodedata` carries: each must be one there, and none of the basic plane may be missing."""

import sys
import unicodedata

ours = dict(line.split() for line in sys.stdin)
theirs = {
    format(code, "x"): str(unicodedata.digit(chr(code)))
    for code in range(0x80, 0x11000)
    if unicodedata.category(chr(code)) == "Nd"
}
wrong = sorted(code for code in ours if ours[code] != theirs.get(code))
wrong += sorted(code for code in theirs.keys() - ours.keys() if int(code, 16) < 0x10000)
print(f"not the same: {wrong}" if wrong else f"sound: {len(ours)} digits")
sys.exit(1 if wrong else 0)
