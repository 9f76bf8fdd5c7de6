"""What a build says when it is done."""

from __future__ import annotations

from builder.building.job import BuildResult, BuiltItem
from builder.terminal import Terminal

VERDICTS = {"ready": "ready", "notes": "usable with notes", "reshoot": "reshoot"}


def print_build(result: BuildResult, terminal: Terminal) -> int:
    """Print it; returns the exit status."""
    for item in result.items:
        terminal.say(item_line(item))
        for finding in item.measures.findings if item.measures else ():
            show = terminal.note if finding.severity == "note" else terminal.warn
            show(f"  {finding.message} {finding.advice}")
        for warning in item.warnings:
            terminal.warn(_sentence(warning))
        for note in item.notes:
            terminal.note(_sentence(note))
    for note in result.notes:
        terminal.say(note)
    if result.stopped:
        terminal.warn("Stopped before writing, as --strict asks: something must be shot again.")
        return 1
    if result.written and result.items:
        terminal.say(written_line(result))
    if result.written:
        terminal.say(f"Open {result.out / 'index.html'}")
    return 0


def _sentence(words: str) -> str:
    return f"  {words[:1].upper()}{words[1:].rstrip('.')}."


def item_line(item: BuiltItem) -> str:
    verdict = VERDICTS[item.measures.verdict] if item.measures else ""
    left_out = item.frames - item.shown
    shown = f"{item.frames} frames" + (f", {left_out} left out" if item.shown and left_out else "")
    return f"{item.slug}: {shown}, {verdict}"


def written_line(result: BuildResult) -> str:
    written = result.written
    parts = [f"{written.written} files written", f"{written.reused} kept"]
    parts += [f"{written.removed} removed"] if written.removed else []
    parts += [f"{written.carried} of your own carried over"] if written.carried else []
    return f"Site: {', '.join(parts)}.{saved_words(result)}"


def saved_words(result: BuildResult) -> str:
    """How much work the cache made needless: processor time, whatever number of processes would have shared it."""
    if result.saved_s < 1:
        return ""
    time = f"{result.saved_s:.0f} s" if result.saved_s < 120 else f"{result.saved_s / 60:.0f} min"
    return f" The cache saved {time} of work."
