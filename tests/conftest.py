"""The demo catalogue, built once for all tests that look at a whole site."""

from __future__ import annotations

import os
import shutil
import signal
from pathlib import Path

import pytest

from builder.store.lock import hold
from tests.browsing import browser, serve_site, site_server  # noqa: F401  fixtures: one browser for the whole run
from tests.command import kickwheel

# A shell that starts the tests in the background makes them deaf to Ctrl-C, and what they start inherits that.
signal.signal(signal.SIGINT, signal.default_int_handler)

DEMO = Path(__file__).parent.parent / "demo_catalog"
# Begun first, the longest before all: what is begun last and lasts leaves the other process waiting.
LONG = (
    "test_demo_site", "test_turntable", "test_order_by_angle", "test_measured_spin", "test_turn_marks", "test_hostile_moments", "test_filmed", "test_measured_phone",
    "test_build", "test_finished_matte", "test_hostile_input", "test_scale", "test_measured_odd", "test_capture_rim",
    "test_viewer_turning", "test_viewer_loading", "test_viewer_embeds", "test_pages_scripts", "test_viewer_engines",
    "test_finished_tape", "test_measured_place", "test_measured_tape", "test_finished_shade",
)  # fmt: skip


def pytest_collection_modifyitems(items) -> None:
    places = {name: place for place, name in enumerate(LONG)}
    items.sort(key=lambda item: places.get(item.path.stem, len(LONG)))


@pytest.fixture(scope="session")
def demo(tmp_path_factory) -> Path:
    """A copy of demo_catalog/ with its site built by the command: one for all test processes."""
    temporary = tmp_path_factory.getbasetemp()
    home = temporary.parent if "PYTEST_XDIST_WORKER" in os.environ else temporary
    folder = home / "demo" / "demo_catalog"
    with hold(home / "demo.lock", wait_s=900):
        if not (home / "demo-is-built").exists():
            shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("site", ".kickwheel"), dirs_exist_ok=True)
            # The widest pictures cost a quarter of the build and differ in width only; README's own command makes them.
            catalog = folder / "catalog.toml"
            catalog.write_text("[output]\nwidths = [480, 960]\n\n" + catalog.read_text("utf-8"), "utf-8")
            ran = kickwheel("build", folder, "--jobs", os.cpu_count() or 1, timeout=800)
            assert ran.status == 0, ran.err
            (home / "demo" / "said.txt").write_text(ran.out + ran.err, "utf-8")
            (home / "demo-is-built").touch()
    return folder


@pytest.fixture(scope="session")
def demo_site(demo) -> Path:
    return demo / "site"
