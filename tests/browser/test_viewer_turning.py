"""The viewer in a real browser: pressed, thrown, pinched and keyed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from viewer_site import Shown, write_site, write_spin

SLIDER = "[role=slider]"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, site_server: Callable[[Path], str]) -> str:
    folder = tmp_path_factory.mktemp("spins")
    write_site(folder, write_spin(folder))
    shared = {"formats": ["webp"], "widths": [480]}
    for name, more in {
        "clockwise": {"turn": "clockwise"},
        "part": {"closed": False, "count": 7, "home": 3},
        "uneven": {"angles": [0, 10, 40, 41, 200], "count": 5},
    }.items():
        write_site(folder / name, write_spin(folder / name, **shared, **more))
    spin = write_spin(folder / "tall", **shared, count=6)
    write_site(folder / "tall", spin, below="<p>long</p>" * 80)
    write_site(folder / "auto", spin, attributes="autoplay", below="<p>long</p>" * 80, base="../tall/")
    return site_server(folder)


@pytest.fixture
def visit(browser, site: str) -> Iterator[Callable]:
    """visit(path) -> a page whose spin is ready to turn."""
    contexts = []

    def open_page(path: str = "", ready: bool = True, **options):
        contexts.append(browser.new_context(**{"viewport": {"width": 900, "height": 700}, **options}))
        page = contexts[-1].new_page()
        page.faults = []
        page.on("pageerror", lambda error: page.faults.append(str(error)))
        page.add_init_script(
            "addEventListener('ready', event => event.target.ready = true, true);"
            "addEventListener('frame', event => (window.seen ||= []).push(event.detail.frame), true)"
        )
        page.goto(f"{site}/{path}")
        if ready:
            page.wait_for_function("document.querySelector('kick-spin').ready")
        return page

    yield open_page
    faults = [fault for context in contexts for page in context.pages for fault in page.faults]
    for context in contexts:
        context.close()
    assert faults == []


def now(page) -> int:
    return int(page.locator(SLIDER).get_attribute("aria-valuenow"))


def box_of(page) -> dict[str, float]:
    return page.locator(SLIDER).bounding_box()


def throw(page, share: float) -> None:
    """Drags from the middle by a share of the width and lets go at once, in 128 ms by the events' own times.

    Moves without a pause between them come as one to the page, and say nothing of speed.
    """
    box, began = box_of(page), time.time()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)  # where the next press falls
    session = page.context.new_cdp_session(page)

    def told(kind: str, step: int) -> None:
        place = {"x": x + box["width"] * share * min(step, 8) / 8, "y": y, "timestamp": began + 0.016 * step}
        button = {"button": "left", "buttons": int(kind != "mouseReleased"), "clickCount": 1}
        session.send("Input.dispatchMouseEvent", {"type": kind, **place, **button})

    told("mousePressed", 0)
    for step in range(1, 9):
        told("mouseMoved", step)
        page.wait_for_timeout(20)
    told("mouseReleased", 9)


def drag(page, share: float, *, steps: int = 12, height: float = 0.5) -> None:
    """Drags from the middle by a share of the width and rests before letting go, throwing nothing."""
    box = box_of(page)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] * height
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + box["width"] * share, y, steps=steps)
    page.wait_for_timeout(100)
    page.mouse.up()


def at_rest(page) -> int:
    """The frame shown once it hasn't changed for a second: a throw's last steps are slow, on a busy machine more so."""
    last, still = -1, 0
    while still < 4:
        still = still + 1 if last == (last := now(page)) else 0
        page.wait_for_timeout(250)
    return last


def test_dragging_right_brings_the_near_side_right(visit) -> None:
    # 24 frames of 15 degrees; a quarter of the width is 45 degrees: 3 frames (less the slack of 4 px)
    page = visit()
    drag(page, 0.25)
    assert now(page) == 3
    drag(page, -0.5)
    assert now(page) == 21, "on through the seam, the other way"
    page = visit("clockwise/")
    drag(page, 0.25)
    assert now(page) == 21, "frames of a clockwise turn run the other way"


def test_picture_shown_is_the_frame_said(visit) -> None:
    page = visit()
    for share in (0.25, 0.4, -0.2):
        drag(page, share)
        page.wait_for_timeout(400)
        assert Shown(page.locator(SLIDER).screenshot()).index == now(page)


def test_a_press_without_moving_turns_nothing(visit) -> None:
    page = visit()
    drag(page, 0.004)
    page.locator(SLIDER).click()
    assert now(page) == 0 and not page.evaluate("window.seen?.length > 1")


def test_only_the_main_button_turns(visit) -> None:
    page = visit()
    box = box_of(page)
    page.mouse.move(box["x"] + 50, box["y"] + 100)
    page.mouse.down(button="right")
    page.mouse.move(box["x"] + 300, box["y"] + 100, steps=5)
    page.mouse.up(button="right")
    assert now(page) == 0


def test_a_throw_goes_on_and_comes_to_rest(visit) -> None:
    page = visit()
    # Counted in the page: a busy machine asks only when the throw is over.
    page.evaluate("addEventListener('pointerup', () => { window.before = (window.seen || []).length }, true)")
    throw(page, 0.3)
    rest = at_rest(page)
    assert page.evaluate("seen.length > before")
    page.wait_for_timeout(300)
    assert now(page) == rest


def test_a_touch_stops_a_throw(visit) -> None:
    page = visit()
    throw(page, 0.3)
    page.mouse.down()
    stopped = now(page)
    page.wait_for_timeout(300)
    assert now(page) == stopped
    page.mouse.up()


def test_reduced_motion_throws_nothing(visit) -> None:
    page = visit(reduced_motion="reduce")
    throw(page, 0.2)
    released = now(page)
    page.wait_for_timeout(300)
    assert now(page) == released != 0


def test_leaving_the_window_with_the_button_down_ends_the_drag(visit) -> None:
    # the release is lost; the next move comes without a button
    page = visit()
    send = "el.dispatchEvent(new PointerEvent('%s', {pointerId: 7, clientX: %%d, clientY: 200, buttons: %%d}))"
    press, move = send % "pointerdown", send % "pointermove"
    slider = page.locator(SLIDER)
    slider.evaluate(f"el => {{ {press % (200, 1)}; {move % (260, 1)}; {move % (360, 1)} }}")
    turned = now(page)
    assert turned != 0
    slider.evaluate(f"el => {{ {move % (500, 0)}; {move % (600, 0)} }}")
    assert now(page) == turned


def test_keys_follow_the_slider_pattern(visit) -> None:
    # WAI-ARIA Authoring Practices, slider pattern
    page = visit()
    slider = page.locator(SLIDER)
    slider.focus()
    said = []
    for key in (
        "ArrowRight",
        "ArrowUp",
        "ArrowLeft",
        "ArrowDown",
        "PageUp",
        "PageDown",
        "End",
        "ArrowRight",
        "ArrowLeft",
        "Home",
    ):
        page.keyboard.press(key)
        said.append(now(page))
    assert said == [1, 2, 1, 0, 2, 0, 23, 0, 23, 0]
    for _ in range(6):
        page.keyboard.press("ArrowRight")
    assert slider.get_attribute("aria-valuetext") == "View 7 of 24, 90 degrees"
    assert [slider.get_attribute(f"aria-value{end}") for end in ("min", "max")] == ["0", "23"]
    assert slider.get_attribute("aria-label") == "Turn: Enamel pot <with handle>"
    assert slider.evaluate("el => el.childElementCount") == 0, "a leaf"


def test_other_keys_are_left_to_the_page(visit) -> None:
    page = visit("tall/")
    page.locator(SLIDER).focus()
    page.evaluate(
        "addEventListener('keydown', event => (window.left ||= []).push([event.key, event.defaultPrevented]))"
    )
    for key in ("Tab", "a", "Control+ArrowRight", "Escape"):
        page.keyboard.press(key)
    assert not any(prevented for _, prevented in page.evaluate("left"))


def test_buttons_do_what_a_drag_does(visit) -> None:
    for path, right in (("", 2), ("clockwise/", 22)):
        page = visit(path)
        page.get_by_role("button", name="Turn right").click()
        assert at_rest(page) == right
        page.get_by_role("button", name="Turn left").click()
        page.get_by_role("button", name="Turn left").click()
        assert at_rest(page) == (24 - right) % 24


def test_play_and_pause(visit) -> None:
    page = visit()
    page.get_by_role("button", name="Play").click()
    page.wait_for_timeout(700)
    page.get_by_role("button", name="Pause").click()
    paused = now(page)
    assert paused > 0
    page.wait_for_timeout(250)
    assert now(page) == paused
    assert page.get_by_role("button", name="Play").count() == 1


def test_a_touch_stops_the_play(visit) -> None:
    page = visit()
    page.get_by_role("button", name="Play").click()
    page.wait_for_timeout(250)
    page.locator(SLIDER).click()
    assert page.get_by_role("button", name="Play").count() == 1


def test_autoplay_only_where_asked_in_view_and_with_motion_allowed(visit) -> None:
    page = visit("auto/")  # 24 frames in 4 s: one in 167 ms
    moved = "document.querySelector('kick-spin').frame != %d"
    page.wait_for_function(moved % 0)
    page.evaluate("scrollTo(0, 1e6)")
    page.wait_for_timeout(200)
    gone = now(page)
    page.wait_for_timeout(500)
    assert now(page) == gone, "not out of view"
    page.evaluate("scrollTo(0, 0)")
    page.wait_for_function(moved % gone)
    for path, options in (("auto/", {"reduced_motion": "reduce"}), ("", {})):
        page = visit(path, **options)
        page.wait_for_timeout(500)
        assert now(page) == 0


def test_motion_that_becomes_unwanted_stops(visit) -> None:
    page = visit("auto/")
    page.emulate_media(reduced_motion="reduce")
    page.wait_for_timeout(100)
    stopped = now(page)
    page.wait_for_timeout(800)
    assert now(page) == stopped


def test_a_part_turn_stops_at_its_ends(visit) -> None:
    page = visit("part/")  # 7 frames over 180 degrees, home in the middle
    assert now(page) == 3
    drag(page, 0.45)
    drag(page, 0.45)
    assert now(page) == 6
    drag(page, -0.1)  # 18 degrees back at once: nothing is wound up behind the end
    assert now(page) == 5
    page.locator(SLIDER).focus()
    for key, want in (("End", 6), ("ArrowRight", 6), ("Home", 0), ("ArrowLeft", 0)):
        page.keyboard.press(key)
        assert now(page) == want
    throw(page, 0.4)
    assert at_rest(page) <= 6
    page.evaluate(
        "() => { const spin = document.querySelector('kick-spin');spin.frame = 5; seen.length = 0; spin.play() }"
    )
    # To and fro: on a busy machine it may pass over a frame, and never from one end to the other.
    steps = "seen.slice(1).map((frame, k) => frame - seen[k])"
    page.wait_for_function(f"{steps}.some((step) => step > 0) && {steps}.some((step) => step < 0)")
    assert max(abs(step) for step in page.evaluate(steps)) <= 3


def test_uneven_steps_are_shown_at_their_true_angles(visit) -> None:
    page = visit("uneven/")  # 0, 10, 40, 41, 200 degrees
    found = page.evaluate("""() => { const spin = document.querySelector('kick-spin');
        const angles = [4, 6, 24, 26, 40.6, 120, 121, 279, 281, -20];
        return angles.map(angle => (spin.turnTo(angle), spin.frame)) }""")
    assert found == [0, 1, 1, 2, 3, 3, 4, 4, 0, 0]


def test_for_the_page_around(visit) -> None:
    page = visit()
    found = page.evaluate("""() => { const spin = document.querySelector('kick-spin'), heard = [];
        spin.addEventListener('frame', event => heard.push(event.detail));
        spin.frame = 5; spin.frame = 5; spin.frame = 99; spin.frame = -1; spin.frame = 'x'; spin.turnTo(-15);
        return [heard, spin.frame, spin.angle, spin.count] }""")
    assert found == [[{"frame": 5, "angle": 75}, {"frame": 23, "angle": 345}], 23, 345, 24]


def test_methods_do_no_harm_before_there_is_anything_to_turn(visit) -> None:
    page = visit()
    assert page.evaluate("""() => { const spin = document.createElement('kick-spin');
        for (const act of [() => {}, () => document.body.append(spin)]) {
            act(); spin.play(); spin.pause(); spin.turnTo(3); spin.frame = 2; spin.showHotspot('none');
        }
        return [spin.frame, spin.angle, spin.count].every(value => value === undefined) }""")


# ---- touch, sent to the browser as a touch screen would


class Fingers:
    def __init__(self, page) -> None:
        self.page, self.link = page, page.context.new_cdp_session(page)

    def send(self, kind: str, *points: tuple[float, float], **when: float) -> None:
        touches = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(points)]
        self.link.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches, **when})

    def swipe(self, dx: float, dy: float) -> None:
        box = box_of(self.page)
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        self.send("touchStart", (x, y))
        for step in range(1, 11):
            self.send("touchMove", (x + dx * step / 10, y + dy * step / 10))
            self.page.wait_for_timeout(16)
        self.page.wait_for_timeout(100)
        self.send("touchEnd")

    def tap_twice(self, x: float, y: float) -> None:
        """At a set pace by the events' own times, however slow the machine is."""
        began = time.time()
        for start in (0.0, 0.14):
            self.send("touchStart", (x, y), timestamp=began + start)
            self.send("touchEnd", timestamp=began + start + 0.06)


