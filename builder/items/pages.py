"""Catalogue, facts and file sizes to the values that pages are made from."""

from __future__ import annotations

import html
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from builder.catalog import Catalog
from builder.errors import OutputError
from builder.frames.gather import Spin
from builder.items.hotspot_places import ItemSpot, viewer_spots
from builder.items.pictures import SpinPictures
from builder.pages.text import render_markdown
from builder.pages.values import ItemPage, Logo, PageFile, Poster, PosterSource, ShopPage

LINK_SIZE = (1200, 630)  # px, link.jpg


def shop_page(catalog: Catalog, logo: Logo | None) -> ShopPage:
    shop = catalog.shop
    return ShopPage(shop.name, shop.url, shop.language, shop.contact, logo, shop.credit)


def item_page(spin: Spin, pictures: SpinPictures, currency: str | None, spots: Sequence[ItemSpot] = ()) -> ItemPage:
    keys, facts = spin.item.keys, pictures.facts
    page_spin = spin_dict(spin.slug, keys.title, facts, viewer_spots(spots, facts))
    return ItemPage(
        slug=spin.slug,
        title=keys.title,
        spin=page_spin,
        poster=poster_of(page_spin, facts["poster"]),
        alt=keys.alt,
        description_html=render_markdown(spin.item.description),
        price=None if keys.price is None else str(keys.price),
        currency=currency,
        availability=keys.availability,
        condition=keys.condition,
        link=keys.link,
        sku=keys.sku,
        gtin=keys.gtin,
        tags=keys.tags,
        aliases=keys.aliases,
        gif=_file(pictures, "preview.gif"),
        mp4=_file(pictures, "preview.mp4"),
        still=_file(pictures, "still.jpg", facts["still"]),
        link_picture=_file(pictures, "link.jpg", LINK_SIZE),
        contact_sheet=_file(pictures, "contact.jpg", facts["contact"]),
        draft=keys.draft,
    )


def spin_dict(slug: str, title: str, facts: Mapping[str, Any], spots: list[dict[str, Any]]) -> dict[str, Any]:
    """The content of spin.json."""
    return {
        "version": 1, "slug": slug, "title": title, "width": facts["width"], "height": facts["height"],
        "home": facts["home"], "turn": facts["turn"], "closed": facts["closed"],
        "frames": [{"angle_deg": angle} for angle in facts["angles"]],
        "sources": facts["sources"], "strip": facts["strip"], "hotspots": spots,
    }  # fmt: skip


def poster_of(spin: Mapping[str, Any], size: tuple[int, int]) -> Poster:
    """The home frame in every format and width of the ladder, with poster.jpg behind it."""
    ladders: dict[str, list[tuple[int, str]]] = {}
    for source in spin["sources"]:
        ladders.setdefault(source["format"], []).append((source["width"], source["files"][spin["home"]]))
    sources = tuple(PosterSource(name, tuple(sorted(files))) for name, files in ladders.items() if name != "jpeg")
    return Poster("poster.jpg", size[0], size[1], sources)


def _file(pictures: SpinPictures, path: str, size: tuple[int, int] | None = None) -> PageFile | None:
    blob = pictures.blobs.get(path)
    width, height = size or (None, None)
    return PageFile(path, blob.size, width, height) if blob else None


def pages_as_last_built(out: Path, slugs: set[str]) -> Iterator[ItemPage]:
    """Index entries of items in the site as it stands: for a build of other items.

    Raises OutputError when the site's own lists can't be read any more.
    """
    try:
        listed = json.loads((out / "spins.json").read_text("utf-8"))["items"]
        yield from (_listed_page(out, entry) for entry in listed if entry["slug"] in slugs)
    except FileNotFoundError:
        return
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OutputError.at(
            out / "spins.json", "", f"the list of what is built can't be read ({error})", "Build once without --item."
        ) from None


def _listed_page(out: Path, entry: Mapping[str, Any]) -> ItemPage:
    spin = json.loads((out / entry["slug"] / "spin.json").read_text("utf-8"))
    width = min(spin["width"], 960)
    size = (width, round(spin["height"] * width / spin["width"]))
    kept = {
        key: entry.get(key) for key in ("alt", "price", "currency", "availability", "condition", "link", "sku", "gtin")
    }
    return ItemPage(
        slug=entry["slug"],
        title=entry["title"],
        spin=spin,
        poster=poster_of(spin, size),
        tags=tuple(entry.get("tags", ())),
        draft=bool(entry.get("draft")),
        description_html=html.escape(entry.get("description", "")),
        **{
            f"{name}": _listed_file(out, entry, name)
            for name in ("gif", "mp4", "still", "link_picture", "contact_sheet")
        },
        **kept,
    )


def _listed_file(out: Path, entry: Mapping[str, Any], name: str) -> PageFile | None:
    if not entry.get(name):
        return None
    path = entry[name].rpartition("/")[2]
    width, height = LINK_SIZE if name == "link_picture" else (None, None)
    return PageFile(path, (out / entry["slug"] / path).stat().st_size, width, height)
