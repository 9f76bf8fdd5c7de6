"""The preview's web server: one folder, for this machine only, whatever clients send or fail to send."""

from __future__ import annotations

import errno
import os
import re
import socketserver
import threading
import time
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import BinaryIO
from urllib.parse import quote, unquote, urlsplit

from builder.errors import OutputError
from builder.preview.pages import PREVIEW_CSS, PREVIEW_JS, Preview, with_tail
from builder.site.swap import work_folder

HOST = "127.0.0.1"
FIRST_PORT, PORTS_TRIED = 8000, 20
MOST_CONNECTIONS = 512
SILENT_CLIENT_S = 20
SWAP_GAP_S = 0.5  # for how long a site may be away where folders can't be exchanged in one step
OWN_NAMES = re.compile(r"(?i)^(?:127\.0\.0\.1|localhost|\[::1\])(?::\d{1,5})?$")
RANGE = re.compile(r"^bytes=(\d*)-(\d*)$")  # RFC 9110 section 14.1.2; of several ranges none is honoured
TYPES = {
    **dict.fromkeys(["jpg", "jpeg"], "image/jpeg"),
    **{ending: f"image/{ending}" for ending in ("avif", "webp", "png", "gif")},
    **{ending: f"application/{ending}" for ending in ("json", "xml", "pdf", "zip")},
    **{ending: f"text/{ending}; charset=utf-8" for ending in ("html", "css")},
    "js": "text/javascript; charset=utf-8",
    "txt": "text/plain; charset=utf-8",
    "svg": "image/svg+xml",
    "ico": "image/x-icon",
    "mp4": "video/mp4",
    "wav": "audio/wav",
    "woff2": "font/woff2",
    "webmanifest": "application/manifest+json",
}  # IANA media types; none is guessed from the machine's own tables, which differ


class PreviewServer(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False  # a client that never finishes must not keep Ctrl-C waiting
    request_queue_size = 256
    allow_reuse_address = os.name != "nt"  # on Windows it would let two servers share a port

    def __init__(self, preview: Preview, port: int) -> None:
        self.preview = preview
        self._free = threading.BoundedSemaphore(MOST_CONNECTIONS)
        super().__init__((HOST, port), _Handler)

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.server_address[1]}/"

    def server_bind(self) -> None:
        socketserver.TCPServer.server_bind(self)  # without HTTPServer's look-up of the machine's name
        self.server_name, self.server_port = HOST, self.server_address[1]

    def process_request(self, request, client_address) -> None:  # type: ignore[no-untyped-def]
        if self._free.acquire(blocking=False):
            super().process_request(request, client_address)
        else:
            self.shutdown_request(request)

    def process_request_thread(self, request, client_address) -> None:  # type: ignore[no-untyped-def]
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request, client_address) -> None:  # type: ignore[no-untyped-def]
        """A client that left or sent nonsense is no news; the next one is answered all the same."""


