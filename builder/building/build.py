"""The whole build as one story: read, gather, measure, picture, write pages, swap the site in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

from builder.building.job import CACHE_FOLDER, BuildRequest, BuildResult, BuiltItem, Job
from builder.building.last_build import take_stamps
from builder.catalog import Catalog, CatalogItem, catalog_file, read_catalog
from builder.errors import Fault, InputError, PhotoError
from builder.frames.gather import Spin, chosen_items, gather_spins, refuse_unfit
from builder.items.hotspot_places import ItemSpot, fit_hotspots
from builder.items.numbers import measure, refuse_broken
from builder.items.pictures import Shown, SpinPictures, add_contact_sheet, make_pictures
from builder.items.work import LIBRARIES, Settings
from builder.site.whole import WrittenSite, check_output, open_site
from builder.spin import SpinMeasures
from builder.store.cache import Cache, DamagedEntry
from builder.store.shelf import Shelf
from builder.terminal import Terminal
from builder.workers import Workers

Measured = tuple[Spin, SpinMeasures]
Spots = Mapping[str, tuple[ItemSpot, ...]]  # by slug, of items that have any


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
    del items, sources  # of thousands of items; what follows has the spins
    with job.cache.locked(on_wait=terminal.note), Workers(request.jobs, LIBRARIES) as workers:
        measured = measure_all(catalog, spins, job.cache, workers, terminal, force=request.force)
        refuse_broken(measured)
        spots = fit_all_hotspots(measured)
        if request.strict and any(f.severity == "fail" for _, found in measured for f in found.findings):
            told = Shelf(_told(spin, measures, Shown(0, ()), spots) for spin, measures in measured)
            return _result(job, told, workers, None, stopped=True)
        make = _make_share if request.shard else _write
        result = make(job, catalog, measured, spots, workers, terminal)
        if request.explain:
            _explain(job, catalog, measured, workers)
        job.cache.fingerprints.save()
        job.cache.trim()
    if not request.shard:
        job.remember(stamps)
    return result


def share_of(items: Shelf[CatalogItem], shard: tuple[int, int] | None) -> Shelf[CatalogItem]:
    """Every N-th item: shares of like size, since neighbours in a catalogue tend to be alike."""
    return items.arranged(range(shard[0] - 1, len(items), shard[1])) if shard else items


def _texts(catalog: Catalog) -> Iterator[Path]:
    """Files besides photos that pages depend on."""
    from builder.building.filling import theme_of
    from builder.pages.rendering import theme_files

    for item in catalog.items:
        if item.keys.description_file:
            yield catalog.folder / item.keys.description_file
    if catalog.logo:
        yield catalog.logo
    yield from theme_files(theme_of(catalog))


# ---- measuring and picturing, several items at once ---------------------------------------------------------


def measure_all(
    catalog: Catalog, spins: Sequence[Spin], cache: Cache, workers: Workers, terminal: Terminal, *, force: bool = False
) -> Sequence[Measured]:
    """Every spin with its measures, photos in turning order. Raises PhotoError that lists every film that won't do."""
    widest, threads = max(catalog.output.widths), _threads(workers, len(spins))

    def work(spin: Spin) -> Measured | PhotoError:
        try:
            return measure(spin, widest, cache, workers, force=force, threads=threads)
        except PhotoError as error:
            if not spin.item.film:
                raise
            return error

    measured: Shelf[Measured] = Shelf()
    faults: dict[int, list[Fault]] = {}
    with terminal.progress("Measuring spins", len(spins)) as advance:

        def done(number: int, spin: Spin, found: Measured | PhotoError) -> None:
            advance()
            if isinstance(found, PhotoError):
                faults[number] = found.faults
            else:
                measured.replace(number, found)

        _side_by_side(spins, work, workers, done)
    if faults:
        raise PhotoError(*(fault for number in sorted(faults) for fault in faults[number]))
    return measured


