"""The whole build as one story: read, gather, measure, picture, write pages, swap the site in."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from builder import __version__
from builder.cache import Cache, DamagedEntry, digest
from builder.catalog import Catalog, catalog_file, read_catalog
from builder.catalog.inside import outside_faults
from builder.errors import Fault, InputError
from builder.gather import Spin, chosen_items, gather_spins, refuse_unfit
from builder.item import SpinPictures, add_contact_sheet, make_pictures, measure, refuse_broken
from builder.item_hotspots import ItemSpot, fit_hotspots
from builder.last_build import last_build, remember_build, take_stamps
from builder.site import SiteFile, SiteWriter, WrittenSite, check_output, hashed_name, open_site, repair
from builder.spin import SpinMeasures
from builder.terminal import Terminal
from builder.work import Settings
from builder.workers import Workers

CACHE_FOLDER = ".kickwheel"
THEME_FOLDER = "theme"  # beside the catalogue: a shop's own templates and style


@dataclass(frozen=True, slots=True)
class BuildRequest:
    catalog: Path
    out: Path | None = None
    only: tuple[str, ...] = ()
    force: bool = False
    strict: bool = False
    drafts: bool = False
    explain: str | None = None
    jobs: int | None = None


@dataclass(frozen=True, slots=True)
class BuiltItem:
    """What the person at the terminal wants to know about one item."""

    slug: str
    frames: int
    shown: int
    measures: SpinMeasures | None = None
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BuildResult:
    out: Path
    items: tuple[BuiltItem, ...] = ()
    written: WrittenSite | None = None
    stopped: bool = False  # --strict and something to shoot again: nothing was written
    saved_s: float = 0.0  # work that the cache made needless
    notes: tuple[str, ...] = field(default=())

    @property
    def changed(self) -> bool:
        return bool(self.written and self.written.changed)


def build_site(request: BuildRequest, terminal: Terminal) -> BuildResult:
    """Build a catalogue's site. Raises KickwheelError: bad input, or an output folder that isn't ours."""
    job = _Job.of(request)
    repair(job.out)
    if not (request.force or request.explain) and job.is_built():
        return BuildResult(job.out, written=WrittenSite(0, 0, 0, 0), notes=("Nothing has changed since the last build.",))
    catalog_stamp = take_stamps([job.file])
    catalog = read_catalog(job.file)
    items = chosen_items(catalog, request.only, drafts=request.drafts)
    if request.explain:
        chosen_items(catalog, (request.explain,), drafts=True)
    sources = [path for item in items for path in (item.frames_dir, item.grey_card, item.plate) if path]
    if not request.drafts:  # a preview lies in our own folder
        check_output(job.out, catalog_file=job.file, inputs=[i.frames_dir for i in catalog.items])
    stamps = catalog_stamp | take_stamps([*sources, *_texts(catalog)])
    spins = gather_spins(items)
    refuse_unfit(spins)
    with job.cache.locked(on_wait=terminal.note), Workers(request.jobs) as workers:
        measured = measure_all(catalog, spins, job.cache, workers, terminal, force=request.force)
        refuse_broken(measured)
        spots = fit_all_hotspots(measured)
        if request.strict and any(f.severity == "fail" for _, found in measured for f in found.findings):
            return BuildResult(job.out, _built(measured, {}, spots), stopped=True)
        result = _write(job, catalog, measured, spots, workers, terminal)
        if request.explain:
            _explain(job, catalog, measured, workers)
        job.cache.fingerprints.save()
        job.cache.trim()
    job.remember(stamps)
    return result


@dataclass(frozen=True, slots=True)
class _Job:
    """Where one build reads and writes."""

    request: BuildRequest
    file: Path
    out: Path
    cache: Cache

    @classmethod
    def of(cls, request: BuildRequest) -> "_Job":
        file = catalog_file(request.catalog)
        out = request.out or file.parent / "site"
        return cls(request, file, out, Cache(file.parent / CACHE_FOLDER))

    @property
    def memory(self) -> Path:
        """Where the stamps of the written site are kept; one for each output folder."""
        return self.cache.root / "written" / f"{digest(str(self.out.resolve()))}.json"

    @property
    def record(self) -> Path:
        return self.cache.root / "built" / f"{digest(str(self.out.resolve()))}.json"

    @property
    def key(self) -> str:
        return digest(__version__, list(self.request.only), self.request.drafts)

    def is_built(self) -> bool:
        return last_build(self.record, key=self.key, out=self.out, site_memory=self.memory) is not None

    def remember(self, stamps: dict[str, str | None]) -> None:
        remember_build(self.record, key=self.key, stamps=stamps)


def _texts(catalog: Catalog) -> Iterator[Path]:
    """Files besides photos that pages depend on."""
    from builder.pages import theme_files

    for item in catalog.items:
        if item.keys.description_file:
            yield catalog.folder / item.keys.description_file
    if catalog.logo:
        yield catalog.logo
    yield from theme_files(theme_of(catalog))


def theme_of(catalog: Catalog):
    from builder.pages import Theme

    own = catalog.folder / THEME_FOLDER
    if not own.is_dir():
        return Theme(catalog.shop.theme)
    if not catalog.shop.allow_outside:
        faults = outside_faults([own, *own.rglob("*")], catalog.folder)
        if faults:
            raise InputError(*faults)
    return Theme(catalog.shop.theme, own)


# ---- measuring and picturing, several items at once ---------------------------------------------------------


def measure_all(
    catalog: Catalog, spins: list[Spin], cache: Cache, workers: Workers, terminal: Terminal, *, force: bool = False
) -> list[tuple[Spin, SpinMeasures]]:
    """Every spin with its measures, photos in turning order."""
    widest = max(catalog.output.widths)
    with terminal.progress("Measuring spins", len(spins)) as advance:
        return _side_by_side(
            spins, lambda spin: measure(spin, widest, cache, workers, force=force), workers, lambda _: advance()
        )


def picture_all(
    catalog: Catalog,
    measured: list[tuple[Spin, SpinMeasures]],
    cache: Cache,
    workers: Workers,
    terminal: Terminal,
    *,
    force: bool = False,
    held: Callable[[str], object] | None = None,
    watermark: str | None = None,
) -> list[SpinPictures]:
    total = sum(len(spin.photos) for spin, _ in measured)
    with terminal.progress("Finishing frames", total) as advance:

        def work(pair: tuple[Spin, SpinMeasures]) -> SpinPictures:
            spin, measures = pair
            settings = replace(settings_of(catalog, spin), watermark=watermark)
            made = make_pictures(spin, measures, settings, cache, workers, advance, force=force, held=held)
            return add_contact_sheet(made, spin.item.keys.title, catalog.shop.name, cache, workers, held=held)

        return _side_by_side(measured, work, workers, lambda _: None)


def fit_all_hotspots(measured: list[tuple[Spin, SpinMeasures]]) -> dict[str, tuple[ItemSpot, ...]]:
    """Hotspots by slug. Raises InputError that lists what can't be fitted in any item."""
    found: dict[str, tuple[ItemSpot, ...]] = {}
    faults: list[Fault] = []
    for spin, measures in measured:
        try:
            found[spin.slug] = fit_hotspots(spin, measures)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    return found


