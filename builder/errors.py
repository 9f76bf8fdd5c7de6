"""Everything that can stop a command. One tree:

KickwheelError            one message, exit 2
  InputError              something the user gave us is wrong (file, place, what, what to do)
    CatalogError          one or more faults of a catalogue file, all of one run
    PhotoError            photos that can't make a spin
  OutputError             where we should write is not ours, full or locked
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

# Control characters, and the halves that stand for bytes of a name that is no UTF-8 (PEP 383): a file's name must
# not move the cursor, colour the terminal (ECMA-48) or stop the message from being printed.
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def visible(text: str, *, keep: str = "") -> str:
    """Text as it can be printed on one line: characters that do something are written as escapes."""
    return _UNPRINTABLE.sub(lambda found: found[0] if found[0] in keep else ascii(found[0])[1:-1], text)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: `FILE: place: what is wrong. What to do.`"""

    file: str
    place: str
    what: str
    advice: str = ""

    def __str__(self) -> str:
        where = ": ".join(part for part in (self.file, self.place) if part)
        what = self.what.rstrip(".") + "."
        return visible(" ".join(part for part in (f"{where}: {what}" if where else what, self.advice) if part))


class KickwheelError(Exception):
    """Carries one or more faults; `str()` prints one a line."""

    def __init__(self, *faults: Fault) -> None:
        super().__init__(*faults)
        self.faults = faults

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)

    @classmethod
    def at(cls, file: str | Path, place: str, what: str, advice: str = "") -> "KickwheelError":
        return cls(Fault(str(file), place, what, advice))


class InputError(KickwheelError):
    pass


class CatalogError(InputError):
    pass


class PhotoError(InputError):
    pass


class OutputError(KickwheelError):
    pass
