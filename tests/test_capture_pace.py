"""The beat: arithmetic, the track read back by onset detection, and the page in a browser."""

from __future__ import annotations

import re

import numpy as np
import pytest

from builder.capture import PlanInput, make_plan
from builder.capture.pace import COUNTDOWN, SOUNDS, TAIL_S, beats, pace_shots, render_track
from builder.capture.pace_page import render_pace_page
from tests.capture_reading import onsets, track_samples


def test_worked_example_of_common_practice():
    """30 frames at 1.5 s take 45 s (common practice)."""
    assert pace_shots(30, 1.5).total_s == 45


def test_quarters_start_at_or_past_the_right_angle():
    assert pace_shots(36, 1.5).quarters == ((0, 0), (9, 13.5), (18, 27), (27, 40.5))
    assert [index for index, _ in pace_shots(30, 1).quarters] == [0, 8, 15, 23]
    assert [index for index, _ in pace_shots(2, 1).quarters] == [0, 1]
    for frames in (3, 5, 24, 31):
        for quarter, (index, _) in enumerate(pace_shots(frames, 1).quarters if frames > 3 else ()):
            assert index * 360 / frames >= 90 * quarter > (index - 1) * 360 / frames


def test_each_shot_is_announced():
    pace = pace_shots(36, 1.5)
    heard = beats(pace)
    ticks, shots = ([time for time, name in heard if name in names] for names in (("tick",), ("shot", "quarter")))
    assert len(ticks) == len(shots) == 36
    assert np.subtract(shots, ticks) == pytest.approx(np.full(36, pace.warn_s))
    assert [time for time, name in heard if name == "count"] == [0, 1, 2]


@pytest.mark.parametrize("frames, seconds", [(30, 1.5), (36, 0.5), (24, 2.37), (48, 1.0)])
def test_track_read_back(frames, seconds):
    """Shots, and nothing else, are loud: found within 2 ms over the whole track, with no drift."""
    samples, rate = track_samples(render_track(pace_shots(frames, seconds)))
    assert len(samples) / rate == pytest.approx(COUNTDOWN + frames * seconds + TAIL_S, abs=1 / rate)
    found = onsets(samples, rate, 0.55)
    assert len(found) == frames
    assert np.abs(found - (COUNTDOWN + np.arange(frames) * seconds)).max() <= 0.002
    assert np.abs(samples).max() < 0.999  # never clipped


def test_quarters_sound_different():
    """The strongest frequency right after a shot is the shot's or the quarter's."""
    pace = pace_shots(36, 1.5)
    samples, rate = track_samples(render_track(pace))
    quarters = {index for index, _ in pace.quarters}
    for index in range(36):
        start = round((COUNTDOWN + index * 1.5) * rate)
        part = samples[start : start + rate // 20]
        peak = np.argmax(np.abs(np.fft.rfft(part))) * rate / len(part)
        assert peak == pytest.approx(SOUNDS["quarter" if index in quarters else "shot"].hertz, abs=25)


@pytest.fixture
def page(browser, tmp_path):
    """The page from disk, offline, with a clock the test turns and a record of wake locks and sounds."""
    file = tmp_path / "pace.html"
    file.write_text(render_pace_page(make_plan(PlanInput(diameter_mm=330, frames=12, pace_s=1.0))), encoding="utf-8")
    context = browser.new_context(offline=True, viewport={"width": 390, "height": 780})
    opened = context.new_page()
    faults: list[str] = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("request", lambda request: faults.append(request.url) if request.url.startswith("http") else None)
    opened.add_init_script("""
        window.held = 0; window.tones = [];
        Object.defineProperty(navigator, "wakeLock", {configurable: true, value: {request: async () => {
            held++; return {release: async () => { held--; }}; }}});
        let fake = null; window.setClock = (ms) => { fake = ms; };
        const real = performance.now.bind(performance);
        performance.now = () => fake ?? real();
        delete window.AudioContext; delete window.webkitAudioContext;
        window.AudioContext = class {
            constructor() { this.state = "running"; this.destination = {}; }
            get currentTime() { return performance.now() / 1000; }
            resume() { return Promise.resolve(); }
            createOscillator() { const tone = {frequency: {}, connect: (to) => to, stop() {},
                start(at) { tones.push([tone.frequency.value, at]); }}; return tone; }
            createGain() { return {gain: {setValueAtTime() {}, linearRampToValueAtTime() {}, setTargetAtTime()
            {}},
                connect: (to) => to}; }
        };
        setClock(1000);
    """)
    opened.goto(file.as_uri())
    yield opened
    context.close()
    assert faults == []


def _at(page, seconds: float, start: float = 1.0) -> None:
    """To `seconds` after the first shot of the stretch that was started at clock time `start`, s."""
    page.evaluate(f"setClock({(start + 3.1 + seconds) * 1000})")
    page.wait_for_timeout(90)


def _number(page) -> str:
    return page.text_content("#number")


def test_page_beats_pauses_and_steps_back(page):
    page.click("#go")
    page.wait_for_timeout(60)
    assert page.inner_text("#state") == "Frame 1 in 3" and page.evaluate("held") == 1
    _at(page, -0.5)
    assert page.inner_text("#state") == "Frame 1 in 1"
    _at(page, 0.01)
    assert (_number(page), page.inner_text("#next")) == ("1", "30°")
    _at(page, 4.5)
    assert (_number(page), page.inner_text("#next"), page.inner_text("#quarter")) == ("5", "150°", "2 of 4")
    page.click("#go")
    assert page.inner_text("#state") == "Paused: frame 6 comes next" and page.evaluate("held") == 0
    page.click("#back")
    page.keyboard.press("ArrowLeft")
    assert page.inner_text("#state") == "Paused: frame 4 comes next" and _number(page) == "4"
    page.click("#go")
    page.wait_for_timeout(60)
    again = 1 + 3.1 + 4.5
    _at(page, 0.01, again)
    assert _number(page) == "4"
    _at(page, 8.5, again)
    assert _number(page) == "12" and page.inner_text("#next") == "home"
    _at(page, 9.01, again)
    assert page.inner_text("#state") == "The turn is complete" and page.evaluate("held") == 0


def test_page_sounds_each_beat_once_and_on_time(page):
    page.click("#go")
    page.wait_for_timeout(60)
    for quarter_second in range(-12, 50):
        page.evaluate(f"setClock({(1 + 3.1 + quarter_second / 4) * 1000})")
        page.wait_for_timeout(45)
    tones = page.evaluate("tones")
    loud = [round(at - 4.1, 3) for hertz, at in tones if hertz in (SOUNDS["shot"].hertz, SOUNDS["quarter"].hertz)]
    assert loud == pytest.approx(list(range(12)), abs=1e-3)
    assert sum(hertz == SOUNDS["tick"].hertz for hertz, _ in tones) == 12
    assert sum(hertz == SOUNDS["count"].hertz for hertz, _ in tones) == 3
    assert sum(hertz == SOUNDS["quarter"].hertz for hertz, _ in tones) == 4


def test_page_says_so_when_the_screen_may_sleep(page):
    page.evaluate('Object.defineProperty(navigator, "wakeLock", {value: undefined})')
    page.click("#go")
    page.wait_for_timeout(60)
    assert "set the phone’s display to stay on" in page.inner_text("#awake")


def test_page_holds_the_same_beat_as_the_track():
    page = render_pace_page(make_plan(PlanInput(diameter_mm=330)))
    assert re.search(r'"frames": 36.*"seconds": 1.5', page)
    for sound in SOUNDS.values():
        assert f'"hertz": {sound.hertz}' in page
