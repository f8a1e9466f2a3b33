"""The page as a document: its structure, its policy, hostile texts, sameness and size."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
from itertools import pairwise
from pathlib import Path

import helpers_audit as h
import pytest
from helpers_page import ALL, SMALL, html_of, render, seen, tree_of
from msgspec.structs import replace

from auditor.core.units import DAY, HOUR, NS
from auditor.model import Finding
from auditor.outputs.html import page, render_html, text

# Structure that assistive technology and paper rely on.


@pytest.mark.parametrize("name", SMALL)
def test_ids_are_unique_and_every_link_has_a_target(name: str) -> None:
    tree = tree_of(name)
    ids = [n.attributes["id"] for n in tree.css("[id]")]
    assert len(ids) == len(set(ids))
    links = [n.attributes["href"] or "" for n in tree.css("a[href], use[href]")]
    assert links
    assert all(link.startswith("#") and link[1:] in ids for link in links)
    named = " ".join(n.attributes["aria-labelledby"] or "" for n in tree.css("[aria-labelledby]"))
    assert set(named.split()) <= set(ids)
    assert set(re.findall(r"url\(#([\w-]+)\)", html_of(name))) <= set(ids)


@pytest.mark.parametrize("name", SMALL)
def test_headings_go_down_one_level_at_a_time(name: str) -> None:
    levels = [int(n.tag[1]) for n in tree_of(name).css("h1, h2, h3, h4")]
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))


@pytest.mark.parametrize("name", SMALL)
def test_every_table_has_a_caption_and_scoped_headers(name: str) -> None:
    for table in tree_of(name).css("table"):
        assert seen(table.css_first("caption"))
        headers = table.css("th")
        assert headers
        assert all(th.attributes.get("scope") in ("col", "row") for th in headers)
        columns = len(table.css("thead th"))
        for row in table.css("tbody tr"):
            cells = row.css("th, td")
            spans = sum(int(c.attributes.get("colspan") or 1) for c in cells)
            assert spans == columns


@pytest.mark.parametrize("name", SMALL)
def test_every_picture_has_words_or_is_hidden_from_readers(name: str) -> None:
    for svg in tree_of(name).css("svg"):
        around, hidden = svg, False
        while around is not None and not hidden:
            hidden = around.attributes.get("aria-hidden") == "true"
            around = around.parent  # type: ignore[assignment]
        assert hidden or svg.attributes.get("aria-label")


# Nothing gets in, nothing goes out.


@pytest.mark.parametrize("name", ALL)
def test_the_policy_allows_only_this_style_and_this_script(name: str) -> None:
    tree = tree_of(name)
    meta = tree.css_first("meta[http-equiv='Content-Security-Policy']")
    assert meta is not None
    policy = meta.attributes["content"] or ""
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        (element,) = tree.css(tag)
        inside = html_of(name).split(f"<{tag}>", 1)[1].split(f"</{tag}>", 1)[0]
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
        assert not element.attributes


@pytest.mark.parametrize("name", ALL)
def test_no_attribute_styles_runs_or_fetches(name: str) -> None:
    for node in tree_of(name).css("*"):
        for key, value in node.attributes.items():
            assert key != "style"
            assert not key.startswith("on")
            if key in ("src", "href", "action", "data", "srcset", "poster"):
                assert node.tag == "link" or (value or "").startswith("#")
    assert "@import" not in html_of(name)
    assert not re.search(r"https?://", html_of(name))


def test_hostile_texts_are_shown_as_text() -> None:
    html, tree = html_of("hostile"), tree_of("hostile")
    assert len(tree.css("script")) == 1
    assert not tree.css("img, b[onclick], iframe, object, embed, svg[onload]")
    assert "<script>alert(1)</script>" in seen(tree)
    assert "{{ 7*7 }}" in seen(tree)
    assert "\\u202egnp.exe" in seen(tree)
    assert "nul\\x00bell\\x07esc\\x1b[31m" in seen(tree)
    assert "lone\\x80surrogate" in seen(tree)
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", html)
    html.encode("utf-8")


def test_long_hostile_texts_are_cut_and_say_so() -> None:
    assert "x" * 1201 not in html_of("hostile")  # the longest cut is that of a finding's text
    assert text.clip("y" * 310) == "y" * 300 + "… (10 more characters)"
    assert "more characters)" in html_of("hostile")


def test_a_text_in_a_finding_cannot_open_a_tag() -> None:
    finding = Finding("odd", "info", "</p><h1>x", "</script><script>alert(1)", action="<b>")
    tree = render(replace(h.normal(), findings=(finding,)))
    assert len(tree.css("h1")) == len(tree.css("script")) == 1
    assert "</p><h1>x" in seen(tree)


# The same audit, the same page; a long one stays light.


@pytest.mark.parametrize("name", ["normal", "everything"])
def test_the_same_audit_gives_the_same_bytes(name: str) -> None:
    assert render_html(h.SCENARIOS[name]()) == html_of(name)


def test_the_time_of_making_is_the_only_difference_between_two_makings() -> None:
    audit = h.normal()
    later = render_html(replace(audit, generated_utc="2027-03-07T10:11:12Z"))
    assert later.replace("Sun 7 Mar 2027 10:11:12", "Sat 6 Mar 2027 08:00:00") == html_of("normal")


def test_two_weeks_with_5000_gaps_and_20000_annotations_stay_under_3_mb() -> None:
    html, tree = html_of("many_gaps"), tree_of("many_gaps")
    assert len(html.encode()) < 3_000_000
    assert "The first 500 of 5,000; all are in gaps.csv." in seen(tree)
    assert "The first 500 of 20,000; all are in audit.json." in seen(tree)
    assert len(tree.css("#gap-table tbody tr")) == 500
    assert tree.css_first("details #gap-table") is not None
    assert len(tree.css("a.gap-link")) <= 120
    links = {n.attributes["href"] for n in tree.css("a.gap-link")}
    assert "#gaps" in links  # a gap without a row leads to the table


def test_a_study_of_many_channels_stays_under_3_mb() -> None:
    audit = h.build({"A": [(h.HOOKUP, h.HOOKUP + 14 * DAY)]}, ordered=14 * DAY)
    uneven = tuple(
        replace(
            audit.signal.channels[i % 20],
            hourly=tuple((HOUR * (7 + (j * 13 + i) % 50) // 60, 0, HOUR // 60 * (j % 3), 0, 0)
                         for j in range(len(audit.hours))),
        )
        for i in range(256)
    )  # fmt: skip
    html = render_html(replace(audit, signal=replace(audit.signal, channels=uneven)))
    assert len(html.encode()) < 3_000_000
    assert "of 256 channels are drawn" in html


def test_an_empty_study_of_no_time_is_rendered() -> None:
    audit = h.build({"A": [(h.HOOKUP, h.HOOKUP + NS)]})
    bare = replace(
        audit, hours=(), nights=(), annotations=(), findings=(), second_readers=(), cautions=(),
        rules=(), person_decisions=(), next_hookup=(), billing=None, monitoring=None, video=None,
        power=None,
    )  # fmt: skip
    said = seen(render(bare))
    assert "The files hold no annotations." in said
    assert "No thresholds were compared." in said


# Templates are found in a checkout and in an installed wheel.


def test_templates_beside_the_package_are_used_in_a_checkout() -> None:
    assert Path(page._folder()).name == "report_templates"
    assert (Path(page._folder()) / "audit.html").is_file()


def test_templates_inside_the_package_are_used_in_a_wheel(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / "auditor"
    package.mkdir()
    shutil.copytree(page._folder(), package / "report_templates")
    monkeypatch.setattr(page, "_PACKAGE", package)
    assert page._folder() == str(package / "report_templates")
    assert render_html(h.complete()) == html_of("complete")
