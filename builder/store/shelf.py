"""Values by their number, out of memory's way: in a file without a name, read back one by one."""

from __future__ import annotations

import pickle
import tempfile
import threading
import weakref
from array import array
from collections.abc import Iterable, Sequence
from typing import Any, BinaryIO, Generic, TypeVar

Value = TypeVar("Value")


class Shelf(Sequence[Value], Generic[Value]):
    """What a build knows of each of its items, of which there may be thousands while a few are at work: 16 bytes of
    memory an item, whatever its size. Each reading gives a new value.

    The file is the system's to write out, where memory is short, and is gone with this object, however the program
    ends. Several threads may use it at once. Raises OSError when the disk of the temporary folder is full.
    """

    def __init__(self, values: Iterable[Value] = ()) -> None:
        self._file: BinaryIO = tempfile.TemporaryFile(prefix="kickwheel-")  # type: ignore[assignment]
        weakref.finalize(self, self._file.close)
        self._turns = threading.Lock()  # a place in the file, then bytes from there: by one thread at a time
        self._places, self._sizes = array("Q"), array("Q")
        for value in values:
            self.append(value)

    def append(self, value: Value) -> None:
        self.replace(len(self), value)

    def replace(self, number: int, value: Value) -> None:
        """Put a value in a number's place; those between it and the end so far are None."""
        content = pickle.dumps(value, pickle.HIGHEST_PROTOCOL)
        with self._turns:
            self._places.extend([0] * (number + 1 - len(self._places)))
            self._sizes.extend([0] * (number + 1 - len(self._sizes)))
            self._places[number], self._sizes[number] = self._file.seek(0, 2), len(content)
            self._file.write(content)

    def arranged(self, numbers: Iterable[int]) -> "Shelf[Value]":
        """The same values in another order, or some of them; nothing is copied."""
        other: Shelf[Value] = Shelf.__new__(Shelf)
        other._file, other._turns, other._whole = self._file, self._turns, self
        chosen = array("Q", numbers)
        other._places = array("Q", (self._places[number] for number in chosen))
        other._sizes = array("Q", (self._sizes[number] for number in chosen))
        return other

    def __len__(self) -> int:
        return len(self._places)

    def __getitem__(self, number: Any) -> Any:
        if isinstance(number, slice):
            return [self[one] for one in range(*number.indices(len(self)))]
        with self._turns:
            place, size = self._places[number], self._sizes[number]
            self._file.seek(place)
            content = self._file.read(size)
        return pickle.loads(content) if size else None
