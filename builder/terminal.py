"""What commands say: progress bars on a terminal, plain lines when piped, nothing but errors with --quiet."""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

import click

from builder.errors import visible


class Advance(Protocol):
    def __call__(self, steps: int = 1) -> None: ...


class Terminal:
    """Results go to stdout; notes, warnings and progress to stderr."""

    def __init__(self, *, quiet: bool = False) -> None:
        self.quiet = quiet

    def say(self, text: str = "") -> None:
        if not self.quiet:
            click.echo(visible(text, keep="\n\t"))

    def note(self, text: str) -> None:
        if not self.quiet:
            click.secho(visible(text, keep="\n\t"), fg="bright_black" if sys.stderr.isatty() else None, err=True)

    def warn(self, text: str) -> None:
        if not self.quiet:
            click.secho(visible(text, keep="\n\t"), fg="yellow", err=True)

    @contextmanager
    def progress(self, label: str, total: int) -> Iterator[Advance]:
        """A bar that moves on a terminal; piped, one line when it ends."""
        if self.quiet or not total:
            yield lambda steps=1: None
            return
        if not sys.stderr.isatty():
            click.echo(f"{label}: {total}", err=True)
            yield lambda steps=1: None
            return
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(label, total=total)
            yield lambda steps=1: bar.advance(task, steps)


def show_error(text: str) -> None:
    """One line a fault: FILE: place: what is wrong. What to do."""
    for line in text.split("\n"):
        click.echo(click.style("error: ", fg="red", bold=True) + line, err=True)


def hush_libraries() -> None:
    """From now on what libraries print of themselves goes nowhere, in this process and in its workers.

    A picture library remarks on a photo that is slightly damaged, and reads it; those written in C can't be asked not
    to, and nobody at a terminal could tell which photo is meant. Our own messages go where they went. With
    KICKWHEEL_DEBUG everything is heard.
    """
    if sys.stderr is None or os.environ.get("KICKWHEEL_DEBUG"):
        return
    warnings.simplefilter("ignore")
    said = sys.stderr
    said.flush()
    kept = os.dup(said.fileno())
    sys.stderr = open(kept, "w", encoding=said.encoding, errors=said.errors, buffering=1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, said.fileno())
    os.close(nowhere)
