"""Templates and values -> {path: text}. Writes nothing, and knows nothing of pixels.

Every link is relative to its page, so that the site works below any path and from disk. What needs an address
(canonical, Open Graph, JSON-LD, oEmbed, sitemap, QR code, snippets) is there when the shop has one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from builder.pages import metadata
from builder.pages.text import clean_html, format_bytes, format_price, read_locale
from builder.pages.theme import (
    Theme,
    proof_assets,
    read_labels,
    render_template,
    require_theme,
    site_assets,
    template_pieces,
    text_direction,
    theme_files,
    theme_print,
)  # fmt: skip
from builder.pages.values import ItemPage, Logo, PageFile, Poster, PosterSource, ShopPage
from builder.pages.viewer import join_viewer, render_spin_block, render_spin_js, viewer_labels

__all__ = [
    "ItemPage", "Logo", "PageFile", "Poster", "PosterSource", "ShopPage", "Theme", "proof_assets", "render_item",
    "render_proof", "render_shop_pages", "render_site", "require_theme", "shop_pages", "site_assets", "theme_files", "theme_print",
]  # fmt: skip

EAGER_CARDS = 4  # pictures of the index that are asked for at once: the first rows on most screens


def render_site(shop: ShopPage, items: Sequence[ItemPage], assets: Mapping[str, str], theme: Theme) -> dict[str, str]:
    """All pages and texts of a site by path. `assets`: logical name -> path from the site's root."""
    pages = render_shop_pages(shop, items, assets, theme)
    for item in items:
        pages |= render_item(shop, item, assets, theme)
    return pages


def render_item(shop: ShopPage, item: ItemPage, assets: Mapping[str, str], theme: Theme) -> dict[str, str]:
    """Everything below SLUG/ that is text, and what stands at the item's old addresses."""
    spin = spin_data(item, shop.language)
    pages = {
        f"{item.slug}/index.html": _item_page(shop, item, spin, assets, theme),
        f"{item.slug}/embed/index.html": _embed_page(shop, item, spin, assets, theme),
        f"{item.slug}/spin.json": _json(spin),
        f"{item.slug}/spin.js": render_spin_js(spin),
    }
    if shop.url:
        pages[f"{item.slug}/oembed.json"] = _json(metadata.oembed(shop, item))
    for alias in item.aliases:
        pages |= _alias_pages(shop, item, alias, spin, assets, theme)
    return pages


def shop_pages(
    shop: ShopPage, items: Sequence[ItemPage], assets: Mapping[str, str], theme: Theme
) -> Iterator[tuple[str, Iterable[str]]]:
    """What belongs to no single item, each as (path, its text in pieces): the index, the lists, the not-found page, the
    script of pasted snippets. Of thousands of items only the one being written is asked for."""
    yield "index.html", _index_page(shop, items, assets, theme)
    yield "404.html", (_not_found_page(shop, assets, theme),)
    yield "spins.json", metadata.spins_json(shop, items)
    yield metadata.SNIPPET_SCRIPT, (join_viewer(),)
    if shop.url:
        yield "sitemap.xml", metadata.sitemap_xml(shop, items)


def render_shop_pages(
    shop: ShopPage, items: Sequence[ItemPage], assets: Mapping[str, str], theme: Theme
) -> dict[str, str]:
    """`shop_pages` as whole texts."""
    return {path: "".join(pieces) for path, pieces in shop_pages(shop, items, assets, theme)}


def render_proof(shop: ShopPage, items: Sequence[ItemPage], assets: Mapping[str, str], theme: Theme) -> dict[str, str]:
    """The page a client opens from the unpacked proof: `assets` as given by proof_assets. Asks for no address."""
    page = _page(shop, assets, theme, depth=0)
    cards = [
        {
            "item": item,
            "view": _item_view(shop, item, page["labels"], f"{item.slug}/"),
            "data": _block(item, shop.language),
        }
        for item in items
    ]
    return {"index.html": render_template(theme, "proof.html.j2", page | {"cards": cards})}


def spin_data(item: ItemPage, language: str) -> dict[str, Any]:
    """What spin.json holds: the spin, and the viewer's labels where they aren't English."""
    spin = dict(item.spin)
    spin["hotspots"] = [_safe_spot(spot) for spot in spin.get("hotspots", ())]
    labels = viewer_labels(language)
    if labels:
        spin |= {"language": language, "labels": labels}
    return spin


def _safe_spot(spot: Mapping[str, Any]) -> dict[str, Any]:
    return dict(spot) | {"html": clean_html(spot.get("html", ""))}


