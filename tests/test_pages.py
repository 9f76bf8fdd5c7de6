"""Pages as text: complete, valid, inert, linked relatively, readable in both colour schemes, light."""

from __future__ import annotations

import gzip
import json
import os
import posixpath
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote, urlsplit

import html5lib
import pytest

from builder.errors import InputError
from builder.pages.logo import read_logo
from builder.pages.rendering import (
    Logo,
    Theme,
    fill,
    proof_assets,
    render_item,
    render_proof,
    render_shop_pages,
    render_site,
    require_theme,
    site_assets,
    spin_data,
    theme_files,
)  # fmt: skip
from builder.pages.theme import OWN_LABELS, read_labels
from builder.themes import themes_dir
from tests.page_samples import BARE_ITEM, SHOP, asset_paths, make_item, make_spin, picture_paths

PLAIN = themes_dir() / "plain"
NO_ADDRESS = replace(SHOP, url=None)
SPOT = {"id": "lip", "label": "The lip", "html": "<p>Mended.</p>", "places": [{"x": 0.5, "y": 0.2}] * 6 + [None] * 6}
ITEM = make_item(spin=make_spin("milk-jug", "Milk jug", hotspots=[SPOT]))
ITEMS = [ITEM, BARE_ITEM, make_item("tall", "Tall", aliases=(), spin=make_spin("tall", "Tall", width=600, height=900))]
ASSETS = asset_paths()
SITE = render_site(SHOP, ITEMS, ASSETS, Theme())
SITE_NO_ADDRESS = render_site(NO_ADDRESS, ITEMS, ASSETS, Theme())
PROOF = render_proof(SHOP, ITEMS, ASSETS, Theme())
SCRIPT = "<script>alert('x')</script>"


def html_of(pages: dict[str, str]) -> dict[str, str]:
    return {path: text for path, text in pages.items() if path.endswith(".html")}


def parse(text: str):
    return html5lib.parse(text, namespaceHTMLElements=False)


ALL_HTML = {
    **{f"with address: {path}": text for path, text in html_of(SITE).items()},
    **{f"without: {path}": text for path, text in html_of(SITE_NO_ADDRESS).items()},
    "proof": PROOF["index.html"],
}
each_page = pytest.mark.parametrize("name", ALL_HTML)


# ---- what is there


def test_files_of_an_item():
    pages = render_item(SHOP, BARE_ITEM, ASSETS, Theme())
    assert set(pages) == {
        f"bare/{name}" for name in ("index.html", "embed/index.html", "spin.json", "spin.js", "oembed.json")
    }
    assert "bare/oembed.json" not in render_item(NO_ADDRESS, BARE_ITEM, ASSETS, Theme())


def test_files_of_the_shop():
    named = {"index.html", "404.html", "spins.json", "kick-spin.js"}
    assert set(render_shop_pages(SHOP, ITEMS, ASSETS, Theme())) == named | {"sitemap.xml"}
    assert set(render_shop_pages(NO_ADDRESS, ITEMS, ASSETS, Theme())) == named


def test_the_same_values_give_the_same_text():
    assert render_site(SHOP, ITEMS, ASSETS, Theme()) == SITE


def test_an_items_pages_depend_on_nothing_else():
    alone = render_item(SHOP, ITEM, ASSETS, Theme())
    assert alone == {path: SITE[path] for path in alone}


# ---- valid


@each_page
def test_html_parses_without_an_error(name):
    """HTML Living Standard, parse errors, as html5lib finds them."""
    html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(ALL_HTML[name])


def checker() -> Path | None:
    named = os.environ.get("KICKWHEEL_HTML_CHECKER")
    jar = Path(named or Path(__file__).parent / ".out/node_modules/vnu-jar/build/dist/vnu.jar")
    return jar if jar.is_file() and shutil.which("java") else None


