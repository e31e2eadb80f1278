"""Checks webhook messages as a receiver should: JSON lines of receivers.py, and the secret. Prints how many are genuine.

The four lines of `is_genuine` are those of the README.
"""

import hmac
import json
import sys
from datetime import datetime, timezone


def is_genuine(secret: bytes, headers, body: bytes) -> bool:
    time = headers["Mosswarden-Time"]
    expected = hmac.new(secret, time.encode() + b"\n" + body, "sha256").hexdigest()
    age_s = (datetime.now(timezone.utc) - datetime.fromisoformat(time)).total_seconds()
    return hmac.compare_digest(expected, headers["Mosswarden-Hmac-Sha256"]) and abs(age_s) < 300


secret = open(sys.argv[2], "rb").readline().strip()
genuine = 0
for line in open(sys.argv[1]):
    message = json.loads(line)
    if message["way"] != "webhook":
        continue
    body = message["body"].encode()
    genuine += is_genuine(secret, message["headers"], body)
    assert not is_genuine(secret, message["headers"], body + b" "), "a changed body is noticed"
    assert not is_genuine(b"other", message["headers"], body), "another key is noticed"
print(genuine)
