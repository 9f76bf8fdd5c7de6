"""WebKit and Firefox, driven by what they bring themselves: WebKitWebDriver (HTTP) and Marionette (TCP).

Both speak the commands of the W3C's WebDriver; no further package is needed.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from glob import glob
from pathlib import Path
from typing import Any

ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # WebDriver's key of an element reference


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Engine:
    """What the two have in common: commands by name, actions of pointer and keys."""

    def command(self, name: str, parameters: dict[str, Any]) -> Any:
        raise NotImplementedError

    def go(self, url: str) -> None:
        self.command("Navigate", {"url": url})

    def run(self, script: str) -> Any:
        return self.command("ExecuteScript", {"script": script, "args": []})

    def wait(self, condition: str, seconds: float = 20) -> None:
        end = time.monotonic() + seconds
        while not self.run(f"return !!({condition})"):
            assert time.monotonic() < end, f"never came true: {condition}"
            time.sleep(0.05)

    def act(self, *actions: dict[str, Any]) -> None:
        self.command("PerformActions", {"actions": list(actions)})

    def drag(self, x: int, y: int, dx: int, kind: str = "mouse", steps: int = 8) -> None:
        """Presses, moves in steps, rests and lets go."""
        move = {"type": "pointerMove", "duration": 20, "origin": "viewport", "y": y}
        self.act(
            {
                "type": "pointer",
                "id": kind,
                "parameters": {"pointerType": kind},
                "actions": [
                    {**move, "x": x, "duration": 0},
                    {"type": "pointerDown", "button": 0},
                    *({**move, "x": x + dx * step // steps} for step in range(1, steps + 1)),
                    {"type": "pause", "duration": 150},
                    {"type": "pointerUp", "button": 0},
                ],
            }
        )

    def press(self, key: str) -> None:
        self.act(
            {
                "type": "key",
                "id": "keys",
                "actions": [{"type": "keyDown", "value": key}, {"type": "keyUp", "value": key}],
            }
        )

    def picture(self) -> bytes:
        return base64.b64decode(self.command("TakeScreenshot", {"full": False}))


class WebKit(Engine):
    PATHS = {
        "Navigate": "url",
        "ExecuteScript": "execute/sync",
        "PerformActions": "actions",
        "TakeScreenshot": "screenshot",
    }

    @staticmethod
    def missing() -> str | None:
        need = {
            "WebKitWebDriver": shutil.which("WebKitWebDriver"),
            "MiniBrowser": _mini_browser(),
            "Xvfb": shutil.which("Xvfb"),
        }
        lacking = [name for name, found in need.items() if not found]
        return f"WebKit can't be started here: no {', '.join(lacking)}" if lacking else None

    def __init__(self) -> None:
        self.screen = subprocess.Popen(
            ["Xvfb", "-displayfd", "1", "-screen", "0", "1280x1024x24"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        display = self.screen.stdout.readline().decode().strip()
        self.port = free_port()
        self.driver = subprocess.Popen(
            ["WebKitWebDriver", f"--port={self.port}"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={
                **os.environ,
                "DISPLAY": f":{display}",
                "WEBKIT_DISABLE_COMPOSITING_MODE": "1",
                "NO_AT_BRIDGE": "1",
                "WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS": "1",
            },
        )
        self.session = ""
        options = {"webkitgtk:browserOptions": {"binary": _mini_browser(), "args": ["--automation"]}}
        made = self.ask("POST", "session", {"capabilities": {"alwaysMatch": options}}, tries=100)
        self.session = f"session/{made['sessionId']}/"

    def ask(self, method: str, path: str, body: dict[str, Any] | None = None, tries: int = 1) -> Any:
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}/{path}",
            method=method,
            data=None if body is None else json.dumps(body).encode(),
        )
        for _ in range(tries):
            try:
                with urllib.request.urlopen(request, timeout=60) as answer:
                    return json.load(answer)["value"]
            except urllib.error.HTTPError as error:
                raise RuntimeError(error.read().decode()) from None
            except OSError:
                time.sleep(0.1)
        raise RuntimeError("WebKitWebDriver doesn't answer")

    def command(self, name: str, parameters: dict[str, Any]) -> Any:
        path = self.session + self.PATHS[name]
        return self.ask("GET", path) if name == "TakeScreenshot" else self.ask("POST", path, parameters)

    def close(self) -> None:
        try:
            self.ask("DELETE", self.session.rstrip("/"))
        except RuntimeError:
            pass
        for process in (self.driver, self.screen):
            _end(process)


class Firefox(Engine):
    @staticmethod
    def missing() -> str | None:
        return None if _firefox() else "Firefox can't be started here: neither firefox-esr nor firefox"

    def __init__(self) -> None:
        self.profile = tempfile.TemporaryDirectory(prefix="kickwheel-firefox-")
        port = free_port()
        settings = {
            "marionette.port": port,
            "app.update.enabled": False,
            "browser.shell.checkDefaultBrowser": False,
            "datareporting.policy.dataSubmissionEnabled": False,
            "app.normandy.enabled": False,
            "network.captive-portal-service.enabled": False,
            "network.connectivity-service.enabled": False,
            "extensions.update.enabled": False,
            "browser.safebrowsing.update.enabled": False,
            "dom.w3c_touch_events.enabled": 1,
        }
        lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in settings.items()]
        (Path(self.profile.name) / "user.js").write_text("\n".join(lines), "utf-8")
        self.browser = subprocess.Popen(
            [
                _firefox(),
                "--headless",
                "--marionette",
                "--remote-allow-system-access",
                "--no-remote",
                "--profile",
                self.profile.name,
                "about:blank",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "MOZ_HEADLESS_WIDTH": "1000", "MOZ_HEADLESS_HEIGHT": "900"},
        )
        self.link = _connect(port, seconds=60)
        self.number = 0
        self.read()  # its greeting
        self.command("NewSession", {"capabilities": {"alwaysMatch": {}}})

    def read(self) -> Any:
        length = b""
        while not length.endswith(b":"):
            length += self.link.recv(1)
        left, parts = int(length[:-1]), []
        while left:
            parts.append(self.link.recv(min(left, 65536)))
            left -= len(parts[-1])
        return json.loads(b"".join(parts))

    def command(self, name: str, parameters: dict[str, Any]) -> Any:
        self.number += 1
        text = json.dumps([0, self.number, f"WebDriver:{name}", parameters])
        self.link.sendall(f"{len(text.encode())}:{text}".encode())
        _, _, error, result = self.read()
        if error:
            raise RuntimeError(error)
        return result.get("value") if isinstance(result, dict) and set(result) == {"value"} else result

    def close(self) -> None:
        self.link.close()
        _end(self.browser)
        self.profile.cleanup()


def _mini_browser() -> str | None:
    return next(iter(sorted(glob("/usr/lib/*/webkit2gtk-4.*/MiniBrowser"))), None)


def _firefox() -> str | None:
    return shutil.which("firefox-esr") or shutil.which("firefox")


def _connect(port: int, seconds: float) -> socket.socket:
    end = time.monotonic() + seconds
    while True:
        try:
            return socket.create_connection(("127.0.0.1", port), timeout=60)
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)


def _end(process: subprocess.Popen) -> None:
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout:
        process.stdout.close()