def test_the_nu_html_checker_has_nothing_to_say(tmp_path):
    """https://validator.w3.org/nu: neither error nor warning, in pages and style."""
    jar = checker()
    if jar is None:
        pytest.skip("the Nu HTML checker (npm vnu-jar) or Java isn't here; KICKWHEEL_HTML_CHECKER names the jar")
    sites = {"with": SITE, "without": SITE_NO_ADDRESS, "proof": PROOF}
    sites["hostile"] = render_site(SHOP, [hostile_item()], ASSETS, Theme())
    sites["rtl"] = render_site(replace(SHOP, language="ar"), ITEMS, ASSETS, Theme())
    for site, pages in sites.items():
        for path, text in html_of(pages).items():
            file = tmp_path / site / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(text, "utf-8")
    for name, content in (site_assets(Theme()) | proof_assets(Theme())).items():
        if name.endswith(".css"):
            (tmp_path / name).write_bytes(content)
    run = ["java", "-jar", str(jar), "--stdout"]
    said = subprocess.run([*run, "--skip-non-html", str(tmp_path)], capture_output=True, text=True, timeout=120)
    assert said.stdout + said.stderr == ""
    sheets = [str(file) for file in tmp_path.glob("*.css")]
    said = subprocess.run([*run, "--css", *sheets], capture_output=True, text=True, timeout=120)
    assert said.stdout + said.stderr == ""


@each_page
def test_one_heading_of_the_first_rank_and_a_main_part(name):
    tree = parse(ALL_HTML[name])
    assert len(tree.findall(".//h1")) == 1
    assert len(tree.findall(".//main")) == 1
    assert tree.find(".//title").text.strip()
    assert tree.attrib["lang"] == "en" and tree.attrib["dir"] == "ltr"


@each_page
def test_headings_leave_no_rank_out(name):
    ranks = [int(tag[1]) for tag in re.findall(r"<(h[1-6])\b", ALL_HTML[name])]
    assert all(later <= earlier + 1 for earlier, later in zip([1, *ranks], ranks))


@each_page
def test_ids_are_unique_and_labels_lead_to_fields(name):
    tree = parse(ALL_HTML[name])
    ids = [element.attrib["id"] for element in tree.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids))
    for label in tree.iter("label"):
        assert label.attrib.get("for") in ids or label.find("input") is not None
    for link in tree.iter("a"):
        if link.attrib["href"].startswith("#"):
            assert link.attrib["href"][1:] in ids


@each_page
def test_nothing_inline_under_a_strict_policy(name):
    """CSP Level 3: no script or style in the page, no style or on… attribute; JSON blocks are no scripts."""
    tree = parse(ALL_HTML[name])
    policies = [
        m.attrib["content"] for m in tree.iter("meta") if m.attrib.get("http-equiv") == "Content-Security-Policy"
    ]
    text = "; ".join(policies)
    assert "default-src 'none'" in text and "base-uri 'none'" in text and "form-action 'none'" in text
    assert "unsafe" not in text and "*" not in text and "data:" not in text
    assert tree.find(".//style") is None
    for element in tree.iter():
        assert not {key for key in element.attrib if key == "style" or key.startswith("on")}
        if element.tag == "script" and "src" not in element.attrib:
            assert element.attrib["type"] in ("application/json", "application/ld+json")
            json.loads(element.text)


def test_policy_comes_before_anything_it_governs():
    for text in ALL_HTML.values():
        assert text.index("Content-Security-Policy") < min(
            text.index(tag) for tag in ("<link", "<title") if tag in text
        )


# ---- inert


def hostile_item():
    evil = SCRIPT + "\"'&<!--</script>\u2028"
    spot = {"id": "x", "label": evil, "html": f"<p onclick=x>ok {SCRIPT}</p>", "places": [None] * 12}
    return make_item(
        "evil", evil, alt=evil, sku=evil, tags=(evil, "a&b"), availability=evil, condition=evil, price=evil,
        spin=make_spin("evil", evil, hotspots=[spot]), description_html="<p>fine</p>", aliases=("was-evil",),
    )  # fmt: skip


def test_script_in_any_text_stays_text():
    item = hostile_item()
    shop = replace(SHOP, name=SCRIPT, credit=SCRIPT, contact="a&b@c.example")
    pages = html_of(render_site(shop, [item], ASSETS, Theme())) | {
        "proof": render_proof(shop, [item], ASSETS, Theme())["index.html"]
    }
    for path, text in pages.items():
        tree = parse(text)
        for script in tree.iter("script"):
            assert script.attrib.get("src", "").endswith(".js") or script.attrib["type"].endswith("json"), path
        assert not [e for e in tree.iter() for key in e.attrib if key.startswith("on")], path
        assert "<script>alert" not in text, path
    page = parse(pages["evil/index.html"])
    assert page.find(".//h1").text == item.title.replace("\r", "")
    data = json.loads(page.find(".//script[@id='spin-evil']").text)
    assert data["title"] == item.title
    assert data["hotspots"][0]["html"] == "<p>ok </p>"


