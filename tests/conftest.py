"""What several test modules ask for by name."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from helpers_demo import Demo
from hypothesis import settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# A busy machine is no failure: no test here depends on how long an example takes. Each run draws
# other examples, so that many short runs look as far as few long ones.
settings.register_profile(
    "suite", deadline=None, max_examples=int(os.environ.get("EXAMPLES", "50"))
)
settings.load_profile("suite")

# Thousands of small files come and go: in memory where the system has room for them there.
MEMORY = Path("/dev/shm")
if os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > 4 << 30:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))

# A suite that was started in the background ignores Ctrl-C, and so would all that it starts.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Half as many again as there are cores: many a test waits for a browser, a server, a child."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return (cores or 1) * 3 // 2


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A study of one good file, 20 s long."""
    from helpers_hostile_folder import GOOD  # only where asked for: it imports much

    at = tmp_path / "study"
    at.mkdir()
    (at / "good.edf").write_bytes(GOOD)
    return at


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo's studies and their audits: each is made once, whichever tests ask for it."""
    own = tmp_path_factory.getbasetemp()
    shared = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    return Demo(shared / "whole" / "demo", own / "single" / "demo")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests of a worker; each opens contexts of its own."""
    from helpers_browser import chromium

    with chromium() as opened:
        yield opened
