"""A portal's endpoint for a try: it verifies each notification and prints it.

    python3 portal_endpoint.py 8099
"""

import base64
import http.server
import sys

from verify_notification import verify

# That of subscription.json. A real one is random and kept secret.
KEY = base64.b64decode("YW4taW52ZW50ZWQta2V5LWZvci1hLXRyeS1vbmx5LS0=")


class Endpoint(http.server.BaseHTTPRequestHandler):
    """Takes POST /hook."""

    def do_POST(self):
        """Answers 204 to what is Tidemark's, and 401 to anything else."""
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        url = f"http://127.0.0.1:{self.server.server_port}{self.path}"
        try:
            verify(KEY, "POST", url, {name.lower(): value for name, value in self.headers.items()}, body)
        except (ValueError, KeyError) as fault:
            print("refused:", fault, flush=True)
            self.send_response(401)
        else:
            print(body.decode(), flush=True)
            self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        """Prints nothing else."""


if __name__ == "__main__":
    http.server.HTTPServer(("127.0.0.1", int(sys.argv[1])), Endpoint).serve_forever()