def test_spin_js_is_plain_ascii_and_gives_the_title_back():
    text = render_item(SHOP, hostile_item(), ASSETS, Theme())["evil/spin.js"]
    assert text.isascii()
    assert "</script" not in text and "<!--" not in text
    assert json.loads(text[text.index(",spin:") + 6 : text.rindex("})")])["title"] == hostile_item().title


# ---- links


def links(text: str) -> list[str]:
    """Every address a page names, srcset included."""
    found = []
    for element in parse(text).iter():
        found += [element.attrib[key] for key in ("href", "src", "poster") if key in element.attrib]
        found += [part.split()[0] for part in element.attrib.get("srcset", "").split(",") if part.strip()]
    return found


@pytest.mark.parametrize("pages", [SITE, SITE_NO_ADDRESS], ids=["with address", "without"])
def test_every_relative_link_leads_to_a_file(pages):
    files = set(pages) | set(ASSETS.values()) | {path for item in ITEMS for path in picture_paths(item)}
    for path, text in html_of(pages).items():
        start = "/spins/404.html" if path == "404.html" else f"/spins/{path}"
        for link in links(text):
            parts = urlsplit(link)
            if parts.scheme or not parts.path:
                continue
            goal = posixpath.normpath(posixpath.join(posixpath.dirname(start), unquote(parts.path)))
            assert goal.removeprefix("/spins/") in files, (path, link)


def test_without_an_address_only_the_shops_own_links_leave():
    for path, text in html_of(SITE_NO_ADDRESS).items():
        for link in links(text):
            assert not link.startswith("/"), (path, link)
            assert urlsplit(link).scheme in ("", "mailto") or link == ITEM.link, (path, link)


def test_nothing_is_loaded_from_elsewhere():
    for path, text in html_of(SITE).items():
        for element in parse(text).iter():
            loaded = [element.attrib.get("src", "")] + [
                p.split()[0] for p in element.attrib.get("srcset", "").split(",") if p.strip()
            ]
            if element.tag == "link" and element.attrib["rel"] in ("stylesheet", "icon", "preload"):
                loaded.append(element.attrib["href"])
            assert not [address for address in loaded if urlsplit(address).netloc], path


def test_lost_page_starts_at_the_hosts_root():
    local = [link for link in links(SITE["404.html"]) if not urlsplit(link).scheme and not link.startswith("#")]
    assert local and all(link.startswith("/spins/") for link in local)
    assert "[shop] url" not in SITE["404.html"]
    assert "[shop] url" in SITE_NO_ADDRESS["404.html"]


@each_page
def test_every_page_has_an_icon_of_its_own(name):
    icons = [link.attrib["href"] for link in parse(ALL_HTML[name]).iter("link") if link.attrib["rel"] == "icon"]
    assert len(icons) == 1 and icons[0].endswith(ASSETS["icon.svg"])


# ---- item, embed, index, alias


def canonical(text: str) -> str | None:
    link = next((link for link in parse(text).iter("link") if link.attrib["rel"] == "canonical"), None)
    return None if link is None else link.attrib["href"]


def test_canonical_addresses():
    address = "https://saltmarsh-bench.example/spins/"
    assert canonical(SITE["index.html"]) == address
    for path in ("milk-jug/index.html", "milk-jug/embed/index.html", "old-jug/index.html", "old-jug/embed/index.html"):
        assert canonical(SITE[path]) == f"{address}milk-jug/", path
    assert canonical(SITE["404.html"]) is None
    assert not any(canonical(text) for text in html_of(SITE_NO_ADDRESS).values())


def test_item_page_shows_all_a_customer_looks_for():
    page = SITE["milk-jug/index.html"]
    words = " ".join(parse(page).find("body").itertext())
    for shown in (
        "£48.00",
        "In stock",
        "Refurbished",
        "SB-17",
        "4006381333931",
        "kitchen",
        "12, 30° apart",
        "The lip",
        "Photos: our own",
        "2.4\u00a0MB",
    ):
        assert shown in words, shown
    assert 'href="https://shop.example/buy?item=1&amp;from=spin"' in page
    assert "mailto:bench@saltmarsh-bench.example?subject=Enquiry%3A%20Milk%20jug%20%28SB-17%29" in page
    assert 'alt="Milk jug, seen from the front"' in page
    assert {"preview.gif", "preview.mp4", "still.jpg", "contact.jpg"} <= {
        a.attrib["href"] for a in parse(page).iter("a") if "download" in a.attrib
    }
    fields = {
        f.attrib["id"]: f.text or f.attrib.get("value") for f in parse(page).iter() if f.tag in ("input", "textarea")
    }
    assert "<iframe" in fields["snippet-frame"] and "<kick-spin" in fields["snippet-element"]
    assert fields["page-link"] == "https://saltmarsh-bench.example/spins/milk-jug/"


