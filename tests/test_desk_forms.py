"""What people fill in at the desk: orders, settings, paths. In this process, without a browser."""

from __future__ import annotations

import json
import os
import re
import threading
import tomllib
from datetime import datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from helpers_batch import make_study, until
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.datastructures import MultiDict

from auditor.core.errors import SettingsError, UsageError
from auditor.desk import server
from auditor.desk.folders import Places
from auditor.desk.order_form import (
    Filled,
    Taken,
    checked,
    corrected,
    filled_by,
    filled_from,
    tables_of,
)  # fmt: skip
from auditor.desk.policy_form import TITLES, changed_tables, default_tables, parts
from auditor.desk.security import Door
from auditor.desk.server import Start, run_desk
from auditor.desk.service import Desk
from auditor.desk.settings import Settings
from auditor.desk.watch import Watch
from auditor.policy import Sections, load_policy
from auditor.policy.toml import toml_text
from auditor.policy.values import keys_of

# -- TOML ----------------------------------------------------------------------------------------

_texts = st.text(st.characters(codec="utf-8"), max_size=20)
_scalars = (
    _texts
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.decimals(-(10**6), 10**6, places=3)
    | st.datetimes().map(lambda d: d.replace(microsecond=0))
    | st.times().map(lambda t: t.replace(microsecond=0))
)
_values = _scalars | st.lists(_scalars, max_size=3) | st.dictionaries(_texts, _scalars, max_size=3)


@given(st.dictionaries(_texts, st.dictionaries(_texts, _values, max_size=4), max_size=4))
def test_what_is_written_reads_back_as_it_was(data: dict[str, Any]) -> None:
    """Python's own reader of TOML 1.0 is the reference."""
    assert tomllib.loads(toml_text(data, "a remark"), parse_float=Decimal) == data


def test_a_text_that_no_file_holds_is_refused() -> None:
    with pytest.raises(ValueError, match="surrogates"):
        toml_text({"order": {"study_id": "\udcff"}}, "a remark")


# -- the order's form ------------------------------------------------------------------------------


def form(**texts: str) -> Filled:
    return filled_by(MultiDict({name.replace("__", "."): text for name, text in texts.items()}))


def test_a_form_gives_the_order_that_the_file_would(tmp_path: Path) -> None:
    (tmp_path / "checks.csv").write_text("time\n")
    filled = form(
        order__ordered_hours="72", order__study_id="S-2041", order__hookup="2027-03-02T09:30",
        order__timezone="America/Denver", order__video="no", order__monitoring="intermittent",
        order__minimum_channels="8", order__still_recording="yes", power__batteries="2",
        power__hours_per_battery="36", power__charges="80 %, 0.75", power__mode="card",
        logs__monitoring="checks.csv",
    )  # fmt: skip
    found = checked(filled, tmp_path, "order.toml")
    assert isinstance(found, Taken)
    order = found.order
    assert order.ordered_ns == 72 * 3600 * 10**9
    assert (order.video, order.monitoring, order.still_recording) == (False, "intermittent", True)
    assert order.power is not None
    assert order.power.charges_ppm == (800_000, 750_000)
    assert order.monitoring_log == str(tmp_path / "checks.csv")
    assert tomllib.loads(found.text)["order"]["hookup"] == datetime(2027, 3, 2, 9, 30)
    again = filled_from(tomllib.loads(found.text, parse_float=Decimal))
    assert tables_of(again) == tables_of(filled)


def test_every_wrong_field_is_named_at_once_in_the_command_lines_words(tmp_path: Path) -> None:
    filled = form(
        order__ordered_hours="many", order__hookup="tomorrow", order__timezone="Denver",
        order__minimum_channels="0", power__batteries="two", logs__monitoring="../checks.csv",
    )  # fmt: skip
    found = checked(filled, tmp_path, "order.toml")
    assert isinstance(found, Filled)
    assert set(found.errors) == {
        "order.ordered_hours", "order.hookup", "order.timezone", "order.minimum_channels",
        "power.batteries", "logs.monitoring",
    }  # fmt: skip
    assert found.errors["order.ordered_hours"].endswith("Write it as in: 72")
    assert "America/Denver" in found.errors["order.timezone"]
    assert "in the study's folder" in found.errors["logs.monitoring"]


