"""Choosing a study: folders, the first look, the order's form."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from flask import Flask, Response, request
from msgspec.structs import replace

from auditor.core.errors import AuditorError, UsageError
from auditor.desk.folders import Listing
from auditor.desk.intake import Look
from auditor.desk.order_form import Filled, Taken, checked, filled_by, filled_from, tables_of
from auditor.desk.render import page, path_text, see, study_id
from auditor.desk.service import Desk, told
from auditor.desk.shelf import KnownOrder
from auditor.inputs.order import order_of_folder

_RECENT = 8
LABELS = {
    "order.study_id": "Study",
    "order.patient_code": "Patient code",
    "order.ordered_hours": "Ordered hours",
    "order.hookup": "Hook-up, date and time",
    "order.timezone": "Time zone",
    "order.video": "Video",
    "order.monitoring": "Monitoring",
    "order.minimum_channels": "EEG channels at least",
    "order.reports": "Physician's reports",
    "order.still_recording": "Still recording",
    "power.batteries": "Batteries in the recorder",
    "power.hours_per_battery": "Hours of one full battery",
    "power.spare_batteries": "Spare batteries",
    "power.external_hours": "Hours of an external supply",
    "power.mode": "Recording to",
    "power.mode_share": "Share of the hours that this leaves",
    "power.charges": "Charges shown at hook-up",
    "power.*": "Batteries",
    "logs.monitoring": "Monitoring log",
    "logs.video": "Video log",
    "files.exclude": "Files left out by hand",
    "files.include": "Files counted by hand",
    "files.clock": "Clocks corrected by hand",
    "files.by": "Corrected by",
    "files.*": "Corrections",
}
"""What each key of the order is called on the page."""
ZONES = (
    "America/New_York", "America/Chicago", "America/Denver", "America/Phoenix",
    "America/Los_Angeles", "America/Anchorage", "Pacific/Honolulu", "America/Halifax",
    "America/Toronto", "Europe/London", "Europe/Berlin", "Europe/Vienna", "Australia/Sydney",
)  # fmt: skip
"""Zones offered in the field; any IANA name is taken."""


class FolderPages:
    """From the list of folders to the audit's start."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def add_to(self, app: Flask) -> None:
        """Give the pages their addresses."""
        app.add_url_rule("/folders", "folders", self.tops)
        app.add_url_rule("/folders", "pasted", self.pasted, methods=["POST"])
        app.add_url_rule("/folders/<number>", "folder", self.folder)
        app.add_url_rule("/folders/<number>/order", "order", self.order)
        app.add_url_rule("/folders/<number>/order", "ordered", self.ordered, methods=["POST"])

    def tops(self, error: str = "", pasted: str = "", listing: Listing | None = None) -> Response:
        """The roots, what was audited last, and a box for a path; or what lies in one folder."""
        return page(
            "desk-folders.html",
            tops=() if listing else self._desk.places.tops(),
            recent=() if listing else self._recent(),
            listing=listing,
            error=error,
            pasted=pasted,
            status=422 if error else 200,
        )

    def _recent(self) -> list[tuple[str, str, str]]:
        """(id, study, path) of the studies audited last, whose folders are still there."""
        found = []
        for study, folder in reversed(self._desk.shelf.studies().items()):
            if self._desk.places.holds(folder) and folder.is_dir():
                found.append((self._desk.places.id_of(folder), study, path_text(folder)))
        return found[:_RECENT]

    def pasted(self) -> Response:
        """Go to the folder whose path was pasted."""
        text = request.form.get("path", "")
        try:
            folder = self._desk.places.pasted(text)
        except UsageError as error:
            return self.tops(told(error), text)
        return see(f"/folders/{self._desk.places.id_of(folder)}")

    def folder(self, number: str) -> Response:
        """One folder: what is in it, the folders in it, and the way on to its order."""
        places = self._desk.places
        return self.tops(listing=places.listing(places.path_of(number)))

    def order(self, number: str) -> Response:
        """The first look, and the order's form as the folder or the lab's list fills it."""
        folder = self._desk.places.path_of(number)
        study = self._desk.shelf.study_of(folder)
        known = self._desk.order(study, folder)
        filled = filled_from(known.tables)
        if known.error:
            form = checked(filled, folder, known.name)
            errors = form.errors if isinstance(form, Filled) and form.errors else {"": known.error}
            filled = replace(filled, errors=errors)
        if not filled.text("order.timezone") and self._desk.settings.timezone:
            filled = replace(
                filled, texts={**filled.texts, "order.timezone": self._desk.settings.timezone}
            )
        return self._form(number, folder, study, known, filled)

    def ordered(self, number: str) -> Response:
        """Check the form, keep the order where it was asked for, and start the audit."""
        desk = self._desk
        folder = desk.places.path_of(number)
        study = desk.shelf.study_of(folder)
        known = desk.order(study, folder)
        filled = filled_by(request.form)
        if request.form.get("action") == "without":
            return see(f"/runs/{desk.start(study, folder, None).id}")
        if known.order is not None and self._as_it_lies(known, filled):
            return see(f"/runs/{desk.start(study, folder, known.order).id}")
        found = checked(filled, folder, "order.toml")
        if isinstance(found, Filled):
            return self._form(number, folder, study, known, found)
        try:
            self._keep(study, folder, found)
        except AuditorError as error:
            filled = replace(filled, errors={"write": told(error)})
            return self._form(number, folder, study, known, filled)
        return see(f"/runs/{desk.start(study, folder, found.order).id}")

    def _as_it_lies(self, known: KnownOrder, filled: Filled) -> bool:
        """Whether the form says what the study's own file or the list says: then that stays the
        order, and a later change of it counts."""
        same = tables_of(filled) == tables_of(filled_from(known.tables))
        return same and known.place in ("beside", "list") and request.form.get("write") != "beside"

    def _keep(self, study: str, folder: Path, found: Taken) -> None:
        """The order beside the study where that box is ticked, else in the desk's folder."""
        if request.form.get("write") == "beside":
            replacing = request.form.get("replace") == "yes"
            self._desk.shelf.write_beside(study, folder, found.text, replace=replacing)
        else:
            self._desk.shelf.keep_order(study, found.text)

    def _form(
        self, number: str, folder: Path, study: str, known: KnownOrder, filled: Filled
    ) -> Response:
        look: Look | None = None
        wrong = ""
        try:
            look = self._desk.look(folder)
        except AuditorError as error:
            wrong = str(error).removeprefix(f"{folder}: ")
        beside = order_of_folder(folder)
        return page(
            "desk-order.html",
            status=422 if filled.errors else 200,
            number=number,
            study=study,
            id=study_id(study),
            path=path_text(folder),
            look=look,
            wrong=wrong,
            log_options=[("", "none"), *((name, name) for name in (look.logs if look else ()))],
            known=known,
            filled=filled,
            hookup_type=_hookup_type(filled.text("order.hookup")),
            labels=LABELS,
            zones=ZONES,
            beside="" if beside is None or beside.parent != folder else beside.name,
            writing=request.form.get("write", "") == "beside",
            audited=self._desk.shelf.audited().get(study, ""),
        )


def _hookup_type(text: str) -> str:
    """A field for a date and time holds only such text; anything else must still be seen."""
    try:
        plain = not text or datetime.fromisoformat(text).tzinfo is None
    except ValueError:
        plain = False
    return "datetime-local" if plain else "text"
