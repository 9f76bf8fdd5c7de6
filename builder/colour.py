"""sRGB, linear light, CIELAB and CIEDE2000 on whole arrays. Pure arithmetic; no files, no stages.

Channel order is r, g, b along the last axis. Light is linear 0..1, codes are sRGB 0..255.
"""

from __future__ import annotations

import functools

import numpy as np

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709-6, item 3.3

# Linear sRGB to CIE XYZ, IEC 61966-2-1:1999 (four decimals as printed there). The white of CIELAB below is this
# matrix's own, so that r = g = b is exactly neutral: (0.9505, 1.0000, 1.0890), D65 / 2°.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE_XYZ = TO_XYZ.sum(axis=1)


def decode(value: np.ndarray) -> np.ndarray:
    """sRGB values 0..1 to linear light 0..1, any shape, float. IEC 61966-2-1."""
    value = np.asarray(value)
    return np.where(value <= 0.04045, value / 12.92, ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4)


def encode(light: np.ndarray) -> np.ndarray:
    """Linear light to sRGB values 0..1, clipped to that range. IEC 61966-2-1."""
    light = np.clip(light, 0.0, 1.0)
    curved = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, curved)


@functools.cache
def _decode_table() -> np.ndarray:
    return decode(np.arange(256) / 255.0).astype(np.float32)


def to_light(codes: np.ndarray) -> np.ndarray:
    """uint8 sRGB codes to linear light, float32 0..1, same shape."""
    import cv2

    if codes.ndim in (2, 3) and codes.size:
        return cv2.LUT(codes, _decode_table())
    return _decode_table()[codes]


@functools.cache
def _code_table() -> np.ndarray:
    roots = np.arange(65536) / 65535
    return np.rint(255.0 * encode(roots * roots)).astype(np.uint8)


def to_codes(light: np.ndarray) -> np.ndarray:
    """Linear light to uint8 sRGB codes, clipped and rounded to nearest, same shape.

    By a table over the square root of light in 65536 steps, which are finer than 1/80 of a code everywhere (the
    formula's power costs ten times as much); so a code differs from the formula's, by one, only when the exact
    value lies within 1/160 of the middle between two codes.
    """
    root = np.clip(np.ascontiguousarray(light, np.float32).reshape(-1), 0, 1)
    np.sqrt(root, out=root)
    root *= 65535
    root += 0.5
    return np.take(_code_table(), root.astype(np.uint16)).reshape(light.shape)


def luminance(light: np.ndarray) -> np.ndarray:
    """Relative luminance Y of linear light (..., 3): shape (...). ITU-R BT.709-6."""
    return light @ LUMINANCE.astype(light.dtype)


def lab_from_light(light: np.ndarray) -> np.ndarray:
    """CIELAB (..., 3) of linear sRGB light (..., 3), white D65 / 2°. CIE 15:2004, with its exact constants."""
    ratio = np.asarray(light, np.float64) @ (TO_XYZ / WHITE_XYZ[:, None]).T
    epsilon, kappa = (6 / 29) ** 3, (29 / 3) ** 3
    f = np.where(ratio > epsilon, np.cbrt(ratio), (kappa * ratio + 16) / 116)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_from_codes(codes: np.ndarray) -> np.ndarray:
    """CIELAB (..., 3) of uint8 sRGB codes (..., 3)."""
    return lab_from_light(_decode_table()[codes])


def ciede2000(lab_1: np.ndarray, lab_2: np.ndarray) -> np.ndarray:
    """Colour difference ΔE00 of CIELAB arrays (..., 3) that broadcast: shape (...). kL = kC = kH = 1.

    G. Sharma, W. Wu, E. N. Dalal, The CIEDE2000 color-difference formula: implementation notes, supplementary
    test data, and mathematical observations, Color Research & Application 30 (2005) 21-30, eqs. (2) to (22).
    """
    l_1, a_1, b_1 = np.moveaxis(np.asarray(lab_1, np.float64), -1, 0)
    l_2, a_2, b_2 = np.moveaxis(np.asarray(lab_2, np.float64), -1, 0)
    c_bar_7 = ((np.hypot(a_1, b_1) + np.hypot(a_2, b_2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(c_bar_7 / (c_bar_7 + 25.0**7))  # 1 + G
    c_1, c_2 = np.hypot(a_1 * stretch, b_1), np.hypot(a_2 * stretch, b_2)
    h_1 = np.degrees(np.arctan2(b_1, a_1 * stretch)) % 360.0
    h_2 = np.degrees(np.arctan2(b_2, a_2 * stretch)) % 360.0
    grey = c_1 * c_2 == 0

    turn = h_2 - h_1
    half = 180 + 1e-9  # degrees: opposite hues (pairs 9 to 16 of the paper) must not hang on a last bit
    turn = np.where(grey, 0.0, np.where(turn > half, turn - 360, np.where(turn < -half, turn + 360, turn)))
    d_l, d_c = l_2 - l_1, c_2 - c_1
    d_h = 2 * np.sqrt(c_1 * c_2) * np.sin(np.radians(turn / 2))

    l_bar, c_bar = (l_1 + l_2) / 2, (c_1 + c_2) / 2
    total = h_1 + h_2
    apart = np.abs(h_1 - h_2) > half
    h_bar = np.where(
        grey, total, np.where(~apart, total / 2, np.where(total < 360, (total + 360) / 2, (total - 360) / 2))
    )
    t = (
        1
        - 0.17 * np.cos(np.radians(h_bar - 30))
        + 0.24 * np.cos(np.radians(2 * h_bar))
        + 0.32 * np.cos(np.radians(3 * h_bar + 6))
        - 0.20 * np.cos(np.radians(4 * h_bar - 63))
    )
    c_7 = c_bar**7
    r_t = -np.sin(np.radians(60 * np.exp(-(((h_bar - 275) / 25) ** 2)))) * 2 * np.sqrt(c_7 / (c_7 + 25.0**7))
    s_l = 1 + 0.015 * (l_bar - 50) ** 2 / np.sqrt(20 + (l_bar - 50) ** 2)
    term_l, term_c, term_h = d_l / s_l, d_c / (1 + 0.045 * c_bar), d_h / (1 + 0.015 * c_bar * t)
    return np.sqrt(np.maximum(term_l**2 + term_c**2 + term_h**2 + r_t * term_c * term_h, 0.0))
