"""What the viewer asks for, when, and what it shows meanwhile; what it holds, and what is left of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from PIL import Image
from viewer_lives import COUNT_LEFTOVERS, LIVE
from viewer_site import Shown, write_site, write_spin

SLIDER = "[role=slider]"
READY = "document.querySelector('kick-spin').frames?.ready"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("loading")
    write_site(folder, write_spin(folder))
    return folder


@pytest.fixture
def open_page(browser):
    contexts = []

    def open_new(**options):
        contexts.append(browser.new_context(**{"viewport": {"width": 700, "height": 700}, **options}))
        return contexts[-1].new_page()

    yield open_new
    for context in contexts:
        context.close()


def show(page, index: int) -> Shown:
    page.evaluate(f"document.querySelector('kick-spin').frame = {index}")
    page.wait_for_timeout(120)
    return Shown(page.locator(SLIDER).screenshot())


def test_strip_first_then_sharp_coarse_to_fine(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url.rsplit("/", 1)[1]))
    page.goto(serve_site(folder).url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 24")
    pictures = [file for file in asked if re.search(r"\.(webp|avif)$", file)]
    assert pictures[0] == "strip.webp"
    coarse_to_fine = sorted(range(24), key=lambda index: (-(index & -index or 24), min(index, 24 - index), index))
    assert coarse_to_fine[:6] == [0, 16, 8, 4, 20, 12]
    assert pictures[1:] == [f"960-{index:03}.avif" for index in coarse_to_fine], (
        "one format, one width, each frame once"
    )


def test_sharp_frames_wait_for_the_first_touch_where_data_is_to_be_saved(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.add_init_script("Object.defineProperty(navigator, 'connection', {value: {saveData: true}})")
    server = serve_site(folder)
    page.goto(server.url)
    page.wait_for_function(READY)
    page.wait_for_timeout(300)
    assert not any("960-" in path for path in server.asked)
    page.locator(SLIDER).focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function("document.querySelector('kick-spin').frames.sharp[1]?.bitmap")


def test_turns_by_the_strip_while_sharp_frames_are_on_their_way(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    held = []
    page.route(re.compile(r"/960-"), lambda route: held.append(route))
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    assert not page.locator(".live").count(), "the poster stays: it is the home frame, and sharper"
    assert Shown(page.locator("kick-spin").screenshot()).kind == "poster"
    shown = show(page, 7)
    assert (shown.index, shown.kind) == (7, "strip")
    page.wait_for_timeout(100)
    asked = [route.request.url for route in held]
    for route in held:
        route.continue_()
    page.unroute_all()
    page.wait_for_function("document.querySelector('kick-spin').frames.sharp[7]?.bitmap")
    page.wait_for_timeout(100)
    shown = Shown(page.locator(SLIDER).screenshot())
    assert (shown.index, shown.kind) == (7, "960") and asked


def test_the_frame_under_the_finger_comes_next(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    asked: list = []
    page.route(re.compile(r"/960-"), lambda route: asked.append(route))
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    page.evaluate("document.querySelector('kick-spin').frame = 13")
    page.wait_for_timeout(100)
    assert len(asked) == 4
    with page.expect_request(re.compile(r"/960-")) as next_one:
        asked[0].continue_()
    assert "/960-013" in next_one.value.url


def test_never_blank_and_never_a_wrong_frame_while_pictures_arrive(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    for index in range(1, 24, 2):
        shown = show(page, index)
        assert shown.index == index and shown.far < 60


def test_a_small_element_takes_small_frames_and_a_dense_screen_larger(open_page, serve_site, folder: Path) -> None:
    for options, want in (
        ({"viewport": {"width": 400, "height": 600}}, "480"),
        ({"viewport": {"width": 400, "height": 600}, "device_scale_factor": 2}, "960"),
    ):
        page = open_page(**options)
        page.goto(serve_site(folder).url)
        page.wait_for_function("document.querySelector('kick-spin').frames?.sharp.filter(Boolean).length > 3")
        assert show(page, 0).kind == want


def test_the_other_format_where_a_browser_lacks_the_first(open_page, serve_site, tmp_path: Path) -> None:
    spin = write_spin(tmp_path, count=4, widths=[480])
    for source in spin["sources"]:
        source["format"] = source["format"].replace("avif", "not-a-format")
    write_site(tmp_path, spin)
    server = serve_site(tmp_path)
    page = open_page()
    page.goto(server.url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 4")
    assert not [path for path in server.asked if path.endswith(".avif")]


def test_the_strip_in_the_lighter_format_where_there_is_one(open_page, serve_site, tmp_path: Path) -> None:
    spin = write_spin(tmp_path, widths=[480], formats=["webp"])
    with Image.open(tmp_path / "strip.webp") as sheet:
        sheet.save(tmp_path / "strip.avif", quality=80, speed=10)
    write_site(tmp_path, spin | {"strip": spin["strip"] | {"avif": "strip.avif"}})
    server, page = serve_site(tmp_path), open_page()
    page.route("**/480-*", lambda route: None)  # sharp frames never come
    page.goto(server.url)
    page.wait_for_function(READY)
    drawn = show(page, 7)
    assert (drawn.index, drawn.kind) == (7, "strip")
    assert "/strip.avif" in server.asked and "/strip.webp" not in server.asked


def test_nothing_is_fetched_until_the_element_is_near(open_page, serve_site, folder: Path) -> None:
    (folder / "below.html").write_text(
        "<!doctype html><body><div style='height:4000px'></div>"
        + "<kick-spin src='spin.js' width=960 height=720></kick-spin>" * 2
        + "<script src=viewer.js></script>",
        "utf-8",
    )
    server = serve_site(folder)
    page = open_page()
    page.goto(server.url + "/below.html")
    page.wait_for_timeout(400)
    assert [path for path in server.asked if path != "/favicon.ico"] == ["/below.html", "/viewer.js"]
    page.evaluate("scrollTo(0, 1e6)")
    page.wait_for_function("[...document.querySelectorAll('kick-spin')].every(spin => spin.frames?.ready)")
    assert server.asked.count("/spin.js") == 1


def test_place_is_kept_before_anything_arrives(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.route(re.compile(r"\.(webp|avif|jpg)$"), lambda route: None)
    page.add_init_script(
        "window.shift = 0; const add = entry => shift += entry.value;"
        "new PerformanceObserver(list => list.getEntries().forEach(add))"
        ".observe({type: 'layout-shift', buffered: true})"
    )
    page.goto(serve_site(folder).url, wait_until="commit")
    page.wait_for_selector(SLIDER)
    box = page.locator("kick-spin").bounding_box()
    assert box["height"] == pytest.approx(box["width"] * 0.75, abs=1)
    page.wait_for_timeout(300)
    assert not page.evaluate("window.shift")


def test_full_screen_takes_wider_frames(open_page, serve_site, folder: Path) -> None:
    page = open_page(viewport={"width": 420, "height": 600})
    page.goto(serve_site(folder).url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 24")
    page.set_viewport_size({"width": 1200, "height": 800})
    page.wait_for_function("document.querySelector('kick-spin').frames.sharp.every(picture => picture.width == 960)")
    assert show(page, 5).kind == "960"


def test_full_screen_and_back(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    page.get_by_role("button", name="Full screen").click()
    page.wait_for_function("document.fullscreenElement?.localName == 'kick-spin'")
    page.wait_for_timeout(200)
    box, window = page.locator(SLIDER).bounding_box(), page.evaluate("[innerWidth, innerHeight]")
    assert [box["width"], box["height"]] == window
    page.get_by_role("button", name="Leave full screen").click()
    page.wait_for_function("!document.fullscreenElement")
    page.get_by_role("button", name="Full screen").wait_for()


def test_without_full_screen_the_window_is_filled(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.add_init_script("Object.defineProperty(document, 'fullscreenEnabled', {value: false})")
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    before = page.locator(SLIDER).bounding_box()
    page.get_by_role("button", name="Full screen").click()
    box = page.locator(SLIDER).bounding_box()
    assert [box["width"], box["height"]] == page.evaluate("[document.documentElement.clientWidth, innerHeight]")
    page.get_by_role("button", name="Leave full screen").click()
    assert page.locator(SLIDER).bounding_box() == before


def test_broken_pictures_say_so_and_can_be_tried_again(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.route(re.compile(r"\.(webp|avif|jpg)$"), lambda route: route.fulfill(status=404))
    page.goto(serve_site(folder).url)
    page.get_by_role("alert").wait_for()
    assert "could not be loaded" in page.get_by_role("alert").inner_text()
    assert page.locator("kick-spin").bounding_box()["height"] > 100
    page.unroute_all()
    page.get_by_role("button", name="Try again").click()
    page.wait_for_function(READY)
    assert page.get_by_role("alert").count() == 0
    assert show(page, 3).index == 3


def test_a_broken_strip_and_single_broken_frames_are_got_over(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.route(re.compile(r"strip|960-005"), lambda route: route.abort())
    page.goto(serve_site(folder).url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 23")
    assert show(page, 6).index == 6
    assert show(page, 5).index in (4, 6), "the nearest there is"
    assert page.get_by_role("alert").count() == 0


@pytest.mark.parametrize("data", ["{", "{}", '{"frames": []}', "null"])
def test_broken_data_says_so(open_page, serve_site, folder: Path, data: str) -> None:
    text = (folder / "index.html").read_text("utf-8")
    broken = re.sub(r"(id=\"spin-data-pot\">).*?(</script>)", lambda found: found[1] + data + found[2], text)
    (folder / "data.html").write_text(broken, "utf-8")
    page = open_page()
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(serve_site(folder).url + "/data.html")
    page.get_by_role("alert").wait_for()
    assert faults == []


def test_offline_after_the_first_load(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.goto(serve_site(folder).url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 24")
    page.context.set_offline(True)
    for index in (1, 11, 20):
        shown = show(page, index)
        assert (shown.index, shown.kind) == (index, "960")


COUNT_BITMAPS = """
    window.heldBytes = 0, window.mostBytes = 0;
    const make = window.createImageBitmap;
    window.createImageBitmap = async (...from) => {
        const bitmap = await make(...from), bytes = bitmap.width * bitmap.height * 4, close = bitmap.close;
        mostBytes = Math.max(mostBytes, heldBytes += bytes);
        bitmap.close = () => { heldBytes -= bytes; bitmap.close = () => {}; close.call(bitmap) };
        return bitmap;
    };
