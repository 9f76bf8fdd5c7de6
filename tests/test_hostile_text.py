"""Script in any text of the catalogue is shown, never run: built by the command, opened in Chromium."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path

import defusedxml.ElementTree
import html5lib
import pytest
from pydantic import ValidationError

from builder.catalog.declaration import TABLES, key_names
from builder.pages.rendering import Theme, render_item, site_assets
from builder.site.whole import hashed_name
from tests.command import kickwheel, tree
from tests.hostile_shop import (
    CHECKED,
    FILES,
    ITEM_LISTS,
    ITEM_TEXTS,
    MARKDOWN,
    SHOP_TEXTS,
    visit,
    watched_page,
    write_hostile_shop,
)
from tests.hostile_text import CLASSES, vectors
from tests.page_samples import SHOP, make_item, make_spin

GROUPS = 4
XHTML = "{http://www.w3.org/1999/xhtml}"


@pytest.fixture(scope="module")
def hostile_site(tmp_path_factory) -> Path:
    texts = vectors()
    folder = write_hostile_shop(tmp_path_factory.mktemp("hostile"), [texts[part::GROUPS] for part in range(GROUPS)])
    ran = kickwheel("build", folder)
    assert ran.status == 0, ran.err
    return folder / "site"


def pages_of(site: Path) -> list[str]:
    return sorted(file.relative_to(site).as_posix() for file in site.rglob("*.html"))


def test_the_list_is_long_and_has_every_class():
    assert len(set(vectors())) == len(vectors()) >= 120
    assert len(CLASSES) >= 9 and all(len(group) >= 10 for group in CLASSES.values())


def test_every_text_of_the_catalogue_is_known():
    """A key that may hold a text is either hostile here, or of a stated form, or names a file."""
    for table, model in TABLES.items():
        texts = {"shop": SHOP_TEXTS, "item": (*ITEM_TEXTS, *ITEM_LISTS, *MARKDOWN)}.get(table, ())
        known = {*texts, *CHECKED[table], *FILES[table]}
        schema = model.model_json_schema()
        held = {key for key in key_names(model) if '"string"' in str(schema["properties"][key]).replace("'", '"')}
        assert held <= known, f"[{table}] {held - known}: say in tests/hostile_shop.py what kind of text it is"


@pytest.mark.parametrize("without_policy", [True, False], ids=["escaping alone", "with the policy"])
def test_none_of_them_runs(hostile_site, browser, serve_site, without_policy):
    server = serve_site(hostile_site)
    with watched_page(browser, server.url, without_policy=without_policy) as (page, seen):
        for path in pages_of(hostile_site):
            visit(page, f"{server.url}/{path}")
            assert seen.harm() == [], path
            assert seen.blocked == [], f"{path}: the policy had something to block"


def test_from_disk_and_in_a_proof_none_runs_either(hostile_site, browser, tmp_path):
    with watched_page(browser, "file://", without_policy=True) as (page, seen):
        visit(page, (hostile_site / "evil-1/index.html").as_uri())
        ran = kickwheel("proof", hostile_site.parent, "--out", tmp_path / "p.zip", "--watermark", vectors()[0])
        assert ran.status == 0, ran.err
        zipfile.ZipFile(tmp_path / "p.zip").extractall(tmp_path)
        visit(page, (tmp_path / "proofs/index.html").as_uri())
        assert seen.harm() == []


def test_notes_of_hotspots_do_not_run_either(browser, serve_site, tmp_path):
    texts = vectors()
    assets = {name: hashed_name(name, content) for name, content in site_assets(Theme()).items()}
    for name, content in site_assets(Theme()).items():
        (tmp_path / assets[name]).parent.mkdir(exist_ok=True)
        (tmp_path / assets[name]).write_bytes(content)
    place = {"x": 0.5, "y": 0.5}
    spots = [{"id": f"s{n}", "label": text, "html": text, "places": [place] * 12} for n, text in enumerate(texts)]
    item = replace(make_item("evil", texts[0], spin=make_spin("evil", texts[0], hotspots=spots)), aliases=())
    for path, text in render_item(SHOP, item, assets, Theme()).items():
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_text(text, "utf-8")
    server = serve_site(tmp_path)
    with watched_page(browser, server.url, without_policy=True) as (page, seen):
        visit(page, f"{server.url}/evil/index.html")
        shown = page.evaluate(
            """() => {
              const all = [...document.querySelectorAll('kick-spin')].map(spin => spin.shadowRoot || spin);
              const marks = all.flatMap(root => [...root.querySelectorAll('.marks button')]);
              for (const mark of marks) mark.click();
              return marks.length;
            }"""
        )
        page.wait_for_timeout(50)
        assert shown in (0, len(texts))
        assert page.locator(".spots li").count() == len(texts)
        assert [held for held in seen.harm() if "127.0.0.1" not in str(held)] == []


WOULD_RUN = {  # each of these runs or loads where nothing stops it
    1: "<script>ran(1)</script>",
    2: "<img src=x onerror=ran(2)>",
    3: "<img src=https://evil.example/3>",
    4: "<input autofocus onfocus=ran(4)>",
    5: "<script src=https://evil.example/5></script>",
    6: "<style>@import 'https://evil.example/6'</style>",
    7: "<iframe src=https://evil.example/7></iframe>",
}


@pytest.mark.parametrize("page", ["index.html", "evil-0/index.html", "evil-0/embed/index.html", "404.html"])
def test_the_policy_blocks_what_would_run(hostile_site, browser, serve_site, tmp_path, page):
    """The other way round: put into a finished page by hand, all of them run where the policy is ignored, else none."""
    attacks = "".join(WOULD_RUN.values())
    shutil.copytree(hostile_site, tmp_path / "site")
    file = tmp_path / "site" / page
    file.write_text(re.sub(r"<(main[^>]*)>", rf"<\1>{attacks}", file.read_text("utf-8"), count=1), "utf-8")
    server = serve_site(tmp_path / "site")
    for without_policy in (True, False):
        with watched_page(browser, server.url, without_policy=without_policy) as (view, seen):
            visit(view, f"{server.url}/{page}")
            view.wait_for_timeout(50)
            met = {number for (number,) in seen.ran} | {int(address.rpartition("/")[2]) for address in seen.foreign}
            assert met == (WOULD_RUN.keys() if without_policy else set()), seen
            assert (len(seen.blocked) >= len(WOULD_RUN)) is not without_policy, seen


def test_every_page_carries_a_policy_first(hostile_site):
    for path in pages_of(hostile_site):
        head = html5lib.parse((hostile_site / path).read_text("utf-8")).find(f"{XHTML}head")
        first = [element for element in head if element.tag.startswith(XHTML)][:3]
        policies = " ".join(e.get("content", "") for e in first if e.get("http-equiv") == "Content-Security-Policy")
        assert "default-src 'none'" in policies and "script-src 'self'" in policies, path
        assert "unsafe" not in policies and "data:" not in policies and "*" not in policies


def test_lists_for_machines_stay_whole(hostile_site):
    """XML and JSON outputs parse, and hold the texts as they were written."""
    files = tree(hostile_site)
    defusedxml.ElementTree.fromstring(files["sitemap.xml"])
    listed = json.loads(files["spins.json"])["items"]
    assert [tag for part in range(GROUPS) for tag in listed[part]["tags"]] == [
        text for part in range(GROUPS) for text in vectors()[part::GROUPS]
    ]
    for path, content in files.items():
        if path.endswith(".json"):
            json.loads(content)
        if path.endswith("/spin.js"):
            assert content.isascii() and b"<" not in content


@pytest.mark.parametrize("table", ["shop", "item"])
def test_keys_of_a_stated_form_take_no_script(table):
    """What the rules of such a key let through can't start a script nor leave an attribute."""
    model = TABLES[table]
    let_through = []
    for key in CHECKED[table]:
        if key in ("theme", "aliases", "turn", "order"):
            continue
        for text in [
            *vectors(),
            *(f"https://shop.example/{text}" for text in vectors()),
            *(f"a@b.example{t}" for t in vectors()),
        ]:
            try:
                made = model.model_validate(_with(table, key, text))
            except ValidationError:
                continue
            let_through.append(str(getattr(made, key)))
    for text in let_through:
        assert not re.search(r"[\s\"'<>]", text), text
        assert re.match(r"https?://|[^:]+@[^:]+$", text), text


def _with(table: str, key: str, text: str) -> dict[str, str]:
    return ({"name": "x"} if table == "shop" else {"title": "x", "frames": "x"}) | {key: text}