def test_item_page_without_an_address_says_what_is_missing():
    page = SITE_NO_ADDRESS["milk-jug/index.html"]
    assert "[shop] url" in page
    for absent in ("og:", "ld+json", "oembed", "<textarea", 'class="qr"'):
        assert absent not in page
    assert "[shop] url" not in SITE["milk-jug/index.html"]


def test_item_page_of_a_bare_item_has_no_empty_parts():
    page = SITE["bare/index.html"]
    for absent in ("<dd></dd>", "None", "download=", 'class="offer"', 'class="about"'):
        assert absent not in page


def test_poster_is_there_at_once_and_keeps_its_place():
    tree = parse(SITE["milk-jug/index.html"])
    element = tree.find(".//kick-spin")
    image = element.find(".//img")
    assert (image.attrib["width"], image.attrib["height"]) == ("960", "720")
    assert image.attrib["fetchpriority"] == "high" and "loading" not in image.attrib
    assert [source.attrib["type"] for source in element.iter("source")] == ["image/avif", "image/webp"]
    assert element.attrib["data-spin"] == "spin-milk-jug" and element.attrib["base"] == ""
    data = json.loads(tree.find(".//script[@id='spin-milk-jug']").text)
    assert data == json.loads(SITE["milk-jug/spin.json"])
    assert "noscript" in {child.tag for child in element.iter()}


def test_embed_page_is_the_viewer_alone():
    page = SITE["milk-jug/embed/index.html"]
    element = parse(page).find(".//kick-spin")
    assert "embed" in element.attrib and element.attrib["base"] == "../"
    notes = element.findall(".//noscript//details//li")  # its marks can't be opened without script
    assert (
        [note.find("strong").text for note in notes]
        == [spot["label"] for spot in json.loads(SITE["milk-jug/spin.json"])["hotspots"]]
        != []
    )
    assert "noindex" not in page
    assert "color-scheme" not in page
    assert parse(page).find(".//header") is None
    assert "https://saltmarsh-bench.example" in page[: page.index("<title")]  # WebKit's sandboxed frames


def test_index_page():
    tree = parse(SITE["index.html"])
    cards = tree.findall(".//ul[@class='grid']/li")
    assert [card.find(".//h2").text for card in cards] == ["Milk jug", "Bare", "Tall"]
    assert "£48.00" in " ".join(cards[0].itertext()) and "kitchen, stoneware" in " ".join(cards[0].itertext())
    assert "SB-17" in cards[0].attrib["data-find"]
    many = [make_item(f"jug-{number}", f"Jug {number}", aliases=()) for number in range(40)]
    images = parse(render_shop_pages(SHOP, many, ASSETS, Theme())["index.html"]).findall(".//ul[@class='grid']//img")
    assert sum(image.attrib.get("loading") == "lazy" for image in images) == 36
    assert all(image.attrib["width"] and image.attrib["height"] for image in images)


def test_one_item_needs_no_filter():
    page = render_shop_pages(SHOP, [ITEM], ASSETS, Theme())["index.html"]
    assert 'type="search"' not in page
    assert "1 item" in page


def test_old_addresses_lead_on():
    """Meta refresh of 0 seconds: W3C technique H76."""
    for path, goal in (
        ("old-jug/index.html", "../milk-jug/index.html"),
        ("old-jug/embed/index.html", "../../milk-jug/embed/index.html"),
    ):
        page = SITE[path]
        assert f'<meta http-equiv="refresh" content="0; url={goal}">' in page
        assert '<meta name="robots" content="noindex">' in page
        assert f'<a href="{goal}">Milk jug</a>' in page


def test_a_pasted_snippet_of_an_old_address_goes_on_turning():
    spin = json.loads(SITE["old-jug/spin.json"])
    files = {posixpath.normpath(f"old-jug/{name}") for source in spin["sources"] for name in source["files"]}
    files.add(posixpath.normpath(f"old-jug/{spin['strip']['file']}"))
    assert files <= picture_paths(ITEM)
    assert "../milk-jug/strip.webp" in SITE["old-jug/spin.js"]


