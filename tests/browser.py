"""A real browser, driven over a pipe: opens a page from disk, types, clicks, and tells what went wrong in it."""

import base64
import json
import os
import select
import shutil
import subprocess
import time
from itertools import count
from pathlib import Path
from types import TracebackType
from typing import Any

__all__ = ["Browser", "found"]

_PATIENCE = 60.0


def found() -> str | None:
    """Give the path of a browser on this machine; None: there is none."""
    named = os.environ.get("QUEUEDRILL_BROWSER", "")
    return named or next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)


class Browser:
    """One headless browser with one page."""

    def __init__(self, program: str, folder: Path) -> None:
        to_read, to_write = os.pipe()
        from_read, from_write = os.pipe()

        def lay() -> None:  # the browser reads from 3 and writes to 4
            first, second = os.dup(to_read), os.dup(from_write)
            os.dup2(first, 3)
            os.dup2(second, 4)

        self._process = subprocess.Popen(
            [
                program,
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--no-first-run",
                "--remote-debugging-pipe",
                f"--user-data-dir={folder}",
                "about:blank",
            ],
            preexec_fn=lay,
            close_fds=False,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(from_write)
        self._to, self._from, self._numbers, self._rest = to_write, from_read, count(1), b""
        self.events: list[dict[str, Any]] = []
        self._session: str | None = None
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def __enter__(self) -> "Browser":
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._to)
        os.close(self._from)

    def send(self, method: str, **params: Any) -> dict[str, Any]:
        """Call a method of the protocol and give its result."""
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._to, data) :]
        until = time.monotonic() + _PATIENCE
        while True:
            answer = self._read(until)
            if answer.get("id") == number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def _read(self, until: float) -> dict[str, Any]:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._from], [], [], max(0.0, until - time.monotonic()))
            data = os.read(self._from, 1 << 20) if ready else b""
            if not data:
                raise RuntimeError("the browser does not answer")
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        return message

    def run(self, script: str) -> Any:
        """Evaluate an expression in the page, wait for it if it is a promise, and give its value."""
        found = self.send("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in found:
            raise RuntimeError(f"{script}: {found['exceptionDetails']}")
        return found["result"].get("value")

    def open(self, path: Path, *, width: int = 1200, height: int = 900, dark: bool = False) -> None:
        """Open a page from disk and wait until it says that it is ready, or, without scripts, until it is there."""
        self.events.clear()
        self.size(width, height)
        self.prefer(dark=dark)
        url = path.resolve().as_uri()
        self.send("Page.navigate", url=url)
        until = time.monotonic() + _PATIENCE
        there = f"location.href.split('#')[0] === {json.dumps(url)} && document.readyState === 'complete'"
        while not self.run(
            f"{there} && (!document.scripts.length || document.documentElement.dataset.ready === 'yes')"
        ):
            if time.monotonic() > until:
                raise RuntimeError(f"{path.name} was not ready in time: {self.complaints()}")
            time.sleep(0.02)
        self.settle()

    def prefer(self, *, dark: bool) -> None:
        """Let the reader prefer dark or light pages."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.send("Emulation.setEmulatedMedia", features=[scheme])

    def size(self, width: int, height: int = 900) -> None:
        """Make the window so large."""
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def settle(self) -> None:
        """Wait until two frames have been drawn."""
        self.run("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def key(self, key: str) -> None:
        """Press a key where the focus is."""
        text = key if len(key) == 1 else "\r" if key == "Enter" else ""
        self.send("Input.dispatchKeyEvent", type="keyDown", key=key, text=text)
        self.send("Input.dispatchKeyEvent", type="keyUp", key=key)
        self.settle()

    def mouse(self, kind: str, x: float, y: float, **more: Any) -> None:
        """Move, press, release or turn the wheel of the mouse."""
        self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)

    def click(self, x: float, y: float) -> None:
        """Click at a place of the window."""
        self.mouse("mousePressed", x, y, button="left", clickCount=1)
        self.mouse("mouseReleased", x, y, button="left", clickCount=1)
        self.settle()

    def picture(self, path: Path, *, whole: bool = False) -> bytes:
        """Take a picture of the window, or of the whole page."""
        data = base64.b64decode(self.send("Page.captureScreenshot", captureBeyondViewport=whole)["data"])
        path.write_bytes(data)
        return data

    def pdf(self) -> bytes:
        """Print the page."""
        return base64.b64decode(self.send("Page.printToPDF", printBackground=True)["data"])

    def complaints(self) -> list[str]:
        """List what the page complained of, and every request other than for the page itself."""
        found = []
        for event in self.events:
            method, params = event.get("method"), event.get("params", {})
            if method == "Runtime.exceptionThrown" or (
                method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning")
            ):
                found.append(json.dumps(params)[:400])
            elif method == "Log.entryAdded":
                found.append(params["entry"]["text"])
            elif method == "Network.requestWillBeSent" and params.get("type") != "Document":
                found.append(f"it asked for {params['request']['url'][:200]}")
        return found
