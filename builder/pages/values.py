"""What a page is made from: plain values, no files, no pixels. Every path is relative, with `/` between its parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class PageFile:
    """A file beside an item's page (GIF, MP4, still, …)."""

    path: str  # relative to the item's folder
    size_bytes: int
    width: int | None = None  # px
    height: int | None = None  # px


@dataclass(frozen=True, slots=True)
class PosterSource:
    """The poster in one format of the frame ladder."""

    format: str  # "avif", "webp", "jpeg"
    files: tuple[tuple[int, str], ...]  # (width in px, path relative to the item's folder), narrow to wide


@dataclass(frozen=True, slots=True)
class Poster:
    """The home frame, shown before the spin turns; `sources` best format first, shown in place of `path`."""

    path: str  # JPEG, relative to the item's folder
    width: int  # px
    height: int  # px
    sources: tuple[PosterSource, ...] = ()


@dataclass(frozen=True, slots=True)
class Logo:
    path: str  # relative to the site's root
    width: int | None = None  # px; None: not known (an SVG without a size)
    height: int | None = None


@dataclass(frozen=True, slots=True)
class ShopPage:
    """What is the same on every page."""

    name: str
    url: str | None = None  # http(s) address of the site's root
    language: str = "en"  # BCP 47
    contact: str | None = None  # e-mail address for enquiries
    logo: Logo | None = None
    credit: str | None = None

    @property
    def root(self) -> str | None:
        """The address with one slash at its end."""
        return self.url.rstrip("/") + "/" if self.url else None


@dataclass(frozen=True, slots=True)
class ItemPage:
    """What one item's pages show."""

    slug: str
    title: str
    spin: Mapping[str, Any]  # content of spin.json, paths relative to it
    poster: Poster
    alt: str | None = None
    description_html: str = ""  # HTML from render_markdown
    price: str | None = None  # decimal number with a point, as in "48.00"
    currency: str | None = None  # ISO 4217
    availability: str | None = None
    condition: str | None = None
    link: str | None = None  # where to buy
    sku: str | None = None
    gtin: str | None = None
    tags: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()  # old slugs
    gif: PageFile | None = None
    mp4: PageFile | None = None
    still: PageFile | None = None
    link_picture: PageFile | None = None  # 1200 × 630 px
    contact_sheet: PageFile | None = None
    draft: bool = False

    @property
    def picture_alt(self) -> str:
        return self.alt or self.title

    @property
    def shape(self) -> str:
        """ "tall", "square" or "wide": how much of the window's height the picture may take."""
        ratio = self.poster.width / self.poster.height
        return "tall" if ratio < 0.87 else "wide" if ratio > 1.15 else "square"
