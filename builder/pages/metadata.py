"""What machines read about a page: addresses, JSON-LD, Open Graph, oEmbed, sitemap, embed snippets, QR code.

Everything here but `spins_json` needs the address of the site ([shop].url).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from html import escape
from typing import Any
from urllib.parse import quote, urlsplit

from builder.pages.text import plain_text, read_locale, shorten
from builder.pages.values import ItemPage, PageFile, ShopPage

SNIPPET_SCRIPT = "kick-spin.js"  # at the site's root under a name that never changes, for pasted snippets
DESCRIPTION_LIMIT = 160  # characters; common practice, no source: what result lists show
EMBED_WIDTH = 960  # px, offered to oEmbed consumers and in the iframe's attributes

# schema.org ItemAvailability and OfferItemCondition: the words of the catalogue -> the member's name.
AVAILABILITY = {
    "in stock": "InStock", "available": "InStock", "limited": "LimitedAvailability",
    "limited availability": "LimitedAvailability", "made to order": "MadeToOrder", "pre order": "PreOrder",
    "preorder": "PreOrder", "pre sale": "PreSale", "presale": "PreSale", "back order": "BackOrder",
    "backorder": "BackOrder", "reserved": "Reserved", "in store only": "InStoreOnly", "online only": "OnlineOnly",
    "out of stock": "OutOfStock", "sold": "SoldOut", "sold out": "SoldOut", "discontinued": "Discontinued",
}  # fmt: skip
CONDITION = {
    "new": "NewCondition", "used": "UsedCondition", "second hand": "UsedCondition", "vintage": "UsedCondition",
    "refurbished": "RefurbishedCondition", "repaired": "RefurbishedCondition", "restored": "RefurbishedCondition",
    "reconditioned": "RefurbishedCondition", "damaged": "DamagedCondition", "for parts": "DamagedCondition",
}  # fmt: skip


def member_of(words: Mapping[str, str], value: str | None) -> str | None:
    """The schema.org member for a shop's words: case, hyphens and a member's own name are all the same."""
    if not value:
        return None
    plain = " ".join(value.replace("-", " ").replace("_", " ").lower().split())
    named = {member.lower(): member for member in words.values()}
    return words.get(plain) or named.get(plain.replace(" ", "")) or named.get(plain.replace(" ", "") + "condition")


# ---- addresses


def site_address(shop: ShopPage, path: str = "") -> str | None:
    """Absolute address of a path below the site's root, percent-encoded (RFC 3986); None without [shop].url."""
    return None if shop.root is None else quote(shop.root, safe=":/?#[]@!$&'()*+,;=%~") + quote(path)


def item_address(shop: ShopPage, item: ItemPage, path: str = "") -> str | None:
    return site_address(shop, f"{item.slug}/{path}")


def root_path(shop: ShopPage) -> str | None:
    """Path of the site's root on its host, "/" or "/spins/"; None without [shop].url."""
    address = site_address(shop)
    return urlsplit(address).path if address else None


def origin(shop: ShopPage) -> str | None:
    """Scheme and host of the site, as a Content-Security-Policy names them."""
    if shop.url is None:
        return None
    parts = urlsplit(shop.url)
    return f"{parts.scheme}://{parts.netloc}"


# ---- descriptions


def description_of(item: ItemPage) -> str:
    """One line about the item, for result lists and link previews."""
    return shorten(plain_text(item.description_html) or item.alt or item.title, DESCRIPTION_LIMIT)


def link_picture_of(item: ItemPage) -> PageFile:
    poster = item.poster
    return item.link_picture or PageFile(poster.path, 0, poster.width, poster.height)