def test_without_ordered_hours_only_they_are_asked_for(tmp_path: Path) -> None:
    found = checked(form(order__study_id="S-2041"), tmp_path, "order.toml")
    assert isinstance(found, Filled)
    assert set(found.errors) == {"order.ordered_hours"}


def test_one_charge_is_wanted_for_each_battery(tmp_path: Path) -> None:
    filled = form(order__ordered_hours="1", power__batteries="2", power__charges="100 %")
    found = checked(filled, tmp_path, "order.toml")
    assert isinstance(found, Filled)
    assert "one share for each battery" in found.errors["power.*"]


def test_a_log_behind_a_link_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "S-2041"
    folder.mkdir()
    (tmp_path / "secret.csv").write_text("time\n")
    (folder / "checks.csv").symlink_to(tmp_path / "secret.csv")
    found = checked(form(order__ordered_hours="1", logs__monitoring="checks.csv"), folder, "o")
    assert isinstance(found, Filled)
    assert "logs.monitoring" in found.errors


def test_corrections_are_put_in_changed_and_taken_out() -> None:
    tables: dict[str, Any] = {"order": {"ordered_hours": 1}, "logs": {"video": "v.csv"}}
    known = ["a.edf", "b=c.edf"]
    one = corrected(tables, "a.edf", "exclude", "T-12", known=known)
    assert one["files"] == {"exclude": ["a.edf"], "by": "T-12"}
    two = corrected(one, "a.edf", "include", "M-1", known=known)
    assert two["files"] == {"include": ["a.edf"], "by": "M-1"}
    three = corrected(two, "b=c.edf", "clock", "M-1", "+1:00:00", known)
    assert three["files"]["clock"] == {"b=c.edf": "+1:00:00"}
    none = corrected(corrected(three, "a.edf", "undo", "x", known=known), "b=c.edf", "undo", "x",
                     known=known)  # fmt: skip
    assert none == tables
    with pytest.raises(SettingsError, match="not a file of this study"):
        corrected(tables, "../x.edf", "exclude", "T-12", known=known)


# -- the lab's settings ----------------------------------------------------------------------------


def test_every_section_of_the_policy_is_on_the_page_with_source_and_mark() -> None:
    assert set(TITLES) == set(keys_of(Sections))
    found = {part.key: part for part in parts({})}
    assert all(part.settings and not part.changed for part in found.values())
    tolerance = next(s for s in found["decision"].settings if s.name == "decision.tolerance_share")
    assert (tolerance.default, tolerance.mark) == ("0.05", "common practice")
    assert "short of the ordered time" in tolerance.meaning
    for key in ("decision", "coverage", "signal", "study", "stop", "desk"):
        for setting in found[key].settings:
            assert setting.mark != "not stated", setting.name


def typed_as_shown() -> dict[str, str]:
    return {setting.name: setting.now for part in parts({}) for setting in part.settings}


def test_the_defaults_sent_back_change_nothing() -> None:
    assert changed_tables({}, typed_as_shown()) == {}


