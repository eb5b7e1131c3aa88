#!/usr/bin/env python3
"""A webhook receiver that checks each signature with the specification's own library (PyPI: standardwebhooks).

    python3 receiver.py --secret whsec_… [--port 0] [--out FILE] [--fail-first N] [--authority FILE [--name NAME] [--stale]]

With --authority it speaks HTTPS (OpenSSL), with a certificate for that name (127.0.0.1) by an authority made for this
run (PyPI: trustme), whose own certificate it writes into the file; --stale: the certificate ended a day ago.

Prints "listening on http://127.0.0.1:PORT/" (or https) first, then one JSON line a request (to --out, or to standard output):
{"path", "id", "timestamp", "content_type", "verified", "why", "answered", "body"}. `body` is the parsed JSON, or the
text where it is none. Answers 204 when the signature holds, 401 when not, and 503 to the first N that hold.
It listens on the loopback address only, and never prints the secret.
"""

import argparse
import datetime
import json
import ssl
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import trustme
from standardwebhooks import Webhook, WebhookVerificationError

MOST_BYTES = 1_000_000


class Receiver(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    timeout = 30
    webhook: Webhook
    out = sys.stdout
    failures_left = 0
    lock = threading.Lock()

    def do_POST(self):
        length = int(self.headers.get("content-length") or 0)
        if not 0 <= length <= MOST_BYTES:
            self.answer(413)
            self.close_connection = True
            return
        raw = self.rfile.read(length).decode("utf-8", "replace")
        why = ""
        try:
            self.webhook.verify(raw, dict(self.headers), json_parse=False)
        except (WebhookVerificationError, ValueError) as error:
            why = str(error) or type(error).__name__
        with self.lock:
            status = self.status(why)
            self.write_line(raw, why, status)
        self.answer(status)

    def status(self, why):
        if why:
            return 401
        if Receiver.failures_left > 0:
            Receiver.failures_left -= 1
            return 503
        return 204

    def write_line(self, raw, why, status):
        try:
            body = json.loads(raw)
        except ValueError:
            body = raw
        line = {
            "path": self.path,
            "id": self.headers.get("webhook-id"),
            "timestamp": self.headers.get("webhook-timestamp"),
            "content_type": self.headers.get("content-type"),
            "verified": not why,
            "why": why,
            "answered": status,
            "body": body,
        }
        self.out.write(json.dumps(line, ensure_ascii=False) + "\n")
        self.out.flush()

    def answer(self, status):
        self.send_response(status)
        self.send_header("content-length", "0")
        self.end_headers()

    def log_message(self, *_):
        """The JSON lines say it all."""


def guarded(server, authority_file, name, is_stale):
    """Lets the server's connections speak TLS; the handshake waits for the connection's own thread."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(authority_file)
    ends = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(days=-1 if is_stale else 1)
    certificate = authority.issue_cert(name, not_before=ends - datetime.timedelta(days=30), not_after=ends)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    certificate.configure_cert(context)
    server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)


class Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request, client_address):
        """A client that does not trust the certificate hangs up: nothing to tell."""
        if not isinstance(sys.exc_info()[1], (ssl.SSLError, ConnectionError)):
            super().handle_error(request, client_address)


def main():
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--secret", required=True)
    options.add_argument("--port", type=int, default=0)
    options.add_argument("--out")
    options.add_argument("--fail-first", type=int, default=0)
    options.add_argument("--authority")
    options.add_argument("--name", default="127.0.0.1")
    options.add_argument("--stale", action="store_true")
    given = options.parse_args()
    Receiver.webhook = Webhook(given.secret)
    Receiver.failures_left = given.fail_first
    if given.out:
        Receiver.out = open(given.out, "a", encoding="utf-8")
    server = Server(("127.0.0.1", given.port), Receiver)
    if given.authority:
        guarded(server, given.authority, given.name, given.stale)
    scheme = "https" if given.authority else "http"
    print(f"listening on {scheme}://127.0.0.1:{server.server_address[1]}/", flush=True)
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        pass


if __name__ == "__main__":
    main()