def settings_of(catalog: Catalog, spin: Spin) -> Settings:
    keys = spin.item.keys
    return Settings(spin.item.finish, catalog.output, spin.closed, keys.turn, keys.start, catalog.shop.disc_mm)


def _side_by_side(things: list, work: Callable, workers: Workers, done: Callable) -> list:
    """Results in order; the single-handed stages of one item run while another's frames are at work."""
    threads = ThreadPoolExecutor(1 if workers.jobs == 1 else workers.jobs + 1)
    try:
        jobs = [threads.submit(work, thing) for thing in things]
        for job in as_completed(jobs):
            job.result()
            done(job)
        return [job.result() for job in jobs]
    except BaseException:
        workers.stop()
        raise
    finally:
        threads.shutdown(wait=True, cancel_futures=True)


# ---- writing ------------------------------------------------------------------------------------------------


def _write(
    job: _Job, catalog: Catalog, measured: list[tuple[Spin, SpinMeasures]], spots: Mapping[str, tuple[ItemSpot, ...]],
    workers: Workers, terminal: Terminal,
) -> BuildResult:  # fmt: skip
    """Pictures and pages into the site. A cached result that turns out damaged is made again, once."""
    for attempt in (1, 2):
        with open_site(job.out, memory=job.memory, on_wait=terminal.note) as site:
            pictures = picture_all(
                catalog, measured, job.cache, workers, terminal,
                force=job.request.force, held=site.previous.find if attempt == 1 else None,
            )  # fmt: skip
            try:
                written = _fill(site, job, catalog, [spin for spin, _ in measured], pictures, spots)
            except DamagedEntry:
                if attempt == 2:
                    raise
                continue
        facts = {spin.slug: made.facts for (spin, _), made in zip(measured, pictures)}
        return BuildResult(job.out, _built(measured, facts, spots), written, saved_s=job.cache.saved_s)
    raise AssertionError("unreachable")


