"""Monitoring, video and billing as they stand in ``audit.json``."""

from __future__ import annotations

from auditor.model import (
    Billing,
    Coverage,
    DayCode,
    Interpretation,
    Lapse,
    LogRead,
    Minimum,
    Monitoring,
    MonitoringCheck,
    Period,
    Professional,
    Setup,
    Shorter,
    Source,
    Technical,
    Unit,
    Video,
    VideoPeriod,
)
from auditor.outputs.data import keys as k
from auditor.outputs.data import words as w
from auditor.outputs.data.facts import INTERVAL, span_keys
from auditor.outputs.data.keys import Object

LAPSE: Object[Lapse] = Object(
    "More recorded time between documented checks than the level allows.",
    (
        *span_keys("the lapse"),
        k.duration("recorded_s?", "Recorded time in it.", lambda x: x.recorded_ns),
        k.numbers("periods", "Billing periods that it touches, from 1.", lambda x: x.periods),
        k.text("meaning", "What it does to the codes.", lambda x: x.meaning),
    ),
)
CHECK: Object[MonitoringCheck] = Object(
    "One documented check.",
    (
        k.time("at", "When.", lambda c: c.at),
        k.text("by", "By whom, as written.", lambda c: c.by),
        k.text("note", "The note, as written.", lambda c: c.note),
        k.text("source", "Where it stands.", lambda c: c.source),
    ),
)
LOG: Object[LogRead] = Object(
    "The log that was given.",
    (
        k.text("name", "Its file name.", lambda x: x.name),
        k.flag("taken", "Whether it could be placed in the recording.", lambda x: x.taken),
        k.text("note", "Why it was not taken, or what was left out.", lambda x: x.note),
    ),
)
MONITORING: Object[Monitoring] = Object(
    "What the log and the annotations support.",
    (
        k.word("ordered?", "Ordered level.", lambda m: m.ordered, w.LEVELS),
        k.count("checks", "Documented checks inside the recording.", lambda m: len(m.checks)),
        k.duration("longest_interval_s?", "Longest recorded time without one.",
                   lambda m: m.longest_interval_ns),
        k.word("supported?", "Level that holds throughout the study; null: nothing is documented.",
               lambda m: m.supported, w.LEVELS),
        k.many("lapses", "Where the ordered level does not hold.", lambda m: m.lapses, LAPSE),
        k.one("log?", "The log of checks; null where none was given.", lambda m: m.log, LOG),
        k.many("check_times", "The checks, in time order.", lambda m: m.checks, CHECK),
        k.count("outside_recording", "Checks outside the recording, not counted.",
                lambda m: m.outside),
        k.texts("by", "Who made the checks, each name once, as written.", lambda m: m.by),
        k.text("note", "All of it in a sentence.", lambda m: m.note),
    ),
)  # fmt: skip
VIDEO_PERIOD: Object[VideoPeriod] = Object(
    "Video over one billing period, with what is left over joined to it.",
    (
        k.count("index", "The period's number, from 1.", lambda v: v.index, least=1),
        k.share("fraction", "Video as a share of its recorded time.",
                lambda v: _share(v.video_ns, v.recorded_ns)),
        k.flag("meets", "Whether that reaches the threshold.", lambda v: v.meets),
        k.duration("recorded_s", "Recorded in it.", lambda v: v.recorded_ns),
        k.duration("video_s", "Recorded in it with video.", lambda v: v.video_ns),
        k.duration("short_s", "Video missing to the share.", lambda v: v.short_ns),
    ),
)  # fmt: skip
VIDEO: Object[tuple[Video, Coverage]] = Object(
    "Video over recorded time.",
    (
        k.duration("recorded_s", "Recorded time with video.", lambda v: v[0].recorded_ns),
        k.share("fraction", "The same as a share of the recorded time.",
                lambda v: _share(v[0].recorded_ns, v[1].recorded_ns)),
        k.flag("meets", "Whether that reaches the threshold.", lambda v: v[0].meets),
        k.share("threshold", "The policy's share.", lambda v: v[0].threshold_ppm / 1_000_000),
        k.duration("short_s", "Video missing to the share.", lambda v: v[0].short_ns),
        k.many("periods", "Billing period by billing period.", lambda v: v[0].periods,
               VIDEO_PERIOD),
        k.many("stretches", "When video ran.", lambda v: v[0].stretches, INTERVAL),
        k.text("note", "All of it in a sentence.", lambda v: v[0].note),
    ),
)  # fmt: skip


