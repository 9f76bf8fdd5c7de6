"""`proof`: a catalogue's spins into a zip for a client."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from builder.building.build import fit_all_hotspots, measure_all, opened, picture_all
from builder.building.filling import theme_of
from builder.catalog import Catalog
from builder.derivatives.sheets import printable
from builder.errors import InputError
from builder.frames.gather import Spin, chosen_items, gather_spins, refuse_unfit
from builder.items.hotspot_places import ItemSpot
from builder.items.numbers import refuse_broken
from builder.items.pages import item_page, shop_page
from builder.items.pictures import SpinPictures
from builder.pages.rendering import proof_assets, render_proof, require_theme
from builder.pages.values import ItemPage
from builder.proof import check_proof, write_proof
from builder.site.whole import SiteFile, hashed_name
from builder.terminal import Terminal

PROOF_WIDTH = 960  # px: enough to judge a picture on a screen, small enough to mail


def make_proof(
    catalog_path: Path,
    only: tuple[str, ...],
    out: Path | None,
    watermark: str | None,
    jobs: int | None,
    terminal: Terminal,
) -> str:
    """Write the zip; returns a line to print. Raises KickwheelError."""
    if watermark is not None and not printable(watermark).strip():
        raise InputError.at(
            "--watermark", "", f"none of {watermark!r} can be drawn with the fonts that Kickwheel carries",
            "Use Latin, Greek or Cyrillic letters.",
        )  # fmt: skip
    with opened(catalog_path, jobs, terminal) as (catalog, cache, workers):
        target = out or catalog.folder / "proofs.zip"
        check_proof(target)
        require_theme(theme_of(catalog))
        spins = gather_spins(chosen_items(catalog, only, drafts=bool(only)))
        refuse_unfit(spins)
        measured = measure_all(catalog, spins, cache, workers, terminal)
        refuse_broken(measured)
        spots = fit_all_hotspots(measured)
        pictures = picture_all(catalog, measured, cache, workers, terminal, watermark=watermark)
        ordered = (spin for spin, _ in measured)
        size = write_proof(target, proof_files(catalog, ordered, pictures, spots), on_wait=terminal.note)
    count = "1 spin" if len(spins) == 1 else f"{len(spins)} spins"
    return f"Wrote {target}: {count}, {size / 1e6:.1f} MB. Your client unpacks it and opens index.html."


def proof_files(
    catalog: Catalog, spins: Iterable[Spin], pictures: Iterable[SpinPictures], spots: Mapping[str, tuple[ItemSpot, ...]]
) -> Iterator[SiteFile]:
    contents = proof_assets(theme_of(catalog))
    assets = {name: hashed_name(name, content) for name, content in contents.items()}
    for name, content in contents.items():
        yield SiteFile(assets[name], content)
    logo, logo_file = _logo(catalog)
    if logo_file:
        yield logo_file
    pages = []
    for spin, made in zip(spins, pictures):
        page = _slim(item_page(spin, made, catalog.shop.currency, spots.get(spin.slug, ())))
        pages.append(page)
        wanted = {file for source in page.spin["sources"] for file in source["files"]}
        wanted |= {"strip.webp", "poster.jpg", "still.jpg", "contact.jpg", "preview.gif", "preview.mp4"}
        for path in sorted(wanted & made.blobs.keys()):
            yield SiteFile(f"{spin.slug}/{path}", made.blobs[path])
    for path, text in render_proof(shop_page(catalog, logo), pages, assets, theme_of(catalog)).items():
        yield SiteFile(path, text.encode())


def _logo(catalog: Catalog):
    if not catalog.logo:
        return None, None
    from builder.pages.logo import read_logo
    from builder.pages.values import Logo

    content, ending, width, height = read_logo(catalog.logo)
    path = hashed_name(f"logo.{ending}", content)
    return Logo(path, width, height), SiteFile(path, content)


def _slim(page: ItemPage) -> ItemPage:
    """One width in one format: the last in the list of formats, which the most programs can show."""
    sources = page.spin["sources"]
    last = [source for source in sources if source["format"] == sources[-1]["format"]]
    enough = [source for source in last if source["width"] >= PROOF_WIDTH]
    one = min(enough or last, key=lambda source: source["width"] if enough else -source["width"])
    poster = dataclasses.replace(page.poster, sources=())
    strip = {name: value for name, value in page.spin["strip"].items() if name != "avif"}
    return dataclasses.replace(
        page, spin=dict(page.spin) | {"sources": [one], "strip": strip}, poster=poster, aliases=()
    )