def test_only_what_differs_is_written_and_the_policy_takes_it(tmp_path: Path) -> None:
    typed = typed_as_shown() | {
        "decision.tolerance_share": "0.1",
        "signal.night_start": "21:00:00",
        "monitoring.intermittent.interval.hours": "2.5",
        "policy.checked": "2027-02",
        "policy.checked_by": "M-1",
        "desk.quiet_s": "300",
        "power.hours_per_battery": "30.5",
        "power.mode_share.card": "0.97",
    }
    lab = {"stop": {"patterns": {"fault": ["\\bxyz\\b"]}}}
    tables = changed_tables(lab, typed)
    assert tables["decision"] == {"tolerance_share": Decimal("0.1")}
    assert tables["signal"] == {"night_start": time(21)}
    assert tables["stop"] == lab["stop"]
    settings = Settings(tmp_path)
    policy = settings.save_policy(tables)
    assert policy.decision.tolerance_ppm == 100_000
    assert policy.monitoring.intermittent.interval.ns == 9000 * 10**9
    assert policy.monitoring.intermittent.interval.source == "set by the lab"
    assert policy.about.checked_by == "M-1"
    assert policy.power.battery_ns == 30_5 * 360 * 10**9
    assert tables["power"]["mode_share"] == {"card": Decimal("0.97")}
    assert policy.desk.quiet_ns == 300 * 10**9
    assert policy == load_policy(settings.policy_file)
    shown = {s.name: s for part in parts(settings.policy_tables()) for s in part.settings}
    changed = {name for name, setting in shown.items() if setting.changed}
    assert changed == {
        "decision.tolerance_share", "signal.night_start", "monitoring.intermittent.interval.hours",
        "policy.checked", "policy.checked_by", "desk.quiet_s", "power.hours_per_battery",
        "power.mode_share.card",
    }  # fmt: skip
    assert changed_tables(settings.policy_tables(), typed_as_shown()) == lab  # and back again


@pytest.mark.parametrize(
    ("name", "text"),
    [("decision.tolerance_share", "2"), ("decision.tolerance_share", "some"),
     ("signal.night_start", "late"), ("signal.mains", "55"), ("desk.quiet_s", "-1"),
     ("policy.codes", "perhaps"), ("monitoring.intermittent.interval.hours", "NaN")],
)  # fmt: skip
def test_a_wrong_setting_is_refused_and_nothing_is_written(
    tmp_path: Path, name: str, text: str
) -> None:
    settings = Settings(tmp_path)
    with pytest.raises(SettingsError, match=name.split(".")[1]):
        settings.save_policy(changed_tables({}, typed_as_shown() | {name: text}))
    assert list(tmp_path.iterdir()) == []


def test_the_default_is_read_as_the_policy_reads_it() -> None:
    assert set(default_tables()) >= set(keys_of(Sections))


# -- folders ---------------------------------------------------------------------------------------


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    make_study(tmp_path / "root", "S-2041")
    (tmp_path / "outside").mkdir()
    (tmp_path / "root" / ".hidden").mkdir()
    (tmp_path / "root" / "link").symlink_to(tmp_path / "outside")
    (tmp_path / "root" / "inner").symlink_to(tmp_path / "root" / "S-2041")
    return tmp_path


def test_only_folders_under_the_roots_are_opened(tree: Path) -> None:
    places = Places([tree / "root"])
    assert places.inside(tree / "root" / "S-2041") == (tree / "root" / "S-2041").resolve()
    assert places.inside(tree / "root" / "inner") == (tree / "root" / "S-2041").resolve()
    for path in (
        tree / "outside", tree / "root" / "link", tree / "root" / ".." / "outside", tree,
        Path("/"), Path("/etc"), Path("/proc/self/cwd"), tree / "root" / "S-2041" / "a.edf",
        tree / "root" / "nothing", Path("\0"),
    ):  # fmt: skip
        with pytest.raises(UsageError):
            places.inside(path)


def test_a_folder_that_becomes_a_link_is_looked_at_anew(tree: Path) -> None:
    places = Places([tree / "root"])
    number = places.id_of(places.inside(tree / "root" / "S-2041"))
    (tree / "root" / "S-2041").rename(tree / "root" / "S-2042")
    (tree / "root" / "S-2041").symlink_to(tree / "outside")
    with pytest.raises(UsageError, match="outside"):
        places.path_of(number)
    with pytest.raises(UsageError, match="not known"):
        places.path_of("0" * 24)


