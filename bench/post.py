"""A program by itself: hand one message to one address through apprise, and tell by the exit code what came of it.

It stands alone so that whatever the library or a server says, to its log or its streams, stays with it, and so that it
can be ended after its time. Address and message come on standard input as JSON: arguments can be seen by everybody.
"""

from __future__ import annotations

import json
import sys

#: Exit code → reason.
REASONS = {
    10: "the message was not accepted",
    11: "the address is none that apprise knows",
    12: "apprise is not installed: pip install 'nightbench[tell]'",
}


def post(url: str, title: str, body: str) -> int:
    """Send one message; 0, or a key of ``REASONS``."""
    try:
        import apprise
    except ModuleNotFoundError:
        return 12
    sender = apprise.Apprise()
    if not sender.add(url):
        return 11
    return 0 if sender.notify(title=title, body=body) else 10


if __name__ == "__main__":
    given = json.load(sys.stdin)
    sys.exit(post(given["url"], given["title"], given["body"]))
