"""Every file that a person keeps is opened by one rule: regular, at most 64 MiB, never waited for."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from auditor.core.errors import SettingsError
from auditor.core.files import MOST_BYTES, read_written
from auditor.inputs.logs import read_log
from auditor.inputs.order import read_order
from auditor.inputs.orders_list import read_orders
from auditor.policy import load_policy

READERS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "order": ("order.toml", read_order),
    "request": ("order.json", read_order),
    "policy": ("policy.toml", load_policy),
    "table of orders": ("orders.csv", read_orders),
    "workbook of orders": ("orders.xlsx", read_orders),
    "list of orders": ("orders.toml", read_orders),
    "checks": ("checks.csv", lambda path: read_log("monitoring", path)),
    "video": ("video.xlsx", lambda path: read_log("video", path)),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("kind", ["endless device", "pipe", "folder", "missing", "too large"])
def test_what_is_no_file_that_a_person_wrote_is_refused_at_once(
    tmp_path: Path, reader: str, kind: str
) -> None:
    name, read = READERS[reader]
    path = tmp_path / name
    if kind == "endless device":
        path.symlink_to("/dev/zero")
    elif kind == "pipe":
        os.mkfifo(path)  # opened without a writer, this would wait for ever
    elif kind == "folder":
        path.mkdir()
    elif kind == "too large":
        with path.open("wb") as file:
            file.truncate(MOST_BYTES + 1)
    words = {
        "endless device": "is a device or a pipe, no file",
        "pipe": "is a device or a pipe, no file",
        "folder": "is a folder, no file",
        "missing": "cannot be read",
        "too large": "is larger than",
    }[kind]
    with pytest.raises(SettingsError, match=words) as error:
        read(path)
    assert str(path) in error.value.where
    assert error.value.action


def test_a_file_of_the_largest_size_is_read(tmp_path: Path) -> None:
    path = tmp_path / "exact"
    path.write_bytes(b"x" * 1000)
    assert len(read_written(path, most=1000)) == 1000
    with pytest.raises(SettingsError, match="larger"):
        read_written(path, most=999)