def test_a_listing_counts_recordings_and_shows_neither_links_nor_hidden_folders(
    tree: Path,
) -> None:
    places, root = Places([tree / "root"]), (tree / "root").resolve()
    listing = places.listing(root)
    assert [(f.name, f.recordings, f.order) for f in listing.folders] == [
        ("S-2041", 1, "order.toml")
    ]
    assert listing.here.recordings == 1
    assert not listing.direct
    assert places.listing(root / "S-2041").direct


@pytest.mark.parametrize("wrap", ["{}", ' "{}" ', "'{}'", "file://{}", "{}/"])
def test_a_path_is_taken_as_a_file_manager_gives_it(tree: Path, wrap: str) -> None:
    path = (tree / "root" / "S-2041").resolve()
    assert Places([tree / "root"]).pasted(wrap.format(path)) == path


@pytest.mark.parametrize("text", ["", "   ", "S-2041", "..", "file:", "a\0b", "/x" * 3000])
def test_a_path_that_is_none_is_told(tree: Path, text: str) -> None:
    with pytest.raises(UsageError):
        Places([tree / "root"]).pasted(text)


def test_addresses_do_not_give_folders_away(tree: Path) -> None:
    one, two = Places([tree / "root"]), Places([tree / "root"])
    path = (tree / "root" / "S-2041").resolve()
    assert one.id_of(path) == one.id_of(path)
    assert one.id_of(path) != two.id_of(path)  # cannot be tried out from the address alone
    assert all(c in "0123456789abcdef" for c in one.id_of(path))


# -- the desk itself -------------------------------------------------------------------------------


@pytest.fixture
def desk(tmp_path: Path) -> Any:
    made = Desk(tmp_path / "desk", [tmp_path / "studies"])
    assert made.shelf.take() is None
    yield made
    made.close()


def test_a_link_that_leads_out_keeps_a_study_from_being_read(desk: Desk, tmp_path: Path) -> None:
    folder = make_study(tmp_path / "studies", "S-2041")
    (tmp_path / "other.edf").write_bytes((folder / "a.edf").read_bytes())
    (folder / "b.edf").symlink_to(tmp_path / "other.edf")
    with pytest.raises(UsageError, match="leads out"):
        desk.start("S-2041", folder, None)
    (folder / "b.edf").unlink()
    (folder / "b.edf").symlink_to(folder / "a.edf")
    assert desk.start("S-2041", folder, None).study == "S-2041"


def test_a_log_of_an_order_beside_that_lies_elsewhere_is_not_read(
    desk: Desk, tmp_path: Path
) -> None:
    folder = make_study(tmp_path / "studies", "S-2041")
    with (folder / "order.toml").open("a") as file:
        file.write('[logs]\nmonitoring = "/etc/passwd"\n')
    known = desk.order("S-2041", folder)
    assert known.order is not None
    with pytest.raises(UsageError, match="passwd"):
        desk.start("S-2041", folder, known.order)


def test_two_studies_of_one_name_are_told_apart(desk: Desk, tmp_path: Path) -> None:
    one = make_study(tmp_path / "studies" / "march", "S-2041")
    two = make_study(tmp_path / "studies" / "april", "S-2041")
    assert desk.shelf.study_of(one) == "S-2041"
    desk.shelf.remember("S-2041", one)
    assert desk.shelf.study_of(two) == "april/S-2041"
    assert desk.shelf.study_of(one) == "S-2041"


