"""The preview: what a browser gets, who is turned away, and what saving a file sets off."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import sys
import textwrap
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from builder.errors import OutputError
from builder.preview.pages import Preview, with_tail
from builder.preview.server import find_file, open_server
from builder.preview.watching import Watcher
from builder.site.whole import SiteFile, write_site

FILM = bytes(range(250)) * 40  # 10 000 bytes, as in the examples of RFC 9110 section 14.1.2
PAGE = (
    b'<!doctype html><html lang="en"><head><meta http-equiv="Content-Security-Policy" '
    b"content=\"default-src 'none'; img-src 'self'; script-src 'self'; style-src 'self'; "
    b"form-action 'none'; base-uri 'none'\">"
    b"<title>Boat</title></head><body><h1>%s</h1></body></html>"
)
SITE = {
    "index.html": PAGE % b"first",
    "toy-boat/index.html": PAGE % b"boat",
    "toy-boat/preview.mp4": FILM,
    "toy-boat/spin.json": b"{}",
    "assets/0.avif": b"a",
    "assets/0.webp": b"w",
    "404.html": PAGE % b"nothing here",
}


@pytest.fixture
def running(tmp_path):
    write_site(tmp_path / "site", [SiteFile(path, content) for path, content in SITE.items()])
    with answering(Preview(tmp_path / "site")) as server:
        yield server


@contextmanager
def answering(preview: Preview):
    server = open_server(preview, 0)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def get(server, path: str, method: str = "GET", **headers: str) -> tuple[http.client.HTTPResponse, bytes]:
    connection = http.client.HTTPConnection(*server.server_address, timeout=10)
    connection.request(method, path, headers={name.replace("_", "-"): value for name, value in headers.items()})
    response = connection.getresponse()
    body = response.read()
    connection.close()
    return response, body


def talk(server, sent: bytes) -> bytes:
    with socket.create_connection(server.server_address, timeout=5) as line:
        line.sendall(sent)
        line.shutdown(socket.SHUT_WR)
        heard = b""
        while more := line.recv(65536):
            heard += more
    return heard


class TestFiles:
    @pytest.mark.parametrize(
        ("path", "kind"),
        [
            ("/", "text/html; charset=utf-8"),
            ("/toy-boat/", "text/html; charset=utf-8"),
            ("/toy-boat/preview.mp4", "video/mp4"),
            ("/toy-boat/spin.json", "application/json"),
            ("/assets/0.avif", "image/avif"),
            ("/assets/0.webp", "image/webp"),
        ],
    )  # IANA media types registry
    def test_types_and_no_caching(self, running, path, kind):
        response, _ = get(running, path)
        assert (response.status, response.headers["Content-Type"]) == (200, kind)
        assert response.headers["Cache-Control"] == "no-store"

    def test_media_come_unchanged_and_pages_with_a_reload_script(self, running):
        assert get(running, "/toy-boat/preview.mp4?x=1")[1] == FILM
        page = get(running, "/index.html")[1]
        assert b'<script src="/.kickwheel/preview.js" data-version="' in page
        assert page.endswith(b"</script></body></html>") and page.startswith((PAGE % b"first")[:-14])
        for name in ("preview.js", "preview.css", "news.js"):
            assert get(running, f"/.kickwheel/{name}")[0].status == 200
        assert (running.preview.out / "index.html").read_bytes() == PAGE % b"first", "only the served copy is changed"

    def test_head(self, running):
        response, body = get(running, "/toy-boat/preview.mp4", "HEAD")
        assert (response.status, response.headers["Content-Length"], body) == (200, "10000", b"")

    def test_a_folder_without_its_slash(self, running):
        response, _ = get(running, "/toy-boat")
        assert (response.status, response.headers["Location"]) == (301, "/toy-boat/")

    def test_the_sites_own_404_page(self, running):
        response, body = get(running, "/nope/")
        assert response.status == 404 and b"nothing here" in body

    @pytest.mark.parametrize(
        ("asked", "first", "last"),
        [
            ("bytes=0-499", 0, 499),
            ("bytes=500-999", 500, 999),
            ("bytes=-500", 9500, 9999),
            ("bytes=9500-", 9500, 9999),
            ("bytes=0-0", 0, 0),
            ("bytes=-1", 9999, 9999),
            ("bytes=9990-20000", 9990, 9999),
            ("bytes=-20000", 0, 9999),
        ],
    )  # RFC 9110 section 14.1.2, whose examples assume 10 000 bytes
    def test_ranges(self, running, asked, first, last):
        response, body = get(running, "/toy-boat/preview.mp4", Range=asked)
        assert response.status == 206
        assert response.headers["Content-Range"] == f"bytes {first}-{last}/10000"
        assert body == FILM[first : last + 1]

    def test_a_range_beyond_the_end(self, running):
        response, body = get(running, "/toy-boat/preview.mp4", Range="bytes=10000-")
        assert (response.status, response.headers["Content-Range"], body) == (416, "bytes */10000", b"")

    @pytest.mark.parametrize("asked", ["bytes=0-1,5-6", "lines=0-1", "bytes=", "bytes=-", "bytes=a-b", "bytes=9-1x"])
    def test_ranges_that_may_be_ignored_are(self, running, asked):
        assert get(running, "/toy-boat/preview.mp4", Range=asked)[1] == FILM
        assert get(running, "/toy-boat/preview.mp4", Range="bytes=0-1", If_Range='"x"')[0].status == 200

    def test_the_tail_goes_before_the_end_of_the_body(self):
        assert with_tail(b"<BODY>a</BODY></html>", "T") == b"<BODY>aT</BODY></html>"
        assert with_tail(b"plain", "T") == b"plainT"


class TestTurnedAway:
    def test_only_the_loopback_address_listens(self, running):
        assert running.server_address[0] == "127.0.0.1"

    @pytest.mark.parametrize(
        "host",
        [
            "shop.example",
            "127.0.0.1.shop.example",
            "localhost.shop.example:8000",
            "192.168.0.7",
            "0.0.0.0",
            "",
            "localhost, shop.example",
            "localhost:8000@x",
        ],
    )
    def test_foreign_host_names(self, running, host):
        response, body = get(running, "/", Host=host)
        assert response.status == 403 and b"first" not in body

    @pytest.mark.parametrize("host", ["localhost", "LOCALHOST:9000", "127.0.0.1:8000", "[::1]:8000"])
    def test_own_host_names(self, running, host):
        assert get(running, "/", Host=host)[0].status == 200

    def test_two_hosts_or_none_or_a_foreign_address_in_the_request_line(self, running):
        for request in (
            b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: shop.example\r\n\r\n",
            b"GET / HTTP/1.1\r\n\r\n",
            b"GET http://shop.example/ HTTP/1.1\r\nHost: localhost\r\n\r\n",
        ):
            assert talk(running, request).startswith(b"HTTP/1.1 403 ")

    @pytest.mark.parametrize(
        "path",
        [
            "/../secret.txt",
            "/%2e%2e/secret.txt",
            "/toy-boat/..%2f..%2fsecret.txt",
            "/..%5csecret.txt",
            "//etc/passwd",
            "/toy-boat/%00",
            "/.kickwheel-manifest.json",
            "/%2ekickwheel-manifest.json",
            "/link/secret.txt",
            "/link.txt",
            "/c:/secret.txt",
            "/.kickwheel/../index.html",
            "/toy-boat/./spin.json",
            "/toy-boat//spin.json",
            "/\\secret.txt",
        ],
    )
    def test_paths_outside_the_site_and_hidden_names(self, running, path):
        outside = running.preview.out.parent
        (outside / "secret.txt").write_text("secret")
        os.symlink(outside, running.preview.out / "link")
        os.symlink(outside / "secret.txt", running.preview.out / "link.txt")
        heard = talk(running, f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        assert heard.startswith((b"HTTP/1.1 404 ", b"HTTP/1.1 403 ")) and b"secret" not in heard
        assert b'"files"' not in heard

    def test_a_redirect_stays_here(self, tmp_path):
        (tmp_path / "shop.example").mkdir()
        (tmp_path / "shop.example/index.html").touch()
        assert find_file(tmp_path, "//shop.example") is None and find_file(tmp_path, "//shop.example/") is None

    @pytest.mark.parametrize(
        "sent",
        [
            b"",
            b"\r\n\r\n",
            b"GET\r\n\r\n",
            b"\x16\x03\x01\x02\x00\x01\x00",
            b"GET / HTTP/9.9\r\n\r\n",
            b"GET / HTTP/x\r\n\r\n",
            b"BREW /pot HTTP/1.1\r\nHost: localhost\r\n\r\n",
            b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\n\r\n",
            b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 300 + b"\r\n",
            b"GET /%ff%fe HTTP/1.1\r\nHost: localhost\r\n\r\n",
            b"GET http://[ HTTP/1.1\r\nHost: localhost\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost: localhost\r\nRange: bytes=9\r\n\r\n",
            b"GET /" + b"x/" * 2000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
            b"\xff" * 3000,
            b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 40\r\n\r\nGET /toy-boat/ HTTP/1.1\r\n\r\n",
            b"GET /toy-boat/preview.mp4 HTTP/1.1\r\nHost: localhost\r\nRange: bytes=" + b"9" * 5000 + b"-\r\n\r\n",
        ],
    )
    def test_nonsense_is_survived_without_a_word_on_the_terminal(self, running, sent, capfd):
        talk(running, sent)
        assert get(running, "/")[0].status == 200
        time.sleep(0.02)
        assert capfd.readouterr() == ("", "")


def test_two_hundred_slow_clients_keep_nobody_waiting(running):
    lines = [socket.create_connection(running.server_address, timeout=5) for _ in range(200)]
    try:
        for number, line in enumerate(lines):
            line.sendall(
                b"GET / HTTP/1.1\r\nHost: loc"
                if number % 2
                else b"GET /toy-boat/preview.mp4 HTTP/1.1\r\nHost: localhost\r\n\r\n"
            )
        start = time.monotonic()
        assert get(running, "/")[0].status == 200
        assert time.monotonic() - start < 2
    finally:
        for line in lines:
            line.close()


@pytest.mark.parametrize("flood", [b"X-%d: " + b"y" * 900 + b"\r\n", b"y" * 1000, b"Cookie: a=b\r\n" * 80])
def test_floods_of_headers_are_cut_off(running, flood):
    """30 clients that never come to the end of their headers, 4 MB each, unless they are cut off before."""
    lines = [socket.create_connection(running.server_address, timeout=5) for _ in range(30)]
    cut = 0
    try:
        for line in lines:
            line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n")
            try:
                for _ in range(4000):
                    line.sendall(flood)
            except OSError:
                cut += 1
        start = time.monotonic()
        assert get(running, "/")[0].status == 200
        assert time.monotonic() - start < 2
        assert cut == len(lines)
    finally:
        for line in lines:
            line.close()


class TestPort:
    def test_a_busy_port_is_named(self):
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            taken.listen()
            port = taken.getsockname()[1]
            with pytest.raises(OutputError) as caught:
                open_server(Preview(Path("x")), port)
        assert str(caught.value) == (
            f"port {port}: is in use by another program. Choose another with --port, or leave it out to get a free one."
        )
        with pytest.raises(OutputError, match="can't be used"):
            open_server(Preview(Path("x")), 70_000)

    def test_without_a_port_the_next_free_one_is_taken(self):
        one, two = open_server(Preview(Path("x")), None), open_server(Preview(Path("x")), None)
        assert one.url != two.url
        one.server_close()
        two.server_close()


class TestFaults:
    FAULT = 'catalog.toml: line 3, key "titel": unknown <key>. Did you mean "title"?'

    def test_a_broken_catalogue_shows_over_the_last_good_build(self, running):
        before = running.preview.version
        running.preview.show([self.FAULT])
        page = get(running, "/toy-boat/")[1].decode()
        assert "<h1>boat</h1>" in page and "unknown &lt;key&gt;" in page and "last good build" in page
        assert running.preview.version != before
        running.preview.show(changed=False)
        assert "unknown" not in get(running, "/toy-boat/")[1].decode()

    def test_nothing_new_means_no_reload(self, running):
        running.preview.show()
        before = running.preview.version
        running.preview.show(changed=False)
        assert running.preview.version == before

    def test_without_any_good_build_a_page_says_so(self, tmp_path):
        preview = Preview(tmp_path / "site")
        with answering(preview) as server:
            response, body = get(server, "/toy-boat/")
            assert response.status == 503 and b"Building the site" in body and b"preview.js" in body
            preview.show([self.FAULT])
            assert "unknown &lt;key&gt;" in get(server, "/")[1].decode()


class TestWatcher:
    @pytest.fixture
    def watching(self, tmp_path):
        for folder in ("shop/photos", "shop/site", "shop/.kickwheel", "outside"):
            (tmp_path / folder).mkdir(parents=True)
        watcher = Watcher([tmp_path / "shop/site"], print)
        watcher.watch([tmp_path / "shop", tmp_path / "shop/photos", tmp_path / "outside", tmp_path / "missing"])
        yield watcher, tmp_path
        watcher.stop()

    def test_waits_until_saving_has_stopped(self, watching):
        watcher, root = watching
        ended = []

        def save() -> None:
            for number in range(5):
                (root / f"shop/photos/{number}.jpg").write_bytes(b"x" * 1000)
                time.sleep(0.1)
            ended.append(time.monotonic())

        saving = threading.Thread(target=save)
        saving.start()
        watcher.wait()
        assert ended and time.monotonic() - ended[0] < 3
        saving.join()

    def test_what_changes_between_watch_and_wait_is_not_missed(self, watching):
        watcher, root = watching
        (root / "outside/a.jpg").touch()
        time.sleep(0.8)
        watcher.wait()

    def test_output_cache_and_editors_droppings_do_not_count(self, watching):
        watcher, root = watching
        for name in (
            "site/index.html",
            ".kickwheel/x.json",
            "photos/.1.jpg.swp",
            "catalog.toml~",
            "4.jpg.part",
        ):
            (root / "shop" / name).touch()
        time.sleep(0.8)
        assert watcher._changes.empty()


SHOP = textwrap.dedent("""\
    import sys
    from pathlib import Path
    from builder.errors import CatalogError, KickwheelError
    from builder.preview.watching import serve
    from builder.site.whole import SiteFile, write_site

    home, port = Path(sys.argv[1]), int(sys.argv[2])

    def build():
        words = (home / "catalog.toml").read_text()
        if "broken" in words:
            raise CatalogError.at("catalog.toml", "line 1", "this is broken", "Mend it.")
        page = (home / "page.txt").read_bytes() % words.encode()
        return write_site(home / "site", [SiteFile("index.html", page)])

    try:
        serve(home / "catalog.toml", port, build=build, watch_paths=lambda: [], out=home / "site",
              say=lambda line: print(line, flush=True))
    except KickwheelError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
