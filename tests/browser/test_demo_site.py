"""The built demo in a browser: pages, embeds in a page of another origin, from disk, and without script."""

from __future__ import annotations

import io
import json
import re
import shutil
import time
import zipfile

import pytest

from tests.command import kickwheel

SLIDER = "[role=slider]"


@pytest.fixture(scope="module")
def hosted(demo_site, tmp_path_factory, serve_site):
    """The site below a sub-path of a host that sends no special header; returns (server, address)."""
    root = tmp_path_factory.mktemp("host")
    shutil.copytree(demo_site, root / "shop" / "spins")
    server = serve_site(root)
    return server, f"{server.url}/shop/spins/"


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 1100, "height": 900})
    page = context.new_page()
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("console", lambda message: page.faults.append(message.text) if message.type == "error" else None)
    yield page
    context.close()


def shown(scope) -> int:
    return int(scope.locator(SLIDER).first.get_attribute("aria-valuenow"))


def ready(scope) -> None:
    scope.locator(SLIDER).first.wait_for()
    scope.locator(SLIDER).first.scroll_into_view_if_needed()


def wait_turned(page, before: int, within_s: float = 5) -> None:
    """The slider lies in the element's shadow root, where only locators see it."""
    until = time.monotonic() + within_s
    while shown(page) == before:
        assert time.monotonic() < until, "it didn't turn"
        page.wait_for_timeout(50)


def drag(page, by_x: int) -> None:
    box = page.locator(SLIDER).first.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for part in range(1, 11):
        page.mouse.move(x + by_x * part / 10, y)
    page.mouse.up()


def test_drag_turns_and_nothing_leaves_the_site(page, hosted):
    server, address = hosted
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{address}coffee-pot/")
    ready(page)
    before = shown(page)
    drag(page, 220)
    wait_turned(page, before)
    page.wait_for_timeout(500)
    assert asked
    assert all(url.startswith(address) for url in asked)
    assert page.faults == []
    assert page.context.cookies() == []
    assert page.evaluate("localStorage.length + sessionStorage.length") == 0


@pytest.mark.parametrize("slug", ["coffee-pot", "toy-boat"])
def test_the_near_side_follows_the_finger(page, hosted, slug):
    """Pot: counterclockwise, later frames move the near side right; boat: clockwise, they move it left."""
    _, address = hosted
    page.goto(f"{address}{slug}/")
    ready(page)
    spin = page.request.get(f"{address}{slug}/spin.json").json()
    before, count = shown(page), len(spin["frames"])
    box = page.locator(SLIDER).first.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 20, y)
    page.mouse.move(x + 70, y)
    page.wait_for_timeout(150)
    moved = (shown(page) - before + count // 2) % count - count // 2
    page.mouse.up()
    assert moved > 0 if spin["turn"] == "counterclockwise" else moved < 0


def test_touch_turns_and_vertical_swipes_scroll(browser, hosted):
    _, address = hosted
    context = browser.new_context(viewport={"width": 390, "height": 700}, has_touch=True, is_mobile=True)
    page = context.new_page()
    page.goto(f"{address}desk-lamp/")
    ready(page)
    before = shown(page)
    box = page.locator(SLIDER).first.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = context.new_cdp_session(page)

    def swipe(dx: int, dy: int) -> None:
        touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
        for part in range(1, 11):
            point = {"x": x + dx * part / 10, "y": y + dy * part / 10}
            touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [point]})
        touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    swipe(120, 0)
    wait_turned(page, before)
    page.wait_for_timeout(1500)
    top, turned = page.evaluate("scrollY"), shown(page)
    swipe(0, -200)
    page.wait_for_timeout(400)
    assert page.evaluate("scrollY") > top
    assert shown(page) == turned
    context.close()


def test_keyboard_turns(page, hosted):
    _, address = hosted
    page.goto(f"{address}coffee-pot/")
    ready(page)
    slider = page.locator(SLIDER).first
    slider.focus()
    count = int(slider.get_attribute("aria-valuemax")) + 1
    before = shown(page)
    page.keyboard.press("ArrowRight")
    assert (shown(page) - before) % count in (1, count - 1)
    page.keyboard.press("Home")
    assert shown(page) == 0
    page.keyboard.press("End")
    assert shown(page) == count - 1
    assert "of 36" in slider.get_attribute("aria-valuetext")


def test_from_disk(page, demo_site):
    page.goto((demo_site / "coffee-pot" / "index.html").as_uri())
    ready(page)
    before = shown(page)
    drag(page, 200)
    wait_turned(page, before)
    assert page.faults == []