def product_ld(shop: ShopPage, item: ItemPage) -> dict[str, Any]:
    """schema.org Product with its Offer and ImageObject (https://schema.org/Product)."""
    page = item_address(shop, item)
    picture = item.still or PageFile(item.poster.path, 0, item.poster.width, item.poster.height)
    product: dict[str, Any] = {
        "@context": "https://schema.org",
        "@type": "Product",
        "@id": f"{page}#item",
        "name": item.title,
        "url": page,
        "description": plain_text(item.description_html) or item.picture_alt,
        "image": {
            "@type": "ImageObject",
            "contentUrl": item_address(shop, item, picture.path),
            "width": picture.width,
            "height": picture.height,
            "caption": item.picture_alt,
            "creditText": shop.credit,
        },
        "sku": item.sku,
        "gtin": item.gtin,
        "keywords": ", ".join(item.tags) or None,
        "itemCondition": _schema(CONDITION, item.condition),
        "offers": _offer(shop, item, page),
    }
    return _without_none(product)


def _offer(shop: ShopPage, item: ItemPage, page: str | None) -> dict[str, Any] | None:
    if not (item.price or item.link or item.availability):
        return None
    return {
        "@type": "Offer",
        "url": item.link or page,
        "price": item.price,
        "priceCurrency": item.currency if item.price else None,
        "availability": _schema(AVAILABILITY, item.availability),
        "itemCondition": _schema(CONDITION, item.condition),
        "seller": {"@type": "Organization", "name": shop.name, "url": site_address(shop), "email": shop.contact},
    }


def _schema(words: Mapping[str, str], value: str | None) -> str | None:
    member = member_of(words, value)
    return f"https://schema.org/{member}" if member else None


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(held) for key, held in value.items() if held is not None}
    return value


def open_graph(shop: ShopPage, item: ItemPage) -> list[tuple[str, str]]:
    """Open Graph properties (https://ogp.me), in order. `product` is no type of the protocol: `website` is."""
    picture = link_picture_of(item)
    pairs = [
        ("og:title", item.title),
        ("og:type", "website"),
        ("og:url", item_address(shop, item)),
        ("og:description", description_of(item)),
        ("og:site_name", shop.name),
        ("og:locale", _territory_locale(shop.language)),
        ("og:image", item_address(shop, item, picture.path)),
        ("og:image:type", "image/jpeg"),
        ("og:image:width", _text(picture.width)),
        ("og:image:height", _text(picture.height)),
        ("og:image:alt", item.picture_alt),
    ]
    return [(name, value) for name, value in pairs if value]


def _territory_locale(language: str) -> str | None:
    """language_TERRITORY as Open Graph wants it; None where the catalogue names no territory."""
    locale = read_locale(language)
    return f"{locale.language}_{locale.territory}" if locale.territory else None


def _text(number: int | None) -> str | None:
    return None if number is None else str(number)


# ---- embedding


def embed_size(item: ItemPage) -> tuple[int, int]:
    """Width and height in px that keep the spin's shape."""
    width, height = item.spin["width"], item.spin["height"]
    return EMBED_WIDTH, round(EMBED_WIDTH * height / width)


def frame_snippet(shop: ShopPage, item: ItemPage) -> str | None:
    """An <iframe> for any page; keeps its shape by the attributes' ratio as well as by its style."""
    if shop.url is None:
        return None
    width, height = embed_size(item)
    src = item_address(shop, item, "embed/")
    return (
        f'<iframe src="{escape(src or "")}" title="{escape(item.title)}" width="{width}" height="{height}" '
        f'style="width:100%;height:auto;aspect-ratio:{width}/{height};border:0" '
        'loading="lazy" allow="fullscreen" allowfullscreen></iframe>'
    )


def element_snippet(shop: ShopPage, item: ItemPage) -> str | None:
    """<kick-spin> and its script, for pages that allow scripts; a picture and a link until the script is there."""
    if shop.url is None:
        return None
    page, src = item_address(shop, item), item_address(shop, item, "spin.js")
    poster = item_address(shop, item, item.poster.path)
    width, height = embed_size(item)
    return (
        f'<kick-spin src="{escape(src or "")}" width="{width}" height="{height}">'
        f'<img src="{escape(poster or "")}" alt="{escape(item.picture_alt)}" width="{width}" height="{height}" '
        f'style="max-width:100%;height:auto" loading="lazy">'
        f'<noscript><a href="{escape(page or "")}">{escape(item.title)}</a></noscript></kick-spin>\n'
        f'<script async src="{escape(site_address(shop, SNIPPET_SCRIPT) or "")}"></script>'
    )


