"""The viewer in other people's pages: another origin, strict policies, sandboxes; hotspots, languages."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from viewer_site import Shown, page_html, write_site, write_spin

from builder.pages.rendering import Poster, Theme, render_item, site_assets
from builder.pages.viewer import viewer_labels
from tests.page_samples import SHOP, asset_paths, make_item

SLIDER = "[role=slider]"
READY = "document.querySelector('kick-spin').frames?.ready"


def seen_at(phase_deg: float, y: float) -> list[dict | None]:
    angles = [math.radians(15 * index + phase_deg) for index in range(24)]
    return [{"x": 0.5 + 0.21 * math.sin(angle), "y": y} if math.cos(angle) > 0.05 else None for angle in angles]


SPOTS = [
    {
        "id": "chip",
        "label": "Chip in the rim",
        "html": "<p>Sanded <em>smooth</em>.</p><ul><li>1 mm</li></ul>",
        "places": seen_at(0, 0.4),
    },
    {"id": "stamp", "label": "Maker's stamp", "html": "<p>On the back.</p>", "places": seen_at(180, 0.6)},
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("embeds")
    spin = write_spin(folder, hotspots=SPOTS, widths=[480], formats=["webp"])
    write_site(folder, spin)
    embed = page_html(spin, base="../", script="../viewer.js", attributes="embed")
    (folder / "embed").mkdir()
    (folder / "embed" / "index.html").write_text(embed, "utf-8")
    return folder


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 800, "height": 800})
    page = context.new_page()
    page.asked, page.faults = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on(
        "console",
        lambda message: (
            page.faults.append(message.text)
            if message.type == "error" and "favicon" not in str(message.location)
            else None
        ),
    )
    yield page
    context.close()
    assert page.faults == []


def shop(tmp_path: Path, host: str, body: str) -> None:
    (tmp_path / "index.html").write_text(
        f'<!doctype html><html lang="en"><head><title>Shop</title><link rel="icon" href="{host}/poster.jpg">'
        f"</head><body>{body}</body></html>",
        "utf-8",
    )


SNIPPET = (
    '<kick-spin src="{host}/spin.js" width="960" height="720"></kick-spin>'
    '<script async src="{host}/viewer.js"></script>'
)


@pytest.mark.parametrize("trusted_types", [False, True])
def test_element_in_a_page_of_another_origin_under_a_strict_policy(
    page, serve_site, folder: Path, tmp_path: Path, trusted_types: bool
) -> None:
    host = serve_site(folder)  # sends no CORS header
    policy = f"default-src 'none'; script-src {host.url}; img-src {host.url}"
    body = SNIPPET.format(host=host.url)
    if trusted_types:  # then no script may add a script, and the page brings spin.js itself
        policy += "; require-trusted-types-for 'script'; trusted-types 'none'"
        body = f'<script src="{host.url}/spin.js"></script>' + body
    shop_server = serve_site(tmp_path, {"Content-Security-Policy": policy})
    shop(tmp_path, host.url, body)
    page.add_init_script(
        "addEventListener('securitypolicyviolation', event =>"
        " (window.broke ||= []).push(event.violatedDirective + event.blockedURI))"
    )
    page.goto(shop_server.url)
    slider = page.locator(SLIDER)
    slider.wait_for()
    while (
        page.evaluate("document.querySelector('kick-spin').frames.held(0).length") < 24
    ):  # wait_for_function would need eval
        page.wait_for_timeout(50)
    box = slider.bounding_box()
    assert box["height"] == pytest.approx(box["width"] * 0.75, abs=1), "styled, without any allowance for styles"
    slider.focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(200)
    assert Shown(slider.screenshot()).index == 1
    assert not page.evaluate("window.broke")
    assert {url.split("/")[2] for url in page.asked} == {host.url[7:], shop_server.url[7:]}
    page.get_by_role("button", name="Chip in the rim").click()
    note = page.locator(".note")
    assert "Sanded smooth.1 mm" in note.inner_text().replace("\n", "")
    assert note.locator("em").count() == (0 if trusted_types else 1), "plain words where HTML from text is forbidden"
    page.faults[:] = [fault for fault in page.faults if "TrustedHTML" not in fault]


def test_two_elements_share_one_script_and_one_spin(page, serve_site, folder: Path, tmp_path: Path) -> None:
    host = serve_site(folder)
    shop(tmp_path, host.url, SNIPPET.format(host=host.url) * 2)
    page.goto(serve_site(tmp_path).url)
    page.wait_for_function("[...document.querySelectorAll('kick-spin')].every(spin => spin.frames?.ready)")
    assert host.asked.count("/spin.js") == 1
    page.evaluate("document.querySelectorAll('kick-spin')[1].frame = 7")
    assert [slider.get_attribute("aria-valuenow") for slider in page.locator(SLIDER).all()] == ["0", "7"]


def test_spin_script_put_into_the_page_before_the_viewer(page, serve_site, folder: Path, tmp_path: Path) -> None:
    host = serve_site(folder)
    shop(tmp_path, host.url, f'<script src="{host.url}/spin.js"></script>' + SNIPPET.format(host=host.url))
    page.goto(serve_site(tmp_path).url)
    page.wait_for_function(READY)
    assert host.asked.count("/spin.js") == 1


def test_missing_spin_says_so_and_can_be_tried_again(page, serve_site, folder: Path, tmp_path: Path) -> None:
    host = serve_site(folder)
    shop(tmp_path, host.url, SNIPPET.format(host=host.url))
    page.route("**/spin.js", lambda route: route.abort())
    page.goto(serve_site(tmp_path).url)
    page.get_by_role("alert").wait_for()
    page.unroute_all()
    page.get_by_role("button", name="Try again").click()
    page.wait_for_function(READY)
    page.faults.clear()


def test_nothing_is_stored_and_no_one_else_is_asked(page, serve_site, folder: Path) -> None:
    host = serve_site(folder)
    page.goto(host.url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 24")
    assert all(url.startswith(host.url) for url in page.asked)
    assert page.context.cookies() == []
    assert page.evaluate("[localStorage.length, sessionStorage.length]") == [0, 0]
    assert page.evaluate("indexedDB.databases().then(all => all.length)") == 0
    assert page.evaluate("caches.keys().then(all => all.length)") == 0


LISTENER = "<script>window.told = []; addEventListener('message', event => told.push(event.data))</script>"


def test_iframe_tells_its_shape_and_nothing_else(page, serve_site, folder: Path, tmp_path: Path) -> None:
    host = serve_site(folder)
    shop(
        tmp_path,
        host.url,
        f'{LISTENER}<iframe title="Pot" src="{host.url}/embed/index.html" width="480" height="360"></iframe>',
    )
    page.goto(serve_site(tmp_path).url)
    page.wait_for_function("told.length")
    assert page.evaluate("told") == [{"kind": "kick-spin", "slug": "pot", "aspect": 960 / 720}]
    inner = page.frames[1]
    inner.wait_for_function(READY)
    for message in (
        {"kind": "kick-spin", "frame": 5},
        {"kind": "kick-spin", "frame": "7"},
        {"kind": "kick-spin", "frame": 99},
        {"kind": "kick-spin", "frame": -1},
        {"kind": "other", "frame": 3},
        {"frame": 3},
        None,
        "kick-spin",
        5,
        [],
    ):
        page.evaluate("message => frames[0].postMessage(message, '*')", message)
    page.wait_for_function("told.length == 2")
    assert inner.locator(SLIDER).get_attribute("aria-valuenow") == "5"
    inner.evaluate("postMessage({kind: 'kick-spin', frame: 2}, '*')")
    page.wait_for_timeout(100)
    assert inner.locator(SLIDER).get_attribute("aria-valuenow") == "5", "listens to the page around only"


@pytest.mark.parametrize(("width", "height"), [(300, 600), (700, 300)])
def test_the_whole_picture_is_shown_in_a_frame_of_another_shape(browser, site_server, tmp_path, width, height) -> None:
    """The embed page of the site with its own style: a picture of 4:3 in a tall window and in a wide one."""
    spin = write_spin(tmp_path / "pot", widths=[480], formats=["webp"])
    item = make_item("pot", "Pot", spin=spin, poster=Poster("poster.jpg", 960, 720))
    for path, text in render_item(SHOP, item, asset_paths(), Theme()).items():
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_text(text, "utf-8")
    for name, content in site_assets(Theme()).items():
        (tmp_path / asset_paths()[name]).parent.mkdir(exist_ok=True)
        (tmp_path / asset_paths()[name]).write_bytes(content)
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    page.goto(site_server(tmp_path) + "/pot/embed/")
    page.wait_for_function("document.querySelector('kick-spin').frames?.ready")
    drawn = page.evaluate("(({box, picture}) => [box, picture, innerWidth])(document.querySelector('kick-spin'))")
    scale = min(width / 4, height / 3)
    assert drawn[0] == {"width": width, "height": height}
    assert drawn[1]["width"] == pytest.approx(4 * scale) and drawn[1]["height"] == pytest.approx(3 * scale)
    assert drawn[2] == width
    context.close()


def test_an_embed_opened_by_itself_says_nothing_to_itself(page, serve_site, folder: Path) -> None:
    """Its window is its own parent: an answer to its own message would be a message again, for ever."""
    page.add_init_script("window.heard = 0; addEventListener('message', () => heard++)")
    page.goto(serve_site(folder).url + "/embed/")
    page.wait_for_function("document.querySelector('kick-spin').frames?.ready")
    page.evaluate("postMessage({kind: 'kick-spin'}, '*')")
    page.wait_for_timeout(300)
    assert page.evaluate("heard") == 1, "the one just sent"


def test_sandboxed_iframe_turns(page, serve_site, folder: Path, tmp_path: Path) -> None:
    host = serve_site(folder)
    shop(
        tmp_path,
        host.url,
        f'{LISTENER}<iframe title="Pot" sandbox="allow-scripts" src="{host.url}/embed/index.html"'
        ' width="480" height="360"></iframe>',
    )
    page.goto(serve_site(tmp_path).url)
    page.wait_for_function("told.length")
    inner = page.frame_locator("iframe")
    inner.locator(SLIDER).focus()
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(500)
    assert Shown(inner.locator(SLIDER).screenshot()).index == 23
    assert inner.get_by_role("button", name="Full screen").count() == 0, "not where it isn't allowed"


# ---- hotspots


@pytest.fixture
def spotted(page, serve_site, folder: Path):
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    return page


def test_marks_follow_the_object_and_hide_behind_it(spotted) -> None:
    page = spotted
    chip, stamp = (page.get_by_role("button", name=spot["label"]) for spot in SPOTS)
    box = page.locator(SLIDER).bounding_box()
    for index in (0, 3, 21):
        page.evaluate(f"document.querySelector('kick-spin').frame = {index}")
        page.wait_for_timeout(100)
        mark, place = chip.bounding_box(), SPOTS[0]["places"][index]
        assert mark["x"] + mark["width"] / 2 - box["x"] == pytest.approx(place["x"] * box["width"], abs=1)
        assert mark["y"] + mark["height"] / 2 - box["y"] == pytest.approx(place["y"] * box["height"], abs=1)
        assert stamp.count() == 0
    page.evaluate("document.querySelector('kick-spin').frame = 12")
    page.wait_for_timeout(100)
    assert chip.count() == 0 and stamp.count() == 1


def test_note_opens_closes_and_gives_the_focus_back(spotted) -> None:
    page = spotted
    chip = page.get_by_role("button", name="Chip in the rim")
    note = page.get_by_role("group", name="Chip in the rim")
    chip.focus()
    page.keyboard.press("Enter")
    assert note.is_visible() and chip.get_attribute("aria-expanded") == "true"
    assert "Sanded smooth." in note.inner_text() and note.locator("em").count() == 1
    page.keyboard.press("Escape")
    assert not note.is_visible() and chip.get_attribute("aria-expanded") == "false"
    assert chip.evaluate("el => el.matches(':focus')")
    chip.click()
    page.get_by_role("button", name="Close note").click()
    assert not note.is_visible()


def test_focus_goes_to_the_slider_when_its_mark_goes_behind(spotted) -> None:
    page = spotted
    page.get_by_role("button", name="Chip in the rim").focus()
    page.evaluate("document.querySelector('kick-spin').frame = 12")
    page.wait_for_timeout(100)
    assert page.locator(SLIDER).evaluate("el => el.matches(':focus')")


def test_page_can_show_a_hotspot(spotted) -> None:
    page = spotted
    page.evaluate("['stamp', 'none'].forEach(id => document.querySelector('kick-spin').showHotspot(id))")
    assert page.locator(SLIDER).get_attribute("aria-valuenow") == "12"
    assert page.get_by_role("group", name="Maker's stamp").is_visible()


def test_marks_are_reached_by_keyboard(spotted) -> None:
    page = spotted
    reached = []
    page.locator(SLIDER).focus()
    for _ in range(7):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate("document.querySelector('kick-spin').shadowRoot.activeElement?.getAttribute('aria-label')")
        )
    assert reached == ["1 Chip in the rim", "Turn left", "Play", "Turn right", "Zoom in", "Full screen", None]


def test_marks_keep_to_their_points_when_zoomed(spotted) -> None:
    page = spotted
    chip = page.get_by_role("button", name="Chip in the rim")
    page.evaluate("document.querySelector('kick-spin').look({scale: 2, x: 0, y: 0}, true)")
    page.wait_for_timeout(100)
    box, mark = page.locator(SLIDER).bounding_box(), chip.bounding_box()
    want = 0.5 + 2 * (SPOTS[0]["places"][0]["y"] - 0.5)
    assert mark["y"] + mark["height"] / 2 - box["y"] == pytest.approx(want * box["height"], abs=1)


# ---- languages, directions, colours, sizes


@pytest.mark.parametrize("language", ["de", "fr"])
def test_other_languages(page, serve_site, folder: Path, language: str) -> None:
    spin = json.loads((folder / "spin.json").read_text("utf-8"))
    labels = viewer_labels(language)
    (folder / f"{language}.html").write_text(
        page_html({**spin, "labels": labels, "language": language}, lang=language), "utf-8"
    )
    page.goto(f"{serve_site(folder).url}/{language}.html")
    page.wait_for_function(READY)
    for key in ("left", "right", "play", "nearer", "farther", "fill"):
        assert page.get_by_role("button", name=labels[key]).count() == 1
    page.locator(SLIDER).focus()
    page.keyboard.press("ArrowRight")
    said = labels["position"].replace("{n}", "2").replace("{count}", "24").replace("{deg}", "15")
    assert page.locator(SLIDER).get_attribute("aria-valuetext") == said
    assert page.locator(".stage").get_attribute("lang") == language


def test_right_to_left_page(page, serve_site, folder: Path) -> None:
    spin = json.loads((folder / "spin.json").read_text("utf-8"))
    (folder / "rtl.html").write_text(page_html(spin, dir="rtl", lang="ar"), "utf-8")
    page.goto(f"{serve_site(folder).url}/rtl.html")
    page.wait_for_function(READY)
    left, right = (page.get_by_role("button", name=f"Turn {side}").bounding_box()["x"] for side in ("left", "right"))
    assert left < right, "left stays left: it is the object's"
    page.get_by_role("button", name="Chip in the rim").click()
    shut = page.get_by_role("button", name="Close note").bounding_box()["x"]
    assert shut < page.locator(".note .text").bounding_box()["x"]


def test_targets_are_large_enough(browser, serve_site, folder: Path) -> None:
    # WCAG 2.2, 2.5.8: 24 CSS px; 2.5.5 (AAA): 44, here on touch screens
    for options, least in (
        ({}, 24),
        ({"has_touch": True, "is_mobile": True, "viewport": {"width": 360, "height": 640}}, 44),
    ):
        context = browser.new_context(**options)
        page = context.new_page()
        page.goto(serve_site(folder).url)
        page.wait_for_function(READY)
        for button in page.locator("kick-spin button:visible").all():
            box = button.bounding_box()
            assert min(box["width"], box["height"]) >= least
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        context.close()


def test_focus_is_seen_and_forced_colours_keep_the_buttons(browser, serve_site, folder: Path) -> None:
    context = browser.new_context(forced_colors="active", viewport={"width": 600, "height": 700})
    page = context.new_page()
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    page.keyboard.press("Tab")
    assert (
        page.locator(SLIDER).evaluate("el => el.matches(':focus-visible') && getComputedStyle(el).outlineWidth")
        == "3px"
    )
    assert page.locator(".group").first.evaluate("el => getComputedStyle(el).borderTopWidth") == "1px"
    context.close()


def test_two_hundred_per_cent_text_hides_nothing(browser, serve_site, folder: Path) -> None:
    # WCAG 1.4.4
    context = browser.new_context(viewport={"width": 360, "height": 700})
    page = context.new_page()
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    page.add_style_tag(content="html { font-size: 200% }")
    page.get_by_role("button", name="Chip in the rim").click()
    note, stage = page.locator(".note"), page.locator("kick-spin").bounding_box()
    box = note.bounding_box()
    assert box["y"] >= stage["y"] and box["y"] + box["height"] <= stage["y"] + stage["height"]
    assert note.evaluate("el => el.scrollHeight <= el.clientHeight || getComputedStyle(el).overflowY == 'auto'")
    for button in page.locator(".bar button:visible").all():
        inner = button.bounding_box()
        assert inner["x"] >= stage["x"] and inner["x"] + inner["width"] <= stage["x"] + stage["width"]
    context.close()


def test_page_sets_colours(spotted) -> None:
    page = spotted
    page.evaluate("document.querySelector('kick-spin').style.setProperty('--kick-surface', 'rgb(10, 20, 30)')")
    assert page.locator(".group").first.evaluate("el => getComputedStyle(el).backgroundColor") == "rgb(10, 20, 30)"
