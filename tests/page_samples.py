"""A shop and its items as pages see them, made of plain values: no pictures, no catalogue."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from builder.pages.rendering import ItemPage, PageFile, Poster, PosterSource, ShopPage, Theme, proof_assets, site_assets

WIDTHS = (480, 960)
FRAME_COUNT = 12


def make_spin(slug: str, title: str, **changes: Any) -> dict[str, Any]:
    files = {
        (kind, width): [f"frames/{width}/{index:04}.{kind}" for index in range(FRAME_COUNT)]
        for kind in ("avif", "webp") for width in WIDTHS
    }  # fmt: skip
    return {
        "version": 1, "slug": slug, "title": title, "width": 960, "height": 720, "home": 2, "turn": "clockwise",
        "closed": True, "frames": [{"angle_deg": 30 * index} for index in range(FRAME_COUNT)],
        "sources": [{"format": kind, "width": width, "files": names} for (kind, width), names in files.items()],
        "strip": {"file": "strip.webp", "columns": 4, "width": 160, "height": 120}, "hotspots": [],
    } | changes  # fmt: skip


def make_item(slug: str = "milk-jug", title: str = "Milk jug", **changes: Any) -> ItemPage:
    spin = changes.pop("spin", None) or make_spin(slug, title)
    sources = tuple(
        PosterSource(kind, tuple((width, f"frames/{width}/0002.{kind}") for width in WIDTHS))
        for kind in ("avif", "webp")
    )
    item = ItemPage(
        slug=slug, title=title, spin=spin, poster=Poster("poster.jpg", spin["width"], spin["height"], sources), alt=f"{title}, seen from the front",
        description_html="<p>Glazed again, <strong>tight</strong>.</p>", price="48.00", currency="GBP",
        availability="in stock", condition="refurbished", link="https://shop.example/buy?item=1&from=spin", sku="SB-17",
        gtin="4006381333931", tags=("kitchen", "stoneware"), aliases=("old-jug",),
        gif=PageFile("preview.gif", 2_400_000, 480, 360), mp4=PageFile("preview.mp4", 812_000, 960, 720),
        still=PageFile("still.jpg", 90_000, 1200, 900), link_picture=PageFile("link.jpg", 70_000, 1200, 630),
        contact_sheet=PageFile("contact.jpg", 300_000, 1500, 1100),
    )  # fmt: skip
    return replace(item, **changes)


BARE_ITEM = make_item(
    "bare", "Bare", alt=None, description_html="", price=None, availability=None, condition=None, link=None, sku=None,
    gtin=None, tags=(), aliases=(), gif=None, mp4=None, still=None, link_picture=None, contact_sheet=None,
)  # fmt: skip

SHOP = ShopPage(
    "Saltmarsh Bench", url="https://saltmarsh-bench.example/spins", contact="bench@saltmarsh-bench.example",
    credit="Photos: our own",
)  # fmt: skip


def asset_paths(theme: Theme = Theme()) -> dict[str, str]:
    """Logical names to paths as the site stage would hash them."""
    names = site_assets(theme) | proof_assets(theme)
    return {name: "assets/{}.0123abcd.{}".format(*name.rsplit(".", 1)) for name in names}


def picture_paths(item: ItemPage) -> set[str]:
    """Every file that stands beside the item's page in a site."""
    kept = (item.gif, item.mp4, item.still, item.link_picture, item.contact_sheet)
    names = {"poster.jpg", "strip.webp", *(file.path for file in kept if file)}
    names |= {name for source in item.spin["sources"] for name in source["files"]}
    return {f"{item.slug}/{name}" for name in names}
