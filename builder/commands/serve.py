"""`serve`: the local preview of a catalogue, drafts included."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from builder.building.build import build_site
from builder.building.job import CACHE_FOLDER, BuildRequest, BuildResult, already_built
from builder.catalog import catalog_file, read_catalog
from builder.errors import KickwheelError
from builder.preview.watching import serve
from builder.terminal import Terminal


def run_server(catalog_path: Path, port: int | None, jobs: int | None, terminal: Terminal) -> None:
    """Serve until Ctrl-C.

    The preview lies in the cache folder: a site that shows drafts must not be taken for the one to publish.
    """
    file = catalog_file(catalog_path)
    cache = file.parent / CACHE_FOLDER
    out = cache / "preview"

    def build() -> BuildResult:
        request = BuildRequest(file, out, drafts=True, jobs=jobs)
        result = already_built(request) or build_site(request, terminal)
        for item in result.items:
            for finding in item.measures.findings if item.measures else ():
                if finding.severity != "note":
                    terminal.warn(f"{item.slug}: {finding.message}")
        return result

    serve(
        file, port, build=build, watch_paths=lambda: watched(file), out=out, ignore=[cache, file.parent / "site"],
        say=terminal.say,
    )  # fmt: skip


def watched(file: Path) -> Iterator[Path]:
    """Folders of photos, which may lie outside of the catalogue's own (watched anyway)."""
    try:
        catalog = read_catalog(file)
    except KickwheelError:
        return
    for item in catalog.items:
        yield item.frames_dir
