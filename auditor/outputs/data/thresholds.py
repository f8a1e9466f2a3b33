"""Monitoring, video and billing as they stand in ``audit.json``."""

from __future__ import annotations

from auditor.outputs.data import keys as k
from auditor.outputs.data import words as w
from auditor.outputs.data.facts import INTERVAL, span_keys
from auditor.outputs.data.keys import Object

LAPSE = Object(
    "More recorded time between documented checks than the level allows.",
    *span_keys("the lapse"),
    k.duration("recorded_s", "Recorded time in it."),
    k.numbers("periods", "Billing periods that it touches, from 1."),
)
CHECK = Object(
    "One documented check.",
    k.time("at", "When."),
    k.text("by", "By whom, as written."),
    k.text("note", "The note, as written."),
    k.text("source", "Where it stands."),
)
LOG = Object(
    "The log that was given.",
    k.text("name", "Its file name."),
    k.flag("taken", "Whether it could be placed in the recording."),
    k.text("note", "Why it was not taken, or what was left out."),
)
MONITORING = Object(
    "What the log and the annotations support.",
    k.word("ordered?", "Ordered level.", w.LEVELS),
    k.count("checks", "Documented checks inside the recording.", lambda m: len(m.checks)),
    k.duration("longest_interval_s?", "Longest recorded time without one."),
    k.word("supported?", "Level that holds throughout the study; null: nothing is documented.",
           w.LEVELS),
    k.many("lapses", "Where the ordered level does not hold.", LAPSE),
    k.one("log?", "The log of checks; null where none was given.", LOG),
    k.many("check_times", "The checks, in time order.", CHECK, "checks"),
    k.count("outside_recording", "Checks outside the recording, not counted.", "outside"),
    k.texts("by", "Who made the checks, each name once, as written."),
)  # fmt: skip
VIDEO_PERIOD = Object(
    "Video over one billing period, with what is left over joined to it.",
    k.position("index", "The period's number, from 1."),
    k.share("fraction", "Video as a share of its recorded time.",
            lambda v: _share(v.video_ns, v.recorded_ns)),
    k.flag("meets", "Whether that reaches the threshold."),
    k.duration("recorded_s", "Recorded in it."),
    k.duration("video_s", "Recorded in it with video."),
    k.duration("short_s", "Video missing to the share."),
)  # fmt: skip
VIDEO = Object(
    "Video over recorded time.",
    k.duration("recorded_s", "Recorded time with video.", "video.recorded_ns"),
    k.share("fraction", "The same as a share of the recorded time.",
            lambda a: _share(a.video.recorded_ns, a.coverage.recorded_ns)),
    k.flag("meets", "Whether that reaches the threshold.", "video.meets"),
    k.share("threshold", "The policy's share.", lambda a: a.video.threshold_ppm / 1_000_000),
    k.duration("short_s", "Video missing to the share.", "video.short_ns"),
    k.many("periods", "Billing period by billing period.", VIDEO_PERIOD, "video.periods"),
    k.many("stretches", "When video ran.", INTERVAL, "video.stretches"),
    k.text("note", "All of it in a sentence.", "video.note"),
)  # fmt: skip


def _share(part_ns: int, whole_ns: int) -> float:
    return part_ns / whole_ns if whole_ns else 0.0


def date_text(dates: tuple[str, ...]) -> str | None:
    """ISO 8601: one date, or 'first/last'; ``None`` where nothing was recorded."""
    return "/".join(dates) or None


