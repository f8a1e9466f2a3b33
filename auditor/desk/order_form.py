"""The order as a form: filled from a file that lies there, checked by the order file's own rules.

Nothing is checked here: what a person filled in becomes the tables of an order file and passes the
checks of ``auditor.inputs.order``, so that a message is the same on the page as in the terminal.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace
from werkzeug.datastructures import MultiDict

from auditor.core.errors import SettingsError
from auditor.inputs.order import order_of
from auditor.model import Order
from auditor.policy.toml import parse_toml, read_toml, toml_text

Tables = dict[str, dict[str, Any]]
"""The tables of an order file."""

_TEXTS = ("order.study_id", "order.patient_code", "order.timezone", "order.monitoring",
          "order.reports", "power.mode", "logs.monitoring", "logs.video", "files.by")  # fmt: skip
_OTHERS = ("order.ordered_hours", "order.hookup", "order.video", "order.minimum_channels",
           "power.batteries", "power.hours_per_battery", "power.spare_batteries",
           "power.external_hours", "power.mode_share")  # fmt: skip
"""Fields whose values stand in the file without quotation marks."""
_NUMBER = re.compile(r"\d{1,9}(\.\d{1,40})?")
_REMARK = "Written by the desk of the EEG Coverage Auditor from its form."
_MOST_ERRORS = 30


class Filled(Struct, frozen=True):
    """A form as it stands: the texts by field, and what is wrong with each.

    Fields are named as keys of an order file ('order.ordered_hours'). ``excluded`` and ``included``
    are file names, ``clocks`` pairs of a file name and what is added to its start stamp.
    """

    texts: Mapping[str, str] = {}
    still_recording: bool = False
    excluded: tuple[str, ...] = ()
    included: tuple[str, ...] = ()
    clocks: tuple[tuple[str, str], ...] = ()
    errors: Mapping[str, str] = {}

    def text(self, name: str) -> str:
        """What stands in a field."""
        return self.texts.get(name, "")


class Taken(Struct, frozen=True):
    """An order that passed every check, with the text of its file."""

    order: Order
    text: str


def filled_by(form: MultiDict[str, str]) -> Filled:
    """What a browser sent."""
    pairs = [entry.partition("\n") for entry in form.getlist("files.clock")]
    return Filled(
        texts={n: form.get(n, "").strip() for n in (*_TEXTS, *_OTHERS, "power.charges")},
        still_recording="order.still_recording" in form,
        excluded=tuple(form.getlist("files.exclude")),
        included=tuple(form.getlist("files.include")),
        clocks=tuple((name, text.strip()) for text, _, name in pairs),
    )


def filled_from(tables: Tables) -> Filled:
    """The form that shows an order file's tables, right or wrong."""
    texts = {}
    for section, keys in tables.items():
        for key, value in keys.items() if isinstance(keys, dict) else ():
            texts[f"{section}.{key}"] = _as_text(value)
    files = tables.get("files", {})
    files = files if isinstance(files, dict) else {}
    clock = files.get("clock", {})
    return Filled(
        texts=texts,
        still_recording=texts.get("order.still_recording", "").lower() in ("true", "yes"),
        excluded=_names(files.get("exclude")),
        included=_names(files.get("include")),
        clocks=tuple((str(k), str(v)) for k, v in clock.items()) if isinstance(clock, dict) else (),
    )


def _names(value: object) -> tuple[str, ...]:
    return tuple(map(str, value)) if isinstance(value, list) else ()


def _as_text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.isoformat(timespec="auto" if value.second or value.microsecond else "minutes")
    if isinstance(value, list):
        return ", ".join(map(_as_text, value))
    if isinstance(value, Decimal) and value.is_finite():
        text = f"{value:f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return "" if value is None else str(value)


def tables_of(filled: Filled) -> Tables:
    """The form as the tables of an order file; empty fields are left out."""
    charges = re.split(r"[,;\s]+", filled.text("power.charges").replace(" %", "%"))
    values = {name: filled.text(name) for name in _TEXTS} | {
        **{name: _value(filled.text(name)) for name in _OTHERS},
        "order.still_recording": filled.still_recording or "",
        "power.charges": [_value(part) for part in charges if part],
        "files.exclude": list(filled.excluded),
        "files.include": list(filled.included),
        "files.clock": dict(filled.clocks),
    }
    tables: Tables = {"order": {}}
    for name, value in values.items():
        if value not in ("", [], {}):
            section, _, key = name.partition(".")
            tables.setdefault(section, {})[key] = value
    return tables