def _threads(workers: Workers, items: int) -> int:
    """For a piece of work that its item waits for: where there are fewer items than workers, what the others would take."""
    return max(1, workers.jobs // max(1, items))


def picture_all(
    catalog: Catalog,
    measured: Sequence[Measured],
    cache: Cache,
    workers: Workers,
    terminal: Terminal,
    *,
    force: bool = False,
    held: Callable[[str], object] | None = None,
    watermark: str | None = None,
    done: Callable[[Spin, SpinMeasures, SpinPictures], Any] = lambda spin, measures, made: made,
) -> Sequence[Any]:
    """The pictures of all spins, in order, or what `done` makes of them here, in this thread, as each is ready."""
    total, threads = sum(len(spin.photos) for spin, _ in measured), _threads(workers, len(measured))
    kept: Shelf[Any] = Shelf()
    with terminal.progress("Finishing frames", total) as advance:

        def work(pair: Measured) -> SpinPictures:
            spin, measures = pair
            settings = replace(settings_of(catalog, spin), watermark=watermark)
            made = make_pictures(
                spin, measures, settings, cache, workers, advance, force=force, held=held, threads=threads
            )
            return add_contact_sheet(made, spin.item.keys.title, catalog.shop.name, cache, workers, held=held)

        _side_by_side(measured, work, workers, lambda number, pair, made: kept.replace(number, done(*pair, made)))
    return kept


def fit_all_hotspots(measured: Sequence[Measured]) -> Spots:
    """Raises InputError that lists what can't be fitted, of all items."""
    found: dict[str, tuple[ItemSpot, ...]] = {}
    faults: list[Fault] = []
    for spin, measures in measured:
        try:
            spots = fit_hotspots(spin, measures)
            found |= {spin.slug: spots} if spots else {}
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    return found


def settings_of(catalog: Catalog, spin: Spin) -> Settings:
    keys = spin.item.keys
    return Settings(spin.item.finish, catalog.output, spin.closed, keys.turn, keys.start, catalog.shop.disc_mm)


def _side_by_side(
    things: Sequence, work: Callable[[Any], Any], workers: Workers, done: Callable[[int, Any, Any], None]
) -> None:
    """`done` with each thing's number, the thing and what work made of it, in this thread, as they come.

    Only so many are taken up that results never pile up. The single-handed stages of one item run while another's
    frames are at work.
    """
    threads = ThreadPoolExecutor(1 if workers.jobs == 1 else workers.jobs + 1)
    waiting = iter(range(len(things)))
    begun: set[Future] = set()

    def take(number: int) -> tuple[int, Any, Any]:
        thing = things[number]
        return number, thing, work(thing)

    try:
        while True:
            begun |= {threads.submit(take, number) for number in islice(waiting, 2 * workers.jobs + 2 - len(begun))}
            if not begun:
                return
            over, begun = wait(begun, return_when=FIRST_COMPLETED)
            while over:
                done(*over.pop().result())
    except DamagedEntry:  # to be done again, with the same workers
        raise
    except BaseException:
        workers.stop()
        raise
    finally:
        threads.shutdown(wait=True, cancel_futures=True)


# ---- writing ------------------------------------------------------------------------------------------------


def _make_share(
    job: Job,
    catalog: Catalog,
    measured: Sequence[Measured],
    spots: Spots,
    workers: Workers,
    terminal: Terminal,
) -> BuildResult:
    """The pictures of these items in the cache or store, for a later build to take from there."""

    def done(spin: Spin, measures: SpinMeasures, made: SpinPictures) -> BuiltItem:
        job.cache.let_go(made.blobs.values())
        return _told(spin, measures, Shown.of(made), spots)

    told = picture_all(catalog, measured, job.cache, workers, terminal, force=job.request.force, done=done)
    share, shares = job.request.shard
    note = (
        f"The results of share {share} of {shares} are in {job.cache.root}; no site was written. "
        f"A build with --store {job.cache.root} takes them from there."
    )
    return replace(_result(job, told, workers, None), notes=(note,))


def _write(
    job: Job,
    catalog: Catalog,
    measured: Sequence[Measured],
    spots: Spots,
    workers: Workers,
    terminal: Terminal,
) -> BuildResult:
    """Pictures and pages into the site. A cached result that turns out damaged is made again, once.

    Each item's files go to the site as soon as they are there, and only what the lists show of it is kept: a shop
    larger than the cache, or than the memory, can be built.
    """
    from builder.building.filling import Filling

    for attempt in (1, 2):
        with open_site(job.out, memory=job.memory, on_wait=terminal.note) as site:
            try:
                filling = Filling(site, job, catalog, spots)

                def done(spin: Spin, measures: SpinMeasures, made: SpinPictures) -> BuiltItem:
                    return _told(spin, measures, filling.add_item(spin, made), spots)

                told = picture_all(
                    catalog, measured, job.cache, workers, terminal, force=job.request.force,
                    held=site.previous.find if attempt == 1 else None, done=done,
                )  # fmt: skip
                written = filling.finish()
            except DamagedEntry:
                if attempt == 2:
                    raise
                continue
        return _result(job, told, workers, written)
    raise AssertionError("unreachable")


def _told(spin: Spin, measures: SpinMeasures, shown: Shown, spots: Spots) -> BuiltItem:
    def said(large: bool) -> tuple[str, ...]:
        own = spots.get(spin.slug, ())
        return tuple(spot.words(number) for number, spot in enumerate(own, 1) if spot.large == large)

    notes = (*spin.notes, *shown.notes, *said(False))
    return BuiltItem(spin.slug, len(spin.photos), shown.frames, measures, notes, said(True))


def _result(
    job: Job, told: Sequence[BuiltItem], workers: Workers, written: WrittenSite | None, *, stopped: bool = False
) -> BuildResult:
    done = workers.done + job.done + Counter(photo=job.cache.fingerprints.read_count)
    return BuildResult(job.out, told, written, stopped=stopped, saved_s=job.cache.saved_s, done=done)


def _explain(job: Job, catalog: Catalog, measured: Sequence[Measured], workers: Workers) -> None:
    from builder.items.explaining import write_explanation

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
    with cache.locked(on_wait=terminal.note), Workers(jobs, LIBRARIES) as workers:
        yield catalog, cache, workers
        cache.fingerprints.save()