def _fill(
    site: SiteWriter, job: _Job, catalog: Catalog, spins: list[Spin], pictures: list[SpinPictures],
    spots: Mapping[str, tuple[ItemSpot, ...]],
) -> WrittenSite:
    from builder.item_pages import item_page, pages_as_last_built, shop_page
    from builder.pages import render_item, render_shop_pages, require_theme, site_assets

    theme = theme_of(catalog)
    require_theme(theme)
    contents = site_assets(theme)
    assets = {name: hashed_name(name, content) for name, content in contents.items()}
    logo = _logo(catalog, site)
    shop = shop_page(catalog, logo)
    pages = {
        spin.slug: item_page(spin, made, catalog.shop.currency, spots[spin.slug]) for spin, made in zip(spins, pictures)
    }

    for name, content in contents.items():
        site.add(SiteFile(assets[name], content))
    for spin, made in zip(spins, pictures):
        for path, blob in made.blobs.items():
            site.add(SiteFile(f"{spin.slug}/{path}", blob))
        _add_texts(site, render_item(shop, pages[spin.slug], assets, theme))
    if job.request.only:
        others = [item for item in chosen_items(catalog, (), drafts=job.request.drafts) if item.slug not in pages]
        pages |= pages_as_last_built(job.out, {item.slug for item in others})
        for item in others:
            for slug in (item.slug, *item.keys.aliases):
                site.keep(f"{slug}/")
        site.keep("assets/")
    listed = [pages[item.slug] for item in catalog.items if item.slug in pages]
    _add_texts(site, render_shop_pages(shop, listed, assets, theme))
    return site.finish()


def _add_texts(site: SiteWriter, texts: Mapping[str, str]) -> None:
    for path, text in texts.items():
        site.add(SiteFile(path, text.encode()))


def _logo(catalog: Catalog, site: SiteWriter):
    if not catalog.logo:
        return None
    from builder.logo import read_logo
    from builder.page_values import Logo

    content, ending, width, height = read_logo(catalog.logo)
    path = hashed_name(f"logo.{ending}", content)
    site.add(SiteFile(path, content))
    return Logo(path, width, height)


def _built(
    measured: list[tuple[Spin, SpinMeasures]], facts: Mapping[str, Mapping[str, Any]],
    spots: Mapping[str, tuple[ItemSpot, ...]],
) -> tuple[BuiltItem, ...]:  # fmt: skip
    def said(slug: str, large: bool) -> tuple[str, ...]:
        return tuple(spot.words(number) for number, spot in enumerate(spots[slug], 1) if spot.large == large)

    return tuple(
        BuiltItem(
            spin.slug, len(spin.photos), len(facts[spin.slug]["angles"]) if spin.slug in facts else 0, measures,
            (*spin.notes, *facts.get(spin.slug, {}).get("notes", ()), *said(spin.slug, False)), said(spin.slug, True),
        )
        for spin, measures in measured
    )  # fmt: skip


def _explain(job: _Job, catalog: Catalog, measured: list[tuple[Spin, SpinMeasures]], workers: Workers) -> None:
    from builder.explaining import write_explanation

    slug = job.request.explain
    for spin, measures in measured:
        if spin.slug == slug:
            write_explanation(catalog.folder / f"explain-{slug}", spin, measures, settings_of(catalog, spin), workers)


@contextmanager
def opened(catalog_path: Path, jobs: int | None, terminal: Terminal) -> Iterator[tuple[Catalog, Cache, Workers]]:
    """A catalogue with its cache locked and workers ready, for the commands that aren't builds."""
    file = catalog_file(catalog_path)
    catalog = read_catalog(file)
    cache = Cache(file.parent / CACHE_FOLDER)
    with cache.locked(on_wait=terminal.note), Workers(jobs) as workers:
        yield catalog, cache, workers
        cache.fingerprints.save()