def open_server(preview: Preview, port: int | None) -> PreviewServer:
    """Listen on port, or on the first free one from 8000. Raises OutputError."""
    tried = [port] if port is not None else range(FIRST_PORT, FIRST_PORT + PORTS_TRIED)
    for candidate in tried:
        try:
            return PreviewServer(preview, candidate)
        except (OSError, OverflowError) as error:
            busy = isinstance(error, OSError) and error.errno == errno.EADDRINUSE
            if port is None and busy:
                continue
            what = "is in use by another program" if busy else f"can't be used ({error})"
            raise OutputError.at(
                f"port {candidate}",
                "",
                what,
                "Choose another with --port, or leave it out to get a free one.",
            ) from error
    raise OutputError.at(
        f"ports {FIRST_PORT} to {FIRST_PORT + PORTS_TRIED - 1}",
        "",
        "are all in use",
        "Choose another with --port.",
    )


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "Kickwheel", ""
    timeout = SILENT_CLIENT_S
    server: PreviewServer

    def do_GET(self) -> None:
        if self.headers.get("Content-Length") or self.headers.get("Transfer-Encoding"):
            self.close_connection = True  # a body nobody reads would be taken for the next request
        try:
            target = urlsplit(self.path)
            path = unquote(target.path, errors="strict")
        except ValueError:
            return self._send_text(HTTPStatus.BAD_REQUEST, "This address can't be read.")
        # A page of another name that resolves to this machine must not read the preview (DNS rebinding).
        hosts = [*self.headers.get_all("Host", []), *([target.netloc] if target.netloc else [])]
        if not hosts or not all(OWN_NAMES.match(host.strip()) for host in hosts):
            return self._send_text(HTTPStatus.FORBIDDEN, "This preview answers to 127.0.0.1 and localhost only.")
        if path.startswith("/.kickwheel/"):
            return self._send_own(path)
        self._send_page(path)

    do_HEAD = do_GET

    def _send_own(self, path: str) -> None:
        news = f'kickwheelPreview("{self.server.preview.version}");\n'
        own = {"preview.js": PREVIEW_JS, "preview.css": PREVIEW_CSS, "news.js": news}
        name = path.removeprefix("/.kickwheel/")
        if name not in own:
            return self._send_text(HTTPStatus.NOT_FOUND, "There is nothing here.")
        self._send_bytes(HTTPStatus.OK, own[name].encode(), TYPES[name.rpartition(".")[2]])

    def _send_page(self, path: str) -> None:
        preview = self.server.preview
        file = find_file(preview.out, path)
        if file is None and not (preview.out / "index.html").is_file():
            return self._send_bytes(HTTPStatus.SERVICE_UNAVAILABLE, preview.waiting_page().encode(), TYPES["html"])
        if file is None and not path.endswith("/") and find_file(preview.out, f"{path}/"):
            return self._send_redirect(f"{path}/")
        status = HTTPStatus.OK
        if file is None:
            status, file = HTTPStatus.NOT_FOUND, find_file(preview.out, "/404.html")
        if file is None:
            return self._send_text(status, "There is no such page in this site.")
        kind = TYPES.get(file.suffix[1:].lower(), "application/octet-stream")
        try:
            with open(file, "rb") as content:
                if kind == TYPES["html"]:
                    self._send_bytes(status, with_tail(content.read(), preview.tail()), kind)
                else:
                    self._send_file(status, content, kind)
        except (FileNotFoundError, PermissionError, IsADirectoryError):
            self._send_text(HTTPStatus.NOT_FOUND, "There is no such page in this site.")

    def _send_file(self, status: HTTPStatus, content: BinaryIO, kind: str) -> None:
        size = os.fstat(content.fileno()).st_size
        start, end = 0, size
        headers = {"Accept-Ranges": "bytes"}
        asked = RANGE.match(self.headers.get("Range", ""))
        # If-Range: the preview gives no validators, so none can match (RFC 9110 section 13.1.5)
        if status == HTTPStatus.OK and asked and any(asked.groups()) and "If-Range" not in self.headers:
            start, end = _range(asked[1], asked[2], size)
            if start >= end:
                return self._send_head(
                    HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE, kind, 0, {"Content-Range": f"bytes */{size}"}
                )
            status = HTTPStatus.PARTIAL_CONTENT
            headers["Content-Range"] = f"bytes {start}-{end - 1}/{size}"
        self._send_head(status, kind, end - start, headers)
        if self.command == "GET" and end > start:
            self.connection.sendfile(content, start, end - start)

    def _send_redirect(self, path: str) -> None:
        self._send_head(HTTPStatus.MOVED_PERMANENTLY, TYPES["txt"], 0, {"Location": quote(path)})

    def _send_text(self, status: HTTPStatus, text: str) -> None:
        self._send_bytes(status, f"{text}\n".encode(), TYPES["txt"])

    def _send_bytes(self, status: HTTPStatus, content: bytes, kind: str) -> None:
        self._send_head(status, kind, len(content), {})
        if self.command == "GET":
            self.wfile.write(content)

    def _send_head(self, status: HTTPStatus, kind: str, length: int, more: dict[str, str]) -> None:
        self.send_response(status)
        own = {
            "Content-Type": kind,
            "Content-Length": str(length),
            "Cache-Control": "no-store",
            "X-Content-Type-Options": "nosniff",
        }
        for name, value in {**own, **more}.items():
            self.send_header(name, value)
        self.end_headers()

    def log_message(self, format: str, *arguments: object) -> None:
        """The terminal belongs to the builds' messages."""


def find_file(out: Path, path: str) -> Path | None:
    """The file of the site that answers to a decoded path; never one outside of it or with a hidden name."""
    parts = path.split("/")
    if parts[0] or any(part.startswith(".") and part != ".well-known" or re.search(r"[\\:\0]", part) for part in parts):
        return None
    if "" in parts[1:-1]:
        return None
    until = time.monotonic() + SWAP_GAP_S
    while not out.is_dir() and work_folder(out).is_dir() and time.monotonic() < until:
        time.sleep(0.02)
    file = out.joinpath(*parts[1:-1], parts[-1] or "index.html")
    try:
        real = file.resolve(strict=True)
        inside = real.is_relative_to(out.resolve())
    except (OSError, RuntimeError, ValueError):
        return None
    return real if inside and real.is_file() else None


def _range(first: str, last: str, size: int) -> tuple[int, int]:
    """(start, end) of 'first-last', 'first-' or '-length' in a file of this size; start >= end: none."""
    if not first:
        return max(0, size - int(last)), size
    return int(first), min(size, int(last) + 1) if last else size
