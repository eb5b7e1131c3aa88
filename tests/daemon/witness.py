#!/usr/bin/env python3
"""Checks deliveries as they come in with the specification's own library (PyPI: standardwebhooks).

    python3 witness.py SECRET

Reads one JSON object a line, {"headers": {...}, "body": "..."}, as each request came in, and checks its signature and the
age of its timestamp. At the end of input it prints how many it took. It ends with 1 at the first that is not right.
"""

import json
import sys

from standardwebhooks import Webhook

webhook = Webhook(sys.argv[1])
count = 0
for line in sys.stdin:
    request = json.loads(line)
    webhook.verify(request["body"], request["headers"], json_parse=False)
    count += 1
print(count)