def test_without_script_there_is_a_picture_and_a_film(browser, hosted):
    _, address = hosted
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{address}toy-boat/")
    assert page.locator("kick-spin img").first.bounding_box()["width"] > 100
    assert page.locator("a[href$='preview.mp4']").count() >= 1
    assert page.locator("a[href$='preview.gif']").count() >= 1
    context.close()


def test_embeds_in_a_page_of_another_origin(page, hosted, serve_site, tmp_path):
    """As pasted into a shop's page: the iframe, and the element with its one script."""
    _, address = hosted
    other = tmp_path / "other"
    other.mkdir()
    (other / "index.html").write_text(
        '<!doctype html><title>Shop</title><link rel="icon" href="data:,">'
        f'<iframe id="a" title="Pot" src="{address}coffee-pot/embed/" width="500" height="500"></iframe>'
        f'<kick-spin src="{address}toy-boat/spin.js" style="display:block;width:500px"></kick-spin>'
        f'<script async src="{address}kick-spin.js"></script>'
    )
    page.goto(serve_site(other).url + "/")
    ready(page)
    before = shown(page)
    drag(page, 180)
    wait_turned(page, before)
    frame = page.frame_locator("#a")
    frame.locator(SLIDER).wait_for()
    first = frame.locator(SLIDER).get_attribute("aria-valuenow")
    frame.locator(SLIDER).focus()
    page.keyboard.press("ArrowRight")
    assert frame.locator(SLIDER).get_attribute("aria-valuenow") != first
    assert page.faults == []


def test_snippets_of_the_page_name_files_that_exist(page, hosted, demo_site):
    _, address = hosted
    page.goto(f"{address}coffee-pot/")
    snippets = page.locator("textarea").evaluate_all("areas => areas.map(area => area.value)")
    base = "https://saltmarsh-bench.example/spins/"
    places = [place for text in snippets for place in re.findall(rf"{re.escape(base)}([^\"'\s>]*)", text)]
    assert len(places) >= 3
    for place in places:
        target = demo_site / place
        assert (target / "index.html" if place.endswith("/") else target).is_file(), place


def test_index_filters_without_a_server(page, demo_site):
    page.goto((demo_site / "index.html").as_uri())
    cards = page.locator("main li:visible:has(h2)")
    assert cards.count() == 3
    page.locator("input[type=search]").fill("brass")
    page.wait_for_timeout(300)
    assert cards.count() == 1
    assert "lamp" in cards.first.inner_text().lower()


def test_first_turn_after_at_most_six_requests(page, hosted):
    """Page, style, script(s), poster, strip: then it turns."""
    server, address = hosted
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{address}coffee-pot/", wait_until="domcontentloaded")
    ready(page)
    strip = next(index for index, url in enumerate(asked) if url.endswith(("strip.avif", "strip.webp")))
    # what the page itself asks for; the strip is the last that the first turn needs
    needed = [url for url in asked[: strip + 1] if "/frames/" not in url or url == asked[strip]]
    poster = [url for url in asked if "/frames/" in url][:1]
    scripts = [url for url in asked if url.endswith((".js", ".css"))]
    assert len({*needed, *poster, *scripts}) <= 6, asked


def test_proof_opens_from_the_unpacked_zip(page, demo, tmp_path):
    ran = kickwheel(
        "proof", demo, "--item", "coffee-pot", "--item", "toy-boat", "--out", tmp_path / "p.zip", timeout=600
    )
    assert ran.status == 0, ran.err
    zipfile.ZipFile(io.BytesIO((tmp_path / "p.zip").read_bytes())).extractall(tmp_path / "client")
    page.goto((tmp_path / "client" / "proofs" / "index.html").as_uri())
    ready(page)
    assert page.locator("section.proof").count() == 2
    before = shown(page)
    drag(page, 200)
    wait_turned(page, before)
    page.locator("section.proof input[type=radio]").first.check()
    assert page.faults == []


def test_structured_data_parses(page, hosted):
    """schema.org Product (schema.org/Product, /Offer): JSON-LD that parses, with absolute addresses."""
    _, address = hosted
    page.goto(f"{address}coffee-pot/")
    product = json.loads(page.locator("script[type='application/ld+json']").first.inner_text())
    assert product["@context"] == "https://schema.org"
    assert product["@type"] == "Product"
    assert product["gtin"] == "9520000000011" or product.get("gtin13") == "9520000000011"
    assert product["offers"]["priceCurrency"] == "GBP"
    assert float(product["offers"]["price"]) == 48
    for name in ("og:title", "og:type", "og:image", "og:url"):  # the four required by ogp.me
        assert page.locator(f"meta[property='{name}']").get_attribute("content")
