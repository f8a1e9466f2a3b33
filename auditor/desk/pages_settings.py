"""The lab's settings: the desk's own, and the policy with what differs from the default."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from flask import Flask, Response, request

from auditor.core.errors import AuditorError, SettingsError, UsageError
from auditor.desk.order_form import sentence
from auditor.desk.policy_form import changed_tables, parts
from auditor.desk.render import page, path_text, see
from auditor.desk.service import Desk, told
from auditor.inputs.orders_list import read_orders

_MOST_WATCHED = 20
_OWN_LABELS = {
    "orders": "The lab's list of orders",
    "timezone": "The lab's time zone",
    "watch": "Watched folders",
}


class SettingsPages:
    """One page with two forms."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def add_to(self, app: Flask) -> None:
        """Give the page its addresses."""
        app.add_url_rule("/settings", "settings", self.show)
        app.add_url_rule("/settings", "save", self.save, methods=["POST"])
        app.add_url_rule("/settings/policy", "save_policy", self.save_policy, methods=["POST"])

    def show(
        self,
        errors: Mapping[str, str] | None = None,
        typed: Mapping[str, str] | None = None,
        own: Mapping[str, str] | None = None,
    ) -> Response:
        """The page; after a refused form with what was typed and what is wrong."""
        settings = self._desk.settings
        errors = dict(errors or {})
        lab = {}
        try:
            lab = settings.policy_tables()
            settings.policy()
        except SettingsError as error:
            errors.setdefault("", told(error))
        found = parts(lab, typed or {})
        names = {one.name: one.label for part in found for one in part.settings} | _OWN_LABELS
        return page(
            "desk-settings.html",
            status=422 if errors else 200,
            errors=errors,
            names=names,
            parts=found,
            changed=sum(part.changed for part in found),
            errors_in={
                part.key: any(name.startswith(f"{part.key}.") for name in errors) for part in found
            },
            pairs=lambda choices: [(choice, choice.replace("_", " ")) for choice in choices],
            own=own
            or {
                "orders": str(settings.orders or ""),
                "timezone": settings.timezone or "",
                "watch": "\n".join(map(str, settings.watched)),
            },
            policy_file=path_text(settings.policy_file),
            desk_folder=path_text(self._desk.shelf.folder),
            given=[path_text(path) for path in self._desk.watched],
            saved=request.args.get("saved", "") == "yes",
        )

    def save(self) -> Response:
        """Keep the desk's own settings."""
        own = {name: request.form.get(name, "").strip() for name in ("orders", "timezone", "watch")}
        errors: dict[str, str] = {}
        watched = [line.strip() for line in own["watch"].splitlines() if line.strip()]
        for line in watched[:_MOST_WATCHED]:
            try:
                self._desk.places.pasted(line)
            except UsageError as error:
                errors["watch"] = told(error)
        if own["orders"]:
            try:
                path = Path(own["orders"]).expanduser()
                if not path.is_absolute() or not self._desk.places.holds(path):
                    raise UsageError(
                        "the list",
                        "must lie in a folder that this desk lists",
                        "Give its whole path.",
                    )
                read_orders(path)
            except AuditorError as error:
                errors["orders"] = told(error)
        try:
            if not errors:
                self._desk.settings.save(own["orders"], own["timezone"], watched[:_MOST_WATCHED])
        except SettingsError as error:
            about_file = str(self._desk.settings.file) in error.where
            errors["" if about_file else "timezone"] = told(error)
        return self.show(errors, own=own) if errors else see("/settings?saved=yes")

    def save_policy(self) -> Response:
        """Check and keep the policy; only what differs from the default is written."""
        typed = {name: text for name, text in request.form.items() if "." in name}
        try:
            lab = self._desk.settings.policy_tables()
        except SettingsError:
            lab = {}
        tables = changed_tables(lab, typed)
        named = tables.get("policy", {})
        if tables and "name" not in named:
            tables = {"policy": {"name": "the lab's policy", **named}, **tables}
        if set(tables) == {"policy"} and set(tables["policy"]) == {"name"}:
            tables = {}
        try:
            self._desk.settings.save_policy(tables)
        except SettingsError as error:
            return self.show({_field(error, typed): sentence(error)}, typed)
        return see("/settings?saved=yes")


def _field(error: SettingsError, typed: Mapping[str, str]) -> str:
    """The field that an error is about: its key stands at the end of the place."""
    found = re.search(r"([a-z_]+(?:\.[a-z_+]+)+)$", error.where)
    key = found.group(1) if found else ""
    fitting = [name for name in typed if name == key or name.startswith(f"{key}.")]
    return fitting[0] if fitting and key else ""