PHONE = {
    "viewport": {"width": 390, "height": 700},
    "has_touch": True,
    "is_mobile": True,
    "device_scale_factor": 2,
}


def test_a_finger_turns_sideways_and_scrolls_downwards(visit) -> None:
    page = visit("tall/", **PHONE)
    fingers = Fingers(page)
    fingers.swipe(120, 5)
    assert now(page) == 1 and page.evaluate("scrollY") == 0
    turned = now(page)
    fingers.swipe(6, -150)
    page.wait_for_timeout(200)
    assert page.evaluate("scrollY") > 60 and now(page) == turned


def zoom_of(page) -> float:
    return page.evaluate("document.querySelector('kick-spin').view.scale")


def test_two_fingers_pinch_and_a_drag_then_pans(visit) -> None:
    page = visit("tall/", **PHONE)
    fingers = Fingers(page)
    box = box_of(page)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    fingers.send("touchStart", (x - 40, y))
    fingers.send("touchStart", (x - 40, y), (x + 40, y))
    for step in range(1, 11):
        fingers.send("touchMove", (x - 40 - 4 * step, y), (x + 40 + 4 * step, y))
        page.wait_for_timeout(16)
    fingers.send("touchEnd")
    assert zoom_of(page) == pytest.approx(2, rel=0.1)
    assert page.evaluate("visualViewport.scale") == 1, "the page itself isn't zoomed"
    before = now(page)
    fingers.swipe(60, 40)
    view = page.evaluate("document.querySelector('kick-spin').view")
    assert now(page) == before and view["x"] > 30 and view["y"] > 20 and page.evaluate("scrollY") == 0


