"""The viewer's main job in WebKit and in Firefox; each engine's tests say so where it is missing."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from viewer_engines import Engine, Firefox, WebKit
from viewer_site import Shown, write_site, write_spin

from builder.pages.rendering import Poster, Theme, render_item, site_assets
from tests.page_samples import SHOP, asset_paths, make_item

ELEMENT = "document.querySelector('kick-spin')"


@pytest.fixture(scope="module", params=[WebKit, Firefox], ids=["webkit", "firefox"])
def engine(request: pytest.FixtureRequest) -> Iterator[Engine]:
    if reason := request.param.missing():
        pytest.skip(reason)
    engine = request.param()
    yield engine
    engine.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("engines")
    spots = [
        {
            "id": "a",
            "label": "Chip",
            "html": "<p>Small.</p>",
            "places": [{"x": 0.5, "y": 0.4}] * 6 + [None] * 18,
        }
    ]
    write_site(folder, write_spin(folder, widths=[480], hotspots=spots), below="<p>long</p>" * 60)
    return folder


@pytest.fixture
def spin(engine: Engine, serve_site: Callable, folder: Path) -> Engine:
    engine.go(serve_site(folder).url + "/index.html")
    engine.wait(f"{ELEMENT}.frames && {ELEMENT}.frames.held(0).length == 24")
    return engine


def now(engine: Engine) -> int:
    return int(engine.run(f"return {ELEMENT}.canvas.getAttribute('aria-valuenow')"))


def middle(engine: Engine) -> tuple[int, int, int]:
    box = engine.run(
        f"const box = {ELEMENT}.canvas.getBoundingClientRect();return [box.left, box.top, box.width, box.height]"
    )
    return round(box[0] + box[2] / 2), round(box[1] + box[3] / 2), round(box[2])


def shown(engine: Engine) -> Shown:
    box = engine.run(
        f"const box = {ELEMENT}.canvas.getBoundingClientRect();"
        "return [box.left, box.top, box.right, box.bottom].map(side => Math.round(side * devicePixelRatio))"
    )
    cut = io.BytesIO()
    Image.open(io.BytesIO(engine.picture())).crop(box).save(cut, "PNG")
    return Shown(cut.getvalue())


def test_dragging_turns(spin: Engine) -> None:
    x, y, width = middle(spin)
    spin.drag(x, y, width // 4)
    assert now(spin) in (2, 3)
    spin.drag(x, y, -width // 2)
    assert now(spin) in (20, 21, 22)
    spin.run("return new Promise(done => setTimeout(done, 200))")
    picture = shown(spin)
    assert picture.index == now(spin) and picture.kind == "480"


def test_keys_turn(spin: Engine) -> None:
    spin.run(f"{ELEMENT}.canvas.focus()")
    for key in ("\ue014", "\ue013", "\ue00e"):  # ArrowRight, ArrowUp, PageUp
        spin.press(key)
    assert now(spin) == 4
    spin.press("\ue010")  # End
    assert spin.run(f"return {ELEMENT}.canvas.getAttribute('aria-valuetext')") == "View 24 of 24, 345 degrees"


def test_a_finger_turns(spin: Engine) -> None:
    x, y, width = middle(spin)
    try:
        spin.drag(x, y, width // 4, kind="touch")
    except RuntimeError as error:
        pytest.skip(f"this engine's driver sends no touches: {error}")
    if not spin.run(f"return {ELEMENT}.thrown.samples.length + {now(spin)}"):
        pytest.skip("this engine's driver sends no touches")
    assert now(spin) in (2, 3)


def test_buttons_turn_and_play(spin: Engine) -> None:
    spin.run(f"{ELEMENT}.buttons.right.click()")
    spin.wait(f"{ELEMENT}.frame == 2")
    spin.run(f"{ELEMENT}.buttons.play.click()")
    spin.wait(f"{ELEMENT}.frame > 4")
    spin.run(f"{ELEMENT}.buttons.play.click()")
    paused = now(spin)
    spin.run("return new Promise(done => setTimeout(done, 300))")
    assert now(spin) == paused


def test_style_arrives_and_marks_stand(spin: Engine) -> None:
    assert spin.run(f"return getComputedStyle({ELEMENT}.shadowRoot.querySelector('.group')).display") == "flex"
    mark = spin.run(f"const box = {ELEMENT}.spots.marks[0].getBoundingClientRect(); return [box.left + box.width / 2]")[
        0
    ]
    assert abs(mark - middle(spin)[0]) <= 1
    spin.run(f"{ELEMENT}.spots.marks[0].click()")
    assert "Small." in spin.run(f"return {ELEMENT}.spots.note.textContent")


def test_in_a_page_of_another_origin_under_a_strict_policy(
    engine: Engine, serve_site: Callable, folder: Path, tmp_path: Path
) -> None:
    host = serve_site(folder)
    policy = f"default-src 'none'; script-src {host.url}; img-src {host.url}"
    (tmp_path / "index.html").write_text(
        "<!doctype html><title>Shop</title>"
        f'<kick-spin src="{host.url}/spin.js" width="960" height="720"></kick-spin>'
        f'<script async src="{host.url}/viewer.js"></script>',
        "utf-8",
    )
    engine.go(serve_site(tmp_path, {"Content-Security-Policy": policy}).url + "/index.html")
    engine.wait(f"{ELEMENT}.frames && {ELEMENT}.frames.held(0).length == 24")
    assert engine.run(f"return getComputedStyle({ELEMENT}.shadowRoot.querySelector('.group')).display") == "flex"
    engine.run(f"{ELEMENT}.frame = 9")
    engine.run("return new Promise(done => setTimeout(done, 200))")
    assert now(engine) == 9


def test_sandboxed_embed_under_the_sites_own_policy(engine: Engine, serve_site: Callable, tmp_path: Path) -> None:
    """The embed page as the site has it, in a frame without an origin of its own, where WebKit matches 'self' with
    nothing: the policy names the shop's address too."""
    site, shop = tmp_path / "site", tmp_path / "shop"
    host = serve_site(site)
    spin = write_spin(site / "pot", widths=[480], formats=["webp"])
    item = make_item("pot", "Pot", spin=spin, poster=Poster("poster.jpg", 960, 720))
    files = {
        path: text.encode()
        for path, text in render_item(replace(SHOP, url=host.url), item, asset_paths(), Theme()).items()
    }
    files |= {asset_paths()[name]: content for name, content in site_assets(Theme()).items()}
    for path, content in files.items():
        (site / path).parent.mkdir(parents=True, exist_ok=True)
        (site / path).write_bytes(content)
    shop.mkdir()
    (shop / "index.html").write_text(
        "<!doctype html><title>Shop</title><style>body{margin:0}iframe{border:0;display:block}</style><script>"
        "window.told = []; addEventListener('message', event => told.push(event.data))</script>"
        f'<iframe title="Pot" sandbox="allow-scripts" src="{host.url}/pot/embed/" width="480" height="360"></iframe>',
        "utf-8",
    )
    engine.go(serve_site(shop).url + "/index.html")
    engine.wait("told.length")
    assert engine.run("return told[0]") == {"kind": "kick-spin", "slug": "pot", "aspect": 4 / 3}
    wanted = {f"/pot/{name}" for name in ("poster.jpg", "strip.webp", *spin["sources"][0]["files"])}
    for _ in range(50):  # nothing of what happens in there can be asked for, and WebKit's driver takes no picture of it
        if wanted <= set(host.asked):
            break
        engine.run("return new Promise(done => setTimeout(done, 200))")
    assert wanted <= set(host.asked), "the policy lets every picture through"


def test_from_disk(engine: Engine, folder: Path) -> None:
    engine.go((folder / "index.html").as_uri())
    engine.wait(f"{ELEMENT}.frames && {ELEMENT}.frames.held(0).length == 24")