"""


def test_decoded_pictures_stay_within_the_budget(open_page, serve_site, tmp_path: Path) -> None:
    write_site(tmp_path, write_spin(tmp_path, count=36, widths=[1600], formats=["webp"]))
    server = serve_site(tmp_path)
    page = open_page(device_scale_factor=2)
    page.add_init_script(COUNT_BITMAPS)
    page.goto(server.url)
    page.wait_for_function("document.querySelector('kick-spin').frames?.sharp.filter(Boolean).length == 36")
    for index in (0, 12, 24, 3):
        page.evaluate(f"document.querySelector('kick-spin').frame = {index}")
        page.wait_for_function(f"document.querySelector('kick-spin').frames.sharp[{index}].bitmap")
        shown = Shown(page.locator(SLIDER).screenshot())
        assert shown.index == index
    most, held = page.evaluate("[mostBytes, heldBytes]")
    assert 40e6 < held <= most <= 120e6
    assert sum("1600-" in path for path in server.asked) == 36, "what was let go comes back without the network"
    page.evaluate("document.querySelector('kick-spin').remove()")
    assert page.evaluate("heldBytes") == 0


def test_nothing_is_decoded_while_the_object_turns_fast(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.add_init_script(COUNT_BITMAPS)
    held: list = []
    page.route(re.compile(r"/960-"), lambda route: held.append(route))
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    before = page.evaluate("heldBytes")
    page.evaluate("""async () => {
        const { canvas } = document.querySelector('kick-spin');
        const send = (type, x) => canvas.dispatchEvent(
            new PointerEvent(type, {pointerId: 1, clientX: x, clientY: 300, buttons: 1}));
        send('pointerdown', 60);
        const at = () => 60 + 250 * (1 + Math.sin(performance.now() / 90));
        window.turning = setInterval(() => send('pointermove', at()), 8);
    }""")
    page.wait_for_timeout(150)
    for route in held:
        route.continue_()
    page.unroute_all()
    page.wait_for_function("document.querySelector('kick-spin').frames.sharp.filter(Boolean).length > 12")
    fast = page.evaluate("[heldBytes, document.querySelector('kick-spin').frames.held(0).length]")
    page.evaluate("clearInterval(turning)")
    page.wait_for_function("document.querySelector('kick-spin').frames.held(0).length == 24")
    assert fast[0] <= before + 12 * 960 * 720 * 4, "but for the turning points, where it stands still"


def test_nothing_is_left_after_a_hundred_lives(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.add_init_script(COUNT_LEFTOVERS + COUNT_BITMAPS)
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    busy = page.evaluate("left")
    assert busy["observers"] == 3
    page.evaluate(LIVE)
    assert page.evaluate("firsts") > 15, "one element's listeners, all gone with it"
    assert page.evaluate("left") == {"listeners": 0, "observers": 0, "timers": 0, "frames": 0}
    assert page.evaluate("heldBytes") == 0


def test_moved_in_the_page_it_keeps_its_frame_and_works_on(open_page, serve_site, folder: Path) -> None:
    page = open_page()
    page.goto(serve_site(folder).url)
    page.wait_for_function(READY)
    page.evaluate("""() => { const spin = document.querySelector('kick-spin'); spin.frame = 9;
        const other = document.createElement('section');
        document.body.append(other);
        other.append(spin) }""")
    page.wait_for_function(READY)
    assert page.locator(SLIDER).count() == 1 and page.locator(".bar").count() == 1
    page.wait_for_timeout(200)
    assert page.locator(SLIDER).get_attribute("aria-valuenow") == "9"
    assert Shown(page.locator(SLIDER).screenshot()).index == 9
    page.locator(SLIDER).focus()
    page.keyboard.press("ArrowRight")
    assert page.locator(SLIDER).get_attribute("aria-valuenow") == "10"


def test_removed_and_put_back_before_anything_arrived(open_page, serve_site, folder: Path) -> None:
    (folder / "again.html").write_text(
        "<!doctype html><body><kick-spin src='spin.js'></kick-spin><script src=viewer.js></script><script>"
        "const spin = document.querySelector('kick-spin');"
        "for (let i = 0; i < 5; i++) { spin.remove(); document.body.append(spin) }"
        "</script>",
        "utf-8",
    )
    page = open_page()
    page.goto(serve_site(folder).url + "/again.html")
    page.wait_for_function(READY)
    assert page.locator(SLIDER).count() == 1


def test_another_spin_by_attribute(open_page, serve_site, folder: Path) -> None:
    write_spin(folder / "other", count=6, formats=["webp"], widths=[480], turn="clockwise")
    (folder / "swap.html").write_text(
        "<!doctype html><body><kick-spin src='spin.js'></kick-spin><script src=viewer.js></script>", "utf-8"
    )
    page = open_page()
    page.goto(serve_site(folder).url + "/swap.html")
    page.wait_for_function(READY)
    page.evaluate("document.querySelector('kick-spin').setAttribute('src', 'other/spin.js')")
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 6")
    assert page.locator(SLIDER).get_attribute("aria-valuemax") == "5"
    assert page.evaluate("document.querySelector('kick-spin').turn.sign") == -1


def test_without_script_poster_and_links(open_page, serve_site, folder: Path) -> None:
    page = open_page(java_script_enabled=False)
    page.goto(serve_site(folder).url)
    assert page.locator("kick-spin img").bounding_box()["width"] > 600
    assert page.get_by_role("link", name="Film of the turn").is_visible()


def test_from_disk(open_page, folder: Path) -> None:
    page = open_page()
    faults = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto((folder / "index.html").as_uri())
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 24")
    assert show(page, 8).index == 8 and faults == []


def test_names_of_files_may_hold_anything(open_page, serve_site, tmp_path: Path) -> None:
    folder = tmp_path / "a folder, with ümlaut & #hash"
    spin = write_spin(folder, count=4, formats=["webp", "avif"], widths=[480])
    for source in spin["sources"]:
        for index, file in enumerate(source["files"]):
            (folder / file).rename(folder / (renamed := f"frame {index}, ä%20.{source['format']}"))
            source["files"][index] = renamed.replace("%", "%25").replace("#", "%23")
    write_site(folder, spin)
    page = open_page()
    page.goto(serve_site(tmp_path).url + "/a%20folder,%20with%20%C3%BCmlaut%20&%20%23hash/index.html")
    page.wait_for_function("document.querySelector('kick-spin').frames?.held(0).length == 4")