def test_the_order_comes_from_the_desk_then_the_folder_then_the_list(
    desk: Desk, tmp_path: Path
) -> None:
    folder = make_study(tmp_path / "studies", "S-2041", ordered_s=None)
    listed = tmp_path / "studies" / "orders.csv"
    listed.write_text("Study,Ordered hours,Hook-up\nS-2041,72,2027-03-02 09:30\n")
    assert desk.order("S-2041", folder).place == ""
    desk.settings.save(str(listed), "America/Denver", [])
    known = desk.order("S-2041", folder)
    assert (known.place, known.tables["order"]["ordered_hours"]) == ("list", 72)
    assert known.tables["order"]["hookup"] == datetime(2027, 3, 2, 9, 30)
    (folder / "order.toml").write_text("[order]\nordered_hours = 48\n")
    assert desk.order("S-2041", folder).place == "beside"
    desk.shelf.keep_order("S-2041", "[order]\nordered_hours = 24\n")
    known = desk.order("S-2041", folder)
    assert (known.place, known.tables["order"]["ordered_hours"]) == ("desk", 24)
    (folder / "order.toml").write_text("[order]\nordered_hours = many\n")
    desk.shelf.write_beside("S-2041", folder, "[order]\nordered_hours = 12\n", replace=True)
    assert desk.order("S-2041", folder).tables["order"]["ordered_hours"] == 12
    (folder / "order.toml").write_text('[order]\nordered_hours = "many"\n')
    known = desk.order("S-2041", folder)
    assert known.order is None
    assert "must be a number" in known.error
    assert known.tables["order"]["ordered_hours"] == "many"  # shown, to be put right


def test_a_hospitals_request_fills_the_form(desk: Desk, tmp_path: Path) -> None:
    """HL7 FHIR R4, ServiceRequest: occurrencePeriod gives start and length."""
    folder = make_study(tmp_path / "studies", "S-2041", ordered_s=None)
    request = {
        "resourceType": "ServiceRequest", "status": "active", "intent": "order",
        "subject": {"identifier": {"value": "P-2041"}}, "identifier": [{"value": "S-2041"}],
        "occurrencePeriod": {"start": "2027-03-02T09:30:00-07:00",
                             "end": "2027-03-05T09:30:00-07:00"},
    }  # fmt: skip
    (folder / "order.json").write_text(json.dumps(request))
    desk.settings.save("", "America/Denver", [])
    known = desk.order("S-2041", folder)
    assert (known.place, known.name, known.error) == ("beside", "order.json", "")
    assert filled_from(known.tables).text("order.ordered_hours") == "72"
    assert filled_from(known.tables).text("order.hookup") == "2027-03-02T09:30"


def test_a_watched_study_waits_until_it_lies_still(desk: Desk, tmp_path: Path) -> None:
    make_study(tmp_path / "studies", "S-2041")
    make_study(tmp_path / "studies", "S-2042", ordered_s=None)
    desk.settings.save("", "", [str(tmp_path / "studies")])
    watch = Watch(desk)
    watch.look(lambda: 0.0)
    assert [w.why.split(":")[0] for w in desk.waiting] == ["arriving", "arriving"]
    watch.look(lambda: 599.0)
    assert not desk.runs.all()
    with (tmp_path / "studies" / "S-2041" / "a.edf").open("ab") as file:
        file.write(b"x")
    watch.look(lambda: 601.0)  # S-2041 grew: its ten minutes begin anew
    assert not desk.runs.all()
    assert [(w.name, w.wanted) for w in desk.waiting] == [("S-2041", False), ("S-2042", True)]
    watch.look(lambda: 1202.0)
    assert [run.study for run in desk.runs.all()] == ["S-2041"]
    until(lambda: not desk.runs.busy, 120)
    assert [run.state for run in desk.runs.all()] == ["done"]
    watch.look(lambda: 1900.0)
    assert len(desk.runs.all()) == 1
    later = Watch(desk)  # a desk that was started again knows what it audited
    later.look(lambda: 0.0)
    assert [w.name for w in desk.waiting] == ["S-2042"]