""")


@contextmanager
def shop_served(home: Path, words: str, port: int = 0):
    (home / "catalog.toml").write_text(words)
    (home / "page.txt").write_bytes(PAGE)
    served = subprocess.Popen(
        [sys.executable, "-c", SHOP, home, str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield served
    finally:
        served.kill()
        served.communicate()


def test_ctrl_c_ends_it_with_status_0_even_with_clients_hanging_on(tmp_path):
    with shop_served(tmp_path, "hello") as served:
        first = served.stdout.readline()
        assert first.startswith("Preview at http://127.0.0.1:") and "Ctrl-C" in first
        assert served.stdout.readline().startswith("Built in ")
        port = int(first.split(":")[2].split("/")[0])
        with socket.create_connection(("127.0.0.1", port)) as line:
            line.sendall(b"GET / HT")
            time.sleep(0.3)
            served.send_signal(signal.SIGINT)
            assert served.wait(5) == 0
        assert served.stderr.read() == ""


def test_a_busy_port_ends_it_with_status_2(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with shop_served(tmp_path, "hello", taken.getsockname()[1]) as served:
            assert served.wait(10) == 2
            said = served.stderr.read()
            assert "is in use" in said and "Traceback" not in said


def test_an_open_page_reloads_and_shows_faults_under_its_own_strict_policy(tmp_path, browser):
    from playwright.sync_api import expect

    with shop_served(tmp_path, "first") as served:
        url = served.stdout.readline().split()[2]
        served.stdout.readline()
        page = browser.new_page()
        blocked: list[str] = []
        page.on("console", lambda message: blocked.append(message.text) if message.type == "error" else None)
        page.goto(url)
        expect(page.locator("h1")).to_have_text("first")
        (tmp_path / "catalog.toml").write_text("second")
        expect(page.locator("h1")).to_have_text("second", timeout=10_000)
        (tmp_path / "catalog.toml").write_text("broken")
        expect(page.get_by_role("alert")).to_contain_text("line 1: this is broken. Mend it.", timeout=10_000)
        expect(page.locator("h1")).to_have_text("second")
        assert page.evaluate("getComputedStyle(document.getElementById('kickwheel-faults')).position") == "fixed"
        (tmp_path / "catalog.toml").write_text("third")
        expect(page.locator("h1")).to_have_text("third", timeout=10_000)
        expect(page.get_by_role("alert")).to_have_count(0)
        page.close()
        assert [text for text in blocked if "favicon" not in text and "404" not in text] == []