def _shown_spots(spin: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [spot | {"html": Markup(spot["html"])} for spot in spin["hotspots"]]


# ---- single pages


def _item_page(shop: ShopPage, item: ItemPage, spin: Mapping[str, Any], assets: Mapping[str, str], theme: Theme) -> str:
    page = _page(shop, assets, theme, depth=1)
    address = metadata.item_address(shop, item)
    values = {
        "item": item,
        "view": _item_view(shop, item, page["labels"], ""),
        "data": Markup(render_spin_block(spin)),
        "spots": _shown_spots(spin),
        "canonical": address,
        "description": metadata.description_of(item),
    }
    if address:
        values |= {
            "open_graph": metadata.open_graph(shop, item),
            "oembed": metadata.item_address(shop, item, "oembed.json"),
            "product": Markup(render_spin_block(metadata.product_ld(shop, item))),
            "qr": Markup(metadata.qr_svg(address, page["labels"]["qr"])),
            "snippets": {
                "frame": metadata.frame_snippet(shop, item),
                "element": metadata.element_snippet(shop, item),
            },
        }
    return render_template(theme, "item.html.j2", page | values)


def _embed_page(
    shop: ShopPage, item: ItemPage, spin: Mapping[str, Any], assets: Mapping[str, str], theme: Theme
) -> str:
    page = _page(shop, assets, theme, depth=2)
    values = {
        "policies": content_policies(shop, embed=True),
        "item": item,
        "view": _item_view(shop, item, page["labels"], "../"),
        "spots": _shown_spots(spin),
        "data": Markup(render_spin_block(spin)),
        "canonical": metadata.item_address(shop, item),
        "description": metadata.description_of(item),
    }
    return render_template(theme, "embed.html.j2", page | values)


def _index_page(shop: ShopPage, items: Sequence[ItemPage], assets: Mapping[str, str], theme: Theme) -> Iterator[str]:
    page = _page(shop, assets, theme, depth=0)
    cards = _Cards(shop, items, page["labels"])
    values = {"cards": cards, "eager_cards": EAGER_CARDS, "canonical": metadata.site_address(shop)}
    return template_pieces(theme, "index.html.j2", page | values)


class _Cards(Sequence):
    """The index's items as its template shows them, each made when it is asked for."""

    def __init__(self, shop: ShopPage, items: Sequence[ItemPage], labels: Mapping[str, str]) -> None:
        self._shop, self._items, self._labels = shop, items, labels

    def __len__(self) -> int:
        return len(self._items)

    def __getitem__(self, number: Any) -> Any:
        if isinstance(number, slice):
            return [self[place] for place in range(*number.indices(len(self)))]
        item = self._items[number]
        return {"item": item, "view": _item_view(self._shop, item, self._labels, f"{quote(item.slug)}/")}


def _not_found_page(shop: ShopPage, assets: Mapping[str, str], theme: Theme) -> str:
    """A host shows it at any depth: links start at the host's root where the address tells the path."""
    page = _page(shop, assets, theme, depth=0)
    page["rel"] = metadata.root_path(shop) or ""
    return render_template(theme, "404.html.j2", page | {"canonical": None})


def _alias_pages(
    shop: ShopPage, item: ItemPage, alias: str, spin: Mapping[str, Any], assets: Mapping[str, str], theme: Theme
) -> dict[str, str]:
    """An old slug's pages lead on to the new; pasted snippets that name the old one go on turning."""
    page = _page(shop, assets, theme, depth=1) | {"item": item, "canonical": metadata.item_address(shop, item)}
    inner = _page(shop, assets, theme, depth=2) | {"item": item, "canonical": page["canonical"]}
    moved = dict(spin) | _moved_paths(spin, f"../{item.slug}/")
    pages = {
        f"{alias}/index.html": render_template(theme, "alias.html.j2", page | {"goal": f"../{item.slug}/index.html"}),
        f"{alias}/embed/index.html": render_template(
            theme, "alias.html.j2", inner | {"goal": f"../../{item.slug}/embed/index.html"}
        ),
        f"{alias}/spin.json": _json(moved),
        f"{alias}/spin.js": render_spin_js(moved),
    }
    if shop.url:
        pages[f"{alias}/oembed.json"] = _json(metadata.oembed(shop, item))
    return pages


def _moved_paths(spin: Mapping[str, Any], prefix: str) -> dict[str, Any]:
    sources = [dict(source) | {"files": [prefix + file for file in source["files"]]} for source in spin["sources"]]
    strip = dict(spin.get("strip") or {})
    strip |= {name: prefix + strip[name] for name in ("file", "avif") if name in strip}
    return {"sources": sources, "strip": strip or None}


# ---- what templates see


def _page(shop: ShopPage, assets: Mapping[str, str], theme: Theme, *, depth: int) -> dict[str, Any]:
    """Values of every template. `rel` leads from the page to the site's root; `t` holds the labels."""
    labels = read_labels(theme, shop.language)
    return {
        "shop": shop,
        "rel": "../" * depth,
        "canonical": None,
        "assets": assets,
        "labels": labels,
        "t": SimpleNamespace(**labels),  # not the dict: {{ t.copy }} would be its method
        "language": shop.language,
        "direction": text_direction(shop.language),
        "policies": content_policies(shop),
        "fill": fill,
    }


def content_policies(shop: ShopPage, *, embed: bool = False) -> tuple[str, str]:
    """The page's two Content-Security-Policies (W3C CSP Level 3), both in force: what it may load, own files only
    and nothing inline; and where it may lead.

    'self' covers files on disk too in Chromium, Firefox and WebKit. In a sandboxed frame WebKit matches it with
    nothing, since the page's origin is opaque there: embeds also name the site's address. Nothing of ours
    connects, but page audits ask for robots.txt in the page's name. Two policies rather than one, since the Nu
    HTML checker reads the last, and can't tell what 'self' is for a page on disk.
    """
    origin = metadata.origin(shop) if embed else None
    own = f"'self' {origin}" if origin else "'self'"
    kinds = "; ".join(f"{kind}-src {own}" for kind in ("script", "style", "img", "media", "connect"))
    return f"default-src 'none'; {kinds}", "base-uri 'none'; form-action 'none'"


def fill(text: str, **values: object) -> str:
    """Put values into a label's {places}; a place without a value stays as it is."""
    return re.sub(r"\{(\w+)\}", lambda found: str(values.get(found[1], found[0])), text)


def _item_view(shop: ShopPage, item: ItemPage, labels: Mapping[str, str], base: str) -> dict[str, Any]:
    """An item as the templates show it; `base` leads from the page to the item's folder."""
    availability = _shop_word(metadata.AVAILABILITY, item.availability, labels, shop.language)
    condition = _shop_word(metadata.CONDITION, item.condition, labels, shop.language)
    return {
        "base": base,
        "price": format_price(item.price, item.currency, shop.language) if item.price else None,
        "availability": availability,
        "condition": condition,
        "gone": metadata.member_of(metadata.AVAILABILITY, item.availability)
        in ("SoldOut", "OutOfStock", "Discontinued"),
        "description": Markup(item.description_html),
        "facts": _facts(item, labels, shop.language),
        "files": _files(item, labels, shop.language),
        "enquiry": _enquiry(shop, item, labels),
        "share_mail": _share_mail(shop, item),
    }


def _shop_word(words: Mapping[str, str], value: str | None, labels: Mapping[str, str], language: str) -> str | None:
    """The shop's own word with a capital; a member's name, or an English word on another page, is translated."""
    if not value:
        return None
    member = metadata.member_of(words, value)
    if member and (member == value or not language.lower().startswith("en")):
        return labels[member]
    return value[:1].upper() + value[1:]


def _facts(item: ItemPage, labels: Mapping[str, str], language: str) -> list[tuple[str, str]]:
    facts = [(labels["sku"], item.sku), (labels["gtin"], item.gtin), (labels["views"], _views(item, labels, language))]
    return [(name, value) for name, value in facts if value]


def _views(item: ItemPage, labels: Mapping[str, str], language: str) -> str:
    """How many views, and how far apart where the steps are even to a degree."""
    from babel.numbers import format_decimal

    angles = [frame["angle_deg"] for frame in item.spin["frames"]]
    steps = [later - earlier for earlier, later in zip(angles, angles[1:], strict=False)]
    if item.spin.get("closed", True):
        steps.append(360 - angles[-1] + angles[0])
    if not steps or max(steps) - min(steps) > 2:
        return fill(labels["views_count"], count=len(angles))
    mean = format_decimal(sum(steps) / len(steps), "0.#", locale=read_locale(language))
    return fill(labels["views_even"], count=len(angles), step=mean)


def _files(item: ItemPage, labels: Mapping[str, str], language: str) -> list[dict[str, Any]]:
    """The files to keep, each with a name, its place beside the page and its size in words."""
    held = (("mp4", item.mp4), ("gif", item.gif), ("still", item.still), ("contact", item.contact_sheet))
    return [
        {
            "kind": kind, "name": labels[kind], "path": file.path, "size": format_bytes(file.size_bytes, language),
            "save_as": f"{item.slug}-{file.path.rpartition('/')[2]}", "width": file.width, "height": file.height,
            "pictured": kind in ("still", "contact") and bool(file.width),
        }
        for kind, file in held if file
    ]  # fmt: skip


def _enquiry(shop: ShopPage, item: ItemPage, labels: Mapping[str, str]) -> str | None:
    """A mailto address (RFC 6068) with the item in its subject."""
    if not shop.contact:
        return None
    subject = fill(labels["mail_subject"], title=item.title) + (f" ({item.sku})" if item.sku else "")
    address = metadata.item_address(shop, item)
    body = f"&body={quote(address + chr(13) + chr(10), safe='')}" if address else ""
    return f"mailto:{quote(shop.contact, safe='@')}?subject={quote(subject, safe='')}{body}"


def _share_mail(shop: ShopPage, item: ItemPage) -> str | None:
    address = metadata.item_address(shop, item)
    if address is None:
        return None
    return f"mailto:?subject={quote(item.title, safe='')}&body={quote(address, safe='')}"


def _block(item: ItemPage, language: str) -> Markup:
    return Markup(render_spin_block(spin_data(item, language)))


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n"
