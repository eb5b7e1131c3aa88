"""Checks one event on standard input with the CloudEvents project's own Python library (PyPI `cloudevents`).

Exit 0: the library takes it, and what the library leaves to the sender holds too. Exit 1: it is no good event, with the
reasons on standard error. It never looks into `data` beyond its being an object.
"""

import datetime
import json
import re
import sys

from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from cloudevents.core.exceptions import CloudEventValidationError

# CloudEvents 1.0, "Required Attributes"; and what we promise beyond. The library makes up an `id` and a `time` where there
# is none, so their presence is looked for in the text itself.
PRESENT = ["id", "source", "specversion", "type", "time", "datacontenttype", "data"]
CONTENT_TYPE = "application/cloudevents+json; charset=UTF-8"


def reasons(body: bytes) -> list[str]:
    """Everything that is wrong with a body."""
    try:
        attributes = json.loads(body)
        absent = [name for name in PRESENT if name not in attributes]
        if absent:
            return [f"missing: {', '.join(absent)}"]
        event = from_http_event(HTTPMessage(headers={"content-type": CONTENT_TYPE}, body=body))
    except CloudEventValidationError as error:
        return [str(error)]
    except (ValueError, AttributeError, TypeError) as error:
        return [f"not an event: {error}"]
    wrong = []
    if event.get_specversion() != "1.0":
        wrong.append("specversion is not 1.0")
    # RFC 3986: the characters a URI reference is made of.
    if not re.fullmatch(r"[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=%]+", event.get_source()):
        wrong.append("source is no URI reference")
    # Standard Webhooks: the id goes into a header and is separated by full stops when it is signed.
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,64}", event.get_id()):
        wrong.append("the id is not letters, digits, hyphens and underscores")
    if not re.fullmatch(r"stationkeep(\.[a-z0-9_]+)+\.v[0-9]+", event.get_type()):
        wrong.append("the type is not one of ours")
    time = event.get_time()
    if not isinstance(time, datetime.datetime) or time.tzinfo is None:
        wrong.append("time is missing or has no offset")
    if event.get_datacontenttype() != "application/json":
        wrong.append("datacontenttype is not application/json")
    if not isinstance(event.get_data(), dict):
        wrong.append("data is no object")
    if len(body) > 20_000:
        wrong.append(f"the body has {len(body)} bytes")
    # Attribute names: CloudEvents 1.0, "Naming Conventions".
    odd = [name for name in attributes if not re.fullmatch(r"[a-z0-9]{1,20}", name)]
    if odd:
        wrong.append(f"odd attribute names: {odd}")
    return wrong


def main() -> int:
    wrong = reasons(sys.stdin.buffer.read())
    for reason in wrong:
        print(reason, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