def test_a_watched_study_that_was_refused_is_tried_again_by_the_next_desk(
    desk: Desk, tmp_path: Path
) -> None:
    folder = make_study(tmp_path / "studies", "S-2041")
    raw = (folder / "a.edf").read_bytes()
    about = (folder / "a.edf").stat()
    (folder / "a.edf").write_bytes(b"x" * len(raw))
    os.utime(folder / "a.edf", ns=(about.st_atime_ns, about.st_mtime_ns))
    desk.settings.save("", "", [str(tmp_path / "studies")])

    def taken(watch: Watch) -> list[str]:
        for now in (0.0, 601.0, 1900.0):  # seen, found still, and looked at once more
            watch.look(lambda now=now: now)  # type: ignore[misc]
            until(lambda: not desk.runs.busy, 120)
        return [run.state for run in desk.runs.all()]

    assert taken(Watch(desk)) == ["failed"]  # refused once, not again and again
    assert not desk.audited("S-2041", folder)
    (folder / "a.edf").write_bytes(raw)  # mended, with the same size and time
    os.utime(folder / "a.edf", ns=(about.st_atime_ns, about.st_mtime_ns))
    assert taken(Watch(desk)) == ["failed", "done"]
    assert desk.audited("S-2041", folder)
    assert taken(Watch(desk)) == ["failed", "done"]


def test_a_waiting_audit_can_be_cancelled_and_is_asked_for_once(desk: Desk, tmp_path: Path) -> None:
    folders = [make_study(tmp_path / "studies", f"S-{n}") for n in range(3)]
    runs = [desk.start(folder.name, folder, None) for folder in folders]
    again = desk.start(folders[2].name, folders[2], None)
    assert again.id == runs[2].id
    desk.runs.cancel(runs[2].id)
    until(lambda: not desk.runs.busy, 120)
    assert [run.state for run in desk.runs.all()] == ["done", "done", "cancelled"]
    with desk.shelf.history() as history:
        assert sorted(study for study, _ in history.latest()) == ["S-0", "S-1"]


def test_a_study_that_cannot_be_read_is_a_row_but_never_in_an_audits_place(
    desk: Desk, tmp_path: Path
) -> None:
    folder = tmp_path / "studies" / "S-2041"
    folder.mkdir(parents=True)
    (folder / "a.edf").write_bytes(b"not a recording")
    desk.start("S-2041", folder, None)
    until(lambda: not desk.runs.busy, 120)
    (run,) = desk.runs.all()
    assert run.state == "failed"
    assert "no recording could be read" in run.text
    assert [row.summary["outcome"] for row in desk.shelf.worklist()] == ["unreadable"]
    good = make_study(tmp_path / "studies", "S-2042")
    desk.start("S-2042", good, None)
    until(lambda: not desk.runs.busy, 120)
    (good / "a.edf").write_bytes(b"not a recording any more")
    desk.start("S-2042", good, None)
    until(lambda: not desk.runs.busy, 120)
    assert desk.runs.all()[-1].state == "failed"
    (row,) = (r for r in desk.shelf.worklist() if r.study == "S-2042")
    assert row.summary["recorded_ns"] == 36 * 10**9
    assert (desk.shelf.audit_folder("S-2042") / "audit.html").is_file()


def test_it_ends_by_itself_when_nobody_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "IDLE_S", 0.5)
    monkeypatch.setattr(server, "_LOOK_EACH_S", 0.1)
    said: list[str] = []
    start = Start(folder=tmp_path / "desk", opens=False)
    thread = threading.Thread(target=run_desk, args=(start, said.append), kwargs={"home": tmp_path})
    thread.start()
    thread.join(timeout=60)
    assert not thread.is_alive()
    assert said[-1] == "The desk has ended."
    assert [p.name for p in (tmp_path / "auditor-desk").iterdir()] == ["desk.log"]