def test_drafts_say_so_and_keep_out_of_lists():
    pages = render_site(SHOP, [replace(ITEM, draft=True)], ASSETS, Theme())
    assert 'name="robots" content="noindex"' in pages["milk-jug/index.html"]
    assert "Draft" in pages["milk-jug/index.html"] and "Draft" in pages["index.html"]
    assert "milk-jug" not in pages["sitemap.xml"]


def test_logo_stands_for_the_name():
    pages = render_site(replace(SHOP, logo=Logo("assets/logo 1.png", 200, 60)), [BARE_ITEM], ASSETS, Theme())
    assert (
        '<img src="../assets/logo%201.png" alt="Saltmarsh Bench" width="200" height="60">' in pages["bare/index.html"]
    )
    assert parse(pages["index.html"]).find(".//h1/img").attrib["alt"] == "Saltmarsh Bench"


def test_uneven_views_are_counted_only():
    uneven = make_spin("milk-jug", "Milk jug", frames=[{"angle_deg": a} for a in (0, 20, 60, 75, 140, 300)])
    assert "<bdi>6</bdi>" in render_item(SHOP, make_item(spin=uneven), ASSETS, Theme())["milk-jug/index.html"]
    part = make_spin("milk-jug", "Milk jug", closed=False, frames=[{"angle_deg": 7.5 * i} for i in range(13)])
    assert "13, 7.5° apart" in render_item(SHOP, make_item(spin=part), ASSETS, Theme())["milk-jug/index.html"]


# ---- proof


def test_proof_page_has_every_item_with_its_pictures_and_a_tick_list():
    tree = parse(PROOF["index.html"])
    sections = tree.findall(".//section[@class='proof']")
    assert [section.attrib["data-slug"] for section in sections] == ["milk-jug", "bare", "tall"]
    first = sections[0]
    hrefs = {link.attrib["href"] for link in first.iter("a")}
    assert hrefs == {f"milk-jug/{name}" for name in ("preview.gif", "preview.mp4", "still.jpg", "contact.jpg")}
    assert len(first.findall(".//input[@type='radio']")) == 2 and first.find(".//textarea") is not None
    assert [element.attrib["base"] for element in tree.iter("kick-spin")] == ["milk-jug/", "bare/", "tall/"]
    files = {"index.html", *ASSETS.values()} | {path for item in ITEMS for path in picture_paths(item)}
    local = [link for link in links(PROOF["index.html"]) if not urlsplit(link).scheme and not link.startswith("#")]
    assert set(local) <= files


# ---- languages


def label_files() -> list[Path]:
    return sorted((PLAIN / "labels").glob("*.json"))


def test_three_languages_say_the_same_things():
    assert {"en", "de", "fr"} <= {file.stem for file in label_files()}
    english = json.loads((PLAIN / "labels/en.json").read_text("utf-8"))
    for file in label_files():
        labels = json.loads(file.read_text("utf-8"))
        assert labels.keys() == english.keys(), file.name
        for key, text in labels.items():
            assert text.strip()
            assert set(re.findall(r"\{\w+\}", text)) == set(re.findall(r"\{\w+\}", english[key])), (file.name, key)


def test_every_label_is_used():
    used = "".join(file.read_text("utf-8") for file in (PLAIN / "templates").iterdir())
    used += Path(render_site.__code__.co_filename).read_text("utf-8")
    for key in json.loads((PLAIN / "labels/en.json").read_text("utf-8")):
        assert key[0].isupper() or re.search(rf"\bt\.{key}\b", used) or f'"{key}"' in used, key


@pytest.mark.parametrize("language", ["de", "fr", "de-CH", "ar", "pl"])
def test_pages_in_other_languages(language):
    pages = render_site(replace(SHOP, language=language), ITEMS, ASSETS, Theme())
    tree = parse(pages["milk-jug/index.html"])
    assert tree.attrib["lang"] == language
    assert tree.attrib["dir"] == ("rtl" if language == "ar" else "ltr")
    known = {"de": "Kaufen", "fr": "Acheter"}.get(language[:2], "Buy")
    assert known in " ".join(tree.find("body").itertext())


