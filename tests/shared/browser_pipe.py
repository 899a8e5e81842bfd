"""A headless Chromium that is asked over its own pipe (the Chrome DevTools Protocol), in real time, for as long as a
page needs. What it prints of a page by itself it may print before the page's scripts have ended.
"""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, BinaryIO

_WHOLE = """new Promise((done) => {
  const look = () => document.readyState === "complete" && location.href === URL ? done(true) : setTimeout(look, 20);
  look();
})"""


class Browser:
    """A browser that listens; each message is JSON with a zero byte behind it."""

    def __init__(self, to_browser: BinaryIO, from_browser: BinaryIO) -> None:
        self._to, self._from = to_browser, from_browser
        self._number = 0
        self._rest = b""

    def ask(self, method: str, session: str | None = None, **parameters: Any) -> dict[str, Any]:
        """The result of one method; events that come before it are passed over."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if session is not None:
            message["sessionId"] = session
        self._to.write(json.dumps(message).encode() + b"\0")
        self._to.flush()
        while (answer := self._next()).get("id") != self._number:
            pass
        assert "error" not in answer, answer
        result: dict[str, Any] = answer["result"]
        return result

    def evaluated(self, url: str, script: str) -> Any:
        """What ``script``, an expression or a promise, is on the page at ``url``, once the page is whole."""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self.ask("Page.navigate", session, url=url)  # answers when the page has taken the place of the empty one
        assert self._value(session, _WHOLE.replace("URL", json.dumps(url))) is True
        return self._value(session, script)

    def _value(self, session: str, expression: str) -> Any:
        given = {"expression": expression, "awaitPromise": True, "returnByValue": True}
        result = self.ask("Runtime.evaluate", session, **given)
        assert "exceptionDetails" not in result, result
        return result["result"]["value"]

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            read = os.read(self._from.fileno(), 1 << 16)
            assert read, "the browser has ended"
            self._rest += read
        one, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(one)
        return message


@contextmanager
def browser(command: list[str]) -> Iterator[Browser]:
    """Start a Chromium by ``command`` and end it behind the block."""
    child_reads, we_write = os.pipe()
    we_read, child_writes = os.pipe()
    # The browser takes its messages from descriptor 3 and answers on 4.
    piped = ["bash", "-c", f'exec "$@" 3<&{child_reads} 4>&{child_writes}', "bash", *command, "--remote-debugging-pipe"]
    with os.fdopen(we_write, "wb") as to_browser, os.fdopen(we_read, "rb") as from_browser:
        process = subprocess.Popen(piped, pass_fds=(child_reads, child_writes), stderr=subprocess.DEVNULL)
        os.close(child_reads)
        os.close(child_writes)
        try:
            yield Browser(to_browser, from_browser)
        finally:
            process.terminate()
            process.wait(timeout=30)
