"""`check`: measure a catalogue's spins, one bare folder of photos or one film, and say what was found."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

from builder.building.build import measure_all, opened
from builder.check_report.lines import check_json, check_lines, has_failed
from builder.errors import InputError
from builder.frames.gather import chosen_items, gather_spins
from builder.frames.photos import find_photos, single_photo
from builder.pages.text import json_text
from builder.spin import FILM_ENDINGS, Photo, SpinMeasures
from builder.store.writing import explain, replace_whole
from builder.terminal import Terminal

Checked = list[tuple[SpinMeasures, tuple[Photo, ...]]]


def run_check(source: Path, terminal: Terminal, *, jobs: int | None, as_json: bool, html: Path | None) -> int:
    """Print the report; returns the exit status: 1 when something must be shot again. Raises KickwheelError."""
    with ExitStack() as stack:
        if is_film(source):
            folder = stack.enter_context(TemporaryDirectory(prefix="kickwheel-", ignore_cleanup_errors=True))
            checked = check_film(source, Path(folder), terminal)
        elif is_bare_folder(source):
            checked = check_folder(source)
        else:
            checked = check_catalog(source, jobs, terminal)
        return _report(checked, terminal, as_json=as_json, html=html)


def _report(checked: Checked, terminal: Terminal, *, as_json: bool, html: Path | None) -> int:
    spins = [measures for measures, _ in checked]
    if html:
        from builder.check_report.page import render_check_page

        try:
            page = render_check_page(spins, {measures.slug: photos for measures, photos in checked})
            replace_whole(html, page.encode("utf-8", "backslashreplace"))  # names that are no UTF-8
        except OSError as error:
            raise explain(error, html) from error
        terminal.note(f"Wrote {html}.")
    if as_json:
        import click

        click.echo(json_text(check_json(spins)))
    else:
        for line in check_lines(spins):
            terminal.say(line)
    return 1 if has_failed(spins) else 0


def is_film(source: Path) -> bool:
    return source.suffix.lower() in FILM_ENDINGS and not source.is_dir()


def is_bare_folder(source: Path) -> bool:
    return source.is_dir() and not (source / "catalog.toml").is_file()


def check_folder(folder: Path) -> Checked:
    """A folder of photos before any catalogue exists. Raises InputError when it holds no readable photo."""
    from builder.measured import measure_spin
    from builder.workers import cores_granted, one_thread

    one_thread()
    found = find_photos(folder)
    if not found.photos:
        broken = f" ({found.unreadable[0].path.name}: {found.unreadable[0].why})" if found.unreadable else ""
        raise InputError.at(folder, "", f"it holds no photo that can be read{broken}", "Name a folder of frames.")
    name = folder.resolve().name
    measures = measure_spin(
        found.photos, slug=name, source=str(folder), unreadable=found.unreadable, threads=cores_granted()
    )
    return [(measures, found.photos)]


def check_film(film: Path, folder: Path, terminal: Terminal) -> Checked:
    """A film of the turn; its frames are written to a folder. Raises InputError when nothing turns in it."""
    from builder.filmed import film_findings, film_note, take_frames
    from builder.findings import with_findings
    from builder.measured import measure_spin
    from builder.measured.abreast import granted
    from builder.workers import cores_granted, one_thread

    one_thread()
    with granted(cores_granted()):
        take = take_frames(film, folder)
    terminal.note(f"{film.name}: {film_note(take)}.")
    photos = tuple(single_photo(folder / name) for name in take.names)
    measures = measure_spin(photos, slug=film.stem, source=str(film), closed=take.closed, threads=cores_granted())
    return [(with_findings(measures, film_findings(take, part=False)), photos)]


def check_catalog(path: Path, jobs: int | None, terminal: Terminal) -> Checked:
    with opened(path, jobs, terminal) as (catalog, cache, workers):
        spins = gather_spins(chosen_items(catalog, (), drafts=True))
        empty = [spin.item.frames_dir for spin in spins if not (spin.photos or spin.item.film)]
        if empty:
            raise InputError.at(empty[0], "", "it holds no photo that can be read", "Put the frames of the turn there.")
        measured = measure_all(catalog, spins, cache, workers, terminal)
    return [(measures, spin.photos) for spin, measures in measured]