def test_words_of_the_catalogue_are_translated():
    page = render_item(replace(SHOP, language="de"), ITEM, ASSETS, Theme())["milk-jug/index.html"]
    assert "Auf Lager" in page and "Aufgearbeitet" in page and "48,00\u00a0£" in page
    own = render_item(replace(SHOP, language="de"), replace(ITEM, condition="liebevoll geflickt"), ASSETS, Theme())
    assert "Liebevoll geflickt" in own["milk-jug/index.html"]


def test_viewers_words_travel_with_the_spin():
    assert "labels" not in spin_data(ITEM, "en")
    assert spin_data(ITEM, "de")["labels"]["play"] == "Abspielen"


def test_fill():
    assert fill("{a} of {b}", a="<1>") == "<1> of {b}"


# ---- a catalogue's own theme


def own_theme(folder: Path, **files: str) -> Theme:
    for name, text in files.items():
        (folder / name.replace("__", ".")).write_text(text, "utf-8")
    return Theme("plain", folder)


def test_own_template_takes_the_place_of_ours(tmp_path):
    (tmp_path / "404.html.j2").write_text("{{ t.lost }} at {{ shop.name }}", "utf-8")
    pages = render_shop_pages(SHOP, ITEMS, ASSETS, Theme("plain", tmp_path))
    assert pages["404.html"] == "Page not found at Saltmarsh Bench"
    assert pages["index.html"] == SITE["index.html"]


def test_own_template_may_build_on_ours(tmp_path):
    text = '{% extends "plain/item.html.j2" %}{% block footer %}<p>Open on Fridays</p>{% endblock %}'
    (tmp_path / "item.html.j2").write_text(text, "utf-8")
    page = render_item(SHOP, ITEM, ASSETS, Theme("plain", tmp_path))["milk-jug/index.html"]
    assert "Open on Fridays" in page and "£48.00" in page


def test_own_style_comes_after_ours(tmp_path):
    (tmp_path / "style.css").write_text(":root { --accent: #800000; }", "utf-8")
    theme = Theme("plain", tmp_path)
    assert site_assets(theme)["own.css"] == b":root { --accent: #800000; }"
    assert tmp_path / "style.css" in theme_files(theme)
    for page in html_of(render_site(SHOP, [BARE_ITEM], asset_paths(theme), theme)).values():
        assert page.index(ASSETS["icon.svg"]) < page.rindex("own.0123abcd.css")
    assert "own." not in SITE["index.html"]


def test_own_labels(tmp_path):
    (tmp_path / OWN_LABELS).write_text('{"buy": "Order by post"}', "utf-8")
    labels = read_labels(Theme("plain", tmp_path), "de")
    assert labels["buy"] == "Order by post" and labels["ask"] == "Danach fragen"


@pytest.mark.parametrize(
    ("name", "text", "place", "what"),
    [
        ("404.html.j2", "{% if %}", "line 1", "the template fails"),
        ("404.html.j2", "\n\n{{ shop.nonsense }}", "line 3", "has no attribute 'nonsense'"),
        ("404.html.j2", "\n{% include 'nowhere.html.j2' %}", "", "nowhere.html.j2"),
        (OWN_LABELS, "{", "", "it isn't JSON"),
        (OWN_LABELS, "[]", "", "an object of texts is wanted"),
        (OWN_LABELS, '{"bye": "x"}', "bye", "there is no such label"),
    ],
)
def test_faults_of_an_own_theme_are_told_in_one_message(tmp_path, name, text, place, what):
    (tmp_path / name).write_text(text, "utf-8")
    with pytest.raises(InputError) as caught:
        render_shop_pages(SHOP, ITEMS, ASSETS, Theme("plain", tmp_path))
    (fault,) = caught.value.faults
    assert fault.file.endswith(name) and fault.place == place or not place
    assert what in fault.what and fault.advice


def test_own_style_that_is_no_text(tmp_path):
    (tmp_path / "style.css").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match=r"style\.css: it can't be read"):
        site_assets(Theme("plain", tmp_path))


def test_unknown_theme():
    with pytest.raises(InputError, match=r"there is no theme 'plane'\. Known are: plain\."):
        require_theme(Theme("plane"))
    require_theme(Theme())


# ---- style


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, definition of that name."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, definition of that name."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def schemes() -> dict[str, dict[str, str]]:
    text = (PLAIN / "css/tokens.css").read_text("utf-8")
    light, dark = text.split("@media (prefers-color-scheme: dark)")
    read = lambda part: dict(re.findall(r"(--[\w-]+):\s*(#[0-9a-f]{6});", part))  # noqa: E731
    return {"light": read(light), "dark": read(light) | read(dark)}


