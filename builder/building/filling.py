"""One site being filled: each item's files and pages as they come, the lists of all items at the end."""

from __future__ import annotations

import dataclasses
import io
import time
from collections.abc import Callable, Iterable, Mapping

from builder.building.job import Job
from builder.catalog import Catalog
from builder.catalog.inside import outside_faults
from builder.errors import InputError
from builder.frames.gather import Spin, chosen_items
from builder.items.hotspot_places import ItemSpot
from builder.items.pages import item_page, pages_as_last_built, shop_page
from builder.items.pictures import Shown, SpinPictures
from builder.pages.rendering import Theme, render_item, require_theme, shop_pages, site_assets, theme_print
from builder.pages.values import ItemPage
from builder.site.whole import SiteFile, SiteWriter, WrittenSite, hashed_name
from builder.store.cache import Blob, digest
from builder.store.shelf import Shelf

THEME_FOLDER = "theme"  # beside the catalogue: a shop's own templates and style


def theme_of(catalog: Catalog) -> Theme:
    """Raises InputError for files of a shop's own theme that are links out of the catalogue."""
    own = catalog.folder / THEME_FOLDER
    if not own.is_dir():
        return Theme(catalog.shop.theme)
    if not catalog.shop.allow_outside:
        faults = outside_faults([own, *own.rglob("*")], catalog.folder)
        if faults:
            raise InputError(*faults)
    return Theme(catalog.shop.theme, own)


class Filling:
    """Raises InputError for a theme that isn't there or fails, DamagedEntry for cached content that is damaged."""

    def __init__(self, site: SiteWriter, job: Job, catalog: Catalog, spots: Mapping[str, tuple[ItemSpot, ...]]) -> None:
        self.site, self.job, self.catalog, self.spots = site, job, catalog, spots
        self.theme = theme_of(catalog)
        require_theme(self.theme)
        contents = site_assets(self.theme)
        self.assets = {name: hashed_name(name, content) for name, content in contents.items()}
        self.shop = shop_page(catalog, self._logo())
        self.pages: Shelf[ItemPage] = Shelf()  # as much of each as the lists show
        self._page_of: dict[str, int] = {}  # slug -> number in pages
        self._theme_print = theme_print(self.theme)
        for name, content in contents.items():
            site.add(SiteFile(self.assets[name], content))

    def add_item(self, spin: Spin, made: SpinPictures) -> Shown:
        for path, blob in made.blobs.items():
            self.site.add(SiteFile(f"{spin.slug}/{path}", blob))
        page = item_page(spin, made, self.catalog.shop.currency, self.spots.get(spin.slug, ()))
        key = digest("page", self._theme_print, self.shop, page, self.assets)
        texts = self._texts(key, lambda: render_item(self.shop, page, self.assets, self.theme))
        for path, blob in texts.items():
            self.site.add(SiteFile(path, blob))
        self.job.cache.let_go([*made.blobs.values(), *texts.values()])
        self._list(listed(page))
        return Shown.of(made)

    def finish(self) -> WrittenSite:
        if self.job.request.only:
            self._keep_others()
        order = [self._page_of[item.slug] for item in self.catalog.items if item.slug in self._page_of]
        shown = self.pages.arranged(order)
        for path, pieces in shop_pages(self.shop, shown, self.assets, self.theme):
            self.site.add(SiteFile(path, encoded(pieces)))
        return self.site.finish()

    def _list(self, page: ItemPage) -> None:
        self._page_of[page.slug] = len(self.pages)
        self.pages.append(page)

    def _texts(self, key: str, render: Callable[[], Mapping[str, str]]) -> Mapping[str, Blob]:
        """An item's pages, rendered only when something in them is new."""
        entry = None if self.job.request.force else self.job.cache.get(key, held=self.site.previous.find)
        if entry is None:
            began = time.process_time()
            texts = {path: text.encode() for path, text in render().items()}
            entry = self.job.cache.put(key, texts, cost_s=time.process_time() - began)
            self.job.done["page"] += 1
        return entry.blobs

    def _keep_others(self) -> None:
        """The items that this build wasn't asked for stay as last built."""
        every = chosen_items(self.catalog, (), drafts=self.job.request.drafts)
        others = [item for item in every if item.slug not in self._page_of]
        for page in pages_as_last_built(self.job.out, {item.slug for item in others}):
            self._list(listed(page))
        for item in others:
            for slug in (item.slug, *item.keys.aliases):
                self.site.keep(slug)
        self.site.keep("assets")

    def _logo(self):
        if not self.catalog.logo:
            return None
        from builder.pages.logo import read_logo
        from builder.pages.values import Logo

        content, ending, width, height = read_logo(self.catalog.logo)
        path = hashed_name(f"logo.{ending}", content)
        self.site.add(SiteFile(path, content))
        return Logo(path, width, height)


def listed(page: ItemPage) -> ItemPage:
    """An item's page without what only the item's own page shows: the names of all its frames' files."""
    return dataclasses.replace(page, spin={name: page.spin[name] for name in ("width", "height", "closed", "frames")})


def encoded(pieces: Iterable[str]) -> bytes:
    """A text that comes in pieces, which together are megabytes: never twice in memory."""
    content = io.BytesIO()
    for piece in pieces:
        content.write(piece.encode())
    return content.getvalue()
