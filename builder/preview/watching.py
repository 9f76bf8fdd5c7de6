"""Local preview: build, serve, watch; when saving has stopped, build again and let open pages reload.

For the eyes of one person on this machine, not for the public. A catalogue at fault shows what is wrong on
the pages, over the last good build.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from builder.errors import KickwheelError
from builder.preview.pages import Preview
from builder.preview.server import open_server
from builder.site.swap import work_folder

QUIET_MS = 300  # so long must nothing change before a build starts: editors and copies save in several steps
LONGEST_WAIT_MS = 30_000
LOOK_EVERY_MS = 200
PASSING_ENDINGS = ("~", ".tmp", ".part", ".swp", ".swx", ".crdownload")


def serve(
    catalog_path: Path,
    port: int | None,
    *,
    build: Callable[[], Any],
    watch_paths: Callable[[], Iterable[Path]],
    out: Path,
    ignore: Sequence[Path] = (),
    say: Callable[[str], None] = print,
) -> None:
    """Serve `out` until Ctrl-C, then return.

    build: builds into out; raises KickwheelError for a catalogue at fault; its result may have `changed`,
    False when there is nothing new to see. watch_paths: what to watch, asked again after every build; the
    catalogue's own folder is watched always. ignore: folders whose changes don't matter.
    say: gets one line of text at a time. Raises OutputError when the port can't be had.
    """
    preview = Preview(out)
    server = open_server(preview, port)
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True).start()
    watcher = Watcher((out, work_folder(out), *ignore), say)
    home = catalog_path if catalog_path.is_dir() else catalog_path.parent
    try:
        say(f"Preview at {server.url} (Ctrl-C ends it)")
        watcher.watch([home, *watch_paths()])
        while True:
            _build(preview, build, say)
            watcher.watch([home, *watch_paths()])
            watcher.wait()
    except KeyboardInterrupt:
        say("Preview ended.")
    finally:
        watcher.stop()
        server.shutdown()
        server.server_close()


def _build(preview: Preview, build: Callable[[], Any], say: Callable[[str], None]) -> None:
    start = time.monotonic()
    try:
        result = build()
    except KickwheelError as error:
        faults = str(error).splitlines()
    except Exception as error:  # a fault of ours must not end the preview, nor print a traceback
        faults = [f"Kickwheel failed in an unexpected way ({type(error).__name__}: {error}). Please report it."]
    else:
        preview.show(changed=getattr(result, "changed", True))
        say(f"Built in {time.monotonic() - start:.1f} s.")
        return
    preview.show(faults)
    for fault in faults:
        say(fault)


class Watcher:
    """Says when something below a set of folders or files has changed and then been left alone."""

    def __init__(self, ignore: Sequence[Path], say: Callable[[str], None]) -> None:
        self._ignore = [path.resolve() for path in ignore]  # as the watched ones are
        self._say = say
        self._changes: queue.SimpleQueue[None] = queue.SimpleQueue()
        self._paths: tuple[Path, ...] = ()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def watch(self, paths: Iterable[Path]) -> None:
        """Watch these from now on; what changes after the call isn't missed."""
        wanted = _outermost(paths)
        if wanted == self._paths and self._thread and self._thread.is_alive():
            return
        self.stop()
        self._paths, self._stop = wanted, threading.Event()
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(wanted, self._stop, ready), daemon=True)
        self._thread.start()
        ready.wait(5)

    def wait(self) -> None:
        """Return when something has changed. Can be interrupted on every system."""
        while True:
            try:
                self._changes.get(timeout=0.5)
                break
            except queue.Empty:
                continue
        while not self._changes.empty():
            self._changes.get()

    def stop(self) -> None:
        self._stop.set()
        if self._thread:
            self._thread.join(2)

    def _run(self, paths: tuple[Path, ...], stop: threading.Event, ready: threading.Event) -> None:
        try:
            self._follow(paths, stop, ready, polling=None)
        except (OSError, RuntimeError):  # for one, the system's limit of watched folders is reached
            self._say("Folders can't be watched here; looking for changes every few moments instead.")
            self._follow(paths, stop, ready, polling=True)

    def _follow(
        self, paths: tuple[Path, ...], stop: threading.Event, ready: threading.Event, polling: bool | None
    ) -> None:
        from watchfiles import watch

        for changes in watch(
            *paths,
            watch_filter=lambda _, path: self._matters(Path(path)),
            stop_event=stop,
            force_polling=polling,
            step=QUIET_MS,
            debounce=LONGEST_WAIT_MS,
            rust_timeout=LOOK_EVERY_MS,
            yield_on_timeout=True,
            raise_interrupt=False,
        ):
            ready.set()
            if changes:
                self._changes.put(None)

    def _matters(self, path: Path) -> bool:
        if path.name.endswith(PASSING_ENDINGS) or any(path.is_relative_to(folder) for folder in self._ignore):
            return False
        roots = [root for root in self._paths if path.is_relative_to(root)]
        return any(not any(part.startswith(".") for part in path.relative_to(root).parts) for root in roots)


def _outermost(paths: Iterable[Path]) -> tuple[Path, ...]:
    """Without what is missing or lies in another one of them: folders are watched with all they hold."""
    found = sorted({path.resolve() for path in paths if path.exists()})
    return tuple(path for path in found if not any(path != other and path.is_relative_to(other) for other in found))