def test_double_tap_zooms_there_and_back(visit) -> None:
    page = visit("tall/", **PHONE)
    fingers = Fingers(page)
    box = box_of(page)
    at = (box["x"] + box["width"] * 0.7, box["y"] + box["height"] * 0.4)
    for want in (2, 1):  # 2: the most that a widest frame of 480 px is good for here
        fingers.tap_twice(*at)
        page.wait_for_timeout(700)
        assert zoom_of(page) == pytest.approx(want)


# ---- zoom with mouse and keys


def test_wheel_zooms_with_a_modifier_only(visit) -> None:
    page = visit("tall/")
    box = box_of(page)
    page.mouse.move(box["x"] + 100, box["y"] + 100)
    page.mouse.wheel(0, 200)
    page.wait_for_timeout(200)
    assert zoom_of(page) == 1 and page.evaluate("scrollY") > 0
    page.evaluate("scrollTo(0, 0)")
    page.keyboard.down("Control")
    page.mouse.wheel(0, -100)
    page.keyboard.up("Control")
    page.wait_for_timeout(200)
    assert zoom_of(page) > 1.3 and page.evaluate("scrollY") == 0


def test_zoom_by_double_click_buttons_and_keys(visit) -> None:
    page = visit()
    slider = page.locator(SLIDER)
    slider.dblclick(position={"x": 200, "y": 200})
    page.wait_for_timeout(700)
    assert zoom_of(page) == pytest.approx(2, rel=0.3) and now(page) == 0
    slider.focus()
    page.keyboard.press("ArrowRight")
    assert now(page) == 1, "turns while zoomed"
    page.keyboard.press("Shift+ArrowRight")
    page.wait_for_timeout(500)
    assert now(page) == 1
    page.keyboard.press("Escape")
    page.wait_for_timeout(700)
    assert zoom_of(page) == 1
    out = page.get_by_role("button", name="Zoom out")
    assert out.is_disabled()
    page.get_by_role("button", name="Zoom in").click()
    page.wait_for_timeout(500)
    assert zoom_of(page) == pytest.approx(1.6)
    out.click()
    page.wait_for_timeout(700)
    assert zoom_of(page) == 1 and out.is_disabled()
    drag(page, 0.25)
    assert now(page) == 4, "turns again by dragging"


def test_a_zoomed_view_loads_the_widest_frame_of_this_angle_only(browser, serve_site, tmp_path: Path) -> None:
    write_site(tmp_path, write_spin(tmp_path, widths=(480, 1600), formats=["webp"], count=6))
    server = serve_site(tmp_path)
    page = browser.new_page(viewport={"width": 500, "height": 600})
    page.goto(server.url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 6")
    assert not any("1600-" in path for path in server.asked)
    page.locator(SLIDER).focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("+")
    page.wait_for_function("document.querySelector('kick-spin').frames.wide?.width == 1600")
    assert [path for path in server.asked if "1600-" in path] == ["/1600-001.webp"]
    page.close()
