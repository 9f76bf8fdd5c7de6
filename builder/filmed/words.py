"""What a film showed, in words."""

from __future__ import annotations

from builder.spin import FilmTake, Finding

QUARTERS = {1: "a quarter of a turn", 2: "half a turn", 3: "three quarters of a turn"}
OFF_SHARE = 0.1  # of a step: as far off as steps that still look even
LATE_TURN = 1.9  # turns: a little more than one is how it should be filmed


def film_findings(take: FilmTake, *, part: bool) -> list[Finding]:
    """What the frames alone don't show. part: a part turn was meant."""
    found = []
    step = 360.0 / take.wanted
    if not take.closed and not part and take.turned_deg is not None:
        missing = 360.0 - take.turned_deg
        message = f"The film shows {_shown(take)}: about {missing:.0f}° are missing."
        advice = "Film the whole turn and a little more, or say closed = false if a part turn is meant."
        last = len(take.names) - 1
        found.append(Finding("open-loop", (last, 0), "fail", missing, 1.5 * step, message, advice))
    if take.turns > LATE_TURN:
        message = f"The film shows {take.turns:.1f} turns; the first whole one is used, {_span(take)}."
        found.append(
            Finding("open-loop", (), "note", 360 * take.turns, 360.0, message, "Say from and to for another one.")
        )
    if take.judged and len(take.names) < _possible(take, part):
        message = f"The turn is so fast that the film has {len(take.names)} pictures of it, for {_possible(take, part)} frames."
        advice = "Turn slower (20 to 30 s a turn are usual), or ask for fewer with frames_count."
        found.append(Finding("too-few-frames", (), "warn", len(take.names), take.wanted, message, advice))
    if take.smear_px:
        message = (
            f"The turn is too fast for this light: edges are {take.smear_px:.1f} px softer while it turns than at rest."
        )
        advice = "Turn slower (30 s a turn or more) or add light, so that the camera uses a shorter exposure."
        found.append(Finding("blurred", (), "warn", take.smear_px, 1.5, message, advice))
    if not take.judged:
        message = "How far the disc turned can't be told from the pictures: frames were taken by how much they change."
        advice = "Something to follow on the disc helps: a printed rim tape, in the picture."
        found.append(Finding("uneven-steps", (), "warn", 0.0, 0.0, message, advice))
    unknown = take.closed and take.off_deg is None
    if take.judged and (unknown or (take.off_deg or 0.0) > OFF_SHARE * step):
        known = (
            "how closely that is known can't be told" if unknown else f"that is known to about {take.off_deg:.1f}° only"
        )
        message = f"Little can be followed all round to tell how far the disc turned: {known}."
        advice = "Something to follow on the disc helps: a printed rim tape, in the picture."
        found.append(Finding("uneven-steps", (), "warn", take.off_deg or 0.0, OFF_SHARE * step, message, advice))
    return found


def _shown(take: FilmTake) -> str:
    """How much of a turn, no closer than it is known: a part turn's scale rests on perspective alone."""
    turned, sigma = take.turned_deg, take.turned_sigma_deg
    if not sigma:
        return f"about {turned:.0f}° of the turn"
    low, high = turned - 2 * sigma, min(turned + 2 * sigma, 359.0)
    return f"about {QUARTERS[min(max(round(turned / 90), 1), 3)]} (between {low:.0f}° and {high:.0f}°)"


def film_note(take: FilmTake) -> str:
    return f"{len(take.names)} frames from the film, {_span(take)}"


def _possible(take: FilmTake, part: bool) -> int:
    """Frames that a slow turn would have given."""
    if part or take.turned_deg is None:
        return take.wanted
    return min(take.wanted, int(take.turned_deg * take.wanted / 360.0 + 1.05))


def _span(take: FilmTake) -> str:
    return f"from {take.start_s:.1f} s to {take.end_s:.1f} s"
