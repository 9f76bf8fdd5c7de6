"""The whole build as one story: read, gather, measure, picture, write pages, swap the site in."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from builder.cache import Blob, Cache, DamagedEntry, digest
from builder.catalog import Catalog, CatalogItem, catalog_file, read_catalog
from builder.gather import Spin, chosen_items, gather_spins, refuse_unfit
from builder.item import measure, refuse_broken
from builder.job import CACHE_FOLDER, BuildRequest, BuildResult, BuiltItem, Job
from builder.last_build import take_stamps
from builder.making import SpinPictures, add_contact_sheet, make_pictures
from builder.site import SiteFile, SiteWriter, WrittenSite, check_output, hashed_name, open_site
from builder.spin import SpinMeasures
from builder.terminal import Terminal
from builder.work import Settings
from builder.workers import Workers

THEME_FOLDER = "theme"  # beside the catalogue: a shop's own templates and style


def build_site(request: BuildRequest, terminal: Terminal) -> BuildResult:
    """Build a catalogue's site, or one share of its results.

    Whether there is anything to do is `already_built`'s question. Raises KickwheelError: bad input, or an output
    folder that isn't ours.
    """
    job = Job.of(request)
    catalog_stamp = take_stamps([job.file])
    catalog = read_catalog(job.file)
    items = share_of(chosen_items(catalog, request.only, drafts=request.drafts), request.shard)
    if request.explain:
        chosen_items(catalog, (request.explain,), drafts=True)
    sources = [path for item in items for path in (item.frames_dir, item.grey_card, item.plate) if path]
    if not request.drafts and not request.shard:  # a preview lies in our own folder
        check_output(job.out, catalog_file=job.file, inputs=[i.frames_dir for i in catalog.items])
    stamps = catalog_stamp | take_stamps([*sources, *_texts(catalog)])
    spins = gather_spins(items)
    refuse_unfit(spins)
    with job.cache.locked(on_wait=terminal.note), Workers(request.jobs) as workers:
        measured = measure_all(catalog, spins, job.cache, workers, terminal, force=request.force)
        refuse_broken(measured)
        if request.strict and any(f.severity == "fail" for _, found in measured for f in found.findings):
            return BuildResult(job.out, _built(measured, {}), stopped=True)
        make = _make_share if request.shard else _write
        result = make(job, catalog, measured, workers, terminal)
        if request.explain:
            _explain(job, catalog, measured, workers)
        job.cache.fingerprints.save()
        job.cache.trim()
    if not request.shard:
        job.remember(stamps)
    return result


def share_of(items: list[CatalogItem], shard: tuple[int, int] | None) -> list[CatalogItem]:
    """Every N-th item: shares of like size, since neighbours in a catalogue tend to be alike."""
    return items[shard[0] - 1 :: shard[1]] if shard else items


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
    return Theme(catalog.shop.theme, own if own.is_dir() else None)


# ---- measuring and picturing, several items at once ---------------------------------------------------------


def measure_all(
    catalog: Catalog, spins: list[Spin], cache: Cache, workers: Workers, terminal: Terminal, *, force: bool = False
) -> list[tuple[Spin, SpinMeasures]]:
    """Every spin with its measures, photos in turning order."""
    widest = max(catalog.output.widths)
    with terminal.progress("Measuring spins", len(spins)) as advance:
        return _side_by_side(
            spins, lambda spin: measure(spin, widest, cache, workers, force=force), workers, lambda *_: advance()
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
    done: Callable[[Spin, SpinPictures], None] = lambda spin, made: None,
) -> list[SpinPictures]:
    """The pictures of all spins, in order. done: called here, in this thread, as soon as a spin is ready."""
    total = sum(len(spin.photos) for spin, _ in measured)
    with terminal.progress("Finishing frames", total) as advance:

        def work(pair: tuple[Spin, SpinMeasures]) -> SpinPictures:
            spin, measures = pair
            settings = replace(settings_of(catalog, spin), watermark=watermark)
            made = make_pictures(spin, measures, settings, cache, workers, advance, force=force, held=held)
            return add_contact_sheet(made, spin.item.keys.title, catalog.shop.name, cache, workers, held=held)

        return _side_by_side(measured, work, workers, lambda pair, made: done(pair[0], made))


def settings_of(catalog: Catalog, spin: Spin) -> Settings:
    keys = spin.item.keys
    return Settings(spin.item.finish, catalog.output, keys.closed, keys.turn, keys.start, catalog.shop.disc_mm)


def _side_by_side(things: list, work: Callable, workers: Workers, done: Callable) -> list:
    """Results in order; the single-handed stages of one item run while another's frames are at work."""
    threads = ThreadPoolExecutor(1 if workers.jobs == 1 else workers.jobs + 1)
    try:
        jobs = {threads.submit(work, thing): thing for thing in things}
        for job in as_completed(jobs):
            done(jobs[job], job.result())
        return [job.result() for job in jobs]
    except BaseException:
        workers.stop()
        raise
    finally:
        threads.shutdown(wait=True, cancel_futures=True)


