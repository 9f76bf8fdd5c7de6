"""What machines read, against the standards that say how: oEmbed, Open Graph, schema.org, sitemaps, QR codes."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import cv2
import html5lib
import numpy as np
import pytest

from builder.pages import metadata
from tests.page_samples import BARE_ITEM, SHOP, make_item, make_spin

ITEM = make_item()
ROOT = "https://saltmarsh-bench.example/spins/"
NO_ADDRESS = replace(SHOP, url=None)


# ---- oEmbed 1.0, sections 2.3.4 (all types) and 2.3.4.4 (rich)


@pytest.mark.parametrize("item", [ITEM, BARE_ITEM], ids=["full", "bare"])
def test_oembed(item):
    answer = metadata.oembed(SHOP, item)
    assert answer["version"] == "1.0"
    assert answer["type"] == "rich"
    assert isinstance(answer["width"], int) and isinstance(answer["height"], int)
    thumbnail = {"thumbnail_url", "thumbnail_width", "thumbnail_height"}
    assert thumbnail <= answer.keys()  # all three or none
    assert set(answer) <= thumbnail | {
        "version",
        "type",
        "title",
        "provider_name",
        "provider_url",
        "html",
        "width",
        "height",
    }
    frame = html5lib.parseFragment(answer["html"], namespaceHTMLElements=False).find("iframe")
    assert frame.attrib["src"] == f"{ROOT}{item.slug}/embed/"
    assert (int(frame.attrib["width"]), int(frame.attrib["height"])) == (answer["width"], answer["height"])


# ---- Open Graph protocol, https://ogp.me


def test_open_graph():
    found = dict(metadata.open_graph(SHOP, ITEM))
    assert {"og:title", "og:type", "og:image", "og:url"} <= found.keys()  # "Basic Metadata": the four required
    assert found["og:type"] in {"website", "article", "book", "profile"}  # "Object Types" without a namespace
    assert found["og:url"] == f"{ROOT}milk-jug/"
    assert found["og:image"] == f"{ROOT}milk-jug/link.jpg"
    assert (found["og:image:width"], found["og:image:height"]) == ("1200", "630")
    assert found["og:image:alt"] == "Milk jug, seen from the front"
    assert "og:locale" not in found  # language_TERRITORY: "en" names no territory
    assert dict(metadata.open_graph(replace(SHOP, language="pt-BR"), ITEM))["og:locale"] == "pt_BR"


def test_link_preview_without_a_link_picture_is_the_poster():
    found = dict(metadata.open_graph(SHOP, BARE_ITEM))
    assert found["og:image"] == f"{ROOT}bare/poster.jpg"
    assert (found["og:image:width"], found["og:image:height"]) == ("960", "720")


# ---- schema.org Product and Offer. Members of the enumerations as published (from memory)

ITEM_AVAILABILITY = {
    "BackOrder", "Discontinued", "InStock", "InStoreOnly", "LimitedAvailability", "MadeToOrder", "OnlineOnly",
    "OutOfStock", "PreOrder", "PreSale", "Reserved", "SoldOut",
}  # fmt: skip
OFFER_ITEM_CONDITION = {"DamagedCondition", "NewCondition", "RefurbishedCondition", "UsedCondition"}


def test_every_word_of_the_catalogue_leads_to_a_member_of_schema_org():
    assert set(metadata.AVAILABILITY.values()) <= ITEM_AVAILABILITY
    assert set(metadata.CONDITION.values()) == OFFER_ITEM_CONDITION


def test_product():
    product = metadata.product_ld(SHOP, ITEM)
    assert product["@context"] == "https://schema.org"
    assert product["@type"] == "Product"
    assert product["image"]["@type"] == "ImageObject"
    assert product["image"]["contentUrl"] == f"{ROOT}milk-jug/still.jpg"
    assert product["description"] == "Glazed again, tight."
    offer = product["offers"]
    assert offer["availability"] == "https://schema.org/InStock"
    assert offer["itemCondition"] == "https://schema.org/RefurbishedCondition"
    assert re.fullmatch(r"\d+(\.\d+)?", offer["price"])  # schema.org/price: digits and a point, no sign
    assert re.fullmatch(r"[A-Z]{3}", offer["priceCurrency"])  # ISO 4217
    assert offer["url"] == ITEM.link
    assert "null" not in json.dumps(product)


def test_product_without_anything_to_offer():
    product = metadata.product_ld(SHOP, BARE_ITEM)
    assert product["name"] == product["description"] == "Bare"
    assert not {"offers", "sku", "gtin", "keywords", "itemCondition"} & product.keys()


@pytest.mark.parametrize(
    ("value", "member"),
    [("in stock", "InStock"), ("In-Stock", "InStock"), ("InStock", "InStock"), ("made_to_order", "MadeToOrder"),
     ("sold", "SoldOut"), ("somewhere", None), ("", None), (None, None)],
)  # fmt: skip
def test_words_of_the_shop(value, member):
    assert metadata.member_of(metadata.AVAILABILITY, value) == member


def test_conditions_may_be_named_with_or_without_their_ending():
    assert metadata.member_of(metadata.CONDITION, "UsedCondition") == "UsedCondition"
    assert metadata.member_of(metadata.CONDITION, "Refurbished") == "RefurbishedCondition"


def test_an_unknown_word_is_not_passed_off_as_a_member():
    offer = metadata.product_ld(SHOP, replace(ITEM, availability="ask at the till"))["offers"]
    assert "availability" not in offer


# ---- sitemaps.org protocol 0.9


def test_sitemap():
    spaced = replace(SHOP, url="https://host.example/a&b/caf\u00e9")
    text = "".join(metadata.sitemap_xml(spaced, [ITEM, BARE_ITEM, replace(ITEM, slug="hidden", draft=True)]))
    root = ET.fromstring(text.encode())
    space = "{http://www.sitemaps.org/schemas/sitemap/0.9}"
    assert root.tag == f"{space}urlset"
    assert {child.tag for child in root} == {f"{space}url"}
    places = [place.text for place in root.iter(f"{space}loc")]
    # "URLs must be entity-escaped and follow RFC 3986": read back, only ASCII is left
    assert places == [f"https://host.example/a&b/caf%C3%A9/{end}" for end in ("", "milk-jug/", "bare/")]
    assert "a&amp;b" in text
    assert all(len(place) < 2048 for place in places)


# ---- addresses and snippets


@pytest.mark.parametrize(
    "url", ["https://host.example/spins", "https://host.example/spins/", "https://host.example/spins//"]
)
def test_one_slash_behind_the_root(url):
    assert metadata.item_address(replace(SHOP, url=url), ITEM) == "https://host.example/spins/milk-jug/"


def test_parts_of_the_address():
    assert metadata.root_path(SHOP) == "/spins/"
    assert metadata.root_path(replace(SHOP, url="https://host.example")) == "/"
    assert metadata.origin(replace(SHOP, url="http://127.0.0.1:8017/x")) == "http://127.0.0.1:8017"
    assert metadata.root_path(NO_ADDRESS) is None
    assert metadata.origin(NO_ADDRESS) is None


def test_frame_snippet_keeps_its_shape_and_waits():
    item = make_item(title='Jug "<b>" & Co')
    snippet = metadata.frame_snippet(SHOP, item)
    (frame,) = html5lib.parseFragment(snippet, namespaceHTMLElements=False)
    assert frame.tag == "iframe"
    assert frame.attrib["title"] == item.title
    assert frame.attrib["loading"] == "lazy"
    assert frame.attrib["allow"] == "fullscreen"
    assert "aspect-ratio:960/720" in frame.attrib["style"]
    assert (frame.attrib["width"], frame.attrib["height"]) == ("960", "720")


def test_frame_of_a_tall_spin():
    item = make_item(spin=make_spin("milk-jug", "Milk jug", width=900, height=1200))
    assert metadata.embed_size(item) == (960, 1280)


def test_element_snippet():
    item = make_item(title='Jug "<b>" & Co')
    parsed = html5lib.parseFragment(metadata.element_snippet(SHOP, item), namespaceHTMLElements=False)
    element, script = parsed.find("kick-spin"), parsed.find("script")
    assert element.attrib["src"] == f"{ROOT}milk-jug/spin.js"
    assert element.find("img").attrib["alt"] == item.picture_alt
    assert script.attrib["src"] == f"{ROOT}kick-spin.js"  # no hash: a pasted snippet outlives builds
    assert parsed.find("b") is None


def test_without_an_address_there_is_nothing_to_paste():
    assert metadata.frame_snippet(NO_ADDRESS, ITEM) is None
    assert metadata.element_snippet(NO_ADDRESS, ITEM) is None


@pytest.mark.parametrize("shop", [SHOP, NO_ADDRESS], ids=["address", "no address"])
def test_spins_json(shop):
    answer = json.loads("".join(metadata.spins_json(shop, [ITEM, BARE_ITEM])))
    full, bare = answer["items"]
    start = ROOT if shop.url else ""
    assert full["spin"] == f"{start}milk-jug/spin.json"
    assert full["gif"] == f"{start}milk-jug/preview.gif"
    assert full["page"] == f"{start}milk-jug/" + ("" if shop.url else "index.html")
    assert full["tags"] == ["kitchen", "stoneware"]
    assert full["frames"] == 12
    assert "price" not in bare and "gif" not in bare


# ---- QR code


@pytest.mark.parametrize("address", [f"{ROOT}milk-jug/", "https://host.example/" + "long-" * 30 + "end/"])
def test_qr_code_is_read_back_by_another_program(address):
    """Drawn from the SVG's own path, read by OpenCV (ISO/IEC 18004)."""
    text, fault, _ = cv2.QRCodeDetector().detectAndDecode(_drawn(metadata.qr_svg(address, "QR")))[:3]
    assert text == address, fault


def test_qr_code_has_its_quiet_zone_and_name():
    svg = metadata.qr_svg(ROOT, 'A "name" <here>')
    root = ET.fromstring(svg)
    assert root.find("title").text == 'A "name" <here>'
    picture = _drawn(svg, scale=1)
    assert picture[:4].min() == picture[-4:].min() == picture[:, :4].min() == picture[:, -4:].min() == 255
    assert "style" not in svg


def _drawn(svg: str, scale: int = 8) -> np.ndarray:
    """The stroked path of horizontal runs, `m dx dy` and `h length`, as pixels."""
    side = int(re.search(r'viewBox="0 0 (\d+) ', svg)[1])
    picture = np.full((side, side), 255, np.uint8)
    (path,) = re.findall(r'stroke="#000" d="([^"]+)"', svg)
    x = y = 0.0
    for verb, numbers in re.findall(r"([Mmh])([-\d. ]+)", path):
        values = [float(number) for number in numbers.split()]
        if verb == "M":
            x, y = values
        elif verb == "m":
            x, y = x + values[0], y + values[1]
        else:
            picture[int(y), int(x) : int(x + values[0])] = 0
            x += values[0]
    return np.kron(picture, np.ones((scale, scale), np.uint8))
