"""The desk's settings page: what a lab changes is checked, kept, shown, and said where it is wrong."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers_desk import Answer, Served, desk

Post = Callable[..., Answer]
SAVED = "/settings?saved=yes"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with desk(tmp_path_factory.mktemp("desk")) as running:
        yield running


@pytest.fixture(scope="module")
def cookie(served: Served) -> str:
    return served.come_in()


@pytest.fixture
def post(served: Served, cookie: str) -> Iterator[Post]:
    """Sends a form as the page does; afterwards the settings are the default's again."""

    def send(address: str, **form: str) -> Answer:
        typed = {name.replace("__", "."): text for name, text in form.items()}
        headers = {"Origin": served.origin, "Sec-Fetch-Site": "same-origin", "Cookie": cookie}
        return served.ask("POST", address, headers=headers, form=typed)

    yield send
    for name in ("policy.toml", "desk.toml"):
        (served.folder / name).unlink(missing_ok=True)


def page(served: Served, cookie: str, address: str = "/settings") -> str:
    return served.ask("GET", address, headers={"Cookie": cookie}).text


def told(text: str) -> str:
    """The part of a page that says what is wrong."""
    return text.partition('id="errors"')[2].partition("</section>")[0]


def kept(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_a_changed_limit_is_kept_alone_and_shown(served: Served, cookie: str, post: Post) -> None:
    answer = post("/settings/policy", decision__tolerance_share="0.1", coverage__gap_floor_s="1")
    assert (answer.status, answer.headers["location"]) == (303, SAVED)
    assert kept(served.folder / "policy.toml") == {
        "policy": {"name": "the lab's policy"},
        "decision": {"tolerance_share": 0.1},
    }
    shown = page(served, cookie, SAVED)
    assert "Saved. Audits made from now on follow it" in shown
    assert 'value="0.1"' in shown


def test_a_limit_set_back_leaves_no_policy_of_the_labs(served: Served, post: Post) -> None:
    post("/settings/policy", decision__tolerance_share="0.1")
    assert post("/settings/policy", decision__tolerance_share="0.05").status == 303
    assert not (served.folder / "policy.toml").exists()


def test_a_policy_of_another_name_keeps_its_name(served: Served, post: Post) -> None:
    post("/settings/policy", policy__name="Harrow Street 2027", decision__usable_share="0.8")
    assert kept(served.folder / "policy.toml") == {
        "policy": {"name": "Harrow Street 2027"},
        "decision": {"usable_share": 0.8},
    }


@pytest.mark.parametrize("wrong", ["many", "2", "-0.1", "nan", "1e999"])
def test_a_wrong_limit_is_named_with_what_was_typed_and_nothing_is_kept(
    served: Served, post: Post, wrong: str
) -> None:
    answer = post("/settings/policy", decision__tolerance_share=wrong)
    assert answer.status == 422
    assert "Not saved" in answer.text
    assert 'href="#f-decision.tolerance_share"' in told(answer.text)
    assert f'value="{wrong}"' in answer.text
    assert not (served.folder / "policy.toml").exists()


def test_a_policy_that_a_hand_broke_is_told_and_can_be_made_anew(
    served: Served, cookie: str, post: Post
) -> None:
    path = served.folder / "policy.toml"
    path.write_text("[decision]\ntolerance_share = 7\n", encoding="utf-8")
    assert "tolerance_share" in told(page(served, cookie))
    path.write_text("not TOML", encoding="utf-8")
    assert "policy.toml" in told(page(served, cookie))
    assert post("/settings/policy", decision__tolerance_share="0.1").status == 303
    assert kept(path)["decision"] == {"tolerance_share": 0.1}


def test_list_zone_and_watched_folders_are_kept_as_typed(
    served: Served, cookie: str, post: Post
) -> None:
    orders = served.studies / "orders.csv"
    orders.write_text("Study,Ordered hours\nS-2041,72\n", encoding="utf-8")
    watch = f"{served.studies}\n\n  {served.home}  \n"
    answer = post("/settings", orders=str(orders), timezone=" America/Denver ", watch=watch)
    assert (answer.status, answer.headers["location"]) == (303, SAVED)
    assert kept(served.folder / "desk.toml") == {
        "orders": str(orders),
        "timezone": "America/Denver",
        "watch": [str(served.studies), str(served.home)],
    }
    shown = page(served, cookie)
    for text in (str(orders), "America/Denver", str(served.home)):
        assert text in shown


@pytest.mark.parametrize(
    ("own", "says"),
    [
        ({"timezone": "Denver"}, "America/Denver"),
        ({"watch": "nowhere"}, "path of a folder"),
        ({"watch": "/proc"}, "/proc"),
        ({"orders": "orders.csv"}, "must lie in a folder that this desk lists"),
        ({"orders": "/proc/version"}, "must lie in a folder that this desk lists"),
        ({"orders": "{studies}/none.csv"}, "none.csv"),
        ({"orders": "{studies}/odd.csv"}, "odd.csv"),
    ],
)
def test_what_cannot_be_used_is_told_and_nothing_is_kept(
    served: Served, post: Post, own: dict[str, str], says: str
) -> None:
    (served.studies / "odd.csv").write_text("neither,this\nnor,that\n", encoding="utf-8")
    typed = {name: text.format(studies=served.studies) for name, text in own.items()}
    answer = post("/settings", **{"orders": "", "timezone": "", "watch": ""} | typed)
    assert answer.status == 422
    assert says in told(answer.text)
    for text in typed.values():
        assert text in answer.text
    assert not (served.folder / "desk.toml").exists()
