"""How a portal verifies that a notification is Tidemark's: HTTP Message
Signatures (RFC 9421) with hmac-sha256, and Content-Digest (RFC 9530). It needs
Python 3 and nothing else.

    from verify_notification import verify
    verify(key, method, url, headers, body)   # raises ValueError if it is not

key     the bytes that the subscription's signing key was made of
url     the endpoint, exactly as the subscription has it
headers content-type, content-digest, signature-input, signature, as they came
body    the bytes, as they came

From the command line: KEY(base64) METHOD URL and the four headers, then a FILE
with the body.
"""

import base64
import hashlib
import hmac
import re
import sys
import time

COVERED = '("@method" "@target-uri" "content-type" "content-digest")'
TOLERANCE = 300  # seconds: older is a repetition by somebody else


def verify(key, method, url, headers, body, now=None):
    """Raises ValueError unless the request was signed with the key just now."""
    digest = "sha-256=:" + base64.b64encode(hashlib.sha256(body).digest()).decode() + ":"
    if not hmac.compare_digest(headers["content-digest"], digest):
        raise ValueError("the body is not what was signed")
    found = re.fullmatch(r"tidemark=(.*)", headers["signature-input"])
    if not found or not found[1].startswith(COVERED + ";"):
        raise ValueError("the signature does not cover what it must")
    params = found[1]
    created = re.search(r";created=(\d+)", params)
    if not created or abs((now or time.time()) - int(created[1])) > TOLERANCE:
        raise ValueError("the signature is not of now")
    base = "\n".join(
        [
            f'"@method": {method}',
            f'"@target-uri": {url}',
            f'"content-type": {headers["content-type"]}',
            f'"content-digest": {headers["content-digest"]}',
            f'"@signature-params": {params}',
        ]
    )
    made = "tidemark=:" + base64.b64encode(hmac.new(key, base.encode(), hashlib.sha256).digest()).decode() + ":"
    if not hmac.compare_digest(headers["signature"], made):
        raise ValueError("the signature is not of this key")


if __name__ == "__main__":
    secret, verb, endpoint, kind, content, given, signature, path = sys.argv[1:]
    with open(path, "rb") as file:
        data = file.read()
    named = {"content-type": kind, "content-digest": content, "signature-input": given, "signature": signature}
    try:
        verify(base64.b64decode(secret), verb, endpoint, named, data)
    except ValueError as fault:
        sys.exit(f"refused: {fault}")
    print("it is Tidemark's")
