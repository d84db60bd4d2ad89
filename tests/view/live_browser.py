"""A real browser that stays open: its display draws frames and its clock runs, as at a viewer's.

Driven over Chromium's own debugging pipe (JSON between zero bytes on descriptors 3 and 4), so that
nothing but the browser is needed.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any, Self


class LiveBrowser:
    """One window of ``size`` (width, height) in CSS pixels, without a network."""

    def __init__(self, profile: Path, size: tuple[int, int] = (1300, 900)) -> None:
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        assert program, "install a browser: apt-get install -y --no-install-recommends chromium"
        command_read, self._write = os.pipe()
        self._read, answer_write = os.pipe()

        def descriptors() -> None:
            # Copies well above first: the pipes' own numbers may be 3 and 4 in the other order.
            high_read, high_write = os.dup(command_read), os.dup(answer_write)
            while min(high_read, high_write) < 5:
                high_read, high_write = os.dup(high_read), os.dup(high_write)
            os.dup2(high_read, 3)
            os.dup2(high_write, 4)

        self._process = subprocess.Popen(
            [
                program,
                *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
                *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
                *("--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={profile}"),
                *(f"--window-size={size[0]},{size[1]}", "--remote-debugging-pipe", "about:blank"),
            ],
            preexec_fn=descriptors,
            close_fds=False,
            stderr=subprocess.DEVNULL,
        )
        os.close(command_read)
        os.close(answer_write)
        self._held = b""
        self._number = 0
        self._session: str | None = None
        pages = self.call("Target.getTargets")["targetInfos"]
        target = next(page["targetId"] for page in pages if page["type"] == "page")
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self.resize(*size)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait(20)
        os.close(self._write)
        os.close(self._read)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command of the protocol and its result."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                result: dict[str, Any] = answer["result"]
                return result

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._held:
            ready, _, _ = select.select([self._read], [], [], 60)
            assert ready, "the browser does not answer"
            data = os.read(self._read, 1 << 20)
            assert data, "the browser went away"
            self._held += data
        line, self._held = self._held.split(b"\0", 1)
        message: dict[str, Any] = json.loads(line)
        return message

    def resize(self, width: int, height: int) -> None:
        """The window's inner size."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def open(self, file: Path, fragment: str = "") -> None:
        """Go to a page of ours and wait until its script says that it is ready."""
        self.call("Page.navigate", url="about:blank")
        self.call("Page.navigate", url=f"{file.as_uri()}{fragment}")
        self.until("document.documentElement?.dataset.ready === 'yes'")

    def value(self, expression: str) -> Any:
        """What a JavaScript expression gives."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def until(self, expression: str, patience_s: float = 30.0) -> None:
        """Wait until an expression is true."""
        end = time.monotonic() + patience_s
        while not self.value(expression):
            assert time.monotonic() < end, f"never became true: {expression}"
            time.sleep(0.03)

    def click(self, identity: str) -> None:
        """Press the mouse on the middle of an element, as a viewer does: what covers it gets the click."""
        x, y = self.value(
            f"(() => {{ const box = document.getElementById({identity!r}).getBoundingClientRect();"
            " return [box.x + box.width / 2, box.y + box.height / 2]; })()"
        )
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def picture(self, file: Path) -> None:
        """What the window shows now, as PNG."""
        file.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"]))