def test_the_browser_is_opened_on_the_file_and_not_on_an_address(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "IDLE_S", 0.2)
    monkeypatch.setattr(server, "_LOOK_EACH_S", 0.1)
    opened: list[str] = []
    monkeypatch.setattr(server.webbrowser, "open", lambda uri: opened.append(uri) or True)
    run_desk(Start(folder=tmp_path / "desk"), lambda _: None, home=tmp_path)
    (uri,) = opened
    assert uri.startswith("file:///")
    assert uri.endswith(".html")


def test_the_oldest_browser_is_let_go(tmp_path: Path) -> None:
    door = Door(1, tmp_path / "open.html")
    sessions = []
    for _ in range(40):
        key = (tmp_path / "open.html").read_text().split('name="key" value="')[1].split('"')[0]
        session = door.enter(key)
        assert session is not None
        sessions.append(session)
    assert not door.knows(sessions[0])
    assert door.knows(sessions[-1])
    assert not door.knows("")


@pytest.mark.parametrize(
    "wanted", [{"roots": (Path("/nothing"),)}, {"watched": (Path("/nothing"),)}]
)
def test_a_root_that_is_not_there_is_told(tmp_path: Path, wanted: dict[str, Any]) -> None:
    with pytest.raises(UsageError, match="is not a folder"):
        run_desk(Start(folder=tmp_path / "d", **wanted), lambda _: None, home=tmp_path)


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        start = Start(folder=tmp_path / "d", port=port, opens=False)
        with pytest.raises(UsageError, match="cannot be used"):
            run_desk(start, lambda _: None, home=tmp_path)
    left = [path.suffix for path in (tmp_path / "auditor-desk").iterdir()]
    assert set(left) <= {".log"}


def test_every_class_of_the_desks_pages_has_a_rule() -> None:
    """The desk shares the audit's style sheet: what is renamed there must be missed here."""
    folder = Path(__file__).resolve().parent.parent / "report_templates"
    rules = "".join((folder / name).read_text() for name in ("audit.css", "desk.css"))
    known = set(re.findall(r"\.(-?[a-z][\w-]*)", rules))
    used = set()
    for path in folder.glob("desk-*.html"):
        for text in re.findall(r'class="([^"{]*)', path.read_text()):
            used |= set(text.split())
    assert used - known == {"desk-order", "is-"}


def test_roots_named_by_hand_are_listed_and_kept_by_the_page(tmp_path: Path) -> None:
    more = tmp_path / "drive"
    more.mkdir()
    settings = Settings(tmp_path)
    (tmp_path / "desk.toml").write_text(f'roots = ["{more}", "relative", "{more}/nothing"]\n')
    assert settings.roots == (more,)
    settings.save("", "America/Denver", [])
    assert settings.roots == (more,)
    assert settings.timezone == "America/Denver"


@pytest.mark.skipif(os.name == "nt", reason="file modes of POSIX")
@pytest.mark.parametrize(("mode", "audit"), [(0o700, 0o600), (0o750, 0o640), (0o755, 0o644)])
def test_colleagues_read_what_the_desks_folder_lets_them(
    tmp_path: Path, mode: int, audit: int
) -> None:
    folder = make_study(tmp_path / "studies", "S-2041")
    (tmp_path / "desk").mkdir()
    (tmp_path / "desk").chmod(mode)
    desk = Desk(tmp_path / "desk", [tmp_path / "studies"])
    assert desk.shelf.take() is None
    desk.start("S-2041", folder, None)
    until(lambda: not desk.runs.busy, 120)
    desk.shelf.decide("S-2041", "accept", "T-12", "")
    made = desk.shelf.audit_folder("S-2041")
    modes = {path.stat().st_mode & 0o777 for path in made.iterdir()}
    assert modes | {(tmp_path / "desk" / "index.html").stat().st_mode & 0o777} == {audit}
    assert made.stat().st_mode & 0o777 == mode
    assert (tmp_path / "desk" / "history.sqlite").stat().st_mode & 0o077 == 0
    desk.close()