def _share(part_ns: int, whole_ns: int) -> float:
    return part_ns / whole_ns if whole_ns else 0.0


def date_text(dates: tuple[str, ...]) -> str | None:
    """ISO 8601: one date, or 'first/last'; ``None`` where nothing was recorded."""
    return "/".join(dates) or None


UNIT: Object[Unit] = Object(
    "Units of one code.",
    (
        k.text("code", "The code.", lambda u: u.code),
        k.count("count", "How many units.", lambda u: u.count),
        k.text("band", "Its time band in words.", lambda u: u.band),
    ),
)
TOTAL: Object[Unit] = Object(
    "Units of one code over the study.",
    (
        k.text("code", "The code.", lambda u: u.code),
        k.count("count", "How many units.", lambda u: u.count),
    ),
)
TECHNICAL: Object[Technical] = Object(
    "Technical units, with the margins both ways.",
    (
        k.many("units", "The units.", lambda t: t.units, UNIT),
        k.duration("to_next_s?", "Missing to the next higher limit; null: there is none.",
                   lambda t: t.to_next_ns),
        k.flag("exceed_next", "Whether that limit must be passed, not only reached.",
               lambda t: t.exceed_next),
        k.duration("above_s", "Beyond the limit last met.", lambda t: t.above_ns),
    ),
)  # fmt: skip
DAY_CODE: Object[DayCode] = Object(
    "The professional code of one report.",
    (
        k.text("code?", "The code; null where none applies.", lambda d: d.code),
        k.text("band", "Its time band in words.", lambda d: d.band),
        k.texts("also", "Codes that the same report carries with it.", lambda d: d.also),
        k.text("date?", "Date of what it reports on, or 'first/last'.",
               lambda d: date_text(d.dates)),
    ),
)  # fmt: skip
WHOLE: Object[Professional] = Object(
    "One report on the whole study.",
    (
        k.text("code?", "The code; null where none applies.", lambda p: p.whole_study.code),
        k.text("band", "Its time band in words.", lambda p: p.whole_study.band),
        k.texts("also", "Codes that the same report carries with it.",
                lambda p: p.whole_study.also),
        k.duration("to_next_s?", "Missing to the next higher limit; null: there is none.",
                   lambda p: p.whole_to_next_ns),
        k.flag("exceed_next", "Whether that limit must be passed, not only reached.",
               lambda p: p.whole_exceed_next),
        k.duration("above_s?", "Beyond the limit last met; null: none is.",
                   lambda p: p.whole_above_ns),
    ),
)  # fmt: skip
PROFESSIONAL: Object[Professional] = Object(
    "The professional part, both ways to report it.",
    (
        k.many("each_day", "Reported each day: one code a period.", lambda p: p.each_day, DAY_CODE),
        k.one("whole_study", "Reported once.", lambda p: p, WHOLE),
    ),
)
MINIMUM: Object[Minimum] = Object(
    "Whether the recorded time reaches the band of the ordered time.",
    (
        k.text("ordered_band?", "What the ordered time would reach.", lambda m: m.ordered_band),
        k.text("reached_band?", "What the recorded time reaches.", lambda m: m.reached_band),
        k.flag("met", "Whether it is met.", lambda m: m.met),
        k.duration("short_s", "Missing to it.", lambda m: m.short_ns),
        k.duration("above_s", "Recorded beyond its lower limit.", lambda m: m.above_ns),
        k.text("text", "The same in a sentence.", lambda m: m.text),
    ),
)  # fmt: skip
PERIOD: Object[Period] = Object(
    "One billing period.",
    (
        k.count("index", "Its number, from 1.", lambda p: p.index, least=1),
        k.time("start", "Its start.", lambda p: p.start),
        k.time("end", "Its end.", lambda p: p.end),
        k.duration("recorded_s", "Recorded in it.", lambda p: p.recorded_ns),
        k.text("date?", "Calendar date on which it holds recorded time, or 'first/last'.",
               lambda p: date_text(p.dates)),
        k.word("monitoring?", "Level that order and log support in it.", lambda p: p.monitoring,
               w.LEVELS),
        k.flag("video?", "Whether video covers its share; null without an ordered video and a log.",
               lambda p: p.video),
        k.one("technical", "What that reaches.", lambda p: p.technical, TECHNICAL),
        k.texts("notes", "What lowers its codes.", lambda p: p.notes),
        k.duration("usable_s?", "Usable in it; null: the samples were not looked at.",
                   lambda p: p.usable_ns),
        k.one("usable_technical?", "What the usable time alone would reach.",
              lambda p: p.usable_technical, TECHNICAL),
    ),
)  # fmt: skip
INTERPRETATION: Object[Interpretation] = Object(
    "Another interpretation of the rules that changes a code.",
    (
        k.text("if", "Under which rule: the end of a sentence that begins with 'if'.",
               lambda i: i.words),
        k.many("technical_totals", "Its technical units.", lambda i: i.technical_totals, TOTAL),
        k.one("professional", "Its professional codes.", lambda i: i.professional, PROFESSIONAL),
        k.duration("not_billable_s", "Recorded time that no code covers in it.",
                   lambda i: i.not_billable_ns),
        k.text("source", "Where the rule comes from.", lambda i: i.source),
        k.flag("asked", "Whether the policy asks for it.", lambda i: i.asked),
        k.flag("lowers", "Whether it gives fewer or lower codes.", lambda i: i.lowers),
    ),
)  # fmt: skip
SOURCE: Object[Source] = Object(
    "A source of the rules.",
    (
        k.text("key", "How the rules name it.", lambda s: s.key),
        k.text("name", "Its name.", lambda s: s.name),
        k.flag("secondary", "Whether it is a page that is no authority.", lambda s: s.secondary),
    ),
)
SETUP: Object[Setup] = Object(
    "The set-up code.",
    (
        k.text("code", "The code.", lambda s: s.code),
        k.flag("supported?", "Whether the channels support it; null: not known.",
               lambda s: s.supported),
        k.text("note", "Why.", lambda s: s.note),
    ),
)  # fmt: skip
SHORTER: Object[Shorter] = Object(
    "Under the long-term minimum: what the whole minutes reach.",
    (
        k.text("code?", "The code; null where none applies.", lambda s: s.code),
        k.text("band", "Its time band in words.", lambda s: s.band),
        k.text("note", "Why.", lambda s: s.note),
    ),
)
BILLING: Object[Billing] = Object(
    "Thresholds that the recorded time meets. Never a claim: a qualified coder decides.",
    (
        k.text("basis", "What the time is.", lambda b: b.basis),
        k.one("minimum?", "The ordered band against the reached.", lambda b: b.minimum, MINIMUM),
        k.many("periods", "Periods of the policy's length.", lambda b: b.periods, PERIOD),
        k.many("technical_totals", "Technical units of the study, sorted by code; no set-up code.",
               lambda b: b.technical_totals, TOTAL),
        k.one("total", "The same with the margins of the total time.", lambda b: b.total,
              TECHNICAL),
        k.one("professional", "The professional part.", lambda b: b.professional, PROFESSIONAL),
        k.one("setup", "The set-up code.", lambda b: b.setup, SETUP),
        k.one("shorter?", "Only under the long-term minimum.", lambda b: b.shorter, SHORTER),
        k.duration("not_billable_s", "Recorded time that no long-term code covers.",
                   lambda b: b.not_billable_ns),
        k.many("interpretations", "Other interpretations that change a code.",
               lambda b: b.interpretations, INTERPRETATION),
        k.text("dates?", "First and last calendar date of the study, as 'first/last'.",
               lambda b: date_text(b.dates)),
        k.many("sources", "Sources of the rules.", lambda b: b.sources, SOURCE),
        k.texts("cautions", "What the files cannot show.", lambda b: b.cautions),
        k.many("usable_totals?", "Units that the usable time alone would reach; null: the samples "
               "were not looked at.", lambda b: b.usable_totals, TOTAL),
        k.one("usable_professional?", "Professional codes of the usable time alone.",
              lambda b: b.usable_professional, PROFESSIONAL),
    ),
)  # fmt: skip