TOTAL = Object(
    "Units of one code over the study.",
    k.text("code", "The code."),
    k.count("count", "How many units."),
)
UNIT = Object("Units of one code.", *TOTAL.keys, k.text("band", "Its time band in words."))
TECHNICAL = Object(
    "Technical units, with the margins both ways.",
    k.many("units", "The units.", UNIT),
    k.duration("to_next_s?", "Missing to the next higher limit; null: there is none."),
    k.flag("exceed_next", "Whether that limit must be passed, not only reached."),
    k.duration("above_s", "Beyond the limit last met."),
)
DAY_CODE = Object(
    "The professional code of one report.",
    k.text("code?", "The code; null where none applies."),
    k.text("band", "Its time band in words."),
    k.texts("also", "Codes that the same report carries with it."),
    k.text("date?", "Date of what it reports on, or 'first/last'.", lambda d: date_text(d.dates)),
)
WHOLE = Object(
    "One report on the whole study.",
    k.text("code?", "The code; null where none applies.", "whole_study.code"),
    k.text("band", "Its time band in words.", "whole_study.band"),
    k.texts("also", "Codes that the same report carries with it.", "whole_study.also"),
    k.duration("to_next_s?", "Missing to the next higher limit; null: there is none.",
               "whole_to_next_ns"),
    k.flag("exceed_next", "Whether that limit must be passed, not only reached.",
           "whole_exceed_next"),
    k.duration("above_s?", "Beyond the limit last met; null: none is.", "whole_above_ns"),
)  # fmt: skip
PROFESSIONAL = Object(
    "The professional part, both ways to report it.",
    k.many("each_day", "Reported each day: one code a period.", DAY_CODE),
    k.one("whole_study", "Reported once.", WHOLE, lambda p: p),
)
MINIMUM = Object(
    "Whether the recorded time reaches the band of the ordered time.",
    k.text("ordered_band?", "What the ordered time would reach."),
    k.text("reached_band?", "What the recorded time reaches."),
    k.flag("met", "Whether it is met."),
    k.duration("short_s", "Missing to it."),
    k.duration("above_s", "Recorded beyond its lower limit."),
    k.text("text", "The same in a sentence."),
)
PERIOD = Object(
    "One billing period.",
    k.position("index", "Its number, from 1."),
    k.time("start", "Its start."),
    k.time("end", "Its end."),
    k.duration("recorded_s", "Recorded in it."),
    k.text("date?", "Calendar date on which it holds recorded time, or 'first/last'.",
           lambda p: date_text(p.dates)),
    k.word("monitoring?", "Level that order and log support in it.", w.LEVELS),
    k.flag("video?", "Whether video covers its share; null without an ordered video and a log."),
    k.one("technical", "What that reaches.", TECHNICAL),
    k.texts("notes", "What lowers its codes."),
    k.duration("usable_s?", "Usable in it; null: the samples were not looked at."),
)  # fmt: skip
INTERPRETATION = Object(
    "Another interpretation of the rules that changes a code.",
    k.text("if", "Under which rule: the end of a sentence that begins with 'if'.", "words"),
    k.many("technical_totals", "Its technical units.", TOTAL),
    k.one("professional", "Its professional codes.", PROFESSIONAL),
    k.duration("not_billable_s", "Recorded time that no code covers in it."),
    k.text("source", "Where the rule comes from."),
    k.flag("asked", "Whether the policy asks for it."),
    k.flag("lowers", "Whether it gives fewer or lower codes."),
)
SOURCE = Object(
    "A source of the rules.",
    k.text("key", "How the rules name it."),
    k.text("name", "Its name."),
    k.flag("secondary", "Whether it is a page that is no authority."),
)
SETUP = Object(
    "The set-up code.",
    k.text("code", "The code."),
    k.flag("supported?", "Whether the channels support it; null: not known."),
    k.text("note", "Why."),
)
SHORTER = Object(
    "Under the long-term minimum: what the whole minutes reach.",
    k.text("code?", "The code; null where none applies."),
    k.text("band", "Its time band in words."),
    k.text("note", "Why."),
)
BILLING = Object(
    "Thresholds that the recorded time meets. Never a claim: a qualified coder decides.",
    k.text("basis", "What the time is."),
    k.one("minimum?", "The ordered band against the reached.", MINIMUM),
    k.many("periods", "Periods of the policy's length.", PERIOD),
    k.many("technical_totals", "Technical units of the study, sorted by code; no set-up code.",
           TOTAL),
    k.one("total", "The same with the margins of the total time.", TECHNICAL),
    k.one("professional", "The professional part.", PROFESSIONAL),
    k.one("setup", "The set-up code.", SETUP),
    k.one("shorter?", "Only under the long-term minimum.", SHORTER),
    k.duration("not_billable_s", "Recorded time that no long-term code covers."),
    k.many("interpretations", "Other interpretations that change a code.", INTERPRETATION),
    k.text("dates?", "First and last calendar date of the study, as 'first/last'.",
           lambda b: date_text(b.dates)),
    k.many("sources", "Sources of the rules.", SOURCE),
    k.texts("cautions", "What the files cannot show."),
    k.many("usable_totals?", "Units that the usable time alone would reach; null: the samples were "
           "not looked at.", TOTAL),
    k.one("usable_professional?", "Professional codes of the usable time alone.", PROFESSIONAL),
)  # fmt: skip
