"""What to do and what to mind, in words. Common practice without a published source, unless one is named.

Cautions defer to local codes and to people licensed for the work.
"""

from __future__ import annotations

from builder.capture.lengths import plain

FEW_FRAMES, MANY_FRAMES = 24, 48  # common practice for a spin that is dragged; 72 for a film-like one

CAUTIONS = (
    "Blades: cut away from yourself, on a mat, with a fresh blade; put it away whenever you put it down.",
    "Lamps get hot: keep paper, cloth and foam board clear of them, let them cool before you move them, and "
    "don’t leave them on alone.",
    "Cables: keep them out of the way, or tape them down, so that nobody pulls a lamp or the phone off the table.",
    "Stands and backdrop: weigh them down. A foam board falls over at the first draught.",
    "Loads: nothing heavy, filled or sharp off the centre of a disc that can tip. Try a full turn by hand first.",
    "Flashing light can harm people with photosensitive epilepsy: no strobe for a hand-turned shoot.",
    "Mains wiring, rigging and lifting: follow your local codes and leave them to a licensed person.",
)

CHECKLIST = (
    "Lens and subject wiped; disc and backdrop free of dust.",
    "Disc centred on its bearing, level, turning freely; a pointer taped to the table at the rim.",
    "Subject centred: turn it once by hand and watch both sides.",
    "Phone or camera fixed, picture level, its stand weighed down.",
    "Focus, exposure and white balance locked; HDR, night mode and flash off.",
    "Self-timer or remote: nobody touches the camera during the turn.",
    "One frame of the empty set, one with the grey card.",
    "Lights as they will stay: no sun coming and going, no shadow of yours on the set.",
    "Turn always the same way; past the mark means on to the next, not back.",
    "After the last frame, before anything is moved: kickwheel check.",
)


def frames_advice(frames: int) -> str:
    """One sentence on the number of frames, for a spin that is dragged."""
    if frames < FEW_FRAMES:
        return (
            f"{frames} frames turn in visible jumps; {FEW_FRAMES} to {MANY_FRAMES} are usual, 36 is the round number."
        )
    if frames > MANY_FRAMES:
        return (
            f"{frames} frames turn smoothly but weigh more on the page; {FEW_FRAMES} to {MANY_FRAMES} are "
            "usual, 72 for a film-like turn."
        )
    return f"{frames} frames are in the usual range of {FEW_FRAMES} to {MANY_FRAMES}."


def shutters(mains_hz: float) -> str:
    """Lamps on the mains flicker twice a period: a shutter open for whole half-periods sees them evenly."""
    half_periods = [plain(2 * mains_hz / count, 0) for count in (1, 2, 4)]
    return ", ".join(f"1/{speed}" for speed in half_periods) + " s"


def light_advice(mains_hz: float) -> tuple[str, ...]:
    return (
        "One kind of light only: window, or lamps with the curtains drawn. Mixed light can’t be balanced.",
        "Window light: from the side, through a thin white curtain, a white card opposite. Shoot the turn "
        "within a "
        "few minutes; a cloud is a light drift.",
        f"Mains lamps at {plain(mains_hz)} Hz: shutter {shutters(mains_hz)}; any other may band or flicker. "
        "Dimmed LEDs flicker in their own way: don’t dim.",
        "Expose so that a white backdrop is bright but just not clipped (it is made white later); "
        "for a dark one, so that the subject’s lights aren’t clipped.",
        "Low ISO, shutter as long as the stand allows: the subject stands still when the frame is taken.",
    )


BACKDROP_ADVICE = (
    "White or light subject: mid-grey or black backdrop, or white with black cards just outside the picture "
    "at both "
    "sides, so that the outline stays readable.",
    "Dark subject: white backdrop, well lit, 30 cm or more behind the disc so that it throws no colour back.",
    "Shiny subject: a large white sheet around it; every lamp and window will be seen in it.",
    "Glass: light from behind through white paper, black cards at the sides.",
    "Sheet wider than the turning subject by half as much again, curved up behind without a crease.",
)
