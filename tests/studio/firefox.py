"""Debian's Firefox, driven by its own protocol, Marionette: JSON over a plain socket.

Source: "Marionette protocol", Firefox Source Docs (firefox-source-docs.mozilla.org); the commands
are those of the W3C's WebDriver.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import time
from pathlib import Path
from typing import Any

PREFERENCES = {
    "marionette.port": 0,  # any free one; it is then in the profile
    "browser.download.folderList": 2,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "app.update.disabledForTesting": True,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    # The page's own process speaks to the sound server. Through another one, one start in some
    # 15 on a busy machine never ended: its thread AudioIPC Server RPC waited for the lock of
    # libpulse's thread, and that for AudioIPC (stacks by gdb, Firefox ESR of Debian 12).
    "media.cubeb.sandbox": False,
    "security.sandbox.content.level": 0,
}
LONGEST_S = 300.0
"""Until the browser has started, or has done a command, on a busy machine."""

ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
"""The key of an element's reference (W3C WebDriver, section 12, Elements)."""


class Firefox:
    """A browser with a fresh profile, which saves files to `folder / "saved"`."""

    def __init__(self, program: str, folder: Path, environment: dict[str, str]) -> None:
        self.saved = folder / "saved"
        self.saved.mkdir()
        profile = folder / "profile"
        profile.mkdir()
        wanted = {**PREFERENCES, "browser.download.dir": str(self.saved)}
        lines = [f"user_pref({json.dumps(k)}, {json.dumps(v)});\n" for k, v in wanted.items()]
        (profile / "user.js").write_text("".join(lines))
        self._process = subprocess.Popen(
            [program, "-headless", "-marionette", "-no-remote", "-profile", str(profile)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, **environment},
        )  # fmt: skip
        self._count = 0
        try:
            self._line = self._connected(profile / "MarionetteActivePort")
            self._read()  # its greeting
            self.do("WebDriver:NewSession", capabilities={})
        except BaseException:
            self._process.kill()
            raise

    def _connected(self, port: Path) -> socket.socket:
        end = time.monotonic() + LONGEST_S
        while not (port.is_file() and port.read_text().strip()):
            if time.monotonic() > end or self._process.poll() is not None:
                raise AssertionError("Firefox does not start")
            time.sleep(0.1)
        return socket.create_connection(("127.0.0.1", int(port.read_text())), timeout=LONGEST_S)

    def _read(self) -> Any:
        size = b""
        while not size.endswith(b":"):
            size += self._some(1)
        body = b""
        while len(body) < int(size[:-1]):
            body += self._some(int(size[:-1]) - len(body))
        return json.loads(body)

    def _some(self, most: int) -> bytes:
        got = self._line.recv(most)
        assert got, "Firefox has ended"
        return got

    def do(self, command: str, **arguments: Any) -> Any:
        """Do a command, and give its value."""
        self._count += 1
        body = json.dumps([0, self._count, command, arguments]).encode()
        self._line.sendall(b"%d:%s" % (len(body), body))
        _, number, wrong, result = self._read()
        assert number == self._count
        assert wrong is None, wrong
        return result.get("value", result) if isinstance(result, dict) else result

    def open(self, address: str) -> None:
        self.do("WebDriver:Navigate", url=address)

    def js(self, text: str) -> Any:
        return self.do("WebDriver:ExecuteScript", script=f"return {text}", args=[], sandbox=None)

    def until(self, what: str, seconds: float = LONGEST_S) -> None:
        """Wait until something is so."""
        end = time.monotonic() + seconds
        while not self.js(what):
            assert time.monotonic() < end, f"not within {seconds} s: {what}"
            time.sleep(0.05)

    def _find(self, selector: str) -> str:
        found = self.do("WebDriver:FindElement", using="css selector", value=selector)
        return str(found[ELEMENT])

    def click(self, selector: str) -> None:
        self.do("WebDriver:ElementClick", id=self._find(selector))

    def write(self, selector: str, text: str) -> None:
        """Replace what stands in a text field."""
        one = self._find(selector)
        self.do("WebDriver:ElementClear", id=one)
        self.do("WebDriver:ElementSendKeys", id=one, text=text)

    def close(self) -> None:
        self._line.close()
        self._process.terminate()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
