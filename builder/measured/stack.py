"""Many pictures of one size, out of memory's way: in a file without a name, read back one by one."""

from __future__ import annotations

import tempfile
import threading
import weakref
from collections.abc import Iterable, Iterator

import numpy as np

from builder.measured.light import quantiles

BAND_BYTES = 8_000_000  # of all pictures' rows that are read at once


class Stack:
    """Pictures of one shape and type, for reading; each reading gives a new array.

    A turn's copies are several times what a worker may hold, while nearly all that is measured looks at one
    picture at a time. Read back from the system's file cache that costs a third of a millisecond a megabyte; the
    file is the system's to write out, where memory is short, and is gone with this object, however the program ends.
    Several threads may read at once, while one at most appends. Raises OSError when the disk of the temporary folder is full.
    """

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile(prefix="kickwheel-")
        weakref.finalize(self, self._file.close)
        self._turns = threading.Lock()  # a place in the file, then bytes from there: by one thread at a time
        self._count = 0
        self._shape: tuple[int, ...] = (0, 0)
        self._type = np.dtype(np.uint8)

    @classmethod
    def of(cls, pictures: Iterable[np.ndarray]) -> "Stack":
        stack = cls()
        for picture in pictures:
            stack.append(picture)
        return stack

    def append(self, picture: np.ndarray) -> None:
        """Raises ValueError for a picture of another shape or type than the first."""
        if not self._count:
            self._shape, self._type = picture.shape, picture.dtype
        elif (picture.shape, picture.dtype) != (self._shape, self._type):
            raise ValueError(f"a picture of {picture.shape} among pictures of {self._shape}")
        with self._turns:
            self._file.seek(0, 2)
            self._file.write(np.ascontiguousarray(picture).data)
            self._count += 1

    @property
    def shape(self) -> tuple[int, ...]:
        """(n, h, w, …), as of an array."""
        return (self._count, *self._shape)

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, index: int) -> np.ndarray:
        if not -self._count <= index < self._count:
            raise IndexError(index)
        return self._read(index % self._count, 0, self._shape[0])

    def __iter__(self) -> Iterator[np.ndarray]:
        return (self[index] for index in range(self._count))

    def quantiles(self, shares: tuple[float, ...]) -> list[np.ndarray]:
        """`light.quantiles` of the pictures, a band of rows at a time."""
        height = self._shape[0]
        row_bytes = self._count * self._row_bytes
        step = max(1, BAND_BYTES // max(1, row_bytes))
        bands = [
            quantiles(np.stack([self._read(k, top, min(top + step, height)) for k in range(self._count)]), shares)
            for top in range(0, height, step)
        ]
        return [np.concatenate(parts) for parts in zip(*bands, strict=True)]

    @property
    def _row_bytes(self) -> int:
        return int(np.prod(self._shape[1:])) * self._type.itemsize

    def _read(self, index: int, top: int, bottom: int) -> np.ndarray:
        rows = np.empty((bottom - top, *self._shape[1:]), self._type)
        with self._turns:
            self._file.seek((index * self._shape[0] + top) * self._row_bytes)
            read = self._file.readinto(memoryview(rows).cast("B"))
        if read != rows.nbytes:
            raise OSError("a temporary file is shorter than it was written")
        return rows