# (text, background) as the sheets pair them; 4.5 : 1 for text (SC 1.4.3), 3 : 1 for edges and focus (SC 1.4.11)
TEXT_PAIRS = [
    (text, back)
    for text in ("--ink", "--soft-ink", "--accent", "--accent-deep", "--gone")
    for back in ("--paper", "--surface", "--wash")
] + [("--on-accent", "--accent"), ("--on-accent", "--accent-deep")]
EDGE_PAIRS = [("--edge", "--paper"), ("--edge", "--surface"), ("--accent", "--paper"), ("--accent", "--surface")]


def test_contrast_formula():
    """Worked values: black on white is 21 : 1 (WCAG 2.2); #777777 on white is 4.48 : 1, just too little (common example)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_pair_of_colours_is_readable(scheme):
    colours = schemes()[scheme]
    for pairs, least in ((TEXT_PAIRS, 4.5), (EDGE_PAIRS, 3)):
        for one, other in pairs:
            assert contrast(colours[one], colours[other]) >= least, (one, other, contrast(colours[one], colours[other]))


def test_dark_scheme_changes_every_colour():
    light, dark = schemes()["light"], schemes()["dark"]
    assert light.keys() == dark.keys()
    assert all(light[name] != dark[name] for name in light)


@pytest.mark.parametrize("name", ["base.css", "index.css", "item.css", "proof.css"])
def test_colours_come_from_the_tokens_alone(name):
    text = re.sub(r"/\*.*?\*/", "", (PLAIN / "css" / name).read_text("utf-8"), flags=re.S)
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b|\brgb\(|\bhsl\(", text)
    used = set(re.findall(r"var\((--[\w-]+)\)", text))
    declared = set(re.findall(r"(--[\w-]+):", (PLAIN / "css/tokens.css").read_text("utf-8"))) | {"--ratio"}
    assert used <= declared
    inks = {pair[0] for pair in TEXT_PAIRS}
    for value in re.findall(r"[{;\s]color:\s*([^;}]+)", text):
        assert value.strip() in {"inherit", "currentColor", *(f"var({ink})" for ink in inks)}, value


@pytest.mark.parametrize("name", ["tokens.css", "base.css", "index.css", "item.css", "proof.css", "embed.css"])
def test_sides_are_logical(name):
    """CSS Logical Properties: pages written from the right mirror by themselves."""
    text = (PLAIN / "css" / name).read_text("utf-8")
    assert not re.search(r"\b(margin|padding|border)-(left|right|top|bottom)\b|text-align:\s*(left|right)|float:", text)


def test_light_enough():
    """Page, style and scripts as sent: 30 kB; style alone 6 kB."""
    many = make_spin("milk-jug", "Milk jug", frames=[{"angle_deg": 10.0 * index} for index in range(36)])
    many["sources"] = [
        {"format": kind, "width": width, "files": [f"frames/{width}/{index:04}.9f86d081.{kind}" for index in range(36)]}
        for kind in ("avif", "webp") for width in (480, 960, 1600)
    ]  # fmt: skip
    page = render_item(SHOP, make_item(spin=many), ASSETS, Theme())["milk-jug/index.html"]
    assets = site_assets(Theme())
    sizes = {name: len(gzip.compress(assets[name], 9)) for name in ("site.css", "page.js", "kick-spin.js")}
    sizes["page"] = len(gzip.compress(page.encode(), 9))
    assert sizes["site.css"] <= 6_000
    assert sum(sizes.values()) <= 30_000, sizes


@pytest.mark.parametrize(
    ("head", "shown"),
    [
        ('viewBox="0 0 220 48" width="110" height="24"', (220, 48)),
        ("width='300px' height='100'", (144, 48)),
        ('viewBox="0,0,20,10"', (20, 10)),
        ('width="100%" height="100%"', (None, None)),
        ('viewBox="0 0 0 0"', (None, None)),
    ],
)
def test_an_svg_logo_keeps_its_place_before_it_is_here(tmp_path, head, shown):
    """Its shape after SVG 2, 8.6, shown at most 48 px high: the page states it, and nothing moves."""
    file = tmp_path / "logo.svg"
    file.write_text(f'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" {head}><path d="M0 0h1"/></svg>')
    assert read_logo(file)[2:] == shown
