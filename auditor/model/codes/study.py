"""Codes of findings on what belongs to the study, in which order and at which time."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

SetAsideCode = Literal[
    "before_hookup", "copy_not_matched", "default_date", "excluded_by_hand", "far_in_time",
    "other_channel_set", "other_patient", "other_recorder", "placement_out_of_range",
    "start_not_known", "test_recording",
]  # fmt: skip
"""Why a readable recording is not counted."""

SET_ASIDE: dict[SetAsideCode, str] = {
    "before_hookup": "It ended before the hook-up: recorded before this patient was connected.",
    "copy_not_matched": "It covers the same time as the counted files with other samples.",
    "default_date": "Its clock was not set, so its place in time is not known.",
    "excluded_by_hand": "Set aside by hand in the order.",
    "far_in_time": "Days lie between this file and the rest of the study.",
    "other_channel_set": "Most of its channels are not those of the study.",
    "other_patient": "Its patient code is not the one of this study.",
    "other_recorder": "Its header names another recorder than the study's.",
    "placement_out_of_range": "Its place would lie outside the years of recordings.",
    "start_not_known": "It states no usable start date, and its samples match no other file.",
    "test_recording": "Minutes recorded before the hook-up: a test.",
}
"""The reason in words, for the list of files."""

StudyCode = Literal[
    "before_hookup", "card_not_cleared", "channel_sets_change", "clock_may_have_stepped",
    "clock_never_set", "copies_matched", "copy_clock_uneven", "copy_files_between",
    "copy_not_matched", "correction_without_file", "date_may_be_wrong", "daylight_saving_change",
    "daylight_saving_not_followed", "default_date", "duplicate_export", "empty_file", "far_in_time",
    "hour_step", "more_than_ordered", "moved_far", "other_channel_set", "other_files",
    "other_patient", "other_recorder", "overlap_inside_file", "overlapping_recordings",
    "patient_code_missing", "patient_code_not_found", "piece_missing", "placement_out_of_range",
    "recordings_in_trash", "reference_clock", "repeated_hour", "set_by_hand", "skipped_hour",
    "small_overlap", "start_disagrees_with_hookup", "start_not_known", "test_recording",
    "two_studies_likely", "unreadable_file",
]  # fmt: skip

CODES: dict[StudyCode, Entry] = {
    "before_hookup": Entry(
        meaning="Files that ended before the hook-up, before this patient was connected; set aside",
        text="{files} ({length}, {when}) ended before the hook-up, {hookup}: recorded before this "
        "patient was connected, as when a card is not cleared. Set aside. {recorded} is counted "
        "without; with it, {with_them}.",
        observed="{names}; {when}",
        action="Check whose they are; if the hook-up in the order is wrong, correct it.",
        question="files",
        headline="{length} ended before the hook-up and is not counted: whose is it?",
    ),
    "card_not_cleared": Entry(
        meaning="Files of an earlier recording were still on the card",
        text="The card was not cleared before the hook-up: {files} from before this study came "
        "back with it. No time is counted from there, but it took up room.",
        observed="{names}",
        action="Clear the card before every hook-up, after its study is safely stored.",
    ),
    "channel_sets_change": Entry(
        "problem",
        meaning="Files of one recorder with different EEG channels",
        text="The recorded electrodes change from file to file: {groups}. Together {recorded} was "
        "recorded. Two studies, or the montage was changed.",
        action="Decide which belong to this study; name the others under exclude in the order.",
    ),
    "clock_may_have_stepped": Entry(
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
        text="{files} stamped with a date at which a clock starts after it lost power. How long "
        "was recorded is not in doubt, but when is not known{window}.",
        observed="{names}: {start}",
        action="Set the clock at the next hook-up.",
        headline="the clock was never set: when it was recorded is not known",
    ),
    "copies_matched": Entry(
        "info",
        meaning="Copies that hold the same samples, put on one time line",
        text="Copy {copy} ({folder}) holds the same samples as copy {other} at {count}. {clock} "
        "Its files were put on copy A's time line, and time that both hold counts once.",
    ),
    "copy_clock_uneven": Entry(
        meaning="A copy whose clock did not run evenly against the reference",
        text="The clock of copy {copy} did not run evenly, or it lost samples: its files lie "
        "within {off} of their places, not within one sample. Time that only this copy holds is "
        "uncertain by as much at its edges.",
        expected="at most {sample} s",
        observed="{off_s} s",
        action="Compare an event that both copies show near the time in question.",
    ),
    "copy_files_between": Entry(
        "info",
        meaning="Files of a copy that share no samples with the others: not measured where they "
        "lie",
        text="{files} of copy {copy} share no samples with the other copies, so their place was "
        "not measured: the nearest measured clock offset was kept. {recorded} was recorded so; "
        "{reading}, they lie {by} elsewhere, and {with_them} was recorded.",
        observed="{names}",
        action="Compare with the diary when these were recorded.",
        headline="the place of {files} of copy {copy} is not measured: {recorded} or {with_them}",
    ),
    "copy_not_matched": Entry(
        "problem",
        meaning="Files for the same time that could not be matched; set aside",
        text="{files} ({length}, {when}) for the same time as the counted files, but no samples "
        "could be matched. Nothing may count twice: set aside. {recorded} was recorded without; if "
        "it is one study and both clocks are right, {with_them} in all.",
        observed="{names}; {when}",
        action="Look at both recordings to decide whether they are of one patient and one study.",
        headline="{length} covers the same time with other samples and is not counted",
    ),
    "correction_without_file": Entry(
        "problem",
        meaning="A correction in the order that could not be applied",
        text="The order corrects files that are not there: {names}. Nothing was changed for them.",
        observed="{names}",
        action="Write the name as the audit's list of files gives it.",
        forms={
            "no_start": "The order moves the clock of files whose start is not known, or to a time "
            "at which nothing can have been recorded: {names}. Nothing was changed for them."
        },
    ),
    "date_may_be_wrong": Entry(
        "problem",
        meaning="Files set aside whose time of day continues the study but whose date does not",
        text="{files} would follow or precede a counted file without a break if only the date were "
        "another, as when a recorder's date does not advance at midnight. As stamped, {recorded} "
        "was recorded; with the date put right, {with_them}.",
        observed="{names}",
        action="Look at the recording and the diary to decide which is right.",
        headline="{files} would go on but for the date: {with_them} instead of {recorded}",
    ),
    "daylight_saving_change": Entry(
        "info",
        meaning="The clocks of the time zone changed during the study",
        text="The clocks in {zone} changed by {size} during the study, at {at}. Recorded time is "
        "elapsed time and is not changed by it.{doubt}",
    ),
    "daylight_saving_not_followed": Entry(
        "problem",
        meaning="The recorder's clock did not follow a daylight-saving change",
        text="The clocks in {zone} changed by {size}, and just that long {kind} lies between "
        "{before} and {after}, which would otherwise follow each other: the recorder's clock seems "
        "not to have followed the change. As stamped, {recorded} was recorded; else {with_them}.",
        expected="a start near {ended}",
        observed="{after} starts {size} {when} the end of {before}",
        action="Check with the diary, and set the clock at the next hook-up.",
        headline="the clock seems not to have followed the change of {at}: {recorded} recorded, or "
        "{with_them}",
    ),
    "default_date": Entry(
        "problem",
        meaning="Files stamped with a date at which clocks start; set aside",
        text="{files} ({length}, {when}) with a date at which a clock starts after it lost "
        "power: when they were recorded is not known. Set aside. {recorded} is counted without; "
        "with it, {with_them}.",
        observed="{names}; {when}",
        action="Look at the recording itself and the diary; set the clock at the next hook-up.",
        headline="{length} is stamped with a date at which clocks start and is not counted",
    ),
    "duplicate_export": Entry(
        "info",
        meaning="Files of one copy that hold the same samples; the time counts once",
        text="{pairs} of files with the same samples for the same time ({length} in all), as when "
        "a study is exported twice. The time counts once.",
        observed="{names}",
    ),
    "empty_file": Entry(
        meaning="A file named like a recording that is empty",
        text="This file is named like a recording and holds not one byte: no time is counted.",
        observed="0 bytes",
        action="Copy it from the card again, if it is not empty there too.",
    ),
    "far_in_time": Entry(
        "problem",
        meaning="Files far from the rest in time; set aside",
        text="{files} ({length}, {when}) days from the rest: set aside. {recorded} is "
        "counted without; with it, {with_them}.",
        observed="{names}; {when}",
        action="Check whether they belong to another study or the clock was wrong.",
        headline="{length} lies days away from the rest and is not counted",
    ),
    "hour_step": Entry(
        meaning="A hole of an hour between two files of a study without a time zone",
        text="Just one hour lies between {before} and {after}. It may be a real interruption, or "
        "the clock was put forward to summer time while the recording went on: then nothing is "
        "missing. {recorded} was recorded either way.",
        observed="{before} ends {ended}, {after} starts {started}",
        action="Name the time zone in the order; then the audit can tell.",
    ),
    "more_than_ordered": Entry(
        "problem",
        meaning="Recorded time well beyond the ordered time",
        text="{recorded} was recorded where {ordered} was ordered, {over} more: a late take-down, "
        "or not all of it is this study.",
        action="Check when the electrodes were taken off, and whether all files are of this study.",
    ),
    "moved_far": Entry(
        meaning="Files moved far from their stamps, since their samples match another copy",
        text="The clock of {files} is up to {by} off: placed by the samples of the other copy.",
        expected="a clock within {limit} of the other copy's",
        observed="{names}",
        action="Check which of the two clocks is right, and set the other.",
        question="files",
    ),
    "other_channel_set": Entry(
        "problem",
        meaning="Files with mostly other channels; set aside",
        text="{files} ({length}, {when}) with mostly other channels than the rest: set aside. "
        "{recorded} is counted without; with it, {with_them}.",
        observed="{names}; {when}",
        action="Check whether they belong to another study or the montage was changed.",
        headline="{length} with other channels is not counted",
    ),
    "other_files": Entry(
        "info",
        meaning="Files in the study's folder that are no recordings",
        text="{files} in the folder left alone: no recording.",
        observed="{names}",
    ),
    "other_patient": Entry(
        meaning="Files whose header names another patient; set aside",
        text="{files} ({length}, {when}, recorder {recorder}) with another patient's code, "
        "{codes}: set aside, no time is counted.",
        observed="{names}; {when}",
        action="They belong in that patient's chart: move them, and tell whoever cleared the card.",
        forms={
            "majority": "{files} ({length}, {when}, recorder {recorder}) with another patient's "
            "code, {codes}, than the larger part of the files, and the order names none of them: "
            "set aside. {recorded} is counted without; with it, {with_them}."
        },
        question="files",
        headline="{files} of another patient, {codes}, in the folder ({when}): belongs in another "
        "chart",
    ),
    "other_recorder": Entry(
        "problem",
        meaning="Files of another recorder; set aside",
        text="{files} ({length}, {when}) from another recorder, {recorder}, than the rest: "
        "set aside. {recorded} is counted without; with it, {with_them}.",
        observed="{names}; {when}",
        action="Check whether the recorder was changed during the study.",
        headline="{length} of another recorder is not counted",
    ),
    "overlap_inside_file": Entry(
        "problem",
        meaning="Records of one file that hold the same time twice",
        text="Records of {files} hold the same time twice ({length} in all): their starts run "
        "backwards, as when a clock is put back. The time counts once, which makes {recorded} "
        "recorded; if the clock was put back, {with_them} were.",
        observed="{names}",
        action="Look at the recording and the diary to decide which is right.",
        headline="{length} is held twice inside a file: {recorded} recorded, or {with_them} if the "
        "clock was put back",
    ),
    "overlapping_recordings": Entry(
        "problem",
        meaning="Files of one copy that hold different samples for the same time",
        text="{pairs} of files with different samples for the same time ({length} in all). One "
        "recorder cannot record twice at once: the clock was put back, or a file does not belong. "
        "The time counts once, which makes {recorded} recorded; if the clock was put back, "
        "{with_them} were.{cause}",
        observed="{names}",
        action="Look at the recording and the diary to decide which is right.",
        headline="{length} is held twice: {recorded} recorded, or {with_them} if the clock was put "
        "back",
    ),
    "patient_code_missing": Entry(
        meaning="Files without a patient code beside an order that has one",
        text="{files} without a patient code: nothing shows whose they are. They are counted.",
        observed="{names}",
        action="Enter the patient code in the recorder before the next hook-up.",
    ),
    "patient_code_not_found": Entry(
        "problem",
        meaning="No file carries the patient code of the order",
        text="No file carries the patient code of the order, so nothing shows that these "
        "recordings are the ordered patient's. They were measured all the same.",
        observed="{others} with other codes, {blank} without one",
        action="Check that the right folder was given, and the code in the order.",
    ),
    "piece_missing": Entry(
        "problem",
        meaning="A hole where, by the recorder's rhythm or the files' numbers, a file should lie",
        text="By the recorder's rhythm or the files' numbers, {missing} missing between {before} "
        "and {after} ({hole}, from {start} on){elsewhere}; {files} in all did not come back with "
        "the rest. {recorded} was recorded as it stands; with what is missing it would be about "
        "{with_them}.",
        observed="{places}",
        action="Look for the file on the card and copy it; then run the audit again.",
        headline="{missing} missing between {before} and {after} ({hole}){elsewhere}",
    ),
    "placement_out_of_range": Entry(
        "problem",
        meaning="Files whose samples would lie outside the years of recordings; set aside",
        text="The clock of {files} ({length}) cannot be reconciled with the other copy: a place "
        "outside the years 1985 to 2084 would follow. Set aside. {recorded} is counted without; "
        "with it, {with_them}.",
        observed="{names}; {when}",
        action="Look at the recording; its time-keeping is damaged.",
        headline="{length} could be given no place in time and is not counted",
    ),
    "recordings_in_trash": Entry(
        meaning="Recordings in a trash folder, not counted",
        text="{files} in a trash folder. No time is counted from there.",
        observed="{names}",
        action="If they belong to the study, put them back and run the audit again.",
        question="files",
    ),
    "reference_clock": Entry(
        "info",
        meaning="Which copy's clock is the study's time line, and why",
        text="The study's time line is the clock of copy A ({folder}): {why}.",
        observed="{copies}",
    ),
    "repeated_hour": Entry(
        "info",
        meaning="A start stamp in the hour that the clocks show twice in autumn",
        text="{files} in the hour that the clocks in {zone} show twice. Each was read as the time "
        "that joins best to the file before it: {recorded} was recorded; read the other way, "
        "{with_them}.",
        observed="{names}: {stamps}",
        action="Check with the diary when the recording was going on.",
        headline="a start in the hour that exists twice: {recorded} recorded, or {with_them}",
    ),
    "set_by_hand": Entry(
        "info",
        meaning="Files that a person set aside, counted or moved in time by the order",
        text="{what} by hand{by}: {files} ({length}). With the rules alone, {by_rules} would be "
        "recorded; {recorded} is.",
        observed="{names}",
    ),
    "skipped_hour": Entry(
        meaning="A start stamp that no clock in the time zone ever shows",
        text="{files} at a time that no clock in {zone} ever shows, for the clocks skip it in "
        "spring. That was read as if the recorder's clock had not been put forward yet: {recorded} "
        "was recorded; read the other way, {with_them}.",
        observed="{names}: {stamps}",
        action="Check with the diary when the recording was going on.",
        headline="a start that no clock shows: {recorded} recorded, or {with_them}",
    ),
    "small_overlap": Entry(
        "info",
        meaning="Overlaps no longer than the resolution of the start stamps",
        text="{files} up to {longest} before the one before has ended, which is what start stamps "
        "in whole seconds leave. The time counts once.",
        observed="{names}",
    ),
    "start_disagrees_with_hookup": Entry(
        meaning="The first record lies far from the hook-up of the order",
        text="The first record lies {size} {side} the hook-up of the order. If the recorder's "
        "clock is right, recording began {size} {side} the hook-up{missing}; if the clock is wrong "
        "by that much, it began at the hook-up and ended {moved_end} instead of {end}. How long "
        "was recorded is the same either way.{cause}",
        expected="a first record near {hookup}",
        observed="{start}",
        action="Check the hook-up in the order and the recorder's clock.",
        forms={
            "all_before": "Every file ended before the hook-up of the order, {hookup}; the first "
            "record lies {size} before it. If the clock is wrong by that much, it ended "
            "{moved_end} instead of {end}; else the hook-up is wrong, or nothing of this study "
            "came back. {recorded} is counted all the same.{cause}"
        },
        question="files",
    ),
    "start_not_known": Entry(
        "problem",
        meaning="Files whose header states no usable start date",
        text="{files} ({length}) without a usable start date, whose samples match no other file: "
        "set aside. {recorded} is counted without; with it, {with_them}.",
        observed="{names}; {when}",
        action="Find out when the recording was made, and correct a copy of the file.",
        forms={
            "counted": "{files} ({length}) without a usable start date. {length} is counted by its "
            "length; when it was recorded is not known, so what is missing at the start and at the "
            "end is not known either."
        },
        headline="{length} without a start date",
    ),
    "test_recording": Entry(
        "info",
        meaning="Minutes that were recorded before the hook-up, as a test; set aside",
        text="{files} ({length}, {when}) ended before the hook-up, {hookup}: a test. Set aside. "
        "{recorded} is counted without; with it, {with_them}.",
        observed="{names}; {when}",
        action="If it belongs to the study, name it under include in the order.",
        headline="{length} before the hook-up would change a code if it counted",
    ),
    "two_studies_likely": Entry(
        "problem",
        meaning="A silence inside the study so long that it may be two studies",
        text="Hours of silence, up to {silence}, lie inside what was counted: {groups}. Together "
        "{recorded} was recorded. Two studies, or a study with a long interruption.",
        action="Decide which belong to this study; name the others under exclude in the order.",
    ),
    "unreadable_file": Entry(
        "problem",
        meaning="A file named like a recording that could not be read as one",
        text="This file is named like a recording but none could be read from it: {problem}. No "
        "time is counted for it.",
        observed="{problem}",
        action="{advice}",
        forms={
            "begins": "This file begins as a recording does but could not be read as one: "
            "{problem}. No time is counted for it."
        },
        headline="{name} cannot be read: {problem}",
    ),
}
