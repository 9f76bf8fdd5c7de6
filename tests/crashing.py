"""A writer that never stops, to be killed, and what must hold whenever it is."""

from __future__ import annotations

import random
import subprocess
import sys
import textwrap
import time
import zipfile
from pathlib import Path

from builder.site.manifest import MANIFEST, read_manifest
from builder.site.swap import work_folder
from builder.site.whole import SiteFile, repair, write_site
from builder.store.writing import content_digest

FILE_COUNT = 40
FOREIGN = {"CNAME": b"shop.example", "uploads/letter.txt": b"dear"}

# A kill loses nothing that was written: only a loss of power does, which is what fsync is for.
# Without it the kills hit the writing rather than the waiting for a busy disk.
WRITER = textwrap.dedent("""\
    import os, sys
    from pathlib import Path
    from builder.site import swap
    from builder.store.cache import Cache
    from builder.proof import write_proof
    from tests.crashing import site_files
    from builder.site.whole import write_site

    os.fsync = lambda handle: None
    home, way, version = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    if way == "two renames":
        swap.exchange = lambda one, other: False
    cache = Cache(home / ".kickwheel")
    print("ready", flush=True)
    while True:
        version += 1
        if way == "proof":
            write_proof(home / "proofs.zip", site_files(version))
        elif way == "cache":
            content = bytes([version % 256]) * 40_000
            cache.put(f"{version % 7:02d}", {str(part): content for part in range(9)}, version)
        else:
            write_site(home / "site", site_files(version), memory=home / ".kickwheel/site.json")
        print("written", flush=True)
""")


def site_files(version: int, count: int = FILE_COUNT) -> list[SiteFile]:
    """A site of two kinds of files: some the same in every version, some not; and one that comes and goes."""
    files = [
        SiteFile(f"item-{place % 5}/{place}.txt", f"{place} {version if place % 2 else 'ever'}".encode() * 200)
        for place in range(count)
    ]
    return [
        *files,
        SiteFile("version.txt", str(version).encode()),
        SiteFile(f"only-{version % 3}/a.txt", b"a"),
    ]


def kill_a_writer(home: Path, way: str, version: int, written: int, delay_s: float) -> None:
    """Start the writer and kill it (SIGKILL) delay_s after it has written so many versions.

    Counted, not timed alone: on a busy machine one version takes ten times as long as on an idle one.
    """
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, home, way, str(version)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parent.parent,
    ) as writer:
        assert writer.stdout.readline() == "ready\n"
        for _ in range(written):
            assert writer.stdout.readline() == "written\n"
        time.sleep(delay_s)
        writer.kill()
        writer.wait()


def assert_whole_site(out: Path, count: int = FILE_COUNT) -> int:
    """Every file is of one version, the manifest fits, and what isn't ours is there. Returns the version."""
    version = int((out / "version.txt").read_text())
    wanted = {file.path: file.source for file in site_files(version, count)} | FOREIGN
    found = {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in out.rglob("*")
        if path.is_file() and path.name != MANIFEST
    }
    assert found.keys() == wanted.keys()
    assert found == wanted, f"files of several versions beside version {version}"
    manifest = read_manifest(out)
    ours = wanted.keys() - FOREIGN.keys()
    assert set(manifest) == ours
    assert all(manifest.get(path) == content_digest(wanted[path]) for path in ours)
    return version


def start_site(home: Path, count: int = FILE_COUNT) -> None:
    write_site(home / "site", site_files(0, count), memory=home / ".kickwheel/site.json")
    for name, content in FOREIGN.items():
        (home / "site" / name).parent.mkdir(exist_ok=True)
        (home / "site" / name).write_bytes(content)


def kill_site_writers(home: Path, way: str, times: int, seed: int) -> dict[str, int]:
    """Kill so often, look after each kill. Returns what was met how often, so that a run can show it hit."""
    moments = random.Random(seed)
    met = {"left something behind": 0, "no site until repaired": 0, "versions seen": 0}
    out, seen = home / "site", set()
    start_site(home)
    version = 0
    for _ in range(times):
        kill_a_writer(home, way, version, moments.randrange(3), moments.uniform(0, 0.03))
        met["left something behind"] += any((work_folder(out) / name).exists() for name in ("new", "old"))
        if not out.exists():
            assert way == "two renames", "an exchange leaves no moment without a site"
            met["no site until repaired"] += 1
            assert repair(out)
        version = assert_whole_site(out)
        seen.add(version)
        if moments.random() < 0.5:
            repair(out)
            assert not work_folder(out).exists()
            assert assert_whole_site(out) == version
    write_site(out, site_files(version + 1), memory=home / ".kickwheel/site.json")
    assert assert_whole_site(out) == version + 1
    assert not work_folder(out).exists()
    met["versions seen"] = len(seen)
    return met


def kill_proof_writers(home: Path, times: int, seed: int) -> int:
    """Returns how many different proofs were met."""
    moments, seen = random.Random(seed), set()
    version = 0
    for _ in range(times):
        kill_a_writer(home, "proof", version, moments.randrange(3), moments.uniform(0, 0.03))
        if not (home / "proofs.zip").exists():
            continue
        with zipfile.ZipFile(home / "proofs.zip") as archive:
            assert archive.testzip() is None
            version = int(archive.read("proofs/version.txt"))
            assert len(archive.namelist()) == len(site_files(version))
        seen.add(version)
    return len(seen)
