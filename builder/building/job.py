"""What a build is asked for, what it tells, and whether there is anything to do. Loads nothing heavy."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from builder import __version__
from builder.building.last_build import last_build, remember_build
from builder.catalog.place import catalog_file
from builder.site.whole import WrittenSite, repair
from builder.store.cache import Cache, digest

if TYPE_CHECKING:
    from builder.spin import SpinMeasures

CACHE_FOLDER = ".kickwheel"


@dataclass(frozen=True, slots=True)
class BuildRequest:
    """shard: (this share, of so many): make that share's results and write no site. stores: folders of such results."""

    catalog: Path
    out: Path | None = None
    only: tuple[str, ...] = ()
    force: bool = False
    strict: bool = False
    drafts: bool = False
    explain: str | None = None
    jobs: int | None = None
    shard: tuple[int, int] | None = None
    stores: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class BuiltItem:
    """What the person at the terminal wants to know about one item."""

    slug: str
    frames: int
    shown: int
    measures: "SpinMeasures | None" = None
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BuildResult:
    out: Path
    items: Sequence[BuiltItem] = ()
    written: WrittenSite | None = None
    stopped: bool = False  # --strict and something to shoot again: nothing was written
    saved_s: float = 0.0  # seconds of work that the cache made needless
    done: Mapping[str, int] = field(default_factory=dict)  # kind of work -> how often it had to be done
    notes: tuple[str, ...] = field(default=())

    @property
    def changed(self) -> bool:
        return bool(self.written and self.written.changed)


@dataclass(frozen=True, slots=True)
class Job:
    """Where one build reads and writes."""

    request: BuildRequest
    file: Path
    out: Path
    cache: Cache
    done: Counter[str] = field(default_factory=Counter)  # work of this process

    @classmethod
    def of(cls, request: BuildRequest) -> "Job":
        """Raises CatalogError where there is no catalogue."""
        file = catalog_file(request.catalog)
        out = request.out or file.parent / "site"
        home = file.parent / CACHE_FOLDER
        if request.shard and request.stores:
            return cls(request, file, out, Cache(request.stores[0], stores=[home, *request.stores[1:]]))
        return cls(request, file, out, Cache(home, stores=request.stores))

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


def already_built(request: BuildRequest) -> BuildResult | None:
    """The result of a build that has nothing to do, or None; told from stat calls alone."""
    job = Job.of(request)
    if request.shard:
        return None
    repair(job.out)
    if request.force or request.explain or not job.is_built():
        return None
    return BuildResult(job.out, written=WrittenSite(0, 0, 0, 0), notes=("Nothing has changed since the last build.",))