# ---- writing ------------------------------------------------------------------------------------------------


def _make_share(
    job: Job, catalog: Catalog, measured: list[tuple[Spin, SpinMeasures]], workers: Workers, terminal: Terminal
) -> BuildResult:
    """The pictures of these items in the cache or store, for a later build to take from there."""
    pictures = picture_all(
        catalog, measured, job.cache, workers, terminal, force=job.request.force,
        done=lambda spin, made: job.cache.let_go(made.blobs.values()),
    )  # fmt: skip
    share, shares = job.request.shard
    note = (
        f"The results of share {share} of {shares} are in {job.cache.root}; no site was written. "
        f"A build with --store {job.cache.root} takes them from there."
    )
    return replace(_result(job, measured, pictures, workers, None), notes=(note,))


def _write(
    job: Job, catalog: Catalog, measured: list[tuple[Spin, SpinMeasures]], workers: Workers, terminal: Terminal
) -> BuildResult:
    """Pictures and pages into the site. A cached result that turns out damaged is made again, once.

    Each item's files go to the site as soon as they are there, so that a shop larger than the cache can be built.
    """
    for attempt in (1, 2):
        with open_site(job.out, memory=job.memory, on_wait=terminal.note) as site:
            try:
                pictures = picture_all(
                    catalog, measured, job.cache, workers, terminal, force=job.request.force,
                    held=site.previous.find if attempt == 1 else None,
                    done=lambda spin, made: _add_pictures(site, spin, made, job.cache),
                )  # fmt: skip
                written = _fill(site, job, catalog, [spin for spin, _ in measured], pictures)
            except DamagedEntry:
                if attempt == 2:
                    raise
                continue
        return _result(job, measured, pictures, workers, written)
    raise AssertionError("unreachable")


def _result(job: Job, measured, pictures: list[SpinPictures], workers: Workers, written: WrittenSite | None) -> BuildResult:
    facts = {spin.slug: made.facts for (spin, _), made in zip(measured, pictures)}
    done = workers.done + job.done + Counter(photo=job.cache.fingerprints.read_count)
    return BuildResult(job.out, _built(measured, facts), written, saved_s=job.cache.saved_s, done=done)


def _add_pictures(site: SiteWriter, spin: Spin, made: SpinPictures, cache: Cache) -> None:
    for path, blob in made.blobs.items():
        site.add(SiteFile(f"{spin.slug}/{path}", blob))
    cache.let_go(made.blobs.values())


def _fill(
    site: SiteWriter, job: Job, catalog: Catalog, spins: list[Spin], pictures: list[SpinPictures]
) -> WrittenSite:
    from builder.item_pages import item_page, pages_as_last_built, shop_page
    from builder.pages import render_item, render_shop_pages, require_theme, site_assets, theme_print

    theme = theme_of(catalog)
    require_theme(theme)
    contents = site_assets(theme)
    assets = {name: hashed_name(name, content) for name, content in contents.items()}
    logo = _logo(catalog, site)
    shop = shop_page(catalog, logo)
    pages = {spin.slug: item_page(spin, made, catalog.shop.currency) for spin, made in zip(spins, pictures)}

    for name, content in contents.items():
        site.add(SiteFile(assets[name], content))
    print_of_theme = theme_print(theme)
    for spin in spins:
        page = pages[spin.slug]
        key = digest("page", print_of_theme, shop, page, assets)
        for path, blob in _texts_of(job, key, site, lambda: render_item(shop, page, assets, theme)).items():
            site.add(SiteFile(path, blob))
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


def _texts_of(job: Job, key: str, site: SiteWriter, render: Callable[[], Mapping[str, str]]) -> Mapping[str, Blob]:
    """An item's pages, rendered only when something in them is new."""
    entry = None if job.request.force else job.cache.get(key, held=site.previous.find)
    if entry is None:
        began = time.process_time()
        texts = {path: text.encode() for path, text in render().items()}
        entry = job.cache.put(key, texts, cost_s=time.process_time() - began)
        job.done["page"] += 1
    return entry.blobs


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


def _built(measured: list[tuple[Spin, SpinMeasures]], facts: Mapping[str, Mapping[str, Any]]) -> tuple[BuiltItem, ...]:
    return tuple(
        BuiltItem(
            spin.slug, len(spin.photos), len(facts[spin.slug]["angles"]) if spin.slug in facts else 0, measures,
            (*spin.notes, *facts.get(spin.slug, {}).get("notes", ())),
        )
        for spin, measures in measured
    )  # fmt: skip


def _explain(job: Job, catalog: Catalog, measured: list[tuple[Spin, SpinMeasures]], workers: Workers) -> None:
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
