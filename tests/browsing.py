"""A browser for the tests in this folder, and small servers on loopback for them to visit."""

from __future__ import annotations

import functools
import gzip
import http.server
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

LAUNCH = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def find_chromium() -> str | None:
    """KICKWHEEL_CHROMIUM, or a Chromium where Linux systems put it."""
    named = os.environ.get("KICKWHEEL_CHROMIUM")
    names = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
    return named or next(filter(None, map(shutil.which, names)), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    """One Chromium for the whole run, driven by Playwright; a test opens its own contexts."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="Playwright isn't installed")
    program = find_chromium()
    if program is None:
        pytest.skip("no Chromium found; install it or name it in KICKWHEEL_CHROMIUM")
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=program, args=LAUNCH)
        yield chromium
        chromium.close()


class Quiet(http.server.SimpleHTTPRequestHandler):
    """Serves a folder, writes down what was asked for, sends no CORS header."""

    extensions_map = {
        **http.server.SimpleHTTPRequestHandler.extensions_map,
        ".avif": "image/avif",
        ".webp": "image/webp",
        ".js": "text/javascript",
    }
    protocol_version = "HTTP/1.1"

    def log_message(self, *_: object) -> None:
        self.server.asked.append(self.path)  # type: ignore[attr-defined]

    def end_headers(self) -> None:
        for name, value in self.server.headers.items():  # type: ignore[attr-defined]
            self.send_header(name, value)
        super().end_headers()


class Gzipped(Quiet):
    """… and sends text gzipped, as hosts do."""

    def do_GET(self) -> None:
        file = Path(self.translate_path(self.path))
        file = file / "index.html" if file.is_dir() else file
        if file.suffix not in (".html", ".js", ".css", ".json", ".svg") or not file.is_file():
            return super().do_GET()
        body = gzip.compress(file.read_bytes(), 9)
        self.send_response(200)
        self.send_header("Content-Type", self.guess_type(str(file)))
        self.send_header("Content-Encoding", "gzip")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)


class Server(http.server.ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, folder: Path, headers: dict[str, str] | None = None, answer: type[Quiet] = Quiet) -> None:
        self.asked: list[str] = []
        self.headers = dict(headers or {})
        super().__init__(("127.0.0.1", 0), functools.partial(answer, directory=str(folder)))
        self.url = f"http://127.0.0.1:{self.server_address[1]}"

    def handle_error(self, *_: object) -> None:
        pass  # a browser that hangs up early is no fault


@pytest.fixture(scope="session")
def serve_site() -> Iterator[Callable[..., Server]]:
    """serve_site(folder, headers=None) -> a running Server with .url and .asked (paths requested so far)."""
    servers: list[Server] = []

    def start(folder: Path, headers: dict[str, str] | None = None) -> Server:
        servers.append(Server(Path(folder), headers))
        threading.Thread(target=servers[-1].serve_forever, args=(0.05,), daemon=True).start()
        return servers[-1]

    yield start
    for server in servers:
        server.shutdown()
        server.server_close()


@pytest.fixture(scope="session")
def site_server(serve_site: Callable[..., Server]) -> Callable[[Path], str]:
    """site_server(folder) -> address of a server for it; it runs until the tests end."""
    return lambda folder: serve_site(folder).url
