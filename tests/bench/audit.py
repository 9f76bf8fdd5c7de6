"""Prints what must be none: `python -m tests.bench.audit [SITE]`.

Violations by axe-core (WCAG 2.0 to 2.2 A and AA, and its best practices) of all pages in both colour schemes; errors and
warnings of the Nu HTML checker; requests to other origins, cookies and storage entries of all pages; listeners,
timers and observers left after a hundred created and removed viewers. axe-core and the checker come from npm
(tests/run brings them). SITE: a built site; absent: the demo.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "browser")]
from viewer_lives import COUNT_LEFTOVERS, LIVE  # noqa: E402

from tests.bench.built import built_site, slugs_of  # noqa: E402
from tests.browsing import LAUNCH, Gzipped, Server, find_chromium  # noqa: E402

MODULES = Path(__file__).resolve().parents[1] / ".out" / "node_modules"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def pages_of(site: Path) -> list[str]:
    return sorted(page.relative_to(site).as_posix() for page in site.rglob("*.html"))


def print_axe(browser: Browser, address: str, pages: list[str]) -> None:
    file = MODULES / "axe-core" / "axe.min.js"
    if not file.is_file():
        return print("axe-core isn't here: tests/run brings it")
    source = file.read_text("utf-8")
    for scheme in ("light", "dark"):
        found = []
        page = browser.new_context(color_scheme=scheme, bypass_csp=True).new_page()
        for path in pages:
            page.goto(f"{address}/{path}")
            page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
            page.wait_for_timeout(300)
            page.evaluate(source)
            answer = page.evaluate("(tags) => axe.run(document, { runOnly: tags })", TAGS)
            found += [f"{path}: {one['id']}: {one['nodes'][0]['html'][:90]}" for one in answer["violations"]]
        page.context.close()
        print(f"axe-core violations, {len(pages)} pages, {scheme}: {len(found)} (bar: 0)")
        for line in found:
            print(f"  {line}")


def print_checker(site: Path, pages: list[str]) -> None:
    jar = MODULES / "vnu-jar" / "build" / "dist" / "vnu.jar"
    if not jar.is_file() or not shutil.which("java"):
        return print("the Nu HTML checker isn't here: it needs Java, and tests/run brings the rest")
    run = ["java", "-Xss2m", "-jar", jar, "--format", "json", "--stdout", *(site / page for page in pages)]
    messages = json.loads(subprocess.run(run, capture_output=True, text=True, timeout=300).stdout)["messages"]
    said = [one for one in messages if one["type"] != "info" or one.get("subType") == "warning"]
    print(f"HTML checker's errors and warnings, {len(pages)} pages: {len(said)} (bar: 0)")
    for one in said:
        print(f"  {one.get('url', '').rpartition('/site/')[2]}: {one['message']}")


def print_strangers(browser: Browser, address: str, pages: list[str]) -> None:
    asked: set[str] = set()
    context = browser.new_context()
    page = context.new_page()
    page.on("request", lambda request: asked.add(request.url))
    stored = 0
    for path in pages:
        page.goto(f"{address}/{path}")
        page.wait_for_timeout(700)
        stored += page.evaluate("localStorage.length + sessionStorage.length")
    others = [url for url in asked if not url.startswith((address, "data:"))]
    print(
        f"requests to other origins: {len(others)} of {len(asked)}; cookies: {len(context.cookies())};"
        f" storage entries: {stored} (bar: 0)"
    )
    for url in others:
        print(f"  {url}")
    context.close()


def print_leftovers(browser: Browser, address: str, slug: str) -> None:
    page = browser.new_context(bypass_csp=True).new_page()
    page.add_init_script(COUNT_LEFTOVERS)
    page.goto(f"{address}/{slug}/")
    page.wait_for_function("document.querySelector('kick-spin').frames?.ready")
    page.evaluate(LIVE)
    print(f"left after a hundred viewers created and removed: {page.evaluate('left')} (bar: 0)")
    page.context.close()


def main(words: list[str]) -> None:
    with built_site(words) as site, sync_playwright() as playwright:
        server = Server(site, answer=Gzipped)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        browser = playwright.chromium.launch(executable_path=find_chromium(), args=LAUNCH)
        pages = pages_of(site)
        print_checker(site, pages)
        # Old addresses lead on at once: there is no time to look at them.
        staying = [page for page in pages if 'http-equiv="refresh"' not in (site / page).read_text("utf-8")]
        print_axe(browser, server.url, staying)
        print_strangers(browser, server.url, staying)
        print_leftovers(browser, server.url, slugs_of(site)[0])
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
