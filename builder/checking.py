"""`check`: measure a catalogue's spins, or one bare folder of photos, and say what was found."""

from __future__ import annotations

import json
from pathlib import Path

from builder.build import measure_all, opened
from builder.check_report import check_json, check_lines, has_failed
from builder.errors import InputError
from builder.frames import find_photos
from builder.gather import chosen_items, gather_spins
from builder.spin import Photo, SpinMeasures
from builder.terminal import Terminal
from builder.writing import explain, replace_whole

Checked = list[tuple[SpinMeasures, tuple[Photo, ...]]]


def run_check(source: Path, terminal: Terminal, *, jobs: int | None, as_json: bool, html: Path | None) -> int:
    """Print the report; returns the exit status: 1 when something must be shot again. Raises KickwheelError."""
    checked = check_folder(source) if is_bare_folder(source) else check_catalog(source, jobs, terminal)
    spins = [measures for measures, _ in checked]
    if html:
        from builder.check_page import render_check_page

        try:
            replace_whole(html, render_check_page(spins, {measures.slug: photos for measures, photos in checked}).encode())
        except OSError as error:
            raise explain(error, html) from error
        terminal.note(f"Wrote {html}.")
    if as_json:
        import click

        click.echo(json.dumps(check_json(spins), ensure_ascii=False, indent=1))
    else:
        for line in check_lines(spins):
            terminal.say(line)
    return 1 if has_failed(spins) else 0


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


def check_catalog(path: Path, jobs: int | None, terminal: Terminal) -> Checked:
    with opened(path, jobs, terminal) as (catalog, cache, workers):
        spins = gather_spins(chosen_items(catalog, (), drafts=True))
        empty = [spin.item.frames_dir for spin in spins if not spin.photos]
        if empty:
            raise InputError.at(empty[0], "", "it holds no photo that can be read", "Put the frames of the turn there.")
        measured = measure_all(catalog, spins, cache, workers, terminal)
    return [(measures, spin.photos) for spin, measures in measured]
