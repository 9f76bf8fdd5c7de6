"""The beat of the shoot: when each frame is due, and the sound that says so. Times in seconds."""

from __future__ import annotations

import io
import math
import wave
from dataclasses import dataclass

RATE_HZ = 22050
COUNTDOWN = 3  # beats of one second before the first shot
TAIL_S = 1.0  # after the last frame's time is up, for the closing tone
LONGEST_TRACK_S = 1800.0  # a longer track is 80 MB and more; the pace page does the same in 10 kB


@dataclass(frozen=True, slots=True)
class Pace:
    """`shots_s` count from the first shot; total_s gives every frame its full time: frames × seconds."""

    seconds: float
    total_s: float
    shots_s: tuple[float, ...]
    quarters: tuple[tuple[int, float], ...]  # (frame index at which each quarter starts, its time)
    warn_s: float  # the soft tick comes this long before the shot: hands off


@dataclass(frozen=True, slots=True)
class Sound:
    """A fading tone."""

    hertz: float
    seconds: float
    level: float  # peak, 0..1


# One table for the track and the page: what is heard when.
SOUNDS = {
    "count": Sound(523.25, 0.10, 0.25),
    "tick": Sound(659.26, 0.04, 0.08),
    "shot": Sound(1760.0, 0.06, 0.80),
    "quarter": Sound(1174.66, 0.30, 0.80),
    "done": Sound(587.33, 0.80, 0.50),
}


def pace_shots(frames: int, seconds: float) -> Pace:
    """Every frame gets `seconds`; a quarter starts with the first frame at or past 0, 90, 180 and 270°."""
    starts = sorted({-(-quarter * frames // 4) for quarter in range(4)})
    return Pace(
        seconds=seconds,
        total_s=frames * seconds,
        shots_s=tuple(index * seconds for index in range(frames)),
        quarters=tuple((index, index * seconds) for index in starts if index < frames),
        warn_s=min(0.4, seconds / 3),
    )


def beats(pace: Pace) -> list[tuple[float, str]]:
    """(time from the start of the track, sound name), in order."""
    first = float(COUNTDOWN)
    quarter_starts = {index for index, _ in pace.quarters}
    heard = [(float(second), "count") for second in range(COUNTDOWN)]
    for index, time in enumerate(pace.shots_s):
        heard.append((first + time - pace.warn_s, "tick"))
        heard.append((first + time, "quarter" if index in quarter_starts else "shot"))
    heard.append((first + pace.total_s, "done"))
    return sorted(heard)


def track_seconds(pace: Pace) -> float:
    return COUNTDOWN + pace.total_s + TAIL_S


def render_track(pace: Pace) -> bytes:
    """A mono 16-bit WAV (RIFF PCM): countdown, a soft tick before and a click at each shot, a closing
    tone.
    """
    import numpy as np

    track = np.zeros(round(track_seconds(pace) * RATE_HZ), np.float32)
    tones = {name: _tone(sound) for name, sound in SOUNDS.items()}
    for time, name in beats(pace):
        start = round(time * RATE_HZ)
        tone = tones[name][: len(track) - start]
        track[start : start + len(tone)] += tone
    samples = np.rint(np.clip(track, -1, 1) * 32767).astype("<i2")
    with io.BytesIO() as file:
        with wave.open(file, "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(RATE_HZ)
            out.writeframes(samples.tobytes())
        return file.getvalue()


def _tone(sound: Sound):
    """Up in half a millisecond, so that the ear (and a test) finds the start; then an even fade to
    nothing.
    """
    import numpy as np

    time = np.arange(round(sound.seconds * RATE_HZ)) / RATE_HZ
    rise = np.minimum(1, time / 0.0005)
    fade = np.exp(-4 * time / sound.seconds) * np.minimum(1, (sound.seconds - time) / 0.005)
    return (sound.level * rise * fade * np.sin(2 * math.pi * sound.hertz * time)).astype(np.float32)
