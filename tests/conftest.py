"""The demo catalogue, built once for all tests that look at a whole site; and which tests share a process."""

from __future__ import annotations

import shutil
import signal
from pathlib import Path

import pytest

from tests.browsing import browser, serve_site, site_server  # noqa: F401  fixtures: one browser for the whole run
from tests.command import kickwheel

# A shell that starts the tests in the background makes them deaf to Ctrl-C, and what they start inherits that.
signal.signal(signal.SIGINT, signal.default_int_handler)

DEMO = Path(__file__).parent.parent / "demo_catalog"


@pytest.hookimpl(tryfirst=True)  # before xdist reads the groups
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run by several processes, a file's tests stay together, and so do all that look at the demo or use a browser:
    the demo is built once, and no two browsers compete for the processors."""
    for item in items:
        shared = {"demo", "browser"} & set(item.fixturenames) or item.path.parent.name == "browser"
        item.add_marker(pytest.mark.xdist_group("demo" if shared else item.path.stem))


@pytest.fixture(scope="session")
def demo(tmp_path_factory) -> Path:
    """A copy of demo_catalog/ with its site built by the command."""
    folder = tmp_path_factory.mktemp("demo") / "demo_catalog"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("site", ".kickwheel"))
    ran = kickwheel("build", folder, timeout=600)
    assert ran.status == 0, ran.err
    return folder


@pytest.fixture(scope="session")
def demo_site(demo) -> Path:
    return demo / "site"