def _value(text: str) -> object:
    """``text`` as it would stand in the file, or as it is, for the check to refuse."""
    if text.lower() in ("yes", "no"):
        return text.lower() == "yes"
    if _NUMBER.fullmatch(text):
        return Decimal(text) if "." in text else int(text)
    with contextlib.suppress(ValueError):
        return datetime.fromisoformat(text)
    return text


class _Fields:
    """Names the place of a key as the form's field does."""

    def place(self, keys: tuple[str, ...]) -> str:
        return ".".join(keys[:2])


def checked(filled: Filled, folder: Path, name: str) -> Taken | Filled:
    """The order that a form gives for the study in ``folder``; or the form with every error in it.

    ``name`` is what its file is called. Log names are relative to ``folder``.
    """
    tables = tables_of(filled)
    errors: dict[str, str] = {}
    trial: Tables = {section: dict(keys) for section, keys in tables.items()}
    order = None
    for _ in range(_MOST_ERRORS):
        try:
            order = order_of(trial, _Fields(), folder, "", name)
            break
        except SettingsError as error:
            where = error.where if error.where not in ("power", "files") else f"{error.where}.*"
            errors.setdefault(where, sentence(error))
            section, _, key = where.partition(".")
            if where == "order.ordered_hours":
                trial["order"]["ordered_hours"] = 1  # so that the other fields are looked at too
            elif key == "*" or key not in trial.get(section, {}):
                trial.pop(section, None)
            else:
                del trial[section][key]
    if order is not None:
        errors |= _logs_out_of(folder, order)
    try:
        text = toml_text(tables, _REMARK)
    except ValueError:
        errors.setdefault("order.study_id", "A text holds characters that no file can hold.")
    if errors or order is None:
        return replace(filled, errors=errors)
    return taken(text, folder, name)


def taken(text: str, folder: Path, name: str) -> Taken:
    """The order of an order file's text. Raises ``SettingsError``."""
    source = parse_toml(text.encode(), name)
    sha256 = hashlib.sha256(text.encode()).hexdigest()
    return Taken(order_of(source.data, source, folder, sha256, name), text)


_FORM = re.compile(r'as in: [\w.]+ = "?(.*?)"?\.$')
"""How a value is written in a file; in a field it stands without key and quotation marks."""


def sentence(error: SettingsError) -> str:
    """What is wrong with a field, and the form wanted, without naming the field."""
    action = _FORM.sub(r"as in: \1", error.action)
    text = f"{error.problem}. {action}" if action else error.problem
    return text[:1].upper() + text[1:]


def _logs_out_of(folder: Path, order: Order) -> dict[str, str]:
    """Logs that do not lie in the study's folder: the desk reads nothing else."""
    found = {}
    for name, path in (
        ("logs.monitoring", order.monitoring_log), ("logs.video", order.video_log),
    ):  # fmt: skip
        if path is not None and not lies_in(Path(path), folder):
            found[name] = "Must be a file in the study's folder. Copy it there and choose it."
    return found


def lies_in(path: Path, folder: Path) -> bool:
    """Whether the real ``path`` is a file below ``folder``."""
    try:
        real = path.resolve(strict=True)
    except (OSError, ValueError, RuntimeError):
        return False
    return real.is_file() and folder.resolve() in real.parents


def tables_in(path: Path) -> Tables:
    """The tables of an order file as they stand. Raises ``SettingsError``."""
    return {k: v for k, v in read_toml(path).data.items() if isinstance(v, dict)}


def corrected(
    tables: Tables, file: str, how: str, by: str, clock: str = "", known: Iterable[str] = ()
) -> Tables:
    """``tables`` with one file's correction: ``how`` is exclude, include, clock or undo.

    Raises ``SettingsError`` where the file is not one of ``known``.
    """
    if file not in known:
        raise SettingsError(file[:200], "is not a file of this study", "Open the study again.")
    files = dict(tables.get("files", {}))
    exclude = [name for name in files.get("exclude", []) if name != file]
    include = [name for name in files.get("include", []) if name != file]
    clocks = dict(files.get("clock", {}))
    if how == "exclude":
        exclude.append(file)
    elif how == "include":
        include.append(file)
    elif how == "clock":
        clocks[file] = clock
    else:
        clocks.pop(file, None)
    found = {"exclude": exclude, "include": include, "clock": clocks, "by": by}
    kept = {key: value for key, value in found.items() if value}
    rest = {section: keys for section, keys in tables.items() if section != "files"}
    return {**rest, "files": kept} if set(kept) - {"by"} else rest
