"""Codes of findings on what belongs to the study, in which order and at which time."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

StudyCode = Literal[
    "card_not_cleared",
    "clock_may_have_stepped",
    "clock_never_set",
    "copies_matched",
    "copies_matched_by_correlation",
    "copy_clock_uneven",
    "copy_files_between",
    "copy_not_matched",
    "date_may_be_wrong",
    "daylight_saving_change",
    "daylight_saving_not_followed",
    "default_date",
    "duplicate_export",
    "empty_file",
    "ended_before_hookup",
    "far_in_time",
    "hour_step",
    "other_channel_set",
    "other_files",
    "other_patient",
    "other_recorder",
    "overlap_inside_file",
    "overlapping_recordings",
    "patient_code_missing",
    "patient_code_not_found",
    "piece_missing",
    "recordings_in_trash",
    "reference_clock",
    "repeated_hour",
    "skipped_hour",
    "small_overlap",
    "start_disagrees_with_hookup",
    "unreadable_file",
]

CODES: dict[StudyCode, Entry] = {
    "card_not_cleared": Entry(
        "caution",
        meaning="Files of an earlier recording were still on the card",
    ),
    "clock_may_have_stepped": Entry(
        "caution",
        title="An interruption after a whole file",
        meaning="A hole where one regular file should join the next",
        text="The recorder's files follow each other on schedule, but {holes} of another length "
        "came after a whole file, the first of {size} before {after}. The recording may have "
        "stopped there, or the clock was put forward and nothing is missing. {recorded} was "
        "recorded either way.",
        expected="{after} to start near {ended}",
        observed="it starts {started}",
        action="Check with the diary and the clock's setting.",
    ),
    "clock_never_set": Entry(
        "problem",
        meaning="All files are stamped with a date at which clocks start",
    ),
    "copies_matched": Entry(
        "info",
        meaning="Copies that hold the same samples, put on one time line",
    ),
    "copies_matched_by_correlation": Entry(
        "caution",
        meaning="Copies with different samples, matched by correlation",
    ),
    "copy_clock_uneven": Entry(
        "problem",
        meaning="A copy whose clock did not run evenly against the reference",
    ),
    "copy_files_between": Entry(
        "info",
        meaning="Files of a copy that share nothing with the reference",
    ),
    "copy_not_matched": Entry(
        "problem",
        meaning="Files for the same time that could not be matched; set aside",
    ),
    "date_may_be_wrong": Entry(
        "problem",
        meaning="Files whose time of day continues the study but whose date does not",
    ),
    "daylight_saving_change": Entry(
        "info",
        meaning="The clocks of the time zone changed during the study",
    ),
    "daylight_saving_not_followed": Entry(
        "problem",
        meaning="The recorder's clock did not follow a daylight-saving change",
    ),
    "default_date": Entry(
        "caution",
        meaning="Files stamped with a date at which clocks start; set aside",
    ),
    "duplicate_export": Entry(
        "info",
        meaning="Files of one copy that hold the same samples; the time counts once",
    ),
    "empty_file": Entry(
        "caution",
        meaning="A file named like a recording that is empty",
    ),
    "ended_before_hookup": Entry(
        "caution",
        meaning="Files that ended before the study can have begun; set aside",
    ),
    "far_in_time": Entry(
        "caution",
        meaning="Files far from the rest in time; set aside",
    ),
    "hour_step": Entry(
        "caution",
        title="Just one hour between two files",
        meaning="A hole of an hour between two files of a study without a time zone",
        text="Just one hour lies between {before} and {after}. It may be a real interruption, or "
        "the clock was put forward to summer time while the recording went on: then nothing is "
        "missing. {recorded} was recorded either way.",
        observed="{before} ends {ended}, {after} starts {started}",
        action="Name the time zone in the order; then the audit can tell.",
    ),
    "other_channel_set": Entry(
        "caution",
        meaning="Files with another set of channels; set aside",
    ),
    "other_files": Entry(
        "info",
        meaning="Files in the study's folder that are no recordings",
    ),
    "other_patient": Entry(
        "caution",
        meaning="Files whose header names another patient; set aside",
    ),
    "other_recorder": Entry(
        "caution",
        meaning="Files of another recorder; set aside",
    ),
    "overlap_inside_file": Entry(
        "problem",
        meaning="Records of one file that hold the same time twice",
    ),
    "overlapping_recordings": Entry(
        "problem",
        meaning="Files of one copy that hold different samples for the same time",
    ),
    "patient_code_missing": Entry(
        "caution",
        meaning="Files without a patient code beside an order that has one",
    ),
    "patient_code_not_found": Entry(
        "problem",
        meaning="No file carries the patient code of the order",
    ),
    "piece_missing": Entry(
        "problem",
        title="A file is missing",
        meaning="A hole where, by the recorder's rhythm or the files' numbers, a file should lie",
        text="By {why}, {missing} missing between {before} and {after} ({hole}, from {start} on)"
        "{elsewhere}; {files} in all did not come back with the rest. {recorded} was recorded as "
        "it stands; with what is missing it would be about {with_them}.",
        expected="every file of the recorder's card",
        observed="{places}",
        action="Look for the file on the card and copy it; then run the audit again.",
        question="files",
        headline="{missing} missing between {before} and {after} ({hole}){elsewhere}",
    ),
    "recordings_in_trash": Entry(
        "caution",
        meaning="Recordings in a trash folder, not counted",
    ),
    "reference_clock": Entry(
        "info",
        meaning="Which copy's clock is the study's time line, and why",
    ),
    "repeated_hour": Entry(
        "caution",
        meaning="A start stamp in the hour that the clocks show twice in autumn",
    ),
    "skipped_hour": Entry(
        "caution",
        meaning="A start stamp that no clock in the time zone ever shows",
    ),
    "small_overlap": Entry(
        "info",
        meaning="Overlaps no longer than the resolution of the start stamps",
    ),
    "start_disagrees_with_hookup": Entry(
        "problem",
        meaning="The first record lies far from the hook-up of the order",
    ),
    "unreadable_file": Entry(
        "caution",
        meaning="A file named like a recording that could not be read as one",
    ),
}
