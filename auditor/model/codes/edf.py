"""Codes of findings on one file."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

EdfCode = Literal[
    "annotation_label_other",
    "annotation_not_utf8",
    "annotation_only_duration",
    "annotation_only_file",
    "annotation_signal_missing",
    "annotations_elsewhere",
    "annotations_malformed",
    "blank_records_counted",
    "blank_records_inside",
    "bytes_unreadable",
    "cannot_be_read",
    "changed_while_read",
    "channel_scale_unreadable",
    "channel_scale_wrong",
    "channel_without_samples",
    "continuous_file_jumps",
    "empty",
    "first_onset_off",
    "format_contradiction",
    "header_field_unreadable",
    "header_length_wrong",
    "header_not_ascii",
    "header_not_left_justified",
    "more_records_than_claimed",
    "never_closed",
    "no_start_date",
    "not_a_recording",
    "nothing_recorded",
    "onset_out_of_line",
    "onsets_drift",
    "onsets_run_backwards",
    "padding_at_end",
    "partial_last_record",
    "plain_file_with_times",
    "point_samples",
    "record_count_unreadable",
    "record_duration_doubtful",
    "record_duration_unreadable",
    "record_duration_unusual",
    "record_large",
    "record_start_unknown",
    "recording_date_unreadable",
    "records_missing",
    "reserved_unknown",
    "signal_count_wrong",
    "start_date_conflict",
    "start_date_unreadable",
    "start_stamp_form",
    "start_time_unreadable",
    "subfields_missing",
    "surplus_records",
    "time_keeping_absent",
    "time_keeping_restored",
    "too_many_jumps",
    "too_many_records",
    "too_short",
    "trailing_bytes",
    "version_wrong",
]

CODES: dict[EdfCode, Entry] = {
    "annotation_label_other": Entry(
        "info",
        meaning="An annotation signal whose label is written in another way.",
    ),
    "annotation_not_utf8": Entry(
        "caution",
        meaning="Annotation text with bytes that are not UTF-8.",
    ),
    "annotation_only_duration": Entry(
        "caution",
        meaning="A file of annotations alone states a record duration above 0.",
    ),
    "annotation_only_file": Entry(
        "info",
        meaning="A file of annotations alone; it adds nothing to recorded time.",
    ),
    "annotation_signal_missing": Entry(
        "caution",
        meaning="The header says EDF+ or BDF+, but no annotation signal is there.",
    ),
    "annotations_elsewhere": Entry(
        "info",
        meaning="Annotations whose time is outside the record that holds them.",
    ),
    "annotations_malformed": Entry(
        "caution",
        meaning="Annotation bytes that break the format's rules.",
    ),
    "blank_records_counted": Entry(
        "caution",
        meaning="Last records of one byte value that the header claims; counted.",
    ),
    "blank_records_inside": Entry(
        "problem",
        meaning="Records inside the file that hold one byte value only: data lost.",
    ),
    "bytes_unreadable": Entry(
        "problem",
        meaning="Part of the file could not be read from its disk or card.",
    ),
    "cannot_be_read": Entry(
        "caution",
        meaning="A file that cannot be opened or read.",
    ),
    "changed_while_read": Entry(
        "problem",
        meaning="A file that changed while it was read.",
    ),
    "channel_scale_unreadable": Entry(
        "caution",
        meaning="Channel limits that hold no usable number.",
    ),
    "channel_scale_wrong": Entry(
        "caution",
        meaning="Channel limits that cannot be scaled by.",
    ),
    "channel_without_samples": Entry(
        "caution",
        meaning="Channels of 0 samples per record.",
    ),
    "continuous_file_jumps": Entry(
        "problem",
        meaning="A file called uninterrupted whose records' own starts jump.",
    ),
    "empty": Entry(
        "caution",
        meaning="A file of 0 bytes.",
    ),
    "first_onset_off": Entry(
        "caution",
        meaning="A first record that does not start within the header's first second.",
    ),
    "format_contradiction": Entry(
        "problem",
        meaning="Version and reserved fields name different formats.",
    ),
    "header_field_unreadable": Entry(
        "caution",
        meaning="A header field without which the file cannot be read.",
    ),
    "header_length_wrong": Entry(
        "caution",
        meaning="The header's own length is stated wrongly.",
    ),
    "header_not_ascii": Entry(
        "caution",
        meaning="Header fields with bytes other than printable ASCII.",
    ),
    "header_not_left_justified": Entry(
        "info",
        meaning="Header fields that do not begin at their first character.",
    ),
    "more_records_than_claimed": Entry(
        "caution",
        meaning="The file holds more records than its header claims; all count.",
    ),
    "never_closed": Entry(
        "caution",
        meaning="The record count is still -1, as while recording; records counted by bytes.",
    ),
    "no_start_date": Entry(
        "caution",
        meaning="The header gives no start date.",
    ),
    "not_a_recording": Entry(
        "caution",
        meaning="A file that does not begin as a recording does.",
    ),
    "nothing_recorded": Entry(
        "caution",
        meaning="A recording's header without recorded data.",
    ),
    "onset_out_of_line": Entry(
        "problem",
        meaning="A record's stated start overlaps neighbours that follow each other.",
    ),
    "onsets_drift": Entry(
        "caution",
        meaning="Record starts that move away from the record duration little by little.",
    ),
    "onsets_run_backwards": Entry(
        "problem",
        meaning="Records that start before the one ahead of them has ended.",
    ),
    "padding_at_end": Entry(
        "problem",
        meaning="Blank records at the end that are not counted.",
    ),
    "partial_last_record": Entry(
        "caution",
        meaning="Less than one record at the end; not counted.",
    ),
    "plain_file_with_times": Entry(
        "info",
        meaning="A file called plain whose records state their own starts.",
    ),
    "point_samples": Entry(
        "caution",
        meaning="Records of single samples that last no time.",
    ),
    "record_count_unreadable": Entry(
        "caution",
        meaning="The record count field holds no number of records.",
    ),
    "record_duration_doubtful": Entry(
        "problem",
        meaning="Record starts lie apart by another time than the header says.",
    ),
    "record_duration_unreadable": Entry(
        "problem",
        meaning="The record duration was taken from the records' starts.",
    ),
    "record_duration_unusual": Entry(
        "problem",
        meaning="A record duration of more than an hour that nothing confirms.",
    ),
    "record_large": Entry(
        "info",
        meaning="Data records larger than the format recommends.",
    ),
    "record_start_unknown": Entry(
        "problem",
        meaning="Records whose start nothing in the file tells.",
    ),
    "recording_date_unreadable": Entry(
        "caution",
        meaning="The recording field's start date is no date.",
    ),
    "records_missing": Entry(
        "problem",
        meaning="The file holds fewer whole records than its header claims.",
    ),
    "reserved_unknown": Entry(
        "caution",
        meaning="The reserved field does not hold its format's mark.",
    ),
    "signal_count_wrong": Entry(
        "problem",
        meaning="The number of signals was taken from the header's length field.",
    ),
    "start_date_conflict": Entry(
        "caution",
        meaning="Two start dates in one header; the recording field's is taken.",
    ),
    "start_date_unreadable": Entry(
        "caution",
        meaning="The two-digit date field holds no date.",
    ),
    "start_stamp_form": Entry(
        "info",
        meaning="A start date or time written in another form.",
    ),
    "start_time_unreadable": Entry(
        "problem",
        meaning="The start time is no time of day; midnight stands in.",
    ),
    "subfields_missing": Entry(
        "info",
        meaning="Patient or recording field without the EDF+ subfields.",
    ),
    "surplus_records": Entry(
        "caution",
        meaning="Records beyond the header's count that state no time; not counted.",
    ),
    "time_keeping_absent": Entry(
        "caution",
        meaning="No record of an EDF+ or BDF+ file states its start.",
    ),
    "time_keeping_restored": Entry(
        "caution",
        meaning="Records without a start whose neighbours leave exactly their room.",
    ),
    "too_many_jumps": Entry(
        "caution",
        meaning="More jumps of the records' starts than are read.",
    ),
    "too_many_records": Entry(
        "caution",
        meaning="A header that makes more data records than are read.",
    ),
    "too_short": Entry(
        "caution",
        meaning="A file too short for a header.",
    ),
    "trailing_bytes": Entry(
        "caution",
        meaning="Bytes after the last record; not counted.",
    ),
    "version_wrong": Entry(
        "problem",
        meaning="A damaged version field; the format was told from the rest of the header.",
    ),
}