def oembed(shop: ShopPage, item: ItemPage) -> dict[str, Any]:
    """The answer of an oEmbed provider, type rich (https://oembed.com, version 1.0, sections 2.3.4 and 2.3.4.4)."""
    width, height = embed_size(item)
    picture = link_picture_of(item)
    return _without_none(
        {
            "version": "1.0",
            "type": "rich",
            "title": item.title,
            "provider_name": shop.name,
            "provider_url": site_address(shop),
            "html": frame_snippet(shop, item),
            "width": width,
            "height": height,
            "thumbnail_url": item_address(shop, item, picture.path),
            "thumbnail_width": picture.width,
            "thumbnail_height": picture.height,
        }
    )


def qr_svg(address: str, title: str) -> str:
    """The address as a QR code (ISO/IEC 18004, error correction M, quiet zone of 4 modules), as inline SVG.

    Always dark on light, whatever the page's colours: many readers can't read it the other way round.
    """
    import segno

    return segno.make(address, error="m", micro=False).svg_inline(
        border=4, dark="#000", light="#fff", title=title, omitsize=True, svgclass="qr", lineclass=None
    )


# ---- lists


def sitemap_xml(shop: ShopPage, items: Iterable[ItemPage]) -> Iterator[str]:
    """Index and item pages (https://www.sitemaps.org/protocol.html, version 0.9); embeds name another page
    as theirs and are left out. No dates: a build without changes must change nothing."""
    yield '<?xml version="1.0" encoding="UTF-8"?>\n<urlset xmlns="http://www.sitemaps.org/schemas/sitemap/0.9">\n'
    yield _sitemap_row(site_address(shop))
    for item in items:
        if not item.draft:
            yield _sitemap_row(item_address(shop, item))
    yield "</urlset>\n"


def _sitemap_row(address: str | None) -> str:
    return f"<url><loc>{escape(address or '')}</loc></url>\n"


def spins_json(shop: ShopPage, items: Iterable[ItemPage]) -> Iterator[str]:
    """Every item with its addresses, for a shop's own scripts: absolute with [shop].url, else relative to the file."""
    yield from json_with_list(
        _without_none({"version": 1, "shop": shop.name, "url": site_address(shop)}),
        "items",
        (_listed(shop, item) for item in items),
    )


def json_with_list(head: Mapping[str, Any], name: str, rows: Iterable[Any]) -> Iterator[str]:
    """The text of `head | {name: [*rows]}`, indented by one, row by row."""
    text = json.dumps({**head, name: []}, ensure_ascii=False, indent=1)
    yield text.removesuffix("]\n}")
    between = "\n"
    for row in rows:
        yield between + "  " + json.dumps(row, ensure_ascii=False, indent=1).replace("\n", "\n  ")
        between = ",\n"
    yield "]\n}\n" if between == "\n" else "\n ]\n}\n"


def _listed(shop: ShopPage, item: ItemPage) -> dict[str, Any]:
    def place(path: str) -> str:
        return item_address(shop, item, path) or quote(f"{item.slug}/{path}")

    def file(held: PageFile | None) -> str | None:
        return place(held.path) if held else None

    index = "" if shop.url else "index.html"
    return _without_none({
        "slug": item.slug, "title": item.title, "alt": item.alt, "description": description_of(item),
        "price": item.price, "currency": item.currency if item.price else None,
        "availability": item.availability, "condition": item.condition, "link": item.link,
        "sku": item.sku, "gtin": item.gtin, "tags": list(item.tags),
        "page": place(index), "embed": place(f"embed/{index}"), "spin": place("spin.json"), "script": place("spin.js"),
        "poster": place(item.poster.path), "still": file(item.still), "link_picture": file(item.link_picture),
        "gif": file(item.gif), "mp4": file(item.mp4), "contact_sheet": file(item.contact_sheet),
        "width": item.spin["width"], "height": item.spin["height"], "frames": len(item.spin["frames"]),
        "draft": item.draft or None,
    })  # fmt: skip
