"""Small ICC v2 profiles made from published primaries, so that tests need no profile files.

ICC.1:2001-04 (v2): header 128 bytes, tag table, XYZType, curveType. Primaries are adapted to D50 by Bradford.
"""

from __future__ import annotations

import struct

import numpy as np

D50 = (0.9642, 1.0, 0.8249)  # ICC.1, header: illuminant of the profile connection space


def rgb_profile(colourspace_name: str, gamma: float | None) -> bytes:
    """A matrix/curve profile of an RGB space that colour-science knows; gamma None: the sRGB curve, sampled."""
    import colour

    space = colour.RGB_COLOURSPACES[colourspace_name]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint), np.array(D50), transform="Bradford"
    )
    columns = (adapt @ space.matrix_RGB_to_XYZ).T
    curve = _gamma(gamma) if gamma else _sampled(colour.models.eotf_sRGB(np.linspace(0, 1, 4096)))
    tags = {b"wtpt": _xyz(D50), b"rXYZ": _xyz(columns[0]), b"gXYZ": _xyz(columns[1]), b"bXYZ": _xyz(columns[2])}
    tags |= {name: curve for name in (b"rTRC", b"gTRC", b"bTRC")}
    return _profile(b"RGB ", tags)


def grey_profile(gamma: float) -> bytes:
    return _profile(b"GRAY", {b"wtpt": _xyz(D50), b"kTRC": _gamma(gamma)})


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def _xyz(values) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(_fixed(v) for v in values)


def _gamma(gamma: float) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"


def _sampled(values) -> bytes:
    words = np.round(np.asarray(values) * 65535).astype(">u2")
    return b"curv\0\0\0\0" + struct.pack(">I", len(words)) + words.tobytes()


def _profile(space: bytes, tags: dict[bytes, bytes]) -> bytes:
    text = b"test profile\0"
    tags = {b"desc": b"desc\0\0\0\0" + struct.pack(">I", len(text)) + text + b"\0" * 79, **tags}
    place = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, content in tags.items():
        content += b"\0" * (-len(content) % 4)
        table += name + struct.pack(">II", place + len(body), len(content))
        body += content
    size = place + len(body)
    head = struct.pack(">I4sI4s4s4s", size, b"test", 0x02200000, b"mntr", space, b"XYZ ")
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28 + b"".join(_fixed(v) for v in D50)
    return head.ljust(128, b"\0") + table + body
